//! Before and after a repair: hit rate and depth of the same part in the same setup.

use schemars::JsonSchema;
use serde::Serialize;

use crate::measure::compare::{Change, Direction};
use crate::reading::{Estimate, Quality, Refusal, SOFTWARE};

use super::car::RollCar;
use super::combine::{car_of, differs};
use super::finding::{RollFinding, Snag};
use super::kept::Kept;
use super::rate::{Rate, Seen, change, look, side};

/// Standard deviations of a change between no decision and one with a chance of 80 %: the 97.5 % and the 80 % quantile of
/// the standard normal distribution.
const SHOWN_OFTEN: f64 = 1.959_963_984_540_054 + 0.841_621_233_572_914;
/// Orders of one part in two files of one setup differ by no more, relative.
const SAME_SPEEDS: f64 = 1e-6;
/// More turns than this are no promise.
const MOST_TURNS: f64 = 100_000.0;

/// A snag before and after.
#[derive(Clone, Debug, PartialEq, Serialize, JsonSchema)]
pub struct RollComparison {
    /// Always `roll`.
    pub test: String,
    /// Software and version that made this.
    pub software: String,
    /// Why there is no answer, or null.
    pub refused: Option<Vec<Refusal>>,
    /// The hit rate after, beside that before.
    pub verdict: Direction,
    /// What that means for the car: fewer hits are better.
    pub change: Change,
    /// Captures before.
    pub before: u64,
    /// Captures after.
    pub after: u64,
    /// The part whose snag is compared: the one named before, else the one named after.
    pub part: Option<String>,
    /// Setup of all captures; in JSON the key stands beside every comparison, whatever its test.
    #[serde(skip)]
    #[schemars(skip)]
    pub setup: Option<String>,
    /// Share of turns that hit, before.
    pub hit_rate_before: Option<Estimate>,
    /// Share of turns that hit, after; where no snag is shown, what the record leaves possible.
    pub hit_rate_after: Option<Estimate>,
    /// Peak torque of a hit over the drag, before.
    pub depth_before: Option<Estimate>,
    /// Peak torque of a hit over the drag, after; null where no snag is shown.
    pub depth_after: Option<Estimate>,
    /// Hit rate after less hit rate before.
    pub difference: Option<Estimate>,
    /// Hit rate after over hit rate before; null unless both are clearly above 0.
    pub ratio: Option<Estimate>,
    /// Change of the hit rate that captures like these show with a chance of 80 %.
    pub minimum_detectable_change: Option<f64>,
    /// How many more turns of the part would decide; 0 when decided, null when no number would.
    pub more_turns: Option<u64>,
    /// What the captures were like.
    pub quality: RollComparisonQuality,
}

/// What the captures of a comparison were like.
#[derive(Clone, Debug, Default, PartialEq, Serialize, JsonSchema)]
pub struct RollComparisonQuality {
    /// What all records were like, together; whoever knows the records fills it in.
    #[serde(flatten)]
    pub common: Quality,
    /// Turns of the part that could be seen before and after.
    pub turns_before: Option<u64>,
    /// See above.
    pub turns_after: Option<u64>,
    /// No capture after shows a snag in the part.
    pub none_seen_after: bool,
    /// No capture before shows a snag in the part.
    pub none_seen_before: bool,
    /// Where one side shows no snag in the part: the smallest, in units of the drag, that it would have shown with 95 %. Null
    /// where both sides show one, or where not even a large one would have shown.
    pub detectable_depth: Option<f64>,
    /// Why nothing is decided, a word: `range_spans_no_change`, `detectable_depth` (the side without a snag would not have
    /// shown one of the other side's depth); null when decided or refused.
    pub undecided_because: Option<String>,
    /// Limits of this answer in words.
    pub notes: Vec<String>,
}

/// Compares captures before and after: the hit rate of the part named before (else of the part named after), in the same
/// setup and with the same sensor.
///
/// Where a side shows no snag in the part, its hit rate is what the record leaves possible for hits of the other side's depth,
/// from 0 on (its range averages over what that depth leaves open); that counts only when the record would have shown such a
/// snag: detectable depth at most the other side's depth. A side's captures are averaged.
///
/// Refused: a side without a capture or without free rolling, different cars, setups, sensors or magnets, no snag on either
/// side, a part that the other side cannot show.
pub fn compare(before: &[RollFinding], after: &[RollFinding]) -> RollComparison {
    let mut out = RollComparison {
        test: "roll".into(),
        software: SOFTWARE.into(),
        refused: None,
        verdict: Direction::Undecided,
        change: Direction::Undecided.lower_is_better(),
        before: before.len() as u64,
        after: after.len() as u64,
        part: None,
        setup: None,
        hit_rate_before: None,
        hit_rate_after: None,
        depth_before: None,
        depth_after: None,
        difference: None,
        ratio: None,
        minimum_detectable_change: None,
        more_turns: None,
        quality: RollComparisonQuality::default(),
    };
    if let Err(refusal) = out.fill(before, after) {
        out.refused = Some(vec![refusal]);
    }
    out
}

/// The records of a side, leg by leg, each as the sensor of `index` saw it.
fn records<'a>(
    findings: &'a [RollFinding],
    index: Option<u32>,
    side: &str,
) -> Result<Vec<Vec<&'a Kept>>, Refusal> {
    let mut records = Vec::new();
    for finding in findings {
        if let Some(refusal) = finding.refused.iter().flatten().next() {
            return Err(Refusal {
                message: format!("a capture {side} has no answer: {}", refusal.message),
                ..refusal.clone()
            });
        }
        // a record that was searched without a gear train keeps none
        let kept = finding
            .evidence
            .kept
            .as_ref()
            .ok_or_else(|| unknown(side))?;
        let of_sensor = finding.evidence.records.iter().find(|k| {
            let car = k.settings.car.as_ref();
            car.is_some_and(|c| Some(c.sensor) == index)
        });
        let sensor = of_sensor.unwrap_or(kept).sensor;
        records.push(finding.evidence.legs(sensor));
    }
    if records.is_empty() {
        return Err(Refusal::new(
            "no_capture",
            format!("there is no capture {side}; give at least one"),
        ));
    }
    Ok(records)
}

fn unknown(side: &str) -> Refusal {
    Refusal::new(
        "unknown_car",
        format!("a capture {side} was analyzed without the car's file; its parts are not known"),
    )
}

/// All records must be of one car, setup and sensor.
fn same_conditions<'a>(records: &[&'a Kept]) -> Result<&'a RollCar, Refusal> {
    let first = records[0];
    let car = car_of(first)?;
    for record in &records[1..] {
        let other = car_of(record)?;
        differs(car, other)?;
        if car.setup != other.setup {
            return Err(Refusal::new(
                "setup_differs",
                format!(
                    "captures in different setups, {} and {}, show different parts; repeat one of them in the other's setup",
                    car.setup, other.setup
                ),
            ));
        }
        let (a, b) = (&first.settings.train, &record.settings.train);
        if (car.sensor, &car.sensed, a.magnets) != (other.sensor, &other.sensed, b.magnets) {
            return Err(Refusal::new(
                "sensor_differs",
                format!(
                    "{} magnets on {} and {} on {}: hits are not seen alike; use the same sensor on both sides",
                    a.magnets, car.sensed, b.magnets, other.sensed
                ),
            ));
        }
        let same = a.rolling == b.rolling
            && a.parts.len() == b.parts.len()
            && a.parts.iter().zip(&b.parts).all(|(a, b)| {
                a.name == b.name && (a.order - b.order).abs() <= SAME_SPEEDS * a.order
            });
        if !same {
            return Err(Refusal::new(
                "setup_differs",
                format!(
                    "setup {} does not mean the same in both files; analyze all with one file",
                    car.setup
                ),
            ));
        }
    }
    Ok(car)
}

/// The part named by the strongest of the captures that report a snag.
fn named(findings: &[RollFinding]) -> Option<&Snag> {
    findings
        .iter()
        .filter_map(|f| Some((f.quality.ln_bayes?, f.snags.as_ref()?.first()?)))
        .reduce(|a, b| if b.0 > a.0 { b } else { a })
        .map(|(_, snag)| snag)
}

impl RollComparison {
    fn fill(&mut self, before: &[RollFinding], after: &[RollFinding]) -> Result<(), Refusal> {
        let snag = named(before).or_else(|| named(after));
        let sensor = snag.map(|s| s.sensor);
        let (old, new) = (
            records(before, sensor, "before")?,
            records(after, sensor, "after")?,
        );
        if old
            .iter()
            .flatten()
            .any(|b| new.iter().flatten().any(|a| a.nodes.t == b.nodes.t))
        {
            self.quality.common.flag("same_record");
        }
        let all: Vec<&Kept> = old.iter().chain(&new).flatten().copied().collect();
        let car = same_conditions(&all)?;
        self.setup = Some(car.setup.clone());
        let snag = snag.ok_or_else(|| {
            Refusal::new(
                "no_snag",
                "neither side shows a snag, so there is nothing to compare",
            )
        })?;
        let part = snag.part.as_str();
        self.part = Some(part.into());
        let seen = [(before, old), (after, new)].map(|(side, records)| {
            let each = side.iter().zip(records);
            each.map(|(finding, legs)| look(finding, &legs, part))
                .collect::<Result<Vec<Seen>, Refusal>>()
        });
        let [seen_before, seen_after] = seen;
        let (seen_before, seen_after) = (seen_before?, seen_after?);
        let [before, after] = side(&seen_before, &seen_after);
        self.quality.turns_before = Some(before.turns);
        self.quality.turns_after = Some(after.turns);
        self.quality.none_seen_before = before.none_seen;
        self.quality.none_seen_after = after.none_seen;
        self.hit_rate_before = Some(before.estimate());
        self.hit_rate_after = Some(after.estimate());
        self.depth_before = before.depth;
        self.depth_after = after.depth;
        self.decide(&before, &after);
        Ok(())
    }

    fn decide(&mut self, before: &Rate, after: &Rate) {
        let difference = change(before, after);
        self.difference = Some(difference);
        self.minimum_detectable_change = Some((SHOWN_OFTEN * difference.u).min(1.0));
        let blind = [(before, after), (after, before)]
            .into_iter()
            .find(|(none, _)| none.none_seen);
        let counts = blind.is_none_or(|(none, other)| {
            self.quality.detectable_depth = none.detectable;
            let deep = other.depth.map(|d| d.value);
            none.detectable.zip(deep).is_some_and(|(d, deep)| d <= deep)
        });
        if counts {
            self.verdict = Direction::of(&difference, 0.0);
        }
        self.change = self.verdict.lower_is_better();
        if self.verdict != Direction::Undecided {
            self.more_turns = Some(0);
        } else if counts {
            self.quality.undecided_because = Some("range_spans_no_change".into());
            self.more_turns = turns_to_show(before, after, difference.value);
        } else {
            self.quality.undecided_because = Some("detectable_depth".into());
            self.quality.notes.extend(blind.map(too_faint));
            self.more_turns = blind.and_then(|(none, other)| turns_to_see(none, other));
        }
        self.ratio = ratio(before, after);
    }
}

/// Why "none seen" does not count, in words.
fn too_faint((none, other): (&Rate, &Rate)) -> String {
    let depth = other.depth.map_or(0.0, |d| d.value);
    let shows = none.detectable.map_or_else(
        || "the side without a snag would not have shown even a large one in this part".to_owned(),
        |d| format!("the side without a snag would have shown one in this part from a depth of {d:.2} on"),
    );
    format!("{shows}, and the other side's is about {depth:.2} deep: not seen is not not there")
}

/// How many more turns on each side make the range of a difference `d` leave 0: its statistical part shrinks with the turns,
/// the model's own does not.
fn turns_to_show(before: &Rate, after: &Rate, d: f64) -> Option<u64> {
    let statistical = before.statistical() + after.statistical();
    let model = before.model() + after.model();
    let room = (d / crate::reading::Z95) * (d / crate::reading::Z95) - model;
    let turns = before.turns.min(after.turns) as f64;
    promise(turns * (statistical / room - 1.0), room > 0.0)
}

/// How many more turns bring the detectable depth of the side without a snag down to the other side's depth: it falls with the
/// square root of the turns.
fn turns_to_see(none: &Rate, other: &Rate) -> Option<u64> {
    let ratio = none.detectable? / other.depth?.value;
    promise(none.turns as f64 * (ratio * ratio - 1.0), true)
}

#[expect(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "between 1 and the most that is promised"
)]
fn promise(turns: f64, possible: bool) -> Option<u64> {
    (possible && turns <= MOST_TURNS).then(|| turns.ceil().max(1.0) as u64)
}

/// After over before, by the logarithms' uncertainties; only of two rates whose ranges lie above 0.
fn ratio(before: &Rate, after: &Rate) -> Option<Estimate> {
    let (b, a) = (before.estimate(), after.estimate());
    if b.lo95 <= 0.0 || a.lo95 <= 0.0 {
        return None;
    }
    let value = a.value / b.value;
    let u = libm::hypot(a.u / a.value, b.u / b.value);
    Some(Estimate {
        value,
        u: value * u,
        lo95: value * libm::exp(-crate::reading::Z95 * u),
        hi95: value * libm::exp(crate::reading::Z95 * u),
    })
}

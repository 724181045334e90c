//! Several captures of one car, in whatever setups: one posterior over its parts.
//!
//! Phase, depth and hit rate may differ from capture to capture, the part does not, so the logarithms of the Bayes factors
//! add up. A capture in which a part stands says nothing for or against it.

use std::sync::Arc;

use schemars::JsonSchema;
use serde::Serialize;

use crate::reading::{LimitSource, Quality, Refusal, SOFTWARE};

use super::car::RollCar;
use super::contradict::{DOUBTFUL_SHARE, SENSOR_DOUBTFUL, WHEEL_SPEED_UNLIKELY, lacks_ripple};
use super::finding::RollFinding;
use super::kept::{Kept, RollEvidence};
use super::next::{NextSetup, next_if_open};
use super::report::{GAMMA, SAME_ORDER, false_alarm};
use crate::measure::logarithm::{ln_mean_exp, ln_sum_exp};

/// What several roll captures of one car say together.
#[derive(Clone, Debug, PartialEq, Serialize, JsonSchema)]
pub struct RollParts {
    /// Always `roll`.
    pub test: String,
    /// Software and version that made this.
    pub software: String,
    /// Why there is no answer, or null.
    pub refused: Option<Vec<Refusal>>,
    /// The captures, as given.
    pub captures: Vec<RollCapture>,
    /// Name of the car, null when refused.
    pub car: Option<String>,
    /// Every part that at least one capture could show, most probable first; null when refused.
    pub parts: Option<Vec<PartShare>>,
    /// Bound on the share of snag-free cars whose captures look at least as snagged as these, 0..1.
    pub false_alarm_probability: Option<f64>,
    /// A snag is reported when that is at most this.
    pub limit_snag_false_alarm: Option<f64>,
    /// Where that limit comes from.
    pub limit_source: Option<LimitSource>,
    /// A snag is reported: the parts' probabilities are worth acting on.
    pub snag: Option<bool>,
    /// Groups of parts that none of these captures can tell apart.
    pub same_order: Vec<Vec<String>>,
    /// What to try next; null when nothing is left to ask or no setup would tell.
    pub next_setup: Option<NextSetup>,
    /// What the captures were like.
    pub quality: RollPartsQuality,
}

/// One capture of several.
#[derive(Clone, Debug, PartialEq, Serialize, JsonSchema)]
pub struct RollCapture {
    /// Where it came from: file or folder; null until the caller says so.
    pub source: Option<String>,
    /// Its setup, null when not known.
    pub setup: Option<String>,
    /// It reports a snag by itself.
    pub snag: bool,
    /// Natural logarithm of its Bayes factor "a snag in some visible part" against "no snag"; null when refused.
    pub ln_bayes: Option<f64>,
    /// Turns of the sensed shaft.
    pub turns: Option<f64>,
    /// Code of its refusal; a refused capture says nothing.
    pub refused: Option<String>,
}

/// A part's share of the probability.
#[derive(Clone, Debug, PartialEq, Serialize, JsonSchema)]
pub struct PartShare {
    /// Name of the part.
    pub part: String,
    /// Probability, given that there is a snag in one of the parts listed; half of that where the flag `sensor_doubtful` says
    /// that no capture confirms where the sensor sits.
    pub probability: f64,
    /// Sum over the captures of the natural logarithm of the Bayes factor "snag in this part" against "no snag".
    pub ln_bayes: f64,
    /// Captures that could show it.
    pub seen_in: u64,
}

/// What the captures were like.
#[derive(Clone, Debug, Default, PartialEq, Serialize, JsonSchema)]
pub struct RollPartsQuality {
    /// What all records were like, together; whoever knows the records fills it in.
    #[serde(flatten)]
    pub common: Quality,
    /// Captures that could be used.
    pub used: u64,
    /// Natural logarithm of the Bayes factor "a snag in some part" against "no snag", all captures.
    pub ln_bayes: Option<f64>,
    /// Turns of the sensed shaft, all captures.
    pub turns: Option<f64>,
    /// Parts that no capture could show.
    pub not_visible: Vec<String>,
}

/// What one part's captures add up to.
struct Sum {
    part: String,
    /// Sum of `ln B`: decides whether a snag is reported.
    bayes: f64,
    /// Sum of `ln B'`: decides which part is named.
    naming: f64,
    seen_in: u64,
    /// Its nominal order in every capture that shows it.
    orders: Vec<Option<f64>>,
}

/// Combines captures of one car to one posterior over its parts.
///
/// `ln B(part)` is the sum over the captures (`ln B'` where a capture reports a snag), 0 where the part stands or cannot be
/// seen; then probability `B^0.5 / sum B^0.5` and false-alarm probability of the mean B as for one capture.
///
/// Refused: no usable capture, captures of different cars (name or any tooth count), a capture given twice, findings that
/// do not say of which car they are.
pub fn combine(captures: &[RollFinding]) -> RollParts {
    let mut out = RollParts {
        test: "roll".into(),
        software: SOFTWARE.into(),
        refused: None,
        captures: captures.iter().map(row).collect(),
        car: None,
        parts: None,
        false_alarm_probability: None,
        limit_snag_false_alarm: None,
        limit_source: None,
        snag: None,
        same_order: Vec::new(),
        next_setup: None,
        quality: RollPartsQuality::default(),
    };
    let used: Vec<Used> = captures.iter().filter_map(Used::of).collect();
    match same_car(&used) {
        Ok(car) => fill(&mut out, &used, car),
        Err(refusal) => out.refused = Some(vec![refusal]),
    }
    out
}

/// A capture with an answer.
struct Used<'a> {
    finding: &'a RollFinding,
    evidence: &'a RollEvidence,
    kept: &'a Arc<Kept>,
    turns: f64,
}

impl<'a> Used<'a> {
    fn of(finding: &'a RollFinding) -> Option<Self> {
        Some(Self {
            finding,
            evidence: &finding.evidence,
            kept: finding.evidence.kept.as_ref()?,
            turns: finding.evidence.turns?,
        })
    }
}

fn row(finding: &RollFinding) -> RollCapture {
    let kept = finding.evidence.kept.as_ref();
    let code = |r: &Vec<Refusal>| r.first().map(|r| r.code.clone());
    RollCapture {
        source: None,
        setup: kept.and_then(|k| k.settings.car.as_ref().map(|c| c.setup.clone())),
        snag: finding.evidence.named,
        ln_bayes: finding.quality.ln_bayes,
        turns: finding.quality.turns,
        refused: finding.refused.as_ref().and_then(code),
    }
}

/// The car of all captures.
fn same_car<'a>(used: &[Used<'a>]) -> Result<&'a RollCar, Refusal> {
    let Some(first) = used.first() else {
        return Err(Refusal::new(
            "no_free_rolling",
            "none of the captures has enough free rolling: push, let go, let it run down, again",
        ));
    };
    let car = car_of(first.kept)?;
    for (i, other) in used.iter().enumerate().skip(1) {
        differs(car, car_of(other.kept)?)?;
        let twice = used[..i]
            .iter()
            .any(|u| u.kept.nodes.t == other.kept.nodes.t);
        if twice {
            return Err(Refusal::new(
                "same_capture_twice",
                "the same capture was given twice; it would count double: give each once",
            ));
        }
    }
    Ok(car)
}

/// The car of a record.
///
/// # Errors
/// The record does not say.
pub(super) fn car_of(kept: &Kept) -> Result<&RollCar, Refusal> {
    kept.settings.car.as_ref().ok_or_else(|| {
        Refusal::new(
            "unknown_car",
            "it is not known which car a capture is of; give the car's file with each",
        )
    })
}

/// Two captures must be of one car.
///
/// # Errors
/// The names differ, or what the files say of the gears.
pub(super) fn differs(a: &RollCar, b: &RollCar) -> Result<(), Refusal> {
    if a.is(b) {
        return Ok(());
    }
    let message = if a.name == b.name {
        let changed = b.gears.lines().find(|l| !a.gears.lines().any(|m| m == *l));
        let changed =
            changed.or_else(|| a.gears.lines().find(|l| !b.gears.lines().any(|m| m == *l)));
        format!(
            "captures of different cars: both files say {}, but their gear trains differ ({}); analyze all with one file",
            a.name,
            changed.unwrap_or("order of the entries")
        )
    } else {
        format!(
            "captures of different cars: {} and {}; give captures of one car",
            a.name, b.name
        )
    };
    Err(Refusal::new("different_cars", message))
}

fn fill(out: &mut RollParts, used: &[Used], car: &RollCar) {
    let sums = sums(used);
    let bayes: Vec<f64> = sums.iter().map(|s| s.bayes).collect();
    let ln = ln_mean_exp(&bayes);
    let alarm = false_alarm(ln);
    let limit = used
        .iter()
        .map(|u| (u.finding.limit_snag_false_alarm, u.finding.limit_source))
        .reduce(|a, b| if b.0 < a.0 { b } else { a });
    let turns: f64 = used.iter().map(|u| u.turns).sum();
    let mut parts = posterior(&sums);
    let open: Vec<(String, f64)> = parts
        .iter()
        .map(|p| (p.part.clone(), p.probability))
        .collect();
    out.car = Some(car.name.clone());
    out.false_alarm_probability = Some(alarm);
    out.limit_snag_false_alarm = limit.map(|l| l.0);
    out.limit_source = limit.and_then(|l| l.1);
    out.snag = limit.map(|l| alarm <= l.0);
    out.same_order = same_order(&sums, used);
    out.next_setup = next_if_open(&open, &car.setups, turns / used.len() as f64);
    out.quality = RollPartsQuality {
        common: Quality::default(),
        used: used.len() as u64,
        ln_bayes: Some(ln),
        turns: Some(turns),
        not_visible: hidden(&sums, used),
    };
    // one capture that shows the car's ripple where it must speaks for the sensor in all of them
    let is_sure = |u: &Used| {
        let mut flags = u.finding.quality.common.flags.iter();
        let unlikely = flags.any(|flag| flag == WHEEL_SPEED_UNLIKELY);
        !unlikely && (u.evidence.agree || !lacks_ripple(&u.evidence.legs(u.kept.sensor)))
    };
    if out.snag == Some(true) && !used.iter().any(is_sure) {
        out.quality.common.flag(SENSOR_DOUBTFUL);
        for part in &mut parts {
            part.probability *= DOUBTFUL_SHARE;
        }
    }
    out.parts = Some(parts);
}

/// What the captures add up to, for every part that one of them could show, in the order in which they appear.
fn sums(used: &[Used]) -> Vec<Sum> {
    let mut sums: Vec<Sum> = Vec::new();
    for (n, capture) in used.iter().enumerate() {
        for part in &capture.evidence.parts {
            let at = sums.iter().position(|s| s.part == part.part);
            let at = at.unwrap_or_else(|| {
                sums.push(Sum {
                    part: part.part.clone(),
                    bayes: 0.0,
                    naming: 0.0,
                    seen_in: 0,
                    orders: vec![None; used.len()],
                });
                sums.len() - 1
            });
            let sum = &mut sums[at];
            sum.bayes += part.ln_bayes;
            sum.naming += part.ln_naming;
            sum.seen_in += 1;
            sum.orders[n] = Some(part.nominal_order);
        }
    }
    sums
}

fn posterior(sums: &[Sum]) -> Vec<PartShare> {
    let tempered: Vec<f64> = sums.iter().map(|s| GAMMA * s.naming).collect();
    let norm = ln_sum_exp(&tempered);
    let mut parts: Vec<PartShare> = sums
        .iter()
        .zip(&tempered)
        .map(|(sum, t)| PartShare {
            part: sum.part.clone(),
            probability: libm::exp(t - norm),
            ln_bayes: sum.naming,
            seen_in: sum.seen_in,
        })
        .collect();
    // stable: parts of equal order keep their order
    parts.sort_by(|a, b| b.probability.total_cmp(&a.probability));
    parts
}

/// Groups of parts that turn together, or rest together, in every capture.
fn same_order(sums: &[Sum], used: &[Used]) -> Vec<Vec<String>> {
    let together = |a: &Sum, b: &Sum| {
        a.orders
            .iter()
            .zip(&b.orders)
            .zip(used)
            .all(|((a, b), capture)| match (a, b) {
                (Some(a), Some(b)) => (a - b).abs() < SAME_ORDER / capture.turns,
                (None, None) => true,
                _ => false,
            })
    };
    let mut groups: Vec<Vec<&Sum>> = Vec::new();
    for sum in sums {
        match groups.iter_mut().find(|g| together(g[0], sum)) {
            Some(group) => group.push(sum),
            None => groups.push(vec![sum]),
        }
    }
    groups
        .into_iter()
        .filter(|g| g.len() > 1)
        .map(|g| g.into_iter().map(|s| s.part.clone()).collect())
        .collect()
}

/// Parts that no capture could show.
fn hidden(sums: &[Sum], used: &[Used]) -> Vec<String> {
    let mut hidden: Vec<String> = Vec::new();
    for part in used.iter().flat_map(|u| &u.evidence.not_visible) {
        if !hidden.contains(part) && !sums.iter().any(|s| s.part == *part) {
            hidden.push(part.clone());
        }
    }
    hidden
}

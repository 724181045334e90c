//! Before and after: the force of a pull depends on its speed, so both sides are brought to one cadence with a slope that
//! is half known beforehand; and the same engine on another day is not quite the same, so a day term stays however many
//! pulls there are.

use schemars::JsonSchema;
use serde::Serialize;

use super::finding::{PullFinding, UsablePull};
use super::session::{self, MIN_PULLS, t_quantile};
use crate::measure::compare::{Change, Direction};
use crate::reading::{
    CalibrationShare, Contribution, Estimate, Quality, Refusal, SOFTWARE, budget,
};

/// Readings per stroke below which a converter under-reads by more than can be taken out.
const FEWEST_PER_STROKE: f64 = 8.0;
/// Readings per stroke from which on two different converters read alike.
const ALIKE_PER_STROKE: f64 = 30.0;
/// Two times between readings that differ by more than this share are two sensors.
const SAME_DT: f64 = 0.20;
/// Largest difference of ln(cadence) that the slope is known for.
const FARTHEST: f64 = 0.35;
/// Passes that slope and scatter take to settle on each other.
const PASSES: usize = 6;
/// Most further pulls a side that are promised.
const MOST_MORE: usize = 40;
/// 80 % quantile of the standard normal distribution, as the rule for more pulls has it.
const Z80: f64 = 0.84;

/// What is known before any pull was made.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Prior {
    /// d ln(peak)/d ln(cadence).
    pub slope: f64,
    /// Its standard deviation between engines, > 0.
    pub slope_sd: f64,
    /// Scatter of ln(peak) at one cadence, > 0.
    pub scatter: f64,
    /// Pulls that this scatter counts for, >= 0.
    pub scatter_dof: f64,
    /// Standard deviation of ln(peak) of the same engine from day to day; a shop's own repeats may replace it.
    pub day: f64,
}

impl Default for Prior {
    fn default() -> Self {
        Self {
            slope: session::SLOPE,
            slope_sd: session::SLOPE_SD,
            scatter: session::SCATTER,
            scatter_dof: session::SCATTER_DOF,
            day: session::DAY,
        }
    }
}

/// Two groups of pulls at one cadence, in natural logarithms.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Shift {
    /// ln(peak after) - ln(peak before) at one cadence.
    pub ln_ratio: f64,
    /// Its standard uncertainty.
    pub u: f64,
    /// Degrees of freedom of the interval.
    pub dof: f64,
    /// d ln(peak)/d ln(cadence) of both groups together.
    pub slope: f64,
    /// ln(cadence after) - ln(cadence before), means.
    pub ln_cadence_ratio: f64,
    /// Mean of both groups' ln(peak) at the cadence half way between them.
    pub ln_level: f64,
    /// Variance of ln(peak) at one cadence, within a group.
    pub scatter2: f64,
    /// Parts of `u`: scatter of the pulls, slope, day.
    pub parts: [f64; 3],
}

/// Quality of a comparison.
#[derive(Clone, Debug, PartialEq, Serialize, JsonSchema)]
pub struct PullComparisonQuality {
    /// What both sides' records were like, together.
    #[serde(flatten)]
    pub common: Quality,
    /// Pulls before and after that were found but have fewer than three strokes, missing readings or no peak.
    pub not_usable: [usize; 2],
    /// Scatter of ln(peak) at one cadence within a side, standard deviation; null when refused.
    pub scatter: Option<f64>,
}

/// Before and after.
#[derive(Clone, Debug, PartialEq, Serialize, JsonSchema)]
pub struct PullComparison {
    /// `pull`.
    pub test: &'static str,
    /// Software that computed it.
    pub software: &'static str,
    /// Why there is no number; null when there is one.
    pub refused: Option<Vec<Refusal>>,
    /// The ratio against 1.
    pub verdict: Direction,
    /// What that means: more force is better.
    pub change: Change,
    /// Usable pulls before.
    pub before: usize,
    /// Usable pulls after.
    pub after: usize,
    /// Peak after over peak before, at one cadence.
    pub ratio: Option<Estimate>,
    /// Peak after less peak before, N, at the cadence half way between the two sides. Its interval is that of the ratio at
    /// the common level, widened by what is not known of that level, so that both lie on the same side of no change.
    pub difference: Option<Estimate>,
    /// Cadence after over cadence before; null when a side has no usable pull.
    pub cadence_ratio: Option<f64>,
    /// d ln(peak) / d ln(cadence) of both sides together; null when refused.
    pub slope: Option<f64>,
    /// Smallest relative change that these pulls would show in four of five cases; null when refused.
    pub minimum_detectable_change: Option<f64>,
    /// Further pulls on each side that would probably decide: 0 when it is decided, null when more pulls on these days
    /// cannot decide (or when refused).
    pub more_pulls: Option<usize>,
    /// What contributes how much to the uncertainty of `ratio`, largest first.
    pub budget: Vec<Contribution>,
    /// What both sides' records were like.
    pub quality: PullComparisonQuality,
}

/// Is the engine's pull stronger than before? Each side is one or several findings, whose usable pulls are pooled.
///
/// A refused comparison has no ratio and is undecided: fewer than three usable pulls on a side, a sensor too slow for the
/// strokes, two sensors that read strokes differently, cadences too far apart, a clipped record, plug out, one side cold
/// and the other warm.
///
/// ```
/// use feelgauge::measure::{compare::Change, pull::compare};
/// let comparison = compare(&[], &[]);
/// assert_eq!((comparison.ratio, comparison.change), (None, Change::NotShown));
/// assert_eq!(comparison.refused.unwrap()[0].code, "too_few_pulls");
/// ```
pub fn compare(before: &[PullFinding], after: &[PullFinding]) -> PullComparison {
    let sides = [Side::of("before", before), Side::of("after", after)];
    let mut comparison = PullComparison {
        test: "pull",
        software: SOFTWARE,
        refused: None,
        verdict: Direction::Undecided,
        change: Change::NotShown,
        before: sides[0].usable.len(),
        after: sides[1].usable.len(),
        ratio: None,
        difference: None,
        cadence_ratio: cadence_ratio(&sides),
        slope: None,
        minimum_detectable_change: None,
        more_pulls: None,
        budget: Vec::new(),
        quality: quality(&sides),
    };
    let refusals = refusals(&sides);
    if refusals.is_empty() {
        let prior = Prior::default();
        let shift = shift(&sides[0].usable, &sides[1].usable, &prior);
        conclude(&mut comparison, &shift, &prior, &sides);
    } else {
        comparison.refused = Some(refusals);
    }
    comparison
}

/// One side: findings and their pulls together.
struct Side<'a> {
    /// `before` or `after`.
    name: &'static str,
    findings: &'a [PullFinding],
    usable: Vec<UsablePull>,
}

impl<'a> Side<'a> {
    fn of(name: &'static str, findings: &'a [PullFinding]) -> Self {
        let usable = findings.iter().flat_map(|f| f.usable.iter().copied());
        Self {
            name,
            findings,
            usable: usable.collect(),
        }
    }

    /// Strokes a second, geometric mean over the usable pulls.
    fn cadence_hz(&self) -> Option<f64> {
        (!self.usable.is_empty()).then(|| libm::exp(means(&self.usable).0))
    }

    /// Readings per stroke of the slowest of its records.
    fn per_stroke(&self) -> Option<f64> {
        let slowest = self.counted().filter_map(|f| f.quality.rate_hz);
        let rate_hz = slowest.fold(f64::INFINITY, f64::min);
        self.cadence_hz()
            .map(|c| rate_hz / c)
            .filter(|n| n.is_finite())
    }

    /// Findings that gave pulls.
    fn counted(&self) -> impl Iterator<Item = &'a PullFinding> {
        self.findings.iter().filter(|f| !f.usable.is_empty())
    }
}

fn cadence_ratio(sides: &[Side; 2]) -> Option<f64> {
    Some(sides[1].cadence_hz()? / sides[0].cadence_hz()?)
}

fn quality(sides: &[Side; 2]) -> PullComparisonQuality {
    let all = || sides.iter().flat_map(|s| s.findings);
    let mut common = Quality::merged(all().map(|f| &f.quality.common));
    if all().any(|f| f.refused.is_some()) {
        common.flag("record_without_pulls");
    }
    let [before, after] = sides.each_ref().map(|s| s.findings);
    if before
        .iter()
        .any(|b| after.iter().any(|a| a.is_record_of(b)))
    {
        common.flag("same_record");
    }
    let idle = |side: &Side| {
        let found: usize = side.findings.iter().map(|f| f.pulls.len()).sum();
        found.saturating_sub(side.usable.len())
    };
    PullComparisonQuality {
        common,
        not_usable: [idle(&sides[0]), idle(&sides[1])],
        scatter: None,
    }
}

/// Why the two sides cannot be compared; empty when they can.
fn refusals(sides: &[Side; 2]) -> Vec<Refusal> {
    let mut refusals = Vec::new();
    for side in sides {
        refusals.extend(record_refusals(
            side.name,
            side.findings,
            side.usable.is_empty(),
        ));
        if side.usable.len() < MIN_PULLS {
            let message = format!(
                "{} usable pulls {}: a comparison needs three or more on each side, with three strokes or more each",
                side.usable.len(),
                side.name
            );
            let n = side.usable.len() as f64;
            refusals.push(Refusal::new("too_few_pulls", message).with(n, MIN_PULLS as f64));
        }
    }
    refusals.extend(setup_differs(sides));
    for side in sides {
        refusals.extend(speed_refusal(side.name, side.findings));
    }
    refusals.extend(sensor_differs(sides));
    if let Some(ratio) = cadence_ratio(sides) {
        let apart = libm::log(ratio).abs();
        if apart > FARTHEST {
            let message = format!(
                "the strokes came {} as fast after as before: pull both sides at about the same speed",
                factor(ratio)
            );
            refusals.push(Refusal::new("cadence_differs", message).with(apart, FARTHEST));
        }
    }
    refusals
}

fn factor(ratio: f64) -> String {
    format!("{ratio:.2} times")
}

/// What was wrong with a side's records. A clipped one spoils the side, for its strongest pulls are the ones that are
/// missing; others only leave it without pulls when they are all it has (`none_left`).
pub(super) fn record_refusals(
    side: &str,
    findings: &[PullFinding],
    none_left: bool,
) -> Vec<Refusal> {
    let mut refusals: Vec<Refusal> = Vec::new();
    for refusal in findings.iter().filter_map(|f| f.refused.as_ref()).flatten() {
        let told = refusals.iter().any(|r| r.code == refusal.code);
        if !told && (none_left || refusal.code == "clipped") {
            let mut refusal = refusal.clone();
            refusal.message = format!("{side}: {}", refusal.message);
            refusals.push(refusal);
        }
    }
    refusals
}

/// A converter so slow for the strokes that the peak's under-read is of the peak's own size.
pub(super) fn speed_refusal(side: &'static str, findings: &[PullFinding]) -> Option<Refusal> {
    let n = Side::of(side, findings).per_stroke()?;
    (n < FEWEST_PER_STROKE).then(|| {
        let message = format!(
            "{n:.1} readings per stroke {side}: too few to know the peak; use a force probe of 200 readings a second or more"
        );
        Refusal::new("sensor_too_slow", message).with(n, FEWEST_PER_STROKE)
    })
}

/// Plug and temperature move the force more than a repair does.
fn setup_differs(sides: &[Side; 2]) -> Option<Refusal> {
    let all = || sides.iter().flat_map(|s| s.findings);
    if all().any(|f| f.plug_out) {
        let message =
            "with the plug out there is no compression to compare: compare pulls with the plug in";
        return Some(Refusal::new("setup_differs", message));
    }
    let (warm, cold) = (
        all().any(|f| f.warm == Some(true)),
        all().any(|f| f.warm == Some(false)),
    );
    (warm && cold).then(|| {
        let message = "some pulls were made cold and some warm, which alone moves the force by about a tenth: compare at like temperature";
        Refusal::new("setup_differs", message)
    })
}

/// Two converters that smooth strokes differently, where strokes are not slow enough for that not to matter.
fn sensor_differs(sides: &[Side; 2]) -> Option<Refusal> {
    let counted = || sides.iter().flat_map(Side::counted);
    let rates = || counted().filter_map(|f| f.quality.rate_hz);
    let (slow, fast) = rates().fold((f64::INFINITY, 0.0f64), |(lo, hi), r| {
        (lo.min(r), hi.max(r))
    });
    let order = || counted().map(|f| f.quality.filter_order);
    let same_order = order().min() == order().max();
    let fewest = sides
        .iter()
        .filter_map(Side::per_stroke)
        .fold(f64::INFINITY, f64::min);
    // Times between readings come in whole or half microseconds: a thousandth is no difference.
    let same = same_order && fast <= slow * (1.0 + SAME_DT) * 1.001;
    (!same && fewest < ALIKE_PER_STROKE).then(|| {
        let message = format!(
            "the pulls were read by different converters ({slow:.0} to {fast:.0} readings a second), which round a stroke's top differently; with {fewest:.0} readings per stroke that shows: use the same probe on both sides"
        );
        Refusal::new("sensor_differs", message).with(fewest, ALIKE_PER_STROKE)
    })
}

/// Relative standard uncertainty that the calibrations leave in the ratio: none where one and the same calibration serves
/// both sides.
fn calibration(sides: &[Side; 2]) -> f64 {
    let all = || sides.iter().flat_map(Side::counted);
    let key = |f: &PullFinding| (f.calibration, f.sensor);
    let mut keys = all().map(key);
    let first = keys.next();
    if keys.all(|k| Some(k) == first) {
        return 0.0;
    }
    let largest = |side: &Side| {
        let shares = side.counted().map(|f| f.calibration);
        shares
            .map(|c: CalibrationShare| c.u_relative)
            .fold(0.0, f64::max)
    };
    libm::hypot(largest(&sides[0]), largest(&sides[1]))
}

/// Fills in what the shift says.
fn conclude(comparison: &mut PullComparison, shift: &Shift, prior: &Prior, sides: &[Side; 2]) {
    let gain = calibration(sides);
    let u = libm::hypot(shift.u, gain);
    let (t95, t80) = (t_quantile(0.975, shift.dof), t_quantile(0.8, shift.dof));
    let reach = t95 * u;
    let value = libm::exp(shift.ln_ratio);
    let ratio = Estimate {
        value,
        u: value * u,
        lo95: libm::exp(shift.ln_ratio - reach),
        hi95: libm::exp(shift.ln_ratio + reach),
    };
    let n = [sides[0].usable.len(), sides[1].usable.len()];
    comparison.verdict = Direction::of(&ratio, 1.0);
    comparison.change = comparison.verdict.higher_is_better();
    comparison.ratio = Some(ratio);
    comparison.difference = Some(difference(shift, u, t95));
    comparison.slope = Some(shift.slope);
    comparison.minimum_detectable_change = Some(libm::exp((t95 + t80) * u) - 1.0);
    comparison.more_pulls = if comparison.verdict == Direction::Undecided {
        more_pulls(shift, n, prior)
    } else {
        Some(0)
    };
    let [pulls, slope, day] = shift.parts;
    comparison.budget = budget(&[
        ("scatter_of_pulls", value * pulls),
        ("speed", value * slope),
        ("day", value * day),
        ("calibration", value * gain),
    ]);
    comparison.quality.scatter = Some(shift.scatter2.sqrt());
}

/// Difference in newtons at the common level L: 2 L sinh(d/2), where d is the logarithm of the ratio.
fn difference(shift: &Shift, u: f64, t95: f64) -> Estimate {
    let level = libm::exp(shift.ln_level);
    let of = |d: f64| 2.0 * level * libm::sinh(0.5 * d);
    // The mean of both sides' logarithms is half as uncertain as their difference.
    let u_level = 0.5 * u;
    let value = of(shift.ln_ratio);
    let across = level * libm::cosh(0.5 * shift.ln_ratio) * u;
    let end = |d: f64, outward: f64| of(d) * libm::exp(outward * d.signum() * t95 * u_level);
    Estimate {
        value,
        u: libm::hypot(across, value * u_level),
        lo95: end(shift.ln_ratio - t95 * u, -1.0),
        hi95: end(shift.ln_ratio + t95 * u, 1.0),
    }
}

/// Fewest further pulls on each side that would probably bring the interval off no change: the interval shrinks, and the
/// ratio may wander by what the pulls so far and the pulls then differ.
fn more_pulls(shift: &Shift, n: [usize; 2], prior: &Prior) -> Option<usize> {
    let variance = |k: usize| shift.scatter2 * (1.0 / (n[0] + k) as f64 + 1.0 / (n[1] + k) as f64);
    let old = variance(0);
    (1..=MOST_MORE).find(|k| {
        let new = variance(*k);
        let t = t_quantile(0.975, shift.dof + 2.0 * *k as f64);
        t * (new + 2.0 * prior.day * prior.day).sqrt() + Z80 * (old - new).sqrt()
            < shift.ln_ratio.abs()
    })
}

/// Common slope and scatter of two groups (three or more pulls in all) and the shift between them.
pub fn shift(before: &[UsablePull], after: &[UsablePull], prior: &Prior) -> Shift {
    let (n0, n1) = (before.len() as f64, after.len() as f64);
    let (x0, p0) = means(before);
    let (x1, p1) = means(after);
    let deviations = || {
        let own = |x: f64, p: f64| move |u: &UsablePull| (u.ln_cadence - x, u.ln_peak - p);
        before
            .iter()
            .map(own(x0, p0))
            .chain(after.iter().map(own(x1, p1)))
    };
    let sxx: f64 = deviations().map(|(dx, _)| dx * dx).sum();
    let sxy: f64 = deviations().map(|(dx, dp)| dx * dp).sum();
    let weight = 1.0 / (prior.slope_sd * prior.slope_sd);
    let usual = prior.scatter * prior.scatter;
    let dof = n0 + n1 - 3.0 + prior.scatter_dof;
    let (mut s2, mut slope) = (usual, prior.slope);
    for _ in 0..PASSES {
        slope = (sxy / s2 + prior.slope * weight) / (sxx / s2 + weight);
        let squares: f64 = deviations()
            .map(|(dx, dp)| (dp - slope * dx) * (dp - slope * dx))
            .sum();
        s2 = (squares + prior.scatter_dof * usual) / dof;
    }
    let d = x1 - x0;
    let pulls = (s2 * (1.0 / n0 + 1.0 / n1)).sqrt();
    let of_slope = d.abs() / (sxx / s2 + weight).sqrt();
    let day = prior.day * std::f64::consts::SQRT_2;
    Shift {
        ln_ratio: p1 - p0 - slope * d,
        u: (pulls * pulls + of_slope * of_slope + day * day).sqrt(),
        dof,
        slope,
        ln_cadence_ratio: d,
        ln_level: 0.5 * (p0 + p1),
        scatter2: s2,
        parts: [pulls, of_slope, day],
    }
}

fn means(group: &[UsablePull]) -> (f64, f64) {
    let n = group.len() as f64;
    let mean = |f: fn(&UsablePull) -> f64| group.iter().map(f).sum::<f64>() / n;
    (mean(|u| u.ln_cadence), mean(|u| u.ln_peak))
}

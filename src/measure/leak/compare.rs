//! Is the tank tighter than before? Two records of one tank, or several a side, with what both share taken out.
//!
//! What both share: the volume, the sensor's gain, the stretch of the wall. It cancels in the ratio and scales the
//! difference. What they do not share: drift, heat and noise of each record, the temperature of the day, and the gain where
//! each side had a sensor of its own. So the
//! slopes are compared: each side is a mixture of normal distributions over the laws, the difference and the ratio follow
//! from the pairs of their parts.
//!
//! Several holds a side are averaged, but most of their error is common on one day (wall, room and sensor drift on): with
//! `n_d` of the `n` holds on day `d`, `u^2 = mean(u_i^2) (r sum n_d^2/n^2 + (1 - r)/n)`, r = 0.82; on one day that is
//! never less than 0.82 of one hold's variance. Holds of which the shell states no day are of one day.

use std::collections::BTreeMap;

use schemars::JsonSchema;
use serde::Serialize;

use super::conclude::{calibration_u, gain_u};
use super::derived::T_REF_K;
use super::mixture::{self, Normal};
use super::solve::GAS_MODEL_U;
use super::{LeakFinding, P_REF, P_REF_HIGH, P_REF_LOW, Regime};
use crate::measure::compare::{Change, Direction};
use crate::reading::{CalibrationShare, Estimate, Quality, Refusal, SOFTWARE, Z95};

/// Correlation of the errors of holds on one day, two holds 66 s apart (0.80 with 300 tanks of `tests/leak/protocols.rs`).
const DAY_CORRELATION: f64 = 0.82;
/// Temperature of a bench from day to day without a thermometer, K: 20 -+ 4 C, rectangular.
const DAY_U_K: f64 = 2.3;
/// The same with a thermometer on the tank, K.
const THERMOMETER_U_K: f64 = 0.5;
/// 80 % quantile of the standard normal distribution.
const Z80: f64 = 0.841_621_233_572_914;
/// Most further holds a side that are promised.
const MOST_MORE: u64 = 40;
/// Two converters whose steps differ by more than this factor are two sensors, if one is coarse; finer steps do not tell.
const SAME_STEP: f64 = 1.5;
const COARSE_PA: f64 = 5.0;
/// Reference pressures that are one, relative.
const SAME_P_REF: f64 = 1e-6;
/// Halvings when a quantile of the ratio is looked for, and the range of its logarithm.
const HALVINGS: u32 = 100;
const LN_RATIO: f64 = 40.0;

/// Before and after, compared. Refused or not known: null.
#[derive(Clone, Debug, PartialEq, Serialize, JsonSchema)]
pub struct LeakComparison {
    /// `leak`.
    pub test: &'static str,
    /// Name and version of this software.
    pub software: &'static str,
    /// Why the two are not compared, or null.
    pub refused: Option<Vec<Refusal>>,
    /// The 95 % interval of the difference, after minus before, against no change; null when refused.
    pub verdict: Option<Direction>,
    /// What that means: less is better; null when refused.
    pub change: Option<Change>,
    /// Holds used before.
    pub before: u64,
    /// Holds used after.
    pub after: u64,
    /// Gauge pressure at which both are stated, Pa.
    pub p_ref_pa: Option<f64>,
    /// Leak after over leak before; null unless both are clearly above zero.
    pub ratio: Option<Estimate>,
    /// Leak after minus leak before, Pa m3/s of gas at 20 C; null without a volume.
    pub difference: Option<Estimate>,
    /// The same as a loss of pressure at 20 C, Pa/s.
    pub slope_difference_pa_s: Option<Estimate>,
    /// Change that would be shown with a chance of 80 %, Pa m3/s of gas at 20 C; null without a volume.
    pub minimum_detectable_change: Option<f64>,
    /// The same as a loss of pressure, Pa/s.
    pub minimum_detectable_slope_change_pa_s: Option<f64>,
    /// Holds more on each side, each on another day, that would probably (80 %) decide; 0 when decided, null when 40 would
    /// not.
    pub more_holds: Option<u64>,
    /// Combined leak rate before, Pa m3/s of gas at 20 C; null without a volume.
    pub before_leak_rate_pa_m3_s: Option<Estimate>,
    /// Combined leak rate after.
    pub after_leak_rate_pa_m3_s: Option<Estimate>,
    /// What the records were like.
    pub quality: Quality,
}

impl LeakComparison {
    /// A comparison in which nothing is known but why.
    pub fn of_refusal(quality: Quality, refusal: Refusal) -> Self {
        Self {
            refused: Some(vec![refusal]),
            ..Self::empty(quality)
        }
    }

    fn empty(quality: Quality) -> Self {
        Self {
            test: "leak",
            software: SOFTWARE,
            refused: None,
            verdict: None,
            change: None,
            before: 0,
            after: 0,
            p_ref_pa: None,
            ratio: None,
            difference: None,
            slope_difference_pa_s: None,
            minimum_detectable_change: None,
            minimum_detectable_slope_change_pa_s: None,
            more_holds: None,
            before_leak_rate_pa_m3_s: None,
            after_leak_rate_pa_m3_s: None,
            quality,
        }
    }
}

/// A gauge pressure at which all findings may be stated, Pa: theirs if it is one, else 0.75 of the lowest first
/// pressure, moved to where every record says something. The shell analyzes all records again at it before it compares them.
///
/// # Errors
/// No finding has pressures, or the pressures held lie too far apart for one reference pressure.
pub fn common_p_ref(findings: &[&LeakFinding]) -> Result<f64, Refusal> {
    let held: Vec<(f64, f64, f64)> = findings
        .iter()
        .filter_map(|f| Some((f.p_start_pa?, f.p_end_pa?, f.p_ref_pa?)))
        .collect();
    let Some(&(_, _, first)) = held.first() else {
        return Err(no_usable());
    };
    if held.iter().all(|(_, _, p)| is_one(*p, first)) {
        return Ok(first);
    }
    let low = held
        .iter()
        .map(|(_, end, _)| P_REF_LOW * end)
        .fold(0.0, f64::max);
    let start = held
        .iter()
        .map(|(start, _, _)| *start)
        .fold(f64::INFINITY, f64::min);
    if low > P_REF_HIGH * start {
        return Err(Refusal::new(
            "pressures_too_far_apart",
            "the records were held at pressures too far apart to be stated at one; pump up to the same pressure and repeat",
        )
        .with(P_REF_HIGH * start, low));
    }
    Ok((P_REF * start).clamp(low, P_REF_HIGH * start))
}

fn is_one(a: f64, b: f64) -> bool {
    (a - b).abs() <= SAME_P_REF * b.abs()
}

fn no_usable() -> Refusal {
    Refusal::new(
        "no_usable_hold",
        "before and after must each have a record with a hold that gives a leak; see what was refused in them and repeat",
    )
}

/// Compares holds before with holds after, all stated at one reference pressure (see [`common_p_ref`]).
///
/// ```
/// use feelgauge::measure::leak::compare;
/// assert_eq!(compare(&[], &[]).refused.unwrap()[0].code, "no_usable_hold");
/// ```
pub fn compare(before: &[LeakFinding], after: &[LeakFinding]) -> LeakComparison {
    let all: Vec<&LeakFinding> = before.iter().chain(after).collect();
    let quality = Quality::merged(all.iter().map(|f| &f.quality.common));
    let mut out = LeakComparison::empty(quality);
    let sides = [usable(before), usable(after)];
    (out.before, out.after) = (sides[0].len() as u64, sides[1].len() as u64);
    if let Err(refusal) = comparable(&sides) {
        out.refused = Some(vec![refusal]);
        return out;
    }
    if sides.iter().map(Vec::len).sum::<usize>() < all.len() {
        out.quality.flag("record_not_used");
    }
    let other_sensor = has_two_sensors(&sides) || has_two_steps(&sides);
    if other_sensor {
        out.quality.flag("two_sensors");
    }
    if before
        .iter()
        .any(|b| after.iter().any(|a| is_same_record(a, b)))
    {
        out.quality.flag("same_record");
    }
    let sides = sides.map(|findings| Side::new(&findings, other_sensor));
    out.p_ref_pa = all.iter().find_map(|f| f.p_ref_pa);
    conclude(&mut out, &sides, &Shared::of(&all, other_sensor));
    out
}

/// After minus before, and after over before where both are clearly above zero, of two quantities whose distributions are
/// mixtures of normal ones: weight (all of a side add up to 1), mean, standard deviation (> 0) of each part.
///
/// ```
/// use feelgauge::measure::leak::difference_and_ratio;
/// let (difference, ratio) = difference_and_ratio(&[[1.0, 10.0, 3.0]], &[[1.0, 4.0, 4.0]]);
/// assert!((difference.u - 5.0).abs() < 1e-12 && ratio.is_none());
/// ```
pub fn difference_and_ratio(
    before: &[[f64; 3]],
    after: &[[f64; 3]],
) -> (Estimate, Option<Estimate>) {
    let mixture = |side: &[[f64; 3]]| -> Vec<Normal> {
        let normal = |&[weight, mean, sd]: &[f64; 3]| Normal { weight, mean, sd };
        side.iter().map(normal).collect()
    };
    let (before, after) = (mixture(before), mixture(after));
    (
        mixture::estimate(&differences(&before, &after)),
        ratio(&before, &after),
    )
}

fn usable(findings: &[LeakFinding]) -> Vec<&LeakFinding> {
    let fitted = |f: &&LeakFinding| f.refused.is_none() && !f.evidence.slopes.is_empty();
    findings.iter().filter(fitted).collect()
}

/// Refuses what cannot be compared.
fn comparable(sides: &[Vec<&LeakFinding>; 2]) -> Result<(), Refusal> {
    if sides.iter().any(Vec::is_empty) {
        return Err(no_usable());
    }
    let all: Vec<&LeakFinding> = sides.iter().flatten().copied().collect();
    same_setup(&all)?;
    same_pressure(&all)?;
    if all.iter().any(|f| f.regime == Some(Regime::Lid)) {
        return Err(Refusal::new(
            "lid_rate_not_calibrated",
            "in one of the records the lid lifts, and the rate of such a leak is only roughly known; compare the lifting pressures, or clamp the lid",
        ));
    }
    same_volume(&all)
}

/// All known setups are one.
fn same_setup(all: &[&LeakFinding]) -> Result<(), Refusal> {
    let mut setups = all.iter().filter_map(|f| f.evidence.setup.as_ref());
    let Some(first) = setups.next() else {
        return Ok(());
    };
    match setups.find(|s| *s != first) {
        Some(other) => Err(Refusal::new(
            "setup_differs",
            format!(
                "before and after were taken in different setups ({first} and {other}); compare records of one setup"
            ),
        )),
        None => Ok(()),
    }
}

/// Both findings come from one record.
pub(super) fn is_same_record(a: &LeakFinding, b: &LeakFinding) -> bool {
    a.trace == b.trace
}

/// All reference pressures are one.
pub(super) fn same_pressure(all: &[&LeakFinding]) -> Result<(), Refusal> {
    let mut pressures = all.iter().filter_map(|f| f.p_ref_pa);
    let first = pressures.next().unwrap_or_default();
    match pressures.find(|p| !is_one(*p, first)) {
        Some(other) => Err(Refusal::new(
            "p_ref_differs",
            "the records are stated at different gauge pressures; analyze all of them at one (--at)",
        )
        .with(other, first)),
        None => Ok(()),
    }
}

/// Stated volumes differ by no more than their uncertainties allow.
fn same_volume(all: &[&LeakFinding]) -> Result<(), Refusal> {
    let volumes: Vec<Estimate> = all.iter().filter_map(|f| f.volume_m3).collect();
    for (i, a) in volumes.iter().enumerate() {
        for b in &volumes[..i] {
            let (off, allowed) = ((a.value - b.value).abs(), Z95 * libm::hypot(a.u, b.u));
            if off > allowed && !is_one(a.value, b.value) {
                return Err(Refusal::new(
                    "volume_differs",
                    "the volumes stated for before and after differ by more than they are uncertain; both must be the one tank with its hose",
                )
                .with(off, allowed));
            }
        }
    }
    Ok(())
}

fn has_two_sensors(sides: &[Vec<&LeakFinding>; 2]) -> bool {
    let of = |side: &[&LeakFinding]| side.iter().find_map(|f| f.evidence.sensor.clone());
    matches!((of(&sides[0]), of(&sides[1])), (Some(a), Some(b)) if a != b)
}

/// Coarse converters show their step; two steps are two sensors.
fn has_two_steps(sides: &[Vec<&LeakFinding>; 2]) -> bool {
    let steps = || sides.iter().flatten().map(|f| f.evidence.step_pa);
    let largest = steps().fold(0.0, f64::max);
    let smallest = steps().fold(f64::INFINITY, f64::min);
    largest > COARSE_PA && largest > SAME_STEP * smallest
}

/// One side: its slope at 20 C as a mixture, without what both sides share.
struct Side {
    slopes: Vec<Normal>,
    /// Mean variance of one hold, (Pa/s)2.
    single: f64,
    /// Holds on each day.
    days: Vec<f64>,
}

impl Side {
    fn new(findings: &[&LeakFinding], other_sensor: bool) -> Self {
        let holds: Vec<Vec<Normal>> = findings.iter().map(|f| hold(f, other_sensor)).collect();
        let moments: Vec<(f64, f64)> = holds.iter().map(|h| moments(h)).collect();
        let days = days(findings);
        let n = moments.len() as f64;
        let single = moments.iter().map(|m| m.1).sum::<f64>() / n;
        let slopes = if let [only] = holds.as_slice() {
            only.clone()
        } else {
            vec![Normal {
                weight: 1.0,
                mean: moments.iter().map(|m| m.0).sum::<f64>() / n,
                sd: (single * left(&days, 0)).sqrt(),
            }]
        };
        Self {
            slopes,
            single,
            days,
        }
    }
}

/// Holds on each day; those without a day are of one.
fn days(findings: &[&LeakFinding]) -> Vec<f64> {
    let mut days: BTreeMap<Option<&String>, f64> = BTreeMap::new();
    for finding in findings {
        *days.entry(finding.evidence.day.as_ref()).or_default() += 1.0;
    }
    days.into_values().collect()
}

/// Part of one hold's variance that is left in the mean, with `more` holds on days of their own.
fn left(days: &[f64], more: u64) -> f64 {
    let more = more as f64;
    let n = days.iter().sum::<f64>() + more;
    let squares = days.iter().map(|d| d * d).sum::<f64>() + more;
    DAY_CORRELATION * squares / (n * n) + (1.0 - DAY_CORRELATION) / n
}

/// Slopes of one hold at 20 C with what it does not share with another day.
fn hold(finding: &LeakFinding, other_sensor: bool) -> Vec<Normal> {
    let gas_k = finding.evidence.gas_k;
    let temperature_u = if finding.quality.thermometer {
        THERMOMETER_U_K
    } else {
        DAY_U_K
    } / gas_k;
    let own_gain_u = if other_sensor {
        read_u(&finding.calibration)
    } else {
        GAS_MODEL_U
    };
    mixture::scaled(
        &finding.evidence.slopes,
        T_REF_K / gas_k,
        &[temperature_u, own_gain_u],
    )
}

/// What a sensor's gain adds, relative, calibrated or not.
fn read_u(share: &CalibrationShare) -> f64 {
    libm::hypot(gain_u(share), calibration_u(share))
}

/// Mean and variance.
fn moments(mixture: &[Normal]) -> (f64, f64) {
    let mean: f64 = mixture.iter().map(|n| n.weight * n.mean).sum();
    let variance = mixture
        .iter()
        .map(|n| n.weight * (n.sd * n.sd + (n.mean - mean) * (n.mean - mean)))
        .sum();
    (mean, variance)
}

/// What both sides share: effective volume, m3, and the relative uncertainty of everything shared; of two sensors each
/// side has its own gain in its slopes.
struct Shared {
    volume_m3: Option<f64>,
    relative_u: f64,
}

impl Shared {
    /// The volume that is known best; the others do not contradict it.
    fn of(all: &[&LeakFinding], other_sensor: bool) -> Self {
        let best = all
            .iter()
            .filter(|f| f.evidence.factor_m3.is_some())
            .min_by(|a, b| a.evidence.volume_u.total_cmp(&b.evidence.volume_u));
        let Some(best) = best else {
            return Self {
                volume_m3: None,
                relative_u: 0.0,
            };
        };
        let e = &best.evidence;
        let gain_u = if other_sensor {
            0.0
        } else {
            read_u(&best.calibration)
        };
        Self {
            volume_m3: e.factor_m3.map(|factor| factor * e.gas_k / T_REF_K),
            relative_u: libm::hypot(libm::hypot(e.volume_u, e.stretch_u), gain_u),
        }
    }
}

fn conclude(out: &mut LeakComparison, sides: &[Side; 2], shared: &Shared) {
    let [before, after] = sides;
    let pairs = differences(&before.slopes, &after.slopes);
    let slope = mixture::estimate(&pairs);
    let verdict = Direction::of(&slope, 0.0);
    (out.verdict, out.change) = (Some(verdict), Some(verdict.lower_is_better()));
    out.slope_difference_pa_s = Some(slope);
    out.ratio = ratio(&before.slopes, &after.slopes);
    let (_, variance_before) = moments(&before.slopes);
    let (_, variance_after) = moments(&after.slopes);
    let detectable = (Z95 + Z80) * (variance_before + variance_after).sqrt();
    out.minimum_detectable_slope_change_pa_s = Some(detectable);
    if let Some(volume) = shared.volume_m3 {
        out.difference = Some(scaled(&slope, volume, shared.relative_u));
        out.minimum_detectable_change = Some(detectable * volume);
        let rate = |side: &Side| {
            let scaled = mixture::scaled(&side.slopes, volume, &[shared.relative_u]);
            Some(mixture::estimate(&scaled))
        };
        out.before_leak_rate_pa_m3_s = rate(before);
        out.after_leak_rate_pa_m3_s = rate(after);
    }
    out.more_holds = match verdict {
        Direction::Undecided => more_holds(before, after, slope.value),
        _ => Some(0),
    };
}

/// After minus before, for every pair of laws.
fn differences(before: &[Normal], after: &[Normal]) -> Vec<Normal> {
    after
        .iter()
        .flat_map(|a| {
            before.iter().map(|b| Normal {
                weight: a.weight * b.weight,
                mean: a.mean - b.mean,
                sd: libm::hypot(a.sd, b.sd),
            })
        })
        .collect()
}

/// The estimate times `factor`, whose relative uncertainty is `relative_u`: distances of the interval's ends from the
/// value added in squares with what the factor makes of the ends (method of variance estimates recovery). A factor
/// cannot turn the sign, and this interval lies on the same side of zero as the one it comes from.
fn scaled(e: &Estimate, factor: f64, relative_u: f64) -> Estimate {
    let e = e.scaled(factor);
    let end = |end: f64| libm::hypot(end - e.value, Z95 * relative_u * end);
    Estimate {
        value: e.value,
        u: libm::hypot(e.u, relative_u * e.value),
        lo95: e.value - end(e.lo95),
        hi95: e.value + end(e.hi95),
    }
}

/// After over before where both are clearly above zero. Fieller's interval (J. R. Stat. Soc. B 16, 1954) for mixtures:
/// the ratios `r` for which `P(after - r before < 0)` is 2.5 and 97.5 %.
fn ratio(before: &[Normal], after: &[Normal]) -> Option<Estimate> {
    let (b, a) = (mixture::estimate(before), mixture::estimate(after));
    if b.lo95 <= 0.0 || a.lo95 <= 0.0 {
        return None;
    }
    let below = |r: f64| {
        let scaled: Vec<Normal> = before
            .iter()
            .map(|n| Normal {
                mean: n.mean * r,
                sd: n.sd * r,
                ..*n
            })
            .collect();
        mixture::cdf(&differences(&scaled, after), 0.0)
    };
    let quantile = |p: f64| {
        let (mut lo, mut hi) = (-LN_RATIO, LN_RATIO);
        for _ in 0..HALVINGS {
            let middle = f64::midpoint(lo, hi);
            if below(libm::exp(middle)) < p {
                lo = middle;
            } else {
                hi = middle;
            }
        }
        libm::exp(f64::midpoint(lo, hi))
    };
    let value = a.value / b.value;
    Some(Estimate {
        value,
        u: value * libm::hypot(a.u / a.value, b.u / b.value),
        lo95: quantile(0.025),
        hi95: quantile(0.975),
    })
}

/// Smallest number of further holds a side with which the interval would leave zero out with a chance of 80 %, if the
/// difference is what it seems: `1.96 sqrt(vn) + 0.84 sqrt(vo - vn) < |d|`.
fn more_holds(before: &Side, after: &Side, difference: f64) -> Option<u64> {
    let variance =
        |k: u64| before.single * left(&before.days, k) + after.single * left(&after.days, k);
    let now = variance(0);
    (1..=MOST_MORE).find(|k| {
        let then = variance(*k);
        Z95 * then.sqrt() + Z80 * (now - then).max(0.0).sqrt() < difference.abs()
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn normal(mean: f64, sd: f64) -> Vec<Normal> {
        vec![Normal {
            weight: 1.0,
            mean,
            sd,
        }]
    }

    /// Fieller's theorem in closed form for independent normal numerator and denominator: with g = (z s_b/b)^2 the ends are
    /// `(r -+ (z/b) sqrt(s_a^2 + r^2 s_b^2 - g s_a^2))/(1 - g)`.
    #[test]
    fn ratio_is_fiellers() {
        let (b, sb, a, sa) = (10.0, 1.5, 4.0, 0.8);
        let e = ratio(&normal(b, sb), &normal(a, sa)).unwrap();
        let (r, g) = (a / b, (Z95 * sb / b) * (Z95 * sb / b));
        let half = Z95 / b * (sa * sa + r * r * sb * sb - g * sa * sa).sqrt();
        assert!((e.lo95 - (r - half) / (1.0 - g)).abs() < 1e-9, "{e:?}");
        assert!((e.hi95 - (r + half) / (1.0 - g)).abs() < 1e-9, "{e:?}");
        assert!(ratio(&normal(1.0, 1.0), &normal(4.0, 0.1)).is_none());
    }

    #[test]
    fn a_factor_does_not_turn_the_sign() {
        for (lo, hi) in [(0.01, 9.0), (-9.0, -0.01), (-0.01, 9.0), (-3.0, 2.0)] {
            let e = Estimate {
                value: f64::midpoint(lo, hi),
                u: (hi - lo) / 4.0,
                lo95: lo,
                hi95: hi,
            };
            let s = scaled(&e, 2.0, 0.1);
            assert!(s.lo95 * lo > 0.0 && s.hi95 * hi > 0.0, "{s:?}");
            assert!(s.lo95 <= 2.0 * lo && s.hi95 >= 2.0 * hi, "{s:?}");
        }
    }

    /// Two holds on one day leave 0.91 of the variance, on two days a half.
    #[test]
    fn holds_of_one_day_are_not_worth_root_n() {
        assert!((left(&[2.0], 0) - 0.91).abs() < 1e-12);
        assert!((left(&[1.0, 1.0], 0) - 0.5).abs() < 1e-12);
        assert!((left(&[1.0], 3) - 0.25).abs() < 1e-12);
        let side = |mean, sd| Side {
            slopes: normal(mean, sd),
            single: sd * sd,
            days: vec![1.0],
        };
        // 1.96 sqrt(2/n) + 0.8416 sqrt(2 - 2/n) < 2: n = 8 gives 2.09, 9 gives 2.046, 10 gives 2.006, 11 gives 1.97 (by hand)
        let k = more_holds(&side(0.0, 1.0), &side(2.0, 1.0), 2.0);
        assert_eq!(k, Some(10));
        assert_eq!(more_holds(&side(0.0, 1.0), &side(0.1, 1.0), 0.1), None);
    }
}

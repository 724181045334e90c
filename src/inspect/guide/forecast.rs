//! When a running test will have decided, if it goes on as it went.

use crate::measure::{
    leak::{EARLY_EVERY_S, EARLY_FROM_S, EARLY_RISK, LeakFinding, PLANNED_HOLD_S, Regime},
    pull::session::t95,
};
use crate::reading::{Estimate, Z95};

/// What noise, drift, heat and the unknown law leave in the leak rate after so many seconds of hold, relative to what they
/// leave after 60 s: medians of 60 tanks of the simulated population (`tests/leak/guide.rs`, `how_the_interval_shrinks`).
const LEFT: [(f64, f64); 10] = [
    (5.0, 75.0),
    (7.0, 43.0),
    (10.0, 19.5),
    (15.0, 10.6),
    (20.0, 5.0),
    (25.0, 3.0),
    (30.0, 2.1),
    (40.0, 1.29),
    (50.0, 1.04),
    (60.0, 1.0),
];
/// Sources of the leak's budget that a longer hold shrinks; volume, temperature and calibration stay.
const SHRINKING: [&str; 3] = ["noise", "drift_and_heat", "law"];

/// About how many seconds more until the verdict of a hold is clear, at a look of the stop rule or at the planned end, even if
/// the rate moves towards the limit by one standard deviation of what the longer hold will still take away. `None` when this
/// hold may not decide, as far as can be seen.
pub(super) fn decided_in_s(finding: &LeakFinding, hold_s: f64) -> Option<f64> {
    let rate = finding.leak_rate_pa_m3_s?;
    let limit = finding.limit_leak_rate_pa_m3_s?;
    let is_within = rate.value < limit;
    if is_within && finding.regime == Some(Regime::Lid) {
        return None;
    }
    let away = (limit - rate.value).abs();
    // The stop rule asks for 99 %, the planned end for 95 %.
    let (strict, plain) = if is_within {
        let most = finding.leak_rate_quantile(1.0 - EARLY_RISK)?;
        (most - rate.value, rate.hi95 - rate.value)
    } else {
        let least = finding.leak_rate_quantile(EARLY_RISK)?;
        (rate.value - least, rate.value - rate.lo95)
    };
    let parts = finding.budget.iter();
    let shrinking: f64 = parts
        .filter(|part| SHRINKING.contains(&part.source.as_str()))
        .map(|part| part.share)
        .sum();
    let is_clear = |reach: f64, at_s: f64| {
        let left = left(at_s) / left(hold_s);
        let kept = shrinking * left * left;
        let reach = reach * (1.0 - shrinking + kept).max(0.0).sqrt();
        let moves = rate.u * (shrinking - kept).max(0.0).sqrt();
        reach + moves < away
    };
    let mut look_s = EARLY_FROM_S;
    while look_s < PLANNED_HOLD_S {
        if look_s > hold_s && is_clear(strict, look_s) {
            return Some(look_s - hold_s);
        }
        look_s += EARLY_EVERY_S;
    }
    is_clear(plain, PLANNED_HOLD_S).then_some((PLANNED_HOLD_S - hold_s).max(0.0))
}

/// [`LEFT`] between its entries: a power of the time.
fn left(at_s: f64) -> f64 {
    let (first, last) = (LEFT[0], LEFT[LEFT.len() - 1]);
    let at_s = at_s.clamp(first.0, last.0);
    let pair = LEFT.windows(2).find(|pair| at_s <= pair[1].0);
    let (from, to) = pair.map_or((first, last), |pair| (pair[0], pair[1]));
    let share = libm::log(at_s / from.0) / libm::log(to.0 / from.0);
    from.1 * libm::pow(to.1 / from.1, share)
}

/// Spread of the peaks of one engine and one person from pull to pull, relative, while too few pulls tell (simulated engines at
/// 200 readings a second: 9.1 %).
const USUAL_SPREAD: f64 = 0.091;
/// Pulls that a verdict needs.
const FEWEST: u32 = 3;

/// How many more pulls decide, at least and at most, when `ratios` are the lift ratios of the pulls that count, `mean` is their
/// mean with its interval (from three on) and `most` the number of pulls at which a session ends anyway. The interval shrinks
/// with the spread seen so far; the mean may move by its own standard error either way.
/// `None` without a pull, and when even a mean that moves the right way does not decide by then.
pub(super) fn more_pulls(
    ratios: &[Estimate],
    mean: Option<Estimate>,
    limit: f64,
    most: u32,
) -> Option<(u32, u32)> {
    let n = u32::try_from(ratios.len()).ok()?;
    if n == 0 || n >= most {
        return None;
    }
    let count = f64::from(n);
    let value = ratios.iter().map(|r| r.value).sum::<f64>() / count;
    let is_within = value >= limit;
    let side = |e: &Estimate| {
        if is_within {
            e.value - e.lo95
        } else {
            e.hi95 - e.value
        }
    };
    let squares: f64 = ratios
        .iter()
        .map(|r| (r.value - value) * (r.value - value))
        .sum();
    let (spread, shared) = match mean {
        Some(mean) if n >= FEWEST => {
            let spread = (squares / (count - 1.0)).sqrt();
            let of_spread = t95(count - 1.0) * spread / count.sqrt();
            (
                spread,
                (side(&mean) * side(&mean) - of_spread * of_spread).max(0.0),
            )
        }
        _ => {
            let own = ratios.iter().map(|r| side(r).max(Z95 * r.u)).sum::<f64>() / count;
            (USUAL_SPREAD * value.abs(), own * own)
        }
    };
    let reach = |pulls: u32| {
        let of_spread = t95(f64::from(pulls) - 1.0) * spread / f64::from(pulls).sqrt();
        (of_spread * of_spread + shared).sqrt()
    };
    let away = (value - limit).abs();
    let error = spread / count.sqrt();
    let first = |away: f64| ((n + 1).max(FEWEST)..=most).find(|pulls| reach(*pulls) < away);
    let least = first(away + error)?;
    let at_most = first(away - error).unwrap_or(most);
    Some((least - n, at_most - n))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_left_is_the_table_and_falls() {
        for (at_s, part) in LEFT {
            assert!((left(at_s) - part).abs() < 1e-9, "{at_s}");
        }
        let all: Vec<f64> = (0..140).map(|s| left(f64::from(s))).collect();
        assert!(all.windows(2).all(|w| w[1] <= w[0]) && (all[120] - 1.0).abs() < 1e-9);
    }

    /// Ratios 1.3, 1.2, 1.1 without an uncertainty of their own, limit 1: spread 0.1, error 0.0577. Reach of n pulls is
    /// t(0.975, n - 1) 0.1/sqrt n: 0.159 of 4, 0.124 of 5, 0.105 of 6 (t 3.182, 2.776, 2.571: tables). Away 0.2 + 0.0577:
    /// 4 pulls; away 0.2 - 0.0577 = 0.142: 5 pulls.
    #[test]
    fn more_pulls_by_hand() {
        let ratio = |value| Estimate::normal(value, 0.0);
        let ratios = [ratio(1.3), ratio(1.2), ratio(1.1)];
        let reach = t95(2.0) * 0.1 / 3f64.sqrt();
        let mean = Estimate {
            value: 1.2,
            u: 0.1 / 3f64.sqrt(),
            lo95: 1.2 - reach,
            hi95: 1.2 + reach,
        };
        assert_eq!(more_pulls(&ratios, Some(mean), 1.0, 10), Some((1, 2)));
        // limit 1.19: nine hundredths of an error away
        assert_eq!(more_pulls(&ratios, Some(mean), 1.19, 10), None);
        assert_eq!(more_pulls(&[], None, 1.0, 10), None);
        // one pull, 9.1 % of 1.3: spread and error 0.118; reach of 3 pulls 0.294, of 4 0.188, of 5 0.147; away 0.3 -+ 0.118
        assert_eq!(more_pulls(&ratios[..1], None, 1.0, 10), Some((2, 4)));
    }
}

//! Hit rate of one part on one side of a comparison, seen or not seen.

use crate::reading::{Estimate, Refusal, Z95};

use super::bayes::Turns;
use super::depth::{READ, detectable_of, unit_energy};
use super::finding::{RollFinding, Snag};
use super::fold::fold;
use super::hits::{MODEL_U, ln_rates};
use super::kept::Kept;
use super::parts::{Case, Evidence, alike};
use crate::measure::logarithm::ln_sum_exp;

/// Hit rates that a record without a snag is asked about: evenly from 0 to 1.
const RATES: usize = 41;
/// Depths that stand for the other side's: at these standard deviations, with these shares (Gauss and Hermite, three
/// points).
const DEPTHS: [(f64, f64); 3] = [
    (-1.732_050_807_568_877, 1.0 / 6.0),
    (0.0, 4.0 / 6.0),
    (1.732_050_807_568_877, 1.0 / 6.0),
];
/// Every so many phases are looked at: neighbours say nearly the same.
const PHASE_STEP: usize = 2;
/// Halvings that find a quantile.
const HALVINGS: usize = 50;

/// What one capture says of the part.
pub(super) enum Seen<'a> {
    /// It reports a snag there.
    Snag(&'a Snag, u64),
    /// It does not.
    None(Absent<'a>),
}

/// A record that shows no snag in the part.
pub(super) struct Absent<'a> {
    /// The part's case in every leg that can show it, at least one.
    legs: Vec<(Evidence<'a>, Case)>,
    /// Smallest snag that would have shown, units of the drag.
    detectable: Option<f64>,
    turns: u64,
}

/// Hit rate of a side.
#[derive(Clone, Debug)]
pub(super) struct Rate {
    /// Posterior as weights of evenly spaced rates from 0 to 1, where no snag is shown.
    posterior: Option<Vec<f64>>,
    value: f64,
    /// Standard uncertainty without the model's own.
    u: f64,
    pub none_seen: bool,
    pub depth: Option<Estimate>,
    pub detectable: Option<f64>,
    /// Turns of the part that could be seen.
    pub turns: u64,
    /// Captures.
    captures: f64,
}

/// What a capture says of a part; `legs` are those of one sensor's record.
///
/// # Errors
/// The record cannot show the part.
pub(super) fn look<'a>(
    finding: &'a RollFinding,
    legs: &[&'a Kept],
    part: &str,
) -> Result<Seen<'a>, Refusal> {
    let cannot = || {
        Refusal::new(
            "part_not_visible",
            format!("one of the captures cannot show {part}: too few of its turns"),
        )
    };
    let parts = legs.first().map(|leg| &leg.settings.train.parts);
    let parts = parts.ok_or_else(cannot)?;
    let index = parts
        .iter()
        .position(|p| p.name == part)
        .ok_or_else(cannot)?;
    let is_it = |name: &str| {
        let other = parts.iter().find(|p| p.name == name);
        other.is_some_and(|other| alike(other, &parts[index]))
    };
    let snags = finding.snags.iter().flatten();
    if let Some(snag) = snags.into_iter().find(|s| is_it(&s.part)) {
        return Ok(Seen::Snag(snag, snag.hits.len() as u64));
    }
    let legs = legs.iter().map(|leg| leg.evidence());
    let legs: Vec<(Evidence, Case)> = legs
        .filter_map(|evidence| Some((evidence, evidence.case(index)?)))
        .collect();
    if legs.is_empty() {
        return Err(cannot());
    }
    let turns = legs.iter().filter_map(|(leg, case)| leg.turns_of(case));
    let turns = turns.map(|turns| turns.k.len() as u64).sum();
    let detectable = if let Some(known) = finding.quality.detectable_depth_by_part.get(part) {
        *known
    } else {
        let cases: Vec<(Evidence, &Case)> = legs.iter().map(|(e, case)| (*e, case)).collect();
        detectable_of(finding, &cases)
    };
    Ok(Seen::None(Absent {
        legs,
        detectable,
        turns,
    }))
}

/// Both sides: where one shows no snag its rate is asked for hits as deep as the other's.
pub(super) fn side(before: &[Seen], after: &[Seen]) -> [Rate; 2] {
    let depths = [before, after].map(depth);
    let of = |seen: &[Seen], own: Option<Estimate>, other: Option<Estimate>| {
        let ask = own.or(other).expect("one side shows a snag");
        rate(seen, own, ask)
    };
    [
        of(before, depths[0], depths[1]),
        of(after, depths[1], depths[0]),
    ]
}

/// Mean of the depths that a side's captures show, in the logarithm.
fn depth(seen: &[Seen]) -> Option<Estimate> {
    let shown: Vec<Estimate> = seen
        .iter()
        .filter_map(|s| match s {
            Seen::Snag(snag, _) => Some(snag.depth),
            Seen::None(_) => None,
        })
        .collect();
    if shown.is_empty() {
        return None;
    }
    let n = shown.len() as f64;
    let value = libm::exp(shown.iter().map(|d| libm::log(d.value)).sum::<f64>() / n);
    // the model's error is the same in every capture: uncertainties are averaged, not divided by the root of n
    let u = shown.iter().map(|d| d.u / d.value).sum::<f64>() / n;
    Some(Estimate {
        value,
        u: value * u,
        lo95: value * libm::exp(-Z95 * u),
        hi95: value * libm::exp(Z95 * u),
    })
}

fn rate(seen: &[Seen], own: Option<Estimate>, ask: Estimate) -> Rate {
    let absent: Vec<&Absent> = seen
        .iter()
        .filter_map(|s| match s {
            Seen::None(absent) => Some(absent),
            Seen::Snag(..) => None,
        })
        .collect();
    let turns = |s: &Seen| match s {
        Seen::Snag(_, turns) => *turns,
        Seen::None(absent) => absent.turns,
    };
    let none_seen = absent.len() == seen.len();
    let posterior = none_seen.then(|| posterior(&absent, ask));
    let (value, u) = posterior
        .as_ref()
        .map_or_else(|| average(seen, ask), |weights| moments(weights));
    Rate {
        posterior,
        value,
        u,
        none_seen,
        depth: own,
        detectable: absent
            .iter()
            .map(|a| a.detectable)
            .reduce(|a, b| Some(a?.max(b?)))
            .flatten(),
        turns: seen.iter().map(turns).sum(),
        captures: seen.len() as f64,
    }
}

/// Mean of the captures' hit rates with its statistical uncertainty: what each says of its own, or what they differ by if
/// that is more.
fn average(seen: &[Seen], ask: Estimate) -> (f64, f64) {
    let one = |s: &Seen| match s {
        Seen::Snag(snag, _) => {
            let own = snag.hit_rate.u * snag.hit_rate.u - MODEL_U * MODEL_U;
            (snag.hit_rate.value, own.max(0.0).sqrt())
        }
        Seen::None(absent) => moments(&posterior(&[absent], ask)),
    };
    let each: Vec<(f64, f64)> = seen.iter().map(one).collect();
    let n = each.len() as f64;
    let value = each.iter().map(|e| e.0).sum::<f64>() / n;
    let within = each.iter().map(|e| e.1 * e.1).sum::<f64>() / n;
    let off = each.iter().map(|e| (e.0 - value) * (e.0 - value));
    let between = off.sum::<f64>() / (n - 1.0).max(1.0);
    (value, (within.max(between) / n).sqrt())
}

impl Rate {
    /// The rate with its 95 % range; from 0 where no snag is shown.
    pub fn estimate(&self) -> Estimate {
        if let Some(weights) = &self.posterior {
            return Estimate {
                value: self.value,
                u: self.u,
                lo95: 0.0,
                hi95: quantile(|x| cumulative(weights, x), 0.95, (0.0, 1.0)),
            };
        }
        let u = (self.statistical() + self.model()).sqrt();
        Estimate {
            value: self.value,
            u,
            lo95: (self.value - Z95 * u).max(0.0),
            hi95: (self.value + Z95 * u).min(1.0),
        }
    }

    /// Variance that more turns make smaller.
    pub fn statistical(&self) -> f64 {
        self.u * self.u
    }

    /// Variance that they do not: the model's own.
    pub fn model(&self) -> f64 {
        if self.none_seen {
            0.0
        } else {
            MODEL_U * MODEL_U / self.captures
        }
    }
}

/// Rate `j` of a posterior.
fn rate_at(j: usize) -> f64 {
    j as f64 / (RATES - 1) as f64
}

/// Mean and standard deviation of a posterior.
fn moments(weights: &[f64]) -> (f64, f64) {
    let mean: f64 = weights
        .iter()
        .enumerate()
        .map(|(j, w)| w * rate_at(j))
        .sum();
    let square = |(j, w): (usize, &f64)| w * (rate_at(j) - mean) * (rate_at(j) - mean);
    (
        mean,
        weights.iter().enumerate().map(square).sum::<f64>().sqrt(),
    )
}

/// Posterior of the hit rate, evenly likely before, of captures that show no snag: hits as deep as `ask`, at any phase.
fn posterior(absent: &[&Absent], ask: Estimate) -> Vec<f64> {
    let rates: Vec<f64> = (0..RATES).map(rate_at).collect();
    let mut ln = vec![0.0; RATES];
    for (evidence, case) in absent.iter().flat_map(|record| &record.legs) {
        for (sum, l) in ln.iter_mut().zip(ln_leg(*evidence, case, ask, &rates)) {
            *sum += l;
        }
    }
    let norm = ln_sum_exp(&ln);
    ln.iter().map(|l| libm::exp(l - norm)).collect()
}

/// Logarithm of a leg's likelihood of every rate: mean over phases and over the depths that `ask` leaves open.
fn ln_leg(evidence: Evidence, case: &Case, ask: Estimate, rates: &[f64]) -> Vec<f64> {
    let part = &evidence.train.parts[case.part];
    let unit = READ * unit_energy(part, evidence.field.fit.track.coulomb);
    let folded = fold(evidence.field, case.comb);
    let mut turns = Turns::default();
    let mut all: Vec<Vec<f64>> = vec![Vec::new(); rates.len()];
    for p in (0..case.comb.phases).step_by(PHASE_STEP) {
        if !turns.load(&folded, p, case.shared[p]) {
            continue;
        }
        for (sd, share) in DEPTHS {
            let energy = unit * ask.value * libm::exp(sd * ask.u / ask.value);
            for (all, l) in all.iter_mut().zip(ln_rates(&turns, energy, rates)) {
                all.push(l + libm::log(share));
            }
        }
    }
    all.iter().map(|l| ln_sum_exp(l)).collect()
}

/// Probability that the rate is at most `x`: the weights stand for the stretches around their rates.
fn cumulative(weights: &[f64], x: f64) -> f64 {
    let step = 1.0 / (RATES - 1) as f64;
    weights
        .iter()
        .enumerate()
        .map(|(j, w)| {
            let lo = (rate_at(j) - step / 2.0).max(0.0);
            let hi = (rate_at(j) + step / 2.0).min(1.0);
            w * ((x - lo) / (hi - lo)).clamp(0.0, 1.0)
        })
        .sum()
}

/// Where a rising function reaches `share`.
fn quantile(rising: impl Fn(f64) -> f64, share: f64, (mut lo, mut hi): (f64, f64)) -> f64 {
    for _ in 0..HALVINGS {
        let middle = f64::midpoint(lo, hi);
        if rising(middle) < share {
            lo = middle;
        } else {
            hi = middle;
        }
    }
    f64::midpoint(lo, hi)
}

/// Standard normal probability below `z`.
fn below(z: f64) -> f64 {
    libm::erfc(-z / std::f64::consts::SQRT_2) / 2.0
}

/// Rate after less rate before. A side that shows a snag is normal; one that shows none has its posterior.
pub(super) fn change(before: &Rate, after: &Rate) -> Estimate {
    let normal = |r: &Rate| (r.statistical() + r.model()).sqrt();
    let value = after.value - before.value;
    match (&before.posterior, &after.posterior) {
        (None, Some(weights)) => mixed(value, weights, 1.0, before.value, normal(before), after.u),
        (Some(weights), None) => mixed(value, weights, -1.0, after.value, normal(after), before.u),
        _ => Estimate::normal(value, libm::hypot(normal(before), normal(after))),
    }
}

/// `sign (rate of the posterior - other)`, where the other is normal with mean `mean` and standard deviation `sd`.
fn mixed(value: f64, weights: &[f64], sign: f64, mean: f64, sd: f64, own: f64) -> Estimate {
    let lower = |x: f64| -> f64 {
        weights
            .iter()
            .enumerate()
            .map(|(j, w)| w * below((x - sign * (rate_at(j) - mean)) / sd))
            .sum()
    };
    let reach = 2.0 + 8.0 * sd;
    Estimate {
        value,
        u: libm::hypot(sd, own),
        lo95: quantile(lower, 0.025, (-reach, reach)),
        hi95: quantile(lower, 0.975, (-reach, reach)),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn shown(value: f64, u: f64) -> Rate {
        Rate {
            posterior: None,
            value,
            // the model's own comes on top
            u: (u * u - MODEL_U * MODEL_U).sqrt(),
            none_seen: false,
            depth: None,
            detectable: None,
            turns: 100,
            captures: 1.0,
        }
    }

    fn none_seen(weights: Vec<f64>) -> Rate {
        let (value, u) = moments(&weights);
        Rate {
            posterior: Some(weights),
            value,
            u,
            none_seen: true,
            ..shown(0.0, MODEL_U)
        }
    }

    /// Rates from 0 on that fall by e in a thirtieth.
    fn falling() -> Vec<f64> {
        let raw: Vec<f64> = (0..RATES).map(|j| libm::exp(-30.0 * rate_at(j))).collect();
        let sum: f64 = raw.iter().sum();
        raw.iter().map(|w| w / sum).collect()
    }

    // Every number by scipy.stats 1.17.1: tests/reference/roll_change.py prints them.
    #[test]
    fn ranges_are_those_of_scipy() {
        let both = change(&shown(0.62, 0.13), &shown(0.31, 0.12));
        assert!(
            (both.lo95 + 0.656_753_026_068_589_3).abs() < 1e-9,
            "{both:?}"
        );
        assert!(
            (both.hi95 - 0.036_753_026_068_592_71).abs() < 1e-9,
            "{both:?}"
        );
        let after = none_seen(falling());
        assert!((after.value - 0.022_381_378_360_013_28).abs() < 1e-12);
        assert!((after.u - 0.032_564_713_360_493_8).abs() < 1e-12);
        let gone = change(&shown(0.5, 0.11), &after);
        assert!(
            (gone.lo95 + 0.700_209_274_437_298_3).abs() < 1e-9,
            "{gone:?}"
        );
        assert!(
            (gone.hi95 + 0.250_134_915_485_222_8).abs() < 1e-9,
            "{gone:?}"
        );
        let come = change(&after, &shown(0.5, 0.11));
        assert!(
            (come.lo95 - 0.250_134_915_485_222_5).abs() < 1e-9,
            "{come:?}"
        );
        assert!(
            (come.hi95 - 0.700_209_274_437_297_7).abs() < 1e-9,
            "{come:?}"
        );
    }

    #[test]
    fn a_rate_of_none_seen_reaches_from_zero() {
        let estimate = none_seen(falling()).estimate();
        assert!(estimate.lo95 <= 0.0 && estimate.value < estimate.hi95);
        // the exponential's 95 % point is ln 20/30; the first stretch is half as wide as its neighbours
        assert!(
            (estimate.hi95 - libm::log(20.0) / 30.0).abs() < 0.5 / 40.0,
            "{estimate:?}"
        );
        // evenly likely rates: 95 % lie below 0.95
        let even = none_seen(vec![1.0 / RATES as f64; RATES]).estimate();
        assert!((even.hi95 - 0.95).abs() < 1.0 / 40.0, "{even:?}");
        let seen = shown(0.9, 0.15).estimate();
        assert!(seen.hi95 <= 1.0 && (seen.lo95 - (0.9 - Z95 * 0.15)).abs() < 1e-12);
    }
}

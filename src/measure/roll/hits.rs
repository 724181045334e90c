//! How often the reported part hits, how deep, and in which turns.

use crate::reading::{Estimate, Z95};

use super::bayes::Turns;
use super::together::Together;
use crate::measure::logarithm::ln_sum_exp;

/// Hit rates tried: 50 from 0.02 to 1.
const RATES: usize = 50;
const FIRST_RATE: f64 = 0.02;
/// Depths tried: 44, evenly in the logarithm, times 1 over the square root of the median information.
const DEPTHS: usize = 44;
pub(super) const DEPTH_RANGE: (f64, f64) = (0.2, 15.0);
/// The depth varies from turn to turn by this share.
pub(super) const DEPTH_SPREAD: f64 = 0.25;
/// Model error of a hit rate: what a simulation does not know. Simulated records hardly ask for it: without it 509 of 521
/// intervals of 95 % cover, but of a pinion's 33 of 38.
pub(super) const MODEL_U: f64 = 0.10;
/// Bounds of one turn's exponent.
const EXPONENT: (f64, f64) = (-50.0, 30.0);
/// Turns multiplied before a logarithm is taken.
const BATCH: usize = 8;

/// Hit rate and the probability of every informative turn.
#[derive(Clone, Debug)]
pub(super) struct HitRate {
    pub rate: Estimate,
    /// Energy of a hit that the scores show: logarithm and its standard deviation.
    pub ln_energy: (f64, f64),
    /// Standard uncertainty that the number of turns and their noise give it; the rest is the model's.
    pub u_few_turns: f64,
    /// Probability of a hit, one for each of the turns, in their order.
    pub hit: Vec<f64>,
    /// Energy that each turn is expected to have lost, >= 0.
    pub loss: Vec<f64>,
}

fn rate(j: usize) -> f64 {
    FIRST_RATE + (1.0 - FIRST_RATE) * j as f64 / (RATES - 1) as f64
}

fn depth(j: usize) -> f64 {
    let (lo, hi) = DEPTH_RANGE;
    lo * libm::exp(libm::log(hi / lo) * j as f64 / (DEPTHS - 1) as f64)
}

/// Likelihood ratio "hit" against "no hit" of turn `n`, whose mean has been shifted by `m`.
fn ratio(turns: &Turns, n: usize, a: f64, m: f64) -> f64 {
    let i = turns.i[n];
    ratio_about(turns.u[n] + m * i, i, a)
}

/// The same of a score `v` with information `i`.
pub(super) fn ratio_about(v: f64, i: f64, a: f64) -> f64 {
    let spread = DEPTH_SPREAD * a;
    let variance = 1.0 / i + spread * spread;
    let off = v / i - a;
    let exponent =
        -libm::log(variance * i) / 2.0 - off * off / (2.0 * variance) + v * v / (2.0 * i);
    libm::exp(exponent.clamp(EXPONENT.0, EXPONENT.1))
}

/// Logarithm of the likelihood of depth `a` and hit rate `h`; `ratios` are those of [`ratio`].
fn ln_likelihood(turns: &Turns, a: f64, h: f64, ratios: &[f64]) -> f64 {
    let mut ln = turns.mean_term(a, h);
    for (e, wild) in ratios.chunks(BATCH).zip(turns.wild.chunks(BATCH)) {
        let product: f64 = e
            .iter()
            .zip(wild)
            .map(|(e, w)| (1.0 - h + h * e + w) / (1.0 + w))
            .product();
        ln += libm::log(product);
    }
    ln
}

/// Ratios of all turns at depth `a`, for a mean shifted by `m`.
fn ratios(turns: &Turns, a: f64, m: f64) -> Vec<f64> {
    (0..turns.u.len()).map(|n| ratio(turns, n, a, m)).collect()
}

/// Posterior of hit rate, energy and hits over the turns of one leg or several; `together` has the same turns.
pub(super) fn hit_rate(legs: &[&Turns], together: &Together) -> HitRate {
    let scale = legs.iter().map(|turns| turns.depth).sum::<f64>() / legs.len() as f64;
    let (start, ln_energy) = one_by_one(legs, scale);
    let drawn = together.draw((libm::exp(ln_energy.0), start), scale);
    let (value, few_turns) = drawn.rate;
    let u = libm::hypot(few_turns, MODEL_U);
    HitRate {
        u_few_turns: few_turns,
        rate: Estimate {
            value,
            u,
            lo95: (value - Z95 * u).max(0.0),
            hi95: (value + Z95 * u).min(1.0),
        },
        ln_energy,
        hit: drawn.hit,
        loss: drawn.loss,
    }
}

/// Hit rate, and logarithm of the energy with its standard deviation, of turns that know nothing of each other but their leg's
/// mean: one that the nuisance fit shares is put back for every (depth, rate).
fn one_by_one(legs: &[&Turns], scale: f64) -> (f64, (f64, f64)) {
    let mut ln = vec![0.0; DEPTHS * RATES];
    let rates: Vec<f64> = (0..RATES).map(rate).collect();
    for (j, ln) in ln.chunks_exact_mut(RATES).enumerate() {
        for turns in legs {
            for (ln, leg) in ln.iter_mut().zip(ln_rates(turns, depth(j) * scale, &rates)) {
                *ln += leg;
            }
        }
    }
    let norm = ln_sum_exp(&ln);
    let (mut mean, mut ln_energy, mut ln_square) = (0.0, 0.0, 0.0);
    for (j, ln) in ln.chunks_exact(RATES).enumerate() {
        let ln_a = libm::log(depth(j) * scale);
        for (l, h) in ln.iter().zip(&rates) {
            let weight = libm::exp(l - norm);
            mean += weight * h;
            ln_energy += weight * ln_a;
            ln_square += weight * ln_a * ln_a;
        }
    }
    let sd = (ln_square - ln_energy * ln_energy).max(0.0).sqrt();
    (mean, (ln_energy, sd))
}

/// Logarithm of the likelihood of hits of energy `a` at each of `rates` against no hits at all.
pub(super) fn ln_rates(turns: &Turns, a: f64, rates: &[f64]) -> Vec<f64> {
    let plain = ratios(turns, a, 0.0);
    let of = |h: &f64| {
        if turns.cen > 0.0 {
            ln_likelihood(turns, a, *h, &ratios(turns, a, h * turns.share * a))
        } else {
            ln_likelihood(turns, a, *h, &plain)
        }
    };
    rates.iter().map(of).collect()
}

#[cfg(test)]
mod tests {
    use super::super::fixture::Random;
    use super::super::fold::{Folded, Shared};
    use super::super::together::tests::of_shared_mean;
    use super::*;

    fn record(rho: f64, seed: u64) -> (Turns, Together, Vec<bool>) {
        let mut random = Random::new(seed);
        let n = 300;
        let truth: Vec<bool> = (0..n).map(|_| random.uniform(0.0, 1.0) < 0.4).collect();
        let u = truth.iter().map(|hit| {
            let depth = if *hit {
                5.0 * (1.0 + 0.2 * random.normal())
            } else {
                0.0
            };
            random.normal() + depth
        });
        let mut u: Vec<f64> = u.collect();
        // the nuisance fit took its share of the mean
        let taken = rho * u.iter().sum::<f64>() / n as f64;
        for u in &mut u {
            *u -= taken;
        }
        let together = of_shared_mean(u.clone(), rho);
        let folded = Folded {
            events: n,
            u,
            i: vec![1.0; n],
        };
        let mut turns = Turns::default();
        assert!(turns.load(
            &folded,
            0,
            Shared {
                rho,
                ..Shared::NONE
            }
        ));
        (turns, together, truth)
    }

    #[test]
    fn hits_and_their_rate_come_back() {
        for rho in [0.0, 0.6] {
            let (turns, together, truth) = record(rho, 3);
            let found = hit_rate(&[&turns], &together);
            let share = truth.iter().filter(|t| **t).count() as f64 / truth.len() as f64;
            let rate = found.rate;
            assert!(rate.lo95 <= share && share <= rate.hi95, "{rate:?} {share}");
            let wrong = found
                .hit
                .iter()
                .zip(&truth)
                .filter(|(p, t)| (**p > 0.5) != **t)
                .count();
            // five sd apart, depth varying by 20 %: few turns are doubtful
            assert!(wrong <= 12, "rho {rho}: {wrong} wrong of {}", truth.len());
            assert!(found.hit.iter().all(|p| (0.0..=1.0).contains(p)));
            // 120 hits of depth 5, each known to 1: the sum to 11, the mean depth to some percent more where it is shared
            let lost: f64 = found.loss.iter().sum();
            let hits = truth.iter().filter(|t| **t).count() as f64;
            assert!(
                (lost / hits / 5.0 - 1.0).abs() < 0.12,
                "rho {rho}: {lost} of {hits}"
            );
            assert!(found.u_few_turns > 0.0 && found.u_few_turns < rate.u);
        }
    }

    #[test]
    fn ratio_is_its_formula() {
        let (turns, ..) = record(0.0, 4);
        let (a, m, n) = (2.3, 0.4, 17);
        let (i, v) = (turns.i[n], turns.u[n] + m * turns.i[n]);
        let var = 1.0 / i + (0.25 * a) * (0.25 * a);
        // the likelihood of an estimate v/i with variance 1/i + spread against one with variance 1/i about 0
        let hit = libm::exp(-(v / i - a) * (v / i - a) / 2.0 / var) / var.sqrt();
        let none = libm::exp(-(v / i) * (v / i) / 2.0 * i) * i.sqrt();
        assert!((ratio(&turns, n, a, m) / (hit / none) - 1.0).abs() < 1e-9);
    }
}

//! A mixture of normal distributions: what is left of not knowing the law.

use crate::reading::{Estimate, Z95};

/// Most steps to a quantile.
const STEPS: u32 = 200;
/// A Newton step below this part of the smallest sd is the last: what it leaves goes with its square.
const LAST_STEP: f64 = 1e-8;
/// The bracket reaches this many standard deviations beyond the outermost means.
const REACH: f64 = 12.0;

/// One normal distribution of the mixture.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Normal {
    /// Weight; all of a mixture add up to 1.
    pub weight: f64,
    pub mean: f64,
    /// > 0
    pub sd: f64,
}

/// The mixture times `factor`, each part with the relative uncertainties `relative_u` more.
pub(super) fn scaled(mixture: &[Normal], factor: f64, relative_u: &[f64]) -> Vec<Normal> {
    let squares: f64 = relative_u.iter().map(|u| u * u).sum();
    mixture
        .iter()
        .map(|n| Normal {
            weight: n.weight,
            mean: n.mean * factor,
            sd: libm::hypot(n.sd, n.mean * squares.sqrt()) * factor,
        })
        .collect()
}

/// Probability of a value up to `x`.
pub(super) fn cdf(mixture: &[Normal], x: f64) -> f64 {
    mixture
        .iter()
        .map(|n| n.weight * 0.5 * libm::erfc((n.mean - x) / (n.sd * std::f64::consts::SQRT_2)))
        .sum()
}

/// Probability density at `x`.
fn density(mixture: &[Normal], x: f64) -> f64 {
    let root = (2.0 * std::f64::consts::PI).sqrt();
    let at = |n: &Normal| {
        let z = (x - n.mean) / n.sd;
        n.weight / (n.sd * root) * libm::exp(-0.5 * z * z)
    };
    mixture.iter().map(at).sum()
}

/// Mean and standard deviation.
fn moments(mixture: &[Normal]) -> (f64, f64) {
    let mean: f64 = mixture.iter().map(|n| n.weight * n.mean).sum();
    let variance: f64 = mixture
        .iter()
        .map(|n| n.weight * (n.sd * n.sd + (n.mean - mean) * (n.mean - mean)))
        .sum();
    (mean, variance.sqrt())
}

/// Value below which the mixture has the probability `p`: Newton's steps inside a bracket, halved where a step leaves it.
pub(super) fn quantile(mixture: &[Normal], p: f64) -> f64 {
    let edge = |sign: f64| move |n: &Normal| n.mean + sign * REACH * n.sd;
    let mut lo = mixture.iter().map(edge(-1.0)).fold(f64::INFINITY, f64::min);
    let mut hi = mixture
        .iter()
        .map(edge(1.0))
        .fold(f64::NEG_INFINITY, f64::max);
    let last_step = LAST_STEP * mixture.iter().map(|n| n.sd).fold(f64::INFINITY, f64::min);
    let (mean, sd) = moments(mixture);
    let mut x = if p < 0.5 {
        mean - Z95 * sd
    } else {
        mean + Z95 * sd
    };
    for _ in 0..STEPS {
        let excess = cdf(mixture, x) - p;
        if excess < 0.0 {
            lo = lo.max(x);
        } else {
            hi = hi.min(x);
        }
        let step = excess / density(mixture, x);
        let newton = x - step;
        if step.abs() <= last_step {
            return newton;
        }
        x = if lo < newton && newton < hi {
            newton
        } else {
            f64::midpoint(lo, hi)
        };
    }
    x
}

/// Mean, standard deviation and the central 95 %.
pub(super) fn estimate(mixture: &[Normal]) -> Estimate {
    let (value, u) = moments(mixture);
    Estimate {
        value,
        u,
        lo95: quantile(mixture, 0.025),
        hi95: quantile(mixture, 0.975),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn one_normal_is_itself() {
        let e = estimate(&[Normal {
            weight: 1.0,
            mean: 3.0,
            sd: 2.0,
        }]);
        assert!((e.value - 3.0).abs() < 1e-15 && (e.u - 2.0).abs() < 1e-15);
        assert!(
            (e.lo95 - (3.0 - Z95 * 2.0)).abs() < 1e-9 && (e.hi95 - (3.0 + Z95 * 2.0)).abs() < 1e-9
        );
    }

    #[test]
    fn two_far_apart_give_the_quantiles_of_each() {
        let half = |mean| Normal {
            weight: 0.5,
            mean,
            sd: 1.0,
        };
        let two = [half(0.0), half(100.0)];
        // 2.5 % of the whole is 5 % of the lower one: z = -1.644854 (statistical tables)
        assert!((quantile(&two, 0.025) + 1.644_854).abs() < 1e-5);
        assert!((cdf(&two, 50.0) - 0.5).abs() < 1e-12);
        assert!((estimate(&two).u - (1.0f64 + 2500.0).sqrt()).abs() < 1e-9);
    }
}

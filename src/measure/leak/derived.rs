//! What follows from a fit: regime, hole, half-life, suggested limit, settling.

use super::finding::{Range, Regime};
use super::laws::{GAMMA, Shares, falls_pa, isentropic};
use super::mixture::{self, Normal};
use super::model::{RELAX_AT, settling};
use super::solve::{Candidate, Fit, Law};
use crate::reading::Estimate;
use crate::units::STANDARD_ATMOSPHERE_PA;

/// Temperature to which leak rates refer, K.
pub(super) const T_REF_K: f64 = 293.15;
/// Specific gas constant of air, J/(kg K).
const R_AIR: f64 = 287.05;
/// Discharge coefficients between which a hole lies (from memory, no source).
const DISCHARGE: [f64; 2] = [1.0, 0.6];
/// A law is named from this probability on.
const NAMED: f64 = 0.95;
/// Half-life at which the suggested limit lies, s (common practice, no source).
pub(super) const SUGGESTED_HALF_LIFE_S: f64 = 60.0;
/// Settled: what is left of the settling is less than this part of the leak, or than its uncertainty.
const SETTLED: f64 = 0.1;
/// Times that are looked at for it, s: all settling columns have died out long before the end.
const SETTLED_STEP_S: f64 = 0.1;
const SETTLED_STEPS: u32 = 3000;

/// Law of the leak, with its probability where one is named or fails to be.
pub(super) fn regime(fit: &Fit, slope: &Estimate) -> (Regime, Option<f64>) {
    if fit.is_lid {
        return (Regime::Lid, Some(fit.lid_probability));
    }
    if slope.lo95 <= 0.0 {
        return (Regime::Tight, None);
    }
    let of = |named: &dyn Fn(Law) -> bool| -> f64 {
        fit.candidates
            .iter()
            .filter(|c| named(c.law))
            .map(|c| c.weight)
            .sum::<f64>()
            .min(1.0)
    };
    let weights = [
        (
            Regime::Laminar,
            of(&|law| matches!(law, Law::Laminar | Law::Linear)),
        ),
        (Regime::Orifice, of(&|law| matches!(law, Law::Orifice))),
        (Regime::Mixed, of(&|law| matches!(law, Law::Mixed(_)))),
    ];
    let best = weights
        .into_iter()
        .max_by(|a, b| a.1.total_cmp(&b.1))
        .expect("there are three");
    if best.1 >= NAMED {
        (best.0, Some(best.1))
    } else {
        (Regime::NotSeparable, Some(best.1))
    }
}

/// Mean lifting pressure of the lids, Pa.
pub(super) fn lid_lift_pa(fit: &Fit) -> Option<f64> {
    fit.is_lid.then(|| {
        fit.candidates
            .iter()
            .map(|c| match c.law {
                Law::Lid(lift) => c.weight * lift,
                _ => 0.0,
            })
            .sum()
    })
}

/// Diameter of the round hole with discharge coefficient `cd` that leaks `leak_rate` (Pa m3/s at 20 C, > 0) at a
/// gauge pressure against the standard atmosphere, m: isentropic mass flow (de Saint-Venant and Wantzel 1839).
///
/// ```
/// // 1e-3 Pa m3/s at 15 kPa: 8.95 um for a discharge coefficient of 1 (computed by hand).
/// let d = feelgauge::measure::leak::hole_diameter_m(1e-3, 15e3, 1.0);
/// assert!((d - 8.95e-6).abs() < 0.005e-6);
/// ```
pub fn hole_diameter_m(leak_rate: f64, gauge_pa: f64, cd: f64) -> f64 {
    let inside = STANDARD_ATMOSPHERE_PA + gauge_pa;
    let mass_flow = leak_rate / (R_AIR * T_REF_K);
    let velocity = (2.0 * GAMMA / ((GAMMA - 1.0) * R_AIR * T_REF_K)).sqrt();
    let per_area = cd * inside * velocity * isentropic(STANDARD_ATMOSPHERE_PA / inside);
    (4.0 * mass_flow / per_area / std::f64::consts::PI).sqrt()
}

/// Range of hole diameters for the regimes in which a hole makes sense.
pub(super) fn equivalent_hole(regime: Regime, leak_rate: f64, p_ref_pa: f64) -> Option<Range> {
    let a_hole = matches!(
        regime,
        Regime::Orifice | Regime::Mixed | Regime::NotSeparable
    );
    (a_hole && leak_rate > 0.0).then(|| Range {
        lo: hole_diameter_m(leak_rate, p_ref_pa, DISCHARGE[0]),
        hi: hole_diameter_m(leak_rate, p_ref_pa, DISCHARGE[1]),
    })
}

/// What it takes to halve the gauge pressure from `p_ref_pa` on: the half-life times the slope there, Pa.
pub(super) struct Halving {
    /// Under the mean law.
    pub mean_pa: f64,
    /// Under the law of each candidate; a lid has none.
    of_laws_pa: Vec<f64>,
}

impl Halving {
    pub fn new(fit: &Fit, p_ref_pa: f64, ambient_pa: f64) -> Self {
        let candidates = fit.candidates.iter().filter(|_| !fit.is_lid);
        Self::of(
            fit.shares,
            candidates.map(Candidate::shares),
            p_ref_pa,
            ambient_pa,
        )
    }

    fn of(
        mean: Shares,
        laws: impl Iterator<Item = Shares>,
        p_ref_pa: f64,
        ambient_pa: f64,
    ) -> Self {
        let laws: Vec<Shares> = std::iter::once(mean).chain(laws).collect();
        let mut falls_pa = falls_pa(&laws, (p_ref_pa, 0.5 * p_ref_pa), p_ref_pa, ambient_pa);
        Self {
            mean_pa: falls_pa.remove(0),
            of_laws_pa: falls_pa,
        }
    }

    /// Half-life of the gauge pressure, or what it is longer than; neither where the whole interval lies below nought.
    /// `slopes`: of the candidates. Which law it is makes as much of the interval as the slope: an orifice halves sooner
    /// than a laminar leak of the same slope.
    pub fn half_life(&self, slopes: &[Normal]) -> (Option<Estimate>, Option<f64>) {
        let slope: f64 = slopes.iter().map(|n| n.weight * n.mean).sum();
        let paces = slopes.iter().zip(&self.of_laws_pa).map(|(n, own_pa)| {
            let sooner = self.mean_pa / own_pa;
            Normal {
                weight: n.weight,
                mean: n.mean * sooner,
                sd: n.sd * sooner,
            }
        });
        let paces: Vec<Normal> = paces.collect();
        let pace = mixture::estimate(&paces);
        if pace.lo95 > 0.0 {
            let value = self.mean_pa / slope;
            let estimate = Estimate {
                value,
                u: value * pace.u / pace.value,
                lo95: self.mean_pa / pace.hi95,
                hi95: self.mean_pa / pace.lo95,
            };
            (Some(estimate), None)
        } else if pace.hi95 > 0.0 {
            (None, Some(self.mean_pa / pace.hi95))
        } else {
            (None, None)
        }
    }
}

/// Seconds from the end of pumping after which the settling stays below a tenth of the leak or its uncertainty.
pub(super) fn settled_at_s(fit: &Fit, slope: &Estimate) -> f64 {
    let bound = (SETTLED * slope.value.abs()).max(slope.u);
    let at = |step: u32| {
        let t = f64::from(step) * SETTLED_STEP_S;
        settling(&fit.nuisances[RELAX_AT..], t, SETTLED_STEP_S)
    };
    // The sizes of all relaxations together only fall: where they are below the bound nobody need look closer.
    let (mut from, mut last) = (0, SETTLED_STEPS);
    while from < last {
        let middle = u32::midpoint(from, last);
        let sizes: f64 = at(middle).iter().map(|s| s.pa_s.abs()).sum();
        if sizes < bound {
            last = middle;
        } else {
            from = middle + 1;
        }
    }
    // Backwards from there: every relaxation grows by a factor of its own a step.
    let mut slopes = at(last);
    let mut settled_s = f64::from(last) * SETTLED_STEP_S;
    for i in (0..=last).rev() {
        let slope: f64 = slopes.iter().map(|s| s.pa_s).sum();
        if slope.is_nan() || slope.abs() >= bound {
            break;
        }
        settled_s = f64::from(i) * SETTLED_STEP_S;
        for slope in &mut slopes {
            slope.pa_s *= slope.growth;
        }
    }
    settled_s
}

/// Probability that the leak rate is at most the limit.
pub(super) fn within_probability(rates: &[mixture::Normal], limit: f64) -> f64 {
    mixture::cdf(rates, limit).clamp(0.0, 1.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Computed by hand from the formula: um at 15 kPa for coefficients 1 and 0.6.
    #[test]
    fn hole_diameters() {
        for (rate, one, six_tenths) in [
            (1e-4, 2.83e-6, 3.65e-6),
            (1e-3, 8.95e-6, 11.5e-6),
            (1e-2, 28.3e-6, 36.5e-6),
        ] {
            let hole = equivalent_hole(Regime::Orifice, rate, 15e3).unwrap();
            assert!((hole.lo - one).abs() < 0.006 * one, "{}", hole.lo);
            assert!(
                (hole.hi - six_tenths).abs() < 0.006 * six_tenths,
                "{}",
                hole.hi
            );
        }
        assert_eq!(equivalent_hole(Regime::Laminar, 1e-3, 15e3), None);
        assert_eq!(equivalent_hole(Regime::Mixed, -1e-5, 15e3), None);
    }

    #[test]
    fn half_life_of_a_linear_leak_is_ln_2() {
        let shares = Shares {
            laminar: 0.0,
            orifice: 0.0,
            linear: 1.0,
        };
        let halving = Halving::of(shares, [shares].into_iter(), 1e4, 1e5);
        assert!((halving.mean_pa - 1e4 * std::f64::consts::LN_2).abs() < 1e-5);
        let half_life = |mean: f64| {
            halving.half_life(&[Normal {
                weight: 1.0,
                mean,
                sd: 1.0,
            }])
        };
        let (life, longer) = half_life(10.0);
        let life = life.unwrap();
        assert!((life.value - 1000.0 * std::f64::consts::LN_2).abs() < 1e-6 && longer.is_none());
        assert!(life.lo95 < life.value && life.value < life.hi95);
        let (life, longer) = half_life(1.0);
        assert!(life.is_none() && longer.unwrap() > 1000.0);
        let (life, longer) = half_life(-9.0);
        assert!(life.is_none() && longer.is_none());
    }

    /// Two laws of the same slope, known well: halving takes a longer fall under the laminar one, and the interval holds both.
    #[test]
    fn half_life_of_an_unknown_law_holds_them_all() {
        let law = |laminar: f64| Shares {
            laminar,
            orifice: 1.0 - laminar,
            linear: 0.0,
        };
        let halving = Halving::of(law(0.5), [law(0.0), law(1.0)].into_iter(), 1e4, 1e5);
        let slope = Normal {
            weight: 0.5,
            mean: 10.0,
            sd: 0.01,
        };
        let life = halving.half_life(&[slope, slope]).0.unwrap();
        let alone =
            |laminar: f64| Halving::of(law(laminar), [].into_iter(), 1e4, 1e5).mean_pa / 10.0;
        let (orifice, laminar) = (alone(0.0), alone(1.0));
        assert!(laminar > 1.15 * orifice, "{laminar} {orifice}");
        assert!(life.lo95 < orifice && laminar < life.hi95, "{life:?}");
        assert!(life.u > 0.3 * (laminar - orifice), "{life:?}");
    }
}

//! From a fit to a finding: rate, verdict, budget, what follows.

use super::derived::{self, Halving, T_REF_K};
use super::finding::{LeakEvidence, LeakFinding, LeakRateUnits, LeakTrace, Regime};
use super::mixture::{self, Normal};
use super::model::{Model, Surroundings};
use super::solve::{Fit, GAS_MODEL_U, SLOPE_U};
use super::{GAS_U_K, Held, STRETCH_PER_PA, Settings, thermometer};
use crate::reading::{
    CalibrationShare, CalibrationState, Contribution, Estimate, LimitSource, Refusal, Verdict, Z95,
    budget,
};
use crate::units::STANDARD_ATMOSPHERE_PA;

/// A verdict needs this probability on its side (JCGM 106: specific risk 2.5 %).
const RISK: f64 = 0.025;
/// The same for a stop before the planned end, looked at every 5 s from 30 s on: about 3 % wrong at the limit.
pub const EARLY_RISK: f64 = 0.005;
/// First look of the stop rule, s of the hold.
pub const EARLY_FROM_S: f64 = 30.0;
/// From one look of the stop rule to the next, s.
pub const EARLY_EVERY_S: f64 = 5.0;
/// Planned length of a hold, s: at its end the verdict is that of the 95 % interval.
pub const PLANNED_HOLD_S: f64 = 60.0;

/// Flag of a pressure that rises: no leak does that, so nothing bounds the half-life.
const RISES: &str = "pressure_rises";

/// How a slope becomes a rate: factor, m3, and relative standard uncertainties.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Conversion {
    /// `None` without a volume.
    factor_m3: Option<f64>,
    volume_u: f64,
    gas_u: f64,
    stretch_u: f64,
    calibration_u: f64,
    gain_u: f64,
}

impl Conversion {
    fn new(settings: &Settings, around: &Surroundings, p_ref_pa: f64) -> Self {
        let span = STANDARD_ATMOSPHERE_PA + 2.0 * p_ref_pa;
        let gas_u_k = if around.thermometer.is_some() {
            thermometer::GAS_U_K
        } else {
            GAS_U_K
        };
        let warm = T_REF_K / around.gas_k;
        let stated = settings
            .volume_m3
            .map(|v| (v * (1.0 + STRETCH_PER_PA * span), settings.volume_u / v));
        Self {
            factor_m3: stated.map(|(volume, _)| volume * warm),
            volume_u: stated.map_or(0.0, |(_, u)| u),
            gas_u: gas_u_k / around.gas_k,
            stretch_u: settings.stretch_u_per_pa * span,
            calibration_u: calibration_u(&settings.calibration),
            gain_u: gain_u(&settings.calibration),
        }
    }

    fn relative(&self) -> [f64; 5] {
        [
            self.gain_u,
            self.calibration_u,
            self.volume_u,
            self.gas_u,
            self.stretch_u,
        ]
    }
}

/// Puts the numbers into the finding.
pub(super) fn conclude(
    out: &mut LeakFinding,
    settings: &Settings,
    held: &Held,
) -> Result<(), Refusal> {
    let (around, model, fit, p_ref_pa) = (&held.around, &held.model, &held.fit, held.p_ref_pa);
    let conversion = Conversion::new(settings, around, p_ref_pa);
    let slopes = fit.slopes();
    let with = |relative: &[f64]| mixture::scaled(&slopes, 1.0, relative);
    let read = mixture::estimate(&with(&[conversion.gain_u, conversion.calibration_u]));
    if !is_finite(&read) {
        return Err(not_solvable());
    }
    // A gain scales pressure and slope alike: what compares the two does without its uncertainty.
    let own = with(&[conversion.gain_u]);
    let slope = if conversion.calibration_u > 0.0 {
        mixture::estimate(&own)
    } else {
        read
    };
    let halving = Halving::new(fit, p_ref_pa, around.ambient_pa);
    if let Some(factor) = conversion.factor_m3 {
        let rates = mixture::scaled(&slopes, factor, &conversion.relative());
        let rate = mixture::estimate(&rates);
        if !is_finite(&rate) {
            return Err(not_solvable());
        }
        let suggested = factor * halving.mean_pa / derived::SUGGESTED_HALF_LIFE_S;
        let limit = settings
            .limit
            .unwrap_or((suggested, LimitSource::Suggested));
        judge(out, &rates, limit, fit, factor);
        out.leak_rate_pa_m3_s = Some(rate);
        out.leak_rate_units = Some(LeakRateUnits::new(rate));
        out.budget = contributions(fit, factor, &conversion);
    }
    out.slope_pa_s = Some(read);
    out.p_ref_pa = Some(p_ref_pa);
    (out.p_start_pa, out.p_end_pa) = (Some(model.first), Some(model.last));
    let (regime, probability) = derived::regime(fit, &slope);
    (out.regime, out.regime_probability) = (Some(regime), probability);
    out.settled_at_s = Some(derived::settled_at_s(fit, &slope));
    if fit.is_lid {
        out.lid_lift_pa = derived::lid_lift_pa(fit);
        out.quality.common.flag("lid_rate_not_calibrated");
    } else {
        (out.half_life_s, out.half_life_longer_than_s) = halving.half_life(&own);
    }
    if slope.hi95 <= 0.0 {
        out.quality.common.flag(RISES);
    }
    out.equivalent_hole_m = out
        .leak_rate_pa_m3_s
        .and_then(|rate| derived::equivalent_hole(regime, rate.value, p_ref_pa));
    out.evidence = LeakEvidence {
        slopes,
        factor_m3: conversion.factor_m3,
        gas_k: around.gas_k,
        volume_u: conversion.volume_u,
        gas_u: conversion.gas_u,
        stretch_u: conversion.stretch_u,
        ..std::mem::take(&mut out.evidence)
    };
    fit_trace(&mut out.trace, model, fit);
    Ok(())
}

/// Verdict against the limit, and whether this record could have said `within` of a tight tank at all.
fn judge(
    out: &mut LeakFinding,
    rates: &[Normal],
    (limit, source): (f64, LimitSource),
    fit: &Fit,
    factor: f64,
) {
    let within = derived::within_probability(rates, limit);
    out.verdict = Some(verdict(within, RISK, fit.is_lid));
    (out.limit_source, out.limit_leak_rate_pa_m3_s) = (Some(source), Some(limit));
    out.within_probability = Some(within);
    if limit < Z95 * fit.resolution * factor {
        out.quality.common.flag("limit_below_resolution");
    }
}

/// What contributes how much to the uncertainty of the leak rate. The squares add up to that of the mixture.
fn contributions(fit: &Fit, factor: f64, conversion: &Conversion) -> Vec<Contribution> {
    let mean = |of: &dyn Fn(&super::solve::Candidate) -> f64| -> f64 {
        fit.candidates.iter().map(|c| c.weight * of(c)).sum()
    };
    let centre = mean(&|c| c.slope);
    let between = mean(&|c| (c.slope - centre) * (c.slope - centre));
    let size = mean(&|c| c.slope * c.slope).sqrt() * factor;
    budget(&[
        ("noise", factor * mean(&|c| c.variance.noise).sqrt()),
        (
            "drift_and_heat",
            factor * mean(&|c| c.variance.priors).sqrt(),
        ),
        ("law", factor * (between + mean(&|c| c.variance.law)).sqrt()),
        ("gain_and_gas_model", size * conversion.gain_u),
        ("calibration", size * conversion.calibration_u),
        ("volume", size * conversion.volume_u),
        ("temperature", size * conversion.gas_u),
        ("wall_stretch", size * conversion.stretch_u),
    ])
}

/// What gain and gas model add beside a calibration: it vouches for the gain while it holds.
pub(super) fn gain_u(share: &CalibrationShare) -> f64 {
    match share.state {
        CalibrationState::Current => GAS_MODEL_U,
        _ => SLOPE_U,
    }
}

/// What a calibration adds; nothing where readings are taken at their word.
pub(super) fn calibration_u(share: &CalibrationShare) -> f64 {
    match share.state {
        CalibrationState::NotStated => 0.0,
        _ => share.u_relative,
    }
}

fn is_finite(e: &Estimate) -> bool {
    [e.value, e.u, e.lo95, e.hi95].iter().all(|n| n.is_finite())
}

/// Nothing sensible came out of the numbers.
pub(super) fn not_solvable() -> Refusal {
    Refusal::new(
        "not_solvable",
        "the readings are not those of a tank that holds pressure; look at the record's picture and repeat the test",
    )
}

/// Three states; a lid's rate is not calibrated, so it is never within.
fn verdict(within: f64, risk: f64, is_lid: bool) -> Verdict {
    if within <= risk {
        Verdict::Outside
    } else if within >= 1.0 - risk && !is_lid {
        Verdict::Within
    } else {
        Verdict::Undecided
    }
}

impl LeakFinding {
    /// True when a recording may stop before its planned end because the verdict is clear. Ask every 5 s; at a leak
    /// exactly at the limit about 3 % of such stops say the wrong thing.
    pub fn may_stop(&self) -> bool {
        let lid = self.regime == Some(Regime::Lid);
        match (self.hold_s, self.within_probability) {
            (Some(hold_s), Some(within)) => {
                hold_s >= EARLY_FROM_S && verdict(within, EARLY_RISK, lid) != Verdict::Undecided
            }
            _ => false,
        }
    }
}

impl LeakFinding {
    /// The pressure rises by more than drift and heat explain: the whole interval of the leak lies below nought, and
    /// something warms or feeds the tank. Flag `pressure_rises`.
    pub fn rises(&self) -> bool {
        self.quality.common.flags.iter().any(|flag| flag == RISES)
    }

    /// Leak rate that is not exceeded with a probability (above 0, below 1), Pa m3/s; `None` without one. At 0.025 and 0.975
    /// it is the interval of `leak_rate_pa_m3_s`, at [`EARLY_RISK`] and 1 less it that of the stop rule.
    pub fn leak_rate_quantile(&self, probability: f64) -> Option<f64> {
        self.leak_rate_pa_m3_s?;
        let known = &self.evidence;
        let relative = [
            gain_u(&self.calibration),
            calibration_u(&self.calibration),
            known.volume_u,
            known.gas_u,
            known.stretch_u,
        ];
        let rates = mixture::scaled(&known.slopes, known.factor_m3?, &relative);
        Some(mixture::quantile(&rates, probability))
    }
}

fn fit_trace(trace: &mut LeakTrace, model: &Model, fit: &Fit) {
    trace.t_s.clone_from(&model.t);
    trace.pressure_pa.clone_from(&model.y);
    trace.used.clone_from(&model.used);
    trace.fit_pa.clone_from(&fit.leak_pa);
    for (column, b) in model.columns.iter().zip(&fit.nuisances) {
        for (fit_pa, c) in trace.fit_pa.iter_mut().zip(column) {
            *fit_pa += c * b;
        }
    }
    let leak_only = fit.leak_pa.iter().map(|leak| fit.nuisances[0] + leak);
    trace.leak_only_pa = leak_only.collect();
}

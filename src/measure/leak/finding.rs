//! What a leak test returns, and what a person may set.

use schemars::JsonSchema;
use serde::Serialize;

use super::mixture::Normal;
use crate::reading::{
    CalibrationShare, Contribution, Estimate, LimitSource, Quality, Refusal, SOFTWARE, Verdict,
};
use crate::units::CM3_PER_MIN;

/// What the person or the vehicle file says about a leak test.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct LeakSettings {
    /// Volume of tank, hose and sensor without pressure, m3, > 0. Without it there is a slope but no leak rate: enough to
    /// compare two records of one tank.
    pub volume_m3: Option<f64>,
    /// Standard uncertainty of the volume, m3; 10 % of it when not given.
    pub volume_u_m3: Option<f64>,
    /// Gauge pressure at which the leak is stated, Pa; 0.75 of the pressure at the start when not given.
    pub p_ref_pa: Option<f64>,
    /// Limit of the leak rate, Pa m3/s at 20 C, with where it comes from; the suggested one when not given.
    pub limit: Option<(f64, LimitSource)>,
    /// Ambient absolute pressure, Pa; the standard atmosphere when not given.
    pub ambient_pa: Option<f64>,
    /// Start and end of a sealed hold at zero gauge pressure before the pumping, seconds in the record's own time.
    pub sealed_zero_s: Option<(f64, f64)>,
    /// Volume that one stroke of a syringe moves, m3: after the hold six strokes, 6 s apart, in and out in turn, the
    /// first one in, measure the volume of the tank.
    pub syringe_m3: Option<f64>,
    /// What is known of the sensor's calibration.
    pub calibration: CalibrationShare,
    /// Reading at the end of the converter's range, Pa, where the probe states it: one that stands there is a lower bound.
    pub range_pa: Option<f64>,
}

impl LeakSettings {
    /// Settings with the volume alone; everything else by default.
    pub fn of_volume(volume_m3: f64) -> Self {
        Self {
            volume_m3: Some(volume_m3),
            ..Self::without_volume()
        }
    }

    /// Settings by default, without a volume: the finding has a slope but no leak rate.
    pub fn without_volume() -> Self {
        Self {
            volume_m3: None,
            volume_u_m3: None,
            p_ref_pa: None,
            limit: None,
            ambient_pa: None,
            sealed_zero_s: None,
            syringe_m3: None,
            calibration: CalibrationShare::default(),
            range_pa: None,
        }
    }
}

/// Which flow law the leak follows, as far as the record tells.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Regime {
    /// Not told apart from a tight tank.
    Tight,
    /// Long narrow paths: laminar, or linear in the gauge pressure.
    Laminar,
    /// A short hole.
    Orifice,
    /// Both at once.
    Mixed,
    /// A lid that lifts above a pressure and closes below it.
    Lid,
    /// It leaks, but the record does not tell the law.
    NotSeparable,
}

/// A range without a probability attached to it.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, JsonSchema)]
pub struct Range {
    /// Lower end.
    pub lo: f64,
    /// Upper end.
    pub hi: f64,
}

/// The leak rate in other units of the trade.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, JsonSchema)]
pub struct LeakRateUnits {
    /// Cubic centimetres of air a minute at 20 C and 101325 Pa.
    pub cm3_per_min: Estimate,
    /// Millibar litres a second (1 Pa m3/s = 10 mbar l/s exactly).
    pub mbar_l_per_s: Estimate,
}

impl LeakRateUnits {
    /// From a leak rate in Pa m3/s at 20 C.
    pub fn new(leak_rate_pa_m3_s: Estimate) -> Self {
        Self {
            cm3_per_min: leak_rate_pa_m3_s.scaled(1.0 / CM3_PER_MIN),
            mbar_l_per_s: leak_rate_pa_m3_s.scaled(10.0),
        }
    }
}

/// Quality of a leak record: what every measure has, and the leak's own.
#[derive(Clone, Debug, Default, PartialEq, Serialize, JsonSchema)]
pub struct LeakQuality {
    /// What every measure has.
    #[serde(flatten)]
    pub common: Quality,
    /// Knocks that were masked.
    pub knocks: u64,
    /// White noise of a 0.25 s mean, Pa; null when refused before it was known.
    pub noise_pa: Option<f64>,
    /// Seconds of the hold that were used (at most 120).
    pub hold_used_s: Option<f64>,
    /// A tank thermometer was used.
    pub thermometer: bool,
    /// A sealed hold at zero pressure was used.
    pub sealed_zero: bool,
}

/// An earlier hold of the same record, fitted by itself: the record cut before the next pumping.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, JsonSchema)]
pub struct EarlierHold {
    /// Leak rate at the finding's `p_ref_pa`, Pa m3/s of gas at 20 C; null without a volume.
    pub leak_rate_pa_m3_s: Option<Estimate>,
    /// Pressure loss by the leak alone at `p_ref_pa`, Pa/s.
    pub slope_pa_s: Estimate,
    /// End of its pumping, seconds in the record's own time.
    pub hold_start_s: f64,
    /// From there to the letting off or to the next pumping, s.
    pub hold_s: f64,
}

/// The tank's volume by the strokes of a syringe after the hold.
#[derive(Clone, Debug, PartialEq, Serialize, JsonSchema)]
pub struct SyringeVolume {
    /// Volume of one stroke as stated, m3.
    pub stroke_m3: f64,
    /// Strokes found after the hold.
    pub strokes: u64,
    /// Effective volume (with the stretch of the wall) at `p_ref_pa`, m3.
    pub effective_volume_m3: Option<Estimate>,
    /// The volume stated, m3, where the strokes contradict it: the finding's `volume_m3` then spans both. Else null.
    pub contradicts_m3: Option<Estimate>,
    /// Why the strokes were not used and the stated volume was, or null.
    pub refused: Option<Refusal>,
}

/// What a comparison and a ruling out need of a finding beside its numbers. A shell fills in the names.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct LeakEvidence {
    /// Setup in which the record was taken, if the shell knows it.
    pub setup: Option<String>,
    /// Serial number of the sensor, if the shell knows it.
    pub sensor: Option<String>,
    /// Day on which the record was taken, in any writing, if the shell knows it: holds of one day have most of their
    /// error in common.
    pub day: Option<String>,
    /// Slopes at `p_ref_pa` as a mixture over the laws, without the uncertainty of gain and gas model, Pa/s.
    pub(super) slopes: Vec<Normal>,
    /// Leak rate over slope, m3; `None` without a volume.
    pub(super) factor_m3: Option<f64>,
    /// Temperature of the gas, K.
    pub(super) gas_k: f64,
    /// Relative standard uncertainties: of the volume as used, of the gas temperature, of the stretch.
    pub(super) volume_u: f64,
    pub(super) gas_u: f64,
    pub(super) stretch_u: f64,
    /// Smallest step of the readings, Pa.
    pub(super) step_pa: f64,
}

/// What a leak test returns. Refused or not known: null.
#[derive(Clone, Debug, PartialEq, Serialize, JsonSchema)]
pub struct LeakFinding {
    /// `leak`.
    pub test: &'static str,
    /// Name and version of this software.
    pub software: &'static str,
    /// Why there is no number, or null.
    pub refused: Option<Vec<Refusal>>,
    /// The 95 % interval against the limit.
    pub verdict: Option<Verdict>,
    /// Where the limit comes from.
    pub limit_source: Option<LimitSource>,
    /// Limit of the leak rate, Pa m3/s of gas at 20 C.
    pub limit_leak_rate_pa_m3_s: Option<f64>,
    /// Probability that the leak rate is at most the limit.
    pub within_probability: Option<f64>,
    /// Leak rate at `p_ref_pa` against the standard atmosphere, Pa m3/s of gas at 20 C; a tight tank gives either sign.
    pub leak_rate_pa_m3_s: Option<Estimate>,
    /// The same in other units.
    pub leak_rate_units: Option<LeakRateUnits>,
    /// Volume of tank, hose and sensor as stated, m3.
    pub volume_m3: Option<Estimate>,
    /// Pressure loss by the leak alone at `p_ref_pa`, Pa/s.
    pub slope_pa_s: Option<Estimate>,
    /// Time in which the gauge pressure falls from `p_ref_pa` to half of it, s; null when the leak is not told apart from none.
    pub half_life_s: Option<Estimate>,
    /// Then: the half-life is longer than this, s (97.5 %); null when the pressure rises, which bounds nothing.
    pub half_life_longer_than_s: Option<f64>,
    /// Gauge pressure at which the leak is stated, Pa.
    pub p_ref_pa: Option<f64>,
    /// Mean gauge pressure from 1 to 3 s after the end of pumping, Pa.
    pub p_start_pa: Option<f64>,
    /// Mean gauge pressure over the last 2 s used, Pa.
    pub p_end_pa: Option<f64>,
    /// Seconds from the end of pumping after which the settling of the gas no longer disturbs a reading by eye.
    pub settled_at_s: Option<f64>,
    /// From the end of pumping to the end of the record, s.
    pub hold_s: Option<f64>,
    /// End of pumping, seconds in the record's own time.
    pub hold_start_s: Option<f64>,
    /// Flow law.
    pub regime: Option<Regime>,
    /// Probability of the law named (`not_separable`: of the likeliest one); null for `tight`.
    pub regime_probability: Option<f64>,
    /// Gauge pressure at which the lid lifts, Pa; only when the regime is `lid`.
    pub lid_lift_pa: Option<f64>,
    /// Diameter of the round hole that would leak as much, m, for discharge coefficients of 1 (`lo`) and 0.6 (`hi`).
    pub equivalent_hole_m: Option<Range>,
    /// Holds before the one reported, in the order of time. Their errors and those of the last one have most in common
    /// (drift and heat), so a mean is worth less than the last one alone; a minute's rest is worth as much as a hold.
    pub earlier_holds: Vec<EarlierHold>,
    /// The volume by a syringe; null when none was stated.
    pub syringe: Option<SyringeVolume>,
    /// What contributes how much to the uncertainty of `leak_rate_pa_m3_s`, largest first.
    pub budget: Vec<Contribution>,
    /// What is known of the sensor's calibration.
    pub calibration: CalibrationShare,
    /// What the record was like.
    pub quality: LeakQuality,
    /// What a picture needs.
    #[serde(skip)]
    #[schemars(skip)]
    pub trace: LeakTrace,
    /// What a comparison needs.
    #[serde(skip)]
    #[schemars(skip)]
    pub evidence: LeakEvidence,
}

impl LeakFinding {
    /// A finding in which nothing is known but why.
    pub fn of_refusal(quality: Quality, refusal: Refusal) -> Self {
        Self {
            refused: Some(vec![refusal]),
            ..Self::empty(quality)
        }
    }

    pub(super) fn empty(quality: Quality) -> Self {
        Self {
            test: "leak",
            software: SOFTWARE,
            refused: None,
            verdict: None,
            limit_source: None,
            limit_leak_rate_pa_m3_s: None,
            within_probability: None,
            leak_rate_pa_m3_s: None,
            leak_rate_units: None,
            volume_m3: None,
            slope_pa_s: None,
            half_life_s: None,
            half_life_longer_than_s: None,
            p_ref_pa: None,
            p_start_pa: None,
            p_end_pa: None,
            settled_at_s: None,
            hold_s: None,
            hold_start_s: None,
            regime: None,
            regime_probability: None,
            lid_lift_pa: None,
            equivalent_hole_m: None,
            earlier_holds: Vec::new(),
            syringe: None,
            budget: Vec::new(),
            calibration: CalibrationShare::default(),
            quality: LeakQuality {
                common: quality,
                ..LeakQuality::default()
            },
            trace: LeakTrace::default(),
            evidence: LeakEvidence::default(),
        }
    }
}

/// What a picture of a leak test needs: the blocks of the hold and the fit through them.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct LeakTrace {
    /// 0.1 s means of the whole record: seconds in the record's own time and gauge pressure, Pa.
    pub record: Vec<(f64, f64)>,
    /// Middle of each 0.25 s block, seconds from the end of pumping.
    pub t_s: Vec<f64>,
    /// Mean gauge pressure of each block, Pa (reduced to the first temperature where a thermometer was used).
    pub pressure_pa: Vec<f64>,
    /// The fit at the same times, Pa.
    pub fit_pa: Vec<f64>,
    /// What the leak alone would leave, Pa: the fit at rest, without settling, drift and steps.
    pub leak_only_pa: Vec<f64>,
    /// False where a block was masked (knock, gap).
    pub used: Vec<bool>,
}

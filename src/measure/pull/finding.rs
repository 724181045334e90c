//! What a pull test returns, and what a person may set.

use schemars::JsonSchema;
use serde::Serialize;

use crate::measure::guard::Alarm;
use crate::reading::{
    CalibrationShare, Contribution, Estimate, LimitSource, Quality, Refusal, SOFTWARE, Verdict,
};

/// Smallest lift ratio of a healthy engine; common practice, no source.
pub const SUGGESTED_LIFT_RATIO: f64 = 1.0;

/// What the person, the vehicle file and the probe's identity say about a pull test.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct PullSettings {
    /// Mass of the car, kg, > 0; without it there is no lift ratio.
    pub mass_kg: Option<f64>,
    /// Order K of the converter's averaging filter: 0 point sample, 1 mean over one interval, 4 sinc4.
    pub filter_order: u32,
    /// Smallest lift ratio that counts as good; [`SUGGESTED_LIFT_RATIO`] when not given.
    pub limit_lift_ratio: Option<(f64, LimitSource)>,
    /// Force at the end of the probe's range, N, where it is known; needed to see clipping.
    pub range_n: Option<f64>,
    /// Force at which the guard calls, N, in place of its own.
    pub guard_force_n: Option<f64>,
    /// Held force squared times time at which the guard calls, N2 s, in place of its own.
    pub guard_held_n2s: Option<f64>,
    /// What is known of the force sensor's calibration.
    pub calibration: CalibrationShare,
    /// Serial number of the force probe (ASCII, noughts behind it), where it is known: tells whether two records came from
    /// one sensor.
    pub sensor: Option<[u8; 16]>,
    /// The glow plug is out: there are no strokes, only friction, and no pull need reach 8 N.
    pub plug_out: bool,
    /// The engine is warm (`true`) or cold, where it is known.
    pub warm: Option<bool>,
}

/// One passage of the piston over top dead centre.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, JsonSchema)]
pub struct Stroke {
    /// Time of the peak, s, same origin as the record.
    pub t_s: f64,
    /// Peak force of the stroke, N.
    pub peak_n: Option<Estimate>,
}

/// One pull of the starter cord.
#[derive(Clone, Debug, PartialEq, Serialize, JsonSchema)]
pub struct PullReport {
    /// Start, s, same origin as the record.
    pub start_s: f64,
    /// End, s; the hand's turning is not in the force, so it is good to 0.07 s only.
    pub end_s: f64,
    /// Highest stroke, N; null when readings are missing in the pull or the probe ran into its end.
    pub peak_n: Option<Estimate>,
    /// `peak_n` over the car's weight; null without a mass.
    pub lift_ratio: Option<Estimate>,
    /// Strokes a second; null with fewer than three strokes.
    pub cadence_hz: Option<Estimate>,
    /// Largest share of the true peak that the sampling may have missed, 0..1.
    pub under_read_max: f64,
    /// The cord ran out to its stop at the end; the spike is left out.
    pub cord_end: bool,
    /// Readings are missing in this pull.
    pub gap: bool,
    /// Strokes in the order of time.
    pub strokes: Vec<Stroke>,
}

/// What one usable pull (three strokes or more) gives to a session or a comparison.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct UsablePull {
    /// Natural logarithm of the mean of the two highest stroke peaks in newtons.
    pub ln_peak: f64,
    /// Natural logarithm of the strokes a second.
    pub ln_cadence: f64,
    /// Standard uncertainty of `ln_cadence`.
    pub u_ln_cadence: f64,
}

/// Several pulls brought to one cadence.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, JsonSchema)]
pub struct Session {
    /// Usable pulls.
    pub pulls: usize,
    /// Geometric mean of the cadence, strokes a second.
    pub cadence_hz: Estimate,
    /// Mean of the two highest strokes at that cadence, N; its `u` includes how an engine differs from day to day.
    pub peak_at_cadence_n: Estimate,
    /// d ln(peak) / d ln(cadence).
    pub slope: f64,
}

/// Quality of a pull record.
#[derive(Clone, Debug, PartialEq, Serialize, JsonSchema)]
pub struct PullQuality {
    /// What every record has.
    #[serde(flatten)]
    pub common: Quality,
    /// Readings a second; null with fewer than two.
    pub rate_hz: Option<f64>,
    /// Order of the converter's averaging filter that was assumed.
    pub filter_order: u32,
    /// Noise of a reading while the handle hangs free, N; null without a quiet stretch.
    pub noise_n: Option<f64>,
    /// Jerks below 8 N that are no pull.
    pub bumps: u64,
}

/// One pull as drawn: thinned readings.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct PullTrace {
    /// Time, s.
    pub t_s: Vec<f64>,
    /// Force, N, same length.
    pub force_n: Vec<f64>,
}

/// Finding of a pull test.
#[derive(Clone, Debug, PartialEq, Serialize, JsonSchema)]
pub struct PullFinding {
    /// `pull`.
    pub test: &'static str,
    /// Software that computed it.
    pub software: &'static str,
    /// Why there is no number; null when there is one.
    pub refused: Option<Vec<Refusal>>,
    /// `lift_ratio` against its limit, from three usable pulls on.
    pub verdict: Option<Verdict>,
    /// Smallest lift ratio that counts as good.
    pub limit_lift_ratio: f64,
    /// Where the limit comes from.
    pub limit_source: LimitSource,
    /// Mean lift ratio of the usable pulls, from three on. Its interval joins the spread of the pulls (t quantile) with
    /// what all of them share (mean of their own u, 1.96 times).
    pub lift_ratio: Option<Estimate>,
    /// Every pull that reached 8 N.
    pub pulls: Vec<PullReport>,
    /// Several pulls at one cadence; null with fewer than three usable ones.
    pub session: Option<Session>,
    /// The glow plug was out.
    pub plug_out: bool,
    /// Plug out: median over the pulls of the highest force, N; else null.
    pub plug_out_peak_n: Option<Estimate>,
    /// The engine was warm (true) or cold (false); null when nobody said.
    pub warm: Option<bool>,
    /// First call of the guard; null when it kept silent.
    pub guard: Option<Alarm>,
    /// What contributes how much to the uncertainty of `lift_ratio`, largest first.
    pub budget: Vec<Contribution>,
    /// What is known of the force sensor's calibration.
    pub calibration: CalibrationShare,
    /// What the record was like.
    pub quality: PullQuality,
    /// Mean peak of the usable pulls, from three on, N: the mean lift ratio before it is divided by the weight.
    #[serde(skip)]
    #[schemars(skip)]
    pub mean_peak_n: Option<Estimate>,
    /// Serial number of the force probe, where it is known.
    #[serde(skip)]
    #[schemars(skip)]
    pub sensor: Option<[u8; 16]>,
    /// Per usable pull, for sessions and comparisons.
    #[serde(skip)]
    #[schemars(skip)]
    pub usable: Vec<UsablePull>,
    /// Per pull, for a picture; at most the first 50.
    #[serde(skip)]
    #[schemars(skip)]
    pub trace: Vec<PullTrace>,
}

impl PullFinding {
    /// Both have pulls and rest on the same readings.
    pub(super) fn is_record_of(&self, other: &Self) -> bool {
        !self.trace.is_empty() && self.trace == other.trace && self.usable == other.usable
    }

    /// A finding without pulls.
    pub(super) fn empty(settings: &PullSettings, common: Quality) -> Self {
        let (limit_lift_ratio, limit_source) = settings
            .limit_lift_ratio
            .unwrap_or((SUGGESTED_LIFT_RATIO, LimitSource::Suggested));
        Self {
            test: "pull",
            software: SOFTWARE,
            refused: None,
            verdict: None,
            limit_lift_ratio,
            limit_source,
            lift_ratio: None,
            pulls: Vec::new(),
            session: None,
            plug_out: settings.plug_out,
            plug_out_peak_n: None,
            warm: settings.warm,
            guard: None,
            budget: Vec::new(),
            calibration: settings.calibration,
            quality: PullQuality {
                common,
                rate_hz: None,
                filter_order: settings.filter_order,
                noise_n: None,
                bumps: 0,
            },
            mean_peak_n: None,
            sensor: settings.sensor,
            usable: Vec::new(),
            trace: Vec::new(),
        }
    }
}

//! The guide of a pull session: each pull with its peak and strokes as it ends, and how many more decide.

use schemars::JsonSchema;
use serde::Serialize;

use crate::{
    measure::pull::{PullFinding, PullReport, PullSettings},
    reading::{Estimate, ForceReading, LimitSource, Verdict},
};

/// What the hands do now.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum PullPhase {
    /// The handle must hang free until the base is known; the guard cannot warn yet.
    Rest,
    /// Ready for the next pull.
    Ready,
    /// A pull is under way.
    Pulling,
    /// Enough pulls: the interval decides, or is as narrow as was asked.
    Over,
}

/// One pull as it is shown.
#[derive(Clone, Debug, PartialEq, Serialize, JsonSchema)]
pub struct SeenPull {
    /// Peak, strokes, speed.
    pub report: PullReport,
    /// Why it does not count, in a word or two (`too slow`, `too short`, `readings missing`, `too strong`); null when it
    /// counts.
    pub not_counted: Option<String>,
    /// Its readings: seconds from the pull's start and N.
    pub readings: Vec<(f64, f64)>,
}

/// Where a pull session stands.
#[derive(Clone, Debug, PartialEq, Serialize, JsonSchema)]
pub struct PullView {
    /// What the hands do now.
    pub phase: PullPhase,
    /// Force now, N above the base; null before the base is known.
    pub force_n: Option<f64>,
    /// The guard watches: the base is known.
    pub is_guarded: bool,
    /// Pulls, oldest first. The last one may still change while the phase is `pulling`: it is shown before the quiet time
    /// is over that ends a pull for good.
    pub pulls: Vec<SeenPull>,
    /// How many of them count.
    pub counted: u32,
    /// Jerks below 8 N that are no pull.
    pub bumps: u64,
    /// Mean peak of the counted pulls, N, with its interval; null below three (plug out: below two).
    pub peak_n: Option<Estimate>,
    /// Mean lift ratio; null without a mass or below three counted pulls.
    pub lift_ratio: Option<Estimate>,
    /// Weight of the car, N; null without a mass.
    pub weight_n: Option<f64>,
    /// Limit of the lift ratio and where it comes from.
    pub limit_lift_ratio: (f64, LimitSource),
    /// The verdict so far; undecided below three counted pulls.
    pub verdict: Verdict,
    /// About how many more pulls decide, at least and at most; null when decided or nobody can say.
    pub more_pulls: Option<(u32, u32)>,
    /// The recording may end by itself.
    pub is_over: bool,
    /// Why the record as a whole gives no number (the probe ran into the end of its range, the cord stayed under force), in
    /// words with what to do.
    pub refused: Option<String>,
}

/// Follows a pull session.
#[derive(Debug)]
pub struct PullGuide {
    settings: PullSettings,
    readings: Vec<ForceReading>,
}

/// The analysis of the pulls so far.
#[derive(Debug)]
pub struct PullStudy {
    settings: PullSettings,
    readings: Vec<ForceReading>,
}

/// What it found.
#[derive(Debug)]
pub struct PullStudied(PullFinding);

impl PullGuide {
    /// A guide before the first reading.
    pub fn new(settings: PullSettings) -> Self {
        Self {
            settings,
            readings: Vec::new(),
        }
    }

    pub(super) fn push(&mut self, reading: ForceReading) {
        self.readings.push(reading);
    }

    pub(super) fn view(&self) -> PullView {
        let limit = self.settings.limit_lift_ratio;
        PullView {
            phase: PullPhase::Rest,
            force_n: self.readings.last().map(|r| r.force_n),
            is_guarded: false,
            pulls: Vec::new(),
            counted: 0,
            bumps: 0,
            peak_n: None,
            lift_ratio: None,
            weight_n: None,
            limit_lift_ratio: limit.unwrap_or((1.0, LimitSource::Suggested)),
            verdict: Verdict::Undecided,
            more_pulls: None,
            is_over: false,
            refused: None,
        }
    }

    pub(super) fn study(&mut self) -> Option<PullStudy> {
        None
    }

    pub(super) fn learn(&mut self, _found: PullStudied) {}
}

impl PullStudy {
    pub(super) fn run(self) -> PullStudied {
        let mut pull = crate::measure::pull::Pull::new(self.settings);
        self.readings.into_iter().for_each(|r| pull.push(r));
        PullStudied(pull.finish(crate::reading::Quality::default()))
    }
}

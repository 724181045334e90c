//! The guide of a leak: pump to the mark, hands off, the settling levels, the hold shrinks its interval until the stop
//! rule decides.

use schemars::JsonSchema;
use serde::Serialize;

use crate::{
    measure::leak::{LeakFinding, LeakSettings},
    reading::{Estimate, LimitSource, PressureReading, Verdict},
};

/// What the hands do now.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum LeakPhase {
    /// The tank is open or just sealed: wait for the first stroke of the pump.
    Rest,
    /// The pressure rises towards the mark.
    Pump,
    /// Hands off; the gas still settles. Display only: the fit looks from 1 s of the hold on.
    Settle,
    /// Hands off; the interval draws in.
    Hold,
    /// The hold is over: let the air out.
    Over,
}

/// What was lost in one step of the settling.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, JsonSchema)]
pub struct SettleStep {
    /// End of the step, seconds of the hold.
    pub t_s: f64,
    /// Pressure lost in it, Pa.
    pub lost_pa: f64,
}

/// The estimate at one moment of the hold: one line of the funnel.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, JsonSchema)]
pub struct Moment {
    /// Seconds of the hold.
    pub t_s: f64,
    /// Leak rate, Pa m3/s: the 99 % interval until the planned end, the 95 % one at it.
    pub lo: f64,
    /// Upper end.
    pub hi: f64,
    /// Value.
    pub value: f64,
}

/// Where a leak test stands.
#[derive(Clone, Debug, PartialEq, Serialize, JsonSchema)]
pub struct LeakView {
    /// What the hands do now.
    pub phase: LeakPhase,
    /// Gauge pressure now, Pa; null before the first reading.
    pub pressure_pa: Option<f64>,
    /// Mark to pump to, Pa.
    pub mark_pa: f64,
    /// Pumping goes on, but the pressure no longer gains: the mark is out of reach (a large leak, or an open valve). Let go
    /// of the pump: what was reached is held and measured all the same.
    pub is_stalled: bool,
    /// The pressure was let off in the hold, or something gave way: pump again.
    pub is_let_off: bool,
    /// End of pumping, seconds of the record; null before it.
    pub hold_start_s: Option<f64>,
    /// Since the end of pumping, s; null before it.
    pub hold_s: Option<f64>,
    /// Planned length of the hold, s.
    pub planned_s: f64,
    /// Steps of the settling, 3 s each.
    pub settling: Vec<SettleStep>,
    /// The last two steps differ by no more than their noise.
    pub is_level: bool,
    /// About how long the settling goes on, s; null when it is level or nobody can say.
    pub settle_more_s: Option<f64>,
    /// Leak rate so far, Pa m3/s: `lo95` and `hi95` hold the 99 % interval until the planned end.
    pub leak_rate_pa_m3_s: Option<Estimate>,
    /// Probability of that interval: 0.99 until the planned end, then 0.95.
    pub level: f64,
    /// Limit, Pa m3/s, and where it comes from.
    pub limit_pa_m3_s: Option<(f64, LimitSource)>,
    /// The verdict by the stop rule; undecided until it decides.
    pub verdict: Verdict,
    /// About how much longer until the rule decides, s; null when nobody can say.
    pub more_s: Option<f64>,
    /// The funnel, earliest first.
    pub funnel: Vec<Moment>,
    /// The readings: seconds of the record and gauge pressure, Pa, thinned to at most 700 with their extremes kept.
    pub readings: Vec<(f64, f64)>,
    /// The recording may end by itself.
    pub is_over: bool,
    /// Why there is no number, in words, once a study was refused.
    pub refused: Option<String>,
}

/// Follows a leak test.
#[derive(Debug)]
pub struct LeakGuide {
    settings: LeakSettings,
    readings: Vec<PressureReading>,
}

/// A fit of the hold so far.
#[derive(Debug)]
pub struct LeakStudy {
    settings: LeakSettings,
    readings: Vec<PressureReading>,
}

/// What the fit found.
#[derive(Debug)]
pub struct LeakStudied(LeakFinding);

impl LeakGuide {
    /// A guide before the first reading.
    pub fn new(settings: LeakSettings) -> Self {
        Self {
            settings,
            readings: Vec::new(),
        }
    }

    pub(super) fn push(&mut self, reading: PressureReading) {
        self.readings.push(reading);
    }

    pub(super) fn mark(&mut self, _text: &str) {}

    pub(super) fn view(&self) -> LeakView {
        LeakView {
            phase: LeakPhase::Rest,
            pressure_pa: self.readings.last().map(|r| r.pressure_pa),
            mark_pa: 10_000.0,
            is_stalled: false,
            is_let_off: false,
            hold_start_s: None,
            hold_s: None,
            planned_s: 60.0,
            settling: Vec::new(),
            is_level: false,
            settle_more_s: None,
            leak_rate_pa_m3_s: None,
            level: 0.99,
            limit_pa_m3_s: self.settings.limit,
            verdict: Verdict::Undecided,
            more_s: None,
            funnel: Vec::new(),
            readings: Vec::new(),
            is_over: false,
            refused: None,
        }
    }

    pub(super) fn study(&mut self) -> Option<LeakStudy> {
        None
    }

    pub(super) fn learn(&mut self, _found: LeakStudied) {}
}

impl LeakStudy {
    pub(super) fn run(self) -> LeakStudied {
        let mut leak = crate::measure::leak::Leak::new(self.settings);
        self.readings.into_iter().for_each(|r| leak.push(r));
        LeakStudied(leak.finish(crate::reading::Quality::default()))
    }
}

//! One test from its first line to its finding, live or replayed.

use std::collections::BTreeMap;

use schemars::JsonSchema;
use serde::Serialize;

use super::{Calibrations, Feed, Input, Reading, Settings, Source, Test};
use crate::{
    measure::{
        leak::{Leak, LeakFinding},
        pull::{Pull, PullFinding},
        roll::{Roll, RollFinding},
    },
    reading::{Quality, Refusal, Verdict},
};

/// What a test found.
#[derive(Clone, Debug, PartialEq, Serialize, JsonSchema)]
#[serde(untagged)]
pub enum Finding {
    /// Of a leak.
    Leak(Box<LeakFinding>),
    /// Of a pull.
    Pull(Box<PullFinding>),
    /// Of a roll.
    Roll(Box<RollFinding>),
}

impl Finding {
    /// The test.
    pub fn test(&self) -> Test {
        match self {
            Self::Leak(_) => Test::Leak,
            Self::Pull(_) => Test::Pull,
            Self::Roll(_) => Test::Roll,
        }
    }

    /// The finding of a leak.
    pub fn as_leak(&self) -> Option<&LeakFinding> {
        match self {
            Self::Leak(leak) => Some(leak),
            _ => None,
        }
    }

    /// The finding of a roll.
    pub fn as_roll(&self) -> Option<&RollFinding> {
        match self {
            Self::Roll(roll) => Some(roll),
            _ => None,
        }
    }

    /// The verdict, where there is one.
    pub fn verdict(&self) -> Option<Verdict> {
        match self {
            Self::Leak(finding) => finding.verdict,
            Self::Pull(finding) => finding.verdict,
            Self::Roll(finding) => finding.verdict,
        }
    }

    /// Why there is no number.
    pub fn refused(&self) -> Option<&[Refusal]> {
        match self {
            Self::Leak(finding) => finding.refused.as_deref(),
            Self::Pull(finding) => finding.refused.as_deref(),
            Self::Roll(finding) => finding.refused.as_deref(),
        }
    }

    /// What the record was like.
    pub fn quality(&self) -> &Quality {
        match self {
            Self::Leak(finding) => &finding.quality.common,
            Self::Pull(finding) => &finding.quality.common,
            Self::Roll(finding) => &finding.quality.common,
        }
    }
}

/// First word of a mark that begins a phase of the test: `phase sealed_zero`, `phase hold`.
pub const PHASE_MARK: &str = "phase";
/// Phase in which the tank is closed at zero pressure before the pumping.
pub const SEALED_ZERO: &str = "sealed_zero";

/// Microseconds in a second.
const US: f64 = 1e-6;

/// A running test: inputs in, one finding out. The same inputs give the same finding to the byte.
#[derive(Debug)]
pub struct Session {
    feed: Feed,
    measure: Measure,
    /// Time of the last reading, s.
    now_s: f64,
    phases: Phases,
}

/// What the marks of phases say of a leak test.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Phases {
    /// Start of a sealed hold that is not over, s.
    sealed_from_s: Option<f64>,
}

impl Phases {
    /// Takes a mark that was made at `now_s`, the time of the newest reading; a sealed hold that ends with it: from when to
    /// when.
    pub(super) fn mark(&mut self, text: &str, now_s: f64) -> Option<(f64, f64)> {
        let (PHASE_MARK, phase) = text.split_once(' ')? else {
            return None;
        };
        if phase == SEALED_ZERO {
            self.sealed_from_s = Some(now_s);
            return None;
        }
        let from_s = self.sealed_from_s.take()?;
        Some((from_s, now_s))
    }
}

/// The measure of a test: readings in, one finding out. A session feeds it from lines, a plain sample file directly.
#[derive(Debug)]
pub enum Measure {
    /// Of a leak.
    Leak(Box<Leak>),
    /// Of a pull.
    Pull(Box<Pull>),
    /// Of a roll.
    Roll(Box<Roll>),
}

impl Session {
    /// A session for the probes of a capture, in its order.
    pub fn new(settings: Settings, sources: Vec<Source>) -> Self {
        let test = match &settings {
            Settings::Leak(_) => Test::Leak,
            Settings::Pull(_) => Test::Pull,
            Settings::Roll { .. } | Settings::Blind { .. } => Test::Roll,
        };
        Self {
            feed: Feed::new(test, sources, settings.heard()),
            measure: Measure::new(settings),
            now_s: 0.0,
            phases: Phases::default(),
        }
    }

    /// The same with calibrations: counts become values by their lines.
    #[must_use]
    pub fn calibrated(mut self, calibrations: &Calibrations) -> Self {
        self.feed = self.feed.calibrated(calibrations);
        self
    }

    /// Takes one input; `seen` is shown every reading that it completes, before the measure takes it.
    pub fn push(&mut self, input: &Input, seen: &mut impl FnMut(Reading)) {
        let Self {
            feed,
            measure,
            now_s,
            ..
        } = self;
        feed.push(input, &mut |reading| {
            *now_s = reading.t_us() as f64 * US;
            seen(reading);
            measure.push(reading);
        });
        if let Input::Mark(mark) = input {
            self.mark(&mark.text);
        }
    }

    /// What the record was like so far.
    pub fn quality(&self) -> Quality {
        self.feed.quality()
    }

    /// Ends the test. `kept`: faults of the capture's folder by kind; `flags`: remarks about it; none of either live.
    pub fn finish(self, kept: &BTreeMap<String, u64>, flags: &[String]) -> Finding {
        let Self {
            feed, mut measure, ..
        } = self;
        let quality = feed.finish(kept, flags, &mut |reading| measure.push(reading));
        measure.finish(quality)
    }

    /// Marks of phases tell the leak when the tank was sealed at zero pressure.
    fn mark(&mut self, text: &str) {
        if let Some((from_s, to_s)) = self.phases.mark(text, self.now_s)
            && let Measure::Leak(leak) = &mut self.measure
        {
            leak.sealed_zero(from_s, to_s);
        }
    }
}

impl Measure {
    /// A measure without readings.
    pub fn new(settings: Settings) -> Self {
        match settings {
            Settings::Leak(leak) => Self::Leak(Box::new(Leak::new(leak))),
            Settings::Pull(pull) => Self::Pull(Box::new(Pull::new(pull))),
            Settings::Roll {
                roll,
                sensor,
                more,
                watched,
            } => {
                let sensors = std::iter::once((sensor, roll)).chain(more);
                let roll = Roll::of_sensors(sensors.collect()).watching(watched);
                Self::Roll(Box::new(roll))
            }
            Settings::Blind { magnets, .. } => Self::Roll(Box::new(Roll::blind(magnets))),
        }
    }

    /// Takes one reading, in the order of time.
    ///
    /// # Panics
    /// When the reading is of another test.
    pub fn push(&mut self, reading: Reading) {
        match (self, reading) {
            (Self::Leak(leak), Reading::Pressure(reading)) => leak.push(reading),
            (Self::Pull(pull), Reading::Force(reading)) => pull.push(reading),
            (Self::Roll(roll), Reading::Edge(edge)) => roll.push(edge),
            _ => unreachable!("the feed was made for this test"),
        }
    }

    /// The record is over. `quality`: what was counted on the way here.
    pub fn finish(self, quality: Quality) -> Finding {
        match self {
            Self::Leak(leak) => Finding::Leak(Box::new(leak.finish(quality))),
            Self::Pull(pull) => Finding::Pull(Box::new(pull.finish(quality))),
            Self::Roll(roll) => Finding::Roll(Box::new(roll.finish(quality))),
        }
    }
}

//! What a person is shown while a test runs: where the test stands, what the readings say so far, what decides it.
//!
//! A guide sees the readings of a running test beside the recorder's session. It is display: what is found in the end
//! is found from the record. Pure: the same readings and the same moments give the same views. What takes longer than
//! a frame (a fit, the search for a snag) is a [`Study`]: handed out, run elsewhere, and learned from afterwards.

mod forecast;
mod leak;
mod pull;
mod roll;
mod thin;

pub use leak::{LeakGuide, LeakPhase, LeakView, Moment, SettleStep};
pub use pull::{PullGuide, PullPhase, PullView, SeenPull};
pub use roll::{RollGuide, RollPhase, RollView};

use schemars::JsonSchema;
use serde::Serialize;

use super::{Reading, Settings, Test};
use crate::measure::roll::RollFinding;

/// Follows one running test.
#[derive(Debug)]
pub enum Guide {
    /// Of a leak.
    Leak(Box<LeakGuide>),
    /// Of a pull.
    Pull(Box<PullGuide>),
    /// Of a roll.
    Roll(Box<RollGuide>),
}

/// Where a running test stands.
#[derive(Clone, Debug, PartialEq, Serialize, JsonSchema)]
#[serde(tag = "test", rename_all = "snake_case")]
pub enum View {
    /// Of a leak.
    Leak(Box<LeakView>),
    /// Of a pull.
    Pull(Box<PullView>),
    /// Of a roll.
    Roll(Box<RollView>),
}

/// A calculation that takes longer than a frame may: run it on another thread, then [`Guide::learn`].
#[derive(Debug)]
pub enum Study {
    /// Of a leak.
    Leak(Box<leak::LeakStudy>),
    /// Of a pull.
    Pull(Box<pull::PullStudy>),
    /// Of a roll.
    Roll(Box<roll::RollStudy>),
}

/// What a study found.
#[derive(Debug)]
pub enum Studied {
    /// Of a leak.
    Leak(Box<leak::LeakStudied>),
    /// Of a pull.
    Pull(Box<pull::PullStudied>),
    /// Of a roll.
    Roll(Box<roll::RollStudied>),
}

impl Guide {
    /// A guide for a test with the settings of its session.
    pub fn new(settings: &Settings) -> Self {
        match settings {
            Settings::Leak(leak) => Self::Leak(Box::new(LeakGuide::new(*leak))),
            Settings::Pull(pull) => Self::Pull(Box::new(PullGuide::new(*pull))),
            Settings::Roll { .. } | Settings::Blind { .. } => {
                Self::Roll(Box::new(RollGuide::new(settings.clone())))
            }
        }
    }

    /// The test.
    pub fn test(&self) -> Test {
        match self {
            Self::Leak(_) => Test::Leak,
            Self::Pull(_) => Test::Pull,
            Self::Roll(_) => Test::Roll,
        }
    }

    /// Takes one reading, in the order of time. Cheap: it is called for every reading.
    pub fn push(&mut self, reading: Reading) {
        match (self, reading) {
            (Self::Leak(guide), Reading::Pressure(reading)) => guide.push(reading),
            (Self::Pull(guide), Reading::Force(reading)) => guide.push(reading),
            (Self::Roll(guide), Reading::Edge(edge)) => guide.push(edge),
            _ => {}
        }
    }

    /// Nothing has come from the probe for this long, us of any clock: a wheel that stands sends no edge.
    pub fn silence(&mut self, us: u64) {
        if let Self::Roll(guide) = self {
            guide.silence(us);
        }
    }

    /// The person did a step that no probe can see, such as `drained and sealed`.
    pub fn mark(&mut self, text: &str) {
        if let Self::Leak(guide) = self {
            guide.mark(text);
        }
    }

    /// Where the test stands. Cheap enough for 15 times a second.
    pub fn view(&self) -> View {
        match self {
            Self::Leak(guide) => View::Leak(Box::new(guide.view())),
            Self::Pull(guide) => View::Pull(Box::new(guide.view())),
            Self::Roll(guide) => View::Roll(Box::new(guide.view())),
        }
    }

    /// The calculation that is due by the readings so far; `None` when nothing is, or the last one is still out.
    pub fn study(&mut self) -> Option<Study> {
        match self {
            Self::Leak(guide) => guide.study().map(|s| Study::Leak(Box::new(s))),
            Self::Pull(guide) => guide.study().map(|s| Study::Pull(Box::new(s))),
            Self::Roll(guide) => guide.study().map(|s| Study::Roll(Box::new(s))),
        }
    }

    /// Takes what a study of this guide found.
    pub fn learn(&mut self, studied: Studied) {
        match (self, studied) {
            (Self::Leak(guide), Studied::Leak(found)) => guide.learn(*found),
            (Self::Pull(guide), Studied::Pull(found)) => guide.learn(*found),
            (Self::Roll(guide), Studied::Roll(found)) => guide.learn(*found),
            _ => {}
        }
    }
}

impl Study {
    /// Runs it: up to some tenths of a second for a roll.
    pub fn run(self) -> Studied {
        match self {
            Self::Leak(study) => Studied::Leak(Box::new(study.run())),
            Self::Pull(study) => Studied::Pull(Box::new(study.run())),
            Self::Roll(study) => Studied::Roll(Box::new(study.run())),
        }
    }
}

impl Studied {
    /// What a search for a snag found: the finding of a record that ends where the search did.
    pub fn as_roll(&self) -> Option<&RollFinding> {
        match self {
            Self::Roll(found) => Some(found.finding()),
            _ => None,
        }
    }
}

impl View {
    /// The test.
    pub fn test(&self) -> Test {
        match self {
            Self::Leak(_) => Test::Leak,
            Self::Pull(_) => Test::Pull,
            Self::Roll(_) => Test::Roll,
        }
    }

    /// True as soon as the test has its verdict: the recording may end by itself.
    pub fn is_over(&self) -> bool {
        match self {
            Self::Leak(view) => view.is_over,
            Self::Pull(view) => view.is_over,
            Self::Roll(view) => view.is_over,
        }
    }
}

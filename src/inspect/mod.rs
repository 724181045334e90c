//! State machines from received lines to findings. Pure: fed by a live probe or by a capture, they say the same.

mod bare;
mod calibrations;
pub mod comparison;
mod feed;
pub mod guide;
mod indication;
pub mod pairing;
mod session;
mod settings;
mod stream;

use crate::wire::ProbeKind;

pub use calibrations::{Calibrations, DRIFT_A_YEAR, Misfit, NEVER_CALIBRATED};
pub use feed::{CLIPPED, Feed, OTHER_PROBE, Source};
pub use indication::{BACKWARD, Fate, Indication, Reading};
use session::Phases;
pub use session::{Finding, Measure, PHASE_MARK, SEALED_ZERO, Session};
pub use settings::{Settings, SettingsError, Stated, leak_settings, settings};
pub use stream::{Input, Mark, Row};

/// First word of the mark that says how many lines found no room on their way to the disk.
pub const OVERRUN_MARK: &str = "host_overrun";

/// The three tests.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Test {
    /// Does the tank hold pressure?
    Leak,
    /// Does the engine have compression?
    Pull,
    /// Does the drivetrain turn freely?
    Roll,
}

impl Test {
    /// Every test.
    pub const ALL: [Self; 3] = [Self::Leak, Self::Pull, Self::Roll];

    /// Its word in files and on the command line.
    pub fn word(self) -> &'static str {
        match self {
            Self::Leak => "leak",
            Self::Pull => "pull",
            Self::Roll => "roll",
        }
    }

    /// The test that a word stands for.
    pub fn from_word(word: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|test| test.word() == word)
    }

    /// The kind of probe that it needs.
    pub fn kind(self) -> ProbeKind {
        match self {
            Self::Leak => ProbeKind::Pressure,
            Self::Pull => ProbeKind::Force,
            Self::Roll => ProbeKind::Hall,
        }
    }
}

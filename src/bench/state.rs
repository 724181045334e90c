//! What a bench shows and what it can be asked.

use std::{fmt, sync::Arc};

use schemars::JsonSchema;
use serde::Serialize;

pub use crate::probe::live::{Fault, Virtual};
use crate::{
    inspect::{Finding, guide::View},
    probe::health::HealthReport,
    vehicle::Vehicle,
    wire::Identity,
};

/// Everything that a page shows.
#[derive(Clone, Debug, Default)]
pub struct State {
    /// Counts up with every change.
    pub version: u64,
    /// The car on the bench.
    pub car: Option<Arc<Vehicle>>,
    /// Number on the car's tag.
    pub tag: Option<String>,
    /// Probes, by name.
    pub probes: Vec<ProbeState>,
    /// What happens on the bench.
    pub scene: Scene,
    /// The guard's warning until somebody touches it.
    pub alarm: Option<Alarm>,
    /// Captures in the folder, newest first.
    pub kept: Arc<Vec<Kept>>,
    /// What is wrong with the bench itself, in words with the remedy: a full disk, a listing that fails.
    pub trouble: Vec<String>,
    /// The virtual bench's switches, when there is one.
    pub virtual_bench: Option<Virtual>,
    /// What found no room on its way.
    pub dropped: Dropped,
}

/// What found no room on its way, over the daemon's life; all zero when all is well.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, JsonSchema)]
pub struct Dropped {
    /// Lines that the recorder's queue could not take.
    pub record: u64,
    /// Lines that the live view left out; they are in the record.
    pub live: u64,
}

/// What happens on the bench.
#[derive(Clone, Debug, Default)]
pub enum Scene {
    /// Nothing runs: pick a test.
    #[default]
    Start,
    /// A test was chosen: the cautions stand before it.
    Cautions {
        /// `leak`, `pull` or `roll`.
        test: &'static str,
        /// Setup of the car's file.
        setup: Option<String>,
    },
    /// A test runs and is recorded.
    Running(Arc<Running>),
    /// A test has ended.
    Ended(Arc<Ended>),
}

/// A running test.
#[derive(Clone, Debug)]
pub struct Running {
    /// Setup of the car's file.
    pub setup: Option<String>,
    /// Folder of the capture, below the bench's folder.
    pub capture: String,
    /// Since its start, s.
    pub since_s: f64,
    /// Where it stands.
    pub view: View,
    /// Names of probes that went while it runs.
    pub gone: Vec<String>,
    /// It was asked to end, or is over: the record is closed and measured.
    pub is_ending: bool,
}

/// A test that has ended.
#[derive(Clone, Debug)]
pub struct Ended {
    /// Setup of the car's file.
    pub setup: Option<String>,
    /// Folder of the capture, below the bench's folder.
    pub capture: String,
    /// How long it took from the first step that counts to the verdict, s.
    pub took_s: Option<f64>,
    /// The finding of the record; `Err` says why there is none (the disk refused, something was not stated).
    pub found: Result<Finding, String>,
    /// The last view of the running test.
    pub view: Option<View>,
}

/// A capture in the folder.
#[derive(Clone, Debug, PartialEq, Serialize, JsonSchema)]
pub struct Kept {
    /// Its folder's name.
    pub name: String,
    /// `leak`, `pull` or `roll`.
    pub test: String,
    /// Setup of the car's file.
    pub setup: Option<String>,
    /// When it began, RFC 3339.
    pub when: String,
    /// `within`, `outside`, `undecided`; null when refused, not analyzed, or cut short.
    pub verdict: Option<String>,
    /// Why there is no verdict, in words.
    pub why: Option<String>,
}

/// How a probe does.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Standing {
    /// Opened, not yet known who it is.
    Greeting,
    /// It answers.
    Here,
    /// It is gone; the bench looks for it.
    Gone,
    /// Something is at the port that is no probe of ours, or cannot be opened.
    Trouble,
}

/// A probe as the page and the API show it.
#[derive(Clone, Debug, PartialEq, Serialize, JsonSchema)]
pub struct ProbeState {
    /// Port that it is opened by.
    pub port: String,
    /// `pressure`, `force`, `hall`; null before it said so.
    pub kind: Option<String>,
    /// Its serial number; null before it said so.
    pub serial: Option<String>,
    /// How it does.
    pub standing: Standing,
    /// What is wrong and what to do; null when all is well.
    pub trouble: Option<String>,
    /// When it went, RFC 3339; null while it is here.
    pub gone_since: Option<String>,
    /// How its link does.
    pub health: Option<HealthReport>,
    /// Lines that it said it lost itself.
    pub probe_lost_lines: u64,
    /// Readings a second that it says it takes, and that arrive.
    pub rate_hz: Option<(f64, f64)>,
    /// When its calibration is due or why there is none, in words.
    pub calibration: Option<String>,
    /// Who it is.
    #[serde(skip)]
    #[schemars(skip)]
    pub identity: Option<Arc<Identity>>,
}

/// The stuck-cord warning.
#[derive(Clone, Debug, PartialEq, Serialize, JsonSchema)]
pub struct Alarm {
    /// Counts the alarms of this daemon's life.
    pub id: u64,
    /// Host time of the read that completed the line, microseconds.
    pub host_us: u64,
    /// Force on the cord, N.
    pub force_n: f64,
    /// `force` or `held`.
    pub reason: String,
}

/// What a bench can be asked.
#[derive(Clone, Debug, PartialEq)]
pub enum Order {
    /// Choose a test: its cautions are shown.
    Choose {
        /// The test.
        test: crate::inspect::Test,
        /// Setup of the car's file.
        setup: Option<String>,
    },
    /// The cautions were followed: begin to record.
    Begin,
    /// End the running test: what was recorded is measured.
    Stop,
    /// Leave the cautions or a finished test: back to the start.
    Leave,
    /// The guard's warning was seen: the person let go.
    LetGo,
    /// Something that no probe sees, kept as a mark of the capture (`phase sealed_zero`, `start`).
    Mark(String),
    /// Switch a fault of the virtual bench.
    Fault(Fault),
}

/// Why an order was not carried out.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Denied {
    /// A word for programs: `busy`, `no_test`, `no_probe`, `no_setup`, `not_stated`, `disk`, `not_virtual`, `ending`.
    pub code: &'static str,
    /// What, and what to do.
    pub message: String,
}

impl Denied {
    /// The daemon ends and takes no more orders.
    pub fn ending() -> Self {
        Self {
            code: "ending",
            message: "the bench ends; start it again: feelgauge bench".into(),
        }
    }
}

impl fmt::Display for Denied {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.message)
    }
}

impl std::error::Error for Denied {}

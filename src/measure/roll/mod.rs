//! Roll: finds an intermittent snag in a coasting drivetrain and names the part it belongs to.
//!
//! In the angle domain a coasting drivetrain obeys `dE/dx = -(A + B w) + ripple + noise`; a snag takes an
//! energy out of `E` at one angle of its part's turn, in some turns only. Units inside: angle in turns of the
//! sensed shaft, time in s, energy `E = (dx/dt)^2/2` in turns^2/s^2; *order* is events per turn of the sensed shaft.
//!

mod finding;

pub use finding::{Hit, NotSeen, RollFinding, RollQuality, RollTrace, Snag, Strip, Suspect};

use crate::reading::{Edge, LimitSource, Quality};
use crate::vehicle::Train;

/// Snags with a larger false-alarm probability than this are not reported, unless the vehicle file says otherwise.
pub const SNAG_FALSE_ALARM: f64 = 0.01;

/// What the roll measure needs to know beside the edges.
#[derive(Clone, Debug, PartialEq)]
pub struct RollSettings {
    /// The gear train, solved for the setup and seen from the sensor.
    pub train: Train,
    /// Largest false-alarm probability at which a snag is reported, 0..1 ([`SNAG_FALSE_ALARM`]).
    pub snag_false_alarm: f64,
    /// Where that limit comes from.
    pub limit_source: LimitSource,
}

/// The roll measure: push edges, then finish.
#[derive(Clone, Debug)]
pub struct Roll {
    settings: RollSettings,
    /// Times of the kept edges, us, strictly increasing.
    edges_us: Vec<u64>,
    /// Edges not later than the one before.
    dropped: u64,
}

impl Roll {
    /// A measure without edges.
    pub fn new(settings: RollSettings) -> Self {
        Self {
            settings,
            edges_us: Vec::new(),
            dropped: 0,
        }
    }

    /// Takes one edge of the sensed index, in order of time; one that is not later than the last is counted and dropped.
    pub fn push(&mut self, edge: Edge) {
        if self.edges_us.last().is_some_and(|last| edge.t_us <= *last) {
            self.dropped += 1;
        } else {
            self.edges_us.push(edge.t_us);
        }
    }

    /// Evaluates the record. `quality` is what the shell counted on the way here.
    pub fn finish(self, quality: Quality) -> RollFinding {
        let _ = (&self.edges_us, self.dropped);
        RollFinding::refuse(
            Vec::new(),
            (self.settings.snag_false_alarm, self.settings.limit_source),
            RollQuality {
                common: quality,
                edges_dropped: self.dropped,
                ..RollQuality::default()
            },
        )
    }
}

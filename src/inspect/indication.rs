//! What a probe indicated once, what became of it, and the reading that a measure takes of it.

use crate::{
    reading::{Edge, ForceReading, PressureReading},
    wire::Unit,
};

/// Kind of fault: a reading whose time is not later than the one before.
pub const BACKWARD: &str = "backward_time";

/// A reading on its way to a measure.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Reading {
    /// Of a leak test.
    Pressure(PressureReading),
    /// Of a pull test.
    Force(ForceReading),
    /// Of a roll test.
    Edge(Edge),
}

impl Reading {
    /// Its time, microseconds from the first reading of the record.
    pub fn t_us(&self) -> u64 {
        match self {
            Self::Pressure(r) => r.t_us,
            Self::Force(r) => r.t_us,
            Self::Edge(r) => r.t_us,
        }
    }

    /// The same reading with its time counted from `origin_us`.
    pub(super) fn since(self, origin_us: u64) -> Self {
        let t_us = self.t_us() - origin_us;
        match self {
            Self::Pressure(r) => Self::Pressure(PressureReading { t_us, ..r }),
            Self::Force(r) => Self::Force(ForceReading { t_us, ..r }),
            Self::Edge(r) => Self::Edge(Edge { t_us, ..r }),
        }
    }
}

/// What became of an indication.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Fate {
    /// It reached the measure as a reading.
    Counted,
    /// Temperature of the tank: the next pressure carries it.
    Thermometer,
    /// Of a channel or a probe that this test does not use.
    #[default]
    NotUsed,
    /// Its time is not later than the one before.
    Backward,
    /// In a line that was there already, or that came after a later one.
    Stale,
}

impl Fate {
    /// Its word in tables.
    pub fn word(self) -> &'static str {
        match self {
            Self::Counted => "counted",
            Self::Thermometer => "thermometer",
            Self::NotUsed => "not_used",
            Self::Backward => BACKWARD,
            Self::Stale => "stale_line",
        }
    }
}

/// What one probe indicated once, with where it comes from and what became of it.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Indication {
    /// Place of the probe in the capture.
    pub probe: usize,
    /// Channel of the probe; of a bare one 0.
    pub channel: u8,
    /// Number of its line; a bare probe has none.
    pub sequence: Option<u16>,
    /// Host time of the read that completed its line, microseconds.
    pub host_us: u64,
    /// Its time on the probe's clock, unwrapped, microseconds; a bare probe has none.
    pub probe_us: Option<u64>,
    /// Raw counts; an edge and a bare probe have none.
    pub count: Option<i32>,
    /// The number that a bare probe printed.
    pub printed: Option<f64>,
    /// Unit of `value`; none where the probe has not said who it is.
    pub unit: Option<Unit>,
    /// The calibrated value; an edge has none.
    pub value: Option<f64>,
    /// What became of it.
    pub fate: Fate,
    /// The reading that the measure takes; none unless it counted.
    pub reading: Option<Reading>,
}

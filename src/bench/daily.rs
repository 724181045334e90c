//! What depends on the wall clock: the day of the calibrations, and whether somebody set the clock.

use crate::{
    clock::{Clock, SET_US},
    inspect::Calibrations,
};

/// The wall clock as it was last seen.
#[derive(Debug)]
pub(super) struct Daily {
    calibrations: Calibrations,
    day: jiff::civil::Date,
    /// Wall time less host time, microseconds.
    offset_us: i64,
}

impl Daily {
    pub fn new(clock: &Clock, stated: &Calibrations) -> Self {
        let day = clock.day();
        Self {
            calibrations: stated.clone().on(day),
            day,
            offset_us: clock.offset_us(),
        }
    }

    /// Calibrations as they stand today.
    pub fn calibrations(&self) -> &Calibrations {
        &self.calibrations
    }

    /// Looks at the clock; what to tell when it was set.
    pub fn look(&mut self, clock: &Clock, stated: &Calibrations) -> Option<String> {
        if clock.day() != self.day {
            self.day = clock.day();
            self.calibrations = stated.clone().on(self.day);
        }
        let offset_us = clock.offset_us();
        let by_us = offset_us - std::mem::replace(&mut self.offset_us, offset_us);
        if by_us.abs() < SET_US {
            return None;
        }
        let way = if by_us < 0 { "back" } else { "forward" };
        Some(format!(
            "The machine's clock was set {way} by {} s. Records go on unharmed: they count from a clock of their own. Only \
             the names of captures follow the machine's clock.",
            by_us.abs() / 1_000_000
        ))
    }
}

//! Lines of a bare probe: no clock of its own, so its readings get their times from the host's reads.

use super::Row;
use crate::wire::{FaultKind, LinkHealth, Part, bare::Bare};

/// Most that the spacing of the readings grows from one read to the next: a pause is no reading.
const SPACING_GROWTH: u64 = 2;

/// Follows one bare probe's lines.
#[derive(Clone, Debug, Default)]
pub(super) struct BareLink {
    health: LinkHealth,
    in_over_long: bool,
    /// Readings of the read at `read_us`, not timed yet.
    waiting: Vec<f64>,
    read_us: u64,
    /// Time of the read before.
    before_us: Option<u64>,
    /// Spacing of the readings of the read before, microseconds.
    spacing_us: Option<u64>,
}

impl BareLink {
    /// Counters so far.
    pub fn health(&self) -> &LinkHealth {
        &self.health
    }

    /// Host time of the read whose readings are handed out next, microseconds.
    pub fn read_us(&self) -> u64 {
        self.read_us
    }

    /// Takes a row; gives the readings of the read before it, timed, when the row is of a later read.
    pub fn take(&mut self, how: &Bare, row: &Row) -> Vec<(u64, f64)> {
        let before = if row.host_us == self.read_us {
            Vec::new()
        } else {
            self.release()
        };
        self.read_us = row.host_us;
        let goes_on = std::mem::replace(&mut self.in_over_long, row.part == Part::OverLong);
        let fault = match row.part {
            Part::Whole => match how.reading(&row.bytes) {
                Some(value) => {
                    self.waiting.push(value);
                    None
                }
                None => Some(FaultKind::Malformed),
            },
            Part::Torn => Some(FaultKind::Torn),
            Part::OverLong | Part::OverLongEnd if goes_on => return before,
            Part::OverLong | Part::OverLongEnd => Some(FaultKind::OverLong),
        };
        self.health.lines += 1;
        if let Some(kind) = fault {
            self.health.count(kind, 1);
        }
        before
    }

    /// The readings of the last read, each with its time in microseconds. Several that came in one read are spread
    /// evenly over the time since the read before, because that is how a board prints them; the last has the time of
    /// the read.
    pub fn release(&mut self) -> Vec<(u64, f64)> {
        let values = std::mem::take(&mut self.waiting);
        if values.is_empty() {
            return Vec::new();
        }
        let n = values.len() as u64;
        let read_us = self.read_us;
        let since = |before: u64| (read_us - before.min(read_us)) / n;
        let even = self.before_us.map_or(1, since);
        let most = self
            .spacing_us
            .map_or(u64::MAX, |us| us.saturating_mul(SPACING_GROWTH));
        let spacing = even.min(most).max(1);
        self.spacing_us = self.before_us.map(|_| spacing);
        self.before_us = Some(read_us);
        let backward = (0..n).rev();
        values
            .into_iter()
            .zip(backward)
            .map(|(value, back)| (read_us.saturating_sub(back * spacing), value))
            .collect()
    }
}

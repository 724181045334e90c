//! Readings that come while the board runs, cut into lines. The same readings give the same lines however they come.

use super::super::board::{Due, EDGE_BATCH, EDGE_WAIT_US, HEARTBEAT_US, HELLO_US, count};
use crate::wire::{Channel, Unit};

/// Where lines end, and what is between two of them.
#[derive(Debug)]
pub(super) struct Lines {
    channel: Channel,
    /// Readings of a full line.
    full: usize,
    /// Opening of the port, board's time since the bench began, microseconds.
    opened_us: u64,
    /// The board is up: readings before that are nobody's.
    up_us: u64,
    /// Readings that wait for their line: times since opening and counts.
    waiting: Vec<(u64, i32)>,
    next_beat_us: u64,
    says_hello: bool,
}

impl Lines {
    /// For a board whose port is opened now. `full`: readings of a line of samples.
    pub fn new(channel: Channel, full: usize, opened_us: u64, resets: bool) -> Self {
        Self {
            channel,
            full,
            opened_us,
            up_us: if resets { HELLO_US } else { 0 },
            waiting: Vec::new(),
            next_beat_us: HEARTBEAT_US,
            says_hello: resets,
        }
    }

    /// Lines that are ready until `to_us`, with the readings until then (board's time since the bench began).
    pub fn cut(&mut self, to_us: u64, readings: &[(u64, f64)]) -> Vec<(u64, Due)> {
        let to_us = to_us.saturating_sub(self.opened_us);
        let mut due = Vec::new();
        if self.says_hello && to_us >= HELLO_US {
            self.says_hello = false;
            due.push((HELLO_US, Due::Hello));
        }
        while self.next_beat_us <= to_us {
            due.push((self.next_beat_us, Due::Heartbeat));
            self.next_beat_us += HEARTBEAT_US;
        }
        for &(t_us, value) in readings {
            let Some(t_us) = t_us.checked_sub(self.opened_us) else {
                continue;
            };
            if t_us < self.up_us {
                continue;
            }
            self.give_up_waiting(t_us, &mut due);
            let count = if self.is_edges() {
                0
            } else {
                count(&self.channel, value)
            };
            self.waiting.push((t_us, count));
            if self.waiting.len() == self.full() {
                self.line(t_us, &mut due);
            }
        }
        self.give_up_waiting(to_us, &mut due);
        // Stable: what is ready at the same moment keeps its order.
        due.sort_by_key(|(ready_us, _)| *ready_us);
        due
    }

    /// When the next line may be ready at the earliest, board's time since the bench began; `tick_us` from `now_us` on
    /// where nobody can say.
    pub fn next_us(&self, now_us: u64, tick_us: u64) -> u64 {
        let tick = now_us + tick_us;
        match self.waiting.as_slice() {
            [(first_us, _), (second_us, _), ..] if !self.is_edges() => {
                let line_us = (second_us - first_us) * (self.full as u64 - 1);
                (self.opened_us + first_us + line_us).clamp(now_us + 1, tick)
            }
            _ => tick,
        }
    }

    fn is_edges(&self) -> bool {
        self.channel.unit == Unit::Edge
    }

    fn full(&self) -> usize {
        if self.is_edges() {
            EDGE_BATCH
        } else {
            self.full
        }
    }

    /// Edges do not wait for their line to fill for ever.
    fn give_up_waiting(&mut self, now_us: u64, due: &mut Vec<(u64, Due)>) {
        if let Some((first_us, _)) = self.waiting.first()
            && self.is_edges()
            && now_us > first_us + EDGE_WAIT_US
        {
            self.line(first_us + EDGE_WAIT_US, due);
        }
    }

    fn line(&mut self, ready_us: u64, due: &mut Vec<(u64, Due)>) {
        let waiting = std::mem::take(&mut self.waiting);
        let channel = self.channel.index;
        let line = if self.is_edges() {
            Due::Edges {
                channel,
                times_us: waiting.iter().map(|(t_us, _)| *t_us).collect(),
            }
        } else {
            let step = waiting.windows(2).next().map(|w| w[1].0 - w[0].0);
            Due::Samples {
                channel,
                t0_us: waiting[0].0,
                dt_us: step.and_then(|us| u32::try_from(us).ok()).unwrap_or(1),
                counts: waiting.iter().map(|(_, count)| *count).collect(),
            }
        };
        due.push((ready_us, line));
    }
}

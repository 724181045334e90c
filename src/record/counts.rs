//! Counts of one channel of a capture, as a calibration takes them: without any scale.

use super::capture::Capture;
use crate::wire::{Event, Identity, Message, Samples};

/// Counts of a capture.
#[derive(Clone, Debug, PartialEq)]
pub struct Counts {
    /// In the order received; only lines whose checksum holds.
    pub counts: Vec<f64>,
    /// How many of them lie at an end of the converter.
    pub at_end: usize,
}

impl Capture {
    /// Counts of a channel of the probe with this index, whose identity is known.
    pub fn counts(&self, probe: usize, identity: &Identity, channel: u8) -> Counts {
        let mut found = Counts {
            counts: Vec::new(),
            at_end: 0,
        };
        let channel = identity.channel(channel);
        for row in self.rows.get(probe).into_iter().flatten() {
            let Event::Line {
                outcome: Ok(line), ..
            } = Event::read(&row.bytes, row.part)
            else {
                continue;
            };
            if let (Message::Samples(samples), Some(channel)) = (line.message, channel) {
                found.take(&samples, channel);
            }
        }
        found
    }
}

impl Counts {
    /// Takes the counts of one line if they are the channel's.
    pub fn take(&mut self, samples: &Samples, channel: &crate::wire::Channel) {
        if samples.channel != channel.index {
            return;
        }
        for &count in samples.counts() {
            self.at_end += usize::from(channel.is_at_end(count));
            self.counts.push(f64::from(count));
        }
    }
}

//! How a link does: faults by kind, lines a second, how late lines arrive, how the probe's clock runs.

use std::collections::BTreeMap;

use hdrhistogram::Histogram;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::link::Arrival;
use crate::{
    timebase::{HostFit, HostMap},
    wire::{Event, Line, LinkHealth, Standing, Tracker},
};

/// Bits of a byte on the line, start and stop included.
const BITS_A_BYTE: u64 = 10;
/// Longest lateness told apart, microseconds.
const LATEST_US: u64 = 60_000_000;
/// Digits of the lateness that are kept.
const DIGITS: u8 = 2;
/// Lines between two fits of the clock.
const FIT_EVERY: u64 = 32;

/// Follows one link. Pure: the same arrivals give the same report.
#[derive(Clone, Debug)]
pub struct ProbeHealth {
    tracker: Tracker,
    map: HostMap,
    fit: Option<HostFit>,
    /// How much later than the least delayed lines each line arrived, microseconds.
    late_us: Histogram<u64>,
    /// Baud rate; `None` where bytes take no time (memory, pseudo-terminal).
    baud: Option<u32>,
    fresh: u64,
    first_us: Option<u64>,
    last_us: u64,
}

/// What a person or a program is told of a link.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct HealthReport {
    /// Lines received, broken ones included.
    pub lines: u64,
    /// Lines a second, from the first to the last; null for fewer than two.
    pub lines_per_s: Option<f64>,
    /// Faults by kind; empty when there were none.
    pub faults: BTreeMap<String, u64>,
    /// Lateness of the lines against the least delayed ones.
    pub late: Option<Lateness>,
    /// How much slower the probe's clock is than the host's, parts in a million; null before it can be told.
    pub clock_ppm: Option<f64>,
}

/// Lateness of lines, microseconds.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct Lateness {
    /// Median.
    pub p50_us: u64,
    /// 99 % of the lines are not later.
    pub p99_us: u64,
    /// The latest.
    pub max_us: u64,
}

impl ProbeHealth {
    /// Before the first line of a link at a baud rate.
    pub fn new(baud: Option<u32>) -> Self {
        Self {
            tracker: Tracker::new(),
            map: HostMap::default(),
            fit: None,
            late_us: Histogram::new_with_max(LATEST_US, DIGITS)
                .expect("1 us to a minute in two digits is a histogram"),
            baud,
            fresh: 0,
            first_us: None,
            last_us: 0,
        }
    }

    /// Takes an arrival.
    pub fn take(&mut self, arrival: &Arrival<'_>) -> Standing {
        let standing = self.tracker.take(arrival.host_us, &arrival.event);
        self.first_us.get_or_insert(arrival.host_us);
        self.last_us = arrival.host_us;
        if let Standing::Fresh { restarted, .. } = standing {
            if restarted {
                self.map.restart();
                self.fit = None;
            }
            self.time(arrival);
        }
        standing
    }

    fn time(&mut self, arrival: &Arrival<'_>) {
        let Event::Line {
            bytes,
            outcome: Ok(Line { message, .. }),
        } = &arrival.event
        else {
            return;
        };
        let Some(t_us) = message.latest_us() else {
            return;
        };
        let probe_us = self.tracker.clock().unwrap(t_us);
        let bits = (bytes.len() as u64 + 1) * BITS_A_BYTE;
        let sending_us = self
            .baud
            .map_or(0, |baud| bits * 1_000_000 / u64::from(baud));
        let sent_us = arrival.host_us.saturating_sub(sending_us);
        self.map.push(probe_us, sent_us);
        if self.fresh.is_multiple_of(FIT_EVERY) || self.fit.is_none() {
            self.fit = self.map.fit();
        }
        self.fresh += 1;
        if let Some(fit) = &self.fit {
            let due_us = fit.host_us(probe_us).max(0.0);
            self.late_us
                .saturating_record(whole(sent_us as f64 - due_us));
        }
    }

    /// Counts by kind.
    pub fn link(&self) -> &LinkHealth {
        self.tracker.health()
    }

    /// The probe's clock against the host's, once lines came.
    pub fn fit(&self) -> Option<HostFit> {
        self.map.fit()
    }

    /// The state of things.
    pub fn report(&self) -> HealthReport {
        let link = self.link();
        let span_us = self
            .last_us
            .saturating_sub(self.first_us.unwrap_or(self.last_us));
        let late = |q| self.late_us.value_at_quantile(q);
        HealthReport {
            lines: link.lines,
            lines_per_s: (span_us > 0 && link.lines > 1)
                .then(|| (link.lines - 1) as f64 * 1e6 / span_us as f64),
            faults: link
                .faults()
                .map(|(kind, n)| (kind.key().into(), n))
                .collect(),
            late: (!self.late_us.is_empty()).then(|| Lateness {
                p50_us: late(0.5),
                p99_us: late(0.99),
                max_us: self.late_us.max(),
            }),
            clock_ppm: self
                .map
                .fit()
                .map(|f| f.rate_ppm())
                .filter(|ppm| ppm.abs() > 0.0),
        }
    }
}

#[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)] // a float stops at the type's ends
fn whole(us: f64) -> u64 {
    us as u64
}

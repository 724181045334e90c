//! From rows and marks to the readings of one test: link health, unwrapped time, and which readings count.

mod bare_rows;
mod channel;
mod lines;
#[cfg(test)]
mod tests;

pub(super) use channel::unit_of;

use std::collections::{BTreeMap, BTreeSet};

use super::{BACKWARD, Calibrations, Fate, Indication, Input, Reading, Row, Test, bare::BareLink};
use crate::{
    reading::{ForceReading, PressureReading, Quality},
    wire::{Identity, Tracker, bare::Bare},
};

/// What is known of a probe when the capture begins.
#[derive(Clone, Debug, PartialEq)]
pub enum Source {
    /// A probe that speaks the wire, with its identity if it has said it.
    Wire(Option<Box<Identity>>),
    /// A bare probe.
    Bare(Bare),
}

/// Kind of fault: a reading at an end of the converter.
pub const CLIPPED: &str = "clipped";
/// Kind of fault: another board answered on the probe's port.
pub const OTHER_PROBE: &str = "other_probe";

/// Turns the inputs of a capture into the readings of its test. Bad lines are counted and never stop it.
///
/// The first probe of the test's kind feeds it: its first channel of the test's unit, or the sensed index of a hall
/// probe. Its readings' times count from the first of them. A temperature channel of a pressure probe is the tank's thermometer. Everything else is counted as ignored.
#[derive(Clone, Debug)]
pub struct Feed {
    test: Test,
    /// Sensed indices of a roll test.
    sensors: Vec<u32>,
    probes: Vec<Probe>,
    /// Time of the first reading that was passed on, on its probe's clock; the readings' times count from it.
    origin_us: Option<u64>,
    /// Time of the last reading that was passed on, of every sensor of a roll test (0 in the others).
    last_us: BTreeMap<u32, u64>,
    /// Sensors of which no edge came since lines were lost.
    after_gap: BTreeSet<u32>,
    /// Tank temperature that no pressure reading has carried yet, K.
    tank_k: Option<f64>,
    /// Lines that stand for the nominal scale of a channel.
    calibrations: Calibrations,
    quality: Quality,
}

#[derive(Clone, Debug)]
struct Probe {
    source: Source,
    tracker: Tracker,
    /// Counts of a bare probe; the tracker counts the others.
    bare: BareLink,
}

impl Feed {
    /// A feed for the probes of a capture. `sensors`: the indices whose edges count in a roll test; none in the others.
    pub fn new(test: Test, sources: Vec<Source>, sensors: Vec<u32>) -> Self {
        let unprotected = sources.iter().any(|s| matches!(s, Source::Bare(_)));
        let probes = sources.into_iter().map(|source| Probe {
            source,
            tracker: Tracker::new(),
            bare: BareLink::default(),
        });
        let mut feed = Self {
            test,
            sensors,
            probes: probes.collect(),
            origin_us: None,
            last_us: BTreeMap::new(),
            after_gap: BTreeSet::new(),
            tank_k: None,
            calibrations: Calibrations::default(),
            quality: Quality::default(),
        };
        if unprotected {
            feed.quality.unprotected = true;
            feed.quality.flag("host_time");
        }
        feed
    }

    /// The same with calibrations: a line stands for the nominal scale of its channel.
    #[must_use]
    pub fn calibrated(mut self, calibrations: &Calibrations) -> Self {
        self.calibrations = calibrations.clone();
        self
    }

    /// Takes one input and hands the readings that it completes to `out`.
    ///
    /// # Panics
    /// When the row names a probe that the feed was not made for.
    pub fn push(&mut self, input: &Input, out: &mut impl FnMut(Reading)) {
        self.follow(input, &mut |seen| {
            if let Some(reading) = seen.reading {
                out(reading);
            }
        });
    }

    /// The same, and hands out everything that the probes indicated, counted or not.
    ///
    /// # Panics
    /// When the row names a probe that the feed was not made for.
    pub fn follow(&mut self, input: &Input, out: &mut impl FnMut(Indication)) {
        match input {
            Input::Row(probe, row) => self.row(*probe, row, out),
            Input::Mark(mark) => self.mark(&mark.text),
        }
    }

    /// Faults and gaps so far.
    pub fn quality(&self) -> Quality {
        let mut quality = self.quality.clone();
        for probe in &self.probes {
            for health in [probe.tracker.health(), probe.bare.health()] {
                quality.lines += health.lines;
                for (kind, n) in health.faults() {
                    *quality.faults.entry(kind.key().into()).or_default() += n;
                }
            }
        }
        quality
    }

    /// Ends the stream: hands out what still waits and says what the record was like. `kept`: faults of the folder
    /// itself by kind; `flags`: remarks about it.
    pub fn finish(
        self,
        kept: &BTreeMap<String, u64>,
        flags: &[String],
        out: &mut impl FnMut(Reading),
    ) -> Quality {
        self.finish_following(kept, flags, &mut |seen| {
            if let Some(reading) = seen.reading {
                out(reading);
            }
        })
    }

    /// The same, for who called [`Feed::follow`].
    pub fn finish_following(
        mut self,
        kept: &BTreeMap<String, u64>,
        flags: &[String],
        out: &mut impl FnMut(Indication),
    ) -> Quality {
        for probe in 0..self.probes.len() {
            let bare = &mut self.probes[probe].bare;
            let (read_us, timed) = (bare.read_us(), bare.release());
            self.bare_readings(probe, read_us, timed, out);
        }
        let mut quality = self.quality();
        for (kind, n) in kept {
            *quality.faults.entry(kind.clone()).or_default() += n;
        }
        for word in flags {
            quality.flag(word);
        }
        quality
    }

    /// The probe whose readings count: the first of the test's kind.
    fn feeder(&self) -> Option<usize> {
        self.probes.iter().position(|probe| match &probe.source {
            Source::Wire(identity) => identity
                .as_ref()
                .is_some_and(|i| i.kind == self.test.kind()),
            Source::Bare(bare) => bare.kind == self.test.kind(),
        })
    }

    /// Marks of the recorder that change what a record is worth; all others are for people.
    fn mark(&mut self, text: &str) {
        let mut words = text.split(' ');
        if words.next() == Some(super::OVERRUN_MARK) {
            let lost = words.next().and_then(|n| n.parse().ok()).unwrap_or(1);
            let feeder = self.feeder().unwrap_or(0);
            if let Some(probe) = self.probes.get_mut(feeder) {
                probe.tracker.host_overrun(lost);
            }
        }
    }

    fn row(&mut self, probe: usize, row: &Row, out: &mut impl FnMut(Indication)) {
        match self.probes[probe].source {
            Source::Wire(_) => self.line(probe, row, out),
            Source::Bare(_) => self.bare_row(probe, row, out),
        }
    }

    /// A value in Pa or N as a reading of the test.
    fn reading(&mut self, t_us: u64, value: f64) -> Reading {
        if self.test == Test::Leak {
            Reading::Pressure(PressureReading {
                t_us,
                pressure_pa: value,
                tank_k: self.tank_k.take(),
            })
        } else {
            Reading::Force(ForceReading {
                t_us,
                force_n: value,
            })
        }
    }

    /// Passes a reading on if it counts and its time goes forward.
    fn pass(
        &mut self,
        counts: bool,
        reading: Reading,
        mut seen: Indication,
        out: &mut impl FnMut(Indication),
    ) {
        if !counts {
            self.quality.ignored += 1;
            seen.fate = Fate::NotUsed;
            return out(seen);
        }
        let t_us = reading.t_us();
        let sensor = match reading {
            Reading::Edge(edge) => edge.sensor,
            _ => 0,
        };
        let last = self.last_us.get(&sensor);
        // a second sensor's first edges may be older than the first one's, which the record counts from
        let before = self.origin_us.is_some_and(|origin| t_us < origin);
        if before || last.is_some_and(|last| t_us <= *last) {
            self.quality.count(BACKWARD);
            seen.fate = Fate::Backward;
        } else {
            self.last_us.insert(sensor, t_us);
            self.quality.rows += 1;
            let origin_us = *self.origin_us.get_or_insert(t_us);
            seen.fate = Fate::Counted;
            seen.reading = Some(reading.since(origin_us));
        }
        out(seen);
    }
}

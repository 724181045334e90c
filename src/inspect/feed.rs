//! From rows and marks to the readings of one test: decoding, link health, unwrapped time, counts to values.

use std::collections::BTreeMap;

use super::{Calibrations, Input, Row, Test, bare::BareLink};
use crate::{
    calibration::CalibrationLine,
    reading::{Edge, ForceReading, PressureReading, Quality},
    units::ZERO_CELSIUS_K,
    wire::{
        Channel, Event, Identity, Message, ProbeKind, Samples, Standing, Tracker, Unit, bare::Bare,
    },
};

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
    fn since(self, origin_us: u64) -> Self {
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
/// Kind of fault: a reading whose time is not later than the one before.
pub const BACKWARD: &str = "backward_time";
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
        if matches!(self.probes[probe].source, Source::Bare(_)) {
            self.bare_row(probe, row, out);
            return;
        }
        let event = Event::read(&row.bytes, row.part);
        let standing = self.probes[probe].tracker.take(row.host_us, &event);
        let Event::Line {
            outcome: Ok(line), ..
        } = event
        else {
            return;
        };
        let about = Indication {
            probe,
            sequence: Some(line.seq),
            host_us: row.host_us,
            ..Indication::default()
        };
        let gap = match standing {
            Standing::Fresh { gap, .. } => gap,
            Standing::Stale => return self.stale(about, &line.message, out),
            Standing::Broken => return,
        };
        let feeds = self.feeder() == Some(probe);
        self.quality.gaps += u64::from(gap && feeds);
        match line.message {
            Message::Identity(identity) => self.identify(probe, identity),
            Message::Samples(samples) => self.samples(about, feeds, &samples, out),
            Message::Edges(edges) => {
                let counts = feeds && self.sensors.contains(&u32::from(edges.channel));
                for &t_us in edges.times_us() {
                    let seen = self.edge(about, edges.channel, t_us);
                    let (t_us, sensor) = (seen.probe_us.unwrap_or_default(), edges.channel.into());
                    self.pass(counts, Reading::Edge(Edge { t_us, sensor }), seen, out);
                }
            }
            _ => {}
        }
    }

    /// Hands out what a line says that is not used again.
    fn stale(&self, about: Indication, message: &Message, out: &mut impl FnMut(Indication)) {
        let about = Indication {
            fate: Fate::Stale,
            ..about
        };
        match message {
            Message::Samples(samples) => {
                let scale = self.scale(about.probe, samples.channel);
                for (t_us, count) in samples.timed() {
                    out(self.sample(about, samples.channel, &scale, t_us, count));
                }
            }
            Message::Edges(edges) => {
                for &t_us in edges.times_us() {
                    out(self.edge(about, edges.channel, t_us));
                }
            }
            _ => {}
        }
    }

    fn edge(&self, about: Indication, channel: u8, t_us: u32) -> Indication {
        Indication {
            channel,
            probe_us: Some(self.probes[about.probe].tracker.clock().unwrap(t_us)),
            unit: Some(Unit::Edge),
            ..about
        }
    }

    fn sample(
        &self,
        about: Indication,
        channel: u8,
        scale: &Scale,
        t_us: u32,
        count: i32,
    ) -> Indication {
        Indication {
            channel,
            probe_us: Some(self.probes[about.probe].tracker.clock().unwrap(t_us)),
            count: Some(count),
            unit: scale.channel.map(|channel| channel.unit),
            value: scale.value(count),
            ..about
        }
    }

    fn identify(&mut self, probe: usize, identity: Box<Identity>) {
        let Source::Wire(known) = &mut self.probes[probe].source else {
            return;
        };
        let other = known
            .as_ref()
            .is_some_and(|k| k.serial != identity.serial || k.kind != identity.kind);
        *known = Some(identity);
        if other {
            self.quality.count(OTHER_PROBE);
        }
    }

    fn samples(
        &mut self,
        about: Indication,
        feeds: bool,
        samples: &Samples,
        out: &mut impl FnMut(Indication),
    ) {
        let role = self.role(about.probe, feeds, samples.channel);
        let mut scale = self.scale(about.probe, samples.channel);
        if matches!(role, Role::Thermometer(_)) {
            scale.line = None;
        }
        for (t_us, count) in samples.timed() {
            let mut seen = self.sample(about, samples.channel, &scale, t_us, count);
            match role {
                Role::Counts(channel) => {
                    if channel.is_at_end(count) {
                        self.quality.count(CLIPPED);
                    }
                    let t_us = seen.probe_us.unwrap_or_default();
                    let value = seen.value.unwrap_or_else(|| channel.nominal(count));
                    let reading = self.reading(t_us, value);
                    self.pass(true, reading, seen, out);
                }
                Role::Thermometer(channel) => {
                    self.tank_k = Some(channel.nominal(count) + ZERO_CELSIUS_K);
                    seen.fate = Fate::Thermometer;
                    out(seen);
                }
                Role::Ignored => {
                    self.quality.ignored += 1;
                    out(seen);
                }
            }
        }
    }

    /// What the counts of a channel mean.
    fn scale(&self, probe: usize, channel: u8) -> Scale {
        let Source::Wire(Some(identity)) = &self.probes[probe].source else {
            return Scale::default();
        };
        let line = self.calibrations.of_channel(identity, channel);
        Scale {
            line: line.map(|(line, _)| line.clone()),
            channel: identity.channel(channel).copied(),
        }
    }

    /// What the samples of a channel are for.
    fn role(&self, probe: usize, feeds: bool, index: u8) -> Role {
        let Source::Wire(Some(identity)) = &self.probes[probe].source else {
            return Role::Ignored;
        };
        let (true, Some(channel)) = (feeds, identity.channel(index)) else {
            return Role::Ignored;
        };
        let unit = match self.test {
            Test::Leak => Unit::Pascal,
            Test::Pull => Unit::Newton,
            Test::Roll => Unit::Edge,
        };
        let first = |unit| identity.channels.iter().find(|c| c.unit == unit);
        if first(unit).is_some_and(|c| c.index == index) {
            Role::Counts(*channel)
        } else if self.test == Test::Leak && first(Unit::Celsius).is_some_and(|c| c.index == index)
        {
            Role::Thermometer(*channel)
        } else {
            Role::Ignored
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

    fn bare_row(&mut self, probe: usize, row: &Row, out: &mut impl FnMut(Indication)) {
        let Probe { source, bare, .. } = &mut self.probes[probe];
        let Source::Bare(how) = source else { return };
        let (read_us, timed) = (bare.read_us(), bare.take(how, row));
        self.bare_readings(probe, read_us, timed, out);
    }

    /// `read_us`: when the host read them; `timed`: when each was made, and the number that was printed.
    fn bare_readings(
        &mut self,
        probe: usize,
        read_us: u64,
        timed: Vec<(u64, f64)>,
        out: &mut impl FnMut(Indication),
    ) {
        let Source::Bare(how) = &self.probes[probe].source else {
            return;
        };
        let unit = match how.kind {
            ProbeKind::Pressure => Unit::Pascal,
            ProbeKind::Force => Unit::Newton,
            ProbeKind::Hall => Unit::Edge,
        };
        let counts = self.feeder() == Some(probe);
        let line = self.calibrations.of_readings(self.test.kind());
        let line = line.map(|(line, _)| line.clone()).filter(|_| counts);
        for (t_us, printed) in timed {
            let value = line.as_ref().map_or(printed, |line| line.value(printed));
            let seen = Indication {
                probe,
                host_us: read_us,
                printed: Some(printed),
                unit: Some(unit),
                value: Some(value),
                ..Indication::default()
            };
            let reading = self.reading(t_us, value);
            self.pass(counts, reading, seen, out);
        }
    }
}

/// What the counts of a channel mean: its calibration, else what the probe itself says.
#[derive(Clone, Debug, Default)]
struct Scale {
    line: Option<CalibrationLine>,
    channel: Option<Channel>,
}

impl Scale {
    fn value(&self, count: i32) -> Option<f64> {
        match (&self.line, &self.channel) {
            (Some(line), _) => Some(line.value(f64::from(count))),
            (None, Some(channel)) => Some(channel.nominal(count)),
            (None, None) => None,
        }
    }
}

#[derive(Clone, Copy)]
enum Role {
    Counts(Channel),
    Thermometer(Channel),
    Ignored,
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{
        inspect::Mark,
        wire::{Encoder, Part, ProbeKind},
    };

    fn identity(kind: ProbeKind, units: &[Unit]) -> Identity {
        let channel = |(index, unit)| Channel {
            index,
            unit,
            scale: 0.5,
            zero: 10.0,
            min: 0,
            max: 1000,
            rate_hz: 100.0,
            order: 1,
        };
        Identity {
            version: 1,
            kind,
            serial: "A1".into(),
            firmware: "f1".into(),
            boot: 3,
            t_us: 0,
            channels: (0..).zip(units.iter().copied()).map(channel).collect(),
        }
    }

    fn wire(kind: ProbeKind, units: &[Unit]) -> Source {
        Source::Wire(Some(Box::new(identity(kind, units))))
    }

    fn row(probe: usize, host_us: u64, bytes: &[u8]) -> Input {
        let bytes = bytes.strip_suffix(b"\n").unwrap_or(bytes).to_vec();
        Input::Row(
            probe,
            Row {
                host_us,
                bytes,
                part: Part::Whole,
            },
        )
    }

    fn samples(encoder: &mut Encoder, channel: u8, t0_us: u32, counts: &[i32]) -> Vec<u8> {
        let samples = Samples::new(channel, t0_us, 10_000, counts).unwrap();
        encoder.line(&Message::Samples(samples)).unwrap()
    }

    fn run(mut feed: Feed, inputs: &[Input]) -> (Vec<Reading>, Quality) {
        let mut readings = Vec::new();
        let mut out = |reading| readings.push(reading);
        for input in inputs {
            feed.push(input, &mut out);
        }
        let quality = feed.finish(&BTreeMap::new(), &[], &mut out);
        (readings, quality)
    }

    #[test]
    fn pressure_is_calibrated_and_carries_each_temperature_once() {
        let source = wire(ProbeKind::Pressure, &[Unit::Pascal, Unit::Celsius]);
        let feed = Feed::new(Test::Leak, vec![source], Vec::new());
        let mut encoder = Encoder::default();
        let lines = [
            samples(&mut encoder, 1, 0, &[50]),
            samples(&mut encoder, 0, 0, &[10, 12]),
            samples(&mut encoder, 0, 20_000, &[1000]),
        ];
        let inputs: Vec<Input> = lines.iter().map(|l| row(0, 30_000, l)).collect();
        let (readings, quality) = run(feed, &inputs);
        let seen: Vec<_> = readings
            .iter()
            .map(|r| match r {
                Reading::Pressure(r) => (r.t_us, r.pressure_pa, r.tank_k),
                _ => panic!("a leak has pressures"),
            })
            .collect();
        assert_eq!(
            seen,
            [
                (0, 0.0, Some(293.15)),
                (10_000, 1.0, None),
                (20_000, 495.0, None)
            ]
        );
        assert_eq!((quality.lines, quality.rows, quality.ignored), (3, 3, 0));
        assert_eq!(quality.faults, BTreeMap::from([(CLIPPED.into(), 1)]));
        assert!(!quality.unprotected);
    }

    #[test]
    fn other_probes_and_sensors_are_ignored_and_counted() {
        let sources = vec![
            wire(ProbeKind::Pressure, &[Unit::Pascal]),
            wire(ProbeKind::Hall, &[Unit::Edge, Unit::Edge]),
        ];
        let feed = Feed::new(Test::Roll, sources, vec![1]);
        let (mut a, mut b) = (Encoder::default(), Encoder::default());
        let edges = |encoder: &mut Encoder, channel, times: &[u32]| {
            let edges = crate::wire::Edges::new(channel, times).unwrap();
            encoder.line(&Message::Edges(edges)).unwrap()
        };
        let inputs = [
            row(0, 1, &samples(&mut a, 0, 0, &[1, 2, 3])),
            row(1, 2, &edges(&mut b, 0, &[5, 6])),
            row(1, 3, &edges(&mut b, 1, &[5, 9, 9])),
        ];
        let (readings, quality) = run(feed, &inputs);
        assert_eq!(readings.len(), 2);
        assert!(matches!(readings[1], Reading::Edge(Edge { sensor: 1, .. })));
        assert_eq!((quality.rows, quality.ignored), (2, 5));
        assert_eq!(quality.faults, BTreeMap::from([(BACKWARD.into(), 1)]));
    }

    /// Two sensed wheels of one probe: their edges come in batches, each in its own order.
    #[test]
    fn several_sensors_keep_their_own_order() {
        let source = wire(ProbeKind::Hall, &[Unit::Edge, Unit::Edge]);
        let feed = Feed::new(Test::Roll, vec![source], vec![0, 1]);
        let mut encoder = Encoder::default();
        let mut edges = |channel, times: &[u32]| {
            let edges = crate::wire::Edges::new(channel, times).unwrap();
            encoder.line(&Message::Edges(edges)).unwrap()
        };
        let lines = [
            edges(0, &[1000, 3000, 5000]),
            edges(1, &[900, 1500, 4500]),
            edges(0, &[7000, 7000]),
        ];
        let inputs: Vec<Input> = lines.iter().map(|l| row(0, 9, l)).collect();
        let (readings, quality) = run(feed, &inputs);
        let seen: Vec<(u64, u32)> = readings
            .iter()
            .map(|r| match r {
                Reading::Edge(e) => (e.t_us, e.sensor),
                _ => panic!("a roll has edges"),
            })
            .collect();
        assert_eq!(
            seen,
            [(0, 0), (2000, 0), (4000, 0), (500, 1), (3500, 1), (6000, 0)],
            "{quality:?}"
        );
        assert_eq!((quality.rows, quality.ignored), (6, 0));
        assert_eq!(quality.faults, BTreeMap::from([(BACKWARD.into(), 2)]));
    }

    /// A board that starts anew in mid-capture: its clock is back at nothing, the readings' time goes on by what
    /// passed on the host, and the lines that never came are counted.
    #[test]
    fn reset_keeps_time_going_forward() {
        let source = wire(ProbeKind::Force, &[Unit::Newton]);
        let feed = Feed::new(Test::Pull, vec![source], Vec::new());
        let mut inputs = Vec::new();
        let mut encoder = Encoder::default();
        for n in 0..10_u32 {
            let line = samples(&mut encoder, 0, 50_000_000 + n * 10_000, &[20]);
            inputs.push(row(0, u64::from(n) * 10_000, &line));
        }
        let mut encoder = Encoder::default();
        let hello = Identity {
            boot: 4,
            t_us: 1000,
            ..identity(ProbeKind::Force, &[Unit::Newton])
        };
        let hello = encoder.line(&Message::Identity(Box::new(hello))).unwrap();
        inputs.push(row(0, 2_000_000, &hello));
        for n in 0..10_u32 {
            let line = samples(&mut encoder, 0, 2000 + n * 10_000, &[20]);
            inputs.push(row(0, 2_010_000 + u64::from(n) * 10_000, &line));
        }
        let (readings, quality) = run(feed, &inputs);
        assert_eq!(readings.len(), 20);
        let times: Vec<u64> = readings.iter().map(Reading::t_us).collect();
        assert!(times.is_sorted_by(|a, b| a < b), "{times:?}");
        let pause = times[10] - times[9];
        assert!((1_800_000..2_100_000).contains(&pause), "{pause}");
        assert_eq!(quality.faults, BTreeMap::from([("reset".into(), 1)]));
        assert_eq!(quality.gaps, 1);
    }

    #[test]
    fn lost_and_broken_lines_are_counted_as_gaps_and_never_stop() {
        let source = wire(ProbeKind::Force, &[Unit::Newton]);
        let feed = Feed::new(Test::Pull, vec![source], Vec::new());
        let mut encoder = Encoder::default();
        let mut inputs: Vec<Input> = (0..40_u32)
            .map(|n| {
                let line = samples(&mut encoder, 0, n * 10_000, &[20]);
                row(0, u64::from(n) * 10_000, &line)
            })
            .collect();
        if let Input::Row(_, broken) = &mut inputs[20] {
            broken.bytes[5] ^= 1;
        }
        inputs.remove(10);
        inputs.push(Input::Mark(Mark {
            host_us: 400_000,
            text: "host_overrun 3".into(),
        }));
        let (readings, quality) = run(feed, &inputs);
        assert_eq!(readings.len(), 38);
        let faults = [("bad_crc", 1), ("host_overrun", 3), ("lost", 1)];
        assert_eq!(
            quality.faults,
            BTreeMap::from(faults.map(|(k, n)| (k.to_owned(), n)))
        );
        assert_eq!(quality.gaps, 2);
    }

    /// USB hands several bare lines over at once: they are spread over the time since the read before, except over
    /// a pause.
    #[test]
    fn bare_lines_of_one_read_are_spread() {
        let bare = Bare::describe("force:N:1").unwrap();
        let feed = Feed::new(Test::Pull, vec![Source::Bare(bare)], Vec::new());
        let mut inputs = Vec::new();
        for (read_us, n) in [
            (10_000, 1),
            (20_000, 2),
            (30_000, 2),
            (5_000_000, 2),
            (5_010_000, 1),
        ] {
            inputs.extend((0..n).map(|_| row(0, read_us, b"2.5\r")));
        }
        inputs.insert(3, row(0, 20_000, b"what"));
        let (readings, quality) = run(feed, &inputs);
        let times: Vec<u64> = readings.iter().map(Reading::t_us).collect();
        assert_eq!(
            times,
            [
                0, 5_000, 10_000, 15_000, 20_000, 4_980_000, 4_990_000, 5_000_000
            ]
        );
        assert_eq!((quality.lines, quality.rows), (9, 8));
        assert_eq!(quality.faults, BTreeMap::from([("malformed".into(), 1)]));
        assert!(quality.unprotected && quality.flags == ["host_time"]);
    }

    proptest::proptest! {
        /// Whatever comes on three ports, nothing panics, time goes forward and every line is counted.
        #[test]
        fn any_rows_are_taken(rows in proptest::collection::vec(
            (0_usize..3, 0_u64..40, "[ISEHP] [0-9]{1,5}( [0-9:.a-zA-Z-]{1,9}){0,6}", proptest::bool::ANY, 0_usize..4),
            0..60,
        )) {
            const PARTS: [Part; 4] = [Part::Whole, Part::OverLong, Part::OverLongEnd, Part::Torn];
            let sources = vec![
                wire(ProbeKind::Pressure, &[Unit::Pascal, Unit::Celsius]),
                Source::Wire(None),
                Source::Bare(Bare::describe("pressure:Pa:2").unwrap()),
            ];
            let mut whole = 0;
            let inputs = rows.into_iter().map(|(probe, host_us, text, good, part)| {
                let mut bytes = text.into_bytes();
                if good {
                    bytes.extend(format!("*{:04X}", crate::wire::CRC.checksum(&bytes)).into_bytes());
                }
                let part = PARTS[if good { 0 } else { part }];
                whole += u64::from(part == Part::Whole);
                Input::Row(probe, Row { host_us: host_us * 500_000, bytes, part })
            });
            let inputs: Vec<Input> = inputs.collect();
            let (readings, quality) = run(Feed::new(Test::Leak, sources, Vec::new()), &inputs);
            proptest::prop_assert!(readings.is_sorted_by(|a, b| a.t_us() < b.t_us()));
            proptest::prop_assert_eq!(readings.len() as u64, quality.rows);
            proptest::prop_assert!(quality.lines >= whole);
        }
    }
}

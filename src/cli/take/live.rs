//! What runs beside the recording: the session, the guard, and what the progress line shows.

use std::{
    collections::BTreeMap,
    sync::{Arc, Mutex, MutexGuard, PoisonError},
    time::Duration,
};

use super::{Plan, Shown};
use crate::{
    inspect::{Feed, Input, Reading, Session, Settings, Source, Test},
    measure::guard::Guard,
    reading::{ForceReading, Refusal},
    wire::{LinkHealth, Unit},
};

/// What was seen so far, written by the readers and the recorder, read by the progress line.
#[derive(Debug)]
pub(super) struct Seen {
    test: Test,
    inner: Mutex<Inner>,
}

#[derive(Debug, Default)]
struct Inner {
    readings: u64,
    last: Option<Reading>,
    /// Largest value so far, Pa or N.
    most: f64,
    /// Times of the latest edges, microseconds; at most [`EDGES`].
    edges: std::collections::VecDeque<u64>,
    /// Lines and faults of each probe.
    links: Vec<(u64, u64)>,
}

/// Edges over which the progress line takes the speed.
const EDGES: usize = 9;

impl Seen {
    pub fn new(test: Test, probes: usize) -> Self {
        let inner = Inner {
            links: vec![(0, 0); probes],
            ..Inner::default()
        };
        Self {
            test,
            inner: Mutex::new(inner),
        }
    }

    /// Numbers only: nothing is left half changed by a panic.
    fn lock(&self) -> MutexGuard<'_, Inner> {
        self.inner.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn reading(&self, reading: Reading) {
        let mut inner = self.lock();
        inner.readings += 1;
        inner.last = Some(reading);
        match reading {
            Reading::Pressure(r) => inner.most = inner.most.max(r.pressure_pa),
            Reading::Force(r) => inner.most = inner.most.max(r.force_n),
            Reading::Edge(edge) => {
                if inner.edges.len() == EDGES {
                    inner.edges.pop_front();
                }
                inner.edges.push_back(edge.t_us);
            }
        }
    }

    /// Tells how the link of probe `n` does.
    pub fn health(&self, n: usize, link: &LinkHealth) {
        let faults = link.faults().map(|(_, n)| n).sum();
        self.lock().links[n] = (link.lines, faults);
    }

    /// The progress line.
    pub fn line(&self, elapsed: Duration, of: Option<Duration>) -> String {
        let inner = self.lock();
        let time = match of {
            Some(of) => format!("{} of {} s", elapsed.as_secs(), of.as_secs()),
            None => format!("{} s, Ctrl-C ends it", elapsed.as_secs()),
        };
        let now = match inner.last {
            None => "no readings yet".into(),
            Some(Reading::Pressure(r)) => format!("{:.2} kPa", r.pressure_pa / 1e3),
            Some(Reading::Force(r)) => format!("{:.1} N, highest {:.1} N", r.force_n, inner.most),
            Some(Reading::Edge(_)) => format!("{:.1} edges/s", inner.edges_per_s()),
        };
        let faults = match inner.links.iter().map(|(_, faults)| faults).sum::<u64>() {
            0 => "no faults".into(),
            1 => "1 fault".into(),
            n => format!("{n} faults"),
        };
        format!(
            "{}: {time} | {now} | {} readings | {faults}",
            self.test.word(),
            inner.readings
        )
    }
}

impl Inner {
    fn edges_per_s(&self) -> f64 {
        match (self.edges.front(), self.edges.back()) {
            (Some(first), Some(last)) if last > first => {
                (self.edges.len() - 1) as f64 * 1e6 / (last - first) as f64
            }
            _ => 0.0,
        }
    }
}

/// The test while it is recorded: sees exactly what was kept.
pub(super) struct Live {
    test: Test,
    measure: Measure,
    seen: Arc<Seen>,
}

enum Measure {
    Session(Box<Session>),
    /// Something is missing for a finding: the readings are only shown.
    Feed(Box<Feed>, Refusal),
}

impl Live {
    pub fn new(
        settings: Result<Settings, Refusal>,
        plan: &Plan,
        sources: Vec<Source>,
        seen: Arc<Seen>,
    ) -> Self {
        let measure = match settings {
            Ok(settings) => {
                let session = Session::new(settings, sources);
                Measure::Session(Box::new(session.calibrated(&plan.stated.calibrations)))
            }
            Err(refusal) => {
                let sensors = if plan.test == Test::Roll {
                    vec![plan.stated.sensor.unwrap_or(0)]
                } else {
                    Vec::new()
                };
                let feed = Feed::new(plan.test, sources, sensors);
                Measure::Feed(
                    Box::new(feed.calibrated(&plan.stated.calibrations)),
                    refusal,
                )
            }
        };
        Self {
            test: plan.test,
            measure,
            seen,
        }
    }

    pub fn push(&mut self, input: &Input) {
        let seen = &self.seen;
        let mut show = |reading| seen.reading(reading);
        match &mut self.measure {
            Measure::Session(session) => session.push(input, &mut show),
            Measure::Feed(feed, _) => feed.push(input, &mut show),
        }
    }

    pub fn finish(self) -> Shown {
        match self.measure {
            Measure::Session(session) => Shown::Finding(session.finish(&BTreeMap::new(), &[])),
            Measure::Feed(feed, refusal) => Shown::Nothing {
                test: self.test.word().into(),
                refused: vec![refusal],
                verdict: None,
                quality: feed.finish(&BTreeMap::new(), &[], &mut |_| {}),
            },
        }
    }
}

/// Readings of a bare probe from which the time between two is taken.
const SPACING_FROM: u32 = 32;

/// The guard of a pull, run by the reader itself: the disk may be slow, the cord is not.
pub(super) struct Watchman {
    /// Readings of the probe; `None` where nothing is to be guarded.
    feed: Option<Feed>,
    guard: Option<Guard>,
    thresholds: (Option<f64>, Option<f64>),
    order: u32,
    /// First reading, and how many came, while the guard waits for the spacing.
    first_us: u64,
    readings: u32,
    calling: bool,
}

impl Watchman {
    pub fn new(plan: &Plan, sources: &[Source]) -> Self {
        let pull = match plan.settings(sources) {
            Ok(Ok(Settings::Pull(pull))) => Some(pull),
            _ => None,
        };
        let mut watchman = Self {
            feed: pull
                .as_ref()
                .map(|_| Feed::new(Test::Pull, sources.to_vec(), Vec::new()))
                .map(|feed| feed.calibrated(&plan.stated.calibrations)),
            guard: None,
            thresholds: (None, None),
            order: 0,
            first_us: 0,
            readings: 0,
            calling: false,
        };
        if let Some(pull) = pull {
            watchman.thresholds = (pull.guard_force_n, pull.guard_held_n2s);
            watchman.order = pull.filter_order;
            let rate_hz = sources.iter().find_map(force_rate_hz);
            watchman.guard = rate_hz.map(|hz| watchman.guard_for(1.0 / hz));
        }
        watchman
    }

    /// Takes an input; true when the guard begins to call.
    pub fn calls(&mut self, input: &Input) -> bool {
        let Some(mut feed) = self.feed.take() else {
            return false;
        };
        let mut begins = false;
        feed.push(input, &mut |reading| {
            if let Reading::Force(reading) = reading {
                begins |= self.reading(reading);
            }
        });
        self.feed = Some(feed);
        begins
    }

    fn reading(&mut self, reading: ForceReading) -> bool {
        if let Some(guard) = &mut self.guard {
            let calls = guard.push(reading).alarm.is_some();
            return calls && !std::mem::replace(&mut self.calling, calls);
        }
        if self.readings == 0 {
            self.first_us = reading.t_us;
        }
        self.readings += 1;
        if self.readings > SPACING_FROM {
            let span_s = (reading.t_us - self.first_us) as f64 * 1e-6;
            self.guard = Some(self.guard_for(span_s / f64::from(SPACING_FROM)));
        }
        false
    }

    fn guard_for(&self, dt_s: f64) -> Guard {
        Guard::new(self.thresholds, dt_s, self.order)
    }
}

/// Readings a second of the force channel, if the probe says so.
fn force_rate_hz(source: &Source) -> Option<f64> {
    match source {
        Source::Wire(Some(identity)) if identity.kind == Test::Pull.kind() => {
            let channel = identity.channels.iter().find(|c| c.unit == Unit::Newton);
            channel.map(|c| c.rate_hz)
        }
        _ => None,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{
        inspect::{Row, Stated},
        probe::serial::PortName,
        wire::{Encoder, Message, Part, Samples, bare::Bare, parse},
    };

    fn plan(bare: Option<Bare>) -> Plan {
        let name: PortName = "/dev/ttyUSB0".parse().unwrap();
        Plan {
            is_test: true,
            test: Test::Pull,
            ways: vec![super::super::Way { name, bare }],
            duration: None,
            out: "captures".into(),
            operator: None,
            stated: Stated::default(),
            vehicle_text: None,
            vehicle: None,
        }
    }

    /// A cord that does not move: 1.5 s of rest, then a force that rises by 300 N/s.
    fn locked(k: u32) -> i32 {
        i32::try_from(k.saturating_sub(300) * 150).unwrap()
    }

    #[test]
    fn the_guard_calls_once_while_the_cord_does_not_give_way() {
        let line = b"I 0 1 force F-1 1.0 1 0 0:N:0.01:0:-100000:100000:200:1*";
        let crc = crate::wire::CRC.checksum(&line[..line.len() - 1]);
        let line = [&line[..], format!("{crc:04X}").as_bytes()].concat();
        let Message::Identity(identity) = parse(&line).unwrap().message else {
            panic!("an identity");
        };
        let mut watchman = Watchman::new(&plan(None), &[Source::Wire(Some(identity))]);
        let mut encoder = Encoder::default();
        let mut called_at = Vec::new();
        for batch in 0..45u32 {
            let counts: Vec<i32> = (batch * 10..batch * 10 + 10).map(locked).collect();
            let samples = Samples::new(0, batch * 50_000, 5_000, &counts).unwrap();
            let mut bytes = encoder.line(&Message::Samples(samples)).unwrap();
            bytes.pop();
            let row = Row {
                host_us: u64::from(batch) * 50_000,
                bytes,
                part: Part::Whole,
            };
            if watchman.calls(&Input::Row(0, row)) {
                called_at.push(batch);
            }
        }
        assert_eq!(called_at.len(), 1, "{called_at:?}");
        // 125 N are reached 0.42 s after the rest, at the latest
        assert!((31..=38).contains(&called_at[0]), "{called_at:?}");
    }

    #[test]
    fn a_bare_probe_is_guarded_once_its_spacing_is_known() {
        let bare = Bare::describe("force:N:1").unwrap();
        let mut watchman = Watchman::new(&plan(Some(bare.clone())), &[Source::Bare(bare)]);
        let calls = (0..450u32).any(|k| {
            let row = Row {
                host_us: u64::from(k) * 5_000,
                bytes: format!("{:.2}", f64::from(locked(k)) * 0.01).into_bytes(),
                part: Part::Whole,
            };
            watchman.calls(&Input::Row(0, row))
        });
        assert!(calls);
    }

    #[test]
    fn the_progress_line_says_what_a_person_looks_for() {
        let seen = Seen::new(Test::Pull, 1);
        assert_eq!(
            seen.line(Duration::from_secs(3), None),
            "pull: 3 s, Ctrl-C ends it | no readings yet | 0 readings | no faults"
        );
        for force_n in [1.0, 42.25, 3.0] {
            seen.reading(Reading::Force(ForceReading { t_us: 0, force_n }));
        }
        let mut link = LinkHealth::default();
        link.count(crate::wire::FaultKind::Lost, 2);
        seen.health(0, &link);
        assert_eq!(
            seen.line(Duration::from_secs(4), Some(Duration::from_secs(60))),
            "pull: 4 of 60 s | 3.0 N, highest 42.2 N | 3 readings | 2 faults"
        );
        let seen = Seen::new(Test::Roll, 1);
        for k in 0..20 {
            let edge = crate::reading::Edge {
                t_us: k * 25_000,
                sensor: 0,
            };
            seen.reading(Reading::Edge(edge));
        }
        assert!(seen.line(Duration::ZERO, None).contains("40.0 edges/s"));
    }
}

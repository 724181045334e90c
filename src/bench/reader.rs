//! The reader of one port: opens it, learns who is there, and passes every line on, the guard first.

use std::{collections::VecDeque, sync::Arc, time::Duration};

use tokio::{
    sync::watch,
    time::{Interval, MissedTickBehavior, interval},
};

use super::{
    EventKind, EventLog, Ports, Standing,
    bell::{Bell, when},
    roster::{Pulse, Roster, main_channel, stated_rate_hz},
    tap::Tap,
};
use crate::{
    clock::Clock,
    inspect::{Input, Row, Settings, Source, Stated, Test, settings},
    probe::{
        follow::{MOST_HEARD, end_line, stopped},
        health::ProbeHealth,
        link::{Arrival, Gone, Identified, Link, Patience, Unidentified},
        serial::{OpenError, PortName},
        watchman::Watchman,
    },
    vehicle::Vehicle,
    wire::{Event, Identity, Message},
};

/// Time between two reports of a reader about its link.
const PULSE: Duration = Duration::from_millis(500);
/// Reports over which the rate of the readings is taken: 5 s.
const RATE_OVER: usize = 10;
/// Word of the mark that a guard called.
const GUARD_MARK: &str = "guard";

/// What the keeper, the readers and the owner share.
#[derive(Debug)]
pub(super) struct Shared {
    pub clock: Clock,
    pub roster: Roster,
    pub tap: Tap,
    pub bell: Bell,
    pub events: EventLog,
    /// What the person stated; calibrations for today.
    pub stated: Stated,
    pub car: Option<Arc<Vehicle>>,
    /// How long to wait for a probe to say who it is.
    pub patience: Patience,
    /// Bytes take the time of the baud rate.
    pub is_wire: bool,
}

impl Shared {
    /// Adds an event of now.
    pub fn event(&self, what: EventKind) {
        self.events.add(when(&self.clock), what);
    }
}

/// How the reading of a port ended.
#[derive(Debug)]
pub(super) enum Ending {
    /// The bench ends.
    Stopped,
    /// The port could not be opened.
    NotOpened(OpenError),
    /// There is no probe of ours.
    Stranger(Unidentified),
    /// Another probe here has the same name.
    Twice(String),
    /// A probe was here and is gone.
    Gone,
}

/// Opens a port and reads it until it ends or `stop` turns true.
pub(super) async fn read_port<P: Ports>(
    ports: Arc<P>,
    shared: Arc<Shared>,
    name: PortName,
    mut stop: watch::Receiver<bool>,
) -> Ending {
    let opening = {
        let name = name.clone();
        tokio::task::spawn_blocking(move || ports.open(&name))
    };
    let opened = tokio::select! {
        biased;
        () = stopped(&mut stop) => return Ending::Stopped,
        opened = opening => opened.unwrap_or_else(|e| std::panic::resume_unwind(e.into_panic())),
    };
    let port = match opened {
        Ok(port) => port,
        Err(e) => return Ending::NotOpened(e),
    };
    shared.roster.port(&name.path, Standing::Greeting, None);
    let mut link = Link::new(port, shared.clock.clone());
    let mut heard: Vec<Row> = Vec::new();
    let keep = |arrival: &Arrival<'_>| {
        if heard.len() < MOST_HEARD {
            heard.push(arrival.row());
        }
    };
    let found = tokio::select! {
        biased;
        () = stopped(&mut stop) => return Ending::Stopped,
        found = link.identify(shared.patience, keep) => found,
    };
    let found = match found {
        Ok(found) => found,
        Err(e) => return Ending::Stranger(e),
    };
    let mut reader = match Reader::begin(&shared, &name, found) {
        Ok(reader) => reader,
        Err(twice) => return Ending::Twice(twice),
    };
    for row in &heard {
        reader.take(&Arrival {
            host_us: row.host_us,
            event: Event::read(&row.bytes, row.part),
        });
    }
    drop(heard);
    reader.read(&mut link, &mut stop).await
}

/// Reads one probe that said who it is.
struct Reader<'a> {
    shared: &'a Shared,
    name: String,
    identity: Identity,
    /// Of a force probe.
    watchman: Option<Watchman>,
    /// Tests of an engine that the watchman knows of.
    engines: u64,
    health: ProbeHealth,
    lost_lines: u64,
    rate: Rate,
}

impl<'a> Reader<'a> {
    /// Takes the probe's seat. In a running test it goes on from here.
    fn begin(shared: &'a Shared, port: &PortName, found: Identified) -> Result<Self, String> {
        let Identified { identity, row } = found;
        let name = shared
            .roster
            .arrive(&port.path, identity.clone(), &row.bytes)?;
        shared.event(EventKind::ProbeHere {
            kind: identity.kind.word().into(),
            serial: identity.serial.clone(),
            port: port.path.clone(),
        });
        tracing::info!("{name} is at {}", port.path);
        shared.tap.mark_probe(row.host_us, "back", &name);
        let test = Test::ALL.into_iter().find(|t| t.kind() == identity.kind);
        let rate = Rate::new(test.and_then(|test| {
            stated_rate_hz(test, &identity)?;
            Some(main_channel(test, &identity)?.index)
        }));
        Ok(Self {
            watchman: watchman(shared, &identity),
            engines: shared.tap.engines(),
            health: ProbeHealth::new(shared.is_wire.then_some(port.baud)),
            lost_lines: 0,
            rate,
            shared,
            name,
            identity,
        })
    }

    async fn read<P: tokio::io::AsyncRead + tokio::io::AsyncWrite + Unpin>(
        mut self,
        link: &mut Link<P>,
        stop: &mut watch::Receiver<bool>,
    ) -> Ending {
        let mut pulse = pulses();
        self.pulse();
        loop {
            tokio::select! {
                biased;
                () = stopped(stop) => {
                    end_line(link, |arrival| self.take(arrival)).await;
                    self.pulse();
                    return Ending::Stopped;
                }
                _ = pulse.tick() => self.pulse(),
                arrival = link.next() => match arrival {
                    Ok(arrival) => self.take(&arrival),
                    Err(gone) => {
                        self.gone(&gone);
                        return Ending::Gone;
                    }
                },
            }
        }
    }

    /// Passes a line on: to the guard, then to the record and the guide, then to the counters.
    fn take(&mut self, arrival: &Arrival<'_>) {
        let host_us = arrival.host_us;
        let input = Input::Row(0, arrival.row());
        let rang = self.watch(host_us, &input);
        if let Input::Row(_, row) = input {
            self.shared.tap.row(&self.name, row);
        }
        if rang {
            self.shared.tap.mark(host_us, GUARD_MARK);
            tracing::warn!("{}: the guard warns: the cord does not give way", self.name);
        }
        self.health.take(arrival);
        if let Event::Line {
            outcome: Ok(line),
            bytes,
        } = &arrival.event
        {
            self.note(host_us, &line.message, bytes);
        }
    }

    /// Asks the guard; true when the bell was rung.
    fn watch(&mut self, host_us: u64, input: &Input) -> bool {
        let Some(watchman) = &mut self.watchman else {
            return false;
        };
        let engines = self.shared.tap.engines();
        if std::mem::replace(&mut self.engines, engines) != engines {
            watchman.new_engine();
        }
        let begins = watchman.calls(input);
        let bell = &self.shared.bell;
        let again = || watchman.calling().filter(|_| bell.must_ring_again(host_us));
        let Some(call) = begins.or_else(again) else {
            return false;
        };
        bell.ring(host_us, &call);
        true
    }

    fn note(&mut self, host_us: u64, message: &Message<'_>, bytes: &[u8]) {
        match message {
            Message::Heartbeat { lost_lines, .. } => self.lost_lines = u64::from(*lost_lines),
            Message::Samples(samples) => {
                self.rate
                    .add(host_us, samples.channel, samples.counts().len());
            }
            Message::Identity(identity)
                if self.is_mine(identity) && self.identity != **identity =>
            {
                self.identity = Identity::clone(identity);
                self.shared.roster.again(&self.name, identity, bytes);
            }
            _ => {}
        }
    }

    fn is_mine(&self, other: &Identity) -> bool {
        (self.identity.kind, &self.identity.serial) == (other.kind, &other.serial)
    }

    fn pulse(&mut self) {
        self.rate.pulse(self.shared.clock.host_us());
        let pulse = Pulse {
            health: Some(self.health.report()),
            lost_lines: self.lost_lines,
            rate_hz: self.rate.hz(),
        };
        self.shared.roster.pulse(&self.name, pulse);
    }

    fn gone(&mut self, gone: &Gone) {
        self.pulse();
        let shared = self.shared;
        shared
            .tap
            .mark_probe(shared.clock.host_us(), "gone", &self.name);
        let why = gone.to_string();
        tracing::info!("{}: {why}", self.name);
        shared
            .roster
            .leave(&self.name, shared.clock.wall(), why.clone());
        shared.event(EventKind::ProbeGone {
            kind: self.identity.kind.word().into(),
            serial: self.identity.serial.clone(),
            why,
        });
    }
}

fn pulses() -> Interval {
    let mut pulse = interval(PULSE);
    pulse.set_missed_tick_behavior(MissedTickBehavior::Delay);
    pulse
}

/// The guard of a force probe; the others need none.
fn watchman(shared: &Shared, identity: &Identity) -> Option<Watchman> {
    if identity.kind != Test::Pull.kind() {
        return None;
    }
    let sources = [Source::Wire(Some(Box::new(identity.clone())))];
    let stated = Stated {
        calibrations: shared.stated.calibrations.of_record(&sources),
        setup: None,
        ..shared.stated.clone()
    };
    match settings(Test::Pull, &stated, shared.car.as_deref(), &sources) {
        Ok(Settings::Pull(pull)) => Some(Watchman::new(&pull, &sources, &stated.calibrations)),
        other => {
            // Nothing that a bench was told can make a pull impossible; a cord without a guard must not pass silently.
            tracing::error!("{}: no guard: {other:?}", identity.serial);
            None
        }
    }
}

/// Readings a second over the last seconds.
#[derive(Debug)]
struct Rate {
    /// The channel that counts; `None`: its probe states no rate.
    channel: Option<u8>,
    readings: u64,
    /// Host time and readings so far, at each report.
    marks: VecDeque<(u64, u64)>,
}

impl Rate {
    fn new(channel: Option<u8>) -> Self {
        Self {
            channel,
            readings: 0,
            marks: VecDeque::new(),
        }
    }

    fn add(&mut self, host_us: u64, channel: u8, readings: usize) {
        if self.channel == Some(channel) {
            self.readings += readings as u64;
            if self.marks.is_empty() {
                // The line that starts the count is not of the time after it.
                self.marks.push_back((host_us, self.readings));
            }
        }
    }

    fn pulse(&mut self, host_us: u64) {
        if !self.marks.is_empty() {
            self.marks.push_back((host_us, self.readings));
            if self.marks.len() > RATE_OVER + 1 {
                self.marks.pop_front();
            }
        }
    }

    fn hz(&self) -> Option<f64> {
        self.channel?;
        let (first, last) = (self.marks.front()?, self.marks.back()?);
        let span_us = last.0.saturating_sub(first.0);
        (span_us > 0).then(|| (last.1 - first.1) as f64 * 1e6 / span_us as f64)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_rate_is_that_of_the_last_seconds_and_falls_when_nothing_comes() {
        let mut rate = Rate::new(Some(0));
        assert_eq!(rate.hz(), None);
        for tenth in 0..100u64 {
            rate.add(tenth * 100_000, 0, 20);
            rate.add(tenth * 100_000, 1, 20);
            if tenth % 5 == 4 {
                rate.pulse(tenth * 100_000);
            }
        }
        let hz = rate.hz().unwrap();
        assert!((hz - 200.0).abs() < 5.0, "{hz}");
        for half in 20..40u64 {
            rate.pulse(half * 500_000);
        }
        assert_eq!(rate.hz(), Some(0.0));
        assert_eq!(Rate::new(None).hz(), None);
    }
}

//! The guard of a pull in the read path: the disk may be slow, the cord is not.

use crate::{
    inspect::{Calibrations, Feed, Input, Reading, Source, Test},
    measure::{
        guard::{Alarm, Guard},
        pull::PullSettings,
    },
    reading::ForceReading,
    wire::Unit,
};

/// Readings of a bare probe from which the time between two is taken.
const SPACING_FROM: u32 = 32;

/// Turns the rows of a force probe into readings by itself and asks the guard about each.
#[derive(Clone, Debug)]
pub struct Watchman {
    feed: Feed,
    guard: Option<Guard>,
    thresholds: (Option<f64>, Option<f64>),
    order: u32,
    /// First reading, and how many came, while the guard waits for the spacing.
    first_us: u64,
    readings: u32,
    /// The latest reading with which the guard called, while it calls.
    calling: Option<Alarm>,
}

impl Watchman {
    /// A watchman for the probes of a pull, in the order of their rows.
    pub fn new(pull: &PullSettings, sources: &[Source], calibrations: &Calibrations) -> Self {
        let feed = Feed::new(Test::Pull, sources.to_vec(), Vec::new());
        let mut watchman = Self {
            feed: feed.calibrated(calibrations),
            guard: None,
            thresholds: (pull.guard_force_n, pull.guard_held_n2s),
            order: pull.filter_order,
            first_us: 0,
            readings: 0,
            calling: None,
        };
        let rate_hz = sources.iter().find_map(force_rate_hz);
        watchman.guard = rate_hz.map(|hz| watchman.guard_for(1.0 / hz));
        watchman
    }

    /// Takes an input; the alarm when the guard begins to call. Its force counts from the base.
    pub fn calls(&mut self, input: &Input) -> Option<Alarm> {
        let Self {
            feed,
            guard,
            calling,
            ..
        } = self;
        let mut begins = None;
        let mut unguarded = Vec::new();
        feed.push(input, &mut |reading| {
            let Reading::Force(reading) = reading else {
                return;
            };
            match guard {
                Some(guard) => begins = begins.or(ask(guard, reading, calling)),
                None => unguarded.push(reading),
            }
        });
        for reading in unguarded {
            begins = begins.or(self.await_spacing(reading));
        }
        begins
    }

    /// The latest reading with which the guard called; `None` while it does not call.
    pub fn calling(&self) -> Option<Alarm> {
        self.calling
    }

    /// The base is known: the guard can call.
    pub fn is_watching(&self) -> bool {
        self.guard.as_ref().is_some_and(|g| g.base().is_some())
    }

    /// Another engine may be on the bench: its pulls have nothing to do with those before.
    pub fn new_engine(&mut self) {
        if let Some(guard) = &mut self.guard {
            guard.new_engine();
        }
    }

    fn await_spacing(&mut self, reading: ForceReading) -> Option<Alarm> {
        if let Some(guard) = &mut self.guard {
            return ask(guard, reading, &mut self.calling);
        }
        if self.readings == 0 {
            self.first_us = reading.t_us;
        }
        self.readings += 1;
        if self.readings > SPACING_FROM {
            let span_s = (reading.t_us - self.first_us) as f64 * 1e-6;
            self.guard = Some(self.guard_for(span_s / f64::from(SPACING_FROM)));
        }
        None
    }

    fn guard_for(&self, dt_s: f64) -> Guard {
        Guard::new(self.thresholds, dt_s, self.order)
    }
}

/// Asks the guard; the alarm when it begins to call.
fn ask(guard: &mut Guard, reading: ForceReading, calling: &mut Option<Alarm>) -> Option<Alarm> {
    let base_n = guard.base().map_or(0.0, |base| base.level_n);
    let alarm = guard.push(reading).alarm.map(|alarm| Alarm {
        force_n: alarm.force_n - base_n,
        ..alarm
    });
    let was_calling = std::mem::replace(calling, alarm).is_some();
    alarm.filter(|_| !was_calling)
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
        inspect::{Row, Settings, Stated, settings},
        wire::{Encoder, Message, Part, Samples, bare::Bare, parse},
    };

    fn watchman(source: Source) -> Watchman {
        let sources = [source];
        let stated = Stated::default();
        let Ok(Settings::Pull(pull)) = settings(Test::Pull, &stated, None, &sources) else {
            panic!("a pull needs nothing");
        };
        Watchman::new(&pull, &sources, &Calibrations::default())
    }

    /// Force at which a rise of 300 N/s has held 700 N2 s: (300 N/s)^2 t^3 / 3 = 700 N2 s at t = 0.2858 s. The reading that
    /// calls is the next one, of up to 1.5 N more.
    const HELD_N: f64 = 85.7;

    /// A cord that does not move: 1.5 s of rest, then a force that rises by 300 N/s.
    fn locked(k: u32) -> i32 {
        i32::try_from(k.saturating_sub(300) * 150).unwrap()
    }

    fn wire() -> Watchman {
        let line = b"I 0 1 force F-1 1.0 1 0 0:N:0.01:0:-100000:100000:200:1*";
        let crc = crate::wire::CRC.checksum(&line[..line.len() - 1]);
        let line = [&line[..], format!("{crc:04X}").as_bytes()].concat();
        let Message::Identity(identity) = parse(&line).unwrap().message else {
            panic!("an identity");
        };
        watchman(Source::Wire(Some(identity)))
    }

    /// Ten readings a row, from `batch`.
    fn row(encoder: &mut Encoder, batch: u32, force: impl Fn(u32) -> i32) -> Input {
        let counts: Vec<i32> = (batch * 10..batch * 10 + 10).map(force).collect();
        let samples = Samples::new(0, batch * 50_000, 5_000, &counts).unwrap();
        let mut bytes = encoder.line(&Message::Samples(samples)).unwrap();
        bytes.pop();
        Input::Row(
            0,
            Row {
                host_us: u64::from(batch) * 50_000,
                bytes,
                part: Part::Whole,
            },
        )
    }

    #[test]
    fn the_guard_calls_once_while_the_cord_does_not_give_way() {
        let mut watchman = wire();
        let mut encoder = Encoder::default();
        assert!(!watchman.is_watching());
        let called_at: Vec<u32> = (0..45)
            .filter(|&batch| {
                watchman
                    .calls(&row(&mut encoder, batch, locked))
                    .is_some_and(|alarm| (HELD_N - 1.0..HELD_N + 2.0).contains(&alarm.force_n))
            })
            .collect();
        assert_eq!(called_at.len(), 1, "{called_at:?}");
        // 0.286 s after the rest of 1.5 s
        assert!((31..=38).contains(&called_at[0]), "{called_at:?}");
        assert!(watchman.calling().is_some() && watchman.is_watching());
        assert!(
            watchman
                .calls(&row(&mut encoder, 45, |_| 0))
                .or(watchman.calling())
                .is_none(),
            "let go"
        );
    }

    #[test]
    fn the_force_of_an_alarm_counts_from_the_base() {
        let mut watchman = wire();
        let mut encoder = Encoder::default();
        let hung = |k| locked(k) + 4_000;
        let alarm = (0..45).find_map(|batch| watchman.calls(&row(&mut encoder, batch, hung)));
        let force_n = alarm.unwrap().force_n;
        assert!((HELD_N - 1.0..HELD_N + 2.0).contains(&force_n), "{force_n}");
    }

    #[test]
    fn a_bare_probe_is_guarded_once_its_spacing_is_known() {
        let bare = Bare::describe("force:N:1").unwrap();
        let mut watchman = watchman(Source::Bare(bare));
        let calls = (0..450u32).any(|k| {
            let row = Row {
                host_us: u64::from(k) * 5_000,
                bytes: format!("{:.2}", f64::from(locked(k)) * 0.01).into_bytes(),
                part: Part::Whole,
            };
            watchman.calls(&Input::Row(0, row)).is_some()
        });
        assert!(calls);
    }
}

//! Who is plugged in: written by the keeper and the readers of the ports, read by the owner of the state. Nobody waits
//! for anybody here.

use std::{
    collections::BTreeMap,
    sync::{Arc, Mutex, MutexGuard, PoisonError},
    time::Duration,
};

use jiff::Timestamp;
use tokio::{sync::Notify, time::Instant};

use super::{ProbeState, Standing, bell::seconds};
use crate::{
    inspect::{Calibrations, Test},
    probe::health::HealthReport,
    wire::{Channel, Identity, ProbeKind, Unit},
};

/// A reader or the keeper that has not been at its loop for so long does not answer any more.
const ANSWERS: Duration = Duration::from_secs(5);

/// The roster.
#[derive(Debug, Default)]
pub(super) struct Roster {
    inner: Mutex<Inner>,
    changed: Notify,
}

#[derive(Debug, Default)]
struct Inner {
    /// Probes that said who they are, by name.
    probes: BTreeMap<String, Seat>,
    /// Ports without a probe of ours, by path.
    ports: BTreeMap<String, Port>,
    /// Why the listing of ports may be incomplete.
    listing: Option<String>,
    /// When the keeper last looked at the ports; `None` before the first time.
    looked: Option<Instant>,
}

#[derive(Debug)]
struct Seat {
    identity: Arc<Identity>,
    /// Its identity line, verbatim.
    hello: Vec<u8>,
    port: String,
    /// `Some` while it is gone.
    gone: Option<(Timestamp, String)>,
    pulse: Pulse,
    /// When its reader was last at its loop.
    beat: Instant,
}

#[derive(Debug)]
struct Port {
    standing: Standing,
    trouble: Option<String>,
}

/// What a reader tells about its probe from time to time.
#[derive(Clone, Debug, Default)]
pub(super) struct Pulse {
    pub health: Option<HealthReport>,
    /// Lines and readings that the probe itself lost, by its last heartbeat.
    pub lost_lines: u64,
    /// Readings a second that arrive; `None` where the probe states no rate.
    pub rate_hz: Option<f64>,
}

/// A probe that is here and can be recorded.
#[derive(Clone, Debug)]
pub(super) struct Here {
    pub name: String,
    pub identity: Arc<Identity>,
    pub hello: Vec<u8>,
    pub port: String,
}

/// Name of a probe in files and on the page.
pub(super) fn name_of(kind: ProbeKind, serial: &str) -> String {
    format!("{kind}-{serial}")
}

impl Roster {
    /// Nothing is left half changed by a panic while the lock is held, so a poisoned lock is still good.
    fn lock(&self) -> MutexGuard<'_, Inner> {
        self.inner.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Ends when something changed since the last time.
    pub async fn changed(&self) {
        self.changed.notified().await;
    }

    /// The keeper looked at the ports.
    pub fn looked(&self, trouble: Option<String>) {
        let mut inner = self.lock();
        let news = inner.looked.is_none() || inner.listing != trouble;
        inner.looked = Some(Instant::now());
        inner.listing = trouble;
        drop(inner);
        if news {
            self.changed.notify_one();
        }
    }

    /// Why the listing of ports may be incomplete.
    pub fn listing_trouble(&self) -> Option<String> {
        self.lock().listing.clone()
    }

    /// A port is open and its probe is asked who it is, or it is in trouble. Unless a probe of ours sits there.
    pub fn port(&self, path: &str, standing: Standing, trouble: Option<String>) {
        let mut inner = self.lock();
        let port = Port { standing, trouble };
        inner.ports.insert(path.into(), port);
        drop(inner);
        self.changed.notify_one();
    }

    /// A port is of no interest any more.
    pub fn forget_port(&self, path: &str) {
        if self.lock().ports.remove(path).is_some() {
            self.changed.notify_one();
        }
    }

    /// A probe said who it is; its name. A probe that was gone is back, at whatever port.
    ///
    /// # Errors
    /// Another one with this name is here.
    pub fn arrive(&self, path: &str, identity: Identity, hello: &[u8]) -> Result<String, String> {
        let name = name_of(identity.kind, &identity.serial);
        let mut inner = self.lock();
        if let Some(seat) = inner.probes.get(&name)
            && seat.gone.is_none()
        {
            return Err(format!(
                "a second probe says that it is {name}; the other one is at {}: give each its own serial number (make \
                 SERIAL=...)",
                seat.port
            ));
        }
        inner.ports.remove(path);
        let seat = Seat {
            identity: Arc::new(identity),
            hello: hello.into(),
            port: path.into(),
            gone: None,
            pulse: Pulse::default(),
            beat: Instant::now(),
        };
        inner.probes.insert(name.clone(), seat);
        drop(inner);
        self.changed.notify_one();
        Ok(name)
    }

    /// A probe that is here said again who it is: it was reset, or asked.
    pub fn again(&self, name: &str, identity: &Identity, hello: &[u8]) {
        if let Some(seat) = self.lock().probes.get_mut(name) {
            seat.identity = Arc::new(identity.clone());
            seat.hello = hello.into();
        }
    }

    /// How a probe's link does; its reader is at its loop. No news: whoever shows it asks from time to time.
    pub fn pulse(&self, name: &str, pulse: Pulse) {
        if let Some(seat) = self.lock().probes.get_mut(name) {
            seat.pulse = pulse;
            seat.beat = Instant::now();
        }
    }

    /// A probe is gone.
    pub fn leave(&self, name: &str, at: Timestamp, why: String) {
        if let Some(seat) = self.lock().probes.get_mut(name) {
            seat.gone = Some((at, why));
        }
        self.changed.notify_one();
    }

    /// Probes of the test's kind that are here, by name.
    pub fn here(&self, test: Test) -> Vec<Here> {
        let inner = self.lock();
        let of_kind =
            |(_, seat): &(&String, &Seat)| seat.identity.kind == test.kind() && seat.gone.is_none();
        let here = inner.probes.iter().filter(of_kind);
        here.map(|(name, seat)| Here {
            name: name.clone(),
            identity: Arc::clone(&seat.identity),
            hello: seat.hello.clone(),
            port: seat.port.clone(),
        })
        .collect()
    }

    /// Whether this probe is here now.
    pub fn is_here(&self, name: &str) -> bool {
        let inner = self.lock();
        inner.probes.get(name).is_some_and(|s| s.gone.is_none())
    }

    /// The keeper and every reader of a probe were at their loops within the last seconds.
    pub fn answers(&self) -> bool {
        let now = Instant::now();
        let fresh = |beat: Instant| now.duration_since(beat) < ANSWERS;
        let inner = self.lock();
        let mut readers = inner.probes.values().filter(|s| s.gone.is_none());
        inner.looked.is_some_and(fresh) && readers.all(|seat| fresh(seat.beat))
    }

    /// Everybody, as a page shows them: probes by name, then ports that are none.
    pub fn states(&self, calibrations: &Calibrations) -> Vec<ProbeState> {
        let inner = self.lock();
        let probes = inner.probes.values().map(|seat| seat.state(calibrations));
        let ports = inner.ports.iter().map(|(path, port)| ProbeState {
            port: path.clone(),
            kind: None,
            serial: None,
            standing: port.standing,
            trouble: port.trouble.clone(),
            gone_since: None,
            health: None,
            probe_lost_lines: 0,
            rate_hz: None,
            calibration: None,
            identity: None,
        });
        probes.chain(ports).collect()
    }
}

impl Seat {
    fn state(&self, calibrations: &Calibrations) -> ProbeState {
        let identity = &self.identity;
        let test = Test::ALL.into_iter().find(|t| t.kind() == identity.kind);
        let stated = test.and_then(|test| stated_rate_hz(test, identity));
        ProbeState {
            port: self.port.clone(),
            kind: Some(identity.kind.word().into()),
            serial: Some(identity.serial.clone()),
            standing: match self.gone {
                None => Standing::Here,
                Some(_) => Standing::Gone,
            },
            trouble: self.gone.as_ref().map(|(_, why)| {
                let (kind, serial) = (identity.kind, &identity.serial);
                format!("{why}: plug the {kind} probe {serial} in again")
            }),
            gone_since: self.gone.as_ref().map(|(at, _)| seconds(*at)),
            health: self.pulse.health.clone(),
            probe_lost_lines: self.pulse.lost_lines,
            rate_hz: stated.zip(self.pulse.rate_hz),
            calibration: calibration(identity, calibrations),
            identity: Some(Arc::clone(identity)),
        }
    }
}

/// Readings a second that the probe says it takes; `None` for edges, which come as they come.
pub(super) fn stated_rate_hz(test: Test, identity: &Identity) -> Option<f64> {
    let channel = main_channel(test, identity)?;
    Some(channel.rate_hz).filter(|hz| *hz > 0.0)
}

/// The channel that feeds the test: the first of its unit.
pub(super) fn main_channel(test: Test, identity: &Identity) -> Option<&Channel> {
    let unit = match test {
        Test::Leak => Unit::Pascal,
        Test::Pull => Unit::Newton,
        Test::Roll => Unit::Edge,
    };
    identity.channels.iter().find(|c| c.unit == unit)
}

/// How its calibration stands, in words; edges need none.
fn calibration(identity: &Identity, calibrations: &Calibrations) -> Option<String> {
    use crate::reading::CalibrationState as Stands;
    if identity.kind == ProbeKind::Hall {
        return None;
    }
    let (state, due) = calibrations.standing(identity);
    let day = |due: Option<jiff::civil::Date>| due.map_or_else(String::new, |d| d.to_string());
    Some(match state {
        Stands::Current => format!("calibrated, due {}", day(due)),
        Stands::Expired => format!("calibration was due {}; calibrate it again", day(due)),
        _ => "never calibrated: its results carry 2 % more uncertainty".into(),
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::wire::{Message, parse};

    fn identity() -> Identity {
        let line = b"I 0 1 pressure P-0007 1.0 12 2148 0:Pa:3.05176:1638.4:0:16368:200:1*CDA2";
        let Message::Identity(identity) = parse(line).unwrap().message else {
            panic!("an identity");
        };
        *identity
    }

    #[tokio::test(start_paused = true)]
    async fn a_reader_or_keeper_that_stands_still_does_not_answer() {
        let roster = Roster::default();
        assert!(!roster.answers(), "nobody looked at the ports yet");
        roster.looked(None);
        assert!(roster.answers());
        let name = roster.arrive("/dev/ttyUSB0", identity(), b"I").unwrap();
        tokio::time::advance(ANSWERS).await;
        roster.looked(None);
        assert!(!roster.answers(), "the reader hangs");
        roster.pulse(&name, Pulse::default());
        assert!(roster.answers());
        tokio::time::advance(ANSWERS).await;
        roster.pulse(&name, Pulse::default());
        assert!(!roster.answers(), "the keeper hangs");
        roster.looked(None);
        let now = "2031-05-17T14:21:40Z".parse().unwrap();
        roster.leave(&name, now, "unplugged".into());
        tokio::time::advance(ANSWERS / 2).await;
        assert!(roster.answers(), "who is gone need not answer");
        let states = roster.states(&Calibrations::default());
        assert_eq!(
            states[0].gone_since.as_deref(),
            Some("2031-05-17T14:21:40Z")
        );
        assert!(roster.arrive("/dev/ttyUSB1", identity(), b"I").is_ok());
        assert!(roster.arrive("/dev/ttyUSB2", identity(), b"I").is_err());
    }
}

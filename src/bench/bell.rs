//! The guard's bell: rung by the reader of a force probe, heard by everybody who looks.

use std::sync::atomic::{AtomicU64, Ordering};

use tokio::sync::watch;

use super::{Alarm, EventKind, EventLog};
use crate::{
    clock::Clock,
    measure::guard::{Alarm as Call, Reason},
};

/// A guard that still calls this long after somebody said that the cord was let go rings again, microseconds.
const RING_AGAIN_US: u64 = 1_000_000;

/// The bell.
#[derive(Debug)]
pub(super) struct Bell {
    alarm: watch::Sender<Option<Alarm>>,
    events: EventLog,
    clock: Clock,
    alarms: AtomicU64,
    /// Host time at which somebody last let go, microseconds.
    let_go_us: AtomicU64,
}

impl Bell {
    pub fn new(alarm: watch::Sender<Option<Alarm>>, events: EventLog, clock: Clock) -> Self {
        Self {
            alarm,
            events,
            clock,
            alarms: AtomicU64::new(0),
            let_go_us: AtomicU64::new(0),
        }
    }

    /// Rings. Never waits.
    pub fn ring(&self, host_us: u64, call: &Call) {
        let id = 1 + self.alarms.fetch_add(1, Ordering::Relaxed);
        let reason = match call.reason {
            Reason::Force => "force",
            Reason::Held => "held",
        };
        self.alarm.send_replace(Some(Alarm {
            id,
            host_us,
            force_n: call.force_n,
            reason: reason.into(),
        }));
        let stop = EventKind::Stop {
            force_n: call.force_n,
            reason: reason.into(),
        };
        self.events.add(when(&self.clock), stop);
    }

    /// A guard goes on calling, and somebody said long enough ago that the cord was let go: it is not.
    pub fn must_ring_again(&self, host_us: u64) -> bool {
        let let_go_us = self.let_go_us.load(Ordering::Relaxed);
        self.alarm.borrow().is_none() && host_us > let_go_us + RING_AGAIN_US
    }

    /// Somebody let go of the cord.
    pub fn let_go(&self) {
        self.let_go_us
            .store(self.clock.host_us(), Ordering::Relaxed);
        self.alarm.send_replace(None);
        self.events.add(when(&self.clock), EventKind::LetGo);
    }

    /// The alarm as it stands.
    pub fn alarm(&self) -> Option<Alarm> {
        self.alarm.borrow().clone()
    }

    /// Follows it.
    pub fn follow(&self) -> watch::Receiver<Option<Alarm>> {
        self.alarm.subscribe()
    }
}

/// The wall time as an event has it.
pub(super) fn when(clock: &Clock) -> String {
    seconds(clock.wall())
}

/// RFC 3339 to the second.
pub(super) fn seconds(at: jiff::Timestamp) -> String {
    at.strftime("%Y-%m-%dT%H:%M:%SZ").to_string()
}

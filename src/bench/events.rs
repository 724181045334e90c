//! What happened on the bench, by id, so that a listener that was away can catch up.

use std::{
    collections::VecDeque,
    sync::{Arc, Mutex, MutexGuard, PoisonError},
};

use schemars::JsonSchema;
use serde::Serialize;
use tokio::sync::watch;

/// Events that are kept for listeners that come back.
const KEPT: usize = 1024;

/// Something that happened.
#[derive(Clone, Debug, PartialEq, Serialize, JsonSchema)]
pub struct Event {
    /// Counts up from 1 over the daemon's life.
    pub id: u64,
    /// Wall time, RFC 3339.
    pub when: String,
    /// What happened.
    #[serde(flatten)]
    pub what: EventKind,
}

/// What happened.
#[derive(Clone, Debug, PartialEq, Serialize, JsonSchema)]
#[serde(tag = "event", rename_all = "snake_case")]
pub enum EventKind {
    /// A probe answers for the first time, or again.
    ProbeHere {
        /// Kind.
        kind: String,
        /// Serial number.
        serial: String,
        /// Port.
        port: String,
    },
    /// A probe is gone.
    ProbeGone {
        /// Kind.
        kind: String,
        /// Serial number.
        serial: String,
        /// Why, in words.
        why: String,
    },
    /// A test is being recorded.
    TestBegan {
        /// Test.
        test: String,
        /// Folder of the capture.
        capture: String,
    },
    /// A pull ended.
    Pull {
        /// Its number in the session, from 1.
        number: u64,
        /// Why it does not count; null when it counts.
        not_counted: Option<String>,
    },
    /// The verdict is there.
    Decided {
        /// Test.
        test: String,
        /// `within`, `outside`, `undecided`.
        verdict: String,
    },
    /// A test has ended and was measured.
    TestEnded {
        /// Test.
        test: String,
        /// Folder of the capture.
        capture: String,
        /// `finished`, `stopped`, or why it was cut short.
        reason: String,
    },
    /// The guard warns: let go of the cord.
    Stop {
        /// Force, N.
        force_n: f64,
        /// `force` or `held`.
        reason: String,
    },
    /// Somebody let go of the cord and said so.
    LetGo,
    /// Something is wrong with the bench.
    Trouble {
        /// What, and what to do.
        message: String,
    },
}

/// What a listener gets.
#[derive(Clone, Debug, PartialEq)]
pub struct Heard {
    /// Events older than the first of these were dropped before this listener could hear them.
    pub is_gap: bool,
    /// The events, oldest first.
    pub events: Vec<Event>,
}

/// The last events, shared.
#[derive(Clone, Debug)]
pub struct EventLog {
    inner: Arc<Mutex<Inner>>,
    /// Id of the newest.
    newest: watch::Sender<u64>,
}

#[derive(Debug, Default)]
struct Inner {
    last: u64,
    events: VecDeque<Event>,
}

impl Default for EventLog {
    fn default() -> Self {
        Self {
            inner: Arc::default(),
            newest: watch::channel(0).0,
        }
    }
}

impl EventLog {
    fn lock(&self) -> MutexGuard<'_, Inner> {
        self.inner.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Adds an event; the oldest makes room. Never waits for a listener.
    pub fn add(&self, when: String, what: EventKind) -> u64 {
        let id = {
            let mut inner = self.lock();
            inner.last += 1;
            let id = inner.last;
            if inner.events.len() == KEPT {
                inner.events.pop_front();
            }
            inner.events.push_back(Event { id, when, what });
            id
        };
        self.newest.send_replace(id);
        id
    }

    /// Events after the one with this id.
    pub fn after(&self, id: u64) -> Heard {
        let inner = self.lock();
        let first = inner.events.front().map_or(inner.last + 1, |e| e.id);
        // An id from the future is of an earlier daemon: it starts anew.
        let id = if id > inner.last { 0 } else { id };
        Heard {
            is_gap: id + 1 < first,
            events: inner.events.iter().filter(|e| e.id > id).cloned().collect(),
        }
    }

    /// Tells when there is a newer event.
    pub fn newest(&self) -> watch::Receiver<u64> {
        self.newest.subscribe()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn trouble(log: &EventLog) -> u64 {
        let message = "the disk is full".into();
        log.add(
            "2031-05-17T14:21:40Z".into(),
            EventKind::Trouble { message },
        )
    }

    #[test]
    fn a_listener_that_was_away_catches_up_or_learns_of_the_gap() {
        let log = EventLog::default();
        assert_eq!(log.after(0).events, []);
        for _ in 0..3 {
            trouble(&log);
        }
        let ids = |id| {
            log.after(id)
                .events
                .iter()
                .map(|e| e.id)
                .collect::<Vec<_>>()
        };
        assert_eq!(ids(1), [2, 3]);
        assert!(!log.after(0).is_gap);
        for _ in 0..KEPT {
            trouble(&log);
        }
        assert!(log.after(1).is_gap && !log.after(3).is_gap);
        assert_eq!(ids(0).len(), KEPT);
        assert_eq!(ids(99_999_999).len(), KEPT, "an id of another daemon");
    }
}

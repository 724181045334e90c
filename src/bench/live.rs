//! The virtual bench behind the daemon: its ports, its switches, and the hand that sees what a person would see.

use super::{Bench, Denied, EventKind, EventLog, Fault, Faults, Ports, Scene, State, Virtual};
use crate::{
    inspect::guide::View,
    probe::{
        discover::Listing,
        live::{LiveBench, LivePort, Told},
        serial::{OpenError, PortName},
    },
};

impl Ports for LiveBench {
    type Port = LivePort;

    fn list(&self) -> Listing {
        LiveBench::list(self)
    }

    fn open(&self, name: &PortName) -> Result<LivePort, OpenError> {
        LiveBench::open(self, &name.path)
    }
}

impl Faults for LiveBench {
    fn switches(&self) -> Virtual {
        LiveBench::switches(self)
    }

    fn switch(&mut self, fault: Fault) -> Result<(), Denied> {
        LiveBench::switch(self, &fault).map_err(|e| Denied {
            code: "not_virtual",
            message: e.to_string(),
        })
    }
}

/// What the hand has seen so far.
#[derive(Debug, Default)]
struct Seen {
    /// Folder of the capture that runs.
    capture: Option<String>,
    /// Last event that was heard.
    event: u64,
}

impl Seen {
    /// What a new state tells the hand.
    fn look(&mut self, state: &State) -> Vec<Told> {
        let mut told = Vec::new();
        let running = match &state.scene {
            Scene::Running(running) if !running.is_ending => Some(running),
            _ => None,
        };
        let capture = running.map(|r| r.capture.clone());
        if self.capture.is_some() && self.capture != capture {
            told.push(Told::Ended);
        }
        if let Some(running) = running
            && self.capture != capture
        {
            told.push(Told::Begun {
                test: running.view.test(),
                setup: running.setup.clone(),
                mark_pa: match &running.view {
                    View::Leak(view) => Some(view.mark_pa),
                    _ => None,
                },
            });
        }
        self.capture = capture;
        told
    }

    /// What happened since. A warning may be over before anybody saw a state with it.
    fn hear(&mut self, events: &EventLog) -> Vec<Told> {
        let events = events.after(self.event).events;
        self.event = events.last().map_or(self.event, |e| e.id);
        let let_go = events.iter().filter(|e| e.what == EventKind::LetGo);
        let_go.map(|_| Told::LetGo).collect()
    }
}

/// Plays the person at a virtual bench until the bench ends: does what the page asks for, as far as hands do it (they
/// press nothing).
pub async fn virtual_hand(bench: Bench, live: LiveBench) {
    let mut states = bench.follow();
    let events = bench.events().clone();
    let mut newest = events.newest();
    // The hand must not hold the bench: it ends with it.
    drop(bench);
    let mut seen = Seen {
        event: *newest.borrow_and_update(),
        ..Seen::default()
    };
    loop {
        let state = states.borrow_and_update().clone();
        for told in seen.look(&state).into_iter().chain(seen.hear(&events)) {
            live.tell(&told);
        }
        tokio::select! {
            changed = states.changed() => if changed.is_err() { return },
            // Its sender is in our own clone of the log.
            _ = newest.changed() => {}
        }
    }
}

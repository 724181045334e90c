//! The keeper of the ports: looks which are there, has each read by a reader, and tries again what is gone.

use std::{collections::BTreeMap, sync::Arc, time::Duration};

use tokio::{
    sync::watch,
    task::JoinSet,
    time::{Instant, MissedTickBehavior, interval},
};

use super::{
    Ports, Standing,
    reader::{Ending, Shared, read_port},
};
use crate::{
    probe::{
        discover::Listing,
        follow::stopped,
        serial::{OpenError, PortName},
    },
    wire::DEFAULT_BAUD,
};

/// Time between two looks at the ports.
const LOOK_EVERY: Duration = Duration::from_secs(1);
/// Time after which ports that are due are opened, at most.
const OPEN_EVERY: Duration = Duration::from_millis(250);
/// First pause before a port is opened again; it doubles.
const FIRST_PAUSE: Duration = Duration::from_millis(250);
/// Longest pause for a port that cannot be opened or whose probe went: opening disturbs nobody there.
const LONGEST_PAUSE: Duration = Duration::from_secs(4);
/// Longest pause for a named port at which something else answers: every opening may reset it.
const STRANGER_PAUSE: Duration = Duration::from_mins(1);
/// First pause there.
const FIRST_STRANGER_PAUSE: Duration = Duration::from_secs(5);
/// A port that nobody named is asked so often; then it is left alone until it is plugged in again.
const ASKED: u32 = 2;

/// One port as the keeper sees it.
#[derive(Debug)]
struct Place {
    name: PortName,
    /// The person named it.
    is_named: bool,
    /// The last listing had it.
    is_listed: bool,
    /// A reader has it.
    is_read: bool,
    /// When it may be opened; `None`: not before it was plugged in again.
    due: Option<Instant>,
    pause: Duration,
    /// How often something that is no probe of ours was asked.
    asked: u32,
    /// A probe of ours was here: that it is gone is told of the probe, not of the port.
    had_probe: bool,
}

impl Place {
    fn new(name: PortName, is_named: bool) -> Self {
        Self {
            name,
            is_named,
            is_listed: false,
            is_read: false,
            due: Some(Instant::now()),
            pause: FIRST_PAUSE,
            asked: 0,
            had_probe: false,
        }
    }

    fn is_due(&self, now: Instant) -> bool {
        !self.is_read && self.due.is_some_and(|due| due <= now)
    }

    /// When the port is tried again after a reader ended.
    fn ended(&mut self, ending: &Ending, now: Instant) {
        self.is_read = false;
        match ending {
            Ending::Stopped => self.due = None,
            Ending::Gone => {
                self.pause = FIRST_PAUSE;
                self.asked = 0;
                self.had_probe = true;
                self.due = Some(now + self.pause);
            }
            Ending::NotOpened(OpenError::NoPort) if !self.is_named => self.due = None,
            Ending::NotOpened(_) => {
                self.due = Some(now + self.pause);
                self.pause = (2 * self.pause).min(LONGEST_PAUSE);
            }
            Ending::Stranger(_) | Ending::Twice(_) => {
                self.asked += 1;
                self.pause = (2 * self.pause).clamp(FIRST_STRANGER_PAUSE, STRANGER_PAUSE);
                // A second probe of the same name becomes the only one when the first is unplugged.
                let again =
                    self.is_named || self.asked < ASKED || matches!(ending, Ending::Twice(_));
                self.due = again.then(|| now + self.pause);
            }
        }
    }

    /// What a person is told about the port, if anything.
    fn trouble(&self, ending: &Ending) -> Option<String> {
        match ending {
            Ending::Stopped | Ending::Gone => None,
            // Known from the listing alone and not there any more: nothing to tell.
            Ending::NotOpened(OpenError::Missing) if !self.is_named || self.had_probe => None,
            Ending::NotOpened(e) => Some(e.to_string()),
            Ending::Twice(what) => Some(what.clone()),
            Ending::Stranger(what) if self.due.is_some() => Some(what.to_string()),
            Ending::Stranger(what) => Some(format!(
                "{what} This port is left alone now; plug it in again, or name it: --port {}",
                self.name
            )),
        }
    }
}

/// Keeps the ports until `stop` turns true; when it returns, every reader has ended.
pub(super) async fn keep<P: Ports>(
    ports: Arc<P>,
    named: Vec<PortName>,
    shared: Arc<Shared>,
    stop: watch::Receiver<bool>,
) {
    let mut keeper = Keeper {
        places: BTreeMap::new(),
        readers: JoinSet::new(),
        ports,
        shared,
        stop: stop.clone(),
    };
    for name in named {
        let place = Place::new(name.clone(), true);
        keeper.places.insert(name.path, place);
    }
    keeper.run(stop).await;
}

struct Keeper<P> {
    /// By path.
    places: BTreeMap<String, Place>,
    readers: JoinSet<(String, Ending)>,
    ports: Arc<P>,
    shared: Arc<Shared>,
    stop: watch::Receiver<bool>,
}

impl<P: Ports> Keeper<P> {
    async fn run(&mut self, mut stop: watch::Receiver<bool>) {
        let mut look = interval(LOOK_EVERY);
        look.set_missed_tick_behavior(MissedTickBehavior::Delay);
        let mut open = interval(OPEN_EVERY);
        open.set_missed_tick_behavior(MissedTickBehavior::Delay);
        loop {
            tokio::select! {
                biased;
                () = stopped(&mut stop) => break,
                _ = look.tick() => self.look(&mut stop).await,
                Some(ended) = self.readers.join_next() => self.ended(ended),
                _ = open.tick() => self.open_due(),
            }
        }
        while let Some(ended) = self.readers.join_next().await {
            self.ended(ended);
        }
    }

    async fn look(&mut self, stop: &mut watch::Receiver<bool>) {
        let ports = Arc::clone(&self.ports);
        let named: Vec<String> = self.named().map(|p| p.name.path.clone()).collect();
        let looking = tokio::task::spawn_blocking(move || {
            let devices: Vec<String> = named.iter().map(|path| ports.device(path)).collect();
            (ports.list(), devices)
        });
        let looked = tokio::select! {
            biased;
            () = stopped(stop) => return,
            looked = looking => looked,
        };
        let (listing, devices) =
            looked.unwrap_or_else(|e| std::panic::resume_unwind(e.into_panic()));
        self.note(&listing, &devices);
        self.shared.roster.looked(listing.trouble);
        self.open_due();
    }

    fn named(&self) -> impl Iterator<Item = &Place> {
        self.places.values().filter(|p| p.is_named)
    }

    /// Ports that are new, and those that went away. `devices`: behind the named ports, which are not looked for twice.
    fn note(&mut self, listing: &Listing, devices: &[String]) {
        for place in self.places.values_mut() {
            place.is_listed = false;
        }
        for found in &listing.ports {
            let is_named =
                devices.contains(&found.device) || self.named().any(|p| p.name.path == found.path);
            if is_named {
                continue;
            }
            let place = self.places.entry(found.path.clone()).or_insert_with(|| {
                let name = PortName {
                    path: found.path.clone(),
                    baud: DEFAULT_BAUD,
                };
                Place::new(name, false)
            });
            place.is_listed = true;
        }
        // A listing that failed says nothing about what went away.
        if listing.trouble.is_none() {
            let shared = &self.shared;
            self.places.retain(|path, place| {
                let stays = place.is_named || place.is_listed || place.is_read;
                if !stays {
                    shared.roster.forget_port(path);
                }
                stays
            });
        }
    }

    fn open_due(&mut self) {
        let now = Instant::now();
        for (path, place) in &mut self.places {
            if !place.is_due(now) {
                continue;
            }
            place.is_read = true;
            let (ports, shared) = (Arc::clone(&self.ports), Arc::clone(&self.shared));
            let (name, stop, path) = (place.name.clone(), self.stop.clone(), path.clone());
            self.readers
                .spawn(async move { (path, read_port(ports, shared, name, stop).await) });
        }
    }

    fn ended(&mut self, ended: Result<(String, Ending), tokio::task::JoinError>) {
        let (path, ending) = ended.unwrap_or_else(|e| std::panic::resume_unwind(e.into_panic()));
        let Some(place) = self.places.get_mut(&path) else {
            return;
        };
        place.ended(&ending, Instant::now());
        match place.trouble(&ending) {
            None => self.shared.roster.forget_port(&path),
            Some(trouble) => {
                tracing::debug!("{path}: {trouble}");
                self.shared
                    .roster
                    .port(&path, Standing::Trouble, Some(trouble));
            }
        }
    }
}

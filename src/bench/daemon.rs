//! The daemon: one task that owns the state, a keeper of the ports with a reader for each, a recorder and a guide for
//! the running test.

use std::{fmt, sync::Arc};

use tokio::sync::watch;

use super::{
    Denied, Ends, Fault, Ports, Virtual, bell::Bell, inspected::Inspected, keeper::keep,
    owner::Owner, reader::Shared, roster::Roster, shelf::Shelf, tap::Tap,
};
use crate::{
    clock::Clock,
    inspect::Stated,
    probe::{link::Patience, serial::PortName},
    vehicle::Vehicle,
};

/// What a bench is told before it begins.
#[derive(Clone, Debug, Default)]
pub struct Plan {
    /// What the person states for every test: volume, limits, the day's pressure, calibrations.
    pub stated: Stated,
    /// The car's file: its text, and read.
    pub car: Option<(String, Arc<Vehicle>)>,
    /// Number on the car's tag.
    pub tag: Option<String>,
    /// Who measures.
    pub operator: Option<String>,
    /// The inspection in which every test is written down, if one is open; its captures are on the shelf.
    pub inspection: Option<Arc<Inspected>>,
    /// Ports that the person named: they are opened whether or not a listing has them.
    pub named: Vec<PortName>,
}

/// The switches of a virtual bench.
pub trait Faults: Send {
    /// How they stand.
    fn switches(&self) -> Virtual;

    /// Turns one.
    ///
    /// # Errors
    /// [`Denied`] with the reason in words: a part that the car does not have.
    fn switch(&mut self, fault: Fault) -> Result<(), Denied>;
}

/// What the system that started the daemon is told (systemd's words).
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Notice {
    /// The ports were looked at for the first time: the bench can be used.
    Ready,
    /// The owner of the state and every reader answered within the last seconds.
    Alive,
    /// How the bench does, one line.
    Status(String),
    /// The bench ends.
    Stopping,
}

/// A bench that was not started yet.
pub struct Daemon<P, S> {
    /// Where ports come from.
    pub ports: P,
    /// Where captures go.
    pub shelf: S,
    /// Time.
    pub clock: Clock,
    /// What it was told.
    pub plan: Plan,
    /// Switches of a virtual bench.
    pub faults: Option<Box<dyn Faults>>,
    /// Where notices go; must not wait.
    pub notices: Box<dyn FnMut(Notice) + Send>,
}

impl<P, S> fmt::Debug for Daemon<P, S> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Daemon").finish_non_exhaustive()
    }
}

impl<P: Ports, S: Shelf> Daemon<P, S> {
    /// A bench that tells nobody.
    pub fn new(ports: P, shelf: S, clock: Clock, plan: Plan) -> Self {
        Self {
            ports,
            shelf,
            clock,
            plan,
            faults: None,
            notices: Box::new(|_| {}),
        }
    }

    /// Runs until `stop`: then no order is taken any more, the readers end, a running capture is closed and synced
    /// (`stopped`), and the ends of the handles are dropped.
    ///
    /// # Panics
    /// When one of its tasks did.
    pub async fn run(self, ends: Ends, stop: impl Future<Output = ()>) {
        let Self {
            ports,
            shelf,
            clock,
            plan,
            faults,
            notices,
        } = self;
        let Ends {
            state,
            alarm,
            orders,
            events,
        } = ends;
        let shared = Arc::new(Shared {
            roster: Roster::default(),
            tap: Tap::default(),
            bell: Bell::new(alarm, events.clone(), clock.clone()),
            events,
            stated: plan.stated.clone(),
            car: plan.car.as_ref().map(|(_, car)| Arc::clone(car)),
            patience: Patience::default(),
            is_wire: ports.is_wire(),
            clock,
        });
        let (end_readers, ended) = watch::channel(false);
        let named = plan.named.clone();
        let keeper = tokio::spawn(keep(Arc::new(ports), named, Arc::clone(&shared), ended));
        let owner = Owner::new(shared, shelf, plan, state, faults, notices);
        owner.run(orders, stop, keeper, end_readers).await;
    }
}

//! The daemon on the bench: holds the probes, runs one test at a time, records it, and tells whoever looks.
//!
//! No web page here: a [`Bench`] is a handle that gives the present [`State`] and takes [`Order`]s; the page, the API and
//! the tests all use it. One task owns the state; readers of ports never wait for it, for the disk or for a page.

mod bell;
mod daemon;
mod daily;
mod events;
mod follower;
mod inspected;
mod keeper;
mod kept;
mod live;
mod owner;
mod ports;
mod reader;
mod roster;
mod running;
mod shelf;
mod state;
mod tap;
mod trial;

pub use daemon::{Daemon, Faults, Notice, Plan};
pub use events::{Event, EventKind, EventLog, Heard};
pub use inspected::Inspected;
pub use live::virtual_hand;
pub use ports::{Ports, SerialPorts};
pub use shelf::{Captures, Shelf};
pub use state::{
    Alarm, Denied, Dropped, Ended, Fault, Kept, Order, ProbeState, Running, Scene, Standing, State,
    Virtual,
};

use std::sync::Arc;

use tokio::sync::{mpsc, oneshot, watch};

/// A handle on a running bench; clone it for everybody who looks or asks.
#[derive(Clone, Debug)]
pub struct Bench {
    state: watch::Receiver<Arc<State>>,
    /// The guard's own way to the page: nothing is ahead of it.
    alarm: watch::Receiver<Option<Alarm>>,
    orders: mpsc::Sender<(Order, oneshot::Sender<Result<(), Denied>>)>,
    events: EventLog,
}

/// The bench's own end of its handles.
#[derive(Debug)]
pub struct Ends {
    /// Where each new state goes; the newest wins.
    pub state: watch::Sender<Arc<State>>,
    /// Where the guard of a reader puts its alarm, without a detour.
    pub alarm: watch::Sender<Option<Alarm>>,
    /// Orders with the place for the answer.
    pub orders: mpsc::Receiver<(Order, oneshot::Sender<Result<(), Denied>>)>,
    /// What happened.
    pub events: EventLog,
}

/// Orders that may wait; a person has two hands.
const ORDERS: usize = 16;

impl Bench {
    /// A handle and the ends that a daemon (or a test of the page) drives it by.
    pub fn new(state: State) -> (Self, Ends) {
        let (state_in, state) = watch::channel(Arc::new(state));
        let (alarm_in, alarm) = watch::channel(None);
        let (orders, orders_out) = mpsc::channel(ORDERS);
        let events = EventLog::default();
        let ends = Ends {
            state: state_in,
            alarm: alarm_in,
            orders: orders_out,
            events: events.clone(),
        };
        let bench = Self {
            state,
            alarm,
            orders,
            events,
        };
        (bench, ends)
    }

    /// The present state.
    pub fn state(&self) -> Arc<State> {
        Arc::clone(&self.state.borrow())
    }

    /// Follows the state: only the newest is seen, none is queued.
    pub fn follow(&self) -> watch::Receiver<Arc<State>> {
        self.state.clone()
    }

    /// Follows the guard.
    pub fn alarm(&self) -> watch::Receiver<Option<Alarm>> {
        self.alarm.clone()
    }

    /// What happened, by id.
    pub fn events(&self) -> &EventLog {
        &self.events
    }

    /// Asks for something and waits for the answer.
    ///
    /// # Errors
    /// [`Denied`] with the reason in words.
    pub async fn order(&self, order: Order) -> Result<(), Denied> {
        let (answer, answered) = oneshot::channel();
        self.orders
            .send((order, answer))
            .await
            .map_err(|_| Denied::ending())?;
        answered.await.unwrap_or_else(|_| Err(Denied::ending()))
    }
}

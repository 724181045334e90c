//! What all visitors share: the bench, its doors, what was worked out for all of them, and counts.

use std::sync::{
    Arc,
    atomic::{AtomicU64, Ordering},
};

use tokio::{
    sync::{Semaphore, watch},
    time::{Duration, timeout},
};

use super::{
    allowance::Allowance, desk::Desk, doors::Doors, library::Library, painter::Easels,
    pairing::hex, reply::Problem,
};
use crate::bench::{Bench, Order};

/// How long the bench may take to answer an order.
const ORDER_WAIT: Duration = Duration::from_secs(5);

/// Photographs that may come in at one time.
const UPLOADS: usize = 2;

/// A served bench.
#[derive(Debug)]
pub(super) struct House {
    pub bench: Bench,
    pub doors: Doors,
    /// Captures and what they show.
    pub library: Library,
    /// The inspection.
    pub desk: Desk,
    /// Places for photographs that come in: each may take 20 MB, and its picture some hundred more.
    pub uploads: Arc<Semaphore>,
    /// What pages see, painted once for all.
    pub easels: Easels,
    /// How often one visitor may act.
    pub acts: Allowance,
    /// How often one visitor may try to pair.
    pub pairings: Allowance,
    pub counts: Counts,
    /// Turns true when the daemon ends.
    pub end: watch::Receiver<bool>,
    /// Tells this daemon's event ids from an earlier one's.
    pub life: String,
}

/// Counts of the server's own doing, for `/metrics`.
#[derive(Debug, Default)]
pub(super) struct Counts {
    /// Pages that listen now.
    pub pages: AtomicU64,
    /// Listeners of the event stream now.
    pub listeners: AtomicU64,
    /// Connections now.
    pub connections: AtomicU64,
    /// Connections that were turned away because there were too many.
    pub turned_away: AtomicU64,
    /// Requests that were refused at the gate.
    pub refused: AtomicU64,
    /// Orders that the bench carried out.
    pub done: AtomicU64,
    /// Orders that it denied.
    pub denied: AtomicU64,
}

impl House {
    pub fn new(bench: Bench, doors: Doors, end: watch::Receiver<bool>) -> Self {
        let mut life = [0; 4];
        // Without randomness the ids of two daemons may look alike: a listener that was away then hears less of the gap.
        let _ = getrandom::fill(&mut life);
        Self {
            library: Library::in_folder(doors.folder.clone()),
            desk: Desk::new(doors.inspection.clone()),
            uploads: Arc::new(Semaphore::new(UPLOADS)),
            easels: Easels::default(),
            acts: Allowance::new(doors.limits.acts),
            pairings: Allowance::new(doors.limits.pairings),
            counts: Counts::default(),
            life: hex(&life),
            bench,
            doors,
            end,
        }
    }

    /// Gives the bench an order.
    pub async fn order(&self, order: Order) -> Result<(), Problem> {
        let answer = timeout(ORDER_WAIT, self.bench.order(order)).await;
        let counter = match answer {
            Ok(Ok(())) => &self.counts.done,
            _ => &self.counts.denied,
        };
        counter.fetch_add(1, Ordering::Relaxed);
        match answer {
            Ok(answer) => answer.map_err(Problem::from),
            Err(_) => Err(Problem::new(
                axum::http::StatusCode::SERVICE_UNAVAILABLE,
                "slow",
                "the bench did not answer in time; look at its terminal",
            )),
        }
    }
}

/// Counts something that is here now; taken off when dropped.
#[derive(Debug)]
pub(super) struct Here {
    house: Arc<House>,
    which: fn(&Counts) -> &AtomicU64,
}

impl Here {
    pub fn count(house: &Arc<House>, which: fn(&Counts) -> &AtomicU64) -> Self {
        which(&house.counts).fetch_add(1, Ordering::Relaxed);
        Self {
            house: Arc::clone(house),
            which,
        }
    }
}

impl Drop for Here {
    fn drop(&mut self) {
        (self.which)(&self.house.counts).fetch_sub(1, Ordering::Relaxed);
    }
}

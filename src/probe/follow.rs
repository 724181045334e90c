//! One port for the length of a capture: reads it, and when the probe goes, waits for it to come back.

use std::time::Duration;

use tokio::{
    io::{AsyncRead, AsyncWrite},
    sync::watch,
    time::{Instant, sleep, timeout_at},
};

use super::{
    link::{Arrival, Gone, Link, Patience},
    serial::OpenError,
};
use crate::{
    clock::Clock,
    inspect::Row,
    wire::{Event, Identity, ProbeKind},
};

/// First pause before a lost port is opened again; it doubles up to [`LONGEST_PAUSE`].
const FIRST_PAUSE: Duration = Duration::from_millis(250);
/// Longest pause between two attempts.
const LONGEST_PAUSE: Duration = Duration::from_secs(4);
/// Time for the rest of a line at the end; 255 bytes take 22 ms at 115200 baud and 0.85 s at 3000.
const LAST_LINE: Duration = Duration::from_millis(300);
/// Rows kept while it is not known yet which probe came back; more than any probe sends while it is identified.
pub const MOST_HEARD: usize = 16_384;

/// Which probe belongs to the capture.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Who {
    /// The one with this kind and serial number.
    Probe(ProbeKind, String),
    /// A bare one: whatever is at the port.
    Bare,
}

impl Who {
    /// The probe with that identity.
    pub fn of(identity: &Identity) -> Self {
        Self::Probe(identity.kind, identity.serial.clone())
    }

    fn is(&self, identity: &Identity) -> bool {
        *self == Self::of(identity)
    }
}

/// What happens at a port.
#[derive(Debug)]
pub enum Happening<'a> {
    /// A line, or a piece of one.
    Arrival(&'a Arrival<'a>),
    /// The probe is gone.
    Gone(Gone),
    /// It could not be had back yet; told once a reason.
    Waiting(String),
    /// It is back.
    Back,
}

/// Reads `link` until `stop` turns true (or its sender is gone), and tells `take` what happens. When the probe goes, `open` is
/// tried again with growing pauses; another probe at the port is left alone, because its readings are not this capture's.
///
/// `take` must not wait: nothing is read while it runs.
pub async fn follow<P, O>(
    mut link: Link<P>,
    who: &Who,
    clock: &Clock,
    mut open: O,
    mut take: impl FnMut(Happening<'_>),
    mut stop: watch::Receiver<bool>,
) where
    P: AsyncRead + AsyncWrite + Unpin,
    O: FnMut() -> Result<P, OpenError>,
{
    loop {
        let gone = tokio::select! {
            biased;
            () = stopped(&mut stop) => {
                return end_line(&mut link, |arrival| take(Happening::Arrival(arrival))).await;
            }
            gone = read(&mut link, &mut take) => gone,
        };
        take(Happening::Gone(gone));
        // Closed before it is opened again: the port is ours alone.
        drop(link);
        link = tokio::select! {
            biased;
            () = stopped(&mut stop) => return,
            link = come_back(who, clock, &mut open, &mut take) => link,
        };
    }
}

/// Ends when `stop` is true or can never become so.
pub async fn stopped(stop: &mut watch::Receiver<bool>) {
    // An error says that the sender is gone: nobody could stop it any more.
    drop(stop.wait_for(|stop| *stop).await);
}

/// Every byte that was received is told: waits for the end of the line under way, but not long.
pub async fn end_line<P>(link: &mut Link<P>, mut take: impl FnMut(&Arrival<'_>))
where
    P: AsyncRead + AsyncWrite + Unpin,
{
    let deadline = Instant::now() + LAST_LINE;
    while link.is_mid_line() {
        match timeout_at(deadline, link.next()).await {
            Ok(Ok(arrival)) => take(&arrival),
            Ok(Err(_)) => return,
            Err(_) => break,
        }
    }
    if let Some(torn) = link.break_off() {
        take(&torn);
    }
}

async fn read<P>(link: &mut Link<P>, take: &mut impl FnMut(Happening<'_>)) -> Gone
where
    P: AsyncRead + AsyncWrite + Unpin,
{
    loop {
        match link.next().await {
            Ok(arrival) => take(Happening::Arrival(&arrival)),
            Err(gone) => return gone,
        }
    }
}

async fn come_back<P>(
    who: &Who,
    clock: &Clock,
    open: &mut impl FnMut() -> Result<P, OpenError>,
    take: &mut impl FnMut(Happening<'_>),
) -> Link<P>
where
    P: AsyncRead + AsyncWrite + Unpin,
{
    let mut pause = FIRST_PAUSE;
    let mut told = String::new();
    loop {
        sleep(pause).await;
        pause = (2 * pause).min(LONGEST_PAUSE);
        let reason = match open() {
            Err(e) => e.to_string(),
            Ok(port) => match greet(Link::new(port, clock.clone()), who).await {
                Ok((link, rows)) => {
                    take(Happening::Back);
                    for row in &rows {
                        take(Happening::Arrival(&Arrival {
                            host_us: row.host_us,
                            event: Event::read(&row.bytes, row.part),
                        }));
                    }
                    return link;
                }
                Err(reason) => reason,
            },
        };
        if reason != told {
            take(Happening::Waiting(reason.clone()));
            told = reason;
        }
    }
}

/// The link and what came on it so far, if it is the right probe's.
async fn greet<P>(mut link: Link<P>, who: &Who) -> Result<(Link<P>, Vec<Row>), String>
where
    P: AsyncRead + AsyncWrite + Unpin,
{
    let mut rows = Vec::new();
    if *who == Who::Bare {
        return Ok((link, rows));
    }
    let keep = |arrival: &Arrival<'_>| {
        if rows.len() < MOST_HEARD {
            rows.push(arrival.row());
        }
    };
    match link.identify(Patience::default(), keep).await {
        Ok(found) if who.is(&found.identity) => Ok((link, rows)),
        Ok(found) => Err(format!(
            "another probe is at the port: {} {}; plug the right one in again",
            found.identity.kind, found.identity.serial
        )),
        Err(e) => Err(e.to_string()),
    }
}

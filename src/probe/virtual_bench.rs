//! The virtual bench: a board in memory behind the same link, recorder and session as a real one, faster than time.
//!
//! It supplies clock and randomness to everything below it: the same plan gives the same bytes.

use std::{
    fmt, io,
    pin::Pin,
    task::{Context, Poll},
    time::Duration,
};

use tokio::io::{AsyncRead, AsyncWrite, ReadBuf};

use super::{
    board::{Board, BoardPlan},
    link::{Gone, Identified, Link, Patience, Unidentified},
};
use crate::{
    clock::Clock,
    inspect::{Finding, Input, Mark, Row, Session, SettingsError, Source, Stated, Test, settings},
    record::{
        CaptureMeta, RecordError, Recording, Storage,
        capture::{Anchor, ProbeMeta},
    },
    vehicle::Vehicle,
};

/// A port in memory with a virtual board at its other end. Every read moves the clock to the packet's arrival.
#[derive(Debug)]
pub struct VirtualPort {
    board: Board,
    clock: Clock,
    opened_us: u64,
    /// Bytes of the present packet that were not read yet.
    rest: Vec<u8>,
}

impl VirtualPort {
    /// Opens the port now, by `clock`, which must be a virtual one.
    pub fn open(plan: &BoardPlan, clock: Clock) -> Self {
        Self {
            board: Board::new(plan),
            opened_us: clock.host_us(),
            clock,
            rest: Vec::new(),
        }
    }
}

impl AsyncRead for VirtualPort {
    /// Always ready; the end of the readings is the end of the port.
    fn poll_read(
        mut self: Pin<&mut Self>,
        _: &mut Context<'_>,
        out: &mut ReadBuf<'_>,
    ) -> Poll<io::Result<()>> {
        if self.rest.is_empty()
            && let Some(packet) = self.board.next_packet()
        {
            self.clock.set_us(self.opened_us + packet.at_us);
            self.rest = packet.bytes;
        }
        let n = self.rest.len().min(out.remaining());
        out.put_slice(&self.rest[..n]);
        self.rest.drain(..n);
        Poll::Ready(Ok(()))
    }
}

impl AsyncWrite for VirtualPort {
    fn poll_write(
        mut self: Pin<&mut Self>,
        _: &mut Context<'_>,
        bytes: &[u8],
    ) -> Poll<io::Result<usize>> {
        self.board.receive(bytes);
        Poll::Ready(Ok(bytes.len()))
    }

    fn poll_flush(self: Pin<&mut Self>, _: &mut Context<'_>) -> Poll<io::Result<()>> {
        Poll::Ready(Ok(()))
    }

    fn poll_shutdown(self: Pin<&mut Self>, _: &mut Context<'_>) -> Poll<io::Result<()>> {
        Poll::Ready(Ok(()))
    }
}

/// A test to be taken on the virtual bench.
#[derive(Clone, Debug)]
pub struct Plan<'a> {
    /// The test.
    pub test: Test,
    /// What the person states.
    pub stated: Stated,
    /// Who measures.
    pub operator: &'a str,
    /// The car's file, verbatim.
    pub vehicle: &'a str,
    /// Name of the port.
    pub port: &'a str,
    /// The board at it.
    pub board: BoardPlan,
    /// Marks, by seconds from the start of the board's readings.
    pub marks: Vec<(f64, String)>,
}

/// Why a test could not be taken.
#[derive(Debug)]
pub enum BenchError {
    /// The board did not say who it is.
    Unidentified(Unidentified),
    /// The plan lacks something.
    Settings(SettingsError),
    /// The car's file has a fault.
    Vehicle(crate::vehicle::VehicleError),
    /// The disk refused.
    Record(RecordError),
}

impl fmt::Display for BenchError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Unidentified(e) => e.fmt(f),
            Self::Settings(e) => e.fmt(f),
            Self::Vehicle(e) => write!(f, "vehicle file: {e}"),
            Self::Record(e) => e.fmt(f),
        }
    }
}

impl std::error::Error for BenchError {
    fn source(&self) -> Option<&(dyn std::error::Error + 'static)> {
        match self {
            Self::Unidentified(e) => Some(e),
            Self::Settings(e) => Some(e),
            Self::Vehicle(e) => Some(e),
            Self::Record(e) => Some(e),
        }
    }
}

impl From<RecordError> for BenchError {
    fn from(e: RecordError) -> Self {
        Self::Record(e)
    }
}

/// A board in memory is asked at the first line that comes: how soon that is by the machine's clock must not matter.
const PATIENCE: Patience = Patience {
    hello: Duration::from_secs(3),
    settled: Duration::ZERO,
    answer: Duration::from_secs(1),
    asks: 3,
};

/// Takes a test from opening the port to the finding; gives the finding, the capture's folder and the storage back.
///
/// # Errors
/// [`BenchError`].
pub async fn take<S: Storage + Send + 'static>(
    clock: &Clock,
    plan: &Plan<'_>,
    storage: S,
) -> Result<(Finding, String, S), BenchError> {
    let anchor = Anchor {
        host_us: clock.host_us(),
        wall: clock.wall(),
    };
    let readings_us = anchor.host_us + plan.board.lead_us;
    let port = VirtualPort::open(&plan.board, clock.clone());
    let mut link = Link::new(port, clock.clone());
    let mut heard: Vec<Row> = Vec::new();
    let found = link
        .identify(PATIENCE, |arrival| heard.push(arrival.row()))
        .await
        .map_err(BenchError::Unidentified)?;

    let recording = begin(plan, anchor, found, storage)?;
    let mut marks = plan.marks.iter().map(|(s, text)| Mark {
        host_us: readings_us + us(*s),
        text: text.clone(),
    });
    let mut mark = marks.next();
    let mut keep = |row: Row| {
        while let Some(due) = mark.take_if(|m| m.host_us <= row.host_us) {
            recording.sender().hand_over(Input::Mark(due));
            mark = marks.next();
        }
        recording.sender().hand_over(Input::Row(0, row))
    };
    for row in heard {
        keep(row);
    }
    let ended = loop {
        match link.next().await {
            Ok(arrival) => {
                if !keep(arrival.row()) {
                    break None;
                }
            }
            Err(gone) => break Some(gone),
        }
    };
    if let Some(Gone::Failed(e)) = &ended {
        tracing::warn!("a port in memory failed: {e}");
    }
    let folder = recording.folder().to_owned();
    let (finding, storage) = recording.finish(clock.host_us(), "finished")?;
    Ok((finding, folder, storage))
}

/// Begins the capture of what the probe that was found says.
fn begin<S: Storage + Send + 'static>(
    plan: &Plan<'_>,
    anchor: Anchor,
    found: Identified,
    storage: S,
) -> Result<Recording<S>, BenchError> {
    let mut meta = CaptureMeta::new(plan.test, anchor, &plan.stated, Some(plan.vehicle));
    meta.operator = Some(plan.operator.into());
    let mut probe = ProbeMeta::of(&found.identity, &found.row.bytes, plan.port);
    let mut stated = plan.stated.clone();
    stated.calibrations = stated.calibrations.on(meta.day());
    let car = Vehicle::parse(plan.vehicle).map_err(BenchError::Vehicle)?;
    let sources = vec![Source::Wire(Some(Box::new(found.identity)))];
    probe.calibrate(&sources[0], &stated.calibrations);
    meta.probes.push(probe);
    let settings =
        settings(plan.test, &stated, Some(&car), &sources).map_err(BenchError::Settings)?;
    let session = Session::new(settings, sources).calibrated(&stated.calibrations);
    Ok(Recording::begin(
        storage,
        &meta,
        Some(plan.vehicle),
        session,
        |_| {},
    )?)
}

/// Seconds as whole microseconds.
fn us(seconds: f64) -> u64 {
    u64::try_from(Duration::from_secs_f64(seconds.max(0.0)).as_micros()).unwrap_or(u64::MAX)
}

//! One probe behind anything that reads and writes bytes: a serial port, a pseudo-terminal, memory, a replay.

use std::{fmt, io, time::Duration};

use tokio::{
    io::{AsyncRead, AsyncReadExt as _, AsyncWrite, AsyncWriteExt as _},
    time::{Instant, timeout_at},
};

use crate::{
    clock::Clock,
    inspect::Row,
    wire::{Command, Event, Fault, Framer, Identity, Message},
};

/// Bytes of one read at most. A USB chip hands over 62 at a time; a host that was busy finds more.
const READ_BYTES: usize = 4096;

/// The other end is there no more.
#[derive(Debug)]
pub enum Gone {
    /// The port read its end: the probe was unplugged, or the other side closed.
    Closed,
    /// The port failed.
    Failed(io::Error),
}

impl fmt::Display for Gone {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Gone::Closed => write!(f, "the probe was unplugged"),
            Gone::Failed(e) => write!(f, "the port failed: {e}"),
        }
    }
}

impl std::error::Error for Gone {
    fn source(&self) -> Option<&(dyn std::error::Error + 'static)> {
        match self {
            Gone::Closed => None,
            Gone::Failed(e) => Some(e),
        }
    }
}

/// An event with the host time of the read that completed it.
#[derive(Clone, Debug, PartialEq)]
pub struct Arrival<'a> {
    /// Host time, microseconds.
    pub host_us: u64,
    /// What came.
    pub event: Event<'a>,
}

impl Arrival<'_> {
    /// The arrival as a record keeps it.
    pub fn row(&self) -> Row {
        Row {
            host_us: self.host_us,
            bytes: self.event.bytes().to_vec(),
            part: self.event.part(),
        }
    }
}

// Waits are measured on tokio's clock, so that tests can pause it; host times come from `Clock`.

/// A port, the bytes read from it, and where its lines end.
#[derive(Debug)]
pub struct Link<P> {
    port: P,
    clock: Clock,
    framer: Framer,
    buffer: Box<[u8]>,
    /// Bytes of `buffer` that wait, from `at` to `filled`; all of the read at `host_us`.
    at: usize,
    filled: usize,
    host_us: u64,
    /// The port ended; told after the torn tail.
    gone: Option<Gone>,
}

impl<P: AsyncRead + AsyncWrite + Unpin> Link<P> {
    /// A link over an open port.
    pub fn new(port: P, clock: Clock) -> Self {
        Self {
            port,
            clock,
            framer: Framer::default(),
            buffer: vec![0; READ_BYTES].into(),
            at: 0,
            filled: 0,
            host_us: 0,
            gone: None,
        }
    }

    /// The port itself, to ask for what only its kind has.
    pub fn port(&self) -> &P {
        &self.port
    }

    /// The next line, or piece of one; waits for it. Dropping the future loses nothing.
    ///
    /// # Errors
    /// [`Gone`] once the other end is gone and every byte was handed out.
    pub async fn next(&mut self) -> Result<Arrival<'_>, Gone> {
        let part = loop {
            let mut input = &self.buffer[self.at..self.filled];
            let part = self.framer.advance(&mut input);
            self.at = self.filled - input.len();
            if let Some(part) = part {
                break part;
            }
            if let Some(gone) = self.gone.take() {
                self.gone = Some(Gone::Closed); // whoever asks again gets the same answer
                return Err(gone);
            }
            match self.port.read(&mut self.buffer).await {
                // A port whose device is gone reads 0 for ever.
                Ok(0) => self.gone = Some(Gone::Closed),
                Ok(n) => (self.at, self.filled) = (0, n),
                Err(e) if e.kind() == io::ErrorKind::Interrupted => continue,
                Err(e) if e.kind() == io::ErrorKind::BrokenPipe => self.gone = Some(Gone::Closed),
                Err(e) => self.gone = Some(Gone::Failed(e)),
            }
            self.host_us = self.clock.host_us();
            if self.gone.is_some()
                && let Some(part) = self.framer.end()
            {
                break part;
            }
        };
        Ok(Arrival {
            host_us: self.host_us,
            event: Event::read(self.framer.bytes(), part),
        })
    }

    /// True within a line, or while lines wait that were read already.
    pub fn is_mid_line(&self) -> bool {
        self.at < self.filled || !self.framer.pending().is_empty()
    }

    /// Gives the bytes of the line under way, if there are any, as a torn one: nobody reads on.
    pub fn break_off(&mut self) -> Option<Arrival<'_>> {
        let part = self.framer.end()?;
        Some(Arrival {
            host_us: self.clock.host_us(),
            event: Event::read(self.framer.bytes(), part),
        })
    }

    /// Sends a command.
    ///
    /// # Errors
    /// [`Gone`] when the port takes no bytes.
    pub async fn send(&mut self, command: Command) -> Result<(), Gone> {
        self.port
            .write_all(&command.bytes())
            .await
            .map_err(Gone::Failed)?;
        self.port.flush().await.map_err(Gone::Failed)
    }

    /// The next arrival before `deadline`; `None` when it passed.
    async fn next_before(&mut self, deadline: Instant) -> Result<Option<Arrival<'_>>, Gone> {
        timeout_at(deadline, self.next()).await.ok().transpose()
    }

    /// Waits for the identity that a booting probe sends, then asks for it. See [`Patience`]. What comes meanwhile, the
    /// identity included, goes to `heard`.
    ///
    /// # Errors
    /// [`Unidentified`] says what came instead.
    pub async fn identify(
        &mut self,
        patience: Patience,
        mut heard: impl FnMut(&Arrival<'_>),
    ) -> Result<Identified, Unidentified> {
        let opened = Instant::now();
        let settled = opened + patience.settled;
        let mut deadline = opened + patience.hello;
        let mut asked = 0;
        let mut speech = Speech::default();
        loop {
            let ask = match self.next_before(deadline).await? {
                None if asked == patience.asks => {
                    speech.note(self.framer.pending());
                    return Err(speech.verdict());
                }
                None => true,
                Some(arrival) => {
                    heard(&arrival);
                    match speech.take(&arrival.event) {
                        Some(Found::Identity(identity)) => {
                            let row = arrival.row();
                            return Ok(Identified { identity, row });
                        }
                        Some(Found::Foreign(version)) => {
                            return Err(Unidentified::Foreign { version });
                        }
                        // It runs already: no hello will come.
                        Some(Found::Line) => asked == 0 && Instant::now() >= settled,
                        None => false,
                    }
                }
            };
            if ask && asked < patience.asks {
                self.send(Command::Identify).await?;
                asked += 1;
                deadline = Instant::now() + patience.answer;
            }
        }
    }

    /// Sends a ping and waits for its answer: the time there and back, host microseconds. What comes meanwhile goes to
    /// `other`.
    ///
    /// # Errors
    /// [`Gone`]; `Ok(None)` when no answer came within `wait`.
    pub async fn ping(
        &mut self,
        token: u16,
        wait: Duration,
        mut other: impl FnMut(Arrival<'_>),
    ) -> Result<Option<u64>, Gone> {
        let deadline = Instant::now() + wait;
        let sent_us = self.clock.host_us();
        self.send(Command::Ping(token)).await?;
        while let Some(arrival) = self.next_before(deadline).await? {
            let is_answer = matches!(message(&arrival.event),
                Some(Message::Pong { token: answered, .. }) if *answered == token);
            let host_us = arrival.host_us;
            other(arrival);
            if is_answer {
                return Ok(Some(host_us.saturating_sub(sent_us)));
            }
        }
        Ok(None)
    }

    /// Asks for a rate of channel 0 and waits for the identity that answers; it states the rate that now holds. What
    /// comes meanwhile, the answer included, goes to `other`.
    ///
    /// # Errors
    /// [`Gone`]; `Ok(None)` when no answer came within `wait`.
    pub async fn set_rate(
        &mut self,
        hz: u32,
        wait: Duration,
        mut other: impl FnMut(Arrival<'_>),
    ) -> Result<Option<Identity>, Gone> {
        let deadline = Instant::now() + wait;
        self.send(Command::Rate(hz)).await?;
        while let Some(arrival) = self.next_before(deadline).await? {
            let answer = match message(&arrival.event) {
                Some(Message::Identity(identity)) => Some(Identity::clone(identity)),
                _ => None,
            };
            other(arrival);
            if answer.is_some() {
                return Ok(answer);
            }
        }
        Ok(None)
    }
}

fn message<'a>(event: &'a Event<'_>) -> Option<&'a Message<'a>> {
    match event {
        Event::Line {
            outcome: Ok(line), ..
        } => Some(&line.message),
        _ => None,
    }
}

/// How long to wait for an identity.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Patience {
    /// For the hello of a probe that opening has reset (contract: 3 s at most).
    pub hello: Duration,
    /// A good line that comes later than this after opening is of a probe that was not reset; it is asked at once. A
    /// reset takes hold within milliseconds of opening, and its boot loader sends no lines.
    pub settled: Duration,
    /// For each answer.
    pub answer: Duration,
    /// How often to ask.
    pub asks: u32,
}

impl Default for Patience {
    fn default() -> Self {
        Self {
            hello: Duration::from_secs(3),
            settled: Duration::from_millis(300),
            answer: Duration::from_secs(1),
            asks: 3,
        }
    }
}

/// A probe that said who it is.
#[derive(Clone, Debug, PartialEq)]
pub struct Identified {
    /// Who it is.
    pub identity: Identity,
    /// The line that said so, as a record keeps it.
    pub row: Row,
}

/// Why there is no identity.
#[derive(Debug)]
pub enum Unidentified {
    /// Nothing came at all.
    Silent,
    /// Bytes that are mostly no text: another baud rate, most likely.
    Garbage {
        /// Bytes received.
        bytes: u64,
    },
    /// Readable text without a checksum: a bare probe, or something else.
    Plain {
        /// A line of it.
        sample: String,
    },
    /// Good lines, but no answer to the question who it is.
    Mute {
        /// Good lines received.
        lines: u64,
    },
    /// It speaks another version of the wire.
    Foreign {
        /// That version.
        version: u16,
    },
    /// The port ended meanwhile.
    Gone(Gone),
}

impl fmt::Display for Unidentified {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Silent => write!(
                f,
                "nothing came and nothing answered: is the firmware on the board, and is the port a probe's?"
            ),
            Self::Garbage { bytes } => write!(
                f,
                "{bytes} bytes came that are no text: the baud rate is another one; state it as PATH=250000"
            ),
            Self::Plain { sample } => write!(
                f,
                "text came, but no line with a checksum ('{sample}'): if the board prints plain numbers, name them with \
                 --bare KIND:UNIT:COLUMN"
            ),
            Self::Mute { lines } => write!(
                f,
                "{lines} good lines came, but no identity when asked: the wire from the host to the board (its RX) may be \
                 broken; reset the board"
            ),
            Self::Foreign { version } => {
                write!(
                    f,
                    "{}; update the older of the two",
                    Fault::Version(*version)
                )
            }
            Self::Gone(gone) => gone.fmt(f),
        }
    }
}

impl std::error::Error for Unidentified {
    fn source(&self) -> Option<&(dyn std::error::Error + 'static)> {
        match self {
            Self::Gone(gone) => Some(gone),
            _ => None,
        }
    }
}

impl From<Gone> for Unidentified {
    fn from(gone: Gone) -> Self {
        Self::Gone(gone)
    }
}

/// What came while an identity was waited for.
#[derive(Debug, Default)]
pub(super) struct Speech {
    bytes: u64,
    /// Bytes that are neither printable ASCII nor CR.
    odd: u64,
    good_lines: u64,
    sample: String,
}

enum Found {
    Identity(Identity),
    Foreign(u16),
    Line,
}

/// Characters of a sample in a message.
const SAMPLE_CHARS: usize = 32;

impl Speech {
    pub(super) fn note(&mut self, bytes: &[u8]) {
        if bytes.is_empty() {
            return;
        }
        let odd = |&&b: &&u8| !(0x20..=0x7E).contains(&b) && b != b'\r' && b != b'\t';
        self.bytes += bytes.len() as u64;
        self.odd += bytes.iter().filter(odd).count() as u64;
        let text = bytes.iter().map(|&b| char::from(b)).take(SAMPLE_CHARS);
        self.sample = text.filter(|c| matches!(c, ' '..='~')).collect();
    }

    fn take(&mut self, event: &Event<'_>) -> Option<Found> {
        self.note(event.bytes());
        let Event::Line { outcome, .. } = event else {
            return None;
        };
        match outcome {
            Ok(line) => {
                self.good_lines += 1;
                Some(match &line.message {
                    Message::Identity(identity) => Found::Identity(Identity::clone(identity)),
                    _ => Found::Line,
                })
            }
            Err(Fault::Version(version)) => Some(Found::Foreign(*version)),
            Err(_) => None,
        }
    }

    /// What it was, when it was no probe. At a wrong baud rate most bytes have a bit that text has not; a tenth is far
    /// above what noise does to text.
    pub(super) fn verdict(self) -> Unidentified {
        if self.good_lines > 0 {
            Unidentified::Mute {
                lines: self.good_lines,
            }
        } else if self.bytes == 0 {
            Unidentified::Silent
        } else if self.odd * 10 > self.bytes {
            Unidentified::Garbage { bytes: self.bytes }
        } else {
            Unidentified::Plain {
                sample: self.sample,
            }
        }
    }
}

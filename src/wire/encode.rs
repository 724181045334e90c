//! Lines as a probe sends them (virtual bench, tests) and commands as the host sends them.

use std::fmt::{self, Write as _};

use super::{CRC, Channel, Identity, MAX_LINE, Message};

/// The line would be longer than [`MAX_LINE`].
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct TooLong {
    /// Bytes that the line would have before its LF.
    pub bytes: usize,
}

impl fmt::Display for TooLong {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(
            f,
            "the line would have {} bytes, {MAX_LINE} are allowed",
            self.bytes
        )
    }
}

impl std::error::Error for TooLong {}

/// The sending end: numbers the lines and adds the CRC.
///
/// ```
/// use feelgauge::wire::{Encoder, Message, CRC};
/// let mut encoder = Encoder::default();
/// let line = encoder.line(&Message::Pong { token: 17, t_us: 123_456 }).unwrap();
/// assert_eq!(line, b"P 0 17 123456*5BF7\n");
/// assert_eq!(CRC.checksum(b"123456789"), 0x6F91, "check value of CRC-16/MCRF4XX");
/// ```
#[derive(Clone, Debug, Default)]
pub struct Encoder {
    /// Number of the next line.
    pub seq: u16,
}

impl Encoder {
    /// The next line, LF included.
    ///
    /// # Errors
    /// [`TooLong`]; the number is then not used up.
    pub fn line(&mut self, message: &Message<'_>) -> Result<Vec<u8>, TooLong> {
        let mut line = payload(self.seq, message);
        let crc = CRC.checksum(line.as_bytes());
        write!(line, "*{crc:04X}").expect("a String takes everything");
        if line.len() > MAX_LINE {
            return Err(TooLong { bytes: line.len() });
        }
        self.seq = self.seq.wrapping_add(1);
        line.push('\n');
        Ok(line.into_bytes())
    }
}

fn payload(seq: u16, message: &Message<'_>) -> String {
    match message {
        Message::Identity(id) => identity(seq, id),
        Message::Samples(s) => {
            let head = format!("S {seq} {} {} {}", s.channel, s.t0_us, s.dt_us);
            listed(head, s.counts())
        }
        Message::Edges(e) => listed(format!("E {seq} {}", e.channel), e.times_us()),
        Message::Heartbeat {
            t_us,
            lost_lines,
            lost_readings,
        } => format!("H {seq} {t_us} {lost_lines} {lost_readings}"),
        Message::Pong { token, t_us } => format!("P {seq} {token} {t_us}"),
        Message::Notice(code) => format!("N {seq} {code}"),
    }
}

fn listed<T: fmt::Display>(head: String, values: &[T]) -> String {
    values
        .iter()
        .fold(head, |line, value| format!("{line} {value}"))
}

fn identity(seq: u16, id: &Identity) -> String {
    let head = format!(
        "I {seq} {} {} {} {} {} {}",
        id.version, id.kind, id.serial, id.firmware, id.boot, id.t_us
    );
    let channels: Vec<String> = id.channels.iter().map(channel).collect();
    listed(head, &channels)
}

fn channel(c: &Channel) -> String {
    let unit = c.unit.word();
    format!(
        "{}:{unit}:{}:{}:{}:{}:{}:{}",
        c.index, c.scale, c.zero, c.min, c.max, c.rate_hz, c.order
    )
}

/// What the host asks of a probe.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Command {
    /// Say who you are.
    Identify,
    /// Answer with this token and your clock.
    Ping(u16),
    /// Set the rate of channel 0, Hz.
    Rate(u32),
}

impl Command {
    /// The bytes to send, LF included.
    ///
    /// ```
    /// use feelgauge::wire::Command;
    /// assert_eq!(Command::Rate(400).bytes(), b"r 400\n");
    /// assert_eq!(Command::read(b"r 400"), Some(Command::Rate(400)));
    /// ```
    pub fn bytes(self) -> Vec<u8> {
        match self {
            Command::Identify => "i\n".into(),
            Command::Ping(token) => format!("p {token}\n"),
            Command::Rate(hz) => format!("r {hz}\n"),
        }
        .into_bytes()
    }

    /// The command in a line without its LF, as a probe reads it; `None` is answered by the notice
    /// `command`.
    pub fn read(line: &[u8]) -> Option<Self> {
        let line = line.strip_suffix(b"\r").unwrap_or(line);
        let text = str::from_utf8(line).ok()?;
        match text.split_once(' ') {
            None if text == "i" => Some(Command::Identify),
            Some(("p", token)) => token.parse().ok().map(Command::Ping),
            Some(("r", hz)) => hz.parse().ok().map(Command::Rate),
            _ => None,
        }
    }
}

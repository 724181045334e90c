//! Typed lines. The grammar is that of `firmware-notes/wire.md`, and nothing beyond it is accepted.

use std::fmt;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::{CRC, MAX_LINE, VERSION};

/// Why a line carries no message.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Fault {
    /// No `*XXXX` at the end, or the CRC in it is not that of the payload.
    BadCrc,
    /// More than [`MAX_LINE`] bytes.
    OverLong,
    /// The CRC holds, but the record's kind is not known to this version.
    Unknown,
    /// The CRC holds; the identity states a version of the wire that this software does not read.
    Version(u16),
    /// The CRC holds, but a field is not what the grammar says: a fault of the firmware.
    Malformed {
        /// Which field, counted from 0 (the kind letter).
        field: usize,
        /// What was expected there.
        expected: &'static str,
    },
}

impl fmt::Display for Fault {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Fault::BadCrc => write!(f, "the checksum does not match"),
            Fault::OverLong => write!(f, "more than {MAX_LINE} bytes"),
            Fault::Unknown => write!(f, "unknown kind of record"),
            Fault::Version(v) => {
                write!(
                    f,
                    "the probe speaks version {v} of the wire, this software reads version {VERSION}"
                )
            }
            Fault::Malformed { field, expected } => {
                write!(f, "field {field}: expected {expected}")
            }
        }
    }
}

/// What a probe is for.
#[derive(
    Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize, JsonSchema,
)]
#[serde(rename_all = "snake_case")]
pub enum ProbeKind {
    /// Pressure of the tank (leak).
    Pressure,
    /// Force at the cord (pull).
    Force,
    /// Hall sensors at a shaft (roll).
    Hall,
}

impl ProbeKind {
    /// The word on the wire.
    pub fn word(self) -> &'static str {
        match self {
            ProbeKind::Pressure => "pressure",
            ProbeKind::Force => "force",
            ProbeKind::Hall => "hall",
        }
    }

    /// The kind that a word stands for.
    pub fn from_word(word: &str) -> Option<Self> {
        [ProbeKind::Pressure, ProbeKind::Force, ProbeKind::Hall]
            .into_iter()
            .find(|k| k.word() == word)
    }
}

impl fmt::Display for ProbeKind {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.word())
    }
}

/// Unit of a channel's readings.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub enum Unit {
    /// Pascal.
    #[serde(rename = "Pa")]
    Pascal,
    /// Newton.
    #[serde(rename = "N")]
    Newton,
    /// Degree Celsius.
    #[serde(rename = "C")]
    Celsius,
    /// Edges of a hall sensor.
    #[serde(rename = "edge")]
    Edge,
}

impl Unit {
    /// The word on the wire.
    pub fn word(self) -> &'static str {
        match self {
            Unit::Pascal => "Pa",
            Unit::Newton => "N",
            Unit::Celsius => "C",
            Unit::Edge => "edge",
        }
    }

    fn from_word(word: &str) -> Option<Self> {
        [Unit::Pascal, Unit::Newton, Unit::Celsius, Unit::Edge]
            .into_iter()
            .find(|u| u.word() == word)
    }
}

/// One channel of a probe: nominal calibration and what the converter does.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Channel {
    /// Index of the channel, 0..=7; of a hall probe: the sensor's index.
    pub index: u8,
    /// Unit of the readings.
    pub unit: Unit,
    /// Unit per count; finite, not 0.
    pub scale: f64,
    /// Count that reads 0; finite.
    pub zero: f64,
    /// Count at the converter's low end.
    pub min: i64,
    /// Count at the converter's high end, > `min`.
    pub max: i64,
    /// Readings per second, Hz; 0 for edges.
    pub rate_hz: f64,
    /// Order of the averaging filter: 0 point sample, 1 mean over one interval, 4 sinc4.
    pub order: u32,
}

impl Channel {
    /// Nominal reading of a count, in the channel's unit.
    ///
    /// ```
    /// use feelgauge::wire::{Channel, Unit};
    /// let c = Channel { index: 0, unit: Unit::Pascal, scale: 12.5, zero: 164.0, min: 0, max: 4092,
    ///     rate_hz: 200.0, order: 1 };
    /// assert!((c.nominal(1000) - 10_450.0).abs() < 1e-9);
    /// ```
    pub fn nominal(&self, count: i32) -> f64 {
        (f64::from(count) - self.zero) * self.scale
    }

    /// True at either end of the converter, where the true value may lie beyond.
    pub fn is_at_end(&self, count: i32) -> bool {
        i64::from(count) <= self.min || i64::from(count) >= self.max
    }
}

/// Who a probe is.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Identity {
    /// Version of the wire.
    pub version: u16,
    /// What the probe is for.
    pub kind: ProbeKind,
    /// Serial number, 1..=16 of `[A-Za-z0-9._-]`.
    pub serial: String,
    /// Version of the firmware, same characters.
    pub firmware: String,
    /// Boot counter, kept over power cycles.
    pub boot: u16,
    /// Probe clock when the line was made, microseconds.
    pub t_us: u32,
    /// Channels, 1..=8, by rising index.
    pub channels: Vec<Channel>,
}

impl Identity {
    /// The channel with that index.
    pub fn channel(&self, index: u8) -> Option<&Channel> {
        self.channels.iter().find(|c| c.index == index)
    }
}

/// A batch of evenly spaced counts of one channel.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Samples {
    /// Index of the channel, 0..=7.
    pub channel: u8,
    /// Probe clock at the end of the first count's averaging, microseconds.
    pub t0_us: u32,
    /// Microseconds from count to count, 1..=60 000 000.
    pub dt_us: u32,
    counts: [i32; Self::MOST],
    len: usize,
}

impl Samples {
    /// Most counts of a line.
    pub const MOST: usize = 32;
    /// Longest interval between counts, microseconds.
    pub const LONGEST_DT_US: u32 = 60_000_000;

    /// A batch; `None` unless channel <= 7, `dt_us` in range and 1..=32 counts.
    pub fn new(channel: u8, t0_us: u32, dt_us: u32, counts: &[i32]) -> Option<Self> {
        let fits = channel < 8
            && (1..=Self::LONGEST_DT_US).contains(&dt_us)
            && (1..=Self::MOST).contains(&counts.len());
        let mut held = [0; Self::MOST];
        fits.then(|| held[..counts.len()].copy_from_slice(counts))?;
        Some(Self {
            channel,
            t0_us,
            dt_us,
            counts: held,
            len: counts.len(),
        })
    }

    /// The counts, in order of time.
    pub fn counts(&self) -> &[i32] {
        &self.counts[..self.len]
    }

    /// `(probe clock in microseconds, count)`, in order of time; the clock wraps.
    pub fn timed(&self) -> impl Iterator<Item = (u32, i32)> + '_ {
        let mut t_us = self.t0_us;
        self.counts().iter().map(move |&count| {
            let at = t_us;
            t_us = t_us.wrapping_add(self.dt_us);
            (at, count)
        })
    }
}

/// A batch of edges of one channel.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Edges {
    /// Index of the channel, 0..=7.
    pub channel: u8,
    times_us: [u32; Self::MOST],
    len: usize,
}

impl Edges {
    /// Most edges of a line.
    pub const MOST: usize = 16;

    /// A batch; `None` unless channel <= 7 and 1..=16 times.
    pub fn new(channel: u8, times_us: &[u32]) -> Option<Self> {
        let fits = channel < 8 && (1..=Self::MOST).contains(&times_us.len());
        let mut held = [0; Self::MOST];
        fits.then(|| held[..times_us.len()].copy_from_slice(times_us))?;
        Some(Self {
            channel,
            times_us: held,
            len: times_us.len(),
        })
    }

    /// Probe clock of the edges, microseconds, in order of time; the clock wraps.
    pub fn times_us(&self) -> &[u32] {
        &self.times_us[..self.len]
    }
}

/// What a line says.
#[derive(Clone, Debug, PartialEq)]
pub enum Message<'a> {
    /// Who the probe is. The one message on the heap: it comes once a boot.
    Identity(Box<Identity>),
    /// Evenly spaced counts.
    Samples(Samples),
    /// Edges.
    Edges(Edges),
    /// Once a second.
    Heartbeat {
        /// Probe clock, microseconds.
        t_us: u32,
        /// Lines dropped in the probe since boot.
        lost_lines: u32,
        /// Samples or edges dropped in the probe since boot.
        lost_readings: u32,
    },
    /// Answer to a ping.
    Pong {
        /// The ping's token.
        token: u16,
        /// Probe clock, microseconds.
        t_us: u32,
    },
    /// A remark of the probe: `rate`, `command`, or one of a later firmware.
    Notice(&'a str),
}

impl Message<'_> {
    /// The earliest time in the message, on the probe's clock; `None` for a notice.
    pub fn earliest_us(&self) -> Option<u32> {
        match self {
            Message::Samples(s) => Some(s.t0_us),
            Message::Edges(e) => e.times_us().first().copied(),
            _ => self.latest_us(),
        }
    }

    /// The latest time in the message, on the probe's clock; `None` for a notice.
    pub fn latest_us(&self) -> Option<u32> {
        match self {
            Message::Identity(id) => Some(id.t_us),
            Message::Samples(s) => s.timed().last().map(|(t_us, _)| t_us),
            Message::Edges(e) => e.times_us().last().copied(),
            Message::Heartbeat { t_us, .. } | Message::Pong { t_us, .. } => Some(*t_us),
            Message::Notice(_) => None,
        }
    }
}

/// A good line.
#[derive(Clone, Debug, PartialEq)]
pub struct Line<'a> {
    /// Sequence number.
    pub seq: u16,
    /// What it says.
    pub message: Message<'a>,
}

/// True for 1..=16 characters of `[A-Za-z0-9._-]`: a serial number or a firmware version.
pub fn is_name(text: &str) -> bool {
    (1..=16).contains(&text.len())
        && text
            .bytes()
            .all(|b| b.is_ascii_alphanumeric() || b"._-".contains(&b))
}

/// Reads one line, without its LF, with or without a CR.
///
/// # Errors
/// The [`Fault`]; no line with a wrong CRC gives a message.
pub fn parse(line: &[u8]) -> Result<Line<'_>, Fault> {
    if line.len() > MAX_LINE {
        return Err(Fault::OverLong);
    }
    let payload = checked_payload(line).ok_or(Fault::BadCrc)?;
    let text = str::from_utf8(payload).unwrap_or_default();
    if !text.bytes().all(|b| (0x20..=0x7E).contains(&b)) || text.is_empty() {
        return Err(Fault::Malformed {
            field: 0,
            expected: "printable ASCII",
        });
    }
    let mut fields = Fields {
        rest: Some(text),
        at: 0,
    };
    let kind = fields.word("a kind letter")?;
    if kind.len() != 1 || !kind.starts_with(|c: char| c.is_ascii_uppercase()) {
        return Err(fields.wrong("a kind letter"));
    }
    let seq = fields.whole::<u16>("a sequence number 0..65535")?;
    let message = match kind {
        "I" => identity(&mut fields)?,
        "S" => samples(&mut fields)?,
        "E" => edges(&mut fields)?,
        "H" => Message::Heartbeat {
            t_us: fields.time()?,
            lost_lines: fields.whole("a count of lost lines")?,
            lost_readings: fields.whole("a count of lost readings")?,
        },
        "P" => Message::Pong {
            token: fields.whole("a token 0..65535")?,
            t_us: fields.time()?,
        },
        "N" => Message::Notice(fields.word("a notice's code")?),
        _ => return Err(Fault::Unknown),
    };
    if fields.rest.is_some() {
        fields.at += 1;
        return Err(fields.wrong("the end of the line"));
    }
    Ok(Line { seq, message })
}

/// The bytes before `*XXXX` if the CRC holds.
fn checked_payload(line: &[u8]) -> Option<&[u8]> {
    let line = line.strip_suffix(b"\r").unwrap_or(line);
    let (payload, tail) = line.split_at_checked(line.len().checked_sub(5)?)?;
    let hex = tail.strip_prefix(b"*")?;
    let stated = hex.iter().try_fold(0u16, |sum, &b| {
        let digit = match b {
            b'0'..=b'9' => b - b'0',
            b'A'..=b'F' => b - b'A' + 10,
            _ => return None,
        };
        Some(sum << 4 | u16::from(digit))
    })?;
    (CRC.checksum(payload) == stated && !payload.contains(&b'*')).then_some(payload)
}

/// Fields of a payload, separated by one space each.
struct Fields<'a> {
    rest: Option<&'a str>,
    /// Index of the field last taken, counted from 1.
    at: usize,
}

impl<'a> Fields<'a> {
    fn wrong(&self, expected: &'static str) -> Fault {
        Fault::Malformed {
            field: self.at.saturating_sub(1),
            expected,
        }
    }

    fn word(&mut self, expected: &'static str) -> Result<&'a str, Fault> {
        self.at += 1;
        let rest = self.rest.ok_or(self.wrong(expected))?;
        let (word, rest) = match rest.split_once(' ') {
            Some((word, rest)) => (word, Some(rest)),
            None => (rest, None),
        };
        self.rest = rest;
        if word.is_empty() {
            return Err(self.wrong(expected));
        }
        Ok(word)
    }

    fn whole<T: TryFrom<i64>>(&mut self, expected: &'static str) -> Result<T, Fault> {
        let word = self.word(expected)?;
        whole(word).ok_or(self.wrong(expected))
    }

    fn time(&mut self) -> Result<u32, Fault> {
        self.whole("a time 0..4294967295 us")
    }

    fn channel(&mut self) -> Result<u8, Fault> {
        let index: u8 = self.whole("a channel 0..7")?;
        if index < 8 {
            Ok(index)
        } else {
            Err(self.wrong("a channel 0..7"))
        }
    }

    /// Fills `held` with the numbers up to the end of the line; how many they were.
    fn list<T: TryFrom<i64>>(
        &mut self,
        held: &mut [T],
        expected: &'static str,
    ) -> Result<usize, Fault> {
        let mut n = 0;
        loop {
            let value = self.whole(expected)?;
            *held.get_mut(n).ok_or(self.wrong("fewer values"))? = value;
            n += 1;
            if self.rest.is_none() {
                return Ok(n);
            }
        }
    }
}

/// Digits without leading zeros, one minus sign allowed, but no `-0`.
fn is_whole(word: &str) -> bool {
    let digits = word.strip_prefix('-').unwrap_or(word);
    !digits.is_empty()
        && digits.bytes().all(|b| b.is_ascii_digit())
        && (!digits.starts_with('0') || word == "0")
}

fn whole<T: TryFrom<i64>>(word: &str) -> Option<T> {
    // 18 digits fit an i64 whatever they are.
    (is_whole(word) && word.len() <= 18)
        .then(|| word.parse::<i64>().ok())?
        .and_then(|n| T::try_from(n).ok())
}

/// `-12`, `0.25`, `1.5e-3`.
fn real(word: &str) -> Option<f64> {
    let (mantissa, exponent) = word.split_once('e').unwrap_or((word, "0"));
    let (int, fraction) = mantissa.split_once('.').unwrap_or((mantissa, "0"));
    let good = (is_whole(int) || int == "-0")
        && !fraction.is_empty()
        && fraction.bytes().all(|b| b.is_ascii_digit())
        && is_whole(exponent)
        && exponent.trim_start_matches('-').len() <= 2;
    good.then(|| word.parse::<f64>().ok())?
        .filter(|x| x.is_finite())
}

fn identity<'a>(fields: &mut Fields<'a>) -> Result<Message<'a>, Fault> {
    let version = fields.whole("a version of the wire")?;
    if version != VERSION {
        return Err(Fault::Version(version));
    }
    let kind = ProbeKind::from_word(fields.word("a kind of probe")?)
        .ok_or(fields.wrong("pressure, force or hall"))?;
    let mut name = |expected| match fields.word(expected)? {
        word if is_name(word) => Ok(word.to_owned()),
        _ => Err(fields.wrong(expected)),
    };
    let serial = name("a serial number, 1..16 of A-Za-z0-9._-")?;
    let firmware = name("a firmware version, 1..16 of A-Za-z0-9._-")?;
    let boot = fields.whole("a boot counter 0..65535")?;
    let t_us = fields.time()?;
    let mut channels: Vec<Channel> = Vec::with_capacity(2);
    loop {
        let channel = channel(fields.word("a channel")?)
            .ok_or(fields.wrong("index:unit:scale:zero:min:max:rate:order"))?;
        if channels.last().is_some_and(|c| c.index >= channel.index) {
            return Err(fields.wrong("channels by rising index"));
        }
        channels.push(channel);
        if fields.rest.is_none() {
            break;
        }
    }
    Ok(Message::Identity(Box::new(Identity {
        version,
        kind,
        serial,
        firmware,
        boot,
        t_us,
        channels,
    })))
}

fn channel(word: &str) -> Option<Channel> {
    let mut parts = word.split(':');
    let mut part = || parts.next();
    let channel = Channel {
        index: whole(part()?)?,
        unit: Unit::from_word(part()?)?,
        scale: real(part()?)?,
        zero: real(part()?)?,
        min: whole(part()?)?,
        max: whole(part()?)?,
        rate_hz: real(part()?)?,
        order: whole(part()?)?,
    };
    let edge_has_no_rate = (channel.unit == Unit::Edge) == (channel.rate_hz <= 0.0);
    let good = part().is_none()
        && channel.index < 8
        && channel.scale.abs() > 0.0
        && channel.min < channel.max
        && channel.rate_hz >= 0.0
        && edge_has_no_rate
        && channel.order <= 9;
    good.then_some(channel)
}

fn samples<'a>(fields: &mut Fields<'a>) -> Result<Message<'a>, Fault> {
    let channel = fields.channel()?;
    let t0_us = fields.time()?;
    let dt_us = fields.whole("an interval in us")?;
    let mut counts = [0i32; Samples::MOST];
    let wrong_dt = fields.wrong("an interval 1..60000000 us");
    let n = fields.list(&mut counts, "a count")?;
    Samples::new(channel, t0_us, dt_us, &counts[..n])
        .map(Message::Samples)
        .ok_or(wrong_dt)
}

fn edges<'a>(fields: &mut Fields<'a>) -> Result<Message<'a>, Fault> {
    let channel = fields.channel()?;
    let mut times_us = [0u32; Edges::MOST];
    let n = fields.list(&mut times_us, "a time 0..4294967295 us")?;
    // In order of time on a clock that wraps: no step back of up to half a wrap.
    if times_us[..n]
        .windows(2)
        .any(|w| w[1].wrapping_sub(w[0]) > u32::MAX / 2)
    {
        return Err(fields.wrong("times in order"));
    }
    let batch = Edges::new(channel, &times_us[..n]);
    batch.map(Message::Edges).ok_or(fields.wrong("1..16 times"))
}

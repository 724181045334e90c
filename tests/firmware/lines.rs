//! Reading what a firmware sent, independently of the program, and checking that the program reads the same.

use feelgauge::wire::{Decoder, Event, Message};

/// A line as the firmware sent it. This decoder is the test's own, so that firmware and program cannot share a mistake.
#[derive(Debug, Clone, PartialEq)]
pub struct Line {
    pub kind: char,
    pub seq: u16,
    pub fields: Vec<String>,
}

impl Line {
    pub fn number(&self, i: usize) -> u64 {
        self.fields[i].parse().unwrap()
    }
    pub fn numbers(&self, from: usize) -> Vec<u64> {
        (from..self.fields.len()).map(|i| self.number(i)).collect()
    }
}

/// CRC-16/MCRF4XX bit by bit (the catalogue's parameters; check value asserted below).
pub fn crc(bytes: &[u8]) -> u16 {
    bytes.iter().fold(0xFFFF, |crc, &byte| {
        (0..8).fold(crc ^ u16::from(byte), |c, _| {
            if c & 1 == 1 {
                (c >> 1) ^ 0x8408
            } else {
                c >> 1
            }
        })
    })
}

pub fn parse(bytes: &[u8]) -> Option<Line> {
    let text = std::str::from_utf8(bytes).ok()?;
    let (payload, sum) = text.rsplit_once('*')?;
    if sum != format!("{:04X}", crc(payload.as_bytes())) {
        return None;
    }
    let mut words = payload.split(' ').map(String::from);
    let (kind, seq) = (words.next()?, words.next()?);
    Some(Line {
        kind: kind.parse().ok()?,
        seq: seq.parse().ok()?,
        fields: words.collect(),
    })
}

/// Good lines and the number of bad ones; what follows the last LF counts for nothing.
pub fn decode(bytes: &[u8]) -> (Vec<Line>, usize) {
    assert_eq!(crc(b"123456789"), 0x6F91);
    let whole = &bytes[..bytes.iter().rposition(|&b| b == b'\n').map_or(0, |i| i + 1)];
    let all: Vec<_> = whole
        .split_inclusive(|&b| b == b'\n')
        .map(|line| parse(&line[..line.len() - 1]))
        .collect();
    let bad = all.iter().filter(|line| line.is_none()).count();
    (all.into_iter().flatten().collect(), bad)
}

/// What the program's own decoder reads in the bytes: lines with seq and readings.
fn program_reads(mut bytes: &[u8]) -> Vec<(u16, Vec<u64>)> {
    let mut decoder = Decoder::new();
    let mut all = Vec::new();
    while let Some(event) = decoder.next(&mut bytes) {
        let Event::Line { outcome, bytes } = event else {
            panic!("{event:?}")
        };
        let line = outcome.unwrap_or_else(|fault| panic!("{fault:?}: {}", bytes.escape_ascii()));
        let readings = match line.message {
            Message::Samples(s) => s
                .counts()
                .iter()
                .map(|&c| u64::try_from(c).unwrap())
                .collect(),
            Message::Edges(e) => e.times_us().iter().map(|&t| u64::from(t)).collect(),
            _ => Vec::new(),
        };
        all.push((line.seq, readings));
    }
    all
}

/// Lines of an undisturbed link: no bad one, no sequence number left out, and the program reads the same.
pub fn clean(bytes: &[u8]) -> Vec<Line> {
    let (lines, bad) = decode(bytes);
    assert_eq!(bad, 0);
    let expected: Vec<_> = lines
        .iter()
        .map(|line| match line.kind {
            'S' => (line.seq, line.numbers(3)),
            'E' => (line.seq, line.numbers(1)),
            _ => (line.seq, Vec::new()),
        })
        .collect();
    assert_eq!(program_reads(bytes), expected);
    for pair in lines.windows(2) {
        assert_eq!(pair[1].seq, pair[0].seq.wrapping_add(1), "{pair:?}");
    }
    lines
}

pub fn of_kind(lines: &[Line], kind: char) -> Vec<&Line> {
    lines.iter().filter(|line| line.kind == kind).collect()
}

/// Microseconds of a 32-bit clock made continuous.
pub fn unwrapped(times: impl IntoIterator<Item = u64>) -> Vec<u64> {
    let (mut high, mut last) = (0, 0);
    times
        .into_iter()
        .map(|t| {
            if t + (1 << 31) < last {
                high += 1 << 32;
            }
            last = t;
            t + high
        })
        .collect()
}

/// (end of averaging us, dt us, count) of every sample.
pub fn samples(lines: &[Line]) -> Vec<(u64, u64, u64)> {
    let found = of_kind(lines, 'S');
    let starts = unwrapped(found.iter().map(|line| line.number(1)));
    let with_starts = found.iter().zip(starts);
    with_starts
        .flat_map(|(line, t0)| {
            let dt = line.number(2);
            (0u64..)
                .zip(line.numbers(3))
                .map(move |(i, count)| (t0 + i * dt, dt, count))
        })
        .collect()
}

/// Stamps of one hall channel.
pub fn edges(lines: &[Line], channel: u64) -> Vec<u64> {
    let found = of_kind(lines, 'E');
    let ours = found.iter().filter(|line| line.number(0) == channel);
    unwrapped(ours.flat_map(|line| line.numbers(1)))
}

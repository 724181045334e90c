//! The slow decoder: whole stream at once, bitwise CRC, numbers by writing them back.

use feelgauge::wire::{
    Channel, Edges, Identity, Line, MAX_LINE, Message, Part, ProbeKind, Samples, Unit,
};

#[derive(Clone, Debug, PartialEq)]
pub struct Seen<'a> {
    pub bytes: Vec<u8>,
    pub part: Part,
    pub outcome: Result<Line<'a>, &'static str>,
}

pub fn slow_decode(stream: &[u8]) -> Vec<Seen<'_>> {
    let mut out = Vec::new();
    let mut pieces: Vec<&[u8]> = stream.split(|&b| b == b'\n').collect();
    let tail = pieces.pop().unwrap();
    let mut keep = |bytes: &[u8], part| {
        out.push(Seen {
            bytes: bytes.to_vec(),
            part,
            outcome: Err("piece"),
        });
    };
    let mut lines = Vec::new();
    for line in pieces {
        if line.len() <= MAX_LINE {
            lines.push(line);
            keep(line, Part::Whole);
            continue;
        }
        // whole pieces of the cap's length, then a rest of 1..=cap bytes
        let whole = (line.len() - 1) / MAX_LINE;
        for k in 0..whole {
            keep(&line[k * MAX_LINE..(k + 1) * MAX_LINE], Part::OverLong);
        }
        keep(&line[whole * MAX_LINE..], Part::OverLongEnd);
    }
    if !tail.is_empty() {
        let whole = (tail.len() - 1) / MAX_LINE;
        for k in 0..whole {
            keep(&tail[k * MAX_LINE..(k + 1) * MAX_LINE], Part::OverLong);
        }
        keep(&tail[whole * MAX_LINE..], Part::Torn);
    }
    let mut lines = lines.into_iter();
    for seen in out.iter_mut().filter(|s| s.part == Part::Whole) {
        seen.outcome = slow_parse(lines.next().unwrap());
    }
    out
}

pub fn slow_crc(bytes: &[u8]) -> u16 {
    bytes.iter().fold(0xFFFF, |crc, &b| {
        (0..8).fold(crc ^ u16::from(b), |c, _| {
            if c & 1 == 1 {
                (c >> 1) ^ 0x8408
            } else {
                c >> 1
            }
        })
    })
}

pub fn slow_parse(line: &[u8]) -> Result<Line<'_>, &'static str> {
    let line = if line.last() == Some(&b'\r') {
        &line[..line.len() - 1]
    } else {
        line
    };
    if line.len() < 5 {
        return Err("bad_crc");
    }
    let (payload, tail) = line.split_at(line.len() - 5);
    let crc = format!("*{:04X}", slow_crc(payload));
    if crc.as_bytes() != tail || payload.contains(&b'*') {
        return Err("bad_crc");
    }
    if payload.iter().any(|b| !(0x20..=0x7E).contains(b)) {
        return Err("malformed");
    }
    let words: Vec<&str> = std::str::from_utf8(payload).unwrap().split(' ').collect();
    let kind = words[0];
    if kind.len() != 1 || !kind.as_bytes()[0].is_ascii_uppercase() || words.len() < 2 {
        return Err("malformed");
    }
    let seq = slow_number(words[1], 0, 65_535).ok_or("malformed")?;
    if !"ISEHPN".contains(kind) {
        return Err("unknown");
    }
    if kind == "I"
        && words
            .get(2)
            .is_some_and(|w| *w != "1" && slow_number(w, 0, 65_535).is_some())
    {
        return Err("unknown");
    }
    let message = slow_message(kind, &words[2..]).ok_or("malformed")?;
    Ok(Line {
        seq: u16::try_from(seq).unwrap(),
        message,
    })
}

/// A number is what its own printing gives back.
fn slow_number(word: &str, lo: i64, hi: i64) -> Option<i64> {
    let n: i64 = word.parse().ok()?;
    (n.to_string() == word && (lo..=hi).contains(&n)).then_some(n)
}

fn slow_real(word: &str) -> Option<f64> {
    let mut left = word;
    left = left.strip_prefix('-').unwrap_or(left);
    let digits = |text: &str| text.chars().take_while(char::is_ascii_digit).count();
    let n = digits(left);
    if n == 0 || (n > 1 && left.starts_with('0')) || n > 18 {
        return None;
    }
    left = &left[n..];
    if let Some(rest) = left.strip_prefix('.') {
        let n = digits(rest);
        if n == 0 {
            return None;
        }
        left = &rest[n..];
    }
    if let Some(rest) = left.strip_prefix('e') {
        slow_number(rest, -99, 99)?;
        left = "";
    }
    if !left.is_empty() {
        return None;
    }
    word.parse().ok()
}

fn slow_message<'a>(kind: &str, fields: &[&'a str]) -> Option<Message<'a>> {
    const U32: i64 = u32::MAX as i64;
    let u32s = |words: &[&str]| -> Option<Vec<u32>> {
        words
            .iter()
            .map(|w| slow_number(w, 0, U32).map(|n| u32::try_from(n).unwrap()))
            .collect()
    };
    let channel = |word: &str| slow_number(word, 0, 7).map(|n| u8::try_from(n).unwrap());
    match (kind, fields) {
        ("I", [_, kind, serial, firmware, boot, t_us, channels @ ..]) => {
            let name = |w: &str| feelgauge::wire::is_name(w).then(|| w.to_owned());
            let channels: Vec<Channel> = channels
                .iter()
                .map(|w| slow_channel(w))
                .collect::<Option<_>>()?;
            let rising = channels.windows(2).all(|w| w[0].index < w[1].index);
            (rising && !channels.is_empty()).then_some(())?;
            Some(Message::Identity(Box::new(Identity {
                version: 1,
                kind: ProbeKind::from_word(kind)?,
                serial: name(serial)?,
                firmware: name(firmware)?,
                boot: u16::try_from(slow_number(boot, 0, 65_535)?).unwrap(),
                t_us: u32s(&[t_us])?[0],
                channels,
            })))
        }
        ("S", [index, t0, dt, counts @ ..]) => {
            let counts: Option<Vec<i32>> = counts
                .iter()
                .map(|w| {
                    slow_number(w, i32::MIN.into(), i32::MAX.into())
                        .map(|n| i32::try_from(n).unwrap())
                })
                .collect();
            let times = u32s(&[t0, dt])?;
            Samples::new(channel(index)?, times[0], times[1], &counts?).map(Message::Samples)
        }
        ("E", [index, times @ ..]) => {
            let times = u32s(times)?;
            let in_order = times.windows(2).all(|w| w[1].wrapping_sub(w[0]) < 1 << 31);
            in_order
                .then(|| Edges::new(channel(index).unwrap_or(9), &times))?
                .map(Message::Edges)
        }
        ("H", words @ [_, _, _]) => {
            let n = u32s(words)?;
            Some(Message::Heartbeat {
                t_us: n[0],
                lost_lines: n[1],
                lost_readings: n[2],
            })
        }
        ("P", [token, t_us]) => Some(Message::Pong {
            token: u16::try_from(slow_number(token, 0, 65_535)?).unwrap(),
            t_us: u32s(&[t_us])?[0],
        }),
        ("N", [code]) if !code.is_empty() => Some(Message::Notice(code)),
        _ => None,
    }
}

fn slow_channel(word: &str) -> Option<Channel> {
    let parts: Vec<&str> = word.split(':').collect();
    let [index, unit, scale, zero, min, max, rate, order] = parts[..] else {
        return None;
    };
    let big = 999_999_999_999_999_999;
    let c = Channel {
        index: u8::try_from(slow_number(index, 0, 7)?).unwrap(),
        unit: [Unit::Pascal, Unit::Newton, Unit::Celsius, Unit::Edge]
            .into_iter()
            .find(|u| u.word() == unit)?,
        scale: slow_real(scale)?,
        zero: slow_real(zero)?,
        min: slow_number(min, -big, big)?,
        max: slow_number(max, -big, big)?,
        rate_hz: slow_real(rate)?,
        order: u32::try_from(slow_number(order, 0, 9)?).unwrap(),
    };
    let rate_fits = if unit == "edge" {
        c.rate_hz.abs() <= 0.0
    } else {
        c.rate_hz > 0.0
    };
    (c.min < c.max && c.scale.abs() > 0.0 && rate_fits).then_some(c)
}

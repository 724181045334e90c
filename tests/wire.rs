//! The wire: a slow, obvious decoder beside the fast one, mutated streams, what the CRC catches and what it
//! does not, the examples of `firmware-notes/wire.md`, and the counting of faults.

#![allow(clippy::unwrap_used)] // in a test an unwrap is an assertion

use feelgauge::{
    physics::noise::Noise,
    wire::{
        CRC, Channel, Command, Decoder, Edges, Encoder, Event, FaultKind, Identity, Line, MAX_LINE,
        Message, Part, ProbeKind, Samples, Standing, Tracker, Unit, parse,
    },
};
use proptest::prelude::*;

// ---- The slow decoder: whole stream at once, bitwise CRC, numbers by writing them back.

#[derive(Clone, Debug, PartialEq)]
struct Seen<'a> {
    bytes: Vec<u8>,
    part: Part,
    outcome: Result<Line<'a>, &'static str>,
}

fn slow_decode(stream: &[u8]) -> Vec<Seen<'_>> {
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

fn slow_crc(bytes: &[u8]) -> u16 {
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

fn slow_parse(line: &[u8]) -> Result<Line<'_>, &'static str> {
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

// ---- Fast against slow.

/// Decodes `stream` cut at `cuts` and compares event by event with `expected`.
fn same_events(stream: &[u8], cuts: &[usize], expected: &[Seen<'_>]) -> Result<(), TestCaseError> {
    let mut decoder = Decoder::new();
    let mut expected = expected.iter();
    let mut check = |event: Event<'_>| {
        let want = expected.next();
        let outcome = match &event {
            Event::Line {
                outcome: Ok(line), ..
            } => Ok(line.clone()),
            Event::Line {
                outcome: Err(fault),
                ..
            } => Err(FaultKind::from(*fault).key()),
            Event::Piece { .. } => Err("piece"),
        };
        let seen = Seen {
            bytes: event.bytes().to_vec(),
            part: event.part(),
            outcome,
        };
        prop_assert_eq!(Some(&seen), want);
        Ok(())
    };
    let mut at = 0;
    for &cut in cuts.iter().chain([&stream.len()]) {
        let to = cut.clamp(at, stream.len());
        let mut input = &stream[at..to];
        while let Some(event) = decoder.next(&mut input) {
            check(event)?;
        }
        prop_assert!(input.is_empty());
        at = to;
    }
    if let Some(event) = decoder.finish() {
        check(event)?;
    }
    prop_assert!(expected.next().is_none(), "an event is missing");
    Ok(())
}

fn any_channel(index: u8) -> impl Strategy<Value = Channel> {
    (
        0usize..3,
        -1e3..1e3f64,
        -1e5..1e5f64,
        any::<i32>(),
        1i64..1 << 24,
        1u32..2000,
        0u32..5,
    )
        .prop_map(move |(unit, scale, zero, min, span, rate, order)| Channel {
            index,
            unit: [Unit::Pascal, Unit::Newton, Unit::Celsius][unit],
            scale: if scale.abs() > 1e-6 { scale } else { 1.0 },
            zero,
            min: min.into(),
            max: i64::from(min) + span,
            rate_hz: f64::from(rate) / 4.0,
            order,
        })
}

fn any_identity() -> impl Strategy<Value = Identity> {
    (
        0usize..3,
        "[A-Za-z0-9._-]{1,16}",
        "[A-Za-z0-9._-]{1,16}",
        any::<u16>(),
        any::<u32>(),
        any_channel(2),
    )
        .prop_map(|(kind, serial, firmware, boot, t_us, channel)| Identity {
            version: 1,
            kind: [ProbeKind::Pressure, ProbeKind::Force, ProbeKind::Hall][kind],
            serial,
            firmware,
            boot,
            t_us,
            channels: vec![channel],
        })
}

fn any_message() -> impl Strategy<Value = Message<'static>> {
    prop_oneof![
        any_identity().prop_map(|id| Message::Identity(Box::new(id))),
        (
            0u8..8,
            any::<u32>(),
            1u32..100_000,
            prop::collection::vec(-9999i32..9999, 1..=32)
        )
            .prop_map(|(c, t0, dt, counts)| Message::Samples(
                Samples::new(c, t0, dt, &counts).unwrap()
            )),
        (
            0u8..8,
            any::<u32>(),
            prop::collection::vec(0u32..1 << 20, 1..=16)
        )
            .prop_map(|(c, t0, steps)| {
                let mut t = t0;
                let times: Vec<u32> = steps
                    .iter()
                    .map(|s| {
                        t = t.wrapping_add(*s);
                        t
                    })
                    .collect();
                Message::Edges(Edges::new(c, &times).unwrap())
            }),
        (any::<u32>(), any::<u32>(), any::<u32>()).prop_map(|(t_us, lost_lines, lost_readings)| {
            Message::Heartbeat {
                t_us,
                lost_lines,
                lost_readings,
            }
        }),
        (any::<u16>(), any::<u32>()).prop_map(|(token, t_us)| Message::Pong { token, t_us }),
        prop_oneof![Just("rate"), Just("command"), Just("later")].prop_map(Message::Notice),
    ]
}

/// A stream of good lines, some ended by CR LF.
fn any_stream() -> impl Strategy<Value = Vec<u8>> {
    (
        any::<u16>(),
        prop::collection::vec((any_message(), any::<bool>()), 0..8),
    )
        .prop_map(|(seq, messages)| {
            let mut encoder = Encoder { seq };
            let mut stream = Vec::new();
            for (message, cr) in messages {
                if let Ok(line) = encoder.line(&message) {
                    stream.extend(&line[..line.len() - 1]);
                    stream.extend(if cr && line.len() <= MAX_LINE {
                        &b"\r\n"[..]
                    } else {
                        &b"\n"[..]
                    });
                }
            }
            stream
        })
}

#[derive(Clone, Debug)]
enum Damage {
    Change(usize, u8),
    Drop(usize),
    Double(usize),
    Insert(usize, Vec<u8>),
}

fn any_damage() -> impl Strategy<Value = Damage> {
    prop_oneof![
        (any::<usize>(), any::<u8>()).prop_map(|(at, b)| Damage::Change(at, b)),
        any::<usize>().prop_map(Damage::Drop),
        any::<usize>().prop_map(Damage::Double),
        (any::<usize>(), prop::collection::vec(any::<u8>(), 0..600))
            .prop_map(|(at, b)| Damage::Insert(at, b)),
        (any::<usize>(), Just(b"\n".to_vec())).prop_map(|(at, b)| Damage::Insert(at, b)),
    ]
}

fn damaged(mut stream: Vec<u8>, damages: &[Damage]) -> Vec<u8> {
    for damage in damages {
        let n = stream.len().max(1);
        match damage {
            Damage::Change(at, b) if !stream.is_empty() => stream[at % n] ^= b,
            Damage::Drop(at) if !stream.is_empty() => drop(stream.remove(at % n)),
            Damage::Double(at) if !stream.is_empty() => stream.insert(at % n, stream[at % n]),
            Damage::Insert(at, bytes) => {
                let at = at % (stream.len() + 1);
                stream.splice(at..at, bytes.iter().copied());
            }
            _ => {}
        }
    }
    stream
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(400))]

    #[test]
    fn any_stream_cut_anywhere_gives_the_events_of_the_slow_decoder(
        stream in any_stream(),
        damages in prop::collection::vec(any_damage(), 0..6),
        mut cuts in prop::collection::vec(0usize..1500, 0..30),
    ) {
        let stream = damaged(stream, &damages);
        let expected = slow_decode(&stream);
        cuts.sort_unstable();
        same_events(&stream, &cuts, &expected)?;
        let every_byte: Vec<usize> = (0..stream.len()).collect();
        same_events(&stream, &every_byte, &expected)?;
        // every byte is there, line ends apart
        let kept: usize = expected.iter().map(|s| s.bytes.len()).sum();
        let line_ends = stream.split(|&b| b == b'\n').count() - 1;
        prop_assert_eq!(kept + line_ends, stream.len());
    }

    #[test]
    fn bytes_of_no_meaning_never_panic(stream in prop::collection::vec(any::<u8>(), 0..2000)) {
        same_events(&stream, &[], &slow_decode(&stream))?;
    }

    #[test]
    fn what_is_encoded_is_read_back(message in any_message(), seq: u16) {
        if let Ok(line) = (Encoder { seq }).line(&message) {
            let read = parse(&line[..line.len() - 1]).unwrap();
            prop_assert_eq!(read, Line { seq, message });
        }
    }

    /// Payloads near the grammar, with a CRC that holds: both parsers draw the same border.
    #[test]
    fn the_grammar_has_one_border(
        words in prop::collection::vec(
            prop_oneof![
                "[A-Z]", "-?[0-9]{1,11}", "[0-9a-z.:-]{0,6}", Just("I 7 1 hall a b 1 2".to_owned()),
                "-?[0-9]{1,3}(\\.[0-9]{1,3})?(e-?[0-9]{1,3})?"
                    .prop_map(|real| format!("I 0 1 force x y 1 2 0:N:{real}:0:0:9:80:1")),
                Just("S 1 0 5 5".to_owned()), Just("E 65535 7 4294967295".to_owned()), Just("H 0 1 2".to_owned()),
                Just("0:Pa:1:-0.5:0:9:10:1".to_owned()), Just("1:edge:1e-3:0:0:1:0:0".to_owned()),
            ],
            1..6,
        ),
    ) {
        let payload = words.join(" ");
        let line = format!("{payload}*{:04X}", slow_crc(payload.as_bytes()));
        let fast = parse(line.as_bytes()).map_err(|f| FaultKind::from(f).key());
        prop_assert_eq!(fast, slow_parse(line.as_bytes()), "{}", line);
    }
}

// ---- What the CRC catches.

fn sample_lines() -> Vec<Vec<u8>> {
    let text = std::fs::read_to_string(concat!(
        env!("CARGO_MANIFEST_DIR"),
        "/firmware-notes/wire.md"
    ))
    .unwrap();
    blocks(&text, "wire")
        .map(|line| line.as_bytes().to_vec())
        .collect()
}

/// Every position, every one of the 255 changes: no other message appears, alone or among neighbours.
#[test]
fn every_changed_byte_of_a_line_is_caught() {
    let neighbour = b"P 22 17 1040512*5913\n";
    let mut tried = 0;
    for (n, line) in sample_lines().iter().enumerate() {
        let end: &[u8] = if n % 2 == 0 { b"\n" } else { b"\r\n" };
        let sound = [&neighbour[..], line, end, neighbour].concat();
        let sent: Vec<String> = messages(&sound);
        assert_eq!(sent.len(), 3);
        for at in neighbour.len()..neighbour.len() + line.len() + end.len() {
            for change in 1..=255u8 {
                let mut stream = sound.clone();
                stream[at] ^= change;
                let got = messages(&stream);
                tried += 1;
                assert!(
                    got.len() <= 2 || (got == sent && at >= neighbour.len() + line.len()),
                    "{} at {at} by {change}: {got:?}",
                    String::from_utf8_lossy(line)
                );
                assert!(got.iter().all(|m| sent.contains(m)), "{got:?}");
            }
        }
    }
    assert!(tried > 100_000, "{tried} changes");
}

fn messages(stream: &[u8]) -> Vec<String> {
    let mut decoder = Decoder::new();
    let mut input = stream;
    let mut out = Vec::new();
    while let Some(event) = decoder.next(&mut input) {
        if let Event::Line {
            outcome: Ok(line), ..
        } = event
        {
            out.push(format!("{line:?}"));
        }
    }
    out
}

/// A dropped or doubled byte passes the checksum about once in 65536: measured, not claimed to be zero.
/// Expected 61 of 4 000 000 each; the bounds are five standard deviations of that Poisson count.
#[test]
fn dropped_and_doubled_bytes_pass_as_often_as_16_bits_let_them() {
    const TRIALS: u32 = 4_000_000;
    let mut noise = Noise::new(16, 1);
    let mut lines: Vec<Vec<u8>> = Vec::new();
    for seq in 0..2000 {
        let counts: Vec<i32> = (0..10)
            .map(|_| i32::try_from(noise.below(16_384)).unwrap())
            .collect();
        let t0 = u32::try_from(noise.below(1 << 32)).unwrap();
        let message = Message::Samples(Samples::new(0, t0, 5000, &counts).unwrap());
        let mut line = (Encoder { seq }).line(&message).unwrap();
        line.pop();
        lines.push(line);
    }
    let expected = f64::from(TRIALS) / 65_536.0;
    let (lo, hi) = (
        expected - 5.0 * expected.sqrt(),
        expected + 5.0 * expected.sqrt(),
    );
    for doubled in [false, true] {
        let mut passed = 0u32;
        let mut broken = Vec::with_capacity(MAX_LINE);
        for _ in 0..TRIALS {
            let line = &lines[usize::try_from(noise.below(2000)).unwrap()];
            let at = usize::try_from(noise.below(line.len() as u64 - 5)).unwrap();
            broken.clear();
            broken.extend(&line[..at + usize::from(doubled)]);
            broken.extend(&line[at + usize::from(!doubled)..]);
            let body = broken.len() - 5;
            let stated =
                u16::from_str_radix(str::from_utf8(&broken[body + 1..]).unwrap(), 16).unwrap();
            passed += u32::from(CRC.checksum(&broken[..body]) == stated);
        }
        let what = if doubled { "doubled" } else { "dropped" };
        println!(
            "{what} byte: {passed} of {TRIALS} pass, 1 in {}",
            TRIALS / passed.max(1)
        );
        assert!(
            (lo..hi).contains(&f64::from(passed)),
            "{what}: {passed}, expected {expected:.0}"
        );
    }
}

#[test]
fn the_crc_is_the_catalogues() {
    // RevEng catalogue, CRC-16/MCRF4XX (crc-catalog 2.5.0): check 0x6F91
    assert_eq!(CRC.checksum(b"123456789"), 0x6F91);
    assert_eq!(slow_crc(b"123456789"), 0x6F91);
}

#[test]
fn the_tail_of_an_over_long_line_is_never_a_line() {
    let good = b"P 22 17 1040512*5913\n";
    for long in 230..800 {
        let stream = [vec![b'z'; long], good.to_vec(), good.to_vec()].concat();
        let got = messages(&stream);
        assert_eq!(got.len(), 1, "after {long} bytes");
    }
}

// ---- The document.

/// Lines of the fenced blocks of one kind.
fn blocks<'a>(text: &'a str, kind: &'a str) -> impl Iterator<Item = &'a str> {
    let mut inside = false;
    text.lines().filter(move |line| {
        if let Some(fence) = line.strip_prefix("```") {
            inside = !inside && fence == kind;
            return false;
        }
        inside
    })
}

#[test]
fn examples_of_the_document_are_what_it_says() {
    let text = std::fs::read_to_string(concat!(
        env!("CARGO_MANIFEST_DIR"),
        "/firmware-notes/wire.md"
    ))
    .unwrap();
    let good: Vec<&str> = blocks(&text, "wire").collect();
    assert!(good.len() >= 10);
    for line in &good {
        assert!(
            parse(line.as_bytes()).is_ok() && slow_parse(line.as_bytes()).is_ok(),
            "{line}"
        );
    }
    let broken: Vec<&str> = blocks(&text, "wire-broken").collect();
    assert!(broken.len() >= 10);
    for example in broken {
        let (kind, line) = example.split_once(' ').unwrap();
        let fault = parse(line.as_bytes()).unwrap_err();
        assert_eq!(FaultKind::from(fault).key(), kind, "{line}");
        assert_eq!(slow_parse(line.as_bytes()).unwrap_err(), kind, "{line}");
    }
    let bytes: Vec<u8> = blocks(&text, "hex")
        .flat_map(str::split_whitespace)
        .map(|hex| u8::from_str_radix(hex, 16).unwrap())
        .collect();
    assert_eq!(bytes.strip_suffix(b"\n").unwrap(), good[3].as_bytes());
    for kind in FaultKind::ALL {
        assert!(
            text.contains(&format!("\n| {} |", kind.key())),
            "{kind:?} is documented"
        );
    }
}

/// "The second count ... worked out" of the document.
#[test]
fn a_count_reads_what_the_document_says() {
    let lines = sample_lines();
    let (Ok(id), Ok(samples)) = (parse(&lines[0]), parse(&lines[1])) else {
        panic!()
    };
    let (Message::Identity(id), Message::Samples(samples)) = (id.message, samples.message) else {
        panic!()
    };
    let (t_us, count) = samples.timed().nth(1).unwrap();
    assert_eq!((t_us, count), (108_000, 1701));
    assert!((id.channel(0).unwrap().nominal(count) - 191.04).abs() < 0.005);
}

/// The table "Room on the line".
#[test]
fn lines_are_as_long_as_the_document_says() {
    let len = |message: &Message<'_>| (Encoder { seq: 65_535 }).line(message).unwrap().len();
    let samples = |n, dt| {
        len(&Message::Samples(
            Samples::new(0, u32::MAX, dt, &vec![12_345; n]).unwrap(),
        ))
    };
    let edges = |n| len(&Message::Edges(Edges::new(0, &vec![u32::MAX; n]).unwrap()));
    assert_eq!(
        [samples(10, 20_000), samples(16, 1000), samples(32, 20_000)],
        [92, 127, 32 + 6 * 32]
    );
    assert_eq!([edges(12), edges(16)], [147, 191]);
    let m = u32::MAX;
    assert_eq!(
        len(&Message::Heartbeat {
            t_us: m,
            lost_lines: m,
            lost_readings: m
        }),
        46
    );
}

#[test]
fn commands_are_read_as_they_are_written() {
    for command in [
        Command::Identify,
        Command::Ping(65_535),
        Command::Rate(1000),
    ] {
        let bytes = command.bytes();
        assert_eq!(
            Command::read(bytes.strip_suffix(b"\n").unwrap()),
            Some(command)
        );
        assert!(bytes.len() <= 17, "16 bytes before the LF");
    }
    assert_eq!(Command::read(b"p 65536"), None);
    assert_eq!(Command::read(b"i "), None);
}

// ---- Faults are counted by kind.

/// Lines of a probe whose clock and number the test sets, and the tracker that follows them.
struct Bench {
    encoder: Encoder,
    tracker: Tracker,
    host_us: u64,
}

impl Bench {
    fn new() -> Self {
        Self {
            encoder: Encoder::default(),
            tracker: Tracker::new(),
            host_us: 0,
        }
    }

    fn take(&mut self, bytes: &[u8]) -> Standing {
        self.host_us += 50_000;
        self.tracker
            .take(self.host_us, &Event::read(bytes, Part::Whole))
    }

    fn say(&mut self, message: &Message<'_>) -> Standing {
        let mut line = self.encoder.line(message).unwrap();
        line.pop();
        self.take(&line)
    }

    fn samples(&mut self, t0_us: u32) -> Standing {
        self.say(&Message::Samples(
            Samples::new(0, t0_us, 5000, &[1; 10]).unwrap(),
        ))
    }

    fn hello(&mut self, boot: u16, t_us: u32) -> Standing {
        let channel = Channel {
            index: 0,
            unit: Unit::Pascal,
            scale: 1.0,
            zero: 0.0,
            min: 0,
            max: 1023,
            rate_hz: 200.0,
            order: 1,
        };
        self.say(&Message::Identity(Box::new(Identity {
            version: 1,
            kind: ProbeKind::Pressure,
            serial: "P1".into(),
            firmware: "1".into(),
            boot,
            t_us,
            channels: vec![channel],
        })))
    }

    fn counts(&self) -> Vec<(&'static str, u64)> {
        self.tracker
            .health()
            .faults()
            .map(|(k, n)| (k.key(), n))
            .collect()
    }
}

const FRESH: Standing = Standing::Fresh {
    gap: false,
    restarted: false,
};
const AFTER_GAP: Standing = Standing::Fresh {
    gap: true,
    restarted: false,
};
const RESTARTED: Standing = Standing::Fresh {
    gap: true,
    restarted: true,
};

#[test]
fn lost_and_broken_lines_are_counted_once() {
    let mut bench = Bench::new();
    bench.encoder.seq = 65_534;
    assert_eq!(bench.samples(0), FRESH);
    assert_eq!(bench.take(b"S 65535 0 50000 5000 1*0000"), Standing::Broken);
    bench.encoder.seq = 2; // 65535 came broken, 0 and 1 never came
    assert_eq!(bench.samples(200_000), AFTER_GAP);
    assert_eq!(bench.counts(), [("bad_crc", 1), ("lost", 2)]);
    assert_eq!(bench.samples(250_000), FRESH);
}

#[test]
fn repeated_and_late_lines_are_not_used() {
    let mut bench = Bench::new();
    bench.samples(0);
    bench.samples(50_000);
    bench.encoder.seq = 1;
    assert_eq!(bench.samples(50_000), Standing::Stale);
    bench.encoder.seq = 0;
    assert_eq!(bench.samples(0), Standing::Stale);
    bench.encoder.seq = 2;
    assert_eq!(bench.samples(100_000), FRESH);
    assert_eq!(bench.counts(), [("repeated", 1), ("out_of_order", 1)]);
}

#[test]
fn a_reset_is_seen_with_and_without_its_hello_and_times_go_on() {
    for with_hello in [true, false] {
        let mut bench = Bench::new();
        bench.hello(7, 2_000);
        for k in 0..100 {
            bench.samples(k * 50_000);
        }
        let before = bench.tracker.clock().unwrap(99 * 50_000 + 45_000);
        bench.host_us += 1_500_000; // boot loader
        bench.encoder.seq = 0;
        if with_hello {
            assert_eq!(
                bench.hello(8, 2_000),
                Standing::Fresh {
                    gap: false,
                    restarted: true
                }
            );
            assert_eq!(bench.samples(3_000), AFTER_GAP);
        } else {
            bench.encoder.seq = 1;
            assert_eq!(bench.samples(3_000), RESTARTED);
        }
        let lost: &[_] = if with_hello {
            &[("reset", 1)]
        } else {
            &[("lost", 1), ("reset", 1)]
        };
        assert_eq!(bench.counts(), lost);
        let after = bench.tracker.clock().unwrap(3_000);
        let apart = after - before;
        assert!(
            (1_400_000..1_700_000).contains(&apart),
            "{apart} us for a pause of 1.5 s"
        );
    }
}

/// A board without a memory for its boot counter, reset twice within its first second.
#[test]
fn a_quick_reset_is_seen_by_its_number() {
    let mut bench = Bench::new();
    bench.hello(0, 2_000);
    bench.samples(3_000);
    bench.samples(53_000);
    bench.encoder.seq = 0;
    assert_eq!(
        bench.hello(0, 2_000),
        Standing::Fresh {
            gap: false,
            restarted: true
        }
    );
    assert_eq!(bench.counts(), [("reset", 1)]);
    let before = bench.tracker.clock().unwrap(2_000);
    assert_eq!(bench.samples(3_000), AFTER_GAP);
    assert!(bench.tracker.clock().unwrap(3_000) > before);
}

/// Its hello was lost in a broken line, and its clock went back by less than a line may be late.
#[test]
fn a_quick_reset_without_its_hello_costs_one_line() {
    let mut bench = Bench::new();
    bench.hello(7, 2_000);
    for k in 0..18 {
        bench.samples(3_000 + k * 50_000);
    }
    assert_eq!(bench.take(b"S 19 0 10I 0 1 pressure"), Standing::Broken);
    let before = bench.tracker.clock().unwrap(903_000);
    bench.encoder.seq = 1;
    assert_eq!(bench.samples(3_000), Standing::Stale);
    assert_eq!(bench.samples(53_000), RESTARTED);
    assert!(bench.tracker.clock().unwrap(53_000) > before);
    assert_eq!(bench.samples(103_000), FRESH);
    let counts = [("bad_crc", 1), ("out_of_order", 1), ("reset", 1)];
    assert_eq!(bench.counts(), counts);
}

#[test]
fn a_clock_step_is_told_from_a_reset() {
    let mut bench = Bench::new();
    bench.samples(10_000_000);
    assert_eq!(bench.samples(10_050_000), FRESH);
    let before = bench.tracker.clock().unwrap(10_095_000);
    assert_eq!(bench.samples(4_000_000), RESTARTED);
    assert!(
        bench.tracker.clock().unwrap(4_000_000) > before,
        "no reading goes back"
    );
    assert_eq!(bench.samples(4_050_000), FRESH);
    assert_eq!(bench.samples(900_000_000), RESTARTED);
    assert_eq!(bench.counts(), [("clock_step", 2)]);
}

#[test]
fn the_probes_own_losses_are_counted_from_its_first_heartbeat() {
    let mut bench = Bench::new();
    let beat = |t_us, lost_lines, lost_readings| Message::Heartbeat {
        t_us,
        lost_lines,
        lost_readings,
    };
    bench.say(&beat(0, 5, 7));
    assert_eq!(bench.counts(), [], "before our time");
    bench.say(&beat(50_000, 6, 17));
    assert_eq!(bench.counts(), [("overrun", 11)]);
    assert_eq!(bench.samples(51_000), AFTER_GAP);
    assert_eq!(bench.samples(101_000), FRESH);
}

#[test]
fn over_long_torn_and_dropped_lines_are_counted() {
    let mut tracker = Tracker::new();
    let mut decoder = Decoder::new();
    let stream = [vec![b'x'; 600], b"\nhalf".to_vec()].concat();
    let mut input = &stream[..];
    while let Some(event) = decoder.next(&mut input) {
        tracker.take(0, &event);
    }
    tracker.take(0, &decoder.finish().unwrap());
    tracker.host_overrun(3);
    let counts: Vec<_> = tracker
        .health()
        .faults()
        .map(|(k, n)| (k.key(), n))
        .collect();
    assert_eq!(counts, [("over_long", 1), ("host_overrun", 3), ("torn", 1)]);
    assert_eq!(tracker.health().lines, 2);
}

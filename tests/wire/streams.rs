//! Any stream, cut anywhere, damaged anyhow: the fast decoder says what the slow one says.

use feelgauge::wire::{
    Channel, Decoder, Edges, Encoder, Event, FaultKind, Identity, Line, MAX_LINE, Message,
    ProbeKind, Samples, Unit, parse,
};
use proptest::prelude::*;

use crate::slow::{Seen, slow_crc, slow_decode, slow_parse};

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

/// A thousand lines of samples, edges and heartbeats: once the decoder has seen one of each it asks for no more memory.
#[test]
fn a_line_costs_no_allocation() {
    let mut encoder = Encoder::default();
    let mut round = |k: u32| {
        let samples = Samples::new(0, k * 10_000, 1000, &[1, -2, 300, -4000]).unwrap();
        let edges = Edges::new(1, &[k * 10_000, k * 10_000 + 77]).unwrap();
        let heartbeat = Message::Heartbeat {
            t_us: k * 10_000,
            lost_lines: 0,
            lost_readings: 0,
        };
        [Message::Samples(samples), Message::Edges(edges), heartbeat]
            .iter()
            .flat_map(|m| encoder.line(m).unwrap())
            .collect::<Vec<u8>>()
    };
    let (first, rest): (Vec<u8>, Vec<u8>) = (round(0), (1..400).flat_map(&mut round).collect());
    let mut decoder = Decoder::new();
    let mut drain = |mut input: &[u8]| {
        let mut lines = 0;
        while let Some(event) = decoder.next(&mut input) {
            lines += usize::from(matches!(event, Event::Line { outcome: Ok(_), .. }));
        }
        lines
    };
    assert_eq!(drain(&first), 3);
    let mut lines = 0;
    let counted = allocation_counter::measure(|| {
        // cut in the middle of lines, so that the decoder must keep pieces
        lines = rest.chunks(61).map(&mut drain).sum();
    });
    assert_eq!(lines, 3 * 399);
    assert_eq!(counted.count_total, 0);
}

//! A feed from rows to readings.

use super::*;
use crate::{
    inspect::Mark,
    reading::Edge,
    wire::{Channel, Encoder, Message, Part, ProbeKind, Samples, Unit},
};

fn identity(kind: ProbeKind, units: &[Unit]) -> Identity {
    let channel = |(index, unit)| Channel {
        index,
        unit,
        scale: 0.5,
        zero: 10.0,
        min: 0,
        max: 1000,
        rate_hz: 100.0,
        order: 1,
    };
    Identity {
        version: 1,
        kind,
        serial: "A1".into(),
        firmware: "f1".into(),
        boot: 3,
        t_us: 0,
        channels: (0..).zip(units.iter().copied()).map(channel).collect(),
    }
}

fn wire(kind: ProbeKind, units: &[Unit]) -> Source {
    Source::Wire(Some(Box::new(identity(kind, units))))
}

fn row(probe: usize, host_us: u64, bytes: &[u8]) -> Input {
    let bytes = bytes.strip_suffix(b"\n").unwrap_or(bytes).to_vec();
    Input::Row(
        probe,
        Row {
            host_us,
            bytes,
            part: Part::Whole,
        },
    )
}

fn samples(encoder: &mut Encoder, channel: u8, t0_us: u32, counts: &[i32]) -> Vec<u8> {
    let samples = Samples::new(channel, t0_us, 10_000, counts).unwrap();
    encoder.line(&Message::Samples(samples)).unwrap()
}

fn run(mut feed: Feed, inputs: &[Input]) -> (Vec<Reading>, Quality) {
    let mut readings = Vec::new();
    let mut out = |reading| readings.push(reading);
    for input in inputs {
        feed.push(input, &mut out);
    }
    let quality = feed.finish(&BTreeMap::new(), &[], &mut out);
    (readings, quality)
}

#[test]
fn pressure_is_calibrated_and_carries_each_temperature_once() {
    let source = wire(ProbeKind::Pressure, &[Unit::Pascal, Unit::Celsius]);
    let feed = Feed::new(Test::Leak, vec![source], Vec::new());
    let mut encoder = Encoder::default();
    let lines = [
        samples(&mut encoder, 1, 0, &[50]),
        samples(&mut encoder, 0, 0, &[10, 12]),
        samples(&mut encoder, 0, 20_000, &[1000]),
    ];
    let inputs: Vec<Input> = lines.iter().map(|l| row(0, 30_000, l)).collect();
    let (readings, quality) = run(feed, &inputs);
    let seen: Vec<_> = readings
        .iter()
        .map(|r| match r {
            Reading::Pressure(r) => (r.t_us, r.pressure_pa, r.tank_k),
            _ => panic!("a leak has pressures"),
        })
        .collect();
    assert_eq!(
        seen,
        [
            (0, 0.0, Some(293.15)),
            (10_000, 1.0, None),
            (20_000, 495.0, None)
        ]
    );
    assert_eq!((quality.lines, quality.rows, quality.ignored), (3, 3, 0));
    assert_eq!(quality.faults, BTreeMap::from([(CLIPPED.into(), 1)]));
    assert!(!quality.unprotected);
}

#[test]
fn other_probes_and_sensors_are_ignored_and_counted() {
    let sources = vec![
        wire(ProbeKind::Pressure, &[Unit::Pascal]),
        wire(ProbeKind::Hall, &[Unit::Edge, Unit::Edge]),
    ];
    let feed = Feed::new(Test::Roll, sources, vec![1]);
    let (mut a, mut b) = (Encoder::default(), Encoder::default());
    let edges = |encoder: &mut Encoder, channel, times: &[u32]| {
        let edges = crate::wire::Edges::new(channel, times).unwrap();
        encoder.line(&Message::Edges(edges)).unwrap()
    };
    let inputs = [
        row(0, 1, &samples(&mut a, 0, 0, &[1, 2, 3])),
        row(1, 2, &edges(&mut b, 0, &[5, 6])),
        row(1, 3, &edges(&mut b, 1, &[5, 9, 9])),
    ];
    let (readings, quality) = run(feed, &inputs);
    assert_eq!(readings.len(), 2);
    assert!(matches!(readings[1], Reading::Edge(Edge { sensor: 1, .. })));
    assert_eq!((quality.rows, quality.ignored), (2, 5));
    assert_eq!(quality.faults, BTreeMap::from([(BACKWARD.into(), 1)]));
}

/// Two sensed wheels of one probe: their edges come in batches, each in its own order.
#[test]
fn several_sensors_keep_their_own_order() {
    let source = wire(ProbeKind::Hall, &[Unit::Edge, Unit::Edge]);
    let feed = Feed::new(Test::Roll, vec![source], vec![0, 1]);
    let mut encoder = Encoder::default();
    let mut edges = |channel, times: &[u32]| {
        let edges = crate::wire::Edges::new(channel, times).unwrap();
        encoder.line(&Message::Edges(edges)).unwrap()
    };
    let lines = [
        edges(0, &[1000, 3000, 5000]),
        edges(1, &[900, 1500, 4500]),
        edges(0, &[7000, 7000]),
    ];
    let inputs: Vec<Input> = lines.iter().map(|l| row(0, 9, l)).collect();
    let (readings, quality) = run(feed, &inputs);
    let seen: Vec<(u64, u32)> = readings
        .iter()
        .map(|r| match r {
            Reading::Edge(e) => (e.t_us, e.sensor),
            _ => panic!("a roll has edges"),
        })
        .collect();
    assert_eq!(
        seen,
        [(0, 0), (2000, 0), (4000, 0), (500, 1), (3500, 1), (6000, 0)],
        "{quality:?}"
    );
    assert_eq!((quality.rows, quality.ignored), (6, 0));
    assert_eq!(quality.faults, BTreeMap::from([(BACKWARD.into(), 2)]));
}

/// A board that starts anew in mid-capture: its clock is back at nothing, the readings' time goes on by what
/// passed on the host, and the lines that never came are counted.
#[test]
fn reset_keeps_time_going_forward() {
    let source = wire(ProbeKind::Force, &[Unit::Newton]);
    let feed = Feed::new(Test::Pull, vec![source], Vec::new());
    let mut inputs = Vec::new();
    let mut encoder = Encoder::default();
    for n in 0..10_u32 {
        let line = samples(&mut encoder, 0, 50_000_000 + n * 10_000, &[20]);
        inputs.push(row(0, u64::from(n) * 10_000, &line));
    }
    let mut encoder = Encoder::default();
    let hello = Identity {
        boot: 4,
        t_us: 1000,
        ..identity(ProbeKind::Force, &[Unit::Newton])
    };
    let hello = encoder.line(&Message::Identity(Box::new(hello))).unwrap();
    inputs.push(row(0, 2_000_000, &hello));
    for n in 0..10_u32 {
        let line = samples(&mut encoder, 0, 2000 + n * 10_000, &[20]);
        inputs.push(row(0, 2_010_000 + u64::from(n) * 10_000, &line));
    }
    let (readings, quality) = run(feed, &inputs);
    assert_eq!(readings.len(), 20);
    let times: Vec<u64> = readings.iter().map(Reading::t_us).collect();
    assert!(times.is_sorted_by(|a, b| a < b), "{times:?}");
    let pause = times[10] - times[9];
    assert!((1_800_000..2_100_000).contains(&pause), "{pause}");
    assert_eq!(quality.faults, BTreeMap::from([("reset".into(), 1)]));
    assert_eq!(quality.gaps, 1);
}

#[test]
fn lost_and_broken_lines_are_counted_as_gaps_and_never_stop() {
    let source = wire(ProbeKind::Force, &[Unit::Newton]);
    let feed = Feed::new(Test::Pull, vec![source], Vec::new());
    let mut encoder = Encoder::default();
    let mut inputs: Vec<Input> = (0..40_u32)
        .map(|n| {
            let line = samples(&mut encoder, 0, n * 10_000, &[20]);
            row(0, u64::from(n) * 10_000, &line)
        })
        .collect();
    if let Input::Row(_, broken) = &mut inputs[20] {
        broken.bytes[5] ^= 1;
    }
    inputs.remove(10);
    inputs.push(Input::Mark(Mark {
        host_us: 400_000,
        text: "host_overrun 3".into(),
    }));
    let (readings, quality) = run(feed, &inputs);
    assert_eq!(readings.len(), 38);
    let faults = [("bad_crc", 1), ("host_overrun", 3), ("lost", 1)];
    assert_eq!(
        quality.faults,
        BTreeMap::from(faults.map(|(k, n)| (k.to_owned(), n)))
    );
    assert_eq!(quality.gaps, 2);
}

/// USB hands several bare lines over at once: they are spread over the time since the read before, except over
/// a pause.
#[test]
fn bare_lines_of_one_read_are_spread() {
    let bare = Bare::describe("force:N:1").unwrap();
    let feed = Feed::new(Test::Pull, vec![Source::Bare(bare)], Vec::new());
    let mut inputs = Vec::new();
    for (read_us, n) in [
        (10_000, 1),
        (20_000, 2),
        (30_000, 2),
        (5_000_000, 2),
        (5_010_000, 1),
    ] {
        inputs.extend((0..n).map(|_| row(0, read_us, b"2.5\r")));
    }
    inputs.insert(3, row(0, 20_000, b"what"));
    let (readings, quality) = run(feed, &inputs);
    let times: Vec<u64> = readings.iter().map(Reading::t_us).collect();
    assert_eq!(
        times,
        [
            0, 5_000, 10_000, 15_000, 20_000, 4_980_000, 4_990_000, 5_000_000
        ]
    );
    assert_eq!((quality.lines, quality.rows), (9, 8));
    assert_eq!(quality.faults, BTreeMap::from([("malformed".into(), 1)]));
    assert!(quality.unprotected && quality.flags == ["host_time"]);
}

proptest::proptest! {
    /// Whatever comes on three ports, nothing panics, time goes forward and every line is counted.
    #[test]
    fn any_rows_are_taken(rows in proptest::collection::vec(
        (0_usize..3, 0_u64..40, "[ISEHP] [0-9]{1,5}( [0-9:.a-zA-Z-]{1,9}){0,6}", proptest::bool::ANY, 0_usize..4),
        0..60,
    )) {
        const PARTS: [Part; 4] = [Part::Whole, Part::OverLong, Part::OverLongEnd, Part::Torn];
        let sources = vec![
            wire(ProbeKind::Pressure, &[Unit::Pascal, Unit::Celsius]),
            Source::Wire(None),
            Source::Bare(Bare::describe("pressure:Pa:2").unwrap()),
        ];
        let mut whole = 0;
        let inputs = rows.into_iter().map(|(probe, host_us, text, good, part)| {
            let mut bytes = text.into_bytes();
            if good {
                bytes.extend(format!("*{:04X}", crate::wire::CRC.checksum(&bytes)).into_bytes());
            }
            let part = PARTS[if good { 0 } else { part }];
            whole += u64::from(part == Part::Whole);
            Input::Row(probe, Row { host_us: host_us * 500_000, bytes, part })
        });
        let inputs: Vec<Input> = inputs.collect();
        let (readings, quality) = run(Feed::new(Test::Leak, sources, Vec::new()), &inputs);
        proptest::prop_assert!(readings.is_sorted_by(|a, b| a.t_us() < b.t_us()));
        proptest::prop_assert_eq!(readings.len() as u64, quality.rows);
        proptest::prop_assert!(quality.lines >= whole);
    }
}

#[test]
fn the_first_edge_after_lost_lines_says_so() {
    let source = wire(ProbeKind::Hall, &[Unit::Edge, Unit::Edge]);
    let feed = Feed::new(Test::Roll, vec![source], vec![0, 1]);
    let mut encoder = Encoder::default();
    let mut edges = |channel, times: &[u32]| {
        let edges = crate::wire::Edges::new(channel, times).unwrap();
        encoder.line(&Message::Edges(edges)).unwrap()
    };
    let lines = [
        edges(0, &[1000, 3000]),
        edges(1, &[1500]),
        edges(0, &[5000]),
        edges(0, &[7000, 9000]),
        edges(1, &[9500]),
    ];
    // the third line is lost
    let inputs: Vec<Input> = [0, 1, 3, 4].map(|n| row(0, 9, &lines[n])).into();
    let (readings, quality) = run(feed, &inputs);
    let after_gap: Vec<bool> = readings
        .iter()
        .map(|r| matches!(r, Reading::Edge(e) if e.after_gap))
        .collect();
    assert_eq!(after_gap, [false, false, false, true, false, true]);
    assert_eq!(quality.gaps, 1);
}

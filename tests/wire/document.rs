//! `firmware-notes/wire.md`: its examples, its figures, its names.

use feelgauge::wire::{Command, Edges, Encoder, FaultKind, Message, Samples, parse};

use crate::slow::slow_parse;

/// The good lines of the document.
pub fn sample_lines() -> Vec<Vec<u8>> {
    let text = std::fs::read_to_string(concat!(
        env!("CARGO_MANIFEST_DIR"),
        "/firmware-notes/wire.md"
    ))
    .unwrap();
    blocks(&text, "wire")
        .map(|line| line.as_bytes().to_vec())
        .collect()
}

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

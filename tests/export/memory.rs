//! An hour of a thousand readings a second needs no more memory than its groups.

use std::{collections::BTreeMap, fmt::Write as _, io};

use feelgauge::{
    evidence::tree::ReadOnly,
    inspect::Test,
    record::read_about,
    report::export::{
        Origin, ReadingRow,
        csv::Csv,
        parquet::Parquet,
        reading::{self, follow},
    },
    wire::{Encoder, Message, Samples},
};

/// Most that may be held at once, bytes: a group of 65536 rows at some 170 bytes, twice that while it is encoded, and buffers.
const MOST: u64 = 32 << 20;
/// Readings of one line.
const PER_LINE: u32 = 20;

/// A capture of so many seconds at 1 kHz, in memory.
fn capture(seconds: u32) -> BTreeMap<String, Vec<u8>> {
    let about = "format = 1\nsoftware = \"feelgauge 0.3.0\"\ntest = \"pull\"\n\
        [anchor]\nhost_us = 0\nwall = \"2031-05-17T14:21:40Z\"\n[settings]\nmass_kg = 3.4\n\
        [[probe]]\nname = \"force-HL-F1\"\nport = \"virtual\"\n";
    let identity = std::fs::read_to_string(
        super::fixture::samples().join(format!("{}/capture.toml", super::fixture::PULL)),
    )
    .unwrap();
    let identity = identity
        .lines()
        .find(|l| l.starts_with("identity"))
        .unwrap();
    let mut encoder = Encoder::default();
    let mut table = String::from("host_us,line\r\n");
    for n in 0..seconds * 1000 / PER_LINE {
        let t0_us = n * PER_LINE * 1000;
        let counts: Vec<i32> = (0..PER_LINE)
            .map(|k| ((n * PER_LINE + k) % 977).cast_signed())
            .collect();
        let samples = Samples::new(0, t0_us, 1000, &counts).unwrap();
        let line = encoder.line(&Message::Samples(samples)).unwrap();
        let line = String::from_utf8(line).unwrap();
        let host_us = u64::from(t0_us) + 25_000;
        write!(table, "{host_us},{}\r\n", line.trim_end()).unwrap();
    }
    BTreeMap::from([
        (
            "capture.toml".into(),
            format!("{about}{identity}\n").into_bytes(),
        ),
        ("force-HL-F1.csv".into(), table.into_bytes()),
        ("marks.csv".into(), b"host_us,mark\r\n".to_vec()),
    ])
}

#[test]
fn an_hour_at_a_kilohertz_is_streamed() {
    let files = capture(3600);
    let mut counted = 0_u64;
    let mut wrong = 0_u64;
    let used = allocation_counter::measure(|| {
        let storage = ReadOnly {
            tree: &files,
            base: "",
        };
        let about = read_about(&storage, "").unwrap();
        let origin = Origin::new("c", "0", Some("14"), &about.meta);
        let mut parquet = Parquet::new(io::sink(), "readings", &reading::columns(), &[]).unwrap();
        let mut csv = Csv::new(io::sink(), reading::plain_columns(Test::Pull)).unwrap();
        let quality = follow(&files, &about, &mut |seen| {
            let row = ReadingRow {
                origin: &origin,
                seen,
            };
            wrong += u64::from(
                seen.count
                    .is_none_or(|n| u64::from(n.unsigned_abs()) != counted % 977),
            );
            counted += 1;
            csv.push(&row)?;
            parquet.push(reading::cells(&row))
        })
        .unwrap();
        assert_eq!(quality.rows, counted);
        assert_eq!(
            (csv.finish().unwrap(), parquet.finish().unwrap()),
            (counted, counted)
        );
    });
    assert_eq!((counted, wrong), (3_600_000, 0));
    println!("{} MiB at most", used.bytes_max >> 20);
    assert!(used.bytes_max < MOST, "{} bytes at once", used.bytes_max);
}

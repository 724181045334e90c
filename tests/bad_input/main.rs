//! Bad files and bad options: the command says where, what and what to do, and ends with the right exit code. It never
//! panics and never writes a number that is none.

#![allow(clippy::unwrap_used)] // in a test an unwrap is an assertion

#[cfg(unix)]
mod disk;
mod options;
mod sensors;

use std::{
    fs,
    path::PathBuf,
    process::{Command, Output},
};

use serde_json::Value;

const PLOVER: &str = include_str!("../../captures/plover-8.toml");

/// The three tests: word, header, a good row's second column.
const TESTS: [(&str, &str); 3] = [
    ("leak", "t_us,p_pa"),
    ("pull", "t_us,f_n"),
    ("roll", "t_us,sensor"),
];

/// What one run said.
#[derive(Debug)]
struct Said {
    code: i32,
    out: String,
    err: String,
}

impl Said {
    fn of(output: &Output, what: &str) -> Self {
        let said = Self {
            // no code: a signal ended it, which no case here asks for
            code: output.status.code().unwrap(),
            out: String::from_utf8(output.stdout.clone()).unwrap(),
            err: String::from_utf8(output.stderr.clone()).unwrap(),
        };
        assert!(!said.err.contains("panicked"), "{what}: {}", said.err);
        assert!((0..=2).contains(&said.code), "{what}: {said:?}");
        said
    }

    /// Nothing on standard output, and every word of `words` in the message.
    #[track_caller]
    fn refuses(&self, code: i32, words: &[&str]) {
        assert_eq!(self.code, code, "{self:?}");
        assert_eq!(self.out, "", "{self:?}");
        for word in words {
            assert!(self.err.contains(word), "no {word:?} in {}", self.err);
        }
    }

    /// One JSON value without a number that is none.
    #[track_caller]
    fn json(&self) -> Value {
        assert_eq!(self.code, 0, "{self:?}");
        // numbers alone: words may hold the letters
        let no_number = ["NaN", ": inf", ": -inf", "[inf"];
        assert!(no_number.iter().all(|n| !self.out.contains(n)));
        serde_json::from_str(&self.out).unwrap()
    }

    /// A refusal of a readable record: exit 0, codes and remedy in words, no verdict.
    #[track_caller]
    fn refused(&self) -> Value {
        let json = self.json();
        let refusals = json["refused"].as_array().unwrap();
        assert!(!refusals.is_empty(), "{}", self.out);
        for refusal in refusals {
            let code = refusal["code"].as_str().unwrap();
            assert!(
                code.bytes().all(|b| b.is_ascii_lowercase() || b == b'_'),
                "{code}"
            );
            assert!(refusal["message"].as_str().unwrap().len() > 20, "{refusal}");
        }
        assert!(json["verdict"].is_null(), "{}", self.out);
        json
    }
}

/// A folder with the demo car's file.
struct Bench {
    dir: tempfile::TempDir,
}

impl Bench {
    fn new() -> Self {
        let dir = tempfile::tempdir().unwrap();
        fs::write(dir.path().join("car.toml"), PLOVER).unwrap();
        Self { dir }
    }

    fn path(&self, name: &str) -> PathBuf {
        self.dir.path().join(name)
    }

    fn write(&self, name: &str, bytes: impl AsRef<[u8]>) {
        fs::write(self.path(name), bytes).unwrap();
    }

    fn run(&self, args: &[&str]) -> Said {
        let output = Command::new(env!("CARGO_BIN_EXE_feelgauge"))
            .args(args)
            .current_dir(self.dir.path())
            .output()
            .unwrap();
        Said::of(&output, &format!("{args:?}"))
    }

    /// `analyze TEST FILE --json` with what the test needs, and more options.
    fn analyze(&self, test: &str, file: &str, more: &[&str]) -> Said {
        let needs: &[&str] = match test {
            "leak" => &["--volume", "131cm3"],
            "pull" => &["--mass", "3.4kg"],
            _ => &["--vehicle", "car.toml", "--setup", "one_fl"],
        };
        let args = [&["analyze", test, file, "--json"], needs, more].concat();
        self.run(&args)
    }

    /// Writes the bytes as `x.csv` and analyzes them.
    fn bytes(&self, test: &str, bytes: impl AsRef<[u8]>, more: &[&str]) -> Said {
        self.write("x.csv", bytes);
        self.analyze(test, "x.csv", more)
    }
}

/// `n` rows of a file of the test: 10 ms apart, the second column always `value`.
fn constant(header: &str, n: u32, value: &str) -> String {
    let rows = (0..n).map(|i| format!("{},{value}\n", u64::from(i) * 10_000));
    std::iter::once(format!("{header}\n")).chain(rows).collect()
}

#[test]
fn a_file_without_the_header_is_refused_with_the_header_that_it_needs() {
    let bench = Bench::new();
    for (test, header) in TESTS {
        bench
            .bytes(test, "", &[])
            .refuses(1, &["x.csv:1: ", "empty", header]);
        for wrong in [
            "time,value\n0,1\n",
            "\n",
            "t_us\n0\n",
            "0,1\n5,2\n",
            "t_us;f\n0;1\n",
        ] {
            bench
                .bytes(test, wrong, &[])
                .refuses(1, &["x.csv:1: ", "header", header]);
            // a wrong header is no bad row
            bench
                .bytes(test, wrong, &["--skip-bad-rows"])
                .refuses(1, &["x.csv:1: ", header]);
        }
        for (other, its) in TESTS.iter().filter(|(other, _)| *other != test) {
            let right = format!("feelgauge analyze {other}");
            bench
                .bytes(test, format!("{its}\n0,1\n"), &[])
                .refuses(1, &["x.csv:1: ", &right]);
        }
    }
}

#[test]
fn a_binary_file_is_refused_and_its_bytes_stay_off_the_terminal() {
    let bench = Bench::new();
    let binary: Vec<u8> = (0..50_000_u32)
        .map(|i| (i * 167 % 256).to_le_bytes()[0])
        .collect();
    for (test, header) in TESTS {
        let said = bench.bytes(test, &binary, &[]);
        said.refuses(1, &["x.csv:1: ", header]);
        // bytes that could steer a terminal are not repeated
        assert!(
            !said.err.trim_end().contains(|c: char| c.is_control()),
            "{:?}",
            said.err
        );
        let body = [header.as_bytes(), b"\n\x1b[2J\xff\0,\x07\n"].concat();
        let said = bench.bytes(test, body, &[]);
        said.refuses(1, &["x.csv:2: ", "--skip-bad-rows"]);
        assert!(
            !said.err.trim_end().contains(|c: char| c.is_control()),
            "{:?}",
            said.err
        );
    }
}

/// Row, kind in the quality, words of the message. `V` stands for a good second column.
const BAD_ROWS: [(&str, &str, &str); 11] = [
    ("15000", "ragged_row", "1 columns"),
    ("15000,V,3", "ragged_row", "3 columns"),
    ("abc,V", "not_a_number", "no number"),
    ("15000,", "not_a_number", "is ''"),
    ("15000,12x", "not_a_number", "is '12x'"),
    ("nan,V", "not_finite", "finite"),
    ("inf,V", "not_finite", "finite"),
    ("-5,V", "negative_time", "negative time"),
    ("5000,V", "backward_time", "before"),
    ("10000,V", "backward_time", "repeats"),
    ("1e300,V", "out_of_range", "more than"),
];

#[test]
fn a_bad_row_stops_with_line_and_remedy_or_is_counted() {
    let bench = Bench::new();
    for (test, header) in TESTS {
        let values: &[(&str, &str, &str)] = if test == "roll" {
            &[
                ("15000,-1", "not_a_number", "sensor"),
                ("15000,0.5", "not_a_number", "sensor"),
                ("15000,nan", "not_a_number", "sensor"),
            ]
        } else {
            &[
                ("15000,nan", "not_finite", "finite"),
                ("15000,-inf", "not_finite", "finite"),
                ("15000,1e400", "not_finite", "finite"),
                ("15000,1e30", "out_of_range", "more than"),
            ]
        };
        for (row, kind, what) in BAD_ROWS.iter().chain(values) {
            let row = row.replace('V', "0");
            let file = format!("{header}\n0,0\n10000,0\n{row}\n20000,0\n");
            bench
                .bytes(test, &file, &[])
                .refuses(1, &["x.csv:4: ", what, "; ", "--skip-bad-rows"]);
            let json = bench.bytes(test, &file, &["--skip-bad-rows"]).refused();
            let quality = &json["quality"];
            assert_eq!(quality["faults"][kind], 1, "{row}: {quality}");
            assert_eq!(
                (&quality["lines"], &quality["rows"]),
                (&4.into(), &3.into()),
                "{row}"
            );
        }
    }
}

#[test]
fn a_truncated_last_row_is_a_bad_row() {
    let bench = Bench::new();
    for (test, header) in TESTS {
        let file = format!("{header}\n0,0\n10000,0\n200");
        bench
            .bytes(test, &file, &[])
            .refuses(1, &["x.csv:4: ", "columns"]);
        let json = bench.bytes(test, &file, &["--skip-bad-rows"]).refused();
        assert_eq!(json["quality"]["faults"]["ragged_row"], 1);
    }
}

#[test]
fn a_line_longer_than_a_mebibyte_is_a_bad_row() {
    let bench = Bench::new();
    for (test, header) in TESTS {
        let long = "7".repeat((1 << 20) + 1);
        for end in ["", "\n", "\n20000,0\n"] {
            let file = format!("{header}\n0,0\n10000,{long}{end}");
            let said = bench.bytes(test, &file, &[]);
            said.refuses(1, &["x.csv:3: ", "longer than 1 MiB", "--skip-bad-rows"]);
            assert!(said.err.len() < 1000);
            let json = bench.bytes(test, &file, &["--skip-bad-rows"]).refused();
            assert_eq!(json["quality"]["faults"]["long_row"], 1);
        }
        bench
            .bytes(test, &long, &[])
            .refuses(1, &["x.csv:1: ", header]);
    }
}

/// Byte-order mark, CRLF and a missing last line end change nothing in the finding.
#[test]
fn line_ends_and_byte_order_mark_change_nothing() {
    let bench = Bench::new();
    for (test, _) in TESTS {
        let file = format!("{test}.csv");
        let made = bench.run(&["simulate", test, "--seed", "3", "--out", &file, "--json"]);
        made.json();
        let plain = fs::read_to_string(bench.path(&file)).unwrap();
        let want = bench.bytes(test, &plain, &[]).json();
        assert!(want["refused"].is_null(), "{want}");
        for same in [
            format!("\u{feff}{}", plain.replace('\n', "\r\n")),
            plain.trim_end().to_owned(),
            format!("{plain}\n\n"),
        ] {
            assert_eq!(bench.bytes(test, same, &[]).json(), want);
        }
    }
}

#[test]
fn too_little_or_nothing_to_measure_is_a_refusal_with_a_reason() {
    let bench = Bench::new();
    for (test, header) in TESTS {
        let mut records = vec![
            format!("{header}\n"),
            format!("{header}\n0,0\n"),
            format!("{header}\n0,0\n1,0\n"),
            // a standstill, or edges like a clock's, which no coasting car has
            constant(header, 3000, "0"),
        ];
        if test != "roll" {
            records.push(constant(header, 3000, "40"));
            records.push(constant(header, 3000, "-40"));
        }
        for record in records {
            bench.bytes(test, &record, &[]).refused();
        }
    }
    // the sensed index has no edge at all
    let said = bench.bytes("roll", constant("t_us,sensor", 600, "5"), &[]);
    let json = said.refused();
    assert_eq!(json["quality"]["ignored"], 600);
    assert!(
        said.err.contains("no edge of sensor 0") && said.err.contains("--sensor"),
        "{}",
        said.err
    );
}

/// Below the air's pressure from start to end, and a constant pressure that is no gauge pressure.
#[test]
fn a_negative_pressure_is_no_hold() {
    let bench = Bench::new();
    let row = |i: u64| format!("{},{}\n", i * 10_000, if i < 500 { "0" } else { "-12000" });
    let file = format!("t_us,p_pa\n{}", (0..6000).map(row).collect::<String>());
    bench.bytes("leak", file, &[]).refused();
    for pa in ["-101325", "101325", "-1e8", "1e8"] {
        bench
            .bytes("leak", constant("t_us,p_pa", 6000, pa), &[])
            .refused();
    }
}

/// Times in milliseconds give a record of some hundredths of a second, times in seconds hardly two different ones.
#[test]
fn other_units_of_time_are_pointed_out() {
    let bench = Bench::new();
    for (test, header) in TESTS {
        let value = if test == "roll" { "0" } else { "1" };
        let rows = |step: f64| {
            let rows = (0..3000).map(|i| format!("{},{value}\n", f64::from(i) * step));
            std::iter::once(format!("{header}\n"))
                .chain(rows)
                .collect::<String>()
        };
        let said = bench.bytes(test, rows(10.0), &[]);
        said.json();
        assert!(
            said.err.contains("t_us counts microseconds"),
            "{}",
            said.err
        );
        bench
            .bytes(test, rows(0.01), &[])
            .refuses(1, &["x.csv:3: ", "microseconds"]);
        let said = bench.bytes(test, rows(10e3), &[]);
        assert!(!said.err.contains("microseconds"), "{}", said.err);
    }
}

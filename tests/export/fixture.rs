//! Captures and inspections to export.

use std::{fmt::Write as _, fs, path::Path, process::Command};

use feelgauge::{
    inspect::{Stated, Test},
    record::{Capture, Files, read_capture},
    wire::{self, Message, Part},
};
use serde_json::Value;

pub use crate::folders::{LEAK, PULL, ROLL, arg, copy, done, feelgauge, load, samples};

/// The owner's name, which stands in no exported file.
pub const OWNER: &str = "Avocet Wigeon";

/// The program's result, with the exit status.
#[track_caller]
pub fn export(paths: &[&Path], out: &Path, more: &[&str]) -> (i32, Value, String) {
    let mut args = vec!["export", "--json", "--out", arg(out)];
    args.extend(paths.iter().map(|path| arg(path)));
    args.extend(more);
    let run = feelgauge(&args);
    let said = String::from_utf8(run.stderr).unwrap();
    assert!(!said.contains("panicked"), "{said}");
    let result = serde_json::from_slice(&run.stdout).unwrap_or(Value::Null);
    (run.status.code().unwrap(), result, said)
}

/// Changes a text in a file.
pub fn change(file: &Path, from: &str, to: &str) {
    let text = fs::read_to_string(file).unwrap();
    assert!(text.contains(from), "{}: no {from}", file.display());
    fs::write(file, text.replacen(from, to, 1)).unwrap();
}

/// Another `capture.toml` of the same length, as if the capture had been closed with it.
fn retake(capture: &Path, changes: &[(&str, &str)]) {
    let (meta, closed) = (capture.join("capture.toml"), capture.join("closed.toml"));
    let digest = || feelgauge::record::writer::sha256(&fs::read(&meta).unwrap());
    let before = digest();
    for (from, to) in changes.iter().filter(|(from, to)| from != to) {
        assert_eq!(from.len(), to.len());
        change(&meta, from, to);
    }
    if digest() != before {
        change(&closed, &before, &digest());
    }
}

/// An inspection with two leaks, a pull, a roll, their recorded findings and a comparison.
pub fn inspection(base: &Path, tag: &str, operator: &str) {
    let captures = base.join("captures");
    fs::create_dir_all(base.join("findings")).unwrap();
    fs::write(
        base.join("inspection.toml"),
        format!("format = 1\ntag = {tag:?}\nopened = \"2031-05-17T14:00:00Z\"\noperator = \"R. Tern\"\n[car]\nname = \"Plover 8\"\n"),
    )
    .unwrap();
    fs::write(base.join("owner.toml"), format!("name = {OWNER:?}\n")).unwrap();
    let by = ("R. Tern", operator);
    for name in [LEAK, PULL, ROLL] {
        copy(&samples().join(name), &captures.join(name));
        retake(&captures.join(name), &[by]);
    }
    let after = "20310518T090000Z-leak-whole";
    copy(&samples().join(LEAK), &captures.join(after));
    let later = ("2031-05-17T14:21:40Z", "2031-05-18T09:00:00Z");
    retake(&captures.join(after), &[later, by]);
    let mut journal = String::new();
    for (n, (name, test, stage)) in [
        (LEAK, "leak", "as_found"),
        (PULL, "pull", "as_found"),
        (ROLL, "roll", "as_found"),
        (after, "leak", "after_repair"),
    ]
    .into_iter()
    .enumerate()
    {
        // the sealed form of the chain is no business of the export, which only looks the stages up
        writeln!(journal, "{{\"n\":{},\"when\":\"2031-05-17T14:00:00Z\",\"who\":\"R. Tern\",\"what\":\"captured\",\"capture\":{name:?},\"test\":{test:?},\"stage\":{stage:?}}}",
            n + 1).unwrap();
        let found = done(&["analyze", test, arg(&captures.join(name)), "--json"]);
        fs::write(base.join(format!("findings/{name}.json")), found).unwrap();
    }
    fs::write(base.join("journal.jsonl"), journal).unwrap();
    let (one, two) = (captures.join(LEAK), captures.join(after));
    let compared = done(&["compare", "--json", arg(&one), arg(&two)]);
    fs::write(base.join("findings/comparison-1.json"), compared).unwrap();
    fs::write(
        base.join("findings/comparison-1.toml"),
        format!("before = [{LEAK:?}]\nafter = [{after:?}]\n"),
    )
    .unwrap();
}

/// A capture of bare lines: one number each, in newtons.
pub fn bare(base: &Path, numbers: &[&str]) -> String {
    let stated = Stated {
        mass_kg: Some(3.4),
        ..Stated::default()
    };
    let probe = (Test::Pull, "force:N:1");
    crate::folders::bare_capture(
        base,
        probe,
        &stated,
        (5_000_000, "2031-05-19T08:00:00Z"),
        numbers,
    )
}

/// What a capture's lines say, added up without the room that exports them: every good line's counts by its channel's own scale.
#[derive(Debug, Default, PartialEq)]
pub struct Sums {
    pub readings: u64,
    pub counts: i64,
    pub values: f64,
    pub least: f64,
    pub most: f64,
}

pub fn sums(capture: &Capture) -> Sums {
    let mut sums = Sums {
        least: f64::INFINITY,
        most: f64::NEG_INFINITY,
        ..Sums::default()
    };
    for (probe, rows) in capture.meta.probes.iter().zip(&capture.rows) {
        let identity = wire::parse(probe.identity.as_ref().unwrap().as_bytes()).unwrap();
        let Message::Identity(identity) = identity.message else {
            panic!("an identity")
        };
        for row in rows.iter().filter(|row| row.part == Part::Whole) {
            match wire::parse(&row.bytes).map(|line| line.message) {
                Ok(Message::Samples(samples)) => {
                    let channel = identity.channel(samples.channel).unwrap();
                    for count in samples.counts() {
                        let value = (f64::from(*count) - channel.zero) * channel.scale;
                        sums.readings += 1;
                        sums.counts += i64::from(*count);
                        sums.values += value;
                        sums.least = sums.least.min(value);
                        sums.most = sums.most.max(value);
                    }
                }
                Ok(Message::Edges(edges)) => sums.readings += edges.times_us().len() as u64,
                _ => {}
            }
        }
    }
    sums
}

pub fn read(folder: &Path) -> Capture {
    read_capture(&Files::under(folder), "").unwrap()
}

/// What pyarrow and duckdb find; none, with the reason, where Python or its packages are missing.
pub fn readers(out: &Path) -> Option<Value> {
    let python = std::env::var("FEELGAUGE_PYTHON").unwrap_or_else(|_| "python3".into());
    let script = concat!(
        env!("CARGO_MANIFEST_DIR"),
        "/tests/reference/export_tables.py"
    );
    let run = Command::new(&python).args([script, arg(out)]).output();
    let why = match run {
        Ok(run) if run.status.success() => {
            return Some(serde_json::from_slice(&run.stdout).unwrap());
        }
        Ok(run) => String::from_utf8_lossy(&run.stderr).into_owned(),
        Err(e) => e.to_string(),
    };
    let missing = ["No module named", "No such file or directory (os"]
        .iter()
        .any(|what| why.contains(what));
    assert!(
        missing && std::env::var_os("CI_REQUIRED").is_none(),
        "export_tables.py: {why}"
    );
    let why = why.lines().last().unwrap_or_default().to_owned();
    eprintln!("SKIPPED: export_tables.py needs Python with pyarrow and duckdb: {why}");
    None
}

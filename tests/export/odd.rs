//! Captures in every state: damaged, cut short, bare, refused, empty, oddly named, sealed, linked to.

use std::{fs, os::unix::fs::symlink, path::Path};

use feelgauge::evidence::key_file;
use serde_json::{Value, json};
use ssh_key::LineEnding;

use super::fixture::*;

/// The only capture's group, as a reader found it.
fn only<'a>(found: &'a Value, reader: &str, result: &Value) -> &'a Value {
    let key = result["captures"][0]["sha256"].as_str().unwrap();
    &found[reader]["readings"][key]
}

/// A torn tail, a broken line, a line twice, no end: counted, told, and every reading that could be read is there.
#[test]
fn a_damaged_capture_keeps_what_can_be_read_and_says_what_it_suffered() {
    let dir = tempfile::tempdir().unwrap();
    let (capture, out) = (dir.path().join(LEAK), dir.path().join("out"));
    copy(&samples().join(LEAK), &capture);
    fs::remove_file(capture.join("closed.toml")).unwrap();
    let table = capture.join("pressure-HL-P1.csv");
    let text = fs::read_to_string(&table).unwrap();
    let mut lines: Vec<String> = text.split_inclusive('\n').map(str::to_owned).collect();
    let is_samples =
        |n: usize, lines: &[String]| lines[n].split(',').nth(1).unwrap().starts_with('S');
    let twice = (100..lines.len()).find(|n| is_samples(*n, &lines)).unwrap();
    let again = lines[twice].clone();
    lines.insert(twice + 1, again);
    let broken = (200..lines.len()).find(|n| is_samples(*n, &lines)).unwrap();
    lines[broken] = lines[broken].replace('*', "1*");
    let last = lines.last_mut().unwrap();
    last.truncate(last.len() - 4);
    fs::write(&table, lines.concat()).unwrap();

    let (code, result, said) = export(&[&capture], &out, &[]);
    assert_eq!(code, 0, "{said}");
    let about = &result["captures"][0];
    let faults = &about["faults"];
    assert_eq!(
        (
            &faults["torn_tail"],
            &faults["repeated"],
            &faults["bad_crc"]
        ),
        (&json!(1), &json!(1), &json!(1)),
        "{faults}"
    );
    let own = sums(&read(&capture));
    assert_eq!(about["readings"], own.readings);
    let finding: Value = serde_json::from_slice(&load(&out)["findings.jsonl"]).unwrap();
    assert_eq!(finding["finding"]["quality"]["faults"], *faults);
    assert_eq!(finding["finding"]["quality"]["rows"], about["counted"]);
    assert_eq!(finding["recorded"], false);
    // what counted is a sound plain file, what did not stands beside it
    let folder = out.join("csv").join(LEAK);
    let plain = folder.join("leak.csv");
    done(&["analyze", "leak", arg(&plain), "--volume", "131cm3"]);
    let stale = fs::read_to_string(folder.join("pressure-HL-P1-0.csv")).unwrap();
    let stale = stale
        .lines()
        .skip(1)
        .filter(|l| l.ends_with("false,stale_line"));
    let not_counted = own.readings - about["counted"].as_u64().unwrap();
    assert_eq!(stale.count() as u64, not_counted);
    assert!(not_counted > 0);
    if let Some(found) = readers(&out) {
        let group = only(&found, "pyarrow", &result);
        assert_eq!(group["rows"], own.readings);
        assert_eq!(group["null_t_us"], not_counted);
        assert_eq!(
            group["fates"],
            json!({"counted": about["counted"], "stale_line": not_counted})
        );
        assert_eq!(group["sum_count"], own.counts);
        let row = &found["pyarrow"]["findings"][0];
        assert_eq!(row["flags"], "cut_short");
        assert_eq!(row["faults"], 3);
    }
}

#[test]
fn a_bare_probe_has_neither_counts_nor_a_clock() {
    let dir = tempfile::tempdir().unwrap();
    let out = dir.path().join("out");
    let name = bare(&dir.path().join("c"), &["0.5", "what", "1.25", "-3"]);
    let capture = dir.path().join("c").join(&name);
    let (code, result, said) = export(&[&capture], &out, &[]);
    assert_eq!(code, 0, "{said}");
    assert_eq!(result["captures"][0]["readings"], 3);
    assert_eq!(result["captures"][0]["faults"], json!({"malformed": 1}));
    let csv = load(&out)[&format!("csv/{name}/pull.csv")].clone();
    let csv = String::from_utf8(csv).unwrap();
    let rows: Vec<Vec<&str>> = csv.lines().map(|l| l.split(',').collect()).collect();
    assert_eq!(rows[1][..2], ["0", "0.5"]);
    assert_eq!(
        rows[3][2..],
        [
            "bare-force",
            "0",
            "",
            "2031-05-19T08:00:00.003000Z",
            "5003000",
            "",
            "",
            "-3",
            "true",
            "counted"
        ]
    );
    if let Some(found) = readers(&out) {
        for reader in ["pyarrow", "duckdb"] {
            let group = only(&found, reader, &result);
            assert_eq!(group["sum_f_n"].as_f64(), Some(-1.25));
            assert_eq!(group["sum_count"], Value::Null);
        }
        assert_eq!(only(&found, "pyarrow", &result)["null_count"], 3);
        let row = &found["pyarrow"]["findings"][0];
        assert_eq!(row["unprotected"], true);
        // three readings are no pull: refused, and null in every engine
        assert!(
            row["refused"].as_str().unwrap().contains("no_pull"),
            "{}",
            row["refused"]
        );
        for column in [
            "lift_ratio",
            "lift_ratio_u",
            "verdict",
            "leak_rate_pa_m3_s",
            "usable_pulls",
        ] {
            assert_eq!(row[column], Value::Null, "{column}");
        }
    }
}

#[test]
fn a_capture_without_readings_and_one_without_a_finding_are_there_too() {
    let dir = tempfile::tempdir().unwrap();
    let (folder, out) = (dir.path().join("c"), dir.path().join("out"));
    let empty = bare(&folder, &[]);
    let no_volume = folder.join(LEAK);
    copy(&samples().join(LEAK), &no_volume);
    fs::remove_file(no_volume.join("vehicle.toml")).unwrap();
    let (code, result, said) = export(&[&folder], &out, &[]);
    assert_eq!(code, 0, "{said}");
    assert_eq!(result["captures"][1]["name"], empty);
    assert_eq!(result["captures"][1]["readings"], 0);
    let files = load(&out);
    let csv = &files[&format!("csv/{empty}/pull.csv")];
    assert_eq!(csv.split(|b| *b == b'\n').count() - 1, 1);
    let lines = String::from_utf8(files["findings.jsonl"].clone()).unwrap();
    let leak: Value = serde_json::from_str(lines.lines().next().unwrap()).unwrap();
    assert_eq!(leak["finding"], Value::Null);
    assert!(
        leak["why_not"].as_str().is_some_and(|why| !why.is_empty()),
        "{leak}"
    );
    if let Some(found) = readers(&out) {
        let path = format!("readings/day=2031-05-19/test=pull/{empty}.parquet");
        assert_eq!(found["pyarrow"]["files"][path]["groups"], json!([]));
        let key = result["captures"][0]["sha256"].as_str().unwrap();
        assert_eq!(
            found["duckdb"]["readings"][key]["rows"],
            sums(&read(&no_volume)).readings
        );
        let rows = found["pyarrow"]["findings"].as_array().unwrap();
        assert_eq!(rows.len(), 2);
        assert!(
            rows.iter()
                .any(|r| r["why_not"].is_string() && r["finding"].is_null())
        );
    }
}

/// A folder that somebody renamed has its day from the capture itself, and a file's name that every disk takes.
#[test]
fn odd_names_become_plain_ones_and_stay_apart() {
    let dir = tempfile::tempdir().unwrap();
    let (folder, out) = (dir.path().join("c"), dir.path().join("out"));
    let names = [
        "Anna's car, \"day=1\" ü",
        "Anna's car, \"day=1\" ö",
        "..ANNA",
    ];
    for (n, name) in names.iter().enumerate() {
        copy(&samples().join(LEAK), &folder.join(name));
        change(
            &folder.join(name).join("capture.toml"),
            "R. Tern",
            &format!("R. Tern {n}"),
        );
    }
    let hidden = folder.join("..ANNA");
    let (code, result, said) = export(&[&folder, &hidden], &out, &[]);
    assert_eq!(code, 0, "{said}");
    let named: Vec<&str> = result["captures"]
        .as_array()
        .unwrap()
        .iter()
        .map(|c| c["name"].as_str().unwrap())
        .collect();
    assert_eq!(
        named,
        ["Anna_s_car___day_1___", "Anna_s_car___day_1___-2", "_.ANNA"]
    );
    for capture in result["captures"].as_array().unwrap() {
        assert_eq!(capture["day"], "2031-05-17");
    }
    if let Some(found) = readers(&out) {
        assert_eq!(found["duckdb"]["days"], json!([["2031-05-17", "leak"]]));
        let captures: Vec<&Value> = found["duckdb"]["joined"]
            .as_array()
            .unwrap()
            .iter()
            .map(|r| &r[0])
            .collect();
        assert!(captures.contains(&&json!(names[0])), "{captures:?}");
    }
}

#[test]
fn two_inspections_with_the_same_names_stay_apart() {
    let dir = tempfile::tempdir().unwrap();
    let visits = [dir.path().join("a/visit"), dir.path().join("b/visit")];
    inspection(&visits[0], "14", "R. Tern");
    inspection(&visits[1], "15", "S. Ruff");
    let out = dir.path().join("out");
    let (code, result, said) = export(&[&visits[0], &visits[1]], &out, &[]);
    assert_eq!(code, 0, "{said}");
    assert_eq!(result["captures"].as_array().unwrap().len(), 8);
    assert_eq!(result["captures"][4]["name"], format!("{LEAK}-2"));
    assert_eq!(result["comparisons"], 2);
    if let Some(found) = readers(&out) {
        let keys = found["duckdb"]["readings"].as_object().unwrap();
        assert_eq!(keys.len(), 8);
        let rows = found["pyarrow"]["findings"].as_array().unwrap();
        for tag in ["14", "15"] {
            assert_eq!(rows.iter().filter(|r| r["inspection"] == tag).count(), 5);
        }
    }
    // the same capture under two paths would count twice
    let out = dir.path().join("twice");
    let inside = visits[0].join("captures");
    let (code, _, said) = export(&[&visits[0], &inside], &out, &[]);
    assert_eq!(code, 2, "{said}");
    assert!(said.contains("the same capture") && !out.exists(), "{said}");
}

#[test]
fn a_sealed_inspection_gives_what_the_open_one_gave() {
    let dir = tempfile::tempdir().unwrap();
    let at = |name: &str| dir.path().join(name);
    inspection(&at("visit"), "14", "R. Tern");
    let (code, ..) = export(&[&at("visit")], &at("open"), &[]);
    assert_eq!(code, 0);
    // a journal with a sound chain, which the seal asks for
    let journal = fs::read_to_string(at("visit/journal.jsonl")).unwrap();
    let mut chained = String::new();
    for line in journal.lines() {
        let line: serde_json::Map<String, Value> = serde_json::from_str(line).unwrap();
        let so_far = feelgauge::evidence::journal::check("journal.jsonl", chained.as_bytes())
            .unwrap()
            .unwrap();
        let when = "2031-05-17T14:00:00Z".parse().unwrap();
        let more = line
            .into_iter()
            .filter(|(key, _)| ["capture", "test", "stage"].contains(&key.as_str()))
            .collect();
        chained += &so_far.line(when, "R. Tern", "captured", more);
    }
    fs::write(at("visit/journal.jsonl"), chained).unwrap();
    let key = key_file::from_seed(1, "shop")
        .to_openssh(LineEnding::LF)
        .unwrap();
    fs::write(at("key"), key.as_bytes()).unwrap();
    done(&[
        "seal",
        arg(&at("visit")),
        "--out",
        arg(&at("bag")),
        "--sign",
        arg(&at("key")),
        "--as",
        "shop",
    ]);
    let before = load(&at("bag"));
    let (code, _, said) = export(&[&at("bag")], &at("sealed"), &[]);
    assert_eq!(code, 0, "{said}");
    assert_eq!(load(&at("bag")), before);
    let name = |path: &str| path.replace("bag-comparison", "visit-comparison");
    let sealed: std::collections::BTreeMap<String, Vec<u8>> = load(&at("sealed"))
        .into_iter()
        .map(|(path, bytes)| (name(&path), bytes))
        .collect();
    assert_eq!(sealed, load(&at("open")));
    // nothing is written into a seal
    let (code, _, said) = export(&[&samples()], &at("bag/data/tables"), &[]);
    assert_eq!(code, 2, "{said}");
    assert_eq!(load(&at("bag")), before);
}

#[test]
fn links_are_told_of_and_not_followed_unless_named() {
    let dir = tempfile::tempdir().unwrap();
    let at = |name: &str| dir.path().join(name);
    copy(&samples().join(LEAK), &at("c").join(LEAK));
    symlink(samples().join(PULL), at("c").join(PULL)).unwrap();
    copy(&samples().join(ROLL), &at("c").join(ROLL));
    let table = at("c").join(ROLL).join("hall-HL-H1.csv");
    fs::remove_file(&table).unwrap();
    symlink(samples().join(ROLL).join("hall-HL-H1.csv"), &table).unwrap();
    let (code, result, said) = export(&[&at("c")], &at("out"), &[]);
    assert_eq!(code, 1, "{said}");
    assert_eq!(result["captures"].as_array().unwrap().len(), 1);
    assert_eq!(result["left_out"].as_array().unwrap().len(), 2);
    for name in [PULL, ROLL] {
        let told = |line: &str| line.contains(name) && line.contains("symbolic link");
        assert!(said.lines().any(told), "{said}");
    }
    // a person may name a folder by a link
    let (code, result, said) = export(&[&at("c").join(PULL)], &at("named"), &[]);
    assert_eq!(
        (code, &result["captures"][0]["name"]),
        (0, &json!(PULL)),
        "{said}"
    );
    // a probe's name that climbs out of the folder is no file's name
    copy(&samples().join(PULL), &at("climbs").join(PULL));
    change(
        &at("climbs").join(PULL).join("capture.toml"),
        "\"force-HL-F1\"",
        "\"../force-HL-F1\"",
    );
    let (code, _, said) = export(&[&at("climbs")], &at("none"), &[]);
    assert!(code == 1 && said.contains("../force-HL-F1"), "{said}");
    assert!(!Path::new(&at("none/csv")).exists());
}

/// A file of nothing but noughts, larger than any table: told, not read.
#[test]
fn a_sparse_file_is_not_read() {
    let dir = tempfile::tempdir().unwrap();
    let (capture, out) = (dir.path().join("c").join(LEAK), dir.path().join("out"));
    copy(&samples().join(LEAK), &capture);
    let table = fs::File::options()
        .write(true)
        .open(capture.join("pressure-HL-P1.csv"))
        .unwrap();
    table.set_len(10 << 30).unwrap();
    let (code, result, said) = export(&[&capture], &out, &[]);
    assert_eq!(code, 1);
    assert!(said.contains("larger than 256 MiB"), "{said}");
    assert_eq!(result["captures"], json!([]));
}

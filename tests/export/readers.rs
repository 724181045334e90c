//! Parquet, CSV and JSON Lines as pyarrow and duckdb read them.

use std::path::Path;

use serde_json::{Value, json};

use super::fixture::*;

/// Same to what the order of a sum of some thousand numbers may change.
#[track_caller]
fn near(found: &Value, wanted: f64) {
    let found = found.as_f64().unwrap();
    assert!(
        (found - wanted).abs() <= 1e-11 * wanted.abs(),
        "{found} {wanted}"
    );
}

fn of<'a>(result: &'a Value, name: &str) -> &'a Value {
    let captures = result["captures"].as_array().unwrap();
    captures.iter().find(|c| c["name"] == name).unwrap()
}

#[test]
#[allow(clippy::too_many_lines)] // one export, everything that is asked of it
fn what_stock_readers_find_is_what_the_captures_hold() {
    let dir = tempfile::tempdir().unwrap();
    let (visit, out) = (dir.path().join("visit"), dir.path().join("out"));
    inspection(&visit, "14", "R. Tern");
    let (code, result, said) = export(&[&visit], &out, &[]);
    assert_eq!(code, 0, "{said}");
    assert_eq!(
        (result["findings"].as_u64(), result["comparisons"].as_u64()),
        (Some(4), Some(1))
    );
    let Some(found) = readers(&out) else {
        return;
    };
    let (arrow, duck) = (&found["pyarrow"], &found["duckdb"]);
    for name in [LEAK, PULL, ROLL, "20310518T090000Z-leak-whole"] {
        let own = sums(&read(&visit.join("captures").join(name)));
        let about = of(&result, name);
        let key = about["sha256"].as_str().unwrap();
        assert_eq!(about["readings"], own.readings, "{name}");
        for reader in [arrow, duck] {
            let group = &reader["readings"][key];
            assert_eq!(group["rows"], own.readings, "{name}");
            assert_eq!(group["counted"], about["counted"], "{name}");
            let (sum, count) = (&group["sum_p_pa"], &group["sum_count"]);
            if name.contains("leak") {
                near(sum, own.values);
                assert_eq!(group["min_p_pa"].as_f64(), Some(own.least));
                assert_eq!(group["max_p_pa"].as_f64(), Some(own.most));
                assert_eq!(count, own.counts);
            } else if name.contains("pull") {
                near(&group["sum_f_n"], own.values);
                assert_eq!((sum, count), (&Value::Null, &json!(own.counts)));
            } else {
                assert_eq!((sum, count), (&Value::Null, &Value::Null));
            }
        }
        let finding: Value = serde_json::from_slice(
            &std::fs::read(visit.join(format!("findings/{name}.json"))).unwrap(),
        )
        .unwrap();
        assert_eq!(about["counted"], finding["quality"]["rows"], "{name}");
    }
    types(arrow, duck);
    findings(arrow, &visit);
    // partitions found without help, and a predicate that touches one of them
    assert_eq!(
        duck["days"],
        json!([
            ["2031-05-17", "leak"],
            ["2031-05-17", "pull"],
            ["2031-05-17", "roll"],
            ["2031-05-18", "leak"]
        ])
    );
    let leak = sums(&read(&visit.join("captures").join(LEAK)));
    assert_eq!(duck["asked"][0], of(&result, LEAK)["counted"]);
    assert_eq!(duck["asked"][1].as_f64(), Some(leak.least));
    assert_eq!(duck["none"], leak.readings);
    assert_eq!(duck["not_numbers"], 0);
    assert_eq!(duck["json_lines"], 5);
    assert_eq!(
        duck["leak_csv"][0],
        2 * of(&result, LEAK)["counted"].as_u64().unwrap()
    );
    near(&duck["leak_csv"][1], 2.0 * leak.values);
    assert_eq!(duck["leak_csv"][2], 2 * leak.counts);
    assert_eq!(duck["joined"].as_array().unwrap().len(), 4);
}

fn types(arrow: &Value, duck: &Value) {
    for (column, of_arrow, of_duck) in [
        (
            "received",
            "timestamp[us, tz=UTC]",
            "TIMESTAMP WITH TIME ZONE",
        ),
        ("capture", "string", "VARCHAR"),
        ("p_pa", "double", "DOUBLE"),
        ("count", "int64", "BIGINT"),
        ("counted", "bool", "BOOLEAN"),
        ("day", "string", "DATE"),
        ("test", "string", "VARCHAR"),
    ] {
        assert_eq!(arrow["types"][column], of_arrow, "{column}");
        assert_eq!(duck["types"][column], of_duck, "{column}");
    }
    for (path, file) in arrow["files"].as_object().unwrap() {
        let facts = &file["metadata"];
        assert_eq!(facts["feelgauge.schema_version"], "1", "{path}");
        assert_eq!(facts["feelgauge.software"], feelgauge::reading::SOFTWARE);
        assert_eq!(
            facts["feelgauge.capture_sha256"].as_str().unwrap().len(),
            64
        );
        assert_eq!(file["logical"]["capture"], "String");
    }
}

/// The columns of a finding are what stands in it, an estimate as four; what is not known is null.
fn findings(arrow: &Value, visit: &Path) {
    let rows = arrow["findings"].as_array().unwrap();
    assert_eq!(rows.len(), 5);
    for row in rows {
        let whole: Value = serde_json::from_str(row["finding"].as_str().unwrap()).unwrap();
        assert_eq!(row["verdict"], whole["verdict"]);
        assert_eq!(row["recorded"], true);
        assert_eq!(row["inspection"], "14");
        for (name, place) in [
            ("leak_rate_pa_m3_s", "/leak_rate_pa_m3_s"),
            ("lift_ratio", "/lift_ratio"),
            ("hit_rate", "/snags/0/hit_rate"),
            ("difference", "/difference"),
        ] {
            for (tail, part) in [
                ("", "value"),
                ("_u", "u"),
                ("_lo95", "lo95"),
                ("_hi95", "hi95"),
            ] {
                let found = &row[format!("{name}{tail}")];
                let wanted = whole.pointer(&format!("{place}/{part}"));
                assert_eq!(
                    found.as_f64(),
                    wanted.and_then(Value::as_f64),
                    "{name}{tail}"
                );
                assert_eq!(found.is_null(), wanted.is_none_or(Value::is_null));
            }
        }
        if row["kind"] == "finding" {
            let name = row["capture"].as_str().unwrap();
            let recorded = visit.join(format!("findings/{name}.json"));
            let recorded = std::fs::read_to_string(recorded).unwrap();
            // the digits of the file, without its blanks
            let plain: String = recorded.lines().map(str::trim_start).collect();
            let mut own = row["finding"].as_str().unwrap().to_owned();
            own = own.replace("\":", "\": ");
            assert_eq!(own, plain, "{name}");
        }
    }
    let stage = |name: &str| rows.iter().find(|r| r["capture"] == name).unwrap()["stage"].clone();
    assert_eq!(stage(LEAK), "as_found");
    assert_eq!(stage("20310518T090000Z-leak-whole"), "after_repair");
    let compared = rows.iter().find(|r| r["kind"] == "comparison").unwrap();
    assert_eq!(compared["day"], "2031-05-18");
    assert_eq!(compared["comparison"], "comparison-1");
    assert_eq!(compared["captures_before"], LEAK);
    assert_eq!(compared["change"], "not_shown");
}

/// The digits of `--json`, in every line; the owner's name in no file.
#[test]
fn lines_hold_whole_findings_and_nothing_of_the_owner() {
    let dir = tempfile::tempdir().unwrap();
    let (visit, out) = (dir.path().join("visit"), dir.path().join("out"));
    inspection(&visit, "14", "R. Tern");
    let (code, ..) = export(&[&visit], &out, &[]);
    assert_eq!(code, 0);
    let files = load(&out);
    let text = String::from_utf8(files["findings.jsonl"].clone()).unwrap();
    assert_eq!(text.lines().count(), 5);
    for line in text.lines() {
        let object: Value = serde_json::from_str(line).unwrap();
        for key in [
            "kind",
            "inspection",
            "started",
            "test",
            "setup",
            "stage",
            "software",
            "finding",
        ] {
            assert!(object.get(key).is_some(), "{key}");
        }
        let file = match object["capture"].as_str() {
            Some(capture) => format!("findings/{capture}.json"),
            None => "findings/comparison-1.json".into(),
        };
        let recorded = std::fs::read_to_string(visit.join(&file)).unwrap();
        let squeezed = |text: &str| text.split_whitespace().collect::<String>();
        assert!(squeezed(line).contains(&squeezed(&recorded)), "{file}");
    }
    for (path, bytes) in files {
        let has = |what: &[u8]| bytes.windows(what.len()).any(|w| w == what);
        assert!(!has(OWNER.as_bytes()) && !has(b"Wigeon"), "{path}");
    }
}

#[test]
fn the_same_captures_give_the_same_bytes() {
    let dir = tempfile::tempdir().unwrap();
    let outs = ["a", "b"].map(|name| dir.path().join(name));
    for out in &outs {
        assert_eq!(export(&[&samples()], out, &[]).0, 0);
    }
    assert_eq!(load(&outs[0]), load(&outs[1]));
}

#[test]
fn formats_are_chosen_and_the_schema_is_the_files_own() {
    let dir = tempfile::tempdir().unwrap();
    let out = |name: &str| dir.path().join(name);
    let leak = samples().join(LEAK);
    let (_, result, _) = export(&[&leak], &out("csv"), &["--format", "csv"]);
    assert_eq!(
        result["files"],
        json!([{"path": format!("csv/{LEAK}/leak.csv"), "rows": result["captures"][0]["counted"]}])
    );
    let (_, result, _) = export(&[&leak], &out("jsonl"), &["--format", "jsonl"]);
    assert_eq!(
        result["files"],
        json!([{"path": "findings.jsonl", "rows": 1}])
    );
    let (_, result, _) = export(&[&leak], &out("parquet"), &["--format", "parquet"]);
    assert_eq!(result["files"].as_array().unwrap().len(), 2);
    let text = done(&["export", "--schema"]);
    let schema: Value = serde_json::from_str(&done(&["export", "--schema", "--json"])).unwrap();
    assert_eq!(schema["tables"][0]["name"], "readings");
    for table in schema["tables"].as_array().unwrap() {
        for column in table["columns"].as_array().unwrap() {
            assert!(text.contains(column["name"].as_str().unwrap()));
            assert!(!column["words"].as_str().unwrap().is_empty());
        }
    }
    // the header of the CSV holds names of the table alone
    let csv = std::fs::read_to_string(out("csv").join(format!("csv/{LEAK}/leak.csv"))).unwrap();
    let header = csv.lines().next().unwrap();
    assert!(header.starts_with("t_us,p_pa,t_tank_c,"), "{header}");
    for name in header.split(',') {
        let columns = schema["tables"][0]["columns"].as_array().unwrap();
        assert!(columns.iter().any(|c| c["name"] == name), "{name}");
    }
}

//! Results are JSON, and valid by the schema that the program prints.

use std::{
    fs,
    io::Write as _,
    path::PathBuf,
    process::{Command, Stdio},
};

use serde_json::{Value, json};

use super::{LEAK, PULL, ROLL, Records, call};

/// Without `--json` a person reads words; with it, wherever it stands, a program reads one value.
#[test]
fn json_is_one_value_everywhere() {
    let records = Records::new();
    for (n, args) in [
        &["analyze", "leak", LEAK][..],
        &["analyze", "pull", PULL],
        &["analyze", "roll", ROLL],
        &["compare", LEAK, LEAK],
        &["compare", "captures", "captures"],
        &["rule-out", "roll", ROLL],
        &["vehicle", "check", "captures/plover-8.toml"],
        &["vehicle", "orders", "captures/plover-8.toml"],
        &["schema"],
        &["demo", "--out"],
        &["simulate", "leak", "--out"],
        &["probes", "--port", "/dev/null"],
    ]
    .into_iter()
    .enumerate()
    {
        let [first, last, text] =
            ["first", "last", "text"].map(|when| records.path(&format!("{n}-{when}")));
        let with = |path: &str, before: &[&str], after: &[&str]| {
            let path = args.last().is_some_and(|a| *a == "--out").then_some(path);
            let all: Vec<&str> = before
                .iter()
                .chain(args)
                .copied()
                .chain(path)
                .chain(after.iter().copied())
                .collect();
            call(&all)
        };
        for (_, out) in [
            with(&first, &["--json"], &[]),
            with(&last, &[], &["--json"]),
        ] {
            let value: Value =
                serde_json::from_str(&out).unwrap_or_else(|e| panic!("{args:?}: {e}: {out}"));
            assert!(value.is_object() || value.is_array());
            assert!(out.ends_with('\n'));
        }
        let (_, out) = with(&text, &[], &[]);
        assert!(
            args[0] == "schema" || serde_json::from_str::<Value>(&out).is_err(),
            "{args:?}"
        );
        assert!(
            !out.contains('\u{1b}'),
            "{args:?}: no colours where no terminal is"
        );
    }
}

/// The interpreter of `FEELGAUGE_PYTHON` if it has jsonschema.
fn python() -> Option<PathBuf> {
    let python = std::env::var_os("FEELGAUGE_PYTHON").unwrap_or_else(|| "python3".into());
    let asked = Command::new(&python)
        .args(["-c", "import jsonschema"])
        .output();
    if asked.is_ok_and(|o| o.status.success()) {
        return Some(python.into());
    }
    let why = format!(
        "no jsonschema in {} (tests/reference/requirements.txt)",
        python.display()
    );
    assert!(
        std::env::var_os("CI_REQUIRED").is_none_or(|v| v != "1"),
        "{why}"
    );
    eprintln!("SKIPPED: {why}");
    None
}

/// Calls of every kind, with the name of their result in the schema.
fn calls(records: &Records) -> Vec<(&'static str, String)> {
    let path = |name: &str| records.path(name);
    for (name, header) in [
        ("leak", "t_us,p_pa"),
        ("pull", "t_us,f_n"),
        ("roll", "t_us,sensor"),
    ] {
        fs::write(path(name), format!("{header}\n0,0\nx\n")).unwrap();
    }
    let (leak, pull, roll) = (path("leak"), path("pull"), path("roll"));
    let car = "captures/plover-8.toml";
    vec![
        ("LeakFinding", format!("analyze leak {LEAK}")),
        ("PullFinding", format!("analyze pull {PULL}")),
        ("RollFinding", format!("analyze roll {ROLL}")),
        (
            "LeakFinding",
            format!("analyze leak {leak} --volume 1l --skip-bad-rows"),
        ),
        (
            "PullFinding",
            format!("analyze pull {pull} --skip-bad-rows"),
        ),
        (
            "RollFinding",
            format!("analyze roll {roll} --vehicle {car} --setup one_fl --skip-bad-rows"),
        ),
        ("CompareResult", format!("compare {LEAK} {LEAK}")),
        ("CompareResult", format!("compare {PULL} {PULL}")),
        ("CompareResult", format!("compare {ROLL} {ROLL}")),
        ("CompareResult", "compare captures captures".into()),
        ("LeakParts", format!("rule-out leak {LEAK}")),
        ("PlugShare", format!("rule-out pull {PULL}")),
        ("RollParts", format!("rule-out roll {ROLL}")),
        (
            "CalibrationFinding",
            format!("calibrate volume {}", super::calibrate::syringe(records)),
        ),
        ("CheckResult", format!("vehicle check {car}")),
        ("OrdersResult", format!("vehicle orders {car}")),
        (
            "SimulateResult",
            format!("simulate leak --out {}", path("l.csv")),
        ),
        (
            "SimulateResult",
            format!("simulate roll --car drawn --out {}", path("r.csv")),
        ),
        ("ProbesReport", "probes --port /dev/null".into()),
        ("DemoResult", format!("demo --out {}", path("demo"))),
    ]
}

/// What `check_schema.py` says of the cases.
fn check_schema(python: PathBuf, schema: &str, cases: &[Value]) -> (String, String) {
    let script = concat!(
        env!("CARGO_MANIFEST_DIR"),
        "/tests/reference/check_schema.py"
    );
    let mut child = Command::new(python)
        .args([script, schema])
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    let text = serde_json::to_vec(cases).unwrap();
    child.stdin.take().unwrap().write_all(&text).unwrap();
    let output = child.wait_with_output().unwrap();
    let text = |bytes| String::from_utf8(bytes).unwrap();
    (text(output.stdout), text(output.stderr))
}

/// Results of every kind are valid by the schema that the program prints, by another implementation of JSON Schema
/// (Python's jsonschema); results that were spoilt are not.
#[test]
fn results_are_valid_by_the_schema() {
    let Some(python) = python() else { return };
    let records = Records::new();
    let mut cases = Vec::new();
    for (kind, args) in calls(&records) {
        let args: Vec<&str> = args.split(' ').chain(["--json"]).collect();
        let result: Value = serde_json::from_str(&call(&args).1).unwrap();
        cases.push(json!({"what": args, "kind": kind, "result": result, "valid": true}));
        // every key is typed: with another value in its place nothing passes for a result
        for key in result.as_object().into_iter().flat_map(|map| map.keys()) {
            let mut spoilt = result.clone();
            spoilt[key] = json!({"odd": [1]});
            let what = format!("{kind} with another {key}");
            cases.push(json!({"what": what, "kind": kind, "result": spoilt, "valid": false}));
        }
    }
    let schema = records.path("schema.json");
    fs::write(&schema, call(&["schema"]).1).unwrap();
    let (said, err) = check_schema(python, &schema, &cases);
    assert_eq!(said.trim(), cases.len().to_string(), "{err}");
}

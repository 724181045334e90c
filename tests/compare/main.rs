//! `compare` and `rule-out` through the real program: is the demo car better after its rebuild, and which part was it?

#![allow(clippy::unwrap_used)] // in a test an unwrap is an assertion

mod roll;
mod rule_out;

use std::{fs, path::Path, process::Command};

use serde_json::Value;

const CAR: &str = "captures/plover-8.toml";
const LEAK: &str = "captures/20310517T142140Z-leak-whole";
const PULL: &str = "captures/20310517T142649Z-pull-plug_in_cold";
const ROLL: &str = "captures/20310517T143107Z-roll-one_fl";

/// What a call from the root of the repository gave.
struct Gave {
    code: i32,
    out: String,
    err: String,
}

impl Gave {
    fn json(&self) -> Value {
        assert_eq!(self.code, 0, "{}{}", self.out, self.err);
        serde_json::from_str(&self.out).unwrap()
    }

    /// Ended with a code, said all of this on standard error, and nothing else.
    #[track_caller]
    fn fails(&self, code: i32, said: &[&str]) {
        assert_eq!(self.code, code, "{}", self.err);
        assert_eq!(self.out, "");
        for words in said {
            assert!(self.err.contains(words), "no '{words}' in: {}", self.err);
        }
    }
}

fn call(args: &[&str]) -> Gave {
    let run = Command::new(env!("CARGO_BIN_EXE_feelgauge"))
        .args(args)
        .current_dir(env!("CARGO_MANIFEST_DIR"))
        .output()
        .unwrap();
    let err = String::from_utf8(run.stderr).unwrap();
    assert!(!err.contains("panicked"), "{args:?}: {err}");
    Gave {
        code: run.status.code().unwrap(),
        out: String::from_utf8(run.stdout).unwrap(),
        err,
    }
}

fn json(args: &[&str]) -> Value {
    call(&[args, &["--json"]].concat()).json()
}

/// A folder of simulated records.
struct Bench(tempfile::TempDir);

impl Bench {
    fn new() -> Self {
        Self(tempfile::tempdir().unwrap())
    }

    fn path(&self, name: &str) -> String {
        let path = self.0.path().join(name);
        fs::create_dir_all(path.parent().unwrap()).unwrap();
        path.to_str().unwrap().to_owned()
    }

    /// A record of the demo car (`plover` or `rebuilt`) in one of its setups, without files beside it.
    fn record(&self, name: &str, test: &str, car: &str, setup: &str, seed: u64) -> String {
        let path = self.path(name);
        let seed = seed.to_string();
        let args = [
            "simulate", test, "--out", &path, "--car", car, "--setup", setup, "--seed", &seed,
        ];
        assert_eq!(call(&args).code, 0);
        path
    }
}

fn estimate(value: &Value) -> [f64; 4] {
    ["value", "u", "lo95", "hi95"].map(|key| value[key].as_f64().unwrap())
}

/// Truth of a simulated leak, Pa m3/s.
fn true_leak(path: &str) -> f64 {
    let truth = fs::read_to_string(format!("{path}.truth.json")).unwrap();
    let truth: Value = serde_json::from_str(&truth).unwrap();
    truth["leak_rate_pa_m3_s"].as_f64().unwrap()
}

const KEYS: &[&str] = &[
    "test",
    "software",
    "refused",
    "verdict",
    "change",
    "before",
    "after",
    "ratio",
    "difference",
    "minimum_detectable_change",
    "quality",
    "not_compared",
    "records",
    "setup",
];
const QUALITY: &[&str] = &["lines", "rows", "faults", "gaps", "unprotected", "flags"];

/// A comparison with the keys of the contract and this answer.
#[track_caller]
fn says(comparison: &Value, verdict: &str, change: &str) {
    for key in KEYS {
        assert!(comparison.get(key).is_some(), "no {key} in {comparison}");
    }
    for key in QUALITY {
        assert!(comparison["quality"].get(key).is_some(), "no quality.{key}");
    }
    assert!(comparison["quality"]["rows"].as_u64().unwrap() > 0);
    assert_eq!(comparison["verdict"], verdict, "{comparison}");
    assert_eq!(comparison["change"], change, "{comparison}");
}

fn codes(result: &Value) -> Vec<String> {
    let refusals = result["refused"].as_array().into_iter().flatten();
    refusals
        .map(|r| r["code"].as_str().unwrap().to_owned())
        .collect()
}

/// Ratio and swapped ratio mirror each other: the same numbers on a scale of logarithms.
#[track_caller]
fn mirrored(one: &Value, other: &Value, tolerance: f64) {
    let (a, b) = (estimate(&one["ratio"]), estimate(&other["ratio"]));
    for (x, y) in [(a[0], b[0]), (a[2], b[3]), (a[3], b[2])] {
        assert!((x * y - 1.0).abs() < tolerance, "{x} {y}");
    }
}

/// The rebuild put in a new piston and sleeve: more force at the same speed. Swapped, the same numbers mirrored.
#[test]
fn a_rebuilt_engine_pulls_harder() {
    let bench = Bench::new();
    let before = bench.record("b.csv", "pull", "plover", "plug_in_cold", 1);
    let after = bench.record("a.csv", "pull", "rebuilt", "plug_in_cold", 2);
    let result = json(&["compare", &before, &after]);
    says(&result, "higher", "better");
    assert_eq!(
        (&result["before"], &result["after"]),
        (&6.into(), &6.into())
    );
    assert_eq!(result["more_pulls"], 0);
    let swapped = json(&["compare", &after, &before]);
    says(&swapped, "lower", "worse");
    mirrored(&result, &swapped, 1e-9);
    let text = call(&["compare", &before, &after]).out;
    for words in ["pull: better", "% stronger", "Better: shown.", "careful"] {
        assert!(text.contains(words), "{words}: {text}");
    }
}

/// The rebuild put in a new lid seal. The two true leaks' difference lies in the interval, with a volume and without.
#[test]
fn a_rebuilt_tank_leaks_less() {
    let bench = Bench::new();
    let before = bench.record("b.csv", "leak", "plover", "whole", 1);
    let after = bench.record("a.csv", "leak", "rebuilt", "whole", 2);
    let with = ["--vehicle", CAR, "--setup", "whole"];
    let result = json(&[&["compare", &before, &after][..], &with].concat());
    says(&result, "lower", "better");
    assert_eq!(result["setup"], "whole");
    assert_eq!(result["more_holds"], 0);
    let [value, _, lo, hi] = estimate(&result["difference"]);
    assert!(lo <= value && value <= hi && hi < 0.0);
    let at = result["p_ref_pa"].as_f64().unwrap();
    assert!((5e3..15e3).contains(&at), "{at}");
    let swapped = json(&[&["compare", &after, &before][..], &with].concat());
    says(&swapped, "higher", "worse");

    // Nobody states a volume: the same answer from the slopes, no difference in Pa m3/s.
    let result = json(&["compare", &before, &after]);
    says(&result, "lower", "better");
    assert!(result["difference"].is_null());
    let text = call(&["compare", &before, &after]).out;
    assert!(
        text.contains("leak: better") && text.contains("Better: shown."),
        "{text}"
    );

    // Stated at the pressure of the truth, the interval holds the true difference.
    let at = ["--at", "11250Pa"];
    let result = json(&[&["compare", &before, &after][..], &with, &at].concat());
    assert_eq!(result["p_ref_pa"].as_f64(), Some(11_250.0));
    let [_, _, lo, hi] = estimate(&result["difference"]);
    let truth = true_leak(&after) - true_leak(&before);
    assert!((lo..=hi).contains(&truth), "{truth} in {lo}..{hi}");
}

/// The same car twice, nothing done between: a change is shown as seldom as the 95 % promise. Of 10 comparisons more
/// than 2 would say otherwise with a chance of 1.2 % (binomial).
#[test]
fn the_same_car_twice_shows_nothing() {
    let bench = Bench::new();
    for (test, setup) in [("leak", "whole"), ("pull", "plug_in_cold")] {
        let with = ["--vehicle", CAR, "--setup", setup];
        let mut claims = 0;
        for seed in 0..10 {
            let record = |side: u64| {
                let name = format!("{test}{side}-{seed}.csv");
                bench.record(&name, test, "plover", setup, 100 + 2 * seed + side)
            };
            let (one, other) = (record(0), record(1));
            let result = json(&[&["compare", &one, &other][..], &with].concat());
            assert_eq!(codes(&result), [""; 0]);
            claims += u32::from(result["change"] != "not_shown");
        }
        assert!(claims <= 2, "{test}: {claims} of 10");
    }
}

/// A folder is its .csv files and captures in the order of their names; truth and vehicle files beside them are no
/// records. Each test has its comparison, and what only one side has is named.
#[test]
fn folders_are_compared_test_by_test() {
    let bench = Bench::new();
    for (side, car, seed) in [("b", "plover", 1), ("a", "rebuilt", 11)] {
        bench.record(&format!("{side}/1.csv"), "pull", car, "plug_in_cold", seed);
        bench.record(
            &format!("{side}/2.csv"),
            "pull",
            car,
            "plug_in_cold",
            seed + 1,
        );
        bench.record(&format!("{side}/3.csv"), "leak", car, "whole", seed);
    }
    bench.record("b/4.csv", "roll", "plover", "one_fl", 1);
    let (b, a) = (bench.path("b"), bench.path("a"));
    fs::write(bench.path("a/notes.txt"), "no record").unwrap();
    fs::write(bench.path("a/.hidden.csv"), "no record").unwrap();
    let gave = call(&["compare", &b, &a, "--json"]);
    assert!(gave.err.contains("1 roll not compared"), "{}", gave.err);
    let result = gave.json();
    let comparisons = result["comparisons"].as_array().unwrap();
    let tests: Vec<&Value> = comparisons.iter().map(|c| &c["test"]).collect();
    assert_eq!(tests, ["leak", "pull"]);
    assert_eq!(comparisons[1]["before"], 12, "two records of six pulls");
    assert_eq!(comparisons[1]["records"]["before"], 2);
    let left = &result["not_compared"][0];
    assert_eq!(
        (&left["side"], &left["test"]),
        (&"before".into(), &"roll".into())
    );
    let text = call(&["compare", &b, &a]).out;
    for words in [
        "leak: better",
        "pull: better",
        "not compared",
        "1 roll: only before",
    ] {
        assert!(text.contains(words), "{words}: {text}");
    }
    // One record more on both sides: pulls of two records a side know more than those of one.
    let one = json(&["compare", &bench.path("b/1.csv"), &bench.path("a/1.csv")]);
    let u = |c: &Value| c["quality"]["scatter"].as_f64().unwrap();
    assert!(u(&comparisons[1]) > 0.0 && u(&one) > 0.0);
    assert!(
        comparisons[1]["minimum_detectable_change"].as_f64()
            < one["minimum_detectable_change"].as_f64()
    );
}

fn copy_capture(from: &str, to: &str) {
    let from = Path::new(env!("CARGO_MANIFEST_DIR")).join(from);
    fs::create_dir_all(to).unwrap();
    for entry in fs::read_dir(from).unwrap() {
        let entry = entry.unwrap();
        fs::copy(entry.path(), Path::new(to).join(entry.file_name())).unwrap();
    }
}

/// Captures state their test, car and setup themselves; a folder of captures is a side. Setups are compared one by one.
#[test]
fn captures_bring_their_setups() {
    let bench = Bench::new();
    for (side, source) in [("b", PULL), ("a", PULL)] {
        copy_capture(source, &bench.path(&format!("{side}/1-pull")));
        copy_capture(LEAK, &bench.path(&format!("{side}/2-leak")));
    }
    let result = json(&["compare", &bench.path("b"), &bench.path("a")]);
    let comparisons = result["comparisons"].as_array().unwrap();
    for (comparison, setup) in comparisons.iter().zip(["whole", "plug_in_cold"]) {
        assert_eq!(comparison["setup"], setup);
        assert_eq!(comparison["change"], "not_shown", "a record beside itself");
        assert_eq!(comparison["quality"]["unprotected"], false);
    }
    // A plain file that says nothing of its setup is held against a capture, and that is said.
    let plain = bench.record("plain.csv", "pull", "plover", "plug_in_cold", 5);
    let gave = json(&["compare", PULL, &plain]);
    let flags = gave["quality"]["flags"].as_array().unwrap();
    assert!(flags.contains(&"setup_not_stated".into()), "{flags:?}");
    assert_eq!(gave["setup"], "plug_in_cold");
}

/// Where no setup is common to both sides nothing is compared, and the refusal says so.
#[test]
fn different_setups_are_refused() {
    let bench = Bench::new();
    let clamped = bench.path("clamped");
    copy_capture(LEAK, &clamped);
    let meta = format!("{clamped}/capture.toml");
    let text = fs::read_to_string(&meta).unwrap();
    let changed = text.replace("setup = \"whole\"", "setup = \"lid_clamped\"");
    assert_ne!(text, changed);
    fs::write(&meta, changed).unwrap();
    let result = json(&["compare", LEAK, &clamped]);
    says(&result, "undecided", "not_shown");
    assert_eq!(codes(&result)[0], "setup_differs");
    for key in [
        "ratio",
        "difference",
        "minimum_detectable_change",
        "more_holds",
    ] {
        assert!(result[key].is_null(), "{key}");
    }
    let text = call(&["compare", LEAK, &clamped]).out;
    assert!(
        text.contains("leak: refused") && text.contains("(setup_differs)"),
        "{text}"
    );
}

/// A side without an answer: the reasons, undecided, and still status 0.
#[test]
fn a_refused_side_refuses_the_comparison() {
    let bench = Bench::new();
    let flat = bench.path("flat.csv");
    let rows: Vec<String> = (0..8000).map(|i| format!("{},0.0", i * 10_000)).collect();
    fs::write(&flat, format!("t_us,p_pa\n{}\n", rows.join("\n"))).unwrap();
    let good = bench.record("good.csv", "leak", "plover", "whole", 1);
    let result = json(&["compare", &good, &flat, "--volume", "131cm3"]);
    says(&result, "undecided", "not_shown");
    assert!(!codes(&result).is_empty());

    // one pull only
    let pulls = bench.record("pulls.csv", "pull", "plover", "plug_in_cold", 1);
    let finding = json(&["analyze", "pull", &pulls]);
    let end_s = finding["pulls"][0]["end_s"].as_f64().unwrap() + 0.5;
    let text = fs::read_to_string(&pulls).unwrap();
    let early = |row: &&str| {
        let t_us = row.split(',').next().unwrap().parse::<f64>();
        t_us.map_or(true, |t_us| t_us * 1e-6 < end_s)
    };
    let one = bench.path("one.csv");
    let rows: Vec<&str> = text.lines().filter(early).collect();
    fs::write(&one, rows.join("\n")).unwrap();
    for (before, after) in [(&pulls, &one), (&one, &pulls)] {
        let result = json(&["compare", before, after]);
        says(&result, "undecided", "not_shown");
        assert_eq!(codes(&result), ["too_few_pulls"]);
    }
}

/// A file that cannot be read, a folder without records, two sides of different tests: named, with what to do.
#[test]
fn what_cannot_be_compared_is_named() {
    let bench = Bench::new();
    let pull = bench.record("pull.csv", "pull", "plover", "plug_in_cold", 1);
    let strange = bench.path("folder/2.csv");
    fs::write(&strange, "time;force\n1;2\n").unwrap();
    fs::copy(&pull, bench.path("folder/1.csv")).unwrap();
    let folder = bench.path("folder");
    fs::create_dir_all(bench.path("empty/deep")).unwrap();
    let empty = bench.path("empty");
    let compare = |args: [&str; 2]| call(&[&["compare"][..], &args].concat());
    compare([LEAK, PULL]).fails(1, &["nothing to compare", "holds 1 leak", "holds 1 pull"]);
    compare([&pull, &folder]).fails(
        1,
        &["2.csv:1: the header is 'time;force'", "t_us,f_n (pull)"],
    );
    compare([&pull, &empty]).fails(1, &["holds no capture and no .csv file"]);
    compare([&pull, "captures/none"])
        .fails(1, &["captures/none: cannot be read", "check the name"]);
    // A demo's folder holds its captures one folder further down.
    let demo = bench.path("demo");
    copy_capture(LEAK, &format!("{demo}/captures/1"));
    compare([&demo, &demo]).fails(1, &["did you mean", "captures?"]);
}

/// Options that cannot be: status 2 and what would do.
#[test]
fn wrong_options_are_named() {
    let bench = Bench::new();
    let pull = bench.record("pull.csv", "pull", "plover", "plug_in_cold", 1);
    let roll = bench.record("roll.csv", "roll", "plover", "one_fl", 1);
    let twice = |path: &str, more: &[&str], said: &[&str]| {
        call(&[&["compare", path, path], more].concat()).fails(2, said);
    };
    call(&["compare", &pull, "-"]).fails(2, &["standard input"]);
    call(&["compare", &pull]).fails(2, &["<AFTER>"]);
    twice(&pull, &["--setup", "plug_in_cold"], &["--vehicle FILE"]);
    let known = "plug_in_cold, plug_in_warm, plug_out";
    let with = |setup| ["--vehicle", CAR, "--setup", setup];
    twice(&pull, &with("plug"), &["no setup 'plug'", known]);
    twice(
        &pull,
        &with("one_fl"),
        &["setup of a roll", "neither side holds one"],
    );
    twice(&pull, &["--volume", "131"], &["cm3"]);
    twice(&pull, &["--mass", "-1kg"], &["--mass"]);
    twice(&roll, &[], &["roll.csv", "--vehicle FILE"]);
    twice(&roll, &["--vehicle", CAR], &["one_fl"]);
}

/// Bad rows stop a comparison as they stop an analysis, unless they are to be skipped; then they are counted.
#[test]
fn bad_rows_are_named_or_counted() {
    let bench = Bench::new();
    let good = bench.record("good.csv", "pull", "plover", "plug_in_cold", 1);
    let bad = bench.path("bad.csv");
    let mut text = fs::read_to_string(&good).unwrap();
    text.push_str("x,1\n");
    let line = text.lines().count();
    fs::write(&bad, text).unwrap();
    let place = format!("bad.csv:{line}: t_us is 'x'");
    call(&["compare", &good, &bad]).fails(1, &[&place, "--skip-bad-rows"]);
    let result = json(&["compare", &good, &bad, "--skip-bad-rows"]);
    assert_eq!(result["quality"]["faults"]["not_a_number"], 1);
}

//! Which part is it? Records of one test in several setups, put together.

use std::{fs, path::PathBuf};

use super::{Bench, CAR, LEAK, ROLL, call, codes, copy_capture, estimate, json, true_leak};

/// Records of the tank in three setups: the lid it was, and the interval of every part holds what was put in.
#[test]
fn a_leak_is_ruled_out_to_the_lid() {
    let bench = Bench::new();
    let items: Vec<String> = ["whole", "lid_clamped", "line_plugged"]
        .iter()
        .zip(1..)
        .map(|(setup, seed)| {
            let path = bench.record(&format!("{setup}.csv"), "leak", "plover", setup, seed);
            format!("{setup}={path}")
        })
        .collect();
    let mut args = vec!["rule-out", "leak", "--vehicle", CAR, "--at", "11250Pa"];
    args.extend(items.iter().map(String::as_str));
    let result = json(&args);
    assert_eq!(codes(&result), [""; 0]);
    assert_eq!(result["named"], "lid");
    assert!(result["quality"]["rows"].as_u64().unwrap() > 0);
    let whole = true_leak(&bench.path("whole.csv"));
    let line = true_leak(&bench.path("lid_clamped.csv"));
    for part in result["parts"].as_array().unwrap() {
        let truth = match part["part"].as_str().unwrap() {
            "lid" => whole - line,
            "line" => line,
            _ => 0.0,
        };
        let [_, _, lo, hi] = estimate(&part["leak_rate_pa_m3_s"]);
        assert!((lo..=hi).contains(&truth), "{truth}: {part}");
    }
    let text = call(&args).out;
    for words in [
        "leak: the lid leaks most",
        "largest with",
        "at most",
        "lid's seal",
    ] {
        assert!(text.contains(words), "{words}: {text}");
    }
    // With one setup alone no part is named; the next setup is proposed with its reason.
    let result = json(&["rule-out", "leak", "--vehicle", CAR, &items[0]]);
    assert!(result["named"].is_null());
    let next = result["next_setup"]["setup"].as_str().unwrap();
    assert!(["lid_clamped", "line_plugged"].contains(&next), "{next}");
    let text = call(&["rule-out", "leak", "--vehicle", CAR, &items[0]]).out;
    assert!(text.contains(&format!("Take setup {next}")), "{text}");
}

/// A record that gives no leak rate is left out, and that is said with its reason.
#[test]
fn a_record_that_is_not_used_is_named() {
    let bench = Bench::new();
    let whole = bench.record("whole.csv", "leak", "plover", "whole", 1);
    let long = bench.record("long.csv", "leak", "plover", "line_plugged", 3);
    let short = bench.path("short.csv");
    let rows = fs::read_to_string(long).unwrap();
    let some: Vec<&str> = rows.lines().take(1800).collect();
    fs::write(&short, some.join("\n")).unwrap();
    let items = [format!("whole={whole}"), format!("line_plugged={short}")];
    let args = ["rule-out", "leak", "--vehicle", CAR, &items[0], &items[1]];
    let result = json(&args);
    let flags = &result["quality"]["flags"];
    assert_eq!(*flags, serde_json::json!(["record_not_used"]));
    let said = call(&args);
    assert!(said.out.contains("was left out"), "{}", said.out);
    assert!(said.err.contains("short.csv: not used: "), "{}", said.err);
}

/// Plug in less plug out: what compression takes.
#[test]
fn compression_is_what_the_plug_makes() {
    let bench = Bench::new();
    let with = bench.record("in.csv", "pull", "plover", "plug_in_cold", 1);
    let without = bench.record("out.csv", "pull", "plover", "plug_out", 2);
    let (with, without) = (
        format!("plug_in_cold={with}"),
        format!("plug_out={without}"),
    );
    let args = ["rule-out", "pull", "--vehicle", CAR, &with, &without];
    let result = json(&args);
    assert_eq!(codes(&result), [""; 0]);
    let [all, ..] = estimate(&result["plug_in_peak_n"]);
    let [friction, ..] = estimate(&result["plug_out_peak_n"]);
    let [compression, _, lo, _] = estimate(&result["compression_n"]);
    assert!((all - friction - compression).abs() < 1e-9 * all);
    assert!(lo > 0.0 && friction > 0.0 && friction < 0.6 * all);
    let text = call(&args).out;
    assert!(text.contains("Compression takes"), "{text}");
    // Without the other state there is nothing to take off.
    let result = json(&["rule-out", "pull", "--vehicle", CAR, &with]);
    assert!(!codes(&result).is_empty());
}

/// Two setups together name the part that snags; one alone proposes the setup that would tell.
#[test]
fn a_snag_is_placed_by_two_setups() {
    let bench = Bench::new();
    let straight = bench.record("s.csv", "roll", "plover", "straight", 7);
    let one_fl = bench.record("f.csv", "roll", "plover", "one_fl", 8);
    let (straight, one_fl) = (format!("straight={straight}"), format!("one_fl={one_fl}"));
    let args = ["rule-out", "roll", "--vehicle", CAR, &straight, &one_fl];
    let result = json(&args);
    assert_eq!(codes(&result), [""; 0]);
    assert_eq!(result["snag"], true);
    assert_eq!(result["parts"][0]["part"], "ring_f");
    assert_eq!(result["captures"][1]["setup"], "one_fl");
    assert!(
        result["captures"][0]["source"]
            .as_str()
            .unwrap()
            .ends_with("s.csv")
    );
    assert!(result["quality"]["rows"].as_u64().unwrap() > 0);
    let sum: f64 = result["parts"]
        .as_array()
        .unwrap()
        .iter()
        .map(|p| p["probability"].as_f64().unwrap())
        .sum();
    assert!((sum - 1.0).abs() < 1e-9);
    let text = call(&args).out;
    for words in [
        "front ring gear (ring_f)",
        "suspects",
        "one_fl: a snag by itself",
    ] {
        assert!(text.contains(words), "{words}: {text}");
    }
    // Rolling straight, both ring gears turn together: a setup is proposed that tells them apart.
    let alone = json(&["rule-out", "roll", "--vehicle", CAR, &straight]);
    let next = alone["next_setup"]["setup"].as_str().unwrap();
    assert!(next.starts_with("one_"), "{next}");
    let text = call(&["rule-out", "roll", "--vehicle", CAR, &straight]).out;
    assert!(text.contains(&format!("Take setup {next}")), "{text}");
}

/// A vehicle file's copy in a capture, changed to that of another car.
pub fn other_car(bench: &Bench, from: &str, name: &str) -> String {
    let copy = bench.path(name);
    copy_capture(from, &copy);
    let file = PathBuf::from(&copy).join("vehicle.toml");
    let text = fs::read_to_string(&file).unwrap();
    let changed = text
        .replace("name = \"Plover 8\"", "name = \"Heron 10\"")
        .replace("teeth_a = 41", "teeth_a = 43");
    assert_ne!(text, changed);
    fs::write(file, changed).unwrap();
    copy
}

/// Captures of different cars, setups that the file does not know, records of another test: never a confident part.
#[test]
fn what_cannot_be_ruled_out_is_named() {
    let bench = Bench::new();
    let heron = other_car(&bench, ROLL, "heron");
    let plain = bench.record("p.csv", "leak", "plover", "whole", 1);
    let named = format!("whole={plain}");
    let unknown = format!("hose_off={plain}");
    let of_roll = format!("one_fl={plain}");
    for (args, code, said) in [
        (
            vec!["roll", ROLL, &heron],
            1,
            vec!["different cars", "Plover 8", "Heron 10"],
        ),
        (
            vec!["roll", ROLL, &heron, "--vehicle", CAR],
            1,
            vec!["heron: a capture of Heron 10", "Plover 8"],
        ),
        (
            vec!["leak", &unknown, "--vehicle", CAR],
            2,
            vec!["no setup 'hose_off'", "whole, lid_clamped, line_plugged"],
        ),
        (
            vec!["leak", &of_roll, "--vehicle", CAR],
            2,
            vec!["no setup 'one_fl' for this test"],
        ),
        (vec!["leak", &named], 2, vec!["--vehicle FILE"]),
        (
            vec!["leak", &plain, "--vehicle", CAR],
            2,
            vec!["SETUP=", "whole"],
        ),
        (
            vec!["roll", &named, "--vehicle", CAR],
            1,
            vec!["this is a leak"],
        ),
        (vec!["roll", LEAK], 1, vec!["this is a leak"]),
        (vec!["leak", "captures"], 1, vec!["no capture.toml"]),
        (vec!["leak"], 2, vec!["SETUP=FILE"]),
    ] {
        call(&[&["rule-out"][..], &args].concat()).fails(code, &said);
    }
}

//! Before and after of a drivetrain.

use std::fs;

use super::{Bench, CAR, ROLL, call, codes, estimate, json, rule_out::other_car, says};

/// The rebuild took the snag out of the front ring gear; two minutes of records a side show it.
#[test]
fn a_rebuilt_drivetrain_snags_less() {
    let bench = Bench::new();
    for seed in [1, 2] {
        bench.record(&format!("b/{seed}.csv"), "roll", "plover", "one_fl", seed);
        bench.record(
            &format!("a/{seed}.csv"),
            "roll",
            "rebuilt",
            "one_fl",
            10 + seed,
        );
    }
    let (before, after) = (bench.path("b"), bench.path("a"));
    let with = ["--vehicle", CAR, "--setup", "one_fl"];
    let result = json(&[&["compare", &before, &after][..], &with].concat());
    says(&result, "lower", "better");
    assert_eq!(result["part"], "ring_f");
    assert_eq!(result["setup"], "one_fl");
    assert_eq!(
        (&result["before"], &result["after"]),
        (&2.into(), &2.into())
    );
    assert_eq!(result["more_turns"], 0);
    assert_eq!(result["quality"]["none_seen_after"], true);
    let [_, _, _, hi] = estimate(&result["difference"]);
    assert!(hi < 0.0, "{hi}");
    let swapped = json(&[&["compare", &after, &before][..], &with].concat());
    says(&swapped, "higher", "worse");
    assert_eq!(swapped["part"], "ring_f");
    for (key, mirrored) in [("value", "value"), ("lo95", "hi95"), ("hi95", "lo95")] {
        let (a, b) = (&result["difference"][key], &swapped["difference"][mirrored]);
        let sum = a.as_f64().unwrap() + b.as_f64().unwrap();
        assert!(sum.abs() < 1e-9, "{key}: {sum}");
    }
    let text = call(&[&["compare", &before, &after][..], &with].concat()).out;
    for words in [
        "roll: better",
        "front ring gear (ring_f)",
        "After, no snag is shown in it",
        "Better: shown.",
    ] {
        assert!(text.contains(words), "{words}: {text}");
    }
    // One rebuilt car twice: nothing to hold against nothing.
    let result = json(&[&["compare", &after, &after][..], &with].concat());
    says(&result, "undecided", "not_shown");
}

/// A side in which nobody lets go has no answer.
#[test]
fn a_side_without_free_rolling_refuses_the_comparison() {
    let bench = Bench::new();
    // nobody lets go
    let roll = bench.path("roll.csv");
    let rows: Vec<String> = (1..60).map(|i| format!("{},0", i * 40_000)).collect();
    fs::write(&roll, format!("t_us,sensor\n{}\n", rows.join("\n"))).unwrap();
    let result = json(&[
        "compare",
        &roll,
        ROLL,
        "--vehicle",
        CAR,
        "--setup",
        "one_fl",
    ]);
    says(&result, "undecided", "not_shown");
    assert!(!codes(&result).is_empty());
}

/// Two files that differ: said, whatever comes of it.
#[test]
fn different_cars_are_said() {
    let bench = Bench::new();
    let heron = other_car(&bench, ROLL, "heron");
    // Two cars compared are compared (the file may only have been corrected), but that is said.
    let gave = call(&["compare", ROLL, &heron, "--json"]).json();
    let flags = gave["quality"]["flags"].as_array().unwrap();
    assert!(flags.contains(&"vehicle_differs".into()), "{flags:?}");
    // A file that is given for both sides must be that of both.
    call(&["compare", ROLL, &heron, "--vehicle", CAR])
        .fails(1, &["heron: a capture of Heron 10", "Plover 8"]);
}

//! What a simulated record must say: its truth.

use std::fs;

use serde_json::{Value, json};

use super::{Records, estimate, json_of};

/// The truth lies in the 95 % interval, or beside it no farther than a tenth of its width: the seeds are fixed, and
/// one interval in twenty may miss.
#[track_caller]
fn agrees(value: &Value, truth: &Value) {
    let [_, _, lo, hi] = estimate(value);
    let truth = truth.as_f64().unwrap();
    let margin = 0.1 * (hi - lo);
    assert!(
        lo - margin <= truth && truth <= hi + margin,
        "{truth} not in {value}"
    );
}

#[test]
fn simulated_leak_agrees_with_its_truth() {
    let records = Records::new();
    for seed in ["1", "2"] {
        let name = format!("{seed}.csv");
        let (result, truth) = records.simulate("leak", &name, &["--seed", seed]);
        let at = format!("{}Pa", truth["p_ref_pa"]);
        let volume = format!("{}m3", truth["volume_m3"]);
        let path = records.path(&name);
        let leak = json_of(&["analyze", "leak", &path, "--volume", &volume, "--at", &at]);
        agrees(&leak["leak_rate_pa_m3_s"], &truth["leak_rate_pa_m3_s"]);
        assert_eq!(leak["p_ref_pa"], truth["p_ref_pa"]);
        assert_eq!(leak["limit_source"], "suggested");
        assert_eq!(leak["quality"]["rows"], result["rows"]);
        // the line that `simulate` prints asks for the same pressure
        let words: Vec<&str> = result["analyze"]
            .as_str()
            .unwrap()
            .split(' ')
            .skip(1)
            .collect();
        let leak = json_of(&words);
        agrees(&leak["leak_rate_pa_m3_s"], &truth["leak_rate_pa_m3_s"]);
        assert_eq!(
            (&leak["verdict"], &leak["limit_source"]),
            (&json!("outside"), &json!("vehicle"))
        );
    }
}

#[test]
fn simulated_pull_agrees_with_its_truth() {
    let records = Records::new();
    let (_, truth) = records.simulate("pull", "p.csv", &["--seed", "4"]);
    let path = records.path("p.csv");
    let pull = json_of(&["analyze", "pull", &path, "--mass", "3.4kg"]);
    agrees(&pull["lift_ratio"], &truth["lift_ratio"]);
    let (found, put_in) = (
        pull["pulls"].as_array().unwrap(),
        truth["pulls"].as_array().unwrap(),
    );
    assert_eq!(found.len(), put_in.len());
    for (found, put_in) in found.iter().zip(put_in) {
        agrees(&found["peak_n"], &put_in["peak_n"]);
    }
    // without a mass there is no lift ratio and no verdict
    let bare = json_of(&["analyze", "pull", &path]);
    assert!(bare["lift_ratio"].is_null() && bare["verdict"].is_null() && bare["refused"].is_null());
    assert_eq!(bare["pulls"][0]["peak_n"], pull["pulls"][0]["peak_n"]);
}

#[test]
fn simulated_roll_agrees_with_its_truth() {
    let records = Records::new();
    let (_, truth) = records.simulate("roll", "r.csv", &["--seed", "1"]);
    let path = records.path("r.csv");
    let car = format!("{path}.vehicle.toml");
    let roll = json_of(&[
        "analyze",
        "roll",
        &path,
        "--vehicle",
        &car,
        "--setup",
        "one_fl",
    ]);
    let snag = &roll["snags"][0];
    assert_eq!(
        (&snag["part"], &roll["verdict"]),
        (&truth["snag"]["part"], &json!("outside"))
    );
    agrees(&snag["hit_rate"], &truth["snag"]["hit_rate"]);
    let (found, put_in) = (
        snag["phase_deg"].as_f64().unwrap(),
        truth["snag"]["phase_deg"].as_f64().unwrap(),
    );
    let apart = (found - put_in + 540.0).rem_euclid(360.0) - 180.0;
    // half a bin for the phase of the finding, one more for the width of the snag
    assert!(
        apart.abs() <= 3.0 * snag["phase_half_bin_deg"].as_f64().unwrap(),
        "{found} {put_in}"
    );
    let (_, truth) = records.simulate("roll", "whole.csv", &["--seed", "1", "--car", "rebuilt"]);
    assert!(truth["snag"].is_null());
    let roll = json_of(&[
        "analyze",
        "roll",
        &records.path("whole.csv"),
        "--vehicle",
        &car,
        "--setup",
        "one_fl",
    ]);
    assert_eq!(
        (&roll["verdict"], &roll["snags"]),
        (&json!("undecided"), &json!([]))
    );
}

#[test]
fn same_seed_same_bytes_and_the_default_seed_is_one() {
    let records = Records::new();
    let read = |name: &str| fs::read(records.path(name)).unwrap();
    for test in ["leak", "pull", "roll"] {
        let names = ["a", "b", "c"].map(|n| format!("{test}-{n}.csv"));
        records.simulate(test, &names[0], &["--seed", "1"]);
        records.simulate(test, &names[1], &[]);
        records.simulate(test, &names[2], &["--seed", "2"]);
        assert_eq!(read(&names[0]), read(&names[1]), "{test}");
        let truth = |n: usize| read(&format!("{}.truth.json", names[n]));
        assert_eq!(truth(0), truth(1), "{test}");
        assert_ne!(read(&names[0]), read(&names[2]), "{test}");
    }
}

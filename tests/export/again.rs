//! An exported CSV is a plain sample file: `analyze` reads it and finds the same, up to what such a file cannot say.

use serde_json::Value;

use super::fixture::*;

fn analyzed(args: &[&str]) -> Value {
    let mut all = vec!["analyze", "--json"];
    all.extend(args);
    serde_json::from_str(&done(&all)).unwrap()
}

/// A plain file says nothing of the probe's calibration, so the share of an untested sensor (2 %) is missing in its
/// uncertainty; and the temperature goes through degrees Celsius, which costs a last bit. The values agree to 1e-9.
#[test]
#[allow(clippy::too_many_lines)] // three tests, one after the other
fn analyze_finds_the_same_in_the_exported_file() {
    let dir = tempfile::tempdir().unwrap();
    let out = dir.path().join("out");
    assert_eq!(export(&[&samples()], &out, &["--format", "csv"]).0, 0);
    let csv = |name: &str, test: &str| out.join(format!("csv/{name}/{test}.csv"));
    let capture = |name: &str| samples().join(name);
    let car = samples().join("plover-8.toml");

    let (own, file) = (capture(LEAK), csv(LEAK, "leak"));
    let own = analyzed(&["leak", arg(&own)]);
    let plain = analyzed(&[
        "leak",
        arg(&file),
        "--vehicle",
        arg(&car),
        "--setup",
        "whole",
        "--at",
        "11250Pa",
        "--baro",
        "101100Pa",
    ]);
    assert_eq!(own["verdict"], plain["verdict"]);
    same(&own, &plain, "/leak_rate_pa_m3_s/value");
    same(&own, &plain, "/half_life_s/value");
    same(&own, &plain, "/hold_s");
    same(&own, &plain, "/settled_at_s");
    narrower(&own, &plain, "/leak_rate_pa_m3_s/u");
    assert_eq!(own["quality"]["rows"], plain["quality"]["rows"]);

    let (own, file) = (capture(PULL), csv(PULL, "pull"));
    let own = analyzed(&["pull", arg(&own)]);
    let order = own["quality"]["filter_order"].to_string();
    let plain = analyzed(&[
        "pull",
        arg(&file),
        "--vehicle",
        arg(&car),
        "--setup",
        "plug_in_cold",
        "--filter-order",
        &order,
    ]);
    assert_eq!(own["verdict"], plain["verdict"]);
    same(&own, &plain, "/lift_ratio/value");
    same(&own, &plain, "/session/cadence_hz/value");
    same(&own, &plain, "/session/peak_at_cadence_n/value");
    narrower(&own, &plain, "/lift_ratio/u");

    // edges have no calibration: all of the finding is the same but the words on the link
    let (own, file) = (capture(ROLL), csv(ROLL, "roll"));
    let mut own = analyzed(&["roll", arg(&own)]);
    let mut plain = analyzed(&[
        "roll",
        arg(&file),
        "--vehicle",
        arg(&car),
        "--setup",
        "one_fl",
    ]);
    for finding in [&mut own, &mut plain] {
        for key in ["lines", "ignored", "unprotected", "faults", "gaps", "flags"] {
            finding["quality"].as_object_mut().unwrap().remove(key);
        }
    }
    assert!(own["snags"][0]["part"].is_string());
    assert_eq!(own, plain);
}

#[track_caller]
fn same(own: &Value, plain: &Value, place: &str) {
    let of = |finding: &Value| finding.pointer(place).unwrap().as_f64().unwrap();
    let (own, plain) = (of(own), of(plain));
    assert!(
        (own - plain).abs() <= 1e-9 * own.abs(),
        "{place}: {own} {plain}"
    );
}

#[track_caller]
fn narrower(own: &Value, plain: &Value, place: &str) {
    let of = |finding: &Value| finding.pointer(place).unwrap().as_f64().unwrap();
    let (own, plain) = (of(own), of(plain));
    // 2 % as a rectangle's half width at most
    assert!(plain <= own && plain > 0.3 * own, "{place}: {own} {plain}");
}

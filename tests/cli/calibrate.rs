//! `calibrate` end to end: published figures, truth that was put in, the file used by `analyze`, bad input.

use std::{fs, path::Path};

use feelgauge::{
    calibration::Calibration,
    clock::Clock,
    inspect::{Calibrations, Stated, Test},
    physics::{PLOVER_8, noise::Noise},
    probe::{boards, virtual_bench},
    reading::ForceReading,
    record::{Files, read_capture},
};
use serde_json::Value;

use super::{PULL, Records, call, estimate, feelgauge, has, json_of};

const KEYS: &[&str] = &[
    "test",
    "kind",
    "sensor",
    "date",
    "due",
    "refused",
    "gain",
    "zero",
    "covariance",
    "u_relative",
    "residuals",
    "budget",
];

/// Writes a file of points.
fn file(records: &Records, name: &str, text: &str) -> String {
    let path = records.path(name);
    fs::write(&path, text).unwrap();
    path
}

/// Standard error of a call that must fail so.
#[track_caller]
fn fails(args: &[&str], code: i32) -> String {
    let output = feelgauge().args(args).output().unwrap();
    let err = String::from_utf8(output.stderr).unwrap();
    assert_eq!(output.status.code(), Some(code), "{args:?}: {err}");
    assert!(
        output.stdout.is_empty() && !err.contains("panicked"),
        "{err}"
    );
    err
}

/// Six strokes into a space of 131 cm3 at 1003 hPa.
pub(crate) fn syringe(records: &Records) -> String {
    let rows: Vec<String> = (0..=6)
        .map(|i| f64::from(i) * 2.0)
        .map(|cm3| format!("{cm3},{:.0}\n", 100_300.0 * cm3 / 131.0))
        .collect();
    file(
        records,
        "syringe.csv",
        &format!("injected_cm3,p_pa\n{}", rows.concat()),
    )
}

/// GUM H.3 (JCGM 100:2008) as a thermometer of pressures: what it shows, and what is true (shown plus correction). The
/// prints are y1 = -0.1712(29), y2 = 0.00218(67), r = -0.930, b(30) = -0.1494(41), half a unit of the last digit.
#[test]
fn gum_h3_through_the_verb() {
    let t = [
        21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511,
    ];
    let b = [
        -0.171, -0.169, -0.166, -0.159, -0.164, -0.165, -0.156, -0.157, -0.159, -0.161, -0.160,
    ];
    let records = Records::new();
    let rows: Vec<String> = t
        .iter()
        .zip(b)
        .map(|(t, b)| format!("{:.3},{t:.3}\n", t + b))
        .collect();
    let path = file(
        &records,
        "gum.csv",
        &format!("p_pa,indication\n{}", rows.concat()),
    );
    let found = json_of(&["calibrate", "pressure", &path]);
    has(&found, KEYS);
    let number = |pointer: &str| found.pointer(pointer).unwrap().as_f64().unwrap();
    let near = |got: f64, want: f64, within: f64| {
        assert!(
            (got - want).abs() <= within,
            "{got}, not {want} -+ {within}"
        );
    };
    let (gain, reference) = (number("/gain/value"), number("/reference"));
    let value = number("/value_at_reference/value");
    let [a, b, c] = ["/covariance/0/0", "/covariance/0/1", "/covariance/1/1"].map(number);
    near(gain - 1.0, 0.002_18, 0.5e-5);
    near(number("/gain/u"), 0.000_67, 0.5e-5);
    near(number("/scatter"), 0.0035, 0.5e-4);
    // correction and its uncertainty at another temperature, with the covariance
    let at = |t: f64| {
        let d = t - reference;
        (value + gain * d - t, (a + 2.0 * d * b + d * d * c).sqrt())
    };
    near(at(20.0).0, -0.1712, 0.5e-4);
    near(at(20.0).1, 0.0029, 0.5e-4);
    near(at(30.0).0, -0.1494, 0.5e-4);
    near(at(30.0).1, 0.0041, 0.5e-4);
    let at_20 = b + (20.0 - reference) * c;
    near(at_20 / (at(20.0).1 * c.sqrt()), -0.930, 0.5e-3);
    // Student's t for 9 degrees of freedom (GUM table G.2)
    near(
        (number("/gain/hi95") - gain) / number("/gain/u"),
        2.26,
        0.5e-2,
    );
}

/// Masses on a simulated cell, up, down and up: 0.0245 N a count at 9.8144 m/s2 (latitude 54.3), 410 counts with nothing
/// on it; the air carries 0.015 %.
fn hung_masses() -> String {
    let mut noise = Noise::new(1, 0);
    let up = [0.0, 1.0, 2.0, 5.0, 10.0, 15.0];
    let rows: Vec<String> = up
        .iter()
        .chain(up.iter().rev())
        .chain(&up)
        .map(|m| {
            let count = 410.0 + m * 9.8144 * 0.999_85 / 0.0245 + 3.0 * noise.normal();
            format!("{m},{count:.0},hung\n")
        })
        .collect();
    format!("mass_kg,indication,note\n{}", rows.concat())
}

/// What was put in lies in the interval; file and page say what the JSON says.
#[test]
fn masses_on_a_known_cell() {
    let records = Records::new();
    let rows = hung_masses();
    let path = file(&records, "cord.csv", &rows);
    let out = records.path("cord.toml");
    let line = "calibrate force --probe cord-1 --latitude 54.3 --height 20m --mass-u 5g";
    let args: Vec<&str> = line.split(' ').chain([path.as_str()]).collect();
    let found = json_of(&[&args[..], &["--out", &out]].concat());
    let [_, _, lo, hi] = estimate(&found["gain"]);
    assert!(lo < 0.0245 && 0.0245 < hi, "{}", found["gain"]);
    let [_, _, lo, hi] = estimate(&found["zero"]);
    assert!(lo < 410.0 && 410.0 < hi, "{}", found["zero"]);
    assert_eq!(found["residuals"].as_array().unwrap().len(), 18);
    let of = (&found["sensor"], &found["indication_unit"]);
    assert_eq!(of, (&"cord-1".into(), &"count".into()));
    let kept = Calibration::parse(&fs::read_to_string(&out).unwrap()).unwrap();
    let gain = found["gain"]["value"].as_f64().unwrap();
    assert_eq!(kept.line.unwrap().gain.to_bits(), gain.to_bits());
    assert_eq!(kept.points[1].row.as_deref(), rows.lines().nth(2));
    let (_, text) = call(&args);
    for said in [
        "18 points",
        "where the uncertainty comes from",
        "add --out",
        "over feet",
        "latitude 54.3",
    ] {
        assert!(text.contains(said), "{said}: {text}");
    }
    // what exists is not written over
    assert!(fails(&[&args[..], &["--out", &out]].concat(), 2).contains("exists already"));
}

/// The budget is in order, its shares are all there is, and stating the place makes the gravity's part small.
#[test]
fn the_budget_of_a_calibration() {
    let records = Records::new();
    let path = file(&records, "cord.csv", &hung_masses());
    let args = ["calibrate", "force", &path, "--probe", "cord-1"];
    let placed = json_of(&[&args[..], &["--latitude", "54.3", "--height", "20m"]].concat());
    let unplaced = json_of(&args);
    let lines = |found: &Value| -> Vec<(String, f64, f64)> {
        let line = |c: &Value| {
            let number = |key: &str| c[key].as_f64().unwrap();
            let source = c["source"].as_str().unwrap().to_owned();
            (source, number("u"), number("share"))
        };
        found["budget"]
            .as_array()
            .unwrap()
            .iter()
            .map(line)
            .collect()
    };
    for found in [&placed, &unplaced] {
        let lines = lines(found);
        assert!(lines.is_sorted_by(|a, b| a.1 >= b.1), "{lines:?}");
        let shares: f64 = lines.iter().map(|l| l.2).sum();
        let squares: f64 = lines.iter().map(|l| l.1 * l.1).sum();
        assert!((shares - 1.0).abs() < 1e-9, "{lines:?}");
        let u = estimate(&found["gain"])[1];
        assert!((squares.sqrt() / u - 1.0).abs() < 1e-9, "{lines:?} {u}");
    }
    let gravity = |found: &Value| {
        let lines = lines(found);
        lines.iter().find(|l| l.0 == "gravity").unwrap().1
    };
    assert!(gravity(&unplaced) > 10.0 * gravity(&placed));
}

/// 25 mm steps of a water column against a sensor of 3.05 Pa a count: without temperature the conventional value, with it
/// the real one, 0.3 % less and ten times better known.
#[test]
fn a_water_column_and_its_temperature() {
    let records = Records::new();
    let rows: Vec<String> = (0..=10)
        .map(|i| {
            (
                f64::from(i) * 100.0,
                1638.4 + f64::from(i) * 100.0 * 9.80665 / 3.05176,
            )
        })
        .map(|(mm, count)| format!("{mm},{count:.1}\n"))
        .collect();
    let path = file(
        &records,
        "tank.csv",
        &format!("height_mm,indication\n{}", rows.concat()),
    );
    let args = ["calibrate", "pressure", &path, "--probe", "tank-1"];
    let plain = json_of(&args);
    let [gain, ..] = estimate(&plain["gain"]);
    assert!(
        (gain / 3.05176 - 1.0).abs() < 1e-4,
        "the conventional 9.80665 Pa/mm: {gain}"
    );
    assert_eq!(plain["budget"][0]["source"], "water_density");
    let warm = json_of(&[&args[..], &["--water", "20C", "--gravity", "9.80665"]].concat());
    let [real, u, ..] = estimate(&warm["gain"]);
    // density of water at 20 C 998.207 kg/m3, less 1.2 of air
    assert!((real / gain - 0.997_007).abs() < 1e-5, "{}", real / gain);
    assert!(u < 0.5 * estimate(&plain["gain"])[1]);
}

/// The volume that was put in comes out, and a leak takes it from the file.
#[test]
fn a_syringe_measures_the_volume() {
    let records = Records::new();
    let path = syringe(&records);
    let out = records.path("tank.toml");
    let found = json_of(&[
        "calibrate",
        "volume",
        &path,
        "--baro",
        "1003hPa",
        "--syringe-u",
        "0.1cm3",
        "--out",
        &out,
    ]);
    let [v, _, lo, hi] = estimate(&found["volume_m3"]);
    assert!((v - 131e-6).abs() < 0.1e-6 && lo < 131e-6 && 131e-6 < hi);
    let (leak, _) = records.simulate("leak", "leak.csv", &["--car", "drawn"]);
    let leak = leak["file"].as_str().unwrap();
    let with = json_of(&["analyze", "leak", leak, "--calibration", &out]);
    assert!((with["volume_m3"]["value"].as_f64().unwrap() - v).abs() < 1e-12);
    // an option wins over the file
    let own = json_of(&[
        "analyze",
        "leak",
        leak,
        "--calibration",
        &out,
        "--volume",
        "100cm3",
    ]);
    assert!((own["volume_m3"]["value"].as_f64().unwrap() - 100e-6).abs() < 1e-12);
}

/// A calibration of the sample capture's probe: 2 % more a count.
fn cord(records: &Records, name: &str, days: &[&str]) -> String {
    let rows: Vec<String> = (0..6)
        .map(|i| f64::from(i) * 20.0)
        .map(|n| format!("{n},{:.0}\n", n / 2.04e-5))
        .collect();
    let points = file(
        records,
        &format!("{name}.csv"),
        &format!("force_n,indication\n{}", rows.concat()),
    );
    let out = records.path(name);
    json_of(
        &[
            &[
                "calibrate",
                "force",
                &points,
                "--probe",
                "HL-F1",
                "--out",
                &out,
            ],
            days,
        ]
        .concat(),
    );
    out
}

#[test]
fn analyze_applies_a_calibration_and_says_its_state() {
    let records = Records::new();
    let current = cord(
        &records,
        "cord.toml",
        &["--date", "2026-03-01", "--due", "2032-03-01"],
    );
    let overdue = cord(&records, "old.toml", &["--date", "2026-03-01"]);
    let state = |found: &Value| found["calibration"]["state"].as_str().unwrap().to_owned();
    let u = |found: &Value| found["calibration"]["u_relative"].as_f64().unwrap();
    let mean = |found: &Value| estimate(&found["lift_ratio"])[0];
    let bare = json_of(&["analyze", "pull", PULL]);
    assert_eq!((state(&bare).as_str(), u(&bare)), ("missing", 0.02));
    let new = json_of(&["analyze", "pull", PULL, "--calibration", &current]);
    assert_eq!(state(&new), "current");
    assert!(
        (mean(&new) / mean(&bare) - 1.02).abs() < 2e-3,
        "{} {}",
        mean(&new),
        mean(&bare)
    );
    assert!(u(&new) < 1e-3);
    // five years and two and a half months at half a per cent a year
    let old = json_of(&["analyze", "pull", PULL, "--calibration", &overdue]);
    assert_eq!(state(&old), "expired");
    assert!((u(&old) - 0.026).abs() < 5e-4, "{}", u(&old));
    let width = |found: &Value| {
        let [v, _, lo, hi] = estimate(&found["pulls"][0]["peak_n"]);
        (hi - lo) / v
    };
    assert!(width(&new) < width(&bare) && width(&bare) < width(&old));
    for (option, said) in [
        (None, "is not calibrated"),
        (Some(&current), "is calibrated"),
        (Some(&overdue), "was due before"),
    ] {
        let with: Vec<&str> = option.map_or(vec![], |o| vec!["--calibration", o]);
        let (_, text) = call(&[&["analyze", "pull", PULL], &with[..]].concat());
        let text = text.split_whitespace().collect::<Vec<_>>().join(" ");
        assert!(text.contains(said), "{said}: {text}");
    }
}

#[test]
fn a_calibration_of_another_sensor_is_refused() {
    let records = Records::new();
    let cord = cord(&records, "cord.toml", &[]);
    let text = fs::read_to_string(&cord).unwrap();
    let other = file(&records, "other.toml", &text.replace("HL-F1", "cord-9"));
    let err = fails(&["analyze", "pull", PULL, "--calibration", &other], 2);
    let both = err.contains("force probe cord-9") && err.contains("force probe HL-F1");
    assert!(both, "{err}");
    let err = fails(&["analyze", "leak", super::LEAK, "--calibration", &cord], 2);
    let both = err.contains("force probe HL-F1") && err.contains("pressure probe HL-P1");
    assert!(both, "{err}");
    let args = format!("analyze pull {PULL} --calibration {cord} --calibration {cord}");
    let err = fails(&args.split(' ').collect::<Vec<_>>(), 2);
    assert!(err.contains("another one"), "{err}");
    // a spoilt file says where
    let other = file(&records, "other.toml", &text.replace("gain =", "gian ="));
    let err = fails(&["analyze", "pull", PULL, "--calibration", &other], 1);
    assert!(err.contains("other.toml:") && err.contains("gian"), "{err}");
}

/// A plain file is of no probe; but readings in N can be calibrated as such, and then that is no calibration of a probe.
#[test]
fn readings_in_their_unit_have_a_calibration_of_their_own() {
    let records = Records::new();
    let cord = cord(&records, "cord.toml", &[]);
    let (pull, _) = records.simulate("pull", "pull.csv", &[]);
    let pull = pull["file"].as_str().unwrap();
    let err = fails(&["analyze", "pull", pull, "--calibration", &cord], 2);
    let both = err.contains("force probe HL-F1") && err.contains("readings in N");
    assert!(both, "{err}");
    let rows = "force_n,indication\n0,0.5\n50,50.6\n100,100.4\n150,150.5\n";
    let points = file(&records, "n.csv", rows);
    let plain = records.path("plain.toml");
    json_of(&["calibrate", "force", &points, "--out", &plain]);
    let args = format!("analyze pull {pull} --mass 3.4kg --calibration {plain}");
    let found = json_of(&args.split(' ').collect::<Vec<_>>());
    assert_eq!(found["calibration"]["state"], "current");
    let err = fails(&["analyze", "pull", PULL, "--calibration", &plain], 2);
    assert!(err.contains("prints N") && err.contains("HL-F1"), "{err}");
}

/// A capture of a constant force by the virtual force probe; its folder.
fn hung(dir: &Path, n: u32, force_n: f64, calibrations: Calibrations) -> String {
    let mut noise = Noise::new(u64::from(n), 1);
    let readings: Vec<ForceReading> = (0..2000_u64)
        .map(|i| ForceReading {
            t_us: i * 1000,
            force_n: force_n + 0.05 * noise.normal(),
        })
        .collect();
    let plan = virtual_bench::Plan {
        test: Test::Pull,
        stated: Stated {
            calibrations,
            ..Stated::default()
        },
        operator: "R. Tern",
        vehicle: PLOVER_8,
        port: "virtual",
        board: boards::force(&readings, 1, u64::from(n)),
        marks: Vec::new(),
    };
    let clock = Clock::virtual_from(format!("2031-05-17T14:{n:02}:00Z").parse().unwrap());
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_time()
        .build()
        .unwrap();
    let (_, folder, _) = runtime
        .block_on(virtual_bench::take(&clock, &plan, Files::under(dir)))
        .unwrap();
    dir.join(folder).to_str().unwrap().to_owned()
}

/// Captures of 0, 2, 5 and 10 kg as points; what `calibrate` says of them, and the file it writes.
fn from_captures(records: &Records) -> (Value, String) {
    let dir = Path::new(&records.path("")).to_path_buf();
    let out = records.path("cord.toml");
    let mut args =
        format!("calibrate force --gravity 9.80665 --date 2026-05-01 --due 2032-05-01 --out {out}");
    for (n, kg) in [(0, 0.0), (1, 2.0), (2, 5.0), (3, 10.0)] {
        let folder = hung(&dir, n, kg * 9.80665, Calibrations::default());
        args = format!("{args} --point {kg}kg={folder}");
    }
    let found = json_of(&args.split(' ').collect::<Vec<_>>());
    (found, out)
}

/// Points as captures: raw counts by the probe's lines, the serial from its identity; the calibration they give is kept
/// in a capture, verbatim, and a replay uses it.
#[test]
fn captures_as_points_and_the_calibration_kept_in_a_capture() {
    let records = Records::new();
    let (found, out) = from_captures(&records);
    let of = (&found["sensor"], &found["channel"]);
    assert_eq!(of, (&"HL-F1".into(), &0.into()));
    // the air carries 0.015 % of a mass
    let [_, _, lo, hi] = estimate(&found["gain"]);
    assert!(lo < 2e-5 && 2e-5 < hi, "{found}");
    assert!((found["nominal_gain"].as_f64().unwrap() - 2e-5).abs() < 1e-12);

    let text = fs::read_to_string(&out).unwrap();
    let calibration = Calibration::parse(&text).unwrap();
    let kept = Calibrations::new(vec![(calibration, text.clone())]);
    let folder = hung(Path::new(&records.path("")), 40, 30.0, kept);
    let capture = read_capture(&Files::under(&folder), "").unwrap();
    let kept = &capture.meta.probes[0].calibrations[0];
    assert_eq!(kept.file.as_deref(), Some(text.as_str()));
    assert_eq!(kept.source, "calibration");
    let again = json_of(&["analyze", "pull", &folder]);
    assert_eq!(again["calibration"]["state"], "current");
}

#[test]
fn records_of_two_sensors_or_at_the_end_of_the_converter() {
    let records = Records::new();
    let dir = Path::new(&records.path("")).to_path_buf();
    let folder = hung(&dir, 1, 30.0, Calibrations::default());
    let plain = file(&records, "p.csv", "t_us,f_n\n0,1\n1000,1\n2000,1\n");
    let two = |a: &str, b: &str| {
        let args = format!("calibrate force --point {a} --point {b}");
        fails(&args.split(' ').collect::<Vec<_>>(), 1)
    };
    let err = two(&format!("0kg={plain}"), &format!("30N={folder}"));
    assert!(
        err.contains("HL-F1") && err.contains("one sensor at a time"),
        "{err}"
    );
    let end = hung(&dir, 2, 500.0, Calibrations::default());
    let err = two(&format!("50kg={end}"), &format!("0kg={folder}"));
    assert!(err.contains("end of the converter"), "{err}");
}

#[test]
fn bad_points_say_where_and_what_to_do() {
    let records = Records::new();
    let mut n = 0;
    for (text, said) in [
        ("mass_kg,indication\n", "no rows"),
        ("", "must be mass_kg,indication"),
        ("mass_kg,indication\n1,500\n", "at least 3"),
        ("mass_kg,indication\n1,500\n2,600\n", "at least 3"),
        (
            "mass_kg,indication\n1,500\n1,501\n1,502\n",
            "same known value",
        ),
        (
            "mass_kg,indication\n0,500\n1,500\n2,500\n",
            "same at every point",
        ),
        (
            "mass_kg,indication\n0,410\n1,inf\n2,500\n",
            "points.csv:3: 'inf'",
        ),
        (
            "mass_kg,indication\n0,410\n1\n2,500\n",
            "points.csv:3: 1 columns",
        ),
        ("mass_kg,indication\n0,410\n-1,0\n2,500\n", "below 0"),
        (
            "mass_kg,indication\n0,410\n1,700\n2,1023\n5,1023\n",
            "points.csv:5: shows hardly more than",
        ),
        (
            "mass_kg,indication\n0,410\n5,700\n2,1200\n10,2400\n",
            "points.csv:3: shows less than",
        ),
        (
            "mass_kg,indication,u_indication\n0,410,1\n1,500,0\n2,600,1\n",
            "points.csv:3: the uncertainty",
        ),
        ("injected_cm3,p_pa\n0,0\n", "must be mass_kg,indication"),
    ] {
        n += 1;
        let folder = records.path(&n.to_string());
        fs::create_dir(&folder).unwrap();
        let path = format!("{folder}/points.csv");
        fs::write(&path, text).unwrap();
        let err = fails(&["calibrate", "force", &path, "--probe", "cord-1"], 1);
        assert!(
            err.contains(said) && err.contains("points.csv"),
            "{said}: {err}"
        );
    }
}

#[test]
fn options_that_cannot_be_say_so() {
    let records = Records::new();
    let good = file(
        &records,
        "good.csv",
        "mass_kg,indication\n0,410\n1,810\n2,1210\n",
    );
    for (more, said) in [
        (&["--latitude", "91"][..], "-90 to 90"),
        (&["--gravity", "1.6"], "9.75"),
        (&["--height", "20m"], "--latitude"),
        (&["--mass-u", "5"], "unit is missing"),
        (&["--date", "2999-01-01"], "has not come"),
        (&["--date", "yesterday"], "date"),
        (
            &["--date", "2026-01-02", "--due", "2026-01-02"],
            "not after",
        ),
        (&["--probe", "no good"], "serial number"),
        (&["--point", "2kg"], "the known value and the record"),
        (&["--point", "2l=x"], "kg"),
    ] {
        let err = fails(&[&["calibrate", "force", &good], more].concat(), 2);
        assert!(err.contains(said), "{said}: {err}");
    }
    assert!(fails(&["calibrate", "force"], 2).contains("mass_kg,indication"));
    assert!(fails(&["calibrate", "force", "nowhere.csv"], 1).contains("no such file"));
}

/// Points that can be read but make no calibration are refused: exit 0, the reason, no file.
#[test]
fn what_is_no_line_is_refused() {
    let records = Records::new();
    let out = records.path("no.toml");
    for (rows, code) in [
        (
            "0,410\n1,810\n2,1210\n5,2000\n10,2600\n15,2900\n",
            "not_straight",
        ),
        ("0,410\n1,440\n2,470\n2,465\n", "gain_not_clear"),
    ] {
        let path = file(
            &records,
            "points.csv",
            &format!("mass_kg,indication\n{rows}"),
        );
        let found = json_of(&[
            "calibrate",
            "force",
            &path,
            "--probe",
            "cord-1",
            "--out",
            &out,
        ]);
        assert_eq!(found["refused"][0]["code"], code, "{found}");
        assert!(found["gain"].is_null() && found["u_relative"].is_null());
        assert!(fs::metadata(&out).is_err());
        let (_, text) = call(&["calibrate", "force", &path]);
        assert!(text.starts_with("calibrate force: refused"), "{text}");
    }
}

/// Counts without `--probe`, or a few grams under `mass_kg`, are a line like any other, so a message says what it looks like;
/// of two tonnes under `mass_kg` there is no line.
#[test]
fn a_mixed_up_unit_is_pointed_out() {
    let records = Records::new();
    let tonnes = file(
        &records,
        "tonnes.csv",
        "mass_kg,indication\n0,0.1\n500,4.9\n1000,9.8\n2000,19.6\n",
    );
    let found = json_of(&["calibrate", "force", &tonnes]);
    assert_eq!(found["refused"][0]["code"], "units", "{found}");
    assert!(found["gain"].is_null() && found["u_relative"].is_null());
    for (rows, doubted) in [
        ("0,0.001\n50,0.491\n100,0.981\n200,1.962\n", true),
        ("0,410\n1,571\n2,730\n5,1214\n", true),
        ("0,0.1\n1,9.9\n2,19.6\n5,49.1\n", false),
    ] {
        let path = file(
            &records,
            "points.csv",
            &format!("mass_kg,indication\n{rows}"),
        );
        let args = ["calibrate", "force", &path, "--json"];
        let output = feelgauge().args(args).output().unwrap();
        let said = String::from_utf8(output.stderr).unwrap();
        assert_eq!(said.contains("look at the unit"), doubted, "{said}");
        assert!(output.status.success(), "{said}");
    }
}

/// The rows and the line of the firmware notes, as they stand there.
#[test]
fn the_notes_example_runs() {
    let notes = fs::read_to_string(concat!(
        env!("CARGO_MANIFEST_DIR"),
        "/firmware-notes/README.md"
    ))
    .unwrap();
    let block = |word: &str| -> Vec<&str> {
        let open = format!("   ```{word}\n");
        let rest = notes.split(&open).nth(1).unwrap();
        let text = rest.split("   ```").next().unwrap();
        text.lines()
            .map(str::trim)
            .filter(|l| !l.is_empty())
            .collect()
    };
    let records = Records::new();
    let rows = block("csv").join("\n");
    fs::write(records.path("cord-1.csv"), rows).unwrap();
    let line = block("sh")
        .into_iter()
        .find_map(|l| l.strip_prefix("feelgauge "))
        .unwrap();
    let output = feelgauge()
        .current_dir(records.path(""))
        .args(line.split(' '))
        .output()
        .unwrap();
    let text = String::from_utf8(output.stdout).unwrap();
    assert!(
        output.status.success(),
        "{}",
        String::from_utf8_lossy(&output.stderr)
    );
    assert!(text.contains("12 points"), "{text}");
    let kept = fs::read_to_string(records.path("cord-1.toml")).unwrap();
    let u = Calibration::parse(&kept).unwrap().line.unwrap().u_relative;
    assert!(
        (0.002..0.005).contains(&u),
        "the notes say 0.2 to 0.5 %: {u}"
    );
}

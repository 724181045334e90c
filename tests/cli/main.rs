//! The command as a person or a script calls it: options, keys, units, exit codes, and what a simulated record must say.

#![allow(clippy::unwrap_used)] // in a test an unwrap is an assertion

mod calibrate;
mod schema;
mod truth;

use std::{
    fs,
    io::Read as _,
    process::{Command, Stdio},
};

use serde_json::{Value, json};

const PLOVER: &str = include_str!("../../captures/plover-8.toml");
const LEAK: &str = "captures/20310517T142140Z-leak-whole";
const PULL: &str = "captures/20310517T142649Z-pull-plug_in_cold";
const ROLL: &str = "captures/20310517T143107Z-roll-one_fl";

/// Exit code and standard output of a call from the root of the repository.
fn call(args: &[&str]) -> (i32, String) {
    let output = feelgauge().args(args).output().unwrap();
    let err = String::from_utf8_lossy(&output.stderr);
    assert!(!err.contains("panicked"), "{args:?}: {err}");
    let out = String::from_utf8(output.stdout).unwrap();
    (output.status.code().unwrap(), out)
}

fn feelgauge() -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_feelgauge"));
    command.current_dir(env!("CARGO_MANIFEST_DIR"));
    command
}

/// A call that must end with 0 and one JSON value.
#[track_caller]
fn json_of(args: &[&str]) -> Value {
    let (code, out) = call(&[args, &["--json"]].concat());
    assert_eq!(code, 0, "{args:?}");
    serde_json::from_str(&out).unwrap()
}

/// Records of the demo car, simulated.
struct Records {
    dir: tempfile::TempDir,
}

impl Records {
    fn new() -> Self {
        Self {
            dir: tempfile::tempdir().unwrap(),
        }
    }

    fn path(&self, name: &str) -> String {
        self.dir.path().join(name).to_str().unwrap().to_owned()
    }

    /// Simulates into `name`: the result of the command and the truth.
    fn simulate(&self, test: &str, name: &str, more: &[&str]) -> (Value, Value) {
        let path = self.path(name);
        let result = json_of(&[&["simulate", test, "--out", &path], more].concat());
        let truth = fs::read_to_string(format!("{path}.truth.json")).unwrap();
        (result, serde_json::from_str(&truth).unwrap())
    }
}

/// Every key of `keys` is there, null or not.
#[track_caller]
fn has(value: &Value, keys: &[&str]) {
    for key in keys {
        assert!(value.get(key).is_some(), "no {key} in {value}");
    }
}

/// An estimate whose parts are in order.
#[track_caller]
fn estimate(value: &Value) -> [f64; 4] {
    let [v, u, lo, hi] = ["value", "u", "lo95", "hi95"].map(|k| value[k].as_f64().unwrap());
    assert_eq!(value.as_object().unwrap().len(), 4, "{value}");
    assert!(u >= 0.0 && lo <= v && v <= hi, "{value}");
    [v, u, lo, hi]
}

const COMMON: &[&str] = &[
    "test",
    "software",
    "refused",
    "verdict",
    "limit_source",
    "quality",
];
const QUALITY: &[&str] = &["lines", "rows", "faults", "gaps", "unprotected", "flags"];
const LEAK_KEYS: &[&str] = &[
    "leak_rate_pa_m3_s",
    "volume_m3",
    "half_life_s",
    "p_ref_pa",
    "settled_at_s",
    "hold_s",
    "hold_start_s",
    "limit_leak_rate_pa_m3_s",
    "regime",
];
const PULL_KEYS: &[&str] = &[
    "lift_ratio",
    "limit_lift_ratio",
    "pulls",
    "guard",
    "session",
];
const PULL_EACH: &[&str] = &[
    "start_s",
    "end_s",
    "peak_n",
    "lift_ratio",
    "cadence_hz",
    "under_read_max",
    "strokes",
];
const ROLL_KEYS: &[&str] = &[
    "false_alarm_probability",
    "snags",
    "suspects",
    "start_s",
    "end_s",
];
const SNAG_KEYS: &[&str] = &[
    "part",
    "probability",
    "false_alarm_probability",
    "order_per_sensor_turn",
    "phase_deg",
    "hit_rate",
    "hits",
];

#[test]
fn results_have_the_keys_of_the_contract() {
    let leak = json_of(&["analyze", "leak", LEAK]);
    has(&leak, LEAK_KEYS);
    for key in ["leak_rate_pa_m3_s", "volume_m3", "half_life_s"] {
        estimate(&leak[key]);
    }
    let pull = json_of(&["analyze", "pull", PULL]);
    has(&pull, PULL_KEYS);
    for each in pull["pulls"].as_array().unwrap() {
        has(each, PULL_EACH);
        estimate(&each["peak_n"]);
    }
    let roll = json_of(&["analyze", "roll", ROLL]);
    has(&roll, ROLL_KEYS);
    for snag in roll["snags"].as_array().unwrap() {
        has(snag, SNAG_KEYS);
        estimate(&snag["hit_rate"]);
        let hits = snag["hits"].as_array().unwrap();
        assert!(
            hits.iter()
                .all(|h| (0.0..=1.0).contains(&h["hit"].as_f64().unwrap()))
        );
    }
    for (result, test) in [(leak, "leak"), (pull, "pull"), (roll, "roll")] {
        has(&result, COMMON);
        has(&result["quality"], QUALITY);
        assert_eq!(result["test"], test);
        assert!(result["refused"].is_null());
    }
}

/// A refused record keeps every key, null where nothing is known.
#[test]
fn refused_results_have_the_same_keys_with_null() {
    let records = Records::new();
    let path = records.path("x.csv");
    fs::write(&path, "t_us,p_pa\n0,0\n").unwrap();
    let leak = json_of(&["analyze", "leak", &path, "--volume", "1l"]);
    has(&leak, LEAK_KEYS);
    assert!(leak["leak_rate_pa_m3_s"].is_null() && leak["half_life_s"].is_null());
    fs::write(&path, "t_us,f_n\n0,0\n").unwrap();
    let pull = json_of(&["analyze", "pull", &path]);
    has(&pull, PULL_KEYS);
    assert!(pull["lift_ratio"].is_null());
    fs::write(&path, "t_us,sensor\n0,0\n").unwrap();
    let roll = json_of(&[
        "analyze",
        "roll",
        &path,
        "--vehicle",
        "captures/plover-8.toml",
        "--setup",
        "one_fl",
    ]);
    has(&roll, ROLL_KEYS);
    assert!(roll["snags"].is_null());
    for result in [leak, pull, roll] {
        has(&result, COMMON);
        has(&result["quality"], QUALITY);
        assert!(result["verdict"].is_null());
        has(&result["refused"][0], &["code", "message"]);
    }
}

#[test]
fn verdict_exit_says_the_verdict() {
    let records = Records::new();
    let path = records.path("x.csv");
    fs::write(&path, "t_us,p_pa\n0,0\n").unwrap();
    let refused = ["analyze", "leak", &path, "--volume", "1l"];
    // a limit inside the interval of the captured leak, 0.028 Pa m3/s with u 0.0029
    let undecided = ["analyze", "leak", LEAK, "--limit", "0.028Pa.m3/s"];
    let loose = ["analyze", "leak", LEAK, "--limit", "1mbar.l/s"];
    for (args, verdict, code) in [
        (&["analyze", "leak", LEAK][..], json!("outside"), 3),
        (&loose, json!("within"), 0),
        (&undecided, json!("undecided"), 4),
        (&refused, Value::Null, 4),
        (&["analyze", "pull", PULL], json!("within"), 0),
        (&["analyze", "roll", ROLL], json!("outside"), 3),
    ] {
        assert_eq!(json_of(args)["verdict"], verdict, "{args:?}");
        assert_eq!(call(args).0, 0, "{args:?}");
        assert_eq!(
            call(&[args, &["--verdict-exit"]].concat()).0,
            code,
            "{args:?}"
        );
    }
    assert_eq!(json_of(&undecided)["limit_source"], "own");
}

/// The same quantity in every unit gives the same finding to the last digits.
#[test]
fn units_mean_what_they_say() {
    let leak = |more: &[&str]| json_of(&[&["analyze", "leak", LEAK], more].concat());
    let number = |json: &Value, path: &str| json.pointer(path).unwrap().as_f64().unwrap();
    for (option, path, si, same) in [
        (
            "--volume",
            "/volume_m3/value",
            131e-6,
            &[
                "0.000131m3",
                "0.131l",
                "131ml",
                "131cm3",
                "131000mm3",
                "131 cm3",
            ][..],
        ),
        ("--volume-u", "/volume_m3/u", 5e-6, &["5cm3", "0.005l"]),
        (
            "--at",
            "/p_ref_pa",
            11e3,
            &[
                "11000Pa", "110hPa", "11kPa", "110mbar", "0.11bar", "1.1e4 Pa",
            ],
        ),
        // 1 cm3/min of air at 20 C and 101325 Pa is 101325e-6/60 Pa m3/s
        (
            "--limit",
            "/limit_leak_rate_pa_m3_s",
            101_325e-6 / 60.0,
            &["1cm3/min", "0.00168875Pa.m3/s", "0.0168875mbar.l/s"],
        ),
    ] {
        for text in same {
            let got = number(&leak(&[option, text]), path);
            assert!((got / si - 1.0).abs() < 1e-12, "{option} {text}: {got}");
        }
    }
    let pull = |mass: &str| json_of(&["analyze", "pull", PULL, "--mass", mass]);
    assert_eq!(pull("3.4kg"), pull("3400 g"));
    let ratio =
        number(&pull("3.4kg"), "/lift_ratio/value") / number(&pull("6.8kg"), "/lift_ratio/value");
    assert!((ratio - 2.0).abs() < 1e-12, "{ratio}");
}

/// The options of an analysis reach the finding.
#[test]
fn options_reach_the_finding() {
    let base = json_of(&["analyze", "leak", LEAK]);
    let high = json_of(&["analyze", "leak", LEAK, "--baro", "700hPa"]);
    assert_ne!(base["leak_rate_pa_m3_s"], high["leak_rate_pa_m3_s"]);
    let pull = |order: &str| json_of(&["analyze", "pull", PULL, "--filter-order", order]);
    assert_eq!(pull("4")["quality"]["filter_order"], 4);
    assert_ne!(pull("0")["pulls"], pull("4")["pulls"]);
    // options may stand before the file, and the car of an option replaces the one in the capture
    let (code, _) = call(&[
        "--json",
        "analyze",
        "roll",
        "--vehicle",
        "captures/plover-8.toml",
        "--sensor",
        "0",
        ROLL,
    ]);
    assert_eq!(code, 0);
    assert_eq!(
        json_of(&[
            "analyze",
            "leak",
            LEAK,
            "--vehicle",
            "captures/plover-8.toml"
        ]),
        base
    );
}

/// The car's limits reach the finding: the guard calls, and the limits carry the file as their source.
#[test]
fn limits_of_the_vehicle_file_reach_the_finding() {
    let records = Records::new();
    let car = records.path("strict.toml");
    let strict = "lift_ratio = 3.5\nguard_force_n = 20.0";
    let text = PLOVER.replace("lift_ratio = 1.0", strict);
    fs::write(
        &car,
        text.replace("snag_false_alarm = 0.01", "snag_false_alarm = 1e-30"),
    )
    .unwrap();
    let pull = json_of(&["analyze", "pull", PULL, "--vehicle", &car]);
    assert_eq!(pull["limit_lift_ratio"], 3.5);
    assert_eq!(
        (&pull["verdict"], &pull["limit_source"]),
        (&json!("outside"), &json!("vehicle"))
    );
    has(&pull["guard"], &["alarm_s", "force_n", "reason"]);
    assert!(pull["guard"]["force_n"].as_f64().unwrap() > 20.0);
    assert!(json_of(&["analyze", "pull", PULL])["guard"].is_null());
    let roll = json_of(&["analyze", "roll", ROLL, "--vehicle", &car]);
    assert_eq!(
        (&roll["verdict"], &roll["limit_source"]),
        (&json!("undecided"), &json!("vehicle"))
    );
    assert_eq!(roll["snags"], json!([]));
}

/// A file with one roll setup needs no `--setup`.
#[test]
fn one_roll_setup_is_chosen_by_itself() {
    let records = Records::new();
    let car = records.path("one.toml");
    let (head, tail) = PLOVER.split_once("[[setup]]\nname = \"straight\"").unwrap();
    let (_, one) = tail.split_once("[[setup]]").unwrap();
    let (one, _) = one.split_once("[[setup]]").unwrap();
    fs::write(&car, format!("{head}[[setup]]{one}")).unwrap();
    records.simulate("roll", "r.csv", &[]);
    let path = records.path("r.csv");
    let short = json_of(&["analyze", "roll", &path, "--vehicle", &car]);
    assert_eq!(
        short,
        json_of(&[
            "analyze",
            "roll",
            &path,
            "--vehicle",
            &car,
            "--setup",
            "one_fl"
        ])
    );
    assert_eq!(short["snags"][0]["part"], "ring_f");
}

#[test]
fn vehicle_check_and_orders() {
    let car = "captures/plover-8.toml";
    let check = json_of(&["vehicle", "check", car]);
    assert_eq!(check["name"], "Plover 8");
    // tank and hose: 125 + 6 cm3
    assert!((check["leak_volume_m3"].as_f64().unwrap() - 131e-6).abs() < 1e-15);
    let all = json_of(&["vehicle", "orders", car]);
    assert_eq!(all["setups"].as_array().unwrap().len(), 3);
    let one = json_of(&["vehicle", "orders", car, "--setup", "one_fl"]);
    assert_eq!(one["setups"].as_array().unwrap().len(), 1);
    assert_eq!(one["setups"][0], all["setups"][1]);
    let order = |part: &str| {
        let parts = one["setups"][0]["parts"].as_array().unwrap();
        let row = parts.iter().find(|p| p["part"] == part).unwrap();
        row["order_per_sensor_turn"].clone()
    };
    // one_fl: the spur turns once, the front pinion twice (the rear one is held), the ring 2 * 11/41
    assert!((order("ring_f").as_f64().unwrap() - 22.0 / 41.0).abs() < 1e-12);
    assert!((order("wheel_fl").as_f64().unwrap() - 44.0 / 41.0).abs() < 1e-12);
    assert!(order("ring_r").is_null());
    let (code, text) = call(&["vehicle", "orders", car, "--setup", "one_fl"]);
    assert!(
        code == 0 && text.contains("front ring gear") && text.contains("0.53659"),
        "{text}"
    );
}

#[test]
fn a_closed_pipe_is_success() {
    for args in [
        &["analyze", "pull", PULL, "--json"][..],
        &["analyze", "roll", ROLL],
        &["vehicle", "orders", "captures/plover-8.toml"],
        &["schema"],
        &["--help"],
    ] {
        let (reader, writer) = std::io::pipe().unwrap();
        drop(reader);
        let mut child = feelgauge()
            .args(args)
            .stdout(writer)
            .stderr(Stdio::piped())
            .spawn()
            .unwrap();
        let status = child.wait().unwrap();
        let mut err = String::new();
        child
            .stderr
            .take()
            .unwrap()
            .read_to_string(&mut err)
            .unwrap();
        assert_eq!((status.code(), err.as_str()), (Some(0), ""), "{args:?}");
    }
}

#[test]
fn usage_errors_and_help() {
    for bad in [
        &[][..],
        &["analyze"],
        &["analyze", "leak"],
        &["analyze", "sniff", "x"],
        &["analyze", "pull", PULL, "--magnets", "x"],
        &["simulate", "leak"],
        &["simulate", "leak", "--seed", "-1", "--out", "target/no"],
        &["take", "leak"],
        &[
            "take",
            "pull",
            "--port",
            "/dev/null",
            "--bare",
            "force:furlong:1",
        ],
        &["take", "pull", "--port", "/dev/null", "--bare", "force:N:0"],
        &["take", "pull", "--port", "/dev/null", "--for", "60"],
        &["vehicle", "orders"],
        &["nonsense"],
    ] {
        let (code, out) = call(bad);
        assert_eq!((code, out.as_str()), (2, ""), "{bad:?}");
    }
    for good in [
        &["--help"][..],
        &["--version"],
        &["analyze", "leak", "--help"],
        &["help", "take"],
    ] {
        let (code, out) = call(good);
        assert!(code == 0 && out.contains("feelgauge"), "{good:?}: {out}");
    }
}

/// The other test's capture is not read as if it were this one's.
#[test]
fn a_capture_of_another_test_names_the_right_command() {
    let output = feelgauge()
        .args(["analyze", "leak", PULL])
        .output()
        .unwrap();
    let err = String::from_utf8(output.stderr).unwrap();
    assert_eq!(output.status.code(), Some(1));
    assert!(
        err.contains(PULL) && err.contains("feelgauge analyze pull"),
        "{err}"
    );
}

//! The virtual bench: a simulated car through board, wire, link, recorder and session, and the captures it leaves.

#![allow(clippy::unwrap_used)] // in a test an unwrap is an assertion

mod inspection;

use std::{
    collections::BTreeMap,
    fs,
    path::{Path, PathBuf},
    process::Command,
    sync::OnceLock,
};

use feelgauge::{
    clock::Clock,
    inspect::{Finding, Row, Stated, Test},
    physics::{PLOVER_8, drivetrain, engine, noise::Noise, tank},
    probe::{
        board::BoardPlan,
        boards,
        virtual_bench::{Plan, take},
    },
    reading::{Edge, Estimate},
    record::{Files, read_capture},
    wire::Part,
};

fn plan(test: Test, setup: &str, board: BoardPlan) -> Plan<'static> {
    Plan {
        test,
        stated: Stated {
            setup: Some(setup.into()),
            ..Stated::default()
        },
        operator: "R. Tern",
        vehicle: PLOVER_8,
        port: "virtual",
        board,
        marks: vec![(1.0, "phase test".into())],
    }
}

fn taken(plan: &Plan<'_>) -> (Finding, feelgauge::record::Capture) {
    let base = tempfile::tempdir().unwrap();
    let clock = Clock::virtual_from("2031-05-17T14:21:40Z".parse().unwrap());
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_time()
        .build()
        .unwrap();
    let disk = Files::under(base.path());
    let (finding, folder, disk) = runtime.block_on(take(&clock, plan, disk)).unwrap();
    (finding, read_capture(&disk, &folder).unwrap())
}

fn json(finding: &Finding) -> String {
    serde_json::to_string(finding).unwrap()
}

/// What ran live and what the folder says are the same to the byte, without any option.
fn assert_replays(finding: &Finding, capture: &feelgauge::record::Capture) {
    let again = capture.analyze(Stated::default(), None).unwrap();
    assert_eq!(json(&again), json(finding));
    assert_eq!(capture.faults.len(), 0);
    assert_eq!(capture.marks.len(), 1);
}

#[test]
fn leak_runs_live_and_replays_to_the_byte() {
    let readings = tank::simulate(&tank::TankScenario::plover(), 1).readings;
    let n = readings.len() as u64;
    let (finding, capture) = taken(&plan(Test::Leak, "whole", boards::pressure(&readings, 1)));
    assert_replays(&finding, &capture);
    let quality = finding.quality();
    assert_eq!(
        (quality.rows, quality.faults.len(), quality.gaps),
        (n, 0, 0),
        "{quality:?}"
    );
    assert!(!quality.unprotected && finding.refused().is_none());
}

/// A lost line of 20 readings is one gap, whether the link or the measure sees it, and the pull it lay in gives no peak.
#[test]
fn pull_runs_live_and_replays_to_the_byte_and_a_lost_line_is_one_gap() {
    let scenario = engine::EngineScenario::plover();
    let readings = engine::simulate(&scenario, 1).readings;
    let board = boards::force(&readings, scenario.probe.filter_order, 1);
    let (finding, mut capture) = taken(&plan(Test::Pull, "plug_in_cold", board));
    assert_replays(&finding, &capture);
    let Finding::Pull(pull) = &finding else {
        panic!()
    };
    assert_eq!(
        (pull.pulls.len(), pull.quality.filter_order),
        (scenario.pulls, 1)
    );
    assert_eq!(pull.quality.common.rows, readings.len() as u64);

    let in_pull_s = f64::midpoint(pull.pulls[2].start_s, pull.pulls[2].end_s);
    // Readings begin half a second after the opening, and a line is received right after its last reading.
    let in_pull =
        |row: &Row| row.host_us as f64 * 1e-6 > in_pull_s + 0.5 && row.bytes.starts_with(b"S ");
    let at = capture.rows[0].iter().position(in_pull).unwrap();
    capture.rows[0].remove(at);
    let Finding::Pull(torn) = capture.analyze(Stated::default(), None).unwrap() else {
        panic!()
    };
    let quality = &torn.quality.common;
    assert_eq!(
        (quality.faults.get("lost"), quality.gaps),
        (Some(&1), 1),
        "{quality:?}"
    );
    assert_eq!(quality.rows, readings.len() as u64 - 20);
    assert!(torn.pulls.iter().any(|p| p.gap && p.peak_n.is_none()));
}

#[test]
fn roll_runs_live_and_replays_to_the_byte() {
    let edges = drivetrain::simulate(&drivetrain::DrivetrainScenario::plover(), 1).readings;
    let (finding, capture) = taken(&plan(Test::Roll, "one_fl", boards::hall(&edges, 1)));
    assert_replays(&finding, &capture);
    let Finding::Roll(roll) = &finding else {
        panic!()
    };
    assert!(finding.refused().is_none(), "{:?}", finding.refused());
    assert_eq!(roll.snags.as_ref().unwrap()[0].part, "ring_f");
}

/// One row in fifty is lost, doubled, broken or followed by noise.
fn spoiled(rows: &[Row], seed: u64) -> Vec<Row> {
    let mut noise = Noise::new(seed, 99);
    let mut out = Vec::new();
    for row in rows {
        let mut row = row.clone();
        match noise.below(200) {
            0 => continue,
            1 => out.push(row.clone()),
            2 => {
                let at = usize::try_from(noise.below(row.bytes.len() as u64)).unwrap();
                row.bytes[at] ^= 1 << noise.below(8);
            }
            3 => out.push(Row {
                bytes: b"\xff\x00#*12".to_vec(),
                part: Part::Torn,
                ..row.clone()
            }),
            _ => {}
        }
        out.push(row);
    }
    out
}

/// Lost, doubled, broken and torn lines are counted and cost no more than the readings that were in them.
#[test]
fn bad_lines_never_stop_a_leak_and_do_not_move_it() {
    let readings = tank::simulate(&tank::TankScenario::plover(), 2).readings;
    let (finding, capture) = taken(&plan(Test::Leak, "whole", boards::pressure(&readings, 2)));
    let clean = leak_rate(&finding);
    for seed in 0..20 {
        let mut capture = capture.clone();
        capture.rows[0] = spoiled(&capture.rows[0], seed);
        let found = capture.analyze(Stated::default(), None).unwrap();
        let quality = found.quality();
        let faults: u64 = quality.faults.values().sum();
        assert!((2..40).contains(&faults), "seed {seed}: {quality:?}");
        assert!(
            quality.gaps > 0 && quality.rows <= finding.quality().rows,
            "seed {seed}: {quality:?}"
        );
        let rate = leak_rate(&found);
        assert!(
            (rate.value - clean.value).abs() < 0.5 * clean.u,
            "seed {seed}: {rate:?} {clean:?}"
        );
    }
}

fn leak_rate(finding: &Finding) -> Estimate {
    match finding {
        Finding::Leak(leak) => leak.leak_rate_pa_m3_s.unwrap(),
        _ => panic!("a leak"),
    }
}

/// What a start anew costs, microseconds.
const REBOOT_US: u64 = 1_000_000;

/// The board starts anew twice in mid-capture: its clock and line numbers begin at nothing, the test goes on, and the
/// record says so.
#[test]
fn resets_in_mid_capture_are_counted_and_the_test_goes_on() {
    let edges = drivetrain::simulate(&drivetrain::DrivetrainScenario::plover(), 3).readings;
    let third = edges.len() / 3;
    let mut whole = None;
    for (n, part) in (0_u64..).zip(edges.chunks(third + 1)) {
        let start_us = part[0].t_us;
        let shifted: Vec<Edge> = part
            .iter()
            .map(|e| Edge {
                t_us: e.t_us - start_us,
                ..*e
            })
            .collect();
        let mut board = boards::hall(&shifted, 3);
        board.identity.boot += u16::try_from(start_us / 1_000_000).unwrap();
        let (_, mut capture) = taken(&plan(Test::Roll, "one_fl", board));
        capture.rows[0]
            .iter_mut()
            .for_each(|row| row.host_us += start_us + n * REBOOT_US);
        match &mut whole {
            None => whole = Some(capture),
            Some(whole) => whole.rows[0].append(&mut capture.rows[0]),
        }
    }
    let found = whole.unwrap().analyze(Stated::default(), None).unwrap();
    let quality = found.quality();
    assert_eq!(quality.faults.get("reset"), Some(&2), "{quality:?}");
    assert_eq!(
        (quality.rows, quality.gaps),
        (edges.len() as u64, 2),
        "{quality:?}"
    );
    let Finding::Roll(roll) = &found else {
        panic!()
    };
    assert_eq!(roll.refused, None);
    // nobody knows how the wheels turned meanwhile: the first of three equal stretches is judged
    assert_eq!(quality.flags, ["edges_lost"]);
    let cut = edges.len() - (third + 1);
    assert_eq!(roll.quality.edges_dropped, cut as u64);
    let span_s = (edges[third].t_us - edges[0].t_us) as f64 * 1e-6;
    let found_s = roll.end_s.unwrap() - roll.start_s.unwrap();
    assert!((found_s - span_s).abs() < 0.2, "{found_s} {span_s}");
}

/// Runs the program in `dir`: exit status, standard output, standard error.
fn feelgauge(dir: &Path, args: &[&str]) -> (Option<i32>, String, String) {
    let run = Command::new(env!("CARGO_BIN_EXE_feelgauge"))
        .args(args)
        .current_dir(dir)
        .output()
        .unwrap();
    let text = |bytes| String::from_utf8(bytes).unwrap();
    (run.status.code(), text(run.stdout), text(run.stderr))
}

/// The demo's folder, made once for all tests that only look.
fn demo() -> &'static Path {
    static MADE: OnceLock<PathBuf> = OnceLock::new();
    MADE.get_or_init(|| {
        let base = Path::new(env!("CARGO_TARGET_TMPDIR")).join("demo");
        // what an earlier run left
        let _ = fs::remove_dir_all(&base);
        fs::create_dir_all(&base).unwrap();
        let (status, text, errors) = feelgauge(&base, &["demo"]);
        assert_eq!((status, errors.as_str()), (Some(0), ""), "{text}");
        fs::write(base.join("said.txt"), text).unwrap();
        base.join("feelgauge-demo")
    })
}

/// Every file of a folder, by its path in it.
fn files(folder: &Path) -> BTreeMap<PathBuf, Vec<u8>> {
    let mut found = BTreeMap::new();
    let mut open = vec![folder.to_path_buf()];
    while let Some(next) = open.pop() {
        for entry in fs::read_dir(next).unwrap() {
            let path = entry.unwrap().path();
            if path.is_dir() {
                open.push(path);
            } else {
                let name = path.strip_prefix(folder).unwrap().to_path_buf();
                found.insert(name, fs::read(path).unwrap());
            }
        }
    }
    found
}

/// Reports, photographs, keys and signatures included; as JSON the demo is the list of its findings.
#[test]
fn same_seed_gives_the_same_bytes() {
    let base = tempfile::tempdir().unwrap();
    fs::create_dir(base.path().join("feelgauge-demo")).unwrap();
    let (status, text, errors) = feelgauge(base.path(), &["demo", "--seed", "1", "--json"]);
    assert_eq!(
        (status, errors.as_str()),
        (Some(0), ""),
        "no terminal, no progress"
    );
    let first = files(demo());
    let second = files(&base.path().join("feelgauge-demo-2"));
    assert!(first.keys().eq(second.keys()));
    for (path, bytes) in &first {
        assert!(second[path] == *bytes, "{}", path.display());
    }
    assert_eq!(text.as_bytes(), first[Path::new("findings.json")]);
}

/// What the demo says, what it writes, and what `analyze` makes of its captures are one and the same; the truth that
/// was put in lies where the findings say.
#[test]
fn demo_tells_the_truth_and_its_captures_say_the_same_again() {
    let folder = demo();
    let text = fs::read_to_string(folder.with_file_name("said.txt")).unwrap();
    assert!(text.contains("Written to feelgauge-demo"), "{text}");
    for words in [
        "leak: outside",
        "pull: within",
        "roll: outside",
        "front ring gear",
        "Plover 8",
    ] {
        assert!(text.contains(words), "'{words}' is missing in:\n{text}");
    }
    let read = |name: &str| fs::read_to_string(folder.join(name)).unwrap();
    let findings: serde_json::Value = serde_json::from_str(&read("findings.json")).unwrap();
    let truth: serde_json::Value = serde_json::from_str(&read("truth.json")).unwrap();
    let captures = fs::read_dir(folder.join("captures")).unwrap();
    let mut captures: Vec<PathBuf> = captures.map(|entry| entry.unwrap().path()).collect();
    captures.sort();
    assert_eq!(captures.len(), 3);
    for ((test, capture), finding) in ["leak", "pull", "roll"]
        .iter()
        .zip(&captures)
        .zip(findings.as_array().unwrap())
    {
        assert_eq!(finding["test"], *test);
        assert_eq!(finding["refused"], serde_json::Value::Null);
        assert_eq!(finding["quality"]["faults"], serde_json::json!({}));
        let capture = capture.to_str().unwrap();
        let (status, again, errors) = feelgauge(folder, &["analyze", test, capture, "--json"]);
        assert_eq!((status, errors.as_str()), (Some(0), ""));
        let again: serde_json::Value = serde_json::from_str(&again).unwrap();
        assert_eq!(again, *finding, "{test}: live and replayed");
    }
    let inside = |estimate: &serde_json::Value, truth: &serde_json::Value| {
        let [lo, hi, truth] =
            [&estimate["lo95"], &estimate["hi95"], truth].map(|v| v.as_f64().unwrap());
        assert!((lo..=hi).contains(&truth), "{truth} in {estimate}");
    };
    inside(
        &findings[0]["leak_rate_pa_m3_s"],
        &truth["leak"]["leak_rate_pa_m3_s"],
    );
    inside(&findings[1]["lift_ratio"], &truth["pull"]["lift_ratio"]);
    let snag = &findings[2]["snags"][0];
    assert_eq!(snag["part"], truth["roll"]["snag"]["part"]);
    inside(&snag["hit_rate"], &truth["roll"]["snag"]["hit_rate"]);
}

#[test]
fn demo_touches_nothing_that_exists() {
    let base = tempfile::tempdir().unwrap();
    fs::create_dir(base.path().join("mine")).unwrap();
    let (status, text, errors) = feelgauge(base.path(), &["demo", "--out", "mine"]);
    assert_eq!((status, text.as_str()), (Some(2), ""));
    assert!(
        errors.contains("mine") && errors.contains("exists"),
        "{errors}"
    );
    assert_eq!(files(base.path()).len(), 0);
}

/// The demo's leak capture on its own, in a fresh folder.
fn leak_capture() -> (tempfile::TempDir, PathBuf) {
    let base = tempfile::tempdir().unwrap();
    let captures = fs::read_dir(demo().join("captures")).unwrap();
    let of_leak = |path: &PathBuf| path.to_str().unwrap().contains("-leak-");
    let original = captures.map(|e| e.unwrap().path()).find(of_leak).unwrap();
    let capture = base.path().join(original.file_name().unwrap());
    fs::create_dir(&capture).unwrap();
    for (name, bytes) in files(&original) {
        fs::write(capture.join(name), bytes).unwrap();
    }
    (base, capture)
}

/// The bench lost its power in mid-hold: the tail is torn, nothing was closed, and the analysis goes on and says so.
#[test]
fn capture_cut_short_is_analyzed_and_says_so() {
    let (base, capture) = leak_capture();
    fs::remove_file(capture.join("closed.toml")).unwrap();
    let lines = capture.join("pressure-HL-P1.csv");
    let bytes = fs::read(&lines).unwrap();
    fs::write(&lines, &bytes[..bytes.len() * 3 / 4]).unwrap();
    let capture = capture.to_str().unwrap();
    let (status, text, _) = feelgauge(base.path(), &["analyze", "leak", capture, "--json"]);
    assert_eq!(status, Some(0));
    let finding: serde_json::Value = serde_json::from_str(&text).unwrap();
    let quality = &finding["quality"];
    assert_eq!(
        quality["faults"],
        serde_json::json!({ "torn_tail": 1 }),
        "{quality}"
    );
    assert!(
        quality["flags"]
            .as_array()
            .unwrap()
            .contains(&"cut_short".into()),
        "{quality}"
    );
    assert_eq!(finding["refused"], serde_json::Value::Null);
}

#[test]
fn folders_that_are_no_captures_are_refused_with_what_to_do() {
    let (base, capture) = leak_capture();
    let name = capture.to_str().unwrap();
    let refused = |words: &str| {
        let (status, text, errors) = feelgauge(base.path(), &["analyze", "leak", name]);
        assert_eq!((status, text.as_str()), (Some(1), ""), "{errors}");
        assert!(errors.contains(words), "'{words}' is missing in: {errors}");
    };
    let meta = fs::read_to_string(capture.join("capture.toml")).unwrap();
    for (what, words) in [
        (meta.replace("format = 1", "format = 9"), "format 9"),
        (meta.replace("test = \"leak\"", "test = \"sniff\""), "sniff"),
        (meta.replace("[settings]", "[settings"), "line"),
        (meta.replace('*', "+"), "HL-P1"),
    ] {
        fs::write(capture.join("capture.toml"), what).unwrap();
        refused(words);
    }
    fs::remove_file(capture.join("capture.toml")).unwrap();
    refused("capture.toml");
}

/// A folder that this user may not write to: nothing is made, and the message says what to do. As root nothing is
/// forbidden, so there the program runs as another user.
#[test]
#[cfg(unix)]
fn folder_without_permission_is_refused() {
    use std::os::unix::fs::PermissionsExt as _;
    let base = tempfile::tempdir().unwrap();
    let program = base.path().join("feelgauge");
    fs::copy(env!("CARGO_BIN_EXE_feelgauge"), &program).unwrap();
    fs::set_permissions(base.path(), fs::Permissions::from_mode(0o555)).unwrap();
    let root = fs::write(base.path().join("probe"), "").is_ok();
    let mut command = Command::new(if root {
        "setpriv".as_ref()
    } else {
        program.as_os_str()
    });
    if root {
        fs::remove_file(base.path().join("probe")).unwrap();
        command
            .args(["--reuid", "65534", "--regid", "65534", "--clear-groups"])
            .arg(&program);
    }
    let run = match command.arg("demo").current_dir(base.path()).output() {
        Err(e) if root && e.kind() == std::io::ErrorKind::NotFound => {
            eprintln!("SKIPPED: root, and no setpriv to become another user");
            return;
        }
        run => run.unwrap(),
    };
    let errors = String::from_utf8(run.stderr).unwrap();
    assert_eq!(run.status.code(), Some(1), "{errors}");
    assert!(
        errors.contains("feelgauge-demo") && errors.contains("ermission"),
        "{errors}"
    );
    assert_eq!(
        fs::read_dir(base.path()).unwrap().count(),
        1,
        "the program alone"
    );
}

/// A thermometer on the tank and a sealed hold at zero pressure reach the measure through the wire and the marks of
/// the phases, and both make the interval narrower.
#[test]
fn thermometer_and_sealed_hold_are_used() {
    let bare = tank::TankScenario::plover_healthy();
    let mut warm = bare.clone();
    warm.sensor.thermometer_k = Some(0.01);
    let mut sealed = bare.clone();
    sealed.sealed_zero_s = 60.0;
    let widths = [bare, warm, sealed].map(|scenario| {
        let tank = tank::simulate(&scenario, 5);
        let mut plan = plan(Test::Leak, "whole", boards::pressure(&tank.readings, 5));
        if let Some((from_s, to_s)) = tank.truth.sealed_zero_s {
            plan.marks = vec![
                (from_s, "phase sealed_zero".into()),
                (to_s, "phase pump".into()),
            ];
        }
        let (finding, capture) = taken(&plan);
        let again = capture.analyze(Stated::default(), None).unwrap();
        assert_eq!(json(&again), json(&finding));
        let Finding::Leak(leak) = &finding else {
            panic!()
        };
        assert_eq!(
            leak.quality.thermometer,
            scenario.sensor.thermometer_k.is_some()
        );
        assert_eq!(
            leak.quality.sealed_zero,
            scenario.sealed_zero_s > 0.0,
            "{:?}",
            leak.quality
        );
        assert_eq!(leak.quality.common.ignored, 0);
        leak_rate(&finding).u
    });
    assert!(
        widths[1] < 0.8 * widths[0] && widths[2] < 0.95 * widths[0],
        "{widths:?}"
    );
}

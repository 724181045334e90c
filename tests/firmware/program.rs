//! The program itself, as a person calls it, with emulated probes on its ports, in real time.

use std::{fmt::Write as _, fs, process::Command};

use feelgauge::physics::{drivetrain::DrivetrainScenario, tank::TankScenario};
use serde_json::Value;

use crate::signals::{self, Signal, check_leak, check_pull, check_snag};
use crate::sim::{Probe, SERIAL};

/// Emulated boards that keep real time and, like real ones, reset when their port is opened.
const REAL: [&str; 3] = ["-x", "1", "-r"];

#[test]
fn probes_finds_three_boards_at_once() {
    let kinds = ["pressure", "force", "hall"];
    let mut boards = Vec::new();
    for kind in kinds {
        let Some(board) = Probe::start(kind, "0 adc 0 1234\n", &REAL) else {
            return;
        };
        boards.push(board);
    }
    let mut command = Command::new(env!("CARGO_BIN_EXE_feelgauge"));
    command.args(["probes", "--json"]);
    for board in &boards {
        command.args(["--port", &board.path]);
    }
    let said = command.output().unwrap();
    assert!(
        said.status.success(),
        "{}",
        String::from_utf8_lossy(&said.stderr)
    );
    let report: serde_json::Value = serde_json::from_slice(&said.stdout).unwrap();
    for (probe, kind) in report["probes"].as_array().unwrap().iter().zip(kinds) {
        assert_eq!(probe["identity"]["kind"], kind);
        assert_eq!(probe["identity"]["serial"], SERIAL);
        assert_eq!(probe["trouble"], serde_json::Value::Null);
        let ping_us = probe["ping_us"].as_u64().unwrap();
        assert!(ping_us < 500_000, "{kind}: {ping_us} us for a ping");
        println!("{kind}: ping {ping_us} us, health {}", probe["health"]);
    }
}

const PLOVER_8: &str = concat!(env!("CARGO_MANIFEST_DIR"), "/captures/plover-8.toml");

/// Calls the program; its standard output if it went well.
fn feelgauge(arguments: &[&str]) -> Vec<u8> {
    let said = Command::new(env!("CARGO_BIN_EXE_feelgauge"))
        .args(arguments)
        .output()
        .unwrap();
    assert!(
        said.status.success(),
        "{arguments:?}: {}",
        String::from_utf8_lossy(&said.stderr)
    );
    said.stdout
}

/// Takes a capture with `take` for whole seconds, and draws the finding of the capture with `analyze`.
fn take(test: &str, port: &str, seconds: f64, options: &[&str]) -> Value {
    let folder = tempfile::tempdir().unwrap();
    let out = folder.path().to_str().unwrap();
    let seconds = format!("{:.0}s", seconds.floor());
    let mut call = vec![
        "take",
        test,
        "--port",
        port,
        "--for",
        &seconds,
        "--out",
        out,
        "--vehicle",
        PLOVER_8,
    ];
    call.extend(options);
    feelgauge(&call);
    let captures: Vec<_> = fs::read_dir(folder.path())
        .unwrap()
        .map(|entry| entry.unwrap().path())
        .collect();
    assert_eq!(captures.len(), 1, "{captures:?}");
    assert!(
        captures[0].join("closed.toml").exists(),
        "the capture was not closed"
    );
    let finding = feelgauge(&["analyze", test, captures[0].to_str().unwrap(), "--json"]);
    serde_json::from_slice(&finding).unwrap()
}

/// A board that starts when its port is opened and keeps real time.
fn board(firmware: &str, signal: &Signal<impl Sized>) -> Probe {
    Probe::start(firmware, &signal.schedule, &["-w", "-x", "1", "-r"]).unwrap()
}

/// Three boards at once, because each needs its real time: 33 s for the leak.
#[test]
fn takes_of_three_emulated_boards_are_true() {
    if crate::sim::tools().is_none() {
        return;
    }
    let mut scenario = TankScenario::plover();
    scenario.hold_s = 24.0;
    let tank = signals::tank(scenario, 4);
    let mut scenario = DrivetrainScenario::plover();
    scenario.conditions.duration_s = 30.0;
    let wheel = signals::drivetrain(&scenario, 4);
    let cords = signals::cords(2, 4);
    let volume = format!("{:.2}cm3", tank.truth.volume_m3 * 1e6);
    let at = format!("{:.0}Pa", tank.truth.p_ref_pa);
    let baro = format!("{:.0}Pa", tank.truth.ambient_pa);
    let (leak, pull, roll) = std::thread::scope(|scope| {
        let leak = scope.spawn(|| {
            take(
                "leak",
                &board("pressure", &tank).path,
                tank.seconds,
                &["--volume", &volume, "--at", &at, "--baro", &baro],
            )
        });
        let pull = scope.spawn(|| take("pull", &board("force", &cords).path, cords.seconds, &[]));
        let roll = scope.spawn(|| {
            take(
                "roll",
                &board("hall", &wheel).path,
                wheel.seconds,
                &["--setup", &scenario.setup],
            )
        });
        (
            leak.join().unwrap(),
            pull.join().unwrap(),
            roll.join().unwrap(),
        )
    });
    check_leak(
        "leak of the worn lid, taken by the program, Pa m3/s",
        &leak,
        &tank.truth,
    );
    check_pull(&pull, &cords.truth);
    check_snag(&roll, &wheel.truth);
    for finding in [leak, pull, roll] {
        assert_eq!(finding["quality"]["faults"], serde_json::json!({}));
        assert_eq!(finding["quality"]["unprotected"], false);
    }
}

/// The cable slips out after the first pull and goes in again: the same board, started anew, at the same path.
#[test]
fn a_take_goes_on_when_the_plug_is_back() {
    let Some(folder) = crate::sim::tools() else {
        return;
    };
    let mut first = signals::cords(1, 5);
    writeln!(first.schedule, "{:.0} unplug", first.seconds * 1e6).unwrap();
    let second = signals::cords(1, 6);
    let link = folder.join(format!("{}-port", std::process::id()));
    let cells = folder.join(format!("{}-port.eeprom", std::process::id()));
    let options = [
        "-w",
        "-x",
        "1",
        "-r",
        "-l",
        link.to_str().unwrap(),
        "-e",
        cells.to_str().unwrap(),
    ];
    let before = Probe::start("force", &first.schedule, &options).unwrap();
    let seconds = first.seconds + second.seconds + 4.0; // the program tries again every second or two
    let port = link.to_str().unwrap();
    let finding = std::thread::scope(|scope| {
        let taken = scope.spawn(|| take("pull", port, seconds, &[]));
        before.statistics(); // it is gone
        let after = Probe::start("force", &second.schedule, &options).unwrap();
        let finding = taken.join().unwrap();
        drop(after);
        finding
    });
    fs::remove_file(cells).unwrap();
    assert_eq!(
        finding["quality"]["faults"]["reset"], 1,
        "{}",
        finding["quality"]
    );
    assert_eq!(finding["quality"]["gaps"], 1);
    let both: Vec<_> = first.truth.into_iter().chain(second.truth).collect();
    check_pull(&finding, &both);
}

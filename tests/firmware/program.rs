//! The program itself, as a person calls it, with emulated probes on its ports, in real time.

use std::process::Command;

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

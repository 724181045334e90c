//! The virtual bench: a simulated car through board, wire, link, recorder and session, and the captures it leaves.

#![allow(clippy::unwrap_used)] // in a test an unwrap is an assertion

use feelgauge::{
    clock::Clock,
    inspect::{Finding, Stated, Test},
    physics::{PLOVER_8, drivetrain, tank},
    probe::{
        board::BoardPlan,
        boards,
        virtual_bench::{Plan, take},
    },
    record::{Files, read_capture},
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

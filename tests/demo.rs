//! The virtual bench: a simulated car through board, wire, link, recorder and session, and the captures it leaves.

#![allow(clippy::unwrap_used)] // in a test an unwrap is an assertion

use feelgauge::{
    clock::Clock,
    inspect::{Finding, Row, Stated, Test},
    physics::{PLOVER_8, drivetrain, noise::Noise, tank},
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
    let span_us = edges.last().unwrap().t_us - edges[0].t_us + 2 * REBOOT_US;
    let span_s = span_us as f64 * 1e-6;
    let found_s = roll.end_s.unwrap() - roll.start_s.unwrap();
    // A line waits up to 0.1 s for its edges, so the host knows the time of each reset no better.
    assert!((found_s - span_s).abs() < 0.2, "{found_s} {span_s}");
}

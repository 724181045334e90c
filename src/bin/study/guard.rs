//! Guard: false alarms on good pulls, latency and force on stuck engines, before and after it has learned.

use feelgauge::measure::guard::Guard;
use feelgauge::physics::engine::{EngineScenario, EngineTruth, Lock, Probe, PullTruth, simulate};
use feelgauge::physics::noise::Noise;
use feelgauge::reading::ForceReading;

use crate::figure::{Good, Sheet, Unit, design};
use crate::numbers::Numbers;
use crate::plan::{Plan, seeds, tell};

/// Spread of the speed from pull to pull, taken in turn.
const SPEED_SD: [f64; 3] = [0.15, 0.20, 0.25];
/// Good pulls from which the guard learns before it follows the engine.
const LEARNS: usize = 4;
/// Pulls of a session of good ones.
const SESSION: usize = 10;

/// An alarm of the guard in a record: time (s) and force (N).
type Call = (f64, f64);

/// First alarm in every pull of a record, in the order of the truth's pulls.
fn calls(readings: &[ForceReading], truth: &EngineTruth, dt_s: f64) -> Vec<Option<Call>> {
    let mut guard = Guard::new((None, None), dt_s, 1);
    let mut first: Vec<Option<Call>> = vec![None; truth.pulls.len()];
    for reading in readings {
        let Some(alarm) = guard.push(*reading).alarm else {
            continue;
        };
        let begun = truth.pulls.iter().rposition(|p| p.hand_s <= alarm.alarm_s);
        if let Some(pull) = begun {
            first[pull].get_or_insert((alarm.alarm_s, alarm.force_n));
        }
    }
    first
}

fn engine(seed: u64, rate_hz: u32) -> EngineScenario {
    let mut scenario = EngineScenario {
        probe: Probe::new(rate_hz, 1),
        ..EngineScenario::drawn(seed)
    };
    scenario.hand.speed_sd = SPEED_SD[usize::from(seed % 3 == 1) + 2 * usize::from(seed % 3 == 2)];
    scenario
}

/// Good: three or more passages of top dead centre, however hesitant.
fn good(pull: &PullTruth) -> bool {
    pull.strokes.len() >= 3
}

/// Alarms on good pulls: of those before it has learned, and after.
fn false_alarms(first: u64, sessions: usize, rate_hz: u32) -> [(usize, usize); 2] {
    let mut counts = [(0, 0); 2];
    for seed in (first..).take(sessions) {
        let scenario = EngineScenario {
            pulls: SESSION,
            ..engine(seed, rate_hz)
        };
        let record = simulate(&scenario, seed);
        let first = calls(&record.readings, &record.truth, 1.0 / f64::from(rate_hz));
        let mut learned = 0;
        for (pull, call) in record.truth.pulls.iter().zip(&first) {
            let count = &mut counts[usize::from(learned >= LEARNS)];
            if good(pull) {
                count.0 += usize::from(call.is_some());
                count.1 += 1;
                learned += usize::from(call.is_none());
            }
        }
    }
    counts
}

/// What became of stuck engines: latencies (s), forces (N), and how many were missed.
#[derive(Default)]
struct Stuck {
    latency: Numbers,
    force: Numbers,
    missed: usize,
    early: usize,
}

fn stuck(first: u64, engines: usize, learned: bool, midway: bool) -> Stuck {
    let mut out = Stuck::default();
    let pull = if learned { LEARNS + 2 } else { 0 };
    for seed in (first..).take(engines) {
        let turns = Noise::new(seed, 78).uniform(0.5, 3.5);
        let scenario = EngineScenario {
            pulls: pull + 1,
            lock: if midway {
                Lock::Midway { pull, turns }
            } else {
                Lock::FromStart { pull }
            },
            ..engine(seed, 200)
        };
        let record = simulate(&scenario, seed);
        let truth = &record.truth.pulls[pull];
        // The pull may be over before the crank has turned so far.
        let from_s = if midway {
            truth.locked_s
        } else {
            Some(truth.hand_s)
        };
        let Some(from_s) = from_s else { continue };
        match calls(&record.readings, &record.truth, 0.005)[pull] {
            None => out.missed += 1,
            Some((at_s, _)) if at_s < from_s => out.early += 1,
            Some((at_s, force_n)) => {
                out.latency.0.push(at_s - from_s);
                out.force.0.push(force_n);
            }
        }
    }
    out
}

/// Latency (median, 95 %), force, missed of the design study.
struct Stated {
    learned: bool,
    midway: bool,
    latency_s: (f64, f64),
    force_n: f64,
    missed: (usize, usize),
}

const STATED: [Stated; 4] = [
    Stated {
        learned: false,
        midway: false,
        latency_s: (0.156, 0.258),
        force_n: 115.0,
        missed: (0, 3000),
    },
    Stated {
        learned: false,
        midway: true,
        latency_s: (0.061, 0.164),
        force_n: 124.0,
        missed: (2, 2933),
    },
    Stated {
        learned: true,
        midway: false,
        latency_s: (0.095, 0.158),
        force_n: 71.0,
        missed: (0, 3000),
    },
    Stated {
        learned: true,
        midway: true,
        latency_s: (0.018, 0.070),
        force_n: 88.0,
        missed: (1, 2933),
    },
];

/// Sheets of the guard.
pub fn sheets(plan: &Plan) -> Vec<Sheet> {
    let mut sheets = vec![alarms(plan)];
    tell(&sheets[0]);
    for (number, stated) in STATED.iter().enumerate() {
        sheets.push(latency(plan, number, stated));
        tell(&sheets[sheets.len() - 1]);
    }
    sheets
}

fn alarms(plan: &Plan) -> Sheet {
    let sessions = plan.size(500, 20);
    let first = plan.seed(20, 0);
    let mut sheet = Sheet::new(
        "Guard: false alarms on good pulls, 200 Hz",
        "pull, guard",
        format!("{}, {SESSION} pulls each", seeds(first, sessions)),
    );
    let [generic, learned] = false_alarms(first, sessions, 200);
    let rows = [
        ("before it has learned", generic, design(0.00052, 17_996)),
        ("learned", learned, design(0.00047, 14_996)),
    ];
    for (what, count, stated) in rows {
        sheet.share_in(Unit::PerMille, what, count, Good::Low, stated);
    }
    sheet.note(
        "The design study's 0.52 in a thousand before learning is over all its sets (0.22 in the largest one).",
    );
    sheet
}

fn latency(plan: &Plan, number: usize, stated: &Stated) -> Sheet {
    let long = if stated.learned { 200 } else { 600 };
    let engines = plan.size(long, if stated.learned { 15 } else { 40 });
    let first = plan.seed(21, number);
    let title = format!(
        "Guard: {}, {}",
        if stated.midway {
            "seizes in mid-pull"
        } else {
            "stuck from the start"
        },
        if stated.learned {
            "learned"
        } else {
            "before it has learned"
        }
    );
    let found = stuck(first, engines, stated.learned, stated.midway);
    let mut sheet = Sheet::new(&title, "pull, guard", seeds(first, engines));
    let runs = stated.missed.1;
    let all = found.latency.0.len() + found.missed + found.early;
    sheet.share_in(
        Unit::FinePercent,
        "missed",
        (found.missed, all),
        Good::Low,
        design(stated.missed.0 as f64 / runs as f64, runs),
    );
    for (what, q, value) in [
        ("latency, median", 0.5, stated.latency_s.0),
        ("latency, 95 %", 0.95, stated.latency_s.1),
    ] {
        sheet.value(
            what,
            found.latency.quantile(q),
            Unit::Millis,
            Good::Low,
            design(value, runs),
        );
    }
    sheet.value(
        "force at the call, median (N)",
        found.force.quantile(0.5),
        Unit::Plain,
        Good::Low,
        design(stated.force_n, runs),
    );
    if found.early > 0 {
        sheet.note(format!(
            "{} calls came before the crank was stuck (counted in the runs, not in the latencies).",
            found.early
        ));
    }
    sheet
}

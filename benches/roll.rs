//! Roll: all parts of the Plover 8 on a record of 60 s, against folding the same orders with numpy.

mod common;

use common::{Run, Table};
use feelgauge::measure::roll::{Roll, RollFinding, RollSettings};
use feelgauge::physics::PLOVER_8;
use feelgauge::physics::drivetrain::{DrivetrainScenario, simulate};
use feelgauge::reading::{Edge, Quality};
use feelgauge::vehicle::{PartKind, Train};

/// Longest that the whole may take, s.
const BOUND_S: f64 = 0.050;
/// Bins of the loss density in the shortest period that eight magnets or fewer show.
const BINS: f64 = 16.0;

fn record(setup: &str, duration_s: f64) -> (Train, Vec<Edge>) {
    let mut car =
        DrivetrainScenario::new(PLOVER_8, setup, None).expect("a setup of the demo car's file");
    car.conditions.duration_s = duration_s;
    (car.train().clone(), simulate(&car, 1).readings)
}

fn measure(train: &Train, edges: &[Edge]) -> RollFinding {
    let mut roll = Roll::new(RollSettings::new(train.clone()));
    for edge in edges {
        roll.push(*edge);
    }
    roll.finish(Quality::default())
}

/// Loss of energy between neighbouring intervals on an even grid of angles, as if magnets were evenly spaced: what a
/// numpy user folds.
fn density(train: &Train, edges: &[Edge]) -> Vec<f64> {
    let magnets = f64::from(train.magnets);
    let per_turn = BINS * magnets / 2.0;
    let energy = |pair: &[Edge]| {
        let seconds = (pair[1].t_us - pair[0].t_us) as f64 * 1e-6;
        let w = 1.0 / magnets / seconds;
        w * w / 2.0
    };
    let energies: Vec<f64> = edges.windows(2).map(energy).collect();
    let losses = energies.windows(2).map(|e| e[0] - e[1]);
    let mut grid = Vec::new();
    for (edge, loss) in losses.enumerate() {
        while (grid.len() as f64) < (edge as f64 + 1.0) / magnets * per_turn {
            grid.push(loss);
        }
    }
    grid
}

/// Orders and phases that the measure tries for the parts: `2n + 1` orders over 2.5 standard deviations, 36 phases, times
/// the turns that a pair needs (at most 480). One after the other, order then phases.
fn trials(train: &Train, turns: f64) -> Vec<f64> {
    let mut out = Vec::new();
    for part in &train.parts {
        let hunts = part.kind == PartKind::Pair && part.mult > 1;
        let phases = if hunts { (36 * part.mult).min(480) } else { 36 };
        let reach = 2.5 * part.order_sd;
        let mut n: f64 = 0.0;
        if reach > 0.0 {
            n = (reach * turns * part.order / 0.12).ceil().clamp(1.0, 150.0);
        }
        let mut j = -n;
        while j <= n {
            let d = if n > 0.0 { reach * j / n } else { 0.0 };
            out.extend([part.order * (1.0 + d), f64::from(phases)]);
            j += 1.0;
        }
    }
    out
}

fn against_numpy(run: &Run, table: &mut Table, setup: &str) {
    let (train, edges) = record(setup, 60.0);
    let n = edges.len();
    let found = measure(&train, &edges);
    assert!(found.refused.is_none(), "the bench measures what it says");
    let turns = found.quality.turns.expect("turns of a record");
    let orders = trials(&train, turns);
    let head = [BINS * f64::from(train.magnets) / 2.0, turns];
    let input = [&head[..], &density(&train, &edges)].concat();
    let numpy = run.python(
        "roll.py",
        &[
            &run.samples(&format!("{setup}-density"), &input),
            &run.samples(&format!("{setup}-orders"), &orders),
        ],
    );
    let its = |name: &str| numpy.as_ref().and_then(|s| s.get(name)).copied();
    let whole = run.best_s(|| measure(&train, &edges));
    let parts = train.parts.len();
    let what = format!(
        "`{setup}`: whole analysis, {parts} parts, {} orders",
        orders.len() / 2
    );
    table.below(&what, whole, n, BOUND_S);
    let against = |name, asked| (name, its(name), asked);
    // equal work first; the plain folds leave most of it out
    let references = [
        ("numpy: fold and mixture of each", Some(20.0)),
        ("numpy: fold of the same orders and phases", None),
        (
            "numpy: phase and bincount of the same orders, no mixture",
            None,
        ),
    ];
    for (name, asked) in references {
        table.against(&what, whole, n, against(name, asked));
    }
    stages(run, table, setup, &train, &edges, whole);
}

/// Where the time goes: the same record with a train that has no parts to try, and without ripple to fit either.
fn stages(run: &Run, table: &mut Table, setup: &str, train: &Train, edges: &[Edge], whole: f64) {
    let n = edges.len();
    let bare = Train {
        parts: Vec::new(),
        ..train.clone()
    };
    let smooth = Train {
        turning: Vec::new(),
        ..bare.clone()
    };
    let fit = run.best_s(|| measure(&bare, edges));
    let count = run.best_s(|| measure(&smooth, edges));
    let of = |what: &str| format!("`{setup}`, of it: {what}");
    table.time(
        &of("counting, coasting, filter without ripple columns"),
        count,
        n,
    );
    table.time(
        &of("ripple columns and score field"),
        (fit - count).max(0.0),
        n,
    );
    table.time(
        &of("parts (folds, mixtures, rivals, naming)"),
        (whole - fit).max(0.0),
        n,
    );
}

fn main() {
    let run = Run::from_args();
    let mut table = Table::new("Roll: the Plover 8, 60 s");
    for setup in ["one_fl", "straight"] {
        against_numpy(&run, &mut table, setup);
    }
    for setup in ["one_fl", "straight"] {
        let point = |duration_s: f64| {
            let (train, edges) = record(setup, duration_s);
            (edges.len(), run.best_s(|| measure(&train, &edges)))
        };
        let what = format!("the whole analysis, `{setup}`, 20 to 2000 s");
        table.growth(&what, &[20.0, 200.0, 2000.0].map(point));
    }
    table.note("Numpy's side is given the loss density, the orders and no nuisance columns; counting, fitting and rivals are on our side only.");
    run.show(&table);
}

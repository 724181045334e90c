//! Blind search: the fast folding of an even series against astropy's BoxLeastSquares at the same trial periods and beside
//! riptide's fast folding, and the whole search of a minute without a gear train.

mod common;

use common::{Run, Table};
use feelgauge::measure::roll::blind::fold_search;
use feelgauge::measure::roll::{Roll, RollFinding};
use feelgauge::physics::drivetrain::{DrivetrainScenario, simulate};
use feelgauge::physics::noise::Noise;
use feelgauge::reading::{Edge, Quality};

/// Shortest whole period, bins.
const SHORTEST: usize = 16;
/// Bins of the series that the references fold: the fastest octave of a minute with 8 magnets.
const BINS: usize = 16_000;

/// White noise with a train every 20.5 bins.
fn series(n: usize) -> (Vec<f64>, Vec<f64>) {
    let mut noise = Noise::new(1, 1);
    let mut u: Vec<f64> = (0..n).map(|_| noise.normal()).collect();
    for k in 0..2 * n / 41 {
        u[k * 41 / 2] += 0.5;
    }
    (u, vec![1.0; n])
}

fn search(edges: &[Edge]) -> RollFinding {
    let mut roll = Roll::blind(8);
    for edge in edges {
        roll.push(*edge);
    }
    roll.finish(Quality::default())
}

fn main() {
    let run = Run::from_args();
    let (u, i) = series(BINS);
    let trials = fold_search(&u, &i, SHORTEST);
    let best = trials.iter().max_by(|a, b| a.z.total_cmp(&b.z));
    let period = best.expect("there are trials").period;
    assert!(
        (period - 20.5).abs() < 0.01,
        "the bench finds what it hid: {period}"
    );
    let samples = run.samples("series", &[&u[..], &i[..]].concat());
    let periods: Vec<f64> = trials.iter().map(|t| t.period).collect();
    let periods = run.samples("periods", &periods);
    let shortest = run.samples("shortest", &[SHORTEST as f64]);
    let reference = run.python("blind.py", &[&samples, &periods, &shortest]);
    let its = |name: &str| reference.as_ref().and_then(|r| r.get(name)).copied();
    let ours = run.best_s(|| fold_search(&u, &i, SHORTEST));
    let mut table = Table::new("Blind search");
    let what = format!("{BINS} bins at {} periods", trials.len());
    let astropy = (
        "astropy BoxLeastSquares",
        its("BoxLeastSquares"),
        Some(50.0),
    );
    table.against(&what, ours, BINS, astropy);
    let riptide = ("riptide-ffa, scores alone in 32 bits", its("riptide"), None);
    table.against(&what, ours, BINS, riptide);
    let car = DrivetrainScenario::drawn_healthy(1, "straight");
    let edges = simulate(&car, 1).readings;
    let whole = run.best_s(|| search(&edges));
    table.time("whole search of a minute, 8 magnets", whole, edges.len());
    // rows are padded to powers of two: three sizes an octave, so that no size is a lucky one
    let sizes = [1, 10, 100].map(|tens| [8, 10, 13].map(|eighths| BINS * tens * eighths / 64));
    let points: Vec<(usize, f64)> = sizes
        .into_iter()
        .flatten()
        .map(|n| {
            let (u, i) = series(n);
            (n, run.best_s(|| fold_search(&u, &i, SHORTEST)))
        })
        .collect();
    table.growth("the folding", &points);
    let whole: Vec<(usize, f64)> = [60.0, 600.0, 6000.0]
        .into_iter()
        .map(|duration_s| {
            let mut car = DrivetrainScenario::drawn_healthy(1, "straight");
            car.conditions.duration_s = duration_s;
            let edges = simulate(&car, 1).readings;
            (edges.len(), run.best_s(|| search(&edges)))
        })
        .collect();
    table.growth("the whole search (edges), 60 to 6000 s, 8 magnets", &whole);
    table.note("the folding's own law, n log(n/16) additions, would be n^1.14 over these sizes; the largest no longer fit into the caches");
    run.show(&table);
}

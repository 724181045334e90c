//! Pull: a session of 15 pulls at 1000 readings a second, against scipy's peak finder alone on the same readings.

mod common;

use common::{Run, Table};
use feelgauge::measure::guard::Rule;
use feelgauge::measure::pull::{Pull, PullFinding, PullSettings};
use feelgauge::physics::engine::{EngineScenario, simulate};
use feelgauge::reading::{ForceReading, Quality};

/// Pulls of the session.
const PULLS: usize = 15;

fn session(pulls: usize) -> Vec<ForceReading> {
    let scenario = EngineScenario {
        pulls,
        ..EngineScenario::plover()
    };
    simulate(&scenario, 1).readings
}

fn measure(readings: &[ForceReading]) -> PullFinding {
    let mut pull = Pull::new(PullSettings {
        mass_kg: Some(3.4),
        filter_order: 1,
        ..PullSettings::default()
    });
    for reading in readings {
        pull.push(*reading);
    }
    pull.finish(Quality::default())
}

fn guard(readings: &[ForceReading]) -> bool {
    let mut rule = Rule::new(None, None, 0.001);
    readings
        .iter()
        .any(|r| rule.push(r.force_n, Some(0.0)).is_some())
}

fn main() {
    let run = Run::from_args();
    let readings = session(PULLS);
    let n = readings.len();
    let found = measure(&readings);
    assert_eq!(found.pulls.len(), PULLS, "the bench measures what it says");
    let force: Vec<f64> = readings.iter().map(|r| r.force_n).collect();
    let scipy = run.python("pull.py", &[&run.samples("force", &force)]);
    let its = |name: &str| scipy.as_ref().and_then(|s| s.get(name)).copied();
    let whole = run.best_s(|| measure(&readings));
    let mut table = Table::new("Pull: 15 pulls at 1 kHz");
    let against = |name, asked| (name, its(name), asked);
    let what = "whole analysis, guard included";
    table.against(what, whole, n, against("find_peaks, prominence", Some(2.0)));
    table.against(what, whole, n, against("find_peaks, defaults", None));
    table.time(
        "of it: the guard's rule on every reading",
        run.best_s(|| guard(&readings)),
        n,
    );
    let rest = run.best_s(|| measure(&readings[..1000]));
    table.time("of it: a second of rest (segmentation alone)", rest, 1000);
    let mut points = Vec::new();
    for pulls in [PULLS / 5, 2 * PULLS, 20 * PULLS] {
        let readings = session(pulls);
        points.push((readings.len(), run.best_s(|| measure(&readings))));
    }
    table.growth("the whole analysis", &points);
    run.show(&table);
}

//! A simulated roll record, measured.

use feelgauge::measure::roll::{Roll, RollCar, RollFinding, RollSettings};
use feelgauge::physics::Simulated;
use feelgauge::physics::drivetrain::{DrivetrainScenario, DrivetrainTruth, simulate};
use feelgauge::reading::Quality;

/// Added to a seed: the same car later, in another record.
pub const LATER: u64 = 500_000_000;

/// A healthy car of the population in a setup, for so long.
pub fn healthy(seed: u64, setup: &str, duration_s: f64) -> DrivetrainScenario {
    let mut scenario = DrivetrainScenario::drawn_healthy(seed, setup);
    scenario.conditions.duration_s = duration_s;
    scenario
}

/// Finding and truth of a record.
pub fn measure(scenario: &DrivetrainScenario, seed: u64) -> (RollFinding, DrivetrainTruth) {
    let Simulated { readings, truth } = simulate(scenario, seed);
    let mut settings = RollSettings::new(scenario.train().clone());
    settings.car = RollCar::of(scenario.vehicle(), Some(&scenario.setup), None);
    let mut roll = Roll::new(settings);
    for edge in readings {
        roll.push(edge);
    }
    (roll.finish(Quality::default()), truth)
}

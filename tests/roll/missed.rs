//! Sensors that miss edges and double others.

use feelgauge::measure::roll::{Roll, RollFinding, RollSettings};
use feelgauge::physics::drivetrain::{DrivetrainScenario, simulate};
use feelgauge::reading::Quality;

/// A healthy car whose sensor misses this share of its magnets and doubles half as many, and how many turns were counted too
/// many.
fn record(seed: u64, setup: &str, missed: f64) -> (RollFinding, f64) {
    let mut car = DrivetrainScenario::drawn_healthy(seed, setup);
    car.conditions.missed = missed;
    car.conditions.bounced = missed / 2.0;
    let simulated = simulate(&car, seed);
    let mut roll = Roll::new(RollSettings::new(car.train().clone()));
    for edge in &simulated.readings {
        roll.push(*edge);
    }
    let finding = roll.finish(Quality::default());
    let turns = finding.quality.turns.unwrap_or(f64::NAN);
    (finding, turns - simulated.truth.turns)
}

#[test]
fn one_magnet_in_fifty_missed_is_counted_and_alarms_nobody() {
    let (mut right, mut alarms) = (0, 0);
    for seed in 0..12 {
        for setup in ["straight", "one_fl"] {
            let (finding, off) = record(seed, setup, 0.02);
            assert!(finding.refused.is_none(), "{setup} {seed}");
            assert!(finding.quality.common.flags.is_empty(), "2 % is no reason");
            // the first and the last magnet may stand just behind the sensor
            right += u32::from(off.abs() < 0.3);
            alarms += u32::from(finding.snags.is_some_and(|s| !s.is_empty()));
        }
    }
    // 3 of 120 of other seeds miscounted, none alarmed; with two passes 52 were miscounted and 6 alarmed
    assert!(right >= 21, "{right} of 24");
    assert!(alarms <= 1, "{alarms} of 24");
}

#[test]
fn one_magnet_in_twenty_missed_is_said() {
    let (finding, _) = record(1, "straight", 0.05);
    assert_eq!(finding.quality.common.flags, ["magnets_missed"]);
}

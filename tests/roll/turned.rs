//! Cars that are rolled to and fro: angles are counted one way only.

use feelgauge::measure::roll::{Roll, RollFinding, RollSettings};
use feelgauge::physics::drivetrain::{DrivetrainScenario, simulate};
use feelgauge::reading::Quality;

/// Finding of a healthy car of the population.
fn healthy(seed: u64, to_and_fro: bool) -> RollFinding {
    let mut car = DrivetrainScenario::drawn_healthy(seed, "straight");
    car.conditions.to_and_fro = to_and_fro;
    car.conditions.magnet_sd_deg = 3.0;
    let mut roll = Roll::new(RollSettings::new(car.train().clone()));
    for edge in simulate(&car, seed).readings {
        roll.push(edge);
    }
    roll.finish(Quality::default())
}

/// Counted through, 3 of these 20 had a snag and nothing was said.
#[test]
fn a_car_rolled_to_and_fro_is_judged_one_way() {
    let (mut flagged, mut snags) = (0, 0);
    for seed in 9_010..9_030 {
        let finding = healthy(seed, true);
        let flags = &finding.quality.common.flags;
        flagged += u32::from(flags.iter().any(|flag| flag == "turned_back"));
        snags += u32::from(finding.snags.iter().flatten().next().is_some());
    }
    assert!(flagged >= 17 && snags <= 2, "{flagged} {snags}");
}

#[test]
fn a_car_rolled_one_way_is_judged_whole() {
    for seed in 9_010..9_020 {
        let flags = healthy(seed, false).quality.common.flags;
        assert!(!flags.iter().any(|flag| flag == "turned_back"), "{seed}");
    }
}

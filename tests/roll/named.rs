//! Which part is named where ripple takes what repeats: snags in nearly every turn, and pairs that hunt over few turns.

use feelgauge::measure::roll::{Roll, RollSettings};
use feelgauge::physics::drivetrain::{DrivetrainScenario, SnagScenario, simulate};
use feelgauge::reading::Quality;

/// Of drawn cars with such a snag: reported, named right (or a part of equal order), another part with at least 90 %.
fn named(seeds: std::ops::Range<u64>, setup: &str, part: &str, hit_rate: f64) -> [u32; 3] {
    let mut counts = [0; 3];
    for seed in seeds {
        let snag = SnagScenario {
            part: part.into(),
            depth: 1.6,
            hit_rate,
            burst: None,
        };
        let car = DrivetrainScenario::drawn_healthy(seed, setup).with_snag(snag);
        let car = car.unwrap();
        let simulated = simulate(&car, seed);
        let mut roll = Roll::new(RollSettings::new(car.train().clone()));
        for edge in &simulated.readings {
            roll.push(*edge);
        }
        let finding = roll.finish(Quality::default());
        let truth = simulated.truth.snag.unwrap();
        let Some(snag) = finding.snags.iter().flatten().next() else {
            continue;
        };
        let right = truth.same_order.contains(&snag.part);
        let sure = !right && snag.probability >= 0.9;
        for (count, is) in counts.iter_mut().zip([true, right, sure]) {
            *count += u32::from(is);
        }
    }
    counts
}

// Of other seeds, depth 1.6: 188 of 191 right, none surely wrong; with turns judged one by one 64 right, 56 surely wrong.
#[test]
fn a_snag_in_nearly_every_turn_is_not_given_to_a_part_of_twice_or_half_the_speed() {
    let cases = [
        ("straight", "ring_f"),
        ("straight", "drive_fl"),
        ("one_fl", "ring_f"),
        ("one_fl", "wheel_fl"),
    ];
    for (setup, part) in cases {
        let [found, right, sure] = named(5000..5008, setup, part, 0.95);
        assert!(found >= 4, "{setup} {part}: {found} of 8 found");
        assert!(right + 1 >= found, "{setup} {part}: {right} of {found}");
        assert_eq!(sure, 0, "{setup} {part}: surely wrong");
    }
}

// Of other seeds 44 of 44 right rolling straight, depth 1.6; with nothing put back of what the ring's ripple took 35 of 44.
#[test]
fn a_hunting_pair_is_not_given_to_its_shaft() {
    for setup in ["straight", "one_fl"] {
        let [found, right, sure] = named(5100..5112, setup, "final_f.pair", 0.7);
        assert!(found >= 6, "{setup}: {found} of 12 found");
        assert!(right + 1 >= found, "{setup}: {right} of {found}");
        assert_eq!(sure, 0, "{setup}: surely wrong");
    }
}

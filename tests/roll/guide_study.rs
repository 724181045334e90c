//! Many looks at one running roll: false alarms and what is missed. Long:
//! `FIRST=0 COUNT=200 cargo test --release --test roll guide_looks -- --ignored --nocapture`.

use feelgauge::inspect::{Settings, guide::Guide};
use feelgauge::physics::drivetrain::{DrivetrainScenario, simulate};

use super::guide::{follow, settings_of};
use super::study::env;

/// Shares of the limit at the looks that were not planned.
const SHARES: [f64; 5] = [1.0, 0.3, 0.1, 0.03, 0.01];

/// The stated limit.
const LIMIT: f64 = 0.01;

/// Settings under which a guide never stops before the longest roll.
pub fn endless(scenario: &DrivetrainScenario) -> Settings {
    match settings_of(scenario) {
        Settings::Roll {
            mut roll,
            sensor,
            more,
            watched,
        } => {
            roll.snag_false_alarm = 1e-300;
            roll.snag_depth = 1e-9;
            Settings::Roll {
                roll,
                sensor,
                more,
                watched,
            }
        }
        other => other,
    }
}

/// Looks of one healthy car: length of the record, s, and false-alarm probability.
fn looks(seed: u64, setup: &str, length_s: f64) -> Vec<(f64, f64)> {
    let mut car = DrivetrainScenario::drawn_healthy(seed, setup);
    car.conditions.duration_s = length_s;
    let mut guide = Guide::new(&endless(&car));
    let looks = follow(&mut guide, &simulate(&car, seed).readings, |_, _| {});
    let seen = looks.iter().map(|l| &l.finding);
    seen.filter_map(|f| Some((f.end_s? - f.start_s?, f.false_alarm_probability?)))
        .collect()
}

#[test]
#[ignore = "a study: many minutes"]
fn guide_looks() {
    let (first, count) = (env("FIRST", 0), env("COUNT", 10));
    let length_s = env("LENGTH", 150) as f64;
    for setup in ["one_fl", "straight"] {
        let (mut n, mut sum, mut at_plan, mut late) = (0u32, 0, 0u32, 0u32);
        let mut ruled = [0u32; SHARES.len()];
        for seed in first..first + count {
            let seen = looks(seed, setup, length_s);
            let plan = seen.partition_point(|s| s.0 < 60.0);
            let planned = seen.get(plan).is_some_and(|s| s.1 <= LIMIT);
            let early = seen[..plan].iter().map(|s| s.1).fold(1.0, f64::min);
            let after = seen.get(plan..).unwrap_or_default();
            let twice = after.windows(2).any(|s| s[0].1.max(s[1].1) <= 0.01 * LIMIT);
            n += u32::from(!seen.is_empty());
            sum += seen.len();
            at_plan += u32::from(planned);
            late += u32::from(planned || early <= 0.1 * LIMIT || twice);
            for (ruled, share) in ruled.iter_mut().zip(SHARES) {
                *ruled += u32::from(planned || early <= share * LIMIT);
            }
            if seen.iter().any(|s| s.1 <= 3.0 * LIMIT) {
                let words = seen.iter().map(|(s, p)| format!(" {s:.0}:{p:.1e}"));
                println!("{setup} {seed}:{}", words.collect::<String>());
            }
        }
        println!(
            "{setup}: {n} records, {sum} looks; one look at 60 s: {at_plan}; up to it by share {SHARES:?}: {ruled:?}; the whole rule {late}"
        );
    }
}

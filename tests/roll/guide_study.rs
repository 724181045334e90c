//! Many looks at one running roll: false alarms and what is missed. Long:
//! `FIRST=0 COUNT=200 cargo test --release --test roll guide_looks -- --ignored --nocapture`.

use feelgauge::inspect::{Settings, guide::Guide};
use feelgauge::physics::drivetrain::{DrivetrainScenario, simulate};

use super::guide::{follow, settings_of};
use super::study::env;

/// Shares of the limit at the looks that were not planned.
const SHARES: [f64; 5] = [1.0, 0.3, 0.1, 0.03, 0.01];

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

#[test]
#[ignore = "a study: many minutes"]
fn guide_looks() {
    let (first, count) = (env("FIRST", 0), env("COUNT", 10));
    let length = env("LENGTH", 150);
    for setup in ["straight", "one_fl"] {
        let mut early = [0u32; SHARES.len()];
        let (mut n, mut at_plan, mut any, mut looks_sum) = (0u32, 0u32, 0u32, 0usize);
        for seed in first..first + count {
            let mut car = DrivetrainScenario::drawn_healthy(seed, setup);
            car.conditions.duration_s = length as f64;
            let record = simulate(&car, seed);
            let mut guide = Guide::new(&endless(&car));
            let looks = follow(&mut guide, &record.readings, |_, _| {});
            let seen: Vec<(f64, f64)> = looks
                .iter()
                .filter_map(|l| {
                    let f = &l.finding;
                    Some((f.end_s? - f.start_s?, f.false_alarm_probability?))
                })
                .collect();
            if seen.is_empty() {
                continue;
            }
            n += 1;
            looks_sum += seen.len();
            let plan = seen.iter().position(|s| s.0 >= 60.0);
            let planned = plan.is_some_and(|p| seen[p].1 <= 0.01);
            let least = seen.iter().map(|s| s.1).fold(1.0, f64::min);
            at_plan += u32::from(planned);
            any += u32::from(least <= 0.01);
            for (early, share) in early.iter_mut().zip(SHARES) {
                *early += u32::from(planned || least <= 0.01 * share);
            }
            if least <= 0.03 {
                let words: Vec<String> = seen
                    .iter()
                    .map(|(s, p)| format!("{s:.0}:{p:.1e}"))
                    .collect();
                println!("{setup} {seed}: {}", words.join(" "));
            }
        }
        println!(
            "{setup}: {n} records, {looks_sum} looks; at the plan {at_plan}, any {any}, by share {SHARES:?}: {early:?}"
        );
    }
}

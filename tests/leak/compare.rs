//! Before and after with simulated tanks: how often the intervals cover, how often nothing is called something, and how
//! often a change is shown. `FEELGAUGE_TANKS=1000 cargo test --release --test leak compare -- --nocapture` for a study.

use feelgauge::measure::compare::{Change, Direction};
use feelgauge::measure::leak::{LeakComparison, LeakFinding, LeakSettings, compare};
use feelgauge::physics::noise::Noise as Random;
use feelgauge::physics::tank::{TankScenario, simulate};
use feelgauge::reading::Estimate;

use crate::{analyze, code, tanks};

/// Analyzes a day with the volume stated once for both (8 % wrong, as everywhere here), or with none.
fn day(scenario: &TankScenario, seed: u64, volume: Option<(f64, f64)>) -> LeakFinding {
    let simulated = simulate(scenario, seed);
    let settings = LeakSettings {
        volume_m3: volume.map(|v| v.0),
        volume_u_m3: volume.map(|v| v.1),
        p_ref_pa: Some(scenario.p_ref_pa),
        ..LeakSettings::without_volume()
    };
    let mut finding = analyze(settings, &simulated.readings);
    finding.evidence.day = Some(format!("day {seed}"));
    finding
}

fn stated(scenario: &TankScenario, seed: u64) -> (f64, f64) {
    let volume = scenario.volume_m3 * (1.0 + 0.08 * Random::new(seed, 77).normal());
    (volume, 0.08 * volume)
}

/// A tank on one day and, with `factor` times the leak, on another.
fn before_after(seed: u64, factor: f64) -> (TankScenario, TankScenario) {
    let before = TankScenario::drawn(seed);
    let mut after = before.another_day(seed);
    after.leak_rate_pa_m3_s *= factor;
    (before, after)
}

fn compared(seed: u64, factor: f64) -> (LeakComparison, f64, f64) {
    let (before, after) = before_after(seed, factor);
    let volume = Some(stated(&before, seed));
    let sides = [
        day(&before, seed, volume),
        day(&after, seed + 100_000, volume),
    ];
    for side in &sides {
        assert_eq!(code(side), "none", "seed {seed}: {:?}", side.refused);
    }
    let comparison = compare(&sides[..1], &sides[1..]);
    (
        comparison,
        before.leak_rate_pa_m3_s,
        after.leak_rate_pa_m3_s,
    )
}

fn holds(e: &Estimate, truth: f64) -> bool {
    e.lo95 <= truth && truth <= e.hi95
}

/// At most so many of `n` at a rate of 5 %: 3.2 binomial standard deviations above.
fn most(n: f64) -> f64 {
    0.05 * n + 3.2 * (0.05 * 0.95 * n).sqrt()
}

/// The same tank twice, nothing done to it: something is claimed in at most 5 %.
#[test]
fn no_change_is_not_called_one() {
    let n = tanks(60);
    let (mut claimed, mut outside) = (0, 0);
    for seed in 3001..3001 + n {
        let (c, _, _) = compared(seed, 1.0);
        claimed += u32::from(c.verdict != Some(Direction::Undecided));
        outside += u32::from(c.ratio.is_some_and(|r| !holds(&r, 1.0)));
    }
    println!(
        "no change, seeds from 3001: {n} pairs, {claimed} claimed, ratio misses 1 in {outside}"
    );
    assert!(f64::from(claimed) <= most(n as f64), "{claimed}");
    assert!(f64::from(outside) <= most(n as f64), "{outside}");
}

/// Repaired to somewhere between 2 % and all of the leak: difference and ratio cover in 95 %.
#[test]
fn difference_and_ratio_cover() {
    let n = tanks(60);
    let (mut difference, mut ratio, mut ratios, mut shown, mut wrong) = (0, 0, 0u32, 0, 0);
    for seed in 4001..4001 + n {
        let factor = libm::exp(Random::new(seed, 79).uniform(libm::log(0.02), 0.0));
        let (c, before, after) = compared(seed, factor);
        difference += u32::from(!holds(&c.difference.unwrap(), after - before));
        if let Some(r) = c.ratio {
            ratios += 1;
            ratio += u32::from(!holds(&r, factor));
        }
        shown += u32::from(c.change == Some(Change::Better));
        wrong += u32::from(c.change == Some(Change::Worse));
    }
    println!(
        "repaired, seeds from 4001: {n} pairs, difference missed {difference}, ratio missed {ratio} of {ratios}; better {shown}, worse {wrong}"
    );
    assert!(f64::from(difference) <= most(n as f64), "{difference}");
    assert!(f64::from(ratio) <= most(f64::from(ratios)), "{ratio}");
    assert!(f64::from(wrong) <= 0.025 * n as f64 + 3.2 * (0.025 * n as f64).sqrt());
}

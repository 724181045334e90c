//! Before and after with simulated tanks: how often the intervals cover, how often nothing is called something, and how
//! often a change is shown. `FEELGAUGE_TANKS=1000 cargo test --release --test leak compare -- --nocapture` for a study.

use feelgauge::measure::compare::{Change, Direction};
use feelgauge::measure::leak::{
    LeakComparison, LeakFinding, LeakSettings, Regime, common_p_ref, compare,
};
use feelgauge::physics::noise::Noise as Random;
use feelgauge::physics::tank::{Sensor, TankScenario, simulate};
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

fn covers(e: &Estimate, truth: f64) -> bool {
    e.lo95 <= truth && truth <= e.hi95
}

/// At most so many of `n` at a rate of 5 %: 3.2 binomial standard deviations above.
fn most(n: f64) -> f64 {
    0.05 * n + 3.2 * (0.05 * 0.95 * n).sqrt()
}

/// The same tank twice, nothing done to it: something is claimed in at most 5 %. Measured with 600 pairs: 1.5 % (what is
/// peculiar to one tank and the same on both days is in both intervals); the ratio missed 1 in 5 of 600.
#[test]
fn no_change_is_not_called_one() {
    let n = tanks(30);
    let (mut claimed, mut outside) = (0, 0);
    for seed in 3001..3001 + n {
        let (c, _, _) = compared(seed, 1.0);
        claimed += u32::from(c.verdict != Some(Direction::Undecided));
        outside += u32::from(c.ratio.is_some_and(|r| !covers(&r, 1.0)));
    }
    println!(
        "no change, seeds from 3001: {n} pairs, {claimed} claimed, ratio misses 1 in {outside}"
    );
    assert!(f64::from(claimed) <= most(n as f64), "{claimed}");
    assert!(f64::from(outside) <= most(n as f64), "{outside}");
}

/// Repaired to somewhere between 2 % and all of the leak: difference and ratio cover in 95 %. Measured with 600 pairs: 97.2 %
/// and (322 ratios) 96.6 %; 430 called better, none worse.
#[test]
fn difference_and_ratio_cover() {
    let n = tanks(30);
    let (mut difference, mut ratio, mut ratios, mut shown, mut wrong) = (0, 0, 0u32, 0, 0);
    for seed in 4001..4001 + n {
        let factor = libm::exp(Random::new(seed, 79).uniform(libm::log(0.02), 0.0));
        let (c, before, after) = compared(seed, factor);
        difference += u32::from(!covers(&c.difference.unwrap(), after - before));
        if let Some(r) = c.ratio {
            ratios += 1;
            ratio += u32::from(!covers(&r, factor));
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

/// Another sensor on each day, one coarse and one fine: compared all the same, each with a gain of its own. Measured with 600
/// pairs: the difference missed 17, the ratio 7 of 314.
#[test]
fn two_sensors_are_compared() {
    let n = tanks(30);
    let (mut difference, mut ratio, mut ratios) = (0, 0, 0u32);
    for seed in 4501..4501 + n {
        let mut random = Random::new(seed, 80);
        let factor = libm::exp(random.uniform(libm::log(0.02), 0.0));
        let (before, after) = before_after(seed, factor);
        let with = |scenario: &TankScenario, lsb_pa: f64, noise_pa: f64, gain: f64| TankScenario {
            sensor: Sensor {
                lsb_pa,
                noise_pa,
                gain,
                ..scenario.sensor
            },
            ..scenario.clone()
        };
        let coarse = |scenario, gain| with(scenario, 61.1, 40.0, gain);
        let fine = |scenario, gain| with(scenario, 0.006, 2.0, gain);
        let gains = [0, 1].map(|_| 1.0 + 0.01 * random.normal());
        let sides = if seed % 2 == 0 {
            [fine(&before, gains[0]), coarse(&after, gains[1])]
        } else {
            [coarse(&before, gains[0]), fine(&after, gains[1])]
        };
        let volume = Some(stated(&before, seed));
        let b = day(&sides[0], seed, volume);
        let a = day(&sides[1], seed + 100_000, volume);
        let c = compare(&[b], &[a]);
        assert!(c.refused.is_none(), "seed {seed}: {:?}", c.refused);
        assert!(c.quality.flags.contains(&"two_sensors".into()));
        let change = after.leak_rate_pa_m3_s - before.leak_rate_pa_m3_s;
        difference += u32::from(!covers(&c.difference.unwrap(), change));
        if let Some(r) = c.ratio {
            ratios += 1;
            ratio += u32::from(!covers(&r, factor));
            assert!(r.u > 0.014 * r.value, "seed {seed}: {r:?}");
        }
    }
    println!(
        "two sensors, seeds from 4501: {n} pairs, difference missed {difference}, ratio missed {ratio} of {ratios}"
    );
    assert!(ratios > 0, "{ratios}");
    assert!(f64::from(difference) <= most(n as f64), "{difference}");
    assert!(f64::from(ratio) <= most(f64::from(ratios)), "{ratio}");
}

/// Three holds on each of two days, three minutes apart: their mean covers, though it is taken for hardly better than
/// one. With a root of n it would not.
#[test]
fn several_holds_of_a_day_cover() {
    let n = tanks(8);
    let (mut missed, mut naive, mut narrower) = (0, 0, 0.0);
    for seed in 6001..6001 + n {
        let (mut before, _) = before_after(seed, 1.0);
        before.leak_rate_pa_m3_s = 2e-4;
        let mut after = before.another_day(seed);
        after.leak_rate_pa_m3_s = 1e-4;
        let volume = Some(stated(&before, seed));
        let holds = |scenario: &TankScenario, at: u64| -> Vec<LeakFinding> {
            (0..3u64)
                .map(|i| {
                    let mut finding = day(&scenario.later(180.0 * i as f64), at + i, volume);
                    finding.evidence.day = Some(format!("day {at}"));
                    finding
                })
                .collect()
        };
        let (b, a) = (holds(&before, seed * 10), holds(&after, seed * 10 + 5));
        let c = compare(&b, &a);
        assert_eq!((c.before, c.after), (3, 3), "{:?}", c.refused);
        let (one, all) = (compare(&b[..1], &a[..1]), c.difference.unwrap());
        missed += u32::from(!covers(&all, -1e-4));
        let half = 1.96 * one.difference.unwrap().u / 3f64.sqrt();
        naive += u32::from((all.value + 1e-4).abs() > half);
        narrower += all.u / one.difference.unwrap().u / n as f64;
    }
    println!(
        "three holds a day, seeds from 6001: {n} pairs, missed {missed}, with root n {naive}; u {narrower:.2} of one hold's"
    );
    assert!(f64::from(missed) <= most(n as f64), "{missed}");
    assert!((0.85..1.05).contains(&narrower), "{narrower}");
}

/// A change as large as the smallest that is promised to be shown is shown in 80 %, or more often. Measured with 150 pairs:
/// 84 %, half as large a change 24 %.
#[test]
#[ignore = "a study: run it with FEELGAUGE_TANKS=300 in release"]
fn power_is_what_is_promised() {
    let n = tanks(100);
    let (mut shown, mut half) = (0, 0);
    for seed in 7001..7001 + n {
        let (before, mut after) = before_after(seed, 1.0);
        let volume = Some(stated(&before, seed));
        let first = day(&before, seed, volume);
        let second = day(&after, seed + 100_000, volume);
        let least = compare(std::slice::from_ref(&first), &[second])
            .minimum_detectable_change
            .unwrap();
        for (share, count) in [(1.0, &mut shown), (0.5, &mut half)] {
            after.leak_rate_pa_m3_s = before.leak_rate_pa_m3_s + share * least;
            let second = day(&after, seed + 100_000, volume);
            let c = compare(std::slice::from_ref(&first), &[second]);
            *count += u32::from(c.change == Some(Change::Worse));
        }
    }
    println!(
        "power, seeds from 7001: {n} pairs, the promised change shown in {shown}, half of it in {half}"
    );
    assert!(
        f64::from(shown) > 0.8 * n as f64 - 3.2 * (0.16 * n as f64).sqrt(),
        "{shown}"
    );
}

/// Without a volume there is no difference in Pa m3/s, but the same verdict and the same ratio.
#[test]
fn a_volume_is_not_needed() {
    let (before, mut after) = before_after(3007, 1.0);
    after.leak_rate_pa_m3_s = 0.2 * before.leak_rate_pa_m3_s.max(3e-3);
    let before = TankScenario {
        leak_rate_pa_m3_s: before.leak_rate_pa_m3_s.max(3e-3),
        ..before
    };
    let both = |volume| {
        let (b, a) = (day(&before, 1, volume), day(&after, 2, volume));
        assert_eq!((code(&b), code(&a)), ("none", "none"));
        compare(&[b], &[a])
    };
    let (with, without) = (both(Some((1e-4, 1e-5))), both(None));
    assert!(with.difference.is_some() && without.difference.is_none());
    assert!(without.minimum_detectable_change.is_none());
    assert_eq!((with.verdict, with.ratio), (without.verdict, without.ratio));
    assert_eq!(without.verdict, Some(Direction::Lower));
    let ratio = without.ratio.unwrap();
    assert!(ratio.lo95 < 0.2 && 0.2 < ratio.hi95, "{ratio:?}");
    assert_eq!(with.more_holds, Some(0));
}

/// What does not belong together is not compared, and why is said.
#[test]
fn what_differs_is_refused() {
    let (before, after) = before_after(3002, 0.1);
    let volume = Some(stated(&before, 3002));
    let (b, a) = (day(&before, 1, volume), day(&after, 2, volume));
    let refused = |b: &LeakFinding, a: &LeakFinding| {
        let c = compare(std::slice::from_ref(b), std::slice::from_ref(a));
        assert!(c.verdict.is_none() && c.difference.is_none() && c.ratio.is_none());
        let refusal = c.refused.unwrap().remove(0);
        assert!(refusal.message.len() > 40);
        refusal.code
    };
    let changed = |change: &dyn Fn(&mut LeakFinding)| {
        let mut a = a.clone();
        change(&mut a);
        a
    };
    assert_eq!(compare(&[], &[]).refused.unwrap()[0].code, "no_usable_hold");
    assert_eq!(
        refused(&b, &changed(&|a| a.p_ref_pa = Some(9e3))),
        "p_ref_differs"
    );
    let lid = changed(&|a| a.regime = Some(Regime::Lid));
    assert_eq!(refused(&b, &lid), "lid_rate_not_calibrated");
    let other = day(&after, 2, volume.map(|(v, _)| (1.5 * v, 0.08 * v)));
    assert_eq!(refused(&b, &other), "volume_differs");
    let mut here = b.clone();
    here.evidence.setup = Some("whole".into());
    let there = changed(&|a| a.evidence.setup = Some("lid_clamped".into()));
    assert_eq!(refused(&here, &there), "setup_differs");
    // A record that gave nothing is left out, and that is said.
    let short = analyze(LeakSettings::without_volume(), &[]);
    let c = compare(&[b.clone(), short], std::slice::from_ref(&a));
    assert_eq!((c.before, c.after, c.refused), (1, 1, None));
    assert!(c.quality.flags.contains(&"record_not_used".into()));
    // The same record twice is no change, and says so.
    let c = compare(std::slice::from_ref(&b), std::slice::from_ref(&b));
    assert_eq!(c.verdict, Some(Direction::Undecided));
    assert!(c.difference.unwrap().value.abs() < 1e-15 && c.difference.unwrap().u > 0.0);
    assert!(c.quality.flags.contains(&"same_record".into()));
}

/// Pressures held by both sides decide where both can be stated.
#[test]
fn one_reference_pressure_for_all() {
    let settled = |p_start: f64, p_end: f64, p_ref: f64| LeakFinding {
        p_start_pa: Some(p_start),
        p_end_pa: Some(p_end),
        p_ref_pa: Some(p_ref),
        ..analyze(LeakSettings::of_volume(1e-4), &[])
    };
    let (a, b) = (settled(20e3, 18e3, 15e3), settled(16e3, 2e3, 12e3));
    assert!((common_p_ref(&[&a, &b]).unwrap() - 12e3).abs() < 1e-9);
    assert!((common_p_ref(&[&a, &a]).unwrap() - 15e3).abs() < 1e-9);
    let far = settled(5e3, 4e3, 3.75e3);
    assert_eq!(
        common_p_ref(&[&a, &far]).unwrap_err().code,
        "pressures_too_far_apart"
    );
    assert_eq!(common_p_ref(&[]).unwrap_err().code, "no_usable_hold");
}

//! Studies of what a record would have shown, of several captures and of before and after. Too long for every run:
//! `FIRST=0 COUNT=40 cargo test --release --test roll depth_study -- --ignored --nocapture`.

use feelgauge::measure::compare::Direction;
use feelgauge::measure::roll::{RollComparison, RollParts, combine, compare};
use feelgauge::physics::drivetrain::{DrivetrainScenario, simulate};
use feelgauge::physics::noise::Noise;
use feelgauge::reading::Verdict;

use super::depth::{find, share, with_snag};

fn env(name: &str, usual: u64) -> u64 {
    std::env::var(name).map_or(usual, |v| v.parse().unwrap())
}

fn drawn(seed: u64, setup: &str) -> DrivetrainScenario {
    let mut car = DrivetrainScenario::drawn_healthy(seed, setup);
    if setup != "straight" && setup != "circle" {
        car.conditions.duration_s = 30.0;
    }
    car
}

fn median(x: &mut [f64]) -> f64 {
    x.sort_by(f64::total_cmp);
    x.get(x.len() / 2).copied().unwrap_or(f64::NAN)
}

/// Snags of the depth that a healthy record of the same car states as detectable: how many are reported?
#[test]
#[ignore = "a study: minutes"]
fn study_detectable_depth() {
    let (first, count) = (env("FIRST", 0), env("COUNT", 10));
    let (mut all, mut of) = (0, 0);
    for (part, setup) in [
        ("ring_f", "straight"),
        ("drive_fl", "straight"),
        ("hub_rl.cage", "straight"),
        ("final_f.pair", "straight"),
        ("spur", "straight"),
        ("pinion_f", "straight"),
        ("bell", "straight"),
        ("bell_inner.cage", "straight"),
        ("ring_f", "one_fl"),
        ("wheel_fl", "one_fl"),
        ("diff_f.planet", "one_fl"),
        ("spur", "one_fl"),
        ("pinion_f", "one_fl"),
        ("bell", "one_fl"),
    ] {
        let (mut depths, mut found, mut never) = (vec![], 0, 0);
        for seed in first..first + count {
            let healthy = drawn(seed, setup);
            let quality = find(&healthy, seed).quality;
            match quality.detectable_depth_by_part.get(part) {
                Some(Some(depth)) => {
                    let finding = find(&with_snag(&healthy, part, *depth, 0.4), seed);
                    found += usize::from(finding.verdict == Some(Verdict::Outside));
                    depths.push(*depth);
                }
                Some(None) => never += 1,
                None => {}
            }
        }
        (all, of) = (all + found, of + depths.len());
        println!(
            "{part} {setup}: reported {found} of {}, without a depth {never}, median depth {:.2}, from {:.2} to {:.2}",
            depths.len(),
            median(&mut depths),
            depths.first().unwrap_or(&f64::NAN),
            depths.last().unwrap_or(&f64::NAN)
        );
    }
    println!("all: {all} of {of}");
}

/// Cars with a snag of depth 0.6 in a part of wheel order, straight first, then the proposed setup or a random one.
#[test]
#[ignore = "a study: minutes"]
fn study_two_captures() {
    let (first, count) = (env("FIRST", 0), env("COUNT", 10));
    let mut p = [0.0; 3];
    let mut alone = [0; 3];
    let mut proposed = std::collections::BTreeMap::<String, u32>::new();
    let mut n = 0;
    let top = |parts: &RollParts, part: &str| {
        let all = parts.parts.as_ref().unwrap();
        all[0].part == part && all[0].probability > all[1].probability + 1e-9
    };
    for seed in first..first + count {
        let part = ["ring_f", "wheel_fl", "drive_fl", "hub_rl.cage", "ring_r"]
            [usize::try_from(seed % 5).unwrap()];
        let rate = if part.contains("cage") { 0.8 } else { 0.4 };
        let capture = |setup: &str, seed: u64| {
            let car = DrivetrainScenario::drawn_healthy(seed % 100_000, setup);
            // a part that stands in a setup leaves it healthy
            let visible = car.train().parts.iter().any(|p| p.name == part);
            let car = if visible {
                with_snag(&car, part, 0.6, rate)
            } else {
                car
            };
            find(&car, seed)
        };
        let straight = capture("straight", seed);
        let one = combine(std::slice::from_ref(&straight));
        let Some(next) = one.next_setup.clone() else {
            continue;
        };
        *proposed.entry(next.setup.clone()).or_default() += 1;
        let others = ["circle", "one_fl", "one_rl", "axle_f"];
        let any = others[usize::try_from(Noise::new(seed, 5).below(4)).unwrap()];
        let second = |setup: &str| {
            let again = capture(setup, seed + 700_000);
            combine(&[straight.clone(), again])
        };
        let all = [one, second(&next.setup), second(any)];
        n += 1;
        for (i, parts) in all.iter().enumerate() {
            p[i] += share(parts, part);
            alone[i] += u32::from(top(parts, part));
        }
        println!(
            "{seed} {part}: {:.2} {} {:.2} {any} {:.2}",
            share(&all[0], part),
            next.setup,
            share(&all[1], part),
            share(&all[2], part)
        );
    }
    println!(
        "{n} cars: mean probability of the true part {:.2} after one, {:.2} with the proposed, {:.2} with a random second; alone on top {alone:?}; proposed {proposed:?}",
        p[0] / f64::from(n),
        p[1] / f64::from(n),
        p[2] / f64::from(n)
    );
}

#[derive(Default)]
struct Tally {
    n: u32,
    refused: u32,
    lower: u32,
    higher: u32,
    faint: u32,
    covered: u32,
    depth_covered: u32,
    depth_ratio: Vec<f64>,
}

fn judge(tally: &mut Tally, c: &RollComparison, truth: f64, depth: f64) {
    tally.n += 1;
    let Some(difference) = c.difference else {
        tally.refused += 1;
        return;
    };
    tally.lower += u32::from(c.verdict == Direction::Lower);
    tally.higher += u32::from(c.verdict == Direction::Higher);
    tally.faint += u32::from(c.quality.undecided_because.as_deref() == Some("detectable_depth"));
    tally.covered += u32::from(difference.lo95 <= truth && truth <= difference.hi95);
    if let Some(d) = c.depth_before {
        tally.depth_covered += u32::from(d.lo95 <= depth && depth <= d.hi95);
        tally.depth_ratio.push(d.value / depth);
    }
}

/// The same car twice, and repaired: size and power of a comparison, cover of difference and depth.
#[test]
#[ignore = "a study: minutes"]
fn study_before_and_after() {
    let (first, count) = (env("FIRST", 0), env("COUNT", 10));
    for (part, setup, rate) in [
        ("ring_f", "straight", 0.4),
        ("hub_rl.cage", "straight", 0.8),
        ("ring_f", "one_fl", 0.4),
        ("spur", "straight", 0.4),
    ] {
        for depth in [0.8, 1.2, 2.0] {
            let (mut same, mut repaired) = (Tally::default(), Tally::default());
            for seed in first..first + count {
                let car = DrivetrainScenario::drawn_healthy(seed, setup);
                let snagged = with_snag(&car, part, depth, rate);
                let before = find(&snagged, seed);
                let again = find(&snagged, seed + 500_000);
                let healthy = find(&car, seed + 500_000);
                let share = |seed: u64| simulate(&snagged, seed).truth.snag.unwrap().hit_rate;
                let (h0, h1) = (share(seed), share(seed + 500_000));
                let before = std::slice::from_ref(&before);
                judge(&mut same, &compare(before, &[again]), h1 - h0, depth);
                judge(&mut repaired, &compare(before, &[healthy]), -h0, depth);
            }
            for (what, mut t) in [("same", same), ("repaired", repaired)] {
                let seen = t.n - t.refused;
                println!(
                    "{part} {setup} {depth} {what}: {} of {} compared, lower {} higher {} too faint {}, difference covered {}, depth covered {}, depth over truth {:.2}",
                    seen,
                    t.n,
                    t.lower,
                    t.higher,
                    t.faint,
                    t.covered,
                    t.depth_covered,
                    median(&mut t.depth_ratio)
                );
            }
        }
    }
}

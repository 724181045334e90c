//! The blind search: against astropy on a star's light curve, on trains that were put in, on records without a snag.

use std::process::{Command, Output};

use feelgauge::measure::roll::blind::{Blind, BlindOrder, Rhythm, fold_search, strongest};
use feelgauge::measure::roll::{Roll, RollFinding};
use feelgauge::physics::drivetrain::{
    Conditions, DrivetrainScenario, SnagScenario, random_car, simulate,
};
use feelgauge::physics::noise::Noise;
use feelgauge::reading::{Quality, Verdict};

/// Runs a reference script on a file of tests/data; none, with the reason, where Python or its packages are missing.
fn reference(script: &str, file: &str) -> Option<String> {
    let python = std::env::var("FEELGAUGE_PYTHON").unwrap_or_else(|_| "python3".into());
    let root = env!("CARGO_MANIFEST_DIR");
    let run = Command::new(&python)
        .arg(format!("{root}/tests/reference/{script}"))
        .arg(format!("{root}/tests/data/{file}"))
        .output();
    let why = match run {
        Ok(Output { status, stdout, .. }) if status.success() => {
            return Some(String::from_utf8_lossy(&stdout).into_owned());
        }
        Ok(Output { stderr, .. }) => {
            let text = String::from_utf8_lossy(&stderr).into_owned();
            text.lines().last().unwrap_or_default().to_owned()
        }
        Err(e) => e.to_string(),
    };
    let missing = ["No module named", "No such file"]
        .iter()
        .any(|m| why.contains(m));
    assert!(
        missing && std::env::var_os("CI_REQUIRED").is_none(),
        "{script}: {why}"
    );
    eprintln!("SKIPPED: {script} needs Python with numpy and astropy: {why}");
    None
}

/// Days and flux of the star, the flux over its running median of 75 points.
fn star() -> (Vec<f64>, Vec<f64>) {
    let text = include_str!("../data/starlight_201367065.csv");
    let row = |line: &str| -> Option<(f64, f64)> {
        let (day, flux) = line.split_once(',')?;
        Some((day.parse().ok()?, flux.parse().ok()?))
    };
    let (days, flux): (Vec<f64>, Vec<f64>) = text.lines().filter_map(row).unzip();
    let level = |k: usize| {
        let mut near = flux[k.saturating_sub(37)..(k + 38).min(flux.len())].to_vec();
        near.sort_by(f64::total_cmp);
        f64::midpoint(near[(near.len() - 1) / 2], near[near.len() / 2])
    };
    let flat = (0..flux.len()).map(|k| flux[k] / level(k)).collect();
    (days, flat)
}

/// Width of a bin, days: a dip lasts about 0.1.
const BIN_DAYS: f64 = 0.1;

/// Score and information of a unit dip in every bin, from the points that `keep` lets in.
fn gridded(days: &[f64], flux: &[f64], keep: &[bool]) -> (Vec<f64>, Vec<f64>) {
    let mut off: Vec<f64> = flux.iter().map(|f| (f - 1.0).abs()).collect();
    off.sort_by(f64::total_cmp);
    let sd = 1.4826 * off[off.len() / 2];
    #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)] // a count of bins
    let bin = |day: f64| ((day - days[0]) / BIN_DAYS) as usize;
    let n = bin(days[days.len() - 1]) + 1;
    let (mut u, mut i) = (vec![0.0; n], vec![0.0; n]);
    for ((day, flux), _) in days.iter().zip(flux).zip(keep).filter(|(_, keep)| **keep) {
        u[bin(*day)] += (1.0 - flux) / (sd * sd);
        i[bin(*day)] += 1.0 / (sd * sd);
    }
    (u, i)
}

/// Rhythms with periods of `low..high` days.
fn rhythms(u: &[f64], i: &[f64], low: f64, high: f64) -> Vec<Rhythm> {
    let mut all = Vec::new();
    let mut shortest = 16;
    while shortest < u.len() {
        let trials = fold_search(u, i, shortest).into_iter();
        all.extend(trials.map(|trial| Rhythm::of(trial, BIN_DAYS)));
        shortest *= 2;
    }
    all.retain(|r| 1.0 / high <= r.order && r.order <= 1.0 / low);
    all
}

/// Published periods (Crossfield et al. 2015 and later work; the digits from memory): 10.05402, 24.6454, 44.5631 days.
const PUBLISHED_DAYS: [f64; 3] = [10.05402, 24.6454, 44.5631];

/// K2-3 in the light curve EPIC 201367065. A period is known to a bin over the whole curve, P x 0.1 d / 80 d.
#[test]
fn dips_of_a_star_have_the_periods_that_astropy_finds() {
    let (days, flux) = star();
    assert_eq!(days.len(), 3632);
    let length = days[days.len() - 1] - days[0];
    let astropy: Option<Vec<f64>> =
        reference("star_bls.py", "starlight_201367065.csv").map(|text| {
            let period = |line: &str| line.split(' ').next().unwrap().parse().unwrap();
            text.lines().map(period).collect()
        });
    let mut keep = vec![true; days.len()];
    for (n, (low, high)) in [(2.0, 30.0), (20.0, 30.0), (35.0, 60.0)]
        .into_iter()
        .enumerate()
    {
        let (u, i) = gridded(&days, &flux, &keep);
        let wide = rhythms(&u, &i, 1.6, length);
        let within = rhythms(&u, &i, low, high);
        let found = &strongest(&within, length, 1, 0.0)[0];
        let period = 1.0 / found.order_per_sensor_turn;
        let half_width = period * BIN_DAYS / length;
        println!("{period} +-{half_width} z {} astropy {astropy:?}", found.z);
        // the third has two dips, 44.5 days apart: its period is known to a bin between them
        let half_width = half_width.max(if n == 2 { BIN_DAYS } else { 0.0 });
        assert!((period - PUBLISHED_DAYS[n]).abs() <= half_width, "{period}");
        if let Some(astropy) = &astropy {
            assert!(
                (period - astropy[n]).abs() <= half_width,
                "{period} {astropy:?}"
            );
        }
        if n == 0 {
            let all = strongest(&wide, length, 1, 0.0);
            let first = &all[0];
            assert!((first.order_per_sensor_turn - found.order_per_sensor_turn).abs() < 1e-12);
            named_as_rivals(first, 0.55);
        }
        let first = found.phase_deg / 360.0 * period + days[0];
        for (day, keep) in days.iter().zip(&mut keep) {
            let off = (day - first + period / 2.0).rem_euclid(period) - period / 2.0;
            *keep &= off.abs() > 0.25;
        }
    }
}

/// Half and twice the order stand among the rivals, each at least this share as strong. A train of n events has n/2 at
/// half its order and n events in 2n places at twice: 0.71 of its strength.
fn named_as_rivals(found: &BlindOrder, share: f64) {
    for times in [0.5, 2.0] {
        let rival = found.rivals.iter().find(|r| (r.times - times).abs() < 1e-9);
        let z = rival.unwrap().z.unwrap();
        assert!(
            z > share * found.z && z < found.z,
            "{times}: {z} of {}",
            found.z
        );
    }
}

/// White noise with a train in it, turn unit 1, bins of 1/64.
fn white(noise: &mut Noise, n: usize, order: f64, z: f64) -> (Vec<f64>, Vec<f64>) {
    let i = vec![1.0; n];
    let mut u: Vec<f64> = (0..n).map(|_| noise.normal()).collect();
    let events = n as f64 / 64.0 * order;
    let size = z / events.sqrt();
    let mut at = 0.37 / order;
    while at * 64.0 < n as f64 {
        #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)] // a bin
        let bin = (at * 64.0) as usize;
        u[bin] += size;
        at += 1.0 / order;
    }
    (u, i)
}

#[test]
fn trains_put_into_white_noise_are_found_with_their_rivals() {
    let mut noise = Noise::new(1, 1);
    let n = 64 * 300;
    for order in [0.31, 0.77, 1.0, 1.6, 2.37, 3.1] {
        let (u, i) = white(&mut noise, n, order, 16.0);
        let mut all: Vec<Rhythm> = Vec::new();
        for shortest in [16, 32, 64, 128, 256] {
            let trials = fold_search(&u, &i, shortest).into_iter();
            all.extend(trials.map(|t| Rhythm::of(t, 1.0 / 64.0)));
        }
        let found = &strongest(&all, 300.0, 16, 0.0)[0];
        let off = (found.order_per_sensor_turn - order).abs();
        println!("{order}: {found:?}");
        assert!(off <= found.order_half_width, "{order}: {found:?}");
        let phase = found.phase_deg / 360.0;
        // a bin is up to 1/16 of a period, the best phase may be the one beside it
        let away = (phase - 0.37 + 0.5).rem_euclid(1.0) - 0.5;
        assert!(away.abs() < 0.13, "{order}: phase {phase}");
        if order < 2.0 {
            named_as_rivals(found, 0.5);
        }
    }
}

fn blind(scenario: &DrivetrainScenario, magnets: u32, seed: u64) -> RollFinding {
    let mut roll = Roll::blind(magnets);
    for edge in simulate(scenario, seed).readings {
        roll.push(edge);
    }
    roll.finish(Quality::default())
}

fn hints(finding: &RollFinding) -> &Blind {
    finding.blind.as_ref().unwrap()
}

#[test]
fn a_rhythm_is_no_finding() {
    let mut car = DrivetrainScenario::plover_healthy();
    car.conditions = without_ripple(car.conditions);
    let car = car.with_snag(SnagScenario {
        part: "ring_f".into(),
        depth: 1.6,
        hit_rate: 0.8,
        burst: None,
    });
    let finding = blind(&car.unwrap(), 6, 1);
    let best = &hints(&finding).orders[0];
    let off = (best.order_per_sensor_turn - 22.0 / 41.0).abs();
    assert!(off <= best.order_half_width, "{best:?}");
    named_as_rivals(best, 0.5);
    assert_eq!(finding.verdict, Some(Verdict::Undecided));
    let json = serde_json::to_value(&finding).unwrap();
    assert!(json["false_alarm_probability"].is_null() && json["refused"].is_null());
    assert!(json["snags"].as_array().unwrap().is_empty());
    assert!(json["suspects"].as_array().unwrap().is_empty());
    let order = &json["blind"]["orders"][0];
    assert!(order["z"].as_f64().unwrap() > 6.0 && order["phase_deg"].is_number());
    assert_eq!(order["rivals"].as_array().unwrap().len(), 3);
    assert!(json["blind"]["trials"].as_u64().unwrap() > 1000);
}

/// Twice the order of a snag holds all its hits as well: of cars with twelve magnets whose parts are all round and whose ring gear
/// snags in half its turns, the first order is the snag's own to 1 % or a quarter of a cycle over the record.
/// (40 of 40, without the rule 35, three of them twice; the kind of car was picked because the rule mattered there, the bounds after the run.)
#[test]
fn the_first_order_is_that_of_the_hits() {
    let (mut right, mut twice) = (0, 0);
    for seed in SEEDS {
        let mut car = DrivetrainScenario::new(&random_car(seed, 12), "straight", None).unwrap();
        let drawn = DrivetrainScenario::drawn_healthy(seed, "straight").conditions;
        car.conditions = without_ripple(drawn);
        let car = car.with_snag(SnagScenario {
            part: "ring_r".into(),
            depth: 1.0,
            hit_rate: 0.5,
            burst: None,
        });
        let car = car.unwrap();
        let truth = simulate(&car, seed).truth;
        let order = truth.snag.unwrap().order;
        let first = hints(&blind(&car, 12, seed)).orders[0].order_per_sensor_turn;
        let is = |times: f64| {
            (first - times * order).abs() < (0.01 * times * order).max(0.25 / truth.turns)
        };
        right += u32::from(is(1.0));
        twice += u32::from(is(2.0));
    }
    println!("{right} right, {twice} twice the order");
    assert!(right >= 38 && twice == 0, "{right} {twice}");
}

/// Cars that were not looked at when the rule was chosen.
const SEEDS: std::ops::Range<u64> = 41_000..41_040;

/// A car whose parts are all round: what is left is drag, noise and the hand.
fn without_ripple(conditions: Conditions) -> Conditions {
    Conditions {
        torque_ripple: 0.0,
        tooth_ripple: 0.0,
        angle_ripple: 0.0,
        joint_bend_deg: 0.0,
        ..conditions
    }
}

/// Largest Z of healthy records, sorted.
fn nulls(count: u64, ripple: bool) -> Vec<f64> {
    let mut all: Vec<f64> = (0..count)
        .map(|seed| {
            let mut car = DrivetrainScenario::drawn_healthy(1000 + seed, "straight");
            if !ripple {
                car.conditions = without_ripple(car.conditions);
            }
            hints(&blind(&car, 8, seed)).orders[0].z
        })
        .collect();
    all.sort_by(f64::total_cmp);
    all
}

/// An earlier prototype had a median of 4.1, 95 % at 6.2 and at most 10.8 over 92 records; noise within the intervals, which it did not
/// allow for, makes it 3.4 here.
#[test]
fn rhythms_of_round_healthy_cars_are_as_weak_as_chance() {
    let all = nulls(20, false);
    println!("Z without ripple: {all:?}");
    let median = f64::midpoint(all[9], all[10]);
    assert!((3.2..5.0).contains(&median), "median {median}");
    assert!(all[19] < 11.0, "{}", all[19]);
}

/// `COUNT=92 cargo test --release --test roll blind_nulls -- --ignored --nocapture`
#[test]
#[ignore = "a study: healthy records with and without ripple"]
fn blind_nulls() {
    let count = std::env::var("COUNT").map_or(92, |c| c.parse().unwrap());
    for ripple in [false, true] {
        let all = nulls(count, ripple);
        let at = |share: usize| all[(all.len() - 1) * share / 100];
        println!(
            "ripple {ripple}: {count} records, median {:.1}, 95 % {:.1}, max {:.1}",
            at(50),
            at(95),
            at(100)
        );
    }
}

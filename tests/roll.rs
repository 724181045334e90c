//! The roll measure from outside: injected snags, healthy records, faulty edges.
#![allow(clippy::unwrap_used)] // in a test an unwrap is an assertion

#[path = "roll/beside.rs"]
mod beside;
#[path = "roll/blind.rs"]
mod blind;
#[path = "roll/car.rs"]
mod car;
#[path = "roll/contradict.rs"]
mod contradict;
#[path = "roll/depth.rs"]
mod depth;
#[path = "roll/depth_study.rs"]
mod depth_study;
#[path = "roll/guide.rs"]
mod guide;
#[path = "roll/guide_study.rs"]
mod guide_study;
#[path = "roll/long.rs"]
mod long;
#[path = "roll/lost.rs"]
mod lost;
#[path = "roll/missed.rs"]
mod missed;
#[path = "roll/named.rs"]
mod named;
#[path = "roll/several.rs"]
mod several;
#[path = "roll/study.rs"]
mod study;
#[path = "roll/turned.rs"]
mod turned;

use car::{Car, Ripple, Snag};
use feelgauge::measure::roll::{Roll, RollFinding, RollSettings, SNAG_FALSE_ALARM};
use feelgauge::physics::drivetrain::DrivetrainScenario;
use feelgauge::physics::noise::Noise;
use feelgauge::reading::{Edge, Quality, Verdict};
use feelgauge::vehicle::{Train, Vehicle};

const PLOVER: &str = include_str!("roll/plover-8.toml");

fn train(setup: &str) -> Train {
    let vehicle = Vehicle::parse(PLOVER).unwrap();
    vehicle.train(Some(setup), None).unwrap()
}

fn find(train: &Train, edges_us: &[u64]) -> RollFinding {
    let mut roll = Roll::new(RollSettings::new(train.clone()));
    for &t_us in edges_us {
        roll.push(Edge {
            t_us,
            sensor: 0,
            after_gap: false,
        });
    }
    roll.finish(Quality::default())
}

/// A front wheel on a stand: ripple of spur, ring and wheel.
fn on_stand() -> Car {
    let ripple = |order, torque, angle, phases| Ripple {
        order,
        torque,
        angle,
        phases,
    };
    Car {
        magnets: 6,
        misplaced: 0.004,
        jitter_s: 8e-6,
        drag: (3.0, 0.08),
        push: (14.0, 0.7),
        low: 2.5,
        length_s: 30.0,
        ripple: vec![
            ripple(0.53659, 0.02, 0.0, [0.1, 0.0]),
            ripple(1.07317, 0.01, 0.002, [0.3, 0.2]),
            ripple(1.0, 0.02, 0.0, [0.7, 0.5]),
        ],
        snag: None,
    }
}

fn with_snag(train: &Train, part: &str, depth: f64, rate: f64) -> Car {
    let order = train.parts.iter().find(|p| p.name == part).unwrap().order;
    Car {
        snag: Some(Snag {
            order,
            depth,
            rate,
            phase: 0.3,
        }),
        ..on_stand()
    }
}

fn refusal(finding: &RollFinding) -> Option<&str> {
    let refused = finding.refused.as_ref()?;
    Some(refused.first()?.code.as_str())
}

#[test]
fn a_snag_is_found_with_its_part_its_phase_and_its_hits() {
    let train = train("one_fl");
    for (seed, part, depth) in [
        (1, "ring_f", 1.0),
        (2, "drive_fl", 6.0),
        (3, "wheel_fl", 1.5),
    ] {
        let record = with_snag(&train, part, depth, 0.4).run(seed);
        let finding = find(&train, &record.edges_us);
        assert_eq!(finding.verdict, Some(Verdict::Outside), "{part}");
        let snags = finding.snags.unwrap();
        assert_eq!(snags.len(), 1);
        let snag = &snags[0];
        assert_eq!(snag.part, part, "{:?}", snag.suspects);
        assert!(snag.false_alarm_probability < 0.01 && snag.probability > 0.5);
        let off = (snag.phase_deg - record.phase_deg + 180.0).rem_euclid(360.0) - 180.0;
        // the document measured 90 % within 11 degrees
        assert!(
            off.abs() < 15.0,
            "{part}: phase {} {}",
            snag.phase_deg,
            record.phase_deg
        );
        let share =
            record.events.iter().filter(|e| e.1).count() as f64 / record.events.len() as f64;
        assert!(snag.hit_rate.lo95 <= share && share <= snag.hit_rate.hi95);
        let (right, wrong) = right_and_wrong(snag, &record);
        println!(
            "{part}: {right} right, {wrong} wrong, ln B {:?}",
            finding.quality.ln_bayes
        );
        // joints meet every third edge here: two neighbouring hits blur; of wheels ten records are asked below
        let least = if part == "ring_f" { 4 } else { 2 };
        assert!(
            right > least * wrong,
            "{part}: {right} right, {wrong} wrong"
        );
    }
}

/// Turns of a snag that are told rightly, hit or not, and the others.
fn right_and_wrong(snag: &feelgauge::measure::roll::Snag, record: &car::Record) -> (u32, u32) {
    let (mut right, mut wrong) = (0, 0);
    for hit in &snag.hits {
        let near = |t: f64| (t - hit.t_s).abs();
        let events = record.events.iter();
        let nearest = events.min_by(|a, b| near(a.0).total_cmp(&near(b.0)));
        if (hit.hit > 0.5) == nearest.unwrap().1 {
            right += 1;
        } else {
            wrong += 1;
        }
    }
    (right, wrong)
}

/// Over 30 records 5.8 turns were told rightly for each that was not; a single one may have 3.4.
#[test]
fn most_turns_of_a_wheel_are_told_rightly() {
    let train = train("one_fl");
    let (mut right, mut wrong) = (0, 0);
    for seed in 3..13 {
        let record = with_snag(&train, "wheel_fl", 1.5, 0.4).run(seed);
        let finding = find(&train, &record.edges_us);
        if let Some(snag) = finding.snags.iter().flatten().next() {
            let (r, w) = right_and_wrong(snag, &record);
            (right, wrong) = (right + r, wrong + w);
        }
    }
    println!("{right} right, {wrong} wrong");
    assert!(
        right > 1000 && f64::from(right) > 4.5 * f64::from(wrong),
        "{right} {wrong}"
    );
}

#[test]
fn a_healthy_car_is_not_accused() {
    let train = train("one_fl");
    let mut mean = 0.0;
    for seed in 10..16 {
        let record = on_stand().run(seed);
        let finding = find(&train, &record.edges_us);
        assert_eq!(finding.verdict, Some(Verdict::Undecided), "seed {seed}");
        assert_eq!(finding.snags.as_deref(), Some(&[][..]));
        assert!(finding.false_alarm_probability.unwrap() > SNAG_FALSE_ALARM);
        let sum: f64 = finding
            .suspects
            .unwrap()
            .iter()
            .map(|s| s.probability)
            .sum();
        assert!((sum - 1.0).abs() < 1e-9);
        mean += libm::exp(finding.quality.ln_bayes.unwrap()) / 6.0;
        let spacing = finding.quality.spacing.unwrap();
        for (found, truth) in spacing.iter().zip(&record.spacing) {
            // 0.043 degrees were measured in 60 s at speed; this record is half as long and slow
            assert!(
                (found - truth).abs() * 360.0 < 0.3,
                "{spacing:?} {:?}",
                record.spacing
            );
        }
    }
    assert!(mean < 1.0, "mean Bayes factor of healthy records {mean}");
}

/// Energy that comes and goes within an interval delays its end more than the same at its end. Three times the usual rattle: at
/// a claim of 1 % one of 12 may alarm by bad luck, half of them did when that was left out.
#[test]
fn a_healthy_car_that_rattles_is_not_accused() {
    let mut accused = Vec::new();
    for seed in 40_000..40_012 {
        let setup = if seed % 2 == 0 { "one_fl" } else { "one_rl" };
        let mut scenario = DrivetrainScenario::drawn_healthy(seed, setup);
        scenario.conditions.duration_s = 60.0;
        scenario.conditions.rattle *= 3.0;
        let finding = depth::find(&scenario, seed);
        if finding.snags.is_some_and(|snags| !snags.is_empty()) {
            accused.push(seed);
        }
    }
    assert!(accused.len() <= 2, "{accused:?}");
}

#[test]
fn nothing_depends_on_where_the_clock_starts_or_on_doubled_edges() {
    let train = train("one_fl");
    let record = with_snag(&train, "ring_f", 1.0, 0.4).run(1);
    let plain = find(&train, &record.edges_us);
    // far beyond the 32 bits of a probe's clock
    let shift = 3_000_000_000_000;
    let later: Vec<u64> = record.edges_us.iter().map(|t| t + shift).collect();
    let moved = find(&train, &later);
    assert_eq!(moved.suspects, plain.suspects);
    assert_eq!(moved.false_alarm_probability, plain.false_alarm_probability);
    let (a, b) = (plain.snags.clone().unwrap(), moved.snags.unwrap());
    assert_eq!(a[0].hits.len(), b[0].hits.len());
    for (a, b) in a[0].hits.iter().zip(&b[0].hits) {
        assert_eq!((a.turn, a.hit.to_bits()), (b.turn, b.hit.to_bits()));
        assert!((a.t_s + 3e6 - b.t_s).abs() < 1e-6);
    }
    let mut doubled = Vec::new();
    for (i, t) in record.edges_us.iter().enumerate() {
        doubled.push(*t);
        if i % 3 == 0 {
            doubled.push(*t);
        }
        if i % 50 == 7 {
            doubled.push(t - 1000);
        }
    }
    let mut same = find(&train, &doubled);
    assert!(same.quality.edges_dropped > 500);
    same.quality.edges_dropped = 0;
    assert_eq!(same, plain);
}

#[test]
fn missed_and_bounced_edges_do_not_hide_a_snag() {
    let train = train("one_fl");
    let record = with_snag(&train, "ring_f", 1.5, 0.5).run(4);
    let mut edges = Vec::new();
    for (i, t) in record.edges_us.iter().enumerate() {
        if i % 211 != 100 {
            edges.push(*t);
        }
        if i % 173 == 60 {
            edges.push(t + 350);
        }
    }
    let finding = find(&train, &edges);
    let snags = finding.snags.unwrap();
    assert_eq!(snags.len(), 1);
    assert_eq!(snags[0].part, "ring_f");
    assert!(finding.quality.edges_missed >= 5 && finding.quality.edges_dropped >= 5);
}

#[test]
fn too_little_is_refused_with_what_to_do() {
    let train = train("one_fl");
    let record = on_stand().run(5);
    let short = &record.edges_us[..];
    for edges in [&[][..], &short[..1], &short[..17], &short[..40]] {
        let finding = find(&train, edges);
        assert_eq!(
            refusal(&finding),
            Some("no_free_rolling"),
            "{} edges",
            edges.len()
        );
        assert_eq!((finding.verdict, finding.snags.clone()), (None, None));
        assert_eq!(finding.false_alarm_probability, None);
        let json = serde_json::to_value(&finding).unwrap();
        assert!(json["snags"].is_null() && json["verdict"].is_null());
        assert!(
            json["refused"][0]["message"]
                .as_str()
                .unwrap()
                .contains("let go")
        );
    }
    // a car whose only visible part turns slowly
    let mut slow = train.clone();
    slow.parts.retain(|p| p.name == "final_f.pair");
    let edges = &short[..short.len() / 6];
    let finding = find(&slow, edges);
    assert_eq!(
        refusal(&finding),
        Some("too_few_turns"),
        "{:?}",
        finding.quality
    );
}

#[test]
fn a_hand_that_turns_all_the_time_is_no_free_rolling() {
    // steady within 1 %: cranking
    let mut t = 1e6;
    let mut edges = Vec::new();
    for i in 0..3000u32 {
        t += 30_000.0 * (1.0 + 0.01 * libm::sin(f64::from(i) * 0.37));
        #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
        edges.push(t as u64);
    }
    let finding = find(&train("one_fl"), &edges);
    assert_eq!(refusal(&finding), Some("no_free_rolling"));
}

/// The cars of tests/data/spacing_edges.csv.
fn plover_with_eight_magnets() -> String {
    PLOVER.replace("magnets=6", "magnets=8")
}

/// Numbers of a table `record,...,number` by record.
fn by_record(text: &str) -> Vec<Vec<f64>> {
    let mut records: Vec<Vec<f64>> = Vec::new();
    for line in text.lines().skip(1) {
        let (record, rest) = line.split_once(',').unwrap();
        let record: usize = record.parse().unwrap();
        if record == records.len() {
            records.push(Vec::new());
        }
        let number = rest.rsplit(',').next().unwrap();
        records[record].push(number.parse().unwrap());
    }
    records
}

// Edges simulated, answers of the published method (tests/reference/spacing.py) on the very same edges.
#[test]
fn spacing_is_as_close_as_the_published_method() {
    let edges = by_record(include_str!("data/spacing_edges.csv"));
    let truth = by_record(include_str!("data/spacing_truth.csv"));
    let published = by_record(include_str!("data/spacing_published.csv"));
    let (mut ours, mut theirs) = (0.0, 0.0);
    let vehicle = Vehicle::parse(&plover_with_eight_magnets()).unwrap();
    let train = vehicle.train(Some("straight"), None).unwrap();
    for ((edges, truth), published) in edges.iter().zip(&truth).zip(&published) {
        #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)] // whole microseconds
        let edges: Vec<u64> = edges.iter().map(|t| *t as u64).collect();
        let finding = find(&train, &edges);
        let spacing = finding.quality.spacing.unwrap();
        let square = |found: &[f64]| -> f64 {
            let off = found.iter().zip(truth).map(|(f, t)| 360.0 * (f - t));
            off.map(|o| o * o).sum()
        };
        ours += square(&spacing);
        theirs += square(published);
    }
    println!(
        "rms error of one spacing, degrees: ours {:.4}, published {:.4}",
        (ours / 80.0).sqrt(),
        (theirs / 80.0).sqrt()
    );
    assert!(ours <= theirs);
}

/// Every number of a finding is a number, and every probability one of a probability's.
fn assert_sound(finding: &RollFinding, what: &str) {
    let json = serde_json::to_value(finding).unwrap();
    if finding.refused.is_some() {
        assert!(
            json["suspects"].is_null() && json["verdict"].is_null(),
            "{what}"
        );
        return;
    }
    let share = |v: &serde_json::Value| (0.0..=1.0).contains(&v.as_f64().unwrap());
    assert!(share(&json["false_alarm_probability"]), "{what}");
    assert!(json["quality"]["ln_bayes"].is_number(), "{what}");
    assert!(
        json["quality"]["jitter_us"].as_f64().unwrap() > 0.0,
        "{what}"
    );
    assert!(share(&json["quality"]["coast_share"]), "{what}");
    for spacing in json["quality"]["spacing"].as_array().unwrap() {
        assert!(spacing.is_number(), "{what}");
    }
    for suspect in json["suspects"].as_array().unwrap() {
        assert!(
            share(&suspect["probability"]) && suspect["ln_bayes"].is_number(),
            "{what}"
        );
    }
    for snag in json["snags"].as_array().unwrap() {
        assert!(snag["hit_rate"]["u"].as_f64().unwrap() > 0.0, "{what}");
        assert!(
            (0.0..360.0).contains(&snag["phase_deg"].as_f64().unwrap()),
            "{what}"
        );
        for hit in snag["hits"].as_array().unwrap() {
            assert!(share(&hit["hit"]) && hit["t_s"].is_number(), "{what}");
        }
    }
}

#[test]
fn nonsense_neither_panics_nor_gives_nonsense() {
    for magnets in [1, 2, 6, 64] {
        for (case, seed) in (0..6).flat_map(|c| [(c, 1), (c, 2)]) {
            let mut noise = Noise::new(seed, u64::from(magnets));
            let mut t = if case == 5 { u64::MAX / 2 } else { 0 };
            let mut edges = Vec::new();
            for i in 0..700u64 {
                let gap = match case {
                    0 => 1 + noise.below(100_000),
                    1 => 1,
                    2 => 20_000 + 30 * i,
                    3 => 10_000 + (i % 97) * 700 + noise.below(50),
                    4 if i % 200 == 199 => 7_200_000_000,
                    4 => 9_000 + 40 * (i % 200) + noise.below(40),
                    _ => 15_000 + 25 * (i % 350),
                };
                t += gap;
                edges.push(t);
            }
            let what = format!("{magnets} magnets, case {case}, seed {seed}");
            for name in ["straight", "one_fl"] {
                let train = Train {
                    magnets,
                    ..train(name)
                };
                assert_sound(&find(&train, &edges), &what);
            }
        }
    }
}

#[test]
fn one_magnet_and_sixty_four_do() {
    for (magnets, setup, part) in [(1, "straight", "ring_f"), (64, "one_fl", "ring_f")] {
        let text = PLOVER.replace("magnets=6", &format!("magnets={magnets}"));
        let train = Vehicle::parse(&text)
            .unwrap()
            .train(Some(setup), None)
            .unwrap();
        let mut car = with_snag(&train, part, 3.0, 0.4);
        car.magnets = usize::try_from(magnets).unwrap();
        car.misplaced = 0.1 * 0.02 / f64::from(magnets);
        let record = car.run(6);
        let finding = find(&train, &record.edges_us);
        assert_sound(&finding, part);
        println!(
            "{magnets}: {:?} {:?}",
            finding.false_alarm_probability, finding.quality.ln_bayes
        );
        let snags = finding.snags.unwrap();
        assert_eq!(snags.len(), 1, "{magnets} magnets");
        let group = &snags[0].suspects[0];
        let found = snags[0].suspects.iter().find(|s| s.part == part).unwrap();
        assert!(
            (found.probability - group.probability).abs() < 1e-9,
            "{magnets}: {:?}",
            snags[0].suspects
        );
    }
}

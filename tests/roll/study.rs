//! Studies over simulated cars: false alarms, detection, naming, hits. Too long for every run:
//! `FIRST=0 COUNT=40 cargo test --release --test roll study -- --ignored --nocapture`.

use std::fmt::Write as _;

use feelgauge::measure::roll::{RollFinding, Snag};
use feelgauge::physics::Simulated;
use feelgauge::physics::drivetrain::{
    DrivetrainScenario, DrivetrainTruth, SnagScenario, SnagTruth, simulate,
};
use feelgauge::reading::Edge;

use super::{find, plover_with_eight_magnets};

pub fn env(name: &str, usual: u64) -> u64 {
    std::env::var(name).map_or(usual, |v| v.parse().unwrap())
}

fn run(scenario: &DrivetrainScenario, seed: u64) -> (RollFinding, DrivetrainTruth) {
    let Simulated { readings, truth } = simulate(scenario, seed);
    let edges: Vec<u64> = readings.iter().map(|e: &Edge| e.t_us).collect();
    (find(scenario.train(), &edges), truth)
}

/// Median of the present part's Bayes factor and words on one record.
fn line(seed: u64, what: &str, finding: &RollFinding) -> String {
    let q = &finding.quality;
    let top = finding
        .suspects
        .as_ref()
        .map_or("-", |s| s[0].part.as_str());
    format!(
        "{seed} {what} alarm {:.4} lnB {:.2} top {top} jitter {:.1} coast {:.2} turns {:.0} missed {} dropped {}",
        finding.false_alarm_probability.unwrap_or(f64::NAN),
        q.ln_bayes.unwrap_or(f64::NAN),
        q.jitter_us.unwrap_or(f64::NAN),
        q.coast_share.unwrap_or(f64::NAN),
        q.turns.unwrap_or(f64::NAN),
        q.edges_missed,
        q.edges_dropped
    )
}

#[test]
#[ignore = "a study: minutes"]
fn study_false_alarms() {
    let (first, count) = (env("FIRST", 0), env("COUNT", 10));
    for setup in ["straight", "circle", "one_fl", "one_rl", "axle_f"] {
        let (mut b, mut n, mut alarms, mut refused) = (0.0, 0u32, [0; 4], 0);
        for seed in first..first + count {
            let mut scenario = DrivetrainScenario::drawn_healthy(seed, setup);
            if setup != "straight" {
                scenario.conditions.duration_s = 30.0;
            }
            let (finding, _) = run(&scenario, seed);
            println!("{}", line(seed, setup, &finding));
            let Some(p) = finding.false_alarm_probability else {
                refused += 1;
                continue;
            };
            for (alarms, level) in alarms.iter_mut().zip([0.1, 0.03, 0.01, 0.003]) {
                *alarms += u32::from(p <= level);
            }
            b += libm::exp(finding.quality.ln_bayes.unwrap());
            n += 1;
        }
        println!(
            "{setup}: {n} records, {refused} refused, at 10, 3, 1, 0.3 %: {alarms:?}, mean B {:.3}",
            b / f64::from(n.max(1))
        );
    }
}

/// Hits: true, false and missed ones among the turns that could be seen.
fn hits(snag: &Snag, truth: &SnagTruth) -> [u32; 3] {
    let mut out = [0; 3];
    for hit in &snag.hits {
        let nearest = truth
            .events
            .iter()
            .min_by(|a, b| (a.t_s - hit.t_s).abs().total_cmp(&(b.t_s - hit.t_s).abs()))
            .unwrap();
        match (hit.hit > 0.5, nearest.hit) {
            (true, true) => out[0] += 1,
            (true, false) => out[1] += 1,
            (false, true) => out[2] += 1,
            (false, false) => {}
        }
    }
    out
}

#[derive(Default)]
struct Tally {
    n: u32,
    found: u32,
    right: u32,
    refused: u32,
    claimed: f64,
    hits: [u32; 3],
    covered: u32,
    phases: Vec<f64>,
}

fn judge(tally: &mut Tally, finding: &RollFinding, truth: &SnagTruth) {
    tally.n += 1;
    tally.refused += u32::from(finding.refused.is_some());
    let Some(snag) = finding.snags.iter().flatten().next() else {
        return;
    };
    tally.found += 1;
    let group: f64 = snag
        .suspects
        .iter()
        .filter(|s| (s.ln_bayes - snag.suspects[0].ln_bayes).abs() < 1e-9)
        .map(|s| s.probability)
        .sum();
    tally.claimed += group;
    if !truth.same_order.contains(&snag.part) {
        return;
    }
    tally.right += 1;
    for (sum, n) in tally.hits.iter_mut().zip(hits(snag, truth)) {
        *sum += n;
    }
    let rate = snag.hit_rate;
    tally.covered += u32::from(rate.lo95 <= truth.hit_rate && truth.hit_rate <= rate.hi95);
    let off = (snag.phase_deg - truth.phase_deg + 180.0).rem_euclid(360.0) - 180.0;
    tally.phases.push(off.abs());
}

#[test]
#[ignore = "a study: minutes"]
fn study_detection() {
    let (first, count) = (env("FIRST", 1000), env("COUNT", 4));
    let depths = [0.25, 0.4, 0.6, 1.0, 1.6];
    for (part, setup, rate) in [
        ("ring_f", "straight", 0.4),
        ("drive_fl", "straight", 0.4),
        ("hub_rl.cage", "straight", 0.8),
        ("final_f.pair", "straight", 0.7),
        ("diff_f.planet", "one_fl", 0.4),
        ("spur", "straight", 0.4),
        ("pinion_f", "straight", 0.4),
    ] {
        let mut all = Tally::default();
        let mut row = String::new();
        for depth in depths {
            let mut tally = Tally::default();
            for seed in first..first + count {
                let snag = SnagScenario {
                    part: part.into(),
                    depth,
                    hit_rate: rate,
                    burst: (seed % 3 == 0).then_some(4.0),
                };
                let scenario = DrivetrainScenario::drawn_healthy(seed, setup).with_snag(snag);
                let Ok(scenario) = scenario else { continue };
                let (finding, truth) = run(&scenario, seed);
                let truth = truth.snag.unwrap();
                println!("{}", line(seed, &format!("{part} {depth}"), &finding));
                judge(&mut tally, &finding, &truth);
                judge(&mut all, &finding, &truth);
            }
            write!(row, " {}/{};{}", tally.found, tally.n, tally.right).unwrap();
        }
        let [hit, wrong, missed] = all.hits;
        let f1 = f64::from(2 * hit) / f64::from((2 * hit + wrong + missed).max(1));
        all.phases.sort_by(f64::total_cmp);
        println!(
            "{part}:{row} | claimed {:.3} right {}/{} | F1 {f1:.2} | rate covered {}/{} | refused {} | phase off {:?}",
            all.claimed / f64::from(all.found.max(1)),
            all.right,
            all.found,
            all.covered,
            all.right,
            all.refused,
            all.phases.iter().map(|p| p.round()).collect::<Vec<f64>>()
        );
    }
}

/// First 60 turns of ten cars: edges, and the true spacing of their magnets.
#[test]
#[ignore = "writes the edges that tests/reference/spacing.py reads"]
fn write_spacing_edges() {
    let mut text = String::from("record,t_us\n");
    let mut truth = String::from("record,magnet,spacing_turns\n");
    for record in 0..10u64 {
        let car = plover_with_eight_magnets();
        let mut scenario = DrivetrainScenario::new(&car, "straight", None).unwrap();
        scenario.conditions.pause_s = (0.0, 0.05);
        // a pinion's angle ripple turns with the spur for 60 turns: no method can tell it from the magnets' places
        scenario.conditions.angle_ripple = 0.0;
        let Simulated { readings, truth: t } = simulate(&scenario, record);
        for edge in readings.iter().take(60 * 8 + 1) {
            writeln!(text, "{record},{}", edge.t_us).unwrap();
        }
        for (m, s) in t.spacing.iter().enumerate() {
            writeln!(truth, "{record},{m},{s:.9}").unwrap();
        }
    }
    std::fs::write("tests/data/spacing_edges.csv", text).unwrap();
    std::fs::write("tests/data/spacing_truth.csv", truth).unwrap();
}

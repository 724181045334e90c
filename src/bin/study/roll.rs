//! Roll: false alarms on healthy cars, detection and right part against depth, hits, reliability of the parts'
//! probabilities, spacing of the magnets.

use feelgauge::measure::roll::{RollFinding, Snag};
use feelgauge::physics::drivetrain::{SnagScenario, SnagTruth};

use crate::car::{healthy, measure};
use crate::figure::{Good, Sheet, Unit, design};
use crate::numbers::Numbers;
use crate::plan::{Plan, seeds, tell};

/// Claimed probabilities of a false alarm.
const LEVELS: [f64; 4] = [0.10, 0.03, 0.01, 0.003];
/// What is claimed of healthy cars.
const AT_MOST: &str = "the promise: at most the claimed share";
/// A promise is exact.
pub const EXACT: usize = 1_000_000;
/// The other setups that random cars have.
const SETUPS: [&str; 4] = ["circle", "one_fl", "one_rl", "axle_f"];

/// Sheets of the roll studies.
pub fn sheets(plan: &Plan) -> Vec<Sheet> {
    let mut sheets = vec![nulls(plan, "straight"), nulls(plan, "other setups")];
    let mut all = Tally::default();
    for (number, part) in PARTS.iter().enumerate() {
        if plan.short && !SHORT.contains(&part.name) {
            continue;
        }
        sheets.push(detection(plan, number, part, &mut all));
    }
    sheets.push(names(&all));
    sheets.push(spacing(plan));
    sheets.extend(crate::roll_depth::sheets(plan));
    for sheet in &sheets {
        tell(sheet);
    }
    sheets
}

/// Healthy cars: so small a false-alarm probability must be claimed no more often than it says.
fn nulls(plan: &Plan, what: &str) -> Sheet {
    let straight = what == "straight";
    let records = if straight {
        plan.size(300, 12)
    } else {
        plan.size(200, 12)
    };
    let first = plan.seed(40, usize::from(!straight));
    let title = format!(
        "Roll: healthy cars, {what}, {} s",
        if straight { 60 } else { 30 }
    );
    let mut sheet = Sheet::new(&title, AT_MOST, seeds(first, records));
    let (mut counts, mut used) = ([0usize; 4], 0);
    let (mut bayes, mut within) = (Numbers::default(), 0);
    let mut alarms = Vec::new();
    for (k, seed) in (first..).take(records).enumerate() {
        let scenario = if straight {
            healthy(seed, "straight", 60.0)
        } else {
            healthy(seed, SETUPS[k % SETUPS.len()], 30.0)
        };
        let finding = measure(&scenario, seed).0;
        let Some(claimed) = finding.false_alarm_probability else {
            continue;
        };
        used += 1;
        within += usize::from(finding.verdict == Some(feelgauge::reading::Verdict::Within));
        let said = alarm(&finding).map(|what| format!("{seed} ({}, {what})", scenario.setup));
        alarms.extend(said);
        bayes
            .0
            .push(libm::exp(finding.quality.ln_bayes.unwrap_or(0.0)));
        for (count, level) in counts.iter_mut().zip(LEVELS) {
            *count += usize::from(claimed <= level);
        }
    }
    for (level, count) in LEVELS.into_iter().zip(counts) {
        sheet.share_in(
            Unit::FinePercent,
            &format!(
                "claimed false-alarm probability at most {} %",
                100.0 * level
            ),
            (count, used),
            Good::Low,
            design(level, EXACT),
        );
    }
    let stated = if straight { design(0.117, 506) } else { None };
    sheet.value(
        "mean Bayes factor",
        bayes.mean(),
        Unit::Plain,
        Good::Low,
        stated,
    );
    sheet.share("called `within`", (within, used), Good::High, None);
    remarks(&mut sheet, &alarms, records - used);
    sheet
}

/// The snag that a healthy car is said to have.
fn alarm(finding: &RollFinding) -> Option<String> {
    let snag = finding.snags.iter().flatten().next()?;
    let ln_bayes = finding.quality.ln_bayes?;
    Some(format!("{}, ln B {ln_bayes:.1}", snag.part))
}

fn remarks(sheet: &mut Sheet, alarms: &[String], refused: usize) {
    if !alarms.is_empty() {
        sheet.note(format!("Snags reported: seeds {}.", alarms.join(", ")));
    }
    if refused > 0 {
        sheet.note(format!("{refused} records were refused."));
    }
}

/// A part with the design study's counts.
struct Part {
    name: &'static str,
    setup: &'static str,
    hit_rate: f64,
    /// Found of all by depth.
    found: [(usize, usize); 5],
    /// F1 of the hits.
    f1: f64,
}

const DEPTHS: [f64; 5] = [0.25, 0.4, 0.6, 1.0, 1.6];

const PARTS: [Part; 7] = [
    Part {
        name: "ring_f",
        setup: "straight",
        hit_rate: 0.4,
        found: [(4, 23), (13, 23), (22, 23), (22, 22), (22, 22)],
        f1: 0.89,
    },
    Part {
        name: "drive_fl",
        setup: "straight",
        hit_rate: 0.4,
        found: [(8, 23), (18, 23), (22, 23), (22, 22), (21, 21)],
        f1: 0.76,
    },
    Part {
        name: "hub_rl.cage",
        setup: "straight",
        hit_rate: 0.8,
        found: [(8, 23), (22, 23), (23, 23), (22, 22), (22, 22)],
        f1: 0.94,
    },
    Part {
        name: "final_f.pair",
        setup: "straight",
        hit_rate: 0.7,
        found: [(4, 23), (12, 23), (15, 22), (17, 22), (17, 21)],
        f1: 0.90,
    },
    Part {
        name: "diff_f.planet",
        setup: "one_fl",
        hit_rate: 0.4,
        found: [(0, 16), (1, 16), (5, 16), (11, 17), (12, 15)],
        f1: 0.96,
    },
    Part {
        name: "spur",
        setup: "straight",
        hit_rate: 0.4,
        found: [(0, 23), (0, 23), (3, 23), (12, 22), (19, 22)],
        f1: 0.64,
    },
    Part {
        name: "pinion_f",
        setup: "straight",
        hit_rate: 0.4,
        found: [(0, 23), (0, 23), (2, 23), (7, 22), (17, 22)],
        f1: 0.64,
    },
];

/// Parts and depths of a short run.
const SHORT: &[&str] = &["ring_f", "hub_rl.cage"];
const SHORT_FROM: f64 = 0.6;

/// What happened over several records.
#[derive(Default)]
struct Tally {
    found: usize,
    right: usize,
    claimed: Numbers,
    /// Claimed probability of the top order group, and whether it was right.
    names: Vec<(f64, bool)>,
    /// True, false and missed hits.
    hits: [usize; 3],
    covered: usize,
    phases: Numbers,
}

impl Tally {
    fn add(&mut self, finding: &RollFinding, truth: &SnagTruth) -> (bool, bool) {
        let Some(snag) = finding.snags.iter().flatten().next() else {
            return (false, false);
        };
        self.found += 1;
        let top = &snag.suspects[0];
        let group: f64 = snag
            .suspects
            .iter()
            .filter(|s| (s.ln_bayes - top.ln_bayes).abs() < 1e-9)
            .map(|s| s.probability)
            .sum();
        let right = truth.same_order.contains(&snag.part);
        self.claimed.0.push(group);
        self.names.push((group, right));
        if !right {
            return (true, false);
        }
        self.right += 1;
        for (sum, n) in self.hits.iter_mut().zip(hits(snag, truth)) {
            *sum += n;
        }
        let rate = snag.hit_rate;
        self.covered += usize::from(rate.lo95 <= truth.hit_rate && truth.hit_rate <= rate.hi95);
        let off = (snag.phase_deg - truth.phase_deg + 180.0).rem_euclid(360.0) - 180.0;
        self.phases.0.push(off.abs());
        (true, true)
    }

    fn join(&mut self, other: Self) {
        self.found += other.found;
        self.right += other.right;
        self.claimed.0.extend(other.claimed.0);
        self.names.extend(other.names);
        for (sum, n) in self.hits.iter_mut().zip(other.hits) {
            *sum += n;
        }
        self.covered += other.covered;
        self.phases.0.extend(other.phases.0);
    }
}

/// Hits: true, false and missed ones among the turns that could be seen.
fn hits(snag: &Snag, truth: &SnagTruth) -> [usize; 3] {
    let mut out = [0; 3];
    for hit in &snag.hits {
        let nearest = truth
            .events
            .iter()
            .min_by(|a, b| (a.t_s - hit.t_s).abs().total_cmp(&(b.t_s - hit.t_s).abs()));
        match (hit.hit > 0.5, nearest.is_some_and(|event| event.hit)) {
            (true, true) => out[0] += 1,
            (true, false) => out[1] += 1,
            (false, true) => out[2] += 1,
            (false, false) => {}
        }
    }
    out
}

/// Records that were not refused, snags found in them, and among those the right part.
fn at_depth(part: &Part, depth: f64, first: u64, cars: usize, tally: &mut Tally) -> [usize; 3] {
    let mut counts = [0; 3];
    for seed in (first..).take(cars) {
        let snag = SnagScenario {
            part: part.name.into(),
            depth,
            hit_rate: part.hit_rate,
            burst: seed.is_multiple_of(3).then_some(4.0),
        };
        let Ok(scenario) = healthy(seed, part.setup, 60.0).with_snag(snag) else {
            continue;
        };
        let (finding, truth) = measure(&scenario, seed);
        let (Some(truth), None) = (truth.snag, &finding.refused) else {
            continue;
        };
        let (seen, named) = tally.add(&finding, &truth);
        for (count, is) in counts.iter_mut().zip([true, seen, named]) {
            *count += usize::from(is);
        }
    }
    counts
}

fn detection(plan: &Plan, number: usize, part: &Part, all: &mut Tally) -> Sheet {
    let cars = plan.size(20, 3);
    let first = plan.seed(41, number);
    let mut sheet = Sheet::new(
        &format!(
            "Roll: a snag in {} ({}, hit rate {}), 60 s",
            part.name, part.setup, part.hit_rate
        ),
        "roll, found at the 1 % setting",
        seeds(first, cars),
    );
    let mut tally = Tally::default();
    for (depth, theirs) in DEPTHS.into_iter().zip(part.found) {
        if plan.short && depth < SHORT_FROM {
            continue;
        }
        let [used, found, right] = at_depth(part, depth, first, cars, &mut tally);
        sheet.share(
            &format!("depth {depth}: found"),
            (found, used),
            Good::High,
            design(theirs.0 as f64 / theirs.1 as f64, theirs.1),
        );
        sheet.share(
            &format!("depth {depth}: right part among those found"),
            (right, found),
            Good::High,
            None,
        );
    }
    let [hit, wrong, missed] = tally.hits;
    let turns = hit + wrong + missed;
    let f1 = (2 * hit) as f64 / (2 * hit + wrong + missed).max(1) as f64;
    let error = (f1 * (1.0 - f1) / turns.max(1) as f64).sqrt();
    sheet.value(
        "hits: F1",
        (f1, error, turns),
        Unit::Plain,
        Good::High,
        design(part.f1, 700),
    );
    all.join(tally);
    sheet
}

/// Claimed probabilities: bins with their ends, runs and share right of the design study.
const BINS: [(f64, f64, usize, f64); 6] = [
    (0.0, 0.6, 8, 0.75),
    (0.6, 0.8, 20, 0.95),
    (0.8, 0.9, 8, 0.88),
    (0.9, 0.97, 8, 0.75),
    (0.97, 0.99, 14, 1.00),
    (0.99, 1.01, 64, 1.00),
];

/// Are the parts' probabilities right, over all records above?
fn names(all: &Tally) -> Sheet {
    let mut sheet = Sheet::new(
        "Roll: probabilities of the parts",
        "roll, posterior",
        "those of the snags above",
    );
    sheet.share(
        "right part (or one of equal order)",
        (all.right, all.found),
        Good::High,
        design(0.951, 122),
    );
    sheet.value(
        "mean probability claimed for the top group",
        all.claimed.mean(),
        Unit::Percent,
        Good::High,
        None,
    );
    for (from, to, runs, right) in BINS {
        let inside: Vec<bool> = all
            .names
            .iter()
            .filter(|(p, _)| from <= *p && *p < to)
            .map(|(_, right)| *right)
            .collect();
        sheet.share(
            &format!("claimed {from} to {}: right", to.min(1.0)),
            (inside.iter().filter(|r| **r).count(), inside.len()),
            Good::High,
            design(right, runs),
        );
    }
    sheet.share(
        "interval of the hit rate covers",
        (all.covered, all.right),
        Good::High,
        design(115.0 / 116.0, 116),
    );
    for (what, q, value) in [("median", 0.5, 3.0), ("90 % below", 0.9, 11.0)] {
        sheet.value(
            &format!("phase off, {what} (degrees of the part's event period)"),
            all.phases.quantile(q),
            Unit::Plain,
            Good::Low,
            design(value, 116),
        );
    }
    sheet
}

/// Magnet spacing after the fit.
fn spacing(plan: &Plan) -> Sheet {
    let records = plan.size(20, 3);
    let first = plan.seed(42, 0);
    let mut sheet = Sheet::new(
        "Roll: spacing of the magnets, straight 60 s",
        "roll, magnet spacing",
        seeds(first, records),
    );
    let mut off: [Numbers; 2] = Default::default();
    let mut even = Numbers::default();
    for seed in (first..).take(records) {
        for (k, off) in off.iter_mut().enumerate() {
            let mut car = healthy(seed, "straight", 60.0);
            if k == 0 {
                car.conditions.angle_ripple = 0.0;
            }
            let (finding, truth) = measure(&car, seed);
            for (found, spacing) in finding.quality.spacing.iter().flatten().zip(&truth.spacing) {
                off.0.push(360.0 * (found - spacing));
                even.0
                    .push(360.0 * (1.0 / truth.spacing.len() as f64 - spacing));
            }
        }
    }
    sheet.value(
        "one spacing, rms error (degrees), shafts without angle ripple",
        off[0].rms(),
        Unit::Fine,
        Good::Low,
        design(0.036, 160),
    );
    sheet.value(
        "the same with it: pinions turn with the spur and shift its magnets",
        off[1].rms(),
        Unit::Fine,
        Good::Low,
        None,
    );
    sheet.value(
        "equal spacing instead (degrees)",
        even.rms(),
        Unit::Fine,
        Good::Low,
        None,
    );
    sheet
}

//! Before and after: coverage of the ratio, size (claims where nothing changed), power, and what is promised of more pulls.

use std::collections::BTreeMap;

use feelgauge::measure::compare::Direction;
use feelgauge::measure::pull::{self, PullFinding};
use feelgauge::physics::engine::{EngineScenario, Probe};
use feelgauge::physics::noise::Noise;

use crate::figure::{Good, Sheet, Unit, design};
use crate::numbers::Numbers;
use crate::plan::{Plan, seeds, tell};
use crate::score::run;

/// Pulls a side that are simulated.
const PULLS: usize = 20;
/// Pulls from which the truth of a pair is taken.
const TRUTH_PULLS: usize = 16;
/// Spread of the mean speed between the two sides.
const SPEED_SHIFT: f64 = 0.12;
/// The same engine on another day: spread of blow-by, friction and pinch (oil film; assumed by the design study).
const DAY: [f64; 3] = [0.05, 0.08, 0.10];
/// Wear of the demo car's worn engine, as the logarithm of blow-by and pinch over the sound one's (14 and 0.3).
const WORN: [f64; 2] = [2.639, -1.204];
/// Largest wear between before and after, either way, where there is any.
const MOST_WEAR: f64 = 0.8;
/// Slope that brings the truth's pulls to one cadence; both sides pull alike there, so it hardly matters.
const SLOPE: f64 = 0.45;
/// Change from which on the design study states a power.
const LARGE: f64 = 0.08;

/// An engine measured on two days.
struct Pair {
    before: PullFinding,
    after: PullFinding,
    /// ln(peak after / peak before) at one cadence, without the day's share.
    ln_ratio: f64,
    changed: bool,
}

fn worn(mut scenario: EngineScenario, wear: f64) -> EngineScenario {
    scenario.engine.blow_by_per_s *= libm::exp(wear * WORN[0]);
    scenario.engine.pinch_n *= libm::exp(wear * WORN[1]);
    scenario
}

fn on_a_day(mut scenario: EngineScenario, noise: &mut Noise) -> EngineScenario {
    let mut about = |spread: f64| libm::exp(spread * noise.normal());
    scenario.engine.blow_by_per_s *= about(DAY[0]);
    scenario.engine.friction_nm *= about(DAY[1]);
    scenario.engine.pinch_n *= about(DAY[2]);
    scenario
}

impl Pair {
    fn new(seed: u64) -> Self {
        let mut noise = Noise::new(seed, 80);
        let changed = seed.is_multiple_of(2);
        let wear = noise.uniform(-MOST_WEAR, MOST_WEAR);
        let wear = if changed { wear } else { 0.0 };
        let engine = EngineScenario {
            probe: Probe::new(200, 1),
            pulls: PULLS,
            ..EngineScenario::drawn(seed)
        };
        let mut side = |wear: f64, stream: u64| {
            let mut scenario = on_a_day(worn(engine, wear), &mut noise);
            scenario.hand.speed_m_s *= 1.0 + SPEED_SHIFT * noise.normal() / 2f64.sqrt();
            run(&scenario, seed ^ (stream << 40)).0
        };
        Self {
            before: side(0.0, 1),
            after: side(wear, 2),
            ln_ratio: if changed {
                truth(&engine, wear, seed)
            } else {
                0.0
            },
            changed,
        }
    }

    /// Comparison of the first `n` usable pulls of each side.
    fn compare(&self, n: usize) -> pull::PullComparison {
        let first = |finding: &PullFinding| {
            let mut finding = finding.clone();
            finding.usable.truncate(n);
            finding
        };
        pull::compare(&[first(&self.before)], &[first(&self.after)])
    }

    fn pulls(&self) -> usize {
        self.before.usable.len().min(self.after.usable.len())
    }
}

/// The same start angles and speeds for the sound and the worn engine, at 1000 Hz.
fn truth(engine: &EngineScenario, wear: f64, seed: u64) -> f64 {
    let of = |wear: f64| {
        let scenario = EngineScenario {
            probe: Probe::new(1000, 1),
            pulls: TRUTH_PULLS,
            ..worn(*engine, wear)
        };
        let usable = run(&scenario, seed).0.usable;
        let n = usable.len().max(1) as f64;
        let sum = |f: fn(&pull::UsablePull) -> f64| usable.iter().map(f).sum::<f64>() / n;
        sum(|u| u.ln_peak) - SLOPE * sum(|u| u.ln_cadence)
    };
    of(wear) - of(0.0)
}

/// Cover, false claims, smallest detectable change, power of the design study by pulls a side; half width where stated.
const STATED: [(usize, f64, f64, f64, f64, f64); 7] = [
    (3, 0.97, 0.018, 0.15, 0.77, f64::NAN),
    (4, 0.97, 0.030, 0.13, 0.84, f64::NAN),
    (5, 0.97, 0.032, 0.12, 0.88, 0.080),
    (8, 0.96, 0.042, 0.106, 0.92, f64::NAN),
    (10, 0.96, 0.038, 0.101, 0.95, 0.068),
    (15, 0.95, 0.050, 0.096, 0.97, f64::NAN),
    (20, 0.94, 0.055, 0.092, 0.97, f64::NAN),
];
/// Runs behind them.
const RUNS: usize = 800;

/// Sheets of the comparisons.
pub fn sheets(plan: &Plan) -> Vec<Sheet> {
    let sheet = pulls(plan);
    tell(&sheet);
    let mut sheets = vec![sheet];
    sheets.extend(crate::compare_leak::sheets(plan));
    sheets.extend(crate::compare_roll::sheets(plan));
    sheets
}

/// What happened with `n` pulls a side.
#[derive(Default)]
struct Tally {
    /// Refusals by code.
    refused: BTreeMap<String, usize>,
    covered: usize,
    all: usize,
    claims: usize,
    same: usize,
    shown: usize,
    large: usize,
    half: Numbers,
    detectable: Numbers,
}

impl Tally {
    fn add(&mut self, pair: &Pair, n: usize) {
        let comparison = pair.compare(n);
        let (Some(ratio), Some(detectable)) =
            (comparison.ratio, comparison.minimum_detectable_change)
        else {
            for refusal in comparison.refused.into_iter().flatten() {
                *self.refused.entry(refusal.code).or_default() += 1;
            }
            return;
        };
        let truth = libm::exp(pair.ln_ratio);
        let decided = comparison.verdict != Direction::Undecided;
        self.all += 1;
        self.covered += usize::from(ratio.lo95 <= truth && truth <= ratio.hi95);
        self.half
            .0
            .push((ratio.hi95 - ratio.lo95) / 2.0 / ratio.value);
        self.detectable.0.push(detectable);
        if !pair.changed {
            self.same += 1;
            self.claims += usize::from(decided);
        } else if (truth - 1.0).abs() > LARGE {
            self.large += 1;
            let right = (comparison.verdict == Direction::Higher) == (truth > 1.0);
            self.shown += usize::from(decided && right);
        }
    }
}

fn pulls(plan: &Plan) -> Sheet {
    let pairs = plan.size(160, 14);
    let first = plan.seed(30, 0);
    let mut sheet = Sheet::new(
        "Compare: pull before and after, 200 Hz",
        "pull, compare",
        format!("{}, {PULLS} pulls a side", seeds(first, pairs)),
    );
    let mut tallies: Vec<Tally> = STATED.iter().map(|_| Tally::default()).collect();
    let (mut kept, mut promised) = (0, 0);
    for seed in (first..).take(pairs) {
        let pair = Pair::new(seed);
        for (tally, (n, ..)) in tallies.iter_mut().zip(STATED) {
            tally.add(&pair, n);
        }
        let more = pair.compare(5).more_pulls.filter(|more| *more > 0);
        if let Some(more) = more.filter(|more| 5 + more <= pair.pulls()) {
            promised += 1;
            kept += usize::from(pair.compare(5 + more).verdict != Direction::Undecided);
        }
    }
    for (tally, stated) in tallies.iter().zip(STATED) {
        rows(&mut sheet, tally, stated);
    }
    sheet.share(
        "after 5 pulls: more were promised to decide, and did",
        (kept, promised),
        Good::High,
        design(0.74, 38),
    );
    let all = tallies.last().map_or(String::new(), |t| {
        let codes = t.refused.iter().map(|(code, n)| format!("{code} {n}"));
        codes.collect::<Vec<_>>().join(", ")
    });
    sheet.note(format!(
        "Half of the pairs have not changed; the others are worn or restored by up to {MOST_WEAR} of the worn demo engine. Refused of {pairs} pairs with {PULLS} pulls a side: {all}."
    ));
    sheet
}

fn rows(sheet: &mut Sheet, tally: &Tally, stated: (usize, f64, f64, f64, f64, f64)) {
    let (n, cover, claims, detectable, power, half) = stated;
    let name = |what: &str| format!("{n} pulls a side: {what}");
    sheet.share(
        &name("interval covers"),
        (tally.covered, tally.all),
        Good::High,
        design(cover, RUNS),
    );
    sheet.share(
        &name("claims where nothing changed"),
        (tally.claims, tally.same),
        Good::Low,
        design(claims, RUNS),
    );
    let stated = (!half.is_nan()).then(|| design(half, RUNS));
    sheet.value(
        &name("half width, median"),
        tally.half.quantile(0.5),
        Unit::Percent,
        Good::Low,
        stated.flatten(),
    );
    sheet.value(
        &name("smallest detectable change, median"),
        tally.detectable.quantile(0.5),
        Unit::Percent,
        Good::Low,
        design(detectable, RUNS),
    );
    sheet.share(
        &name("changes above 8 % shown"),
        (tally.shown, tally.large),
        Good::High,
        design(power, RUNS / 2),
    );
}

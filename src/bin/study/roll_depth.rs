//! Roll: is the detectable depth honest, and do two captures name the part?

use feelgauge::measure::roll::{PartShare, RollFinding, combine};
use feelgauge::physics::drivetrain::SnagScenario;

use crate::car::{LATER, healthy, measure};
use crate::figure::{Good, Sheet, Unit, design};
use crate::numbers::Numbers;
use crate::plan::{Plan, seeds};
use crate::roll::EXACT;

/// Parts whose detectable depth is tried, rolling straight for a minute and on a stand for half of one.
const STRAIGHT: [&str; 8] = [
    "ring_f",
    "drive_fl",
    "hub_rl.cage",
    "hub_rl.inner",
    "spur",
    "pinion_f",
    "bell_inner.cage",
    "bell",
];
const ON_A_STAND: [&str; 7] = [
    "ring_f",
    "wheel_fl",
    "spur",
    "diff_f.planet",
    "pinion_f",
    "bell_inner.cage",
    "bell",
];
/// Share of snags of the detectable depth that would show, as promised.
const PROMISED: f64 = 0.95;

/// Sheets of depth and of several captures.
pub fn sheets(plan: &Plan) -> Vec<Sheet> {
    vec![
        honesty(plan, (0, "straight", 60.0), &STRAIGHT),
        honesty(plan, (1, "one_fl", 30.0), &ON_A_STAND),
        two_captures(plan),
    ]
}

/// Every car once healthy, which states its detectable depths, then with a snag of just that depth.
fn honesty(plan: &Plan, (number, setup, seconds): (usize, &str, f64), tried: &[&str]) -> Sheet {
    let cars = plan.size(20, 3);
    let first = plan.seed(43, number);
    let mut sheet = Sheet::new(
        &format!("Roll: snags of the detectable depth, {setup} {seconds} s"),
        "the promise: 95 %",
        seeds(first, cars),
    );
    let mut found = vec![(0, 0); tried.len()];
    let mut stated = vec![Numbers::default(); tried.len()];
    for seed in (first..).take(cars) {
        let car = healthy(seed, setup, seconds);
        let quality = measure(&car, seed).0.quality;
        let hit_rate = quality.detectable_at_hit_rate.unwrap_or(0.4);
        for (k, part) in tried.iter().enumerate() {
            let depths = &quality.detectable_depth_by_part;
            let Some(depth) = depths.get(*part).copied().flatten() else {
                continue;
            };
            let snag = SnagScenario {
                part: (*part).into(),
                depth,
                hit_rate,
                burst: None,
            };
            let Ok(snagged) = car.clone().with_snag(snag) else {
                continue;
            };
            let finding = measure(&snagged, seed).0;
            stated[k].0.push(depth);
            found[k].0 += usize::from(finding.snags.is_some_and(|s| !s.is_empty()));
            found[k].1 += 1;
        }
    }
    for (k, part) in tried.iter().enumerate() {
        sheet.share(
            &format!("{part}: reported"),
            found[k],
            Good::High,
            design(PROMISED, EXACT),
        );
        sheet.value(
            &format!("{part}: detectable depth, median (units of the drag)"),
            stated[k].quantile(0.5),
            Unit::Plain,
            Good::Low,
            None,
        );
    }
    sheet
}

/// Parts of about the wheels' order, which rolling straight does not tell apart, with their hit rates.
const OF_WHEELS: [(&str, f64); 4] = [
    ("ring_f", 0.4),
    ("wheel_fl", 0.4),
    ("drive_fl", 0.4),
    ("hub_rl.cage", 0.8),
];
const DEPTH: f64 = 0.6;
/// Cars behind the design study's figures.
const CARS: usize = 40;

/// Straight first, then the setup that is proposed.
fn two_captures(plan: &Plan) -> Sheet {
    let cars = plan.size(40, 4);
    let first = plan.seed(44, 0);
    let mut sheet = Sheet::new(
        "Roll: a second capture in the setup proposed, depth 0.6, 60 s each",
        "roll, two captures",
        seeds(first, cars),
    );
    let (mut before, mut after) = (Numbers::default(), Numbers::default());
    let (mut alone, mut used) = ([0, 0], 0);
    for (k, seed) in (first..).take(cars).enumerate() {
        let (part, rate) = OF_WHEELS[k % OF_WHEELS.len()];
        let Some(one) = capture(seed, (part, rate), "straight", 0) else {
            continue;
        };
        let captures = [one];
        let so_far = combine(&captures);
        let Some(next) = &so_far.next_setup else {
            continue;
        };
        let [one] = captures;
        let Some(two) = capture(seed, (part, rate), &next.setup, LATER) else {
            continue;
        };
        used += 1;
        let both = combine(&[one, two]);
        for (k, (parts, list)) in [(&so_far, &mut before), (&both, &mut after)]
            .into_iter()
            .enumerate()
        {
            let shares = parts.parts.as_deref().unwrap_or_default();
            let own = shares.iter().find(|p| p.part == part);
            list.0.push(own.map_or(0.0, |p| p.probability));
            alone[k] += usize::from(stands_alone(shares, part));
        }
    }
    for (what, list, stated) in [("first", &before, 0.19), ("second", &after, 0.70)] {
        sheet.value(
            &format!("probability of the true part after the {what}, mean"),
            list.mean(),
            Unit::Plain,
            Good::High,
            design(stated, CARS),
        );
    }
    for (what, count, stated) in [("first", alone[0], 0.0), ("second", alone[1], 33.0)] {
        sheet.share(
            &format!("true part alone on top after the {what}"),
            (count, used),
            Good::High,
            design(stated / CARS as f64, CARS),
        );
    }
    sheet.note("The snag keeps its depth in units of the drag, which on a stand is less than the same snag's energy.");
    sheet
}

/// A record of the car of `seed` in a setup; its snag is not there where its part stands.
fn capture(
    seed: u64,
    (part, hit_rate): (&str, f64),
    setup: &str,
    later: u64,
) -> Option<RollFinding> {
    let car = healthy(seed, setup, 60.0);
    let snag = SnagScenario {
        part: part.into(),
        depth: DEPTH,
        hit_rate,
        burst: None,
    };
    let car = car.clone().with_snag(snag).unwrap_or(car);
    let finding = measure(&car, seed + later).0;
    finding.refused.is_none().then_some(finding)
}

/// The part is the most probable one, and no other is as probable.
fn stands_alone(shares: &[PartShare], part: &str) -> bool {
    let second = shares.get(1).map_or(0.0, |p| p.probability);
    let top = shares.first();
    top.is_some_and(|p| p.part == part && p.probability > second + 1e-9)
}

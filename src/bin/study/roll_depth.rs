//! Roll: is the detectable depth honest, and do two captures name the part?

use feelgauge::measure::roll::{PartShare, RollFinding, combine};
use feelgauge::physics::drivetrain::SnagScenario;

use crate::car::{LATER, healthy, measure};
use crate::figure::{Good, Sheet, Unit, design};
use crate::numbers::Numbers;
use crate::plan::{Plan, seeds};
use crate::roll::EXACT;

/// Parts whose detectable depth is tried.
const PARTS: [&str; 5] = ["ring_f", "drive_fl", "hub_rl.cage", "spur", "pinion_f"];
/// Share of snags of the detectable depth that would show, as promised.
const PROMISED: f64 = 0.95;

/// Sheets of depth and of several captures.
pub fn sheets(plan: &Plan) -> Vec<Sheet> {
    vec![honesty(plan), two_captures(plan)]
}

/// Every car once healthy, which states its detectable depths, then with a snag of just that depth.
fn honesty(plan: &Plan) -> Sheet {
    let cars = plan.size(20, 3);
    let first = plan.seed(43, 0);
    let mut sheet = Sheet::new(
        "Roll: snags of the detectable depth, straight 60 s",
        "the promise: 95 %",
        seeds(first, cars),
    );
    let mut found = [(0, 0); PARTS.len()];
    let mut stated: [Numbers; PARTS.len()] = Default::default();
    for seed in (first..).take(cars) {
        let car = healthy(seed, "straight", 60.0);
        let quality = measure(&car, seed).0.quality;
        let hit_rate = quality.detectable_at_hit_rate.unwrap_or(0.4);
        for (k, part) in PARTS.iter().enumerate() {
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
    for (k, part) in PARTS.iter().enumerate() {
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

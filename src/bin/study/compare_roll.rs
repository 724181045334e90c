//! A snag before and after a repair.

use feelgauge::measure::compare::Direction;
use feelgauge::measure::roll::compare;
use feelgauge::physics::drivetrain::SnagScenario;

use crate::car::{self, healthy, measure};
use crate::figure::{Good, Sheet};
use crate::plan::{Plan, seeds, tell};

/// Snag that is compared.
const PART: &str = "ring_f";
const DEPTH: f64 = 1.0;
const HIT_RATE: f64 = 0.4;

/// Sheets of roll comparisons.
pub fn sheets(plan: &Plan) -> Vec<Sheet> {
    let pairs = plan.size(60, 4);
    let mut sheets = Vec::new();
    for (number, repaired) in [false, true].into_iter().enumerate() {
        let sheet = sheet(plan.seed(32, number), pairs, repaired);
        tell(&sheet);
        sheets.push(sheet);
    }
    sheets
}

fn sheet(first: u64, pairs: usize, repaired: bool) -> Sheet {
    let title = if repaired {
        "Compare: a ring's snag of depth 1, then none, straight 60 s"
    } else {
        "Compare: the same snag on both sides, straight 60 s"
    };
    let mut sheet = Sheet::new(title, "no figures stated", seeds(first, pairs));
    let (mut better, mut worse, mut used, mut covered, mut given) = (0, 0, 0, 0, 0);
    for seed in (first..).take(pairs) {
        let car = healthy(seed, "straight", 60.0);
        let snag = SnagScenario {
            part: PART.into(),
            depth: DEPTH,
            hit_rate: HIT_RATE,
            burst: None,
        };
        let Ok(snagged) = car.clone().with_snag(snag) else {
            continue;
        };
        let (before, truth) = measure(&snagged, seed);
        let later = car::LATER + seed;
        let (after, truth_after) = measure(if repaired { &car } else { &snagged }, later);
        let comparison = compare(&[before], &[after]);
        if comparison.refused.is_some() {
            continue;
        }
        used += 1;
        better += usize::from(comparison.verdict == Direction::Lower);
        worse += usize::from(comparison.verdict == Direction::Higher);
        if let (Some(difference), Some(was)) = (comparison.difference, truth.snag) {
            let is = truth_after.snag.map_or(0.0, |s| s.hit_rate);
            let change = is - was.hit_rate;
            given += 1;
            covered += usize::from(difference.lo95 <= change && change <= difference.hi95);
        }
    }
    sheet.share("says fewer hits", (better, used), Good::High, None);
    sheet.share("says more hits", (worse, used), Good::Low, None);
    sheet.share(
        "change of the hit rate covered, where given",
        (covered, given),
        Good::High,
        None,
    );
    if used < pairs {
        sheet.note(format!("{} of {pairs} were refused.", pairs - used));
    }
    sheet
}

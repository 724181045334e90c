//! Two holds of one tank, before and after.

use feelgauge::measure::compare::Direction;
use feelgauge::measure::leak::{LeakComparison, LeakFinding, LeakSettings, compare};
use feelgauge::physics::noise::Noise;
use feelgauge::physics::tank::{TankScenario, simulate};

use crate::figure::{Good, Sheet, Unit};
use crate::numbers::Numbers;
use crate::plan::{Plan, seeds, tell};
use crate::tank::{analyze, stated};

/// One tank, one sensor and one stated volume, another day: what the two holds share and what they do not.
struct Pair {
    comparison: LeakComparison,
    /// Leak after minus before, and after over before.
    difference: f64,
    ratio: f64,
}

/// A hold, with the volume and the reference pressure that both holds are given.
fn hold(scenario: &TankScenario, seed: u64, settings: LeakSettings) -> LeakFinding {
    let mut finding = analyze(settings, &simulate(scenario, seed).readings);
    finding.evidence.day = Some(format!("day {seed}"));
    finding
}

impl Pair {
    fn new(seed: u64, repaired: bool) -> Self {
        let before = TankScenario::drawn(seed);
        let mut after = before.another_day(seed);
        if repaired {
            // to between a thirtieth and a third
            let decades = Noise::new(seed, 81).uniform(0.5, 1.5);
            after.leak_rate_pa_m3_s *= libm::pow(10.0, -decades);
        }
        let settings = stated(&before, before.p_ref_pa, seed);
        let first = hold(&before, seed, settings);
        let second = hold(&after, seed + 50_000, settings);
        Self {
            comparison: compare(&[first], &[second]),
            difference: after.leak_rate_pa_m3_s - before.leak_rate_pa_m3_s,
            ratio: after.leak_rate_pa_m3_s / before.leak_rate_pa_m3_s,
        }
    }
}

/// Sheets of leak comparisons.
pub fn sheets(plan: &Plan) -> Vec<Sheet> {
    let pairs = plan.size(200, 20);
    [false, true]
        .into_iter()
        .zip([plan.seed(31, 0), plan.seed(31, 1)])
        .map(|(repaired, first)| {
            let sheet = sheet(first, pairs, repaired);
            tell(&sheet);
            sheet
        })
        .collect()
}

fn sheet(first: u64, pairs: usize, repaired: bool) -> Sheet {
    let title = if repaired {
        "Compare: leak, repaired to a third or less"
    } else {
        "Compare: leak, nothing changed"
    };
    let mut sheet = Sheet::new(title, "no figures stated", seeds(first, pairs));
    let (mut covered, mut used, mut decided, mut wrong) = (0, 0, 0, 0);
    let (mut ratio_covered, mut ratios) = (0, 0);
    let mut detectable = Numbers::default();
    for seed in (first..).take(pairs) {
        let pair = Pair::new(seed, repaired);
        let Some(difference) = pair.comparison.difference else {
            continue;
        };
        used += 1;
        covered +=
            usize::from(difference.lo95 <= pair.difference && pair.difference <= difference.hi95);
        if let Some(ratio) = pair.comparison.ratio {
            ratios += 1;
            ratio_covered += usize::from(ratio.lo95 <= pair.ratio && pair.ratio <= ratio.hi95);
        }
        let verdict = pair.comparison.verdict;
        decided += usize::from(verdict == Some(Direction::Lower));
        wrong += usize::from(verdict == Some(Direction::Higher));
        detectable
            .0
            .extend(pair.comparison.minimum_detectable_change);
    }
    sheet.share("difference covered", (covered, used), Good::High, None);
    sheet.share(
        "ratio covered, where given",
        (ratio_covered, ratios),
        Good::High,
        None,
    );
    sheet.share("says lower", (decided, used), Good::High, None);
    sheet.share("says higher", (wrong, used), Good::Low, None);
    sheet.value(
        "smallest detectable change, median (Pa m3/s)",
        detectable.quantile(0.5),
        Unit::Power,
        Good::Low,
        None,
    );
    if used < pairs {
        sheet.note(format!("{} of {pairs} were refused.", pairs - used));
    }
    sheet
}

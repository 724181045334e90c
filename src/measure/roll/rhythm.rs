//! The other rival of a snag: hits that keep no rhythm.
//!
//! A mixture takes any excess of large scores for hits: drag that wanders more than the noise allows for, a brush of the hand,
//! an edge too many. Where events follow each other sooner than the filter tells them apart, one change of the drag even counts
//! as often as there are events in its reach: of a part near half the magnets every phase then finds the same, up to ln B 18 in
//! 1500 records without a snag. All of that a train of another order finds as well (ln 20 there); a snag's does not.

use crate::vehicle::Part;

use super::fold::Comb;
use super::parts::{Evidence, LEAST_RHO};
use crate::measure::logarithm::ln_mean_exp;

/// Trains without the part's rhythm run away from it by so many periods over the record: they meet all its phases alike, also
/// where the part slips and its own phase runs away by one or two.
const AWAY: [f64; 2] = [4.0, 7.0];
/// Phases of such a train.
const PHASES: usize = 6;

/// Logarithm of the mean likelihood ratio of hits in trains that keep step with no part and have hardly more events than
/// `part` at `order`. Not for a hunting pair: its turns would have to run away one by one.
pub(super) fn ln_without_rhythm(evidence: &Evidence, part: &Part, order: f64) -> f64 {
    let away = AWAY.map(|periods| {
        let comb = Comb {
            order: order + periods / evidence.turns,
            phases: PHASES,
        };
        evidence.mean(part, comb, LEAST_RHO).ln
    });
    ln_mean_exp(&away)
}

#[cfg(test)]
mod tests {
    use super::super::fit::Fit;
    use super::super::fixture::{fit, hit, nodes, train};
    use super::super::fold::Field;
    use super::super::score::score_field;
    use super::*;

    const EDGES: usize = 561;
    /// Where it rolls freely.
    const RUNS: [(usize, usize); 3] = [(0, 170), (206, 374), (410, 560)];
    /// Three times what the drag's noise is over a turn.
    const LOSS: f64 = 0.03;

    /// Case of a shaft at `order` with and without its rivals, and what trains without its rhythm find, in a record whose fit was
    /// changed.
    fn of_shaft(seed: u64, order: f64, change: impl Fn(Fit) -> Fit) -> (f64, f64, f64) {
        let nodes = nodes(4, EDGES, seed);
        let fit = change(fit(&nodes, &RUNS));
        let scores = score_field(&fit);
        let mut train = train(4);
        (train.parts[1].order, train.parts[1].order_sd) = (order, 0.0);
        let evidence = Evidence {
            nodes: &nodes,
            train: &train,
            field: Field {
                fit: &fit,
                scores: &scores,
                reach: (nodes.x[0], nodes.x[EDGES - 1]),
            },
            turns: nodes.turns(),
        };
        let case = evidence.case(1).unwrap();
        let without = ln_without_rhythm(&evidence, &train.parts[1], order);
        (case.ln_bayes + case.ln_rival, case.ln_bayes, without)
    }

    #[test]
    fn noisier_drag_than_allowed_for_is_no_snag_near_half_the_magnets() {
        let noisier = |mut fit: Fit| {
            for r in &mut fit.residual {
                *r *= 1.6;
            }
            fit
        };
        let (mut claims, mut left) = (0, 0);
        for seed in 0..20 {
            let (raw, ln_bayes, _) = of_shaft(seed, 1.9, noisier);
            claims += u32::from(raw > 3.0);
            left += u32::from(ln_bayes > 3.0);
        }
        assert!(claims >= 8 && left <= 1, "{claims} {left}");
    }

    #[test]
    fn hits_with_a_rhythm_are_not_found_without_it() {
        let order = 0.4;
        let (raw, ln_bayes, without) = of_shaft(5, order, |fit| hit(&fit, order, LOSS));
        assert!(
            raw > without + 5.0 && ln_bayes > 3.0,
            "{raw} {ln_bayes} {without}"
        );
    }
}

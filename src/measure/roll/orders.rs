//! Trial orders of a part whose order is not known exactly, and which of them deserve a closer look.

use crate::vehicle::{Part, PartKind};

use super::bayes::Turns;
use super::fold::{Comb, Field, block_sums, fold_shared, sums};
use super::parts::{hunts, mult};
use super::whole;

/// Relative sd of the order of what tyres let slip.
pub(super) const SLIP_SD: f64 = 0.002;
/// Trial orders reach this many sd either side.
pub(super) const REACH_SD: f64 = 2.5;
/// Neighbouring trials shift the last event of a record by this share of a period.
const TRIAL_SHIFT: f64 = 0.12;
/// Most trials either side.
const MOST_TRIALS: usize = 150;
/// Trials kept when there are more than `FEW`.
const KEPT: usize = 4;
const FEW: usize = 5;
/// Phases of a rank, for slipping parts and for all others.
const RANK_PHASES: usize = 18;
const COARSE_PHASES: usize = 24;
/// A first look takes trials in groups of `GROUP` on the record cut into `BLOCKS`: the orders of a group run apart by 0.03
/// of a period within a block. Of many trials this many are then ranked.
const GROUP: usize = 8;
const BLOCKS: usize = 16;
const PROMISING: usize = 16;

/// A trial order with its share of the prior.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Trial {
    pub order: f64,
    pub ln_weight: f64,
}

/// Trials evenly over `order (1 -+ 2.5 sd)` of a train of so many events, with weights that sum to 1.
pub(super) fn grid(order: f64, sd: f64, events: f64) -> Vec<Trial> {
    if sd <= 0.0 {
        return vec![Trial {
            order,
            ln_weight: 0.0,
        }];
    }
    let n = trials(sd, events);
    let offset = |j: usize| (j as f64 / n as f64 - 1.0) * REACH_SD * sd;
    let norm = ln_norm(n);
    (0..=2 * n)
        .map(|j| {
            let d = offset(j);
            Trial {
                order: order * (1.0 + d),
                ln_weight: -(d / sd) * (d / sd) / 2.0 - norm,
            }
        })
        .collect()
}

/// Trials either side of the nominal order, at least one.
fn trials(sd: f64, events: f64) -> usize {
    whole((REACH_SD * sd * events / TRIAL_SHIFT).ceil()).clamp(1, MOST_TRIALS)
}

/// Events of a part in a record, or of a hunting pair the turns of its shaft: they are what must stay in step.
fn shaft_turns(part: &Part, turns: f64) -> f64 {
    turns * part.order * mult(part) as f64
}

/// Logarithm of the sum of the unscaled weights of `2n + 1` trials.
fn ln_norm(n: usize) -> f64 {
    let weight = |j: usize| {
        let z = (j as f64 / n as f64 - 1.0) * REACH_SD;
        libm::exp(-z * z / 2.0)
    };
    libm::log((0..=2 * n).map(weight).sum())
}

/// The prior of [`grid`] as a function of any order, and the distance of its trials.
#[derive(Clone, Copy, Debug)]
pub(super) struct OrderPrior {
    nominal: f64,
    sd: f64,
    ln_norm: f64,
    /// Distance of neighbouring trials, 0 when the order is exact.
    pub pitch: f64,
}

impl OrderPrior {
    pub fn new(part: &Part, turns: f64) -> Self {
        let exact = part.order_sd <= 0.0;
        let n = trials(part.order_sd, shaft_turns(part, turns));
        Self {
            nominal: part.order,
            sd: part.order_sd,
            ln_norm: if exact { 0.0 } else { ln_norm(n) },
            pitch: part.order * REACH_SD * part.order_sd / n as f64,
        }
    }

    /// Offset of an order from the nominal one, in sd; 0 when the order is exact.
    pub fn offset_sd(&self, order: f64) -> f64 {
        if self.sd <= 0.0 {
            return 0.0;
        }
        (order / self.nominal - 1.0) / self.sd
    }

    pub fn ln_weight(&self, order: f64) -> f64 {
        let z = self.offset_sd(order);
        -z * z / 2.0 - self.ln_norm
    }
}

/// The trials of a part that deserve a closer look.
pub(super) fn shortlist(field: Field, part: &Part, turns: f64, least_rho: f64) -> Vec<Trial> {
    let mut trials = grid(part.order, part.order_sd, shaft_turns(part, turns));
    if trials.len() <= FEW {
        return trials;
    }
    let by_mixture = part.kind != PartKind::Bearing && !hunts(part);
    if !by_mixture && !hunts(part) {
        // phases of a period are too coarse for a pair's shaft
        trials = promising(field, trials);
    }
    let mut ranked: Vec<(f64, Trial)> = trials
        .iter()
        .map(|trial| {
            let worth = if by_mixture {
                mixture_rank(field, trial.order, least_rho)
            } else {
                coarse_rank(field, trial.order, COARSE_PHASES * mult(part))
            };
            (worth + trial.ln_weight, *trial)
        })
        .collect();
    // stable: equal ranks keep the order of the grid
    ranked.sort_by(|a, b| b.0.total_cmp(&a.0));
    trials = ranked.into_iter().take(KEPT).map(|(_, t)| t).collect();
    trials
}

/// Best phase of a coarse mixture.
fn mixture_rank(field: Field, order: f64, least_rho: f64) -> f64 {
    let comb = Comb {
        order,
        phases: RANK_PHASES,
    };
    let (folded, shared) = fold_shared(field, comb, least_rho, false);
    let mut turns = Turns::default();
    (0..comb.phases)
        .map(|p| {
            if turns.load(&folded, p, shared[p]) {
                turns.ln_mean_rank()
            } else {
                f64::NEG_INFINITY
            }
        })
        .fold(f64::NEG_INFINITY, f64::max)
}

/// Half the largest squared signal-to-noise ratio of a train two phases wide.
fn coarse_rank(field: Field, order: f64, phases: usize) -> f64 {
    best_pair(&sums(field, Comb { order, phases }))
}

/// [`coarse_rank`] from the sums of all phases.
fn best_pair(sums: &[(f64, f64)]) -> f64 {
    let n = sums.len();
    let z = (0..n)
        .map(|p| {
            let (a, b) = (sums[p], sums[(p + n - 1) % n]);
            let i = a.1 + b.1;
            if i > 0.0 { (a.0 + b.0) / i.sqrt() } else { 0.0 }
        })
        .fold(0.0, f64::max);
    z * z / 2.0
}

/// Those of many trials that [`coarse_rank`] may put first, in the order of the grid. A look at all of them costs a
/// sweep only for every `GROUP`: within a block of the record neighbouring trials differ by a shift alone.
fn promising(field: Field, trials: Vec<Trial>) -> Vec<Trial> {
    if trials.len() <= PROMISING + GROUP {
        return trials;
    }
    let turns = field.reach.1 - field.reach.0;
    let phases = COARSE_PHASES;
    let mut sums = [(0.0, 0.0); COARSE_PHASES];
    let mut ranked: Vec<(f64, usize)> = Vec::with_capacity(trials.len());
    for (g, group) in trials.chunks(GROUP).enumerate() {
        let order = group[group.len() / 2].order;
        let blocks = block_sums(field, Comb { order, phases }, BLOCKS);
        for (j, trial) in group.iter().enumerate() {
            sums.fill((0.0, 0.0));
            for (b, block) in blocks.chunks_exact(phases).enumerate() {
                let middle = turns * (b as f64 + 0.5) / BLOCKS as f64;
                let ahead = (trial.order - order) * middle;
                let shift = whole((ahead - ahead.floor()) * phases as f64 + 0.5) % phases;
                let (low, high) = sums.split_at_mut(shift);
                let onto = high.iter_mut().chain(low);
                for (sum, (u, i)) in onto.zip(block) {
                    sum.0 += u;
                    sum.1 += i;
                }
            }
            ranked.push((best_pair(&sums) + trial.ln_weight, g * GROUP + j));
        }
    }
    ranked.sort_by(|a, b| b.0.total_cmp(&a.0));
    let mut kept: Vec<usize> = ranked.into_iter().take(PROMISING).map(|r| r.1).collect();
    kept.sort_unstable();
    kept.into_iter().map(|j| trials[j]).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn grid_is_even_and_its_weights_sum_to_one() {
        // 2.5 * 0.002 * 300 * 1 / 0.12 = 12.5: 13 either side
        let trials = grid(1.0, 0.002, 300.0);
        assert_eq!(trials.len(), 27);
        let sum: f64 = trials.iter().map(|t| libm::exp(t.ln_weight)).sum();
        assert!((sum - 1.0).abs() < 1e-12);
        assert!((trials[0].order - 0.995).abs() < 1e-12 && (trials[13].order - 1.0).abs() < 1e-12);
        assert_eq!(grid(1.0, 0.0, 300.0).len(), 1);
        assert_eq!(grid(3.0, 0.01, 3000.0).len(), 301);
    }

    #[test]
    fn prior_continues_the_grid() {
        let part = Part {
            name: "cage".into(),
            kind: PartKind::Bearing,
            order: 0.44,
            order_sd: 0.01,
            mult: 1,
            per_own_turn: 1.0,
            rigid: false,
        };
        let prior = OrderPrior::new(&part, 500.0);
        let trials = grid(0.44, 0.01, 500.0 * 0.44);
        for pair in trials.windows(2) {
            assert!((pair[1].order - pair[0].order - prior.pitch).abs() < 1e-12);
            assert!((prior.ln_weight(pair[0].order) - pair[0].ln_weight).abs() < 1e-9);
        }
    }
}

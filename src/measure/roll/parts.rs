//! Every part's Bayes factor: its trial orders, the rival, and the finer look at what may be reported.

use crate::vehicle::{Part, PartKind, Train};

use super::bayes::Turns;
use super::count::Nodes;
use super::fold::{Comb, Field, Folded, Shared, fold, fold_shared, shared_of_pair};
use super::orders::{OrderPrior, SLIP_SD, Trial, shortlist};
use super::rhythm::ln_without_rhythm;
use super::rival::ln_rival;
use super::together::Together;
use super::whole;
use crate::measure::logarithm::{ln_mean_exp, ln_one_plus_exp, ln_sum_exp};

/// Phases of a train, and most of a hunting pair's.
const PHASES: usize = 36;
const MOST_PHASES: usize = 480;
/// Shares of a mean taken by the nuisance fit below this count as none; while naming, below the second.
pub(super) const LEAST_RHO: f64 = 0.05;
const LEAST_RHO_NAMING: f64 = 0.25;
/// Events that follow each other more closely than this share of half the magnets are so much alike that judging them
/// together says too little: of 79 bells found, depth 3 to 10, 75 were named right, together 62.
const CROWDED: f64 = 0.75;
/// Fewer events in a record than this make a part invisible.
const LEAST_EVENTS: f64 = 4.0;
/// Slower than this share of the fastest wheel stands still.
const STANDS: f64 = 0.02;
/// Trains closer than this many cycles over the record are the same events.
pub(super) const SAME_EVENTS: f64 = 0.7;
/// A bearing competes with ripple of a shaft up to this harmonic, within this many sd.
const RIVAL_HARMONICS: u32 = 4;
const RIVAL_SD: f64 = 2.5;

/// Everything that the parts are judged on.
#[derive(Clone, Copy)]
pub(super) struct Evidence<'a> {
    pub nodes: &'a Nodes,
    pub train: &'a Train,
    pub field: Field<'a>,
    pub turns: f64,
}

/// One part's case.
#[derive(Clone, Debug)]
pub(super) struct Case {
    /// Index among the train's parts.
    pub part: usize,
    /// `ln B`: decides whether a snag is reported.
    pub ln_bayes: f64,
    /// `ln B'` after the finer look: decides which part is named.
    pub ln_naming: f64,
    /// Best order and its comb's best phase.
    pub comb: Comb,
    pub phase: usize,
    /// What the nuisance fit and neighbouring events did to every phase of the comb.
    pub shared: Vec<Shared>,
    /// What its rivals took off.
    pub ln_rival: f64,
    /// Logarithm of the likelihood ratio at every phase: of the first look, and of the one that names.
    pub by_phase: Vec<f64>,
    pub naming_by_phase: Vec<f64>,
}

impl Case {
    /// `ln B` before its rivals.
    pub fn ln_raw(&self) -> f64 {
        self.ln_bayes + self.ln_rival
    }

    /// The best phase as a share of the event period.
    pub fn share(&self) -> f64 {
        self.phase as f64 / self.comb.phases as f64
    }

    /// Takes the phase nearest to this share, whole periods aside.
    pub fn turn_to(&mut self, share: f64) {
        let phases = self.comb.phases as f64;
        self.phase = whole((share - share.floor()) * phases + 0.5) % self.comb.phases;
    }
}

/// A comb's mean likelihood ratio.
#[derive(Clone, Debug)]
pub(super) struct Mean {
    /// Logarithm of the mean over phases, depths and rates; minus infinity when no phase had enough turns.
    pub ln: f64,
    /// The same at every phase.
    by_phase: Vec<f64>,
    /// The phase with the largest share.
    phase: usize,
    /// What the fit did to every phase.
    shared: Vec<Shared>,
}

/// Why a part cannot be judged on this record, if so.
pub(super) fn hidden(part: &Part, train: &Train, turns: f64) -> Option<String> {
    let moves = part.order * mult(part) as f64;
    let most = f64::from(train.magnets) / 2.0;
    // half the magnets exactly is still seen; the solved speeds carry rounding
    if moves < STANDS * train.fastest_wheel {
        Some("stands still".into())
    } else if moves > most * (1.0 + 1e-9) {
        Some(format!("order {moves:.2} above half the magnets ({most})"))
    } else if turns * part.order < LEAST_EVENTS {
        Some(format!(
            "{:.1} events in this record, at least 4 are needed",
            turns * part.order
        ))
    } else {
        None
    }
}

/// Two given teeth meet again only after several turns; a pair that meets every turn is like its shaft.
pub(super) fn hunts(part: &Part) -> bool {
    part.kind == PartKind::Pair && part.mult > 1
}

/// Parts of which one has the same case as the other, whatever the record.
pub(super) fn alike(a: &Part, b: &Part) -> bool {
    let class = |p: &Part| (p.kind == PartKind::Bearing, hunts(p).then_some(p.mult));
    class(a) == class(b)
        && (a.order_sd - b.order_sd).abs() < 1e-9
        && (a.order - b.order).abs() < 1e-9 * a.order
}

/// Turns of its shaft between two events of a part, as far as phases are concerned.
pub(super) fn mult(part: &Part) -> usize {
    if hunts(part) {
        usize::try_from(part.mult).unwrap_or(MOST_PHASES)
    } else {
        1
    }
}

/// Phases of the trains of a part whose events are `mult` turns of its shaft apart: as many for each of these turns, `PHASES` for each
/// and `least` of all as far as `MOST_PHASES` allow.
fn phases(mult: usize, least: usize) -> usize {
    let most = match MOST_PHASES / mult {
        0 => MOST_PHASES,
        each => each * mult,
    };
    (PHASES * mult).max(least.next_multiple_of(mult)).min(most)
}

impl Evidence<'_> {
    /// A part's comb, folded, and what the nuisance fit did to it.
    fn folded(&self, part: &Part, comb: Comb, least: f64) -> (Folded, Vec<Shared>) {
        let mult = mult(part);
        if mult == 1 {
            return fold_shared(self.field, comb, least, true);
        }
        let shared = if comb.phases.is_multiple_of(mult) {
            shared_of_pair(self.field, comb, mult, least)
        } else {
            vec![Shared::NONE; comb.phases]
        };
        (fold(self.field, comb), shared)
    }

    /// Mean likelihood ratio of a part's comb.
    pub fn mean(&self, part: &Part, comb: Comb, least_rho: f64) -> Mean {
        let (folded, shared) = self.folded(part, comb, least_rho);
        let mut turns = Turns::default();
        let ln: Vec<f64> = (0..comb.phases)
            .map(|p| {
                if turns.load(&folded, p, shared[p]) {
                    turns.ln_mean()
                } else {
                    f64::NEG_INFINITY
                }
            })
            .collect();
        let phase = (0..ln.len()).fold(0, |best, p| if ln[p] > ln[best] { p } else { best });
        Mean {
            ln: ln_mean_exp(&ln),
            by_phase: ln,
            phase,
            shared,
        }
    }

    /// A part's Bayes factor; `None` when no phase of it has enough informative turns.
    pub fn case(&self, index: usize) -> Option<Case> {
        let part = &self.train.parts[index];
        let phases = phases(mult(part), 0);
        let trials = shortlist(self.field, part, self.turns, LEAST_RHO);
        let scored: Vec<(f64, Trial, Mean)> = trials
            .into_iter()
            .map(|trial| {
                let comb = Comb {
                    order: trial.order,
                    phases,
                };
                let mean = self.mean(part, comb, LEAST_RHO);
                (trial.ln_weight + mean.ln, trial, mean)
            })
            .collect();
        let raw: Vec<f64> = scored.iter().map(|s| s.0).collect();
        let (best, trial, mean) = scored
            .into_iter()
            .reduce(|a, b| if b.0 > a.0 { b } else { a })?;
        if best == f64::NEG_INFINITY {
            return None;
        }
        let ln_raw = ln_sum_exp(&raw);
        let ln_rival = self.ln_rival_term(part, trial.order, ln_raw);
        let ln_bayes = ln_raw - ln_rival;
        Some(Case {
            part: index,
            ln_bayes,
            ln_naming: ln_bayes,
            comb: Comb {
                order: trial.order,
                phases,
            },
            phase: mean.phase,
            shared: mean.shared,
            ln_rival,
            naming_by_phase: mean.by_phase.clone(),
            by_phase: mean.by_phase,
        })
    }

    /// `ln(1 + R + R')` of the rivals: smooth ripple where a part competes with it, and hits without rhythm where there is a case
    /// to doubt, `ln_raw` before its rivals.
    fn ln_rival_term(&self, part: &Part, order: f64, ln_raw: f64) -> f64 {
        let competes = match part.kind {
            PartKind::Bearing => self.near_a_shaft(order),
            _ => !hunts(part),
        };
        let mut ln = Vec::new();
        if competes {
            ln.push(ln_rival(self.field.fit, order));
        }
        if ln_raw > 0.0 && !hunts(part) {
            ln.push(ln_without_rhythm(self, part, order));
        }
        ln_one_plus_exp(ln_sum_exp(&ln))
    }

    /// An order that ripple of some shaft may have.
    fn near_a_shaft(&self, order: f64) -> bool {
        let shafts = self.train.turning.iter().filter(|s| !s.planet);
        shafts.into_iter().any(|shaft| {
            (1..=RIVAL_HARMONICS).any(|h| {
                let ripple = f64::from(h) * shaft.order;
                let sd = self.shaft_sd(shaft.rigid);
                let reach = (SAME_EVENTS / self.turns).max(RIVAL_SD * sd * ripple);
                (order - ripple).abs() < reach
            })
        })
    }

    /// Relative sd of a shaft's order.
    pub fn shaft_sd(&self, rigid: bool) -> f64 {
        if rigid || !self.train.rolling {
            0.0
        } else {
            SLIP_SD
        }
    }

    /// The finer look at a part (`ln B'`): more phases, orders between the trials.
    pub fn refine(&self, case: &mut Case) {
        let part = &self.train.parts[case.part];
        let prior = OrderPrior::new(part, self.turns);
        let fine = whole((f64::from(self.train.magnets) / part.order).ceil());
        let phases = phases(mult(part), fine);
        let look = |order: f64| {
            let mean = self.mean(part, Comb { order, phases }, LEAST_RHO_NAMING);
            (prior.ln_weight(order) + mean.ln, mean)
        };
        let mut order = case.comb.order;
        let (mut best, mut mean) = look(order);
        if prior.pitch > 0.0 {
            for step in [prior.pitch / 2.0, prior.pitch / 4.0] {
                for trial in [order - step, order + step] {
                    let (worth, at) = look(trial);
                    if worth > best {
                        (order, best, mean) = (trial, worth, at);
                        break;
                    }
                }
            }
        }
        if best == f64::NEG_INFINITY {
            return;
        }
        case.ln_naming = best;
        case.comb = Comb { order, phases };
        case.phase = mean.phase;
        case.shared = mean.shared;
        case.naming_by_phase = mean.by_phase;
        self.judge_together(case);
    }

    /// `ln B'` with the turns of the best phase judged together; crowded events one by one, less the part's rivals.
    fn judge_together(&self, case: &mut Case) {
        if case.comb.order > CROWDED * f64::from(self.train.magnets) / 2.0 {
            case.ln_naming -= case.ln_rival;
            return;
        }
        let Some(turns) = self.turns_of(case) else {
            return;
        };
        let (one_by_one, (depth, rate)) = turns.likeliest();
        let together = Together::new(self.field, case.comb, case.phase);
        case.ln_naming += together.ln_mean((depth * turns.depth, rate), turns.depth) - one_by_one;
    }

    /// A bearing whose events are those of a shaft, joint or planet has no better case than that part.
    pub fn yield_to_shafts(&self, cases: &mut [Case]) {
        let plain: Vec<(f64, f64)> = cases
            .iter()
            .filter(|c| {
                let kind = self.train.parts[c.part].kind;
                kind != PartKind::Bearing && kind != PartKind::Pair
            })
            .map(|c| (c.comb.order, c.ln_naming))
            .collect();
        for case in cases {
            let part = &self.train.parts[case.part];
            if part.kind != PartKind::Bearing {
                continue;
            }
            let d = OrderPrior::new(part, self.turns).offset_sd(case.comb.order);
            for (order, ln) in &plain {
                if (order - case.comb.order).abs() < SAME_EVENTS / self.turns {
                    case.ln_naming = case.ln_naming.min(ln - d * d / 2.0);
                }
            }
        }
    }

    /// Scores of the turns of a case at its best order and phase; `None` when too few are informative.
    pub fn turns_of(&self, case: &Case) -> Option<Turns> {
        let folded = fold(self.field, case.comb);
        let mut turns = Turns::default();
        let enough = turns.load(&folded, case.phase, case.shared[case.phase]);
        enough.then_some(turns)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_turn_of_a_shaft_has_as_many_phases() {
        assert_eq!(
            (phases(1, 0), phases(1, 100), phases(1, 900)),
            (36, 100, 480)
        );
        assert_eq!((phases(11, 0), phases(11, 400)), (396, 407));
        for mult in 1..=MOST_PHASES {
            for least in [0, 100, 900] {
                let phases = phases(mult, least);
                assert!(phases.is_multiple_of(mult), "{mult}: {phases}");
                assert!((1..=MOST_PHASES).contains(&phases));
            }
        }
        // no room for a phase of every turn
        assert_eq!(phases(MOST_PHASES + 1, 0), MOST_PHASES);
    }
}

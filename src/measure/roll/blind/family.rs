//! Which member of a family of orders the hits have: an order, its multiples and its parts share their events.

use super::super::bayes::Turns;
use super::super::fold::{Comb, Field, Folded, Shared, fold, fold_shared};
use super::super::rival::ln_rival;
use super::super::whole;
use crate::measure::logarithm::{ln_one_plus_exp, ln_sum_exp};

/// Members of the family of an order, as multiples of it.
const MEMBERS: [f64; 6] = [0.25, 1.0 / 3.0, 0.5, 1.0, 2.0, 3.0];
/// A member is tried at its multiple and this many cycles over the record beside it.
const BESIDE: [f64; 5] = [-0.24, -0.12, 0.0, 0.12, 0.24];
/// Fewer events than this in a record do not tell members apart.
const LEAST_EVENTS: f64 = 6.0;
/// Phases of a train, least and most: one a magnet interval between them.
const PHASES: (usize, usize) = (36, 480);
/// Phases that the noise of a train's sum is taken from.
const NOISE_PHASES: usize = 6;
/// Phases whose hits are looked at: those with the largest sums.
const LOOKED_AT: usize = 6;

/// The order of the family of `order` whose train of hits has the largest mixture Bayes factor, mean over phases, depths and
/// hit rates: hits that come at one place of a turn are less probable as hits of a train with two. A multiple, whose turns may
/// hold ripple as well, also has to win against smooth ripple of its own order.
pub(super) fn fundamental(field: Field, order: f64, magnets: u32) -> f64 {
    let members = MEMBERS.map(|times| (times * order, times > 1.0));
    let judged = members.map(|(member, _)| best_beside(field, member, magnets));
    let mut best = (f64::NEG_INFINITY, order);
    for ((_, multiple), (mut ln, trial)) in members.into_iter().zip(judged) {
        if multiple && ln > best.0 {
            ln -= ln_one_plus_exp(ln_rival(field.fit, trial));
        }
        if ln > best.0 {
            best = (ln, trial);
        }
    }
    best.1
}

/// The largest mean likelihood ratio of a member, as a logarithm, and its order.
fn best_beside(field: Field, member: f64, magnets: u32) -> (f64, f64) {
    let turns = field.reach.1 - field.reach.0;
    let nothing = (f64::NEG_INFINITY, member);
    if member * turns < LEAST_EVENTS || member > f64::from(magnets) / 2.0 {
        return nothing;
    }
    let kappa = noise(field, member);
    let trials = BESIDE.map(|beside| member + beside / turns);
    let judged = trials.map(|trial| (ln_hits(field, trial, kappa, magnets), trial));
    let better = |a: (f64, f64), b: (f64, f64)| if b.0 > a.0 { b } else { a };
    judged.into_iter().fold(nothing, better)
}

/// Logarithm of the mean likelihood ratio of a train, its sums `kappa` times as noisy as its scores, over phases, depths and hit rates.
fn ln_hits(field: Field, order: f64, kappa: f64, magnets: u32) -> f64 {
    let places = whole((f64::from(magnets) / order).ceil());
    let comb = Comb {
        order,
        phases: places.clamp(PHASES.0, PHASES.1),
    };
    let folded = fold(field, comb);
    let shared = Shared {
        kappa,
        ..Shared::NONE
    };
    let mut turns = Turns::default();
    let mut ln = Vec::with_capacity(LOOKED_AT);
    for p in strongest_phases(&folded, comb.phases) {
        if turns.load(&folded, p, shared) {
            ln.push(turns.ln_mean());
        }
    }
    ln_sum_exp(&ln) - libm::log(comb.phases as f64)
}

/// How much noisier the sum of a train is than its single scores say, mean over its phases: events close together answer
/// together.
fn noise(field: Field, order: f64) -> f64 {
    let comb = Comb {
        order,
        phases: NOISE_PHASES,
    };
    let (_, all) = fold_shared(field, comb, 1.0, true);
    all.iter().map(|s| s.kappa).sum::<f64>() / all.len() as f64
}

/// The phases with the largest sum of scores over the root of their information.
fn strongest_phases(folded: &Folded, phases: usize) -> Vec<usize> {
    let z = |p: &usize| {
        let events = p * folded.events..(p + 1) * folded.events;
        let u: f64 = folded.u[events.clone()].iter().sum();
        let i: f64 = folded.i[events].iter().sum();
        if i > 0.0 {
            u / i.sqrt()
        } else {
            f64::NEG_INFINITY
        }
    };
    let mut all: Vec<(f64, usize)> = (0..phases).map(|p| (z(&p), p)).collect();
    all.sort_by(|a, b| b.0.total_cmp(&a.0));
    all.into_iter().take(LOOKED_AT).map(|(_, p)| p).collect()
}

//! Folding: scores of a train of evenly spaced events, one every `1/order` turns, for every phase of it.

use crate::measure::wide::{sum, wide};

use super::bayes::clipped;
use super::fit::Fit;
use super::score::{Cross, ScoreField};
use super::whole;

/// Largest share of a train's mean that the nuisance fit may have taken away.
const MOST_SHARED: f64 = 0.95;

/// Phases that the nuisance columns are solved for at once.
const SIDE: usize = 4;

/// A record ready to be folded.
#[derive(Clone, Copy)]
pub(super) struct Field<'a> {
    pub fit: &'a Fit,
    pub scores: &'a ScoreField,
    /// First and last angle, turns.
    pub reach: (f64, f64),
}

/// A train of events: event `k` of phase `p` lies `(k + p/phases)/order` turns after the first counted edge.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Comb {
    pub order: f64,
    pub phases: usize,
}

/// Scores and informations by phase and event.
#[derive(Clone, Debug)]
pub(super) struct Folded {
    /// Events of each phase.
    pub events: usize,
    /// Phase-major, `phases x events`; information 0 where the record says nothing.
    pub u: Vec<f64>,
    pub i: Vec<f64>,
}

/// What the nuisance fit and the neighbourhood of events did to a train of one phase.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Shared {
    /// Share of the train's mean that the nuisance fit took away, 0..=0.95.
    pub rho: f64,
    /// How much noisier the train's sum is than single scores say, >= 1.
    pub kappa: f64,
    /// Share of a train's mean that its scores show, >= 0: columns and drag take their part, and so do the neighbouring events, each of
    /// which looks like drag to the other.
    pub shown: f64,
    /// A hunting pair meets in one of so many turns of its shaft, and the mean is taken of all of them; otherwise 1.
    pub one_in: f64,
    /// Sums of scores (clipped) and informations of those turns of the shaft in which it does not meet; otherwise 0.
    pub others: (f64, f64),
}

impl Folded {
    /// Scores and informations of one phase, by event.
    pub fn of_phase(&self, p: usize) -> (&[f64], &[f64]) {
        let range = p * self.events..(p + 1) * self.events;
        (&self.u[range.clone()], &self.i[range])
    }
}

impl Shared {
    /// A train that shares nothing.
    pub const NONE: Self = Self {
        rho: 0.0,
        kappa: 1.0,
        shown: 1.0,
        one_in: 1.0,
        others: (0.0, 0.0),
    };
}

impl Comb {
    /// Distance between neighbouring phases, turns.
    fn pitch(&self) -> f64 {
        1.0 / (self.order * self.phases as f64)
    }
}

/// One event of a sweep.
#[derive(Clone, Copy)]
pub(super) struct Event {
    /// Number within its phase, and its phase.
    k: usize,
    p: usize,
    /// The cell it lies in.
    pub cell: usize,
    /// Share of the cell that lies behind it.
    pub share: f64,
}

/// Calls `take` for every event that the record can show, by angle: the events of all phases are one even grid.
fn sweep(field: Field, comb: Comb, mut take: impl FnMut(Event)) {
    let pitch = comb.pitch();
    let origin = field.reach.0;
    let (mut q, mut k, mut p) = (0usize, 0usize, 0usize);
    for (c, cell) in field.scores.cells.iter().enumerate() {
        let mut a = origin + q as f64 * pitch;
        if a < cell.start {
            q = whole((cell.start - origin) / pitch);
            a = origin + q as f64 * pitch;
            while a < cell.start {
                q += 1;
                a = origin + q as f64 * pitch;
            }
            (k, p) = (q / comb.phases, q % comb.phases);
        }
        while a < cell.end {
            take(Event {
                k,
                p,
                cell: c,
                share: cell.share(a),
            });
            q += 1;
            p += 1;
            if p == comb.phases {
                (k, p) = (k + 1, 0);
            }
            a = origin + q as f64 * pitch;
        }
    }
}

/// Number of events of each phase in a record of `turns`.
fn events(turns: f64, order: f64) -> usize {
    whole(turns * order) + 1
}

/// Every event that the record can show, by angle.
fn shown(field: Field, comb: Comb) -> Vec<Event> {
    let events = events(field.reach.1 - field.reach.0, comb.order);
    let mut all = Vec::with_capacity(events * comb.phases);
    sweep(field, comb, |event| all.push(event));
    all
}

/// Scores and informations of a comb.
pub(super) fn fold(field: Field, comb: Comb) -> Folded {
    folded(field, comb, &shown(field, comb))
}

fn folded(field: Field, comb: Comb, shown: &[Event]) -> Folded {
    let events = events(field.reach.1 - field.reach.0, comb.order);
    let mut folded = Folded {
        events,
        u: vec![0.0; events * comb.phases],
        i: vec![0.0; events * comb.phases],
    };
    for event in shown.iter().filter(|e| e.k < events) {
        let (u, i) = field.scores.cells[event.cell].score(event.share);
        let at = event.p * events + event.k;
        (folded.u[at], folded.i[at]) = (u, i);
    }
    folded
}

/// The events of one phase that have information in [`fold`], by number.
pub(super) fn train(field: Field, comb: Comb, phase: usize) -> Vec<Event> {
    let events = events(field.reach.1 - field.reach.0, comb.order);
    let mut all = Vec::with_capacity(events);
    sweep(field, comb, |event| {
        let says = |e: &Event| field.scores.cells[e.cell].score(e.share).1 > 0.0;
        if event.p == phase && event.k < events && says(&event) {
            all.push(event);
        }
    });
    all
}

/// Sums of score and information of every phase: what [`fold`] would give, without the single events.
pub(super) fn sums(field: Field, comb: Comb) -> Vec<(f64, f64)> {
    block_sums(field, comb, 1)
}

/// The same for each of `blocks` equal stretches of the record, block-major.
pub(super) fn block_sums(field: Field, comb: Comb, blocks: usize) -> Vec<(f64, f64)> {
    let mut sums = vec![(0.0, 0.0); blocks * comb.phases];
    let (from, to) = field.reach;
    let block_of = |c: usize| {
        let at = (field.scores.cells[c].start - from) / (to - from);
        whole(at * blocks as f64).min(blocks - 1) * comb.phases
    };
    let (mut cell, mut first) = (0, 0);
    sweep(field, comb, |event| {
        if event.cell != cell {
            (cell, first) = (event.cell, block_of(event.cell));
        }
        let (u, i) = field.scores.cells[event.cell].score(event.share);
        let sum = &mut sums[first + event.p];
        sum.0 += u;
        sum.1 += i;
    });
    sums
}

wide!(fn cross<'a>(field: Field<'a>, comb: Comb, events: &'a [Event]) -> Vec<[f64; SIDE]> = cross_of);

/// Cross-information of the trains with every column, `SIDE` phases beside each other: phase `p` and column `c` at
/// `[p / SIDE * n + c][p % SIDE]` of `n` columns.
#[inline(always)]
fn cross_of(field: Field, comb: Comb, events: &[Event]) -> Vec<[f64; SIDE]> {
    let n = field.fit.b.len();
    let mut all = vec![[0.0; SIDE]; n * comb.phases.div_ceil(SIDE)];
    let most = field.scores.cross.iter().map(Cross::width).max();
    let mut local = vec![0.0f32; most.unwrap_or(0) * comb.phases];
    let mut run = 0;
    let mut flush = |run: usize, local: &mut [f32]| {
        let cross = &field.scores.cross[run];
        let rows = local.chunks_exact_mut(cross.width().max(1));
        for (p, row) in rows.take(comb.phases).enumerate() {
            for (c, v) in cross.columns.iter().zip(&*row) {
                all[p / SIDE * n + c][p % SIDE] += f64::from(*v);
            }
            row.fill(0.0);
        }
    };
    for &Event { p, cell, share, .. } in events {
        while cell >= field.scores.run_cells[run + 1] {
            flush(run, &mut local);
            run += 1;
        }
        let cross = &field.scores.cross[run];
        let width = cross.width();
        let row = field.scores.cells[cell].row;
        cross.add(row, share, &mut local[p * width..(p + 1) * width]);
    }
    if !field.scores.cross.is_empty() {
        flush(run, &mut local);
    }
    all
}

/// `Q = c' Ainv c` of every phase: how much of the train's information the nuisance columns can take.
fn taken(field: Field, comb: Comb, events: &[Event]) -> Vec<f64> {
    let mut all = cross(field, comb, events);
    let side_by_side = all.chunks_exact_mut(field.fit.b.len().max(1));
    let squares = side_by_side.flat_map(|c| {
        field.fit.factor.half_solve_each(c);
        let mut squares = [0.0; SIDE];
        for half in c {
            for (square, h) in squares.iter_mut().zip(half) {
                *square += *h * *h;
            }
        }
        squares
    });
    squares.take(comb.phases).collect()
}

/// Mean share of the information of single events that the nuisance columns can take, 0..=1; asked of at most `most`
/// events of one phase.
pub(super) fn taken_of_singles(field: Field, comb: Comb, phase: usize, most: usize) -> f64 {
    let all = train(field, comb, phase);
    let n = all.len().min(most);
    // every event a train of its own
    let alone = |p: usize| Event {
        p,
        ..all[p * all.len() / n]
    };
    let events: Vec<Event> = (0..n).map(alone).collect();
    let q = taken(field, Comb { phases: n, ..comb }, &events);
    let i = |e: &Event| field.scores.cells[e.cell].score(e.share).1;
    let sum: f64 = events.iter().map(i).sum();
    (q.iter().sum::<f64>() / sum.max(f64::MIN_POSITIVE)).clamp(0.0, 1.0)
}

wide!(fn response<'a>(field: Field<'a>, comb: Comb, events: &'a [Event]) -> Vec<f64> = response_of);

/// `G` of every phase: sum over all edges of the squared whitened response to a unit loss at every event.
#[inline(always)]
fn response_of(field: Field, comb: Comb, events: &[Event]) -> Vec<f64> {
    let phases = comb.phases;
    let track = &field.fit.track;
    let mut sum = vec![0.0; phases];
    let cells = &field.scores.cells;
    let mut next = events.iter().peekable();
    // side by side, so that the compiler can take several phases at once
    let (mut s0, mut s1, mut s2) = (vec![0.0; phases], vec![0.0; phases], vec![0.0; phases]);
    for run in &track.runs {
        for s in [&mut s0, &mut s1, &mut s2] {
            s.fill(0.0);
        }
        for row in run.clone() {
            let (step, gain) = (&track.steps[row], &field.fit.gains[row]);
            let information = gain.inv_sd * gain.inv_sd;
            let [k0, k1, k2] = gain.k;
            let states = s0.iter_mut().zip(&mut s1).zip(&mut s2);
            for (((s0, s1), s2), g) in states.zip(&mut sum) {
                let (a0, a1, a2) = (*s0, *s1, *s2);
                *g += a0 * a0 * information;
                *s0 = (1.0 - k0) * a0 + step.e * a1 + step.d * a2;
                *s1 = a1 + step.dx * a2 - k1 * a0;
                *s2 = a2 - k2 * a0;
            }
            while let Some(event) = next.next_if(|e| cells[e.cell].row == row) {
                s0[event.p] += cells[event.cell].lever(event.share);
                s1[event.p] -= 1.0;
            }
        }
    }
    sum
}

/// [`fold`], and what the nuisance fit and neighbouring events did to every phase of the comb. Below `least_rho` nothing was taken.
/// Without `neighbours` kappa stays 1 (a rank needs no more).
pub(super) fn fold_shared(
    field: Field,
    comb: Comb,
    least_rho: f64,
    neighbours: bool,
) -> (Folded, Vec<Shared>) {
    let events = shown(field, comb);
    let folded = folded(field, comb, &events);
    let taken = taken(field, comb, &events);
    let response = neighbours.then(|| response(field, comb, &events));
    let shared = (0..comb.phases)
        .map(|p| {
            let s = sum(folded.of_phase(p).1);
            if s <= 0.0 {
                return Shared::NONE;
            }
            let rho = (taken[p] / s).clamp(0.0, MOST_SHARED);
            let left = response
                .as_ref()
                .map_or(s * (1.0 - rho), |g| g[p] - taken[p]);
            Shared {
                rho: if rho < least_rho { 0.0 } else { rho },
                kappa: (left / (s * (1.0 - rho))).max(1.0),
                shown: (left / s).max(0.0),
                ..Shared::NONE
            }
        })
        .collect();
    (folded, shared)
}

/// The same of a hunting pair that meets in one of `mult` turns of its shaft (`comb.phases` is a multiple of it). Ripple of the
/// shaft takes the mean of all its turns, so those in which the pair does not meet show how much.
pub(super) fn shared_of_pair(field: Field, comb: Comb, mult: usize, least_rho: f64) -> Vec<Shared> {
    let shaft = Comb {
        order: comb.order * mult as f64,
        phases: comb.phases / mult,
    };
    let (folded, of_shaft) = fold_shared(field, shaft, least_rho, false);
    let classes = |p: usize| {
        let mut sums = vec![(0.0, 0.0); mult];
        let (u, i) = folded.of_phase(p);
        for (k, (u, i)) in u.iter().zip(i).enumerate() {
            let sum = &mut sums[k % mult];
            *sum = (sum.0 + clipped(*u, *i), sum.1 + i);
        }
        sums
    };
    let classes: Vec<_> = (0..shaft.phases).map(classes).collect();
    let of_phase = |q: usize| {
        let (p, own) = (q % shaft.phases, q / shaft.phases);
        let others = classes[p].iter().enumerate().filter(|(k, _)| *k != own);
        let one_in = mult as f64;
        Shared {
            shown: 1.0 - (1.0 - of_shaft[p].shown) / one_in,
            one_in,
            others: others.fold((0.0, 0.0), |all, (_, sum)| (all.0 + sum.0, all.1 + sum.1)),
            ..of_shaft[p]
        }
    };
    (0..comb.phases).map(of_phase).collect()
}

#[cfg(test)]
mod tests {
    use super::super::fixture::{fit, nodes};
    use super::super::score::{score_field, tests::response};
    use super::*;

    #[test]
    fn fold_and_what_it_shares_are_direct_sums() {
        let nodes = nodes(4, 120, 4);
        let fit = fit(&nodes, &[(2, 60), (70, 119)]);
        let scores = score_field(&fit);
        let field = Field {
            fit: &fit,
            scores: &scores,
            reach: (nodes.x[0], nodes.x[119]),
        };
        let comb = Comb {
            order: 1.37,
            phases: 12,
        };
        let (folded, shared) = fold_shared(field, comb, 0.05, true);
        let sums = sums(field, comb);
        let inverse = fit.factor.inverse();
        let columns = fit.b.len();
        for p in 0..comb.phases {
            let (mut u_sum, mut i_sum) = (0.0, 0.0);
            let mut train = vec![0.0; fit.track.len()];
            for k in 0..folded.events {
                let a = nodes.x[0] + (k as f64 + p as f64 / 12.0) / 1.37;
                let cell = scores.cells.iter().find(|c| c.start <= a && a < c.end);
                let (mut u, mut i) = (0.0, 0.0);
                if let Some(cell) = cell {
                    (u, i) = cell.score(cell.share(a));
                    for (sum, g) in train.iter_mut().zip(response(&fit, cell.row, a)) {
                        *sum += g;
                    }
                }
                let at = p * folded.events + k;
                assert!((folded.u[at] - u).abs() < 1e-9 * (1.0 + u.abs()));
                assert!((folded.i[at] - i).abs() < 1e-9 * (1.0 + i));
                (u_sum, i_sum) = (u_sum + u, i_sum + i);
            }
            assert!((sums[p].0 - u_sum).abs() < 1e-9 * (1.0 + u_sum.abs()));
            assert!((sums[p].1 - i_sum).abs() < 1e-9 * i_sum);
            let mut c = vec![0.0; columns];
            for (run, block) in fit.track.runs.iter().zip(&fit.blocks) {
                for (row, x) in run.clone().zip(block.rows()) {
                    for (j, x) in block.columns.iter().zip(x) {
                        c[*j] += fit.weight[row] * x * train[row];
                    }
                }
            }
            let q: f64 = (0..columns)
                .map(|i| {
                    let row = &inverse[i * columns..(i + 1) * columns];
                    c[i] * row.iter().zip(&c).map(|(a, c)| a * c).sum::<f64>()
                })
                .sum();
            let g: f64 = train.iter().map(|g| g * g).sum();
            let rho = (q / i_sum).clamp(0.0, 0.95);
            let kappa = ((g - q) / (i_sum * (1.0 - rho))).max(1.0);
            assert!((shared[p].kappa - kappa).abs() < 1e-5 * kappa, "{shared:?}");
            let shown = (g - q) / i_sum;
            assert!((shared[p].shown - shown).abs() < 1e-5, "{shared:?} {shown}");
            let rho = if rho < 0.05 { 0.0 } else { rho };
            assert!((shared[p].rho - rho).abs() < 1e-5, "{shared:?} {rho}");
        }
    }

    #[test]
    fn a_pair_shares_the_mean_of_all_turns_of_its_shaft() {
        let nodes = nodes(4, 160, 5);
        let fit = fit(&nodes, &[(0, 159)]);
        let scores = score_field(&fit);
        let reach = (nodes.x[0], nodes.x[159]);
        let field = Field {
            fit: &fit,
            scores: &scores,
            reach,
        };
        let (order, mult) = (0.9, 3);
        let comb = |order: f64, phases: usize| Comb { order, phases };
        let (shaft, of_shaft) = fold_shared(field, comb(order, 4), 0.0, false);
        let pair = fold(field, comb(order / 3.0, 12));
        let of_pair = shared_of_pair(field, comb(order / 3.0, 12), mult, 0.0);
        for (p, shared) in of_pair.iter().enumerate() {
            assert!((shared.rho - of_shaft[p % 4].rho).abs() < 1e-12 && shared.one_in > 2.9);
            let sum = |folded: &Folded, p: usize| {
                let (u, i) = folded.of_phase(p);
                u.iter().zip(i).fold((0.0, 0.0), |sum, (u, i)| {
                    (sum.0 + clipped(*u, *i), sum.1 + i)
                })
            };
            let (own, all) = (sum(&pair, p), sum(&shaft, p % 4));
            assert!((own.0 + shared.others.0 - all.0).abs() < 1e-6 * all.1.sqrt());
            assert!((own.1 + shared.others.1 - all.1).abs() < 1e-6 * all.1);
        }
    }

    #[test]
    fn a_train_of_equal_losses_shows_the_stated_share_of_its_mean() {
        /// Small beside what the scores of single intervals count up to.
        const LOSS: f64 = 1e-3;
        let nodes = nodes(4, 160, 5);
        let mut fit = fit(&nodes, &[(0, 159)]);
        // nothing but the losses
        fit.residual.fill(0.0);
        let scores = score_field(&fit);
        let reach = (nodes.x[0], nodes.x[159]);
        let field = Field {
            fit: &fit,
            scores: &scores,
            reach,
        };
        for order in [0.31, 1.37] {
            let comb = Comb { order, phases: 6 };
            let (folded, shared) = fold_shared(field, comb, 0.05, true);
            for (p, shared) in shared.iter().enumerate() {
                let mut train = vec![0.0; fit.track.len()];
                for k in 0..folded.events {
                    let a = reach.0 + (k as f64 + p as f64 / 6.0) / order;
                    let cell = scores.cells.iter().find(|c| c.start <= a && a < c.end);
                    let late = cell.map(|c| response(&fit, c.row, a)).unwrap_or_default();
                    for (train, late) in train.iter_mut().zip(late) {
                        *train -= LOSS * late;
                    }
                }
                let lost = fit.less(&train);
                let scores = score_field(&lost);
                let with = Field {
                    fit: &lost,
                    scores: &scores,
                    reach,
                };
                let (u, i) = sums(with, comb)[p];
                let share = u / LOSS / i;
                // single rows weigh less than 1 in the columns
                assert!((share - shared.shown).abs() < 0.02, "{share} {shared:?}");
                // crowded events take most of each other's mean, which the columns' share does not say
                assert!(
                    order < 1.0 || share < 0.7 * (1.0 - shared.rho),
                    "{shared:?}"
                );
            }
        }
    }

    #[test]
    fn what_is_taken_of_single_hits_is_what_trains_of_one_event_share() {
        let nodes = nodes(4, 160, 5);
        let fit = fit(&nodes, &[(0, 70), (80, 159)]);
        let scores = score_field(&fit);
        let field = Field {
            fit: &fit,
            scores: &scores,
            reach: (nodes.x[0], nodes.x[159]),
        };
        let comb = Comb {
            order: 0.31,
            phases: 5,
        };
        let events = fold(field, comb).events;
        assert!(events > 4);
        // every event is the first one of some phase of a comb slower by `events`
        let slow = Comb {
            order: comb.order / events as f64,
            phases: comb.phases * events,
        };
        let (folded, alone) = fold_shared(field, slow, 0.0, false);
        for p in 0..comb.phases {
            let (mut taken, mut all) = (0.0, 0.0);
            for at in (p..slow.phases).step_by(comb.phases) {
                let i = folded.i[at * folded.events];
                taken += i * alone[at].rho;
                all += i;
            }
            let mean = taken_of_singles(field, comb, p, events);
            assert!((mean - taken / all).abs() < 1e-9, "{mean} {}", taken / all);
            // fewer are a part of them
            let few = taken_of_singles(field, comb, p, 2);
            assert!(few > 0.0 && few < MOST_SHARED, "{few}");
        }
        assert!(taken_of_singles(field, comb, 0, 0) <= 0.0);
    }
}

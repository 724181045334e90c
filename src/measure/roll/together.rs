//! Which turns hit, and how much all of them speak for a snag, judged together.
//!
//! One turn's score holds more than its own loss. The loss of a neighbour reaches into it (the filter takes a step of energy
//! partly for drag), and the columns of the nuisance fit took a share of all losses away. Both are linear and known, so with
//! losses `x` the scores are `u = K x` plus noise of covariance `K`: the products of the turns' responses less what the
//! columns take of them. A chain draws the losses one by one, each given all the others (the sampler of Geman and Geman,
//! 1984), then depth and hit rate given the losses; its mean is the answer. The chances are the same at every run, so a
//! record has one answer. To tell parts apart ([`Together::ln_mean`]) nothing is drawn: every turn takes of the others what is
//! expected of them.
//!
//! Units are those of the score field: losses and depths in turns^2/s^2, scores in their inverse, informations and products in
//! the inverse's square.

use super::bayes::wild;
use super::draws::Draws;
use super::fold::{Comb, Event, Field, train};
use super::hits::{DEPTH_RANGE, DEPTH_SPREAD, ratio_about};
use crate::measure::cholesky::Cholesky;
use crate::measure::wide::{LANES, per_lane};

/// Sweeps over all turns that the chain settles in, and those that count. Other chances move probabilities and the hit rate by
/// 0.012 rms (0.055 and 0.04 at most) where they do most, of spur and pinion in 42 records; of a ring by 0.005.
const SETTLES: usize = 100;
const SWEEPS: usize = 1000;
/// Steps of the logarithm of the depth: with all losses, and alone.
const STEP_TOGETHER: f64 = 0.10;
const STEP_ALONE: f64 = 0.05;
/// Sweeps before depth and rate move, and most of them; over once the logarithm moves less than this. Sweeping on to the end moves
/// the logarithm of a part within 10 of the best by 0.07 rms, 0.28 at most (544 parts in 125 records).
const LEAST_EXPECTED: usize = 3;
const MOST_EXPECTED: usize = 40;
const SETTLED: f64 = 0.02;
/// A response is over where this many rows are below this share of its largest.
const OVER: (usize, f64) = (16, 1e-3);
/// What the columns leave of a turn's own information is at least this share.
const LEAST_LEFT: f64 = 0.05;

/// Scores of a train's turns, and what the losses of all turns do to each.
pub(super) struct Together {
    /// Score of every turn.
    u: Vec<f64>,
    /// Information of every turn less what the columns take, and the same kept above 0.
    left: Vec<f64>,
    own: Vec<f64>,
    /// For every turn the first turn that it shares rows with, and the products from there on.
    near: Vec<(usize, Vec<f64>)>,
    /// `columns` numbers a turn; the product of two turns' is what the columns take. Legs have columns of their own: those of a
    /// turn begin at `first_column`.
    taken: Vec<f64>,
    columns: usize,
    first_column: Vec<usize>,
}

/// What the chain says.
pub(super) struct Drawn {
    /// Hit rate and its standard deviation.
    pub rate: (f64, f64),
    /// Probability of a hit, and expected loss (>= 0), of every turn.
    pub hit: Vec<f64>,
    pub loss: Vec<f64>,
}

/// A response where it is not over: first row and values.
struct Response {
    first: usize,
    values: Vec<f64>,
}

impl Response {
    fn of(field: Field, run: &std::ops::Range<usize>, event: Event) -> Self {
        let (fit, cell) = (field.fit, &field.scores.cells[event.cell]);
        let mut s = [cell.lever(event.share), -1.0, 0.0];
        let mut values = Vec::new();
        let (mut largest, mut small) = (0.0f64, 0);
        for row in cell.row + 1..run.end {
            let (step, gain) = (&fit.track.steps[row], &fit.gains[row]);
            let [k0, k1, k2] = gain.k;
            let value = s[0] * gain.inv_sd;
            values.push(value);
            s = [
                (1.0 - k0) * s[0] + step.e * s[1] + step.d * s[2],
                s[1] + step.dx * s[2] - k1 * s[0],
                s[2] - k2 * s[0],
            ];
            largest = largest.max(value.abs());
            small = if value.abs() < OVER.1 * largest {
                small + 1
            } else {
                0
            };
            if small == OVER.0 {
                break;
            }
        }
        Self {
            first: cell.row + 1,
            values,
        }
    }

    fn times(&self, other: &Self) -> f64 {
        let from = self.first.max(other.first);
        let of = |r: &Self| r.values.get(from - r.first..).map_or(0, <[f64]>::len);
        let rows = of(self).min(of(other));
        if rows == 0 {
            return 0.0;
        }
        let part = |r: &Self| from - r.first..from - r.first + rows;
        dot(&self.values[part(self)], &other.values[part(other)])
    }

    fn end(&self) -> usize {
        self.first + self.values.len()
    }
}

/// Sum of the products, in lanes side by side.
#[inline(always)]
fn dot(a: &[f64], b: &[f64]) -> f64 {
    let (a, a_rest) = a.as_chunks::<LANES>();
    let (b, b_rest) = b.as_chunks::<LANES>();
    let mut lanes = [0.0; LANES];
    for (a, b) in a.iter().zip(b) {
        lanes = per_lane(|l| lanes[l] + a[l] * b[l]);
    }
    let rest: f64 = a_rest.iter().zip(b_rest).map(|(a, b)| a * b).sum();
    lanes.iter().sum::<f64>() + rest
}

impl Together {
    /// The turns of one phase that have information, by number.
    pub fn new(field: Field, comb: Comb, phase: usize) -> Self {
        let columns = field.fit.b.len();
        let (mut u, mut taken) = (Vec::new(), Vec::new());
        let mut responses: Vec<Response> = Vec::new();
        let mut run = 0;
        for event in train(field, comb, phase) {
            while event.cell >= field.scores.run_cells[run + 1] {
                run += 1;
            }
            let cell = &field.scores.cells[event.cell];
            let rows = &field.fit.track.runs[run];
            u.push(cell.score(event.share).0);
            responses.push(Response::of(field, rows, event));
            let cross = &field.scores.cross[run];
            let mut active = vec![0.0f32; cross.width()];
            cross.add(cell.row, event.share, &mut active);
            let from = taken.len();
            taken.resize(from + columns, 0.0);
            for (column, c) in cross.columns.iter().zip(active) {
                taken[from + column] = f64::from(c);
            }
        }
        for turns in taken.chunks_mut(columns * LANES) {
            half_solve(&field.fit.factor, turns);
        }
        Self::of(u, &products(&responses), taken, columns)
    }

    /// From scores, products of the responses (for every turn those with itself and the turns after it), and `columns` numbers a turn.
    fn of(u: Vec<f64>, after: &[Vec<f64>], taken: Vec<f64>, columns: usize) -> Self {
        let mut near: Vec<(usize, Vec<f64>)> = Vec::with_capacity(u.len());
        let mut first = 0;
        for n in 0..u.len() {
            while first + after[first].len() <= n {
                first += 1;
            }
            let before = (first..n).map(|m| after[m].get(n - m).copied().unwrap_or(0.0));
            near.push((first, before.chain(after[n].iter().copied()).collect()));
        }
        let left = |n: usize| {
            let h = &taken[n * columns..(n + 1) * columns];
            after[n][0] - dot(h, h)
        };
        let left: Vec<f64> = (0..u.len()).map(left).collect();
        let own = left.iter().zip(after);
        let own = own.map(|(left, after)| left.max(LEAST_LEFT * after[0]));
        Self {
            own: own.collect(),
            left,
            first_column: vec![0; u.len()],
            u,
            near,
            taken,
            columns,
        }
    }

    /// The turns of several legs, which share depth and hit rate and nothing else.
    ///
    /// # Panics
    /// Without a leg.
    pub fn joined(legs: Vec<Self>) -> Self {
        let columns = legs.iter().map(|leg| leg.columns).max();
        let columns = columns.expect("a snag is shown by a leg");
        let join = |mut all: Self, leg: Self| {
            let turns = all.u.len();
            let first_column = all.first_column.last().map_or(0, |first| first + columns);
            let rows = leg.taken.chunks_exact(leg.columns.max(1));
            for row in rows {
                all.taken.extend_from_slice(row);
                all.taken.resize(all.taken.len() + columns - row.len(), 0.0);
            }
            let near = leg.near.into_iter();
            all.near
                .extend(near.map(|(first, products)| (turns + first, products)));
            all.first_column.resize(turns + leg.u.len(), first_column);
            all.u.extend(leg.u);
            all.left.extend(leg.left);
            all.own.extend(leg.own);
            all
        };
        let none = Self {
            u: Vec::new(),
            left: Vec::new(),
            own: Vec::new(),
            near: Vec::new(),
            taken: Vec::new(),
            columns,
            first_column: Vec::new(),
        };
        legs.into_iter().fold(none, join)
    }

    #[inline(always)]
    fn taken_of(&self, n: usize) -> &[f64] {
        &self.taken[n * self.columns..(n + 1) * self.columns]
    }

    /// The columns that turn `n` shares with others of its leg.
    #[inline(always)]
    fn columns_of(&self, n: usize) -> std::ops::Range<usize> {
        self.first_column[n]..self.first_column[n] + self.columns
    }

    /// Nothing lost yet.
    fn chain(&self, (a, h): (f64, f64)) -> Chain<'_> {
        let turns = self.u.len();
        Chain {
            all: self,
            draws: Draws(1),
            a,
            h,
            x: vec![0.0; turns],
            near: vec![0.0; turns],
            taken: vec![
                0.0;
                self.first_column
                    .last()
                    .map_or(0, |first| first + self.columns)
            ],
        }
    }

    /// Logarithm of the likelihood ratio against a train without losses, mean over depths (within [`DEPTH_RANGE`] times `scale`)
    /// and hit rates; the likeliest are sought from `start` (depth and hit rate) on. Every turn sees of the others what is
    /// expected of them (mean field; Jordan, Ghahramani, Jaakkola and Saul, 1999): but for wild turns a lower bound at any one depth
    /// and rate.
    pub fn ln_mean(&self, start: (f64, f64), scale: f64) -> f64 {
        let mut chain = self.chain(start);
        let mut sum = chain.expect();
        for sweep in 1..MOST_EXPECTED {
            if sweep >= LEAST_EXPECTED {
                chain.follow(&sum, scale);
            }
            let next = chain.expect();
            let settled = (next.ln - sum.ln).abs() < SETTLED;
            sum = next;
            if settled && sweep > LEAST_EXPECTED {
                break;
            }
        }
        sum.ln_mean(self.u.len() as f64)
    }

    /// Draws from depth `a` and hit rate `h` on; depths within [`DEPTH_RANGE`] times `scale`.
    pub fn draw(&self, (a, h): (f64, f64), scale: f64) -> Drawn {
        let turns = self.u.len();
        let mut chain = self.chain((a, h));
        let (mut hit, mut loss) = (vec![0.0; turns], vec![0.0; turns]);
        let (mut mean, mut square) = (0.0, 0.0);
        for sweep in 0..SETTLES + SWEEPS {
            let count = if sweep < SETTLES {
                0.0
            } else {
                1.0 / SWEEPS as f64
            };
            chain.sweep(&mut hit, &mut loss, count);
            chain.rate();
            chain.depth(scale);
            if sweep >= SETTLES {
                mean += chain.h / SWEEPS as f64;
                square += chain.h * chain.h / SWEEPS as f64;
            }
        }
        Drawn {
            rate: (mean, (square - mean * mean).max(0.0).sqrt()),
            hit,
            loss,
        }
    }
}

/// Replaces as many right sides as there are lanes, or fewer, one after the other, by their `L^-1 b`.
fn half_solve(factor: &Cholesky, right: &mut [f64]) {
    let n = factor.size();
    let mut x = vec![[0.0; LANES]; n];
    for (lane, b) in right.chunks_exact(n).enumerate() {
        for (x, b) in x.iter_mut().zip(b) {
            x[lane] = *b;
        }
    }
    factor.half_solve_each(&mut x);
    for (lane, b) in right.chunks_exact_mut(n).enumerate() {
        for (x, b) in x.iter().zip(b) {
            *b = x[lane];
        }
    }
}

/// Products of every response with itself and those after it, as far as they share rows. `responses` are in order.
fn products(responses: &[Response]) -> Vec<Vec<f64>> {
    let of = |(n, response): (usize, &Response)| {
        let after = responses[n..].iter().enumerate();
        let shared = after.take_while(|(m, r)| *m == 0 || r.first < response.end());
        shared.map(|(_, r)| response.times(r)).collect()
    };
    responses.iter().enumerate().map(of).collect()
}

/// One state of depth, hit rate and losses.
struct Chain<'a> {
    all: &'a Together,
    draws: Draws,
    a: f64,
    h: f64,
    /// Loss of every turn, 0 without a hit.
    x: Vec<f64>,
    /// What the losses do to every score by their responses, and to the columns.
    near: Vec<f64>,
    taken: Vec<f64>,
}

/// A turn, given the losses of all the others.
struct Judged {
    /// What the others do to its score.
    others: f64,
    /// Likelihood ratio against a turn without a loss.
    ratio: f64,
    /// Probability of a hit; the loss of one, and 1 over its variance.
    hit: f64,
    loss: f64,
    known: f64,
}

/// Sums over the turns, of what is expected of each given the others.
#[derive(Default)]
struct Expected {
    /// Logarithm of the likelihood ratio; the others' losses are those of the moment, so it is right once they settle.
    ln: f64,
    /// Hits, losses and squares of the losses.
    hits: f64,
    loss: f64,
    square: f64,
    /// Information on the logarithm of the depth.
    known: f64,
}

impl Expected {
    /// Logarithm of the likelihood ratio's mean over the logarithm of the depth and over hit rates, both evenly likely before: the
    /// largest, less the logarithm of how many times the range that comes near it (Laplace's `sqrt(2 pi variance)`; of the rate the
    /// variance of a beta distribution) goes into all of it.
    fn ln_mean(&self, turns: f64) -> f64 {
        let share = |range: f64, variance: f64| {
            libm::log(range / (2.0 * std::f64::consts::PI * variance).sqrt()).max(0.0)
        };
        let (hits, all) = (self.hits + 1.0, turns + 2.0);
        let rate = hits * (all - hits) / (all * all * (all + 1.0));
        let depths = libm::log(DEPTH_RANGE.1 / DEPTH_RANGE.0);
        self.ln - share(depths, 1.0 / self.known) - share(1.0, rate)
    }
}

impl Chain<'_> {
    /// Draws the loss of every turn once; probabilities of a hit and expected losses are added, `count` times.
    fn sweep(&mut self, hit: &mut [f64], loss: &mut [f64], count: f64) {
        for (n, (hit, loss)) in hit.iter_mut().zip(loss).enumerate() {
            let (p, lost) = self.turn(n);
            *hit += count * p;
            *loss += count * lost;
        }
    }

    /// Turn `n`, given the losses of all the others.
    #[inline(always)]
    fn judge(&self, n: usize) -> Judged {
        let all = self.all;
        let i = all.own[n];
        let taken = dot(all.taken_of(n), &self.taken[all.columns_of(n)]);
        let others = self.near[n] - taken - all.left[n] * self.x[n];
        let v = all.u[n] - others;
        let e = self.h * ratio_about(v, i, self.a);
        let ratio = 1.0 - self.h + e + wild(v, i);
        let prior = 1.0 / (DEPTH_SPREAD * self.a * DEPTH_SPREAD * self.a);
        Judged {
            others,
            ratio,
            hit: e / ratio,
            loss: (self.a * prior + v) / (prior + i),
            known: prior + i,
        }
    }

    /// Draws the loss of turn `n`, given all the others; also its probability of a hit and its expected loss.
    #[inline(always)]
    fn turn(&mut self, n: usize) -> (f64, f64) {
        let turn = self.judge(n);
        let hits = self.draws.unit() < turn.hit;
        let x = if hits {
            turn.loss + self.draws.normal() / turn.known.sqrt()
        } else {
            0.0
        };
        self.set(n, x);
        (turn.hit, turn.hit * turn.loss.max(0.0))
    }

    /// Sets the loss of every turn to what is expected of it, given those of all the others.
    fn expect(&mut self) -> Expected {
        let mut sum = Expected::default();
        for n in 0..self.x.len() {
            let turn = self.judge(n);
            let (x, i) = (turn.hit * turn.loss, self.all.own[n]);
            // what two turns share is in the ratio of both: half of it is put back in each
            sum.ln +=
                libm::log(turn.ratio / (1.0 + wild(self.all.u[n], i))) + x * turn.others / 2.0;
            sum.hits += turn.hit;
            sum.loss += x;
            sum.square += turn.hit * (turn.loss * turn.loss + 1.0 / turn.known);
            let scatter = DEPTH_SPREAD * self.a * DEPTH_SPREAD * self.a;
            sum.known += turn.hit * self.a * self.a / (1.0 / i + scatter);
            self.set(n, x);
        }
        sum
    }

    /// Depth and hit rate that the expected losses make likeliest; depths within [`DEPTH_RANGE`] times `scale`.
    fn follow(&mut self, sum: &Expected, scale: f64) {
        self.h = (sum.hits + 0.5) / (self.x.len() as f64 + 1.0);
        let spread = DEPTH_SPREAD * DEPTH_SPREAD;
        let root = (sum.loss * sum.loss + 4.0 * spread * sum.hits * sum.square).sqrt();
        let a = (root - sum.loss) / (2.0 * spread * sum.hits);
        if a.is_finite() {
            self.a = a.clamp(DEPTH_RANGE.0 * scale, DEPTH_RANGE.1 * scale);
        }
    }

    #[inline(always)]
    fn set(&mut self, n: usize, x: f64) {
        let more = x - self.x[n];
        if more.abs() > 0.0 {
            self.x[n] = x;
            let (first, products) = &self.all.near[n];
            for (near, product) in self.near[*first..].iter_mut().zip(products) {
                *near += more * product;
            }
            let columns = &mut self.taken[self.all.columns_of(n)];
            for (taken, h) in columns.iter_mut().zip(self.all.taken_of(n)) {
                *taken += more * h;
            }
        }
    }

    /// Draws the hit rate, evenly likely before: of as many even numbers as turns and one, the one above as many as hit.
    fn rate(&mut self) {
        let mut even: Vec<f64> = (0..=self.x.len()).map(|_| self.draws.unit()).collect();
        let count = self.x.iter().filter(|x| is_hit(**x)).count();
        self.h = *even.select_nth_unstable_by(count, f64::total_cmp).1;
    }

    /// Draws the depth, its logarithm evenly likely before, by Metropolis' steps.
    fn depth(&mut self, scale: f64) {
        let within = |a: f64| (DEPTH_RANGE.0..DEPTH_RANGE.1).contains(&(a / scale));
        // all losses with it: their scatter in units of the depth stays, the scores judge
        let u = dot(&self.x, &self.all.u);
        let square = dot(&self.x, &self.near) - dot(&self.taken, &self.taken);
        let c = libm::exp(STEP_TOGETHER * self.draws.normal());
        let ln = (c - 1.0) * u - (c * c - 1.0) * square / 2.0;
        if libm::log(self.draws.unit()) < ln && within(c * self.a) {
            self.a *= c;
            for all in [&mut self.x, &mut self.near, &mut self.taken] {
                for v in all {
                    *v *= c;
                }
            }
        }
        // alone: the losses judge
        let hit = self.x.iter().filter(|x| is_hit(**x));
        let (n, s1, s2) = hit.fold((0.0, 0.0, 0.0), |s, x| (s.0 + 1.0, s.1 + x, s.2 + x * x));
        let ln = |a: f64| {
            let off = s2 - 2.0 * a * s1 + n * a * a;
            -n * libm::log(a) - off / (2.0 * DEPTH_SPREAD * a * DEPTH_SPREAD * a)
        };
        let a = self.a * libm::exp(STEP_ALONE * self.draws.normal());
        if within(a) && libm::log(self.draws.unit()) < ln(a) - ln(self.a) {
            self.a = a;
        }
    }
}

/// A loss that is not that of a miss.
fn is_hit(x: f64) -> bool {
    x.abs() > 0.0
}

#[cfg(test)]
pub(super) mod tests {
    use super::super::bayes::Turns;
    use super::super::fixture::{Random, nodes, weighed};
    use super::super::fold::{Shared, fold};
    use super::super::score::score_field;
    use super::*;
    use crate::measure::logarithm::ln_mean_exp;

    /// Turns that know each other by their mean alone, of which a column took the share `rho`; noise 1.
    pub fn of_shared_mean(u: Vec<f64>, rho: f64) -> Together {
        let n = u.len();
        let taken = vec![(rho / n as f64).sqrt(); n];
        Together::of(u, &vec![vec![1.0]; n], taken, 1)
    }

    /// Scores of such turns: hits as often as `h`, of depth `a`, varying by 25 %.
    fn record(random: &mut Random, rho: f64, a: f64, h: f64) -> (Vec<f64>, Vec<bool>) {
        const TURNS: usize = 200;
        let hit: Vec<bool> = (0..TURNS).map(|_| random.uniform(0.0, 1.0) < h).collect();
        let mut depth = || a * (1.0 + 0.25 * random.normal());
        let loss = hit.iter().map(|hit| if *hit { depth() } else { 0.0 });
        let loss: Vec<f64> = loss.collect();
        let noise: Vec<f64> = loss.iter().map(|_| random.normal()).collect();
        let mean = |all: &[f64]| all.iter().sum::<f64>() / TURNS as f64;
        // covariance I - rho 11'/n of the noise
        let off = rho * mean(&loss) + (1.0 - (1.0 - rho).sqrt()) * mean(&noise);
        let u = loss.iter().zip(&noise).map(|(l, n)| l + n - off).collect();
        (u, hit)
    }

    fn product(all: &Together, n: usize, m: usize) -> f64 {
        let (first, near) = &all.near[n];
        let near = if m < *first {
            None
        } else {
            near.get(m - first)
        };
        near.copied().unwrap_or(0.0) - dot(all.taken_of(n), all.taken_of(m))
    }

    /// Likelihood ratio of depth `a` and hit rate `h`, summed over all patterns of hits; turns as of [`of_shared_mean`].
    fn ln_of_all_patterns(u: &[f64], rho: f64, a: f64, h: f64) -> f64 {
        let n = u.len();
        let variance = DEPTH_SPREAD * a * DEPTH_SPREAD * a;
        let (alpha, c) = (1.0 + 1.0 / variance, rho / n as f64);
        let of = |pattern: u32| {
            let hits = (0..n).filter(|k| pattern >> k & 1 == 1);
            let (mut m, mut sum, mut square) = (0.0, 0.0, 0.0);
            for k in hits {
                let b = u[k] + a / variance;
                (m, sum, square) = (m + 1.0, sum + b, square + b * b);
            }
            // precision of the losses: alpha I - c 11'
            let left = alpha - c * m;
            let energy = square / alpha + c * sum * sum / (alpha * left) - a * a * m / variance;
            let det = libm::log(variance) * m + libm::log(alpha) * (m - 1.0) + libm::log(left);
            let prior = m * libm::log(h) + (n as f64 - m) * libm::log(1.0 - h);
            libm::exp(prior + (energy - if m > 0.0 { det } else { 0.0 }) / 2.0)
        };
        libm::log((0..1u32 << n).map(of).sum())
    }

    #[test]
    fn expected_losses_bound_the_sum_over_all_patterns_from_below() {
        let hit = [1.0, 0.0, 1.0, 1.0, 0.0, 0.0, 1.0, 0.0, 1.0, 1.0];
        let noise = [0.3, -0.4, 0.2, -0.2, 0.1, 0.6, -0.8, -0.3, 0.2, -0.5];
        for (rho, a, h) in [(0.0, 2.2, 0.6), (0.5, 2.5, 0.6), (0.9, 3.0, 0.7)] {
            let loss: Vec<f64> = hit.iter().map(|hit| hit * a).collect();
            let off = rho * loss.iter().sum::<f64>() / loss.len() as f64;
            let u = loss.iter().zip(noise).map(|(l, n)| l + n - off);
            let u: Vec<f64> = u.collect();
            let exact = ln_of_all_patterns(&u, rho, a, h);
            let all = of_shared_mean(u, rho);
            let mut chain = all.chain((a, h));
            let bound = (0..200).map(|_| chain.expect().ln).last().unwrap();
            assert!(bound < exact + 0.02, "rho {rho}: {bound} {exact}");
            assert!(bound > exact - 0.3, "rho {rho}: {bound} {exact}");
        }
    }

    #[test]
    fn mean_over_depths_and_rates_is_that_of_a_grid() {
        let mut random = Random::new(3);
        let (u, _) = record(&mut random, 0.0, 4.0, 0.4);
        let of = |(a, h): (f64, f64)| {
            let turn = |u: &f64| {
                let wild = wild(*u, 1.0);
                libm::log((1.0 - h + h * ratio_about(*u, 1.0, a) + wild) / (1.0 + wild))
            };
            u.iter().map(turn).sum::<f64>()
        };
        let (low, high) = DEPTH_RANGE;
        let depth = |j: usize| low * libm::pow(high / low, (j as f64 + 0.5) / 200.0);
        let rate = |k: usize| (k as f64 + 0.5) / 100.0;
        let all: Vec<f64> = (0..200)
            .flat_map(|j| (0..100).map(move |k| (j, k)))
            .map(|(j, k)| of((depth(j), rate(k))))
            .collect();
        let grid = ln_mean_exp(&all);
        let together = of_shared_mean(u, 0.0);
        for start in [(2.0, 0.2), (5.0, 0.7)] {
            let ln = together.ln_mean(start, 1.0);
            assert!((ln - grid).abs() < 0.3, "{ln} {grid}");
        }
    }

    #[test]
    fn scores_of_losses_are_the_products_with_them() {
        const LOSS: f64 = 1e-3;
        let nodes = nodes(4, 160, 5);
        let mut fit = weighed(&nodes, &[(0, 90), (95, 159)], |_| 1.0);
        // nothing but the losses
        fit.residual.fill(0.0);
        let reach = (nodes.x[0], nodes.x[159]);
        let scores = score_field(&fit);
        let field = Field {
            fit: &fit,
            scores: &scores,
            reach,
        };
        let comb = Comb {
            order: 1.37,
            phases: 6,
        };
        for phase in 0..comb.phases {
            let events = train(field, comb, phase);
            let hit = |n: usize| n.is_multiple_of(3) || n % 7 == 2;
            let mut late = vec![0.0; fit.track.len()];
            for event in (0..events.len()).filter(|n| hit(*n)).map(|n| events[n]) {
                let run = scores.run_cells.partition_point(|c| *c <= event.cell) - 1;
                let response = Response::of(field, &fit.track.runs[run], event);
                for (late, value) in late[response.first..].iter_mut().zip(&response.values) {
                    *late -= LOSS * value;
                }
            }
            let lost = fit.less(&late);
            let scores = score_field(&lost);
            let field = Field {
                fit: &lost,
                scores: &scores,
                reach,
            };
            let all = Together::new(field, comb, phase);
            let mut turns = Turns::default();
            assert!(turns.load(&fold(field, comb), phase, Shared::NONE));
            assert_eq!(turns.k.len(), all.u.len());
            let largest = (0..all.u.len())
                .map(|n| LOSS * turns.i[n])
                .fold(0.0, f64::max);
            for n in 0..all.u.len() {
                let whole = product(&all, n, n) + dot(all.taken_of(n), all.taken_of(n));
                assert!((whole / turns.i[n] - 1.0).abs() < 1e-4, "own information");
                assert!((turns.u[n] - all.u[n]).abs() < 1e-9 * largest);
                let said: f64 = (0..all.u.len())
                    .filter(|m| hit(*m))
                    .map(|m| LOSS * product(&all, n, m))
                    .sum();
                assert!(
                    (said - all.u[n]).abs() < 1e-3 * largest,
                    "{n}: {said} {}",
                    all.u[n]
                );
            }
        }
    }

    /// Probabilities of seven turns at a known depth and rate, against all 128 ways.
    #[test]
    fn the_chain_visits_every_way_as_often_as_it_should() {
        const N: usize = 7;
        let (a, h) = (2.0, 0.4);
        let u = vec![1.4, -0.6, 2.0, 0.3, 0.9, -1.1, 1.7];
        // neighbours reach into each other, a column takes half of the mean
        let after: Vec<Vec<f64>> = (0..N)
            .map(|n| {
                if n + 1 < N {
                    vec![1.0, -0.15]
                } else {
                    vec![1.0]
                }
            })
            .collect();
        let all = Together::of(u, &after, vec![(0.5 / N as f64).sqrt(); N], 1);
        let s2 = DEPTH_SPREAD * a * DEPTH_SPREAD * a;
        let (mut total, mut exact) = (0.0, [0.0; N]);
        for way in 0..1u32 << N {
            let hit: Vec<usize> = (0..N).filter(|n| way >> n & 1 == 1).collect();
            let mut ln = 0.0;
            if !hit.is_empty() {
                let near = hit.iter().flat_map(|n| hit.iter().map(move |m| (*n, *m)));
                let matrix: Vec<f64> = near
                    .map(|(n, m)| product(&all, n, m) + if n == m { 1.0 / s2 } else { 0.0 })
                    .collect();
                let b: Vec<f64> = hit.iter().map(|n| all.u[*n] + a / s2).collect();
                let factor = Cholesky::new(&matrix, hit.len()).unwrap();
                let k = hit.len() as f64;
                ln = dot(&b, &factor.solve(&b)) / 2.0
                    - factor.ln_det() / 2.0
                    - k * (libm::log(s2) + a * a / s2) / 2.0;
                ln += k * libm::log(h / (1.0 - h));
            }
            total += libm::exp(ln);
            for n in hit {
                exact[n] += libm::exp(ln);
            }
        }
        let mut chain = Chain {
            draws: Draws(5),
            all: &all,
            a,
            h,
            x: vec![0.0; N],
            near: vec![0.0; N],
            taken: vec![0.0],
        };
        let (mut sum, sweeps) = ([0.0; N], 20_000);
        for _ in 0..sweeps {
            for (n, sum) in sum.iter_mut().enumerate() {
                *sum += chain.turn(n).0 / f64::from(sweeps);
            }
        }
        for (n, (p, exact)) in sum.iter().zip(exact).enumerate() {
            // a wild turn takes up to a hundredth
            assert!(
                (p - exact / total).abs() < 0.02,
                "{n}: {p} {}",
                exact / total
            );
        }
    }

    #[test]
    fn probabilities_are_the_shares_that_hit() {
        for rho in [0.0, 0.6, 0.9] {
            let mut random = Random::new(11);
            let (mut claimed, mut hits) = ([0.0; 4], [0.0; 4]);
            let mut turns = [0.0; 4];
            for _ in 0..12 {
                let (u, hit) = record(&mut random, rho, 2.5, 0.4);
                let drawn = of_shared_mean(u, rho).draw((1.0, 0.2), 1.0);
                for (p, hit) in drawn.hit.iter().zip(hit) {
                    let bin = [0.2, 0.5, 0.8].iter().filter(|b| p >= *b).count();
                    claimed[bin] += p;
                    hits[bin] += f64::from(u8::from(hit));
                    turns[bin] += 1.0;
                }
            }
            for bin in 0..4 {
                let p: f64 = claimed[bin] / turns[bin];
                let sd = (p * (1.0 - p) / turns[bin]).sqrt();
                let off = hits[bin] / turns[bin] - p;
                assert!(
                    off.abs() < 4.0 * sd + 0.03,
                    "rho {rho} bin {bin}: {off} {p}"
                );
            }
        }
    }

    #[test]
    fn hits_with_a_fitted_away_mean_keep_rate_and_loss() {
        for (rho, h) in [(0.0, 0.4), (0.6, 0.4), (0.9, 0.15), (0.9, 0.8)] {
            let mut random = Random::new(3);
            let (u, hit) = record(&mut random, rho, 5.0, h);
            let drawn = of_shared_mean(u, rho).draw((2.0, 0.3), 1.0);
            let count = hit.iter().filter(|h| **h).count() as f64;
            let (rate, sd) = drawn.rate;
            let off = rate - count / hit.len() as f64;
            assert!(off.abs() < 0.05 && sd < 0.08, "{rho} {h}: {off} {sd}");
            let lost: f64 = drawn.loss.iter().sum();
            assert!((lost / count / 5.0 - 1.0).abs() < 0.1, "{rho} {h}: {lost}");
        }
    }
}

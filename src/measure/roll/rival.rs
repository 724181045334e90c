//! The rival of a snag: smooth ripple at the same order and its harmonics, in torque and angle.

use std::f64::consts::TAU;
use std::ops::Range;

use crate::measure::cholesky::Cholesky;
use crate::measure::wide::{Aligned, LANES, wide};
use crate::vehicle::Train;

use super::fit::Fit;
use super::nuisance::{Kind, SAME_ORDER, States, Wave, torque, trig};
use super::orders::{SLIP_SD, Trial, grid};
use super::products::{Table, Wanted, add_products};
use super::side_by_side::each;
use super::whole;
use crate::measure::logarithm::ln_sum_exp;

/// Harmonics of the rival, and columns of each: angle sine, cosine, torque sine, cosine.
pub(super) const HARMONICS: usize = 4;
const COLUMNS: usize = 4 * HARMONICS;
const _: () = assert!(
    COLUMNS.is_multiple_of(LANES),
    "its columns fill whole lanes"
);
/// Leading columns and scales of the priors that the rival averages over.
const LEADING: [usize; 3] = [4, 8, 16];
const SCALES: [f64; 4] = [1.0, 0.3, 0.1, 0.03];
/// A drifting shaft gets columns when its rival scores above this.
const TAKEN: f64 = 2.0;
/// Orders of one drifting shaft lie at least this many cycles over the record apart.
const APART: f64 = 0.7;

/// Within a run the fastest harmonic of a neighbouring order may be out of step by this many cycles, either way.
const OUT_OF_STEP: f64 = 0.03;
/// Fewer neighbours than this are not worth it: each is worked out by itself.
const LEAST_GROUP: usize = 3;

/// Logarithm of the Bayes factor "smooth ripple at `order`" against "no more ripple than the columns explain".
pub(super) fn ln_rival(fit: &Fit, order: f64) -> f64 {
    let runs = products(fit, order);
    ln_of(fit, order, sum(fit, &runs, 0.0))
}

/// [`ln_rival`] of a grid of ascending orders. Of many, neighbours share the sweeps over the record: within a run their ripples differ
/// by a phase alone, which turns sines into cosines.
fn ln_rivals(fit: &Fit, orders: &[f64]) -> Vec<f64> {
    let group = group(fit, orders);
    if group < LEAST_GROUP {
        return each(orders, |order| ln_rival(fit, *order));
    }
    let groups: Vec<&[f64]> = orders.chunks(group).collect();
    let worked_out = each(&groups, |orders| {
        let middle = orders[orders.len() / 2];
        let runs = products(fit, middle);
        let of = |order: &f64| ln_of(fit, *order, sum(fit, &runs, order - middle));
        orders.iter().map(of).collect::<Vec<f64>>()
    });
    worked_out.concat()
}

/// Neighbours of an even grid that stay in step within the longest run.
fn group(fit: &Fit, orders: &[f64]) -> usize {
    let length = |run: &Range<usize>| fit.track.x[run.end - 1] - fit.track.x[run.start];
    let longest = fit.track.runs.iter().map(length).fold(0.0, f64::max);
    let pitch = (orders[orders.len() - 1] - orders[0]) / (orders.len() - 1) as f64;
    let ahead = HARMONICS as f64 * pitch * longest / 2.0;
    1 + 2 * whole((OUT_OF_STEP / ahead).min(orders.len() as f64))
}

/// Logarithm of the Bayes factor from `V'W res` and what the columns leave of `V'WV`.
fn ln_of(fit: &Fit, order: f64, (s, g): ([f64; COLUMNS], Aligned<f64>)) -> f64 {
    let mut priors = [0.0; COLUMNS];
    for h in 0..HARMONICS {
        for (kind, at) in [(Kind::Angle, 0), (Kind::Torque, 2)] {
            let wave = Wave {
                kind,
                order: order * (h + 1) as f64,
                hats: 1,
            };
            priors[4 * h + at..4 * h + at + 2].fill(wave.prior(fit.track.level));
        }
    }
    let s: Vec<f64> = s.iter().zip(&priors).map(|(s, d)| s * d).collect();
    let mut ln = Vec::with_capacity(LEADING.len() * SCALES.len());
    for n in LEADING {
        for scale in SCALES {
            let c2 = scale * scale;
            let mut a = vec![0.0; n * n];
            for i in 0..n {
                for j in 0..n {
                    a[i * n + j] = c2 * priors[i] * g[i * COLUMNS + j] * priors[j];
                }
                a[i * n + i] += 1.0;
            }
            // I + c^2 G is positive definite but for rounding; without an answer the rival claims nothing
            ln.push(Cholesky::new(&a, n).map_or(0.0, |factor| {
                let half = factor.half_solve(&s[..n]);
                let gain: f64 = half.iter().map(|h| h * h).sum();
                c2 / 2.0 * gain - factor.ln_det() / 2.0
            }));
        }
    }
    ln_sum_exp(&ln) - libm::log(ln.len() as f64)
}

/// Products of the rival's columns V over one run.
struct Products {
    /// Middle of the run, turns.
    middle: f64,
    /// `V'W res`.
    s: [f64; COLUMNS],
    /// `V'WV`, row-major.
    g: Aligned<f64>,
    /// `V'WX` with the run's own columns, row-major.
    cross: Aligned<f64>,
}

/// Products of every run at an order.
fn products(fit: &Fit, order: f64) -> Vec<Products> {
    let runs = fit.track.runs.iter().zip(&fit.blocks);
    runs.map(|(run, block)| {
        let x = &fit.track.x[run.clone()];
        let v = responses(fit, order, &harmonics(order, x), run.clone());
        let mut s = [0.0; COLUMNS];
        for (row, v) in run.clone().zip(v.chunks_exact(COLUMNS)) {
            let (w, res) = (fit.weight[row], fit.residual[row]);
            for (s, v) in s.iter_mut().zip(v) {
                *s += v * w * res;
            }
        }
        let v = Table {
            values: &v,
            width: COLUMNS,
        };
        let weight = &fit.weight[run.clone()];
        let mut g = Aligned::zeros(COLUMNS * COLUMNS);
        let mut cross = Aligned::zeros(COLUMNS * block.width());
        add_products(v, weight, v, Wanted::All, &mut g);
        add_products(v, weight, block.table(), Wanted::All, &mut cross);
        Products {
            middle: f64::midpoint(x[0], x[x.len() - 1]),
            s,
            g,
            cross,
        }
    })
    .collect()
}

/// `V'W res` and `V'WV - V'WX Ainv X'WV` of the whole record at an order that is `off` from that of the products.
fn sum(fit: &Fit, runs: &[Products], off: f64) -> ([f64; COLUMNS], Aligned<f64>) {
    let mut s = [0.0; COLUMNS];
    let mut g = Aligned::zeros(COLUMNS * COLUMNS);
    let mut cross = vec![[0.0; COLUMNS]; fit.b.len()];
    for (run, block) in runs.iter().zip(&fit.blocks) {
        let turn = Turn::new(off * run.middle);
        for (s, own) in s.iter_mut().zip(turn.columns(&run.s)) {
            *s += own;
        }
        let rows: Vec<_> = run
            .g
            .chunks_exact(COLUMNS)
            .map(|row| turn.columns(row))
            .collect();
        for j in 0..COLUMNS {
            let column = turn.columns(&std::array::from_fn::<f64, COLUMNS, _>(|i| rows[i][j]));
            for (i, g_ij) in column.into_iter().enumerate() {
                g[i * COLUMNS + j] += g_ij;
            }
        }
        let width = block.width().max(1);
        for (n, pair) in run.cross.chunks_exact(2 * width).enumerate() {
            let (sines, cosines) = pair.split_at(width);
            for (c, (sine, cosine)) in block.columns.iter().zip(sines.iter().zip(cosines)) {
                let [sine, cosine] = turn.pair(n, [*sine, *cosine]);
                cross[*c][2 * n] += sine;
                cross[*c][2 * n + 1] += cosine;
            }
        }
    }
    fit.factor.half_solve_each(&mut cross);
    let mut shared = [[0.0; COLUMNS]; COLUMNS];
    for half in &cross {
        for (shared, a) in shared.iter_mut().zip(half) {
            for (shared, b) in shared.iter_mut().zip(half) {
                *shared += a * b;
            }
        }
    }
    for (g, shared) in g.iter_mut().zip(shared.as_flattened()) {
        *g -= shared;
    }
    (s, g)
}

/// Turns every harmonic's sine and cosine on by its multiple of an angle.
struct Turn([[f64; 2]; HARMONICS]);

impl Turn {
    /// By so many turns of the first harmonic.
    fn new(turns: f64) -> Self {
        Self(std::array::from_fn(|h| {
            let turns = (h + 1) as f64 * turns;
            let (sin, cos) = libm::sincos(TAU * (turns - turns.floor()));
            [sin, cos]
        }))
    }

    /// What belongs to the sine and the cosine of pair `n` of the rival's columns.
    fn pair(&self, n: usize, [sine, cosine]: [f64; 2]) -> [f64; 2] {
        let [sin, cos] = self.0[n / 2];
        [sine * cos + cosine * sin, cosine * cos - sine * sin]
    }

    /// What belongs to all of the rival's columns.
    fn columns(&self, row: &[f64]) -> [f64; COLUMNS] {
        let mut out = [0.0; COLUMNS];
        let pairs = row.as_chunks().0.iter().zip(out.as_chunks_mut().0);
        for (n, (pair, out)) in pairs.enumerate() {
            *out = self.pair(n, *pair);
        }
        out
    }
}

/// Sine and cosine of every harmonic at every angle: the first from the library, the others by turning on.
fn harmonics(order: f64, x: &[f64]) -> Vec<Vec<[f64; 2]>> {
    let first = trig(order, x);
    let mut all = vec![first.clone()];
    for _ in 1..HARMONICS {
        let last = &all[all.len() - 1];
        let on =
            |([s0, c0], [s1, c1]): (&[f64; 2], &[f64; 2])| [s0 * c1 + c0 * s1, c0 * c1 - s0 * s1];
        all.push(last.iter().zip(&first).map(on).collect());
    }
    all
}

wide!(fn responses<'a>(fit: &'a Fit, order: f64, waves: &'a [Vec<[f64; 2]>], run: Range<usize>) -> Aligned<f64> = responses_of);

/// Whitened responses of the rival's columns over a run, row-major. `waves`: its [`harmonics`] there.
#[inline(always)]
fn responses_of(fit: &Fit, order: f64, waves: &[Vec<[f64; 2]>], run: Range<usize>) -> Aligned<f64> {
    let track = &fit.track;
    let mut out = Aligned::zeros(COLUMNS * run.len());
    let mut states = States::new(COLUMNS);
    let (mut y, mut u) = ([0.0; COLUMNS], [0.0; COLUMNS]);
    for (i, row) in run.clone().enumerate() {
        let w = (2.0 * track.er[row]).sqrt();
        for (h, trig) in waves.iter().enumerate() {
            let [s, c] = trig[i];
            (y[4 * h], y[4 * h + 1]) = (s / w, c / w);
            if i + 1 < run.len() {
                let put = torque(order * (h + 1) as f64, trig, i);
                (u[4 * h + 2], u[4 * h + 3]) = (put[0], put[1]);
            }
        }
        let to = &mut out[COLUMNS * i..COLUMNS * (i + 1)];
        states.advance(&track.steps[row], &fit.gains[row], &y, &u, to);
    }
    out
}

/// Waves of the shafts that slip against the sensed one: their phase runs away by turns, and no window follows it.
pub(super) fn drifting(fit: &Fit, turns: f64, train: &Train) -> Vec<Wave> {
    let mut done: Vec<f64> = Vec::new();
    let mut waves = Vec::new();
    for shaft in &train.turning {
        let seen = done.iter().any(|o| (o - shaft.order).abs() < SAME_ORDER);
        if shaft.rigid || shaft.planet || seen || shaft.order > f64::from(train.magnets) / 2.0 {
            continue;
        }
        done.push(shaft.order);
        let grid = grid(shaft.order, SLIP_SD, turns * shaft.order);
        if grid.len() < 3 {
            continue;
        }
        let orders: Vec<f64> = grid.iter().map(|trial| trial.order).collect();
        let with_prior = |(trial, ln): (&Trial, f64)| (trial.order, ln + trial.ln_weight);
        let scored: Vec<(f64, f64)> = grid
            .iter()
            .zip(ln_rivals(fit, &orders))
            .map(with_prior)
            .collect();
        for order in peaks(&scored, APART / turns) {
            for harmonic in [1.0, 2.0] {
                for kind in [Kind::Torque, Kind::Angle] {
                    waves.push(Wave {
                        kind,
                        order: order * harmonic,
                        hats: 1,
                    });
                }
            }
        }
    }
    waves
}

/// The order with the best score, and the best one at least `apart` away, where they are good enough.
fn peaks(scored: &[(f64, f64)], apart: f64) -> Vec<f64> {
    let mut taken: Vec<f64> = Vec::new();
    for _ in 0..2 {
        let best = scored
            .iter()
            .filter(|(order, score)| {
                *score > TAKEN && taken.iter().all(|t| (t - order).abs() >= apart)
            })
            .max_by(|a, b| a.1.total_cmp(&b.1));
        match best {
            Some((order, _)) => taken.push(*order),
            None => break,
        }
    }
    taken
}

#[cfg(test)]
mod tests {
    use super::super::fixture::{coasts, fit, nodes, train};
    use super::super::nuisance::{Columns, waves};
    use super::*;

    /// `ln N(z; 0, C)` without the constant.
    fn ln_density(cov: &[f64], z: &[f64]) -> f64 {
        let factor = Cholesky::new(cov, z.len()).unwrap();
        let half: f64 = factor.half_solve(z).iter().map(|h| h * h).sum();
        -half / 2.0 - factor.ln_det() / 2.0
    }

    fn add_outer(cov: &mut [f64], v: &[f64], variance: f64) {
        let n = v.len();
        for i in 0..n {
            for j in 0..n {
                cov[i * n + j] += variance * v[i] * v[j];
            }
        }
    }

    #[test]
    fn rival_is_the_ratio_of_two_dense_likelihoods() {
        let nodes = nodes(4, 61, 6);
        let fit = fit(&nodes, &[(0, 60)]);
        let order = 0.83;
        let n = fit.track.len();
        let columns = Columns::new(&nodes, waves(&train(4), nodes.turns()));
        let priors = columns.priors(fit.track.level);
        let rows: Vec<usize> = (0..n).filter(|i| fit.gains[*i].inv_sd > 0.0).collect();
        let column = |block: &[f64], width: usize, j: usize| -> Vec<f64> {
            rows.iter().map(|r| block[r * width + j]).collect()
        };
        let m = rows.len();
        let mut cov = vec![0.0; m * m];
        let width = fit.blocks[0].width();
        for (j, c) in fit.blocks[0].columns.iter().enumerate() {
            add_outer(
                &mut cov,
                &column(&fit.blocks[0].x, width, j),
                priors[*c] * priors[*c],
            );
        }
        for (i, r) in rows.iter().enumerate() {
            cov[i * m + i] += 1.0 / fit.weight[*r];
        }
        // z = residual + X b
        let mut z: Vec<f64> = rows.iter().map(|r| fit.residual[*r]).collect();
        for (j, c) in fit.blocks[0].columns.iter().enumerate() {
            for (z, x) in z.iter_mut().zip(column(&fit.blocks[0].x, width, j)) {
                *z += x * fit.b[*c];
            }
        }
        let run = fit.track.runs[0].clone();
        let v = responses(
            &fit,
            order,
            &harmonics(order, &fit.track.x[run.clone()]),
            run,
        );
        let mut ln = vec![];
        for leading in LEADING {
            for scale in SCALES {
                let mut with = cov.clone();
                for j in 0..leading {
                    let o = order * (j / 4 + 1) as f64;
                    let sd = if j % 4 < 2 {
                        0.003 * (0.3 / o).max(1.0)
                    } else {
                        0.025 * fit.track.level
                    };
                    add_outer(&mut with, &column(&v, COLUMNS, j), scale * scale * sd * sd);
                }
                ln.push(ln_density(&with, &z) - ln_density(&cov, &z));
            }
        }
        let mean: f64 = ln.iter().map(|l| libm::exp(*l)).sum::<f64>() / 12.0;
        let rival = ln_rival(&fit, order);
        assert!((rival - libm::log(mean)).abs() < 1e-6, "{rival} {ln:?}");
    }

    #[test]
    fn neighbours_that_share_a_sweep_are_as_if_alone() {
        let nodes = nodes(4, 4000, 6);
        let runs = coasts(&nodes);
        assert!(runs.len() > 10);
        let fit = fit(&nodes, &runs);
        let pitch = 5e-5;
        let orders: Vec<f64> = (0..40).map(|k| 0.83 + pitch * f64::from(k)).collect();
        assert!(group(&fit, &orders) >= LEAST_GROUP);
        let mut far = 0.0f64;
        for (order, shared) in orders.iter().zip(ln_rivals(&fit, &orders)) {
            let alone = ln_rival(&fit, *order);
            assert!((shared - alone).abs() < 0.05, "{order}: {shared} {alone}");
            far = far.max((alone - ln_rival(&fit, orders[0])).abs());
        }
        assert!(far > 1.0, "orders that differ: {far}");
    }

    #[test]
    fn two_peaks_are_taken_when_they_are_apart() {
        let scored = [(1.0, 5.0), (1.001, 4.9), (1.01, 3.0), (1.02, 1.9)];
        assert_eq!(peaks(&scored, 0.005), vec![1.0, 1.01]);
        assert_eq!(peaks(&scored, 0.015), vec![1.0]);
    }
}

//! The rival of a snag: smooth ripple at the same order and its harmonics, in torque and angle.

use std::ops::Range;

use crate::measure::cholesky::Cholesky;
use crate::measure::wide::{Aligned, LANES, wide};
use crate::vehicle::Train;

use super::bayes::ln_sum_exp;
use super::fit::Fit;
use super::nuisance::{Kind, SAME_ORDER, States, Wave, torque, trig};
use super::orders::{SLIP_SD, grid};
use super::products::{Table, Wanted, add_products};
use super::side_by_side::each;

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

/// Logarithm of the Bayes factor "smooth ripple at `order`" against "no more ripple than the columns explain".
pub(super) fn ln_rival(fit: &Fit, order: f64) -> f64 {
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
    let (s, g) = products(fit, order);
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

/// `V'W res` and `V'WV - V'WX Ainv X'WV` of the rival's columns V.
fn products(fit: &Fit, order: f64) -> ([f64; COLUMNS], Aligned<f64>) {
    let n = fit.b.len();
    let mut s = [0.0; COLUMNS];
    let mut g = Aligned::zeros(COLUMNS * COLUMNS);
    let mut cross = vec![[0.0; COLUMNS]; n];
    for (number, run) in fit.track.runs.iter().enumerate() {
        let waves = harmonics(order, &fit.track.x[run.clone()]);
        let v = responses(fit, order, &waves, run.clone());
        let block = &fit.blocks[number];
        let width = block.width();
        let mut local = Aligned::zeros(COLUMNS * width);
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
        add_products(v, weight, v, Wanted::All, &mut g);
        add_products(v, weight, block.table(), Wanted::All, &mut local);
        for (i, local) in local.chunks_exact(width.max(1)).enumerate() {
            for (c, v) in block.columns.iter().zip(local) {
                cross[*c][i] += v;
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
        let scored = each(&grid, |trial| {
            let score = ln_rival(fit, trial.order) + trial.ln_weight;
            (trial.order, score)
        });
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
    use super::super::fixture::{fit, nodes, train};
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
    fn two_peaks_are_taken_when_they_are_apart() {
        let scored = [(1.0, 5.0), (1.001, 4.9), (1.01, 3.0), (1.02, 1.9)];
        assert_eq!(peaks(&scored, 0.005), vec![1.0, 1.01]);
        assert_eq!(peaks(&scored, 0.015), vec![1.0]);
    }
}

//! Four outer rounds of coast line, noise and nuisance columns: what is left is what a snag can be looked for in.

use std::ops::Range;

use crate::measure::cholesky::Cholesky;
use crate::measure::wide::Aligned;
use crate::vehicle::Train;

use super::coast::{DragLine, Run, coast};
use super::count::Nodes;
use super::filter::{Gain, Noise, Track, reference_energy};
use super::nuisance::{Block, Columns, Wave, waves};
use super::products::{Wanted, add_products};
use super::rival::drifting;
use super::side_by_side::each;

/// Outer rounds; the coast line is sought in the first `COAST_ROUNDS`.
const ROUNDS: usize = 4;
const COAST_ROUNDS: usize = 3;
/// Drifting shafts get columns of their own after this round (from 0).
const DRIFT_ROUND: usize = 1;
/// Step of the noise search by round.
const NOISE_STEP: [f64; ROUNDS] = [2.0, 2.0, 1.4, 1.4];
/// Residuals beyond this many sd weigh less.
const HUBER: f64 = 2.5;
/// Fewer coasting intervals than this are not enough free rolling.
const MIN_INTERVALS: usize = 30;
/// Largest correction of a node's time, share of the shorter interval beside it; below 1/2 keeps the order.
const MOST_SHIFT: f64 = 0.45;

/// A record with its coast, its noise and its ripple explained.
#[derive(Clone, Debug)]
pub(super) struct Fit {
    pub track: Track,
    pub noise: Noise,
    pub gains: Vec<Gain>,
    /// Ripple that was asked for, each wave with the numbers of its columns.
    pub waves: Vec<(Wave, Range<usize>)>,
    /// Whitened columns of every run.
    pub blocks: Vec<Block>,
    /// Weight of every row, 0..=1.
    pub weight: Vec<f64>,
    /// Whitened innovations less the columns, 0 where a row carries no weight.
    pub residual: Vec<f64>,
    /// Coefficients of the columns.
    pub b: Vec<f64>,
    normal: Normal,
    /// Factor of `X'WX + diag(1/prior^2)`.
    pub factor: Cholesky,
}

/// What the rounds carry on from one to the next.
struct State {
    line: Option<DragLine>,
    runs: Vec<Run>,
    noise: Option<Noise>,
    /// Times of all nodes less what the columns did, s.
    t: Vec<f64>,
    /// Energy of the columns over every interval.
    u: Vec<f64>,
    b: Vec<f64>,
}

/// Fits a record. `None` when it does not roll freely for long enough.
pub(super) fn fit(nodes: &Nodes, train: &Train) -> Option<(Fit, Columns)> {
    let turns = nodes.turns();
    let mut columns = Columns::new(nodes, waves(train, turns));
    let mut state = State {
        line: None,
        runs: Vec::new(),
        noise: None,
        t: nodes.t.clone(),
        u: vec![0.0; nodes.t.len()],
        b: vec![0.0; columns.count],
    };
    for round in 0..ROUNDS {
        let (fit, er) = state.round(nodes, &columns, round)?;
        if round + 1 == ROUNDS {
            return Some((fit, columns));
        }
        let (shift, energy) = columns.effect(nodes, &er, &fit.b);
        state.t = shifted(&nodes.t, &shift);
        state.u = energy.iter().map(|u| -u).collect();
        state.b.clone_from(&fit.b);
        state.noise = Some(fit.noise);
        if round == DRIFT_ROUND && train.rolling {
            let found = drifting(&fit, turns, train);
            columns.extend(nodes, found);
            state.b.resize(columns.count, 0.0);
        }
    }
    None
}

impl State {
    /// One outer round; also the reference energy of every node.
    fn round(&mut self, nodes: &Nodes, columns: &Columns, round: usize) -> Option<(Fit, Vec<f64>)> {
        if round < COAST_ROUNDS {
            let (line, runs) = coast(nodes, &self.t, self.line, round)?;
            (self.line, self.runs) = (Some(line), runs);
        }
        let line = self.line?;
        let intervals: usize = self.runs.iter().map(|r| r.last - r.first).sum();
        if intervals < MIN_INTERVALS || line.level.is_nan() || line.level <= 0.0 {
            return None;
        }
        let er = reference_energy(nodes, &self.t, &self.runs, line, round == 0);
        let track = Track::new(nodes, &self.runs, line, &er);
        let at_rows = |all: &[f64]| track.node.iter().map(|i| all[*i]).collect::<Vec<f64>>();
        let (t, u) = (at_rows(&self.t), at_rows(&self.u));
        let start = self.noise.unwrap_or(Noise::start(line.level));
        let noise = track.fit_noise(start, NOISE_STEP[round], &t, &u);
        let fit = Fit::with(nodes, track, columns, noise, |z, track, blocks| {
            if round == 0 {
                return vec![1.0; z.len()];
            }
            let misfit = less_columns(z, track, blocks, &self.b);
            let huber = |r: &f64| 1.0 / (r.abs() / HUBER).max(1.0);
            misfit.iter().map(huber).collect()
        })?;
        Some((fit, er))
    }
}

impl Fit {
    /// Sends times and columns through the filter and solves for the columns; `weigh` gives the weight of every row
    /// from the whitened innovations. `None` when the numbers are beyond arithmetic.
    pub fn with(
        nodes: &Nodes,
        track: Track,
        columns: &Columns,
        noise: Noise,
        weigh: impl FnOnce(&[f64], &Track, &[Block]) -> Vec<f64>,
    ) -> Option<Self> {
        let (gains, v) = track.innovations(noise);
        let blocks = columns.whiten(nodes, &track, &gains);
        let z: Vec<f64> = v.iter().zip(&gains).map(|(v, g)| v * g.inv_sd).collect();
        let weight = weigh(&z, &track, &blocks);
        let priors = columns.priors(track.level);
        let normal = Normal::new(&track, &blocks, &weight, &z, columns.count);
        let (factor, b) = normal.solve(&priors)?;
        let residual = less_columns(&z, &track, &blocks, &b);
        Some(Self {
            track,
            noise,
            gains,
            waves: columns.waves(),
            blocks,
            weight,
            residual,
            b,
            normal,
            factor,
        })
    }
}

impl Fit {
    /// Logarithm of the Bayes factor "this ripple" against "without it, the rest as it is", at least 0: prior over posterior
    /// density where its columns are all 0 (Dickey 1971, Ann. Math. Statist. 42, 204).
    pub fn ln_ripple(&self, wave: &Wave, columns: Range<usize>) -> f64 {
        let n = columns.len();
        let mut covariance = Vec::with_capacity(n * n);
        let mut unit = vec![0.0; self.b.len()];
        for column in columns.clone() {
            unit[column] = 1.0;
            covariance.extend_from_slice(&self.factor.solve(&unit)[columns.clone()]);
            unit[column] = 0.0;
        }
        // a part of an inverse is positive definite but for rounding; without an answer the ripple claims nothing
        Cholesky::new(&covariance, n).map_or(0.0, |factor| {
            let half = factor.half_solve(&self.b[columns]);
            let gain: f64 = half.iter().map(|h| h * h).sum();
            let prior = n as f64 * libm::log(wave.prior(self.track.level));
            (factor.ln_det() / 2.0 + gain / 2.0 - prior).max(0.0)
        })
    }

    /// The fit of the same record less a whitened response of its rows: noise, gains and weights stay, the columns are
    /// solved again.
    pub fn less(&self, response: &[f64]) -> Self {
        let mut right = vec![0.0; self.b.len()];
        for (run, block) in self.track.runs.iter().zip(&self.blocks) {
            for (row, x) in run.clone().zip(block.rows()) {
                let g = self.weight[row] * response[row];
                for (column, x) in block.columns.iter().zip(x) {
                    right[*column] += x * g;
                }
            }
        }
        let change = self.factor.solve(&right);
        let mut out = self.clone();
        let left = less_columns(response, &self.track, &self.blocks, &change);
        for (residual, left) in out.residual.iter_mut().zip(left) {
            *residual -= left;
        }
        for (b, change) in out.b.iter_mut().zip(change) {
            *b -= change;
        }
        out
    }
}

/// Places of all magnets but the last less where they were calibrated, turns: every ripple that the record cannot tell
/// from them counts as theirs.
pub(super) fn places(fit: &Fit, columns: &Columns, nodes: &Nodes) -> Vec<f64> {
    let priors = columns.priors_of_places(fit.track.level, nodes.turns());
    let solved = fit.normal.solve(&priors);
    let b = solved.map_or_else(|| fit.b.clone(), |(_, b)| b);
    b[..nodes.spacing.len() - 1].to_vec()
}

/// Times less what the columns did, kept in order: no node moves by more than `MOST_SHIFT` of its shorter interval
/// (near standstill a small angle is a long time).
pub(super) fn shifted(t: &[f64], shift: &[f64]) -> Vec<f64> {
    let n = t.len();
    (0..n)
        .map(|i| {
            let before = if i > 0 {
                t[i] - t[i - 1]
            } else {
                f64::INFINITY
            };
            let after = if i + 1 < n {
                t[i + 1] - t[i]
            } else {
                f64::INFINITY
            };
            let most = MOST_SHIFT * before.min(after);
            t[i] - shift[i].clamp(-most, most)
        })
        .collect()
}

/// `z - X b`.
fn less_columns(z: &[f64], track: &Track, blocks: &[Block], b: &[f64]) -> Vec<f64> {
    let mut out = z.to_vec();
    for (run, block) in track.runs.iter().zip(blocks) {
        let local: Vec<f64> = block.columns.iter().map(|c| b[*c]).collect();
        for (out, x) in out[run.clone()].iter_mut().zip(block.rows()) {
            *out -= x.iter().zip(&local).map(|(x, b)| x * b).sum::<f64>();
        }
    }
    out
}

/// The normal equations of the columns: `X'WX` (row-major, lower triangle) and `X'Wz`.
#[derive(Clone, Debug)]
struct Normal {
    a: Vec<f64>,
    right: Vec<f64>,
}

impl Normal {
    fn new(track: &Track, blocks: &[Block], weight: &[f64], z: &[f64], n: usize) -> Self {
        let mut a = vec![0.0; n * n];
        let mut right = vec![0.0; n];
        let runs: Vec<(Range<usize>, &Block)> = track.runs.iter().cloned().zip(blocks).collect();
        let sums = each(&runs, |(run, block)| {
            let mut to = vec![0.0; block.columns.len()];
            for (i, x) in run.clone().zip(block.rows()) {
                for (to, x) in to.iter_mut().zip(x) {
                    *to += x * weight[i] * z[i];
                }
            }
            let mut gram = Aligned::zeros(block.width() * block.width());
            let (x, weight) = (block.table(), &weight[run.clone()]);
            add_products(x, weight, x, Wanted::Lower, &mut gram);
            (gram, to)
        });
        // added up in the order of the runs
        for (block, (gram, to)) in blocks.iter().zip(sums) {
            for (i, ci) in block.columns.iter().enumerate() {
                right[*ci] += to[i];
                // columns ascend, so the lower triangle stays lower
                for (j, cj) in block.columns[..=i].iter().enumerate() {
                    a[ci * n + cj] += gram[i * block.width() + j];
                }
            }
        }
        Self { a, right }
    }

    /// Factor of `X'WX + diag(1/prior^2)` and the coefficients of the columns.
    fn solve(&self, priors: &[f64]) -> Option<(Cholesky, Vec<f64>)> {
        let n = priors.len();
        let mut a = self.a.clone();
        for (i, prior) in priors.iter().enumerate() {
            a[i * n + i] += 1.0 / (prior * prior);
        }
        let factor = Cholesky::new(&a, n)?;
        let b = factor.solve(&self.right);
        b.iter().all(|b| b.is_finite()).then_some((factor, b))
    }
}

#[cfg(test)]
mod tests {
    use super::super::fixture::{nodes, weighed};
    use super::*;

    /// Logarithm of the density of the whitened innovations, but for what does not depend on the priors.
    fn ln_density(fit: &Fit, priors: &[f64]) -> f64 {
        let (factor, b) = fit.normal.solve(priors).unwrap();
        let gain: f64 = b.iter().zip(&fit.normal.right).map(|(b, r)| b * r).sum();
        let open: f64 = priors.iter().map(|p| libm::log(*p)).sum();
        (gain - factor.ln_det()) / 2.0 - open
    }

    #[test]
    fn evidence_for_a_ripple_is_the_ratio_of_two_fits() {
        let nodes = nodes(4, 400, 3);
        let fit = weighed(&nodes, &[(0, 180), (200, 399)], |_| 1.0);
        let mut open = vec![super::super::nuisance::MAGNET_SD; nodes.spacing.len() - 1];
        for (wave, columns) in &fit.waves {
            open.resize(columns.end, wave.prior(fit.track.level));
        }
        let mut shown = 0;
        for (wave, columns) in &fit.waves {
            let mut shut = open.clone();
            shut[columns.clone()].fill(1e-9 * wave.prior(fit.track.level));
            let ratio = ln_density(&fit, &open) - ln_density(&fit, &shut);
            let ln = fit.ln_ripple(wave, columns.clone());
            assert!(
                (ln - ratio.max(0.0)).abs() < 1e-6 * (1.0 + ratio.abs()),
                "{wave:?}: {ln} {ratio}"
            );
            shown += u32::from(ln > 0.0);
        }
        assert!(shown > 0, "a wheel's ripple is in the record");
    }
}

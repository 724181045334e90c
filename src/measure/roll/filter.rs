//! Kalman pass over the coasting runs: state (time, energy, deviation of the drag) at every node, linearised
//! about a reference energy; its innovations carry everything that the smooth coast does not explain.
//!
//! The filter is linear in the times and in the energy put in, so nuisance columns go through it one by one.

use std::ops::Range;

use super::coast::{DragLine, Run};
use super::count::Nodes;

/// Least reference energy, turns^2/s^2.
const ENERGY_FLOOR: f64 = 1e-4;
/// Prior sd of the drag's deviation, and its random walk per square root of a turn, shares of the drag.
const DRAG_SD: f64 = 0.04;
const DRAG_WALK: f64 = 0.005;
/// Variance of a time that is given in whole microseconds on both sides of an interval, s^2.
const ROUNDING_VAR: f64 = 1e-12 / 6.0;
/// Noise before it is fitted: edge jitter, s.
const JITTER_START_S: f64 = 12e-6;
/// Centre and width (natural logarithm) of the prior of the jitter, s.
const JITTER_PRIOR: (f64, f64) = (9e-6, 0.5);
/// Width (natural logarithm) of the prior of the energy noise about its centre.
const ENERGY_NOISE_SD: f64 = 2.5;
/// Energy noise falls evenly over an interval: beside the part that `h` carries, a third of `h^2 q` goes into the time alone. Of
/// this third a ninth is taken. Without it the energy noise that is modelled vanishes at half the magnets, and cars that rattle are
/// accused, mostly of fast parts; with all of it more snags of fast parts are lost (perhaps as their hits raise the fitted noise).
const WITHIN: f64 = 1.0 / 27.0;
/// Degrees of freedom of the innovations' distribution: a snag must not inflate the noise.
const NU: f64 = 6.0;
/// Power of the tail factor, `(nu + 1)/2`.
const TAIL_POWER: f64 = 3.5;
/// Sweeps of the pattern search, and the gain below which a step does not count.
const SWEEPS: usize = 6;
const LEAST_GAIN: f64 = 1e-9;
/// The first innovations of a run only find the state.
const WARM_UP: usize = 2;

/// From one node to the next: `t' = t + e E + d a + c + h u`, `E' = E + dx a + u`. The last node of a run has none (zeros).
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Step {
    pub dx: f64,
    pub e: f64,
    pub d: f64,
    pub c: f64,
    pub h: f64,
    /// Energy that the drag line takes out over the interval, <= 0.
    pub drag: f64,
    /// 1 over the cube of the mean speed, s^3/turns^3.
    pub inv_w3: f64,
}

/// Gain of the filter at a node, and 1 over the sd of its innovation (0 where it carries no weight).
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Gain {
    pub k: [f64; 3],
    pub inv_sd: f64,
}

/// The coasting nodes of a record in one row each, run after run, with what the filter needs.
#[derive(Clone, Debug, Default)]
pub(super) struct Track {
    /// Rows of every run.
    pub runs: Vec<Range<usize>>,
    /// Node of every row.
    pub node: Vec<usize>,
    /// Angle of every row, turns.
    pub x: Vec<f64>,
    /// Time of every row as counted, s.
    pub t: Vec<f64>,
    /// Reference energy of every row, turns^2/s^2, > 0.
    pub er: Vec<f64>,
    pub steps: Vec<Step>,
    /// The drag level, turns^2/s^2 per turn.
    pub level: f64,
    /// The Coulomb part of it.
    pub coulomb: f64,
    /// What the drag grows by with every turn/s.
    pub viscous: f64,
}

/// Noise of the record: edge jitter (s) and energy noise (turns^4/s^4 per turn).
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Noise {
    pub jitter_s: f64,
    pub energy: f64,
}

impl Noise {
    /// The noise that the search starts from in the first round.
    pub fn start(level: f64) -> Self {
        Self {
            jitter_s: JITTER_START_S,
            energy: typical_energy_noise(level),
        }
    }

    fn times(self, jitter: f64, energy: f64) -> Self {
        Self {
            jitter_s: self.jitter_s * jitter,
            energy: self.energy * energy,
        }
    }
}

fn typical_energy_noise(level: f64) -> f64 {
    0.05 * (0.03 * level) * (0.03 * level)
}

/// Reference energy and speed of every node: from the two neighbouring intervals of the same kind (coasting or not);
/// at the ends of a run one interval is carried on along the drag line.
pub(super) fn reference_energy(
    nodes: &Nodes,
    t: &[f64],
    runs: &[Run],
    line: DragLine,
    by_speed: bool,
) -> Vec<f64> {
    let n = t.len();
    let dx = |j: usize| nodes.x[j + 1] - nodes.x[j];
    let speed = |j: usize| dx(j) / (t[j + 1] - t[j]);
    let energy = |j: usize| speed(j) * speed(j) / 2.0;
    let inner = |i: usize| {
        if by_speed {
            let w = (nodes.x[i + 1] - nodes.x[i - 1]) / (t[i + 1] - t[i - 1]);
            w * w / 2.0
        } else {
            f64::midpoint(energy(i - 1), energy(i))
        }
    };
    let mut er: Vec<f64> = (0..n)
        .map(|i| match i {
            0 => energy(0),
            _ if i == n - 1 => energy(n - 2),
            _ => inner(i),
        })
        .collect();
    for run in runs {
        let carried = |j: usize| (line.a + line.b * speed(j)) * dx(j) / 2.0;
        er[run.first] = energy(run.first) + carried(run.first);
        er[run.last] = energy(run.last - 1) - carried(run.last - 1);
    }
    for e in &mut er {
        *e = e.max(ENERGY_FLOOR);
    }
    er
}

impl Track {
    /// Rows and linearised steps of the coasting runs; `er` is the reference energy of every node.
    pub fn new(nodes: &Nodes, runs: &[Run], line: DragLine, er: &[f64]) -> Self {
        let mut track = Self {
            level: line.level,
            coulomb: line.a,
            viscous: line.b,
            ..Self::default()
        };
        for run in runs {
            let first = track.node.len();
            for i in run.first..=run.last {
                track.node.push(i);
                track.x.push(nodes.x[i]);
                track.t.push(nodes.t[i]);
                track.er.push(er[i]);
                track.steps.push(if i < run.last {
                    step(nodes.x[i + 1] - nodes.x[i], er[i], er[i + 1], line)
                } else {
                    Step::default()
                });
            }
            track.runs.push(first..track.node.len());
        }
        track
    }

    /// The drag line; `None` without one.
    pub fn line(&self) -> Option<DragLine> {
        (self.level > 0.0).then_some(DragLine {
            a: self.coulomb,
            b: self.viscous,
            level: self.level,
        })
    }

    /// Number of rows.
    pub fn len(&self) -> usize {
        self.node.len()
    }

    /// The filter at the start of a run.
    fn start(&self, run: &Range<usize>, noise: Noise, t: &[f64]) -> Filter {
        let er = self.er[run.start];
        let drag = DRAG_SD * self.level;
        let walk = DRAG_WALK * self.level;
        Filter {
            r: noise.jitter_s * noise.jitter_s + ROUNDING_VAR,
            q: noise.energy,
            walk: walk * walk,
            s: [t[run.start], er, 0.0],
            p00: 1.0,
            p01: 0.0,
            p02: 0.0,
            p11: 4.0 * er * er,
            p12: 0.0,
            p22: drag * drag,
        }
    }

    /// Gains of the filter and innovations of the times as counted.
    pub fn innovations(&self, noise: Noise) -> (Vec<Gain>, Vec<f64>) {
        self.innovations_of(noise, &self.t, &vec![0.0; self.len()])
    }

    /// The same of other times, with energies that ripple puts in.
    pub fn innovations_of(&self, noise: Noise, t: &[f64], u: &[f64]) -> (Vec<Gain>, Vec<f64>) {
        let mut gains = vec![Gain::default(); self.len()];
        let mut v = vec![0.0; self.len()];
        for run in &self.runs {
            let mut filter = self.start(run, noise, t);
            for i in run.clone() {
                let innovation = filter.row(&self.steps[i], t[i], u[i]);
                let carries = i >= run.start + WARM_UP;
                gains[i] = Gain {
                    k: innovation.k,
                    inv_sd: if carries {
                        1.0 / innovation.f.sqrt()
                    } else {
                        0.0
                    },
                };
                v[i] = innovation.v;
            }
        }
        (gains, v)
    }

    /// Minus the logarithm of the posterior of two noises, up to a constant. A row waits for the one before: two filters
    /// beside each other take little longer than one.
    fn misfits(&self, noises: [Noise; 2], t: &[f64], u: &[f64]) -> [f64; 2] {
        let mut sums = [LogProduct::default(), LogProduct::default()];
        for run in &self.runs {
            let mut filters = noises.map(|noise| self.start(run, noise, t));
            for i in run.clone() {
                for (filter, sum) in filters.iter_mut().zip(&mut sums) {
                    let Innovation { v, f, .. } = filter.row(&self.steps[i], t[i], u[i]);
                    if i >= run.start + WARM_UP {
                        sum.innovation(v * v / f, f);
                    }
                }
            }
        }
        let [a, b] = sums.map(LogProduct::finish);
        [(noises[0], a), (noises[1], b)].map(|(noise, sum)| {
            let jitter = libm::log(noise.jitter_s / JITTER_PRIOR.0) / JITTER_PRIOR.1;
            let typical = typical_energy_noise(self.level);
            let energy = libm::log(noise.energy / typical) / ENERGY_NOISE_SD;
            sum + jitter * jitter / 2.0 + energy * energy / 2.0
        })
    }

    /// Fits the noise by a pattern search from `start` on times `t` and energies `u` that the nuisance columns have been
    /// taken out of; `factor` > 1 is the step.
    pub fn fit_noise(&self, start: Noise, factor: f64, t: &[f64], u: &[f64]) -> Noise {
        let mut best = start;
        let [mut least, _] = self.misfits([best, best], t, u);
        for _ in 0..SWEEPS {
            let mut gained = false;
            for (jitter, energy) in [(factor, 1.0), (1.0, factor * factor)] {
                let up = best.times(jitter, energy);
                let down = best.times(1.0 / jitter, 1.0 / energy);
                let misfits = self.misfits([up, down], t, u);
                // down from a better one above is where the search was
                if let Some((trial, misfit)) = [up, down]
                    .into_iter()
                    .zip(misfits)
                    .find(|(_, misfit)| *misfit < least - LEAST_GAIN)
                {
                    (best, least, gained) = (trial, misfit, true);
                }
            }
            if !gained {
                break;
            }
        }
        best
    }
}

/// The filter between two rows: its prediction of time, energy and drag, and their covariance.
struct Filter {
    /// Variance of a time, of the energy per turn and of the drag's walk per turn.
    r: f64,
    q: f64,
    walk: f64,
    s: [f64; 3],
    p00: f64,
    p01: f64,
    p02: f64,
    p11: f64,
    p12: f64,
    p22: f64,
}

/// What a row brings: innovation (s), its variance, and the gain.
struct Innovation {
    v: f64,
    f: f64,
    k: [f64; 3],
}

impl Filter {
    /// Takes the time `t` (s) of a row and goes on to the next, over an interval into which `u` is put beside the drag line's
    /// energy.
    #[inline(always)]
    fn row(&mut self, step: &Step, t: f64, u: f64) -> Innovation {
        let Step {
            dx,
            e,
            d,
            c,
            h,
            drag,
            ..
        } = *step;
        let Self {
            p00,
            p01,
            p02,
            p11,
            p12,
            p22,
            ..
        } = *self;
        let f = p00 + self.r;
        let g = 1.0 / f;
        let k = [(p00 + e * p01 + d * p02) * g, (p01 + dx * p02) * g, p02 * g];
        let v = t - self.s[0];
        let put = u + drag;
        self.s[0] += e * self.s[1] + d * self.s[2] + c + h * put + k[0] * v;
        self.s[1] += dx * self.s[2] + put + k[1] * v;
        self.s[2] += k[2] * v;
        // update (in the form that keeps small variances exact), then predict
        let keep = self.r * g;
        let (a11, a12, a22) = (
            p11 - p01 * p01 * g,
            p12 - p01 * p02 * g,
            p22 - p02 * p02 * g,
        );
        let (a00, a01, a02) = (p00 * keep, p01 * keep, p02 * keep);
        let q = self.q * dx;
        let (m01, m11, m12) = (a01 + e * a11 + d * a12, a11 + dx * a12, a12 + dx * a22);
        let m02 = a02 + e * a12 + d * a22;
        self.p00 = a00 + e * a01 + d * a02 + e * m01 + d * m02 + (1.0 + WITHIN) * h * h * q;
        self.p01 = m01 + dx * m02 + h * q;
        self.p02 = m02;
        self.p11 = m11 + dx * m12 + q;
        self.p12 = m12;
        self.p22 = a22 + self.walk * dx;
        Innovation { v, f, k }
    }
}

/// Linearised step over an interval of `dx` turns from reference energy `er0` to `er1`.
fn step(dx: f64, er0: f64, er1: f64, line: DragLine) -> Step {
    let (w0, w1) = ((2.0 * er0).sqrt(), (2.0 * er1).sqrt());
    let sum = w0 + w1;
    let g = -2.0 * dx / (sum * sum * w0);
    let h = -2.0 * dx / (sum * sum * w1);
    let mean = sum / 2.0;
    Step {
        dx,
        e: g + h,
        d: h * dx,
        c: 2.0 * dx / sum - g * er0 - h * er1,
        h,
        drag: -(line.a + line.b * w0) * dx,
        inv_w3: 1.0 / (mean * mean * mean),
    }
}

/// Sum of `ln F/2 + (nu+1)/2 ln(1 + z^2/(nu-2))`, with few logarithms: factors are multiplied until they grow.
struct LogProduct {
    variance: f64,
    tail: f64,
    sum: f64,
}

impl Default for LogProduct {
    fn default() -> Self {
        Self {
            variance: 1.0,
            tail: 1.0,
            sum: 0.0,
        }
    }
}

impl LogProduct {
    /// The products stay within this (and 1 over it) before the next factor, which does so by itself.
    const LIMIT: f64 = 1e150;

    fn innovation(&mut self, z2: f64, f: f64) {
        self.variance *= f;
        self.tail *= 1.0 + z2 / (NU - 2.0);
        if self.variance < 1.0 / Self::LIMIT || self.variance.max(self.tail) > Self::LIMIT {
            self.empty();
        }
    }

    fn empty(&mut self) {
        self.sum += libm::log(self.variance) / 2.0 + TAIL_POWER * libm::log(self.tail);
        (self.variance, self.tail) = (1.0, 1.0);
    }

    fn finish(mut self) -> f64 {
        self.empty();
        self.sum
    }
}

#[cfg(test)]
mod tests {
    use super::super::fixture::{NOISE, Random, nodes, track};
    use super::*;
    use crate::measure::cholesky::Cholesky;

    /// Mean and covariance of all times of a run, built forward without a filter: the oracle.
    fn dense(track: &Track, noise: Noise) -> (Vec<f64>, Vec<f64>) {
        let n = track.len();
        let start = track.er[0];
        let level = track.level;
        // rows of M: the times as combinations of the start state and of every independent kick
        let kicks = 3 + 3 * n;
        let mut state = vec![vec![0.0; kicks]; 3];
        let prior = [1.0, 2.0 * start, DRAG_SD * level];
        for (j, sd) in prior.into_iter().enumerate() {
            state[j][j] = sd;
        }
        let mut mean = [track.t[0], start, 0.0];
        let (mut means, mut rows) = (vec![], vec![]);
        for i in 0..n {
            means.push(mean[0]);
            rows.push(state[0].clone());
            let s = track.steps[i];
            mean = [
                mean[0] + s.e * mean[1] + s.d * mean[2] + s.c + s.h * s.drag,
                mean[1] + s.dx * mean[2] + s.drag,
                mean[2],
            ];
            for k in 0..kicks {
                let (t, e, a) = (state[0][k], state[1][k], state[2][k]);
                state[0][k] = t + s.e * e + s.d * a;
                state[1][k] = e + s.dx * a;
            }
            let q = (noise.energy * s.dx).sqrt();
            state[0][3 + 3 * i] += s.h * q;
            state[0][5 + 3 * i] += s.h * q * WITHIN.sqrt();
            state[1][3 + 3 * i] += q;
            state[2][4 + 3 * i] += DRAG_WALK * level * s.dx.sqrt();
        }
        let r = noise.jitter_s * noise.jitter_s + ROUNDING_VAR;
        let mut cov = vec![0.0; n * n];
        for i in 0..n {
            for j in 0..n {
                cov[i * n + j] = rows[i].iter().zip(&rows[j]).map(|(a, b)| a * b).sum();
            }
            cov[i * n + i] += r;
        }
        (means, cov)
    }

    #[test]
    fn innovations_have_the_likelihood_of_the_dense_covariance() {
        let nodes = nodes(4, 24, 3);
        let track = track(&nodes, &[(0, 23)]);
        let (mut v, mut f) = (vec![], vec![]);
        let mut filter = track.start(&track.runs[0], NOISE, &track.t);
        for (step, t) in track.steps.iter().zip(&track.t) {
            let innovation = filter.row(step, *t, 0.0);
            v.push(innovation.v);
            f.push(innovation.f);
        }
        let (mean, cov) = dense(&track, NOISE);
        let factor = Cholesky::new(&cov, mean.len()).unwrap();
        let off: Vec<f64> = track.t.iter().zip(&mean).map(|(t, m)| t - m).collect();
        let quadratic: f64 = factor.half_solve(&off).iter().map(|h| h * h).sum();
        let from_filter: f64 = v.iter().zip(&f).map(|(v, f)| v * v / f).sum();
        let ln_f: f64 = f.iter().map(|f| libm::log(*f)).sum();
        // the dense covariance spans 10 decades: its factor keeps 6 digits
        assert!((quadratic - from_filter).abs() < 1e-4 * from_filter);
        assert!((factor.ln_det() - ln_f).abs() < 1e-4 * ln_f.abs());
    }

    #[test]
    fn noise_search_finds_the_noise_that_was_put_in() {
        // 200 edges of one coast, on their true places
        let nodes = nodes(6, 201, 5);
        let track = track(&nodes, &[(0, 200)]);
        let zero = vec![0.0; track.len()];
        let noise = track.fit_noise(Noise::start(track.level), 1.4, &track.t, &zero);
        // 200 edges fix a standard deviation to some 5 %, the search stops at steps of 40 %
        assert!((noise.jitter_s / 1e-5 - 1.0).abs() < 0.35, "{noise:?}");
    }

    #[test]
    fn products_take_the_place_of_logarithms() {
        let mut random = Random::new(9);
        let (mut sum, mut direct) = (LogProduct::default(), 0.0);
        for i in 0..2000 {
            let f = 1e-10 * random.uniform(0.5, 50.0);
            let z2 = if i % 100 == 0 {
                1e6
            } else {
                random.uniform(0.0, 9.0)
            };
            sum.innovation(z2, f);
            direct += libm::log(f) / 2.0 + 3.5 * libm::log(1.0 + z2 / 4.0);
        }
        assert!((sum.finish() - direct).abs() < 1e-9 * direct.abs());
    }
}

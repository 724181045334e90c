//! The linear model of a hold: what is not a leak but looks like one for a while (columns with priors), and the
//! leak itself as one column a law.

use super::blocks::{BLOCK_S, Blocks, Noise, SKIPPED};
use super::knocks::Knocks;
use super::laws::RelativeLoss;
use super::stats::{mean, smoothed};
use super::thermometer::FOLLOWED_S;

/// Relaxation times of the gas and of the inner skin of the wall, s.
const TAUS_S: [f64; 6] = [0.6, 1.2, 2.4, 4.8, 9.6, 19.2];
/// Means and standard deviations of their amplitudes, parts of the first pressure.
const RELAX_MEAN: [f64; 6] = [0.0, 0.03, 0.04, 0.02, 0.010, 0.0];
const RELAX_SD: [f64; 6] = [0.10, 0.10, 0.08, 0.05, 0.012, 0.002];
/// The last two are widened for a short hold: times `clip(58 s / length, 1, 2)`.
const RELAX_WIDENED: usize = 4;
const RELAX_LENGTH_S: f64 = 58.0;
/// Time constant of the creep column, s; its mean and standard deviation, parts of the first pressure.
const CREEP_S: f64 = 20.0;
const CREEP_MEAN: f64 = -7e-4;
const CREEP_SD: f64 = 5.6e-4;
const CREEP_LEAST_PA: f64 = 1e-3;
/// Level, Pa.
const LEVEL_SD_PA: f64 = 1e6;
/// Drift: mean as a part of the first pressure per second; temperature of the wall, K/s; the rest, Pa/s.
pub(super) const DRIFT_MEAN: f64 = -1e-5;
pub(super) const DRIFT_SD_K_S: f64 = 1.0e-3;
const DRIFT_SD_PA_S: f64 = 0.05;
/// Curvature of the drift, K/s2 and Pa/s2.
pub(super) const CURVATURE_SD_K_S2: f64 = 0.8e-5;
const CURVATURE_SD_PA_S2: f64 = 1e-6;
/// The same two of a tank with a thermometer that shows everything, K/s and K/s2.
const MEASURED_DRIFT_SD_K_S: f64 = 1.2e-4;
const MEASURED_CURVATURE_SD_K_S2: f64 = 3e-6;
/// Step left by a knock, Pa.
const STEP_SD_PA: f64 = 50.0;
/// Standard deviation of the leak's own prior: this many times the mean fall, and Pa/s more.
const LEAK_FALLS: f64 = 3.0;
const LEAK_LEAST_PA_S: f64 = 20.0;
/// The gas expands while it leaks and is colder than the wall: (g - 1) times 2 s, s.
const EXPANSION_S: f64 = 0.8;
/// Noise of a block above which the laws are taken along a running mean, Pa, and its width, blocks.
const SMOOTH_FROM_PA: f64 = 3.0;
const SMOOTH_BLOCKS: usize = 9;
/// Least pressure that scales the priors, Pa.
const LEAST_P0_PA: f64 = 500.0;
/// Blocks whose mean is the first pressure, and the last.
pub(super) const END_BLOCKS: usize = 8;
/// Lids: lifting pressures between these parts of the last and the first pressure, and never below, Pa.
const LID_LOW: f64 = 0.3;
const LID_LOW_PA: f64 = 200.0;
const LID_HIGH: f64 = 0.98;
/// A lid is thought of only when the pressure fell by more than this many sd of a block and this part of the first.
const LID_FALL_SDS: f64 = 40.0;
const LID_FALL: f64 = 0.03;

/// Normal prior of one column.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Prior {
    pub mean: f64,
    pub sd: f64,
}

/// What the readings of a thermometer leave unknown of the wall's drift and its curvature: variances, (K/s)2 and (K/s2)2, and
/// their covariance.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(super) struct DriftLeft {
    pub drift: f64,
    pub curvature: f64,
    pub both: f64,
}

/// What is known of the room and the tank beside the pressures.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Surroundings {
    /// Ambient absolute pressure, Pa.
    pub ambient_pa: f64,
    /// Temperature of the gas, K.
    pub gas_k: f64,
    /// The pressures are already reduced by a thermometer on the tank, which leaves this unknown.
    pub thermometer: Option<DriftLeft>,
    /// What it leaves unknown for some seconds, K.
    pub slow_k: f64,
    /// Slope at zero pressure and its uncertainty, Pa/s, from a sealed hold before the pumping.
    pub zero_slope: Option<(f64, f64)>,
}

/// The part of the hold that is fitted; series have one entry a block.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Model {
    /// Middle of each block, s from the end of pumping.
    pub t: Vec<f64>,
    /// Gauge pressure, bridged where masked, Pa.
    pub y: Vec<f64>,
    /// False where masked.
    pub used: Vec<bool>,
    /// Columns of everything that is not the leak: level, drift, curvature, creep, six relaxations, steps.
    pub columns: Vec<Vec<f64>>,
    /// Their priors.
    pub priors: Vec<Prior>,
    /// Pressures along which the laws are integrated, Pa.
    along: Vec<f64>,
    /// Noise of the blocks.
    pub noise: Noise,
    pub ambient_pa: f64,
    /// Mean of the first 8 blocks, at least 500, Pa.
    pub p0: f64,
    /// Means of the first and the last 8 blocks, Pa.
    pub first: f64,
    pub last: f64,
    /// Standard deviation of the leak's prior, Pa/s.
    pub leak_sd: f64,
}

/// What a kelvin does to the pressure, Pa.
fn per_kelvin(y: &[f64], around: &Surroundings) -> f64 {
    (around.ambient_pa + mean(y)) / around.gas_k
}

/// Priors of drift and curvature, and the part of the drift's column that the curvature's takes along.
struct Drift {
    linear: Prior,
    curvature: Prior,
    turned: f64,
}

/// Index of the drift's column; the curvature's follows.
const DRIFT_AT: usize = 1;
/// Index of the first relaxation column.
pub(super) const RELAX_AT: usize = 4;

impl Model {
    /// The model of a hold. `blocks` are bridged over what `knocks` masks.
    pub fn new(blocks: &Blocks, knocks: &Knocks, mut noise: Noise, around: &Surroundings) -> Self {
        let from = SKIPPED.min(blocks.len());
        let t = blocks.t[from..].to_vec();
        let mut used = blocks.filled.clone();
        for range in &knocks.masked {
            used[range.clone()].fill(false);
        }
        let mut y = blocks.y.clone();
        super::blocks::bridge(&mut y, &used);
        let (y, used) = (y[from..].to_vec(), used[from..].to_vec());
        let per_kelvin = per_kelvin(&y, around);
        if around.slow_k > 0.0 {
            noise.slow_pa = libm::hypot(noise.slow_pa, per_kelvin * around.slow_k);
            noise.slow_s = noise.slow_s.max(FOLLOWED_S);
        }
        let end = END_BLOCKS.min(y.len());
        let (first, last) = (mean(&y[..end]), mean(&y[y.len() - end..]));
        let p0 = first.max(LEAST_P0_PA);
        let seconds = t.last().copied().unwrap_or(0.0) - t.first().copied().unwrap_or(0.0);
        let steps: Vec<usize> = knocks
            .masked
            .iter()
            .map(|r| r.end.saturating_sub(from))
            .collect();
        let along = if noise.white_pa > SMOOTH_FROM_PA {
            smoothed(&y, SMOOTH_BLOCKS)
        } else {
            y.clone()
        };
        let mut model = Self {
            columns: columns(&t, &steps),
            priors: Vec::new(),
            along,
            noise,
            ambient_pa: around.ambient_pa,
            p0,
            first,
            last,
            leak_sd: LEAK_FALLS * (first - last).abs() / seconds.max(BLOCK_S) + LEAK_LEAST_PA_S,
            t,
            y,
            used,
        };
        let drift = model.drift(around, per_kelvin);
        model.turn_curvature(drift.turned);
        model.priors = model.priors_of(&drift, seconds, steps.len());
        model
    }

    /// Priors of drift and curvature.
    fn drift(&self, around: &Surroundings, per_kelvin: f64) -> Drift {
        let prior = |mean: f64, sd: f64| Prior { mean, sd };
        let settled = DRIFT_MEAN * self.p0;
        let (drift_k_s, curvature_k_s2) = match around.thermometer {
            Some(_) => (MEASURED_DRIFT_SD_K_S, MEASURED_CURVATURE_SD_K_S2),
            None => (DRIFT_SD_K_S, CURVATURE_SD_K_S2),
        };
        let left = around.thermometer.unwrap_or_default();
        let curvature_k_s2 = libm::hypot(left.curvature.sqrt(), curvature_k_s2);
        let curvature_sd = per_kelvin * curvature_k_s2 + CURVATURE_SD_PA_S2;
        let both = per_kelvin * per_kelvin * left.both;
        let turned = both / (curvature_sd * curvature_sd);
        let drift_k_s = libm::hypot(left.drift.sqrt(), drift_k_s);
        let with_wall = per_kelvin * drift_k_s;
        let wall = with_wall * with_wall - turned * both;
        let linear = match around.zero_slope {
            Some(zero) => super::sealed::drift_prior(zero, settled, per_kelvin * around.gas_k),
            None => prior(settled, libm::hypot(wall.sqrt(), DRIFT_SD_PA_S)),
        };
        Drift {
            linear,
            curvature: prior(0.0, curvature_sd),
            turned,
        }
    }

    /// Where drift and curvature are known together, so much of the drift goes with the curvature's column, that what is left
    /// of both is independent.
    fn turn_curvature(&mut self, turned: f64) {
        let drift = self.columns[DRIFT_AT].clone();
        for (c, t) in self.columns[DRIFT_AT + 1].iter_mut().zip(drift) {
            *c += turned * t;
        }
    }

    fn priors_of(&self, drift: &Drift, seconds: f64, steps: usize) -> Vec<Prior> {
        let p0 = self.p0;
        let prior = |mean: f64, sd: f64| Prior { mean, sd };
        let mut priors = vec![
            prior(0.0, LEVEL_SD_PA),
            drift.linear,
            drift.curvature,
            prior(CREEP_MEAN * p0, CREEP_SD * p0 + CREEP_LEAST_PA),
        ];
        let widening = (RELAX_LENGTH_S / seconds.max(BLOCK_S)).clamp(1.0, 2.0);
        for (j, (mean, sd)) in RELAX_MEAN.iter().zip(RELAX_SD).enumerate() {
            let widening = if j >= RELAX_WIDENED { widening } else { 1.0 };
            priors.push(prior(mean * p0, sd * widening * p0));
        }
        priors.extend(std::iter::repeat_n(prior(0.0, STEP_SD_PA), steps));
        priors
    }

    /// Columns of the laminar, orifice and linear law: minus the integral of the loss along the measured
    /// pressure, for a leak of 1 Pa/s at `p_ref_pa` against the standard atmosphere.
    pub fn law_columns(&self, p_ref_pa: f64) -> [Vec<f64>; 3] {
        let loss = RelativeLoss::new(self.ambient_pa, p_ref_pa);
        let f: Vec<[f64; 3]> = self.along.iter().map(|p| loss.at(*p)).collect();
        [0, 1, 2].map(|law| integrated(f.iter().map(|f| f[law])))
    }

    /// Column of a lid that lifts above `lift_pa`, for a leak of 1 Pa/s at the first pressure.
    pub fn lid_column(&self, lift_pa: f64) -> Vec<f64> {
        let per_top = 1.0 / (self.p0 - lift_pa);
        integrated(self.along.iter().map(|p| (p - lift_pa).max(0.0) * per_top))
    }

    /// Range of lifting pressures worth a thought, Pa; none when the pressure hardly fell.
    pub fn lid_range(&self) -> Option<(f64, f64)> {
        let fell = self.first - self.last;
        let low = (LID_LOW * self.last).max(LID_LOW_PA);
        let high = LID_HIGH * self.p0;
        (fell > (LID_FALL_SDS * self.noise.white_pa).max(LID_FALL * self.p0) && low < high)
            .then_some((low, high))
    }
}

/// `-(trapezoid integral of f + 0.8 s * f)`.
fn integrated(f: impl Iterator<Item = f64>) -> Vec<f64> {
    let mut sum = 0.0;
    let mut before: Option<f64> = None;
    f.map(|f| {
        sum += before.map_or(0.0, |b| 0.5 * BLOCK_S * (b + f));
        before = Some(f);
        -(sum + EXPANSION_S * f)
    })
    .collect()
}

fn columns(t: &[f64], steps: &[usize]) -> Vec<Vec<f64>> {
    let t_first = t.first().copied().unwrap_or(0.0);
    let of = |f: &dyn Fn(f64) -> f64| -> Vec<f64> { t.iter().map(|t| f(*t)).collect() };
    let mut columns = vec![
        of(&|_| 1.0),
        of(&|t| t - t_first),
        of(&|t| (t - t_first) * (t - t_first)),
        decay(0.0, CREEP_S, t.len())
            .map(|left| 1.0 - left)
            .collect(),
    ];
    columns.extend(TAUS_S.map(|tau| decay(t_first, tau, t.len()).collect()));
    for step in steps {
        columns.push(
            (0..t.len())
                .map(|i| f64::from(u8::from(i >= *step)))
                .collect(),
        );
    }
    columns
}

/// `exp(-t/tau)` over `count` blocks from `t_first` on, each from the one before it. `i` steps add up to `3 i 2^-53` of the
/// entry, which is largest after `tau`: for the longest 1e-14 of the first entry.
fn decay(t_first: f64, tau_s: f64, count: usize) -> impl Iterator<Item = f64> {
    let left = libm::exp(-BLOCK_S / tau_s);
    std::iter::successors(Some(libm::exp(-t_first / tau_s)), move |e| Some(e * left)).take(count)
}

/// Slope of one relaxation, without its sign, Pa/s, and by how much it grows a step back in time.
#[derive(Clone, Copy, Debug)]
pub(super) struct Settling {
    pub pa_s: f64,
    pub growth: f64,
}

/// Slopes of the relaxations with these amplitudes (Pa) at `t` after the end of pumping, for steps of `step_s`.
pub(super) fn settling(amplitudes: &[f64], t: f64, step_s: f64) -> Vec<Settling> {
    let of = |(tau, a): (&f64, &f64)| Settling {
        pa_s: a / tau * libm::exp(-t / tau),
        growth: libm::exp(step_s / tau),
    };
    TAUS_S.iter().zip(amplitudes).map(of).collect()
}

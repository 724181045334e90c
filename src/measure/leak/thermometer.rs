//! A thermometer on the tank: pressures reduced to the temperature at the first block, and how well its readings show the drift.
//!
//! What is known of drift and curvature without it enters as their prior, so a thermometer that shows little changes little.
//! Readings that move in coarse steps are off by as much for as long as they stand still: their mean knows no more than one.

use super::blocks::{Blocks, SKIPPED};
use super::model::{
    CURVATURE_SD_K_S2, DRIFT_SD_K_S, DriftLeft, MEASURED_CURVATURE_SD_K_S2, MEASURED_DRIFT_SD_K_S,
};
use super::samples::Sums;
use super::stats::mean;
use crate::measure::cholesky::Cholesky;

/// Standard uncertainty of the gas temperature taken from the tank, K.
pub(super) const GAS_U_K: f64 = 0.5;
/// Fewest blocks with a temperature, and the part of the hold they must reach over.
const FEWEST: usize = 16;
const LEAST_REACH: f64 = 0.8;
/// Noise below which no thermometer is believed, K.
const LEAST_NOISE_K: f64 = 1e-3;
/// Changes of the reading whose mean square is less than so many squares of a step go step by step: the reading stands still in
/// between, as it does with a noise of half a step or less.
const STEP_BY_STEP: f64 = 1.2;
/// Slope over a hold in which the reading stands still is off by so many steps in its length (standard deviation).
const STEPS_OFF: f64 = 0.6;
/// A thermometer that leaves more than this part of the drift over the hold unknown is not used.
const MOST_LEFT: f64 = 0.8;
/// The quadratic is looked at in so many parts of the hold. Their means are off it by more than this and more than so many
/// steps and so many of their standard deviations: it is none.
const PARTS: usize = 6;
const OFF_K: f64 = 0.01;
const OFF_STEPS: f64 = 0.3;
const OFF_SDS: f64 = 2.0;

/// Why a thermometer is not used.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum NotUsed {
    /// Too few readings, or over too little of the hold.
    TooFew,
    /// It never moved, or in steps that show no more than what is known without it.
    Coarse,
    /// Its readings do not go smoothly.
    NotSmooth,
}

impl NotUsed {
    /// Flag of the finding.
    pub fn flag(self) -> &'static str {
        match self {
            Self::TooFew => "thermometer_not_used",
            Self::Coarse => "thermometer_coarse",
            Self::NotSmooth => "thermometer_not_smooth",
        }
    }
}

/// A quadratic in time through the temperatures of a hold.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Thermometer {
    /// K, K, K from the first block fitted on, in the time from there to the last as 1.
    x: [f64; 3],
    from_s: f64,
    scale_s: f64,
    /// Mean temperature, K.
    pub mean_k: f64,
    /// What is left unknown.
    pub left: DriftLeft,
}

/// Mean temperatures of the blocks that have any: time as the quadratic has it, K from their mean.
struct Read {
    points: Vec<(f64, f64)>,
    scale_s: f64,
    mean_k: f64,
    /// Changes from one reading to the next, their mean square, K2, and the smallest, K.
    changes: f64,
    square_k2: f64,
    step_k: f64,
}

impl Read {
    fn new(sums: &[Sums], t: &[f64]) -> Result<Self, NotUsed> {
        let (Some(from_s), Some(last_s)) = (t.get(SKIPPED), t.last()) else {
            return Err(NotUsed::TooFew);
        };
        let scale_s = last_s - from_s;
        let mut points: Vec<(f64, f64)> = sums
            .iter()
            .zip(t)
            .filter(|(s, _)| s.tank_n > 0)
            .map(|(s, t)| ((t - from_s) / scale_s, s.tank_k / f64::from(s.tank_n)))
            .collect();
        let reach = match (points.first(), points.last()) {
            (Some(first), Some(last)) => last.0 - first.0,
            _ => 0.0,
        };
        if points.len() < FEWEST || reach < LEAST_REACH {
            return Err(NotUsed::TooFew);
        }
        let mean_k = mean(&points.iter().map(|p| p.1).collect::<Vec<f64>>());
        for point in &mut points {
            point.1 -= mean_k;
        }
        let changes: f64 = sums.iter().map(|s| f64::from(s.tank_changes)).sum();
        if changes < 1.0 {
            return Err(NotUsed::Coarse);
        }
        Ok(Self {
            points,
            scale_s,
            mean_k,
            changes,
            square_k2: sums.iter().map(|s| s.tank_dd).sum::<f64>() / changes,
            step_k: sums.iter().map(|s| s.tank_step).fold(f64::INFINITY, f64::min),
        })
    }

    /// Means that know something of their own: a reading that is repeated counts once.
    fn independent(&self) -> f64 {
        (self.changes + 1.0).min(self.points.len() as f64)
    }

    fn step_by_step(&self) -> bool {
        self.square_k2 < STEP_BY_STEP * self.step_k * self.step_k
    }

    /// Sums of the quadratic's columns and with the temperatures.
    fn normal(&self) -> (Vec<f64>, [f64; 3]) {
        let (mut a, mut b) = (vec![0.0; 9], [0.0; 3]);
        for (u, k) in &self.points {
            let row = [1.0, *u, u * u];
            for i in 0..3 {
                for j in 0..3 {
                    a[i * 3 + j] += row[i] * row[j];
                }
                b[i] += row[i] * k;
            }
        }
        (a, b)
    }

    /// Distances from a quadratic, K.
    fn off(&self, x: &[f64]) -> Vec<f64> {
        let off = |(u, k): &(f64, f64)| k - (x[0] + u * (x[1] + u * x[2]));
        self.points.iter().map(off).collect()
    }

    /// Is the tank's temperature something else than a quadratic?
    fn is_smooth(&self, off: &[f64], variance: f64) -> bool {
        let length = off.len().div_ceil(PARTS);
        let means = off.chunks(length).map(mean);
        let square = means.map(|m| m * m).sum::<f64>() / PARTS as f64;
        let noise = OFF_SDS * (variance * PARTS as f64 / self.independent()).sqrt();
        let steps = if self.step_by_step() { self.step_k } else { 0.0 };
        square.sqrt() < (OFF_K + OFF_STEPS * steps).max(noise)
    }

    /// Variance of a mean, as if all were independent, K2: `x` the quadratic, `variance` that about it.
    fn variance(&self, x: &[f64], variance: f64) -> f64 {
        let n = self.points.len() as f64;
        let noise = variance.max(LEAST_NOISE_K * LEAST_NOISE_K) * n / self.independent();
        if !self.step_by_step() {
            return noise;
        }
        let moved = (x[1] + x[2]).abs() / self.step_k;
        let off_k = STEPS_OFF * self.step_k;
        noise.max(off_k * off_k * n / 12.0 / (1.0 + moved))
    }
}

impl Thermometer {
    /// Fits the temperatures of the blocks that have any.
    pub fn fit(sums: &[Sums], t: &[f64]) -> Result<Self, NotUsed> {
        let read = Read::new(sums, t)?;
        let (mut a, b) = read.normal();
        let free = Cholesky::new(&a, 3).ok_or(NotUsed::TooFew)?.solve(&b);
        let off = read.off(&free);
        let about = off.iter().map(|k| k * k).sum::<f64>() / (off.len() - 3) as f64;
        if !read.is_smooth(&off, about) {
            return Err(NotUsed::NotSmooth);
        }
        let variance = read.variance(&free, about);
        let scale_s = read.scale_s;
        let known = [DRIFT_SD_K_S * scale_s, CURVATURE_SD_K_S2 * scale_s * scale_s];
        for (i, sd) in [(4, known[0]), (8, known[1])] {
            a[i] += variance / (sd * sd);
        }
        let factor = Cholesky::new(&a, 3).ok_or(NotUsed::TooFew)?;
        let x = factor.solve(&b);
        let left: Vec<f64> = factor.inverse().iter().map(|c| c * variance).collect();
        let measured = [
            MEASURED_DRIFT_SD_K_S * scale_s,
            MEASURED_CURVATURE_SD_K_S2 * scale_s * scale_s,
        ];
        let left = DriftLeft {
            drift: left[4] + measured[0] * measured[0],
            curvature: left[8] + measured[1] * measured[1],
            both: left[5],
        };
        let unknown = (left.drift + 2.0 * left.both + left.curvature).sqrt();
        if unknown > MOST_LEFT * libm::hypot(known[0], known[1]) {
            return Err(NotUsed::Coarse);
        }
        Ok(Self {
            x: [read.mean_k + x[0], x[1], x[2]],
            from_s: t[SKIPPED],
            scale_s,
            mean_k: read.mean_k,
            left: DriftLeft {
                drift: left.drift / scale_s.powi(2),
                curvature: left.curvature / scale_s.powi(4),
                both: left.both / scale_s.powi(3),
            },
        })
    }

    fn at(&self, t: f64) -> f64 {
        let u = (t - self.from_s) / self.scale_s;
        self.x[0] + u * (self.x[1] + u * self.x[2])
    }

    /// Reduces the pressures of the blocks.
    pub fn reduce(&self, blocks: &mut Blocks, ambient_pa: f64) {
        let reference = self.at(self.from_s);
        for (y, t) in blocks.y.iter_mut().zip(&blocks.t) {
            *y = (*y + ambient_pa) * reference / self.at(*t) - ambient_pa;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::super::samples::Samples;
    use super::*;
    use crate::reading::PressureReading;

    fn hold(tank: impl Fn(f64) -> Option<f64>) -> (Vec<Sums>, Blocks) {
        let mut s = Samples::default();
        for i in 0..6000u64 {
            let t = i as f64 * 0.01;
            s.push(PressureReading {
                t_us: i * 10_000,
                pressure_pa: (15e3 + 101_325.0) * (1.0 + 1e-3 * t / 60.0) - 101_325.0,
                tank_k: tank(t),
            });
        }
        let sums = s.blocks(0, 240);
        let blocks = Blocks::new(&sums, s.base_pa());
        (sums, blocks)
    }

    /// A closed vessel warmed by one part in a thousand: reduced, the pressure stands still.
    #[test]
    fn warming_alone_is_no_change() {
        let (sums, mut blocks) = hold(|t| Some(293.15 * (1.0 + 1e-3 * t / 60.0)));
        let thermometer = Thermometer::fit(&sums, &blocks.t).unwrap();
        thermometer.reduce(&mut blocks, 101_325.0);
        let moved = blocks.y[200] - blocks.y[SKIPPED];
        assert!(moved.abs() < 1e-3, "{moved}");
        assert!((thermometer.mean_k - 293.15 * 1.0005).abs() < 1e-3);
    }

    #[test]
    fn too_few_are_not_used() {
        let (sums, blocks) = hold(|t| (t < 20.0).then_some(293.0));
        assert_eq!(Thermometer::fit(&sums, &blocks.t), Err(NotUsed::TooFew));
        let (sums, blocks) = hold(|_| Some(f64::NAN));
        assert_eq!(Thermometer::fit(&sums, &blocks.t), Err(NotUsed::TooFew));
    }
}

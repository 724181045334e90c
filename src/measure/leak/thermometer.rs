//! A thermometer on the tank: pressures reduced to the temperature at the first block.

use super::blocks::{Blocks, SKIPPED};
use super::samples::Sums;
use super::stats::mean;
use crate::measure::cholesky::Cholesky;

/// Standard uncertainty of the gas temperature taken from the tank, K.
pub(super) const GAS_U_K: f64 = 0.5;
/// Fewest blocks with a temperature, and the part of the hold they must reach over.
const FEWEST: usize = 16;
const LEAST_REACH: f64 = 0.8;

/// A quadratic in time through the temperatures of a hold.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Thermometer {
    /// K, K, K in the hold's own time, scaled to 0..1.
    x: [f64; 3],
    scale_s: f64,
    /// Mean temperature, K.
    pub mean_k: f64,
}

impl Thermometer {
    /// Fits the temperatures of the blocks that have any; `None` when they are too few or too short.
    pub fn fit(sums: &[Sums], t: &[f64]) -> Option<Self> {
        let read: Vec<(f64, f64)> = sums
            .iter()
            .zip(t)
            .filter(|(s, _)| s.tank_n > 0)
            .map(|(s, t)| (*t, s.tank_k / f64::from(s.tank_n)))
            .collect();
        let scale_s = *t.last()?;
        let reach = read.last()?.0 - read.first()?.0;
        if read.len() < FEWEST || reach < LEAST_REACH * scale_s {
            return None;
        }
        let mean_k = mean(&read.iter().map(|r| r.1).collect::<Vec<f64>>());
        let mut a = vec![0.0; 9];
        let mut b = [0.0; 3];
        for (t, k) in read {
            let u = t / scale_s;
            let row = [1.0, u, u * u];
            for i in 0..3 {
                for j in 0..3 {
                    a[i * 3 + j] += row[i] * row[j];
                }
                b[i] += row[i] * (k - mean_k);
            }
        }
        let x = Cholesky::new(&a, 3)?.solve(&b);
        Some(Self {
            x: [mean_k + x[0], x[1], x[2]],
            scale_s,
            mean_k,
        })
    }

    fn at(&self, t: f64) -> f64 {
        let u = t / self.scale_s;
        self.x[0] + u * (self.x[1] + u * self.x[2])
    }

    /// Reduces the pressures of the blocks.
    pub fn reduce(&self, blocks: &mut Blocks, ambient_pa: f64) {
        let Some(first) = blocks.t.get(SKIPPED).copied() else {
            return;
        };
        let reference = self.at(first);
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
        assert_eq!(Thermometer::fit(&sums, &blocks.t), None);
        let (sums, blocks) = hold(|_| Some(f64::NAN));
        assert_eq!(Thermometer::fit(&sums, &blocks.t), None);
    }
}

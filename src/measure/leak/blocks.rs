//! Blocks of 0.25 s from the end of pumping, and how noisy they are.

use super::samples::Sums;
use super::stats::{mad, median};

/// Length of a block, s.
pub(super) const BLOCK_S: f64 = 0.25;
/// Blocks of the first second, which the fit leaves out.
pub(super) const SKIPPED: usize = 4;
/// A block with fewer than this part of the usual number of readings is not used.
const LEAST_FILLING: f64 = 0.5;
/// A block whose mean time is farther than this from its middle is moved along the slope, s.
const OFF_CENTRE_S: f64 = 0.02;
/// MAD to standard deviation of a normal distribution.
const MAD_TO_SD: f64 = 1.4826;
/// Readings that scatter by less than this part of a count stand still: the converter is not dithered.
const DITHER: f64 = 0.3;
/// Least noise of a block, Pa.
const LEAST_NOISE_PA: f64 = 0.02;
/// Draughts on the reference side: standard deviation, Pa, and correlation time, s.
const DRAUGHT: (f64, f64) = (1.2, 4.0);
/// Random walk of the sensor, Pa per root second.
const WALK_PA: f64 = 0.3;

/// The hold as blocks; all series have one entry a block.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Blocks {
    /// Middle of each block, s from the end of pumping.
    pub t: Vec<f64>,
    /// Mean gauge pressure, Pa; a straight line where there is none.
    pub y: Vec<f64>,
    /// Enough readings.
    pub filled: Vec<bool>,
    /// Standard deviation about the block's own line, Pa.
    pub scatter: Vec<Option<f64>>,
    /// Readings of a usual block.
    pub usual: f64,
    /// Rms of successive differences within blocks over root 2, Pa.
    single_pa: f64,
    /// Smallest difference of readings, Pa; 0 when they are all alike.
    pub step_pa: f64,
}

impl Blocks {
    /// From the sums; `level` is added to every mean (base of the sums minus tare), Pa.
    pub fn new(sums: &[Sums], level: f64) -> Self {
        let counts: Vec<f64> = sums
            .iter()
            .filter(|s| s.n > 0)
            .map(|s| f64::from(s.n))
            .collect();
        let usual = median(&counts).max(1.0);
        let filled: Vec<bool> = sums
            .iter()
            .map(|s| s.n > 0 && f64::from(s.n) >= LEAST_FILLING * usual)
            .collect();
        let mut y: Vec<f64> = sums.iter().map(|s| level + s.mean_p()).collect();
        bridge(&mut y, &filled);
        let y = centred(&y, sums, &filled);
        let late = sums.get(SKIPPED..).unwrap_or(&[]);
        let pairs: f64 = late.iter().map(|s| f64::from(s.pairs)).sum();
        let squares: f64 = late.iter().map(|s| s.dd).sum();
        let step = sums.iter().map(|s| s.step).fold(f64::INFINITY, f64::min);
        Self {
            t: (0..sums.len())
                .map(|i| BLOCK_S * (i as f64 + 0.5))
                .collect(),
            y,
            filled,
            scatter: sums.iter().map(Sums::scatter).collect(),
            usual,
            single_pa: (squares / pairs.max(1.0) / 2.0).sqrt(),
            step_pa: if step.is_finite() { step } else { 0.0 },
        }
    }

    /// Number of blocks.
    pub fn len(&self) -> usize {
        self.t.len()
    }

    /// Keeps the first `count` blocks.
    pub fn truncate(&mut self, count: usize) {
        self.t.truncate(count);
        self.y.truncate(count);
        self.filled.truncate(count);
        self.scatter.truncate(count);
    }

    /// True when the readings scatter enough for their mean to be finer than a count.
    pub fn is_dithered(&self) -> bool {
        self.single_pa >= DITHER * self.step_pa
    }

    /// Noise of the block means from `from` on.
    pub fn noise(&self, from: usize) -> Noise {
        let per_mean = self.single_pa / self.usual.sqrt();
        let late = self.y.get(2 * SKIPPED..).unwrap_or(&[]);
        let second: Vec<f64> = late.windows(3).map(|w| w[0] - 2.0 * w[1] + w[2]).collect();
        let by_means = MAD_TO_SD * mad(&second) / 6f64.sqrt();
        // Without pairs within a block there is only the scatter of the means.
        let capped = if self.single_pa > 0.0 {
            by_means.min(5.0 * per_mean)
        } else {
            by_means
        };
        let white_pa = per_mean.max(0.8 * capped).max(LEAST_NOISE_PA);
        let (slow_pa, slow_s) = self.slow(from);
        Noise {
            white_pa,
            slow_pa,
            slow_s,
            walk_pa: WALK_PA,
        }
    }

    /// Draughts; and the error of a converter that is not dithered, which lasts as long as the reading stands still.
    fn slow(&self, from: usize) -> (f64, f64) {
        let (draught_pa, draught_s) = DRAUGHT;
        let (Some(first), Some(last)) = (self.y.get(from), self.y.last()) else {
            return DRAUGHT;
        };
        if self.is_dithered() {
            return DRAUGHT;
        }
        let lsb = self.step_pa;
        let seconds = BLOCK_S * (self.len() - 1 - from) as f64;
        let standing = lsb * seconds / (first - last).abs().max(lsb);
        (
            libm::hypot(draught_pa, lsb / 12f64.sqrt()),
            standing.clamp(draught_s, 120.0),
        )
    }
}

/// Standard deviations of what disturbs the block means.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Noise {
    /// Independent from block to block, Pa.
    pub white_pa: f64,
    /// Slow part, Pa ...
    pub slow_pa: f64,
    /// ... and its correlation time, s.
    pub slow_s: f64,
    /// Random walk, Pa per root second.
    pub walk_pa: f64,
}

/// Fills what is not good by straight lines between its neighbours (level at the ends).
pub(super) fn bridge(y: &mut [f64], good: &[bool]) {
    let mut before: Option<usize> = None;
    for i in 0..=y.len() {
        if i < y.len() && !good[i] {
            continue;
        }
        let from = before.map_or(0, |b| b + 1);
        let left = before.map(|b| y[b]);
        let right = y.get(i).copied();
        let Some(fallback) = left.or(right) else {
            return;
        };
        let (left, right) = (left.unwrap_or(fallback), right.unwrap_or(fallback));
        for j in from..i {
            let share = (j + 1 - from) as f64 / (i + 1 - from) as f64;
            y[j] = left + (right - left) * share;
        }
        before = Some(i);
    }
}

/// Means of blocks whose readings lie to one side, moved to the middle along the slope of the neighbours.
fn centred(y: &[f64], sums: &[Sums], filled: &[bool]) -> Vec<f64> {
    (0..y.len())
        .map(|i| {
            let off = sums[i].mean_t();
            if !filled[i] || off.abs() <= OFF_CENTRE_S {
                return y[i];
            }
            let (a, b) = (i.saturating_sub(1), (i + 1).min(y.len() - 1));
            if a == b {
                return y[i];
            }
            y[i] - off * (y[b] - y[a]) / (BLOCK_S * (b - a) as f64)
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::super::samples::Samples;
    use super::*;
    use crate::reading::PressureReading;

    fn blocks(rows: impl Iterator<Item = (u64, f64)>) -> Blocks {
        let mut s = Samples::default();
        for (t_us, pressure_pa) in rows {
            s.push(PressureReading {
                t_us,
                pressure_pa,
                tank_k: None,
            });
        }
        Blocks::new(&s.blocks(0, 40), s.base_pa())
    }

    #[test]
    fn bridging() {
        let mut y = [9.0, 1.0, 9.0, 9.0, 4.0, 9.0];
        bridge(&mut y, &[false, true, false, false, true, false]);
        assert_eq!(
            y.map(|v| format!("{v:.9}")),
            ["1", "1", "2", "3", "4", "4"].map(|v| format!("{v}.000000000"))
        );
        bridge(&mut [1.0], &[false]);
    }

    /// Noise alternating by +-2 Pa: successive differences 4 Pa, so 4/sqrt 2 a reading.
    #[test]
    fn noise_of_one_reading() {
        let b = blocks((0..1000u64).map(|i| (i * 10_000, if i % 2 == 0 { 2.0 } else { -2.0 })));
        assert!((b.single_pa - 4.0 / 2f64.sqrt()).abs() < 1e-12);
        assert!(b.is_dithered() && (b.step_pa - 4.0).abs() < 1e-12);
        assert!((b.noise(SKIPPED).white_pa - b.single_pa / 5.0).abs() < 1e-12);
    }

    #[test]
    fn a_converter_that_stands_still_is_seen() {
        let b =
            blocks((0..1000u64).map(|i| (i * 10_000, 50.0 * (20.0 - (i as f64 * 0.004).floor()))));
        assert!(!b.is_dithered());
        let noise = b.noise(SKIPPED);
        // 9 s in which it falls by 3 or 4 counts of 50 Pa: about 2.4 s a count, kept at 4 s
        assert!((noise.slow_pa - libm::hypot(1.2, 50.0 / 12f64.sqrt())).abs() < 1e-12);
        assert!((noise.slow_s - 4.0).abs() < 1e-12);
        let constant = blocks((0..1000u64).map(|i| (i * 10_000, 7.0)));
        assert!(constant.is_dithered() && (constant.noise(SKIPPED).white_pa - 0.02).abs() < 1e-12);
    }

    /// One reading a block, anywhere in it, on a steep line: the means are moved to the middle.
    #[test]
    fn sparse_readings_are_centred() {
        let b = blocks((0..40u64).map(|i| {
            let t_us = i * 250_000 + (i * 97_003) % 240_000;
            (t_us, -100e-6 * t_us as f64)
        }));
        for i in 1..39 {
            assert!(
                (b.y[i] + 100.0 * b.t[i]).abs() < 12.0,
                "{i}: {}",
                b.y[i] + 100.0 * b.t[i]
            );
        }
    }
}

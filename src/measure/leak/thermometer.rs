//! A thermometer on the tank: pressures reduced to the temperature at the first block, and how well its readings show the drift.
//!
//! What is known of drift and curvature without it enters as their prior, so a thermometer that shows little changes little.
//! Readings that move in coarse steps are off by as much for as long as they stand still: their mean knows no more than one.
//! A tank at rest warms or cools along a quadratic, and slowly; one that does not (a hand on it) is followed reading by reading.

use super::blocks::{BLOCK_S, Blocks, SKIPPED};
use super::model::{CURVATURE_SD_K_S2, DRIFT_SD_K_S, DriftLeft};
use super::samples::Sums;
use super::stats::{mean, smoothed};
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
/// The quadratic is looked at in so many parts of the hold. Their means are off it by more than this and so many steps, or, of
/// readings that do not go step by step, by more than so many of their standard deviations: it is none. (Of
/// 1000 simulated tanks at rest, with a thermometer of 0.05 K noise, one was taken for none.)
const PARTS: usize = 6;
const OFF_K: f64 = 0.01;
const OFF_STEPS: f64 = 0.4;
const OFF_SDS: f64 = 1.8;
/// A drift over the hold of so many standard deviations is none of a tank at rest.
const AT_REST_SDS: f64 = 4.0;
/// Where the tank is followed: blocks of the running mean, time by which the gas is behind the wall (s), and the part of the
/// readings' distance from the quadratic that is still not known, for so long (s). Chosen on 180 simulated tanks whose wall a
/// hand warms or wind cools by 0.2 to 0.6 K: with hardly any of the last two 131 leaks were covered, with them all.
const FOLLOWED_BLOCKS: usize = 5;
const GAS_BEHIND_S: f64 = 1.5;
const FOLLOWED_PART: f64 = 0.3;
pub(super) const FOLLOWED_S: f64 = 8.0;

/// Why a thermometer is not used.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum NotUsed {
    /// Too few readings, or over too little of the hold.
    TooFew,
    /// It never moved, or in steps that show no more than what is known without it.
    Coarse,
}

impl NotUsed {
    /// Flag of the finding.
    pub fn flag(self) -> &'static str {
        match self {
            Self::TooFew => "thermometer_not_used",
            Self::Coarse => "thermometer_coarse",
        }
    }
}

/// The tank's temperature over a hold.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Thermometer {
    course: Course,
    /// Mean temperature, K.
    pub mean_k: f64,
    /// What is left unknown of the drift ...
    pub left: DriftLeft,
    /// ... and for some seconds, K; nothing where the tank is at rest.
    pub slow_k: f64,
}

#[derive(Clone, Debug, PartialEq)]
enum Course {
    /// K, K, K from the first block fitted on, in the time from there to the last as 1.
    Quadratic {
        x: [f64; 3],
        from_s: f64,
        scale_s: f64,
    },
    /// Of each block, K.
    Followed(Vec<f64>),
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
            step_k: sums
                .iter()
                .map(|s| s.tank_step)
                .fold(f64::INFINITY, f64::min),
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

    /// Does the tank's temperature go along a quadratic?
    fn is_smooth(&self, off: &[f64], variance: f64) -> bool {
        let length = off.len().div_ceil(PARTS);
        let means = off.chunks(length).map(mean);
        let square = means.map(|m| m * m).sum::<f64>() / PARTS as f64;
        let noise = OFF_SDS * (variance * PARTS as f64 / self.independent()).sqrt();
        let allowed = if self.step_by_step() {
            OFF_K + OFF_STEPS * self.step_k
        } else {
            noise.max(OFF_K)
        };
        square.sqrt() < allowed
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
        let free = Cholesky::new(&a, 3).ok_or(NotUsed::TooFew)?;
        let x = free.solve(&b);
        let off = read.off(&x);
        let about = off.iter().map(|k| k * k).sum::<f64>() / (off.len() - 3) as f64;
        let variance = read.variance(&x, about);
        let scale_s = read.scale_s;
        let known = [
            DRIFT_SD_K_S * scale_s,
            CURVATURE_SD_K_S2 * scale_s * scale_s,
        ];
        let at_rest = known[0] * known[0] + known[1] * known[1];
        let over_hold = |c: &[f64]| c[4] + 2.0 * c[5] + c[8];
        let most = AT_REST_SDS * (at_rest + variance * over_hold(&free.inverse())).sqrt();
        if (x[1] + x[2]).abs() > most || !read.is_smooth(&off, about) {
            return Ok(Self::followed(&read, t, about));
        }
        for (i, sd) in [(4, known[0]), (8, known[1])] {
            a[i] += variance / (sd * sd);
        }
        let factor = Cholesky::new(&a, 3).ok_or(NotUsed::TooFew)?;
        let x = factor.solve(&b);
        let left: Vec<f64> = factor.inverse().iter().map(|c| c * variance).collect();
        if over_hold(&left) > MOST_LEFT * MOST_LEFT * at_rest {
            return Err(NotUsed::Coarse);
        }
        Ok(Self {
            course: Course::Quadratic {
                x: [read.mean_k + x[0], x[1], x[2]],
                from_s: t[SKIPPED],
                scale_s,
            },
            mean_k: read.mean_k,
            left: DriftLeft {
                drift: left[4] / libm::pow(scale_s, 2.0),
                curvature: left[8] / libm::pow(scale_s, 4.0),
                both: left[5] / libm::pow(scale_s, 3.0),
            },
            slow_k: 0.0,
        })
    }

    /// Follows readings that are none of a tank at rest; `about`: variance about the quadratic, K2.
    fn followed(read: &Read, t: &[f64], about: f64) -> Self {
        let shown: Vec<f64> = read.points.iter().map(|p| p.1).collect();
        let shown = smoothed(&shown, FOLLOWED_BLOCKS);
        let stays = libm::exp(-BLOCK_S / GAS_BEHIND_S);
        let from_s = t[SKIPPED];
        let (mut gas_k, mut at) = (shown[0], 0);
        let block = |t: &f64| {
            let u = (t - from_s) / read.scale_s;
            while at + 1 < shown.len() && read.points[at + 1].0 <= u {
                at += 1;
            }
            gas_k = stays * gas_k + (1.0 - stays) * shown[at];
            read.mean_k + gas_k
        };
        let step_k = if read.step_by_step() {
            read.step_k
        } else {
            0.0
        };
        Self {
            course: Course::Followed(t.iter().map(block).collect()),
            mean_k: read.mean_k,
            left: DriftLeft::default(),
            slow_k: FOLLOWED_PART * about.sqrt() + step_k / 12f64.sqrt(),
        }
    }

    /// Temperature of every block, K.
    fn at(&self, t: &[f64]) -> Vec<f64> {
        match &self.course {
            Course::Followed(k) => k.clone(),
            Course::Quadratic { x, from_s, scale_s } => {
                let at = |t: &f64| {
                    let u = (t - from_s) / scale_s;
                    x[0] + u * (x[1] + u * x[2])
                };
                t.iter().map(at).collect()
            }
        }
    }

    /// Reduces the pressures of the blocks.
    pub fn reduce(&self, blocks: &mut Blocks, ambient_pa: f64) {
        let tank_k = self.at(&blocks.t);
        for (y, k) in blocks.y.iter_mut().zip(&tank_k) {
            *y = (*y + ambient_pa) * tank_k[SKIPPED] / k - ambient_pa;
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
                pressure_pa: (15e3 + 101_325.0) * (1.0 + 5e-4 * t / 60.0) - 101_325.0,
                tank_k: tank(t),
            });
        }
        let sums = s.blocks(0, 240);
        let blocks = Blocks::new(&sums, s.base_pa());
        (sums, blocks)
    }

    /// A closed vessel warmed by one part in two thousand: reduced, the pressure (58 Pa by then) stands still, but for the
    /// thousandth of a kelvin to which no thermometer is believed.
    #[test]
    fn warming_alone_is_no_change() {
        let (sums, mut blocks) = hold(|t| Some(293.15 * (1.0 + 5e-4 * t / 60.0)));
        let thermometer = Thermometer::fit(&sums, &blocks.t).unwrap();
        thermometer.reduce(&mut blocks, 101_325.0);
        let moved = blocks.y[200] - blocks.y[SKIPPED];
        assert!(moved.abs() < 0.1, "{moved}");
        assert!((thermometer.mean_k - 293.15 * 1.00025).abs() < 1e-3);
    }

    #[test]
    fn too_few_are_not_used() {
        let (sums, blocks) = hold(|t| (t < 20.0).then_some(293.0));
        assert_eq!(Thermometer::fit(&sums, &blocks.t), Err(NotUsed::TooFew));
        let (sums, blocks) = hold(|_| Some(f64::NAN));
        assert_eq!(Thermometer::fit(&sums, &blocks.t), Err(NotUsed::TooFew));
    }

    /// Noise of -1, -0.5, 0, 0.5, 1 times `sd` in a fixed order that repeats after 5 readings.
    fn noisy(sd: f64, t: f64) -> f64 {
        let place = (t * 100.0).round() * 2.0 % 5.0;
        sd * (0.5 * place - 1.0)
    }

    fn in_steps(step: f64, k: f64) -> f64 {
        (k / step).round() * step
    }

    fn fit(tank: impl Fn(f64) -> f64) -> Result<Thermometer, NotUsed> {
        let (sums, blocks) = hold(|t| Some(tank(t)));
        Thermometer::fit(&sums, &blocks.t)
    }

    /// What is left of the drift's standard deviation over 60 s, K.
    fn left_k(thermometer: &Thermometer) -> f64 {
        let left = &thermometer.left;
        60.0 * (left.drift + 2.0 * 60.0 * left.both + 3600.0 * left.curvature).sqrt()
    }

    /// A wall that cools by 0.06 K: the coarser the steps the less is known, until nothing is.
    #[test]
    fn coarse_steps_leave_the_drift_open() {
        let wall = |t: f64| 293.23 - 1e-3 * t;
        let fine = fit(|t| wall(t) + noisy(0.02, t)).unwrap();
        assert!(left_k(&fine) < 0.005, "{}", left_k(&fine));
        let chip = fit(|t| in_steps(0.0625, wall(t))).unwrap();
        let (least, most) = (0.02, 0.06);
        assert!((least..most).contains(&left_k(&chip)), "{}", left_k(&chip));
        assert_eq!(fit(|t| in_steps(0.5, wall(t))), Err(NotUsed::Coarse));
        assert_eq!(fit(|_| 293.15), Err(NotUsed::Coarse));
        // the same steps, blurred by noise, average out
        let blurred = fit(|t| in_steps(0.0625, wall(t) + noisy(0.1, t))).unwrap();
        assert!(left_k(&blurred) < 0.01, "{}", left_k(&blurred));
    }

    /// A reading that is only repeated knows no more.
    #[test]
    fn repeated_readings_count_once() {
        let wall = |t: f64| 293.23 - 1e-3 * t;
        let often = fit(|t| wall(t) + noisy(0.05, t)).unwrap();
        let seldom = fit(|t| wall(t) + noisy(0.05, 0.01 * t.floor())).unwrap();
        assert!(left_k(&seldom) > 4.0 * left_k(&often));
        assert!(often.slow_k <= 0.0 && seldom.slow_k <= 0.0);
    }

    /// A hand that warms the wall by 0.5 K within 10 s is followed; a tank that settles is not taken for one.
    #[test]
    fn a_hand_is_followed() {
        let hand = |t: f64| 293.15 + 0.05 * (t - 20.0).clamp(0.0, 10.0);
        for step in [0.001, 0.0625] {
            let followed = fit(|t| in_steps(step, hand(t) + noisy(0.5 * step, t))).unwrap();
            assert!(followed.slow_k > 0.01, "{step}");
            let (_, mut blocks) = hold(|_| None);
            blocks.y.fill(15e3);
            followed.reduce(&mut blocks, 101_325.0);
            let fell = blocks.y[SKIPPED] - blocks.y[220];
            let expected = 116_325.0 * 0.5 / 293.65;
            assert!((fell - expected).abs() < 40.0 * step + 1.0, "{fell}");
        }
        let settles = |t: f64| 293.15 + 0.4 * libm::exp(-t / 200.0) + noisy(0.02, t);
        assert!(fit(settles).unwrap().slow_k <= 0.0);
    }
}

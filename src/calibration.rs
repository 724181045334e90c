//! Counts become a unit: the probe's own nominal scale, and straight lines fitted to calibration points with the full
//! covariance of their coefficients.

mod bend;
mod file;
mod finding;
mod fit;
mod known;
mod points;

use statrs::distribution::{ContinuousCDF, StudentsT};

use crate::reading::{Estimate, Z95};

pub use file::{
    Calibration, CalibrationConditions, CalibrationFileError, CalibrationKind, CalibrationLine,
    CalibrationPoint, CalibrationVolume, MAX_TEXT,
};
pub use finding::{Band, CalibrationFinding, Conditions, Residual, Subject};
pub use fit::{Common, FitFault, Fitted, Point, fit};
pub use known::{Factor, Gravity, buoyancy, column_density, normal_gravity, water_density};
pub use points::{Columns, PointsError, Row, read_points};

/// Nominal scale of one channel as its probe states it: `value = (count - zero) * scale`.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Nominal {
    /// Unit a count, finite, not 0.
    scale: f64,
    /// Count that reads 0.
    zero: f64,
    /// Counts at the two ends of the converter, `min < max`.
    min: i64,
    max: i64,
}

/// A count as a value.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Converted {
    /// In the unit of the scale.
    pub value: f64,
    /// The count lies at an end of the converter (or beyond): the true value may lie further out.
    pub clipped: bool,
}

/// Why a scale or a line cannot be made.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum CalibrationFault {
    /// Scale or zero is not finite, or the scale is 0.
    BadScale,
    /// `min` is not below `max`.
    EmptyRange,
    /// Fewer points than the line needs (2 with stated uncertainties, 3 without).
    TooFewPoints {
        /// Points given.
        points: usize,
        /// Points needed.
        needed: usize,
    },
    /// Lists of different length.
    Unpaired,
    /// A point is not finite, or its uncertainty is not above 0.
    BadPoint {
        /// Index of the point, from 0.
        index: usize,
    },
    /// All points lie at one input value: no slope follows.
    NoSpread,
}

impl std::fmt::Display for CalibrationFault {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::BadScale => write!(f, "the scale must be finite and not 0, the zero finite"),
            Self::EmptyRange => write!(f, "the smallest count must be below the largest"),
            Self::TooFewPoints { points, needed } => {
                write!(f, "{points} calibration points; take at least {needed}")
            }
            Self::Unpaired => write!(
                f,
                "every point needs an input, an output and (where stated) an uncertainty"
            ),
            Self::BadPoint { index } => write!(
                f,
                "calibration point {} is not finite or its uncertainty is not above 0; take it again",
                index + 1
            ),
            Self::NoSpread => write!(
                f,
                "all calibration points have the same input; spread them over the range in use"
            ),
        }
    }
}

impl std::error::Error for CalibrationFault {}

impl Nominal {
    /// Scale of a channel; `min` and `max` are the counts at the converter's ends.
    ///
    /// ```
    /// use feelgauge::calibration::Nominal;
    /// let n = Nominal::new(0.5, 100.0, -8388608, 8388607).unwrap();
    /// assert_eq!(n.convert(300).value, 100.0);
    /// assert!(!n.convert(300).clipped && n.convert(8388607).clipped);
    /// ```
    ///
    /// # Errors
    /// [`CalibrationFault::BadScale`], [`CalibrationFault::EmptyRange`].
    pub fn new(scale: f64, zero: f64, min: i64, max: i64) -> Result<Self, CalibrationFault> {
        if !scale.is_finite() || scale.abs() <= 0.0 || !zero.is_finite() {
            return Err(CalibrationFault::BadScale);
        }
        if min >= max {
            return Err(CalibrationFault::EmptyRange);
        }
        Ok(Self {
            scale,
            zero,
            min,
            max,
        })
    }

    /// Value of a count.
    pub fn convert(&self, count: i64) -> Converted {
        Converted {
            value: (count as f64 - self.zero) * self.scale,
            clipped: count <= self.min || count >= self.max,
        }
    }

    /// Nearest count of a value, held at the converter's ends.
    pub fn count(&self, value: f64) -> i64 {
        let count = (value / self.scale + self.zero).round();
        let (min, max) = (self.min as f64, self.max as f64);
        // `as` holds at the ends of i64 by itself; the range is narrower.
        #[allow(clippy::cast_possible_truncation)] // clamped to the range of the converter
        let held = count.clamp(min, max) as i64;
        held.clamp(self.min, self.max)
    }

    /// Smallest and largest value that the converter can state (in this order).
    pub fn range(&self) -> (f64, f64) {
        let (a, b) = (self.convert(self.min).value, self.convert(self.max).value);
        (a.min(b), a.max(b))
    }
}

/// What is known of the scatter of calibration points.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Scatter<'a> {
    /// Nothing but that it is the same everywhere: taken from the residuals, n - 2 degrees of freedom (GUM H.3).
    FromResiduals,
    /// Standard uncertainty of every output, same unit and length; weights `1/u^2`.
    Stated(&'a [f64]),
}

/// A straight line `y = intercept + slope (x - reference)` with the covariance of its coefficients.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Line {
    /// Input that the intercept belongs to.
    pub reference: f64,
    /// Output at `reference`.
    pub intercept: f64,
    /// Output a unit of input.
    pub slope: f64,
    /// Standard uncertainty of the intercept.
    pub u_intercept: f64,
    /// Standard uncertainty of the slope.
    pub u_slope: f64,
    /// Covariance of intercept and slope; leaving it out of a prediction is wrong (GUM H.3.5).
    pub covariance: f64,
    /// Weighted sum of squared residuals: of the residuals themselves without stated uncertainties, else chi-squared.
    pub residual_sum: f64,
    /// Points less 2.
    pub degrees_of_freedom: usize,
    /// Smallest input of the points: the line is known from here ...
    pub from: f64,
    /// ... to the largest input.
    pub to: f64,
    /// The scatter came from the residuals, so that intervals need Student's t.
    pub scatter_from_residuals: bool,
}

/// Output of a line at one input.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Prediction {
    /// Output with standard uncertainty and 95 % interval (Student's t where the scatter came from the residuals).
    pub estimate: Estimate,
    /// The input lies between the smallest and the largest calibration point; outside nothing vouches for the line.
    pub inside: bool,
}

impl Line {
    /// Least-squares line through `(x[i], y[i])`, intercept at the input `reference`. Formulas: GUM (JCGM 100:2008)
    /// H.3.2, equations H.13a to H.13f, with weights; sums are taken about the weighted mean, where the covariance
    /// vanishes, and moved to `reference` afterwards.
    ///
    /// ```
    /// use feelgauge::calibration::{Line, Scatter};
    /// let line = Line::fit(&[0.0, 1.0, 2.0], &[1.0, 3.0, 5.0], Scatter::FromResiduals, 0.0).unwrap();
    /// assert!((line.slope - 2.0).abs() < 1e-12 && (line.intercept - 1.0).abs() < 1e-12);
    /// assert!(!line.predict(2.5).inside);
    /// ```
    ///
    /// # Errors
    /// Too few points, lists of different length, a point that is not finite, no spread of the inputs.
    pub fn fit(
        x: &[f64],
        y: &[f64],
        scatter: Scatter,
        reference: f64,
    ) -> Result<Self, CalibrationFault> {
        let weights = weights(x, y, scatter)?;
        let total: f64 = weights.iter().sum();
        let mean = |v: &[f64]| weighted(&weights, v.iter().copied()) / total;
        let (mean_x, mean_y) = (mean(x), mean(y));
        let dx: Vec<f64> = x.iter().map(|x| x - mean_x).collect();
        let spread = weighted(&weights, dx.iter().map(|d| d * d));
        let (from, to) = x
            .iter()
            .fold((f64::INFINITY, f64::NEG_INFINITY), |(a, b), x| {
                (a.min(*x), b.max(*x))
            });
        if spread.is_nan() || spread <= 0.0 || to <= from {
            return Err(CalibrationFault::NoSpread);
        }
        let slope = weighted(&weights, dx.iter().zip(y).map(|(d, y)| d * (y - mean_y))) / spread;
        let residual = |(d, y): (&f64, &f64)| {
            let r = y - mean_y - slope * d;
            r * r
        };
        let residual_sum = weighted(&weights, dx.iter().zip(y).map(residual));
        let degrees_of_freedom = x.len() - 2;
        let from_residuals = scatter == Scatter::FromResiduals;
        let variance = if from_residuals {
            residual_sum / degrees_of_freedom as f64
        } else {
            1.0
        };
        let shift = reference - mean_x;
        let slope_variance = variance / spread;
        Ok(Self {
            reference,
            intercept: mean_y + slope * shift,
            slope,
            u_intercept: (variance / total + shift * shift * slope_variance).sqrt(),
            u_slope: slope_variance.sqrt(),
            covariance: shift * slope_variance,
            residual_sum,
            degrees_of_freedom,
            from,
            to,
            scatter_from_residuals: from_residuals,
        })
    }

    /// Standard deviation of the residuals (without stated uncertainties), or the root of the reduced chi-squared;
    /// 0 where two points leave no degree of freedom.
    pub fn residual_sd(&self) -> f64 {
        if self.degrees_of_freedom == 0 {
            return 0.0;
        }
        (self.residual_sum / self.degrees_of_freedom as f64).sqrt()
    }

    /// Correlation of intercept and slope, -1..1.
    pub fn correlation(&self) -> f64 {
        let scale = self.u_intercept * self.u_slope;
        if scale > 0.0 {
            self.covariance / scale
        } else {
            0.0
        }
    }

    /// The same line when all outputs share an unknown offset of standard uncertainty `u`: it moves the intercept,
    /// not the slope, and is independent of both (GUM H.3.6).
    #[must_use]
    pub fn with_common_offset(mut self, u: f64) -> Self {
        self.u_intercept = (self.u_intercept * self.u_intercept + u * u).sqrt();
        self
    }

    /// Output at an input: `u^2 = u_intercept^2 + d^2 u_slope^2 + 2 d covariance`, `d = x - reference` (GUM H.3.5).
    /// The uncertainty is that of the line, without the scatter of one more point.
    pub fn predict(&self, x: f64) -> Prediction {
        let d = x - self.reference;
        let variance = self.u_intercept * self.u_intercept
            + d * d * self.u_slope * self.u_slope
            + 2.0 * d * self.covariance;
        let value = self.intercept + self.slope * d;
        let u = variance.max(0.0).sqrt();
        let half = self.coverage_factor() * u;
        Prediction {
            estimate: Estimate {
                value,
                u,
                lo95: value - half,
                hi95: value + half,
            },
            inside: x >= self.from && x <= self.to,
        }
    }

    /// Half width of the 95 % interval in standard uncertainties.
    fn coverage_factor(&self) -> f64 {
        if !self.scatter_from_residuals {
            return Z95;
        }
        StudentsT::new(0.0, 1.0, self.degrees_of_freedom as f64)
            .expect("a fit from residuals has at least one degree of freedom")
            .inverse_cdf(0.975)
    }
}

/// Sum of `w v`.
fn weighted(weights: &[f64], values: impl Iterator<Item = f64>) -> f64 {
    weights.iter().zip(values).map(|(w, v)| w * v).sum()
}

fn weights(x: &[f64], y: &[f64], scatter: Scatter) -> Result<Vec<f64>, CalibrationFault> {
    let (weights, needed) = match scatter {
        Scatter::FromResiduals => (vec![1.0; x.len()], 3),
        Scatter::Stated(u) => (u.iter().map(|u| 1.0 / (u * u)).collect(), 2),
    };
    if x.len() != y.len() || x.len() != weights.len() {
        return Err(CalibrationFault::Unpaired);
    }
    if x.len() < needed {
        return Err(CalibrationFault::TooFewPoints {
            points: x.len(),
            needed,
        });
    }
    let stated_below_zero = |i: usize| matches!(scatter, Scatter::Stated(u) if u[i] <= 0.0);
    let bad = (0..x.len()).find(|&i| {
        !(x[i].is_finite() && y[i].is_finite() && weights[i].is_finite() && weights[i] > 0.0)
            || stated_below_zero(i)
    });
    match bad {
        Some(index) => Err(CalibrationFault::BadPoint { index }),
        None => Ok(weights),
    }
}

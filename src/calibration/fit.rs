//! From calibration points to a line with everything that makes it uncertain.

use statrs::distribution::{ChiSquared, ContinuousCDF, FisherSnedecor, StudentsT};

use super::{CalibrationFault, Line, Scatter};
use crate::reading::{Estimate, Z95};

/// Below this probability the points do not lie on one line within their scatter.
pub(super) const LACK_OF_FIT: f64 = 0.05;
/// Two neighbouring known values further apart than this share of the whole range must show in the indication ...
const STEP_THAT_SHOWS: f64 = 0.02;
/// ... by at least this share of what the line says (judgement: a sensor at its end shows nothing).
const STEP_SEEN: f64 = 0.2;

/// One calibration point.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Point {
    /// The known value, SI.
    pub known: f64,
    /// What the sensor showed.
    pub indication: f64,
    /// Standard uncertainty of the indication, where it is stated.
    pub u_indication: Option<f64>,
}

/// Something that shifts known values and may shift all of them together.
#[derive(Clone, Debug, PartialEq)]
pub struct Common {
    /// A word for the budget.
    pub source: &'static str,
    /// How far one standard uncertainty shifts each known value, same unit and order as the points.
    pub shift: Vec<f64>,
}

/// How shifts of several points go together.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Together {
    /// Each by itself.
    Never,
    /// Nobody knows: whichever makes the gain worse.
    Perhaps,
}

/// A line with the budget of its gain.
#[derive(Clone, Debug, PartialEq)]
pub struct Fitted {
    /// Indication that `value` and the covariance belong to: the weighted mean of the points'.
    pub reference: f64,
    /// Value at `reference`.
    pub value: f64,
    /// Value a unit of indication.
    pub gain: f64,
    /// Covariance of `value` and `gain`, everything in it.
    pub covariance: [[f64; 2]; 2],
    /// The part of it that comes from the scatter of the points: its two variances; at `reference` nothing correlates.
    pub scatter_variances: [f64; 2],
    /// What makes the gain uncertain, a word and its standard uncertainty each.
    pub gain_budget: Vec<(&'static str, f64)>,
    /// Known value less the line's, of each point.
    pub residuals: Vec<f64>,
    /// Standard deviation of one point about the line, unit of the known values.
    pub scatter: f64,
    /// Degrees of freedom of `scatter` and of what follows from it; infinite where uncertainties were stated and agree.
    pub scatter_freedom: f64,
    /// Probability of residuals as large as these if the line is right: against repeated points (F), or stated
    /// uncertainties (chi-squared); `None` where there is neither.
    pub fit_probability: Option<f64>,
    /// Smallest and largest indication of the points.
    pub range: (f64, f64),
}

/// Why points give no calibration, beyond what [`CalibrationFault`] says.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum FitFault {
    /// The line itself cannot be made.
    Line(CalibrationFault),
    /// The indication does not follow from one known value to the next: the points at these indices.
    NotFollowing {
        /// Point with the smaller known value.
        below: usize,
        /// Point with the larger known value.
        above: usize,
        /// It went the other way, instead of standing still.
        backward: bool,
    },
    /// The indications are all the same.
    Silent,
}

/// Fits known values over indications, as GUM H.3 fits corrections over readings. Indications scatter far less than
/// their range, so that this direction costs the gain less than (scatter/range)^2.
///
/// The scatter comes from the residuals where there are three points or more, else from stated uncertainties (which are
/// also used, as weights, when every point states one). Points that are worse than repeated readings or stated
/// uncertainties explain (5 %) widen the covariance. `resolution`: step of the indication.
///
/// # Errors
/// [`FitFault`].
pub fn fit(points: &[Point], common: &[Common], resolution: f64) -> Result<Fitted, FitFault> {
    let known: Vec<f64> = points.iter().map(|p| p.known).collect();
    let indication: Vec<f64> = points.iter().map(|p| p.indication).collect();
    if points.len() > 1 && all_same(&known) {
        return Err(FitFault::Line(CalibrationFault::NoSpread));
    }
    if points.len() > 1 && all_same(&indication) {
        return Err(FitFault::Silent);
    }
    let u = known_scatter(points, &known, &indication)?;
    let scatter = u.as_deref().map_or(Scatter::FromResiduals, Scatter::Stated);
    let line = Line::fit(&indication, &known, scatter, 0.0).map_err(FitFault::Line)?;
    follows(points, line.slope)?;
    let weights: Vec<f64> = u.as_ref().map_or_else(
        || vec![1.0; points.len()],
        |u| u.iter().map(|u| 1.0 / (u * u)).collect(),
    );
    Ok(Parts::new(&indication, &weights).join(&known, &line, common, resolution))
}

fn all_same(values: &[f64]) -> bool {
    values.windows(2).all(|v| v[0].to_bits() == v[1].to_bits())
}

/// Stated uncertainties of the indications in the unit of the known values, where they are used.
fn known_scatter(
    points: &[Point],
    known: &[f64],
    indication: &[f64],
) -> Result<Option<Vec<f64>>, FitFault> {
    let stated: Option<Vec<f64>> = points.iter().map(|p| p.u_indication).collect();
    let Some(stated) = stated else {
        return Ok(None);
    };
    let equal = vec![1.0; points.len()];
    let line =
        Line::fit(indication, known, Scatter::Stated(&equal), 0.0).map_err(FitFault::Line)?;
    Ok(Some(stated.iter().map(|u| u * line.slope.abs()).collect()))
}

/// Every step of the known values must show in the indications, in the line's direction.
fn follows(points: &[Point], gain: f64) -> Result<(), FitFault> {
    let levels = levels(points);
    let range = levels.last().map_or(0.0, |l| l.known) - levels.first().map_or(0.0, |l| l.known);
    for (a, b) in levels.iter().zip(levels.iter().skip(1)) {
        let known = b.known - a.known;
        let seen = (b.mean - a.mean) * gain;
        if known > STEP_THAT_SHOWS * range && seen < STEP_SEEN * known {
            return Err(FitFault::NotFollowing {
                below: a.first,
                above: b.first,
                backward: seen < -STEP_SEEN * known,
            });
        }
    }
    Ok(())
}

/// All points of one known value.
pub(super) struct Level {
    pub(super) known: f64,
    /// Mean of their indications.
    pub(super) mean: f64,
    /// Index of the first.
    first: usize,
    pub(super) points: Vec<usize>,
}

/// Points by known value, smallest first.
pub(super) fn levels(points: &[Point]) -> Vec<Level> {
    let mut order: Vec<usize> = (0..points.len()).collect();
    order.sort_by(|a, b| points[*a].known.total_cmp(&points[*b].known));
    let mut levels: Vec<Level> = Vec::new();
    for i in order {
        match levels.last_mut() {
            Some(level) if level.known.to_bits() == points[i].known.to_bits() => {
                level.points.push(i);
            }
            _ => levels.push(Level {
                known: points[i].known,
                mean: 0.0,
                first: i,
                points: vec![i],
            }),
        }
    }
    for level in &mut levels {
        let sum: f64 = level.points.iter().map(|i| points[*i].indication).sum();
        level.mean = sum / level.points.len() as f64;
    }
    levels
}

/// Sums of a weighted line and what each point's known value does to its coefficients.
struct Parts<'a> {
    indication: &'a [f64],
    weights: &'a [f64],
    total: f64,
    mean: f64,
    spread: f64,
}

impl<'a> Parts<'a> {
    fn new(indication: &'a [f64], weights: &'a [f64]) -> Self {
        let total: f64 = weights.iter().sum();
        let mean = weights
            .iter()
            .zip(indication)
            .map(|(w, x)| w * x)
            .sum::<f64>()
            / total;
        let spread = weights
            .iter()
            .zip(indication)
            .map(|(w, x)| w * (x - mean) * (x - mean))
            .sum();
        Self {
            indication,
            weights,
            total,
            mean,
            spread,
        }
    }

    /// Derivatives of the value at the mean and of the gain by the known value of each point.
    fn derivatives(&self) -> impl Iterator<Item = (f64, f64)> + '_ {
        self.weights
            .iter()
            .zip(self.indication)
            .map(|(w, x)| (w / self.total, w * (x - self.mean) / self.spread))
    }

    /// Covariance by shifts of the known values. Whether a set of weights or the marks of a ruler are off together or
    /// each by itself nobody knows.
    fn shifted(&self, shift: &[f64], together: Together) -> [[f64; 2]; 2] {
        let (mut value, mut gain) = (0.0, 0.0);
        let mut apart = [[0.0; 2]; 2];
        for ((by_value, by_gain), s) in self.derivatives().zip(shift) {
            value += by_value * s;
            gain += by_gain * s;
            let s2 = s * s;
            apart[0][0] += by_value * by_value * s2;
            apart[0][1] += by_value * by_gain * s2;
            apart[1][1] += by_gain * by_gain * s2;
        }
        apart[1][0] = apart[0][1];
        if together == Together::Perhaps && gain * gain >= apart[1][1] {
            [[value * value, value * gain], [value * gain, gain * gain]]
        } else {
            apart
        }
    }

    fn join(&self, known: &[f64], line: &Line, common: &[Common], resolution: f64) -> Fitted {
        let value = line.intercept + line.slope * self.mean;
        let residuals: Vec<f64> = known
            .iter()
            .zip(self.indication)
            .map(|(y, x)| y - value - line.slope * (x - self.mean))
            .collect();
        let scatter = self.scatter(known, line, &residuals);
        let own = scatter.variance / self.spread;
        let mut covariance = [[scatter.variance / self.total, 0.0], [0.0, own]];
        let mut gain_budget = scatter.budget(self.spread);
        let rounding = resolution * line.slope.abs();
        let rounded = self.rounded(rounding * rounding / 12.0, scatter.variance);
        let shifts = common.iter().map(|c| (c, Together::Perhaps));
        for (part, together) in shifts.chain([(&rounded, Together::Never)]) {
            let more = self.shifted(&part.shift, together);
            for (row, more) in covariance.iter_mut().zip(more) {
                row[0] += more[0];
                row[1] += more[1];
            }
            gain_budget.push((part.source, more[1][1].sqrt()));
        }
        let (from, to) = (line.from, line.to);
        Fitted {
            reference: self.mean,
            value,
            gain: line.slope,
            covariance,
            scatter_variances: [scatter.variance / self.total, own],
            gain_budget,
            residuals,
            // In units of the known values also where weights are 1/u^2: of the mean weight.
            scatter: (scatter.variance * known.len() as f64 / self.total).sqrt(),
            scatter_freedom: scatter.freedom,
            fit_probability: scatter.probability,
            range: (from, to),
        }
    }

    /// Rounding (a variance, GUM F.2.2.1) that the scatter does not contain already: together they are the larger.
    fn rounded(&self, rounding: f64, variance: f64) -> Common {
        let more = |w: &f64| (rounding - variance / w).max(0.0).sqrt();
        Common {
            source: "resolution",
            shift: self.weights.iter().map(more).collect(),
        }
    }

    fn scatter(&self, known: &[f64], line: &Line, residuals: &[f64]) -> Spread {
        let freedom = line.degrees_of_freedom as f64;
        if !line.scatter_from_residuals {
            return stated_spread(line.residual_sum, freedom);
        }
        let pooled = Spread {
            variance: line.residual_sum / freedom,
            freedom,
            repeats: None,
            probability: None,
        };
        let points: Vec<Point> = known
            .iter()
            .zip(self.indication)
            .map(|(&known, &indication)| Point {
                known,
                indication,
                u_indication: None,
            })
            .collect();
        repeated_spread(&levels(&points), residuals, pooled)
    }
}

/// Scatter of one point of weight 1.
struct Spread {
    variance: f64,
    freedom: f64,
    /// Variance of repeated points about their mean, where there are some.
    repeats: Option<f64>,
    probability: Option<f64>,
}

impl Spread {
    /// Contributions to the gain: repeated readings, and the line's own misfit beyond them.
    fn budget(&self, spread: f64) -> Vec<(&'static str, f64)> {
        match self.repeats {
            Some(repeats) if repeats < self.variance => vec![
                ("repeatability", (repeats / spread).sqrt()),
                ("line", ((self.variance - repeats) / spread).sqrt()),
            ],
            _ => vec![("repeatability", (self.variance / spread).sqrt())],
        }
    }
}

/// Stated uncertainties: chi-squared tells whether the residuals agree with them; when not, they are widened to it.
fn stated_spread(chi_squared: f64, freedom: f64) -> Spread {
    let probability = (freedom > 0.0).then(|| {
        let chi = ChiSquared::new(freedom).expect("there is a degree of freedom");
        chi.sf(chi_squared)
    });
    let worse = probability.is_some_and(|p| p < LACK_OF_FIT);
    Spread {
        variance: if worse { chi_squared / freedom } else { 1.0 },
        freedom: if worse { freedom } else { f64::INFINITY },
        repeats: worse.then_some(1.0),
        probability,
    }
}

/// Repeated readings of one known value tell scatter from misfit (F test of lack of fit: Draper and Smith, Applied
/// Regression Analysis, section on repeat runs; from memory). Where they do not agree, repeating makes the line no
/// better: its variance is that of the misfit.
fn repeated_spread(levels: &[Level], residuals: &[f64], pooled: Spread) -> Spread {
    let within: f64 = levels
        .iter()
        .map(|level| {
            let mean =
                level.points.iter().map(|i| residuals[*i]).sum::<f64>() / level.points.len() as f64;
            let square = |i: &usize| (residuals[*i] - mean) * (residuals[*i] - mean);
            level.points.iter().map(square).sum::<f64>()
        })
        .sum();
    let (n, m) = (residuals.len(), levels.len());
    if n == m || m < 3 {
        return pooled;
    }
    let (within_freedom, misfit_freedom) = ((n - m) as f64, (m - 2) as f64);
    let repeats = within / within_freedom;
    let total: f64 = residuals.iter().map(|r| r * r).sum();
    let misfit = (total - within).max(0.0) / misfit_freedom;
    if repeats <= 0.0 {
        return Spread {
            variance: misfit.max(pooled.variance),
            freedom: misfit_freedom,
            repeats: Some(0.0),
            probability: None,
        };
    }
    let f =
        FisherSnedecor::new(misfit_freedom, within_freedom).expect("both have a degree of freedom");
    let probability = f.sf(misfit / repeats);
    if probability < LACK_OF_FIT {
        return Spread {
            variance: misfit,
            freedom: misfit_freedom,
            repeats: Some(repeats),
            probability: Some(probability),
        };
    }
    Spread {
        repeats: Some(repeats),
        probability: Some(probability),
        ..pooled
    }
}

/// Degrees of freedom from which on the normal distribution serves: Student's t is 1.2e-4 of itself wider there.
const AS_GOOD_AS_NORMAL: f64 = 1e4;

/// Half width of a 95 % interval in standard uncertainties.
pub(super) fn coverage(degrees_of_freedom: f64) -> f64 {
    if degrees_of_freedom < AS_GOOD_AS_NORMAL {
        StudentsT::new(0.0, 1.0, degrees_of_freedom.max(1.0))
            .expect("there is a degree of freedom")
            .inverse_cdf(0.975)
    } else {
        Z95
    }
}

impl Fitted {
    /// The gain with its 95 % interval.
    pub fn gain_estimate(&self) -> Estimate {
        self.estimate(self.gain, self.covariance[1][1], self.scatter_variances[1])
    }

    /// Value at an indication.
    pub fn value_at(&self, indication: f64) -> Estimate {
        let d = indication - self.reference;
        let [[a, b], [_, c]] = self.covariance;
        let variance = a + 2.0 * d * b + d * d * c;
        let [value, gain] = self.scatter_variances;
        let scatter = value + d * d * gain;
        self.estimate(self.value + self.gain * d, variance, scatter)
    }

    /// Indication at which the value is 0.
    pub fn zero(&self) -> Estimate {
        let zero = self.reference - self.value / self.gain;
        let there = self.value_at(zero);
        let scale = 1.0 / self.gain.abs();
        Estimate {
            value: zero,
            u: there.u * scale,
            lo95: zero + (there.lo95 - there.value) * scale,
            hi95: zero + (there.hi95 - there.value) * scale,
        }
    }

    /// What the calibration adds to a reading from which its own zero was taken off, as a relative standard uncertainty:
    /// the gain's, so large that 1.96 times it is the half width of the 95 % interval even where few points gave it.
    pub fn u_relative(&self) -> f64 {
        let gain = self.gain_estimate();
        (gain.hi95 - gain.lo95) / (2.0 * Z95 * self.gain.abs())
    }

    /// Half width of the band about the line in which 95 of 100 single points lie, at an indication.
    pub fn band95(&self, indication: f64) -> f64 {
        let d = indication - self.reference;
        let scatter = self.scatter * self.scatter;
        let line = scatter / self.residuals.len() as f64 + d * d * self.scatter_variances[1];
        coverage(self.scatter_freedom) * (scatter + line).sqrt()
    }

    /// An estimate with its 95 % interval. The half widths of what scatters (Student's t) and of what does not are added
    /// in squares: with two or three degrees of freedom the effective ones of GUM G.4 cover 93 % only, this 95 to 97 %
    /// (simulated; tests).
    fn estimate(&self, value: f64, variance: f64, scatter: f64) -> Estimate {
        let rest = (variance - scatter).max(0.0);
        let t = coverage(self.scatter_freedom);
        let half = (t * t * scatter + Z95 * Z95 * rest).sqrt();
        Estimate {
            value,
            u: variance.max(0.0).sqrt(),
            lo95: value - half,
            hi95: value + half,
        }
    }
}

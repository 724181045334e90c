//! What every measure speaks: estimates, refusals, verdicts, quality, and the readings they come from.

use std::collections::BTreeMap;

use schemars::JsonSchema;
use serde::Serialize;

/// Version of this software, recorded in every finding.
pub const SOFTWARE: &str = concat!("feelgauge ", env!("CARGO_PKG_VERSION"));

/// A value with its standard uncertainty and 95 % interval, all in the unit that the field's name states.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, JsonSchema)]
pub struct Estimate {
    /// Best estimate.
    pub value: f64,
    /// Standard uncertainty (GUM), same unit as `value`, >= 0.
    pub u: f64,
    /// Lower end of the 95 % interval.
    pub lo95: f64,
    /// Upper end of the 95 % interval; the interval need not be symmetric.
    pub hi95: f64,
}

impl Estimate {
    /// Estimate of a normally distributed quantity: interval `value -+ 1.96 u`.
    ///
    /// ```
    /// let e = feelgauge::reading::Estimate::normal(10.0, 1.0);
    /// assert!((e.hi95 - 11.96).abs() < 1e-3);
    /// ```
    pub fn normal(value: f64, u: f64) -> Self {
        Self {
            value,
            u,
            lo95: value - Z95 * u,
            hi95: value + Z95 * u,
        }
    }

    /// The same estimate in another unit: everything times `factor` (> 0).
    #[must_use]
    pub fn scaled(self, factor: f64) -> Self {
        Self {
            value: self.value * factor,
            u: self.u * factor,
            lo95: self.lo95 * factor,
            hi95: self.hi95 * factor,
        }
    }
}

/// One line of a budget of uncertainty: where a part of it comes from and how much that is (GUM 5.1.2, `u_i(y)`).
#[derive(Clone, Debug, PartialEq, Serialize, JsonSchema)]
pub struct Contribution {
    /// Where it comes from, a word such as `volume` or `drift_and_heat`.
    pub source: String,
    /// Standard uncertainty that it alone gives the result, in the result's unit, >= 0.
    pub u: f64,
    /// Its share of the sum of squares, 0..1.
    pub share: f64,
}

/// A budget of independent contributions, largest first; nothing when every one is zero.
///
/// ```
/// let budget = feelgauge::reading::budget(&[("volume", 3.0), ("temperature", 4.0)]);
/// assert_eq!((budget[0].source.as_str(), budget[0].share), ("temperature", 0.64));
/// ```
pub fn budget(contributions: &[(&str, f64)]) -> Vec<Contribution> {
    let sum: f64 = contributions.iter().map(|(_, u)| u * u).sum();
    let mut lines: Vec<Contribution> = contributions
        .iter()
        .filter(|(_, u)| *u > 0.0)
        .map(|&(source, u)| Contribution {
            source: source.into(),
            u,
            share: u * u / sum,
        })
        .collect();
    lines.sort_by(|a, b| b.u.total_cmp(&a.u));
    lines
}

/// What is known of the calibration of the sensor behind a reading.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum CalibrationState {
    /// The readings came in their unit from elsewhere, which says nothing of a calibration (a plain sample file): taken
    /// at their word.
    #[default]
    NotStated,
    /// A probe without a calibration: its nominal scale, with the uncertainty of an untested sensor.
    Missing,
    /// A calibration that is not yet due again.
    Current,
    /// A calibration that was due before the day of the readings.
    Expired,
}

/// What a calibration adds to the uncertainty of every reading of a record alike.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, JsonSchema)]
pub struct CalibrationShare {
    /// What is known.
    pub state: CalibrationState,
    /// Relative standard uncertainty of the gain, >= 0.
    pub u_relative: f64,
}

/// 97.5 % quantile of the standard normal distribution.
pub const Z95: f64 = 1.959_963_984_540_054;

/// Why a measure gives no number.
#[derive(Clone, Debug, PartialEq, Serialize, JsonSchema)]
pub struct Refusal {
    /// Short code, a word such as `no_pressure`.
    pub code: String,
    /// What is wrong and what to do, for a person.
    pub message: String,
    /// The value that led to the refusal, in the unit that the message names.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub value: Option<f64>,
    /// The limit that `value` missed.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub limit: Option<f64>,
}

impl Refusal {
    /// A refusal without numbers.
    pub fn new(code: &str, message: impl Into<String>) -> Self {
        Self {
            code: code.into(),
            message: message.into(),
            value: None,
            limit: None,
        }
    }

    /// The same refusal with the value that missed a limit.
    #[must_use]
    pub fn with(mut self, value: f64, limit: f64) -> Self {
        (self.value, self.limit) = (Some(value), Some(limit));
        self
    }
}

/// Three states: the 95 % interval lies inside the limit, outside, or across it.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Verdict {
    /// The whole interval is on the good side of the limit.
    Within,
    /// The whole interval is on the bad side of the limit.
    Outside,
    /// The interval lies across the limit.
    Undecided,
}

/// Where a limit comes from.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum LimitSource {
    /// Stated by the person, as an option.
    Own,
    /// From the vehicle file.
    Vehicle,
    /// Suggested by feelgauge; common practice, no source.
    Suggested,
}

/// What the record was like, apart from the quantity measured.
#[derive(Clone, Debug, Default, PartialEq, Serialize, JsonSchema)]
pub struct Quality {
    /// Lines received (captures) or rows read (plain files), bad ones included.
    pub lines: u64,
    /// Readings that reached the measure.
    pub rows: u64,
    /// Readings of sensors that this test does not use.
    pub ignored: u64,
    /// Faults by kind; empty when there were none.
    pub faults: BTreeMap<String, u64>,
    /// Places where readings are missing.
    pub gaps: u64,
    /// True when no checksum protected the readings on their way (bare probe, plain file).
    pub unprotected: bool,
    /// Remarks, one word each, such as `no_tare`.
    pub flags: Vec<String>,
}

impl Quality {
    /// Counts one fault of a kind.
    pub fn count(&mut self, kind: &str) {
        *self.faults.entry(kind.into()).or_default() += 1;
    }

    /// Adds a flag once.
    pub fn flag(&mut self, word: &str) {
        if !self.flags.iter().any(|f| f == word) {
            self.flags.push(word.into());
        }
    }

    /// Quality of several records together: counts added, flags of any of them.
    ///
    /// ```
    /// use feelgauge::reading::Quality;
    /// let (mut one, mut other) = (Quality { lines: 5, ..Quality::default() }, Quality::default());
    /// one.count("bad_crc");
    /// other.flag("no_tare");
    /// let both = Quality::merged([&one, &other]);
    /// assert_eq!((both.lines, both.faults["bad_crc"], both.flags[0].as_str()), (5, 1, "no_tare"));
    /// ```
    pub fn merged<'a>(records: impl IntoIterator<Item = &'a Self>) -> Self {
        let mut all = Self::default();
        for one in records {
            all.lines += one.lines;
            all.rows += one.rows;
            all.ignored += one.ignored;
            all.gaps += one.gaps;
            all.unprotected |= one.unprotected;
            for (kind, n) in &one.faults {
                *all.faults.entry(kind.clone()).or_default() += n;
            }
            for word in &one.flags {
                all.flag(word);
            }
        }
        all
    }
}

/// One pressure reading of a leak test.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct PressureReading {
    /// Time, microseconds from any origin.
    pub t_us: u64,
    /// Gauge pressure, Pa (or absolute: the measure takes the ambient level off).
    pub pressure_pa: f64,
    /// Temperature of the tank, K, where a thermometer is fitted.
    pub tank_k: Option<f64>,
}

/// One force reading of a pull test.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ForceReading {
    /// Time, microseconds from any origin; the END of the converter's averaging interval.
    pub t_us: u64,
    /// Force at the handle, N.
    pub force_n: f64,
}

/// One edge of a hall sensor.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Edge {
    /// Time, microseconds from any origin.
    pub t_us: u64,
    /// Index of the sensor, as in the vehicle file.
    pub sensor: u32,
    /// Edges of the sensor may be missing before this one: lines were lost, a row was skipped, the probe began anew.
    pub after_gap: bool,
}

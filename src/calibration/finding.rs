//! What a calibration found: the line or the volume, its budget, its residuals, or why there is none.

use jiff::civil::Date;
use schemars::JsonSchema;
use serde::Serialize;

use super::{
    Calibration, CalibrationConditions, CalibrationKind, CalibrationLine, CalibrationPoint,
    CalibrationVolume, Fitted, Point,
};
use crate::reading::{Contribution, Estimate, Refusal, SOFTWARE, budget};

/// A point further from the line than this share of the whole range: the sensor is not straight, or a point is wrong
/// (judgement: ten times what cheap sensors state).
const NOT_STRAIGHT: f64 = 0.05;
/// A gain known no better than this, relative half width of its 95 % interval, is no calibration: the interval would be
/// wider than that of a sensor that nobody calibrated by a factor of two and a half.
const GAIN_NOT_CLEAR: f64 = 0.10;
/// Largest known values that this bench can mean, N and Pa, and the largest volume, m3: beyond them a unit is wrong (a pull
/// takes 150 N, a tank holds 0.15 l at 50 kPa; judgement).
const MOST_N: f64 = 2e3;
const MOST_PA: f64 = 2e5;
const MOST_M3: f64 = 2e-3;
/// Points of the band that is drawn about the line.
const BAND: usize = 64;

/// Result of `calibrate`.
#[derive(Clone, Debug, PartialEq, Serialize, JsonSchema)]
pub struct CalibrationFinding {
    /// `calibrate`.
    pub test: String,
    /// Software that found it.
    pub software: String,
    /// `force`, `pressure` or `volume`.
    pub kind: String,
    /// Serial number of the probe; null: the indications are readings in the unit.
    pub sensor: Option<String>,
    /// Channel of the probe.
    pub channel: Option<u8>,
    /// Day of the points.
    pub date: String,
    /// Day from which on it wants repeating.
    pub due: String,
    /// Why there is no calibration.
    pub refused: Option<Vec<Refusal>>,
    /// Unit of the known values: `N`, `Pa`; volume: `Pa m3`, which makes the gain a volume in m3.
    pub unit: String,
    /// Unit of the indications: `count`, `N` or `Pa`.
    pub indication_unit: String,
    /// Value a unit of indication.
    pub gain: Option<Estimate>,
    /// Indication at which the value is 0.
    pub zero: Option<Estimate>,
    /// Indication that `value_at_reference` and `covariance` belong to.
    pub reference: Option<f64>,
    /// Value at `reference`.
    pub value_at_reference: Option<Estimate>,
    /// Covariance of `value_at_reference` and `gain`.
    pub covariance: Option<[[f64; 2]; 2]>,
    /// Relative standard uncertainty that the calibration leaves a reading whose own zero was taken off, from 20 % of the
    /// range on.
    pub u_relative: Option<f64>,
    /// Gain that the probe itself states.
    pub nominal_gain: Option<f64>,
    /// Volume: m3.
    pub volume_m3: Option<Estimate>,
    /// One a point, in the order given.
    pub residuals: Vec<Residual>,
    /// Band about the line in which 95 of 100 single points lie, over the range.
    pub band95: Vec<Band>,
    /// Standard deviation of one point about the line, in `unit`.
    pub scatter: Option<f64>,
    /// Probability of residuals as large as these if the line is right and repeated readings or stated uncertainties tell
    /// the scatter; null where there are neither.
    pub fit_probability: Option<f64>,
    /// Contributions to the uncertainty of the gain (volume: of the volume), largest first.
    pub budget: Vec<Contribution>,
    /// What was taken for known.
    pub conditions: Conditions,
}

/// How far a point lies off the line.
#[derive(Clone, Debug, PartialEq, Serialize, JsonSchema)]
pub struct Residual {
    /// Where the point stands.
    pub place: String,
    /// Known value, in `unit`.
    pub known: f64,
    /// Indication.
    pub indication: f64,
    /// Known value less the line's, in `unit`.
    pub residual: f64,
    /// It lies outside the band.
    pub outside: bool,
}

/// Half width of the band at one place.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, JsonSchema)]
pub struct Band {
    /// Value of the line, in `unit`.
    pub known: f64,
    /// Half width, in `unit`.
    pub half_width: f64,
}

/// What was taken for known.
#[derive(Clone, Debug, Default, PartialEq, Serialize, JsonSchema)]
pub struct Conditions {
    /// Gravity, m/s2.
    pub gravity_m_s2: Option<f64>,
    /// Where that comes from.
    pub gravity_source: Option<String>,
    /// Density with which a water column presses, kg/m3.
    pub water_kg_m3: Option<f64>,
    /// Absolute pressure of the air, Pa.
    pub ambient_pa: Option<f64>,
}

/// What is calibrated, when, and against what.
#[derive(Clone, Debug, PartialEq)]
pub struct Subject {
    /// Of what.
    pub kind: CalibrationKind,
    /// Serial number of the probe.
    pub sensor: Option<String>,
    /// Its channel.
    pub channel: Option<u8>,
    /// Day of the points.
    pub date: Date,
    /// Day from which on it wants repeating.
    pub due: Date,
    /// What was taken for known.
    pub conditions: Conditions,
    /// Gain that the probe itself states.
    pub nominal_gain: Option<f64>,
}

impl Subject {
    /// The finding of a line, and the file to keep where there is one.
    pub fn conclude(
        &self,
        fitted: &Fitted,
        points: &[CalibrationPoint],
    ) -> (CalibrationFinding, Option<Calibration>) {
        let mut finding = self.finding(fitted, points);
        let fitted = &self.in_use(fitted, points);
        if let Some(refusal) = refusal(self.kind, fitted, points) {
            finding.refused = Some(vec![refusal]);
            return (finding, None);
        }
        let gain = fitted.gain_estimate();
        finding.budget = budget(&fitted.gain_budget);
        if self.kind == CalibrationKind::Volume {
            finding.volume_m3 = Some(gain);
        } else {
            finding.gain = Some(gain);
            finding.zero = Some(fitted.zero());
            finding.reference = Some(fitted.reference);
            finding.value_at_reference = Some(fitted.value_at(fitted.reference));
            finding.covariance = Some(fitted.covariance);
        }
        finding.u_relative = Some(fitted.u_relative());
        (finding, Some(self.file(fitted, points)))
    }

    /// A sensor's readings are counted from their own zero, pressures of a syringe's strokes from each other.
    fn in_use(&self, fitted: &Fitted, points: &[CalibrationPoint]) -> Fitted {
        if self.kind == CalibrationKind::Volume {
            return fitted.clone();
        }
        let point = |p: &CalibrationPoint| Point {
            known: p.known,
            indication: p.indication,
            u_indication: None,
        };
        let points: Vec<Point> = points.iter().map(point).collect();
        fitted.clone().tared(&points)
    }

    fn finding(&self, fitted: &Fitted, points: &[CalibrationPoint]) -> CalibrationFinding {
        let residuals = points.iter().zip(&fitted.residuals);
        CalibrationFinding {
            test: "calibrate".into(),
            software: SOFTWARE.into(),
            kind: self.kind.word().into(),
            sensor: self.sensor.clone(),
            channel: self.channel,
            date: self.date.to_string(),
            due: self.due.to_string(),
            refused: None,
            unit: self.known_unit().into(),
            indication_unit: self.indication_unit().into(),
            gain: None,
            zero: None,
            reference: None,
            value_at_reference: None,
            covariance: None,
            u_relative: None,
            nominal_gain: self.nominal_gain,
            volume_m3: None,
            residuals: residuals
                .map(|(point, residual)| Residual {
                    place: point.place.clone(),
                    known: point.known,
                    indication: point.indication,
                    residual: *residual,
                    outside: residual.abs() > fitted.band95(point.indication),
                })
                .collect(),
            band95: band(fitted),
            scatter: Some(fitted.scatter),
            fit_probability: fitted.fit_probability,
            budget: Vec::new(),
            conditions: self.conditions.clone(),
        }
    }

    fn known_unit(&self) -> &'static str {
        match self.kind {
            CalibrationKind::Volume => "Pa m3",
            kind => kind.unit(),
        }
    }

    fn indication_unit(&self) -> &'static str {
        match (self.kind, &self.sensor) {
            (CalibrationKind::Volume, _) => "Pa",
            (_, Some(_)) => "count",
            (kind, None) => kind.unit(),
        }
    }

    fn file(&self, fitted: &Fitted, points: &[CalibrationPoint]) -> Calibration {
        let mut file = Calibration::new(self.kind, self.date, self.due);
        file.sensor.clone_from(&self.sensor);
        file.channel = self.channel;
        file.points = points.to_vec();
        file.conditions = CalibrationConditions {
            gravity_m_s2: self.conditions.gravity_m_s2,
            gravity_source: self.conditions.gravity_source.clone(),
            water_kg_m3: self.conditions.water_kg_m3,
            ambient_pa: self.conditions.ambient_pa,
        };
        if self.kind == CalibrationKind::Volume {
            let volume = fitted.gain_estimate();
            file.volume = Some(CalibrationVolume {
                volume_m3: volume.value,
                // As for a sensor's line: 1.96 times it is the half width of the 95 % interval.
                volume_u_m3: fitted.u_relative() * volume.value,
            });
        } else {
            file.line = Some(CalibrationLine {
                indication: self.indication_unit().into(),
                unit: self.kind.unit().into(),
                gain: fitted.gain,
                zero: fitted.zero().value,
                reference: fitted.reference,
                value_at_reference: fitted.value,
                covariance: fitted.covariance,
                u_relative: fitted.u_relative(),
                from: fitted.range.0,
                to: fitted.range.1,
            });
        }
        file
    }
}

/// Why a line that could be made is no calibration.
fn refusal(kind: CalibrationKind, fitted: &Fitted, points: &[CalibrationPoint]) -> Option<Refusal> {
    if kind == CalibrationKind::Volume && fitted.gain <= 0.0 {
        let message = "the pressure falls when air is pressed in: swap the sensor's ports or turn the sign of its readings, and take the points again";
        return Some(Refusal::new("pressure_falls", message).with(fitted.gain, 0.0));
    }
    if let Some(refusal) = units(kind, fitted, points) {
        return Some(refusal);
    }
    let span = (fitted.range.1 - fitted.range.0) * fitted.gain.abs();
    let (at, worst) = fitted
        .residuals
        .iter()
        .map(|r| r.abs())
        .enumerate()
        .max_by(|a, b| a.1.total_cmp(&b.1))?;
    let share = worst / span;
    if share > NOT_STRAIGHT {
        let message = format!(
            "the points do not lie on a line: {} is off by {:.0} % of the range; look for a mixed-up or wrongly read point \
             or a sensor at its end, and take the points again",
            points[at].place,
            100.0 * share
        );
        return Some(Refusal::new("not_straight", message).with(share, NOT_STRAIGHT));
    }
    let gain = fitted.gain_estimate();
    let half = (gain.hi95 - gain.lo95) / 2.0 / gain.value.abs();
    if half > GAIN_NOT_CLEAR {
        let message = format!(
            "the gain is known to {:.0} % only; take more points, spread over the whole range, or known values that you know \
             better",
            100.0 * half
        );
        return Some(Refusal::new("gain_not_clear", message).with(half, GAIN_NOT_CLEAR));
    }
    None
}

/// Values that no sensor or tank of this bench can have: a column in another unit than its header says.
fn units(kind: CalibrationKind, fitted: &Fitted, points: &[CalibrationPoint]) -> Option<Refusal> {
    let most = points.iter().map(|p| p.known.abs()).fold(0.0, f64::max);
    let (value, limit) = match kind {
        CalibrationKind::Force => (most, MOST_N),
        CalibrationKind::Pressure => (most, MOST_PA),
        CalibrationKind::Volume => (fitted.gain, MOST_M3),
    };
    (value > limit).then(|| {
        let message = format!(
            "{value:.3e} {} is beyond anything this bench measures: look whether the column is in the unit that its header says (kg and not g, cm3 and not mm3)",
            if kind == CalibrationKind::Volume { "m3" } else { kind.unit() }
        );
        Refusal::new("units", message).with(value, limit)
    })
}

fn band(fitted: &Fitted) -> Vec<Band> {
    let (from, to) = fitted.range;
    let step = (to - from) / (BAND - 1) as f64;
    let mut band: Vec<Band> = (0..BAND)
        .map(|i| from + step * i as f64)
        .map(|indication| Band {
            known: fitted.value + fitted.gain * (indication - fitted.reference),
            half_width: fitted.band95(indication),
        })
        .collect();
    if fitted.gain < 0.0 {
        band.reverse();
    }
    band
}

//! The calibration file: one sensor, one line, what it was made from and how long it is good.

use std::fmt;

use jiff::civil::Date;
use serde::{Deserialize, Serialize};

use crate::reading::SOFTWARE;

/// The only format there is.
const FORMAT: u32 = 1;
/// Longest file that is read, bytes.
pub const MAX_TEXT: usize = 1 << 20;

/// What a calibration is of.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum CalibrationKind {
    /// A force sensor: N.
    Force,
    /// A pressure sensor: Pa.
    Pressure,
    /// A closed space: no sensor, but its volume.
    Volume,
}

impl CalibrationKind {
    /// Its word in files.
    pub fn word(self) -> &'static str {
        match self {
            Self::Force => "force",
            Self::Pressure => "pressure",
            Self::Volume => "volume",
        }
    }

    /// SI unit of the known values.
    pub fn unit(self) -> &'static str {
        match self {
            Self::Force => "N",
            Self::Pressure => "Pa",
            Self::Volume => "m3",
        }
    }
}

/// A calibration as its file states it. Keys that are not known are errors.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Calibration {
    /// Layout, 1.
    pub format: u32,
    /// Software that made it.
    pub software: String,
    /// Of what.
    pub kind: CalibrationKind,
    /// Serial number of the probe; absent: the indications are readings in the unit, of a board that prints plain numbers
    /// or another instrument.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub sensor: Option<String>,
    /// Channel of the probe.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub channel: Option<u8>,
    /// Day on which the points were taken.
    pub date: Date,
    /// Day from which on it wants repeating.
    pub due: Date,
    /// The line of a sensor.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub line: Option<CalibrationLine>,
    /// The volume of a closed space.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub volume: Option<CalibrationVolume>,
    /// What was taken for known.
    #[serde(default)]
    pub conditions: CalibrationConditions,
    /// The points, as they were given.
    #[serde(default, rename = "point")]
    pub points: Vec<CalibrationPoint>,
}

/// `value = value_at_reference + gain (indication - reference)`.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct CalibrationLine {
    /// What goes in: `count`, or the unit itself.
    pub indication: String,
    /// What comes out: `N` or `Pa`.
    pub unit: String,
    /// Value a unit of indication.
    pub gain: f64,
    /// Indication at which the value is 0.
    pub zero: f64,
    /// Indication that the next two belong to.
    pub reference: f64,
    /// Value there.
    pub value_at_reference: f64,
    /// Covariance of that value and the gain.
    pub covariance: [[f64; 2]; 2],
    /// Relative standard uncertainty that it leaves a reading whose own zero was taken off.
    pub u_relative: f64,
    /// Smallest and largest indication of the points.
    pub from: f64,
    /// See `from`.
    pub to: f64,
}

/// Volume by a syringe.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct CalibrationVolume {
    /// m3.
    pub volume_m3: f64,
    /// Its standard uncertainty, m3.
    pub volume_u_m3: f64,
}

/// What was taken for known.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct CalibrationConditions {
    /// m/s2.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub gravity_m_s2: Option<f64>,
    /// Where that comes from.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub gravity_source: Option<String>,
    /// Density with which the water column presses, kg/m3.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub water_kg_m3: Option<f64>,
    /// Absolute pressure of the air, Pa.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub ambient_pa: Option<f64>,
}

/// One point.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct CalibrationPoint {
    /// Known value, SI.
    pub known: f64,
    /// What the sensor showed (volume: Pa).
    pub indication: f64,
    /// Where it stands: file and line, or the record.
    pub place: String,
    /// The row of the file, verbatim.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub row: Option<String>,
}

/// A fault of a calibration file; displays as `line:column: message`.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct CalibrationFileError {
    /// Line, from 1.
    pub line: usize,
    /// Column in characters, from 1.
    pub column: usize,
    /// What is wrong and what to do.
    pub message: String,
}

impl fmt::Display for CalibrationFileError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}:{}: {}", self.line, self.column, self.message)
    }
}

impl std::error::Error for CalibrationFileError {}

impl Calibration {
    /// A calibration without line, volume and points.
    pub fn new(kind: CalibrationKind, date: Date, due: Date) -> Self {
        Self {
            format: FORMAT,
            software: SOFTWARE.into(),
            kind,
            sensor: None,
            channel: None,
            date,
            due,
            line: None,
            volume: None,
            conditions: CalibrationConditions::default(),
            points: Vec::new(),
        }
    }

    /// Reads the text of a calibration file.
    ///
    /// # Errors
    /// The first fault, with its place.
    pub fn parse(text: &str) -> Result<Self, CalibrationFileError> {
        let text = text.strip_prefix('\u{feff}').unwrap_or(text);
        if text.len() > MAX_TEXT {
            let message = format!(
                "the file is longer than {MAX_TEXT} bytes; a calibration needs a few thousand"
            );
            return Err(place(text, 0, message));
        }
        let calibration: Self = toml::from_str(text).map_err(|e| {
            let at = e.span().map_or(0, |span| span.start);
            let message = e.message().trim().replace('\n', "; ");
            place(
                text,
                at,
                format!("{message}; make the file with `feelgauge calibrate`"),
            )
        })?;
        match calibration.fault() {
            None => Ok(calibration),
            Some((key, what)) => Err(place(text, key_at(text, key), format!("'{key}' {what}"))),
        }
    }

    /// The text of its file.
    pub fn text(&self) -> String {
        toml::to_string(self).expect("every key of a calibration has a TOML form")
    }

    /// Value of an indication; `None` without a line.
    pub fn value(&self, indication: f64) -> Option<f64> {
        self.line.as_ref().map(|line| line.value(indication))
    }

    /// How messages speak of it: `force probe cord-1`.
    pub fn of(&self) -> String {
        let kind = self.kind.word();
        match (&self.sensor, self.kind) {
            (_, CalibrationKind::Volume) => "a volume".into(),
            (Some(serial), _) => format!("{kind} probe {serial}"),
            (None, _) => format!("a {kind} sensor that prints {}", self.kind.unit()),
        }
    }

    /// First key whose value cannot be, with what is wrong.
    fn fault(&self) -> Option<(&'static str, String)> {
        if self.format != FORMAT {
            return Some((
                "format",
                format!("is {}; this version reads format = {FORMAT}", self.format),
            ));
        }
        if self.due < self.date {
            return Some((
                "due",
                format!(
                    "is {}, before the day of the calibration, {}",
                    self.due, self.date
                ),
            ));
        }
        if let Some(serial) = &self.sensor
            && !is_serial(serial)
        {
            return Some((
                "sensor",
                "is no serial number; write 1 to 16 of A-Za-z0-9._-".into(),
            ));
        }
        match (self.kind, &self.line, &self.volume) {
            (CalibrationKind::Volume, None, Some(volume)) => volume.fault(),
            (CalibrationKind::Volume, ..) => Some((
                "kind",
                "is volume, which needs the table [volume] and no [line]".into(),
            )),
            (kind, Some(line), None) => line.fault(kind, self.sensor.is_some()),
            (kind, ..) => Some((
                "kind",
                format!(
                    "is {}, which needs the table [line] and no [volume]",
                    kind.word()
                ),
            )),
        }
    }
}

impl CalibrationLine {
    /// Value of an indication.
    pub fn value(&self, indication: f64) -> f64 {
        self.value_at_reference + self.gain * (indication - self.reference)
    }

    fn fault(&self, kind: CalibrationKind, of_a_probe: bool) -> Option<(&'static str, String)> {
        let [[a, b], [c, d]] = self.covariance;
        let numbers = [
            ("gain", self.gain),
            ("zero", self.zero),
            ("reference", self.reference),
            ("value_at_reference", self.value_at_reference),
            ("covariance", a + b + c + d),
            ("u_relative", self.u_relative),
            ("from", self.from),
            ("to", self.to),
        ];
        if let Some((key, _)) = numbers.iter().find(|(_, n)| !n.is_finite()) {
            return Some((key, "is not finite".into()));
        }
        if self.gain.abs() <= 0.0 {
            return Some((
                "gain",
                "is 0; a sensor that shows nothing has no calibration".into(),
            ));
        }
        if self.unit != kind.unit() {
            return Some((
                "unit",
                format!(
                    "is '{}'; a {} calibration has '{}'",
                    self.unit,
                    kind.word(),
                    kind.unit()
                ),
            ));
        }
        let wanted = if of_a_probe { "count" } else { kind.unit() };
        if self.indication != wanted {
            return Some((
                "indication",
                format!(
                    "is '{}'; with a 'sensor' it is 'count', without one '{}'",
                    self.indication,
                    kind.unit()
                ),
            ));
        }
        if !(0.0..1.0).contains(&self.u_relative) {
            return Some((
                "u_relative",
                format!("is {}; it must be 0 to below 1", self.u_relative),
            ));
        }
        if a < 0.0 || d < 0.0 || b.to_bits() != c.to_bits() || b * b > a * d * (1.0 + 1e-9) {
            return Some(("covariance", "is no covariance: two variances on the diagonal, the same covariance beside them, not above their geometric mean".into()));
        }
        None
    }
}

impl CalibrationVolume {
    fn fault(&self) -> Option<(&'static str, String)> {
        let good = |v: f64| v.is_finite() && v > 0.0;
        if !good(self.volume_m3) {
            return Some(("volume_m3", "must be above 0".into()));
        }
        (!good(self.volume_u_m3)).then(|| ("volume_u_m3", "must be above 0".into()))
    }
}

/// 1 to 16 of `[A-Za-z0-9._-]`, as on the wire.
fn is_serial(text: &str) -> bool {
    (1..=16).contains(&text.len())
        && text
            .bytes()
            .all(|b| b.is_ascii_alphanumeric() || b"._-".contains(&b))
}

/// Byte where the line of a key begins; the first line where there is none.
fn key_at(text: &str, key: &str) -> usize {
    let mut at = 0;
    for line in text.split_inclusive('\n') {
        let word = line.trim_start();
        if word
            .strip_prefix(key)
            .is_some_and(|rest| rest.trim_start().starts_with('='))
        {
            return at + line.len() - word.len();
        }
        at += line.len();
    }
    0
}

fn place(text: &str, at: usize, message: String) -> CalibrationFileError {
    let mut at = at.min(text.len());
    while !text.is_char_boundary(at) {
        at -= 1;
    }
    let before = &text[..at];
    let line_start = before.rfind('\n').map_or(0, |i| i + 1);
    CalibrationFileError {
        line: before.matches('\n').count() + 1,
        column: before[line_start..].chars().count() + 1,
        message,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn example() -> Calibration {
        let mut c = Calibration::new(
            CalibrationKind::Force,
            jiff::civil::date(2031, 5, 17),
            jiff::civil::date(2032, 5, 17),
        );
        c.sensor = Some("cord-1".into());
        c.channel = Some(0);
        c.line = Some(CalibrationLine {
            indication: "count".into(),
            unit: "N".into(),
            gain: 0.0123,
            zero: 410.0,
            reference: 1000.0,
            value_at_reference: 7.257,
            covariance: [[1e-4, 1e-9], [1e-9, 1e-8]],
            u_relative: 0.004,
            from: 410.0,
            to: 3000.0,
        });
        c.points.push(CalibrationPoint {
            known: 9.8,
            indication: 1206.0,
            place: "points.csv:2".into(),
            row: Some("1,1206".into()),
        });
        c
    }

    #[test]
    fn a_file_is_read_as_written() {
        let c = example();
        assert_eq!(Calibration::parse(&c.text()), Ok(c.clone()));
        assert!((c.value(1000.0).unwrap() - 7.257).abs() < 1e-12);
    }

    #[test]
    fn faults_name_their_place() {
        let text = example().text();
        for (from, to, line, said) in [
            ("kind = \"force\"", "kind = \"heat\"", 3, "heat"),
            ("channel", "chanel", 5, "chanel"),
            ("gain = 0.0123", "gain = 0.0", 12, "'gain'"),
            ("gain = 0.0123", "gain = nan", 12, "'gain'"),
            ("unit = \"N\"", "unit = \"Pa\"", 11, "'unit'"),
            ("2032-05-17", "2030-05-17", 7, "'due'"),
            ("format = 1", "format = 2", 1, "format = 1"),
            ("cord-1", "cord 1", 4, "'sensor'"),
            ("u_relative = 0.004", "u_relative = 2.0", 17, "'u_relative'"),
            ("\"count\"", "\"N\"", 10, "'indication'"),
        ] {
            assert!(text.contains(from), "{from}: {text}");
            let error = Calibration::parse(&text.replacen(from, to, 1)).unwrap_err();
            assert!(error.message.contains(said), "{error}");
            assert_eq!(error.line, line, "{error}\n{text}");
        }
        assert!(Calibration::parse("").is_err());
    }
}

//! The small grammars of option values: quantities, spans, durations, ports, bare probes.

use std::{num::NonZeroU32, path::PathBuf, str::FromStr, time::Duration};

use super::args::BAUD;
use crate::{
    units::{Kind, QuantityError, ZERO_CELSIUS_K, parse, parse_positive},
    wire::is_name,
};

/// `--volume`, m3.
pub(super) fn volume(text: &str) -> Result<f64, QuantityError> {
    parse_positive(Kind::Volume, text)
}

/// A gauge pressure, Pa.
pub(super) fn pressure(text: &str) -> Result<f64, QuantityError> {
    parse_positive(Kind::Pressure, text)
}

/// `--limit`, Pa m3/s.
pub(super) fn leak_rate(text: &str) -> Result<f64, QuantityError> {
    parse_positive(Kind::Leak, text)
}

/// `--mass`, kg.
pub(super) fn mass(text: &str) -> Result<f64, QuantityError> {
    parse_positive(Kind::Mass, text)
}

/// Absolute air pressures at which people work with cars, Pa: 9000 m high to the strongest high ever recorded, with margin.
const AIR_PA: std::ops::RangeInclusive<f64> = 30e3..=120e3;

/// `--baro`, Pa.
pub(super) fn absolute_pressure(text: &str) -> Result<f64, String> {
    let pa = parse_positive(Kind::Pressure, text).map_err(|e| e.to_string())?;
    if AIR_PA.contains(&pa) {
        Ok(pa)
    } else {
        Err(format!(
            "'{text}' is no absolute pressure of the air; state what a barometer at the bench shows, such as 1003hPa"
        ))
    }
}

/// `--temperature` of a room, K.
pub(super) fn temperature(text: &str) -> Result<f64, String> {
    let kelvin = parse(Kind::Temperature, text).map_err(|e| e.to_string())?;
    if (ZERO_CELSIUS_K - 40.0..=ZERO_CELSIUS_K + 60.0).contains(&kelvin) {
        Ok(kelvin)
    } else {
        Err(format!(
            "'{text}' is no temperature of a room; write what a thermometer at the bench shows, such as 19C"
        ))
    }
}

/// `--height-u`, m.
pub(super) fn length(text: &str) -> Result<f64, QuantityError> {
    parse_positive(Kind::Length, text)
}

/// A number between two ends, both included.
fn between(text: &str, lo: f64, hi: f64) -> Option<f64> {
    let number: f64 = text.trim().parse().ok()?;
    (lo..=hi).contains(&number).then_some(number)
}

/// `--latitude`, degrees.
pub(super) fn latitude(text: &str) -> Result<f64, String> {
    between(text, -90.0, 90.0).ok_or_else(|| {
        format!("'{text}' is no latitude; write degrees from -90 to 90, such as 54.3")
    })
}

/// `--gravity`, m/s2: from a mountain at the equator to the pole, with margin.
pub(super) fn gravity(text: &str) -> Result<f64, String> {
    between(text, 9.75, 9.85).ok_or_else(|| {
        format!("'{text}' is no gravity on the ground; write m/s2 from 9.75 to 9.85, such as 9.81")
    })
}

/// `--height` above the sea, m.
pub(super) fn height(text: &str) -> Result<f64, String> {
    let metres = parse(Kind::Length, text).map_err(|e| e.to_string())?;
    if (-500.0..=6000.0).contains(&metres) {
        Ok(metres)
    } else {
        Err(format!(
            "'{text}' is no height of a bench; write -500m to 6000m"
        ))
    }
}

/// `--water`, K: where the formula of its density holds.
pub(super) fn water(text: &str) -> Result<f64, String> {
    let kelvin = parse(Kind::Temperature, text).map_err(|e| e.to_string())?;
    if (ZERO_CELSIUS_K..=ZERO_CELSIUS_K + 40.0).contains(&kelvin) {
        Ok(kelvin)
    } else {
        Err(format!(
            "'{text}' is no temperature for a water column; write 0C to 40C"
        ))
    }
}

/// Serial number of a probe.
pub(super) fn serial(text: &str) -> Result<String, String> {
    if is_name(text) {
        Ok(text.into())
    } else {
        Err(format!(
            "'{text}' is no serial number; write 1 to 16 of A-Za-z0-9._- (feelgauge probes shows it)"
        ))
    }
}

/// A span of seconds in a record, `A..B`.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Span {
    /// Start, s, >= 0.
    pub start_s: f64,
    /// End, s, after the start.
    pub end_s: f64,
}

/// `A..B` in seconds, each with or without an `s`.
pub(super) fn span(text: &str) -> Result<Span, String> {
    let seconds = |part: &str| {
        let part = part.trim();
        let number = part.strip_suffix('s').unwrap_or(part).trim_end();
        number.parse::<f64>().ok().filter(|s| s.is_finite())
    };
    text.split_once("..")
        .and_then(|(a, b)| Some((seconds(a)?, seconds(b)?)))
        .filter(|(a, b)| *a >= 0.0 && b > a)
        .map(|(start_s, end_s)| Span { start_s, end_s })
        .ok_or_else(|| {
            format!("'{text}' is no span of seconds; write start and end, such as 5..65, the end after the start")
        })
}

/// Longest recording that can be asked for: a week.
const LONGEST_S: f64 = 7.0 * 86_400.0;

/// `60s`, `2min`, `1h`.
pub(super) fn duration(text: &str) -> Result<Duration, String> {
    let trimmed = text.trim();
    let factor = |unit: &str| match unit {
        "s" => Some(1.0),
        "min" => Some(60.0),
        "h" => Some(3600.0),
        _ => None,
    };
    let at = trimmed
        .find(|c: char| c.is_ascii_alphabetic())
        .unwrap_or(trimmed.len());
    let (number, unit) = trimmed.split_at(at);
    number
        .trim_end()
        .parse::<f64>()
        .ok()
        .zip(factor(unit))
        .map(|(n, f)| n * f)
        .filter(|s| *s > 0.0 && *s <= LONGEST_S)
        .map(Duration::from_secs_f64)
        .ok_or_else(|| format!("'{text}' is no duration; write a positive number and s, min or h, such as 60s (a week at most)"))
}

/// A port with its baud rate.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Port {
    /// Path of the port, as the system names it.
    pub path: String,
    /// Baud rate.
    pub baud: u32,
}

impl FromStr for Port {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        let (path, baud) = text
            .rsplit_once('=')
            .map_or((text, Ok(BAUD)), |(path, baud)| {
                (path, baud.parse::<NonZeroU32>())
            });
        match baud {
            Ok(baud) if !path.is_empty() => Ok(Self {
                path: path.into(),
                baud: baud.get(),
            }),
            _ => Err(format!(
                "'{text}' is no port; write its path, if need be with a baud rate: /dev/ttyUSB0 or /dev/ttyUSB0=250000"
            )),
        }
    }
}

/// One record of a `rule-out`.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct SetupItem {
    /// Setup that was named before the `=`.
    pub setup: Option<String>,
    /// The record.
    pub path: PathBuf,
}

impl FromStr for SetupItem {
    type Err = String;

    /// `NAME=FILE` where NAME can be the name of a setup; everything else is a path as it stands.
    fn from_str(text: &str) -> Result<Self, String> {
        let of_setup = |name: &str| {
            !name.is_empty()
                && name
                    .bytes()
                    .all(|b| matches!(b, b'a'..=b'z' | b'0'..=b'9' | b'_'))
        };
        let (setup, path) = match text.split_once('=') {
            Some((name, path)) if of_setup(name) => (Some(name.to_owned()), path),
            _ => (None, text),
        };
        if path.is_empty() {
            return Err(format!(
                "'{text}' names no file; write the folder of a capture, or a setup and a file: straight=roll.csv"
            ));
        }
        Ok(Self {
            setup,
            path: path.into(),
        })
    }
}

/// How to read a board that prints plain numbers. What kind and unit may be is known to the room that reads it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Bare {
    /// `pressure`, `force` or `hall`.
    pub kind: String,
    /// Unit of the numbers.
    pub unit: String,
    /// Column, from 1.
    pub column: NonZeroU32,
}

impl FromStr for Bare {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        let wrong = || {
            format!(
                "'{text}' is no bare probe; write kind, unit and column (from 1), such as force:N:2"
            )
        };
        let parts: Vec<&str> = text.split(':').collect();
        let [kind, unit, column] = parts[..] else {
            return Err(wrong());
        };
        if !["pressure", "force", "hall"].contains(&kind) {
            return Err(format!(
                "'{kind}' is no kind of probe; the kinds are pressure, force, hall"
            ));
        }
        Ok(Self {
            kind: kind.into(),
            unit: unit.into(),
            column: column.parse().map_err(|_| wrong())?,
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn spans_and_durations() {
        let is = |text, start_s, end_s| assert_eq!(span(text), Ok(Span { start_s, end_s }));
        is("5..65", 5.0, 65.0);
        is("0.5s .. 60s", 0.5, 60.0);
        for bad in [
            "5", "65..5", "5..5", "-1..5", "a..b", "..", "1..inf", "nan..3",
        ] {
            assert!(span(bad).unwrap_err().contains("5..65"), "{bad}");
        }
        assert_eq!(duration("60s"), Ok(Duration::from_mins(1)));
        assert_eq!(duration("1.5 min"), Ok(Duration::from_secs(90)));
        for bad in ["60", "0s", "-1s", "s", "1y", "1e300h", "infs", "nans"] {
            assert!(duration(bad).is_err(), "{bad}");
        }
    }

    #[test]
    fn ports_and_bare_probes() {
        let port = |text: &str| text.parse::<Port>().map(|p| (p.path, p.baud));
        assert_eq!(port("/dev/ttyUSB0"), Ok(("/dev/ttyUSB0".into(), 115_200)));
        assert_eq!(port("COM3=250000"), Ok(("COM3".into(), 250_000)));
        for bad in ["", "=9600", "x=", "x=0", "x=fast"] {
            assert!(port(bad).is_err(), "{bad}");
        }
        let bare: Bare = "force:N:2".parse().unwrap();
        assert_eq!(
            (bare.kind.as_str(), bare.unit.as_str(), bare.column.get()),
            ("force", "N", 2)
        );
        for bad in ["force:N", "force:N:0", "force:N:2:3", "heat:N:1", ""] {
            assert!(bad.parse::<Bare>().is_err(), "{bad}");
        }
    }

    #[test]
    fn records_with_and_without_a_setup() {
        let item = |text: &str| {
            let item: SetupItem = text.parse().unwrap();
            (item.setup, item.path.to_str().unwrap().to_owned())
        };
        let named = |setup: &str, path: &str| (Some(setup.to_owned()), path.to_owned());
        assert_eq!(item("one_fl=roll.csv"), named("one_fl", "roll.csv"));
        assert_eq!(item("whole=a=b.csv"), named("whole", "a=b.csv"));
        for plain in ["captures/x", "../a=b.csv", "A=b.csv", "=b"] {
            assert_eq!(item(plain), (None, plain.to_owned()));
        }
        for bad in ["", "whole="] {
            assert!(bad.parse::<SetupItem>().is_err(), "{bad}");
        }
    }

    #[test]
    fn a_gauge_pressure_is_no_barometer() {
        assert_eq!(absolute_pressure("1003hPa"), Ok(100_300.0));
        assert!(
            absolute_pressure("15kPa")
                .unwrap_err()
                .contains("barometer")
        );
        assert!(absolute_pressure("0Pa").is_err());
    }
}

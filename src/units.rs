//! Quantities as a person writes them: number and unit, `125cm3`, `15kPa`, `3.4 kg`. Inside, everything is SI.

use std::fmt;

/// The kinds of quantity that options and files take.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Kind {
    /// Volume, m3.
    Volume,
    /// Pressure, Pa.
    Pressure,
    /// Leak rate, Pa m3/s of gas at 20 C.
    Leak,
    /// Mass, kg.
    Mass,
    /// Length, m.
    Length,
    /// Force, N.
    Force,
    /// Temperature, K.
    Temperature,
}

/// Zero of the Celsius scale, K (exact, BIPM SI brochure).
pub const ZERO_CELSIUS_K: f64 = 273.15;
/// Standard atmosphere, Pa (exact, NIST SP 811 B.8).
pub const STANDARD_ATMOSPHERE_PA: f64 = 101_325.0;
/// Standard acceleration of free fall, m/s2 (exact, NIST SP 811 B.8).
pub const STANDARD_GRAVITY: f64 = 9.806_65;
/// One cm3 of air a minute at 20 C and 101325 Pa, as Pa m3/s at 20 C.
pub const CM3_PER_MIN: f64 = STANDARD_ATMOSPHERE_PA * 1e-6 / 60.0;

impl Kind {
    /// Accepted units, each with its factor to SI.
    pub fn units(self) -> &'static [(&'static str, f64)] {
        match self {
            Self::Volume => &[
                ("m3", 1.0),
                ("l", 1e-3),
                ("ml", 1e-6),
                ("cm3", 1e-6),
                ("mm3", 1e-9),
            ],
            Self::Pressure => &[
                ("Pa", 1.0),
                ("hPa", 100.0),
                ("kPa", 1e3),
                ("mbar", 100.0),
                ("bar", 1e5),
            ],
            Self::Leak => &[
                ("Pa.m3/s", 1.0),
                ("mbar.l/s", 0.1),
                ("cm3/min", CM3_PER_MIN),
            ],
            Self::Mass => &[("kg", 1.0), ("g", 1e-3)],
            Self::Length => &[("m", 1.0), ("cm", 1e-2), ("mm", 1e-3)],
            Self::Force => &[("N", 1.0)],
            Self::Temperature => &[("K", 1.0), ("C", 1.0)],
        }
    }

    fn name(self) -> &'static str {
        match self {
            Self::Volume => "volume",
            Self::Pressure => "pressure",
            Self::Leak => "leak rate",
            Self::Mass => "mass",
            Self::Length => "length",
            Self::Force => "force",
            Self::Temperature => "temperature",
        }
    }

    /// The units as one list for a message: `m3, l, ml, cm3, mm3`.
    pub fn unit_list(self) -> String {
        self.units()
            .iter()
            .map(|(name, _)| *name)
            .collect::<Vec<_>>()
            .join(", ")
    }
}

/// A number of things as people say it: `1 pull`, `2 pulls`, `0 meshes`.
///
/// ```
/// use feelgauge::units::count;
/// assert_eq!([count(1, "mesh"), count(2, "mesh"), count(0, "entry"), count(3, "pull")], ["1 mesh", "2 meshes", "0 entries", "3 pulls"]);
/// ```
pub fn count(n: u64, what: &str) -> String {
    let hisses = ["s", "x", "sh", "ch"].iter().any(|end| what.ends_with(end));
    match what.strip_suffix('y') {
        _ if n == 1 => format!("{n} {what}"),
        Some(stem) if !stem.ends_with(['a', 'e', 'o', 'u']) => format!("{n} {stem}ies"),
        _ if hisses => format!("{n} {what}es"),
        _ => format!("{n} {what}s"),
    }
}

/// So many of all: `the only pull`, `both pulls`, `all 3 pulls`, `2 of 3 pulls`.
///
/// ```
/// use feelgauge::units::share;
/// assert_eq!([share(1, 1, "pull"), share(2, 2, "pull"), share(3, 3, "pull")], ["the only pull", "both pulls", "all 3 pulls"]);
/// assert_eq!([share(0, 1, "pull"), share(1, 2, "pull")], ["0 of 1 pull", "1 of 2 pulls"]);
/// ```
pub fn share(n: u64, of: u64, what: &str) -> String {
    let all = count(of, what);
    match all.split_once(' ') {
        Some((_, one)) if n == of && of == 1 => format!("the only {one}"),
        Some((_, two)) if n == of && of == 2 => format!("both {two}"),
        _ if n == of => format!("all {all}"),
        _ => format!("{n} of {all}"),
    }
}

/// Why a text is not a quantity.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct QuantityError {
    kind: Kind,
    /// The text as given.
    text: String,
    /// What is wrong with it.
    what: &'static str,
}

impl fmt::Display for QuantityError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Self { kind, text, what } = self;
        write!(
            f,
            "'{text}' is no {}: {what}; write a number and one of the units {}",
            kind.name(),
            kind.unit_list()
        )
    }
}

impl std::error::Error for QuantityError {}

/// Parses a quantity to SI. Number and unit stand together or are parted by spaces.
///
/// ```
/// use feelgauge::units::{Kind, parse};
/// assert_eq!(parse(Kind::Volume, "125cm3").unwrap(), 125e-6);
/// assert_eq!(parse(Kind::Temperature, "20 C").unwrap(), 293.15);
/// assert!(parse(Kind::Pressure, "15").unwrap_err().to_string().contains("kPa"));
/// ```
///
/// # Errors
/// No number, not finite, no unit, an unknown unit; the message lists the accepted units.
pub fn parse(kind: Kind, text: &str) -> Result<f64, QuantityError> {
    let fail = |what| QuantityError {
        kind,
        text: text.into(),
        what,
    };
    let trimmed = text.trim();
    let unit_at = number_end(trimmed);
    let number: f64 = trimmed[..unit_at]
        .parse()
        .map_err(|_| fail("there is no number"))?;
    let unit = trimmed[unit_at..].trim_start();
    if unit.is_empty() {
        return Err(fail("the unit is missing"));
    }
    let (name, factor) = kind
        .units()
        .iter()
        .find(|(name, _)| *name == unit)
        .ok_or_else(|| fail("the unit is unknown"))?;
    let zero = if *name == "C" { ZERO_CELSIUS_K } else { 0.0 };
    // Division keeps decimal factors below one exact to the last place: 125 cm3 is 125/1e6, not 125 * 1e-6.
    let si = if *factor < 1.0 && kind != Kind::Leak {
        number / (1.0 / factor).round()
    } else {
        number * factor
    } + zero;
    if si.is_finite() {
        Ok(si)
    } else {
        Err(fail("the number is not finite"))
    }
}

/// Parses a quantity that must be positive.
///
/// # Errors
/// As [`parse`], and when the value is zero or negative.
pub fn parse_positive(kind: Kind, text: &str) -> Result<f64, QuantityError> {
    let si = parse(kind, text)?;
    if si > 0.0 {
        Ok(si)
    } else {
        Err(QuantityError {
            kind,
            text: text.into(),
            what: "it must be positive",
        })
    }
}

/// Byte where the number ends and the unit begins.
fn number_end(text: &str) -> usize {
    let bytes = text.as_bytes();
    let digits = |mut i: usize| {
        while bytes.get(i).is_some_and(u8::is_ascii_digit) {
            i += 1;
        }
        i
    };
    let sign = |i: usize| i + usize::from(matches!(bytes.get(i), Some(b'+' | b'-')));
    let mut i = digits(sign(0));
    if bytes.get(i) == Some(&b'.') {
        i = digits(i + 1);
    }
    if matches!(bytes.get(i), Some(b'e' | b'E')) {
        let exponent = sign(i + 1);
        if digits(exponent) > exponent {
            i = digits(exponent);
        }
    }
    i
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_unit_is_read() {
        for (kind, text, si) in [
            (Kind::Volume, "0.125l", 125e-6),
            (Kind::Volume, "125ml", 125e-6),
            (Kind::Volume, "125000mm3", 125e-6),
            (Kind::Volume, "1.25e-4 m3", 125e-6),
            (Kind::Pressure, "15kPa", 15e3),
            (Kind::Pressure, "150 mbar", 15e3),
            (Kind::Pressure, "0.15bar", 15e3),
            (Kind::Pressure, "1013.25hPa", 101_325.0),
            (Kind::Mass, "3400g", 3.4),
            (Kind::Length, "32mm", 0.032),
            (Kind::Force, "9.5N", 9.5),
            (Kind::Temperature, "-10C", 263.15),
            (Kind::Temperature, "300K", 300.0),
        ] {
            let got = parse(kind, text).unwrap();
            assert!(
                (got - si).abs() <= 1e-15 * si.abs().max(1e-9),
                "{text}: {got}"
            );
        }
    }

    /// 1 Pa m3/s = 10 mbar l/s exactly, = 592.154 cm3 of air a minute at 20 C
    /// (published factors recomputed, NIST SP 811 B.8 and the ideal gas).
    #[test]
    fn leak_units_agree_with_published_factors() {
        assert!((parse(Kind::Leak, "10mbar.l/s").unwrap() - 1.0).abs() < 1e-15);
        assert!((parse(Kind::Leak, "592.154cm3/min").unwrap() - 1.0).abs() < 1e-6);
        assert!((CM3_PER_MIN - 1.688_750e-3).abs() < 5e-10);
    }

    #[test]
    fn refusals_list_the_units() {
        for text in [
            "", "cm3", "125", "125 cc", "nancm3", "1e999cm3", "12,5cm3", "1 2cm3", "--1cm3",
            "1e cm3",
        ] {
            let message = parse(Kind::Volume, text).unwrap_err().to_string();
            assert!(message.contains("m3, l, ml, cm3, mm3"), "{message}");
        }
        assert!(
            parse_positive(Kind::Mass, "0kg")
                .unwrap_err()
                .to_string()
                .contains("positive")
        );
        assert!(parse_positive(Kind::Mass, "-1kg").is_err());
    }
}

//! Bare probes: boards that print plain numbers. No identity, clock, sequence or checksum.

use std::fmt;

use super::ProbeKind;
use crate::units;

/// What the person says about a bare probe: `force:N:2`.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Bare {
    /// What the probe measures; pressure or force.
    pub kind: ProbeKind,
    /// Unit of its numbers, one of those that options accept.
    pub unit: String,
    /// Which number of a line, from 1.
    pub column: usize,
}

/// Why a description of a bare probe is no good.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct BareError {
    /// The text as given.
    pub text: String,
    /// What is wrong and what to do.
    pub what: String,
}

impl fmt::Display for BareError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Self { text, what } = self;
        write!(
            f,
            "'{text}' does not describe a bare probe: {what}; write KIND:UNIT:COLUMN, as in force:N:2"
        )
    }
}

impl std::error::Error for BareError {}

/// Most columns that a bare line may have.
const MOST_COLUMNS: usize = 32;

impl Bare {
    /// Reads `KIND:UNIT:COLUMN`.
    ///
    /// ```
    /// use feelgauge::wire::bare::Bare;
    /// let bare = Bare::describe("pressure:kPa:2").unwrap();
    /// assert_eq!(bare.reading(b"1200, 12.5\r"), Some(12_500.0));
    /// assert_eq!(bare.reading(b"12.5"), None, "no second column");
    /// assert!(Bare::describe("hall:edge:1").is_err());
    /// ```
    ///
    /// # Errors
    /// An unknown kind or unit, a column that is not 1..=32, or a hall probe: edges need a clock.
    pub fn describe(text: &str) -> Result<Self, BareError> {
        let wrong = |what: String| BareError {
            text: text.into(),
            what,
        };
        let mut parts = text.split(':');
        let (Some(kind), Some(unit), Some(column), None) =
            (parts.next(), parts.next(), parts.next(), parts.next())
        else {
            return Err(wrong("three parts are needed".into()));
        };
        let kind = match ProbeKind::from_word(kind) {
            Some(ProbeKind::Hall) => {
                return Err(wrong(
                    "edges need microseconds, and a bare probe has no clock; \
                     put the reference firmware on the board"
                        .into(),
                ));
            }
            Some(kind) => kind,
            None => return Err(wrong(format!("'{kind}' is neither pressure nor force"))),
        };
        let accepted = quantity(kind);
        if !accepted.units().iter().any(|(name, _)| *name == unit) {
            let list = accepted.unit_list();
            return Err(wrong(format!("unit '{unit}' is none of {list}")));
        }
        match column.parse() {
            Ok(column) if (1..=MOST_COLUMNS).contains(&column) => Ok(Self {
                kind,
                unit: unit.into(),
                column,
            }),
            _ => Err(wrong(format!("column '{column}' is not 1..{MOST_COLUMNS}"))),
        }
    }

    /// The reading in a line, in Pa or N; `None` when the column is missing, no number or not finite.
    /// Columns stand apart by commas, semicolons, tabs or blanks.
    pub fn reading(&self, line: &[u8]) -> Option<f64> {
        let text = str::from_utf8(line).ok()?.trim();
        let word = if text.contains([',', ';']) {
            text.split([',', ';']).nth(self.column - 1)?.trim()
        } else {
            text.split_ascii_whitespace().nth(self.column - 1)?
        };
        // Words such as `inf` and `nan` are numbers to Rust, not to us.
        let plain = word
            .bytes()
            .all(|b| b.is_ascii_digit() || b"+-.eE".contains(&b));
        let number: f64 = plain.then(|| word.parse().ok())??;
        let (_, factor) = quantity(self.kind)
            .units()
            .iter()
            .find(|(name, _)| *name == self.unit)?;
        Some(number * factor).filter(|x| x.is_finite())
    }
}

impl fmt::Display for Bare {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}:{}:{}", self.kind, self.unit, self.column)
    }
}

fn quantity(kind: ProbeKind) -> units::Kind {
    match kind {
        ProbeKind::Force => units::Kind::Force,
        ProbeKind::Pressure | ProbeKind::Hall => units::Kind::Pressure,
    }
}

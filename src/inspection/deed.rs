//! What can stand in a journal's line.

use jiff::Timestamp;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// One line of the journal, understood. `prev` is the chain's own business.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Entry {
    /// Number of the line, from 1.
    pub n: u64,
    /// When, by the clock of who wrote it.
    #[schemars(with = "String")]
    pub when: Timestamp,
    /// Who.
    pub who: String,
    /// What.
    #[serde(flatten)]
    pub deed: Deed,
}

/// What was done. The variant's name is the line's `what`.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(tag = "what", rename_all = "snake_case")]
pub enum Deed {
    /// The inspection began.
    Opened {
        /// Name and version of the program.
        software: String,
    },
    /// The day's conditions were read off.
    Conditions {
        /// Temperature of the room, K.
        temperature_k: Option<f64>,
        /// Absolute pressure of the air, Pa.
        ambient_pa: Option<f64>,
        /// Anything else: "after an hour in the warm room".
        words: Option<String>,
    },
    /// Something was seen or felt, without a probe.
    Observed {
        /// By which sense.
        sense: Sense,
        /// What.
        text: String,
        /// File of a photograph that shows it.
        photograph: Option<String>,
    },
    /// Something was left out of the inspection.
    NotChecked {
        /// What.
        text: String,
    },
    /// A photograph was put in.
    Photographed(Photograph),
    /// A file was put in that the program never opens: receipt, message, PDF.
    Attached {
        /// Path from the inspection's folder.
        file: String,
        /// Digest of its bytes, hexadecimal.
        sha256: String,
        /// Length, bytes.
        bytes: u64,
        /// What it is.
        words: String,
    },
    /// A test was recorded.
    Captured {
        /// Name of the folder in `captures/`.
        capture: String,
        /// `leak`, `pull` or `roll`.
        test: String,
        /// Setup of the vehicle file.
        setup: Option<String>,
        /// Before or after the repair.
        stage: Stage,
    },
    /// A finding or a comparison was written.
    Found {
        /// Path from the inspection's folder.
        file: String,
        /// Digest of its bytes, hexadecimal.
        sha256: String,
    },
    /// A probe was checked against something known.
    Checked(Checked),
    /// A part: what it needs, what was done with it, what it costs.
    Part(PlannedPart),
    /// Work was done on the car.
    Repaired {
        /// What.
        text: String,
    },
    /// It was decided what to do with the car.
    Decided {
        /// What.
        decision: Decision,
        /// What is offered for it.
        offer: Option<Price>,
        /// Why.
        words: Option<String>,
    },
    /// A statement of all who were there was laid out for signing.
    Joint {
        /// Who was there.
        present: Vec<Party>,
        /// What was objected before anybody signed.
        #[serde(default, skip_serializing_if = "Vec::is_empty")]
        objections: Vec<Objection>,
        /// Path from the inspection's folder.
        file: String,
        /// Digest of its bytes, hexadecimal.
        sha256: String,
    },
    /// An earlier line is wrong; it stays, and this says what is right.
    Corrected {
        /// Number of that line.
        line: u64,
        /// What is right.
        text: String,
    },
    /// The machine's clock was set while the inspection was open.
    ClockSet {
        /// Forward, s; negative: back, and where nothing ran to measure it, by at least so much.
        by_s: f64,
    },
    /// A power cut or a crash left a line half-written; it was taken off, and this is what it said.
    Mended {
        /// Its length, bytes.
        bytes: u64,
        /// Its first characters.
        text: String,
    },
}

/// Senses of a mechanic.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Sense {
    /// Eye.
    Seen,
    /// Hand.
    Felt,
    /// Ear.
    Heard,
    /// Nose.
    Smelt,
}

/// Where in a visit a test stands.
#[derive(
    Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize, JsonSchema,
)]
#[serde(rename_all = "snake_case")]
pub enum Stage {
    /// As the car came in.
    AsFound,
    /// After work on it.
    AfterRepair,
}

/// A photograph.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct Photograph {
    /// Path from the inspection's folder.
    pub file: String,
    /// Digest of its bytes, hexadecimal.
    pub sha256: String,
    /// Length, bytes.
    pub bytes: u64,
    /// Picture elements across, as it is shown.
    pub width: u32,
    /// Picture elements down, as it is shown.
    pub height: u32,
    /// How it lies in the file: 1 to 8 as in EXIF (orientation).
    pub orientation: u8,
    /// When the camera says it was taken (EXIF DateTimeOriginal, with its offset where the camera wrote one).
    pub taken: Option<String>,
    /// What it shows.
    pub words: Option<String>,
    /// The car's tag can be read in it.
    #[serde(default)]
    pub tag_in_picture: bool,
}

/// A probe checked against something known, so that the visit's numbers are bound to it.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Checked {
    /// Before the first or after the last test of the visit.
    pub moment: Moment,
    /// `weight` (a known mass on the cord) or `leak` (a known leak on the tank line).
    pub by: String,
    /// Name of the probe.
    pub probe: String,
    /// What it should have shown, in `unit`.
    pub stated: f64,
    /// Standard uncertainty of that, in `unit`.
    pub stated_u: f64,
    /// What it showed, in `unit`.
    pub shown: f64,
    /// Standard uncertainty of that, in `unit`.
    pub shown_u: f64,
    /// `N` or `Pa.m3/s`.
    pub unit: String,
    /// Capture in which it can be read again.
    pub capture: Option<String>,
}

/// When a check was made.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Moment {
    /// Before the first test.
    Before,
    /// After the last test.
    After,
}

/// A part of the car in the plan of repair.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct PlannedPart {
    /// What a person calls it: "lid seal".
    pub name: String,
    /// Its name in the vehicle file, where it has one.
    pub part: Option<String>,
    /// What is to be done or was done with it.
    pub act: Act,
    /// Work, minutes.
    pub minutes: Option<u32>,
    /// Where it comes from: "new", "donor car", "own stock".
    pub from: Option<String>,
    /// What it costs.
    pub price: Option<Price>,
    /// Who says so.
    pub priced_by: Option<String>,
}

/// What is to be done or was done with a part.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Act {
    /// To be opened and looked at.
    ToOpen,
    /// Needed.
    Needed,
    /// Renewed.
    Renewed,
    /// Cleaned, shimmed, put right.
    PutRight,
}

/// An amount, exact or from to, in hundredths of a currency.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct Price {
    /// Least, hundredths.
    pub low: u64,
    /// Most, hundredths.
    pub high: u64,
    /// Code of ISO 4217.
    pub currency: String,
}

impl Price {
    /// An amount as a person writes it, in hundredths: `4`, `4.5`, `4.50`, `4,50`. `None` if it is none.
    pub fn hundredths(amount: &str) -> Option<u64> {
        let amount = amount.trim().replace(',', ".");
        let (whole, part) = amount.split_once('.').unwrap_or((&amount, "0"));
        let is_digits = |text: &str| !text.is_empty() && text.bytes().all(|b| b.is_ascii_digit());
        if !is_digits(whole) || !is_digits(part) || part.len() > 2 {
            return None;
        }
        let part: u64 = format!("{part:0<2}").parse().ok()?;
        let whole: u64 = whole.parse().ok()?;
        whole.checked_mul(100)?.checked_add(part)
    }
}

/// What to do with the car.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Decision {
    /// Buy it.
    Buy,
    /// Leave it.
    Leave,
    /// Repair it.
    Repair,
    /// Hand it back, or sell it, as it is.
    HandBack,
}

/// Somebody who was there.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct Party {
    /// Name or the house's reference.
    pub name: String,
    /// `shop`, `owner`, `buyer`, `seller`, `witness` ...
    pub role: String,
}

/// What a party does not agree with.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct Objection {
    /// Name of the party.
    pub name: String,
    /// Its own words.
    pub text: String,
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn amounts_are_read_in_hundredths() {
        for (text, hundredths) in [
            ("12", 1200),
            ("12.5", 1250),
            (" 12,50 ", 1250),
            ("0.07", 7),
            ("184467440737095516.15", u64::MAX),
        ] {
            assert_eq!(Price::hundredths(text), Some(hundredths), "{text}");
        }
        for text in [
            "",
            ".",
            "5.",
            ".5",
            "1.234",
            "-1",
            "1e3",
            "1.2.3",
            "184467440737095516.16",
        ] {
            assert_eq!(Price::hundredths(text), None, "{text}");
        }
    }
}

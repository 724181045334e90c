//! Findings as a person or a program reads them. Only writers: nothing is decided or computed anew here.

mod blind;
mod calibration;
mod compare;
pub mod document;
pub mod export;
mod figure;
mod json;
mod leak;
mod number;
mod page;
mod picture;
pub mod plot;
mod pull;
mod remarks;
mod roll;
mod rule_out;
mod schema;
pub mod told;

pub use calibration::text as calibration;
pub use compare::{AboutComparison, TOO_MANY, comparison};
pub use figure::{Figure, figure};
pub use json::{compact, pretty};
pub use number::{Shown, percent, plain, scientific, shown, shown_against, stated};
pub use page::{count, limit_source, list, sentence};
pub use pull::FREE_IT;
pub use roll::LOOK_AT_SENSOR;
pub use rule_out::{RuledOut, ruled_out};
pub use schema::Catalogue;

use crate::{
    inspect::Finding,
    vehicle::{Setup, Vehicle},
};

/// What a text says about a finding beside the finding.
#[derive(Clone, Copy, Debug)]
pub struct About<'a> {
    /// File or folder of the record, as the person named it.
    pub source: &'a str,
    /// The car's file: labels of parts, setups.
    pub vehicle: Option<&'a Vehicle>,
    /// Name of the setup in that file.
    pub setup: Option<&'a str>,
    /// Draw a picture of block characters.
    pub picture: bool,
}

impl<'a> About<'a> {
    /// The setup in the car's file.
    fn setup(&self) -> Option<&'a Setup> {
        self.vehicle?.setup(self.setup?)
    }

    /// A part with the words of the car's file: `front ring gear (ring_f)`.
    fn part(&self, part: &str) -> String {
        named(part, self.vehicle)
    }
}

/// A part with the words of a car's file.
fn named(part: &str, vehicle: Option<&Vehicle>) -> String {
    let words = vehicle.map(|v| v.words_for(part));
    match words {
        Some(words) if words != part => format!("{words} ({part})"),
        _ => part.to_owned(),
    }
}

/// A finding for a mechanic: what it means, its range, the limit and its source, what to do next, what the record was
/// like, what to be careful about.
pub fn text(finding: &Finding, about: About) -> String {
    words(finding, about).finish()
}

/// The page that [`text`] folds.
fn words(finding: &Finding, about: About) -> page::Page {
    match finding {
        Finding::Leak(finding) => leak::page(finding, about),
        Finding::Pull(finding) => pull::page(finding, about),
        Finding::Roll(finding) => roll::page(finding, about),
    }
}

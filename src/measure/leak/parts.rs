//! Ruling out: which part leaks how much, from captures in setups in which different parts can leak.

use schemars::JsonSchema;
use serde::Serialize;

use super::LeakFinding;
use crate::reading::{Estimate, Quality, Refusal, SOFTWARE};

/// One capture with the setup in which it was taken.
#[derive(Clone, Debug, PartialEq)]
pub struct LeakRow {
    /// Name of the setup.
    pub setup: String,
    /// For every part, in the order of the parts: can it leak in this setup?
    pub leaking: Vec<bool>,
    /// What the capture says.
    pub finding: LeakFinding,
}

/// A setup that could be taken next.
#[derive(Clone, Debug, PartialEq)]
pub struct OfferedSetup {
    /// Its name in the car's file; `None` for one that the file does not have.
    pub setup: Option<String>,
    /// For every part: can it leak in this setup?
    pub leaking: Vec<bool>,
}

/// What one part contributes.
#[derive(Clone, Debug, PartialEq, Serialize, JsonSchema)]
pub struct PartShare {
    /// Name of the part.
    pub part: String,
    /// Its leak rate at the common pressure, Pa m3/s of gas at 20 C; null when the setups do not tell it from others.
    pub leak_rate_pa_m3_s: Option<Estimate>,
    /// The lower end is zero: say "at most" the upper end.
    pub at_most: bool,
    /// Probability that no other part leaks more; null when the setups do not tell.
    pub probability_largest: Option<f64>,
}

/// A sum of parts that the setups tell, though not its parts.
#[derive(Clone, Debug, PartialEq, Serialize, JsonSchema)]
pub struct KnownSum {
    /// The parts.
    pub parts: Vec<String>,
    /// Their leak rate together, Pa m3/s of gas at 20 C.
    pub leak_rate_pa_m3_s: Estimate,
}

/// The setup to take next.
#[derive(Clone, Debug, PartialEq, Serialize, JsonSchema)]
pub struct NextSetup {
    /// Its name in the car's file, or null.
    pub setup: Option<String>,
    /// Parts that can leak in it.
    pub parts: Vec<String>,
    /// Parts that must be sealed off for it.
    pub sealed: Vec<String>,
    /// The part that it tells most about.
    pub about: String,
    /// Standard uncertainty of that part now and, expected, with one hold more, Pa m3/s; null when now it is not known at all.
    pub u_now_pa_m3_s: Option<f64>,
    /// Expected standard uncertainty with one hold in this setup more, Pa m3/s.
    pub u_then_pa_m3_s: Option<f64>,
}

/// What ruling out says. Refused or not known: null.
#[derive(Clone, Debug, PartialEq, Serialize, JsonSchema)]
pub struct LeakParts {
    /// `leak`.
    pub test: &'static str,
    /// Name and version of this software.
    pub software: &'static str,
    /// Why there is no answer, or null.
    pub refused: Option<Vec<Refusal>>,
    /// Gauge pressure at which all are stated, Pa.
    pub p_ref_pa: Option<f64>,
    /// The parts, in the order in which they were given.
    pub parts: Vec<PartShare>,
    /// The part that leaks most with a probability of 0.95 or more, or null.
    pub named: Option<String>,
    /// Sums that are known where their parts are not.
    pub known_sums: Vec<KnownSum>,
    /// The setup that would tell most, or null when a part is named or nothing is to be had.
    pub next_setup: Option<NextSetup>,
    /// What the records were like.
    pub quality: Quality,
}

impl LeakParts {
    /// A ruling out in which nothing is known but why.
    pub fn of_refusal(quality: Quality, refusal: Refusal) -> Self {
        Self {
            test: "leak",
            software: SOFTWARE,
            refused: Some(vec![refusal]),
            p_ref_pa: None,
            parts: Vec::new(),
            named: None,
            known_sums: Vec::new(),
            next_setup: None,
            quality,
        }
    }
}

/// Which part leaks how much. `parts`: all parts that can leak in any row.
pub fn rule_out(parts: &[String], rows: &[LeakRow]) -> LeakParts {
    rule_out_offered(parts, rows, &[])
}

/// The same; the next setup is one of `offered` (the setups of the car's file), or any when none is offered.
pub fn rule_out_offered(parts: &[String], rows: &[LeakRow], offered: &[OfferedSetup]) -> LeakParts {
    let _ = (parts, rows, offered);
    LeakParts::of_refusal(
        Quality::default(),
        Refusal::new("not_ruled_out", "this ruling out is not there yet"),
    )
}

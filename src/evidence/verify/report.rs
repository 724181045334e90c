//! What a check says.

use schemars::JsonSchema;
use serde::Serialize;

use crate::{
    evidence::{Difference, captures::ComparisonOf},
    units::count,
};

/// Differences that are told of one part; the rest is counted.
const MAX_TOLD: usize = 20;

/// How a part of the check came out.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Outcome {
    /// Looked at, and as it should be.
    Holds,
    /// Looked at, and no difference; but something that a reader must know.
    Remark,
    /// Looked at, and something is not as it should be.
    Differs,
    /// Not looked at, or only in part.
    NotChecked,
}

/// One row of the table.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, JsonSchema)]
pub struct Check {
    /// What was looked at: `names`, `sizes`, `manifests`, `signatures`, `signers`, `time`, `journal`, `captures`, `findings`,
    /// `report`, `comparisons`, `time_chain`.
    pub part: &'static str,
    /// How it came out.
    pub outcome: Outcome,
    /// What was done and found, for a person.
    pub said: String,
    /// What differs, the first twenty.
    pub differences: Vec<Difference>,
}

/// A signature that was looked at.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, JsonSchema)]
pub struct SignedBy {
    /// Name.
    pub name: String,
    /// Role.
    pub role: String,
    /// What it vouches for.
    pub vouches_for: String,
    /// Fingerprint of the key, as `ssh-keygen -l` shows it.
    pub key: String,
    /// The signature holds.
    pub holds: bool,
    /// The signer's own statement, such as an objection.
    pub statement: Option<String>,
}

/// A time-stamp whose imprint is that of this seal; whether the chain of its certificates holds is not looked at here.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, JsonSchema)]
pub struct StampSeen {
    /// Path in the bag.
    pub file: String,
    /// The authority's time, RFC 3339.
    pub time: String,
    /// Digest of the stamped text, lower-case hex.
    pub imprint: String,
}

/// Result of `verify`.
#[derive(Clone, Debug, PartialEq, Serialize, JsonSchema)]
#[schemars(rename = "VerifyReport")]
pub struct Report {
    /// Software that looked.
    pub software: &'static str,
    /// Nothing differs.
    pub holds: bool,
    /// The first thing that differs.
    pub first: Option<Difference>,
    /// SHA-256 of `tagmanifest-sha256.txt`; null when there is none.
    pub seal: Option<String>,
    /// The seal that this one follows.
    pub follows: Option<String>,
    /// `allowed_signers`: keys that the verifier brought along; `bag`: the keys that the bag itself names.
    pub trust: &'static str,
    /// Every row.
    pub checks: Vec<Check>,
    /// Signatures, in their order.
    pub signatures: Vec<SignedBy>,
    /// Time-stamps, in their order.
    pub stamps: Vec<StampSeen>,
    /// What no check of this kind can show, for a person.
    pub not_proven: Vec<String>,
    /// Recorded comparisons that are still to be worked out anew: path of the file, and of what it was made.
    #[serde(skip)]
    #[schemars(skip)]
    pub comparisons: Vec<(String, ComparisonOf)>,
}

impl Report {
    /// Adds a row. The sum of the sizes is named first only where no file is.
    pub fn add(&mut self, check: Check) {
        self.holds &= check.outcome != Outcome::Differs;
        self.checks.push(check);
        let first = |sizes: bool| {
            let rows = self.checks.iter().filter(|c| (c.part == "sizes") == sizes);
            rows.flat_map(|c| &c.differences).next().cloned()
        };
        self.first = first(false).or_else(|| first(true));
    }

    /// What a reader must know though nothing differs, a sentence each.
    pub fn remarks(&self) -> Vec<String> {
        let remarks = self.checks.iter().filter(|c| c.outcome == Outcome::Remark);
        remarks.map(|c| c.said.clone()).collect()
    }

    /// The row of a part.
    pub fn of(&self, part: &str) -> Option<&Check> {
        self.checks.iter().find(|c| c.part == part)
    }
}

/// A row from what was found.
pub fn check(part: &'static str, said: impl Into<String>, differences: Vec<Difference>) -> Check {
    let said = said.into();
    let outcome = if differences.is_empty() {
        Outcome::Holds
    } else {
        Outcome::Differs
    };
    let more = differences.len().saturating_sub(MAX_TOLD);
    Check {
        part,
        outcome,
        said: if more > 0 {
            format!("{said}; {}", count(more as u64, "more difference"))
        } else {
            said
        },
        differences: differences.into_iter().take(MAX_TOLD).collect(),
    }
}

pub(super) fn not_checked(part: &'static str, why: impl Into<String>) -> Check {
    Check {
        part,
        outcome: Outcome::NotChecked,
        said: why.into(),
        differences: Vec::new(),
    }
}

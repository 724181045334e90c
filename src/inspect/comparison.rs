//! Before and after: findings of two sides to one comparison a test and setup.

use schemars::JsonSchema;
use serde::Serialize;

use super::{
    Finding, Test,
    pairing::{LeftOut, Side},
};
use crate::{
    measure::{
        compare::{Change, Direction},
        leak::{self, LeakComparison, LeakFinding},
        pull::{self, PullComparison, PullFinding},
        roll::{self, RollComparison, RollFinding},
    },
    reading::{Estimate, Quality, Refusal},
};

/// What a comparison of one test says.
#[derive(Clone, Debug, PartialEq, Serialize, JsonSchema)]
#[serde(untagged)]
pub enum Comparison {
    /// Of leaks.
    Leak(Box<LeakComparison>),
    /// Of pulls.
    Pull(Box<PullComparison>),
    /// Of rolls.
    Roll(Box<RollComparison>),
}

/// The same field of whichever comparison it is.
macro_rules! of_each {
    ($comparison:expr, $one:ident => $what:expr) => {
        match $comparison {
            Comparison::Leak($one) => $what,
            Comparison::Pull($one) => $what,
            Comparison::Roll($one) => $what,
        }
    };
}

impl Comparison {
    /// The test.
    pub fn test(&self) -> Test {
        match self {
            Self::Leak(_) => Test::Leak,
            Self::Pull(_) => Test::Pull,
            Self::Roll(_) => Test::Roll,
        }
    }

    /// Which way the quantity went.
    pub fn verdict(&self) -> Direction {
        match self {
            Self::Leak(one) => one.verdict.unwrap_or(Direction::Undecided),
            Self::Pull(one) => one.verdict,
            Self::Roll(one) => one.verdict,
        }
    }

    /// What that means for the car.
    pub fn change(&self) -> Change {
        match self {
            Self::Leak(one) => one.change.unwrap_or(Change::NotShown),
            Self::Pull(one) => one.change,
            Self::Roll(one) => one.change,
        }
    }

    /// Why nothing is compared.
    pub fn refused(&self) -> Option<&[Refusal]> {
        of_each!(self, one => one.refused.as_deref())
    }

    /// After over before.
    pub fn ratio(&self) -> Option<Estimate> {
        of_each!(self, one => one.ratio)
    }

    /// After less before, in the test's unit.
    pub fn difference(&self) -> Option<Estimate> {
        of_each!(self, one => one.difference)
    }

    /// What the records of both sides were like.
    pub fn quality(&self) -> &Quality {
        match self {
            Self::Leak(one) => &one.quality,
            Self::Pull(one) => &one.quality.common,
            Self::Roll(one) => &one.quality.common,
        }
    }

    /// The same, to add a remark.
    pub fn quality_mut(&mut self) -> &mut Quality {
        match self {
            Self::Leak(one) => &mut one.quality,
            Self::Pull(one) => &mut one.quality.common,
            Self::Roll(one) => &mut one.quality.common,
        }
    }

    /// Takes every answer back and says why; a reason that is known already is not said twice.
    pub fn refuse(&mut self, refusal: Refusal) {
        of_each!(self, one => {
            let known = one.refused.get_or_insert_default();
            if !known.iter().any(|r| r.code == refusal.code) {
                known.insert(0, refusal);
            }
            (one.ratio, one.difference, one.minimum_detectable_change) = (None, None, None);
        });
        let (verdict, change) = (Direction::Undecided, Change::NotShown);
        match self {
            Self::Leak(one) => {
                (one.verdict, one.change) = (Some(verdict), Some(change));
                (one.more_holds, one.slope_difference_pa_s) = (None, None);
            }
            Self::Pull(one) => {
                (one.verdict, one.change) = (verdict, change);
                one.more_pulls = None;
            }
            Self::Roll(one) => {
                (one.verdict, one.change) = (verdict, change);
                one.more_turns = None;
            }
        }
    }
}

/// Compares findings of one test: those before with those after.
pub fn compare(test: Test, before: &[Finding], after: &[Finding]) -> Comparison {
    match test {
        Test::Leak => {
            let mut comparison = leak::compare(&leaks(before), &leaks(after));
            comparison.verdict.get_or_insert(Direction::Undecided);
            comparison.change.get_or_insert(Change::NotShown);
            Comparison::Leak(Box::new(comparison))
        }
        Test::Pull => {
            let comparison = pull::compare(&pulls(before), &pulls(after));
            Comparison::Pull(Box::new(comparison))
        }
        Test::Roll => {
            let mut comparison = roll::compare(&rolls(before), &rolls(after));
            let records = before.iter().chain(after).map(Finding::quality);
            let found = std::mem::replace(&mut comparison.quality.common, Quality::merged(records));
            for word in &found.flags {
                comparison.quality.common.flag(word);
            }
            Comparison::Roll(Box::new(comparison))
        }
    }
}

/// The leaks among findings.
pub fn leaks(findings: &[Finding]) -> Vec<LeakFinding> {
    let leak = |finding: &Finding| match finding {
        Finding::Leak(leak) => Some((**leak).clone()),
        _ => None,
    };
    findings.iter().filter_map(leak).collect()
}

/// The pulls among findings.
pub fn pulls(findings: &[Finding]) -> Vec<PullFinding> {
    let pull = |finding: &Finding| match finding {
        Finding::Pull(pull) => Some((**pull).clone()),
        _ => None,
    };
    findings.iter().filter_map(pull).collect()
}

/// The rolls among findings.
pub fn rolls(findings: &[Finding]) -> Vec<RollFinding> {
    let roll = |finding: &Finding| match finding {
        Finding::Roll(roll) => Some((**roll).clone()),
        _ => None,
    };
    findings.iter().filter_map(roll).collect()
}

/// Records that were put together on each side.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, JsonSchema)]
pub struct Records {
    /// Before.
    pub before: usize,
    /// After.
    pub after: usize,
}

/// A comparison with what it was made of.
#[derive(Clone, Debug, PartialEq, Serialize, JsonSchema)]
pub struct Compared {
    /// What it says.
    #[serde(flatten)]
    pub comparison: Comparison,
    /// Setup of both sides; null when nobody says, or when they differ.
    pub setup: Option<String>,
    /// Records on each side.
    pub records: Records,
    /// The findings before and after, for a text.
    #[serde(skip)]
    #[schemars(skip)]
    pub seen: [Vec<Finding>; 2],
}

impl Compared {
    /// Adds to a refusal what was refused in the records themselves, where a side has no other record; what is said
    /// already is not said twice.
    pub fn explain(&mut self) {
        let Some(known) = of_each!(&mut self.comparison, one => one.refused.as_mut()) else {
            return;
        };
        for (side, findings) in [Side::Before, Side::After].into_iter().zip(&self.seen) {
            if findings.iter().any(|f| f.refused().is_none()) {
                continue;
            }
            for refusal in findings.iter().filter_map(Finding::refused).flatten() {
                if known.iter().all(|r| r.code != refusal.code) {
                    let mut own = refusal.clone();
                    own.message = format!("{}: {}", side.word(), refusal.message);
                    known.push(own);
                }
            }
        }
    }
}

/// Records that only one side has.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, JsonSchema)]
pub struct NotCompared {
    /// `before` or `after`.
    pub side: &'static str,
    /// Their test.
    pub test: &'static str,
    /// Their setup; null when nobody says.
    pub setup: Option<String>,
    /// How many.
    pub records: usize,
}

/// Result of `compare`.
#[derive(Clone, Debug, PartialEq, Serialize, JsonSchema)]
#[serde(untagged)]
pub enum CompareResult {
    /// The sides have one test (in one setup) in common.
    One {
        /// Its comparison.
        #[serde(flatten)]
        compared: Box<Compared>,
        /// What has no counterpart; empty when everything has.
        not_compared: Vec<NotCompared>,
    },
    /// They have several.
    Several {
        /// In the order of the tests (leak, pull, roll), then of the setups' names.
        comparisons: Vec<Compared>,
        /// What has no counterpart; empty when everything has.
        not_compared: Vec<NotCompared>,
    },
}

impl CompareResult {
    /// From the comparisons made (at least one) and what was left out.
    pub fn of(mut comparisons: Vec<Compared>, left_out: &[LeftOut]) -> Self {
        let not_compared = left_out.iter().map(NotCompared::of).collect();
        match (comparisons.len(), comparisons.pop()) {
            (1, Some(only)) => Self::One {
                compared: Box::new(only),
                not_compared,
            },
            (_, last) => {
                comparisons.extend(last);
                Self::Several {
                    comparisons,
                    not_compared,
                }
            }
        }
    }

    /// Every comparison.
    pub fn comparisons(&self) -> &[Compared] {
        match self {
            Self::One { compared, .. } => std::slice::from_ref(compared),
            Self::Several { comparisons, .. } => comparisons,
        }
    }

    /// What has no counterpart.
    pub fn not_compared(&self) -> &[NotCompared] {
        match self {
            Self::One { not_compared, .. } | Self::Several { not_compared, .. } => not_compared,
        }
    }
}

impl NotCompared {
    fn of(left: &LeftOut) -> Self {
        Self {
            side: left.side.word(),
            test: left.kind.test.word(),
            setup: left.kind.setup.clone(),
            records: left.records,
        }
    }
}

//! What every comparison of before and after says in the same words.

use schemars::JsonSchema;
use serde::Serialize;

use crate::reading::Estimate;

/// The quantity after, beside before: the 95 % interval of the difference (or ratio) and nothing else.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Direction {
    /// The whole interval says that it went up.
    Higher,
    /// The whole interval says that it went down.
    Lower,
    /// The interval lies across no change, or there is none.
    Undecided,
}

/// What that means for the car.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Change {
    /// Improved by more than the uncertainty.
    Better,
    /// Got worse by more than the uncertainty.
    Worse,
    /// Neither is shown.
    NotShown,
}

impl Direction {
    /// The side of `none` (0 for a difference, 1 for a ratio) on which the whole interval lies.
    pub fn of(change: &Estimate, none: f64) -> Self {
        if change.lo95 > none {
            Self::Higher
        } else if change.hi95 < none {
            Self::Lower
        } else {
            Self::Undecided
        }
    }

    /// For a quantity of which less is good: leak rate, hit rate.
    pub fn lower_is_better(self) -> Change {
        match self {
            Self::Lower => Change::Better,
            Self::Higher => Change::Worse,
            Self::Undecided => Change::NotShown,
        }
    }

    /// For a quantity of which more is good: force of a pull.
    pub fn higher_is_better(self) -> Change {
        match self {
            Self::Higher => Change::Better,
            Self::Lower => Change::Worse,
            Self::Undecided => Change::NotShown,
        }
    }
}

//! Before and after a repair: hit rate and depth of the same part in the same setup.

use schemars::JsonSchema;
use serde::Serialize;

use crate::measure::compare::{Change, Direction};
use crate::reading::{Estimate, Quality, Refusal, SOFTWARE};

use super::finding::RollFinding;

/// A snag before and after.
#[derive(Clone, Debug, PartialEq, Serialize, JsonSchema)]
pub struct RollComparison {
    /// Always `roll`.
    pub test: String,
    /// Software and version that made this.
    pub software: String,
    /// Why there is no answer, or null.
    pub refused: Option<Vec<Refusal>>,
    /// The hit rate after, beside that before.
    pub verdict: Direction,
    /// What that means for the car: fewer hits are better.
    pub change: Change,
    /// Captures before.
    pub before: u64,
    /// Captures after.
    pub after: u64,
    /// The part whose snag is compared: the one named before, else the one named after.
    pub part: Option<String>,
    /// Setup of all captures.
    pub setup: Option<String>,
    /// Share of turns that hit, before.
    pub hit_rate_before: Option<Estimate>,
    /// Share of turns that hit, after; where no snag is shown, what the record leaves possible.
    pub hit_rate_after: Option<Estimate>,
    /// Peak torque of a hit over the drag, before.
    pub depth_before: Option<Estimate>,
    /// Peak torque of a hit over the drag, after; null where no snag is shown.
    pub depth_after: Option<Estimate>,
    /// Hit rate after less hit rate before.
    pub difference: Option<Estimate>,
    /// Hit rate after over hit rate before; null unless both are clearly above 0.
    pub ratio: Option<Estimate>,
    /// Change of the hit rate that captures like these show with a chance of 80 %.
    pub minimum_detectable_change: Option<f64>,
    /// How many more turns of the part would decide; 0 when decided, null when no number would.
    pub more_turns: Option<u64>,
    /// What the captures were like.
    pub quality: RollComparisonQuality,
}

/// What the captures of a comparison were like.
#[derive(Clone, Debug, Default, PartialEq, Serialize, JsonSchema)]
pub struct RollComparisonQuality {
    /// What all records were like, together; whoever knows the records fills it in.
    #[serde(flatten)]
    pub common: Quality,
    /// Turns of the part that could be seen before and after.
    pub turns_before: Option<u64>,
    /// See above.
    pub turns_after: Option<u64>,
    /// No capture after shows a snag in the part.
    pub none_seen_after: bool,
    /// Smallest snag in the part, in units of the drag, that the captures after would have shown.
    pub detectable_depth_after: Option<f64>,
    /// Why nothing is decided, a word.
    pub undecided_because: Option<String>,
    /// Limits of this answer in words.
    pub notes: Vec<String>,
}

/// Compares captures before and after: the hit rate of the part named before (else of the part named after), in the same
/// setup and with the same sensor.
///
/// Refused: different cars, setups, sensors or magnets; a side without free rolling; no snag on either side.
pub fn compare(before: &[RollFinding], after: &[RollFinding]) -> RollComparison {
    RollComparison {
        test: "roll".into(),
        software: SOFTWARE.into(),
        refused: None,
        verdict: Direction::Undecided,
        change: Direction::Undecided.lower_is_better(),
        before: before.len() as u64,
        after: after.len() as u64,
        part: None,
        setup: None,
        hit_rate_before: None,
        hit_rate_after: None,
        depth_before: None,
        depth_after: None,
        difference: None,
        ratio: None,
        minimum_detectable_change: None,
        more_turns: None,
        quality: RollComparisonQuality::default(),
    }
}

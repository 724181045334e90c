//! Is the tank tighter than before? Two records of one tank, or several a side, with what both share taken out.

use schemars::JsonSchema;
use serde::Serialize;

use super::LeakFinding;
use crate::measure::compare::{Change, Direction};
use crate::reading::{Estimate, Quality, Refusal, SOFTWARE};

/// Before and after, compared. Refused or not known: null.
#[derive(Clone, Debug, PartialEq, Serialize, JsonSchema)]
pub struct LeakComparison {
    /// `leak`.
    pub test: &'static str,
    /// Name and version of this software.
    pub software: &'static str,
    /// Why the two are not compared, or null.
    pub refused: Option<Vec<Refusal>>,
    /// The 95 % interval of the difference, after minus before, against no change; null when refused.
    pub verdict: Option<Direction>,
    /// What that means: less is better; null when refused.
    pub change: Option<Change>,
    /// Holds used before.
    pub before: u64,
    /// Holds used after.
    pub after: u64,
    /// Gauge pressure at which both are stated, Pa.
    pub p_ref_pa: Option<f64>,
    /// Leak after over leak before; null unless both are clearly above zero.
    pub ratio: Option<Estimate>,
    /// Leak after minus leak before, Pa m3/s of gas at 20 C; null without a volume.
    pub difference: Option<Estimate>,
    /// The same as a loss of pressure, Pa/s.
    pub slope_difference_pa_s: Option<Estimate>,
    /// Change that would be shown with a chance of 80 %, Pa m3/s of gas at 20 C; null without a volume.
    pub minimum_detectable_change: Option<f64>,
    /// Holds more on each side that would probably decide; 0 when decided, null when up to 40 would not.
    pub more_holds: Option<u64>,
    /// Combined leak rate before, Pa m3/s of gas at 20 C; null without a volume.
    pub before_leak_rate_pa_m3_s: Option<Estimate>,
    /// Combined leak rate after.
    pub after_leak_rate_pa_m3_s: Option<Estimate>,
    /// What the records were like.
    pub quality: Quality,
}

impl LeakComparison {
    /// A comparison in which nothing is known but why.
    pub fn of_refusal(quality: Quality, refusal: Refusal) -> Self {
        Self {
            refused: Some(vec![refusal]),
            ..Self::empty(quality)
        }
    }

    fn empty(quality: Quality) -> Self {
        Self {
            test: "leak",
            software: SOFTWARE,
            refused: None,
            verdict: None,
            change: None,
            before: 0,
            after: 0,
            p_ref_pa: None,
            ratio: None,
            difference: None,
            slope_difference_pa_s: None,
            minimum_detectable_change: None,
            more_holds: None,
            before_leak_rate_pa_m3_s: None,
            after_leak_rate_pa_m3_s: None,
            quality,
        }
    }
}

/// A gauge pressure at which all findings may be stated: 0.75 of the lowest first pressure, Pa. The shell analyzes all
/// records again at it before it compares them.
///
/// # Errors
/// No finding has a first pressure, or the pressures held lie too far apart for one reference pressure.
pub fn common_p_ref(findings: &[&LeakFinding]) -> Result<f64, Refusal> {
    let _ = findings;
    Err(Refusal::new(
        "not_compared",
        "this comparison is not there yet",
    ))
}

/// Compares holds before with holds after, all stated at one reference pressure (see [`common_p_ref`]).
pub fn compare(before: &[LeakFinding], after: &[LeakFinding]) -> LeakComparison {
    let _ = (before, after);
    LeakComparison::of_refusal(
        Quality::default(),
        Refusal::new("not_compared", "this comparison is not there yet"),
    )
}

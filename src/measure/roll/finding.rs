//! What the roll measure says: the finding, its parts, and how they look in JSON.

use std::collections::BTreeMap;

use schemars::JsonSchema;
use serde::Serialize;

use crate::reading::{Contribution, Estimate, LimitSource, Quality, Refusal, SOFTWARE, Verdict};

use super::blind::Blind;
use super::drag::RollDrag;
use super::kept::RollEvidence;
use super::next::NextSetup;

/// Finding of one roll record.
#[derive(Clone, Debug, PartialEq, Serialize, JsonSchema)]
pub struct RollFinding {
    /// Always `roll`.
    pub test: String,
    /// Software and version that made this finding.
    pub software: String,
    /// Why there is no answer, or null.
    pub refused: Option<Vec<Refusal>>,
    /// `outside` when a snag is reported; `within` when none is and the record would have shown a snag of
    /// `limit_snag_depth` in every visible part; otherwise `undecided`: not seen is not not there. Null when refused.
    pub verdict: Option<Verdict>,
    /// Where the limit of the false-alarm probability comes from.
    pub limit_source: Option<LimitSource>,
    /// A snag is reported when its false-alarm probability is at most this.
    pub limit_snag_false_alarm: f64,
    /// Without a snag a car is `within` when snags of this depth, in units of the drag, would have shown.
    pub limit_snag_depth: f64,
    /// Where that limit comes from.
    pub limit_snag_depth_source: Option<LimitSource>,
    /// Bound on the share of snag-free records that look at least as snagged as this one, 0..1.
    pub false_alarm_probability: Option<f64>,
    /// Reported snags, strongest first; empty when none is shown, null when refused.
    pub snags: Option<Vec<Snag>>,
    /// Every part that this setup and record could show, most probable first.
    pub suspects: Option<Vec<Suspect>>,
    /// Rhythms found without a gear train; null when there was one, or when refused.
    pub blind: Option<Blind>,
    /// Time of the first counted edge in the file, s.
    pub start_s: Option<f64>,
    /// Time of the last counted edge in the file, s.
    pub end_s: Option<f64>,
    /// Where the uncertainty of the first snag's hit rate comes from, largest first; empty without a snag.
    pub budget: Vec<Contribution>,
    /// Drag of the free-running car against its speed; null when refused or with fewer than five coasts.
    pub drag: Option<RollDrag>,
    /// Where a snag is reported and several parts may hold it: the setup whose capture tells most about which; null when
    /// nothing is left to ask, no setup would tell or the car's other setups are not known.
    pub next_setup: Option<NextSetup>,
    /// What the record was like.
    pub quality: RollQuality,
    /// What a picture needs; not part of the result.
    #[serde(skip)]
    #[schemars(skip)]
    pub trace: RollTrace,
    /// The parts' cases and the record, for questions that come later; not part of the result.
    #[serde(skip)]
    #[schemars(skip)]
    pub evidence: RollEvidence,
}

/// A snag: an energy loss tied to one part, in some of its turns.
#[derive(Clone, Debug, PartialEq, Serialize, JsonSchema)]
pub struct Snag {
    /// Name of the most probable part.
    pub part: String,
    /// Probability of that part, given that there is a snag in one of the visible parts; half of that where the flag
    /// `sensor_doubtful` says that the sensor may not sit where the vehicle file says.
    pub probability: f64,
    /// Bound on the share of snag-free records that look at least as snagged as this one.
    pub false_alarm_probability: f64,
    /// Events per turn of the sensed shaft.
    pub order_per_sensor_turn: f64,
    /// Where in the part's event period the hits lie, degrees after the first edge of the file, 0..360.
    pub phase_deg: f64,
    /// Half a phase bin, degrees: the phase is known no better.
    pub phase_half_bin_deg: f64,
    /// Share of turns that hit.
    pub hit_rate: Estimate,
    /// Peak torque of a typical hit in units of the record's Coulomb drag, for a hit as wide as 12 degrees of the part's
    /// own turn.
    pub depth: Estimate,
    /// Every turn that the record could show, in order.
    pub hits: Vec<Hit>,
    /// Runs of turns in which it showed, in order; a lone hit is none.
    pub bursts: Vec<Burst>,
    /// Time of the last turn in the file that hit with a probability above 1/2, s; null when none did. Lone ones after the snag
    /// stopped, by all turns since, are taken for chance.
    pub last_seen_s: Option<f64>,
    /// Turns that could be seen after it; null like `last_seen_s`.
    pub turns_since_seen: Option<u64>,
    /// Index of the sensor whose record gives order, phase and hits.
    pub sensor: u32,
    /// Other words for the same order: `2 x wheel_fl`.
    pub ambiguous_with: Vec<String>,
    /// Every visible part with its probability, most probable first.
    pub suspects: Vec<Suspect>,
}

/// One turn of the reported part.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, JsonSchema)]
pub struct Hit {
    /// Number of the event, 0 for the first after the first edge of the file.
    pub turn: u64,
    /// Time of the event in the file, s.
    pub t_s: f64,
    /// Probability that the snag showed in this turn.
    pub hit: f64,
}

/// A run of turns in which a snag showed.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, JsonSchema)]
pub struct Burst {
    /// Time of its first turn in the file, s.
    pub start_s: f64,
    /// Time of its last turn in the file, s.
    pub end_s: f64,
    /// Turns of it that could be seen.
    pub turns: u64,
    /// Those that hit with a probability above 1/2.
    pub hits: u64,
}

/// A part that may hold the snag.
#[derive(Clone, Debug, PartialEq, Serialize, JsonSchema)]
pub struct Suspect {
    /// Name of the part.
    pub part: String,
    /// Probability, given that there is a snag in one of the visible parts, or half of that as the snag's; parts of equal order
    /// share theirs.
    pub probability: f64,
    /// Natural logarithm of the Bayes factor "snag in this part" against "no snag", as the probability uses it: after
    /// the finer look where a snag is reported.
    pub ln_bayes: f64,
    /// Best order, events per turn of the sensed shaft.
    pub order_per_sensor_turn: f64,
}

/// A part that this setup or this record cannot show.
#[derive(Clone, Debug, PartialEq, Serialize, JsonSchema)]
pub struct NotSeen {
    /// Name of the part.
    pub part: String,
    /// Why, in words.
    pub reason: String,
}

/// What a roll record was like.
#[derive(Clone, Debug, Default, PartialEq, Serialize, JsonSchema)]
pub struct RollQuality {
    /// What every test reports.
    #[serde(flatten)]
    pub common: Quality,
    /// Groups of parts whose orders this record cannot tell apart.
    pub same_order: Vec<Vec<String>>,
    /// Natural logarithm of the Bayes factor "a snag in some visible part" against "no snag".
    pub ln_bayes: Option<f64>,
    /// Indices of the sensors whose records were used. With several, everything else here is of the one that shows the
    /// most probable part best.
    pub sensors: Vec<u32>,
    /// Turns of the sensed shaft from first to last counted edge.
    pub turns: Option<f64>,
    /// Standard deviation of one edge time, microseconds.
    pub jitter_us: Option<f64>,
    /// Share of the record's time that coasted and was used.
    pub coast_share: Option<f64>,
    /// Turns of the reported (or most probable) part without information: hand on, standstill, ends of a run.
    pub turns_unseen: Option<u64>,
    /// Parts that could not be seen, with the reason.
    pub not_visible: Vec<NotSeen>,
    /// Smallest snag, in units of the drag, that this record would have reported with 95 % whichever visible part held it:
    /// the largest of `detectable_depth_by_part`. Null where a snag is reported, or where one of the parts would not have
    /// shown any.
    pub detectable_depth: Option<f64>,
    /// The same for every visible part; null for a part that would not have shown any snag that surely. Empty where a snag is reported.
    pub detectable_depth_by_part: BTreeMap<String, Option<f64>>,
    /// Share of turns that hit in the snags that these depths speak of.
    pub detectable_at_hit_rate: Option<f64>,
    /// Turns of the sensed shaft from each magnet to the next, from the first counted edge's magnet on; sum 1.
    pub spacing: Option<Vec<f64>>,
    /// Edges that were not counted: not later than the one before, bounce, or outside the stretch that was judged.
    pub edges_dropped: u64,
    /// Magnets that passed without an edge.
    pub edges_missed: u64,
    /// Limits of this answer in words.
    pub notes: Vec<String>,
}

/// Scores of the best part, one strip a turn, for a picture.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct RollTrace {
    /// Name of the part.
    pub part: Option<String>,
    /// Bins a turn of the part (event period).
    pub bins: usize,
    /// Strips in order of time.
    pub strips: Vec<Strip>,
}

/// One turn of the best part.
#[derive(Clone, Debug, PartialEq)]
pub struct Strip {
    /// Number of the turn.
    pub turn: u64,
    /// Time in the file at which the turn begins, s.
    pub t_s: f64,
    /// Loss in each bin in units of its own standard deviation; `None` where the record says nothing.
    pub loss_sd: Vec<Option<f64>>,
}

/// The limits of a finding.
#[derive(Clone, Copy, Debug)]
pub(super) struct Limits {
    /// Largest false-alarm probability at which a snag is reported, and where it comes from.
    pub false_alarm: f64,
    pub false_alarm_source: LimitSource,
    /// Depth that must have shown, and where it comes from.
    pub depth: f64,
    pub depth_source: LimitSource,
}

impl RollFinding {
    /// A finding without an answer.
    pub(super) fn refuse(refusals: Vec<Refusal>, limits: Limits, quality: RollQuality) -> Self {
        Self {
            test: "roll".into(),
            software: SOFTWARE.into(),
            refused: Some(refusals),
            verdict: None,
            limit_source: Some(limits.false_alarm_source),
            limit_snag_false_alarm: limits.false_alarm,
            limit_snag_depth: limits.depth,
            limit_snag_depth_source: Some(limits.depth_source),
            false_alarm_probability: None,
            snags: None,
            suspects: None,
            blind: None,
            start_s: None,
            end_s: None,
            budget: Vec::new(),
            drag: None,
            next_setup: None,
            quality,
            trace: RollTrace::default(),
            evidence: RollEvidence::default(),
        }
    }

    /// The sensor may not sit where the vehicle file says: look there before anything is opened.
    pub fn doubts_sensor(&self) -> bool {
        let mut flags = self.quality.common.flags.iter();
        flags.any(|flag| flag == super::SENSOR_DOUBTFUL)
    }

    /// Leaves the parts this share of their probability: the rest is that the vehicle file is wrong about the sensor.
    pub(super) fn leave(&mut self, share: f64) {
        let snags = self.snags.iter_mut().flatten();
        let each = snags.flat_map(|snag| {
            snag.probability *= share;
            &mut snag.suspects
        });
        for suspect in each.chain(self.suspects.iter_mut().flatten()) {
            suspect.probability *= share;
        }
    }
}

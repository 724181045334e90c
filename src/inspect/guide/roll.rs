//! The guide of a roll: one strip a turn, hits in line at their angle, suspects ranked while it rolls.

use schemars::JsonSchema;
use serde::Serialize;

use crate::{
    inspect::Settings,
    measure::roll::{NextSetup, RollFinding, Strip, Suspect},
    reading::{Edge, Estimate, Verdict},
};

/// What the hands do now.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum RollPhase {
    /// Nothing turns: push or spin, let go.
    Rest,
    /// It runs down: hands off.
    Coasting,
    /// Decided.
    Over,
}

/// Where a roll stands.
#[derive(Clone, Debug, PartialEq, Serialize, JsonSchema)]
pub struct RollView {
    /// What the hands do now.
    pub phase: RollPhase,
    /// Turns of the sensed shaft a second; null while nothing turns.
    pub turns_per_s: Option<f64>,
    /// Coasting turns of the sensed shaft so far.
    pub turns: f64,
    /// Strips of the leading suspect's turns, oldest first; at most 40.
    #[serde(skip)]
    #[schemars(skip)]
    pub strips: Vec<Strip>,
    /// Angle bins of a strip.
    #[serde(skip)]
    #[schemars(skip)]
    pub bins: usize,
    /// Turns among the strips that were hits.
    pub hit_turns: Vec<u64>,
    /// Hits and turns of the leading snag; null before one is reported.
    pub hits: Option<(u64, u64)>,
    /// Angle of the snag, degrees of the part's turn, counted from the first edge.
    pub phase_deg: Option<f64>,
    /// Hit rate with its interval.
    pub hit_rate: Option<Estimate>,
    /// Suspects, most likely first; groups that turn together have equal shares.
    pub suspects: Vec<Suspect>,
    /// Groups of parts that this setup cannot tell apart.
    pub same_order: Vec<Vec<String>>,
    /// The verdict so far.
    pub verdict: Verdict,
    /// About how many more turns decide; null when decided or nobody can say.
    pub more_turns: Option<u64>,
    /// The setup that would part the suspects that remain.
    pub next_setup: Option<NextSetup>,
    /// The recording may end by itself.
    pub is_over: bool,
    /// Why there is no answer yet, in words.
    pub refused: Option<String>,
}

/// Follows a roll.
#[derive(Debug)]
pub struct RollGuide {
    settings: Settings,
    edges: Vec<Edge>,
}

/// The search in the turns so far.
#[derive(Debug)]
pub struct RollStudy {
    settings: Settings,
    edges: Vec<Edge>,
}

/// What it found.
#[derive(Debug)]
pub struct RollStudied(RollFinding);

impl RollGuide {
    /// A guide before the first edge.
    pub fn new(settings: Settings) -> Self {
        Self {
            settings,
            edges: Vec::new(),
        }
    }

    pub(super) fn push(&mut self, edge: Edge) {
        self.edges.push(edge);
    }

    pub(super) fn view(&self) -> RollView {
        RollView {
            phase: RollPhase::Rest,
            turns_per_s: None,
            turns: 0.0,
            strips: Vec::new(),
            bins: 0,
            hit_turns: Vec::new(),
            hits: None,
            phase_deg: None,
            hit_rate: None,
            suspects: Vec::new(),
            same_order: Vec::new(),
            verdict: Verdict::Undecided,
            more_turns: None,
            next_setup: None,
            is_over: false,
            refused: None,
        }
    }

    pub(super) fn study(&mut self) -> Option<RollStudy> {
        None
    }

    pub(super) fn learn(&mut self, _found: RollStudied) {}
}

impl RollStudy {
    pub(super) fn run(self) -> RollStudied {
        let mut measure = crate::inspect::Measure::new(self.settings);
        for edge in self.edges {
            measure.push(crate::inspect::Reading::Edge(edge));
        }
        match measure.finish(crate::reading::Quality::default()) {
            crate::inspect::Finding::Roll(finding) => RollStudied(*finding),
            _ => unreachable!("the settings are of a roll"),
        }
    }
}

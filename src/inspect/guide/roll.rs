//! The guide of a roll: one strip a turn, hits in line at their angle, suspects ranked while it rolls.
//!
//! Between searches [`Live`] follows every edge. The search itself ([`RollStudy`]) is the whole measure on all edges so far, at its own
//! limit: what the last one found is what the record's finding says of the same edges. The first is due after
//! [`FIRST_TURNS`] coasting turns, then one every [`PAUSE_S`], or a tenth of the time so far, or [`COST_SHARE`] times what the last
//! one took, whichever is longest (all by the edges' times), and at the two planned ends.
//!
//! What many looks do to the false alarms, and the rule against it: see `progress`.

mod progress;

use schemars::JsonSchema;
use serde::Serialize;

use crate::{
    inspect::Settings,
    measure::roll::{Hit, Live, NextSetup, RollFinding, STRIPS, Strip, Suspect},
    reading::{Edge, Estimate, Verdict},
};

use progress::{LONGEST_S, PLANNED_S, Progress, coasted_s};

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

/// Coasting turns and intervals between magnets before the first search; the measure needs 30 of these.
const FIRST_TURNS: f64 = 8.0;
const FIRST_INTERVALS: usize = 40;
/// Shortest pause between two searches, s of the edges' clock; also this share of the time so far.
const PAUSE_S: f64 = 2.0;
const PAUSE_SHARE: f64 = 0.1;
/// A search may take this share of the time: it pauses so many times what it took.
const COST_SHARE: f64 = 5.0;
/// A turn counts as hit from this probability on.
const HIT: f64 = 0.5;
/// Without an edge for this many times the last interval, and for this long, nothing turns (by judgement).
const STILL: f64 = 4.0;
const STILL_US: u64 = 500_000;
const US: f64 = 1e-6;

/// Follows a roll.
#[derive(Debug)]
pub struct RollGuide {
    settings: Settings,
    edges: Vec<Edge>,
    /// Sensor whose edges are followed.
    sensor: u32,
    live: Live,
    /// Nothing came for too long.
    is_still: bool,
    out: Option<Looked>,
    /// The last search that is back.
    last: Option<Looked>,
    /// How long it took, s of the edges' clock.
    cost_s: f64,
    told: Option<Box<Told>>,
    progress: Progress,
}

/// A search was asked for.
#[derive(Clone, Copy, Debug)]
struct Looked {
    /// Time of the last edge then, us, and coasting until then, s.
    at_us: u64,
    coasted_s: f64,
}

/// What the last search told.
#[derive(Debug)]
struct Told {
    finding: RollFinding,
    more_turns: Option<u64>,
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
        let magnets = match &settings {
            Settings::Roll { roll, .. } => roll.train.magnets,
            Settings::Blind { magnets, .. } => *magnets,
            Settings::Leak(_) | Settings::Pull(_) => 1,
        };
        Self {
            sensor: settings.sensors().first().copied().unwrap_or_default(),
            settings,
            edges: Vec::new(),
            live: Live::new(magnets),
            is_still: false,
            out: None,
            last: None,
            cost_s: 0.0,
            told: None,
            progress: Progress::default(),
        }
    }

    pub(super) fn push(&mut self, edge: Edge) {
        self.edges.push(edge);
        if edge.sensor == self.sensor {
            self.is_still = false;
            self.live.push(edge.t_us);
        }
    }

    /// No edge came for this long, us.
    pub(super) fn silence(&mut self, us: u64) {
        let turn = self.live.turns_per_s().map_or(0.0, |w| STILL / w);
        self.is_still |= us > STILL_US && us as f64 * US > turn;
    }

    pub(super) fn view(&self) -> RollView {
        let finding = self.told.as_ref().map(|t| &t.finding);
        let snag = finding.and_then(|f| f.snags.as_deref()?.first());
        let snag = snag.filter(|_| self.progress.reported);
        let strips = self.strips();
        let hit = |h: &&Hit| h.hit > HIT;
        let first = strips.first().map_or(0, |s| s.turn);
        let hits = snag.map(|s| s.hits.iter().filter(hit));
        RollView {
            phase: self.phase(),
            turns_per_s: self.live.turns_per_s().filter(|_| !self.is_still),
            turns: self.live.turns(),
            bins: self.live.bins(),
            hit_turns: hits
                .clone()
                .into_iter()
                .flatten()
                .map(|h| h.turn)
                .filter(|t| *t >= first)
                .collect(),
            hits: hits
                .zip(snag)
                .map(|(hits, s)| (hits.count() as u64, s.hits.len() as u64)),
            strips,
            phase_deg: snag.map(|s| s.phase_deg),
            hit_rate: snag.map(|s| s.hit_rate),
            suspects: finding.and_then(|f| f.suspects.clone()).unwrap_or_default(),
            same_order: finding
                .map(|f| f.quality.same_order.clone())
                .unwrap_or_default(),
            verdict: self.verdict(),
            more_turns: self.told.as_ref().and_then(|t| t.more_turns),
            next_setup: finding
                .and_then(|f| f.next_setup.clone())
                .filter(|_| snag.is_some()),
            is_over: self.progress.over,
            refused: finding.and_then(|f| Some(f.refused.as_ref()?.first()?.message.clone())),
        }
    }

    fn phase(&self) -> RollPhase {
        if self.progress.over {
            RollPhase::Over
        } else if self.is_still || !self.live.is_coasting() {
            RollPhase::Rest
        } else {
            RollPhase::Coasting
        }
    }

    fn verdict(&self) -> Verdict {
        let told = self.told.as_ref().and_then(|t| t.finding.verdict);
        match told {
            Some(Verdict::Outside) if self.progress.reported => Verdict::Outside,
            Some(Verdict::Within) => Verdict::Within,
            _ => Verdict::Undecided,
        }
    }

    /// The last strips of the last search, then those of the turns since; of a turn that both saw in part, both parts.
    fn strips(&self) -> Vec<Strip> {
        let seen = self
            .told
            .as_ref()
            .map_or(&[][..], |t| &t.finding.trace.strips);
        let mut strips = seen[seen.len().saturating_sub(STRIPS)..].to_vec();
        for strip in self.live.strips() {
            match strips.last_mut() {
                Some(last) if strip.turn < last.turn => {}
                Some(last) if strip.turn == last.turn => {
                    for (seen, live) in last.loss_sd.iter_mut().zip(&strip.loss_sd) {
                        *seen = seen.or(*live);
                    }
                }
                _ => strips.push(strip.clone()),
            }
        }
        strips.split_off(strips.len().saturating_sub(STRIPS))
    }

    pub(super) fn study(&mut self) -> Option<RollStudy> {
        let now = self.looked()?;
        if self.out.is_some() || self.progress.over || !self.is_due(now) {
            return None;
        }
        self.out = Some(now);
        Some(RollStudy {
            settings: self.settings.clone(),
            edges: self.edges.clone(),
        })
    }

    fn looked(&self) -> Option<Looked> {
        Some(Looked {
            at_us: self.edges.last()?.t_us,
            coasted_s: self.live.coasted_s(),
        })
    }

    fn is_due(&self, now: Looked) -> bool {
        let Some(last) = self.last else {
            return self.live.turns() >= FIRST_TURNS && self.live.intervals() >= FIRST_INTERVALS;
        };
        let since_s = |us: u64| now.at_us.saturating_sub(us) as f64 * US;
        let first_us = self.edges.first().map_or(now.at_us, |e| e.t_us);
        let record_s = |look: Looked| look.at_us.saturating_sub(first_us) as f64 * US;
        let pause_s = PAUSE_S
            .max(PAUSE_SHARE * record_s(now))
            .max(COST_SHARE * self.cost_s);
        let planned = record_s(last) < PLANNED_S && record_s(now) >= PLANNED_S;
        let longest = last.coasted_s < LONGEST_S && now.coasted_s >= LONGEST_S;
        planned || longest || since_s(last.at_us) >= pause_s
    }

    pub(super) fn learn(&mut self, found: RollStudied) {
        let RollStudied(finding) = found;
        let Some(looked) = self.out.take() else {
            return;
        };
        let now_us = self.edges.last().map_or(looked.at_us, |e| e.t_us);
        self.cost_s = now_us.saturating_sub(looked.at_us) as f64 * US;
        let seen = Live::after(&finding, &self.edges);
        let turns = seen.as_ref().map_or(0.0, Live::told_turns);
        self.last = Some(looked);
        if let Some(mut live) = seen {
            self.last = Some(Looked {
                coasted_s: coasted_s(&finding),
                ..looked
            });
            if finding.trace.strips.is_empty() {
                live = live.with_strips_of(&self.live);
            }
            self.live = live;
        }
        let more_turns = self.progress.look(&finding, turns);
        self.told = Some(Box::new(Told {
            finding,
            more_turns,
        }));
    }
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

impl RollStudied {
    pub(super) fn finding(&self) -> &RollFinding {
        &self.0
    }
}

//! Roll: finds an intermittent snag in a coasting drivetrain and names the part it belongs to.
//!
//! In the angle domain a coasting drivetrain obeys `dE/dx = -(A + B w) + ripple + noise`; a snag takes an
//! energy out of `E` at one angle of its part's turn, in some turns only. Units inside: angle in turns of the
//! sensed shaft, time in s, energy `E = (dx/dt)^2/2` in turns^2/s^2; *order* is events per turn of the sensed shaft.
//!
//! The stages, one file each: edges are counted (`count`), free rolling is found (`coast`), a Kalman pass explains
//! the smooth coast (`filter`), nuisance columns explain a healthy car's ripple (`nuisance`, in the rounds of `fit`),
//! a backward pass gives score and information of a loss at any angle (`score`). Then every part is judged: its train of
//! events is folded (`fold`) into a mixture Bayes factor (`bayes`) at its possible orders (`orders`), less what smooth
//! ripple would explain as well (`rival`); `parts` puts that together, `hits` looks at single turns, `report` decides.
//! The numbers in the constants were set on simulated records.

mod bayes;
pub mod blind;
mod car;
mod coast;
mod combine;
mod compare;
mod count;
mod exp;
mod filter;
mod finding;
mod fit;
#[cfg(test)]
mod fixture;
mod fold;
mod hits;
mod kept;
mod next;
mod nuisance;
mod orders;
mod parts;
mod report;
mod rival;
mod score;

pub use car::{RollCar, SetupTrain};
pub use combine::{PartShare, RollCapture, RollParts, RollPartsQuality, combine};
pub use compare::{RollComparison, RollComparisonQuality, compare};
pub use finding::{Hit, NotSeen, RollFinding, RollQuality, RollTrace, Snag, Strip, Suspect};
pub use kept::{PartEvidence, RollEvidence};
pub use next::{NextSetup, next_setup};

use std::sync::Arc;

use crate::reading::{Edge, LimitSource, Quality, Refusal};
use crate::vehicle::Train;

use count::Nodes;
use fit::Fit;
use kept::Kept;
use parts::{Case, Evidence};
use report::Report;

/// Fewer edges than this a magnet are no record.
const LEAST_EDGES: usize = 3;

/// Snags with a larger false-alarm probability than this are not reported, unless the vehicle file says otherwise.
pub const SNAG_FALSE_ALARM: f64 = 0.01;

/// A snag of this depth, in units of the drag, must be shown to be absent before a car is called free of snags, unless the
/// vehicle file says otherwise (suggested; no source).
pub const SNAG_DEPTH: f64 = 0.6;

/// What the roll measure needs to know beside the edges.
#[derive(Clone, Debug, PartialEq)]
pub struct RollSettings {
    /// The gear train, solved for the setup and seen from the sensor.
    pub train: Train,
    /// Largest false-alarm probability at which a snag is reported, 0..1 ([`SNAG_FALSE_ALARM`]).
    pub snag_false_alarm: f64,
    /// Where that limit comes from.
    pub limit_source: LimitSource,
    /// Snags of this depth must be shown to be absent for the verdict `within`, units of the drag, > 0 ([`SNAG_DEPTH`]).
    pub snag_depth: f64,
    /// Where that limit comes from.
    pub snag_depth_source: LimitSource,
    /// The car of the record; without it no other capture can be set beside this one.
    pub car: Option<RollCar>,
}

impl RollSettings {
    /// The suggested limits, and no word of the car.
    pub fn new(train: Train) -> Self {
        Self {
            train,
            snag_false_alarm: SNAG_FALSE_ALARM,
            limit_source: LimitSource::Suggested,
            snag_depth: SNAG_DEPTH,
            snag_depth_source: LimitSource::Suggested,
            car: None,
        }
    }
}

/// The roll measure: push edges, then finish.
///
/// ```
/// use feelgauge::measure::roll::{Roll, RollSettings};
/// use feelgauge::physics::drivetrain::{DrivetrainScenario, simulate};
/// use feelgauge::reading::Quality;
///
/// let car = DrivetrainScenario::plover();
/// let mut roll = Roll::new(RollSettings::new(car.train().clone()));
/// for edge in simulate(&car, 1).readings {
///     roll.push(edge);
/// }
/// let snags = roll.finish(Quality::default()).snags.expect("it rolls freely");
/// assert_eq!(snags[0].part, "ring_f");
/// ```
#[derive(Clone, Debug)]
pub struct Roll {
    settings: RollSettings,
    /// Times of the kept edges, us, strictly increasing.
    edges_us: Vec<u64>,
    /// Edges not later than the one before.
    dropped: u64,
    /// Nobody has told the gear train: a rhythm is looked for, no part.
    blind: bool,
}

impl Roll {
    /// A measure without edges.
    pub fn new(settings: RollSettings) -> Self {
        Self {
            settings,
            edges_us: Vec::new(),
            dropped: 0,
            blind: false,
        }
    }

    /// A measure of a car of which only the number of magnets on the sensed shaft is known, 1..=64. Its finding has
    /// rhythms ([`RollFinding::blind`]) and names no part.
    pub fn blind(magnets: u32) -> Self {
        Self {
            blind: true,
            ..Self::new(RollSettings::new(blind::lone_shaft(magnets)))
        }
    }

    /// Takes one edge of the sensed index, in order of time; one that is not later than the last is counted and dropped.
    pub fn push(&mut self, edge: Edge) {
        if self.edges_us.last().is_some_and(|last| edge.t_us <= *last) {
            self.dropped += 1;
        } else {
            self.edges_us.push(edge.t_us);
        }
    }

    /// Evaluates the record. `quality` is what the shell counted on the way here.
    pub fn finish(self, quality: Quality) -> RollFinding {
        let train = &self.settings.train;
        let limit = (self.settings.snag_false_alarm, self.settings.limit_source);
        let mut quality = RollQuality {
            common: quality,
            edges_dropped: self.dropped,
            not_visible: not_visible(train),
            ..RollQuality::default()
        };
        let Some((origin_s, nodes)) = self.nodes() else {
            return RollFinding::refuse(vec![no_free_rolling()], limit, quality);
        };
        quality.edges_dropped += nodes.bounced;
        quality.edges_missed = nodes.missed;
        quality.turns = Some(nodes.turns());
        let Some((fit, columns)) = fit::fit(&nodes, train) else {
            return RollFinding::refuse(vec![no_free_rolling()], limit, quality);
        };
        quality.jitter_us = Some(fit.noise.jitter_s * 1e6);
        quality.coast_share = Some(coast_share(&nodes, &fit));
        quality.spacing = Some(spacing(&nodes, fit::places(&fit, &columns, &nodes)));
        let scores = score::score_field(&fit);
        let kept = Arc::new(Kept {
            settings: self.settings,
            nodes,
            fit,
            scores,
        });
        let evidence = kept.evidence();
        if self.blind {
            return blind::finding(evidence, limit, origin_s, quality);
        }
        let cases = cases(evidence, &mut quality.not_visible);
        if cases.is_empty() {
            return RollFinding::refuse(vec![too_few_turns()], limit, quality);
        }
        let report = Report {
            evidence,
            limit,
            origin_s,
            quality,
            kept: &kept,
        };
        report.finding(cases)
    }

    /// Time of the first edge in the file (s) and the counted edges; `None` when there are too few.
    fn nodes(&self) -> Option<(f64, Nodes)> {
        let magnets = usize::try_from(self.settings.train.magnets).ok()?.max(1);
        let first = *self.edges_us.first()?;
        if self.edges_us.len() < LEAST_EDGES * magnets {
            return None;
        }
        let t: Vec<f64> = self
            .edges_us
            .iter()
            .map(|t| (t - first) as f64 * 1e-6)
            .collect();
        let nodes = count::count(&t, magnets);
        (nodes.t.len() >= LEAST_EDGES).then_some((first as f64 * 1e-6, nodes))
    }
}

fn no_free_rolling() -> Refusal {
    Refusal::new(
        "no_free_rolling",
        "not enough free rolling: push, let go, let it run down, again",
    )
}

fn too_few_turns() -> Refusal {
    Refusal::new("too_few_turns", "at least 4 turns of the slowest part")
}

fn not_visible(train: &Train) -> Vec<NotSeen> {
    let hidden = train.not_visible.iter();
    hidden
        .map(|n| NotSeen {
            part: n.part.clone(),
            reason: n.reason.clone(),
        })
        .collect()
}

/// The case of every part that the record can show; the others join `hidden`.
fn cases(evidence: Evidence, hidden: &mut Vec<NotSeen>) -> Vec<Case> {
    let mut cases: Vec<Case> = Vec::new();
    for (index, part) in evidence.train.parts.iter().enumerate() {
        let mut reason = parts::hidden(part, evidence.train, evidence.turns);
        if reason.is_none() {
            let twin = cases
                .iter()
                .find(|c| parts::alike(&evidence.train.parts[c.part], part));
            let case = match twin {
                Some(twin) => Some(Case {
                    part: index,
                    ..twin.clone()
                }),
                None => evidence.case(index),
            };
            match case {
                Some(case) => cases.push(case),
                None => reason = Some("fewer than 4 of its events while rolling freely".into()),
            }
        }
        if let Some(reason) = reason {
            hidden.push(NotSeen {
                part: part.name.clone(),
                reason,
            });
        }
    }
    cases
}

/// Share of the record's time that was used.
fn coast_share(nodes: &Nodes, fit: &Fit) -> f64 {
    let t = &fit.track.t;
    let used: f64 = fit
        .track
        .runs
        .iter()
        .map(|r| t[r.end - 1] - t[r.start])
        .sum();
    used / nodes.t[nodes.t.len() - 1]
}

/// Spacing of the magnets after the fit, from the first counted edge's magnet on.
fn spacing(nodes: &Nodes, mut place: Vec<f64>) -> Vec<f64> {
    let m = nodes.spacing.len();
    place.push(-place.iter().sum::<f64>());
    (0..m)
        .map(|i| {
            let from = (nodes.magnet[0] + i) % m;
            nodes.spacing[from] + place[(from + 1) % m] - place[from]
        })
        .collect()
}

/// The whole number below `x`, 0 for anything below 1.
#[expect(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "`as` saturates, and both ends are wanted so"
)]
fn whole(x: f64) -> usize {
    x as usize
}

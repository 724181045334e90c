//! One sensor's record: its edges, and the parts as they are judged on it.

use std::ops::RangeInclusive;
use std::sync::Arc;

use crate::reading::{Edge, Refusal};
use crate::vehicle::Train;

use super::RollSettings;
use super::blind;
use super::count::{Nodes, count};
use super::direction::one_way;
use super::finding::{Limits, NotSeen, RollFinding, RollQuality};
use super::fit::{self, Fit};
use super::kept::Kept;
use super::legs::legs;
use super::parts::{self, Case, Evidence};
use super::score::score_field;
use super::side_by_side::each;
use super::stretch::longest;

/// Fewer edges than this a magnet are no record.
const LEAST_EDGES: usize = 3;

/// Where a larger share of the magnets passed without an edge, the finding says so: counts slip then. On simulated records with
/// magnets glued by hand 8 of 200 were miscounted at 2 % missed, 34 of 200 at 5 %.
const OFTEN_MISSED: f64 = 0.03;
const MAGNETS_MISSED: &str = "magnets_missed";

/// Where so many edges are missing that the count cannot go on, the longest stretch between is judged.
const EDGES_LOST: &str = "edges_lost";

/// Where the shaft turned back, the longest stretch one way is judged.
const TURNED_BACK: &str = "turned_back";

/// The edges of one sensor.
#[derive(Clone, Debug)]
pub(super) struct Edges {
    /// The sensor; `None`: whatever comes.
    index: Option<u32>,
    pub settings: RollSettings,
    /// Index of the first edge.
    seen: Option<u32>,
    /// Times of the edges that count, us, strictly increasing.
    times_us: Vec<u64>,
    /// Numbers of those before which others may have been lost.
    gaps: Vec<usize>,
    /// Edges not later than the one before.
    dropped: u64,
}

/// The counted edges of one sensor.
pub(super) struct Counted {
    pub sensor: u32,
    pub settings: RollSettings,
    pub nodes: Nodes,
    /// Time of the first counted edge in the file, s.
    pub origin_s: f64,
    pub quality: RollQuality,
}

/// A record of one sensor that rolls freely.
pub(super) struct Record {
    sensor: u32,
    /// Its legs, at least one.
    legs: Vec<Kept>,
    origin_s: f64,
    end_s: f64,
    quality: RollQuality,
}

/// Why a record says nothing, and what it was like.
pub(super) type Refused = Box<(Refusal, RollQuality)>;

/// A record of one sensor, at least one of whose legs shows a part.
pub(super) struct Sensed {
    pub sensor: u32,
    /// At least one.
    pub legs: Vec<Leg>,
    /// Times of the first and the last counted edge in the file, s.
    pub origin_s: f64,
    pub end_s: f64,
    pub quality: RollQuality,
}

/// A leg with the case of every part that it can show.
pub(super) struct Leg {
    pub kept: Arc<Kept>,
    pub cases: Vec<Case>,
}

impl Edges {
    pub fn new(index: Option<u32>, settings: RollSettings) -> Self {
        Self {
            index,
            settings,
            seen: None,
            times_us: Vec::new(),
            gaps: Vec::new(),
            dropped: 0,
        }
    }

    /// This is an edge of the sensor.
    pub fn takes(&self, edge: Edge) -> bool {
        self.index.is_none_or(|index| index == edge.sensor)
    }

    pub fn push(&mut self, edge: Edge) {
        self.seen.get_or_insert(edge.sensor);
        if edge.after_gap {
            self.gaps.push(self.times_us.len());
        }
        if self.times_us.last().is_some_and(|last| edge.t_us <= *last) {
            self.dropped += 1;
        } else {
            self.times_us.push(edge.t_us);
        }
    }

    /// A tenth of the intervals between edges are shorter than this, s; `None` with fewer than ten.
    pub fn fast_interval_s(&self) -> Option<f64> {
        let mut all: Vec<u64> = self.times_us.windows(2).map(|w| w[1] - w[0]).collect();
        if all.len() < 10 {
            return None;
        }
        let tenth = all.len() / 10;
        let (_, interval_us, _) = all.select_nth_unstable(tenth);
        Some(*interval_us as f64 * 1e-6)
    }

    /// The record's edges counted.
    pub fn count(mut self) -> Result<Counted, Refused> {
        let magnets = self.magnets();
        let (longest, breaks) = longest(&self.times_us, &self.gaps, magnets);
        let cut = self.times_us.len() - longest.len();
        self.times_us = self.times_us[longest].to_vec();
        let mut quality = RollQuality {
            sensors: vec![self.index.or(self.seen).unwrap_or(0)],
            edges_dropped: self.dropped + cut as u64,
            not_visible: not_visible(&self.settings.train),
            ..RollQuality::default()
        };
        if breaks > 0 {
            quality.common.flag(EDGES_LOST);
        }
        let too_few = |quality: RollQuality| Box::new((no_free_rolling(), quality));
        let Some((mut origin_s, mut nodes)) = self.nodes() else {
            return Err(too_few(quality));
        };
        if let Some(stretch) = one_way(&nodes) {
            quality.common.flag(TURNED_BACK);
            let last = stretch.end - 1;
            quality.edges_dropped += self.keep(origin_s, nodes.t[stretch.start]..=nodes.t[last]);
            let Some(counted) = self.nodes() else {
                return Err(too_few(quality));
            };
            (origin_s, nodes) = counted;
        }
        quality.edges_dropped += nodes.bounced;
        quality.edges_missed = nodes.missed;
        if nodes.missed as f64 > OFTEN_MISSED * nodes.t.len() as f64 {
            quality.common.flag(MAGNETS_MISSED);
        }
        quality.turns = Some(nodes.turns());
        Ok(Counted {
            sensor: quality.sensors[0],
            settings: self.settings,
            nodes,
            origin_s,
            quality,
        })
    }

    /// Keeps the edges of a stretch of time, s after `origin_s`; how many were not of it.
    fn keep(&mut self, origin_s: f64, stretch: RangeInclusive<f64>) -> u64 {
        let before = self.times_us.len();
        let after = |t_us: u64| t_us as f64 * 1e-6 - origin_s;
        // halfway to the neighbours, for roundings
        let hair = 0.5e-6;
        let stretch = stretch.start() - hair..=stretch.end() + hair;
        self.times_us.retain(|t_us| stretch.contains(&after(*t_us)));
        (before - self.times_us.len()) as u64
    }

    /// Magnets in a turn, at least one.
    fn magnets(&self) -> usize {
        usize::try_from(self.settings.train.magnets).map_or(1, |n| n.max(1))
    }

    /// Time of the first edge in the file (s) and the counted edges; `None` when there are too few.
    fn nodes(&self) -> Option<(f64, Nodes)> {
        let magnets = self.magnets();
        let first = *self.times_us.first()?;
        if self.times_us.len() < LEAST_EDGES * magnets {
            return None;
        }
        let seconds = |t: &u64| (t - first) as f64 * 1e-6;
        let t: Vec<f64> = self.times_us.iter().map(seconds).collect();
        let nodes = count(&t, magnets);
        (nodes.t.len() >= LEAST_EDGES).then_some((first as f64 * 1e-6, nodes))
    }
}

impl Counted {
    /// The record with its coasts, noise and ripple explained, leg by leg.
    pub fn record(self) -> Result<Record, Refused> {
        let Self {
            sensor,
            settings,
            nodes,
            origin_s,
            mut quality,
        } = self;
        let fitted = each(&legs(&nodes, &settings.train), |leg| {
            let own = nodes.leg(leg.clone());
            let (fit, columns) = fit::fit(&own, &settings.train)?;
            let places = fit::places(&fit, &columns, &own);
            let kept = Kept {
                sensor,
                begins: nodes.x[0],
                ripple: columns.at_end(&fit.b),
                settings: settings.clone(),
                scores: score_field(&fit),
                nodes: own,
                fit,
            };
            Some((kept, places))
        });
        let (legs, places): (Vec<Kept>, Vec<_>) = fitted.into_iter().flatten().unzip();
        if legs.is_empty() {
            return Err(Box::new((no_free_rolling(), quality)));
        }
        let jitter_us = legs.iter().map(|leg| leg.fit.noise.jitter_s * 1e6);
        quality.jitter_us = Some(jitter_us.sum::<f64>() / legs.len() as f64);
        let used_s: f64 = legs.iter().map(|leg| coasted_s(&leg.fit)).sum();
        quality.coast_share = Some(used_s / nodes.t[nodes.t.len() - 1]);
        quality.spacing = Some(spacing(&nodes, mean(&places)));
        Ok(Record {
            sensor,
            legs,
            origin_s,
            end_s: origin_s + nodes.t[nodes.t.len() - 1],
            quality,
        })
    }
}

impl Record {
    /// Every part that it can show, judged.
    pub fn judge(mut self) -> Result<Sensed, Refused> {
        let judged = each(&self.legs, |leg| {
            let mut hidden = Vec::new();
            (cases(leg.evidence(), &mut hidden), hidden)
        });
        if judged.iter().all(|(cases, _)| cases.is_empty()) {
            return Err(Box::new((too_few_turns(), self.quality)));
        }
        let (cases, hidden): (Vec<_>, Vec<_>) = judged.into_iter().unzip();
        let in_all = |part: &&NotSeen| {
            let mut legs = hidden.iter();
            legs.all(|leg| leg.iter().any(|other| other.part == part.part))
        };
        let never = hidden[0].iter().filter(in_all).cloned();
        self.quality.not_visible.extend(never);
        let legs = self.legs.into_iter().zip(cases);
        let leg = |(kept, cases): (Kept, Vec<Case>)| Leg {
            kept: Arc::new(kept),
            cases,
        };
        Ok(Sensed {
            sensor: self.sensor,
            legs: legs.map(leg).collect(),
            origin_s: self.origin_s,
            end_s: self.end_s,
            quality: self.quality,
        })
    }

    /// The rhythms of a car without a gear train: of a lone shaft, whose record is one leg.
    pub fn blind(mut self, limits: Limits) -> RollFinding {
        let kept = self.legs.remove(0);
        let mut finding = blind::finding(kept.evidence(), limits, self.origin_s, self.quality);
        // no part, so no case to set beside others: only the record
        finding.evidence.records.push(Arc::new(kept));
        finding
    }
}

fn no_free_rolling() -> Refusal {
    Refusal::new(
        "no_free_rolling",
        "not enough free rolling: push, let go, let it run down, again",
    )
}

pub(super) fn too_few_turns() -> Refusal {
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
pub(super) fn cases(evidence: Evidence, hidden: &mut Vec<NotSeen>) -> Vec<Case> {
    let all = &evidence.train.parts;
    let reasons: Vec<Option<String>> = all
        .iter()
        .map(|part| parts::hidden(part, evidence.train, evidence.turns))
        .collect();
    // The first of the parts that are alike speaks for all of them.
    let speaker = |index: usize| {
        let alike = |j: &usize| reasons[*j].is_none() && parts::alike(&all[*j], &all[index]);
        (0..index).find(alike).unwrap_or(index)
    };
    let mut speakers: Vec<usize> = (0..all.len())
        .filter(|i| reasons[*i].is_none() && speaker(*i) == *i)
        .collect();
    // the widest grids of orders first, so that no core is left alone with one at the end
    speakers.sort_by(|a, b| {
        let width = |i: &usize| all[*i].order * all[*i].order_sd;
        width(b).total_cmp(&width(a))
    });
    let judged = each(&speakers, |index| evidence.case(*index));
    let mut cases = Vec::new();
    for (index, part) in all.iter().enumerate() {
        let mut reason = reasons[index].clone();
        if reason.is_none() {
            let at = speakers.iter().position(|s| *s == speaker(index));
            let case = &judged[at.expect("a part that may be seen has a speaker")];
            match case {
                Some(case) => cases.push(Case {
                    part: index,
                    ..case.clone()
                }),
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

/// Time that was used, s.
fn coasted_s(fit: &Fit) -> f64 {
    let t = &fit.track.t;
    let runs = fit.track.runs.iter();
    runs.map(|r| t[r.end - 1] - t[r.start]).sum()
}

/// Mean place of every magnet over the legs, turns.
fn mean(places: &[Vec<f64>]) -> Vec<f64> {
    let legs = places.len() as f64;
    let of = |m: usize| places.iter().map(|leg| leg[m]).sum::<f64>() / legs;
    (0..places[0].len()).map(of).collect()
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

//! Blind search: the rhythm of a snag when nobody has told the gear train. A hint only: an order, no part, no probability.
//!
//! The record goes through the same stages as with a gear train, with the columns of the magnets and of the sensed shaft's
//! torque ripple alone. The score field is sampled on an even angle grid, one octave of orders after the other, and folded
//! at every period of the octave at once ([`fold_search`]).

mod fold;

pub use fold::{Trial, fold_search};

use schemars::JsonSchema;
use serde::Serialize;

use crate::reading::{LimitSource, SOFTWARE, Verdict};
use crate::vehicle::{Train, Turning};

use super::finding::{RollFinding, RollQuality, RollTrace};
use super::fold::Field;
use super::kept::RollEvidence;
use super::parts::Evidence;

/// Slowest order that is looked for, events per turn.
const SLOWEST: f64 = 0.02;
/// Bins a period at the fast end of an octave, twice as many at its slow end.
const BINS: usize = 16;
/// Orders that are listed.
const LISTED: usize = 5;
/// Fewer events than this in a record are no rhythm.
const LEAST_EVENTS: f64 = 4.0;
/// Orders nearer than this many cycles over the record are one, and so are those nearer than one cycle over the mean
/// stretch of free rolling: pauses split one rhythm into several lines.
const SAME: f64 = 2.0;
/// Multiples of an order that show where it shows.
const MULTIPLES: [f64; 3] = [0.5, 2.0, 3.0];
/// A single event counts up to this many sd.
const CLIP: f64 = 7.0;

/// Rhythms of a record, without a gear train.
#[derive(Clone, Debug, PartialEq, Serialize, JsonSchema)]
pub struct Blind {
    /// The strongest orders, strongest first.
    pub orders: Vec<BlindOrder>,
    /// Trial orders that were folded.
    pub trials: u64,
}

/// One rhythm.
#[derive(Clone, Debug, PartialEq, Serialize, JsonSchema)]
pub struct BlindOrder {
    /// Events per turn of the sensed shaft.
    pub order_per_sensor_turn: f64,
    /// The order is known no better than this, either side: one bin over the whole record.
    pub order_half_width: f64,
    /// Signal-to-noise ratio of the best phase. Records without a snag reach 4 to 6 by chance and healthy ripple reaches
    /// more: a hint decides nothing.
    pub z: f64,
    /// Where in the event period the events lie, degrees after the first edge of the file, 0..360.
    pub phase_deg: f64,
    /// Half, twice and three times the order: the same events fold there too.
    pub rivals: Vec<BlindRival>,
}

/// A multiple of a found order.
#[derive(Clone, Debug, PartialEq, Serialize, JsonSchema)]
pub struct BlindRival {
    /// Multiple of the found order: 0.5, 2 or 3.
    pub times: f64,
    /// Events per turn of the sensed shaft.
    pub order_per_sensor_turn: f64,
    /// Its signal-to-noise ratio; null where it was not looked for.
    pub z: Option<f64>,
}

/// A trial in units of the sensed shaft.
#[derive(Clone, Copy, Debug)]
struct Candidate {
    order: f64,
    z: f64,
    /// Share of the period after the first edge.
    phase: f64,
}

/// The train of a car of which only the sensed shaft is known.
pub(super) fn lone_shaft(magnets: u32) -> Train {
    Train {
        magnets,
        rolling: false,
        sensed_named: false,
        fastest_wheel: 1.0,
        parts: Vec::new(),
        turning: vec![Turning {
            name: "sensed".into(),
            order: 1.0,
            rigid: true,
            named: false,
            sensed: true,
            planet: false,
        }],
        not_visible: Vec::new(),
    }
}

/// The finding of a record that was searched without a gear train.
pub(super) fn finding(
    evidence: Evidence,
    limit: (f64, LimitSource),
    origin_s: f64,
    quality: RollQuality,
) -> RollFinding {
    let blind = search(evidence.field, evidence.train.magnets);
    if blind.orders.is_empty() {
        return RollFinding::refuse(vec![super::sensed::too_few_turns()], limit, quality);
    }
    RollFinding {
        test: "roll".into(),
        software: SOFTWARE.into(),
        refused: None,
        verdict: Some(Verdict::Undecided),
        limit_source: Some(limit.1),
        limit_snag_false_alarm: limit.0,
        false_alarm_probability: None,
        snags: Some(Vec::new()),
        suspects: Some(Vec::new()),
        blind: Some(blind),
        start_s: Some(origin_s),
        end_s: evidence.nodes.t.last().map(|t| origin_s + t),
        budget: Vec::new(),
        drag: None,
        quality,
        trace: RollTrace::default(),
        evidence: RollEvidence::default(),
    }
}

/// Looks for rhythms from half the magnets down to [`SLOWEST`].
pub(super) fn search(field: Field, magnets: u32) -> Blind {
    let turns = field.reach.1 - field.reach.0;
    let slowest = SLOWEST.max(LEAST_EVENTS / turns);
    let mut fastest = f64::from(magnets) / 2.0;
    let mut candidates: Vec<Candidate> = Vec::new();
    while fastest > slowest {
        let bin = 1.0 / (BINS as f64 * fastest);
        let (u, i) = density(field, bin);
        let of_octave = fold_search(&u, &i, BINS)
            .into_iter()
            .map(|trial| Candidate {
                order: 1.0 / (trial.period * bin),
                z: trial.z,
                phase: (trial.phase as f64 + 0.5) / trial.period,
            });
        candidates.extend(of_octave.filter(|c| c.order >= slowest));
        fastest /= 2.0;
    }
    Blind {
        trials: candidates.len() as u64,
        orders: listed(&candidates, turns, blur(field, turns)),
    }
}

/// Score and information of a unit loss at the middle of every bin.
fn density(field: Field, bin: f64) -> (Vec<f64>, Vec<f64>) {
    let n = super::whole((field.reach.1 - field.reach.0) / bin);
    let (mut u, mut i) = (vec![0.0; n], vec![0.0; n]);
    for cell in &field.scores.cells {
        let place = |x: f64| (x - field.reach.0) / bin - 0.5;
        let first = super::whole(place(cell.start).ceil().max(0.0));
        let end = super::whole(place(cell.end).ceil().max(0.0)).min(n);
        for j in first..end {
            let a = field.reach.0 + (j as f64 + 0.5) * bin;
            let (score, information) = cell.score(cell.share(a));
            let most = CLIP * information.sqrt();
            (u[j], i[j]) = (score.clamp(-most, most), information);
        }
    }
    (u, i)
}

/// Orders nearer than this are one.
fn blur(field: Field, turns: f64) -> f64 {
    let track = &field.fit.track;
    let rolled: f64 = track
        .runs
        .iter()
        .map(|r| track.x[r.end - 1] - track.x[r.start])
        .sum();
    (SAME / turns).max(track.runs.len() as f64 / rolled)
}

/// The best orders; what lies beside a better one, or is a multiple of it, is not listed by itself.
fn listed(candidates: &[Candidate], turns: f64, blur: f64) -> Vec<BlindOrder> {
    let mut left: Vec<&Candidate> = candidates.iter().collect();
    let mut orders: Vec<BlindOrder> = Vec::new();
    while orders.len() < LISTED {
        // the first of equals, whatever their number
        let Some(best) = left
            .iter()
            .copied()
            .reduce(|a, b| if b.z > a.z { b } else { a })
        else {
            break;
        };
        if best.z <= 0.0 {
            break;
        }
        let same =
            |order: f64, times: f64| (order - times * best.order).abs() < blur * times.max(1.0);
        left.retain(|c| !same(c.order, 1.0) && !MULTIPLES.iter().any(|m| same(c.order, *m)));
        orders.push(BlindOrder {
            order_per_sensor_turn: best.order,
            order_half_width: 1.0 / (BINS as f64 * turns),
            z: best.z,
            phase_deg: 360.0 * best.phase,
            rivals: MULTIPLES
                .map(|times| rival(candidates, best.order, times, turns))
                .into(),
        });
    }
    orders
}

/// The best trial at a multiple of an order.
fn rival(candidates: &[Candidate], order: f64, times: f64, turns: f64) -> BlindRival {
    let near = |c: &&Candidate| (c.order - times * order).abs() < times.max(1.0) / turns;
    let best = candidates.iter().filter(near).map(|c| c.z).reduce(f64::max);
    BlindRival {
        times,
        order_per_sensor_turn: times * order,
        z: best,
    }
}

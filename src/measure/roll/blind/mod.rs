//! Blind search: the rhythm of a snag when nobody has told the gear train. A hint only: an order, no part, no probability.
//!
//! The record goes through the same stages as with a gear train, with the columns of the magnets and of the sensed shaft's
//! torque ripple alone. The score field is sampled on an even angle grid, one octave of orders after the other, and folded
//! at every period of the octave at once ([`fold_search`]). The strongest order shows at its multiples and parts as well: which of
//! them the hits have is asked again, hit by hit (`family`).

mod family;
mod fold;

pub use fold::{Trial, fold_search};

use schemars::JsonSchema;
use serde::Serialize;

use crate::reading::{SOFTWARE, Verdict};
use crate::vehicle::{Train, Turning};

use super::finding::{Limits, RollFinding, RollQuality, RollTrace};
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
/// A member of a family lies no farther from its trials than this, cycles over the record.
const BESIDE: f64 = 0.25;
/// Multiples of an order that show where it shows.
const MULTIPLES: [f64; 3] = [0.5, 2.0, 3.0];
/// A single event counts up to this many sd.
const CLIP: f64 = 7.0;

/// Rhythms of a record, without a gear train.
#[derive(Clone, Debug, PartialEq, Serialize, JsonSchema)]
pub struct Blind {
    /// The strongest orders, strongest first; the first is told by the member of its family (itself, its multiples and parts) that
    /// single hits fit best, so its own strength may be less.
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

/// What one trial period says, in the series' own unit (for a roll: turns of the sensed shaft).
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Rhythm {
    /// Events per unit, > 0.
    pub order: f64,
    /// Signal-to-noise ratio of the best phase, >= 0.
    pub z: f64,
    /// First event, share of the period from the start of the series, 0..1.
    pub phase: f64,
}

impl Rhythm {
    /// From a trial of a series whose bins are `bin` units wide.
    pub fn of(trial: Trial, bin: f64) -> Self {
        Self {
            order: 1.0 / (trial.period * bin),
            z: trial.z,
            phase: (trial.phase as f64 + 0.5) / trial.period,
        }
    }
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
    limits: Limits,
    origin_s: f64,
    quality: RollQuality,
) -> RollFinding {
    let blind = search(evidence.field, evidence.train.magnets);
    if blind.orders.is_empty() {
        return RollFinding::refuse(vec![super::sensed::too_few_turns()], limits, quality);
    }
    RollFinding {
        test: "roll".into(),
        software: SOFTWARE.into(),
        refused: None,
        verdict: Some(Verdict::Undecided),
        limit_source: Some(limits.false_alarm_source),
        limit_snag_false_alarm: limits.false_alarm,
        limit_snag_depth: limits.depth,
        limit_snag_depth_source: Some(limits.depth_source),
        false_alarm_probability: None,
        snags: Some(Vec::new()),
        suspects: Some(Vec::new()),
        blind: Some(blind),
        start_s: Some(origin_s),
        end_s: evidence.nodes.t.last().map(|t| origin_s + t),
        budget: Vec::new(),
        drag: None,
        next_setup: None,
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
    let mut rhythms: Vec<Rhythm> = Vec::new();
    while fastest > slowest {
        let bin = 1.0 / (BINS as f64 * fastest);
        let (u, i) = density(field, bin);
        let trials = fold_search(&u, &i, BINS).into_iter();
        let of_octave = trials.map(|trial| Rhythm::of(trial, bin));
        rhythms.extend(of_octave.filter(|r| r.order >= slowest));
        fastest /= 2.0;
    }
    let fundamental = |best: &Rhythm| {
        let order = family::fundamental(field, best.order, magnets);
        let near = |r: &&Rhythm| (r.order - order).abs() < BESIDE / turns;
        let trials = rhythms.iter().filter(near);
        let found = trials.reduce(|a, b| if b.z > a.z { b } else { a });
        found.map_or(*best, |r| *r)
    };
    Blind {
        trials: rhythms.len() as u64,
        orders: listed(&rhythms, (turns, BINS), blur(field), fundamental),
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

/// Trains nearer than one cycle over the mean stretch of free rolling are one.
fn blur(field: Field) -> f64 {
    let track = &field.fit.track;
    let rolled = track
        .runs
        .iter()
        .map(|r| track.x[r.end - 1] - track.x[r.start]);
    track.runs.len() as f64 / rolled.sum::<f64>()
}

/// The five strongest rhythms of a series `length` units long that was folded with at least `bins` bins a period, each with
/// its multiples as rivals. What lies beside a stronger one (nearer than two cycles over the series, or `blur` events per
/// unit), or is a multiple of it, is not listed by itself.
pub fn strongest(rhythms: &[Rhythm], length: f64, bins: usize, blur: f64) -> Vec<BlindOrder> {
    listed(rhythms, (length, bins), blur, |best| *best)
}

/// The same, the first told by the member of its family that `first` picks.
fn listed(
    rhythms: &[Rhythm],
    (length, bins): (f64, usize),
    blur: f64,
    first: impl Fn(&Rhythm) -> Rhythm,
) -> Vec<BlindOrder> {
    let near = blur.max(SAME / length);
    let mut left: Vec<&Rhythm> = rhythms.iter().filter(|r| r.z > 0.0).collect();
    let mut orders: Vec<BlindOrder> = Vec::new();
    while orders.len() < LISTED {
        // the first of equals, whatever their number
        let stronger = |a: &'_ Rhythm, b: &'_ Rhythm| b.z > a.z;
        let all = left.iter().copied();
        let Some(best) = all.reduce(|a, b| if stronger(a, b) { b } else { a }) else {
            break;
        };
        let told = if orders.is_empty() {
            first(best)
        } else {
            *best
        };
        let same =
            |order: f64, times: f64| (order - times * best.order).abs() < near * times.max(1.0);
        let beside = |r: &Rhythm| (r.order - told.order).abs() < near;
        left.retain(|r| {
            !same(r.order, 1.0) && !MULTIPLES.iter().any(|m| same(r.order, *m)) && !beside(r)
        });
        let best = told;
        orders.push(BlindOrder {
            order_per_sensor_turn: best.order,
            order_half_width: 1.0 / (bins as f64 * length),
            z: best.z,
            phase_deg: 360.0 * best.phase,
            rivals: MULTIPLES
                .map(|times| rival(rhythms, best.order, times, length))
                .into(),
        });
    }
    orders
}

/// The best trial at a multiple of an order.
fn rival(rhythms: &[Rhythm], order: f64, times: f64, length: f64) -> BlindRival {
    let near = |r: &&Rhythm| (r.order - times * order).abs() < times.max(1.0) / length;
    BlindRival {
        times,
        order_per_sensor_turn: times * order,
        z: rhythms.iter().filter(near).map(|r| r.z).reduce(f64::max),
    }
}

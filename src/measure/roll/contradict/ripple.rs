//! The car's own ripple says how fast the sensed shaft turns.
//!
//! Were the sensor on another shaft, or had its ring another number of magnets, every order would be wrong by one factor, and
//! the ripple of the car's shafts would come at other orders than the fit explains. For such a factor the logarithms of the
//! rival's Bayes factors are added over the orders where the shafts' ripple would be and the fit has none, as far as they exceed
//! 0: the ripple of two shafts is independent. What only the vehicle file explains speaks against it: the Bayes factors of the
//! fit's own ripple at orders where the factor puts none are taken off.
//!
//! Where the fit's own ripple is nowhere to be found, nothing contradicts the file, and nothing confirms it.

use std::ops::Range;

use crate::vehicle::Train;

use super::super::fit::Fit;
use super::super::kept::Kept;
use super::super::nuisance::Wave;
use super::super::parts::SAME_EVENTS;
use super::super::rival::{HARMONICS, ln_rival};
use super::super::sensed::Sensed;

/// Difference of the sums of logarithms from which on a factor is the better one. Set on simulated records whose file was right,
/// two thirds of them with a snag, a third of those in nearly every turn: the largest of 600 was 6.5. On other seeds: none of
/// 409 right ones was refused; of 675 with the sensor on another shaft 453 were, 14 named a part with nine tenths or more; of 512
/// whose magnets were counted wrong by one 485 were, none named a part so. Cars without any ripple whose snag shows in every turn
/// may be refused (2 of 171).
pub(super) const LN_CLEAR: f64 = 20.0;
/// Sum of logarithms of the fit's own ripple from which on it confirms the file. Of the first 600 records 478 had a sensor that
/// sees angle ripple; one of them had less.
const LN_CONFIRMED: f64 = 20.0;
/// Probability that the vehicle file is right where nothing confirms it or the wheels' speed speaks against it (judgement: a
/// car without any ripple, or a sensor elsewhere).
pub(in super::super) const DOUBTFUL_SHARE: f64 = 0.5;
/// Flag: the wheels' speed speaks against the vehicle file, or none of the car's own ripple comes where the file has it.
pub const SENSOR_DOUBTFUL: &str = "sensor_doubtful";
/// Ripple slower than this, events a turn of the sensed shaft, is not told from drag that wanders.
const SLOWEST: f64 = 0.2;
/// Fewer events than this in a record are no ripple.
const LEAST_EVENTS: f64 = 4.0;
/// Speeds nearer than this, relative, are those of one shaft.
const SAME_SPEED: f64 = 1e-3;

/// A speed of a train: names of the shafts that have it, and turns for each turn of the sensed one.
pub(super) type Speed<'a> = (Vec<&'a str>, f64);

/// The speeds of a train, each once.
fn speeds(train: &Train) -> Vec<Speed<'_>> {
    let mut speeds: Vec<Speed> = Vec::new();
    for shaft in train.turning.iter().filter(|s| !s.planet) {
        let known = speeds
            .iter_mut()
            .find(|(_, order)| (order - shaft.order).abs() < SAME_SPEED * order);
        match known {
            Some((names, _)) => names.push(&shaft.name),
            None => speeds.push((vec![&shaft.name], shaft.order)),
        }
    }
    speeds
}

/// Those that the sensed shaft has not.
pub(super) fn others(train: &Train) -> Vec<Speed<'_>> {
    let mut others = speeds(train);
    others.retain(|(_, order)| (order - 1.0).abs() > SAME_SPEED);
    others
}

/// How much better the record is explained when what counts as a turn is `turn` turns of the sensed shaft: a logarithm. Below
/// [`LN_CLEAR`] it is not worked out to the end. Its legs add up, order by order.
pub(super) fn ln_better(one: &Sensed, turn: f64) -> f64 {
    let train = &one.legs[0].kept.settings.train;
    let speeds = speeds(train);
    let lines = |turn: f64| speeds.iter().map(move |(_, order)| order / turn);
    let is_of = |leg: &Kept, turn: f64, order: f64| {
        let near = |line: f64| {
            let off = |h: usize| (h as f64 * line - order).abs();
            (1..=HARMONICS).any(|h| off(h) < SAME_EVENTS / leg.nodes.turns())
        };
        lines(turn).any(near)
    };
    let shows = |leg: &Kept, order: f64| {
        let within = (SLOWEST..=f64::from(train.magnets) / 2.0).contains(&order);
        within && order * leg.nodes.turns() >= LEAST_EVENTS && !is_of(leg, 1.0, order)
    };
    let legs = || one.legs.iter().map(|leg| &*leg.kept);
    let ripple = |order: f64| {
        let shown = legs().filter(|leg| shows(leg, order));
        let ln: f64 = shown.map(|leg| ln_rival(&leg.fit, order)).sum();
        ln.max(0.0)
    };
    let mut ln: f64 = lines(turn).map(ripple).sum();
    for leg in legs() {
        let own = leg.fit.waves.iter();
        let own = own.filter(|(wave, _)| !is_of(leg, turn, wave.order));
        ln = less_ripple(&leg.fit, own, ln, LN_CLEAR);
    }
    ln
}

/// `ln` less the evidence for these waves, which are not looked at any more once it has fallen below `enough`.
fn less_ripple<'a>(
    fit: &Fit,
    waves: impl Iterator<Item = &'a (Wave, Range<usize>)>,
    mut ln: f64,
    enough: f64,
) -> f64 {
    for (wave, columns) in waves {
        if ln < enough {
            break;
        }
        ln -= fit.ln_ripple(wave, columns.clone());
    }
    ln
}

/// None of the car's own ripple comes where the vehicle file has it, in any leg of a record. A sensor on a wheel sees too little of it to
/// be asked.
pub(in super::super) fn lacks_ripple(legs: &[&Kept]) -> bool {
    let lacks = |leg: &&Kept| {
        let waves = leg.fit.waves.iter();
        !leg.settings.train.sensed_named && less_ripple(&leg.fit, waves, LN_CONFIRMED, 0.0) >= 0.0
    };
    legs.iter().all(lacks)
}

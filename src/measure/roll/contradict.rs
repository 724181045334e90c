//! Does the record contradict what the vehicle file says of the sensors? A wrong number of magnets scales every angle and
//! names the wrong part with confidence, and so does a sensor that sits on another shaft.
//!
//! **Magnets.** No ring of magnets is even, so the intervals between edges repeat once a turn: after as many edges as there
//! are magnets. With `l` the logarithm of an interval's length, `d_j = l_(j-1) - 2 l_j + l_(j+1)` is free of the speed and of
//! its slope; `D(m)` is half the mean square of `d_(j+m) - d_j` over the record, without its largest tenth. At the
//! true number and its multiples `D` is noise, elsewhere it holds the pattern. Of all counts the ring is the one that parts
//! `ln D` best into its multiples and the rest (most variance between the two groups, lags 1..=64). It contradicts
//! the stated count when that leaves nine times what the ring leaves (and four times the worst of its multiples) and
//! more than the ripple of gears and joints could; or when it divides the stated count and the pattern comes again too
//! exactly for chance. An even ring has no pattern: then nothing is said.
//!
//! **Two sensors.** Over the stretches in which both turn, the ratio of their turns is that of the gear train in the
//! setup: exactly where gears or a stand force it, within the slip of tyres otherwise.

use crate::reading::Refusal;
use crate::vehicle::Train;

use super::car::RollCar;
use super::count::Nodes;
use super::sensed::{Counted, Edges, Refused};

/// Most magnets that are tried.
const MOST_MAGNETS: usize = 64;
/// Share of the squares that counts, smallest first: starts, brakes and missed edges are among the largest.
const KEPT: f64 = 0.9;
/// Intervals longer than this many times the median are near standstill.
const SLOW: f64 = 2.0;
/// Neighbouring intervals that differ by more than this hold a missed edge or a bounce.
const UNLIKE: f64 = 1.7;
/// Fewer pairs of intervals than this, or than this many turns of them, decide nothing.
const LEAST_PAIRS: usize = 100;
const LEAST_TURNS: usize = 6;
/// The stated count must leave this many times what the ring leaves on average, and at the worst of its multiples. Set on
/// simulated records.
const BETTER: f64 = 9.0;
const BETTER_THAN_WORST: f64 = 4.0;
/// Root of `D` that ripple alone may reach at 8 magnets or more, in proportion below; ripple of a whole number of turns
/// is in `D` of the stated count and not in that of its multiples, so these have to show more. Set on simulated records with an
/// angle ripple of up to 0.002 turns and joints bent by up to 16 degrees: their largest were 0.041 and 0.08. Magnets that sit
/// within a degree rms leave little more when they are counted wrong, so the first bar stands close above.
const RIPPLE: f64 = 0.045;
const RIPPLE_OF_TURNS: f64 = 0.1;
const RIPPLE_MAGNETS: f64 = 8.0;
/// A ring that divides the stated count leaves at most this much more than the stated one.
const AS_GOOD: f64 = 1.5;
/// A pattern that comes again within a turn may do so by chance in this share of rings at most.
const CHANCE: f64 = 1e-4;
/// Slip between two shafts that tyres tie together, relative: five times the 0.2 % of one tyre.
const SLIP: f64 = 0.01;
/// Speeds of the fastest wheel that a hand reaches, turns/s: a car that is pushed, a wheel that is spun on a stand (common
/// practice, no source).
const PUSHED: (f64, f64) = (0.8, 12.0);
const SPUN: (f64, f64) = (0.8, 30.0);
/// A pause in the edges of a sensor that parts two stretches, s.
const PAUSE_S: f64 = 0.5;
/// Fewer turns than this of either shaft compare nothing.
const LEAST_COMMON_TURNS: f64 = 4.0;

/// Differences of the second order of the log intervals, by number of the magnet that passed.
struct Pattern {
    d: Vec<Option<f64>>,
}

impl Pattern {
    fn new(nodes: &Nodes) -> Self {
        let k = numbers(nodes);
        let n = nodes.t.len();
        let length: Vec<f64> = nodes.t.windows(2).map(|w| w[1] - w[0]).collect();
        let mut sorted = length.clone();
        let (_, median, _) = sorted.select_nth_unstable_by((n - 1) / 2, f64::total_cmp);
        let slow = SLOW * *median;
        let mut d = vec![None; k[n - 1] + 1];
        for j in 1..n.saturating_sub(2) {
            let three = [length[j - 1], length[j], length[j + 1]];
            let whole = k[j + 2] - k[j - 1] == 3;
            let longest = three.into_iter().fold(0.0, f64::max);
            let shortest = three.into_iter().fold(f64::INFINITY, f64::min);
            if whole && longest < slow && longest < UNLIKE * shortest {
                let [a, b, c] = three.map(libm::log);
                d[k[j]] = Some(a - 2.0 * b + c);
            }
        }
        Self { d }
    }

    /// `D` at a lag, `None` with too few pairs.
    fn left(&self, lag: usize) -> Option<f64> {
        if lag >= self.d.len() {
            return None;
        }
        let pairs = self.d.iter().zip(&self.d[lag..]);
        let mut squares: Vec<f64> = pairs
            .filter_map(|(a, b)| {
                let off = (*b)? - (*a)?;
                Some(off * off)
            })
            .collect();
        if squares.len() < LEAST_PAIRS.max(LEAST_TURNS * lag) {
            return None;
        }
        let kept = super::whole(KEPT * squares.len() as f64).max(1);
        squares.select_nth_unstable_by(kept - 1, f64::total_cmp);
        Some(squares[..kept].iter().sum::<f64>() / (2.0 * kept as f64))
    }

    /// The count that parts the lags best.
    fn ring(&self) -> Option<Ring> {
        let all: Vec<(usize, f64)> = (1..=MOST_MAGNETS)
            .filter_map(|m| Some((m, libm::log(self.left(m)?))))
            .collect();
        let mut best: Option<(f64, Ring)> = None;
        for count in 2..=MOST_MAGNETS {
            let multiple = |(m, _): &&(usize, f64)| m.is_multiple_of(count);
            let (own, rest): (Vec<_>, Vec<_>) = all.iter().partition(multiple);
            if own.is_empty() || rest.is_empty() {
                continue;
            }
            let mean = |group: &[&(usize, f64)]| {
                group.iter().map(|(_, ln)| ln).sum::<f64>() / group.len() as f64
            };
            let (n, k) = (own.len() as f64, rest.len() as f64);
            let apart = mean(&rest) - mean(&own);
            let between = apart * apart * n * k / (n + k);
            if apart > 0.0 && best.as_ref().is_none_or(|(b, _)| between > *b) {
                let worst = own
                    .iter()
                    .map(|(_, ln)| *ln)
                    .fold(f64::NEG_INFINITY, f64::max);
                let ring = Ring {
                    count,
                    left: libm::exp(mean(&own)),
                    worst: libm::exp(worst),
                    pattern: libm::exp(mean(&rest)),
                };
                best = Some((between, ring));
            }
        }
        best.map(|(_, ring)| ring)
    }

    /// Another count that explains the intervals decidedly better than `stated`.
    fn other_count(&self, stated: usize) -> Option<usize> {
        let here = self.left(stated)?;
        let share = (stated as f64 / RIPPLE_MAGNETS).min(1.0);
        let mut divisors = (2..stated).filter(|d| stated.is_multiple_of(*d));
        let again = |d| self.left(d).is_some_and(|left| left <= AS_GOOD * here);
        // nearly always: the stated ring explains its record, and no part of it does so too
        if here.sqrt() < RIPPLE * share && !divisors.any(again) {
            return None;
        }
        let ring = self.ring()?;
        let share = (stated.max(ring.count) as f64 / RIPPLE_MAGNETS).min(1.0);
        let clear = if stated.is_multiple_of(ring.count) {
            // as many of the stated ring's differences would have to vanish by chance
            let free = (stated - ring.count) as f64;
            let chance = libm::pow(here / ring.pattern, free / 2.0);
            ring.count < stated
                && chance <= CHANCE
                && ring.pattern.sqrt() >= RIPPLE_OF_TURNS * share
                && self.left(ring.count)? <= AS_GOOD * here
        } else {
            let ripple = if ring.count.is_multiple_of(stated) {
                RIPPLE_OF_TURNS
            } else {
                RIPPLE
            };
            here >= BETTER * ring.left
                && here >= BETTER_THAN_WORST * ring.worst
                && here.sqrt() >= ripple * share
        };
        clear.then_some(ring.count)
    }
}

/// A count, with what `D` is at its multiples and elsewhere.
#[derive(Clone, Copy, Debug)]
struct Ring {
    count: usize,
    /// Geometric mean over its multiples, and the largest of them.
    left: f64,
    worst: f64,
    /// Geometric mean over all other lags.
    pattern: f64,
}

/// Number of the magnet that each node is, counted through all turns from the first node on.
fn numbers(nodes: &Nodes) -> Vec<usize> {
    let magnets = nodes.spacing.len();
    let mut before = vec![0.0; magnets];
    for m in 1..magnets {
        before[m] = before[m - 1] + nodes.spacing[m - 1];
    }
    let number = |i: usize| {
        let turn = super::whole((nodes.x[i] - before[nodes.magnet[i]] + 0.5).floor());
        turn * magnets + nodes.magnet[i]
    };
    let first = number(0);
    (0..nodes.x.len()).map(|i| number(i) - first).collect()
}

/// Number of magnets after which the intervals come again, if that is decidedly not the number that `nodes` were counted
/// with.
fn other_count(nodes: &Nodes) -> Option<usize> {
    if nodes.t.len() < LEAST_PAIRS {
        return None;
    }
    Pattern::new(nodes).other_count(nodes.spacing.len())
}

/// Flag: a hand does not make wheels that fast, or nobody pushes that slowly; the sensor may sit on another shaft.
pub(super) const WHEEL_SPEED_UNLIKELY: &str = "wheel_speed_unlikely";

/// The fastest tenth of the edges would mean wheels that no hand makes turn so.
pub(super) fn is_of_unlikely_speed(edges: &Edges) -> bool {
    let train = &edges.settings.train;
    let Some(interval_s) = edges.fast_interval_s() else {
        return false;
    };
    let speed = train.fastest_wheel / (f64::from(train.magnets) * interval_s);
    let (slow, fast) = if train.rolling { PUSHED } else { SPUN };
    !(slow..=fast).contains(&speed)
}

/// One sensor's counted edges, where they belong by the vehicle file.
#[derive(Clone, Copy)]
struct Watched<'a> {
    /// Index of the sensor.
    sensor: u32,
    /// Name of the shaft.
    shaft: &'a str,
    nodes: &'a Nodes,
    /// Time of the first node in the file, s.
    origin_s: f64,
    train: &'a Train,
}

impl<'a> Watched<'a> {
    /// `None` without a car: then nobody has said where the sensor sits.
    fn of(counted: &'a Counted) -> Option<Self> {
        Some(Self {
            sensor: counted.sensor,
            shaft: &counted.settings.car.as_ref()?.sensed,
            nodes: &counted.nodes,
            origin_s: counted.origin_s,
            train: &counted.settings.train,
        })
    }

    fn time(&self, i: usize) -> f64 {
        self.origin_s + self.nodes.t[i]
    }

    /// Angle at a time between its first and last node, turns; `None` in a pause.
    fn angle(&self, t: f64) -> Option<f64> {
        let (times, x) = (&self.nodes.t, &self.nodes.x);
        let i = times.partition_point(|s| *s <= t - self.origin_s);
        if i == 0 || i == times.len() || times[i] - times[i - 1] > PAUSE_S {
            return None;
        }
        let share = (t - self.time(i - 1)) / (times[i] - times[i - 1]);
        Some(x[i - 1] + share * (x[i] - x[i - 1]))
    }

    fn pitch(&self) -> f64 {
        1.0 / f64::from(self.train.magnets)
    }
}

/// Turns of two shafts over the stretches in which both turn.
#[derive(Clone, Copy, Default)]
struct Common {
    a: f64,
    b: f64,
    stretches: f64,
}

fn common(a: Watched, b: Watched) -> Common {
    let mut sum = Common::default();
    let mut last: Option<(f64, f64)> = None;
    let mut open = false;
    for (i, &xb) in b.nodes.x.iter().enumerate() {
        let paused = i > 0 && b.nodes.t[i] - b.nodes.t[i - 1] > PAUSE_S;
        let here = a.angle(b.time(i)).map(|xa| (xa, xb));
        if let (Some((xa, xb)), Some((a0, b0)), false) = (here, last, paused) {
            sum.a += xa - a0;
            sum.b += xb - b0;
            sum.stretches += f64::from(u8::from(!open));
            open = true;
        } else {
            open = false;
        }
        last = here;
    }
    sum
}

/// Turns of shaft `b` for each turn of shaft `a` by the gear train, and whether tyres may shift it.
fn expected(a: Watched, b: Watched) -> (f64, bool) {
    let ratio = a.train.fastest_wheel / b.train.fastest_wheel;
    let mut turning = a.train.turning.iter();
    let rigid = turning.any(|t| t.rigid && t.name == b.shaft);
    (ratio, a.train.rolling && !rigid)
}

/// Refuses two sensors whose turns do not fit the gear train.
fn sensors(a: Watched, b: Watched) -> Option<Refusal> {
    let Common {
        a: turns_a,
        b: turns_b,
        stretches,
    } = common(a, b);
    if turns_a < LEAST_COMMON_TURNS || turns_b < LEAST_COMMON_TURNS {
        return None;
    }
    let (ratio, slips) = expected(a, b);
    let slip = if slips { SLIP } else { 0.0 };
    // at either end of a stretch the place between two magnets is known by the speed alone
    let counted = (b.pitch() + ratio * a.pitch()) * stretches.sqrt();
    if (turns_b - ratio * turns_a).abs() <= slip * ratio * turns_a + counted {
        return None;
    }
    let measured = turns_b / turns_a;
    let message = format!(
        "sensor {} on {} turned {measured:.3} times for each turn of sensor {} on {}; the vehicle file asks for {ratio:.3} in this setup: check which sensor sits on which shaft, count the magnets of both, and check the setup",
        b.sensor, b.shaft, a.sensor, a.shaft
    );
    Some(Refusal::new("sensor_contradicts", message).with(measured, ratio))
}

/// Refuses a number of magnets that the intervals contradict; `car`: whose file states it, none when the person did.
fn magnets(nodes: &Nodes, car: Option<&RollCar>) -> Option<Refusal> {
    let count = other_count(nodes)?;
    let named = nodes.spacing.len();
    let stated = car.map_or_else(
        || "as stated".into(),
        |car| format!("that the vehicle file puts on {}", car.sensed),
    );
    let swapped = car.and_then(|car| {
        let mut others = car.sensors.iter().filter(|s| s.index != car.sensor);
        others.find(|s| usize::try_from(s.magnets).is_ok_and(|m| m == count))
    });
    let hint = swapped.map_or_else(String::new, |other| {
        format!(
            "; {} has as many (sensor {}): are the cables swapped?",
            other.shaft, other.index
        )
    });
    let message = format!(
        "the edges come again in the same rhythm after {count} magnets, not after the {named} {stated}: count the magnets, and look on which shaft the sensor sits{hint}"
    );
    let refusal = Refusal::new("magnets_contradict", message);
    Some(refusal.with(count as f64, named as f64))
}

/// What the records of all sensors contradict, with the quality of the sensor that does. The first sensor is the one that
/// every other is compared with.
pub(super) fn refusal(all: &[Counted]) -> Option<Refused> {
    let with = |refusal: Refusal, of: &Counted| Box::new((refusal, of.quality.clone()));
    for one in all {
        if let Some(refusal) = magnets(&one.nodes, one.settings.car.as_ref()) {
            return Some(with(refusal, one));
        }
    }
    let (first, others) = all.split_first()?;
    others.iter().find_map(|other| {
        let refusal = sensors(Watched::of(first)?, Watched::of(other)?)?;
        Some(with(refusal, first))
    })
}

#[cfg(test)]
mod tests {
    use super::super::count::count;
    use super::super::fixture::{nodes, train};
    use super::*;

    fn times(magnets: usize, n: usize, seed: u64) -> Vec<f64> {
        let nodes = nodes(magnets, n, seed);
        nodes.t.iter().map(|t| t - nodes.t[0]).collect()
    }

    #[test]
    fn a_wrong_count_is_named_and_the_right_one_is_left_alone() {
        let mut named = 0;
        for magnets in [3, 4, 6, 7, 12, 16, 40] {
            for seed in 1..6 {
                let t = times(magnets, 1500, seed);
                assert_eq!(other_count(&count(&t, magnets)), None, "{magnets}");
                for wrong in [magnets - 1, magnets + 1] {
                    let found = other_count(&count(&t, wrong));
                    println!("{magnets} {seed}: {wrong} {found:?}");
                    named += usize::from(found == Some(magnets));
                }
            }
        }
        // now and then a ring is nearly even, or nearly comes again within a turn
        assert!(named >= 63, "{named} of 70");
        // twice as many as there are: six half turns that look alike are no chance
        let t = times(6, 1500, 3);
        assert_eq!(other_count(&count(&t, 12)), Some(6));
    }

    #[test]
    fn an_even_ring_tells_nothing() {
        let mut nodes = nodes(6, 900, 8);
        nodes.spacing = vec![1.0 / 6.0; 6];
        let mut t = 0.0;
        for i in 0..nodes.t.len() {
            nodes.t[i] = t;
            nodes.x[i] = i as f64 / 6.0;
            t += 0.01 + 2e-6 * i as f64;
        }
        for stated in [2, 3, 5, 6, 7, 12] {
            assert_eq!(other_count(&count(&nodes.t, stated)), None);
        }
    }

    #[test]
    fn numbers_count_through_missed_edges() {
        let mut t = times(5, 400, 9);
        t.remove(200);
        let nodes = count(&t, 5);
        let k = numbers(&nodes);
        assert_eq!((k[0], k[199], k[200], k[398]), (0, 199, 201, 399));
    }

    /// A wheel at a quarter of the spur's speed, seen by four magnets.
    fn beside(spur: &Nodes, ratio: f64) -> Nodes {
        let mut t = Vec::new();
        let mut next = 0.1;
        for i in 1..spur.x.len() {
            let (x0, x1) = (ratio * spur.x[i - 1], ratio * spur.x[i]);
            while next <= x1 {
                let share = (next - x0) / (x1 - x0);
                t.push(spur.t[i - 1] + share * (spur.t[i] - spur.t[i - 1]));
                next += 0.25;
            }
        }
        let first = t[0];
        let shifted: Vec<f64> = t.iter().map(|t| t - first).collect();
        let mut nodes = count(&shifted, 4);
        for s in &mut nodes.t {
            *s += first;
        }
        nodes
    }

    #[test]
    fn two_sensors_must_turn_as_the_gears_say() {
        let spur = nodes(6, 900, 10);
        let on_spur = train(6);
        let on_wheel = Train {
            magnets: 4,
            fastest_wheel: 1.0,
            ..train(4)
        };
        for (ratio, fits) in [
            (0.27, true),
            (0.2705, true),
            (0.2, false),
            (0.36, false),
            (1.0, false),
        ] {
            let wheel = beside(&spur, ratio);
            let a = Watched {
                sensor: 0,
                shaft: "spur",
                nodes: &spur,
                origin_s: 0.0,
                train: &on_spur,
            };
            let b = Watched {
                sensor: 1,
                shaft: "wheel",
                nodes: &wheel,
                train: &on_wheel,
                ..a
            };
            let refusal = sensors(a, b);
            assert_eq!(refusal.is_none(), fits, "{ratio}: {refusal:?}");
            if let Some(refusal) = refusal {
                assert!((refusal.value.unwrap() / ratio - 1.0).abs() < 0.02);
                assert!((refusal.limit.unwrap() - 0.27).abs() < 1e-12);
            }
        }
    }
}

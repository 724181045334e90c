//! Does the sensor sit on the shaft that is stated?
//!
//! **Two sensors.** Over the stretches in which both turn, the ratio of their turns is that of the gear train in the
//! setup: exactly where gears or a stand force it, within the slip of tyres otherwise.
//!
//! **One sensor.** A sensor that sits on another shaft scales every order by one factor; which of the shafts does the
//! car's own ripple speak for?

use crate::reading::Refusal;
use crate::vehicle::Train;

use super::super::RollSettings;
use super::super::count::Nodes;
use super::super::sensed::{Counted, Edges};
use super::ripple::Speed;

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

/// Flag: a hand does not make wheels that fast, or nobody pushes that slowly; the sensor may sit on another shaft.
pub(in super::super) const WHEEL_SPEED_UNLIKELY: &str = "wheel_speed_unlikely";

/// The fastest tenth of the edges would mean wheels that no hand makes turn so.
pub(in super::super) fn is_of_unlikely_speed(edges: &Edges) -> bool {
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

/// Whether the turns of two sensors fit the gear train; not, where too little of them can be compared.
///
/// # Errors
/// They do not.
pub(super) fn agree(a: &Counted, b: &Counted) -> Result<bool, Refusal> {
    let both = Watched::of(a).zip(Watched::of(b));
    both.map_or(Ok(false), |(a, b)| two(a, b))
}

fn two(a: Watched, b: Watched) -> Result<bool, Refusal> {
    let Common {
        a: turns_a,
        b: turns_b,
        stretches,
    } = common(a, b);
    if turns_a < LEAST_COMMON_TURNS || turns_b < LEAST_COMMON_TURNS {
        return Ok(false);
    }
    let (ratio, slips) = expected(a, b);
    let slip = if slips { SLIP } else { 0.0 };
    // at either end of a stretch the place between two magnets is known by the speed alone
    let counted = (b.pitch() + ratio * a.pitch()) * stretches.sqrt();
    if (turns_b - ratio * turns_a).abs() <= slip * ratio * turns_a + counted {
        return Ok(true);
    }
    let measured = turns_b / turns_a;
    let message = format!(
        "sensor {} on {} turned {measured:.3} times for each turn of sensor {} on {}; the vehicle file asks for {ratio:.3} in this setup: check which sensor sits on which shaft, count the magnets of both, and check the setup",
        b.sensor, b.shaft, a.sensor, a.shaft
    );
    Err(Refusal::new("sensor_contradicts", message).with(measured, ratio))
}

/// The refusal of a sensor whose record has the ripple that it would have on shafts of another speed.
pub(super) fn refused(settings: &RollSettings, (names, order): &Speed) -> Refusal {
    let car = settings.car.as_ref();
    let stated = car.map_or_else(
        || "the stated shaft".into(),
        |car| format!("{}, as the vehicle file says", car.sensed),
    );
    let message = format!(
        "the ripple of the shafts comes as if the sensor sat on {}, not on {stated}: look on which shaft the magnets are, and check the setup",
        names.join(" or ")
    );
    Refusal::new("sensor_contradicts", message).with(*order, 1.0)
}

#[cfg(test)]
mod tests {
    use super::super::super::count::count;
    use super::super::super::fixture::{nodes, train};
    use super::*;

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
            let agree = two(a, b);
            assert_eq!(agree == Ok(true), fits, "{ratio}: {agree:?}");
            if let Err(refusal) = agree {
                assert!((refusal.value.unwrap() / ratio - 1.0).abs() < 0.02);
                assert!((refusal.limit.unwrap() - 0.27).abs() < 1e-12);
            }
        }
    }
}

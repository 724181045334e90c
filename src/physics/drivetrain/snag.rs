//! The snag: an energy loss at one angle of a part's turn, in some turns only.

use std::f64::consts::TAU;

use super::{DrivetrainScenario, SnagEvent, SnagScenario, SnagTruth};
use crate::physics::noise::Noise;
use crate::vehicle::{PartKind, Vehicle};

/// Width of a snag, turns of the part itself (12 degrees; assumption without source).
pub(super) const WIDTH: f64 = 12.0 / 360.0;
/// Depth varies from turn to turn by this relative sd (assumption without source).
const VARIATION: f64 = 0.25;
/// Orders closer than this, relative, count as equal in the truth.
const EQUAL: f64 = 1e-9;

/// The snag as it acts on the motion.
pub(super) struct Snagging {
    part: String,
    same_order: Vec<String>,
    nominal_order: f64,
    /// Spin that carries the part, and events per turn of it.
    spin: usize,
    per_turn: f64,
    start: f64,
    depth: f64,
    /// Energy of a hit of nominal depth, turns^2/s^2.
    loss: f64,
    /// Width as a share of the event period, < 1.
    width: f64,
    hit_rate: f64,
    burst: Option<f64>,
    /// Number of the event nearest to the last position, and its depth over the nominal one (0: no hit).
    event: f64,
    strength: f64,
    events: Vec<(f64, SnagEvent)>,
    /// Position in events at the first and last edge, with the angle there.
    first: Option<(f64, f64)>,
    last: (f64, f64),
    noise: Noise,
}

impl Snagging {
    /// `find` gives index and order of a spin; every snag of a car (`number` from 0) has chances of its own.
    pub fn new(
        scenario: &DrivetrainScenario,
        snag: &SnagScenario,
        find: impl Fn(&str) -> Option<(usize, f64)>,
        drag: f64,
        (seed, number): (u64, usize),
    ) -> Option<Self> {
        let train = &scenario.train;
        let part = train.parts.iter().find(|p| p.name == snag.part)?;
        let (spin, spin_order) = find(&carrier(&scenario.vehicle, &part.name))?;
        let stream = if number == 0 { 14 } else { 40 + number as u64 };
        let mut noise = Noise::new(seed, stream);
        let slip = if part.kind == PartKind::Bearing {
            1.0 + scenario.conditions.ball_slip * noise.normal()
        } else {
            1.0
        };
        let per_turn = part.order / spin_order * slip;
        let width = WIDTH * events_per_own_turn(&part.name, part.kind, part.mult, per_turn);
        let equal = |order: f64| (order / part.order - 1.0).abs() < EQUAL;
        let mut snagging = Self {
            part: part.name.clone(),
            same_order: train
                .parts
                .iter()
                .filter(|p| equal(p.order))
                .map(|p| p.name.clone())
                .collect(),
            nominal_order: part.order,
            spin,
            per_turn,
            start: noise.unit(),
            depth: snag.depth,
            // a raised cosine's mean is half its peak
            loss: snag.depth * drag * (width / part.order) / 2.0,
            width,
            hit_rate: snag.hit_rate,
            burst: snag.burst,
            event: f64::NEG_INFINITY,
            strength: 0.0,
            events: Vec::new(),
            first: None,
            last: (0.0, 0.0),
            noise,
        };
        // A chain of bursts starts in its long-run state.
        snagging.strength = f64::from(u8::from(snagging.noise.unit() < snag.hit_rate));
        Some(snagging)
    }

    /// Position in events at these phases.
    fn position(&self, phases: &[f64]) -> f64 {
        self.start + self.per_turn * phases[self.spin]
    }

    /// Energy lost on the way from one set of phases to the next; times are those of the two ends, s.
    pub fn loss(&mut self, from: &[f64], to: &[f64], times: (f64, f64), coasting: bool) -> f64 {
        let (p0, p1) = (self.position(from), self.position(to));
        if self.event.is_infinite() {
            self.event = libm::round(p0);
            self.strength = self.draw();
        }
        let mut lost = self.strength * (self.passed(p1) - self.passed(p0));
        if p0 < self.event && p1 >= self.event {
            let t_s = times.0 + (times.1 - times.0) * (self.event - p0) / (p1 - p0);
            let event = SnagEvent {
                turn: 0,
                t_s,
                hit: self.strength > 0.0,
                depth: self.strength * self.depth,
                coasting,
            };
            self.events.push((self.event, event));
        }
        if p1 >= self.event + 0.5 {
            self.event += 1.0;
            self.strength = self.draw();
            lost += self.strength * (self.passed(p1) - self.passed(p0));
        }
        lost * self.loss
    }

    /// Share of the current event's loss that lies before a position.
    fn passed(&self, position: f64) -> f64 {
        let u = ((position - self.event) / self.width).clamp(-0.5, 0.5);
        u + 0.5 + libm::sin(TAU * u) / TAU
    }

    /// Depth of the next event over the nominal one, 0 without a hit.
    fn draw(&mut self) -> f64 {
        let chance = match self.burst {
            None => self.hit_rate,
            Some(run) if self.strength > 0.0 => 1.0 - 1.0 / run,
            Some(run) => (self.hit_rate / (1.0 - self.hit_rate) / run).min(1.0),
        };
        let (hit, depth) = (self.noise.unit() < chance, self.noise.normal());
        if hit {
            (1.0 + VARIATION * depth).max(0.1)
        } else {
            0.0
        }
    }

    /// An edge at these phases and sensed angle: the truth counts from the first.
    pub fn edge(&mut self, phases: &[f64], x: f64) {
        let here = (self.position(phases), x);
        self.first.get_or_insert(here);
        self.last = here;
    }

    pub fn truth(self) -> SnagTruth {
        let (p0, x0) = self.first.unwrap_or((0.0, 0.0));
        let next = libm::ceil(p0);
        let span = self.last.1 - x0;
        let coasting: Vec<bool> = self
            .events
            .iter()
            .filter(|(_, e)| e.coasting)
            .map(|(_, e)| e.hit)
            .collect();
        let hits = coasting.iter().filter(|h| **h).count();
        let numbered = |(number, mut event): (f64, SnagEvent)| {
            event.turn = whole(number - next);
            event
        };
        SnagTruth {
            part: self.part,
            same_order: self.same_order,
            nominal_order: self.nominal_order,
            order: if span > 0.0 {
                (self.last.0 - p0) / span
            } else {
                self.nominal_order
            },
            phase_deg: (next - p0) * 360.0,
            depth: self.depth,
            hit_rate: hits as f64 / coasting.len().max(1) as f64,
            events: self.events.into_iter().map(numbered).collect(),
        }
    }
}

/// The spin that carries a part.
fn carrier(vehicle: &Vehicle, part: &str) -> String {
    let name = part.split_once('.').map_or(part, |(name, _)| name);
    let mesh = vehicle.meshes.iter().find(|m| m.name == name).map(|m| m.a);
    let bearing = vehicle
        .bearings
        .iter()
        .find(|b| b.name == name)
        .map(|b| b.shaft);
    let joint = vehicle
        .joints
        .iter()
        .find(|j| j.name == name)
        .map(|j| j.shaft);
    match mesh.or(bearing).or(joint) {
        Some(shaft) => vehicle.shafts[shaft].name.clone(),
        None => name.to_owned(),
    }
}

/// Events during one turn of the part itself: two of a joint, one each `mult` turns of a pair; a race turns (or
/// stands) with the shaft, so its events are those of a shaft turn.
fn events_per_own_turn(name: &str, kind: PartKind, mult: u32, per_shaft_turn: f64) -> f64 {
    let race = matches!(name.split_once('.'), Some((_, "inner" | "outer")));
    match kind {
        PartKind::Joint => 2.0,
        PartKind::Pair => 1.0 / f64::from(mult),
        PartKind::Bearing if race => per_shaft_turn,
        _ => 1.0,
    }
}

#[allow(clippy::cast_possible_truncation)] // a difference of two event numbers of one record
fn whole(number: f64) -> i64 {
    number as i64
}

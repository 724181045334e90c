//! Integrates one record over the angle of the sensed shaft and lets the magnets pass the sensor.

use super::hand::Hand;
use super::magnets::Magnets;
use super::snag::Snagging;
use super::spins::Spins;
use super::{Conditions, DrivetrainScenario, DrivetrainTruth};
use crate::physics::Simulated;
use crate::physics::noise::Noise;
use crate::reading::Edge;

/// Step, turns of the sensed shaft. Ripple and snag enter by the exact energy at the ends of a step and the drag
/// changes by less than 1e-3 over one, so a finer step changes intervals by less than 1e-4 (tested).
const STEP: f64 = 1.0 / 120.0;
/// Below this share of the energy of letting go the car stands.
const STANDS: f64 = 1e-4;
/// Streams of random numbers of the two sensors.
const FIRST_STREAM: u64 = 13;
const SECOND_STREAM: u64 = 33;
/// The slow wander of the drag forgets itself over this many wheel turns.
const WANDER_TURNS: f64 = 3.0;

pub(super) fn run(scenario: &DrivetrainScenario, seed: u64) -> Simulated<Edge, DrivetrainTruth> {
    run_with_step(scenario, seed, STEP)
}

fn run_with_step(
    scenario: &DrivetrainScenario,
    seed: u64,
    step: f64,
) -> Simulated<Edge, DrivetrainTruth> {
    let mut motion = Motion::new(scenario, seed);
    while motion.t < scenario.conditions.duration_s {
        motion.step(step);
    }
    motion.finish(scenario)
}

/// Drag of this moment: wanders slowly, changes from run to run, rattles.
struct Drag {
    /// Coulomb drag, turns/s^2 of the sensed shaft.
    coulomb: f64,
    /// Per turn/s of the sensed shaft.
    viscous: f64,
    wander: f64,
    run: f64,
    wander_sd: f64,
    run_sd: f64,
    rattle: f64,
    wheel: f64,
    noise: Noise,
}

impl Drag {
    fn new(conditions: &Conditions, wheel: f64, seed: u64) -> Self {
        let mut noise = Noise::new(seed, 11);
        let coulomb = conditions.drag / wheel;
        Self {
            coulomb,
            viscous: coulomb * conditions.viscous * wheel,
            wander: conditions.wander * noise.normal(),
            run: conditions.run_to_run * noise.normal(),
            wander_sd: conditions.wander,
            run_sd: conditions.run_to_run,
            rattle: conditions.rattle * coulomb,
            wheel,
            noise,
        }
    }

    /// Energy taken over `dx` at speed `w`.
    fn work(&mut self, w: f64, dx: f64) -> f64 {
        let keep = libm::exp(-dx * self.wheel / WANDER_TURNS);
        self.wander =
            self.wander * keep + self.wander_sd * (1.0 - keep * keep).sqrt() * self.noise.normal();
        let rattle = self.rattle * dx.sqrt() * self.noise.normal();
        (self.coulomb + self.viscous * w) * (1.0 + self.wander + self.run) * dx + rattle
    }

    fn next_run(&mut self) {
        self.run = self.run_sd * self.noise.normal();
    }
}

struct Motion {
    x: f64,
    t: f64,
    energy: f64,
    stands: f64,
    spins: Spins,
    drag: Drag,
    hand: Hand,
    snags: Vec<Snagging>,
    magnets: Magnets,
    /// The second sensor's magnets and the spin that carries them.
    second: Option<(Magnets, usize)>,
    coasts: Vec<(f64, f64)>,
    coasting: bool,
    to_and_fro: bool,
}

impl Motion {
    fn new(scenario: &DrivetrainScenario, seed: u64) -> Self {
        let (train, conditions) = (&scenario.train, &scenario.conditions);
        let wheel = train.fastest_wheel;
        let drag = Drag::new(conditions, wheel, seed);
        let spins = Spins::new(scenario, drag.coulomb, seed);
        let slowest = conditions.let_go.0 / wheel;
        let scenarios = scenario.snag.iter().chain(&scenario.more_snags);
        let snags = scenarios.enumerate().filter_map(|(number, snag)| {
            let find = |name: &str| spins.find(name);
            Snagging::new(scenario, snag, find, drag.coulomb, (seed, number))
        });
        let second = scenario.second.as_ref().and_then(|(_, shaft, count)| {
            let (spin, _) = spins.find(shaft)?;
            let mut magnets = Magnets::new(conditions, *count, (seed, SECOND_STREAM));
            magnets.start(spins.phases()[spin]);
            Some((magnets, spin))
        });
        Self {
            x: 0.0,
            t: conditions.pause_s.1.min(0.5),
            energy: 0.0,
            stands: STANDS * slowest * slowest / 2.0,
            hand: Hand::new(conditions, wheel, drag.coulomb, seed),
            snags: snags.collect(),
            magnets: Magnets::new(conditions, train.magnets, (seed, FIRST_STREAM)),
            second,
            spins,
            drag,
            coasts: Vec::new(),
            coasting: false,
            to_and_fro: conditions.to_and_fro,
        }
    }

    fn step(&mut self, dx: f64) {
        let from = self.spins.phases();
        let w0 = speed(self.energy);
        let push = self.hand.force(self.x, self.energy) * dx;
        self.note_coast();
        self.spins.advance(dx);
        let to = self.spins.phases();
        let ripple = self.spins.torque_energy(&to) - self.spins.torque_energy(&from);
        let halfway = self.energy + (push + ripple - self.drag.coulomb * dx) / 2.0;
        let smooth = self.energy + push - self.drag.work(speed(halfway), dx) + ripple;
        // The time of the step does not feel the snag's share in it by more than the square of the step.
        let smooth_w = speed(smooth.max(self.stands));
        let roughly = self.t + 2.0 * dx / (w0 + smooth_w);
        let (times, coasting) = ((self.t, roughly), self.coasting);
        let snags = self.snags.iter_mut();
        let lost: f64 = snags.map(|s| s.loss(&from, &to, times, coasting)).sum();
        let energy = smooth - lost;
        if energy > self.stands {
            self.pass_magnets(dx, &from, &to, energy);
            self.t += 2.0 * dx / (w0 + speed(energy));
            self.energy = energy;
            self.x += dx;
        } else if push > 0.0 {
            // A weak push does not start it: the hand pushes on.
            self.t += 0.02;
            self.energy = 2.0 * self.stands;
            self.pass_magnets(dx, &from, &to, self.energy);
            self.x += dx;
        } else {
            self.rest(dx, &from, &to, w0);
        }
    }

    /// The last part of a step, then standstill.
    fn rest(&mut self, dx: f64, from: &[f64], to: &[f64], w0: f64) {
        self.pass_magnets(dx, from, to, self.stands);
        self.t += 2.0 * dx / (w0 + speed(self.stands));
        self.x += dx;
        self.energy = 0.0;
        self.end_coast();
        self.t += self.hand.rest(self.x);
        if self.to_and_fro {
            self.magnets.turn_round(self.x + self.spins.angle_lead(to));
        }
        self.drag.next_run();
    }

    fn note_coast(&mut self) {
        let off = self.hand.is_off();
        if off && !self.coasting {
            self.coasts.push((self.t, self.t));
        } else if !off {
            self.end_coast();
        }
        self.coasting = off;
    }

    fn end_coast(&mut self) {
        if self.coasting
            && let Some(last) = self.coasts.last_mut()
        {
            last.1 = self.t;
        }
        self.coasting = false;
    }

    /// Lets every magnet pass whose place lies in the step that ends with `energy`.
    fn pass_magnets(&mut self, dx: f64, from: &[f64], to: &[f64], energy: f64) {
        let at =
            |f: f64| -> Vec<f64> { from.iter().zip(to).map(|(a, b)| a + f * (b - a)).collect() };
        loop {
            let target = self.magnets.target();
            if self.x + dx + self.spins.angle_lead(to) < target {
                break;
            }
            // The lead changes by at most 2 % a step: three rounds leave 1e-5 of a step.
            let mut share = 0.5;
            for _ in 0..3 {
                share = (target - self.spins.angle_lead(&at(share)) - self.x) / dx;
            }
            let share = share.clamp(0.0, 1.0);
            for snag in &mut self.snags {
                snag.edge(&at(share), self.x + share * dx);
            }
            let t = self.t + self.spent(share, dx, energy);
            self.magnets.pass(t);
        }
        let Some((mut magnets, spin)) = self.second.take() else {
            return;
        };
        while magnets.target() <= to[spin] {
            let share = (magnets.target() - from[spin]) / (to[spin] - from[spin]);
            magnets.pass(self.t + self.spent(share.clamp(0.0, 1.0), dx, energy));
        }
        self.second = Some((magnets, spin));
    }

    /// Time over the first `share` of a step that ends with `energy`, s.
    fn spent(&self, share: f64, dx: f64, energy: f64) -> f64 {
        let passing = speed(self.energy + share * (energy - self.energy));
        if share > 0.0 {
            2.0 * share * dx / (speed(self.energy) + passing)
        } else {
            0.0
        }
    }

    fn finish(mut self, scenario: &DrivetrainScenario) -> Simulated<Edge, DrivetrainTruth> {
        self.end_coast();
        let mut readings = edges(&self.magnets, scenario.sensor);
        if let (Some((magnets, _)), Some((sensor, ..))) = (&self.second, &scenario.second) {
            readings.extend(edges(magnets, *sensor));
            readings.sort_by_key(|e| (e.t_us, e.sensor));
        }
        let mut snags = self.snags.into_iter().map(Snagging::truth);
        let snag = snags.next();
        Simulated {
            readings,
            truth: DrivetrainTruth {
                setup: scenario.setup.clone(),
                turns: self.x,
                spacing: self.magnets.spacing(),
                drag: self.drag.coulomb,
                viscous: self.drag.viscous,
                missed: self.magnets.missed,
                bounced: self.magnets.bounced,
                coasts: self.coasts,
                snag,
                more_snags: snags.collect(),
            },
        }
    }
}

/// Edges of one sensor, in the order of time.
fn edges(magnets: &Magnets, sensor: u32) -> Vec<Edge> {
    let mut times: Vec<u64> = magnets.times_us.iter().map(|t| microseconds(*t)).collect();
    // Jitter and bounce can put an edge behind its neighbour; a probe would have seen them in order.
    times.sort_unstable();
    times.dedup();
    times
        .into_iter()
        .map(|t_us| Edge {
            t_us,
            sensor,
            after_gap: false,
        })
        .collect()
}

/// Speed of an energy, turns/s; 0 below none.
fn speed(energy: f64) -> f64 {
    (2.0 * energy.max(0.0)).sqrt()
}

#[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)] // a record lasts minutes; below 0 becomes 0
fn microseconds(t_us: f64) -> u64 {
    libm::round(t_us) as u64
}

#[cfg(test)]
mod tests {
    use super::super::{SnagScenario, snag::WIDTH};
    use super::*;

    /// Nothing random but hand and magnets' places.
    fn quiet(scenario: DrivetrainScenario) -> DrivetrainScenario {
        let conditions = Conditions {
            viscous: 0.0,
            wander: 0.0,
            run_to_run: 0.0,
            rattle: 0.0,
            torque_ripple: 0.0,
            tooth_ripple: 0.0,
            angle_ripple: 0.0,
            joint_bend_deg: 0.0,
            jitter_us: 0.0,
            ..scenario.conditions
        };
        DrivetrainScenario {
            conditions,
            ..scenario
        }
    }

    /// Time (s) and angle (turns after the first edge) of every edge, from the true spacing.
    fn edges(record: &Simulated<Edge, DrivetrainTruth>) -> Vec<(f64, f64)> {
        let spacing = &record.truth.spacing;
        let mut x = 0.0;
        let mut out = Vec::new();
        for (i, edge) in record.readings.iter().enumerate() {
            out.push((edge.t_us as f64 * 1e-6, x));
            x += spacing[i % spacing.len()];
        }
        out
    }

    /// Without ripple and snag every coast slows by the drag alone: three edges give the deceleration exactly.
    #[test]
    fn a_quiet_coast_slows_by_the_drag() {
        let record = run(&quiet(DrivetrainScenario::plover_healthy()), 4);
        let edges = edges(&record);
        let mut checked = 0;
        for (start, end) in &record.truth.coasts {
            let coast: Vec<_> = edges.iter().filter(|(t, _)| t > start && t < end).collect();
            for w in coast.windows(21).step_by(10) {
                let (a, b, c) = (w[0], w[10], w[20]);
                let v1 = (b.1 - a.1) / (b.0 - a.0);
                let v2 = (c.1 - b.1) / (c.0 - b.0);
                let slowing = (v1 - v2) / ((c.0 - a.0) / 2.0);
                // times are whole microseconds: 1e-6 s of some 0.3 s, twice
                assert!(
                    (slowing / record.truth.drag - 1.0).abs() < 1e-3,
                    "{slowing}"
                );
                checked += 1;
            }
        }
        assert!(checked > 20);
    }

    /// Each hit takes depth x drag x width / 2 out of `E + drag x`, a miss takes nothing.
    #[test]
    fn a_hit_takes_its_energy() {
        let scenario = quiet(DrivetrainScenario::plover_healthy())
            .with_snag(SnagScenario {
                part: "ring_f".into(),
                depth: 1.5,
                hit_rate: 0.5,
                burst: None,
            })
            .unwrap();
        let record = run(&scenario, 11);
        let (edges, drag) = (edges(&record), record.truth.drag);
        let snag = record.truth.snag.as_ref().unwrap();
        // speed at the middle of an interval in time, and E + drag x there
        let level = |i: usize| {
            let ((t0, x0), (t1, x1)) = (edges[i], edges[i + 1]);
            let w = (x1 - x0) / (t1 - t0);
            w * w / 2.0 + drag * (f64::midpoint(x0, x1) + drag * (t1 - t0) * (t1 - t0) / 8.0)
        };
        let whole_coast =
            |a: f64, b: f64| record.truth.coasts.iter().any(|(s, e)| a > *s && b < *e);
        let (mut hits, mut misses) = (0, 0);
        for event in &snag.events {
            // two clear intervals before and after: the snag is 0.06 sensed turns wide, a magnet every 0.17
            let Some(next) = edges.iter().position(|(t, _)| *t > event.t_s) else {
                continue;
            };
            if next < 3
                || next + 2 >= edges.len()
                || !whole_coast(edges[next - 3].0, edges[next + 2].0)
            {
                continue;
            }
            let lost = level(next - 3) - level(next + 1);
            let want = event.depth * drag * WIDTH / snag.nominal_order / 2.0;
            assert!((lost - want).abs() < 2e-3 * drag, "{lost} {want} {event:?}");
            if event.hit {
                hits += 1;
            } else {
                misses += 1;
            }
        }
        assert!(hits > 10 && misses > 10, "{hits} {misses}");
    }

    /// A step a quarter as long moves an interval between edges by at most 2 us and 1e-4 of itself: far below the
    /// jitter from 6 down to 2 turns/s; nearer to standstill single teeth ripple within a step.
    #[test]
    fn a_finer_step_changes_nothing() {
        let mut scenario = DrivetrainScenario::plover();
        scenario.conditions = Conditions {
            wander: 0.0,
            run_to_run: 0.0,
            rattle: 0.0,
            jitter_us: 0.0,
            ..scenario.conditions
        };
        scenario.snag.as_mut().unwrap().hit_rate = 1.0;
        let coast = |step: f64| {
            let mut motion = Motion::new(&scenario, 3);
            motion.hand.let_run();
            motion.energy = 18.0;
            while motion.energy > 2.0 {
                motion.step(step);
            }
            motion.magnets.times_us
        };
        let (coarse, fine) = (coast(STEP), coast(STEP / 4.0));
        assert!(coarse.len() > 25);
        for (a, b) in coarse.windows(2).zip(fine.windows(2)) {
            let (coarse, fine) = (a[1] - a[0], b[1] - b[0]);
            assert!((coarse - fine).abs() < 2.0 + 1e-4 * fine, "{coarse} {fine}");
        }
    }
}

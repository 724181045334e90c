//! A small drivetrain that coasts between pushes, for these tests only: energy over angle in small steps. It shares
//! no code with the measure.

use feelgauge::physics::noise::Noise;

const TAU: f64 = std::f64::consts::TAU;
/// Longest step, turns.
const STEP: f64 = 0.004;
/// The file's clock at the start of a record, us.
const START_US: f64 = 1e6;

/// A snag of the simulated car.
#[derive(Clone, Copy, Debug)]
pub struct Snag {
    /// Events per turn of the sensed shaft.
    pub order: f64,
    /// Peak torque over the Coulomb drag.
    pub depth: f64,
    /// Share of events that hit.
    pub rate: f64,
    /// Where in its period the first event lies, 0..1.
    pub phase: f64,
}

/// Ripple of a shaft: order, amplitude of torque (share of the Coulomb drag) and of angle (turns), phases (turns).
#[derive(Clone, Copy, Debug)]
pub struct Ripple {
    pub order: f64,
    pub torque: f64,
    pub angle: f64,
    pub phases: [f64; 2],
}

/// A car on its way.
#[derive(Clone, Debug)]
pub struct Car {
    pub magnets: usize,
    /// rms of a magnet's place, turns.
    pub misplaced: f64,
    pub jitter_s: f64,
    /// Drag `a + b w`, turns^2/s^2 per turn and the same per turn/s.
    pub drag: (f64, f64),
    /// Speed that a push reaches, turns/s, and how long it takes, s.
    pub push: (f64, f64),
    /// Speed at which the hand comes back, turns/s.
    pub low: f64,
    pub length_s: f64,
    pub ripple: Vec<Ripple>,
    pub snag: Option<Snag>,
}

/// What happened.
#[derive(Clone, Debug, Default)]
pub struct Record {
    pub edges_us: Vec<u64>,
    /// Times in the file (s) of the middle of all events of the snag, and whether each hit.
    pub events: Vec<(f64, bool)>,
    /// Spacing from the first edge's magnet on, turns.
    pub spacing: Vec<f64>,
    /// Phase of the snag after the first edge, degrees of its period.
    pub phase_deg: f64,
}

/// The car in motion: angle of the sensed shaft (turns), time (s), speed (turns/s).
struct Motion {
    x: f64,
    t: f64,
    w: f64,
    pushed_until: f64,
    noise: Noise,
}

impl Motion {
    /// Goes on by `dx` under a force; returns the time that took.
    fn go(&mut self, dx: f64, force: f64, kick: f64) -> f64 {
        let kick = kick * dx.sqrt() * self.noise.normal();
        let next = (self.w * self.w + 2.0 * (force * dx + kick))
            .max(0.01)
            .sqrt();
        let dt = 2.0 * dx / (self.w + next);
        self.x += dx;
        self.t += dt;
        self.w = next;
        dt
    }

    /// Force of the hand, which comes back when the car is slow.
    fn hand(&mut self, car: &Car) -> f64 {
        if self.w < car.low && self.t >= self.pushed_until {
            self.pushed_until = self.t + car.push.1 * self.noise.uniform(0.8, 1.2);
        }
        if self.t < self.pushed_until {
            car.push.0 / car.push.1 + car.drag.0 + car.drag.1 * self.w
        } else {
            0.0
        }
    }
}

/// The snag at work.
struct Events {
    snag: Snag,
    width: f64,
    /// Number of the event under way or next, and whether it hits once it is under way.
    next: usize,
    hits: Option<bool>,
}

impl Events {
    /// Torque share that the snag takes at the motion's angle.
    fn torque(&mut self, motion: &mut Motion, dx: f64, events: &mut Vec<(f64, bool)>) -> f64 {
        let at = (self.next as f64 + self.snag.phase) / self.snag.order;
        let off = motion.x + dx / 2.0 - at;
        if off < -self.width / 2.0 {
            return 0.0;
        }
        if off > self.width / 2.0 {
            (self.next, self.hits) = (self.next + 1, None);
            return 0.0;
        }
        let hit = *self.hits.get_or_insert_with(|| {
            let hit = motion.noise.unit() < self.snag.rate;
            events.push((motion.t + self.width / 2.0 / motion.w, hit));
            hit
        });
        let c = libm::cos(TAU / 2.0 * off / self.width);
        if hit { self.snag.depth * c * c } else { 0.0 }
    }
}

impl Car {
    pub fn run(&self, seed: u64) -> Record {
        let mut noise = Noise::new(seed, 77);
        let m = self.magnets;
        let place: Vec<f64> = (0..m)
            .map(|i| (i as f64 + 0.5) / m as f64 + self.misplaced * noise.normal())
            .collect();
        let mut events = self.snag.map(|snag| Events {
            // twelve degrees of the part's own turn
            width: 12.0 / 360.0 / snag.order,
            snag,
            next: 0,
            hits: None,
        });
        let dx = events.as_ref().map_or(STEP, |e| STEP.min(e.width / 12.0));
        let mut motion = Motion {
            x: 0.0,
            t: START_US * 1e-6,
            w: 0.3 * self.push.0,
            pushed_until: START_US * 1e-6 + self.push.1,
            noise,
        };
        let kick = 0.03 * self.drag.0 * 0.05f64.sqrt();
        let mut record = Record::default();
        let mut seen = self.sensed(0.0);
        let mut magnet = 0;
        while motion.t < START_US * 1e-6 + self.length_s {
            let mut force = motion.hand(self) - self.drag.0 - self.drag.1 * motion.w;
            force += self.drag.0 * self.torque_ripple(motion.x + dx / 2.0);
            if let Some(events) = &mut events {
                force -= self.drag.0 * events.torque(&mut motion, dx, &mut record.events);
            }
            let dt = motion.go(dx, force, kick);
            let now = self.sensed(motion.x);
            loop {
                let target = (magnet / m) as f64 + place[magnet % m];
                if target > now {
                    break;
                }
                let left = (now - target) / (now - seen);
                if magnet == 0
                    && let Some(e) = &events
                {
                    let first = (motion.x - left * dx) * e.snag.order;
                    record.phase_deg = 360.0 * (e.snag.phase - first).rem_euclid(1.0);
                }
                let jitter = self.jitter_s * motion.noise.normal();
                record.edges_us.push(micros(motion.t - left * dt + jitter));
                magnet += 1;
            }
            seen = now;
        }
        for i in 0..m {
            let next = if i + 1 < m {
                place[i + 1]
            } else {
                place[0] + 1.0
            };
            record.spacing.push(next - place[i]);
        }
        record
    }

    fn torque_ripple(&self, x: f64) -> f64 {
        let wave = |r: &Ripple| r.torque * libm::sin(TAU * (r.order * x + r.phases[0]));
        self.ripple.iter().map(wave).sum()
    }

    /// What the sensor sees at angle `x`.
    fn sensed(&self, x: f64) -> f64 {
        let wave = |r: &Ripple| r.angle * libm::sin(TAU * (r.order * x + r.phases[1]));
        x + self.ripple.iter().map(wave).sum::<f64>()
    }
}

#[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)] // rounded, positive
fn micros(t: f64) -> u64 {
    (t * 1e6).round() as u64
}

//! The person: pushes or spins, lets go, lets it run down, waits, again.

use super::Conditions;
use crate::physics::noise::Noise;

/// Wheel turns over which the hand pushes, shortest and longest.
const PUSH_TURNS: (f64, f64) = (0.6, 1.3);
/// Speed at which a caught car is met, share of the speed of letting go.
const CAUGHT_AT: (f64, f64) = (0.15, 0.4);
/// A braking hand takes this many times the drag.
const BRAKE: (f64, f64) = (6.0, 15.0);
/// Unevenness of a push, relative sd.
const UNEVEN: f64 = 0.2;

enum Doing {
    Push {
        from: f64,
        length: f64,
        force: f64,
    },
    Coast {
        /// Energy at which a hand brakes; 0: runs down to a stand.
        caught_at: f64,
    },
    Brake {
        force: f64,
    },
}

/// What the hand does now; angles and energies are those of the sensed shaft.
pub(super) struct Hand {
    doing: Doing,
    /// Energy at letting go.
    peak: f64,
    let_go: (f64, f64),
    pause_s: (f64, f64),
    /// Share of runs that a braking hand ends.
    caught: f64,
    /// Wheel turns per sensed turn.
    wheel: f64,
    drag: f64,
    noise: Noise,
}

impl Hand {
    pub fn new(conditions: &Conditions, wheel: f64, drag: f64, seed: u64) -> Self {
        let mut hand = Self {
            doing: Doing::Brake { force: 0.0 },
            peak: 0.0,
            let_go: conditions.let_go,
            pause_s: conditions.pause_s,
            caught: conditions.caught,
            wheel,
            drag,
            noise: Noise::new(seed, 10),
        };
        hand.push(0.0, 0.0);
        hand
    }

    fn push(&mut self, x: f64, energy: f64) {
        let (slow, fast) = self.let_go;
        let speed = self.noise.uniform(slow, fast) / self.wheel;
        let length = self.noise.uniform(PUSH_TURNS.0, PUSH_TURNS.1) / self.wheel;
        self.peak = speed * speed / 2.0;
        self.doing = Doing::Push {
            from: x,
            length,
            force: (self.peak - energy).max(0.0) / length + self.drag,
        };
    }

    /// Force of the hand on the next step at angle `x`, as energy per sensed turn.
    pub fn force(&mut self, x: f64, energy: f64) -> f64 {
        match self.doing {
            Doing::Push {
                from,
                length,
                force,
            } => {
                let s = (x - from) / length;
                if s >= 1.0 {
                    self.let_run();
                    return 0.0;
                }
                let swell = libm::sin(std::f64::consts::PI * s);
                let uneven = 1.0 + UNEVEN * self.noise.normal();
                force * (0.3 + 1.4 * swell * swell) * uneven
            }
            Doing::Coast { caught_at } => {
                if energy < caught_at {
                    let force = self.drag * self.noise.uniform(BRAKE.0, BRAKE.1);
                    self.doing = Doing::Brake { force };
                }
                0.0
            }
            Doing::Brake { force } => -force,
        }
    }

    /// Lets go: from here on the car runs down.
    pub fn let_run(&mut self) {
        let caught = self.noise.unit() < self.caught;
        let share = self.noise.uniform(CAUGHT_AT.0, CAUGHT_AT.1);
        self.doing = Doing::Coast {
            caught_at: if caught {
                self.peak * share * share
            } else {
                0.0
            },
        };
    }

    /// No hand is on the car.
    pub fn is_off(&self) -> bool {
        matches!(self.doing, Doing::Coast { .. })
    }

    /// The car stands: a pause, then the next push. Returns the pause in seconds.
    pub fn rest(&mut self, x: f64) -> f64 {
        let pause = self.noise.uniform(self.pause_s.0, self.pause_s.1);
        self.push(x, 0.0);
        pause
    }
}

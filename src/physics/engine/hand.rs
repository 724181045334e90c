//! The person at the handle: wants a speed, has a limited force, turns round at arm's reach.

use super::Hand;

/// Strongest push against the own motion, N.
const BRAKE_N: f64 = 90.0;
/// Speed of letting the cord run back, m/s.
const BACK_M_S: f64 = 0.7;
/// A person gives up when a pull has not ended by then: this long, and the time that the pull should have taken, s.
const PATIENCE_S: f64 = 1.0;

#[derive(Clone, Copy, Debug, PartialEq)]
enum Phase {
    Pull,
    Hold { until_s: f64 },
    Back,
    Home,
}

/// One pull as the hand does it.
#[derive(Clone, Copy, Debug)]
pub(super) struct Arm {
    hand: Hand,
    speed_m_s: f64,
    reach_m: f64,
    phase: Phase,
    pub(super) at_m: f64,
    pub(super) m_s: f64,
    force_n: f64,
    wish_n: f64,
    /// When the hand turned round, s after it began.
    pub(super) turned_s: Option<f64>,
}

impl Arm {
    /// About to begin a pull with the given speed and reach.
    pub(super) fn new(hand: Hand, speed_m_s: f64, reach_m: f64) -> Self {
        Self {
            hand,
            speed_m_s,
            reach_m,
            phase: Phase::Pull,
            at_m: 0.0,
            m_s: 0.0,
            force_n: 0.0,
            wish_n: 0.0,
            turned_s: None,
        }
    }

    /// The handle is back home.
    pub(super) fn is_home(&self) -> bool {
        self.phase == Phase::Home
    }

    /// One step of `h` seconds, `t_s` after the pull began, against the cord's tension.
    pub(super) fn step(&mut self, t_s: f64, tension_n: f64, h: f64) {
        let target = self.target(t_s);
        let lag = target - self.m_s;
        let most = self.hand.force_limit_n;
        let wanted = self.hand.gain_n_s_per_m * lag + self.wish_n;
        if wanted < most {
            self.wish_n += self.hand.gain_n_per_m * lag * h;
        }
        self.force_n += (wanted.clamp(-BRAKE_N, most) - self.force_n) * h / self.hand.muscle_s;
        self.m_s += (self.force_n - tension_n) / self.hand.mass_kg * h;
        self.at_m += self.m_s * h;
        if self.turned_s.is_none() && self.phase != Phase::Pull && self.m_s <= 0.0 {
            self.turned_s = Some(t_s);
        }
        if self.phase == Phase::Back && self.at_m <= 0.0 {
            self.phase = Phase::Home;
        }
    }

    /// The cord has run out: the person feels the jerk and turns round.
    pub(super) fn jerked(&mut self, t_s: f64) {
        if self.phase == Phase::Pull {
            self.turn(t_s);
        }
    }

    fn turn(&mut self, t_s: f64) {
        self.phase = Phase::Hold {
            until_s: t_s + self.hand.hold_s,
        };
        self.wish_n = 0.0;
    }

    /// Speed that the person wants, m/s; moves on to the next phase.
    fn target(&mut self, t_s: f64) -> f64 {
        match self.phase {
            Phase::Pull => {
                let tired = t_s > PATIENCE_S + self.reach_m / self.speed_m_s;
                if self.at_m >= self.reach_m || tired {
                    self.turn(t_s);
                }
                self.speed_m_s * (t_s / self.hand.ramp_s).min(1.0)
            }
            Phase::Hold { until_s } => {
                if t_s > until_s {
                    self.phase = Phase::Back;
                }
                0.0
            }
            Phase::Back | Phase::Home => -BACK_M_S,
        }
    }
}

//! The guard: calls when the cord does not give way, one decision a reading.
//!
//! Either the force alone is too high, or the integral of force squared since the last valley is: a valley
//! shows that the crank has moved on. Thresholds were set on simulated engines of 2.1 to 4.6 cm3.

use std::collections::VecDeque;

use schemars::JsonSchema;
use serde::Serialize;

/// Force that calls at once before any pull was seen, N.
const FORCE_N: f64 = 125.0;
/// Held force squared times time that calls before any pull was seen, N2 s.
const HELD_N2S: f64 = 700.0;
/// Good pulls before the thresholds follow the engine.
const LEARN_AFTER: usize = 4;
/// Good pulls that count.
const LEARN_FROM: usize = 20;
/// Threshold over the highest force of the good pulls.
const FORCE_FACTOR: f64 = 1.5;
/// Threshold over the largest held value of the good pulls.
const HELD_FACTOR: f64 = 2.8;
/// Below this share of the support, or below `VALLEY_N`, the crank has moved on.
const VALLEY_SHARE: f64 = 0.55;
/// A valley whatever the support was, N.
const VALLEY_N: f64 = 6.0;

/// Which rule called.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Reason {
    /// The force alone.
    Force,
    /// Force held without a valley.
    Held,
}

/// One call of the guard.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, JsonSchema)]
pub struct Alarm {
    /// Time of the reading that called, s.
    pub alarm_s: f64,
    /// That reading, N.
    pub force_n: f64,
    /// Which rule called.
    pub reason: Reason,
}

/// The streaming decision. Feed every reading with the base that the idle blocks gave.
///
/// ```
/// use feelgauge::measure::guard::{Guard, Reason};
/// let mut guard = Guard::new(None, None, 0.001);
/// assert_eq!(guard.push(20.0, Some(0.0)), None);
/// assert_eq!(guard.push(130.0, Some(0.0)), Some(Reason::Force));
/// ```
#[derive(Clone, Debug)]
pub struct Guard {
    /// Time between readings, s.
    dt_s: f64,
    /// Thresholds that learning never exceeds.
    ceiling: (f64, f64),
    /// Thresholds in force.
    force_n: f64,
    held_n2s: f64,
    /// Highest force since the last valley, N.
    support_n: f64,
    /// Integral of force squared since the last valley, N2 s.
    held: f64,
    /// Largest force and held value since the last pull ended.
    most: (f64, f64),
    /// A call since the last pull ended.
    called: bool,
    /// `most` of the good pulls, newest last.
    good: VecDeque<(f64, f64)>,
}

impl Guard {
    /// A guard with its own thresholds or the given ones (N and N2 s), for readings every `dt_s` seconds.
    pub fn new(force_n: Option<f64>, held_n2s: Option<f64>, dt_s: f64) -> Self {
        let ceiling = (force_n.unwrap_or(FORCE_N), held_n2s.unwrap_or(HELD_N2S));
        Self {
            dt_s,
            ceiling,
            force_n: ceiling.0,
            held_n2s: ceiling.1,
            support_n: 0.0,
            held: 0.0,
            most: (0.0, 0.0),
            called: false,
            good: VecDeque::new(),
        }
    }

    /// Takes one reading in newtons and the base (none: no guard); says whether it calls. It goes on calling while
    /// the cause lasts.
    pub fn push(&mut self, force_n: f64, base_n: Option<f64>) -> Option<Reason> {
        let x = (force_n - base_n?).max(0.0);
        self.support_n = self.support_n.max(x);
        if x < (VALLEY_SHARE * self.support_n).max(VALLEY_N) {
            self.held = 0.0;
            self.support_n = x;
        } else {
            self.held += x * x * self.dt_s;
        }
        self.most = (self.most.0.max(x), self.most.1.max(self.held));
        let reason = if x >= self.force_n {
            Some(Reason::Force)
        } else if self.held >= self.held_n2s {
            Some(Reason::Held)
        } else {
            None
        };
        self.called |= reason.is_some();
        reason
    }

    /// Tells the guard, 0.25 s after its end, that a pull has ended and how many strokes it had.
    pub fn pull_ended(&mut self, strokes: usize) {
        if strokes >= 3 && !self.called {
            self.good.push_back(self.most);
            if self.good.len() > LEARN_FROM {
                self.good.pop_front();
            }
        }
        self.most = (0.0, 0.0);
        self.called = false;
        if self.good.len() >= LEARN_AFTER {
            let (force, held) = self
                .good
                .iter()
                .fold((0.0f64, 0.0f64), |m, g| (m.0.max(g.0), m.1.max(g.1)));
            self.force_n = self.ceiling.0.min(FORCE_FACTOR * force);
            self.held_n2s = self.ceiling.1.min(HELD_FACTOR * held);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_held_force_calls_when_its_square_has_added_up() {
        let mut guard = Guard::new(None, None, 0.001);
        // 60 N held: 3600 N2 a second, so 700 N2 s are reached in the 195th millisecond (700/3.6 = 194.4)
        let calls = (1..1000).find(|_| guard.push(60.0, Some(0.0)).is_some());
        assert_eq!(calls, Some(195));
    }

    #[test]
    fn a_valley_starts_again_and_no_base_means_no_guard() {
        let mut guard = Guard::new(None, None, 0.001);
        for k in 0..5000 {
            let force = if k % 100 < 70 { 60.0 } else { 20.0 };
            assert_eq!(guard.push(force, Some(0.0)), None, "reading {k}");
        }
        assert_eq!(Guard::new(None, None, 0.001).push(1e5, None), None);
    }

    #[test]
    fn thresholds_follow_four_good_pulls_and_never_rise_above_the_first() {
        let mut guard = Guard::new(None, None, 0.001);
        for _ in 0..4 {
            for force in [0.0, 40.0, 0.0] {
                assert_eq!(guard.push(force, Some(0.0)), None);
            }
            guard.pull_ended(5);
        }
        // held: 2.8 x 1.6 N2 s = 4.48, and each reading adds 59^2 x 1 ms = 3.48; force: 1.5 x 40 N = 60 N
        assert_eq!(guard.push(59.0, Some(0.0)), None);
        assert_eq!(guard.push(59.0, Some(0.0)), Some(Reason::Held));
        assert_eq!(guard.push(60.0, Some(0.0)), Some(Reason::Force));
    }

    #[test]
    fn a_pull_with_a_call_teaches_nothing() {
        let mut guard = Guard::new(None, None, 0.001);
        for _ in 0..8 {
            guard.push(126.0, Some(0.0));
            guard.push(0.0, Some(0.0));
            guard.pull_ended(5);
        }
        assert!((guard.force_n - 125.0).abs() < 1e-12 && guard.good.is_empty());
    }
}

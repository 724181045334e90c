//! The guard: calls when the cord does not give way, one decision a reading.
//!
//! Either the force alone is too high, or the integral of force squared since the last valley is: a valley
//! shows that the crank has moved on. Thresholds were set on simulated engines of 2.1 to 4.6 cm3.
//!
//! [`Guard`] is the whole of it, for a live probe and for a record alike: readings in, alarms and ended pulls out.
//! [`Rule`] is the decision alone.

use std::{collections::VecDeque, time::Duration};

use schemars::JsonSchema;
use serde::Serialize;

use crate::measure::pull::{
    segment::{Base, Ended, Segmenter, UnderWay},
    strokes::{self, Sampling, Train},
};
use crate::reading::ForceReading;

/// Readings are missing where two lie further apart than this many times their usual distance.
const GAP: f64 = 3.0;

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

impl Alarm {
    /// A call with this reading.
    pub(in crate::measure) fn at(reading: ForceReading, reason: Reason) -> Self {
        Self {
            alarm_s: reading.t_us as f64 * 1e-6,
            force_n: reading.force_n,
            reason,
        }
    }
}

/// What one reading brought.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Step {
    /// The guard calls with this reading; it goes on calling while the cause lasts.
    pub alarm: Option<Alarm>,
    /// Readings are missing before this one.
    pub gap: bool,
    /// A pull, a bump or too long a pull that ended before this reading (at a gap) or with it.
    pub ended: Vec<(Ended, Train)>,
}

/// What one reading brought, without what ended.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(in crate::measure) struct Heard {
    /// Readings are missing before this one.
    pub(in crate::measure) gap: bool,
    /// The guard calls with this reading.
    pub(in crate::measure) reason: Option<Reason>,
}

/// The guard of a force probe: finds the base, watches every reading, learns from the pulls that went well.
///
/// ```
/// use feelgauge::{measure::guard::Guard, reading::ForceReading};
/// let mut guard = Guard::new((None, None), 0.001, 1); // 1000 readings a second, filter order 1
/// let mut first = None;
/// for k in 0..2000u64 {
///     // the handle hangs free for a second, then someone pulls at a cord that does not move
///     let force_n = if k < 1000 { 0.0 } else { 0.5 * (k - 1000) as f64 };
///     first = first.or(guard.push(ForceReading { t_us: k * 1000, force_n }).alarm);
/// }
/// let alarm = first.unwrap();
/// assert!(alarm.force_n < 125.5 && alarm.alarm_s < 1.252);
/// ```
#[derive(Clone, Debug)]
pub struct Guard {
    sampling: Sampling,
    segmenter: Segmenter,
    rule: Rule,
    last_us: Option<u64>,
    /// Readings are missing where two lie further apart, us.
    gap_us: u64,
}

impl Guard {
    /// A guard with the thresholds `(force in N, held force in N2 s)`, its own where none is given, for readings every
    /// `dt_s` seconds through a filter of order K.
    pub fn new(thresholds: (Option<f64>, Option<f64>), dt_s: f64, order: u32) -> Self {
        let sampling = Sampling::new(dt_s, order);
        Self {
            sampling,
            segmenter: Segmenter::new(dt_s, sampling.w),
            rule: Rule::new(thresholds.0, thresholds.1, dt_s),
            last_us: None,
            gap_us: gap_us(dt_s),
        }
    }

    /// For an engine whose plug is out: weaker jerks are pulls too.
    #[must_use]
    pub fn plug_out(mut self) -> Self {
        self.segmenter = self.segmenter.plug_out();
        self
    }

    /// Another engine: what the pulls before taught is forgotten, the base stays.
    pub fn new_engine(&mut self) {
        let (force_n, held_n2s) = self.rule.ceiling;
        self.rule = Rule::new(Some(force_n), Some(held_n2s), self.rule.dt_s);
    }

    /// Sampling that was stated.
    pub fn sampling(&self) -> Sampling {
        self.sampling
    }

    /// Base and noise of the last quiet block; without one the guard cannot call.
    pub fn base(&self) -> Option<Base> {
        self.segmenter.base()
    }

    /// Level on which the newest readings stand still, N.
    pub fn end_level(&self) -> Option<f64> {
        self.segmenter.end_level()
    }

    /// The pull that is under way, if there is one.
    pub fn under_way(&self) -> Option<UnderWay> {
        self.segmenter.under_way()
    }

    /// Thresholds in force, N and N2 s.
    pub fn thresholds(&self) -> (f64, f64) {
        (self.rule.force_n, self.rule.held_n2s)
    }

    /// Takes one reading: finite, and later than the last one.
    #[inline]
    pub fn push(&mut self, reading: ForceReading) -> Step {
        let mut ended = Vec::new();
        let heard = self.hear(reading, &mut ended);
        Step {
            alarm: heard.reason.map(|reason| Alarm::at(reading, reason)),
            gap: heard.gap,
            ended,
        }
    }

    /// As [`Guard::push`], for a caller who has a list for what ended.
    pub(in crate::measure) fn hear(
        &mut self,
        reading: ForceReading,
        ended: &mut Vec<(Ended, Train)>,
    ) -> Heard {
        let gap = self
            .last_us
            .is_some_and(|last| reading.t_us.saturating_sub(last) > self.gap_us);
        self.last_us = Some(reading.t_us);
        if gap {
            let torn = self.segmenter.gap();
            ended.extend(torn.map(|torn| self.ended(torn)));
        }
        let base = self.base().map(|base| base.level_n);
        let reason = self.rule.push(reading.force_n, base);
        if let Some(end) = self.segmenter.push(reading) {
            ended.push(self.ended(end));
        }
        Heard { gap, reason }
    }

    /// The record is over: a running pull ends with it.
    pub fn finish(&mut self) -> Option<(Ended, Train)> {
        self.segmenter.finish().map(|ended| self.ended(ended))
    }

    fn ended(&mut self, ended: Ended) -> (Ended, Train) {
        let train = match &ended {
            Ended::Pull(segment) => strokes::train(segment, self.sampling),
            Ended::Bump | Ended::TooLong => Train::default(),
        };
        let whole = matches!(&ended, Ended::Pull(segment) if !segment.gap);
        self.rule
            .pull_ended(if whole { train.tops.len() } else { 0 });
        (ended, train)
    }
}

/// Longest time between two readings of which none is missing between them, us.
fn gap_us(dt_s: f64) -> u64 {
    let usual_us = Duration::from_secs_f64((GAP * dt_s).clamp(0.0, 1e6));
    u64::try_from(usual_us.as_micros()).expect("at most 1e12")
}

/// The decision alone. Feed every reading with the base that the idle blocks gave.
///
/// ```
/// use feelgauge::measure::guard::{Reason, Rule};
/// let mut rule = Rule::new(None, None, 0.001);
/// assert_eq!(rule.push(20.0, Some(0.0)), None);
/// assert_eq!(rule.push(130.0, Some(0.0)), Some(Reason::Force));
/// ```
#[derive(Clone, Debug)]
pub struct Rule {
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

impl Rule {
    /// A rule with its own thresholds or the given ones (N and N2 s), for readings every `dt_s` seconds.
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
    #[inline]
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
        let mut rule = Rule::new(None, None, 0.001);
        // 60 N held: 3600 N2 a second, so 700 N2 s are reached in the 195th millisecond (700/3.6 = 194.4)
        let calls = (1..1000).find(|_| rule.push(60.0, Some(0.0)).is_some());
        assert_eq!(calls, Some(195));
    }

    #[test]
    fn a_valley_starts_again_and_no_base_means_no_guard() {
        let mut rule = Rule::new(None, None, 0.001);
        for k in 0..5000 {
            let force = if k % 100 < 70 { 60.0 } else { 20.0 };
            assert_eq!(rule.push(force, Some(0.0)), None, "reading {k}");
        }
        assert_eq!(Rule::new(None, None, 0.001).push(1e5, None), None);
    }

    #[test]
    fn thresholds_follow_four_good_pulls_and_never_rise_above_the_first() {
        let mut rule = Rule::new(None, None, 0.001);
        for _ in 0..4 {
            for force in [0.0, 40.0, 0.0] {
                assert_eq!(rule.push(force, Some(0.0)), None);
            }
            rule.pull_ended(5);
        }
        // held: 2.8 x 1.6 N2 s = 4.48, and each reading adds 59^2 x 1 ms = 3.48; force: 1.5 x 40 N = 60 N
        assert_eq!(rule.push(59.0, Some(0.0)), None);
        assert_eq!(rule.push(59.0, Some(0.0)), Some(Reason::Held));
        assert_eq!(rule.push(60.0, Some(0.0)), Some(Reason::Force));
    }

    #[test]
    fn another_engine_starts_with_the_first_thresholds() {
        let mut guard = Guard::new((Some(100.0), None), 0.001, 1);
        for _ in 0..4 {
            guard.rule.push(40.0, Some(0.0));
            guard.rule.pull_ended(5);
        }
        assert!(guard.thresholds().0 < 61.0);
        guard.new_engine();
        let (force_n, held_n2s) = guard.thresholds();
        assert!((force_n - 100.0).abs() < 1e-12 && (held_n2s - 700.0).abs() < 1e-12);
    }

    #[test]
    fn a_pull_with_a_call_teaches_nothing() {
        let mut rule = Rule::new(None, None, 0.001);
        for _ in 0..8 {
            rule.push(126.0, Some(0.0));
            rule.push(0.0, Some(0.0));
            rule.pull_ended(5);
        }
        assert!((rule.force_n - 125.0).abs() < 1e-12 && rule.good.is_empty());
    }
}

//! Pull: what a pull of the starter cord says about compression. Base from quiet blocks, on/off segmentation, zigzag
//! peaks cut at the cord's end, main train, parabola with the converter's averaging put back.
//!
//! Peaks are full readings; the base serves thresholds only, so the probe is tared with the handle hanging free before
//! a session. What a drifting zero moves after that is taken off (`drift`). Every constant was set on simulated engines of 2.1 to 4.6 cm3.

mod compare;
mod drift;
mod finding;
mod plug;
pub mod segment;
pub mod session;
pub mod strokes;

pub use compare::{Prior, PullComparison, PullComparisonQuality, Shift, compare, shift};
pub use finding::{
    PullFinding, PullQuality, PullReport, PullSettings, PullTrace, SUGGESTED_LIFT_RATIO, Session,
    Stroke, UsablePull,
};

pub use plug::{PlugShare, plug};

use crate::measure::guard::{Alarm, Guard};
use crate::reading::{Estimate, ForceReading, Quality, Refusal, Verdict, Z95};
use crate::units::STANDARD_GRAVITY;
use drift::Levels;
use segment::{Base, Ended, Segment, median};
use session::{MeanLiftRatio, mean_lift_ratio, mean_peak, session};
use strokes::{Sampling, Top, Train};

/// Readings from which the time between two is taken.
const DT_FROM: usize = 2000;
/// Readings below which there is nothing to say.
const FEWEST: usize = 20;
/// A larger reading is a broken one, N.
const LARGEST_N: f64 = 1e6;
/// A handle that hangs free and reads more than this was not tared (ours: the recoil spring alone pulls 1 to 4 N), N.
const UNTARED_N: f64 = 1.0;
/// Pulls that are kept for a picture, and readings of each.
const TRACES: usize = 50;
const TRACE_POINTS: usize = 400;

/// Streaming pull measure: [`Pull::push`] every reading, then [`Pull::finish`].
///
/// ```
/// use feelgauge::{measure::pull::{Pull, PullSettings}, reading::{ForceReading, Quality}};
/// let mut pull = Pull::new(PullSettings { mass_kg: Some(3.4), filter_order: 1, ..PullSettings::default() });
/// for k in 0..2000u64 {
///     let under_force = (500..1000).contains(&k);
///     let phase = (k as f64 - 500.0) / 50.0; // twenty strokes a second
///     let stroke = (std::f64::consts::PI * phase).sin().abs();
///     pull.push(ForceReading { t_us: k * 1000, force_n: if under_force { 5.0 + 40.0 * stroke } else { 0.0 } });
/// }
/// let finding = pull.finish(Quality::default());
/// assert_eq!(finding.pulls[0].strokes.len(), 10);
/// ```
#[derive(Clone, Debug)]
pub struct Pull {
    settings: PullSettings,
    /// First readings, until the time between two is known.
    head: Vec<ForceReading>,
    run: Option<Guard>,
    /// Level of the first quiet block, N: later ones may have the hand on the handle.
    rest_n: Option<f64>,
    /// Levels before the pulls.
    levels: Levels,
    /// What ended with the newest reading.
    over: Vec<(Ended, Train)>,
    last: Option<ForceReading>,
    finding: PullFinding,
    /// Highest reading and how often it came.
    most: (f64, u64),
    too_long: u64,
}

impl Pull {
    /// A measure that has seen nothing.
    pub fn new(settings: PullSettings) -> Self {
        let finding = PullFinding::empty(&settings, Quality::default());
        Self {
            settings,
            head: Vec::new(),
            run: None,
            rest_n: None,
            levels: Levels::default(),
            over: Vec::new(),
            last: None,
            finding,
            most: (f64::NEG_INFINITY, 0),
            too_long: 0,
        }
    }

    /// Takes one reading. One that is not finite, above 1e6 N, or not later than the last is counted and left out.
    pub fn push(&mut self, reading: ForceReading) {
        let quality = &mut self.finding.quality.common;
        if !reading.force_n.is_finite() || reading.force_n.abs() > LARGEST_N {
            quality.count("bad_reading");
            return;
        }
        if self.last.is_some_and(|last| reading.t_us <= last.t_us) {
            quality.count("time_not_later");
            return;
        }
        self.last = Some(reading);
        quality.rows += 1;
        // Equal to the last bit: a converter at its end repeats the same count.
        match reading.force_n.total_cmp(&self.most.0) {
            std::cmp::Ordering::Greater => self.most = (reading.force_n, 1),
            std::cmp::Ordering::Equal => self.most.1 += 1,
            std::cmp::Ordering::Less => {}
        }
        if self.run.is_some() {
            self.step(reading);
        } else {
            self.head.push(reading);
            if self.head.len() == DT_FROM {
                self.begin();
            }
        }
    }

    /// The record is over: the finding. `quality` is what the shell counted on the way.
    pub fn finish(mut self, quality: Quality) -> PullFinding {
        self.begin_late();
        if let Some((ended, train)) = self.run.as_mut().and_then(Guard::finish) {
            self.ended(&ended, &train);
        }
        self.closed(quality)
    }

    /// The finding while the record goes on: as [`Pull::finish`], but a pull that is under way is left out.
    pub fn so_far(mut self, quality: Quality) -> PullFinding {
        self.begin_late();
        self.closed(quality)
    }

    /// A short record: runs the readings kept so far, if they are enough.
    fn begin_late(&mut self) {
        if self.seen() >= FEWEST && self.run.is_none() {
            self.begin();
        }
    }

    fn seen(&self) -> usize {
        usize::try_from(self.finding.quality.common.rows).unwrap_or(usize::MAX)
    }

    fn closed(mut self, quality: Quality) -> PullFinding {
        let seen = self.seen();
        self.merge(quality);
        if let Some(run) = &self.run {
            self.finding.quality.rate_hz = Some(1.0 / run.sampling().dt_s);
            if let Some(base) = run.base() {
                self.finding.quality.noise_n = Some(base.noise_n);
            }
        }
        if self.rest_n.is_some_and(|level_n| level_n.abs() > UNTARED_N) {
            self.finding.quality.common.flag("not_tared");
        }
        self.follow_zero();
        let refusals = self.refusals(seen);
        self.conclude(refusals)
    }

    /// Where the zero drifted, the pulls are counted from where it stood before each, as far as it moved since the session began.
    fn follow_zero(&mut self) {
        let Some(base) = self.run.as_ref().and_then(Guard::base) else {
            return;
        };
        self.levels.first_n = self.rest_n.unwrap_or(base.level_n);
        self.levels.last_n = self
            .run
            .as_ref()
            .and_then(Guard::end_level)
            .unwrap_or(base.level_n);
        self.levels.last_s = self.last.map_or(0.0, |last| last.t_us as f64 * 1e-6);
        let peaks = self.finding.pulls.iter().filter_map(|p| p.peak_n);
        let mut peaks: Vec<f64> = peaks.map(|e| e.value).collect();
        let stuck = self.finding.guard.is_some();
        if !stuck && self.levels.drifted(median(&mut peaks), base.noise_n) {
            self.levels
                .take_off(&mut self.finding, self.settings.mass_kg);
            self.finding.quality.common.flag("zero_drifts");
        }
    }

    /// Time between readings is known: runs the readings kept so far.
    fn begin(&mut self) {
        let head = std::mem::take(&mut self.head);
        let mut steps: Vec<f64> = head
            .windows(2)
            .map(|p| (p[1].t_us - p[0].t_us) as f64 * 1e-6)
            .collect();
        let thresholds = (self.settings.guard_force_n, self.settings.guard_held_n2s);
        let guard = Guard::new(thresholds, median(&mut steps), self.settings.filter_order);
        self.run = Some(if self.settings.plug_out {
            guard.plug_out()
        } else {
            guard
        });
        for reading in head {
            self.step(reading);
        }
    }

    fn step(&mut self, reading: ForceReading) {
        let guard = self
            .run
            .as_mut()
            .expect("called once the sampling is known");
        let heard = guard.hear(reading, &mut self.over);
        if self.rest_n.is_none() {
            self.rest_n = guard.base().map(|base| base.level_n);
        }
        if heard.gap {
            self.finding.quality.common.gaps += 1;
        }
        if let Some(reason) = heard.reason {
            let alarm = Alarm::at(reading, reason);
            self.finding.guard.get_or_insert(alarm);
        }
        if !self.over.is_empty() {
            for (ended, train) in std::mem::take(&mut self.over) {
                self.ended(&ended, &train);
            }
        }
    }

    fn ended(&mut self, ended: &Ended, train: &Train) {
        match ended {
            Ended::Bump => self.finding.quality.bumps += 1,
            Ended::TooLong => self.too_long += 1,
            Ended::Pull(segment) => self.pull(segment, train),
        }
    }

    /// Reports one pull.
    fn pull(&mut self, segment: &Segment, train: &Train) {
        let sampling = self.run.as_ref().expect("a pull ended").sampling();
        let time = |i: usize| segment.readings[i].t_us as f64 * 1e-6 - sampling.delay_s();
        let mut report = report(train, segment.base, sampling);
        (report.start_s, report.end_s, report.gap) =
            (time(segment.start), time(segment.end), segment.gap);
        if self.settings.plug_out {
            report.peak_n = Some(strokes::highest_friction(train, segment.base, sampling));
        }
        if segment.gap {
            (report.peak_n, report.cadence_hz) = (None, None);
        }
        if let Some(mass_kg) = self.settings.mass_kg {
            report.lift_ratio = report
                .peak_n
                .map(|peak| peak.scaled(1.0 / (mass_kg * STANDARD_GRAVITY)));
        }
        if let (Some(cadence), Some(ln_peak)) = (report.cadence_hz, ln_two_highest(train)) {
            self.levels.usable.push(self.finding.pulls.len());
            self.finding.usable.push(UsablePull {
                ln_peak,
                ln_cadence: libm::log(cadence.value),
                u_ln_cadence: cadence.u / cadence.value,
            });
        }
        if self.finding.trace.len() < TRACES {
            self.finding.trace.push(thinned(segment));
        }
        if train.cord_end {
            self.finding.quality.common.flag("cord_end");
        }
        self.levels.before_n.push(segment.base.level_n);
        self.finding.pulls.push(report);
    }

    /// Adds what the shell counted.
    fn merge(&mut self, shell: Quality) {
        let own = std::mem::replace(&mut self.finding.quality.common, shell);
        let common = &mut self.finding.quality.common;
        // The shell saw the same places by their numbers.
        common.gaps = common.gaps.max(own.gaps);
        common.rows = common.rows.max(own.rows);
        for (kind, count) in own.faults {
            *common.faults.entry(kind).or_default() += count;
        }
        for word in own.flags {
            common.flag(&word);
        }
    }

    fn refusals(&self, seen: usize) -> Vec<Refusal> {
        let mut refusals = Vec::new();
        let range = self.settings.range_n.unwrap_or(f64::INFINITY);
        if self.most.1 >= 2 && self.most.0 >= 0.98 * range {
            let message = "the force ran into the end of the probe's range, so the peak is only a lower bound: use a probe for larger forces";
            refusals.push(Refusal::new("clipped", message).with(self.most.0, range));
        }
        if self.too_long > 0 {
            let message = if self.finding.guard.is_some() {
                "the cord stayed under force for more than 5 s and did not give way: take the glow plug out and turn the engine over by hand, find what is stuck, before you pull again"
            } else {
                "the cord stayed under force for more than 5 s: pull and let the cord run back, then pull again"
            };
            refusals.push(Refusal::new("too_long", message));
        }
        if !self.finding.pulls.is_empty() || self.too_long > 0 {
            return refusals;
        }
        let has_base = self.run.as_ref().is_some_and(|run| run.base().is_some());
        if seen < FEWEST {
            let message =
                "fewer than 20 readings: record a few seconds before, during and after each pull";
            refusals.push(Refusal::new("no_pull", message).with(seen as f64, FEWEST as f64));
        } else if has_base {
            let message = if self.settings.plug_out {
                "no pull was stronger than the recoil spring alone (3.5 N): check that the probe sits between cord and hand, then pull"
            } else {
                "no pull reached 8 N: check that the probe sits between cord and hand, then pull"
            };
            refusals.push(Refusal::new("no_pull", message));
        } else {
            let message = "the record has no quiet stretch with the handle hanging free: start it, wait a second, then pull";
            refusals.push(Refusal::new("no_quiet_start", message));
        }
        refusals
    }

    /// Session, mean lift ratio and verdict; a refusal leaves them out.
    fn conclude(self, refusals: Vec<Refusal>) -> PullFinding {
        let mut finding = self.finding;
        if !refusals.is_empty() {
            for pull in finding
                .pulls
                .iter_mut()
                .filter(|_| refusals.iter().any(|r| r.code == "clipped"))
            {
                (pull.peak_n, pull.lift_ratio) = (None, None);
                for stroke in &mut pull.strokes {
                    stroke.peak_n = None;
                }
            }
            finding.usable.clear();
            finding.refused = Some(refusals);
            return finding;
        }
        let gain_u = self.settings.calibration.u_relative;
        if self.settings.plug_out {
            let peaks: Vec<Estimate> = finding.pulls.iter().filter_map(|p| p.peak_n).collect();
            finding.plug_out_peak_n = plug::own_peak(&peaks).map(|e| widened(e, gain_u));
        } else {
            finding.session = session(&finding.usable, gain_u);
            let weight_n = self.settings.mass_kg.map(|m| m * STANDARD_GRAVITY);
            let noise_n = self.run.as_ref().map_or(0.0, noise_of_tops);
            finding.mean_peak_n = mean_peak(&finding.pulls, gain_u, noise_n);
            let mean = weight_n
                .and_then(|weight_n| mean_lift_ratio(&finding.pulls, gain_u, noise_n / weight_n));
            if let Some(MeanLiftRatio { estimate, budget }) = mean {
                finding.verdict = Some(verdict(estimate, finding.limit_lift_ratio));
                finding.lift_ratio = Some(estimate);
                finding.budget = budget;
            }
        }
        for pull in &mut finding.pulls {
            share_gain(pull, gain_u);
        }
        finding
    }
}

fn verdict(ratio: Estimate, limit: f64) -> Verdict {
    if ratio.lo95 >= limit {
        Verdict::Within
    } else if ratio.hi95 < limit {
        Verdict::Outside
    } else {
        Verdict::Undecided
    }
}

/// What the readings' noise leaves in one top, N.
fn noise_of_tops(run: &Guard) -> f64 {
    run.base().map_or(0.0, |base| {
        strokes::noise_of_top(base.noise_n, run.sampling())
    })
}

/// Widens a pull's forces by what the calibration does not know.
fn share_gain(pull: &mut PullReport, gain_u: f64) {
    let strokes = pull.strokes.iter_mut().map(|s| &mut s.peak_n);
    for force in strokes.chain([&mut pull.peak_n, &mut pull.lift_ratio]) {
        *force = force.map(|e| widened(e, gain_u));
    }
}

/// An estimate with a relative uncertainty more that has nothing to do with the rest.
fn widened(e: Estimate, u_relative: f64) -> Estimate {
    if u_relative <= 0.0 {
        return e;
    }
    let u = (e.value * u_relative).abs();
    Estimate {
        value: e.value,
        u: libm::hypot(e.u, u),
        lo95: e.value - libm::hypot(e.value - e.lo95, Z95 * u),
        hi95: e.value + libm::hypot(e.hi95 - e.value, Z95 * u),
    }
}

/// Everything of a pull that its strokes tell; start, end and gap are the caller's.
fn report(train: &Train, base: Base, sampling: Sampling) -> PullReport {
    let cadence_hz = strokes::cadence_or_usual(&train.tops);
    let possible =
        |highest_n| strokes::highest_possible(highest_n, cadence_hz, base.noise_n, sampling);
    let estimate = |top: &Top, possible_n| {
        strokes::top_estimate(top, possible_n, cadence_hz, base.noise_n, sampling)
    };
    let highest = train
        .tops
        .iter()
        .max_by(|a, b| a.force_n.total_cmp(&b.force_n));
    let peak_n = highest.map(|top| {
        let unbiased = Top {
            force_n: top.force_n - 0.7 * strokes::noise_of_top(base.noise_n, sampling),
            ..*top
        };
        estimate(&unbiased, possible(train.highest_n))
    });
    let stroke = |top: &Top| Stroke {
        t_s: top.t_s,
        peak_n: Some(estimate(top, possible(top.highest_n))),
    };
    PullReport {
        start_s: 0.0,
        end_s: 0.0,
        lift_ratio: None,
        cadence_hz: strokes::cadence(&train.tops, sampling),
        under_read_max: peak_n.map_or(0.0, |peak: Estimate| {
            let top = possible(train.highest_n);
            // A probe so far off its zero that pulls read negative has no share to state.
            if top > 0.0 {
                (1.0 - peak.value / top).clamp(0.0, 1.0)
            } else {
                0.0
            }
        }),
        peak_n,
        cord_end: train.cord_end,
        gap: false,
        strokes: train.tops.iter().map(stroke).collect(),
    }
}

/// Logarithm of the mean of the two highest peaks.
fn ln_two_highest(train: &Train) -> Option<f64> {
    let mut forces: Vec<f64> = train.tops.iter().map(|top| top.force_n).collect();
    forces.sort_by(|a, b| b.total_cmp(a));
    let mean = match forces[..] {
        [] => return None,
        [one] => one,
        [first, second, ..] => 0.5 * (first + second),
    };
    (mean > 0.0).then(|| libm::log(mean))
}

/// At most 400 points of a pull, each the highest of its stretch.
fn thinned(segment: &Segment) -> PullTrace {
    let step = segment.readings.len().div_ceil(TRACE_POINTS);
    let mut trace = PullTrace::default();
    for stretch in segment.readings.chunks(step.max(1)) {
        let highest = stretch
            .iter()
            .max_by(|a, b| a.force_n.total_cmp(&b.force_n))
            .expect("chunks are not empty");
        trace.t_s.push(highest.t_us as f64 * 1e-6);
        trace.force_n.push(highest.force_n);
    }
    trace
}

//! The guide of a pull session: each pull with its peak and strokes as it ends, and how many more decide.

use schemars::JsonSchema;
use serde::Serialize;

use super::forecast;
use crate::{
    measure::{
        guard::Guard,
        pull::{Pull, PullFinding, PullReport, PullSettings, PullTrace, SUGGESTED_LIFT_RATIO},
    },
    reading::{Estimate, ForceReading, LimitSource, Quality, Refusal, Verdict},
    units::STANDARD_GRAVITY,
};

/// A pull is shown when the force has stayed low for this long, us; for good it ends after 250 ms. The slowest strokes that
/// were seen came 160 ms apart, and force stands for most of that: of 2700 simulated pulls 5 went on after they were shown, and
/// no stroke was added to them.
const SHOWN_US: u64 = 120_000;
/// Readings from which the watch takes the time between two: so many, twice, four times ... and at last the measure's own.
const WATCH_FROM: usize = 40;
const WATCH_LAST: usize = 2000;
/// A larger reading is a broken one, N (as the measure has it).
const LARGEST_N: f64 = 1e6;
/// Pulls that count after which a verdict may end the session, and after which it ends whatever it says: more of them on one
/// day say little (an engine differs from day to day).
const FEWEST: u32 = 3;
const MOST: u32 = 10;
/// A pull of fewer than three strokes that took longer than three of the slowest strokes that were seen was too slow, else too
/// short, s.
const SLOW_S: f64 = 3.0 * 0.16;
/// Refusals of the record as a whole that a person must hear of while it runs.
const FOR_GOOD: [&str; 2] = ["clipped", "too_long"];

/// What the hands do now.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum PullPhase {
    /// The handle must hang free until the base is known; the guard cannot warn yet.
    Rest,
    /// Ready for the next pull.
    Ready,
    /// A pull is under way.
    Pulling,
    /// Enough pulls: the interval decides, or is as narrow as was asked.
    Over,
}

/// One pull as it is shown.
#[derive(Clone, Debug, PartialEq, Serialize, JsonSchema)]
pub struct SeenPull {
    /// Peak, strokes, speed.
    pub report: PullReport,
    /// Why it does not count, in a word or two (`too slow`, `too short`, `readings missing`, `too strong`); null when it
    /// counts.
    pub not_counted: Option<String>,
    /// Its readings: seconds from the pull's start and N.
    pub readings: Vec<(f64, f64)>,
}

/// Where a pull session stands.
#[derive(Clone, Debug, PartialEq, Serialize, JsonSchema)]
pub struct PullView {
    /// What the hands do now.
    pub phase: PullPhase,
    /// Force now, N above the base; null before the base is known.
    pub force_n: Option<f64>,
    /// The guard watches: the base is known.
    pub is_guarded: bool,
    /// Pulls, oldest first. The last one may still change while the phase is `pulling`: it is shown before the quiet time
    /// is over that ends a pull for good.
    pub pulls: Vec<SeenPull>,
    /// How many of them count.
    pub counted: u32,
    /// Jerks below 8 N that are no pull.
    pub bumps: u64,
    /// Mean peak of the counted pulls, N, with its interval; null below three (plug out: below two).
    pub peak_n: Option<Estimate>,
    /// Mean lift ratio; null without a mass or below three counted pulls.
    pub lift_ratio: Option<Estimate>,
    /// Weight of the car, N; null without a mass.
    pub weight_n: Option<f64>,
    /// Limit of the lift ratio and where it comes from.
    pub limit_lift_ratio: (f64, LimitSource),
    /// The verdict so far; undecided below three counted pulls.
    pub verdict: Verdict,
    /// About how many more pulls decide, at least and at most; null when decided or nobody can say.
    pub more_pulls: Option<(u32, u32)>,
    /// The recording may end by itself.
    pub is_over: bool,
    /// Why the record as a whole gives no number (the probe ran into the end of its range, the cord stayed under force), in
    /// words with what to do.
    pub refused: Option<String>,
}

/// Follows a pull session.
#[derive(Debug)]
pub struct PullGuide {
    settings: PullSettings,
    pull: Pull,
    /// Sees the base and the running pull; the measure itself waits for 2000 readings until it knows the time between two.
    watch: Option<Guard>,
    /// The first readings, until the watch has the measure's own time between two.
    head: Vec<ForceReading>,
    last: Option<ForceReading>,
    due: Option<Purpose>,
    /// Time of the last reading under force of the pull that was shown before it had ended for good.
    shown_us: Option<u64>,
    is_out: bool,
    is_over: bool,
    seen: Seen,
}

/// What the studies said.
#[derive(Debug, Default)]
struct Seen {
    pulls: Vec<SeenPull>,
    counted: u32,
    bumps: u64,
    peak_n: Option<Estimate>,
    lift_ratio: Option<Estimate>,
    verdict: Option<Verdict>,
    more_pulls: Option<(u32, u32)>,
    refused: Option<String>,
}

/// Why a study is made.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Purpose {
    /// The force has gone: shows the pull before it has ended for good.
    Early,
    /// A pull has ended.
    Ended,
}

/// The analysis of the pulls so far.
#[derive(Debug)]
pub struct PullStudy {
    pull: Pull,
    purpose: Purpose,
}

/// What it found.
#[derive(Debug)]
pub struct PullStudied {
    finding: PullFinding,
    purpose: Purpose,
}

impl PullGuide {
    /// A guide before the first reading.
    pub fn new(settings: PullSettings) -> Self {
        Self {
            settings,
            pull: Pull::new(settings),
            watch: None,
            head: Vec::new(),
            last: None,
            due: None,
            shown_us: None,
            is_out: false,
            is_over: false,
            seen: Seen::default(),
        }
    }

    pub(super) fn push(&mut self, reading: ForceReading) {
        self.pull.push(reading);
        let is_later = self.last.is_none_or(|last| reading.t_us > last.t_us);
        let is_broken = !reading.force_n.is_finite() || reading.force_n.abs() > LARGEST_N;
        if is_broken || !is_later {
            return;
        }
        self.last = Some(reading);
        if let Some(watch) = &mut self.watch
            && !watch.push(reading).ended.is_empty()
        {
            self.ended();
        }
        if self.head.len() < WATCH_LAST {
            self.head.push(reading);
            let n = self.head.len();
            let is_doubled = n.is_multiple_of(WATCH_FROM) && (n / WATCH_FROM).is_power_of_two();
            if is_doubled || n == WATCH_LAST {
                self.watch_anew();
            }
        }
        self.notice(reading.t_us);
    }

    /// Begins the watch anew on the readings so far, which know the time between two better than fewer did.
    fn watch_anew(&mut self) {
        let settings = &self.settings;
        let mut steps: Vec<u64> = self
            .head
            .windows(2)
            .map(|pair| pair[1].t_us - pair[0].t_us)
            .collect();
        let half = steps.len() / 2;
        let dt_s = *steps.select_nth_unstable(half).1 as f64 * 1e-6;
        let thresholds = (settings.guard_force_n, settings.guard_held_n2s);
        let guard = Guard::new(thresholds, dt_s, settings.filter_order);
        let mut watch = if settings.plug_out {
            guard.plug_out()
        } else {
            guard
        };
        let was_under_way = self.is_pulling();
        for reading in &self.head {
            watch.push(*reading);
        }
        let is_under_way = watch.under_way().is_some();
        self.watch = Some(watch);
        if was_under_way && !is_under_way {
            self.ended();
        }
    }

    /// A pull, a bump, or too long a pull has ended.
    fn ended(&mut self) {
        (self.due, self.shown_us) = (Some(Purpose::Ended), None);
    }

    /// Sees that the force has gone from the running pull.
    fn notice(&mut self, now_us: u64) {
        let Some(pull) = self.watch.as_ref().and_then(Guard::under_way) else {
            return;
        };
        let is_quiet = now_us - pull.last_us >= SHOWN_US;
        if pull.is_pull && is_quiet && self.shown_us != Some(pull.last_us) {
            self.shown_us = Some(pull.last_us);
            self.due.get_or_insert(Purpose::Early);
        }
    }

    fn is_pulling(&self) -> bool {
        let watch = self.watch.as_ref();
        watch.is_some_and(|watch| watch.under_way().is_some())
    }

    pub(super) fn view(&self) -> PullView {
        let base = self.watch.as_ref().and_then(Guard::base);
        let phase = if self.is_pulling() {
            PullPhase::Pulling
        } else if self.is_over {
            PullPhase::Over
        } else if base.is_some() {
            PullPhase::Ready
        } else {
            PullPhase::Rest
        };
        let limit = self.settings.limit_lift_ratio;
        let seen = &self.seen;
        PullView {
            phase,
            force_n: base.zip(self.last).map(|(b, r)| r.force_n - b.level_n),
            is_guarded: base.is_some(),
            pulls: seen.pulls.clone(),
            counted: seen.counted,
            bumps: seen.bumps,
            peak_n: seen.peak_n,
            lift_ratio: seen.lift_ratio,
            weight_n: self.settings.mass_kg.map(|kg| kg * STANDARD_GRAVITY),
            limit_lift_ratio: limit.unwrap_or((SUGGESTED_LIFT_RATIO, LimitSource::Suggested)),
            verdict: seen.verdict.unwrap_or(Verdict::Undecided),
            more_pulls: seen.more_pulls,
            is_over: self.is_over,
            refused: seen.refused.clone(),
        }
    }

    pub(super) fn study(&mut self) -> Option<PullStudy> {
        if self.is_out {
            return None;
        }
        let purpose = self.due.take()?;
        self.is_out = true;
        Some(PullStudy {
            pull: self.pull.clone(),
            purpose,
        })
    }

    pub(super) fn learn(&mut self, found: PullStudied) {
        self.is_out = false;
        let PullStudied { finding, purpose } = found;
        self.seen = Seen::of(&finding);
        // A pull that may still go on ends nothing.
        if purpose == Purpose::Ended {
            let is_decided = self.seen.verdict.is_some_and(|v| v != Verdict::Undecided);
            let counted = self.seen.counted;
            self.is_over |= counted >= MOST || (counted >= FEWEST && is_decided);
        }
    }
}

impl Seen {
    fn of(finding: &PullFinding) -> Self {
        let refusal = |codes: &[&str]| -> Option<&Refusal> {
            let mut all = finding.refused.iter().flatten();
            all.find(|refusal| codes.contains(&refusal.code.as_str()))
        };
        let refused = refusal(&FOR_GOOD).map(|refusal| refusal.message.clone());
        let is_clipped = refusal(&["clipped"]).is_some();
        let why = |pull: &PullReport| {
            let why = not_counted(pull, finding.plug_out, is_clipped);
            why.map(str::to_owned)
        };
        let traces = finding.trace.iter().map(Some);
        let pulls: Vec<SeenPull> = finding
            .pulls
            .iter()
            .zip(traces.chain(std::iter::repeat(None)))
            .map(|(pull, trace)| SeenPull {
                readings: trace.map_or_else(Vec::new, |trace| points(trace, pull.start_s)),
                not_counted: why(pull),
                report: pull.clone(),
            })
            .collect();
        let counted = pulls.iter().filter(|pull| pull.not_counted.is_none());
        let ratios: Vec<Estimate> = counted
            .clone()
            .filter_map(|pull| pull.report.lift_ratio)
            .collect();
        let is_decided = finding.verdict.is_some_and(|v| v != Verdict::Undecided);
        let more_pulls = if is_decided || finding.plug_out {
            None
        } else {
            let limit = finding.limit_lift_ratio;
            forecast::more_pulls(&ratios, finding.lift_ratio, limit, MOST)
        };
        Self {
            counted: u32::try_from(counted.count()).unwrap_or(u32::MAX),
            pulls,
            bumps: finding.quality.bumps,
            peak_n: finding.mean_peak_n.or(finding.plug_out_peak_n),
            lift_ratio: finding.lift_ratio,
            verdict: finding.verdict,
            more_pulls,
            refused,
        }
    }
}

/// Why the measure leaves a pull out of the mean, in a word or two.
fn not_counted(pull: &PullReport, plug_out: bool, is_clipped: bool) -> Option<&'static str> {
    if is_clipped {
        Some("too strong")
    } else if pull.gap {
        Some("readings missing")
    } else if plug_out || pull.cadence_hz.is_some() {
        None
    } else if pull.end_s - pull.start_s > SLOW_S {
        Some("too slow")
    } else {
        Some("too short")
    }
}

fn points(trace: &PullTrace, start_s: f64) -> Vec<(f64, f64)> {
    let points = trace.t_s.iter().zip(&trace.force_n);
    points.map(|(t_s, n)| (t_s - start_s, *n)).collect()
}

impl PullStudy {
    pub(super) fn run(self) -> PullStudied {
        let quality = Quality::default();
        PullStudied {
            finding: match self.purpose {
                Purpose::Early => self.pull.finish(quality),
                Purpose::Ended => self.pull.so_far(quality),
            },
            purpose: self.purpose,
        }
    }
}

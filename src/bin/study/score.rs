//! Findings against the truth of simulated sessions. The pull's tests use it too.

use crate::numbers::Numbers;
use feelgauge::{
    measure::pull::{Pull, PullFinding, PullReport, PullSettings},
    physics::engine::{EngineScenario, EngineTruth, Probe, PullTruth, simulate},
    reading::{ForceReading, Quality},
};

/// Finding of readings.
pub fn measure(readings: &[ForceReading], settings: PullSettings) -> PullFinding {
    let mut pull = Pull::new(settings);
    for reading in readings {
        pull.push(*reading);
    }
    pull.finish(Quality::default())
}

/// Finding and truth of a scenario.
pub fn run(scenario: &EngineScenario, seed: u64) -> (PullFinding, EngineTruth) {
    let record = simulate(scenario, seed);
    let settings = PullSettings {
        mass_kg: Some(scenario.mass_kg),
        filter_order: scenario.probe.filter_order,
        ..PullSettings::default()
    };
    (measure(&record.readings, settings), record.truth)
}

/// Counts over many pulls.
#[derive(Debug, Default)]
pub struct Score {
    pub pulls: usize,
    pub found: usize,
    pub exact: usize,
    pub covered: usize,
    pub above_bound: usize,
    /// Relative errors of the pull's peak, and half widths of its interval.
    pub peak: Numbers,
    pub half_width: Numbers,
    pub bound: Numbers,
    /// Relative error of the cadence, over all and over its stated u.
    pub cadence: Numbers,
    pub start_s: Numbers,
    pub end_s: Numbers,
    pub wrong: Vec<(u64, usize)>,
}

impl Score {
    /// Six pulls each of the population's engines `seeds`, through a probe.
    pub fn of_population(seeds: std::ops::Range<u64>, probe: Probe, speed_sd: f64) -> Self {
        let mut score = Self::default();
        for seed in seeds {
            let mut scenario = EngineScenario {
                probe,
                ..EngineScenario::drawn(seed)
            };
            scenario.hand.speed_sd = speed_sd;
            let (finding, truth) = run(&scenario, seed);
            score.add(seed, &finding, &truth);
        }
        score
    }

    pub fn add(&mut self, seed: u64, finding: &PullFinding, truth: &EngineTruth) {
        for (k, pull) in truth.pulls.iter().enumerate() {
            self.pulls += 1;
            let Some(report) = finding
                .pulls
                .iter()
                .find(|p| (p.start_s - pull.start_s).abs() < 0.3)
            else {
                self.wrong.push((seed, k));
                continue;
            };
            self.found += 1;
            if counted_exactly(report, pull) {
                self.exact += 1;
            } else {
                self.wrong.push((seed, k));
            }
            self.start_s.0.push(report.start_s - pull.start_s);
            self.end_s.0.push(report.end_s - pull.end_s);
            if let Some(peak) = report.peak_n {
                self.peak.0.push(peak.value / pull.peak_n - 1.0);
                self.half_width
                    .0
                    .push((peak.hi95 - peak.lo95) / 2.0 / pull.peak_n);
                self.covered += usize::from(peak.lo95 <= pull.peak_n && pull.peak_n <= peak.hi95);
                self.above_bound +=
                    usize::from(1.0 - peak.value / pull.peak_n > report.under_read_max);
                self.bound.0.push(report.under_read_max);
            }
            if let (Some(c), Some(truth)) = (report.cadence_hz, pull.cadence_hz) {
                self.cadence.0.push(c.value / truth - 1.0);
            }
        }
    }
}

/// Every high passage found, nothing invented; a hump behind the last passage may be one.
pub fn counted_exactly(report: &PullReport, truth: &PullTruth) -> bool {
    let mut heights: Vec<f64> = truth.strokes.iter().map(|s| s.peak_n).collect();
    heights.sort_by(|a, b| b.total_cmp(a));
    let n = ((heights.len() + 1) / 3).max(2).min(heights.len());
    if n == 0 {
        return report.strokes.len() <= 1;
    }
    let reference = heights[..n].iter().sum::<f64>() / n as f64;
    let mut free: Vec<f64> = report.strokes.iter().map(|s| s.t_s).collect();
    for (k, stroke) in truth.strokes.iter().enumerate() {
        let before = k.checked_sub(1).map(|k| truth.strokes[k].peak_s);
        let after = truth.strokes.get(k + 1).map(|s| s.peak_s);
        let from = before.map_or(f64::NEG_INFINITY, |b| f64::midpoint(b, stroke.peak_s));
        let to = after.map_or(stroke.tdc_s + 0.01, |a| f64::midpoint(a, stroke.peak_s));
        let hits = free.iter().filter(|t| from < **t && **t <= to).count();
        free.retain(|t| !(from < *t && *t <= to));
        let must = stroke.peak_n >= 0.75 * reference;
        let may = stroke.peak_n >= 0.3 * reference;
        if hits > 1 || (must && hits == 0) || (!may && hits == 1) {
            return false;
        }
    }
    free.len() <= 1
        && free
            .iter()
            .all(|t| *t > truth.strokes[truth.strokes.len() - 1].tdc_s)
}

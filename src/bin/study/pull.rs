//! Pull: strokes counted, peaks and their intervals, by sample rate, filter order and noise; cadence, start, the cord's end.

use std::f64::consts::PI;

use feelgauge::measure::pull::{PullReport, PullSettings};
use feelgauge::physics::Simulated;
use feelgauge::physics::engine::{EngineScenario, Probe, PullTruth, simulate};
use feelgauge::physics::noise::Noise;
use feelgauge::reading::ForceReading;

use crate::figure::{Good, Sheet, Unit, design};
use crate::numbers::Numbers;
use crate::plan::{Plan, seeds, tell};
use crate::score::{Score, measure};
use crate::strokes;

/// Pulls a session of the population.
const PULLS: usize = 6;
/// Engines of a long and a short run.
const ENGINES: (usize, usize) = (120, 12);
/// Spread of the speed from pull to pull.
const SPEED_SD: f64 = 0.25;
/// Pulls behind the design study's counts and peaks.
const COUNTED: usize = 500;
const PEAKS: usize = 400;

/// A probe, and what the design study says of the pull's peak with it.
struct Case {
    rate_hz: u32,
    order: u32,
    noise_n: f64,
    /// Pulls counted exactly; NaN: not stated.
    exact: f64,
    bias: f64,
    rms: f64,
    cover: f64,
    half: f64,
    above: f64,
    bound: f64,
}

const CASES: [Case; 9] = [
    case(
        (80, 1, 0.1),
        0.970,
        [-0.081, 0.115, 0.990, 0.384, 0.0025, 0.6339],
    ),
    case(
        (80, 4, 0.1),
        f64::NAN,
        [-0.190, 0.224, 0.925, 0.321, 0.0025, 0.7954],
    ),
    case(
        (200, 1, 0.1),
        0.994,
        [0.005, 0.018, 0.990, 0.049, 0.0, 0.1093],
    ),
    case(
        (200, 1, 0.5),
        f64::NAN,
        [0.002, 0.020, 0.988, 0.055, 0.0, 0.1282],
    ),
    case(
        (200, 4, 0.1),
        f64::NAN,
        [-0.008, 0.030, 0.972, 0.039, 0.0025, 0.1629],
    ),
    case(
        (400, 1, 0.1),
        f64::NAN,
        [-0.001, 0.004, 0.988, 0.011, 0.0, 0.0330],
    ),
    case(
        (400, 4, 0.5),
        f64::NAN,
        [0.003, 0.012, 0.990, 0.029, 0.0, 0.0644],
    ),
    case(
        (1000, 1, 0.1),
        0.992,
        [-0.002, 0.002, 0.998, 0.007, 0.0, 0.0107],
    ),
    case(
        (1000, 1, 0.5),
        f64::NAN,
        [-0.001, 0.006, 0.995, 0.017, 0.0, 0.0324],
    ),
];

const fn case((rate_hz, order, noise_n): (u32, u32, f64), exact: f64, peak: [f64; 6]) -> Case {
    let [bias, rms, cover, half, above, bound] = peak;
    Case {
        rate_hz,
        order,
        noise_n,
        exact,
        bias,
        rms,
        cover,
        half,
        above,
        bound,
    }
}

/// rms of the cadence, and 95 % of the start's error (s), of the design study by sample rate.
const TIMES: [(u32, f64, f64); 4] = [
    (80, 0.011, 0.014),
    (200, 0.004, 0.006),
    (400, 0.002, f64::NAN),
    (1000, 0.002, 0.001),
];

/// Sheets of the pull studies.
pub fn sheets(plan: &Plan) -> Vec<Sheet> {
    let mut sheets = Vec::new();
    if !plan.short {
        sheets.push(strokes::sheet(plan));
        tell(&sheets[0]);
    }
    for (number, case) in CASES.iter().enumerate() {
        if plan.short && !matches!((case.rate_hz, case.order), (200 | 1000, 1)) {
            continue;
        }
        let first = plan.seed(10, number);
        sheets.push(peaks(case, first, plan.size(ENGINES.0, ENGINES.1)));
        tell(&sheets[sheets.len() - 1]);
    }
    let sheet = cord_end(plan);
    tell(&sheet);
    sheets.push(sheet);
    sheets
}

fn peaks(case: &Case, first: u64, engines: usize) -> Sheet {
    let probe = Probe {
        noise_n: case.noise_n,
        ..Probe::new(case.rate_hz, case.order)
    };
    let score = Score::of_population(first..first + engines as u64, probe, SPEED_SD);
    let mut sheet = Sheet::new(
        &format!(
            "Pull: {} Hz, filter order {}, noise {} N",
            case.rate_hz, case.order, case.noise_n
        ),
        "pull, strokes and under-read",
        format!("{}, {PULLS} pulls each", seeds(first, engines)),
    );
    let exact = (!case.exact.is_nan()).then(|| design(case.exact, COUNTED));
    sheet.share(
        "strokes counted exactly",
        (score.exact, score.pulls),
        Good::High,
        exact.flatten(),
    );
    let peak = &score.peak;
    let beside = |value| design(value, PEAKS);
    for (what, count, good, theirs) in [
        (
            "peak: interval covers",
            score.covered,
            Good::High,
            case.cover,
        ),
        (
            "peak: misses more than `under_read_max`",
            score.above_bound,
            Good::Low,
            case.above,
        ),
    ] {
        sheet.share(what, (count, peak.0.len()), good, beside(theirs));
    }
    for (what, value, good, theirs) in [
        ("peak: bias", peak.mean(), Good::Small, case.bias),
        ("peak: rms error", peak.rms(), Good::Low, case.rms),
        (
            "peak: half width of the interval, median",
            score.half_width.quantile(0.5),
            Good::Low,
            case.half,
        ),
        (
            "`under_read_max`, median",
            score.bound.quantile(0.5),
            Good::Low,
            case.bound,
        ),
    ] {
        sheet.value(what, value, Unit::FinePercent, good, beside(theirs));
    }
    times(&mut sheet, case, &score);
    sheet
}

fn times(sheet: &mut Sheet, case: &Case, score: &Score) {
    let quiet = case.order == 1 && case.noise_n < 0.2;
    for (rate_hz, cadence, start_s) in TIMES {
        if !quiet || rate_hz != case.rate_hz {
            continue;
        }
        sheet.value(
            "cadence: rms error",
            score.cadence.rms(),
            Unit::FinePercent,
            Good::Low,
            design(cadence, 250),
        );
        sheet.value(
            "cadence: 95 % of the errors below",
            score.cadence.magnitude(0.95),
            Unit::FinePercent,
            Good::Low,
            None,
        );
        let stated = (!start_s.is_nan()).then(|| design(start_s, 250));
        sheet.value(
            "start: 95 % of the errors below",
            score.start_s.magnitude(0.95),
            Unit::Millis,
            Good::Low,
            stated.flatten(),
        );
    }
}

/// A cord that runs out: is the spike left out, and only then?
fn cord_end(plan: &Plan) -> Sheet {
    let engines = plan.size(70, 15);
    let first = plan.seed(11, 0);
    let mut sheet = Sheet::new(
        "Pull: the cord runs out to its stop, 200 Hz",
        "pull, strokes",
        format!("{}, {PULLS} pulls each", seeds(first, engines)),
    );
    let mut all = CordEnds::default();
    (first..).take(engines).for_each(|seed| all.engine(seed));
    sheet.share(
        "clean pulls in which the cut fires",
        (all.fired, all.clean),
        Good::Low,
        design(0.0, 400),
    );
    for (what, value, unit, good, stated) in [
        (
            "highest reading over the true peak, median",
            all.highest.quantile(0.5),
            Unit::Percent,
            Good::Alike,
            design(1.26, 400),
        ),
        (
            "mean of the two highest strokes with the stop in the record: error, median",
            all.error.quantile(0.5),
            Unit::FinePercent,
            Good::Small,
            design(0.006, 400),
        ),
        (
            "the same, 97.5 % below",
            all.error.quantile(0.975),
            Unit::Percent,
            Good::Low,
            design(0.18, 400),
        ),
    ] {
        sheet.value(what, value, unit, good, stated);
    }
    sheet.note("The stop is a half-sine of 60 to 160 N and 8 to 20 ms that is added where the hand turns round.");
    sheet
}

/// Pulls without and with a stop.
#[derive(Default)]
struct CordEnds {
    /// Pulls without one, and those in which something was cut nevertheless.
    clean: usize,
    fired: usize,
    /// Relative error of the mean of the two highest strokes, and of the highest reading.
    error: Numbers,
    highest: Numbers,
}

impl CordEnds {
    fn engine(&mut self, seed: u64) {
        let scenario = EngineScenario {
            probe: Probe::new(200, 1),
            ..EngineScenario::drawn(seed)
        };
        let Simulated {
            mut readings,
            truth,
        } = simulate(&scenario, seed);
        let whole = measure(&readings, PullSettings::default());
        self.clean += whole.pulls.len();
        self.fired += whole.pulls.iter().filter(|p| p.cord_end).count();
        let mut noise = Noise::new(seed, 81);
        for pull in &truth.pulls {
            let spike = Spike::after(pull, &mut noise);
            for reading in &mut readings {
                spike.jerk(reading, 0.005);
            }
        }
        let finding = measure(&readings, PullSettings::default());
        for pull in &truth.pulls {
            let near = |p: &&PullReport| (p.start_s - pull.start_s).abs() < 0.3;
            let report = finding.pulls.iter().find(near);
            let peaks = |r: &PullReport| -> Vec<f64> {
                let peaks = r.strokes.iter().filter_map(|s| s.peak_n);
                peaks.map(|peak| peak.value).collect()
            };
            let found = report.and_then(|r| two_highest(peaks(r).into_iter()));
            let true_n = two_highest(pull.strokes.iter().map(|s| s.peak_n));
            if let (Some(found), Some(true_n)) = (found, true_n) {
                self.error.0.push(found / true_n - 1.0);
            }
            let during = pull.start_s..pull.end_s + 0.2;
            let in_it = |r: &&ForceReading| during.contains(&(r.t_us as f64 * 1e-6));
            let most = readings.iter().filter(in_it).map(|r| r.force_n);
            let most = most.fold(0.0, f64::max);
            self.highest.0.push(most / pull.peak_n - 1.0);
        }
    }
}

/// Mean of the two highest strokes, of three or more.
fn two_highest(peaks_n: impl Iterator<Item = f64>) -> Option<f64> {
    let mut peaks: Vec<f64> = peaks_n.collect();
    peaks.sort_by(|a, b| b.total_cmp(a));
    (peaks.len() >= 3).then(|| f64::midpoint(peaks[0], peaks[1]))
}

/// The jerk of a cord at its stop, a half-sine.
struct Spike {
    at_s: f64,
    width_s: f64,
    top_n: f64,
}

impl Spike {
    fn after(pull: &PullTruth, noise: &mut Noise) -> Self {
        Self {
            at_s: pull.end_s,
            width_s: noise.uniform(0.008, 0.020),
            top_n: noise.uniform(60.0, 160.0),
        }
    }

    /// Adds to a reading its mean over the `dt_s` before.
    fn jerk(&self, reading: &mut ForceReading, dt_s: f64) {
        let angle = |t_s: f64| PI * ((t_s - self.at_s) / self.width_s).clamp(0.0, 1.0);
        let t_s = reading.t_us as f64 * 1e-6;
        let area =
            self.top_n * self.width_s / PI * (libm::cos(angle(t_s - dt_s)) - libm::cos(angle(t_s)));
        reading.force_n += area / dt_s;
    }
}

//! Leak: coverage and error by scenario, laws, lids, the stop rule at the limit.

use feelgauge::measure::leak::{Leak, LeakFinding, LeakSettings, Regime, Shares};
use feelgauge::physics::noise::Noise;
use feelgauge::physics::tank::{LeakLaw, Syringe, TankScenario, TankTruth, simulate};
use feelgauge::reading::{LimitSource, Quality, Verdict};

use crate::figure::{Design, Good, Sheet, Unit, design};
use crate::numbers::Numbers;
use crate::plan::{Plan, seeds, tell};
use crate::tank::{analyze, inspect, stated};

/// Classes of the design study: slopes below 2, 2 to 20, above 20 Pa/s.
const CLASSES: [&str; 3] = ["< 2 Pa/s", "2-20 Pa/s", "> 20 Pa/s"];
/// Runs behind a row of the design study.
const RUNS: usize = 2000;
/// Its share of tanks in each class (610 of 2000 below 2 Pa/s; the rest from the population: log-uniform leaks).
const CLASS_RUNS: [usize; 3] = [610, 670, 720];

/// A scenario with the figures of the design study; NaN where it has none.
struct Case {
    name: &'static str,
    /// Coverage of the leak rate: all.
    rate: f64,
    /// By class.
    rates: [f64; 3],
    /// Coverage of the slope by class.
    slopes: [f64; 3],
    /// Median error: below 2 Pa/s absolute (Pa m3/s), else relative.
    errors: [f64; 3],
    /// Half width of the 95 % interval, likewise.
    halves: [f64; 3],
    /// The case lies outside the population: what breaks the measure.
    outside: bool,
    change: fn(&mut TankScenario, u64),
    own: fn(&mut LeakSettings, &TankTruth),
}

/// Stated volume of a stroke of the syringe, m3; the real one is wrong by 1 %.
const SYRINGE_M3: f64 = 5e-6;

const NO: [f64; 3] = [f64::NAN; 3];

/// A case that the design study gives no figures for, to be filled in.
const PLAIN: Case = Case {
    name: "",
    rate: f64::NAN,
    rates: NO,
    slopes: NO,
    errors: NO,
    halves: NO,
    outside: false,
    change: |_, _| {},
    own: |_, _| {},
};

const CASES: &[Case] = &[
    Case {
        name: "nominal, 60 s",
        rate: 0.954,
        rates: [0.964, 0.963, 0.936],
        slopes: [0.961, 0.950, 0.966],
        errors: [3.0e-5, 0.094, 0.058],
        halves: [1.1e-4, 0.26, 0.165],
        ..PLAIN
    },
    Case {
        name: "tight",
        rate: 0.959,
        rates: [0.959, f64::NAN, f64::NAN],
        slopes: [0.953, f64::NAN, f64::NAN],
        errors: [3.3e-5, f64::NAN, f64::NAN],
        halves: [1.1e-4, f64::NAN, f64::NAN],
        change: |s, _| s.leak_rate_pa_m3_s = 0.0,
        ..PLAIN
    },
    Case {
        name: "tank thermometer",
        rate: 0.955,
        rates: [0.970, 0.963, 0.934],
        slopes: [0.974, 0.960, 0.966],
        errors: [1.5e-5, 0.072, 0.056],
        halves: [5.1e-5, 0.22, 0.16],
        change: |s, _| s.sensor.thermometer_k = Some(0.01),
        ..PLAIN
    },
    Case {
        name: "hold 30 s",
        rate: 0.933,
        rates: [0.926, 0.928, 0.945],
        slopes: [0.928, 0.922, 0.953],
        errors: [8.2e-5, 0.14, 0.061],
        halves: [2.4e-4, 0.38, 0.18],
        change: |s, _| s.hold_s = 30.0,
        ..PLAIN
    },
    Case {
        name: "hold 45 s",
        rate: 0.954,
        rates: [0.961, 0.963, 0.939],
        slopes: [0.959, 0.949, 0.958],
        errors: [3.6e-5, 0.096, 0.058],
        halves: [1.3e-4, 0.27, 0.17],
        change: |s, _| s.hold_s = 45.0,
        ..PLAIN
    },
    Case {
        name: "hold 120 s",
        rate: 0.938,
        rates: [0.916, 0.953, 0.942],
        slopes: [0.916, 0.930, 0.975],
        errors: [3.4e-5, 0.090, 0.058],
        halves: [9.8e-5, 0.25, 0.16],
        change: |s, _| s.hold_s = 120.0,
        ..PLAIN
    },
    Case {
        name: "one knock",
        rate: 0.956,
        rates: [0.970, 0.962, 0.938],
        slopes: [0.970, 0.943, 0.959],
        errors: [3.1e-5, 0.093, 0.059],
        halves: [1.2e-4, 0.26, 0.17],
        change: |s, seed| *s = s.clone().with_knock(seed),
        ..PLAIN
    },
    Case {
        name: "laminar only",
        rate: 0.959,
        slopes: [0.953, 0.974, 0.954],
        change: |s, _| s.law = LeakLaw::Laminar,
        ..PLAIN
    },
    Case {
        name: "orifice only",
        rate: 0.942,
        slopes: [0.951, 0.944, 0.976],
        change: |s, _| s.law = LeakLaw::Orifice,
        ..PLAIN
    },
    Case {
        name: "linear only",
        rate: 0.964,
        slopes: [0.956, 0.982, 0.968],
        change: |s, _| s.law = LeakLaw::Linear,
        ..PLAIN
    },
    Case {
        name: "mixed only",
        rate: 0.963,
        slopes: [0.953, 0.989, 0.957],
        change: |s, seed| {
            s.law = LeakLaw::Mixed {
                orifice_share: 0.2 + 0.6 * (seed % 97) as f64 / 97.0,
            };
        },
        ..PLAIN
    },
    Case {
        name: "sealed zero hold 60 s first",
        slopes: [0.987, f64::NAN, f64::NAN],
        errors: [1.9e-5, f64::NAN, f64::NAN],
        halves: [8.2e-5, f64::NAN, f64::NAN],
        change: |s, _| s.sealed_zero_s = 60.0,
        own: |own, truth| own.sealed_zero_s = truth.sealed_zero_s,
        ..PLAIN
    },
    Case {
        name: "sealed zero hold 30 s, hold 30 s",
        slopes: [0.918, f64::NAN, f64::NAN],
        errors: [8.3e-5, f64::NAN, f64::NAN],
        halves: [2.3e-4, f64::NAN, f64::NAN],
        change: |s, _| (s.sealed_zero_s, s.hold_s) = (30.0, 30.0),
        own: |own, truth| own.sealed_zero_s = truth.sealed_zero_s,
        ..PLAIN
    },
    Case {
        name: "second hold of two, 66 s later",
        slopes: [1.0, f64::NAN, f64::NAN],
        errors: [2.4e-5, f64::NAN, f64::NAN],
        halves: [1.1e-4, f64::NAN, f64::NAN],
        change: |s, _| s.earlier_holds = 1,
        ..PLAIN
    },
    Case {
        name: "syringe strokes after the hold",
        errors: [f64::NAN, f64::NAN, 0.022],
        change: |s, seed| {
            let real = SYRINGE_M3 * (1.0 + 0.01 * Noise::new(seed, 79).normal());
            s.syringe = Some(Syringe::six(real));
        },
        own: |own, _| own.syringe_m3 = Some(SYRINGE_M3),
        ..PLAIN
    },
    Case {
        name: "walls handled twice as much",
        rate: 0.884,
        slopes: [0.816, 0.834, 0.893],
        outside: true,
        change: |s, _| s.heat.wall_excess_k *= 2.0,
        ..PLAIN
    },
    Case {
        name: "gas settles 1.5 x slower",
        rate: 0.945,
        slopes: [0.946, 0.931, 0.911],
        outside: true,
        change: |s, _| {
            s.heat.quick_s *= 1.5;
            s.heat.slow_s *= 1.5;
        },
        ..PLAIN
    },
    Case {
        name: "creep 3 x",
        rate: 0.950,
        slopes: [0.951, 0.946, 0.965],
        outside: true,
        change: |s, _| s.creep *= 3.0,
        ..PLAIN
    },
    Case {
        name: "draughts and sensor wander 3 x",
        rate: 0.951,
        slopes: [0.948, 0.937, 0.919],
        outside: true,
        change: |s, _| {
            s.weather.draught.0 *= 3.0;
            s.sensor.walk_pa *= 3.0;
        },
        ..PLAIN
    },
    Case {
        name: "900 hPa, barometer not given",
        rate: 0.908,
        slopes: [0.977, 0.886, 0.325],
        outside: true,
        change: |s, _| s.weather.ambient_pa = 90e3,
        ..PLAIN
    },
    Case {
        name: "900 hPa, given",
        rate: 0.938,
        outside: true,
        change: |s, _| s.weather.ambient_pa = 90e3,
        own: |own, _| own.ambient_pa = Some(90e3),
        ..PLAIN
    },
    Case {
        name: "converter not dithered",
        rate: 0.930,
        slopes: [0.944, 0.912, 0.973],
        outside: true,
        change: |s, seed| {
            let lsb = if seed % 2 == 0 { 49.0 } else { 61.0 };
            (s.sensor.lsb_pa, s.sensor.noise_pa, s.sensor.hum.0) = (lsb, 0.05 * lsb, 0.0);
        },
        ..PLAIN
    },
    Case {
        name: "50 Hz sampling, mains hum",
        rate: 0.940,
        slopes: [0.951, 0.925, 0.835],
        outside: true,
        // ten-bit sensors of the population have up to half a count of hum
        change: |s, _| s.sensor.rate_hz = 50,
        ..PLAIN
    },
];

/// What happened to the tanks of a case.
#[derive(Default)]
struct Tally {
    refused: usize,
    /// Covered and all, leak rate and slope by class.
    rate: [(usize, usize); 3],
    slope: [(usize, usize); 3],
    error: [Numbers; 3],
    half: [Numbers; 3],
}

impl Tally {
    fn add(&mut self, finding: &LeakFinding, truth: &TankTruth) {
        let (Some(q), Some(rate)) = (finding.slope_pa_s, finding.leak_rate_pa_m3_s) else {
            self.refused += 1;
            return;
        };
        let class = usize::from(truth.slope_pa_s >= 2.0) + usize::from(truth.slope_pa_s > 20.0);
        let inside = |lo: f64, x: f64, hi: f64| usize::from(lo <= x && x <= hi);
        let true_rate = truth.leak_rate_pa_m3_s;
        self.rate[class].0 += inside(rate.lo95, true_rate, rate.hi95);
        self.rate[class].1 += 1;
        self.slope[class].0 += inside(q.lo95, truth.slope_pa_s, q.hi95);
        self.slope[class].1 += 1;
        let scale = if class == 0 { 1.0 } else { true_rate };
        self.error[class]
            .0
            .push((rate.value - true_rate).abs() / scale);
        self.half[class]
            .0
            .push((rate.hi95 - rate.lo95) / 2.0 / scale);
    }
}

fn stated_by(value: f64, runs: usize) -> Option<Design> {
    value.is_finite().then_some(Design { value, runs })
}

/// Sheets of the leak studies.
pub fn sheets(plan: &Plan) -> Vec<Sheet> {
    let mut sheets = Vec::new();
    for (number, case) in CASES.iter().enumerate() {
        if plan.short && !SHORT.contains(&case.name) {
            continue;
        }
        let first = plan.seed(1, number);
        let runs = plan.size(if case.outside { OUTSIDE } else { INSIDE }, SHORT_RUNS);
        sheets.push(coverage(case, first, runs));
        tell(&sheets[sheets.len() - 1]);
    }
    for sheet in [lids(plan), stop_rule(plan), laws(plan)] {
        tell(&sheet);
        sheets.push(sheet);
    }
    sheets
}

/// Tanks of a case in a long run, in and outside the population, and in a short one.
const INSIDE: usize = 500;
const OUTSIDE: usize = 200;
const SHORT_RUNS: usize = 40;
/// Cases of a short run.
const SHORT: &[&str] = &["nominal, 60 s", "tight", "tank thermometer", "one knock"];

fn coverage(case: &Case, first: u64, runs: usize) -> Sheet {
    let mut tally = Tally::default();
    for seed in (first..).take(runs) {
        let mut scenario = TankScenario::drawn(seed);
        (case.change)(&mut scenario, seed);
        let (finding, truth) = inspect(&scenario, seed, case.own);
        tally.add(&finding, &truth);
    }
    let source = if case.outside {
        "leak, outside the population"
    } else {
        "leak, measured"
    };
    let title = format!("Leak: {}", case.name);
    let mut sheet = Sheet::new(&title, source, seeds(first, runs));
    let sum = |by: &[(usize, usize); 3]| by.iter().fold((0, 0), |s, c| (s.0 + c.0, s.1 + c.1));
    sheet.share(
        "leak rate covered",
        sum(&tally.rate),
        Good::High,
        stated_by(case.rate, RUNS),
    );
    for (k, class) in CLASSES.iter().enumerate() {
        if tally.slope[k].1 == 0 {
            continue;
        }
        class_rows(&mut sheet, case, &tally, k, class);
    }
    if tally.refused > 0 {
        sheet.note(format!("{} records were refused.", tally.refused));
    }
    sheet
}

fn class_rows(sheet: &mut Sheet, case: &Case, tally: &Tally, k: usize, class: &str) {
    let runs = CLASS_RUNS[k];
    let cover = |value| stated_by(value, runs);
    sheet.share(
        &format!("leak rate covered, {class}"),
        tally.rate[k],
        Good::High,
        cover(case.rates[k]),
    );
    sheet.share(
        &format!("slope covered, {class}"),
        tally.slope[k],
        Good::High,
        cover(case.slopes[k]),
    );
    let unit = if k == 0 { Unit::Power } else { Unit::Percent };
    let of = if k == 0 { "Pa m3/s" } else { "relative" };
    sheet.value(
        &format!("median error, {class} ({of})"),
        tally.error[k].quantile(0.5),
        unit,
        Good::Low,
        cover(case.errors[k]),
    );
    sheet.value(
        &format!("half width of 95 %, {class} ({of})"),
        tally.half[k].quantile(0.5),
        unit,
        Good::Low,
        cover(case.halves[k]),
    );
}

/// Lids that lift: time constant from and to (s), and what the design study recognised of 60.
const LIDS: [(f64, f64, f64); 2] = [(8.0, 25.0, 0.85), (25.0, 80.0, 0.83)];

/// Tanks without a lid that lifts, in a long and in a short study.
const NO_LIDS: (usize, usize) = (2000, 40);

/// A tank whose lid lifts at 0.35 to 0.75 of its pressure, with the time constant of what escapes then; and that pressure.
fn lid(seed: u64, part: f64, seconds: f64) -> (TankScenario, f64) {
    let mut scenario = TankScenario::drawn(seed);
    // another order than the time constants', so that both are spread over all cases
    let lift_pa = (0.35 + 0.40 * (7.0 * part).fract()) * scenario.pressure_pa;
    scenario.law = LeakLaw::Lid { lift_pa };
    scenario.p_ref_pa = f64::midpoint(scenario.pressure_pa, lift_pa);
    scenario.leak_rate_pa_m3_s = (scenario.p_ref_pa - lift_pa) / seconds * scenario.volume_m3;
    (scenario, lift_pa)
}

fn lids(plan: &Plan) -> Sheet {
    let runs = plan.size(120, 12);
    let first = plan.seed(2, 0);
    let mut sheet = Sheet::new(
        "Leak: a lid that lifts",
        "leak, lid",
        seeds(first, 2 * runs),
    );
    for (k, (shortest, longest, recognised)) in LIDS.into_iter().enumerate() {
        let (mut seen, mut within) = (0, 0);
        let mut off = Numbers::default();
        for i in 0..runs {
            let seed = first + (k * runs + i) as u64;
            let part = (i as f64 + 0.5) / runs as f64;
            let seconds = shortest + (longest - shortest) * part;
            let (scenario, lift_pa) = lid(seed, part, seconds);
            let (finding, _) = inspect(&scenario, seed, |own, _| {
                // A lid holds far less than the pumped pressure in the end: the measure's own reference.
                (own.p_ref_pa, own.limit) = (None, Some((1.0, LimitSource::Own)));
            });
            if let Some(found) = finding.lid_lift_pa {
                seen += 1;
                within += usize::from(finding.verdict == Some(Verdict::Within));
                off.0.push((found - lift_pa) / scenario.pressure_pa);
            }
        }
        let name = format!("time constant {shortest:.0}-{longest:.0} s");
        sheet.share(
            &format!("{name}: recognised"),
            (seen, runs),
            Good::High,
            design(recognised, 60),
        );
        sheet.value(
            &format!("{name}: lifting pressure, rms of the start's"),
            off.rms(),
            Unit::FinePercent,
            Good::Low,
            design(0.007, 60),
        );
        sheet.share(
            &format!("{name}: called within"),
            (within, runs),
            Good::Low,
            design(0.0, 60),
        );
    }
    false_lids(plan, &mut sheet);
    sheet
}

/// Tanks of the population, whose leaks are always open: how often is one taken for a lid?
fn false_lids(plan: &Plan, sheet: &mut Sheet) {
    let runs = plan.size(NO_LIDS.0, NO_LIDS.1);
    let first = plan.seed(2, 1);
    let taken = (first..)
        .take(runs)
        .filter(|seed| {
            let (finding, _) = inspect(&TankScenario::drawn(*seed), *seed, |_, _| {});
            finding.lid_lift_pa.is_some()
        })
        .count();
    sheet.share(
        "other leaks taken for a lid",
        (taken, runs),
        Good::Low,
        None,
    );
    sheet.note(format!("Other leaks: seeds {}.", seeds(first, runs)));
}

/// Looks of the stop rule, s of hold.
const LOOKS_S: [f64; 12] = [
    30.0, 35.0, 40.0, 45.0, 50.0, 55.0, 60.0, 70.0, 80.0, 90.0, 100.0, 119.0,
];
/// Limit of the stop rule's study, Pa m3/s.
const LIMIT: f64 = 5e-4;

/// The stop rule with the leak exactly at the limit: how often does it end in `within`?
fn stop_rule(plan: &Plan) -> Sheet {
    let runs = plan.size(300, 20);
    let first = plan.seed(3, 0);
    let mut sheet = Sheet::new(
        "Leak: the stop rule with the leak at the limit of 5e-4",
        "leak, stop rule",
        seeds(first, runs),
    );
    let (mut within, mut undecided, mut used) = (0, 0, 0);
    for seed in (first..).take(runs) {
        let mut scenario = TankScenario::drawn(seed);
        (scenario.leak_rate_pa_m3_s, scenario.hold_s) = (LIMIT, 120.0);
        let simulated = simulate(&scenario, seed);
        let mut settings = stated(&scenario, scenario.p_ref_pa, seed);
        settings.limit = Some((LIMIT, LimitSource::Own));
        let Some(start_s) = analyze(settings, &simulated.readings).hold_start_s else {
            continue;
        };
        used += 1;
        let mut leak = Leak::new(settings);
        let mut looks = LOOKS_S.iter().peekable();
        let mut verdict = None;
        for reading in &simulated.readings {
            leak.push(*reading);
            let held = reading.t_us as f64 * 1e-6 - start_s;
            if looks.next_if(|look| held >= **look).is_some() {
                let now = leak.clone().finish(Quality::default());
                if now.may_stop() {
                    verdict = now.verdict;
                    break;
                }
            }
        }
        within += usize::from(verdict == Some(Verdict::Within));
        undecided += usize::from(verdict.is_none());
    }
    sheet.share(
        "ends in `within` (looks from 30 s on, 0.5 %)",
        (within, used),
        Good::Low,
        design(0.031, 750),
    );
    sheet.share("looked to the end", (undecided, used), Good::Low, None);
    sheet
}

/// Shares of laminar, orifice and mixed leaks that were named right, of 60 each, by what was lost.
const NAMED: [(f64, [f64; 3]); 5] = [
    (0.10, [0.0, 0.0, 0.0]),
    (0.20, [0.03, 0.05, 0.02]),
    (0.40, [0.62, 0.67, 0.92]),
    (0.60, [0.80, 0.90, 1.00]),
    (0.80, [0.95, 0.82, 1.00]),
];

/// Is the law named right, and never wrong?
fn laws(plan: &Plan) -> Sheet {
    let runs = plan.size(60, 6);
    let first = plan.seed(4, 0);
    let mut sheet = Sheet::new(
        "Leak: which law it is, at 95 %",
        "leak, regime",
        seeds(first, 15 * runs),
    );
    let mut seed = first;
    for (lost, shares) in NAMED {
        for (k, share) in shares.into_iter().enumerate() {
            let (mut right, mut wrong) = (0, 0);
            for _ in 0..runs {
                let regime = regime_of(k, lost, seed);
                seed += 1;
                let own = [Regime::Laminar, Regime::Orifice, Regime::Mixed][k];
                match regime {
                    Some(r) if r == own => right += 1,
                    Some(Regime::NotSeparable | Regime::Tight) | None => {}
                    Some(_) => wrong += 1,
                }
            }
            let name = ["laminar", "orifice", "mixed"][k];
            let lost = format!("{:.0} % lost, {name}", 100.0 * lost);
            sheet.share(
                &format!("{lost}: named right"),
                (right, runs),
                Good::High,
                design(share, 60),
            );
            sheet.share(
                &format!("{lost}: named wrong"),
                (wrong, runs),
                Good::Low,
                design(0.08, 60),
            );
        }
    }
    sheet
}

/// Regime that is named when a tank loses a share of its pressure in 60 s.
fn regime_of(law: usize, lost: f64, seed: u64) -> Option<Regime> {
    let mut scenario = TankScenario::drawn(seed);
    let share = 0.2 + 0.6 * (seed % 31) as f64 / 31.0;
    let (law, laminar, orifice) = match law {
        0 => (LeakLaw::Laminar, 1.0, 0.0),
        1 => (LeakLaw::Orifice, 0.0, 1.0),
        _ => (
            LeakLaw::Mixed {
                orifice_share: share,
            },
            1.0 - share,
            share,
        ),
    };
    let mean = Shares {
        laminar,
        orifice,
        linear: 0.0,
    };
    let p0 = scenario.pressure_pa;
    // time to lose it at a slope of 1 Pa/s at the reference; the slope goes with its inverse
    let seconds = mean.fall_time_s(
        (p0, (1.0 - lost) * p0),
        1.0,
        scenario.p_ref_pa,
        scenario.weather.ambient_pa,
    );
    scenario.law = law;
    scenario.leak_rate_pa_m3_s = seconds / 60.0 * scenario.volume_m3;
    inspect(&scenario, seed, |_, _| {}).0.regime
}

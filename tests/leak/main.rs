//! The leak measure against a slow oracle, published numbers, simulated tanks with known truth, and bad records.

#![allow(clippy::unwrap_used)] // in a test an unwrap is an assertion

mod budget;
mod compare;
mod guide;
mod parts;
mod protocols;
mod records;
mod reference;

use feelgauge::measure::cholesky::Cholesky;
use feelgauge::measure::leak::{
    Leak, LeakFinding, LeakSettings, Noise, Regime, Shares, gram, laminar,
};
use feelgauge::physics::noise::Noise as Random;
use feelgauge::physics::tank::{KnockPulse, LeakLaw, TankScenario, TankTruth, Weather, simulate};
use feelgauge::reading::{LimitSource, PressureReading, Quality, Verdict};

const PS: f64 = 101_325.0;
const T_REF: f64 = 293.15;

fn analyze(settings: LeakSettings, readings: &[PressureReading]) -> LeakFinding {
    let mut leak = Leak::new(settings);
    for reading in readings {
        leak.push(*reading);
    }
    leak.finish(Quality::default())
}

/// Readings of a function of time at 100 Hz.
fn record(seconds: f64, p: impl Fn(f64) -> f64) -> Vec<PressureReading> {
    (0..100_000u64)
        .map(|i| (i, i as f64 * 0.01))
        .take_while(|(_, t)| *t < seconds)
        .map(|(i, t)| PressureReading {
            t_us: i * 10_000,
            pressure_pa: p(t),
            tank_k: None,
        })
        .collect()
}

/// Open for 2 s, pumped in a straight line for 5 s, then `held` (seconds since the end of pumping).
fn pumped(held: impl Fn(f64) -> f64) -> impl Fn(f64) -> f64 {
    move |t| match t {
        _ if t < 2.0 => 0.0,
        _ if t < 7.0 => held(0.0) * (t - 2.0) / 5.0,
        _ => held(t - 7.0),
    }
}

fn code(finding: &LeakFinding) -> &str {
    finding
        .refused
        .as_ref()
        .map_or("none", |refused| refused[0].code.as_str())
}

/// No number of a finding may be NaN or infinite: they would become null in JSON without a reason.
fn assert_finite(finding: &LeakFinding) {
    let json = serde_json::to_value(finding).unwrap();
    if finding.refused.is_some() {
        assert!(json["leak_rate_pa_m3_s"].is_null() && json["verdict"].is_null());
        return;
    }
    for key in ["value", "u", "lo95", "hi95"] {
        assert!(json["leak_rate_pa_m3_s"][key].is_number(), "{json}");
        assert!(json["slope_pa_s"][key].is_number(), "{json}");
    }
    for key in [
        "p_ref_pa",
        "hold_s",
        "hold_start_s",
        "settled_at_s",
        "limit_leak_rate_pa_m3_s",
    ] {
        assert!(json[key].is_number(), "{key}: {json}");
    }
    for v in &finding.trace.fit_pa {
        assert!(v.is_finite());
    }
}

// ---------------------------------------------------------------- the whitening filter against a dense covariance

/// `X' C^-1 X` with the covariance written out: white noise, exponentially correlated noise, random walk that
/// starts at 0 with the first block.
fn dense_gram(columns: &[Vec<f64>], used: &[bool], noise: &Noise) -> Vec<f64> {
    let at: Vec<usize> = (0..used.len()).filter(|i| used[*i]).collect();
    let n = at.len();
    let mut cov = vec![0.0; n * n];
    for (r, i) in at.iter().enumerate() {
        for (c, j) in at.iter().enumerate() {
            let (ti, tj) = (*i as f64 * 0.25, *j as f64 * 0.25);
            cov[r * n + c] =
                noise.slow_pa * noise.slow_pa * libm::exp(-(ti - tj).abs() / noise.slow_s)
                    + noise.walk_pa * noise.walk_pa * ti.min(tj)
                    + if i == j {
                        noise.white_pa * noise.white_pa
                    } else {
                        0.0
                    };
        }
    }
    let factor = Cholesky::new(&cov, n).unwrap();
    let white: Vec<Vec<f64>> = columns
        .iter()
        .map(|c| factor.half_solve(&at.iter().map(|i| c[*i]).collect::<Vec<f64>>()))
        .collect();
    let dot = |a: &[f64], b: &[f64]| a.iter().zip(b).map(|(x, y)| x * y).sum::<f64>();
    white
        .iter()
        .flat_map(|a| white.iter().map(|b| dot(a, b)).collect::<Vec<f64>>())
        .collect()
}

#[test]
fn whitening_filter_is_the_dense_covariance() {
    let mut random = Random::new(11, 0);
    for (white_pa, slow_pa, slow_s, walk_pa) in [
        (0.4, 1.2, 4.0, 0.3),
        (0.02, 1.2, 4.0, 0.3),
        (12.0, 17.7, 63.0, 0.3),
        (1.0, 0.0, 4.0, 0.3),
    ] {
        let noise = Noise {
            white_pa,
            slow_pa,
            slow_s,
            walk_pa,
        };
        for n in [1usize, 2, 7, 120] {
            let t: Vec<f64> = (0..n).map(|i| i as f64 * 0.25).collect();
            let mut columns = vec![
                vec![1.0; n],
                t.clone(),
                t.iter().map(|t| libm::exp(-t / 2.4)).collect(),
                t.iter().map(|t| f64::from(u8::from(*t > 9.0))).collect(),
            ];
            columns.push((0..n).map(|_| 100.0 * random.normal()).collect());
            let used: Vec<bool> = (0..n).map(|i| i == 0 || random.unit() > 0.15).collect();
            let slices: Vec<&[f64]> = columns.iter().map(Vec::as_slice).collect();
            let m = columns.len();
            let (fast, slow) = (
                gram(&slices, &used, &noise),
                dense_gram(&columns, &used, &noise),
            );
            for i in 0..m {
                for j in 0..m {
                    let scale = (slow[i * m + i] * slow[j * m + j]).sqrt().max(1e-300);
                    let off = (fast[i * m + j] - slow[i * m + j]).abs() / scale;
                    // rounding of a few hundred operations with a covariance of condition < 1e6
                    assert!(off < 1e-12, "n {n} ({i}, {j}): {off:e}");
                }
            }
        }
    }
}

// ---------------------------------------------------------------- published numbers and closed forms

/// 40 CFR 1065.644 (vacuum-decay leak check): n = V/R (p2/T2 - p1/T1)/(t2 - t1) with V = 2.0000 l,
/// R = 8.314472 J/(mol K), p2 = 50.600 kPa, p1 = 25.300 kPa, 293.15 K and 70 s. The regulation prints 0.00030 mol/s
/// (from memory); recomputed 2.965705e-4 mol/s = 0.72286 Pa m3/s at 20 C. Our Q of the same slope without stretch
/// must be that number: it fixes Q = slope * V * T_ref/T.
#[test]
fn vacuum_decay_example_of_40_cfr_1065_644() {
    let (v, r) = (2.0e-3, 8.314_472);
    let molar = v / r * (50_600.0 / T_REF - 25_300.0 / T_REF) / 70.0;
    assert!((molar - 2.965_705e-4).abs() < 5e-11, "{molar}");
    assert!((molar * r * T_REF - 0.722_86).abs() < 5e-6);
    // The same loss through the measure: what it reports over its own slope is volume times stretch.
    let slope = molar * r * T_REF / v;
    let finding = analyze(
        LeakSettings {
            volume_u_m3: Some(0.0),
            p_ref_pa: Some(25e3),
            ..LeakSettings::of_volume(v)
        },
        &record(40.0, pumped(|t| 29e3 - slope * t * 0.02)),
    );
    let (q, rate) = (
        finding.slope_pa_s.unwrap(),
        finding.leak_rate_pa_m3_s.unwrap(),
    );
    let stretch = 1.0 + 1.7e-7 * (PS + 2.0 * 25e3);
    assert!((rate.value / (q.value * v * stretch) - 1.0).abs() < 1e-12);
}

/// CARB TP-201.3 (the same text in 40 CFR 63 subpart CCCCCC): the pressure left after 5 minutes from 2 inH2O,
/// Pf = 2 exp(-500.887/V), V in gallons; the table rounds to 0.01 inH2O.
#[test]
fn decay_table_of_tp_201_3() {
    let inch = 249.0889; // NIST SP 811 B.8, conventional inch of water
    let linear = Shares {
        laminar: 0.0,
        orifice: 0.0,
        linear: 1.0,
    };
    for (gallons, left) in [(500.0, 0.73), (1000.0, 1.21), (5000.0, 1.81)] {
        let end: f64 = 2.0 * libm::exp(-500.887 / gallons);
        assert!((end - left).abs() <= 0.005 + 1e-9, "{gallons}: {end}");
        let slope = 500.887 / (gallons * 300.0) * 2.0 * inch;
        let seconds = linear.fall_time_s((2.0 * inch, end * inch), slope, 2.0 * inch, PS);
        assert!((seconds - 300.0).abs() < 1e-6, "{seconds}");
    }
    // V = 500: k = 3.33925e-3 /s, half-life ln 2 / k
    let half = linear.fall_time_s((2.0, 1.0), 2.0 * 3.339_25e-3, 2.0, PS);
    assert!((half - std::f64::consts::LN_2 / 3.339_25e-3).abs() < 1e-2);
}

/// dp/dt = -c p (p + 2 pa) has the closed form p/(p + 2 pa) = p0/(p0 + 2 pa) exp(-2 pa c t); c = 5e-9, p0 = 15000,
/// t = 60 s: 14053.8835 Pa (computed by hand). A record of it without heat, drift and noise must give the slope
/// c p_ref (p_ref + 2 pa) within the stated uncertainty, and so must larger leaks.
#[test]
fn closed_form_of_a_laminar_leak_is_found() {
    for c in [1e-9, 5e-9, 2e-8, 1e-7] {
        let ratio = |t: f64| 15e3 / (15e3 + 2.0 * PS) * libm::exp(-2.0 * PS * c * t);
        let held = move |t: f64| 2.0 * PS * ratio(t) / (1.0 - ratio(t));
        if (c / 5e-9 - 1.0f64).abs() < 1e-9 {
            assert!((held(60.0) - 14_053.883_5).abs() < 5e-5);
        }
        let p_ref = 0.75 * held(2.0);
        let finding = analyze(
            LeakSettings {
                p_ref_pa: Some(p_ref),
                ..LeakSettings::of_volume(133e-6)
            },
            &record(67.0, pumped(held)),
        );
        assert_eq!(code(&finding), "none");
        let q = finding.slope_pa_s.unwrap();
        let truth = c * p_ref * (p_ref + 2.0 * PS);
        assert!(
            (q.value - truth).abs() < 1.96 * q.u,
            "c {c}: {q:?}, true {truth}"
        );
        assert!((laminar(p_ref, PS) * c * 2.0 * PS / truth - 1.0).abs() < 1e-12);
        assert!((finding.hold_start_s.unwrap() - 7.0).abs() < 0.15);
    }
}

/// 1 Pa m3/s = 10 mbar l/s (exact) = 592.154 cm3 of air a minute at 20 C (NIST SP 811 B.8, recomputed).
#[test]
fn derived_units() {
    let finding = analyze(
        LeakSettings::of_volume(133e-6),
        &record(67.0, pumped(|t| 15e3 - 20.0 * t)),
    );
    let (rate, units) = (
        finding.leak_rate_pa_m3_s.unwrap(),
        finding.leak_rate_units.unwrap(),
    );
    assert!((units.mbar_l_per_s.value / rate.value - 10.0).abs() < 1e-9);
    assert!((units.cm3_per_min.hi95 / rate.hi95 - 592.154).abs() < 1e-3);
}

// ---------------------------------------------------------------- simulated tanks

/// Analyzes a scenario as a person would who knows the volume to 8 %.
fn inspect(
    scenario: &TankScenario,
    seed: u64,
    own: impl Fn(&mut LeakSettings, &TankTruth),
) -> (LeakFinding, TankTruth) {
    let simulated = simulate(scenario, seed);
    let stated = scenario.volume_m3 * (1.0 + 0.08 * Random::new(seed, 77).normal());
    let mut settings = LeakSettings {
        volume_u_m3: Some(0.08 * stated),
        p_ref_pa: Some(simulated.truth.p_ref_pa),
        ..LeakSettings::of_volume(stated)
    };
    own(&mut settings, &simulated.truth);
    (analyze(settings, &simulated.readings), simulated.truth)
}

fn covers(finding: &LeakFinding, truth: &TankTruth) -> (bool, bool) {
    assert_eq!(code(finding), "none");
    assert_finite(finding);
    let (q, rate) = (
        finding.slope_pa_s.unwrap(),
        finding.leak_rate_pa_m3_s.unwrap(),
    );
    (
        q.lo95 <= truth.slope_pa_s && truth.slope_pa_s <= q.hi95,
        rate.lo95 <= truth.leak_rate_pa_m3_s && truth.leak_rate_pa_m3_s <= rate.hi95,
    )
}

/// Tanks of a study: `FEELGAUGE_TANKS=2000 cargo test --release --test leak cover`, or these few.
fn tanks(few: u64) -> u64 {
    std::env::var("FEELGAUGE_TANKS").map_or(few, |n| n.parse().unwrap())
}

/// An interval that covers with 95 % misses at most 12 of 100 tanks with a probability of 0.9985 (binomial; for
/// other numbers 3.2 standard deviations above the mean). The seeds are fixed, so the test is not flaky.
/// Measured with 2000 tanks (seeds 1000..2999): leak rate 95.5 %, slope 97.2 %; median error of the leak rate
/// 3.3e-5 Pa m3/s below 2 Pa/s, 7.1 % from 2 to 20 Pa/s, 5.5 % above.
#[test]
fn intervals_cover_the_truth() {
    let (mut missed_q, mut missed_rate) = (0, 0);
    let n = tanks(100);
    for seed in 1..=n {
        let (finding, truth) = inspect(&TankScenario::drawn(seed), seed, |_, _| {});
        let (q, rate) = covers(&finding, &truth);
        missed_q += u32::from(!q);
        missed_rate += u32::from(!rate);
        let start = finding.hold_start_s.unwrap() - truth.hold_start_s;
        assert!(
            start.abs() < 0.3,
            "seed {seed}: the hold starts {start} s late"
        );
    }
    let allowed = 0.05 * n as f64 + 3.2 * (0.05 * 0.95 * n as f64).sqrt();
    println!("seeds 1..={n}: slope missed {missed_q}, leak rate missed {missed_rate}");
    assert!(f64::from(missed_q) <= allowed && f64::from(missed_rate) <= allowed);
}

/// The half-life covers, too: not knowing the law is in it as in the rate. Measured with 1000 tanks, of which
/// 806 have one: 24 missed (184 with the interval of the slope alone).
#[test]
fn half_lives_cover_the_truth() {
    let (mut missed, mut lives) = (0, 0u32);
    let n = tanks(100);
    for seed in 5001..5001 + n {
        let (finding, truth) = inspect(&TankScenario::drawn(seed), seed, |_, _| {});
        let Some(life) = finding.half_life_s else {
            continue;
        };
        let (laminar, orifice, linear) = match truth.law {
            LeakLaw::Laminar => (1.0, 0.0, 0.0),
            LeakLaw::Orifice => (0.0, 1.0, 0.0),
            LeakLaw::Linear => (0.0, 0.0, 1.0),
            LeakLaw::Mixed { orifice_share } => (1.0 - orifice_share, orifice_share, 0.0),
            LeakLaw::Lid { .. } => continue,
        };
        let law = Shares {
            laminar,
            orifice,
            linear,
        };
        let p = truth.p_ref_pa;
        let true_s = law.fall_time_s((p, 0.5 * p), truth.slope_pa_s, p, truth.ambient_pa);
        lives += 1;
        missed += u32::from(!(life.lo95 <= true_s && true_s <= life.hi95));
        assert!(life.lo95 < life.value && life.value < life.hi95, "{life:?}");
    }
    let allowed = 0.05 * f64::from(lives) + 3.2 * (0.05 * 0.95 * f64::from(lives)).sqrt();
    println!("seeds from 5001: {lives} half-lives, missed {missed}");
    assert!(lives > 0 && f64::from(missed) <= allowed, "{missed}");
}

/// Null input: 60 tight tanks. "Leaks" is a false alarm (lower end above zero), by design 2.5 %: more than 6 of 60
/// has a probability of 0.0007. No tight tank may be called outside its limit.
#[test]
fn tight_tanks_are_not_accused() {
    let mut accused = 0;
    for seed in 201..=260 {
        let mut scenario = TankScenario::drawn(seed);
        scenario.leak_rate_pa_m3_s = 0.0;
        let (finding, _) = inspect(&scenario, seed, |_, _| {});
        let rate = finding.leak_rate_pa_m3_s.unwrap();
        accused += u32::from(rate.lo95 > 0.0);
        assert_ne!(finding.verdict, Some(Verdict::Outside), "seed {seed}");
        if rate.lo95 <= 0.0 {
            assert!(finding.half_life_s.is_none());
            assert_eq!(finding.regime, Some(Regime::Tight));
        }
    }
    println!("seeds 201..=260: {accused} tight tanks accused");
    assert!(accused <= 6, "{accused}");
}

/// What a knock, a thermometer and a sealed hold are for; each 25 tanks, missed at most 5 (P(X >= 6) = 0.0012).
#[test]
fn knocks_thermometer_and_sealed_hold() {
    let mut u95 = [0.0f64; 3];
    let mut missed = [0u32; 3];
    for seed in 301..=325 {
        let mut plain = TankScenario::drawn(seed);
        plain.leak_rate_pa_m3_s = 1e-4;
        let mut measured = plain.clone();
        measured.sensor.thermometer_k = Some(0.01);
        let mut sealed = plain.clone();
        sealed.sealed_zero_s = 60.0;
        let cases = [
            inspect(&plain.with_knock(seed), seed, |_, _| {}),
            inspect(&measured, seed, |_, _| {}),
            inspect(&sealed, seed, |s, t| s.sealed_zero_s = t.sealed_zero_s),
        ];
        assert!(cases[1].0.quality.thermometer && cases[2].0.quality.sealed_zero);
        for (i, (finding, truth)) in cases.iter().enumerate() {
            missed[i] += u32::from(!covers(finding, truth).0);
            u95[i] += finding.slope_pa_s.unwrap().u / 25.0;
        }
    }
    println!("seeds 301..=325: missed {missed:?}, mean u {u95:?} Pa/s");
    assert!(missed.iter().all(|m| *m <= 5), "{missed:?}");
    // A thermometer halves the uncertainty, a sealed hold takes a quarter off (600 runs: 0.46 and 0.75).
    assert!(u95[1] < 0.6 * u95[0] && u95[2] < 0.9 * u95[0], "{u95:?}");
}

/// Steps of cheap thermometers: 40 tanks each, missed at most 7 (P(X >= 8) = 0.0008), and one that shows nothing says so. The
/// last stands still.
#[test]
fn a_coarse_thermometer_is_not_trusted() {
    let mut u = [0.0f64; 5];
    let steps_k = [0.01, 0.0625, 0.1, 0.5, 293.15];
    for (k, step_k) in steps_k.into_iter().enumerate() {
        let (mut missed, mut coarse) = (0, 0);
        for seed in 331..=370 {
            let mut scenario = TankScenario::drawn(seed);
            scenario.leak_rate_pa_m3_s = 1e-4;
            scenario.sensor.thermometer_k = Some(0.01);
            let mut simulated = simulate(&scenario, seed);
            for reading in &mut simulated.readings {
                let stepped = |k: f64| (k / step_k).round() * step_k;
                reading.tank_k = reading.tank_k.map(stepped);
            }
            let mut settings = LeakSettings::of_volume(scenario.volume_m3);
            settings.p_ref_pa = Some(scenario.p_ref_pa);
            let finding = analyze(settings, &simulated.readings);
            missed += u32::from(!covers(&finding, &simulated.truth).0);
            u[k] += finding.slope_pa_s.unwrap().u / 40.0;
            let flags = &finding.quality.common.flags;
            let says_so = flags.contains(&"thermometer_coarse".into());
            assert_ne!(says_so, finding.quality.thermometer, "seed {seed}");
            coarse += u32::from(says_so);
        }
        println!("steps of {step_k} K: missed {missed}, not used {coarse} of 40");
        assert!(missed <= 7, "steps of {step_k} K: {missed}");
        assert_eq!(coarse == 0, step_k < 0.07, "steps of {step_k} K");
    }
    println!("mean u {u:?} Pa/s");
    assert!(
        u[0] < 0.6 * u[4] && u[1] < 0.85 * u[4] && u[2] < u[4],
        "{u:?}"
    );
}

/// A knock that leaves a step must not become a leak.
#[test]
fn a_knock_that_moves_the_wall_is_no_leak() {
    let mut scenario = TankScenario::plover_healthy();
    scenario.knocks.push(KnockPulse {
        at_s: 30.0,
        seconds: 0.2,
        pulse: -0.003,
        left: 2e-4,
    });
    let (finding, truth) = inspect(&scenario, 9, |_, _| {});
    assert_eq!(finding.quality.knocks, 1);
    assert!(covers(&finding, &truth).0, "{:?}", finding.slope_pa_s);
    assert!(finding.trace.used.iter().any(|used| !used));
}

#[test]
fn the_demo_car_is_outside_and_then_within() {
    let limit = Some((5.07e-4, LimitSource::Vehicle));
    let (before, truth) = inspect(&TankScenario::plover(), 1, |s, _| s.limit = limit);
    assert_eq!(before.verdict, Some(Verdict::Outside));
    assert_eq!(before.limit_source, Some(LimitSource::Vehicle));
    assert!(covers(&before, &truth).1);
    let (after, truth) = inspect(&TankScenario::plover_healthy(), 2, |s, _| s.limit = limit);
    assert_eq!(after.verdict, Some(Verdict::Within));
    assert!(covers(&after, &truth).1);
    let (suggested, _) = inspect(&TankScenario::plover(), 1, |_, _| {});
    assert_eq!(suggested.limit_source, Some(LimitSource::Suggested));
    assert_eq!(suggested.verdict, Some(Verdict::Outside));
    assert!(suggested.may_stop());
}

/// A lid that lifts: recognised, its pressure found, its rate never called within. 10 lids, 7 recognised at least
/// (the study says 85 %: P(X < 6 of 10) = 0.0099), each lifting pressure within 3 % of the first pressure.
#[test]
fn lids_are_recognised_and_never_within() {
    let mut seen = 0;
    for seed in 401..=410 {
        let mut scenario = TankScenario::drawn(seed);
        let lift_pa = (0.35 + 0.04 * (seed - 401) as f64) * scenario.pressure_pa;
        let seconds = 8.0 + 1.7 * (seed - 401) as f64;
        scenario.law = LeakLaw::Lid { lift_pa };
        let slope = (scenario.p_ref_pa - lift_pa) / seconds;
        scenario.leak_rate_pa_m3_s = slope * scenario.volume_m3;
        let (finding, _) = inspect(&scenario, seed, |s, _| {
            s.limit = Some((1.0, LimitSource::Own));
        });
        assert_eq!(code(&finding), "none");
        if finding.regime != Some(Regime::Lid) {
            continue;
        }
        seen += 1;
        assert_eq!(finding.verdict, Some(Verdict::Undecided));
        assert!(
            finding
                .quality
                .common
                .flags
                .contains(&"lid_rate_not_calibrated".into())
        );
        let off = finding.lid_lift_pa.unwrap() - lift_pa;
        assert!(
            off.abs() < 0.03 * scenario.pressure_pa,
            "seed {seed}: off by {off} Pa"
        );
    }
    println!("seeds 401..=410: {seen} of 10 lids recognised");
    assert!(seen >= 6, "{seen}");
}

/// A slow lid that took less than a quarter of the pressure in the minute: its evidence alone must speak for it. 20 lids, two thirds
/// recognised at least (600 others: 80 % of the 242 that lost so little), each lifting pressure within 3 % of the first pressure.
#[test]
fn slow_lids_are_recognised_by_their_evidence() {
    let (mut slow, mut seen) = (0, 0);
    for i in 0..20 {
        let (seed, part) = (411 + i, i as f64 / 20.0);
        let mut scenario = TankScenario::drawn(seed);
        let lift_pa = (0.60 + 0.15 * part) * scenario.pressure_pa;
        scenario.law = LeakLaw::Lid { lift_pa };
        scenario.p_ref_pa = f64::midpoint(scenario.pressure_pa, lift_pa);
        let slope = (scenario.p_ref_pa - lift_pa) / (80.0 - 55.0 * part);
        scenario.leak_rate_pa_m3_s = slope * scenario.volume_m3;
        let (finding, _) = inspect(&scenario, seed, |s, _| {
            (s.p_ref_pa, s.limit) = (None, Some((1.0, LimitSource::Own)));
        });
        assert_eq!(code(&finding), "none");
        if finding.p_end_pa.unwrap() < 0.75 * finding.p_start_pa.unwrap() {
            continue;
        }
        slow += 1;
        if let Some(found) = finding.lid_lift_pa {
            seen += 1;
            assert_eq!(finding.verdict, Some(Verdict::Undecided));
            let off = found - lift_pa;
            assert!(
                off.abs() < 0.03 * scenario.pressure_pa,
                "seed {seed}: off by {off} Pa"
            );
        }
    }
    println!("seeds 411..=430: {seen} of {slow} slow lids recognised");
    assert!(slow >= 12 && 3 * seen >= 2 * slow, "{seen} of {slow}");
}

/// Laminar and orifice leaks that lost most of the pressure are told apart.
#[test]
fn regimes_are_named_when_the_record_tells() {
    let named = |law, seed| {
        let mut scenario = TankScenario::plover();
        scenario.law = law;
        // half to two thirds of the pressure lost in 60 s
        scenario.leak_rate_pa_m3_s = 2.6e-2;
        let finding = inspect(&scenario, seed, |_, _| {}).0;
        (
            finding.regime.unwrap(),
            finding.regime_probability.unwrap(),
            finding.equivalent_hole_m,
        )
    };
    let (regime, probability, hole) = named(LeakLaw::Orifice, 1);
    assert!(
        regime == Regime::Orifice && probability >= 0.95,
        "{regime:?} {probability}"
    );
    let hole = hole.unwrap();
    assert!((hole.hi / hole.lo - (1.0f64 / 0.6).sqrt()).abs() < 1e-12);
    let (regime, probability, hole) = named(LeakLaw::Laminar, 2);
    assert!(
        regime == Regime::Laminar && probability >= 0.95,
        "{regime:?} {probability}"
    );
    assert!(hole.is_none());
}

/// The barometer matters: at 900 hPa a leak stated against the standard atmosphere is wrong without it.
#[test]
fn barometer_and_absolute_sensor() {
    let mut scenario = TankScenario::plover();
    scenario.law = LeakLaw::Laminar;
    scenario.weather = Weather {
        ambient_pa: 90e3,
        ..scenario.weather
    };
    let exact = |s: &mut LeakSettings, _: &TankTruth| {
        (s.volume_m3, s.volume_u_m3) = (Some(131e-6), Some(0.0));
    };
    let (without, truth) = inspect(&scenario, 4, exact);
    let (with, _) = inspect(&scenario, 4, |s, t| {
        exact(s, t);
        s.ambient_pa = Some(90e3);
    });
    let off = |f: &LeakFinding| (f.slope_pa_s.unwrap().value / truth.slope_pa_s - 1.0).abs();
    assert!(
        off(&with) < 0.03 && off(&without) > 0.06,
        "{} {}",
        off(&with),
        off(&without)
    );
    // An absolute sensor shows the barometer by itself on the open tank.
    scenario.sensor.absolute = true;
    scenario.sensor.offset_pa = 0.0;
    let (absolute, truth) = inspect(&scenario, 4, exact);
    assert!(
        absolute
            .quality
            .common
            .flags
            .contains(&"absolute_pressure".into())
    );
    assert!((absolute.slope_pa_s.unwrap().value / truth.slope_pa_s - 1.0).abs() < 0.03);
}

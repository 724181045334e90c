//! What contributes how much to the uncertainty, the calibration's part of it, and a limit that no record resolves.

use feelgauge::measure::leak::LeakFinding;
use feelgauge::physics::tank::TankScenario;
use feelgauge::reading::{CalibrationShare, CalibrationState, Contribution, LimitSource, Verdict};

use crate::{covers, inspect, tanks};

fn line<'a>(finding: &'a LeakFinding, source: &str) -> Option<&'a Contribution> {
    finding.budget.iter().find(|c| c.source == source)
}

/// The squares of the lines are the square of the uncertainty, for small and large leaks, with and without thermometer,
/// and for a lid.
#[test]
fn the_squares_of_a_budget_add_up() {
    for seed in 901..=912 {
        let mut scenario = TankScenario::drawn(seed);
        if seed % 3 == 0 {
            scenario.sensor.thermometer_k = Some(0.01);
        }
        let (finding, _) = inspect(&scenario, seed, |s, _| {
            s.calibration = CalibrationShare {
                state: CalibrationState::Current,
                u_relative: 0.005,
            };
        });
        let (u, sum) = (
            finding.leak_rate_pa_m3_s.unwrap().u,
            finding.budget.iter().map(|c| c.u * c.u).sum::<f64>(),
        );
        assert!(
            (sum.sqrt() / u - 1.0).abs() < 1e-9,
            "seed {seed}: {} {u}",
            sum.sqrt()
        );
        let shares: f64 = finding.budget.iter().map(|c| c.share).sum();
        assert!((shares - 1.0).abs() < 1e-9);
        assert!(
            finding.budget.windows(2).all(|w| w[0].u >= w[1].u),
            "largest first"
        );
    }
}

/// What is known to rule does rule: drift and heat in a small leak, the volume in a large one; a thermometer takes drift
/// and heat down, a noisier converter the noise up.
#[test]
fn the_largest_line_is_the_one_to_work_on() {
    let mut small = TankScenario::drawn(921);
    small.leak_rate_pa_m3_s = 1e-4;
    let (finding, _) = inspect(&small, 921, |_, _| {});
    assert_eq!(finding.budget[0].source, "drift_and_heat");
    assert!(finding.budget[0].share > 0.8, "{:?}", finding.budget);
    let mut measured = small.clone();
    measured.sensor.thermometer_k = Some(0.01);
    let (with, _) = inspect(&measured, 921, |_, _| {});
    let drift = |f: &LeakFinding| line(f, "drift_and_heat").unwrap().u;
    assert!(drift(&with) < 0.6 * drift(&finding));
    let noise = |f: &LeakFinding| line(f, "noise").unwrap().u;
    let mut noisy = small.clone();
    (noisy.sensor.lsb_pa, noisy.sensor.noise_pa) = (60.0, 60.0);
    let mut quiet = small.clone();
    (quiet.sensor.lsb_pa, quiet.sensor.noise_pa) = (0.006, 2.0);
    let (noisy, quiet) = (
        inspect(&noisy, 921, |_, _| {}).0,
        inspect(&quiet, 921, |_, _| {}).0,
    );
    assert!(
        noise(&noisy) > 1.5 * noise(&quiet),
        "{} {}",
        noise(&noisy),
        noise(&quiet)
    );
    let mut large = TankScenario::plover();
    large.leak_rate_pa_m3_s = 1e-2;
    let (finding, _) = inspect(&large, 921, |_, _| {});
    assert_eq!(finding.budget[0].source, "volume");
}

/// A calibration widens the interval by its own part: missing and expired ones more, one not stated not at all.
#[test]
fn a_calibration_is_in_the_range() {
    let scenario = TankScenario::plover();
    let with = |state, u_relative| {
        let share = CalibrationShare { state, u_relative };
        inspect(&scenario, 1, |s, _| s.calibration = share).0
    };
    let plain = inspect(&scenario, 1, |_, _| {}).0;
    let rate = |f: &LeakFinding| f.leak_rate_pa_m3_s.unwrap();
    assert_eq!(plain.calibration.state, CalibrationState::NotStated);
    let missing = with(CalibrationState::Missing, 0.05);
    assert_eq!(missing.calibration.state, CalibrationState::Missing);
    let (a, b) = (rate(&plain), rate(&missing));
    let expected = (a.u * a.u + 0.05 * 0.05 * b.value * b.value).sqrt();
    // the mean square of the mixture is that of its mean to parts in a thousand
    assert!((b.u / expected - 1.0).abs() < 1e-3 && (a.value - b.value).abs() < 1e-15);
    assert!((line(&missing, "calibration").unwrap().u / (0.05 * b.value) - 1.0).abs() < 1e-2);
    assert!(line(&plain, "calibration").is_none());
    // A calibration that holds replaces the 1 % for an unknown gain.
    let current = with(CalibrationState::Current, 0.004);
    assert!(rate(&current).u < a.u && current.slope_pa_s.unwrap().u < plain.slope_pa_s.unwrap().u);
    assert!(line(&current, "gain_and_gas_model").unwrap().u < 0.0031 * rate(&current).value);
    let unstated = with(CalibrationState::NotStated, 0.05);
    assert!((rate(&unstated).u - a.u).abs() < 1e-18);
}

/// A limit below what a tight tank's record resolves is said; then the record can say outside or undecided, never within.
#[test]
fn a_limit_that_cannot_be_resolved_is_said() {
    let limited = |leak: f64, limit: f64| {
        let mut scenario = TankScenario::drawn(931);
        scenario.leak_rate_pa_m3_s = leak;
        let limit = Some((limit, LimitSource::Own));
        let (finding, _) = inspect(&scenario, 931, |s, _| s.limit = limit);
        let said = finding
            .quality
            .common
            .flags
            .contains(&"limit_below_resolution".into());
        (finding.verdict.unwrap(), said)
    };
    assert_eq!(limited(0.0, 3e-5), (Verdict::Undecided, true));
    assert_eq!(limited(1e-3, 3e-5), (Verdict::Outside, true));
    assert!(!limited(0.0, 1e-3).1 && limited(0.0, 1e-3).0 == Verdict::Within);
}

/// With a sensor whose gain is right, would less than 1 % for gain and gas model do? Slopes of larger leaks cover with the
/// 1 %; the study prints by how many standard uncertainties they miss.
#[test]
#[ignore = "a study: run it with FEELGAUGE_TANKS=600 in release"]
fn slopes_of_a_calibrated_sensor() {
    let (mut n, mut missed, mut bare) = (0u32, 0u32, 0u32);
    for seed in 9001..9001 + tanks(100) {
        let mut scenario = TankScenario::drawn(seed);
        scenario.sensor.gain = 1.0;
        scenario.leak_rate_pa_m3_s = scenario.leak_rate_pa_m3_s.max(1e-3);
        let (finding, truth) = inspect(&scenario, seed, |_, _| {});
        missed += u32::from(!covers(&finding, &truth).0);
        let q = finding.slope_pa_s.unwrap();
        let gain = line(&finding, "gain_and_gas_model").unwrap().u;
        let rate = finding.leak_rate_pa_m3_s.unwrap();
        let part = gain / rate.value * q.value;
        let own = (q.u * q.u - part * part).max(0.0).sqrt();
        bare += u32::from((q.value - truth.slope_pa_s).abs() > 1.96 * own);
        n += 1;
    }
    println!(
        "gain right, Q from 1e-3, seeds from 9001: {n} tanks, missed {missed} with 1 %, {bare} without it"
    );
}

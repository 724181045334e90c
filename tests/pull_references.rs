//! Pull against what stands outside the project: scipy's peaks on a real waveform, closed forms, published quantiles.

#![allow(clippy::unwrap_used)] // in a test an unwrap is an assertion

use std::{process::Command, process::Output};

use feelgauge::measure::pull::{
    Prior, Pull, PullSettings, UsablePull, session, shift,
    strokes::{under_read, zigzag},
};
use feelgauge::reading::{ForceReading, Quality};

/// Runs a reference script; none, with the reason on standard error, where Python or its packages are missing.
fn reference(script: &str, argument: &str) -> Option<String> {
    let python = std::env::var("FEELGAUGE_PYTHON").unwrap_or_else(|_| "python3".into());
    let root = env!("CARGO_MANIFEST_DIR");
    let run = Command::new(&python)
        .args([
            format!("{root}/tests/reference/{script}"),
            format!("{root}/tests/{argument}"),
        ])
        .output();
    let why = match run {
        Ok(Output { status, stdout, .. }) if status.success() => {
            return Some(String::from_utf8_lossy(&stdout).into_owned());
        }
        Ok(Output { stderr, .. }) => String::from_utf8_lossy(&stderr)
            .lines()
            .last()
            .unwrap_or_default()
            .to_owned(),
        Err(e) => e.to_string(),
    };
    let missing = ["No module named", "No such file"]
        .iter()
        .any(|m| why.contains(m));
    assert!(
        missing && std::env::var_os("CI_REQUIRED").is_none(),
        "{script}: {why}"
    );
    eprintln!("SKIPPED: {script} needs Python with numpy and scipy: {why}");
    None
}

/// Record 208 of the MIT-BIH arrhythmia database as redistributed with scipy. zigzag(d) is peak prominence >= d, so both
/// must name the same peaks; they part where two equal samples share a top, or at the record's ends.
#[test]
fn zigzag_names_the_peaks_that_scipy_names_by_prominence() {
    let Some(text) = reference("ecg_peaks.py", "data/ecg.dat") else {
        return;
    };
    let mut lines = text.lines();
    let mut row = || -> Vec<usize> {
        lines
            .next()
            .unwrap()
            .split(' ')
            .map(|v| v.parse().unwrap())
            .collect()
    };
    let scipy = row();
    let distances = row();
    assert_eq!(
        distances,
        [186, 180, 177, 171, 177, 169, 167, 164, 158, 162, 172],
        "published in scipy's documentation"
    );
    let ecg: Vec<f64> = lines.map(|v| v.parse().unwrap()).collect();
    assert_eq!((ecg.len(), scipy.len()), (108_000, 507));
    let ours = zigzag(&ecg, 1.0);
    let near = |p: &usize| scipy.iter().any(|s| s.abs_diff(*p) <= 2);
    assert_eq!(ours.len(), 505);
    assert!(ours.iter().filter(|p| near(p)).count() >= 503);
}

/// Half-sines of half the stroke, 25 strokes a second: worst under-read of point samples, and of a sinc4 converter at 80 Hz
/// (derived; the same figures stand in firmware-notes/converters.md).
#[test]
fn under_read_of_the_usual_converters() {
    for (rate, order, share) in [(80.0, 0, 0.44), (320.0, 0, 0.030), (1280.0, 0, 0.002)] {
        let got = under_read(1.0 / rate, order, 25.0, 0.5);
        assert!((got - share).abs() < 0.005, "{rate}: {got}");
    }
    assert!(
        under_read(1.0 / 80.0, 4, 25.0, 0.5) > 0.54,
        "the bound covers what a sinc4 converter loses of a half-sine"
    );
}

/// Quantiles as scipy.stats.t.ppf prints them.
#[test]
fn quantiles_of_students_t() {
    for (dof, t) in [(1.0, 12.7062), (10.0, 2.2281)] {
        assert!((session::t95(dof) - t).abs() < 5e-5);
    }
}

/// Invented pulls before and after, as the reference has them.
fn two_groups() -> [Vec<UsablePull>; 2] {
    let mut groups = [Vec::new(), Vec::new()];
    for row in include_str!("data/two_groups.csv").lines().skip(1) {
        let row: Vec<f64> = row.split(',').map(|v| v.parse().unwrap()).collect();
        let pull = UsablePull {
            ln_cadence: row[1],
            ln_peak: row[2],
            u_ln_cadence: 0.001,
        };
        groups[usize::from(row[0] > 0.5)].push(pull);
    }
    groups
}

/// Without a day, and with nothing known beforehand, the interval is a textbook's: at one cadence Student's for two groups
/// (one degree of freedom is given back, for no slope was fitted), else that of the analysis of covariance.
#[test]
fn before_and_after_without_priors_is_scipys() {
    let Some(text) = reference("two_groups.py", "data/two_groups.csv") else {
        return;
    };
    let lines: Vec<Vec<f64>> = text
        .lines()
        .map(|line| line.split(' ').map(|v| v.parse().unwrap()).collect())
        .collect();
    let [before, after] = two_groups();
    let at_one_speed = |pulls: &[UsablePull]| -> Vec<UsablePull> {
        let same = |p: &UsablePull| UsablePull {
            ln_cadence: 2.9,
            ..*p
        };
        pulls.iter().map(same).collect()
    };
    let student = Prior {
        scatter: 1e-9,
        scatter_dof: 1.0,
        day: 0.0,
        ..Prior::default()
    };
    let ours = shift(&at_one_speed(&before), &at_one_speed(&after), &student);
    let covariance = Prior {
        slope_sd: 1e6,
        scatter_dof: 0.0,
        day: 0.0,
        ..Prior::default()
    };
    let sloped = shift(&before, &after, &covariance);
    for (shift, line) in [(ours, &lines[0]), (sloped, &lines[1])] {
        let reach = session::t_quantile(0.975, shift.dof) * shift.u;
        for (got, expected) in [
            shift.ln_ratio,
            shift.ln_ratio - reach,
            shift.ln_ratio + reach,
        ]
        .into_iter()
        .zip(line)
        {
            assert!((got - expected).abs() < 1e-9, "{shift:?}: {line:?}");
        }
    }
    assert!((sloped.slope - lines[1][3]).abs() < 1e-9);
    let dofs = [3.0, 7.0, 12.5, 40.0];
    let ours = [0.975, 0.8]
        .into_iter()
        .flat_map(|q| dofs.map(|dof| session::t_quantile(q, dof)));
    for (got, expected) in ours.zip(&lines[2]) {
        assert!(
            (got / expected - 1.0).abs() < 1e-9,
            "{got} beside {expected}"
        );
    }
}

/// A parabola through K boxcars of one interval each is the same parabola lowered by A K/24 (A its second difference), so the
/// measure must give its true top but for the stated quartic remainder of 0.02 A, and its time.
#[test]
fn averaging_is_put_back_on_a_parabola() {
    for (step_us, order) in [
        (5000u32, 1),
        (5000, 4),
        (2500, 1),
        (2500, 4),
        (1000, 1),
        (1000, 4),
    ] {
        let dt = f64::from(step_us) * 1e-6;
        let rate = 1.0 / dt;
        let w = f64::from(if rate > 500.0 { 2u8 } else { 1 });
        let (top_n, bend, middle) = (60.0, 12_000.0, 2.0 + 0.3 * dt);
        let k = f64::from(order);
        // Mean of the parabola over K boxcars whose last ends at t: value at the middle, less bend/2 x K dt^2/12.
        let averaged = |t: f64| {
            let x = t - k * dt / 2.0 - middle;
            (top_n - 0.5 * bend * (x * x + k * dt * dt / 12.0)).max(0.0)
        };
        let settings = PullSettings {
            filter_order: order,
            ..PullSettings::default()
        };
        let mut pull = Pull::new(settings);
        let mut n = 0u32;
        while f64::from(n) * dt < 4.0 {
            n += 1;
            let t = f64::from(n) * dt;
            let t_us = u64::from(n * step_us);
            pull.push(ForceReading {
                t_us,
                force_n: averaged(t),
            });
        }
        let finding = pull.finish(Quality::default());
        let stroke = finding.pulls[0].strokes[0];
        let second_difference = bend * (w * dt) * (w * dt);
        let peak = stroke.peak_n.unwrap().value + 0.02 * second_difference;
        assert!(
            (peak / top_n - 1.0).abs() < 3e-7,
            "{rate} Hz, order {order}: {peak}"
        );
        assert!(
            (stroke.t_s - middle).abs() < 1e-9,
            "{rate} Hz, order {order}: {} s",
            stroke.t_s
        );
    }
}

/// Shape of the averages over `w` samples of a cosine hump that went through K boxcars: both only scale it (derived).
fn scale_of_averages(step_rad: f64, order: u32, w: u32) -> f64 {
    let half = step_rad / 2.0;
    let boxcars: f64 = (0..order).map(|_| libm::sin(half) / half).product();
    let w = f64::from(w);
    boxcars * libm::sin(w * half) / (w * libm::sin(half))
}

/// Half-sines without noise: the measure's formula, worked out by hand for a cosine sampled at its top, reads low by a share
/// that follows from step and width alone (0.05 to 2 % here). A real stroke's remainder has the same sign.
#[test]
fn half_sines_read_low_by_what_the_formula_says() {
    for (step_us, order, w) in [
        (5000u32, 1u32, 1u32),
        (5000, 4, 1),
        (2500, 1, 1),
        (2500, 4, 1),
        (1000, 1, 2),
        (1000, 4, 2),
    ] {
        let (peak_n, width_s) = (50.0, 0.040);
        let dt = f64::from(step_us) * 1e-6;
        let step_rad = std::f64::consts::PI * dt / width_s;
        let k = f64::from(order);
        let scale = scale_of_averages(step_rad, order, w);
        let boxcars = scale_of_averages(step_rad, order, 1);
        let got = half_sine(step_us, order, w, |t| {
            let angle = std::f64::consts::PI * (t - k * dt / 2.0) / width_s;
            peak_n * boxcars * libm::cos(angle)
        });
        let bend = 2.0 * scale * (1.0 - libm::cos(f64::from(w) * step_rad));
        let squares = f64::from(w * w);
        let put_back = (k / squares + if w > 1 { 1.0 - 1.0 / squares } else { 0.0 }) / 24.0;
        let expected = peak_n * (scale + bend * (put_back - 0.02));
        assert!(
            (got / expected - 1.0).abs() < 1e-9,
            "{step_us} us, order {order}: {got} beside {expected}"
        );
        assert!(expected < peak_n && expected > 0.98 * peak_n);
    }
}

/// Peak that the measure gives a hump after two quiet seconds, with one of the means of `w` samples on its very top;
/// `hump` is in seconds from there and holds within its width, beyond which there is no force.
fn half_sine(step_us: u32, order: u32, w: u32, hump: impl Fn(f64) -> f64) -> f64 {
    let dt = f64::from(step_us) * 1e-6;
    let top_s = 2.0 - dt * f64::from(w - 1) / 2.0 - f64::from(order) * dt / 2.0;
    let settings = PullSettings {
        filter_order: order,
        ..PullSettings::default()
    };
    let mut pull = Pull::new(settings);
    for n in 1..4_000_000 / step_us {
        let t = f64::from(n) * dt - top_s;
        let far = (t - f64::from(order) * dt / 2.0).abs() > 0.020;
        let force_n = if far { 0.0 } else { hump(t).max(0.0) };
        pull.push(ForceReading {
            t_us: u64::from(n * step_us),
            force_n,
        });
    }
    let finding = pull.finish(Quality::default());
    assert_eq!(finding.pulls.len(), 1);
    finding.pulls[0].strokes[0].peak_n.unwrap().value
}

//! Calibration lines against published fits: GUM H.3 (JCGM 100:2008) and the NIST StRD set Norris.

#![allow(clippy::unwrap_used)] // in a test an unwrap is an assertion

use feelgauge::calibration::{CalibrationFault, Line, Nominal, Scatter};

/// Thermometer readings t and corrections b of GUM H.3, degrees C.
const T: [f64; 11] = [
    21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511,
];
const B: [f64; 11] = [
    -0.171, -0.169, -0.166, -0.159, -0.164, -0.165, -0.156, -0.157, -0.159, -0.161, -0.160,
];

fn near(got: f64, want: f64, within: f64) {
    assert!(
        (got - want).abs() <= within,
        "{got}, not {want} -+ {within}"
    );
}

fn gum() -> Line {
    Line::fit(&T, &B, Scatter::FromResiduals, 20.0).unwrap()
}

/// GUM H.3.3 prints y1 = -0.1712(29), y2 = 0.00218(67), r = -0.930, s = 0.0035: half a unit of the last digit.
#[test]
fn gum_h3_line() {
    let line = gum();
    near(line.intercept, -0.1712, 0.5e-4);
    near(line.u_intercept, 0.0029, 0.5e-4);
    near(line.slope, 0.002_18, 0.5e-5);
    near(line.u_slope, 0.000_67, 0.5e-5);
    near(line.correlation(), -0.930, 0.5e-3);
    near(line.residual_sd(), 0.0035, 0.5e-4);
    assert_eq!(line.degrees_of_freedom, 9);
    // sum of squared residuals and slope as printed by the GUM Tree Calculator's worked example of H.3
    near(line.residual_sum, 0.000_110_096_583_109, 0.5e-15);
    near(line.slope, 0.002_182_697_7, 0.5e-10);
    near(line.u_slope, 0.000_667_94, 0.5e-8);
}

/// GUM H.3.4: b(30) = -0.1494, u = 0.0041; without the covariance u would be 0.0073.
#[test]
fn gum_h3_prediction_needs_the_covariance() {
    let at30 = gum().predict(30.0);
    near(at30.estimate.value, -0.1494, 0.5e-4);
    near(at30.estimate.u, 0.0041, 0.5e-4);
    assert!(!at30.inside && gum().predict(24.0).inside);
    let line = gum();
    let without =
        (line.u_intercept * line.u_intercept + 100.0 * line.u_slope * line.u_slope).sqrt();
    near(without, 0.00727, 0.5e-5);
    // Student's t, 9 degrees of freedom, 95 %: 2.262 (GUM table G.2 prints 2.26)
    near(
        (at30.estimate.hi95 - at30.estimate.value) / at30.estimate.u,
        2.26,
        0.5e-2,
    );
}

/// GUM H.3.5: with the mean temperature as reference the correlation vanishes (y1' = -0.1625, u = 0.0011).
#[test]
fn gum_h3_at_the_mean_nothing_correlates() {
    let mean = T.iter().sum::<f64>() / 11.0;
    let line = Line::fit(&T, &B, Scatter::FromResiduals, mean).unwrap();
    near(mean, 24.0085, 0.5e-4);
    near(line.intercept, -0.1625, 0.5e-4);
    near(line.u_intercept, 0.0011, 0.5e-4);
    near(line.correlation(), 0.0, 1e-12);
    // the same line, whatever its reference
    near(
        line.predict(30.0).estimate.u,
        gum().predict(30.0).estimate.u,
        1e-15,
    );
    near(
        line.predict(30.0).estimate.value,
        gum().predict(30.0).estimate.value,
        1e-15,
    );
}

/// GUM H.3.6 as worked by the GUM Tree Calculator: a common offset of u = 0.005 gives u(intercept) 0.0057689.
#[test]
fn gum_h3_common_offset() {
    let line = gum().with_common_offset(0.005);
    near(line.u_intercept, 0.005_768_9, 0.5e-7);
    near(line.u_slope, 0.000_667_94, 0.5e-8);
}

/// NIST StRD Norris (linear regression, 36 points), certified values of the file; relative agreement 1e-11: doubles
/// carry 1e-16 and the sums of squares here lose at most five digits.
#[test]
fn nist_norris() {
    let text = include_str!("data/nist_norris.dat");
    let points: Vec<(f64, f64)> = text
        .lines()
        .skip(60)
        .filter_map(|line| {
            let mut fields = line.split_whitespace().map(|f| f.parse::<f64>().unwrap());
            Some((fields.next()?, fields.next()?))
        })
        .collect();
    assert_eq!(points.len(), 36);
    let (y, x): (Vec<f64>, Vec<f64>) = points.into_iter().unzip();
    let line = Line::fit(&x, &y, Scatter::FromResiduals, 0.0).unwrap();
    for (got, certified) in [
        (line.intercept, -0.262_323_073_774_029),
        (line.u_intercept, 0.232_818_234_301_152),
        (line.slope, 1.002_116_818_020_45),
        (line.u_slope, 0.429_796_848_199_937e-3),
        (line.residual_sd(), 0.884_796_396_144_373),
        (line.residual_sum, 26.617_398_529_422_4),
    ] {
        near(got, certified, 1e-11 * certified.abs());
    }
}

/// Stated uncertainties: equal ones give the unweighted line, and a point of half the uncertainty counts as four.
#[test]
fn weights_count_as_repeats() {
    let stated = [0.0035; 11];
    let line = Line::fit(&T, &B, Scatter::Stated(&stated), 20.0).unwrap();
    near(line.slope, gum().slope, 1e-15);
    near(
        line.u_slope / gum().u_slope,
        0.0035 / gum().residual_sd(),
        1e-12,
    );
    near(line.residual_sd(), gum().residual_sd() / 0.0035, 1e-12);
    let (x, y) = ([0.0, 1.0, 3.0], [0.2, 1.1, 2.7]);
    let weighted = Line::fit(&x, &y, Scatter::Stated(&[1.0, 1.0, 0.5]), 0.0).unwrap();
    let repeated = Line::fit(
        &[0.0, 1.0, 3.0, 3.0, 3.0, 3.0],
        &[0.2, 1.1, 2.7, 2.7, 2.7, 2.7],
        Scatter::Stated(&[1.0; 6]),
        0.0,
    )
    .unwrap();
    near(weighted.slope, repeated.slope, 1e-14);
    near(weighted.u_intercept, repeated.u_intercept, 1e-14);
    near(weighted.covariance, repeated.covariance, 1e-14);
}

#[test]
fn unusable_points_are_refused() {
    fn fit(x: &[f64], y: &[f64], scatter: Scatter) -> CalibrationFault {
        Line::fit(x, y, scatter, 0.0).unwrap_err()
    }
    let free = Scatter::FromResiduals;
    assert_eq!(
        fit(&[1.0, 2.0], &[1.0, 2.0], free),
        CalibrationFault::TooFewPoints {
            points: 2,
            needed: 3
        }
    );
    assert_eq!(
        fit(&[1.0, 2.0, 3.0], &[1.0, 2.0], free),
        CalibrationFault::Unpaired
    );
    assert_eq!(
        fit(&[2.0; 3], &[1.0, 2.0, 3.0], free),
        CalibrationFault::NoSpread
    );
    assert_eq!(
        fit(&[1.0, f64::NAN, 2.0], &[1.0; 3], free),
        CalibrationFault::BadPoint { index: 1 }
    );
    for u in [0.0, -1.0, f64::NAN, f64::INFINITY] {
        let stated = [1.0, 1.0, u];
        assert_eq!(
            fit(&[1.0, 2.0, 3.0], &[1.0; 3], Scatter::Stated(&stated)),
            CalibrationFault::BadPoint { index: 2 }
        );
    }
}

#[test]
fn counts_at_the_ends_are_clipped() {
    let scale = Nominal::new(0.25, -20.0, 0, 1023).unwrap();
    for (count, value, clipped) in [
        (0, 5.0, true),
        (1, 5.25, false),
        (1022, 260.5, false),
        (1023, 260.75, true),
    ] {
        let got = scale.convert(count);
        near(got.value, value, 1e-12);
        assert_eq!(got.clipped, clipped, "{count}");
        assert_eq!(scale.count(value), count);
    }
    assert_eq!((scale.count(1e9), scale.count(-1e9)), (1023, 0));
    // a falling scale turns the range round
    let falling = Nominal::new(-2.0, 0.0, -10, 10).unwrap().range();
    near(falling.0, -20.0, 1e-12);
    near(falling.1, 20.0, 1e-12);
    assert_eq!(
        Nominal::new(0.0, 0.0, 0, 1),
        Err(CalibrationFault::BadScale)
    );
    assert_eq!(
        Nominal::new(1.0, f64::NAN, 0, 1),
        Err(CalibrationFault::BadScale)
    );
    assert_eq!(
        Nominal::new(1.0, 0.0, 1, 1),
        Err(CalibrationFault::EmptyRange)
    );
}

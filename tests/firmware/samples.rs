//! Counts of the sampling probes against the millivolts of the schedule.

use feelgauge::physics::noise::Noise;

use crate::lines::{clean, of_kind, samples};
use crate::sim::{Probe, schedule};

/// A curve in millivolts by time, as the emulated converter sees it: whole millivolts, changed every `step_us`.
pub struct Curve {
    step_us: f64,
    millivolts: Vec<u32>,
}

impl Curve {
    pub fn new(step_us: f64, seconds: f64, at: impl Fn(f64) -> f64) -> Self {
        let mut dither = Noise::new(7, 0);
        let n = (seconds * 1e6 / step_us).ceil();
        let mut millivolts = Vec::new();
        let mut i = 0.0;
        while i < n {
            // The emulated input is free of noise and whole millivolts: without dither the mean of many could not resolve less.
            let volt = at(i * step_us * 1e-6) + dither.uniform(0.0, 1.0);
            millivolts.push(
                format!("{:.0}", volt.clamp(0.0, 5000.0).floor())
                    .parse()
                    .unwrap(),
            );
            i += 1.0;
        }
        Self {
            step_us,
            millivolts,
        }
    }

    pub fn events(&self) -> Vec<(f64, String)> {
        let times = std::iter::successors(Some(0.0), |t| Some(t + self.step_us));
        times
            .zip(&self.millivolts)
            .map(|(t, mv)| (t, format!("adc 0 {mv}")))
            .collect()
    }

    /// Lowest and highest count of one conversion (1023 counts for 5 V, as the emulator converts) in a window of time.
    fn counts(&self, from_us: f64, to_us: f64) -> (u32, u32) {
        let n = self.millivolts.len();
        let index = |t: f64| {
            format!("{:.0}", (t / self.step_us).max(0.0).floor())
                .parse::<usize>()
                .unwrap()
                .min(n - 1)
        };
        let window = &self.millivolts[index(from_us)..=index(to_us)];
        let counts = window.iter().map(|mv| mv * 1023 / 5000);
        (counts.clone().min().unwrap(), counts.max().unwrap())
    }
}

/// The probe's clock starts 0.1 to 0.7 ms after the chip (boot counter); the emulator reads the pin when the conversion ends.
const BEHIND_US: (f64, f64) = (100.0, 850.0);

/// Every sample must be what `conversions` readings spread over its interval can give. Returns how many were checked and
/// the largest slack (counts) that the window of time left.
pub fn check_samples(found: &[(u64, u64, u64)], curve: &Curve, conversions: u32) -> (usize, u64) {
    let mut slack = 0;
    for &(t, dt, count) in found {
        let (mut lo, mut hi) = (0, 0);
        for k in 0..conversions {
            let at = t as f64 - dt as f64 * (1.0 - (f64::from(k) + 0.5) / f64::from(conversions));
            let (a, b) = curve.counts(at + BEHIND_US.0, at + BEHIND_US.1);
            lo += u64::from(a);
            hi += u64::from(b);
        }
        assert!(
            (lo..=hi).contains(&count),
            "at {t} us: {count} not in {lo}..={hi}"
        );
        slack = slack.max(hi - lo);
    }
    (found.len(), slack)
}

#[test]
fn pressure_counts_are_those_of_the_schedule() {
    // a tank that leaks much too fast: the slope shows an error of time, the level one of value
    let curve = Curve::new(1000.0, 6.5, |t| 500.0 + 3800.0 * libm::exp(-t / 2.0));
    let Some(probe) = Probe::flat_out("pressure", &schedule(curve.events()), 6.0) else {
        return;
    };
    let found = samples(&clean(&probe.converse("")));
    let (n, slack) = check_samples(&found, &curve, 16);
    assert!((1180..=1200).contains(&n), "{n} samples in 6 s at 200 Hz");
    assert!(
        slack < 50,
        "the window of time leaves {slack} of 16368 counts open"
    );
    assert!(found.windows(2).all(|w| w[1].0 - w[0].0 == 5000));
}

#[test]
fn force_keeps_up_with_strokes_at_a_kilohertz() {
    // 25 strokes a second, half of each a half-sine of 60 N (1200 mV)
    let stroke = |t: f64| {
        let phase = (t * 25.0).fract();
        500.0
            + if phase < 0.5 {
                1200.0 * libm::sin(2.0 * std::f64::consts::PI * phase)
            } else {
                0.0
            }
    };
    let curve = Curve::new(250.0, 3.2, stroke);
    let Some(probe) = Probe::flat_out("force", &schedule(curve.events()), 3.0) else {
        return;
    };
    let lines = clean(&probe.converse(""));
    let found = samples(&lines);
    let (n, _) = check_samples(&found, &curve, 4);
    assert!((2960..=3000).contains(&n), "{n} samples in 3 s at 1 kHz");
    assert!(found.windows(2).all(|w| w[1].0 - w[0].0 == 1000));
    assert_eq!(of_kind(&lines, 'H').last().unwrap().numbers(1), [0, 0]);
    // A mean over 1 ms lowers a half-sine of 20 ms by (pi 1/20)^2/24 = 0.1 %: the peaks are there, in counts of 1.2207 mV.
    let peak = found.iter().map(|s| s.2).max().unwrap();
    assert!((1385..=1394).contains(&peak), "peak {peak}");
}

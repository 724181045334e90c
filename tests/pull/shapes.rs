//! Pulls of pulses that are no engine's: round, pointed, flat-topped, through averages of any order.

use std::f64::consts::{PI, TAU};

use crate::{at_least, measure};
use feelgauge::{
    measure::pull::{PullFinding, PullSettings},
    physics::noise::Noise,
    reading::ForceReading,
};

/// A pulse's height at `x` strokes from its middle; it lasts `share` of the time from one to the next.
type Shape = fn(x: f64, share: f64) -> f64;

fn half_sine(x: f64, share: f64) -> f64 {
    libm::cos(PI * (x / share).clamp(-0.5, 0.5))
}

fn raised_cosine(x: f64, share: f64) -> f64 {
    0.5 + 0.5 * libm::cos(TAU * (x / share).clamp(-0.5, 0.5))
}

fn gaussian(x: f64, share: f64) -> f64 {
    libm::exp(-8.0 * (x / share) * (x / share))
}

/// A third of it is level.
fn flat_top(x: f64, share: f64) -> f64 {
    raised_cosine((x.abs() - share / 6.0).max(0.0), share * 2.0 / 3.0)
}

/// A train of pulses, with a little wander of the rhythm and of the height.
struct Pulses {
    shape: Shape,
    share: f64,
    /// Middles, s, and heights, N.
    tops: Vec<(f64, f64)>,
    cadence_hz: f64,
}

impl Pulses {
    fn drawn(shape: Shape, noise: &mut Noise) -> Self {
        let cadence_hz = noise.uniform(4.0, 14.0);
        let wander = noise.uniform(0.0, 0.1);
        let most_n = noise.uniform(25.0, 90.0);
        let mut at_s = 1.5;
        let tops = (0..8).map(|k| {
            let top = (at_s, most_n * noise.uniform(0.85, 1.0));
            // Faster in the middle of the pull.
            at_s += (1.0 + wander * f64::from(k - 3i32).abs() / 3.0) / cadence_hz;
            top
        });
        let tops = tops.collect();
        Self {
            shape,
            share: noise.uniform(0.4, 0.6),
            tops,
            // The fourth of seven intervals in order is the second or the sixth.
            cadence_hz: cadence_hz / (1.0 + wander * 2.0 / 3.0),
        }
    }

    fn peak_n(&self) -> f64 {
        self.tops.iter().fold(0.0, |most, (_, n)| n.max(most))
    }

    fn force_n(&self, t: f64) -> f64 {
        let far = |(at_s, _): &(f64, f64)| (t - at_s).abs();
        let nearest = |a: &&(f64, f64), b: &&(f64, f64)| far(a).total_cmp(&far(b));
        let (at_s, height_n) = self.tops.iter().min_by(nearest).unwrap();
        height_n * (self.shape)((t - at_s) * self.cadence_hz, self.share)
    }

    /// Readings through `order` averages of one step each, with `noise_n` on every one.
    fn read(&self, rate_hz: u32, order: u32, noise_n: f64, noise: &mut Noise) -> PullFinding {
        const FINE: usize = 20;
        let dt = 1.0 / f64::from(rate_hz);
        let phase = dt * noise.unit();
        let seconds = self.tops[7].0 + 1.0;
        let steps = (1..).take_while(|i| f64::from(*i) * dt < seconds * FINE as f64);
        let mut fine: Vec<f64> = steps
            .map(|i| self.force_n(phase + f64::from(i) * dt / FINE as f64))
            .collect();
        for _ in 0..order {
            let averages = fine.windows(FINE);
            let averages = averages.map(|window| window.iter().sum::<f64>() / FINE as f64);
            fine = averages.collect();
        }
        let readings = fine.iter().step_by(FINE).zip(1u64..);
        let readings: Vec<ForceReading> = readings
            .map(|(force_n, k)| ForceReading {
                t_us: k * 1_000_000 / u64::from(rate_hz),
                force_n: force_n + noise_n * noise.normal(),
            })
            .collect();
        let settings = PullSettings {
            filter_order: order,
            ..PullSettings::default()
        };
        measure(&readings, settings)
    }
}

/// Of 240 pulls: how many peaks, and how many cadences of how many, their intervals cover.
fn covered(shape: Shape, rate_hz: u32, order: u32, noise_n: f64) -> (usize, usize, usize) {
    let (mut peaks, mut cadences, mut counted) = (0, 0, 0);
    for seed in 0..240 {
        let mut noise = Noise::new(seed, 0x7075_6c73);
        let pulses = Pulses::drawn(shape, &mut noise);
        let finding = pulses.read(rate_hz, order, noise_n, &mut noise);
        let pull = &finding.pulls[0];
        let peak = pull.peak_n.unwrap();
        peaks += usize::from(peak.lo95 <= pulses.peak_n() && pulses.peak_n() <= peak.hi95);
        let all = pull.strokes.len() == pulses.tops.len();
        if let (true, Some(c)) = (all, pull.cadence_hz) {
            counted += 1;
            cadences += usize::from(c.lo95 <= pulses.cadence_hz && pulses.cadence_hz <= c.hi95);
        }
    }
    (peaks, cadences, counted)
}

/// Averages make a narrow stroke look broad, and a parabola stands above a flat top: the interval knows both.
#[test]
fn slow_converters_cover_broad_and_flat_strokes() {
    for (name, shape) in [
        ("half-sine", half_sine as Shape),
        ("raised cosine", raised_cosine),
        ("Gaussian", gaussian),
        ("flat", flat_top),
    ] {
        for (rate_hz, order) in [(80, 0), (80, 1), (80, 4), (200, 4)] {
            let (peaks, _, _) = covered(shape, rate_hz, order, 0.1);
            println!("{name}, {rate_hz} Hz, order {order}: {peaks} of 240");
            assert!(
                peaks as f64 >= at_least(240, 0.95),
                "{name}, {rate_hz} Hz, order {order}: {peaks} of 240"
            );
        }
    }
}

/// Noise moves a round top; the median interval of seven is one of them, with both its tops' shifts in it.
#[test]
fn cadence_of_round_strokes_is_covered_in_noise() {
    for (rate_hz, noise_n) in [(200, 1.0), (400, 0.5), (1000, 0.5), (1000, 1.0)] {
        let shapes = [half_sine as Shape, raised_cosine, gaussian];
        let counts = shapes.map(|shape| covered(shape, rate_hz, 1, noise_n));
        let seen: usize = counts.iter().map(|(_, _, n)| n).sum();
        let within: usize = counts.iter().map(|(_, n, _)| n).sum();
        println!("{rate_hz} Hz, {noise_n} N: {within} of {seen}");
        assert!(
            seen > 700 && within as f64 >= at_least(seen, 0.95),
            "{rate_hz} Hz, {noise_n} N: {within} of {seen}"
        );
    }
}

/// Without noise only the sampling is left in the cadence's uncertainty.
#[test]
fn cadence_without_noise_is_as_good_as_its_sampling() {
    for (rate_hz, seed) in (0..20).flat_map(|seed| [80, 200, 1000].map(|rate| (rate, seed))) {
        let mut noise = Noise::new(seed, 0);
        let pulses = Pulses::drawn(raised_cosine, &mut noise);
        let finding = pulses.read(rate_hz, 1, 0.0, &mut noise);
        let c = finding.pulls[0].cadence_hz.unwrap();
        let stated = c.value * (0.05 * c.value / f64::from(rate_hz) + 0.001);
        assert!((c.u / stated - 1.0).abs() < 1e-9, "{rate_hz} Hz: {c:?}");
    }
}

//! From the force in the cord to readings: averaging of order K, noise.

use super::Probe;
use crate::physics::noise::Noise;
use crate::reading::ForceReading;

/// Steps of the physics per reading, so that a step is 50 us or less.
pub(super) fn steps_per_reading(rate_hz: u32) -> usize {
    usize::try_from(20_000u32.div_ceil(rate_hz)).expect("at most 20000")
}

/// Averages over one reading's interval K times, then keeps every reading's last step. A stamp is the end of the averaging.
pub(super) fn readings(mut fine: Vec<f64>, probe: &Probe, noise: &mut Noise) -> Vec<ForceReading> {
    let steps = steps_per_reading(probe.rate_hz);
    for _ in 0..probe.filter_order {
        fine = running_mean(&fine, steps);
    }
    let rate = u64::from(probe.rate_hz);
    (1u64..)
        .zip(fine.iter().skip(steps - 1).step_by(steps))
        .map(|(n, force)| ForceReading {
            t_us: (n * 1_000_000 + rate / 2) / rate,
            force_n: force + probe.offset_n + probe.noise_n * noise.normal(),
        })
        .collect()
}

/// Mean of the last `width` values, zero before the first.
fn running_mean(values: &[f64], width: usize) -> Vec<f64> {
    let mut sum = 0.0;
    let mut out = Vec::with_capacity(values.len());
    for (i, value) in values.iter().enumerate() {
        sum += value;
        if i >= width {
            sum -= values[i - width];
        }
        out.push(sum / width as f64);
    }
    out
}

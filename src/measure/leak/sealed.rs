//! A sealed hold at zero pressure before the pumping: it shows the drift of wall, room and sensor without a leak.

use super::blocks::{BLOCK_S, Blocks, SKIPPED};
use super::model::Prior;
use super::samples::{BIN_S, LONGEST_BINS, Samples};
use super::whiten;
use crate::measure::cholesky::Cholesky;
use crate::reading::Refusal;
use crate::units::STANDARD_ATMOSPHERE_PA;

/// Part of the drift that is left in the hold: the wall has relaxed with about 200 s meanwhile.
const CARRIED: f64 = 0.75;
/// Uncertainty of that, part of the drift; and the rest, Pa/s.
const CARRIED_U: f64 = 0.25;
const REST_PA_S: f64 = 0.12;
/// Shortest sealed hold, s.
const SHORTEST_S: f64 = 10.0;
/// Level and slope are not known beforehand: Pa and Pa/s.
const WIDE: [f64; 2] = [1e6, 1e4];

/// Prior of the drift column after a sealed hold with slope `d` and uncertainty `u`, Pa/s.
pub(super) fn drift_prior((d, u): (f64, f64), settled_mean: f64, absolute_pa: f64) -> Prior {
    let ratio = absolute_pa / STANDARD_ATMOSPHERE_PA;
    Prior {
        mean: settled_mean + CARRIED * d * ratio,
        sd: libm::hypot(libm::hypot(u * ratio, CARRIED_U * d.abs()), REST_PA_S),
    }
}

/// Slope and its standard uncertainty, Pa/s, of the readings from `a_s` to `b_s` (seconds in the record's own
/// time), which must end before the tank is pumped at `pumped_s` (seconds from the first reading).
pub(super) fn slope(
    samples: &Samples,
    (a_s, b_s): (f64, f64),
    pumped_s: f64,
) -> Result<(f64, f64), Refusal> {
    let (a, b) = (a_s - samples.origin_s(), b_s - samples.origin_s());
    // Half a second of tolerance: the person reads the times off a picture.
    if !(a > -0.5 && b <= pumped_s + 0.5 && b - a >= SHORTEST_S) {
        return Err(Refusal::new(
            "sealed_zero_outside_record",
            format!(
                "the sealed hold at zero ({a_s} s to {b_s} s) must last 10 s or more and lie between the start of the record ({:.1} s) and the pumping ({:.1} s); correct the times or leave the option out",
                samples.origin_s(),
                samples.origin_s() + pumped_s
            ),
        ));
    }
    let (a, b) = (a.max(0.0), b.min(pumped_s));
    let from = bin_at(a);
    let count = bin_at((b - a) / BLOCK_S * BIN_S);
    let blocks = Blocks::new(&samples.blocks(from, count), samples.base_pa());
    let t: Vec<f64> = blocks.t[SKIPPED..].to_vec();
    let ones = vec![1.0; t.len()];
    let y = &blocks.y[SKIPPED..];
    let level: Vec<f64> = y.iter().map(|p| p - y[0]).collect();
    let g = whiten::gram(
        &[&ones, &t, &level],
        &blocks.filled[SKIPPED..],
        &blocks.noise(SKIPPED),
    );
    let normal = [
        g[0] + 1.0 / (WIDE[0] * WIDE[0]),
        g[1],
        g[3],
        g[4] + 1.0 / (WIDE[1] * WIDE[1]),
    ];
    let factor = Cholesky::new(&normal, 2).expect("the wide priors make it positive definite");
    let x = factor.solve(&[g[2], g[5]]);
    Ok((x[1], factor.inverse()[3].sqrt()))
}

/// Number of whole bins in a time.
pub(super) fn bin_at(seconds: f64) -> usize {
    (1..=LONGEST_BINS)
        .take_while(|bins| *bins as f64 * BIN_S <= seconds + 1e-6)
        .count()
}

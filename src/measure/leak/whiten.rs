//! Whitening: a Kalman filter with one observation a block and two states (draughts as an exponentially correlated
//! process, the sensor's random walk). Linear in the number of blocks; the covariance of the whole record is never
//! formed.

use super::blocks::{BLOCK_S, Noise};

/// Columns that go through the filter side by side: in one alone every operation waits for the one before it.
const ABREAST: usize = 8;
/// Sums that a product of two columns is gathered in, for the same reason.
const STRANDS: usize = 8;

/// The filter of a record. Its gains depend on the noise and on which blocks are used, not on what is filtered.
pub(super) struct Filter {
    /// One entry a block; `None` where it is not used and passed over in time only.
    gains: Vec<Option<Gain>>,
    /// What is left of a draught after a block.
    decay: f64,
}

#[derive(Clone, Copy)]
struct Gain {
    slow: f64,
    walk: f64,
    /// One over the standard deviation of the innovation, 1/Pa.
    per_sd: f64,
}

impl Filter {
    /// The filter over blocks of 0.25 s.
    pub fn new(used: &[bool], noise: &Noise) -> Self {
        let slow_var = noise.slow_pa * noise.slow_pa;
        let a = libm::exp(-BLOCK_S / noise.slow_s);
        let white_var = noise.white_pa * noise.white_pa;
        let walk_var = noise.walk_pa * noise.walk_pa * BLOCK_S;
        let (mut p00, mut p01, mut p11) = (slow_var, 0.0, 0.0);
        let mut gain_of = |used: &bool| {
            let gain = used.then(|| {
                let (h0, h1) = (p00 + p01, p01 + p11);
                let s = h0 + h1 + white_var;
                let (k0, k1) = (h0 / s, h1 / s);
                p00 -= k0 * h0;
                p01 -= k0 * h1;
                p11 -= k1 * h1;
                Gain {
                    slow: k0,
                    walk: k1,
                    per_sd: 1.0 / s.sqrt(),
                }
            });
            p00 = p00 * a * a + slow_var * (1.0 - a * a);
            p01 *= a;
            p11 += walk_var;
            gain
        };
        Self {
            gains: used.iter().map(&mut gain_of).collect(),
            decay: a,
        }
    }

    /// The columns whitened, one entry a used block.
    pub fn whiten(&self, columns: &[&[f64]]) -> Vec<Vec<f64>> {
        let groups = columns.chunks(ABREAST);
        groups.flat_map(|group| self.abreast(group)).collect()
    }

    /// One to [`ABREAST`] columns; in place of missing ones the last goes along once more.
    fn abreast(&self, columns: &[&[f64]]) -> Vec<Vec<f64>> {
        let last = columns.len() - 1;
        let taken: [&[f64]; ABREAST] =
            std::array::from_fn(|j| &columns[j.min(last)][..self.gains.len()]);
        let (mut slow, mut walk) = ([0.0; ABREAST], [0.0; ABREAST]);
        let mut rows: Vec<[f64; ABREAST]> = Vec::with_capacity(self.gains.len());
        for (i, gain) in self.gains.iter().enumerate() {
            if let Some(gain) = gain {
                let mut e = [0.0; ABREAST];
                for j in 0..ABREAST {
                    let innovation = taken[j][i] - (slow[j] + walk[j]);
                    slow[j] += gain.slow * innovation;
                    walk[j] += gain.walk * innovation;
                    e[j] = innovation * gain.per_sd;
                }
                rows.push(e);
            }
            for slow in &mut slow {
                *slow *= self.decay;
            }
        }
        (0..columns.len())
            .map(|j| rows.iter().map(|row| row[j]).collect())
            .collect()
    }
}

/// Sum of products, always added in the same order.
pub(super) fn dot(a: &[f64], b: &[f64]) -> f64 {
    let (a, a_rest) = a.as_chunks::<STRANDS>();
    let (b, b_rest) = b.as_chunks::<STRANDS>();
    let mut sums = [0.0; STRANDS];
    for (a, b) in a.iter().zip(b) {
        for k in 0..STRANDS {
            sums[k] += a[k] * b[k];
        }
    }
    for (sum, (a, b)) in sums.iter_mut().zip(a_rest.iter().zip(b_rest)) {
        *sum += a * b;
    }
    let [a, b, c, d, e, f, g, h] = sums;
    ((a + b) + (c + d)) + ((e + f) + (g + h))
}

/// `W' W` of the whitened columns `W`, row-major. Blocks that are not used are passed over in time only.
///
/// `columns`: one slice a column, one entry a block of 0.25 s, all of the length of `used`.
pub fn gram(columns: &[&[f64]], used: &[bool], noise: &Noise) -> Vec<f64> {
    let white = Filter::new(used, noise).whiten(columns);
    let row = |a: &Vec<f64>| -> Vec<f64> { white.iter().map(|b| dot(a, b)).collect() };
    white.iter().flat_map(row).collect()
}

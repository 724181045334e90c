//! Whitening of all columns at once: a Kalman filter with one observation a block and two states (draughts as an
//! exponentially correlated process, the sensor's random walk). Linear in the number of blocks; the covariance
//! of the whole record is never formed.

use super::blocks::{BLOCK_S, Noise};

/// `W' W` of the whitened columns `W`, row-major. Blocks that are not used are passed over in time only.
///
/// `columns`: one slice a column, one entry a block of 0.25 s, all of the length of `used`.
pub fn gram(columns: &[&[f64]], used: &[bool], noise: &Noise) -> Vec<f64> {
    let m = columns.len();
    let slow_var = noise.slow_pa * noise.slow_pa;
    let a = libm::exp(-BLOCK_S / noise.slow_s);
    let white_var = noise.white_pa * noise.white_pa;
    let walk_var = noise.walk_pa * noise.walk_pa * BLOCK_S;
    let (mut p00, mut p01, mut p11) = (slow_var, 0.0, 0.0);
    let (mut x0, mut x1, mut e) = (vec![0.0; m], vec![0.0; m], vec![0.0; m]);
    let mut g = vec![0.0; m * m];
    for (i, used) in used.iter().enumerate() {
        if *used {
            let (h0, h1) = (p00 + p01, p01 + p11);
            let s = h0 + h1 + white_var;
            let (k0, k1) = (h0 / s, h1 / s);
            let root = s.sqrt();
            for j in 0..m {
                let innovation = columns[j][i] - x0[j] - x1[j];
                x0[j] += k0 * innovation;
                x1[j] += k1 * innovation;
                e[j] = innovation / root;
            }
            // the lower half; the other is its mirror
            for (j, row) in g.chunks_exact_mut(m).enumerate() {
                for (g, other) in row.iter_mut().zip(&e[..=j]) {
                    *g += e[j] * other;
                }
            }
            p00 -= k0 * h0;
            p01 -= k0 * h1;
            p11 -= k1 * h1;
        }
        for x in &mut x0 {
            *x *= a;
        }
        p00 = p00 * a * a + slow_var * (1.0 - a * a);
        p01 *= a;
        p11 += walk_var;
    }
    for j in 0..m {
        for l in 0..j {
            g[l * m + j] = g[j * m + l];
        }
    }
    g
}

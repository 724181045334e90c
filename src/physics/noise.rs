//! Seeded random numbers; every transcendental function from `libm`, so a seed gives the same bits everywhere.

use rand_core::{Rng as _, SeedableRng as _};
use rand_pcg::Pcg64Mcg;

/// A seeded stream of random numbers.
#[derive(Clone, Debug)]
pub struct Noise {
    pcg: Pcg64Mcg,
    /// Second value of the last Box-Muller pair.
    spare: Option<f64>,
}

impl Noise {
    /// A stream of its own for every `(seed, stream)`.
    pub fn new(seed: u64, stream: u64) -> Self {
        Self {
            pcg: Pcg64Mcg::seed_from_u64(seed ^ stream.wrapping_mul(0x9E37_79B9_7F4A_7C15)),
            spare: None,
        }
    }

    /// Uniform in `[0, 1)`.
    pub fn unit(&mut self) -> f64 {
        (self.pcg.next_u64() >> 11) as f64 / (1u64 << 53) as f64
    }

    /// Uniform in `[lo, hi)`.
    pub fn uniform(&mut self, lo: f64, hi: f64) -> f64 {
        lo + (hi - lo) * self.unit()
    }

    /// Standard normal (Box and Muller 1958).
    pub fn normal(&mut self) -> f64 {
        if let Some(z) = self.spare.take() {
            return z;
        }
        let r = (-2.0 * libm::log(1.0 - self.unit())).sqrt();
        let (s, c) = libm::sincos(2.0 * std::f64::consts::PI * self.unit());
        self.spare = Some(r * s);
        r * c
    }

    /// Whole number in `0..n` (n > 0).
    pub fn below(&mut self, n: u64) -> u64 {
        // Lemire's multiply-shift; the bias below 2^-40 does not matter for simulation.
        u64::try_from((u128::from(self.pcg.next_u64()) * u128::from(n)) >> 64).expect("below n")
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn moments_are_those_of_the_distributions() {
        let mut noise = Noise::new(1, 2);
        let n = 100_000;
        let z: Vec<f64> = (0..n).map(|_| noise.normal()).collect();
        let mean = z.iter().sum::<f64>() / f64::from(n);
        let var = z.iter().map(|z| z * z).sum::<f64>() / f64::from(n);
        // five standard errors of mean and variance
        assert!(
            mean.abs() < 5.0 / f64::from(n).sqrt()
                && (var - 1.0).abs() < 5.0 * (2.0 / f64::from(n)).sqrt()
        );
        assert!((0..1000).map(|_| noise.below(3)).all(|k| k < 3));
    }

    #[test]
    fn same_seed_same_numbers() {
        let (mut a, mut b, mut c) = (Noise::new(5, 0), Noise::new(5, 0), Noise::new(5, 1));
        assert_eq!(a.normal().to_bits(), b.normal().to_bits());
        assert_ne!(a.unit().to_bits(), c.unit().to_bits());
    }
}

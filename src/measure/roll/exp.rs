//! Exponentials of whole slices. The folds take millions of them; one call each to a library would be most of the
//! measure's time. Plain arithmetic in a fixed order: the same bits on every machine, and the compiler may use wide registers.

use std::f64::consts::{LN_2, LOG2_E};

use crate::measure::wide::{LANES, Lanes, per_lane, wide};

/// Arguments outside are taken to the nearer end: `e^-700` is as good as nothing here.
const RANGE: (f64, f64) = (-700.0, 700.0);
/// The same for powers of two.
const LEAST_POWER: f64 = -1010.0;
/// Adding this to a number below 2^51 rounds it to a whole one, which then stands in the low bits.
const ROUNDER: f64 = 6_755_399_441_055_744.0;
/// ln 2 in two parts; the first has trailing zeros, so that its products with whole numbers below 2^11 are exact.
const LN2_HIGH: f64 = 0.693_147_180_369_123_8;
const LN2_LOW: f64 = 1.908_214_929_270_587_7e-10;
/// `(ln 2 / 8)^n / n!` for n = 7 down to 1. The series of `2^r` is taken at an eighth of `r` and squared three times: at most
/// ln 2 / 16, where the first term left out is 3e-16.
const SERIES: [f64; 7] = {
    let mut terms = [1.0; 7];
    let mut n = 1;
    let mut term = 1.0;
    while n <= terms.len() {
        term *= LN_2 / 8.0 / n as f64;
        terms[terms.len() - n] = term;
        n += 1;
    }
    terms
};
const MANTISSA_BITS: u32 = 52;
const EXPONENT_BIAS: u64 = 1023;

/// `2^(k + r)` of every lane for a whole `k = shifted - ROUNDER` and `|r| <= 1/2`.
#[inline(always)]
fn raised(r: Lanes, shifted: Lanes) -> Lanes {
    let mut tail = [SERIES[0]; LANES];
    for c in &SERIES[1..] {
        tail = per_lane(|l| tail[l] * r[l] + c);
    }
    let eighth = per_lane(|l| 1.0 + r[l] * tail[l]);
    let quarter = per_lane(|l| eighth[l] * eighth[l]);
    let half = per_lane(|l| quarter[l] * quarter[l]);
    let mantissa = per_lane(|l| half[l] * half[l]);
    per_lane(|l| {
        let power = shifted[l].to_bits().wrapping_add(EXPONENT_BIAS) << MANTISSA_BITS;
        mantissa[l] * f64::from_bits(power)
    })
}

/// `2^y` of every lane, to within 5e-15 relative; `y` at most 1010.
#[inline(always)]
pub(super) fn exp2(y: Lanes) -> Lanes {
    let y = per_lane(|l| {
        if y[l] < LEAST_POWER {
            LEAST_POWER
        } else {
            y[l]
        }
    });
    let shifted = per_lane(|l| y[l] + ROUNDER);
    raised(per_lane(|l| y[l] - (shifted[l] - ROUNDER)), shifted)
}

/// `e^x` of every lane, to within 5e-15 relative.
#[inline(always)]
fn exp(x: Lanes) -> Lanes {
    let y = per_lane(|l| if x[l] < RANGE.0 { RANGE.0 } else { x[l] });
    let y = per_lane(|l| if y[l] > RANGE.1 { RANGE.1 } else { y[l] });
    let shifted = per_lane(|l| y[l] * LOG2_E + ROUNDER);
    let k = per_lane(|l| shifted[l] - ROUNDER);
    let rest = per_lane(|l| (y[l] - k[l] * LN2_HIGH) - k[l] * LN2_LOW);
    raised(per_lane(|l| rest[l] * LOG2_E), shifted)
}

/// Replaces every `x` by `e^x`, to within 5e-15 relative.
#[inline(always)]
pub(super) fn exp_all(x: &mut [f64]) {
    for x in x.chunks_mut(LANES) {
        let mut lanes = [0.0; LANES];
        lanes[..x.len()].copy_from_slice(x);
        x.copy_from_slice(&exp(lanes)[..x.len()]);
    }
}

/// A product of many positive factors in lanes: powers of two are set aside before it runs over.
#[derive(Clone, Copy, Debug)]
pub(super) struct Product {
    pub lanes: Lanes,
    powers: [i64; LANES],
}

impl Product {
    /// The product of nothing.
    pub const ONE: Self = Self {
        lanes: [1.0; LANES],
        powers: [0; LANES],
    };

    /// Sets powers of two aside. The lanes must be normal numbers above 0.
    #[inline(always)]
    pub fn settle(&mut self) {
        for (p, power) in self.lanes.iter_mut().zip(&mut self.powers) {
            let bits = p.to_bits();
            *power += (bits >> MANTISSA_BITS).cast_signed() - EXPONENT_BIAS.cast_signed();
            *p = f64::from_bits(bits & ((1 << MANTISSA_BITS) - 1) | EXPONENT_BIAS << MANTISSA_BITS);
        }
    }

    /// All lanes together.
    #[inline(always)]
    pub fn whole(mut self) -> Scaled {
        self.settle();
        let [a, b, c, d, e, f, g, h] = self.lanes;
        Scaled {
            mantissa: ((a * b) * (c * d)) * ((e * f) * (g * h)),
            power: self.powers.iter().sum(),
        }
    }
}

/// The positive number `mantissa x 2^power`, however large or small.
#[derive(Clone, Copy, Debug)]
pub(super) struct Scaled {
    mantissa: f64,
    power: i64,
}

impl Scaled {
    /// Its logarithm to base 2.
    pub fn log2(self) -> f64 {
        self.power as f64 + libm::log2(self.mantissa)
    }
}

wide!(pub(super) fn times_exp<'a>(all: &'a mut [Scaled], x: &'a [f64]) -> () = times_exp_of);

/// `e^x` times as much of each.
#[expect(
    clippy::cast_possible_truncation,
    reason = "the power of a mean likelihood ratio is far below 2^53"
)]
#[inline(always)]
fn times_exp_of(all: &mut [Scaled], x: &[f64]) {
    for (all, x) in all.chunks_mut(LANES).zip(x.chunks(LANES)) {
        let mut lanes = [0.0; LANES];
        lanes[..x.len()].copy_from_slice(x);
        let k = per_lane(|l| lanes[l] * LOG2_E + ROUNDER - ROUNDER);
        let rest = exp(per_lane(|l| (lanes[l] - k[l] * LN2_HIGH) - k[l] * LN2_LOW));
        for (l, scaled) in all.iter_mut().enumerate() {
            scaled.mantissa *= rest[l];
            scaled.power += k[l] as i64;
        }
    }
}

/// Logarithm of the mean.
pub(super) fn ln_mean(all: &[Scaled]) -> f64 {
    let most = all.iter().map(|s| s.power).max().unwrap_or(0);
    let least = 1 - EXPONENT_BIAS.cast_signed();
    let shifted = |s: &Scaled| {
        let power = (s.power - most).max(least) + EXPONENT_BIAS.cast_signed();
        s.mantissa * f64::from_bits(power.cast_unsigned() << MANTISSA_BITS)
    };
    let sum: f64 = all.iter().map(shifted).sum();
    libm::log(sum / all.len() as f64) + most as f64 * LN_2
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn exponentials_are_those_of_the_library() {
        let x: Vec<f64> = (-70_000..7_000)
            .map(|i| f64::from(i) * 0.01 + 0.003)
            .collect();
        let mut fast = x.clone();
        exp_all(&mut fast);
        for (x, fast) in x.iter().zip(fast) {
            let exact = libm::exp(*x);
            // the roundings of the series, 1.1e-16 each, grow eightfold by the squarings
            assert!(
                (fast / exact - 1.0).abs() < 5e-15,
                "e^{x} = {fast:e}, not {exact:e}"
            );
        }
        let mut ends = [-1e300, f64::NEG_INFINITY, 0.0];
        exp_all(&mut ends);
        assert!(ends[0] < 1e-300 && ends[1] < 1e-300);
        assert_eq!(ends[2].to_bits(), 1.0f64.to_bits());
    }

    #[test]
    fn powers_of_two_are_those_of_the_library() {
        for i in -9_000..9_000 {
            let y: Lanes = std::array::from_fn(|l| f64::from(i) * 0.1 + 0.013 * l as f64);
            for (y, fast) in y.iter().zip(exp2(y)) {
                let exact = libm::exp2(*y);
                assert!(
                    (fast / exact - 1.0).abs() < 5e-15,
                    "2^{y} = {fast:e}, not {exact:e}"
                );
            }
        }
        let [small, nothing, one, ..] =
            exp2([-1e300, f64::NEG_INFINITY, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0]);
        assert!(small < 1e-300 && nothing < 1e-300);
        assert_eq!(one.to_bits(), 1.0f64.to_bits());
    }

    #[test]
    fn products_that_would_run_over_keep_their_logarithm() {
        let (mut large, mut small) = (Product::ONE, Product::ONE);
        for _ in 0..100 {
            for _ in 0..8 {
                large.lanes = large.lanes.map(|p| p * 1e26);
                small.lanes[2] *= 0.002;
            }
            large.settle();
            small.settle();
        }
        let ln = |p: Product| ln_mean(&[p.whole()]);
        assert!((ln(large) - 6400.0 * libm::log(1e26)).abs() < 1e-8);
        assert!((ln(small) - 800.0 * libm::log(0.002)).abs() < 1e-8);
        // beside the large one nothing is left of the small one
        let both = ln_mean(&[small.whole(), large.whole()]);
        assert!((both - ln(large) + LN_2).abs() < 1e-8);
        let mut back = [large.whole(); 9];
        times_exp(&mut back, &[0.5 - ln(large); 9]);
        assert!((ln_mean(&back) - 0.5).abs() < 1e-8);
    }
}

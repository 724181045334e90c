//! Exponentials of whole slices. The folds take millions of them; one call each to a library would be most of the
//! measure's time. Plain arithmetic in a fixed order: the same bits on every machine, and the compiler may use wide registers.

/// Arguments outside are taken to the nearer end: `e^-700` is as good as nothing here.
const RANGE: (f64, f64) = (-700.0, 700.0);
/// Adding this to a number below 2^51 rounds it to a whole one, which then stands in the low bits.
const ROUNDER: f64 = 6_755_399_441_055_744.0;
/// ln 2 in two parts; the first has trailing zeros, so that its products with whole numbers below 2^11 are exact.
const LN2_HIGH: f64 = 0.693_147_180_369_123_8;
const LN2_LOW: f64 = 1.908_214_929_270_587_7e-10;
/// 1/n! for n = 7 down to 2. The series is taken at an eighth of the rest and squared three times: at most ln 2 / 16,
/// where the first term left out is 3e-16.
const TAYLOR: [f64; 6] = [
    1.0 / 5_040.0,
    1.0 / 720.0,
    1.0 / 120.0,
    1.0 / 24.0,
    1.0 / 6.0,
    1.0 / 2.0,
];
const MANTISSA_BITS: u32 = 52;
const EXPONENT_BIAS: u64 = 1023;

/// Replaces every `x` by `e^x`, to within 5e-15 relative.
pub(super) fn exp_all(x: &mut [f64]) {
    for x in x {
        let y = if *x < RANGE.0 { RANGE.0 } else { *x };
        let y = if y > RANGE.1 { RANGE.1 } else { y };
        let shifted = y * std::f64::consts::LOG2_E + ROUNDER;
        let k = shifted - ROUNDER;
        let r = ((y - k * LN2_HIGH) - k * LN2_LOW) * 0.125;
        let mut tail = TAYLOR[0];
        for c in &TAYLOR[1..] {
            tail = tail * r + c;
        }
        let eighth = 1.0 + (r + r * r * tail);
        let quarter = eighth * eighth;
        let half = quarter * quarter;
        let mantissa = half * half;
        let power = shifted.to_bits().wrapping_add(EXPONENT_BIAS) << MANTISSA_BITS;
        *x = mantissa * f64::from_bits(power);
    }
}

/// A product of many positive factors whose logarithm is wanted: powers of two are set aside before it runs over.
#[derive(Clone, Copy, Debug)]
pub(super) struct LnProducts<const N: usize> {
    pub product: [f64; N],
    powers: [i64; N],
}

impl<const N: usize> LnProducts<N> {
    /// Products of nothing.
    pub fn new() -> Self {
        Self {
            product: [1.0; N],
            powers: [0; N],
        }
    }

    /// Sets powers of two aside. The products must be normal numbers above 0.
    pub fn settle(&mut self) {
        for (p, power) in self.product.iter_mut().zip(&mut self.powers) {
            let bits = p.to_bits();
            *power += (bits >> MANTISSA_BITS).cast_signed() - EXPONENT_BIAS.cast_signed();
            *p = f64::from_bits(bits & ((1 << MANTISSA_BITS) - 1) | EXPONENT_BIAS << MANTISSA_BITS);
        }
    }

    /// Logarithms of the products.
    pub fn ln(mut self) -> [f64; N] {
        self.settle();
        let mut out = [0.0; N];
        for ((out, p), power) in out.iter_mut().zip(self.product).zip(self.powers) {
            *out = libm::log(p) + power as f64 * std::f64::consts::LN_2;
        }
        out
    }
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
    fn products_that_would_run_over_keep_their_logarithm() {
        let mut p = LnProducts::<2>::new();
        for _ in 0..100 {
            for _ in 0..8 {
                p.product[0] *= 1e26;
                p.product[1] *= 0.002;
            }
            p.settle();
        }
        let ln = p.ln();
        assert!((ln[0] - 800.0 * libm::log(1e26)).abs() < 1e-8);
        assert!((ln[1] - 800.0 * libm::log(0.002)).abs() < 1e-8);
    }
}

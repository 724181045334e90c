//! Sums of what only the logarithms of are in range.

/// Logarithm of the sum of exponentials; minus infinity of nothing.
pub(super) fn ln_sum_exp(ln: &[f64]) -> f64 {
    let most = ln.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    if most.is_infinite() {
        return most;
    }
    most + libm::log(ln.iter().map(|l| libm::exp(l - most)).sum())
}

/// Logarithm of the mean of exponentials.
pub(super) fn ln_mean_exp(ln: &[f64]) -> f64 {
    ln_sum_exp(ln) - libm::log(ln.len() as f64)
}

/// `ln(1 + e^x)`.
pub(super) fn ln_one_plus_exp(x: f64) -> f64 {
    if x > 0.0 {
        x + libm::log1p(libm::exp(-x))
    } else {
        libm::log1p(libm::exp(x))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn sums_of_logarithms() {
        // ln(1 + 2 + 3), far outside of what exp can hold
        let far = [1.0f64, 2.0, 3.0].map(|v| 5000.0 + libm::log(v));
        assert!((ln_sum_exp(&far) - 5000.0 - libm::log(6.0)).abs() < 1e-11);
        assert!(ln_sum_exp(&[]).is_infinite() && ln_sum_exp(&[]) < 0.0);
    }
}

//! Lists of numbers: mean, rms, quantiles, each with its standard error. The pull's tests use them too.

/// A list of numbers and what is said of them.
#[derive(Clone, Debug, Default)]
pub struct Numbers(pub Vec<f64>);

impl Numbers {
    /// Mean with its standard error and count.
    pub fn mean(&self) -> (f64, f64, usize) {
        let n = self.0.len().max(1) as f64;
        let mean = self.0.iter().sum::<f64>() / n;
        let ss: f64 = self.0.iter().map(|x| (x - mean) * (x - mean)).sum();
        (mean, (ss / (n - 1.0).max(1.0) / n).sqrt(), self.0.len())
    }

    /// Root mean square with its standard error and count.
    pub fn rms(&self) -> (f64, f64, usize) {
        let squares = Self(self.0.iter().map(|x| x * x).collect());
        let (mean, error, count) = squares.mean();
        let rms = mean.sqrt();
        (rms, error / (2.0 * rms).max(1e-300), count)
    }

    /// Quantile with its standard error (half the distance of the order statistics one binomial error either side, or a quarter of that of two) and count.
    pub fn quantile(&self, q: f64) -> (f64, f64, usize) {
        let mut sorted = self.0.clone();
        sorted.sort_by(f64::total_cmp);
        let n = sorted.len() as f64;
        if sorted.is_empty() {
            return (f64::NAN, f64::NAN, 0);
        }
        let at = |rank: f64| sorted[whole(rank.clamp(0.0, n - 1.0))];
        let (rank, spread) = (q * (n - 1.0), (n * q * (1.0 - q)).sqrt());
        // two widths, since neighbours may lie close together by chance
        let across = |k: f64| (at(rank + k * spread) - at(rank - k * spread)) / (2.0 * k);
        (at(rank), across(1.0).max(across(2.0)), sorted.len())
    }

    /// Quantile of the magnitudes.
    pub fn magnitude(&self, q: f64) -> (f64, f64, usize) {
        Self(self.0.iter().map(|x| x.abs()).collect()).quantile(q)
    }
}

/// The nearest whole number of a small non-negative one.
#[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)] // clamped by the caller
pub fn whole(x: f64) -> usize {
    x.round() as usize
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn quantiles_of_a_known_sample() {
        let numbers = Numbers((0..101).map(f64::from).collect());
        let (median, error, n) = numbers.quantile(0.5);
        assert!((median - 50.0).abs() < 1e-12 && n == 101);
        // uniform on 0..100: sd of the median is about 100 / (2 sqrt(101)) = 4.98
        assert!((error - 4.98).abs() < 1.0, "{error}");
    }
}

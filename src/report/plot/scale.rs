//! From a quantity to a place in the drawing.

/// A straight scale.
#[derive(Clone, Copy, Debug)]
pub(super) struct Scale {
    /// Values at both ends.
    pub from: (f64, f64),
    /// Places of both ends.
    pub to: (f64, f64),
}

impl Scale {
    /// A scale from `lo..hi` to the places `a..b`; a stretch of no length is widened.
    pub fn new(lo: f64, hi: f64, a: f64, b: f64) -> Self {
        let hi = if hi > lo { hi } else { lo + 1.0 };
        Self {
            from: (lo, hi),
            to: (a, b),
        }
    }

    /// The place of a value.
    pub fn at(&self, value: f64) -> f64 {
        let ((lo, hi), (a, b)) = (self.from, self.to);
        a + (value - lo) / (hi - lo) * (b - a)
    }

    /// The place of a value, held inside the scale.
    pub fn held(&self, value: f64) -> f64 {
        self.at(value.clamp(self.from.0, self.from.1))
    }

    /// Fine graduations: five to each of [`Self::ticks`], four where those are apart by a two.
    pub fn fine(&self, count: usize) -> Vec<f64> {
        let coarse = step((self.from.1 - self.from.0) / count.max(1) as f64);
        let two =
            (coarse / libm::pow(10.0, libm::floor(libm::log10(coarse) + 1e-9)) - 2.0).abs() < 0.1;
        let fine = coarse / if two { 4.0 } else { 5.0 };
        let first = libm::ceil(self.from.0 / fine - 1e-9);
        let count = libm::floor((self.from.1 - self.from.0) / fine + 1e-9);
        (0..=200)
            .map(f64::from)
            .take_while(|k| *k <= count)
            .map(|k| (first + k) * fine)
            .filter(|t| *t <= self.from.1 + 1e-9 * fine)
            .collect()
    }

    /// Round values on the scale, about `count` of them, and how many decimals they need.
    pub fn ticks(&self, count: usize) -> (Vec<f64>, usize) {
        let step = step((self.from.1 - self.from.0) / count.max(1) as f64);
        let first = libm::ceil(self.from.0 / step - 1e-9);
        let last = libm::floor(self.from.1 / step + 1e-9);
        let mut ticks = Vec::new();
        let mut k = first;
        while k <= last && ticks.len() < 4 * count.max(1) {
            ticks.push(k * step + 0.0); // no minus in front of nought
            k += 1.0;
        }
        (ticks, decimals(step))
    }
}

/// The step of 1, 2 or 5 times a power of ten that is not smaller than `least`.
pub(super) fn step(least: f64) -> f64 {
    let power = libm::pow(10.0, libm::floor(libm::log10(least)));
    [1.0, 2.0, 5.0, 10.0]
        .into_iter()
        .map(|m| m * power)
        .find(|s| *s >= least * (1.0 - 1e-9))
        .unwrap_or(10.0 * power)
}

/// Decimals of the multiples of a step.
fn decimals(step: f64) -> usize {
    (0..9)
        .zip([1.0, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8])
        .find(|(_, tens)| {
            let scaled = step * tens;
            (scaled - libm::round(scaled)).abs() < 1e-6 * scaled
        })
        .map_or(9, |(places, _)| places)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ticks_are_round_and_inside() {
        let (ticks, places) = Scale::new(0.0, 6.3, 0.0, 100.0).ticks(6);
        assert_eq!((ticks.len(), places), (4, 0)); // 0 2 4 6
        let (ticks, places) = Scale::new(0.9, 1.7, 0.0, 100.0).ticks(5);
        assert_eq!(places, 1);
        assert!((ticks[0] - 1.0).abs() < 1e-12 && (ticks[3] - 1.6).abs() < 1e-12);
        assert!((step(0.011) - 0.02).abs() < 1e-12 && (step(7.0) - 10.0).abs() < 1e-12);
    }

    #[test]
    fn a_scale_without_length_is_widened() {
        assert!(Scale::new(3.0, 3.0, 0.0, 1.0).at(3.0).abs() < 1e-12);
    }
}

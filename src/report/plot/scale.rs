//! From a quantity to a place in the drawing.

/// More round values than any picture takes.
const MOST_TICKS: usize = 100;

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

    /// Round values on the scale in steps of 1, 2 or 5, about `count` of them, with their words.
    pub fn ticks(&self, count: usize) -> Vec<(f64, String)> {
        self.every(step((self.from.1 - self.from.0) / count.max(1) as f64))
    }

    /// As many round values as there may be lines, in steps of 1, 2, 2.5 or 5, with their words.
    pub fn at_most(&self, lines: usize) -> Vec<(f64, String)> {
        let span = self.from.1 - self.from.0;
        let power = libm::pow(10.0, libm::floor(libm::log10(span)) - 2.0);
        let steps = [10.0, 20.0, 25.0, 50.0, 100.0, 200.0, 250.0, 500.0, 1000.0];
        let tries = steps.iter().map(|step| self.every(step * power));
        let fits = |ticks: &Vec<(f64, String)>| ticks.len() <= lines;
        tries.into_iter().find(fits).unwrap_or_default()
    }

    /// Multiples of a step on the scale.
    fn every(&self, step: f64) -> Vec<(f64, String)> {
        let places = decimals(step);
        let first = libm::ceil(self.from.0 / step - 1e-9);
        let last = libm::floor(self.from.1 / step + 1e-9);
        let mut ticks = Vec::new();
        let mut k = first;
        while k <= last && ticks.len() < MOST_TICKS {
            let words = if k.abs() < 0.5 {
                "0".into()
            } else {
                format!("{:.places$}", k * step)
            };
            ticks.push((k * step, words));
            k += 1.0;
        }
        ticks
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
        let words =
            |ticks: Vec<(f64, String)>| -> Vec<String> { ticks.into_iter().map(|t| t.1).collect() };
        let scale = |lo, hi| Scale::new(lo, hi, 0.0, 100.0);
        assert_eq!(words(scale(0.0, 6.3).ticks(6)), ["0", "2", "4", "6"]);
        assert_eq!(
            words(scale(0.9, 1.7).ticks(5)),
            ["1.0", "1.2", "1.4", "1.6"]
        );
        for span in [0.087, 0.87, 1.0, 1.7, 2.3, 3.9, 6.0, 9.9] {
            let n = scale(0.0, span).at_most(5).len();
            assert!((3..=5).contains(&n), "{span}: {n}");
        }
        assert_eq!(
            words(scale(-2.7, 2.7).at_most(5)),
            ["-2", "-1", "0", "1", "2"]
        );
        assert_eq!(
            words(scale(3.3, 14.4).at_most(5)),
            ["5.0", "7.5", "10.0", "12.5"]
        );
        assert_eq!(
            words(scale(8.1, 8.9).at_most(4)),
            ["8.2", "8.4", "8.6", "8.8"]
        );
        assert!((step(0.011) - 0.02).abs() < 1e-12 && (step(7.0) - 10.0).abs() < 1e-12);
    }

    #[test]
    fn a_scale_without_length_is_widened() {
        assert!(Scale::new(3.0, 3.0, 0.0, 1.0).at(3.0).abs() < 1e-12);
    }
}

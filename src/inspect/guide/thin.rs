//! A trace that never grows beyond what can be drawn: the extremes of even stretches of time.

/// Stretches that are kept at most; each gives at most two points.
const MOST: usize = 350;
/// First length of a stretch, microseconds.
const FIRST_US: u64 = 20_000;

/// Lowest and highest value of one stretch with their times, microseconds.
#[derive(Clone, Copy, Debug)]
struct Stretch {
    index: u64,
    low: (u64, f64),
    high: (u64, f64),
}

impl Stretch {
    fn join(&mut self, low: (u64, f64), high: (u64, f64)) {
        if low.1 < self.low.1 {
            self.low = low;
        }
        if high.1 > self.high.1 {
            self.high = high;
        }
    }
}

/// Readings thinned to at most 700 points with their extremes kept.
#[derive(Clone, Debug)]
pub(super) struct Thin {
    origin_us: Option<u64>,
    length_us: u64,
    stretches: Vec<Stretch>,
}

impl Default for Thin {
    fn default() -> Self {
        Self {
            origin_us: None,
            length_us: FIRST_US,
            stretches: Vec::new(),
        }
    }
}

impl Thin {
    /// Takes a reading that is later than the last one and finite.
    pub fn push(&mut self, t_us: u64, value: f64) {
        let since_us = t_us - *self.origin_us.get_or_insert(t_us);
        let point = (t_us, value);
        match self.stretches.last_mut() {
            Some(last) if last.index == since_us / self.length_us => last.join(point, point),
            _ => {
                if self.stretches.len() == MOST {
                    self.halve();
                }
                let index = since_us / self.length_us;
                match self.stretches.last_mut() {
                    Some(last) if last.index == index => last.join(point, point),
                    _ => self.stretches.push(Stretch {
                        index,
                        low: point,
                        high: point,
                    }),
                }
            }
        }
    }

    /// Makes the stretches so much longer that at most half of them are left.
    fn halve(&mut self) {
        while self.stretches.len() > MOST / 2 {
            self.length_us = self.length_us.saturating_mul(2);
            let mut joined: Vec<Stretch> = Vec::with_capacity(MOST);
            for stretch in self.stretches.drain(..) {
                let index = stretch.index / 2;
                match joined.last_mut() {
                    Some(last) if last.index == index => last.join(stretch.low, stretch.high),
                    _ => joined.push(Stretch { index, ..stretch }),
                }
            }
            self.stretches = joined;
        }
    }

    /// Seconds and value less `level`, in the order of time.
    pub fn points(&self, level: f64) -> Vec<(f64, f64)> {
        let mut points = Vec::with_capacity(2 * self.stretches.len());
        for stretch in &self.stretches {
            let (first, second) = if stretch.low.0 <= stretch.high.0 {
                (stretch.low, stretch.high)
            } else {
                (stretch.high, stretch.low)
            };
            points.push((first.0 as f64 * 1e-6, first.1 - level));
            if second.0 != first.0 {
                points.push((second.0 as f64 * 1e-6, second.1 - level));
            }
        }
        points
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn extremes_stay_and_time_runs_forward() {
        let mut thin = Thin::default();
        let mut most = 0;
        for i in 0..120_000u64 {
            let value = match i {
                70_001 => 99.0,
                33_333 => -99.0,
                _ => libm::sin(i as f64 * 0.01),
            };
            thin.push(5_000_000_000 + i * 1000, value);
            if i % 997 == 0 {
                most = most.max(thin.points(0.0).len());
            }
        }
        let points = thin.points(1.0);
        assert!(
            most <= 2 * MOST && points.len() > MOST / 2,
            "{most} {}",
            points.len()
        );
        assert!(points.windows(2).all(|w| w[0].0 < w[1].0));
        for (t_s, value) in [(5070.001, 98.0), (5033.333, -100.0)] {
            let found = points.iter().find(|p| (p.1 - value).abs() < 1e-9);
            assert!((found.unwrap().0 - t_s).abs() < 1e-6, "{found:?}");
        }
    }

    /// A gap of days between two readings is no work without end.
    #[test]
    fn gaps_are_no_stretches() {
        let mut thin = Thin::default();
        for i in 0..2000u64 {
            thin.push(i * 86_400_000_000, 1.0);
        }
        assert!(thin.points(0.0).len() <= 2 * MOST);
    }
}

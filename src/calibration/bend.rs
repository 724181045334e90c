//! What the gain does not know where the zero of a reading is taken off: a best line misses the zero of a sensor that bends,
//! so that every reading counted from there is off one way.

use super::Fitted;
use super::fit::{LACK_OF_FIT, Level, Point, coverage, levels};

/// Readings from this share of the range on are spoken for: below it a bend is as large as the reading.
const FROM_SHARE: f64 = 0.2;
/// A point no further from zero than this share of the largest stands for the zero (judgement).
const NEAR_ZERO: f64 = 0.1;

/// A loaded value as seen from the zero, in the unit of the known values.
struct Seen {
    /// How far away.
    distance: f64,
    /// Its residual less that of the zero: what the line's gain is off up to there.
    off: f64,
    /// Variance that scatter gives `off`.
    variance: f64,
}

impl Fitted {
    /// The same line for readings whose own zero is taken off; `points`: those of the fit. Where the points bend more than
    /// they scatter, each secant from the measured zero to a loaded value from 20 % of the range on has a gain of its own:
    /// the largest difference from the line's is the half width of a uniform distribution (GUM 4.3.7). Without a point near
    /// zero the line's own zero counts; where that lies further off than the points reach, no reading is counted from it.
    #[must_use]
    pub fn tared(mut self, points: &[Point]) -> Self {
        let levels = levels(points);
        let nearest = levels
            .iter()
            .min_by(|a, b| a.known.abs().total_cmp(&b.known.abs()));
        let (Some(zero), Some(last)) = (nearest, levels.last()) else {
            return self;
        };
        let range = last.known - levels[0].known;
        let most = last.known.abs().max(levels[0].known.abs());
        let (source, share) = if zero.known.abs() <= NEAR_ZERO * most {
            let bend = self.bend(points);
            (
                "bend_from_zero",
                bend.map_or(0.0, |noise| self.secants(&levels, zero, noise)),
            )
        } else if zero.known.abs() <= range {
            let [value, gain] = self.scatter_variances;
            let d = self.value / self.gain;
            let u_zero = (value + d * d * gain).sqrt();
            ("zero_not_measured", u_zero / (FROM_SHARE * most))
        } else {
            return self;
        };
        if share > 0.0 {
            let u = share * self.gain.abs();
            self.covariance[1][1] += u * u;
            self.gain_budget.push((source, u));
        }
        self
    }

    /// Variance of one point about a parabola where the points bend: they disagree with the line (as the fit found), or
    /// the parabola's square term differs from 0 (5 %).
    fn bend(&self, points: &[Point]) -> Option<f64> {
        let n = points.len() as f64;
        let along = || points.iter().map(|p| p.indication);
        let mean = along().sum::<f64>() / n;
        let about = |x: f64| x - mean;
        let square = along().map(|x| about(x) * about(x)).sum::<f64>() / n;
        let cube = along().map(|x| about(x) * about(x) * about(x)).sum::<f64>() / n;
        // The square, less what a line has of it.
        let bent = |x: f64| about(x) * about(x) - square - cube / square * about(x);
        let strength: f64 = along().map(|x| bent(x) * bent(x)).sum();
        let size = along()
            .zip(&self.residuals)
            .map(|(x, r)| bent(x) * r)
            .sum::<f64>()
            / strength;
        let left: f64 = along()
            .zip(&self.residuals)
            .map(|(x, r)| (r - size * bent(x)) * (r - size * bent(x)))
            .sum();
        let freedom = n - 3.0;
        if freedom < 1.0 || strength.is_nan() || strength <= 0.0 {
            return None;
        }
        let noise = left / freedom;
        let shows = size.abs() > coverage(freedom) * (noise / strength).sqrt();
        let disagrees = self.fit_probability.is_some_and(|p| p < LACK_OF_FIT);
        (shows || disagrees).then_some(noise)
    }

    /// Relative standard uncertainty by the worst secant.
    fn secants(&self, levels: &[Level], zero: &Level, noise: f64) -> f64 {
        let reach = |l: &Level| (l.known - zero.known).abs();
        let from = FROM_SHARE * levels.iter().map(reach).fold(0.0, f64::max);
        let mut worst: f64 = 0.0;
        for upward in [true, false] {
            let mut side: Vec<&Level> = levels
                .iter()
                .filter(|l| (l.known > zero.known) == upward && reach(l) > 0.0)
                .collect();
            side.sort_by(|a, b| reach(a).total_cmp(&reach(b)));
            let seen: Vec<Seen> = side.iter().map(|l| self.seen(l, zero, noise)).collect();
            let here = seen
                .windows(2)
                .filter(|two| two[0].distance < from && two[1].distance > from)
                .map(|two| between(&two[0], &two[1], from).share());
            let there = seen.iter().filter(|s| s.distance >= from).map(Seen::share);
            worst = here.chain(there).fold(worst, f64::max);
        }
        worst
    }

    /// A level from the zero. `noise`: variance of one point.
    fn seen(&self, level: &Level, zero: &Level, noise: f64) -> Seen {
        let n = |l: &Level| l.points.len() as f64;
        let residual = |l: &Level| l.points.iter().map(|i| self.residuals[*i]).sum::<f64>() / n(l);
        Seen {
            distance: (level.known - zero.known).abs(),
            off: residual(level) - residual(zero),
            variance: noise * (1.0 / n(level) + 1.0 / n(zero)),
        }
    }
}

impl Seen {
    /// Relative standard uncertainty: of a gain that lies anywhere within `off`, and of `off`.
    fn share(&self) -> f64 {
        (self.off * self.off / 3.0 + self.variance).sqrt() / self.distance
    }
}

/// On the straight way between two.
fn between(a: &Seen, b: &Seen, distance: f64) -> Seen {
    let f = (distance - a.distance) / (b.distance - a.distance);
    Seen {
        distance,
        off: a.off + f * (b.off - a.off),
        variance: a.variance + f * (b.variance - a.variance),
    }
}

//! Curves over time: the hold of a tank, the force of a pull.

use super::{
    letters::Letters,
    scale::Scale,
    svg::{Anchor, Svg},
};

/// Room left of the plot for numbers, and right of it.
pub(super) const SIDE: (f64, f64) = (46.0, 12.0);
/// Room above, and below for the numbers of the time.
pub(super) const EDGE: (f64, f64) = (14.0, 32.0);
/// Readings in a unit of width from which on only the smallest and the largest of each unit are drawn.
const CROWDED: f64 = 2.0;
/// How far a curve may pass by a point that is left out, units; most points that are left out in a row.
const EASE: f64 = 0.25;
const LONGEST: usize = 48;

/// Two axes without a box.
#[derive(Clone, Copy, Debug)]
pub(super) struct Axes {
    pub x: Scale,
    pub y: Scale,
}

impl Axes {
    /// Axes between two places across and two down.
    pub fn new(x: (f64, f64), y: (f64, f64), sides: (f64, f64), (top, bottom): (f64, f64)) -> Self {
        Self {
            x: Scale::new(x.0, x.1, sides.0, sides.1),
            y: Scale::new(y.0, y.1, bottom, top),
        }
    }

    /// Grid with its numbers, at most so many lines.
    pub fn grid(&self, svg: &mut Svg, rows: usize) {
        let (left, right) = self.x.to;
        let ticks = self.y.at_most(rows);
        svg.lines(
            "grid",
            ticks.iter().map(|(t, _)| {
                let y = self.y.at(*t);
                [(left, y), (right, y)]
            }),
        );
        for (tick, words) in ticks {
            let at = (left - 6.0, self.y.at(tick) + 5.0);
            svg.text("t15 t2", Anchor::End, at, &words);
        }
    }

    /// Axis along the lower edge with its numbers; `unit` stands behind the last of them.
    pub fn along(&self, svg: &mut Svg, unit: &str, columns: usize) {
        let ((left, right), bottom) = (self.x.to, self.y.to.0);
        svg.line("axis", (left, bottom), (right, bottom));
        let ticks = self.x.at_most(columns);
        let down =
            |(t, _): &(f64, String)| [(self.x.at(*t), bottom), (self.x.at(*t), bottom + 7.0)];
        svg.lines("tick", ticks.iter().map(down));
        let last = ticks.len().saturating_sub(1);
        let mut free = f64::NEG_INFINITY;
        for (i, (tick, number)) in ticks.into_iter().enumerate() {
            let words = if i == last {
                format!("{number} {unit}")
            } else {
                number
            };
            let half = Letters::of("t15").width(&words) / 2.0;
            let x = self.x.at(tick).min(right + SIDE.1 - half).max(half + 1.0);
            if x - half > free {
                svg.text("t15", Anchor::Middle, (x, bottom + 23.0), &words);
                free = x + half + 4.0;
            }
        }
    }

    /// A point of the plot.
    pub fn at(&self, x: f64, y: f64) -> (f64, f64) {
        (self.x.at(x), self.y.at(y))
    }

    /// A point of the plot, held inside its frame.
    pub fn held(&self, x: f64, y: f64) -> (f64, f64) {
        (self.x.held(x), self.y.held(y))
    }
}

/// Smallest and largest finite value; 0..1 where there is none.
pub(super) fn bounds(values: impl IntoIterator<Item = f64>) -> (f64, f64) {
    let found =
        values
            .into_iter()
            .filter(|v| v.is_finite())
            .fold(None, |found: Option<(f64, f64)>, v| {
                Some(found.map_or((v, v), |(lo, hi)| (lo.min(v), hi.max(v))))
            });
    found.unwrap_or((0.0, 1.0))
}

/// Points in order of place across: where they crowd, the smallest and the largest of each column of a width, so that no
/// spike is lost; then without those that lie on the line between their neighbours.
pub(super) fn thinned(points: &[(f64, f64)], column: f64) -> Vec<(f64, f64)> {
    let span = match points {
        [first, .., last] => (last.0 - first.0).abs(),
        _ => 0.0,
    };
    if (points.len() as f64) <= CROWDED * span.max(1.0) / column + 2.0 {
        return eased(points);
    }
    let place = |p: &(f64, f64)| libm::floor(p.0 / column);
    let mut thin = Vec::new();
    let mut rest = points;
    while let Some(first) = rest.first() {
        let here = place(first);
        let end = rest
            .iter()
            .position(|p| p.0.is_nan() || place(p) > here)
            .unwrap_or(rest.len())
            .max(1);
        let (inside, after) = rest.split_at(end);
        thin.extend(extremes(inside));
        rest = after;
    }
    eased(&thin)
}

/// Points without those that a straight line passes nearer than the eye can tell.
pub(super) fn eased(points: &[(f64, f64)]) -> Vec<(f64, f64)> {
    let mut kept: Vec<(f64, f64)> = points.first().copied().into_iter().collect();
    let mut from = 0;
    for to in 2..points.len() {
        let reach = to - from > LONGEST || !passes(&points[from..=to]);
        if reach {
            from = to - 1;
            kept.push(points[from]);
        }
    }
    if points.len() > 1 {
        kept.extend(points.last());
    }
    kept
}

/// The line from the first to the last point passes all between; never over a gap.
fn passes(points: &[(f64, f64)]) -> bool {
    let [(x0, y0), between @ .., (x1, y1)] = points else {
        return true;
    };
    let slope = (y1 - y0) / (x1 - x0);
    let off = |(x, y): &(f64, f64)| (y0 + slope * (x - x0) - y).abs();
    between.iter().all(|p| off(p) < EASE)
}

/// Smallest and largest of some points, in their order; one when they are the same.
fn extremes(points: &[(f64, f64)]) -> impl Iterator<Item = (f64, f64)> {
    let by = |a: &(usize, &(f64, f64)), b: &(usize, &(f64, f64))| a.1.1.total_cmp(&b.1.1);
    let least = points.iter().enumerate().min_by(by);
    let most = points.iter().enumerate().max_by(by);
    let pair = least.zip(most).map(|((i, a), (j, b))| match i.cmp(&j) {
        std::cmp::Ordering::Equal => [Some(*a), None],
        std::cmp::Ordering::Less => [Some(*a), Some(*b)],
        std::cmp::Ordering::Greater => [Some(*b), Some(*a)],
    });
    pair.into_iter().flatten().flatten()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_spike_survives_thinning() {
        let points: Vec<(f64, f64)> = (0..60_000)
            .map(|i| (f64::from(i) * 0.005, if i == 31_234 { 9.0 } else { 1.0 }))
            .collect();
        let thin = thinned(&points, 1.0);
        assert!(thin.len() <= 602, "{}", thin.len());
        assert!(thin.iter().any(|p| p.1 > 8.0));
        assert!(thin.windows(2).all(|w| w[0].0 < w[1].0));
        assert_eq!(thinned(&points[..100], 1.0).len(), 2);
        assert_eq!(thinned(&[(0.0, 1.0), (50.0, 2.0)], 1.0).len(), 2);
        assert!(thinned(&[], 1.0).is_empty());
        let broken = [(0.0, f64::NAN), (f64::NAN, 1.0), (0.1, 2.0), (0.2, 0.0)];
        assert!(thinned(&broken, 1.0).len() <= 4);
        let bent = [
            (0.0, 0.0),
            (1.0, 1.0),
            (2.0, 2.1),
            (3.0, 3.0),
            (4.0, 0.0),
            (f64::NAN, 0.0),
            (6.0, 0.0),
        ];
        let eased = eased(&bent);
        assert_eq!(eased[..3], [(0.0, 0.0), (3.0, 3.0), (4.0, 0.0)]);
        assert!(eased[3].0.is_nan() && eased[4..] == [(6.0, 0.0)]);
        assert_eq!(bounds([f64::NAN]), (0.0, 1.0));
    }
}

//! Curves over time: the hold of a tank, the force of a pull.

use super::{
    Width,
    scale::Scale,
    svg::{Anchor, Svg},
};

/// Room left of the plot for numbers, and right of it.
pub(super) const SIDE: (f64, f64) = (44.0, 12.0);
/// Room above, and below for the numbers of the time.
pub(super) const EDGE: (f64, f64) = (12.0, 40.0);

/// Two axes without a box.
#[derive(Clone, Copy, Debug)]
pub(super) struct Axes {
    pub x: Scale,
    pub y: Scale,
}

impl Axes {
    /// Axes in a drawing of a height, from `top` on.
    pub fn new(x: (f64, f64), y: (f64, f64), width: Width, (top, bottom): (f64, f64)) -> Self {
        Self {
            x: Scale::new(x.0, x.1, SIDE.0, width.units() - SIDE.1),
            y: Scale::new(y.0, y.1, bottom, top),
        }
    }

    /// Grid and numbers; `x_unit` stands behind the last number of the horizontal axis.
    pub fn draw(&self, svg: &mut Svg, x_unit: &str, (columns, rows): (usize, usize)) {
        let (left, right) = self.x.to;
        let (bottom, _) = self.y.to;
        let (ticks, places) = self.y.ticks(rows);
        for tick in ticks {
            let y = self.y.at(tick);
            svg.line("grid", (left, y), (right, y));
            svg.text(
                "t15",
                Anchor::End,
                (left - 6.0, y + 5.0),
                &format!("{tick:.places$}"),
            );
        }
        svg.line("axis", (left, bottom), (right, bottom));
        let (ticks, places) = self.x.ticks(columns);
        let last = ticks.len().saturating_sub(1);
        for (i, tick) in ticks.into_iter().enumerate() {
            let x = self.x.at(tick);
            svg.line("tick", (x, bottom), (x, bottom + 7.0));
            let number = format!("{tick:.places$}");
            let words = if i == last {
                format!("{number} {x_unit}")
            } else {
                number
            };
            let room = 4.2 * words.len() as f64;
            svg.text(
                "t15",
                Anchor::Middle,
                (x.min(right + SIDE.1 - room), bottom + 24.0),
                &words,
            );
        }
    }

    /// A point of the plot.
    pub fn at(&self, x: f64, y: f64) -> (f64, f64) {
        (self.x.at(x), self.y.at(y))
    }
}

/// Smallest and largest finite value; 0..1 where there is none.
pub(super) fn bounds<'a>(values: impl IntoIterator<Item = &'a f64>) -> (f64, f64) {
    let found =
        values
            .into_iter()
            .filter(|v| v.is_finite())
            .fold(None, |found: Option<(f64, f64)>, &v| {
                Some(found.map_or((v, v), |(lo, hi)| (lo.min(v), hi.max(v))))
            });
    found.unwrap_or((0.0, 1.0))
}

/// A line through many readings: smallest and largest of each unit of width, so that no spike is lost.
pub(super) fn thinned(axes: &Axes, t: &[f64], y: &[f64]) -> Vec<(f64, f64)> {
    let columns = axes.x.to.1 - axes.x.to.0;
    if (t.len() as f64) < 2.0 * columns {
        return t.iter().zip(y).map(|(&t, &y)| axes.at(t, y)).collect();
    }
    let mut points = Vec::new();
    let mut i = 0;
    while i < t.len() {
        let column = libm::floor(axes.x.at(t[i]));
        let (mut least, mut most, start) = (i, i, i);
        while i < t.len() && libm::floor(axes.x.at(t[i])) <= column {
            if y[i] < y[least] {
                least = i;
            }
            if y[i] > y[most] {
                most = i;
            }
            i += 1;
        }
        i = i.max(start + 1);
        let (first, second) = (least.min(most), least.max(most));
        points.push(axes.at(t[first], y[first]));
        if second != first {
            points.push(axes.at(t[second], y[second]));
        }
    }
    points
}

//! Drag of the free-running car against its speed.

use super::{
    Picture, Width,
    curve::{Axes, EDGE, SIDE, bounds},
    svg::Svg,
};
use crate::{measure::roll::RollDrag, report::number::shown};

/// Height of the picture.
const HEIGHT: f64 = 200.0;

/// The mean drag at each speed as dots, the straight line through the coasts.
pub(super) fn by_speed(drag: &RollDrag, width: Width) -> Option<Picture> {
    let last = drag.points.last()?;
    let line = |speed: f64| drag.standstill_rev_s2.value + drag.slope_per_s.value * speed;
    let fastest = last.speed_rev_s * 1.04;
    let points = drag.points.iter().map(|p| p.drag_rev_s2);
    let (lo, hi) = bounds(points.chain([line(0.0), line(fastest)]));
    let sides = (SIDE.0, width.units() - SIDE.1);
    let y = (lo.min(0.0), hi.max(0.0) * 1.08);
    let axes = Axes::new((0.0, fastest), y, sides, (EDGE.0, HEIGHT - EDGE.1));
    let (still, slope) = (shown(drag.standstill_rev_s2), shown(drag.slope_per_s));
    let label = format!(
        "The wheel loses {} turns a second each second next to standstill, and {} more for every turn a second of speed.",
        still.value, slope.value
    );
    let mut svg = Svg::new(width.units(), HEIGHT, label);
    axes.grid(&mut svg, 5);
    axes.along(&mut svg, "turns/s", width.ticks());
    svg.curve(
        "fit",
        [axes.held(0.0, line(0.0)), axes.held(fastest, line(fastest))],
    );
    for point in &drag.points {
        svg.dot("dot", axes.held(point.speed_rev_s, point.drag_rev_s2), 3.0);
    }
    let heading = "Drag against speed: turns/s lost each second";
    Some(Picture::new(heading, svg, width))
}

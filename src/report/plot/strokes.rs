//! Pulls before and after, side by side and aligned stroke by stroke: the same stroke stands at the same place whatever the
//! speed.

use super::{
    Picture, Width,
    curve::{Axes, bounds, thinned},
    letters::Letters,
    pull::{DOT, limit, not_counted, weight_n},
    svg::{Anchor, Svg},
};
use crate::{
    measure::pull::{PullFinding, PullReport, PullTrace},
    report::{number::stated, page::count},
};

/// Strokes that are drawn, and pulls of a side.
const STROKES: usize = 4;
const PULLS: usize = 5;
/// Strokes before the first and behind the last that are drawn: half a stroke.
const BESIDE: f64 = 0.5;
/// Height of the picture, room above for the words and below for the numbers.
const HEIGHT: f64 = 230.0;
const HEAD: f64 = 46.0;
const FOOT: f64 = 30.0;
/// Left edge of the first side, gap between the sides, right edge.
const LEFT: f64 = 46.0;
const GAP: f64 = 14.0;
const RIGHT: f64 = 8.0;

/// One pull with its readings.
type Pull<'a> = (&'a PullReport, &'a PullTrace);

/// Both sides; nothing where one has no pull with strokes to align.
pub(super) fn side_by_side(seen: &[Vec<&PullFinding>; 2], width: Width) -> Option<Picture> {
    let [before, after] = seen;
    let sides = [usable(before), usable(after)];
    if sides.iter().any(Vec::is_empty) {
        return None;
    }
    let weight = seen.iter().flatten().find_map(|f| weight_n(&f.pulls));
    let peaks = |pulls: &Vec<Pull>| -> Vec<f64> {
        let strokes = pulls
            .iter()
            .flat_map(|(report, _)| report.strokes.iter().take(STROKES));
        strokes.filter_map(|s| Some(s.peak_n?.value)).collect()
    };
    let highest = sides
        .iter()
        .flat_map(peaks)
        .chain(weight)
        .fold(1.0, f64::max)
        * 1.06;
    let mut svg = Svg::new(
        width.units(),
        HEIGHT,
        told(&sides.each_ref().map(peaks), weight),
    );
    let panel = (width.units() - LEFT - GAP - RIGHT) / 2.0;
    for (i, (pulls, word)) in sides.iter().zip(["before", "after"]).enumerate() {
        let left = LEFT + (panel + GAP) * i as f64;
        let x = (1.0 - BESIDE, STROKES as f64 + BESIDE);
        let rows = (HEAD, HEIGHT - FOOT);
        let axes = Axes::new(x, (0.0, highest), (left, left + panel), rows);
        grid(&mut svg, &axes, i == 0);
        one_side(&mut svg, &axes, pulls);
        let words = format!("{word}, {}", count(pulls.len() as u64, "pull"));
        svg.text("t16 tb", Anchor::Start, (left, 16.0), &words);
        if let Some(weight) = weight {
            let y = axes.y.at(weight);
            svg.line("limit", (left, y), (left + panel, y));
        }
    }
    if let Some(limit) = limit(weight, 1.0) {
        let y = HEIGHT - FOOT - (HEIGHT - FOOT - HEAD) * limit.value / highest;
        let words = format!("weight of the car, {} N", stated(limit.value));
        let y = if y - 6.0 > 32.0 { y - 6.0 } else { y + 17.0 };
        svg.text("t15 tc", Anchor::Start, (LEFT + 3.0, y), &words);
    }
    Some(Picture::new(
        "Pulls side by side, stroke by stroke: force in N",
        svg,
        width,
    ))
}

/// The pulls that count, at most so many.
fn usable<'a>(findings: &[&'a PullFinding]) -> Vec<Pull<'a>> {
    let of = |f: &&'a PullFinding| {
        let f = *f;
        let pulls = f.pulls.iter().zip(&f.trace);
        pulls.filter(move |(report, trace)| {
            not_counted(report, f.plug_out).is_none()
                && report.strokes.len() > 1
                && trace.t_s.len() > 1
        })
    };
    findings.iter().flat_map(of).take(PULLS).collect()
}

/// What the eye sees.
fn told(peaks: &[Vec<f64>; 2], weight: Option<f64>) -> String {
    let range = |peaks: &Vec<f64>| {
        let (lo, hi) = bounds(peaks.iter().copied());
        format!("{lo:.0} to {hi:.0}")
    };
    let weight = weight.map_or_else(String::new, |n| {
        format!(
            " The dashed line is the weight of the car, {} N.",
            stated(n)
        )
    });
    format!(
        "The strokes of the pulls one above the other. Before, the strokes reach {} newtons; after, {}.{weight}",
        range(&peaks[0]),
        range(&peaks[1])
    )
}

fn grid(svg: &mut Svg, axes: &Axes, is_first: bool) {
    let ((left, right), bottom) = (axes.x.to, axes.y.to.0);
    let ticks = axes.y.at_most(5);
    let across = |(t, _): &(f64, String)| [(left, axes.y.at(*t)), (right, axes.y.at(*t))];
    svg.lines("grid", ticks.iter().map(across));
    for (tick, words) in ticks.iter().filter(|_| is_first) {
        let at = (left - 6.0, axes.y.at(*tick) + 5.0);
        svg.text("t15 t2", Anchor::End, at, words);
    }
    svg.line("axis", (left, bottom), (right, bottom));
    for stroke in 1..=STROKES {
        let x = axes.x.at(stroke as f64);
        svg.line("tick", (x, bottom), (x, bottom + 7.0));
        svg.text(
            "t15 t2",
            Anchor::Middle,
            (x, bottom + 23.0),
            &stroke.to_string(),
        );
    }
    let words = "stroke";
    if is_first && Letters::of("t15").width(words) + 4.0 < axes.x.at(1.0) - 6.0 {
        svg.text("t15 t2", Anchor::End, (left - 2.0, bottom + 23.0), words);
    }
}

fn one_side(svg: &mut Svg, axes: &Axes, pulls: &[Pull]) {
    for (report, trace) in pulls {
        let tops: Vec<f64> = report.strokes.iter().map(|s| s.t_s).collect();
        let (from, to) = axes.x.from;
        let readings = trace.t_s.iter().zip(&trace.force_n);
        let points: Vec<(f64, f64)> = readings
            .map(|(t, force)| (place(&tops, *t), *force))
            .filter(|(x, _)| (from..=to).contains(x))
            .map(|(x, force)| axes.held(x, force))
            .collect();
        svg.curve("raw", thinned(&points, 1.0));
    }
    for (report, _) in pulls {
        for (i, stroke) in report.strokes.iter().take(STROKES).enumerate() {
            if let Some(peak) = stroke.peak_n {
                svg.dot("dot", axes.held((i + 1) as f64, peak.value), DOT);
            }
        }
    }
}

/// Where a moment lies among the strokes: 1 at the top of the first, 2 at the second, evenly between them. At least two
/// tops.
fn place(tops: &[f64], t: f64) -> f64 {
    let after = tops.partition_point(|top| *top <= t);
    let i = after.clamp(1, tops.len() - 1);
    let (a, b) = (tops[i - 1], tops[i]);
    i as f64 + (t - a) / (b - a).max(1e-9)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_stroke_stands_at_its_number_whatever_the_speed() {
        let tops = [0.2, 0.3, 0.5];
        for (t, at) in [
            (0.2, 1.0),
            (0.25, 1.5),
            (0.3, 2.0),
            (0.5, 3.0),
            (0.1, 0.0),
            (0.6, 3.5),
        ] {
            assert!((place(&tops, t) - at).abs() < 1e-9, "{t}");
        }
    }
}

//! Pictures of a pull: the rule of the lift ratio, and every pull with its strokes.

use super::{
    Picture, Width,
    curve::{Axes, EDGE, bounds, thinned},
    rule::{self, Block, Outside, Row, Rule},
    svg::{Anchor, Svg},
};
use crate::{
    measure::pull::{PullFinding, PullReport, PullTrace},
    report::{
        number::{shown, stated},
        page::verdict_word,
    },
};

/// Most pulls that are drawn.
const MOST: usize = 12;
/// Height of one pull.
const HEIGHT: f64 = 150.0;

pub(super) fn pictures(finding: &PullFinding, width: Width) -> Vec<Picture> {
    let mut pictures: Vec<Picture> = rule(finding, width).into_iter().collect();
    let weight_n = weight_n(finding);
    for (i, (pull, trace)) in finding
        .pulls
        .iter()
        .zip(&finding.trace)
        .take(MOST)
        .enumerate()
    {
        if trace.t_s.len() > 1 {
            pictures.push(one(i, pull, trace, weight_n, finding, width));
        }
    }
    pictures
}

/// The car's weight, where a pull states both force and lift ratio.
fn weight_n(finding: &PullFinding) -> Option<f64> {
    finding.pulls.iter().find_map(|pull| {
        let (peak, ratio) = (pull.peak_n?, pull.lift_ratio?);
        (ratio.value > 0.0).then(|| peak.value / ratio.value)
    })
}

fn rule(finding: &PullFinding, width: Width) -> Option<Picture> {
    let ratio = finding.lift_ratio?;
    let limit = finding.limit_lift_ratio;
    let s = shown(ratio);
    let word = verdict_word(finding.verdict, false);
    let label = format!(
        "The mean lift ratio is {}, 95 % range {}. Limit {}: {word}.",
        s.value,
        s.range(),
        stated(limit)
    );
    let rows = [Row {
        estimate: ratio,
        block: Block::of(finding.verdict),
        word: None,
    }];
    let svg = rule::draw(
        &Rule {
            rows: &rows,
            limit: Some((limit, Outside::Left)),
            natural: (Some(0.0), None),
            label: &label,
        },
        width,
    );
    Some(Picture::new(
        "Lift ratio: peak of the pull over the car's weight",
        svg,
        width,
    ))
}

fn one(
    i: usize,
    pull: &PullReport,
    trace: &PullTrace,
    weight_n: Option<f64>,
    finding: &PullFinding,
    width: Width,
) -> Picture {
    let highest = finding
        .trace
        .iter()
        .take(MOST)
        .map(|t| bounds(&t.force_n).1)
        .fold(1.0, f64::max);
    let start = trace.t_s[0];
    let t: Vec<f64> = trace.t_s.iter().map(|t| t - start).collect();
    let longest = finding
        .trace
        .iter()
        .take(MOST)
        .filter_map(|t| Some(t.t_s.last()? - t.t_s.first()?))
        .fold(0.0, f64::max);
    let peak = pull.peak_n.map(shown);
    let heading = match &peak {
        Some(peak) => format!(
            "Pull {}: {} N, {} strokes",
            i + 1,
            peak.value,
            pull.strokes.len()
        ),
        None => format!(
            "Pull {}: not counted, {} strokes",
            i + 1,
            pull.strokes.len()
        ),
    };
    let mut svg = Svg::new(
        width.units(),
        HEIGHT,
        format!("{heading}. Force over time in newtons."),
    );
    let axes = Axes::new(
        (0.0, longest),
        (0.0, 1.08 * highest),
        width,
        (EDGE.0, HEIGHT - EDGE.1),
    );
    axes.draw(&mut svg, "s", (width.ticks(), 4));
    if let Some(weight) = weight_n.filter(|w| *w < 1.08 * highest) {
        let y = axes.y.at(weight);
        svg.line("limit", (axes.x.to.0, y), (axes.x.to.1, y));
        svg.text(
            "t15",
            Anchor::End,
            (axes.x.to.1, y - 5.0),
            "weight of the car",
        );
    }
    let class = if peak.is_some() { "raw" } else { "notc" };
    svg.curve(class, thinned(&axes, &t, &trace.force_n));
    for stroke in &pull.strokes {
        if let Some(peak) = stroke.peak_n {
            svg.dot(
                "dot",
                axes.at(stroke.t_s - start, peak.value.min(1.08 * highest)),
                4.5,
            );
        }
    }
    Picture::new(heading, svg, width)
}

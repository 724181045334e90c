//! Pictures of a leak: the rule, the hold with its fit, what the fit leaves.

use super::{
    Picture, Width,
    curve::{Axes, EDGE, SIDE, bounds, thinned},
    rule::{self, Block, Outside, Row, Rule},
    svg::{Anchor, Svg},
};
use crate::{
    measure::leak::{LeakFinding, LeakTrace},
    report::{
        number::{shown, stated},
        page::verdict_word,
    },
    units::CM3_PER_MIN,
};

/// Height of the hold and of the residuals.
const HEIGHT: (f64, f64) = (260.0, 130.0);

pub(super) fn pictures(finding: &LeakFinding, width: Width) -> Vec<Picture> {
    let mut pictures: Vec<Picture> = rule(finding, width).into_iter().collect();
    if finding.trace.t_s.len() > 1 {
        pictures.push(hold(&finding.trace, width));
        pictures.push(residuals(&finding.trace, width));
    }
    pictures
}

fn rule(finding: &LeakFinding, width: Width) -> Option<Picture> {
    let rate = finding.leak_rate_pa_m3_s?.scaled(1.0 / CM3_PER_MIN);
    let limit = finding.limit_leak_rate_pa_m3_s.map(|l| l / CM3_PER_MIN);
    let at = finding
        .p_ref_pa
        .map_or_else(String::new, |pa| format!(", at {} kPa", stated(pa / 1e3)));
    let s = shown(rate);
    let word = verdict_word(finding.verdict, false);
    let against = limit.map_or_else(String::new, |l| format!(" Limit {}: {word}.", stated(l)));
    let label = format!(
        "The leak is {} cubic centimetres a minute, 95 % range {}.{against}",
        s.value,
        s.range()
    );
    let rows = [Row {
        estimate: rate,
        block: Block::of(finding.verdict),
        word: None,
    }];
    let svg = rule::draw(
        &Rule {
            rows: &rows,
            limit: limit.map(|l| (l, Outside::Right)),
            natural: (None, None),
            label: &label,
        },
        width,
    );
    Some(Picture::new(
        format!("Leak in cm\u{b3} of air a minute{at}"),
        svg,
        width,
    ))
}

fn hold(trace: &LeakTrace, width: Width) -> Picture {
    let kpa = |values: &[f64]| values.iter().map(|p| p / 1e3).collect::<Vec<f64>>();
    let (readings, fit) = (kpa(&trace.pressure_pa), kpa(&trace.fit_pa));
    let (lo, hi) = bounds(readings.iter().chain(&fit));
    let pad = 0.06 * (hi - lo).max(0.01);
    let t = (0.0, trace.t_s.last().copied().unwrap_or(1.0));
    let label = format!(
        "Gauge pressure over {:.0} seconds of the hold, from {hi:.2} to {lo:.2} kilopascal, with the fit through the readings.",
        t.1
    );
    let mut svg = Svg::new(width.units(), HEIGHT.0, label);
    let axes = Axes::new(t, (lo - pad, hi + pad), width, (EDGE.0, HEIGHT.0 - EDGE.1));
    axes.draw(&mut svg, "s", (width.ticks(), 5));
    let dots: Vec<(f64, f64)> = trace
        .t_s
        .iter()
        .zip(&readings)
        .map(|(&t, &p)| axes.at(t, p))
        .collect();
    for (at, used) in dots.iter().zip(&trace.used) {
        if *used {
            svg.dot("rawdot", *at, 1.5);
        }
    }
    not_counted(&mut svg, trace, &dots, &axes);
    // The fit is finite from the first second on.
    svg.curve("fit", thinned(&axes, &trace.t_s, &fit));
    Picture::new("Pressure in kPa after the end of pumping", svg, width)
}

/// Readings that the fit leaves out: the first second and what a knock disturbed.
fn not_counted(svg: &mut Svg, trace: &LeakTrace, dots: &[(f64, f64)], axes: &Axes) {
    let left_out = |i: usize| !trace.used.get(i).copied().unwrap_or(true);
    let points = (0..dots.len()).map(|i| {
        let near = left_out(i) || (i > 0 && left_out(i - 1)) || left_out(i + 1);
        if near { dots[i] } else { (f64::NAN, f64::NAN) }
    });
    svg.curve("notc", points);
    if let Some(i) = (0..dots.len()).find(|i| left_out(*i) && trace.t_s[*i] > 2.0) {
        let (x, y) = dots[i];
        svg.text(
            "t15 t2",
            Anchor::Middle,
            (x, (y - 14.0).max(axes.y.to.1 + 12.0)),
            "not counted: knock",
        );
    }
}

fn residuals(trace: &LeakTrace, width: Width) -> Picture {
    let left: Vec<(f64, f64)> = (0..trace.t_s.len())
        .filter(|&i| trace.used[i])
        .map(|i| (trace.t_s[i], trace.pressure_pa[i] - trace.fit_pa[i]))
        .filter(|(_, r)| r.is_finite())
        .collect();
    let most = left.iter().map(|(_, r)| r.abs()).fold(1e-3, f64::max) * 1.1;
    let t = (0.0, trace.t_s.last().copied().unwrap_or(1.0));
    let label = format!("What the fit leaves of each reading: at most {most:.1} pascal.");
    let mut svg = Svg::new(width.units(), HEIGHT.1, label);
    let axes = Axes::new(t, (-most, most), width, (EDGE.0, HEIGHT.1 - EDGE.1));
    axes.draw(&mut svg, "s", (width.ticks(), 3));
    let nought = axes.y.at(0.0);
    svg.line("fit", (SIDE.0, nought), (axes.x.to.1, nought));
    for (t, r) in left {
        svg.dot("rawdot", axes.at(t, r), 1.5);
    }
    Picture::new("Reading less fit, in Pa", svg, width)
}

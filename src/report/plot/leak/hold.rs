//! The pressure of the hold: readings, what is not counted, the fit, what the fit leaves.

use super::super::{
    Picture, Width,
    curve::{Axes, EDGE, SIDE, bounds, thinned},
    letters::Letters,
    svg::{Anchor, Svg},
};
use crate::{
    inspect::guide::LeakView,
    measure::leak::{LeakFinding, LeakTrace},
};

/// Height of the readings, of the residuals, of the readings of a running test.
const HEIGHT: (f64, f64, f64) = (240.0, 140.0, 170.0);
/// Room right of the readings for the fit's word and its last value.
const RIGHT: f64 = 62.0;
/// Smallest span of a pressure axis, kPa: noise alone must not look like a fall.
const LEAST_SPAN: f64 = 0.05;
/// Seconds of the hold that the fit leaves out, because the pump's last stroke still swings.
const LEFT_OUT_S: f64 = 1.0;
/// Seconds shown of a running record before the hold begins.
const LOOK_BACK_S: f64 = 30.0;
/// Distance of two dots that lie on the fit, and how far one must stand off it to be drawn in any case.
const APART: f64 = 7.0;
const STANDS_OFF: f64 = 2.0;
/// Residuals beyond this many times their middle size are drawn at the edge, so that one knock does not flatten the rest.
const FAR: f64 = 6.0;

/// Pressure axis around some values, kPa.
fn around(values: impl IntoIterator<Item = f64>) -> (f64, f64) {
    let (lo, hi) = bounds(values);
    let short = (LEAST_SPAN - (hi - lo)).max(0.0) / 2.0;
    let pad = 0.06 * (hi - lo + 2.0 * short);
    (lo - short - pad, hi + short + pad)
}

/// Readings as dots, the fit through them.
pub(super) fn readings(finding: &LeakFinding, width: Width) -> Picture {
    let trace = &finding.trace;
    let (readings, fit) = (kpa(&trace.pressure_pa), kpa(&trace.fit_pa));
    let first = first_second(finding);
    let end_s = trace.t_s.last().copied().unwrap_or(1.0);
    let all = readings.iter().chain(&fit).copied();
    let y = around(all.chain(first.iter().map(|(_, p)| *p)));
    let sides = (SIDE.0, width.units() - RIGHT);
    let axes = Axes::new((0.0, end_s), y, sides, (EDGE.0 + 20.0, HEIGHT.0 - EDGE.1));
    let mut svg = Svg::new(width.units(), HEIGHT.0, told(finding, &readings));
    axes.grid(&mut svg, 5);
    axes.along(&mut svg, "s", width.pick(5, 7));
    let curve = points(&axes, &trace.t_s, &fit);
    svg.curve("fit", thinned(&curve, 1.0));
    let dots = points(&axes, &trace.t_s, &readings);
    counted(&mut svg, trace, &dots, &curve);
    svg.curve("notc", first.iter().map(|(t, p)| axes.held(*t, *p)));
    not_counted(&mut svg, trace, &dots, &axes);
    settled(&mut svg, finding, &axes, &dots);
    last_value(&mut svg, &axes, trace.t_s.last().zip(fit.last()));
    Picture::new(
        "Gauge pressure in kPa: readings as dots, fit as line",
        svg,
        width,
    )
}

/// The fit's word and its last value.
fn last_value(svg: &mut Svg, axes: &Axes, last: Option<(&f64, &f64)>) {
    if let Some((t, p)) = last.filter(|(_, p)| p.is_finite()) {
        let (x, y) = axes.held(*t, *p);
        let y = y.min(axes.y.to.0 - 24.0).max(axes.y.to.1 + 14.0);
        svg.text("t15 tb", Anchor::Start, (x + 7.0, y), "fit");
        svg.text(
            "t15",
            Anchor::Start,
            (x + 7.0, y + 18.0),
            &format!("{p:.2}"),
        );
    }
}

/// What was read before the fit begins: seconds of the hold and kPa.
fn first_second(finding: &LeakFinding) -> Vec<(f64, f64)> {
    let Some(start_s) = finding.hold_start_s else {
        return Vec::new();
    };
    let until = finding.trace.t_s.first().copied().unwrap_or(0.0);
    let since = finding
        .trace
        .record
        .iter()
        .map(|(t, p)| (t - start_s, p / 1e3));
    since.filter(|(t, _)| (0.0..=until).contains(t)).collect()
}

/// Counted readings: one every few units, so that the fit is seen between them, and every one that stands off the fit.
fn counted(svg: &mut Svg, trace: &LeakTrace, dots: &[(f64, f64)], curve: &[(f64, f64)]) {
    let mut last = f64::NEG_INFINITY;
    let mut shown = Vec::new();
    for i in (0..dots.len()).filter(|i| is_counted(trace, *i)) {
        let (x, y) = dots[i];
        let off = curve
            .get(i)
            .is_none_or(|fit| (fit.1 - y).abs() > STANDS_OFF);
        if off || x - last >= APART {
            last = x;
            shown.push(dots[i]);
        }
    }
    svg.dots("rawdot", shown);
}

fn kpa(values: &[f64]) -> Vec<f64> {
    values.iter().map(|p| p / 1e3).collect()
}

fn points(axes: &Axes, t: &[f64], y: &[f64]) -> Vec<(f64, f64)> {
    t.iter().zip(y).map(|(&t, &y)| axes.at(t, y)).collect()
}

/// The fit looks at this block.
fn is_counted(trace: &LeakTrace, i: usize) -> bool {
    trace.used.get(i).copied().unwrap_or(true) && trace.t_s[i] >= LEFT_OUT_S
}

/// What the eye sees.
fn told(finding: &LeakFinding, readings: &[f64]) -> String {
    let trace = &finding.trace;
    let (first, last) = (readings.first(), readings.last());
    let (first, last) = (first.copied().unwrap_or(0.0), last.copied().unwrap_or(0.0));
    let end_s = trace.t_s.last().copied().unwrap_or(0.0);
    let masked = (0..trace.t_s.len())
        .filter(|i| trace.t_s[*i] >= LEFT_OUT_S && !is_counted(trace, *i))
        .count();
    let knocks = match masked {
        0 => String::new(),
        _ => " Dotted readings, of a knock or a gap, are not counted.".into(),
    };
    let settled = finding.settled_at_s.filter(|s| *s < end_s);
    let settled = settled.map_or_else(String::new, |s| {
        format!(" By {s:.0} seconds the gas has settled.")
    });
    format!(
        "Pressure falls from {first:.2} to {last:.2} kilopascals in {end_s:.0} seconds after the end of pumping. The first second is not counted; the fit follows the readings after it.{settled}{knocks}"
    )
}

/// What the fit leaves out after the first second, dotted, and the words for both.
fn not_counted(svg: &mut Svg, trace: &LeakTrace, dots: &[(f64, f64)], axes: &Axes) {
    let counts = |i: usize| is_counted(trace, i);
    let left_out = (0..dots.len()).map(|i| {
        let near = [i.wrapping_sub(1), i, i + 1].into_iter();
        let keep = near.into_iter().any(|k| k < dots.len() && !counts(k));
        if keep { dots[i] } else { (f64::NAN, f64::NAN) }
    });
    svg.curve("notc", left_out);
    let (x, top) = (axes.x.at(LEFT_OUT_S), axes.y.to.1);
    svg.line("tick", (x, top - 16.0), (x, axes.y.to.0));
    let words = "first second not counted";
    svg.text("t15 t2", Anchor::Start, (x + 5.0, top - 5.0), words);
    let masked = |i: &usize| trace.t_s[*i] >= LEFT_OUT_S && !counts(*i);
    if let Some(i) = (0..dots.len()).find(masked) {
        beside(svg, axes, dots[i], "knock: not counted");
    }
}

/// Words at a point of a falling curve: it leaves room above on the right, and below on the left.
fn beside(svg: &mut Svg, axes: &Axes, (x, y): (f64, f64), words: &str) {
    let length = Letters::of("t15").width(words);
    let above = (y - 10.0).max(axes.y.to.1 + 14.0);
    let below = (y + 24.0).min(axes.y.to.0 - 5.0);
    let (x, y) = if x + 8.0 + length < axes.x.to.1 {
        (x + 8.0, above)
    } else {
        ((x - 8.0 - length).max(axes.x.to.0 + 4.0), below)
    };
    svg.text("t15 t2 tc", Anchor::Start, (x, y), words);
}

/// From where on the gas no longer disturbs a reading by eye.
fn settled(svg: &mut Svg, finding: &LeakFinding, axes: &Axes, dots: &[(f64, f64)]) {
    let Some(s) = finding
        .settled_at_s
        .filter(|s| (2.0..axes.x.from.1).contains(s))
    else {
        return;
    };
    let x = axes.x.at(s);
    if let Some((_, y)) = dots.iter().find(|(at, _)| *at >= x) {
        svg.line("tick", (x, y - 12.0), (x, y + 12.0));
        beside(svg, axes, (x, *y), "gas settled");
    }
}

/// What the fit leaves of each reading, magnified.
pub(super) fn residuals(trace: &LeakTrace, width: Width) -> Option<Picture> {
    let left: Vec<(f64, f64)> = (0..trace.t_s.len())
        .filter(|&i| is_counted(trace, i))
        .map(|i| (trace.t_s[i], trace.pressure_pa[i] - trace.fit_pa[i]))
        .filter(|(_, r)| r.is_finite())
        .collect();
    let mut sizes: Vec<f64> = left.iter().map(|(_, r)| r.abs()).collect();
    sizes.sort_by(f64::total_cmp);
    let (middle, largest) = (*sizes.get(sizes.len() / 2)?, *sizes.last()?);
    let most = (1.1 * largest).min(FAR * middle).max(1e-3);
    let label = format!(
        "What the fit leaves of each reading: half of them within {middle:.1} pascals, all within {largest:.1}, about nought."
    );
    let mut svg = Svg::new(width.units(), HEIGHT.1, label);
    let end_s = trace.t_s.last().copied().unwrap_or(1.0);
    let sides = (SIDE.0, width.units() - RIGHT);
    let axes = Axes::new(
        (0.0, end_s),
        (-most, most),
        sides,
        (EDGE.0, HEIGHT.1 - EDGE.1),
    );
    axes.grid(&mut svg, 3);
    axes.along(&mut svg, "s", width.pick(5, 7));
    svg.line("fit", axes.at(0.0, 0.0), axes.at(end_s, 0.0));
    svg.dots("rawdot", left.iter().map(|(t, r)| axes.held(*t, *r)));
    Some(Picture::new("Readings less fit, in Pa", svg, width))
}

/// The pressure of a whole record that has no hold to fit.
pub(super) fn record(record: &[(f64, f64)], width: Width) -> Picture {
    let (lo, hi) = bounds(record.iter().map(|(_, p)| p / 1e3));
    let label = format!("Pressure over the whole record, from {lo:.2} to {hi:.2} kilopascals.");
    let svg = line(record, |_| false, (label, HEIGHT.2), width);
    Picture::new("Gauge pressure in kPa over the record", svg, width)
}

/// The pressure of a running test, since the end of pumping where that is over.
pub(super) fn running(view: &LeakView, width: Width) -> Picture {
    let last = view.readings.last().map_or(0.0, |(t, _)| *t);
    let start = view.hold_start_s.unwrap_or(last - LOOK_BACK_S);
    let shown: Vec<(f64, f64)> = view
        .readings
        .iter()
        .filter(|(t, _)| *t >= start)
        .map(|(t, p)| (t - start, *p))
        .collect();
    let label = match (shown.first(), shown.last()) {
        (Some((_, first)), Some((t, last))) => format!(
            "Pressure in the last {t:.0} seconds, from {:.2} to {:.2} kilopascals. The first second is not counted.",
            first / 1e3,
            last / 1e3
        ),
        _ => "No reading yet.".into(),
    };
    let svg = line(&shown, |t| t <= LEFT_OUT_S, (label, HEIGHT.2), width);
    Picture::new("Gauge pressure in kPa since the pump stopped", svg, width)
}

/// A line of readings, seconds and Pa; dotted where they are not counted.
fn line(
    readings: &[(f64, f64)],
    left_out: impl Fn(f64) -> bool,
    (label, height): (String, f64),
    width: Width,
) -> Svg {
    let mut svg = Svg::new(width.units(), height, label);
    let from = readings.first().map_or(0.0, |(t, _)| *t);
    let to = readings.last().map_or(1.0, |(t, _)| *t);
    let y = around(readings.iter().map(|(_, p)| p / 1e3));
    let sides = (SIDE.0, width.units() - SIDE.1);
    let axes = Axes::new((from, to), y, sides, (EDGE.0, height - EDGE.1));
    axes.grid(&mut svg, 4);
    axes.along(&mut svg, "s", width.ticks());
    let split = readings.iter().take_while(|(t, _)| left_out(*t)).count();
    let points = |part: &[(f64, f64)]| -> Vec<(f64, f64)> {
        thinned(
            &part
                .iter()
                .map(|(t, p)| axes.at(*t, p / 1e3))
                .collect::<Vec<_>>(),
            1.0,
        )
    };
    svg.curve("notc", points(&readings[..(split + 1).min(readings.len())]));
    svg.curve("raw", points(&readings[split.min(readings.len())..]));
    svg
}

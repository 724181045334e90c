//! Pictures of pulls: the rule with the car's weight as its notch, and one row a pull.

use std::borrow::Cow;

use super::{
    Picture, Width,
    curve::{Axes, bounds, thinned},
    letters::Letters,
    rule::{Block, Limit, Outside, Row, Rule, Steel},
    scale::{Scale, step},
    svg::{Anchor, Svg},
};
use crate::{
    inspect::guide::{PullView, SeenPull},
    measure::pull::{PullFinding, PullReport},
    reading::{Estimate, Verdict},
    report::{
        number::{shown, shown_against, stated},
        page::count,
    },
};

/// Most pulls that are drawn, newest first: in a finding, while it runs.
const MOST: (usize, usize) = (20, 6);
/// Units of width in which only the smallest and the largest reading is drawn: of a finding, while it runs.
const COLUMN: (f64, f64) = (1.0, 2.0);
/// Strokes that a pull needs to count (measure/pull).
const STROKES: usize = 3;
/// Room above the first row, distance of rows, height of a curve: narrow and wide.
const HEAD: f64 = 34.0;
const PITCH: (f64, f64) = (72.0, 84.0);
const CURVE: (f64, f64) = (42.0, 56.0);
/// Room below for the numbers of the time.
const FOOT: f64 = 30.0;
/// Room right of the curves for the words.
const WORDS: f64 = 92.0;
/// Left edge.
const LEFT: f64 = 8.0;
/// A limit this near to 1 is the weight itself.
const WEIGHT: f64 = 1e-9;
/// Radius of a stroke's dot.
pub(super) const DOT: f64 = 4.5;

pub(super) fn pictures(finding: &PullFinding, width: Width) -> Vec<Picture> {
    let weight_n = weight_n(&finding.pulls);
    let mut pictures: Vec<Picture> = rule(finding, weight_n, width).into_iter().collect();
    let drawn: Vec<Drawn> = finding
        .pulls
        .iter()
        .zip(&finding.trace)
        .enumerate()
        .map(|(i, (report, trace))| {
            let times = trace.t_s.iter().map(|t| t - report.start_s);
            Drawn {
                number: i + 1,
                report,
                not_counted: not_counted(report, finding.plug_out).map(str::to_owned),
                readings: times.zip(trace.force_n.iter().copied()).collect(),
            }
        })
        .collect();
    pictures.extend(rows(
        &drawn,
        finding.pulls.len(),
        weight_n,
        (MOST.0, COLUMN.0),
        width,
    ));
    pictures
}

pub(super) fn live(view: &PullView, width: Width) -> Vec<Picture> {
    let limit = limit(view.weight_n, view.limit_lift_ratio.0);
    let estimate = match (view.lift_ratio, view.weight_n) {
        (Some(ratio), Some(weight)) => Some(ratio.scaled(weight)),
        _ => view.peak_n,
    };
    let verdict = limit.as_ref().map(|_| view.verdict);
    let mut pictures = vec![match estimate {
        Some(peak) => on_rule(peak, limit.as_ref(), verdict, width),
        None => force_now(view, limit.as_ref(), width),
    }];
    let drawn: Vec<Drawn> = view
        .pulls
        .iter()
        .enumerate()
        .map(|(i, p)| seen(i, p))
        .collect();
    pictures.extend(rows(
        &drawn,
        drawn.len(),
        view.weight_n,
        (MOST.1, COLUMN.1),
        width,
    ));
    pictures
}

/// One pull as it is drawn.
#[derive(Debug)]
struct Drawn<'a> {
    /// Counted from 1, oldest first.
    number: usize,
    report: &'a PullReport,
    /// Why it does not count.
    not_counted: Option<String>,
    /// Seconds from its start and N.
    readings: Cow<'a, [(f64, f64)]>,
}

fn seen(i: usize, pull: &SeenPull) -> Drawn<'_> {
    Drawn {
        number: i + 1,
        report: &pull.report,
        not_counted: pull.not_counted.clone(),
        readings: Cow::Borrowed(&pull.readings),
    }
}

/// Why a pull of a finding does not count.
pub(super) fn not_counted(pull: &PullReport, plug_out: bool) -> Option<&'static str> {
    match pull {
        PullReport { gap: true, .. } => Some("readings missing"),
        PullReport { peak_n: None, .. } => Some("no peak"),
        // Without a plug there are no strokes.
        _ if plug_out => None,
        _ if pull.strokes.len() < STROKES => Some("under three strokes"),
        _ => None,
    }
}

/// The car's weight, where a pull states both force and lift ratio.
pub(in crate::report) fn weight_n(pulls: &[PullReport]) -> Option<f64> {
    pulls.iter().find_map(|pull| {
        let (peak, ratio) = (pull.peak_n?, pull.lift_ratio?);
        (ratio.value > 0.0).then(|| peak.value / ratio.value)
    })
}

/// The limit in newtons: the car's weight, or so many times it.
pub(super) fn limit(weight_n: Option<f64>, lift_ratio: f64) -> Option<Limit> {
    let value = weight_n? * lift_ratio;
    let words = if (lift_ratio - 1.0).abs() < WEIGHT {
        format!("weight of the car {}", stated(value))
    } else {
        format!("limit {}", stated(value))
    };
    Some(Limit {
        value,
        outside: Outside::Left,
        words,
    })
}

/// The peak that a finding's verdict looks at, in newtons: the mean lift ratio times the weight where the mass is known.
pub(in crate::report) fn peak_n(finding: &PullFinding, weight_n: Option<f64>) -> Option<Estimate> {
    match (finding.lift_ratio, weight_n) {
        (Some(ratio), Some(weight)) => Some(ratio.scaled(weight)),
        _ => finding
            .plug_out_peak_n
            .or(finding.session.map(|session| session.peak_at_cadence_n)),
    }
}

fn rule(finding: &PullFinding, weight_n: Option<f64>, width: Width) -> Option<Picture> {
    let peak = peak_n(finding, weight_n)?;
    let limit = limit(weight_n, finding.limit_lift_ratio).filter(|_| !finding.plug_out);
    Some(on_rule(peak, limit.as_ref(), finding.verdict, width))
}

fn on_rule(
    peak: Estimate,
    limit: Option<&Limit>,
    verdict: Option<Verdict>,
    width: Width,
) -> Picture {
    let rule = Rule {
        rows: &[Row {
            estimate: peak,
            block: Block::of(verdict),
            word: None,
        }],
        limit,
        natural: (Some(0.0), None),
    };
    let svg = rule.draw(told(peak, limit, verdict), width);
    Picture::new("Peak force on the cord, in N", svg, width)
}

/// What the eye sees on the rule.
fn told(peak: Estimate, limit: Option<&Limit>, verdict: Option<Verdict>) -> String {
    let Some(limit) = limit else {
        let s = shown(peak);
        return format!(
            "The peak force is {} newtons, range {}. There is no limit to hold it against.",
            s.value,
            s.range()
        );
    };
    let s = shown_against(peak, limit.value);
    let side = match verdict {
        Some(Verdict::Within) => ", and the whole block lies beyond it: within",
        Some(Verdict::Outside) => ", and the whole block stays below it: outside",
        Some(Verdict::Undecided) => ", and lies inside the block: undecided",
        None => "",
    };
    // Fewer pulls than a verdict needs may already lie clear of the limit.
    let side = match verdict {
        Some(Verdict::Undecided) if !(peak.lo95..=peak.hi95).contains(&limit.value) => {
            ": undecided as yet"
        }
        _ => side,
    };
    format!(
        "The peak force is {} newtons, range {}. The limit is {}, the {}{side}.",
        s.value,
        s.range(),
        stated(limit.value),
        limit
            .words
            .trim_end_matches(|c: char| c.is_ascii_digit() || c == '.')
            .trim()
    )
}

/// The force on the cord now, while there is nothing to say about peaks.
fn force_now(view: &PullView, limit: Option<&Limit>, width: Width) -> Picture {
    let now = view.force_n.filter(|f| f.is_finite());
    let peaks = view.pulls.iter().filter_map(|p| p.report.peak_n);
    let highest = peaks.map(|p| p.value).fold(now.unwrap_or(0.0), f64::max);
    let end = limit.map_or(20.0, |l| 1.6 * l.value).max(1.4 * highest);
    let end = libm::ceil(end / step(end / 8.0) - 1e-9) * step(end / 8.0);
    let label = match now {
        Some(now) => format!("The force on the cord is {now:.0} newtons."),
        None => "No reading yet.".into(),
    };
    let top = 46.0;
    let steel = Steel::new((0.0, end), limit, top, width);
    let mut svg = Svg::new(width.units(), Steel::height(top, limit), label);
    let to = steel.scale.held(now.unwrap_or(0.0));
    if now.is_some() {
        svg.block("bar", (steel.scale.at(0.0), to), (top - 22.0, top - 2.0));
    }
    steel.draw(&mut svg, width);
    steel.stem(&mut svg, 4.0);
    let words = match now {
        Some(now) => format!("{:.0} now", now.max(0.0)),
        None => "no reading yet".into(),
    };
    steel.reading(&mut svg, "t16 tb tc", &words, (to, top - 7.0));
    Picture::new("Force on the cord, in N", svg, width)
}

/// The words right of a curve: the first bold.
fn words(pull: &Drawn) -> (String, String) {
    if let Some(why) = &pull.not_counted {
        return ("not counted".into(), why.clone());
    }
    let strokes = count(pull.report.strokes.len() as u64, "stroke");
    match pull.report.peak_n {
        Some(peak) => (format!("{} N", shown(peak).value), strokes),
        None => ("no peak".into(), strokes),
    }
}

/// What the eye sees in the rows.
fn rows_told(drawn: &[&Drawn], all: usize, weight_n: Option<f64>) -> String {
    let each: Vec<String> = drawn
        .iter()
        .map(|pull| {
            let (first, second) = words(pull);
            format!("Pull {}: {first}, {second}.", pull.number)
        })
        .collect();
    let weight = weight_n.map_or_else(String::new, |n| {
        format!(
            " The dashed line is the weight of the car, {} N.",
            stated(n)
        )
    });
    format!(
        "{}, newest first. {}{weight}",
        count(all as u64, "pull"),
        each.join(" ")
    )
}

/// First and last second of any pull, and a force a little above all of them.
fn spans(pulls: &[&Drawn], weight_n: Option<f64>) -> ((f64, f64), f64) {
    let readings = || pulls.iter().flat_map(|p| p.readings.iter());
    let earliest = readings().map(|(t, _)| *t).fold(0.0, f64::min);
    let longest = readings().map(|(t, _)| *t).fold(0.1, f64::max);
    let strokes = pulls.iter().flat_map(|p| &p.report.strokes);
    let peaks = strokes.filter_map(|s| Some(s.peak_n?.value));
    let forces = readings().map(|(_, f)| *f).chain(peaks).chain(weight_n);
    ((earliest, longest), 1.04 * bounds(forces).1.max(1.0))
}

/// One row a pull, newest first.
fn rows(
    drawn: &[Drawn],
    all: usize,
    weight_n: Option<f64>,
    (most, column): (usize, f64),
    width: Width,
) -> Option<Picture> {
    let newest: Vec<&Drawn> = drawn.iter().rev().take(most).collect();
    if newest.is_empty() {
        return None;
    }
    let (pitch, curve) = (width.pick(PITCH.0, PITCH.1), width.pick(CURVE.0, CURVE.1));
    let height = HEAD + pitch * newest.len() as f64 - (pitch - curve) + FOOT;
    let mut svg = Svg::new(width.units(), height, rows_told(&newest, all, weight_n));
    let (times, highest) = spans(&newest, weight_n);
    let sides = (LEFT, width.units() - WORDS);
    for (i, pull) in newest.iter().enumerate() {
        let base = HEAD + pitch * i as f64 + curve;
        let axes = Axes::new(times, (0.0, highest), sides, (base - curve, base));
        row(&mut svg, pull, &axes, weight_n, (width, column));
        if i == 0 {
            above(&mut svg, &axes, weight_n, highest);
        }
        if i + 1 == newest.len() {
            axes.along(&mut svg, "s", 4);
        }
    }
    let heading = match all - newest.len() {
        0 => "Each pull, newest first: strokes as dots".into(),
        more => format!("Each pull, newest first ({more} older not drawn): strokes as dots"),
    };
    Some(Picture::new(heading, svg, width))
}

/// The curve of one pull with its words.
fn row(
    svg: &mut Svg,
    pull: &Drawn,
    axes: &Axes,
    weight_n: Option<f64>,
    (width, column): (Width, f64),
) {
    let (base, top) = axes.y.to;
    let place = |(t, f): &(f64, f64)| axes.held(*t, *f);
    let points: Vec<(f64, f64)> = pull.readings.iter().map(place).collect();
    let points = thinned(&points, column);
    let counts = pull.not_counted.is_none();
    match (points.first().copied(), points.last().copied()) {
        (Some(first), Some(last)) if counts => {
            let ends = ([(first.0, base)], [(last.0, base)]);
            svg.area("under", ends.0.into_iter().chain(points).chain(ends.1));
        }
        _ => svg.curve("notc", points),
    }
    svg.line("axis", (axes.x.to.0, base), (axes.x.to.1, base));
    if let Some(weight) = weight_n {
        let y = axes.y.at(weight);
        svg.line("limit", (axes.x.to.0, y), (axes.x.to.1, y));
    }
    let strokes = pull.report.strokes.iter().filter(|_| counts);
    for stroke in strokes {
        if let Some(peak) = stroke.peak_n {
            let at = axes.held(stroke.t_s - pull.report.start_s, peak.value);
            svg.dot("dot", at, DOT);
        }
    }
    let (first, second) = words(pull);
    let x = axes.x.to.1 + 10.0;
    let room = width.units() - x - 4.0;
    let size = if counts { "t18 tb" } else { "t15 tb" };
    let y = top + 14.0;
    svg.text(size, Anchor::Start, (x, y), &first);
    for (i, line) in Letters::of("t15").wrap(&second, room, 2).iter().enumerate() {
        svg.text(
            "t15 t2",
            Anchor::Start,
            (x, y + 18.0 + 17.0 * i as f64),
            line,
        );
    }
}

/// What stands above the first row: the weight, or without one a force to compare heights with.
fn above(svg: &mut Svg, axes: &Axes, weight_n: Option<f64>, highest: f64) {
    let left = axes.x.to.0;
    if let Some(weight) = weight_n {
        let words = format!("weight of the car, {} N", stated(weight));
        let (line, top) = (axes.y.at(weight), axes.y.to.1);
        // Where pulls pass the line, its words stand above them all.
        let (y, words) = if line - top < 6.0 {
            (line - 7.0, words)
        } else {
            (top - 14.0, format!("dashed: {words}"))
        };
        svg.text("t15", Anchor::Start, (left, y), &words);
        return;
    }
    let scale = Scale::new(0.0, highest, axes.y.to.0, axes.y.to.1);
    let ticks = scale.at_most(3);
    if let Some((tick, words)) = ticks.last().filter(|(t, _)| *t > 0.0) {
        let y = scale.at(*tick);
        svg.line("grid", (left, y), (axes.x.to.1, y));
        let words = format!("{words} N");
        svg.text(
            "t15 t2 tc",
            Anchor::Start,
            (left, (y - 4.0).min(axes.y.to.1 - 8.0)),
            &words,
        );
    }
}

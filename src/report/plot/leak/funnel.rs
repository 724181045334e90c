//! The funnel: time runs down, each moment is one line as wide as the block was then, and the last one is the block on the
//! rule.

use super::super::{
    Picture, Width,
    letters::Letters,
    rule::{BLOCK, BLOCK_ABOVE, Block, Row, Rule, Steel},
    svg::{Anchor, Svg},
};
use super::{RATE, limit, seen, trade};
use crate::{
    inspect::guide::{LeakView, Moment},
    reading::{Estimate, Verdict},
    units::CM3_PER_MIN,
};

/// Upper and lower edge of the funnel.
const FUNNEL: (f64, f64) = (22.0, 144.0);
/// Upper edge of the rule under it; without moments it stands higher.
const TOP: (f64, f64) = (174.0, 46.0);
/// Moments that are drawn at most.
const MOST: usize = 160;

/// The funnel above its rule.
pub(super) fn draw(view: &LeakView, width: Width) -> Picture {
    let rate = view.leak_rate_pa_m3_s.map(trade);
    let limit = view.limit_pa_m3_s.map(|(value, _)| limit(value));
    let block = Block::of(Some(view.verdict));
    let rows: Vec<Row> = rate
        .map(|estimate| Row {
            estimate,
            block,
            word: None,
        })
        .into_iter()
        .collect();
    let rule = Rule {
        rows: &rows,
        limit: limit.as_ref(),
        natural: (None, None),
    };
    let moments = thin(&view.funnel);
    let top = if moments.len() > 1 { TOP.0 } else { TOP.1 };
    let steel = Steel::new(rule.range(), limit.as_ref(), top, width);
    let mut svg = Svg::new(
        width.units(),
        Steel::height(top, limit.as_ref()),
        told(view, rate),
    );
    if moments.len() > 1 {
        closing_in(&mut svg, &steel, &moments, rate);
    }
    steel.draw(&mut svg, width);
    steel.stem(&mut svg, 4.0);
    times(&mut svg, &moments, width);
    match rows.first() {
        Some(row) => steel.block(&mut svg, row, top - BLOCK_ABOVE),
        None => no_block(&mut svg, &steel, width),
    }
    Picture::new(RATE, svg, width)
}

/// What the eye sees.
fn told(view: &LeakView, rate: Option<Estimate>) -> String {
    let limit = view.limit_pa_m3_s.map(|(value, _)| limit(value));
    let Some(rate) = rate else {
        return "No estimate of the leak yet.".into();
    };
    let verdict: Option<Verdict> = limit.as_ref().map(|_| view.verdict);
    let now = seen(rate, limit.as_ref(), verdict);
    let Some(first) = view.funnel.first() else {
        return now;
    };
    let since = view.hold_s.unwrap_or(first.t_s) - first.t_s;
    let width = |lo: f64, hi: f64| (hi - lo) / CM3_PER_MIN;
    let (then, is) = (width(first.lo, first.hi), rate.hi95 - rate.lo95);
    if since > 0.0 && then > is {
        format!(
            "{now} The range was {:.1} times as wide {since:.0} seconds ago.",
            then / is
        )
    } else {
        now
    }
}

fn no_block(svg: &mut Svg, steel: &Steel, width: Width) {
    let notch = steel.notch();
    let words = "no estimate yet";
    let length = Letters::of("t16 t2").width(words);
    let x = match notch {
        Some(at) if at + 14.0 + length > width.units() => at - 14.0 - length,
        Some(at) => at + 14.0,
        None => 12.0,
    };
    svg.text("t16 t2", Anchor::Start, (x, steel.top - 8.0), words);
}

/// Every so many moments, the last one always.
fn thin(moments: &[Moment]) -> Vec<Moment> {
    let usable = |m: &&Moment| m.lo.is_finite() && m.hi.is_finite() && m.t_s.is_finite();
    let moments: Vec<Moment> = moments.iter().filter(usable).copied().collect();
    let every = moments.len().div_ceil(MOST).max(1);
    let last = moments.len().saturating_sub(1);
    (0..moments.len())
        .filter(|i| (last - i).is_multiple_of(every))
        .map(|i| moments[i])
        .collect()
}

/// Where a moment stands: time runs down.
fn down_the(moments: &[Moment]) -> impl Fn(f64) -> f64 {
    let first = moments.first().map_or(0.0, |m| m.t_s);
    let span = moments.last().map_or(0.0, |m| m.t_s - first).max(1e-9);
    move |t_s| FUNNEL.0 + (t_s - first) / span * (FUNNEL.1 - FUNNEL.0)
}

fn closing_in(svg: &mut Svg, steel: &Steel, moments: &[Moment], rate: Option<Estimate>) {
    let y = down_the(moments);
    let (left, right) = steel.sides();
    let x = |rate: f64| steel.scale.at(rate / CM3_PER_MIN).clamp(left, right);
    // At the frame the band is cut off without an edge.
    let edge = |rate: f64, t_s: f64| {
        let at = steel.scale.at(rate / CM3_PER_MIN);
        let inside = (left..=right).contains(&at);
        if inside {
            (at, y(t_s))
        } else {
            (f64::NAN, f64::NAN)
        }
    };
    let down = moments.iter().map(|m| (x(m.lo), y(m.t_s)));
    let up = moments.iter().rev().map(|m| (x(m.hi), y(m.t_s)));
    svg.area("band", down.chain(up));
    svg.curve("bandedge", moments.iter().map(|m| edge(m.lo, m.t_s)));
    svg.curve("bandedge", moments.iter().map(|m| edge(m.hi, m.t_s)));
    svg.curve("raw", moments.iter().map(|m| edge(m.value, m.t_s)));
    if let Some(rate) = rate {
        let ends = [rate.lo95, rate.hi95].map(|end| steel.scale.held(end));
        let to = steel.top - BLOCK_ABOVE + BLOCK / 2.0;
        svg.lines("bandedge", ends.map(|x| [(x, FUNNEL.1), (x, to)]));
    }
}

/// Three moments by name.
fn times(svg: &mut Svg, moments: &[Moment], width: Width) {
    let [first, .., last] = moments else { return };
    let ((first, last), y) = ((first.t_s, last.t_s), down_the(moments));
    let right = width.units() - 2.0;
    for share in [1.0 / 3.0, 2.0 / 3.0, 1.0] {
        let t_s = first + share * (last - first);
        let is_now = share > 0.99;
        let words = if is_now {
            format!("{t_s:.0} s now")
        } else {
            format!("{t_s:.0} s")
        };
        let class = if is_now { "t15 tb tc" } else { "t15 t2 tc" };
        let length = Letters::of(class).width(&words);
        svg.line("grid", (12.0, y(t_s)), (right - length - 6.0, y(t_s)));
        svg.text(class, Anchor::End, (right, y(t_s) + 5.0), &words);
    }
}

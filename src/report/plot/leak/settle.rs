//! The settling: what was lost in each step, as stairs that fall until they are level.

use super::super::{
    Picture, Width,
    svg::{Anchor, Svg},
};
use crate::inspect::guide::{LeakView, SettleStep};

/// Columns that are drawn, those to come included.
const COLUMNS: (usize, usize) = (8, 12);
/// Columns to come that are always there.
const TO_COME: usize = 2;
/// How much of a step the next one is expected to lose: at least, at most. Display only.
const FALL: (f64, f64) = (0.7, 1.0);
/// Seconds of a step.
const STEP_S: f64 = 3.0;
/// Room above for the words at the bracket; height of the largest column; room below.
const HEAD: f64 = 62.0;
const COLUMN: f64 = 100.0;
const FOOT: f64 = 30.0;
/// Left and right edge.
const MARGIN: f64 = 8.0;
/// Edge of a column within its place.
const GAP: f64 = 3.0;

/// Where columns stand.
struct Stairs {
    base: f64,
    pitch: f64,
    /// Pa of the largest column.
    largest: f64,
}

impl Stairs {
    fn x(&self, i: usize) -> (f64, f64) {
        let left = MARGIN + self.pitch * i as f64;
        (left + GAP, left + self.pitch - GAP)
    }

    fn middle(&self, i: usize) -> f64 {
        MARGIN + self.pitch * (i as f64 + 0.5)
    }

    fn top(&self, lost_pa: f64) -> f64 {
        self.base - (lost_pa / self.largest).clamp(0.0, 1.0) * COLUMN
    }
}

/// Stairs of the settling.
pub(super) fn stairs(view: &LeakView, width: Width) -> Picture {
    let columns = width.pick(COLUMNS.0, COLUMNS.1);
    let shown = &view.settling[view.settling.len().saturating_sub(columns - TO_COME)..];
    let stairs = Stairs {
        base: HEAD + 18.0 + COLUMN,
        pitch: (width.units() - 2.0 * MARGIN) / columns as f64,
        largest: shown.iter().map(|s| s.lost_pa).fold(1.0, f64::max),
    };
    let mut svg = Svg::new(width.units(), stairs.base + FOOT, told(view));
    let last_two = shown.len().saturating_sub(2);
    for (i, step) in shown.iter().enumerate() {
        let spoken_of = shown.len() > 1 && i >= last_two;
        column(&mut svg, &stairs, i, step, spoken_of);
    }
    if !view.is_level {
        to_come(&mut svg, &stairs, shown, columns);
    }
    axis(&mut svg, &stairs, shown, columns, width);
    if shown.len() > 1 {
        bracket(&mut svg, &stairs, shown, view.is_level, width);
    }
    Picture::new("Pressure lost in each 3 s, in Pa", svg, width)
}

/// What the eye sees.
fn told(view: &LeakView) -> String {
    let steps: Vec<String> = view
        .settling
        .iter()
        .map(|s| format!("{:.0}", s.lost_pa))
        .collect();
    let state = match (view.is_level, &view.settling[..]) {
        (_, [] | [_]) => "Too few steps to say whether it is level.".to_owned(),
        (true, _) => "The last two are level: the gas has settled.".to_owned(),
        (false, [.., a, b]) => format!(
            "The last two differ by {:.0} pascals, so the gas still settles.",
            (a.lost_pa - b.lost_pa).abs()
        ),
    };
    format!(
        "Pressure lost in each 3 seconds since the pump stopped: {} pascals. {state}",
        if steps.is_empty() {
            "nothing yet,".to_owned()
        } else {
            steps.join(", ")
        }
    )
}

fn column(svg: &mut Svg, stairs: &Stairs, i: usize, step: &SettleStep, spoken_of: bool) {
    let top = stairs.top(step.lost_pa);
    let class = if spoken_of { "colb" } else { "col" };
    svg.block(class, stairs.x(i), (top, stairs.base));
    let class = if spoken_of { "t15 tb" } else { "t15 t2" };
    let at = (stairs.middle(i), top - 6.0);
    svg.text(class, Anchor::Middle, at, &format!("{:.0}", step.lost_pa));
}

/// Empty columns that go on as the last ones fell.
fn to_come(svg: &mut Svg, stairs: &Stairs, shown: &[SettleStep], columns: usize) {
    let (last, fall) = match shown {
        [.., a, b] => (b.lost_pa, (b.lost_pa / a.lost_pa).clamp(FALL.0, FALL.1)),
        [one] => (one.lost_pa, FALL.0),
        [] => (stairs.largest, FALL.0),
    };
    let fall = if fall.is_finite() { fall } else { FALL.1 };
    let mut next = last;
    for i in shown.len()..columns {
        next *= fall;
        let top = stairs.top(next).min(stairs.base - 6.0);
        svg.block("colh", stairs.x(i), (top, stairs.base));
    }
}

fn axis(svg: &mut Svg, stairs: &Stairs, shown: &[SettleStep], columns: usize, width: Width) {
    let (base, right) = (stairs.base, width.units() - MARGIN);
    svg.line("axis", (MARGIN, base), (right, base));
    let place = |i: usize| MARGIN + stairs.pitch * i as f64;
    svg.lines(
        "tick",
        (0..=columns).map(|i| [(place(i), base), (place(i), base + 6.0)]),
    );
    let from = shown.first().map_or(0.0, |s| s.t_s - STEP_S);
    let words = if from < 0.5 {
        "pump off".to_owned()
    } else {
        format!("{from:.0} s")
    };
    svg.text("t15 t2", Anchor::Start, (MARGIN, base + 22.0), &words);
    if let Some(last) = shown.last().filter(|_| shown.len() > 1) {
        let at = (place(shown.len()), base + 22.0);
        svg.text_within(
            "t15",
            (MARGIN + 70.0, right),
            at,
            &format!("{:.0} s", last.t_s),
        );
    }
}

/// The last two columns, tied together.
fn bracket(svg: &mut Svg, stairs: &Stairs, shown: &[SettleStep], is_level: bool, width: Width) {
    let (i, j) = (shown.len() - 2, shown.len() - 1);
    let (a, b) = (stairs.middle(i), stairs.middle(j));
    let tops = stairs
        .top(shown[i].lost_pa)
        .min(stairs.top(shown[j].lost_pa));
    let (foot, bar) = (tops - 22.0, tops - 28.0);
    svg.curve("leader", [(a, foot), (a, bar), (b, bar), (b, foot)]);
    let middle = f64::midpoint(a, b);
    if bar - 4.0 > 38.0 {
        svg.line("leader", (middle, bar), (middle, 38.0));
    }
    let room = (MARGIN, width.units() - MARGIN);
    let differ = format!(
        "differ by {:.0} Pa",
        (shown[i].lost_pa - shown[j].lost_pa).abs()
    );
    let word = if is_level { "level:" } else { "not level yet:" };
    svg.text_within("t16 tb", room, (middle, 16.0), word);
    svg.text_within("t16", room, (middle, 33.0), &differ);
}

//! The rule: graduations, a notch at the limit, and the 95 % interval as a block that lies on it.

use super::{
    Width,
    scale::{Scale, step},
    svg::{Anchor, Svg},
};
use crate::{
    reading::{Estimate, Verdict},
    report::number::stated,
};

/// Edge left and right of the rule's body.
const MARGIN: f64 = 8.0;
/// Room for half a number at both ends of the scale.
const INSET: f64 = 16.0;
/// Height of the body.
const BODY: f64 = 44.0;
/// Half the width and the depth of the notch.
const NOTCH: (f64, f64) = (9.0, 15.0);
/// Height of a block.
const BLOCK: f64 = 20.0;
/// Distance of two rows of blocks.
const ROW: f64 = 34.0;
/// Smallest share of the rule that a block takes: decided, undecided.
const LEAST: (f64, f64) = (0.03, 0.15);

/// Where `outside` lies.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Outside {
    /// Above the limit: leak rate, hit rate.
    Right,
    /// Below the limit: lift ratio.
    Left,
}

/// How a block is drawn.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Block {
    /// The estimate that counts.
    Filled,
    /// Before a repair.
    Empty,
    /// Undecided.
    Dashed,
}

impl Block {
    /// Of a verdict.
    pub fn of(verdict: Option<Verdict>) -> Self {
        match verdict {
            Some(Verdict::Within | Verdict::Outside) => Self::Filled,
            Some(Verdict::Undecided) | None => Self::Dashed,
        }
    }

    fn class(self) -> &'static str {
        match self {
            Self::Filled => "bar",
            Self::Empty => "barh",
            Self::Dashed => "bard",
        }
    }
}

/// A row above the rule.
#[derive(Clone, Copy, Debug)]
pub(super) struct Row<'a> {
    pub estimate: Estimate,
    pub block: Block,
    /// Written at the block where there are several rows.
    pub word: Option<&'a str>,
}

/// What a rule shows.
#[derive(Clone, Copy, Debug)]
pub(super) struct Rule<'a> {
    pub rows: &'a [Row<'a>],
    /// Limit and the side of `outside`.
    pub limit: Option<(f64, Outside)>,
    /// Values that cannot be passed: a share lies in 0..1.
    pub natural: (Option<f64>, Option<f64>),
    /// What the eye sees.
    pub label: &'a str,
}

/// The rule with its blocks.
pub(super) fn draw(rule: &Rule, width: Width) -> Svg {
    let w = width.units();
    let top = 12.0 + ROW * rule.rows.len() as f64;
    let mut svg = Svg::new(w, top + BODY + 26.0, rule.label.to_owned());
    let (lo, hi) = range(rule);
    let scale = Scale::new(lo, hi, MARGIN + INSET, w - MARGIN - INSET);
    let notch = rule.limit.map(|(limit, _)| scale.at(limit));
    if let Some(x) = notch {
        svg.line("limit", (x, 4.0), (x, top + 12.0));
    }
    body(&mut svg, top, notch, rule, w);
    graduate(&mut svg, &scale, top, notch, width);
    for (i, row) in rule.rows.iter().enumerate() {
        let y = 6.0 + ROW * i as f64;
        block(&mut svg, &scale, row, y, notch);
    }
    svg
}

/// From where to where the rule goes: every interval and the limit lie on it, in round steps.
fn range(rule: &Rule) -> (f64, f64) {
    let ends = rule
        .rows
        .iter()
        .flat_map(|r| [r.estimate.lo95, r.estimate.hi95]);
    let (mut lo, mut hi) = ends
        .chain(rule.limit.map(|(limit, _)| limit))
        .filter(|v| v.is_finite())
        .fold((f64::INFINITY, f64::NEG_INFINITY), |(lo, hi), v| {
            (lo.min(v), hi.max(v))
        });
    if lo > hi {
        (lo, hi) = (0.0, 1.0);
    }
    // From nought, where the quantity begins there and that does not squeeze the blocks.
    if lo > 0.0 && lo < 0.6 * hi {
        lo = 0.0;
    }
    let span = (hi - lo).max(hi.abs() * 1e-3).max(f64::MIN_POSITIVE);
    let (lo, hi) = (
        lo - if lo.abs() > 0.0 { 0.08 * span } else { 0.0 },
        hi + 0.08 * span,
    );
    let grid = step((hi - lo) / 12.0);
    let (lo, hi) = (libm::floor(lo / grid) * grid, libm::ceil(hi / grid) * grid);
    let (least, most) = rule.natural;
    (
        least.map_or(lo, |l| lo.max(l)),
        most.map_or(hi, |m| hi.min(m)),
    )
}

/// The steel with its notch, the outside part hatched, and the words under it.
fn body(svg: &mut Svg, top: f64, notch: Option<f64>, rule: &Rule, w: f64) {
    let (left, right, bottom) = (MARGIN, w - MARGIN, top + BODY);
    let mut outline = vec![(left, top)];
    if let Some(x) = notch {
        let (half, depth) = NOTCH;
        outline.extend([(x - half, top), (x, top + depth), (x + half, top)]);
    }
    outline.extend([(right, top), (right, bottom), (left, bottom)]);
    svg.area("steel", outline);
    let (Some(x), Some((limit, side))) = (notch, rule.limit) else {
        return;
    };
    let hatched = match side {
        Outside::Right => (x + NOTCH.0, right - 1.0),
        Outside::Left => (left + 1.0, x - NOTCH.0),
    };
    hatch(svg, hatched, (bottom - 11.0, bottom - 1.0));
    let y = bottom + 18.0;
    let words = format!("limit {}", stated(limit));
    let half = 4.5 * words.len() as f64;
    svg.text(
        "t16 tb",
        Anchor::Middle,
        (x.clamp(left + half, right - half), y),
        &words,
    );
    let (a, b) = match side {
        Outside::Right => ("within", "outside"),
        Outside::Left => ("outside", "within"),
    };
    if x - half > left + 70.0 {
        svg.text("t16", Anchor::Start, (left, y), a);
    }
    if x + half < right - 70.0 {
        svg.text("t16", Anchor::End, (right, y), b);
    }
}

/// Slanting lines in a box.
fn hatch(svg: &mut Svg, (x0, x1): (f64, f64), (y0, y1): (f64, f64)) {
    let rise = y1 - y0;
    let mut x = x0;
    while x < x1 {
        let reach = rise.min(x1 - x);
        svg.line("hatchl", (x, y1), (x + reach, y1 - reach));
        x += 7.0;
    }
}

fn graduate(svg: &mut Svg, scale: &Scale, top: f64, notch: Option<f64>, width: Width) {
    let (ticks, places) = scale.ticks(width.ticks());
    let clear = |x: f64| notch.is_none_or(|at| (x - at).abs() > NOTCH.0 + 1.0);
    let fine = ticks.windows(2).next().map_or(0.0, |w| (w[1] - w[0]) / 5.0);
    if fine > 0.0 {
        let mut k = libm::ceil(scale.from.0 / fine - 1e-9);
        while k * fine <= scale.from.1 * (1.0 + 1e-9) {
            let x = scale.at(k * fine);
            if clear(x) {
                svg.line("tickm", (x, top), (x, top + 6.0));
            }
            k += 1.0;
        }
    }
    for tick in ticks {
        let x = scale.at(tick);
        if clear(x) {
            svg.line("tick", (x, top), (x, top + 13.0));
        }
        svg.text(
            "t15",
            Anchor::Middle,
            (x, top + 29.0),
            &format!("{tick:.places$}"),
        );
    }
}

fn block(svg: &mut Svg, scale: &Scale, row: &Row, y: f64, notch: Option<f64>) {
    let e = row.estimate;
    let least = (scale.to.1 - scale.to.0)
        * if row.block == Block::Dashed {
            LEAST.1
        } else {
            LEAST.0
        };
    let (mut x0, mut x1) = (scale.held(e.lo95), scale.held(e.hi95));
    let decided = notch.is_some_and(|at| x0 > at || x1 < at);
    if x1 - x0 < least {
        let middle = f64::midpoint(x0, x1);
        (x0, x1) = (middle - least / 2.0, middle + least / 2.0);
        // A block that only looks wider must not look as if it lay across the limit.
        if let Some(at) = notch.filter(|_| decided) {
            let shift = if middle > at {
                (at + 2.0 - x0).max(0.0)
            } else {
                (at - 2.0 - x1).min(0.0)
            };
            (x0, x1) = (x0 + shift, x1 + shift);
        }
    }
    svg.block(row.block.class(), (x0, x1), (y, y + BLOCK));
    let cut = scale.held(e.value);
    let class = if row.block == Block::Filled {
        "est"
    } else {
        "estk"
    };
    svg.line(class, (cut, y), (cut, y + BLOCK));
    if let Some(at) = notch.filter(|at| (x0..=x1).contains(at)) {
        svg.line("case", (at, y - 2.0), (at, y + BLOCK + 2.0));
        svg.line("limit", (at, y - 2.0), (at, y + BLOCK + 2.0));
    }
    if let Some(word) = row.word {
        let after = x1 + 8.0 + 9.0 * word.len() as f64 <= scale.to.1 + INSET;
        let (anchor, x) = if after {
            (Anchor::Start, x1 + 8.0)
        } else {
            (Anchor::End, x0 - 8.0)
        };
        svg.text("t16", anchor, (x, y + BLOCK - 4.0), word);
    }
}

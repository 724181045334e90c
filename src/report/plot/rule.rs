//! The rule: graduations, a notch at the limit, and the 95 % interval as a block that lies on it.

use super::{
    Width,
    letters::Letters,
    scale::{Scale, step},
    svg::{Anchor, Svg},
};
use crate::{
    reading::{Estimate, Verdict},
    report::number::stated,
};

/// Edge left and right of the rule's body.
pub(super) const MARGIN: f64 = 8.0;
/// Room for half a number at both ends of the scale.
const INSET: f64 = 18.0;
/// Height of the body.
const BODY: f64 = 44.0;
/// Room for the words under the body.
const WORDS: f64 = 26.0;
/// Half the width and the depth of the notch.
const NOTCH: (f64, f64) = (9.0, 15.0);
/// Height of a block.
pub(super) const BLOCK: f64 = 20.0;
/// Distance of two rows of blocks.
const ROW: f64 = 34.0;
/// From the upper edge of the last block to the body.
pub(super) const BLOCK_ABOVE: f64 = 22.0;
/// Room beyond a limit at the end of a rule, share of the rest.
const BESIDE: f64 = 0.3;
/// A block shorter than this is cut by a thinner line.
const THIN: f64 = 24.0;
/// Smallest share of the rule that a block takes: decided, undecided.
const LEAST: (f64, f64) = (0.03, 0.15);
/// Numbers sought along a rule, from the coarsest: a coarser one stays the same while an interval draws in.
const GRIDS: [f64; 4] = [8.0, 12.0, 20.0, 40.0];

/// Where `outside` lies.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Outside {
    /// Above the limit: leak rate.
    Right,
    /// Below the limit: lift of the cord.
    Left,
}

/// The limit of a rule.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Limit {
    pub value: f64,
    pub outside: Outside,
    /// What is written at the notch.
    pub words: String,
}

impl Limit {
    pub fn new(value: f64, outside: Outside) -> Self {
        Self {
            value,
            outside,
            words: format!("limit {}", stated(value)),
        }
    }
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
            Some(Verdict::Undecided) => Self::Dashed,
            _ => Self::Filled,
        }
    }

    fn class(self) -> &'static str {
        match self {
            Self::Filled => "bar",
            Self::Empty => "barh",
            Self::Dashed => "bard",
        }
    }

    fn least(self) -> f64 {
        match self {
            Self::Dashed => LEAST.1,
            _ => LEAST.0,
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
    pub limit: Option<&'a Limit>,
    /// Values that cannot be passed: a share lies in 0..1.
    pub natural: (Option<f64>, Option<f64>),
}

impl Rule<'_> {
    /// The rule with its blocks; `label`: what the eye sees.
    pub fn draw(&self, label: impl Into<String>, width: Width) -> Svg {
        let top = 12.0 + ROW * self.rows.len().max(1) as f64;
        let mut svg = Svg::new(width.units(), Steel::height(top, self.limit), label);
        let steel = Steel::new(self.range(), self.limit, top, width);
        steel.draw(&mut svg, width);
        steel.stem(&mut svg, 4.0);
        for (i, row) in self.rows.iter().enumerate() {
            let y = top - BLOCK_ABOVE - ROW * (self.rows.len() - 1 - i) as f64;
            steel.block(&mut svg, row, y);
        }
        svg
    }

    /// From where to where the rule goes, in round steps: every interval and the limit lie on it, every block takes its
    /// share, and it begins at nought where that leaves room.
    pub fn range(&self) -> (f64, f64) {
        let ends = self
            .rows
            .iter()
            .flat_map(|r| [r.estimate.lo95, r.estimate.hi95, r.estimate.value]);
        let (lo, hi) = ends
            .chain(self.limit.map(|limit| limit.value))
            .filter(|v| v.is_finite())
            .fold((f64::INFINITY, f64::NEG_INFINITY), |(lo, hi), v| {
                (lo.min(v), hi.max(v))
            });
        let (lo, hi) = match (lo, hi) {
            (lo, hi) if lo > hi => (0.0, 1.0),
            (lo, hi) if self.rows.is_empty() => (lo.min(0.0), hi.max(0.0) * 2.0),
            pair => pair,
        };
        // Beyond a limit there is room for the part that lies there.
        let beside = |(lo, hi): (f64, f64)| match self.limit.map(|limit| limit.value) {
            Some(limit) if limit >= hi => (lo, hi + BESIDE * (hi - lo)),
            Some(limit) if limit <= lo && lo < 0.0 => (lo - BESIDE * (hi - lo), hi),
            _ => (lo, hi),
        };
        let nought = (lo.min(0.0), hi.max(0.0));
        let all = [beside(nought), beside((lo, hi)), (lo, hi)];
        let tries = GRIDS
            .iter()
            .flat_map(|grid| all.map(|range| (range, *grid)));
        let ranges = tries.map(|((lo, hi), grid)| self.rounded(lo, hi, grid));
        let mut last = (lo, hi);
        for range in ranges {
            last = range;
            if self.shares_fit(range) {
                break;
            }
        }
        last
    }

    /// A range in whole steps, a little wider than `lo..hi`.
    fn rounded(&self, lo: f64, hi: f64, grid: f64) -> (f64, f64) {
        let least = (lo.abs().max(hi.abs()) * 1e-6).max(f64::MIN_POSITIVE * 1e6);
        let span = (hi - lo).max(least);
        let grid = step(span / grid);
        // A quarter of a step beyond, unless the end is nought: nothing lies there.
        let out = |end: f64, by: f64| if end.abs() > 0.0 { end + by } else { end };
        let (lo, hi) = (out(lo, -0.25 * grid), out(hi, 0.25 * grid));
        let (lo, hi) = (libm::floor(lo / grid) * grid, libm::ceil(hi / grid) * grid);
        let (least, most) = self.natural;
        (
            least.map_or(lo, |l| lo.max(l)),
            most.map_or(hi, |m| hi.min(m)),
        )
    }

    fn shares_fit(&self, (lo, hi): (f64, f64)) -> bool {
        self.rows.iter().all(|row| {
            let share = (row.estimate.hi95 - row.estimate.lo95) / (hi - lo);
            !share.is_finite() || share >= row.block.least()
        })
    }
}

/// The body of a rule in a drawing.
#[derive(Clone, Debug)]
pub(super) struct Steel {
    pub scale: Scale,
    /// Its upper edge.
    pub top: f64,
    width: f64,
    limit: Option<Limit>,
    /// Words stand under the body.
    named: bool,
}

impl Steel {
    /// A rule for a range, its upper edge at `top`.
    pub fn new(range: (f64, f64), limit: Option<&Limit>, top: f64, width: Width) -> Self {
        let width = width.units();
        Self {
            scale: Scale::new(range.0, range.1, MARGIN + INSET, width - MARGIN - INSET),
            top,
            width,
            limit: limit.cloned(),
            named: true,
        }
    }

    /// The same without words under its body: they stand elsewhere.
    pub fn unnamed(mut self) -> Self {
        self.named = false;
        self
    }

    /// Height of a drawing that ends with a rule; there are words under one with a limit.
    pub fn height(top: f64, limit: Option<&Limit>) -> f64 {
        top + BODY + if limit.is_some() { WORDS } else { 4.0 }
    }

    /// Place of the notch.
    pub fn notch(&self) -> Option<f64> {
        self.limit.as_ref().map(|limit| self.scale.at(limit.value))
    }

    /// Left and right edge of the body.
    pub fn sides(&self) -> (f64, f64) {
        (MARGIN, self.width - MARGIN)
    }

    /// The steel with its notch, graduations, hatched part and words.
    pub fn draw(&self, svg: &mut Svg, width: Width) {
        let ((left, right), bottom) = (self.sides(), self.top + BODY);
        let mut outline = vec![(left, self.top)];
        if let Some(x) = self.notch() {
            let (half, depth) = NOTCH;
            outline.extend([
                (x - half, self.top),
                (x, self.top + depth),
                (x + half, self.top),
            ]);
        }
        outline.extend([(right, self.top), (right, bottom), (left, bottom)]);
        svg.area("steel", outline);
        self.hatch(svg);
        self.graduate(svg, width);
        if self.named {
            self.words(svg);
        }
    }

    /// The dashed line above the notch, from `y` on.
    pub fn stem(&self, svg: &mut Svg, y: f64) {
        if let Some(x) = self.notch() {
            svg.line("limit", (x, y), (x, self.top + NOTCH.1 - 3.0));
        }
    }

    /// Slanting lines along the part that is outside.
    fn hatch(&self, svg: &mut Svg) {
        let (Some(x), Some(limit)) = (self.notch(), &self.limit) else {
            return;
        };
        let (left, right) = self.sides();
        let (x0, x1) = match limit.outside {
            Outside::Right => (x + 2.0, right - 1.0),
            Outside::Left => (left + 1.0, x - 2.0),
        };
        let (y0, y1) = (self.top + BODY - 11.0, self.top + BODY - 1.0);
        let rise = y1 - y0;
        let from = (0..200).map(|k| x0 + 7.0 * f64::from(k));
        let line = |x: f64| {
            let reach = rise.min(x1 - x);
            [(x, y1), (x + reach, y1 - reach)]
        };
        svg.lines("hatchl", from.take_while(|x| *x < x1 - 1.0).map(line));
    }

    fn words(&self, svg: &mut Svg) {
        let (Some(x), Some(limit)) = (self.notch(), &self.limit) else {
            return;
        };
        let ((left, right), y) = (self.sides(), self.top + BODY + 18.0);
        let (bold, plain) = (Letters::of("t16 tb"), Letters::of("t16"));
        let half = bold.width(&limit.words) / 2.0;
        let x = x.min(right - half).max(left + half);
        svg.text("t16 tb", Anchor::Middle, (x, y), &limit.words);
        let (a, b) = match limit.outside {
            Outside::Right => ("within", "outside"),
            Outside::Left => ("outside", "within"),
        };
        if x - half > left + plain.width(a) + 8.0 {
            svg.text("t16", Anchor::Start, (left, y), a);
        }
        if x + half < right - plain.width(b) - 8.0 {
            svg.text("t16", Anchor::End, (right, y), b);
        }
    }

    fn graduate(&self, svg: &mut Svg, width: Width) {
        let (scale, top) = (&self.scale, self.top);
        let ticks = scale.ticks(width.ticks());
        let clear = |x: &f64| self.notch().is_none_or(|at| (x - at).abs() > NOTCH.0 + 1.0);
        let down = |to: f64| move |x: f64| [(x, top), (x, top + to)];
        let major: Vec<f64> = ticks.iter().map(|(t, _)| scale.at(*t)).collect();
        let fine = scale.fine(width.ticks()).into_iter().map(|t| scale.at(t));
        let fine = fine.filter(|x| major.iter().all(|m| (m - x).abs() > 0.5));
        svg.lines("tickm", fine.filter(clear).map(down(6.0)));
        svg.lines("tick", major.iter().copied().filter(clear).map(down(13.0)));
        for ((_, words), x) in ticks.iter().zip(major) {
            svg.text_within("t15", self.sides(), (x, top + 29.0), words);
        }
    }

    /// Where a block's ends lie. A block that would be too thin to see, though the rule is as short as limit and interval
    /// allow, is widened; never so that it seems to lie across the limit.
    fn ends(&self, row: &Row) -> (f64, f64) {
        let e = row.estimate;
        let (x0, x1) = (self.scale.held(e.lo95), self.scale.held(e.hi95));
        let least = (self.scale.to.1 - self.scale.to.0) * LEAST.0;
        if x1 - x0 >= least {
            return (x0, x1);
        }
        let middle = f64::midpoint(x0, x1);
        let (wide0, wide1) = (middle - least / 2.0, middle + least / 2.0);
        match self.notch() {
            Some(at) if x0 > at => {
                let shift = (at + 2.0 - wide0).max(0.0);
                (wide0 + shift, wide1 + shift)
            }
            Some(at) if x1 < at => {
                let shift = (at - 2.0 - wide1).min(0.0);
                (wide0 + shift, wide1 + shift)
            }
            _ => (wide0, wide1),
        }
    }

    /// A block, its upper edge at `y`.
    pub fn block(&self, svg: &mut Svg, row: &Row, y: f64) {
        let (x0, x1) = self.ends(row);
        svg.block(row.block.class(), (x0, x1), (y, y + BLOCK));
        let cut = self.scale.held(row.estimate.value);
        let class = match row.block {
            Block::Filled if x1 - x0 < THIN => "estn",
            Block::Filled => "est",
            _ => "estk",
        };
        svg.line(class, (cut, y), (cut, y + BLOCK));
        if let Some(at) = self.notch().filter(|at| (x0..=x1).contains(at)) {
            svg.line("case", (at, y - 2.0), (at, y + BLOCK + 2.0));
            svg.line("limitk", (at, y - 2.0), (at, y + BLOCK + 2.0));
        }
        if let Some(word) = row.word {
            self.beside(svg, word, (x0, x1), y);
        }
    }

    /// A number at the end of a bar: beside it, behind the notch where that is in the way.
    pub fn reading(&self, svg: &mut Svg, class: &str, words: &str, (end, y): (f64, f64)) {
        let length = Letters::of(class).width(words);
        let notch = self.notch();
        let free = |x: &f64| {
            let room = x - 6.0..=x + length + 6.0;
            x + length < self.sides().1 && notch.is_none_or(|at| !room.contains(&at))
        };
        let places = [end + 9.0, notch.unwrap_or(end).max(end) + 12.0];
        let x = places.into_iter().find(free).unwrap_or(end - 9.0 - length);
        svg.text(class, Anchor::Start, (x.max(self.sides().0), y), words);
    }

    /// A word beside a block; above it where neither side is free of the rule's end and the limit's line.
    fn beside(&self, svg: &mut Svg, word: &str, (x0, x1): (f64, f64), y: f64) {
        let length = Letters::of("t16 tb").width(word);
        let (left, right) = self.sides();
        let free = |from: f64| {
            let (from, to) = (from - 4.0, from + length + 4.0);
            let crossed = self.notch().is_some_and(|at| (from..=to).contains(&at));
            from + 4.0 >= left && to - 4.0 <= right && !crossed
        };
        let sides = [x1 + 8.0, x0 - 8.0 - length];
        if let Some(from) = sides.into_iter().find(|from| free(*from)) {
            return svg.text("t16 tb", Anchor::Start, (from, y + BLOCK - 5.0), word);
        }
        let before_the_line = self.notch().map_or(x0, |at| at - 5.0 - length);
        let above = [x0, before_the_line, right - length];
        let from = above.into_iter().find(|from| free(*from)).unwrap_or(left);
        svg.text("t16 tb tc", Anchor::Start, (from, y - 3.0), word);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn estimate(lo95: f64, hi95: f64) -> Estimate {
        Estimate {
            value: f64::midpoint(lo95, hi95),
            u: (hi95 - lo95) / 4.0,
            lo95,
            hi95,
        }
    }

    fn row(lo95: f64, hi95: f64, block: Block) -> Row<'static> {
        Row {
            estimate: estimate(lo95, hi95),
            block,
            word: None,
        }
    }

    /// Range, and each block's share of the rule and its ends' distance from where the scale puts them.
    fn drawn(rows: &[Row], limit: f64, width: Width) -> ((f64, f64), Vec<(f64, f64)>) {
        let limit = Limit::new(limit, Outside::Right);
        let rule = Rule {
            rows,
            limit: Some(&limit),
            natural: (None, None),
        };
        let range = rule.range();
        let steel = Steel::new(range, Some(&limit), 46.0, width);
        let length = steel.scale.to.1 - steel.scale.to.0;
        let of = |row: &Row| {
            let (x0, x1) = steel.ends(row);
            let e = row.estimate;
            let off = (x0 - steel.scale.at(e.lo95))
                .abs()
                .max((x1 - steel.scale.at(e.hi95)).abs());
            ((x1 - x0) / length, off)
        };
        (range, rows.iter().map(of).collect())
    }

    #[test]
    fn blocks_take_their_share_and_end_where_their_interval_ends() {
        for width in Width::ALL {
            for scale in [1e-3, 1.0, 3e4] {
                // An undecided interval of any width, wherever the limit lies in it.
                for (lo, hi) in [
                    (0.99, 1.01),
                    (0.2, 1.1),
                    (-3.0, 1.001),
                    (0.999_99, 1.000_02),
                    (0.9, 40.0),
                ] {
                    let row = row(lo * scale, hi * scale, Block::Dashed);
                    let (range, blocks) = drawn(&[row], scale, width);
                    assert!(range.0 <= lo * scale && range.1 >= hi * scale, "{range:?}");
                    assert!(
                        blocks[0].0 >= 0.15 && blocks[0].1 < 1e-6,
                        "{lo} {hi}: {blocks:?}"
                    );
                }
                // A decided one on either side of it.
                for (lo, hi) in [
                    (1.02, 1.05),
                    (0.1, 0.2),
                    (3.7, 4.5),
                    (12.0, 13.0),
                    (-0.1, 0.05),
                ] {
                    let row = row(lo * scale, hi * scale, Block::Filled);
                    let (range, blocks) = drawn(&[row], scale, width);
                    assert!(
                        (range.0..=range.1).contains(&scale),
                        "the limit lies on the rule"
                    );
                    assert!(
                        blocks[0].0 >= 0.03 && blocks[0].1 < 1e-6,
                        "{lo} {hi}: {blocks:?}"
                    );
                }
            }
        }
    }

    #[test]
    fn a_block_too_thin_to_see_is_widened_but_not_onto_the_limit() {
        for (lo, hi) in [(40.0, 40.01), (0.002, 0.0021), (1.0001, 1.000_101)] {
            let limit = Limit::new(1.0, Outside::Right);
            let rows = [row(lo, hi, Block::Filled), row(0.0, 60.0, Block::Empty)];
            let rule = Rule {
                rows: &rows,
                limit: Some(&limit),
                natural: (Some(0.0), None),
            };
            let steel = Steel::new(rule.range(), Some(&limit), 46.0, Width::Narrow);
            let (x0, x1) = steel.ends(&rows[0]);
            let at = steel.notch().unwrap();
            assert!(x1 - x0 >= 0.0299 * (steel.scale.to.1 - steel.scale.to.0));
            assert!(x0 > at || x1 < at, "{lo}: {x0} {x1} {at}");
        }
    }

    #[test]
    fn the_notch_stands_at_the_limit() {
        let limit = Limit::new(1.5, Outside::Right);
        let rows = [row(3.7, 4.5, Block::Filled)];
        let rule = Rule {
            rows: &rows,
            limit: Some(&limit),
            natural: (None, None),
        };
        let steel = Steel::new(rule.range(), Some(&limit), 46.0, Width::Narrow);
        let at = super::super::svg::rounded(steel.notch().unwrap());
        let svg = rule
            .draw("", Width::Narrow)
            .finish(super::super::svg::Frame::Page, "");
        let outline = svg.split("class=\"steel\" d=\"M8 46l").nth(1).unwrap();
        let to_notch: f64 = outline.split(' ').next().unwrap().parse().unwrap();
        assert!((8.0 + to_notch + NOTCH.0 - at).abs() < 0.11, "{outline}");
        // Stem, notch, words.
        assert!(
            svg.contains(&format!("class=\"limit\" d=\"M{at} 4")),
            "{svg}"
        );
        assert!(
            svg.contains(&format!("x=\"{at}\" y=\"108\">limit 1.5<")),
            "{svg}"
        );
    }
}

//! Words from edge to edge: lines, paragraphs, lists, and rules between them.

use krilla::tagging::{Tag, TagKind};

use super::{
    Layout,
    style::{CELL, MIDDLE, STRONG, TEXT, TOGETHER},
};
use crate::report::document::pdf::{
    flow::{Part, Piece},
    lines::{Line, Style, wrap},
    tags,
};

impl Layout {
    /// Lines under each other, none left alone on a page; `keep`: with what follows.
    pub(super) fn lines(&mut self, lines: &[Line], x: f64, before: f64, part: Part, keep: bool) {
        let last = lines.len().saturating_sub(1);
        for (i, line) in lines.iter().enumerate() {
            let mut piece = Piece {
                before: if i == 0 { before } else { 0.0 },
                keep: (i == 0 && last > 0)
                    || i + 1 == last
                    || (keep && (i == last || last < TOGETHER)),
                ..Piece::default()
            };
            piece.line(line, x, 0.0, part);
            self.push(piece);
        }
    }

    pub(super) fn paragraph(
        &mut self,
        kind: impl Into<TagKind>,
        parts: &[(Style, &str)],
        before: f64,
        keep: bool,
    ) {
        let tag = self.open(kind);
        let parts: Vec<_> = parts.iter().map(|(s, text)| (self.of(*s), *text)).collect();
        let lines = wrap(&parts, self.sheet.room());
        self.lines(&lines, self.sheet.left, before, Part::Tag(tag), keep);
    }

    pub(super) fn list(&mut self, numbered: bool, items: &[String]) {
        // As small as the tables beside it on the summary.
        let style = self.of(if self.first { CELL } else { TEXT });
        let strong = STRONG.sized(style.size);
        let list = self.open(tags::list(numbered));
        let left = self.sheet.left;
        let widest = Line::of(strong, &format!("{}.", items.len())).width;
        let x = left + if numbered { widest + 6.0 } else { 14.0 };
        for (i, item) in items.iter().enumerate() {
            let entry = self.tags.open(Some(list), Tag::LI);
            let label = self.tags.open(Some(entry), Tag::Lbl);
            let body = self.tags.open(Some(entry), Tag::LBody);
            let first = self.pieces.len();
            let mut lines = wrap(&[(style, item)], self.sheet.right - x);
            if lines.is_empty() {
                lines.push(Line::of(style, ""));
            }
            let above = if i == 0 { 5.0 } else { 2.5 };
            self.lines(&lines, x, above, Part::Tag(body), false);
            let Some(piece) = self.pieces.get_mut(first) else {
                continue;
            };
            if numbered {
                let number = Line::of(strong, &format!("{}.", i + 1));
                let shown = std::mem::take(&mut piece.placed);
                piece.line(&number, left, 0.0, Part::Tag(label));
                piece.placed.extend(shown);
            } else {
                let y = style.baseline() - 0.27 * style.size;
                piece.rule((left, left + 6.0), y, MIDDLE, 0);
            }
        }
    }

    /// Room, and a line from edge to edge when it has a thickness.
    pub(super) fn rule(&mut self, before: f64, after: f64, width: f64, grey: u8, keep: bool) {
        let mut piece = Piece {
            before,
            height: width + after,
            keep,
            ..Piece::default()
        };
        piece.rule(self.edges(), width / 2.0, width, grey);
        self.push(piece);
    }
}

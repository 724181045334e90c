//! What is compared or typed sign by sign: digests, codes for a telephone, lines for a terminal.

use krilla::tagging::Tag;

use super::{
    Layout,
    style::{CELL, LINE, MIDDLE, NAME, TEXT},
};
use crate::report::document::{
    groups,
    pdf::{
        code,
        flow::{MM, Part, Piece, Placed, What},
        lines::{typed, wrap},
        tags,
    },
};

impl Layout {
    pub(super) fn digest(&mut self, of: &str, sha256: &str) {
        let before = self.enter(Tag::P);
        let tag = self.open(Tag::Span);
        let lines = wrap(&[(NAME, of)], self.sheet.room());
        self.lines(&lines, self.sheet.left, 6.0, Part::Tag(tag), true);
        let tag = self.open(Tag::Code);
        let x = self.sheet.left + 10.0;
        let lines = wrap(&[(TEXT, &groups(sha256))], self.sheet.right - x);
        let first = self.pieces.len();
        self.lines(&lines, x, 2.0, Part::Tag(tag), false);
        self.line_beside(first);
        self.inside = before;
    }

    /// A code to be read by a telephone with what it holds beside it.
    pub(super) fn code(&mut self, text: &str, words: &str) {
        const SIDE: f64 = 34.0 * MM;
        let (left, right) = self.edges();
        let code = code::code(text);
        let x = if code.is_some() {
            left + SIDE + 16.0
        } else {
            left
        };
        let mut lines = wrap(&[(TEXT, words)], right - x);
        let number = lines.len();
        lines.extend(typed(CELL, text, right - x));
        let tall: f64 = lines.iter().map(|l| l.height).sum();
        let mut piece = Piece {
            before: 10.0,
            ..Piece::default()
        };
        let before = self.enter(Tag::Div);
        if let Some(code) = code {
            let tag = self.open(tags::figure(&format!("QR code: {text}")));
            piece.placed.push(Placed {
                x: left,
                y: 0.0,
                what: What::Code {
                    index: self.codes.len(),
                    side: SIDE,
                },
                part: Part::Tag(tag),
            });
            piece.height = SIDE;
            self.codes.push(code);
        }
        let said = self.open(Tag::P);
        let held = self.open(Tag::Code);
        if tall <= SIDE {
            let mut y = 0.0;
            for (i, line) in lines.iter().enumerate() {
                if i == number {
                    y += 4.0;
                }
                let tag = if i < number { said } else { held };
                piece.line(line, x, y, Part::Tag(tag));
                y += line.height;
            }
            self.push(piece);
        } else {
            if piece.height > 0.0 {
                piece.keep = true;
                self.push(piece);
            }
            let lines = wrap(&[(TEXT, words)], right - left);
            self.lines(&lines, left, 4.0, Part::Tag(said), true);
            let lines = typed(CELL, text, right - left);
            self.lines(&lines, left, 4.0, Part::Tag(held), false);
        }
        self.inside = before;
    }

    /// What is typed into a terminal: a line at the left, each row as it is typed.
    pub(super) fn typed(&mut self, rows: &[String]) {
        let left = self.sheet.left;
        let x = left + 10.0;
        for (i, row) in rows.iter().enumerate() {
            let tag = self.open(Tag::Code);
            let lines = typed(CELL, row, self.sheet.right - x);
            let first = self.pieces.len();
            let above = if i == 0 { 6.0 } else { 0.0 };
            self.lines(&lines, x, above, Part::Tag(tag), false);
            self.line_beside(first);
        }
    }

    /// Draws the line at the left of what is to be typed or compared, since the piece `from`.
    fn line_beside(&mut self, from: usize) {
        for piece in &mut self.pieces[from..] {
            let height = piece.height;
            piece.stroke((self.sheet.left + 1.0, 0.0), (0.0, height), MIDDLE, LINE);
        }
    }
}

//! A test's verdict: its name, its mark, what was found, and the rule that it was held against.

use krilla::tagging::Tag;

use super::{
    LEGIBLE, Layout,
    style::{HEADING, LINE, SAY, STRONG, TEXT, THICK, THIN, TOGETHER},
};
use crate::report::{
    document::{
        Judgement,
        pdf::{
            PdfError,
            face::Face,
            flow::{MM, Part, Piece},
            lines::{Line, Style, wrap},
            tags,
        },
    },
    plot::{Mark, mark},
};

impl Layout {
    /// The name of a test at the head of its page with its verdict, then figure, words and rule.
    pub(super) fn head_of_test(&mut self, judgement: &Judgement) -> Result<(), PdfError> {
        let from = self.pieces.len();
        let (left, right) = self.edges();
        let name = Style::new(Face::Far, 36.0, 1.0);
        let line = Line::of(name, &judgement.test.to_uppercase());
        if line.width > self.sheet.room() * 0.6 {
            self.head_of_section(&judgement.test);
            return self.judgement(judgement);
        }
        let mut piece = Piece {
            before: 24.0,
            ..Piece::default()
        };
        let heading = self.open(tags::heading(2, &judgement.test));
        let word = self.open(Tag::P);
        piece.line(&line, left, 0.0, Part::Tag(heading));
        let verdict = Style::new(Face::Bold, 22.0, 1.0);
        self.chip(
            &mut piece,
            judgement.mark,
            verdict,
            (right, 32.0),
            true,
            word,
        )?;
        piece.height = 40.0;
        self.push(piece);
        self.rule(1.0, 2.0, THICK, 0, true);
        let parts = said(judgement, SAY, SAY);
        if !parts.is_empty() {
            let parts: Vec<_> = parts.iter().map(|(s, t)| (*s, t.as_str())).collect();
            self.paragraph(Tag::P, &parts, 7.0, true);
        }
        if !judgement.words.is_empty() {
            self.paragraph(Tag::P, &[(TEXT, &judgement.words)], 4.0, true);
        }
        if let Some(rule) = &judgement.rule {
            let mut piece = Piece {
                before: 8.0,
                ..Piece::default()
            };
            self.figure(&mut piece, rule, (left, 0.0), (right - left, 30.0 * MM))?;
            self.push(piece);
        }
        if self.pieces.len() - from < 2 * TOGETHER {
            let last = self.pieces.len() - 1;
            self.pieces[from..last]
                .iter_mut()
                .for_each(|p| p.keep = true);
        }
        Ok(())
    }

    /// A test's row: name and verdict to the left, figure, words and rule to the right.
    pub(super) fn judgement(&mut self, judgement: &Judgement) -> Result<(), PdfError> {
        let (left, right) = self.edges();
        let x = left + 42.0 * MM + 14.0;
        let name = Line::of(
            self.of(Style::new(Face::Far, 26.0, 1.0)),
            &judgement.test.to_uppercase(),
        );
        let (pad, letters) = (8.0 * self.zoom, self.letters);
        let (strong, plain) = (STRONG.sized(11.0), TEXT.sized(11.0));
        let parts: Vec<(Style, String)> = said(judgement, strong, plain);
        let mut parts: Vec<_> = parts.iter().map(|(s, t)| (*s, t.as_str())).collect();
        if !parts.is_empty() {
            parts.push((plain, " "));
        }
        parts.push((plain, judgement.words.as_str()));
        let here: Vec<_> = parts.iter().map(|(s, text)| (self.of(*s), *text)).collect();
        let beside = wrap(&here, right - x);
        let before = self.enter(Tag::Div);
        let heading = self.open(tags::heading(self.level, &judgement.test));
        if beside.len() > TOGETHER || name.width > x - left {
            self.judgement_below(judgement, &parts, heading)?;
        } else {
            let mut piece = Piece::default();
            let word = self.open(Tag::P);
            piece.line(&name, left, pad, Part::Tag(heading));
            let verdict = self.of(Style::new(Face::Bold, 17.0, 1.0));
            self.chip(
                &mut piece,
                judgement.mark,
                verdict,
                (left, pad + 54.0 * letters),
                false,
                word,
            )?;
            let tag = self.open(Tag::P);
            let mut y = pad;
            for line in &beside {
                piece.line(line, x, y, Part::Tag(tag));
                y += line.height;
            }
            if let Some(rule) = &judgement.rule {
                let legible = (LEGIBLE * rule.size.0).min(right - x);
                let room = (((right - x) * self.zoom).max(legible), 26.0 * MM);
                self.figure(&mut piece, rule, (x, y + 3.0), room)?;
            }
            piece.height = piece.height.max(pad + 60.0 * letters) + 5.0 * self.zoom;
            let y = piece.height;
            piece.rule((left, right), y, THIN, LINE);
            self.push(piece);
        }
        self.inside = before;
        Ok(())
    }

    /// A test's row whose words are too many to stand beside its name.
    fn judgement_below(
        &mut self,
        judgement: &Judgement,
        parts: &[(Style, &str)],
        heading: usize,
    ) -> Result<(), PdfError> {
        let (left, right) = self.edges();
        let all = wrap(&[(HEADING, &judgement.test)], right - left);
        self.lines(&all, left, 12.0, Part::Tag(heading), true);
        let mut piece = Piece {
            keep: true,
            ..Piece::default()
        };
        let word = self.open(Tag::P);
        let at = (left, 16.0);
        self.chip(&mut piece, judgement.mark, STRONG, at, false, word)?;
        self.push(piece);
        self.paragraph(Tag::P, parts, 4.0, false);
        if let Some(rule) = &judgement.rule {
            let mut piece = Piece::default();
            self.figure(&mut piece, rule, (left, 4.0), (right - left, 26.0 * MM))?;
            self.push(piece);
        }
        Ok(())
    }

    /// A verdict's mark with its word, the word's letters standing at `baseline`; `x`: left end, or right end.
    fn chip(
        &mut self,
        piece: &mut Piece,
        shown: Option<Mark>,
        style: Style,
        at: (f64, f64),
        to_the_right: bool,
        tag: usize,
    ) -> Result<(), PdfError> {
        let word = Line::of(style, shown.map_or("refused", Mark::word));
        let side = if shown.is_some() {
            style.size * 1.75
        } else {
            0.0
        };
        let gap = if shown.is_some() {
            style.size * 0.35
        } else {
            0.0
        };
        let x = if to_the_right {
            at.0 - word.width - gap - side
        } else {
            at.0
        };
        let baseline = at.1;
        if let Some(shown) = shown {
            // The mark's foot stands a little below the letters.
            let y = baseline + side * 0.1 - side * 65.5 / 72.0;
            let svg = mark(shown).into_string();
            self.drawing(
                piece,
                &svg,
                (x, y),
                (side, side),
                Part::Ornament,
                shown.word(),
            )?;
        }
        piece.line(
            &word,
            x + side + gap,
            baseline - word.baseline,
            Part::Tag(tag),
        );
        Ok(())
    }
}

/// Figure and range as they begin a sentence.
fn said(judgement: &Judgement, strong: Style, style: Style) -> Vec<(Style, String)> {
    let mut parts = Vec::new();
    if !judgement.figure.is_empty() {
        parts.push((strong, judgement.figure.clone()));
    }
    if !judgement.range.is_empty() {
        let comma = if parts.is_empty() { "" } else { ", " };
        parts.push((style, format!("{comma}{}", judgement.range)));
    }
    if !parts.is_empty() {
        parts.push((style, ".".into()));
    }
    parts
}

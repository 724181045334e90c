//! What stands at the top: the car's number in its tag, and the name of a section.

use krilla::tagging::Tag;

use super::{
    Layout,
    style::{ABOUT, SECTION, THICK, TITLE},
};
use crate::report::document::pdf::{
    PdfError,
    face::Face,
    flow::{Part, Piece},
    lines::{Line, Style, wrap},
    tags,
};

/// Highest words beside the number on the tag, points.
const BESIDE_TAG: f64 = 160.0;

impl Layout {
    pub(super) fn head_of_section(&mut self, name: &str) {
        if name.is_empty() {
            return;
        }
        let tag = self.open(tags::heading(2, name));
        let from = self.pieces.len();
        let lines = wrap(&[(SECTION, name)], self.sheet.room());
        self.lines(&lines, self.sheet.left, 24.0, Part::Tag(tag), true);
        self.rule(2.0, 2.0, THICK, 0, true);
        self.keep_since(from);
    }

    /// Number in its tag, name and lines beside it.
    pub(super) fn tag(
        &mut self,
        number: &str,
        name: &str,
        lines: &[String],
    ) -> Result<(), PdfError> {
        const SIZE: f64 = 40.0;
        let (left, right) = self.edges();
        let about = self.of(ABOUT);
        let big = Style::new(Face::Far, SIZE, 1.0);
        let number = Line::of(big, number);
        let frame = (23.0 + number.width + 11.0, 46.0);
        let title = self.open(tags::heading(1, name));
        let beside = frame.0 < self.sheet.room() / 3.0;
        let words = |room| {
            let about = lines.iter().flat_map(|l| wrap(&[(about, l)], room));
            (wrap(&[(TITLE, name)], room), about.collect::<Vec<Line>>())
        };
        let x = left + frame.0 + 14.0;
        let (names, about) = words(right - x);
        let tall: f64 = names.iter().chain(&about).map(|l| l.height).sum();
        let from = self.pieces.len();
        if beside && tall < BESIDE_TAG {
            let mut piece = Piece::default();
            let svg = frame_of_tag(frame);
            let corner = (left, 0.0);
            self.drawing(&mut piece, &svg, corner, frame, Part::Ornament, "the tag")?;
            // Digits and capitals are seven tenths of the size high.
            let baseline = f64::midpoint(frame.1, 0.7 * SIZE);
            let top = baseline - number.baseline;
            piece.line(&number, left + 23.0, top, Part::Tag(title));
            let tag = self.open(Tag::P);
            let mut y = ((frame.1 - tall) / 2.0).max(0.0);
            for (lines, tag) in [(&names, title), (&about, tag)] {
                for line in lines {
                    piece.line(line, x, y, Part::Tag(tag));
                    y += line.height;
                }
            }
            piece.height = piece.height.max(frame.1).max(y);
            self.push(piece);
        } else {
            let size = (SIZE * self.sheet.room() / number.width.max(1.0)).clamp(12.0, SIZE);
            let text: String = number.runs.iter().map(|run| run.text.as_str()).collect();
            let lines = wrap(&[(big.sized(size), &text)], self.sheet.room());
            let (names, about) = words(right - left);
            self.lines(&lines, left, 0.0, Part::Tag(title), true);
            self.lines(&names, left, 4.0, Part::Tag(title), true);
            let tag = self.open(Tag::P);
            self.lines(&about, left, 2.0, Part::Tag(tag), false);
        }
        self.rule(6.0, 3.0, THICK, 0, false);
        if tall < BESIDE_TAG {
            self.keep_since(from);
        }
        Ok(())
    }
}

/// The outline of a tag with its hole.
fn frame_of_tag((width, height): (f64, f64)) -> String {
    format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {width:.2} {height:.2}\">\
         <rect x=\"1.1\" y=\"1.1\" width=\"{:.2}\" height=\"{:.2}\" fill=\"none\" stroke=\"#000\" stroke-width=\"2.2\"/>\
         <circle cx=\"12.5\" cy=\"{:.2}\" r=\"3.6\" fill=\"none\" stroke=\"#000\" stroke-width=\"1.5\"/></svg>",
        width - 2.2,
        height - 2.2,
        height / 2.0
    )
}

//! Drawings as large as the room allows.

use krilla::tagging::Tag;

use super::{
    LEGIBLE, Layout,
    style::{HEADING, SMALL},
};
use crate::report::{
    document::{
        Drawing,
        pdf::{
            PdfError,
            face::legible_drawing,
            flow::{MM, Part, Piece, Placed, What},
            tags,
        },
    },
    plot::tree,
};

/// Units of a drawing are never larger than this on paper, points: its letters are as large as those beside it.
const LARGEST: f64 = 0.78;
/// And not smaller while the page has room: letters of 15 units are 7.5 points.
const SMALLEST: f64 = 0.5;

impl Layout {
    /// A picture under its heading, its caption below.
    pub(super) fn picture(&mut self, drawing: &Drawing) -> Result<(), PdfError> {
        let before = self.enter(Tag::Div);
        if !drawing.heading.is_empty() {
            let kind = tags::heading(self.level, &drawing.heading);
            self.paragraph(kind, &[(HEADING, &drawing.heading)], 10.0, true);
        }
        let room = self.sheet.room();
        let down = (66.0 * MM).max(SMALLEST * drawing.size.1) * self.zoom;
        let mut piece = Piece {
            before: 4.0,
            keep: drawing.caption.is_some(),
            ..Piece::default()
        };
        let most = self.sheet.depth() - 60.0;
        self.figure(
            &mut piece,
            drawing,
            (self.sheet.left, 0.0),
            (room, down.min(most)),
        )?;
        self.push(piece);
        if let Some(caption) = &drawing.caption {
            self.paragraph(Tag::Caption, &[(SMALL, caption)], 3.0, false);
        }
        self.inside = before;
        Ok(())
    }

    /// A drawing as a figure with its words for a reader that cannot see, as large as the room allows.
    pub(super) fn figure(
        &mut self,
        piece: &mut Piece,
        drawing: &Drawing,
        at: (f64, f64),
        room: (f64, f64),
    ) -> Result<f64, PdfError> {
        let size = (drawing.size.0.max(1.0), drawing.size.1.max(1.0));
        let most = (room.0 / size.0).min((self.sheet.depth() - 60.0) / size.1);
        let scale = (room.0 / size.0)
            .min(room.1 / size.1)
            .min(LARGEST)
            .max(LEGIBLE.min(most));
        let tag = self.open(tags::figure(&drawing.label));
        let size = (size.0 * scale, size.1 * scale);
        self.drawing(
            piece,
            &drawing.svg,
            at,
            size,
            Part::Tag(tag),
            &drawing.label,
        )?;
        Ok(size.1)
    }

    /// Puts a drawing into a piece.
    pub(super) fn drawing(
        &mut self,
        piece: &mut Piece,
        svg: &str,
        at: (f64, f64),
        size: (f64, f64),
        part: Part,
        label: &str,
    ) -> Result<(), PdfError> {
        let tree = tree(&legible_drawing(svg)).map_err(|error| PdfError::Drawing {
            label: label.to_owned(),
            error,
        })?;
        piece.placed.push(Placed {
            x: at.0,
            y: at.1,
            what: What::Drawing {
                index: self.drawings.len(),
                size,
            },
            part,
        });
        piece.height = piece.height.max(at.1 + size.1);
        self.drawings.push(tree);
        Ok(())
    }
}

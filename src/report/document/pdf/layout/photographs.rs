//! Photographs in rows, each with its words below.

use krilla::tagging::Tag;

use super::{
    Layout,
    style::{ABOUT, TOGETHER},
};
use crate::report::document::{
    Shown,
    pdf::{
        PdfError,
        flow::{MM, Part, Piece, Placed, What},
        lines::{Line, wrap},
        tags,
    },
};

impl Layout {
    /// Photographs side by side, each with its words below.
    pub(super) fn photographs(&mut self, shown: &[Shown]) -> Result<(), PdfError> {
        let (left, right) = self.edges();
        let tall = |s: &Shown| s.size.1 > s.size.0;
        let columns = if shown.len() > 2 && shown.iter().all(tall) {
            3
        } else {
            2
        };
        let gap = 12.0;
        let width = (right - left - gap * (columns as f64 - 1.0)) / columns as f64;
        for row in shown.chunks(columns) {
            let mut pictures = Piece {
                before: 10.0,
                ..Piece::default()
            };
            let mut words = Vec::new();
            for (i, shown) in row.iter().enumerate() {
                let image = krilla::image::Image::from_jpeg(shown.jpeg.clone().into(), false)
                    .map_err(|why| PdfError::Photograph {
                        words: shown.words.clone(),
                        why,
                    })?;
                let (w, h) = (
                    f64::from(image.size().0.max(1)),
                    f64::from(image.size().1.max(1)),
                );
                let scale = (width / w).min(86.0 * MM / h);
                let size = (w * scale, h * scale);
                let x = left + i as f64 * (width + gap);
                let group = self.open(Tag::Div);
                let figure = self.tags.open(Some(group), tags::figure(&shown.words));
                let caption = self.tags.open(Some(group), Tag::Caption);
                pictures.placed.push(Placed {
                    x,
                    y: 0.0,
                    what: What::Photograph {
                        index: self.photographs.len(),
                        size,
                    },
                    part: Part::Tag(figure),
                });
                self.photographs.push(image);
                pictures.height = pictures.height.max(size.1);
                words.push((
                    wrap(&[(ABOUT, &shown.words)], width),
                    (x, size.1 + 3.0),
                    caption,
                ));
            }
            self.captions(pictures, &words);
        }
        Ok(())
    }

    /// Pictures in a row with the words below each; long words go on over pages.
    fn captions(&mut self, mut pictures: Piece, words: &[(Vec<Line>, (f64, f64), usize)]) {
        let lines = words
            .iter()
            .map(|(lines, ..)| lines.len())
            .max()
            .unwrap_or(0);
        if lines <= TOGETHER {
            for (lines, (x, top), tag) in words {
                for (n, line) in lines.iter().enumerate() {
                    pictures.line(line, *x, top + n as f64 * ABOUT.height(), Part::Tag(*tag));
                }
            }
            self.push(pictures);
            return;
        }
        pictures.keep = true;
        self.push(pictures);
        for n in 0..lines {
            let mut piece = Piece {
                before: if n == 0 { 3.0 } else { 0.0 },
                height: ABOUT.height(),
                keep: n == 0,
                ..Piece::default()
            };
            for (lines, (x, _), tag) in words {
                if let Some(line) = lines.get(n) {
                    piece.line(line, *x, 0.0, Part::Tag(*tag));
                }
            }
            self.push(piece);
        }
    }
}

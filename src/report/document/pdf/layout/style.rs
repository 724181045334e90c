//! Letters and lines of a report on paper.

use crate::report::document::pdf::{face::Face, lines::Style};

pub(super) const TITLE: Style = Style::new(Face::Bold, 17.0, 1.12);
pub(super) const SECTION: Style = Style::new(Face::Far, 26.0, 1.1);
pub(super) const SAY: Style = Style::new(Face::Bold, 13.0, 1.25);
pub(super) const HEADING: Style = Style::new(Face::Bold, 12.0, 1.2);
pub(super) const TEXT: Style = Style::new(Face::Text, 10.5, 1.3);
pub(super) const STRONG: Style = Style::new(Face::Bold, 10.5, 1.3);
pub(super) const SMALL: Style = Style::new(Face::Text, 8.5, 1.35).grey();
pub(super) const ABOUT: Style = Style::new(Face::Text, 9.5, 1.3).grey();
pub(super) const CELL: Style = Style::new(Face::Text, 9.5, 1.25);
pub(super) const NAME: Style = Style::new(Face::Bold, 9.5, 1.25);

/// Thick, middle and thin lines; how black the thin ones are.
pub(super) const THICK: f64 = 2.25;
pub(super) const MIDDLE: f64 = 1.5;
pub(super) const THIN: f64 = 0.75;
pub(super) const LINE: u8 = 0x77;
pub(super) const HAIR: u8 = 0xbb;

/// Most lines of a table's row, or of a picture's words, that stay together.
pub(super) const TOGETHER: usize = 12;

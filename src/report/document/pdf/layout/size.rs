//! How large a chapter is set: the largest size that takes the fewest pages.

use super::Layout;
use crate::report::document::{
    Block, Section,
    pdf::{
        PdfError,
        flow::{self, Sheet},
    },
};

/// Sizes of pictures that are tried.
const ZOOMS: [f64; 4] = [1.25, 1.1, 1.0, 0.9];
/// Room and rules, and letters, of the summary that are tried until it has room on one page.
const SUMMARY_SIZES: [(f64, f64); 6] = [
    (1.0, 1.0),
    (0.9, 0.96),
    (0.8, 0.92),
    (0.7, 0.88),
    (0.6, 0.84),
    (0.5, 0.8),
];

/// The size of pictures and letters with which a chapter of its own pages takes the fewest, the larger the better.
pub(super) fn best_size(
    section: &Section,
    first: bool,
    sheet: Sheet,
) -> Result<(f64, f64), PdfError> {
    let pictures = section
        .blocks
        .iter()
        .any(|block| matches!(block, Block::Picture(_)));
    let sizes = match (first, section.new_page && pictures) {
        (true, _) => SUMMARY_SIZES.to_vec(),
        (_, true) => ZOOMS.map(|zoom| (zoom, 1.0)).to_vec(),
        _ => return Ok((1.0, 1.0)),
    };
    let mut best = (usize::MAX, (1.0, 1.0));
    for size in sizes {
        let mut trial = Layout::empty(sheet);
        (trial.zoom, trial.letters) = size;
        trial.section(section, first)?;
        let pages = flow::pages(&sheet, &trial.pieces).len();
        if pages < best.0 {
            best = (pages, size);
        }
        if pages <= 1 {
            break;
        }
    }
    Ok(best.1)
}

//! From pieces to pages: pieces that are not broken stand under each other until a page is full.

use std::rc::Rc;

use super::lines::{Line, Run};

/// Points in a millimetre.
pub(super) const MM: f64 = 72.0 / 25.4;

/// Where text may stand on a sheet, points from its upper left corner.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Sheet {
    pub width: f64,
    pub height: f64,
    pub left: f64,
    pub right: f64,
    pub top: f64,
    /// Where the text ends; the foot stands below.
    pub bottom: f64,
    /// Lower edge of the foot.
    pub foot: f64,
}

impl Sheet {
    /// A sheet of so many millimetres with the report's margins.
    pub fn new(width_mm: f64, height_mm: f64) -> Self {
        let foot = (height_mm - 12.0) * MM;
        Self {
            width: width_mm * MM,
            height: height_mm * MM,
            left: 18.0 * MM,
            right: (width_mm - 15.0) * MM,
            top: 13.0 * MM,
            bottom: foot - 18.0,
            foot,
        }
    }

    /// Points across.
    pub fn room(&self) -> f64 {
        self.right - self.left
    }

    /// Points down.
    pub fn depth(&self) -> f64 {
        self.bottom - self.top
    }
}

/// What is drawn.
#[derive(Clone, Debug)]
pub(super) enum What {
    /// Letters; the place is the left end of the line they stand on.
    Text(Run),
    /// A straight line: how far it goes across and down, how thick it is, how black (0 black, 255 white).
    Stroke {
        across: f64,
        down: f64,
        width: f64,
        grey: u8,
    },
    /// A drawing of the list, with its width and height.
    Drawing { index: usize, size: (f64, f64) },
    /// A photograph of the list, with its width and height.
    Photograph { index: usize, size: (f64, f64) },
    /// A code of the list, with its side.
    Code { index: usize, side: f64 },
}

/// Whose part something is for a reader that cannot see.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Part {
    /// A node of the tree of tags.
    Tag(usize),
    /// Adornment.
    Ornament,
    /// The foot of a page.
    Foot,
}

/// Something at its place, points from the upper left corner: of a piece, or of a page.
#[derive(Clone, Debug)]
pub(super) struct Placed {
    pub x: f64,
    pub y: f64,
    pub what: What,
    pub part: Part,
}

/// A piece that is not broken.
#[derive(Clone, Debug, Default)]
pub(super) struct Piece {
    /// Points above it, unless it is the first of a page.
    pub before: f64,
    /// Points.
    pub height: f64,
    /// What is in it; `x` from the sheet's edge, `y` from the upper edge of the piece.
    pub placed: Vec<Placed>,
    /// It stays with the next piece.
    pub keep: bool,
    /// It begins a new page.
    pub new_page: bool,
    /// Stands again above it where it is the first of a page: a table's head.
    pub head: Option<Rc<Piece>>,
    /// Bookmark that leads here.
    pub bookmark: Option<String>,
}

impl Piece {
    /// Sets a line with its left end at `x`, its upper edge at `y`.
    pub fn line(&mut self, line: &Line, x: f64, y: f64, part: Part) {
        let mut x = x;
        for run in &line.runs {
            self.placed.push(Placed {
                x,
                y: y + line.baseline,
                what: What::Text(run.clone()),
                part,
            });
            x += run.width;
        }
        self.height = self.height.max(y + line.height);
    }

    /// Draws a line across.
    pub fn rule(&mut self, x: (f64, f64), y: f64, width: f64, grey: u8) {
        self.stroke((x.0, y), (x.1 - x.0, 0.0), width, grey);
    }

    pub fn stroke(&mut self, from: (f64, f64), by: (f64, f64), width: f64, grey: u8) {
        self.placed.push(Placed {
            x: from.0,
            y: from.1,
            what: What::Stroke {
                across: by.0,
                down: by.1,
                width,
                grey,
            },
            part: Part::Ornament,
        });
    }
}

/// A page.
#[derive(Clone, Debug, Default)]
pub(super) struct Page {
    pub placed: Vec<Placed>,
    /// Name and height of what bookmarks lead to.
    pub bookmarks: Vec<(String, f64)>,
}

/// A page in the making.
struct Pages<'a> {
    sheet: &'a Sheet,
    done: Vec<Page>,
    y: f64,
    empty: bool,
}

impl Pages<'_> {
    fn fits(&self, height: f64) -> bool {
        self.y + height <= self.sheet.bottom + 1e-6
    }

    fn turn(&mut self) {
        self.done.push(Page::default());
        self.y = self.sheet.top;
        self.empty = true;
    }

    fn put(&mut self, piece: &Piece) {
        if !self.empty {
            self.y += piece.before;
        } else if let Some(head) = &piece.head {
            self.set(head);
        }
        self.set(piece);
    }

    fn set(&mut self, piece: &Piece) {
        let y = self.y;
        if let Some(page) = self.done.last_mut() {
            page.placed.extend(
                piece
                    .placed
                    .iter()
                    .cloned()
                    .map(|p| Placed { y: p.y + y, ..p }),
            );
            page.bookmarks
                .extend(piece.bookmark.iter().map(|name| (name.clone(), y)));
        }
        self.y += piece.height;
        self.empty = false;
    }
}

/// Height of pieces under each other, the first without what stands above it.
fn height(pieces: &[Piece]) -> f64 {
    let above: f64 = pieces.iter().skip(1).map(|p| p.before).sum();
    above + pieces.iter().map(|p| p.height).sum::<f64>()
}

/// The pages; at least one.
pub(super) fn pages(sheet: &Sheet, pieces: &[Piece]) -> Vec<Page> {
    let mut pages = Pages {
        sheet,
        done: Vec::new(),
        y: 0.0,
        empty: true,
    };
    pages.turn();
    let mut rest = pieces;
    while !rest.is_empty() {
        let kept = rest.iter().take_while(|p| p.keep).count();
        let (mut together, next) = rest.split_at((kept + 1).min(rest.len()));
        // What has no room on a page of its own is broken where it must.
        let head = together[0].head.as_ref().map_or(0.0, |head| head.height);
        if head + height(together) > sheet.depth() {
            together = &together[..1];
        }
        rest = if together.len() == 1 {
            &rest[1..]
        } else {
            next
        };
        let above = if pages.empty { 0.0 } else { together[0].before };
        let full = !pages.fits(above + height(together));
        if !pages.empty && (together[0].new_page || full) {
            pages.turn();
        }
        for piece in together {
            pages.put(piece);
        }
    }
    pages.done
}

#[cfg(test)]
mod tests {
    use super::*;

    fn piece(height: f64, keep: bool) -> Piece {
        let mut piece = Piece {
            before: 5.0,
            height,
            keep,
            ..Piece::default()
        };
        piece.rule((0.0, height), 0.0, 1.0, 0);
        piece
    }

    fn heights(pages: &[Page]) -> Vec<Vec<f64>> {
        let across = |p: &Placed| match p.what {
            What::Stroke { across, .. } => across,
            _ => 0.0,
        };
        pages
            .iter()
            .map(|page| page.placed.iter().map(across).collect())
            .collect()
    }

    #[test]
    fn a_heading_goes_with_what_follows() {
        let sheet = Sheet::new(210.0, 297.0);
        let depth = sheet.depth();
        let pieces = [
            piece(depth - 40.0, false),
            piece(20.0, true),
            piece(30.0, false),
        ];
        let pages = pages(&sheet, &pieces);
        assert_eq!(heights(&pages), [vec![depth - 40.0], vec![20.0, 30.0]]);
        assert!((pages[1].placed[0].y - sheet.top).abs() < 1e-9);
    }

    #[test]
    fn more_than_a_page_that_wants_to_stay_together_is_broken() {
        let sheet = Sheet::new(210.0, 297.0);
        let pieces: Vec<_> = (0..40).map(|_| piece(100.0, true)).collect();
        let pages = pages(&sheet, &pieces);
        assert!(pages.len() > 4);
        assert_eq!(pages.iter().map(|p| p.placed.len()).sum::<usize>(), 40);
        let lowest = pages
            .iter()
            .flat_map(|p| &p.placed)
            .map(|p| p.y + 100.0)
            .fold(0.0, f64::max);
        assert!(lowest <= sheet.bottom);
    }

    #[test]
    fn a_head_is_repeated_on_top() {
        let sheet = Sheet::new(210.0, 297.0);
        let head = Rc::new(piece(7.0, false));
        let row = Piece {
            head: Some(Rc::clone(&head)),
            ..piece(90.0, false)
        };
        let mut pieces = vec![piece(7.0, true)];
        pieces.extend(std::iter::repeat_n(row, 20));
        let pages = heights(&pages(&sheet, &pieces));
        assert!(pages.len() > 2);
        assert!(
            pages.iter().all(|page| page[0] < 8.0 && page[1] > 8.0),
            "{pages:?}"
        );
        assert_eq!(pages.iter().flatten().filter(|h| **h > 8.0).count(), 20);
    }

    #[test]
    fn nothing_is_still_a_page() {
        assert_eq!(pages(&Sheet::new(215.9, 279.4), &[]).len(), 1);
    }
}

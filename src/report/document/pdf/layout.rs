//! From blocks to pieces: how each thing that a report says looks on paper. Each room below lays one kind of block out.

mod beside;
mod columns;
mod compared;
mod head;
mod judgement;
mod photographs;
mod picture;
mod size;
mod style;
mod table;
mod words;

use krilla::tagging::{Tag, TagKind};
use resvg::usvg::Tree;

use self::{
    size::best_size,
    style::{HEADING, SAY, SMALL, TEXT, TOGETHER},
};
use super::{
    PdfError,
    code::Code,
    flow::{Piece, Sheet},
    lines::Style,
    tags::{self, Tags},
};
use crate::report::document::{Block, Document, Section};

/// No letter of the summary is smaller, points.
const LEAST: f64 = 7.5;
/// Units of a drawing are never smaller than this on paper while the sheet is wide and high enough: letters of 15 units are 7 points.
const LEGIBLE: f64 = 7.0 / 15.0;

/// All that a report's pages are made of.
#[derive(Debug)]
pub(super) struct Layout {
    pub sheet: Sheet,
    pub pieces: Vec<Piece>,
    pub tags: Tags,
    pub drawings: Vec<Tree>,
    pub photographs: Vec<krilla::image::Image>,
    pub codes: Vec<Code>,
    /// How large pictures are, 1 as usual; on the summary the room between its parts too.
    zoom: f64,
    /// How large letters are, 1 as usual; less on a full summary.
    letters: f64,
    /// The section is the summary.
    first: bool,
    /// The node of tags that blocks go into.
    inside: Option<usize>,
    /// Level of headings inside the section.
    level: u16,
    new_page: bool,
    bookmark: Option<String>,
}

impl Layout {
    /// Lays a document's blocks out.
    ///
    /// # Errors
    /// A drawing or photograph that cannot be read.
    pub fn new(document: &Document, sheet: Sheet) -> Result<Self, PdfError> {
        let mut layout = Self::empty(sheet);
        for (i, section) in document.sections.iter().enumerate() {
            (layout.zoom, layout.letters) = best_size(section, i == 0, sheet)?;
            layout.section(section, i == 0)?;
        }
        Ok(layout)
    }

    fn empty(sheet: Sheet) -> Self {
        Self {
            sheet,
            pieces: Vec::new(),
            tags: Tags::default(),
            drawings: Vec::new(),
            photographs: Vec::new(),
            codes: Vec::new(),
            zoom: 1.0,
            letters: 1.0,
            first: false,
            inside: None,
            level: 1,
            new_page: false,
            bookmark: None,
        }
    }

    fn push(&mut self, mut piece: Piece) {
        piece.new_page |= std::mem::take(&mut self.new_page);
        piece.bookmark = self.bookmark.take();
        if self.first {
            piece.before *= self.zoom;
        }
        self.pieces.push(piece);
    }

    /// A style as it is here: on a full summary with smaller letters, closer to each other.
    fn of(&self, style: Style) -> Style {
        Style {
            size: (style.size * self.letters).max(LEAST.min(style.size)),
            // the faces reach one size up and a fifth down
            leading: (style.leading * (1.0 - 0.4 * (1.0 - self.letters)))
                .max(style.leading.min(1.2)),
            ..style
        }
    }

    fn open(&mut self, kind: impl Into<TagKind>) -> usize {
        self.tags.open(self.inside, kind)
    }

    /// What follows stands inside a new node; gives the one before back.
    fn enter(&mut self, kind: impl Into<TagKind>) -> Option<usize> {
        let node = self.open(kind);
        self.inside.replace(node)
    }

    fn edges(&self) -> (f64, f64) {
        (self.sheet.left, self.sheet.right)
    }

    /// A chapter; in the first one, the summary, what is narrow stands side by side.
    fn section(&mut self, section: &Section, first: bool) -> Result<(), PdfError> {
        self.first = first;
        self.new_page = section.new_page;
        let name = capital(&section.name);
        self.bookmark = Some(name.clone()).filter(|name| !name.is_empty());
        let before = self.enter(Tag::Section);
        let mut blocks = section.blocks.iter();
        self.level = 2;
        match section.blocks.first() {
            Some(Block::Tag { .. }) => {}
            Some(Block::Judgement(judgement)) => {
                blocks.next();
                self.level = 3;
                self.head_of_test(judgement)?;
            }
            Some(Block::Heading(text)) => {
                blocks.next();
                self.level = 3;
                self.head_of_section(text);
            }
            _ => {
                self.level = 3;
                self.head_of_section(&name);
            }
        }
        let mut rest = blocks.as_slice();
        while let Some((block, next)) = rest.split_first() {
            let taken = if first { self.side_by_side(rest)? } else { 0 };
            let from = self.pieces.len();
            if taken == 0 {
                self.block(block)?;
            }
            // The same digest for the eye and for a telephone.
            if let [Block::Digest { .. }, Block::Qr { .. }, ..] = rest
                && self.pieces.len() - from <= TOGETHER
            {
                self.keep_since(from);
            }
            rest = if taken == 0 { next } else { &rest[taken..] };
        }
        self.inside = before;
        // A section that says nothing leaves nothing to the next one.
        self.new_page = false;
        self.bookmark = None;
        Ok(())
    }

    fn block(&mut self, block: &Block) -> Result<(), PdfError> {
        match block {
            Block::Tag {
                number,
                name,
                lines,
            } => self.tag(number, name, lines)?,
            Block::Say(text) => self.paragraph(Tag::P, &[(SAY, text)], 8.0, false),
            Block::Heading(text) => {
                let kind = tags::heading(self.level, text);
                self.paragraph(kind, &[(HEADING, text)], 13.0, true);
            }
            Block::Text(text) => self.paragraph(Tag::P, &[(TEXT, text)], 5.0, false),
            Block::Small(text) => self.paragraph(Tag::P, &[(SMALL, text)], 6.0, false),
            Block::Judgement(judgement) => self.judgement(judgement)?,
            Block::Picture(drawing) => self.picture(drawing)?,
            Block::Facts(facts) => self.facts(facts),
            Block::Table(table) => self.table(table),
            Block::List { numbered, items } => self.list(*numbered, items),
            Block::Photographs(shown) => self.photographs(shown)?,
            Block::Digest { of, sha256 } => self.digest(of, sha256),
            Block::Qr { text, words } => self.code(text, words),
            Block::Typed(lines) => self.typed(lines),
        }
        Ok(())
    }

    /// What was pushed since `from` stays with what follows.
    fn keep_since(&mut self, from: usize) {
        self.pieces[from..].iter_mut().for_each(|p| p.keep = true);
    }
}

/// A name as it stands above something.
fn capital(name: &str) -> String {
    let mut letters = name.chars();
    let first = letters.next().into_iter().flat_map(char::to_uppercase);
    first.chain(letters).collect()
}

//! From blocks to pieces: how each thing that a report says looks on paper.

use std::rc::Rc;

use krilla::tagging::{Tag, TagKind};
use resvg::usvg::Tree;

use super::{
    PdfError,
    code::{self, Code},
    face::{Face, legible_drawing},
    flow::{self, MM, Part, Piece, Placed, Sheet, What},
    lines::{Line, Style, typed, wrap},
    tags::{self, Tags},
};
use crate::report::{
    document::{Block, Document, Drawing, Judgement, Section, Shown, Table, groups},
    plot::{Mark, mark, tree},
};

const TITLE: Style = Style::new(Face::Bold, 17.0, 1.12);
const SECTION: Style = Style::new(Face::Far, 26.0, 1.1);
const SAY: Style = Style::new(Face::Bold, 13.0, 1.25);
const HEADING: Style = Style::new(Face::Bold, 12.0, 1.2);
const TEXT: Style = Style::new(Face::Text, 10.5, 1.3);
const STRONG: Style = Style::new(Face::Bold, 10.5, 1.3);
const SMALL: Style = Style::new(Face::Text, 8.5, 1.35).grey();
const ABOUT: Style = Style::new(Face::Text, 9.5, 1.3).grey();
const CELL: Style = Style::new(Face::Text, 9.5, 1.25);
const NAME: Style = Style::new(Face::Bold, 9.5, 1.25);

/// Thick, middle and thin lines; how black the thin ones are.
const THICK: f64 = 2.25;
const MIDDLE: f64 = 1.5;
const THIN: f64 = 0.75;
const LINE: u8 = 0x77;
const HAIR: u8 = 0xbb;

/// Most lines of a table's row, or of a picture's words, that stay together.
const TOGETHER: usize = 12;
/// Units of a drawing are never larger than this on paper, points: its letters are as large as those beside it.
const LARGEST: f64 = 0.78;
/// And not smaller while the page has room: letters of 15 units are 7.5 points.
const SMALLEST: f64 = 0.5;

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
/// No letter of the summary is smaller, points.
const LEAST: f64 = 7.5;
/// Units of a drawing are never smaller than this on paper while the sheet is wide and high enough: letters of 15 units are 7 points.
const LEGIBLE: f64 = 7.0 / 15.0;
/// Highest words beside the number on the tag, points.
const BESIDE_TAG: f64 = 160.0;

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

/// A cell of a row.
struct Cell {
    lines: Vec<Line>,
    /// Left and right edge.
    x: (f64, f64),
    to_the_right: bool,
    tag: usize,
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

    /// Sets two narrow parts that follow each other side by side; gives how many blocks they were, 0 if there are none.
    fn side_by_side(&mut self, blocks: &[Block]) -> Result<usize, PdfError> {
        let (left, right) = self.edges();
        let gap = 22.0;
        let room = right - left - gap;
        let Some((one, two, first)) = self.pair(blocks, room) else {
            return Ok(0);
        };
        let edges = [(left, left + first), (left + first + gap, right)];
        let mut both = Piece::default();
        for (part, edges) in [&blocks[..one], &blocks[one..one + two]]
            .into_iter()
            .zip(edges)
        {
            (self.sheet.left, self.sheet.right) = edges;
            let from = self.pieces.len();
            let laid = part.iter().try_for_each(|block| self.block(block));
            (self.sheet.left, self.sheet.right) = (left, right);
            laid?;
            let mut y = 0.0;
            for (i, piece) in self.pieces.drain(from..).enumerate() {
                both.before = if i == 0 {
                    both.before.max(piece.before)
                } else {
                    both.before
                };
                y += if i == 0 { 0.0 } else { piece.before };
                let placed = piece.placed.into_iter().map(|p| Placed { y: p.y + y, ..p });
                both.placed.extend(placed);
                both.new_page |= piece.new_page;
                both.bookmark = both.bookmark.or(piece.bookmark);
                y += piece.height;
            }
            both.height = both.height.max(y);
        }
        self.pieces.push(both);
        Ok(one + two)
    }

    /// How many blocks stand to the left and to the right, and how wide the left ones are.
    fn pair(&self, blocks: &[Block], room: f64) -> Option<(usize, usize, f64)> {
        let (one, first) = self.narrow(blocks, room)?;
        let (two, second) = self.narrow(&blocks[one..], room)?;
        if first + second > room {
            return None;
        }
        // What neither needs is shared, so that both are about as wide as each other.
        let first = (room / 2.0).clamp(first, room - second);
        let third = &blocks[one + two..];
        let lists = |of: &[Block]| matches!(of, [Block::Heading(_), Block::List { .. }, ..]);
        if !lists(blocks) || !lists(&blocks[one..]) || !lists(third) {
            return Some((one, two, first));
        }
        // Three lists: one of them stands under its neighbour, so that both sides are about as long as each other.
        let Some((three, _)) = self.narrow(third, room) else {
            return Some((one, two, first));
        };
        let lists = [blocks, &blocks[one..], third];
        let [a, b, c] = lists.map(|of| self.lines_of_list(of, room / 2.0));
        if (a + b).max(c) < a.max(b + c) {
            Some((one + two, three, first))
        } else {
            Some((one, two + three, first))
        }
    }

    /// Lines of a heading with its list, the heading's room as two.
    fn lines_of_list(&self, blocks: &[Block], width: f64) -> usize {
        let [Block::Heading(_), Block::List { items, .. }, ..] = blocks else {
            return 0;
        };
        let lines = items
            .iter()
            .map(|item| wrap(&[(self.of(CELL), item)], width - 14.0).len());
        2 + lines.sum::<usize>()
    }

    /// How many blocks at the beginning make a part that needs less than the whole room, and how much it needs: a short list
    /// under its heading, or a small table.
    fn narrow(&self, blocks: &[Block], room: f64) -> Option<(usize, f64)> {
        let short =
            |heading: &str, needs: f64| wrap(&[(self.of(HEADING), heading)], needs).len() <= 2;
        match blocks {
            [Block::Heading(heading), Block::List { .. }, ..] => {
                let needs = room * 0.42;
                let lines = self.lines_of_list(blocks, needs) - 2;
                let small = short(heading, needs) && lines <= TOGETHER;
                small.then_some((2, needs))
            }
            [Block::Table(table), ..] if table.rows.len() <= TOGETHER => {
                let columns = table
                    .rows
                    .iter()
                    .map(Vec::len)
                    .max()
                    .unwrap_or(0)
                    .max(table.head.len());
                let name = self.of(NAME);
                let cells: f64 = wanted(table, columns, name).iter().map(|w| w.0).sum();
                let needs = (cells + gap(columns) * columns as f64).max(room * 0.3);
                short(&table.caption, needs).then_some((1, needs))
            }
            _ => None,
        }
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

    /// Lines under each other, none left alone on a page; `keep`: with what follows.
    fn lines(&mut self, lines: &[Line], x: f64, before: f64, part: Part, keep: bool) {
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

    fn paragraph(
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

    /// Room, and a line from edge to edge when it has a thickness.
    fn rule(&mut self, before: f64, after: f64, width: f64, grey: u8, keep: bool) {
        let mut piece = Piece {
            before,
            height: width + after,
            keep,
            ..Piece::default()
        };
        piece.rule(self.edges(), width / 2.0, width, grey);
        self.push(piece);
    }

    /// What was pushed since `from` stays with what follows.
    fn keep_since(&mut self, from: usize) {
        self.pieces[from..].iter_mut().for_each(|p| p.keep = true);
    }

    fn head_of_section(&mut self, name: &str) {
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
    fn tag(&mut self, number: &str, name: &str, lines: &[String]) -> Result<(), PdfError> {
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

    /// Puts a drawing into a piece.
    fn drawing(
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

    /// The name of a test at the head of its page with its verdict, then figure, words and rule.
    fn head_of_test(&mut self, judgement: &Judgement) -> Result<(), PdfError> {
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

    /// A drawing as a figure with its words for a reader that cannot see, as large as the room allows.
    fn figure(
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

    /// A test's row: name and verdict to the left, figure, words and rule to the right.
    fn judgement(&mut self, judgement: &Judgement) -> Result<(), PdfError> {
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

    /// A picture under its heading, its caption below.
    fn picture(&mut self, drawing: &Drawing) -> Result<(), PdfError> {
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

    /// A row of cells with a line under it, whole or, when it is tall, line by line.
    fn row(&self, cells: &[Cell], above: Option<f64>, below: Option<u8>) -> Vec<Piece> {
        // above and below the letters
        let pad = if self.first { 3.1 * self.zoom } else { 3.1 };
        let style = self.of(CELL);
        let tallest = cells
            .iter()
            .map(|c| c.lines.len())
            .max()
            .unwrap_or(0)
            .max(1);
        let height = style.height();
        let slices: Vec<_> = if tallest <= TOGETHER {
            std::iter::once(0..tallest).collect()
        } else {
            (0..tallest).map(|i| i..i + 1).collect()
        };
        let last = slices.len() - 1;
        let slice = |(i, lines): (usize, std::ops::Range<usize>)| {
            let mut piece = Piece {
                keep: last > 0 && (i == 0 || i + 1 == last),
                ..Piece::default()
            };
            let top = if i == 0 { pad } else { 0.0 };
            if let (0, Some(width)) = (i, above) {
                piece.rule(self.edges(), 0.0, width, 0);
            }
            for cell in cells {
                // An empty cell is still a cell.
                let none = [Line::of(style, "")];
                let shown = match cell.lines.get(lines.start..cell.lines.len().min(lines.end)) {
                    Some(shown) if !shown.is_empty() => shown,
                    _ if i == 0 => &none,
                    _ => &[],
                };
                for (n, line) in shown.iter().enumerate() {
                    let x = if cell.to_the_right {
                        cell.x.1 - line.width
                    } else {
                        cell.x.0
                    };
                    piece.line(line, x, top + n as f64 * height, Part::Tag(cell.tag));
                }
            }
            piece.height = top + lines.len() as f64 * height;
            if i == last {
                piece.height += pad;
                if let Some(grey) = below {
                    let y = piece.height;
                    piece.rule(self.edges(), y, THIN, grey);
                }
            }
            piece
        };
        slices.into_iter().enumerate().map(slice).collect()
    }

    /// Two columns: what, and its value.
    fn facts(&mut self, facts: &[(String, String)]) {
        let (left, right) = self.edges();
        let widest = facts
            .iter()
            .map(|(what, _)| Line::of(NAME, what).width)
            .fold(0.0, f64::max);
        let x = left + widest.clamp(24.0 * MM, 46.0 * MM) + 10.0;
        let table = self.open(Tag::Table);
        for (i, (what, value)) in facts.iter().enumerate() {
            let row = self.tags.open(Some(table), Tag::TR);
            let cells = [
                Cell {
                    lines: wrap(&[(self.of(NAME), what)], x - 10.0 - left),
                    x: (left, x),
                    to_the_right: false,
                    tag: self.tags.open(Some(row), tags::name_of(true)),
                },
                Cell {
                    lines: wrap(&[(self.of(CELL), value)], right - x),
                    x: (x, right),
                    to_the_right: false,
                    tag: self.tags.open(Some(row), Tag::TD),
                },
            ];
            let mut pieces = self.row(&cells, None, Some(HAIR));
            if let (0, Some(first)) = (i, pieces.first_mut()) {
                first.before = 8.0;
            }
            for piece in pieces {
                self.push(piece);
            }
        }
    }

    /// A table's head; gives what stands again on each page, if it is one piece.
    fn head_of_table(&mut self, names: &[Cell]) -> Option<Rc<Piece>> {
        let mut pieces = self.row(names, None, Some(LINE));
        let again = (pieces.len() == 1).then(|| {
            let mut head = pieces[0].clone();
            for placed in &mut head.placed {
                placed.part = Part::Ornament;
            }
            Rc::new(head)
        });
        pieces[0].before = 3.0;
        for mut piece in pieces {
            piece.keep = true;
            self.push(piece);
        }
        again
    }

    /// A table: its head stands again on each page.
    fn table(&mut self, table: &Table) {
        let node = self.open(Tag::Table);
        if !table.caption.is_empty() {
            let before = self.inside.replace(node);
            self.paragraph(Tag::Caption, &[(HEADING, &table.caption)], 13.0, true);
            self.inside = before;
        }
        let columns = table
            .rows
            .iter()
            .map(Vec::len)
            .max()
            .unwrap_or(0)
            .max(table.head.len());
        let (name, cell) = (self.of(NAME), self.of(CELL));
        let edges = edges(table, columns, name, self.edges());
        let cells =
            |tags: &mut Tags, row: usize, texts: &[String], style: Style, kind: &TagKind| {
                let cell = |(column, x): (usize, &(f64, f64))| Cell {
                    lines: wrap(
                        &[(style, texts.get(column).map_or("", String::as_str))],
                        x.1 - x.0,
                    ),
                    x: *x,
                    to_the_right: table.figures.contains(&column),
                    tag: tags.open(Some(row), kind.clone()),
                };
                edges.iter().enumerate().map(cell).collect::<Vec<_>>()
            };
        let mut again = None;
        if table.head.iter().any(|name| !name.is_empty()) {
            let group = self.tags.open(Some(node), Tag::THead);
            let row = self.tags.open(Some(group), Tag::TR);
            let names = cells(
                &mut self.tags,
                row,
                &table.head,
                name,
                &tags::name_of(false),
            );
            again = self.head_of_table(&names);
        }
        let body = self.tags.open(Some(node), Tag::TBody);
        let last = table.rows.len().saturating_sub(1);
        for (i, texts) in table.rows.iter().enumerate() {
            let sum = table.sum && i == last;
            let row = self.tags.open(Some(body), Tag::TR);
            let style = if sum { name } else { cell };
            let cells = cells(&mut self.tags, row, texts, style, &Tag::TD.into());
            let above = sum.then_some(MIDDLE);
            let before_sum = table.sum && i + 1 == last;
            let below = (!sum && !before_sum).then_some(HAIR);
            let mut pieces = self.row(&cells, above, below);
            // A sum does not stand alone on a page.
            if let Some(end) = pieces.last_mut().filter(|_| before_sum) {
                end.keep = true;
            }
            for mut piece in pieces {
                piece.head.clone_from(&again);
                self.push(piece);
            }
        }
    }

    fn list(&mut self, numbered: bool, items: &[String]) {
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

    /// Photographs side by side, each with its words below.
    fn photographs(&mut self, shown: &[Shown]) -> Result<(), PdfError> {
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

    fn digest(&mut self, of: &str, sha256: &str) {
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
    fn code(&mut self, text: &str, words: &str) {
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

    /// Draws the line at the left of what is to be typed or compared, since the piece `from`.
    fn line_beside(&mut self, from: usize) {
        for piece in &mut self.pieces[from..] {
            let height = piece.height;
            piece.stroke((self.sheet.left + 1.0, 0.0), (0.0, height), MIDDLE, LINE);
        }
    }

    /// What is typed into a terminal: a line at the left, each row as it is typed.
    fn typed(&mut self, rows: &[String]) {
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
}

/// The size of pictures and letters with which a chapter of its own pages takes the fewest, the larger the better.
fn best_size(section: &Section, first: bool, sheet: Sheet) -> Result<(f64, f64), PdfError> {
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

/// A name as it stands above something.
fn capital(name: &str) -> String {
    let mut letters = name.chars();
    let first = letters.next().into_iter().flat_map(char::to_uppercase);
    first.chain(letters).collect()
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

/// Room between columns.
fn gap(columns: usize) -> f64 {
    if columns > 8 { 6.0 } else { 12.0 }
}

/// Left and right edges of columns.
fn edges(table: &Table, columns: usize, name: Style, (left, right): (f64, f64)) -> Vec<(f64, f64)> {
    let mut x = left;
    let edges = |width| {
        let from = x;
        x += width + gap(columns);
        (from, from + width)
    };
    widths(table, columns, name, right - left)
        .into_iter()
        .map(edges)
        .collect()
}

/// Widths of columns: what each would like where all fit, else in proportion to what each needs more than its longest word.
fn widths(table: &Table, columns: usize, name: Style, room: f64) -> Vec<f64> {
    if columns == 0 {
        return Vec::new();
    }
    let room = room - gap(columns) * (columns as f64 - 1.0);
    let wanted = wanted(table, columns, name);
    let all: f64 = wanted.iter().map(|w| w.0).sum();
    if all <= room {
        // What is left goes to the columns of words.
        let words = (0..columns).filter(|c| !table.figures.contains(c)).count();
        let share = |c: usize| match words {
            0 => (room - all) / columns as f64,
            _ if table.figures.contains(&c) => 0.0,
            n => (room - all) / n as f64,
        };
        return wanted
            .iter()
            .enumerate()
            .map(|(c, w)| w.0 + share(c))
            .collect();
    }
    // What is short is given all it wants; the rest share what is left.
    let mut given: Vec<Option<f64>> = vec![None; columns];
    let mut left = room;
    loop {
        let open = given.iter().filter(|g| g.is_none()).count();
        let fair = left / open as f64;
        let mut short = (0..columns).filter(|c| given[*c].is_none() && wanted[*c].0 <= fair);
        let Some(column) = short.next() else {
            break;
        };
        given[column] = Some(wanted[column].0);
        left -= wanted[column].0;
    }
    let open: Vec<usize> = (0..columns).filter(|c| given[*c].is_none()).collect();
    let fair = left / open.len() as f64;
    // No word may take more than a fair part while others lack room.
    let least = |c: usize| wanted[c].1.min(fair);
    let more: f64 = open.iter().map(|c| wanted[*c].0 - least(*c)).sum();
    let rest = left - open.iter().map(|c| least(*c)).sum::<f64>();
    let shared = |c: usize| least(c) + rest * (wanted[c].0 - least(c)) / more;
    given
        .iter()
        .enumerate()
        .map(|(c, g)| g.unwrap_or_else(|| shared(c)))
        .collect()
}

/// Of each column the width of its longest cell and of its longest word, in the letters of a name.
fn wanted(table: &Table, columns: usize, name: Style) -> Vec<(f64, f64)> {
    let longest = |style: Style, text: &str| {
        let words = text.split_whitespace().map(|w| Line::of(style, w).width);
        (Line::of(style, text).width, words.fold(0.0, f64::max))
    };
    let mut wanted = vec![(0.0_f64, 0.0_f64); columns];
    for row in std::iter::once(&table.head).chain(&table.rows) {
        for (column, text) in row.iter().enumerate() {
            let (all, word) = longest(name, text);
            wanted[column].0 = wanted[column].0.max(all + 0.1);
            wanted[column].1 = wanted[column].1.max(word + 0.1);
        }
    }
    wanted
}

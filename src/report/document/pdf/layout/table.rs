//! Rows of cells: tables, and facts as what and its value.

use std::rc::Rc;

use krilla::tagging::{Tag, TagKind};

use super::{
    Layout, columns,
    style::{CELL, HAIR, HEADING, LINE, MIDDLE, NAME, THIN, TOGETHER},
};
use crate::report::document::{
    Table,
    pdf::{
        flow::{MM, Part, Piece},
        lines::{Line, Style, wrap},
        tags,
    },
};

/// A cell of a row.
struct Cell {
    lines: Vec<Line>,
    /// Left and right edge.
    x: (f64, f64),
    to_the_right: bool,
    tag: usize,
}

impl Layout {
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
    pub(super) fn facts(&mut self, facts: &[(String, String)]) {
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
    pub(super) fn table(&mut self, table: &Table) {
        let node = self.open(Tag::Table);
        if !table.caption.is_empty() {
            let before = self.inside.replace(node);
            self.paragraph(Tag::Caption, &[(HEADING, &table.caption)], 13.0, true);
            self.inside = before;
        }
        let edges = columns::edges(table, self.of(NAME), self.edges());
        let mut again = None;
        if table.head.iter().any(|name| !name.is_empty()) {
            let group = self.tags.open(Some(node), Tag::THead);
            let row = self.tags.open(Some(group), Tag::TR);
            let kind = tags::name_of(false);
            let names = self.cells(table, &edges, row, (&table.head, NAME), &kind);
            again = self.head_of_table(&names);
        }
        self.rows_of_table(table, &edges, node, again.as_ref());
    }

    /// A table's rows, the sum in the letters of a name; `again`: the head that stands again on each page.
    fn rows_of_table(
        &mut self,
        table: &Table,
        edges: &[(f64, f64)],
        node: usize,
        again: Option<&Rc<Piece>>,
    ) {
        let body = self.tags.open(Some(node), Tag::TBody);
        let last = table.rows.len().saturating_sub(1);
        for (i, texts) in table.rows.iter().enumerate() {
            let sum = table.sum && i == last;
            let row = self.tags.open(Some(body), Tag::TR);
            let style = if sum { NAME } else { CELL };
            let cells = self.cells(table, edges, row, (texts, style), &Tag::TD.into());
            let above = sum.then_some(MIDDLE);
            let before_sum = table.sum && i + 1 == last;
            let below = (!sum && !before_sum).then_some(HAIR);
            let mut pieces = self.row(&cells, above, below);
            // A sum does not stand alone on a page.
            if let Some(end) = pieces.last_mut().filter(|_| before_sum) {
                end.keep = true;
            }
            for mut piece in pieces {
                piece.head = again.cloned();
                self.push(piece);
            }
        }
    }

    /// Cells of a table's row, a column without a text empty.
    fn cells(
        &mut self,
        table: &Table,
        edges: &[(f64, f64)],
        row: usize,
        (texts, style): (&[String], Style),
        kind: &TagKind,
    ) -> Vec<Cell> {
        let style = self.of(style);
        let cell = |(column, x): (usize, &(f64, f64))| {
            let text = texts.get(column).map_or("", String::as_str);
            Cell {
                lines: wrap(&[(style, text)], x.1 - x.0),
                x: *x,
                to_the_right: table.figures.contains(&column),
                tag: self.tags.open(Some(row), kind.clone()),
            }
        };
        edges.iter().enumerate().map(cell).collect()
    }
}

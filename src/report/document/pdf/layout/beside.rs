//! On the summary: what is narrow stands side by side.

use super::{
    Layout,
    columns::{count, gap, wanted},
    style::{CELL, HEADING, NAME, TOGETHER},
};
use crate::report::document::{
    Block,
    pdf::{
        PdfError,
        flow::{Piece, Placed},
        lines::wrap,
    },
};

impl Layout {
    /// Sets two narrow parts that follow each other side by side; gives how many blocks they were, 0 if there are none.
    pub(super) fn side_by_side(&mut self, blocks: &[Block]) -> Result<usize, PdfError> {
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
                let columns = count(table);
                let name = self.of(NAME);
                let cells: f64 = wanted(table, columns, name).iter().map(|w| w.0).sum();
                let needs = (cells + gap(columns) * columns as f64).max(room * 0.3);
                short(&table.caption, needs).then_some((1, needs))
            }
            _ => None,
        }
    }
}

//! Widths of a table's columns: what each would like, and how the room is shared out.

use crate::report::document::{
    Table,
    pdf::lines::{Line, Style},
};

/// How many columns a table has: as many as its longest row.
pub(super) fn count(table: &Table) -> usize {
    let rows = table.rows.iter().map(Vec::len);
    rows.max().unwrap_or(0).max(table.head.len())
}

/// Room between columns.
pub(super) fn gap(columns: usize) -> f64 {
    if columns > 8 { 6.0 } else { 12.0 }
}

/// Left and right edges of columns.
pub(super) fn edges(table: &Table, name: Style, (left, right): (f64, f64)) -> Vec<(f64, f64)> {
    let columns = count(table);
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
pub(super) fn wanted(table: &Table, columns: usize, name: Style) -> Vec<(f64, f64)> {
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

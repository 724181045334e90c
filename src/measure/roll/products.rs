//! Products `V' X` of two tables with a row for every edge, most of the work of solving for the columns and of the rival.

use crate::measure::wide::{LANES, Lanes, per_lane, wide};

/// What of a product is wanted.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Wanted {
    All,
    /// The lower triangle; what comes with it above the diagonal means nothing.
    Lower,
}

/// A table with a row for every edge.
#[derive(Clone, Copy, Debug)]
pub(super) struct Table<'a> {
    /// Row-major.
    pub values: &'a [f64],
    /// Numbers in a row, a multiple of [`LANES`].
    pub width: usize,
}

/// Rows that are added at once.
const ROWS: usize = 4;

wide!(fn add<'a>(v: Table<'a>, weight: &'a [f64], x: Table<'a>, wanted: Wanted, out: &'a mut [f64]) -> () = add_of);

/// Adds `V' W X` to `out`, row-major, `v.width` by `x.width`; `weight` has one for every row. Every four rows are added up first.
pub(super) fn add_products(v: Table, weight: &[f64], x: Table, wanted: Wanted, out: &mut [f64]) {
    assert_eq!(out.len(), v.width * x.width, "a place for every product");
    if !out.is_empty() {
        add(v, weight, x, wanted, out);
    }
}

#[inline(always)]
fn add_of(v: Table, weight: &[f64], x: Table, wanted: Wanted, out: &mut [f64]) {
    let (left, right) = (v.values.chunks(ROWS * v.width), x.values.as_chunks().0);
    let across = x.width / LANES;
    let rows = left.zip(right.chunks(ROWS * across));
    for ((v_rows, x_rows), weights) in rows.zip(weight.chunks(ROWS)) {
        let out = out.as_chunks_mut().0.chunks_exact_mut(across);
        for (i, out) in out.enumerate() {
            let out = match wanted {
                Wanted::All => out,
                Wanted::Lower => &mut out[..=i / LANES],
            };
            let factor = |r: usize| weights[r] * v_rows[r * v.width + i];
            if weights.len() == ROWS {
                add_four([0, 1, 2, 3].map(factor), x_rows, across, out);
            } else {
                for (r, x) in x_rows.chunks_exact(across).enumerate() {
                    let factor = factor(r);
                    for (out, x) in out.iter_mut().zip(x) {
                        *out = per_lane(|l| out[l] + factor * x[l]);
                    }
                }
            }
        }
    }
}

/// Adds four rows times their factors.
#[inline(always)]
fn add_four([a, b, c, d]: [f64; ROWS], rows: &[Lanes], across: usize, out: &mut [Lanes]) {
    let (x0, rest) = rows.split_at(across);
    let (x1, rest) = rest.split_at(across);
    let (x2, x3) = rest.split_at(across);
    let rows = x0.iter().zip(x1).zip(x2).zip(x3);
    for (out, (((x0, x1), x2), x3)) in out.iter_mut().zip(rows) {
        *out = per_lane(|l| out[l] + (a * x0[l] + b * x1[l] + c * x2[l] + d * x3[l]));
    }
}

#[cfg(test)]
mod tests {
    use super::super::fixture::Random;
    use super::*;

    #[test]
    fn products_are_sums_over_the_rows() {
        let mut random = Random::new(5);
        for rows in [1, 3, 4, 11] {
            let v: Vec<f64> = (0..rows * 8).map(|_| random.normal()).collect();
            let x: Vec<f64> = (0..rows * 16).map(|_| random.normal()).collect();
            let [v_table, x_table] =
                [(&v, 8), (&x, 16)].map(|(values, width)| Table { values, width });
            let weight: Vec<f64> = (0..rows).map(|_| random.uniform(0.5, 1.0)).collect();
            let mut all = vec![1.0; 8 * 16];
            add_products(v_table, &weight, x_table, Wanted::All, &mut all);
            let mut lower = vec![1.0; 16 * 16];
            add_products(x_table, &weight, x_table, Wanted::Lower, &mut lower);
            let weighted = |values: &[f64], r: usize, at: usize, width: usize| {
                weight[r] * values[r * width + at]
            };
            for j in 0..16 {
                for i in 0..8 {
                    let sum: f64 = (0..rows)
                        .map(|r| weighted(&v, r, i, 8) * x[r * 16 + j])
                        .sum();
                    assert!((all[i * 16 + j] - 1.0 - sum).abs() < 1e-12);
                }
                for i in j..16 {
                    let sum: f64 = (0..rows)
                        .map(|r| weighted(&x, r, i, 16) * x[r * 16 + j])
                        .sum();
                    assert!((lower[i * 16 + j] - 1.0 - sum).abs() < 1e-12);
                }
            }
        }
    }
}

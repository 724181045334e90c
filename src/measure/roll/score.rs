//! Backward pass: score and information of a unit energy loss at any angle, and what it shares with each nuisance
//! column. Linear recursions over the rows; afterwards every event costs the same few operations.

use super::filter::{Gain, Step, Track};
use super::fit::Fit;

/// Whitened residuals count up to this many sd.
const CLIP: f64 = 5.0;

/// A coasting interval in which events can be seen.
#[derive(Clone, Copy, Debug)]
pub(super) struct Cell {
    /// Row of the interval's first node.
    pub row: usize,
    /// Angles of its ends, turns.
    pub start: f64,
    pub end: f64,
    /// 1 over the cube of its speed, s^3/turns^3.
    pub inv_w3: f64,
    r0: f64,
    r1: f64,
    n00: f64,
    n01: f64,
    n11: f64,
}

impl Cell {
    /// Delay of the end of the interval by a unit loss at angle `a`, s per unit of energy.
    pub fn lever(&self, a: f64) -> f64 {
        (self.end - a) * self.inv_w3
    }

    /// Score and information of a unit loss with this lever.
    pub fn score(&self, lever: f64) -> (f64, f64) {
        let u = self.r0 * lever - self.r1;
        let i = (self.n00 * lever - 2.0 * self.n01) * lever + self.n11;
        (u, i)
    }
}

/// Cross-information of one run's intervals with the columns that are active there.
#[derive(Clone, Debug)]
pub(super) struct Cross {
    /// The record's numbers of the columns.
    pub columns: Vec<usize>,
    /// First row of the run.
    first: usize,
    /// Row-major: for each row first all `r0`, then all `r1`.
    r: Vec<f64>,
}

impl Cross {
    /// Adds the cross-information of a unit loss in the interval that follows `row` to `c` (one entry a column).
    pub fn add(&self, row: usize, lever: f64, c: &mut [f64]) {
        let m = self.columns.len();
        let at = 2 * m * (row - self.first);
        let (r0, r1) = self.r[at..at + 2 * m].split_at(m);
        for ((c, r0), r1) in c[..m].iter_mut().zip(r0).zip(r1) {
            *c += r0 * lever - r1;
        }
    }
}

/// Score field of a record.
#[derive(Clone, Debug)]
pub(super) struct ScoreField {
    /// Intervals that can show an event, by angle.
    pub cells: Vec<Cell>,
    /// First cell of every run, and the number of cells at the end.
    pub run_cells: Vec<usize>,
    pub cross: Vec<Cross>,
}

/// One step back of `r' = L' r`, without the row's own value.
fn back(step: &Step, gain: &Gain, r: [f64; 3]) -> [f64; 3] {
    let [k0, k1, k2] = gain.k;
    [
        (1.0 - k0) * r[0] - k1 * r[1] - k2 * r[2],
        step.e * r[0] + r[1],
        step.d * r[0] + step.dx * r[1] + r[2],
    ]
}

/// `L' N L` for the matrix of [`back`], plus the row's own information at (0, 0).
fn back_information(step: &Step, gain: &Gain, n: [[f64; 3]; 3], own: f64) -> [[f64; 3]; 3] {
    // back() applied to the columns, then to the rows
    let columns = [0, 1, 2].map(|j| back(step, gain, [n[0][j], n[1][j], n[2][j]]));
    let mut out =
        [0, 1, 2].map(|i| back(step, gain, [columns[0][i], columns[1][i], columns[2][i]]));
    out[0][0] += own;
    out
}

/// The field of a fitted record.
pub(super) fn score_field(fit: &Fit) -> ScoreField {
    let track = &fit.track;
    let mut field = ScoreField {
        cells: Vec::with_capacity(track.len()),
        run_cells: vec![0],
        cross: Vec::with_capacity(track.runs.len()),
    };
    for (number, run) in track.runs.iter().enumerate() {
        cells(fit, run.clone(), &mut field.cells);
        field.run_cells.push(field.cells.len());
        field.cross.push(cross(fit, number));
    }
    field
}

fn cells(fit: &Fit, run: std::ops::Range<usize>, out: &mut Vec<Cell>) {
    let Track { steps, x, .. } = &fit.track;
    let mut r = [0.0; 3];
    let mut n = [[0.0; 3]; 3];
    let from = out.len();
    for row in run.clone().rev() {
        let (step, gain) = (&steps[row], &fit.gains[row]);
        // neither the first interval of the run nor the last
        if row > run.start && row + 2 < run.end {
            out.push(Cell {
                row,
                start: x[row],
                end: x[row + 1],
                inv_w3: step.inv_w3,
                r0: r[0],
                r1: r[1],
                n00: n[0][0],
                n01: n[0][1],
                n11: n[1][1],
            });
        }
        r = back(step, gain, r);
        r[0] += fit.residual[row].clamp(-CLIP, CLIP) * gain.inv_sd;
        n = back_information(step, gain, n, gain.inv_sd * gain.inv_sd);
    }
    out[from..].reverse();
}

fn cross(fit: &Fit, number: usize) -> Cross {
    let run = fit.track.runs[number].clone();
    let block = &fit.blocks[number];
    let m = block.columns.len();
    let mut stored = vec![0.0; 2 * m * run.len()];
    let mut r = vec![0.0; 3 * m];
    let (r0, rest) = r.split_at_mut(m);
    let (r1, r2) = rest.split_at_mut(m);
    let rows = stored.chunks_exact_mut((2 * m).max(1)).rev();
    for ((row, store), x) in run
        .clone()
        .rev()
        .zip(rows)
        .zip(block.x.rchunks_exact(m.max(1)))
    {
        let (step, gain) = (&fit.track.steps[row], &fit.gains[row]);
        let [k0, k1, k2] = gain.k;
        let scale = fit.weight[row] * gain.inv_sd;
        let (to0, to1) = store.split_at_mut(m);
        for j in 0..m {
            let (a0, a1, a2) = (r0[j], r1[j], r2[j]);
            to0[j] = a0;
            to1[j] = a1;
            r0[j] = (1.0 - k0) * a0 - k1 * a1 - k2 * a2 + x[j] * scale;
            r1[j] = step.e * a0 + a1;
            r2[j] = step.d * a0 + step.dx * a1 + a2;
        }
    }
    Cross {
        columns: block.columns.clone(),
        first: run.start,
        r: stored,
    }
}

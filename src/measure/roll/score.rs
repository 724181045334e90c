//! Backward pass: score and information of a unit energy loss at any angle, and what it shares with each nuisance
//! column. Linear recursions over the rows; afterwards every event costs the same few operations.

use crate::measure::wide::{LANES, wide};

use super::filter::{Gain, Step, Track};
use super::fit::Fit;
use super::side_by_side::each;

/// Whitened residuals count up to this many sd.
const CLIP: f64 = 5.0;

/// A coasting interval in which events can be seen. A loss acts by the share of the interval that lies behind it.
#[derive(Clone, Copy, Debug)]
pub(super) struct Cell {
    /// Row of the interval's first node.
    pub row: usize,
    /// Angles of its ends, turns.
    pub start: f64,
    pub end: f64,
    inv_length: f64,
    /// Delay of the end of the interval by a unit loss at its start, s per unit of energy.
    lever: f64,
    /// Score of a unit loss: polynomial in the share.
    score: [f64; 2],
    /// Information of a unit loss: polynomial in the share.
    information: [f64; 3],
}

impl Cell {
    /// Share of the interval that lies behind angle `a`.
    pub fn share(&self, a: f64) -> f64 {
        (self.end - a) * self.inv_length
    }

    /// Delay of the end of the interval by a unit loss with this share, s per unit of energy.
    pub fn lever(&self, share: f64) -> f64 {
        self.lever * share
    }

    /// Score and information (>= 0) of a unit loss with this share.
    pub fn score(&self, share: f64) -> (f64, f64) {
        let [u0, u1] = self.score;
        let [i0, i1, i2] = self.information;
        (u0 + u1 * share, (i0 + (i1 + i2 * share) * share).max(0.0))
    }
}

/// Cross-information of one run's intervals with the columns that are active there.
#[derive(Clone, Debug)]
pub(super) struct Cross {
    /// The record's numbers of the columns.
    pub columns: Vec<usize>,
    /// First row of the run.
    first: usize,
    /// Row-major: for each row first the values at the interval's end, then how much more they are at its start, each filled up
    /// with zeros to [`Self::width`]. Single precision: what is taken from a train's mean is needed to 1e-4, and this is the largest
    /// table of all.
    r: Vec<f32>,
}

impl Cross {
    /// Number of columns, filled up to whole lanes.
    pub fn width(&self) -> usize {
        width(self.columns.len())
    }

    /// Adds the cross-information of a unit loss in the interval that follows `row` to `c` (one entry a column, filled up to
    /// [`Self::width`]).
    #[inline(always)]
    pub fn add(&self, row: usize, share: f64, c: &mut [f32]) {
        let width = self.width();
        let at = 2 * width * (row - self.first);
        let (end, more) = self.r[at..at + 2 * width].split_at(width);
        let share = single(share);
        let ends = end.as_chunks::<LANES>().0.iter();
        let both = ends.zip(more.as_chunks::<LANES>().0);
        for (c, (end, more)) in c.as_chunks_mut::<LANES>().0.iter_mut().zip(both) {
            for (c, (end, more)) in c.iter_mut().zip(end.iter().zip(more)) {
                *c += end + more * share;
            }
        }
    }
}

/// `columns` filled up to whole lanes.
fn width(columns: usize) -> usize {
    columns.next_multiple_of(LANES)
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
        cross: Vec::new(),
    };
    for run in &track.runs {
        cells(
            track,
            &fit.gains,
            &fit.residual,
            run.clone(),
            &mut field.cells,
        );
        field.run_cells.push(field.cells.len());
    }
    let numbers: Vec<usize> = (0..track.runs.len()).collect();
    field.cross = each(&numbers, |number| cross(fit, *number));
    field
}

/// Adds the cells of a run. `residual`: whitened, 0 where a row carries no weight.
pub(super) fn cells(
    track: &Track,
    gains: &[Gain],
    residual: &[f64],
    run: std::ops::Range<usize>,
    out: &mut Vec<Cell>,
) {
    let Track { steps, x, .. } = track;
    let mut r = [0.0; 3];
    let mut n = [[0.0; 3]; 3];
    let from = out.len();
    for row in run.clone().rev() {
        let (step, gain) = (&steps[row], &gains[row]);
        // neither the first interval of the run nor the last
        if row > run.start && row + 2 < run.end {
            let lever = step.dx * step.inv_w3;
            out.push(Cell {
                row,
                start: x[row],
                end: x[row + 1],
                inv_length: 1.0 / step.dx,
                lever,
                score: [-r[1], r[0] * lever],
                information: [n[1][1], -2.0 * n[0][1] * lever, n[0][0] * lever * lever],
            });
        }
        r = back(step, gain, r);
        r[0] += residual[row].clamp(-CLIP, CLIP) * gain.inv_sd;
        n = back_information(step, gain, n, gain.inv_sd * gain.inv_sd);
    }
    out[from..].reverse();
}

/// Rounded to single precision.
#[inline(always)]
#[expect(
    clippy::cast_possible_truncation,
    reason = "rounding is what is wanted"
)]
fn single(x: f64) -> f32 {
    x as f32
}

wide!(fn cross<'a>(fit: &'a Fit, number: usize) -> Cross = cross_of);

#[inline(always)]
fn cross_of(fit: &Fit, number: usize) -> Cross {
    let run = fit.track.runs[number].clone();
    let block = &fit.blocks[number];
    let m = block.columns.len();
    let width = block.width();
    let mut stored = vec![0.0f32; 2 * width * run.len()];
    let mut r = vec![0.0; 3 * m];
    let (r0, rest) = r.split_at_mut(m);
    let (r1, r2) = rest.split_at_mut(m);
    let rows = stored.chunks_exact_mut((2 * width).max(1)).rev();
    for ((row, store), x) in run
        .clone()
        .rev()
        .zip(rows)
        .zip(block.x.rchunks_exact(width.max(1)))
    {
        let (step, gain) = (&fit.track.steps[row], &fit.gains[row]);
        let [k0, k1, k2] = gain.k;
        let scale = fit.weight[row] * gain.inv_sd;
        let whole_lever = step.dx * step.inv_w3;
        let (end, more) = store.split_at_mut(width);
        for j in 0..m {
            let (a0, a1, a2) = (r0[j], r1[j], r2[j]);
            end[j] = single(-a1);
            more[j] = single(a0 * whole_lever - a1) - end[j];
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

#[cfg(test)]
pub(super) mod tests {
    use super::super::fixture::{fit, nodes};
    use super::super::nuisance::States;
    use super::*;

    /// Whitened response of the rows to a unit loss at angle `a` of the interval after `row`: the loss is carried
    /// forward through the physics, then sent through the filter as times. The oracle.
    pub fn response(fit: &Fit, row: usize, a: f64) -> Vec<f64> {
        let track = &fit.track;
        let run = track.runs.iter().find(|r| r.contains(&row)).unwrap();
        let mut late = vec![0.0; track.len()];
        let (mut t, mut e) = (0.0, 0.0);
        for i in row..run.end - 1 {
            let step = &track.steps[i];
            (t, e) = if i == row {
                ((track.x[i + 1] - a) * step.inv_w3, -1.0)
            } else {
                (t + step.e * e, e)
            };
            late[i + 1] = t;
        }
        let mut states = States::new(1);
        let mut out = vec![0.0; track.len()];
        for i in run.clone() {
            let to = &mut out[i..=i];
            states.advance(&track.steps[i], &fit.gains[i], &late[i..=i], &[0.0], to);
        }
        out
    }

    #[test]
    fn score_information_and_cross_are_those_of_the_forward_response() {
        let nodes = nodes(4, 80, 1);
        let mut fit = fit(&nodes, &[(0, 41), (45, 79)]);
        for r in &mut fit.residual {
            *r = r.clamp(-CLIP, CLIP);
        }
        let field = score_field(&fit);
        assert_eq!(field.cells.len(), 41 - 2 + 34 - 2);
        for (number, cross) in field.cross.iter().enumerate() {
            for cell in &field.cells[field.run_cells[number]..field.run_cells[number + 1]] {
                let a = cell.start + 0.3 * (cell.end - cell.start);
                let g = response(&fit, cell.row, a);
                let (u, i) = cell.score(cell.share(a));
                let dot = |z: &[f64]| g.iter().zip(z).map(|(g, z)| g * z).sum::<f64>();
                let (u0, i0) = (dot(&fit.residual), dot(&g));
                assert!((u - u0).abs() < 1e-6 * i0.sqrt(), "score {u} {u0}");
                assert!((i - i0).abs() < 1e-6 * i0, "information {i} {i0}");
                let run = fit.track.runs[number].clone();
                let mut c = vec![0.0; cross.width()];
                cross.add(cell.row, cell.share(a), &mut c);
                for (j, c) in c.iter().take(cross.columns.len()).enumerate() {
                    let c0: f64 = run
                        .clone()
                        .zip(fit.blocks[number].rows())
                        .map(|(r, x)| fit.weight[r] * x[j] * g[r])
                        .sum();
                    // single precision, between ends of either sign
                    let c = f64::from(*c);
                    let at = 2 * cross.width() * (cell.row - run.start) + j;
                    let (end, more) = (cross.r[at], cross.r[at + cross.width()]);
                    let ends = f64::from(end.abs() + (end + more).abs());
                    assert!((c - c0).abs() < 1e-6 * (i0.sqrt() + ends), "cross {c} {c0}");
                }
            }
        }
    }

    #[test]
    fn score_is_the_slope_of_the_likelihood() {
        let nodes = nodes(4, 40, 2);
        let fit = fit(&nodes, &[(0, 39)]);
        let field = score_field(&fit);
        let cell = field.cells[15];
        let a = f64::midpoint(cell.start, cell.end);
        let g = response(&fit, cell.row, a);
        let ln = |loss: f64| {
            let misfit = fit.residual.iter().zip(&g).map(|(r, g)| r - loss * g);
            -misfit.map(|r| r * r).sum::<f64>() / 2.0
        };
        assert!(fit.residual.iter().all(|r| r.abs() < CLIP));
        let (u, i) = cell.score(cell.share(a));
        let step = 0.01 / i.sqrt();
        let slope = (ln(step) - ln(-step)) / (2.0 * step);
        let bend = (ln(step) - 2.0 * ln(0.0) + ln(-step)) / (step * step);
        assert!((u - slope).abs() < 1e-6 * i.sqrt() && (i + bend).abs() < 1e-6 * i);
    }
}

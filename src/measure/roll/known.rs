//! Known losses: the record as it would be without a snag that has been found, so that another one can be looked for.
//!
//! Filter and columns are linear, so an energy lost at a known angle leaves the residuals by its own response. What the
//! loss leaves behind (its true width and depth are not known) is not looked at again: cells at its hits are closed.

use super::fit::Fit;
use super::fold::{Comb, Field};
use super::score::{ScoreField, score_field};

/// A turn that hit with at least this probability closes the cells about it.
const CLOSES: f64 = 0.2;

/// The hits of a found snag on one record.
pub(super) struct Known<'a> {
    pub comb: Comb,
    pub phase: usize,
    /// Number, probability and expected loss of every turn that could be seen.
    pub turn: &'a [usize],
    pub hit: &'a [f64],
    pub loss: &'a [f64],
}

/// One event with a loss.
struct Event {
    /// Cell that it lies in.
    cell: usize,
    /// Share of the cell that lies behind it.
    share: f64,
    loss: f64,
    hit: f64,
}

impl Known<'_> {
    /// The events that lie in a cell, by angle.
    fn losses(&self, field: Field) -> Vec<Event> {
        let cells = &field.scores.cells;
        let shift = self.phase as f64 / self.comb.phases as f64;
        let events = self.turn.iter().zip(self.hit).zip(self.loss);
        events
            .filter_map(|((k, hit), loss)| {
                let a = field.reach.0 + (*k as f64 + shift) / self.comb.order;
                let cell = cells.partition_point(|c| c.end <= a);
                cells.get(cell).filter(|c| c.start <= a).map(|c| Event {
                    cell,
                    share: c.share(a),
                    loss: *loss,
                    hit: *hit,
                })
            })
            .collect()
    }

    /// Fit and score field of the record less these losses.
    pub fn removed(&self, field: Field) -> (Fit, ScoreField) {
        let losses = self.losses(field);
        let fit = field.fit.less(&response(field, &losses));
        let mut scores = score_field(&fit);
        close(&mut scores, field.scores, &losses);
        (fit, scores)
    }
}

/// Whitened response of all rows to the losses.
fn response(field: Field, losses: &[Event]) -> Vec<f64> {
    let track = &field.fit.track;
    let mut out = vec![0.0; track.len()];
    let mut next = losses.iter().peekable();
    for run in &track.runs {
        let mut s = [0.0; 3];
        for row in run.clone() {
            let (step, gain) = (&track.steps[row], &field.fit.gains[row]);
            let [k0, k1, k2] = gain.k;
            out[row] = s[0] * gain.inv_sd;
            s = [
                (1.0 - k0) * s[0] + step.e * s[1] + step.d * s[2],
                s[1] + step.dx * s[2] - k1 * s[0],
                s[2] - k2 * s[0],
            ];
            while let Some(loss) = next.next_if(|l| field.scores.cells[l.cell].row == row) {
                let cell = &field.scores.cells[loss.cell];
                s[0] += loss.loss * cell.lever(loss.share);
                s[1] -= loss.loss;
            }
        }
    }
    out
}

/// Takes the cells about hits out of a field, and those that were out before. `before` has every cell that `losses` name.
fn close(scores: &mut ScoreField, before: &ScoreField, losses: &[Event]) {
    let mut open = vec![false; scores.cells.last().map_or(0, |c| c.row + 1)];
    for cell in &before.cells {
        open[cell.row] = true;
    }
    for loss in losses.iter().filter(|l| l.hit >= CLOSES) {
        let row = before.cells[loss.cell].row;
        let last = open.len() - 1;
        open[row.saturating_sub(1)..=(row + 1).min(last)].fill(false);
    }
    let mut kept = Vec::with_capacity(scores.cells.len());
    let mut run_cells = vec![0];
    for run in scores.run_cells.windows(2) {
        let cells = &scores.cells[run[0]..run[1]];
        kept.extend(cells.iter().filter(|c| open[c.row]));
        run_cells.push(kept.len());
    }
    (scores.cells, scores.run_cells) = (kept, run_cells);
}

#[cfg(test)]
mod tests {
    use super::super::fixture::{fit, nodes};
    use super::super::score::tests::response as direct;
    use super::*;

    /// Whitened residuals of times that come late by the losses, event by event.
    fn responses(fit: &Fit, scores: &ScoreField, known: &Known, origin: f64) -> Vec<f64> {
        let mut late = vec![0.0; fit.track.len()];
        let mut events = 0;
        for (k, loss) in known.turn.iter().zip(known.loss) {
            let a = origin + (*k as f64 + 5.0 / 12.0) / 0.37;
            let Some(cell) = scores.cells.iter().find(|c| c.start <= a && a < c.end) else {
                continue;
            };
            events += 1;
            for (sum, g) in late.iter_mut().zip(direct(fit, cell.row, a)) {
                *sum += loss * g;
            }
        }
        assert!(events >= 7);
        late
    }

    #[test]
    fn a_known_loss_leaves_the_residuals_and_the_columns() {
        let nodes = nodes(4, 120, 4);
        let clean = fit(&nodes, &[(2, 60), (70, 119)]);
        let scores = score_field(&clean);
        let reach = (nodes.x[0], nodes.x[119]);
        let comb = Comb {
            order: 0.37,
            phases: 12,
        };
        let turn: Vec<usize> = (0..9).collect();
        let hit = [0.0, 1.0, 0.9, 0.1, 1.0, 1.0, 0.0, 0.6, 0.0];
        let loss: Vec<f64> = hit.iter().map(|p| 0.05 * p).collect();
        let known = Known {
            comb,
            phase: 5,
            turn: &turn,
            hit: &hit,
            loss: &loss,
        };
        let late = responses(&clean, &scores, &known, reach.0);
        let minus: Vec<f64> = late.iter().map(|l| -l).collect();
        let snagged = clean.less(&minus);
        let field = Field {
            fit: &snagged,
            scores: &scores,
            reach,
        };
        let (back, closed) = known.removed(field);
        let far = |fit: &Fit, other: &Fit| {
            let pairs = fit.residual.iter().zip(&other.residual);
            pairs.map(|(a, b)| (a - b).abs()).fold(0.0, f64::max)
        };
        assert!(far(&snagged, &clean) > 0.5, "the losses show");
        assert!(far(&back, &clean) < 1e-9, "{}", far(&back, &clean));
        assert!(
            back.b
                .iter()
                .zip(&clean.b)
                .all(|(a, b)| (a - b).abs() < 1e-9 * (1.0 + b.abs()))
        );
        // no cell at or beside a hit is left, and what is left keeps its run
        for l in known.losses(field).iter().filter(|l| l.hit >= CLOSES) {
            let row = scores.cells[l.cell].row;
            assert!(closed.cells.iter().all(|c| c.row.abs_diff(row) > 1));
        }
        for (run, cells) in clean.track.runs.iter().zip(closed.run_cells.windows(2)) {
            assert!(
                closed.cells[cells[0]..cells[1]]
                    .iter()
                    .all(|c| run.contains(&c.row))
            );
        }
    }
}

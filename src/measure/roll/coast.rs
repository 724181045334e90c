//! Where the drivetrain coasts: no hand that pushes, no brake, not nearly still.
//!
//! A free drivetrain loses energy along its angle as `dE/dx = -(A + B w)`. The line is found among all
//! slopes of the record, and what lies above it (a push) or far below it for long (a brake) is taken out.

use super::count::Nodes;

/// Slopes are fitted over intervals whose middle is within this time, s.
pub(super) const SLOPE_HALF_WIDTH_S: f64 = 0.035;
/// Negative slopes needed to find the coast line.
const MIN_FALLING: usize = 20;
/// Intervals nearer than this share of the level to the line belong to it, by outer round.
const TOLERANCE: [f64; 3] = [0.6, 0.4, 0.25];
const LINE_ROUNDS: usize = 6;
/// Least share of the level that the speed-independent drag must keep for the line to be believed.
const MIN_STATIC_SHARE: f64 = 0.2;
/// A push lies above the line by this many tolerances or scatters; a brake below it.
const PUSH: (f64, f64) = (1.0, 3.5);
const BRAKE: (f64, f64) = (2.5, 6.0);
/// A brake lasts this long; a snag is shorter.
pub(super) const BRAKE_INTERVALS: usize = 3;
pub(super) const BRAKE_S: f64 = 0.150;
/// Slower than this share of the median speed is standing still.
const SLOW_SHARE: f64 = 0.08;
/// Shortest run of coasting, intervals.
const MIN_RUN: usize = 6;

/// The drag line `-(a + b w)` of a coasting drivetrain, per unit of inertia.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct DragLine {
    /// Drag at no speed, energy a turn: turns^2/s^2 per turn.
    pub a: f64,
    /// Drag that grows with speed, (turns^2/s^2 per turn) per turn/s.
    pub b: f64,
    /// `a + b` times the record's median speed, > 0.
    pub level: f64,
}

/// A run of coasting: nodes `first..=last`.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Run {
    pub first: usize,
    pub last: usize,
}

/// Speed and energy slope of every interval of a record.
struct Intervals {
    /// Length in time, s.
    dt: Vec<f64>,
    /// Mean speed, turns/s.
    w: Vec<f64>,
    /// Slope of the energy over the angle, turns/s^2.
    slope: Vec<f64>,
}

fn median(v: &mut [f64]) -> f64 {
    let (_, &mut m, _) = v.select_nth_unstable_by(v.len() / 2, f64::total_cmp);
    m
}

/// Slope of a least-squares line through the intervals `lo..hi` of `(x, energy)`; flat when there is only one.
pub(super) fn slope(x: &[f64], energy: &[f64]) -> f64 {
    let n = x.len() as f64;
    let (mx, me) = (x.iter().sum::<f64>() / n, energy.iter().sum::<f64>() / n);
    let (mut sxx, mut sxe) = (0.0, 0.0);
    for (x, e) in x.iter().zip(energy) {
        sxx += (x - mx) * (x - mx);
        sxe += (x - mx) * (e - me);
    }
    if sxx > 0.0 { sxe / sxx } else { 0.0 }
}

fn intervals(x: &[f64], t: &[f64]) -> Intervals {
    let n = x.len() - 1;
    let dt: Vec<f64> = (0..n).map(|j| t[j + 1] - t[j]).collect();
    let w: Vec<f64> = (0..n).map(|j| (x[j + 1] - x[j]) / dt[j]).collect();
    let energy: Vec<f64> = w.iter().map(|w| w * w / 2.0).collect();
    let mid_x: Vec<f64> = (0..n).map(|j| f64::midpoint(x[j], x[j + 1])).collect();
    let mid_t: Vec<f64> = (0..n).map(|j| f64::midpoint(t[j], t[j + 1])).collect();
    let (mut lo, mut hi) = (0, 0);
    let mut slopes = Vec::with_capacity(n);
    for j in 0..n {
        while mid_t[lo] < mid_t[j] - SLOPE_HALF_WIDTH_S {
            lo += 1;
        }
        while hi < n && mid_t[hi] <= mid_t[j] + SLOPE_HALF_WIDTH_S {
            hi += 1;
        }
        let (a, b) = (lo.min(j.saturating_sub(1)), hi.max((j + 2).min(n)));
        slopes.push(slope(&mid_x[a..b], &energy[a..b]));
    }
    Intervals {
        dt,
        w,
        slope: slopes,
    }
}

/// First guess of the line: the densest third of the falling slopes. `None` with too few of them.
fn densest_third(slopes: &[f64]) -> Option<f64> {
    let mut falling: Vec<f64> = slopes.iter().copied().filter(|s| *s < 0.0).collect();
    if falling.len() < MIN_FALLING {
        return None;
    }
    falling.sort_by(f64::total_cmp);
    let third = falling.len() / 3;
    let best = (0..=falling.len() - third)
        .min_by(|&i, &j| {
            let width = |i: usize| falling[i + third - 1] - falling[i];
            width(i).total_cmp(&width(j))
        })
        .expect("at least one stretch");
    Some(-falling[best..best + third].iter().sum::<f64>() / third as f64)
}

/// Least squares of `-slope` on `(1, w)` over the slopes near the line; the median when it has the wrong signs.
fn refit(iv: &Intervals, line: DragLine, tolerance: f64, median_w: f64) -> DragLine {
    let (mut n, mut sw, mut sd, mut sww, mut swd) = (0.0, 0.0, 0.0, 0.0, 0.0);
    let mut near = Vec::new();
    for (&w, &slope) in iv.w.iter().zip(&iv.slope) {
        let drag = -slope;
        if (drag - line.a - line.b * w).abs() <= tolerance * line.level {
            // about the median speed: the normal equations stay well conditioned
            let dw = w - median_w;
            n += 1.0;
            sw += dw;
            sd += drag;
            sww += dw * dw;
            swd += dw * drag;
            near.push(drag);
        }
    }
    if near.is_empty() {
        return line;
    }
    let det = n * sww - sw * sw;
    let b = if det > 0.0 {
        (n * swd - sw * sd) / det
    } else {
        -1.0
    };
    let level = (sd - b * sw) / n;
    let a = level - b * median_w;
    if b < 0.0 || a < MIN_STATIC_SHARE * level {
        let a = median(&mut near);
        return DragLine {
            a,
            b: 0.0,
            level: a,
        };
    }
    DragLine { a, b, level }
}

/// The coast line after outer round `round` (from 0), started from the line of the round before.
fn drag_line(iv: &Intervals, last: Option<DragLine>, round: usize) -> Option<DragLine> {
    let median_w = median(&mut iv.w.clone());
    let mut line = if let Some(line) = last {
        line
    } else {
        let a = densest_third(&iv.slope)?;
        DragLine {
            a,
            b: 0.0,
            level: a,
        }
    };
    for _ in 0..LINE_ROUNDS {
        line = refit(iv, line, TOLERANCE[round], median_w);
    }
    Some(line)
}

/// How far from the coast line a hand is seen.
#[derive(Clone, Copy, Debug)]
pub(super) struct Bounds {
    /// Slopes above the line by more than this are pushed, turns/s^2.
    pub push: f64,
    /// Slopes below the line by more than this, for long, are braked, turns/s^2.
    pub brake: f64,
    /// Slower is standing still, turns/s.
    pub slow: f64,
}

/// The bounds of a record whose line is known, at a tolerance.
fn bounds(iv: &Intervals, line: DragLine, tolerance: f64) -> Bounds {
    let mut near: Vec<f64> = off(iv, line)
        .map(f64::abs)
        .filter(|o| *o <= tolerance * line.level)
        .collect();
    let scatter = if near.is_empty() {
        0.0
    } else {
        1.48 * median(&mut near)
    };
    let bound = |(share, sds): (f64, f64)| (share * tolerance * line.level).max(sds * scatter);
    Bounds {
        push: bound(PUSH),
        brake: bound(BRAKE),
        slow: SLOW_SHARE * median(&mut iv.w.clone()),
    }
}

/// Slopes above the line.
fn off(iv: &Intervals, line: DragLine) -> impl Iterator<Item = f64> {
    let slopes = iv.slope.iter().zip(&iv.w);
    slopes.map(move |(slope, w)| slope + line.a + line.b * w)
}

/// Which intervals a hand touched: pushes, brakes, one interval either side of both, and near standstill.
fn hand(iv: &Intervals, line: DragLine, bounds: Bounds) -> Vec<bool> {
    let n = iv.w.len();
    let off: Vec<f64> = off(iv, line).collect();
    let mut touched: Vec<bool> = off.iter().map(|o| *o > bounds.push).collect();
    let mut j = 0;
    while j < n {
        let mut end = j;
        while end < n && off[end] < -bounds.brake {
            end += 1;
        }
        if end - j >= BRAKE_INTERVALS && iv.dt[j..end].iter().sum::<f64>() > BRAKE_S {
            touched[j..end].fill(true);
        }
        j = end.max(j + 1);
    }
    (0..n)
        .map(|j| {
            let beside = touched[j.saturating_sub(1)] || touched[(j + 1).min(n - 1)];
            touched[j] || beside || iv.w[j] < bounds.slow
        })
        .collect()
}

/// Drag line and coasting runs of a record whose nodes `t` have been corrected (in the first round they are as
/// counted). `None` when too little falls to find a line.
pub(super) fn coast(
    nodes: &Nodes,
    t: &[f64],
    last: Option<DragLine>,
    round: usize,
) -> Option<(DragLine, Vec<Run>)> {
    let iv = intervals(&nodes.x, t);
    let line = drag_line(&iv, last, round)?;
    let touched = hand(&iv, line, bounds(&iv, line, TOLERANCE[round]));
    Some((line, runs(&touched)))
}

/// Stretches of untouched intervals that are long enough.
pub(super) fn runs(touched: &[bool]) -> Vec<Run> {
    let mut runs = Vec::new();
    let mut first = 0;
    while first < touched.len() {
        let free = touched[first..].iter().take_while(|t| !**t).count();
        if free >= MIN_RUN {
            runs.push(Run {
                first,
                last: first + free,
            });
        }
        first += free + 1;
    }
    runs
}

/// What the coast of a record says of the edges that come after it.
#[derive(Clone, Copy, Debug)]
pub(super) struct Rule {
    pub line: DragLine,
    pub bounds: Bounds,
}

impl Rule {
    /// Of a record and its line. The bounds are those of the first round: like there, ripple is still in the times.
    pub fn of(nodes: &Nodes, line: DragLine) -> Self {
        let iv = intervals(&nodes.x, &nodes.t);
        let bounds = bounds(&iv, line, TOLERANCE[0]);
        Self { line, bounds }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Coasts at 2 + 0.05 w from 8 turns/s to 2, is pushed back within a second, five times; one brake.
    fn record() -> (Nodes, Vec<bool>) {
        let (mut x, mut t, mut w) = (0.0, 0.0, 8.0f64);
        let (mut nodes, mut pushed) = (Nodes::default(), vec![]);
        let mut pushes = 0;
        let mut pushing = false;
        let dx = 1.0 / 6.0;
        while pushes < 5 {
            nodes.x.push(x);
            nodes.t.push(t);
            if w < 2.0 {
                (pushing, pushes) = (true, pushes + 1);
            } else if w > 8.0 {
                pushing = false;
            }
            let braking = pushes == 2 && (4.0..5.5).contains(&w) && !pushing;
            pushed.push(pushing || braking);
            let slope = if pushing {
                30.0
            } else if braking {
                -20.0
            } else {
                -2.0 - 0.05 * w
            };
            let next = (w * w + 2.0 * slope * dx).sqrt();
            t += 2.0 * dx / (w + next);
            x += dx;
            w = next;
        }
        pushed.pop();
        (nodes, pushed)
    }

    #[test]
    fn line_and_runs_of_a_record_with_pushes_and_a_brake() {
        let (nodes, pushed) = record();
        let mut line = None;
        let mut runs = vec![];
        for round in 0..3 {
            let (l, r) = coast(&nodes, &nodes.t, line, round).unwrap();
            (line, runs) = (Some(l), r);
        }
        let line = line.unwrap();
        // slopes are exact but for the few that straddle a push
        assert!(
            (line.a - 2.0).abs() < 0.05 && (line.b - 0.05).abs() < 0.01,
            "{line:?}"
        );
        let free: usize = runs.iter().map(|r| r.last - r.first).sum();
        let touched = |j: &usize| pushed[*j];
        assert!(
            runs.iter().all(|r| !(r.first..r.last).any(|j| touched(&j))),
            "{runs:?}"
        );
        let coasting = pushed.iter().filter(|p| !**p).count();
        assert!(free * 10 > coasting * 8, "{free} of {coasting}");
    }

    #[test]
    fn nothing_falls_nothing_coasts() {
        let nodes = Nodes {
            x: (0..100).map(f64::from).collect(),
            t: (0..100)
                .map(|i| f64::from(i) * (1.0 - 0.002 * f64::from(i)))
                .collect(),
            ..Nodes::default()
        };
        assert!(coast(&nodes, &nodes.t, None, 0).is_none());
    }
}

//! Which way the sensed shaft turns: magnets glued by hand pass in the opposite order when it turns back.
//!
//! Angles are counted upwards only, so what follows a turn back would be laid over the wrong teeth.

use std::ops::Range;

use super::count::{Nodes, calibrate};
use super::whole;

/// Two magnets look the same from both sides.
const LEAST_MAGNETS: usize = 3;
/// A push makes the shaft faster by this factor than it was at its slowest since the last one, and between two pushes it slows down by
/// as much.
const PUSHED: f64 = 1.3;
/// Turns between two pushes from which on their magnets can be told.
const LEAST_TURNS: usize = 2;
/// Magnets pass the one way or the other if that fits better by this factor, squares over squares, and the worse is off by more than
/// the second, turns of the shaft (rms of a magnet), or by more where there were fewer turns than the third. Set on simulated records:
/// of 1600 rolled one way, 3 to 12 magnets, 1 is cut; of 40 rolled to and fro with 8 magnets, glued to within 3, 2 and 1 degrees, 40, 37
/// and 26 are recognised rolling straight.
const BETTER: f64 = 8.0;
const LEAST_DIFFERENCE: f64 = 0.002;
const FEW_TURNS: f64 = 15.0;

/// The longest stretch of nodes in which the shaft surely turns one way; `None` where it is not seen to turn back.
pub(super) fn one_way(nodes: &Nodes) -> Option<Range<usize>> {
    let magnets = nodes.spacing.len();
    if magnets < LEAST_MAGNETS {
        return None;
    }
    let pushes = pushes(nodes, magnets);
    let spacings: Vec<Option<Vec<f64>>> = pushes
        .iter()
        .map(|push| spacing(nodes, push.clone()))
        .collect();
    let told = pushes
        .iter()
        .zip(&spacings)
        .filter_map(|(push, of)| Some((push.len(), of.as_ref()?)));
    let (_, longest) = told.max_by_key(|(len, _)| *len)?;
    let sense = |(push, of): (&Range<usize>, &Option<Vec<f64>>)| {
        let [same, opposite] = off(longest, of.as_ref()?);
        let few = (FEW_TURNS * magnets as f64 / push.len() as f64).max(1.0);
        let least = few * magnets as f64 * LEAST_DIFFERENCE * LEAST_DIFFERENCE;
        let told = same.max(opposite) > least.max(BETTER * same.min(opposite));
        told.then_some(same < opposite)
    };
    let senses: Vec<Option<bool>> = pushes.iter().zip(&spacings).map(sense).collect();
    if !senses.contains(&Some(false)) {
        return None;
    }
    // where nobody can tell it may have turned back, too
    let alike = senses.chunk_by(|a, b| a.is_some() && a == b);
    let mut first = 0;
    let stretches = alike.map(|pushes_alike| {
        let of = first..first + pushes_alike.len();
        first = of.end;
        pushes[of.start].start..pushes[of.end - 1].end
    });
    stretches.max_by_key(Range::len)
}

/// The nodes of every push with what follows until the next.
fn pushes(nodes: &Nodes, magnets: usize) -> Vec<Range<usize>> {
    let (t, x) = (&nodes.t, &nodes.x);
    let turn = |i: usize| (x[i + magnets] - x[i]) / (t[i + magnets] - t[i]);
    let mut starts = vec![0];
    let (mut falls, mut most, mut least) = (false, 0.0, (f64::INFINITY, 0));
    for i in 0..t.len().saturating_sub(magnets) {
        let w = turn(i);
        if falls {
            if w < least.0 {
                least = (w, i);
            } else if w > PUSHED * least.0 {
                let slow = least.1..=least.1 + magnets;
                // the longest of the intervals around
                let longest = slow
                    .skip(1)
                    .max_by(|a, b| (t[*a] - t[*a - 1]).total_cmp(&(t[*b] - t[*b - 1])));
                let before = starts[starts.len() - 1];
                starts.extend(longest.filter(|at| *at > before));
                (falls, most) = (false, w);
            }
        } else if w > most {
            most = w;
        } else if w < most / PUSHED {
            (falls, least) = (true, (w, i));
        }
    }
    let ends = starts[1..].iter().copied().chain([t.len()]);
    starts
        .iter()
        .copied()
        .zip(ends)
        .map(|(start, end)| start..end)
        .collect()
}

/// Spacing of the magnets as they pass in a push; `None` where it is too short to tell.
fn spacing(nodes: &Nodes, push: Range<usize>) -> Option<Vec<f64>> {
    let magnets = nodes.spacing.len();
    if push.len() <= LEAST_TURNS * magnets {
        return None;
    }
    let magnets_of = |pair: &[f64]| whole((pair[1] - pair[0]) * magnets as f64 + 0.5).max(1);
    let steps: Vec<usize> = nodes.x[push.clone()].windows(2).map(magnets_of).collect();
    let spacing = calibrate(&nodes.t[push], &steps, 0, magnets);
    // equal where it is not known
    spacing
        .iter()
        .any(|s| s.to_bits() != spacing[0].to_bits())
        .then_some(spacing)
}

/// Sum of squares by which a spacing is off from that of others, as they are and the other way round.
fn off(others: &[f64], spacing: &[f64]) -> [f64; 2] {
    let n = spacing.len();
    let least = |place: fn(usize, usize, usize) -> usize| {
        let from = |shift: usize| -> f64 {
            let both = spacing.iter().enumerate();
            let off = both.map(|(m, s)| s - others[place(shift, m, n) % n]);
            off.map(|off| off * off).sum()
        };
        (0..n).map(from).fold(f64::INFINITY, f64::min)
    };
    [
        least(|shift, m, _| shift + m),
        least(|shift, m, n| shift + n - m),
    ]
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_ring_seen_from_behind_is_the_other_way_round() {
        let ring = [0.24, 0.26, 0.2, 0.3];
        let on = [0.2, 0.3, 0.24, 0.26];
        let back = [0.2, 0.26, 0.24, 0.3];
        assert!(off(&ring, &on)[0] < 1e-12 && off(&ring, &on)[1] > 1e-3);
        assert!(off(&ring, &back)[1] < 1e-12 && off(&ring, &back)[0] > 1e-3);
    }
}

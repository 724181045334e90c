//! Where a long record is cut. On tyres no phase stays with another shaft's for long: beyond some hundred turns of a wheel the windows
//! of the nuisance columns no longer follow, ripple is left over, and it repeats with its shaft as a snag does. Legs of such a record are
//! fitted and judged for themselves, like captures of one car: what they say of a part adds up. On a stand nothing drifts.

use std::ops::Range;

use crate::vehicle::Train;

use super::count::Nodes;
use super::whole;

/// Longest leg, turns of the fastest wheel. Of 60 simulated healthy cars rolled straight for some 300 wheel turns nine were called
/// snagged as one leg, one in three; of 120 rolled for 150 two and none. It costs little: of 96 rolled for 150, with a snag in ring or
/// spur, 53 were found as one leg and 49 as two.
const LONGEST: f64 = 120.0;
/// No leg is cut down to fewer nodes than this (by judgement): line, noise and columns are fitted anew in each.
const LEAST_NODES: usize = 500;
/// A cut is made at the longest interval within this share of a leg about its end: most of the time the car stands there.
const BESIDE: f64 = 0.2;

/// The nodes of every leg, in order.
pub(super) fn legs(nodes: &Nodes, train: &Train) -> Vec<Range<usize>> {
    let wheel_turns = if train.rolling {
        nodes.turns() * train.fastest_wheel
    } else {
        0.0
    };
    let all = nodes.t.len();
    let count = whole((wheel_turns / LONGEST).ceil()).min(all / LEAST_NODES);
    let mut starts = vec![0];
    for leg in 1..count {
        let at = |beside: f64| {
            let share = (leg as f64 + beside) / count as f64;
            let x = nodes.x[0] + share * nodes.turns();
            nodes.x.partition_point(|n| *n < x)
        };
        let interval = |i: &usize| nodes.t[*i] - nodes.t[i - 1];
        let longest = (at(-BESIDE)..at(BESIDE)).max_by(|a, b| interval(a).total_cmp(&interval(b)));
        starts.extend(longest);
    }
    let ends = starts.iter().skip(1).copied().chain([all]);
    starts
        .iter()
        .copied()
        .zip(ends)
        .map(|(a, b)| a..b)
        .collect()
}

#[cfg(test)]
mod tests {
    use super::super::fixture::train;
    use super::*;

    /// Eight magnets a turn of the sensed shaft at a turn a second, and a second of standstill after every 40 turns.
    fn pushes(turns: usize) -> Nodes {
        let spacing = vec![0.125; 8];
        let all = 0..8 * turns;
        Nodes {
            t: all
                .clone()
                .map(|i| (i + 8 * (i / 320)) as f64 / 8.0)
                .collect(),
            x: all.clone().map(|i| i as f64 / 8.0).collect(),
            magnet: all.map(|i| i % 8).collect(),
            spacing,
            ..Nodes::default()
        }
    }

    fn rolling() -> Train {
        Train {
            rolling: true,
            fastest_wheel: 0.3,
            ..train(8)
        }
    }

    #[test]
    fn a_leg_ends_where_the_car_stands() {
        let nodes = pushes(2000);
        // 600 turns of a wheel: five legs of 400 turns of the shaft, within 80 turns
        let legs = legs(&nodes, &rolling());
        assert_eq!(legs.len(), 5);
        for pair in legs.windows(2) {
            assert_eq!(pair[0].end, pair[1].start);
            assert_eq!(pair[1].start % 320, 0);
            let end = pair[1].start as f64 / 8.0 / 400.0;
            assert!((end - end.round()).abs() <= BESIDE, "{end}");
        }
        assert_eq!((legs[0].start, legs[4].end), (0, nodes.t.len()));
        let last = nodes.leg(legs[4].clone());
        assert_eq!(last.x[0].to_bits(), nodes.x[legs[4].start].to_bits());
        assert!((last.turns() + 1.0 / 8.0 - legs[4].len() as f64 / 8.0).abs() < 1e-9);
    }

    #[test]
    fn a_short_record_and_one_on_a_stand_are_one_leg() {
        let is_whole = |nodes: &Nodes, train: &Train| {
            let legs = legs(nodes, train);
            legs.len() == 1 && legs[0] == (0..nodes.t.len())
        };
        let rolls = rolling();
        assert!(is_whole(&pushes(390), &rolls));
        let stands = Train {
            rolling: false,
            ..rolling()
        };
        assert!(is_whole(&pushes(9000), &stands));
        // a lone magnet on a shaft that turns slowly: too few nodes to cut
        let fast = Train {
            fastest_wheel: 50.0,
            ..rolls
        };
        assert!(is_whole(&pushes(120), &fast));
    }
}

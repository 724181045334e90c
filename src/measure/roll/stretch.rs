//! Where edges are missing for so long that nobody can say how many: the angle cannot be carried across.

use std::ops::Range;

/// Lost edges are still counted rightly where an interval is at most this many times the one beside it: three magnets may pass, and
/// half a one for magnets glued unevenly and a speed that changes. Judgement, as the two below; of 120 simulated records of a sensor
/// that misses one magnet in fifty and doubles one in a hundred none was cut.
const BRIDGED: f64 = 3.5;
/// Without a word of lost edges, a wheel that runs on after a silence as it did before has not stood still: edges are missing. Where
/// the intervals beside the silence are longer than so many median ones, a hand may have turned it.
const SLOW: f64 = 2.0;
/// A turn after the silence may be this much shorter than the one before, and the turn after that than the first: pushed wheels gain
/// more.
const GAINS: f64 = 1.02;

/// The longest stretch of edges without such a place, and how many places there are. `gaps`: numbers of the edges before which
/// others may have been lost, ascending; `magnets` in a turn.
pub(super) fn longest(times_us: &[u64], gaps: &[usize], magnets: usize) -> (Range<usize>, usize) {
    let median_us = median(times_us);
    let broken = |at: &usize| {
        let told = gaps.binary_search(at).is_ok();
        told && !bridged(times_us, *at) || runs_on(times_us, *at, magnets, median_us)
    };
    let breaks: Vec<usize> = (1..times_us.len()).filter(broken).collect();
    let starts = std::iter::once(0).chain(breaks.iter().copied());
    let ends = breaks.iter().copied().chain([times_us.len()]);
    let longest = starts.zip(ends).map(|(start, end)| start..end);
    // the first of equals
    let longest = longest.reduce(|a, b| if b.len() > a.len() { b } else { a });
    (longest.unwrap_or(0..0), breaks.len())
}

/// The longer of the two intervals that begin at an edge and at the next, us: one of them may be bounce.
fn interval_us(times_us: &[u64], from: usize) -> Option<u64> {
    let intervals = times_us.get(from..)?.windows(2).take(2);
    intervals.map(|pair| pair[1] - pair[0]).max()
}

/// At most three magnets passed before edge `at`, by the shorter of the intervals beside it.
fn bridged(times_us: &[u64], at: usize) -> bool {
    let before = at
        .checked_sub(3)
        .and_then(|from| interval_us(times_us, from));
    let beside = before.into_iter().chain(interval_us(times_us, at));
    let gap_us = times_us[at] - times_us[at - 1];
    let by = |shorter_us: u64| gap_us as f64 <= BRIDGED * shorter_us as f64;
    beside.min().is_some_and(by)
}

/// The wheel fell silent before edge `at` and runs down on after it as it did before.
fn runs_on(times_us: &[u64], at: usize, magnets: usize, median_us: u64) -> bool {
    let turn = |from: Option<usize>| {
        let from = from?;
        Some((times_us.get(from + magnets)? - times_us[from]) as f64)
    };
    let (before, after) = (turn(at.checked_sub(1 + magnets)), turn(Some(at)));
    let (Some(before), Some(after), Some(later)) = (before, after, turn(Some(at + magnets))) else {
        return false;
    };
    let interval_us = before.max(after) / magnets as f64;
    let gap_us = (times_us[at] - times_us[at - 1]) as f64;
    gap_us > BRIDGED * interval_us
        && interval_us <= SLOW * median_us as f64
        && before <= GAINS * after
        && after <= GAINS * later
}

/// Median interval, us; 0 without one.
fn median(times_us: &[u64]) -> u64 {
    let mut all: Vec<u64> = times_us.windows(2).map(|w| w[1] - w[0]).collect();
    if all.is_empty() {
        return 0;
    }
    let middle = all.len() / 2;
    *all.select_nth_unstable(middle).1
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Three pushes of a wheel with six magnets, each running down from 36 to 6 magnets a second, a second of standstill after each.
    fn pushes() -> Vec<u64> {
        let mut all = vec![0];
        let mut last = 0;
        for _ in 0..3 {
            last += 1_000_000;
            let pushed = (0..10).map(|k| 60 + 30 * k);
            let runs_down = (0..150).map(|k| 360 - 2 * k);
            for magnets_in_ten_s in pushed.chain(runs_down) {
                last += 10_000_000 / magnets_in_ten_s;
                all.push(last);
            }
        }
        all
    }

    #[test]
    fn standing_still_breaks_nothing() {
        let all = pushes();
        assert_eq!(longest(&all, &[], 6), (0..all.len(), 0));
        assert_eq!(longest(&[], &[], 6), (0..0, 0));
        assert_eq!(longest(&[5], &[0], 6), (0..1, 0));
    }

    #[test]
    fn a_few_lost_edges_are_bridged_and_many_are_not() {
        for (lost, breaks) in [(1, 0), (2, 0), (3, 1), (30, 1)] {
            let mut all = pushes();
            all.drain(200..200 + lost);
            let whole = longest(&all, &[200], 6);
            assert_eq!(whole.1, breaks, "{lost}");
            let kept = if breaks == 0 { 0 } else { 200 };
            assert_eq!(whole.0, kept..all.len(), "{lost}");
        }
    }

    #[test]
    fn a_wheel_that_runs_on_was_not_silent() {
        for lost in [3, 6, 20] {
            let mut all = pushes();
            all.drain(200..200 + lost);
            assert_eq!(longest(&all, &[], 6), (200..all.len(), 1), "{lost}");
        }
    }
}

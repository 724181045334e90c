//! Is the number of magnets right?
//!
//! No ring of magnets is even, so the intervals between edges repeat once a turn: after as many edges as there
//! are magnets. With `l` the logarithm of an interval's length, `d_j = l_(j-1) - 2 l_j + l_(j+1)` is free of the speed and of
//! its slope; `D(m)` is half the mean square of `d_(j+m) - d_j` over the record, without its largest tenth. At the
//! true number and its multiples `D` is noise, elsewhere it holds the pattern. Of all counts the ring is the one that parts
//! `ln D` best into its multiples and the rest (most variance between the two groups, lags 1..=64). It contradicts
//! the stated count when that leaves nine times what the ring leaves (and four times the worst of its multiples) and
//! more than the ripple of gears and joints could; or when it divides the stated count and the pattern comes again too
//! exactly for chance.
//!
//! A joint that happens to come again after whole edges does so too, and magnets that sit evenly leave little in single
//! intervals. So the fit of the record has its say (but where the count divides): with all ripple of the car explained, a
//! ring of another count `m` is ripple at `M/m` times a sensed turn and at its harmonics, and the Bayes factor of that is the
//! rival's. A count that the intervals name is dropped where the fit finds nothing of it. One magnet more and one less than
//! stated are asked of the car's own ripple in every record; an exactly even ring has nothing else that tells.

use crate::reading::Refusal;
use crate::vehicle::Train;

use super::super::RollSettings;
use super::super::count::Nodes;
use super::super::fit::{self, Fit};
use super::super::rival::ln_rival;
use super::super::sensed::Counted;
use super::super::whole;

/// Most magnets that are tried.
const MOST_MAGNETS: usize = 64;
/// Share of the squares that counts, smallest first: starts, brakes and missed edges are among the largest.
const KEPT: f64 = 0.9;
/// Intervals longer than this many times the median are near standstill.
const SLOW: f64 = 2.0;
/// Neighbouring intervals that differ by more than this hold a missed edge or a bounce.
const UNLIKE: f64 = 1.7;
/// Fewer pairs of intervals than this, or than this many turns of them, decide nothing.
const LEAST_PAIRS: usize = 100;
const LEAST_TURNS: usize = 6;
/// The stated count must leave this many times what the ring leaves on average, and at the worst of its multiples. Set on
/// simulated records.
const BETTER: f64 = 9.0;
const BETTER_THAN_WORST: f64 = 4.0;
/// Root of `D` that ripple alone may reach at 8 magnets or more, in proportion below; ripple of a whole number of turns
/// is in `D` of the stated count and not in that of its multiples, so these have to show more. Set on simulated records with an
/// angle ripple of up to 0.002 turns and joints bent by up to 16 degrees: their largest were 0.041 and 0.08. Magnets that sit
/// within a degree rms leave little more when they are counted wrong, so the first bar stands close above.
const RIPPLE: f64 = 0.045;
const RIPPLE_OF_TURNS: f64 = 0.1;
const RIPPLE_MAGNETS: f64 = 8.0;
/// A ring that divides the stated count leaves at most this much more than the stated one.
const AS_GOOD: f64 = 1.5;
/// A pattern that comes again within a turn may do so by chance in this share of rings at most.
const CHANCE: f64 = 1e-4;
/// Differences of the second order of the log intervals, by number of the magnet that passed.
struct Pattern {
    d: Vec<Option<f64>>,
}

impl Pattern {
    fn new(nodes: &Nodes) -> Self {
        let k = numbers(nodes);
        let n = nodes.t.len();
        let length: Vec<f64> = nodes.t.windows(2).map(|w| w[1] - w[0]).collect();
        let mut sorted = length.clone();
        let (_, median, _) = sorted.select_nth_unstable_by((n - 1) / 2, f64::total_cmp);
        let slow = SLOW * *median;
        let mut d = vec![None; k[n - 1] + 1];
        for j in 1..n.saturating_sub(2) {
            let three = [length[j - 1], length[j], length[j + 1]];
            let whole = k[j + 2] - k[j - 1] == 3;
            let longest = three.into_iter().fold(0.0, f64::max);
            let shortest = three.into_iter().fold(f64::INFINITY, f64::min);
            if whole && longest < slow && longest < UNLIKE * shortest {
                let [a, b, c] = three.map(libm::log);
                d[k[j]] = Some(a - 2.0 * b + c);
            }
        }
        Self { d }
    }

    /// `D` at a lag, `None` with too few pairs.
    fn left(&self, lag: usize) -> Option<f64> {
        if lag >= self.d.len() {
            return None;
        }
        let pairs = self.d.iter().zip(&self.d[lag..]);
        let mut squares: Vec<f64> = pairs
            .filter_map(|(a, b)| {
                let off = (*b)? - (*a)?;
                Some(off * off)
            })
            .collect();
        if squares.len() < LEAST_PAIRS.max(LEAST_TURNS * lag) {
            return None;
        }
        let kept = whole(KEPT * squares.len() as f64).max(1);
        squares.select_nth_unstable_by(kept - 1, f64::total_cmp);
        Some(squares[..kept].iter().sum::<f64>() / (2.0 * kept as f64))
    }

    /// The count that parts the lags best.
    fn ring(&self) -> Option<Ring> {
        let all: Vec<(usize, f64)> = (1..=MOST_MAGNETS)
            .filter_map(|m| Some((m, libm::log(self.left(m)?))))
            .collect();
        let mut best: Option<(f64, Ring)> = None;
        for count in 2..=MOST_MAGNETS {
            let multiple = |(m, _): &&(usize, f64)| m.is_multiple_of(count);
            let (own, rest): (Vec<_>, Vec<_>) = all.iter().partition(multiple);
            if own.is_empty() || rest.is_empty() {
                continue;
            }
            let mean = |group: &[&(usize, f64)]| {
                group.iter().map(|(_, ln)| ln).sum::<f64>() / group.len() as f64
            };
            let (n, k) = (own.len() as f64, rest.len() as f64);
            let apart = mean(&rest) - mean(&own);
            let between = apart * apart * n * k / (n + k);
            if apart > 0.0 && best.as_ref().is_none_or(|(b, _)| between > *b) {
                let worst = own
                    .iter()
                    .map(|(_, ln)| *ln)
                    .fold(f64::NEG_INFINITY, f64::max);
                let ring = Ring {
                    count,
                    left: libm::exp(mean(&own)),
                    worst: libm::exp(worst),
                    pattern: libm::exp(mean(&rest)),
                };
                best = Some((between, ring));
            }
        }
        best.map(|(_, ring)| ring)
    }

    /// Another count that explains the intervals decidedly better than `stated`.
    fn other_count(&self, stated: usize) -> Option<usize> {
        let here = self.left(stated)?;
        let share = (stated as f64 / RIPPLE_MAGNETS).min(1.0);
        let mut divisors = (2..stated).filter(|d| stated.is_multiple_of(*d));
        let again = |d| self.left(d).is_some_and(|left| left <= AS_GOOD * here);
        // nearly always: the stated ring explains its record, and no part of it does so too
        if here.sqrt() < RIPPLE * share && !divisors.any(again) {
            return None;
        }
        let ring = self.ring()?;
        let share = (stated.max(ring.count) as f64 / RIPPLE_MAGNETS).min(1.0);
        let clear = if stated.is_multiple_of(ring.count) {
            // as many of the stated ring's differences would have to vanish by chance
            let free = (stated - ring.count) as f64;
            let chance = libm::pow(here / ring.pattern, free / 2.0);
            ring.count < stated
                && chance <= CHANCE
                && ring.pattern.sqrt() >= RIPPLE_OF_TURNS * share
                && self.left(ring.count)? <= AS_GOOD * here
        } else {
            let ripple = if ring.count.is_multiple_of(stated) {
                RIPPLE_OF_TURNS
            } else {
                RIPPLE
            };
            here >= BETTER * ring.left
                && here >= BETTER_THAN_WORST * ring.worst
                && here.sqrt() >= ripple * share
        };
        clear.then_some(ring.count)
    }
}

/// A count, with what `D` is at its multiples and elsewhere.
#[derive(Clone, Copy, Debug)]
struct Ring {
    count: usize,
    /// Geometric mean over its multiples, and the largest of them.
    left: f64,
    worst: f64,
    /// Geometric mean over all other lags.
    pattern: f64,
}

/// Number of the magnet that each node is, counted through all turns from the first node on.
fn numbers(nodes: &Nodes) -> Vec<usize> {
    let magnets = nodes.spacing.len();
    let mut before = vec![0.0; magnets];
    for m in 1..magnets {
        before[m] = before[m - 1] + nodes.spacing[m - 1];
    }
    let number = |i: usize| {
        let turn = whole((nodes.x[i] - before[nodes.magnet[i]] + 0.5).floor());
        turn * magnets + nodes.magnet[i]
    };
    let first = number(0);
    (0..nodes.x.len()).map(|i| number(i) - first).collect()
}

/// Number of magnets after which the intervals come again, if that is decidedly not the number that `nodes` were counted
/// with.
fn in_intervals(nodes: &Nodes) -> Option<usize> {
    if nodes.t.len() < LEAST_PAIRS {
        return None;
    }
    Pattern::new(nodes).other_count(nodes.spacing.len())
}

/// Refuses a number of magnets that the intervals contradict.
pub(super) fn other_count(one: &Counted) -> Option<Refusal> {
    let nodes = one.nodes.plainly.as_deref().unwrap_or(&one.nodes);
    let count = in_intervals(nodes)?;
    let named = one.nodes.spacing.len();
    let explained = || fit::fit(&one.nodes, &one.settings.train);
    // without a fit the intervals have the last word
    let doubtful = !named.is_multiple_of(count)
        && explained().is_some_and(|(fit, _)| ln_ring(&fit, named, count) < 0.0);
    let count = u32::try_from(count).expect("no more than 64 magnets are tried");
    (!doubtful).then(|| refused(&one.settings, count, Shown::Edges))
}

/// Logarithm of the Bayes factor "a ring of `count` magnets, counted as one of `stated`" against "nothing but what the
/// fit explains".
fn ln_ring(fit: &Fit, stated: usize, count: usize) -> f64 {
    ln_rival(fit, stated as f64 / count as f64)
}

/// Numbers of magnets that are asked of every record: one less than stated, and one more.
pub(super) fn neighbours(train: &Train) -> Vec<u32> {
    let counts = [train.magnets.saturating_sub(1), train.magnets + 1];
    let asked = counts.into_iter().filter(|c| is_apart(*c, train.magnets));
    asked.collect()
}

/// A ring of one count is not part of the other.
fn is_apart(count: u32, stated: u32) -> bool {
    count > 1 && !stated.is_multiple_of(count) && !count.is_multiple_of(stated)
}

/// What shows another number of magnets.
#[derive(Clone, Copy)]
pub(super) enum Shown {
    /// The intervals between edges come again after it.
    Edges,
    /// The car's own ripple comes where it would with it.
    Ripple,
}

/// The refusal of the number of magnets that the car's file states, or the person where there is none.
pub(super) fn refused(
    RollSettings { train, car, .. }: &RollSettings,
    count: u32,
    by: Shown,
) -> Refusal {
    let (named, car) = (train.magnets, car.as_ref());
    let stated = car.map_or_else(
        || "as stated".into(),
        |car| format!("that the vehicle file puts on {}", car.sensed),
    );
    let swapped = car.and_then(|car| {
        let mut others = car.sensors.iter().filter(|s| s.index != car.sensor);
        others.find(|s| s.magnets == count)
    });
    let hint = swapped.map_or_else(String::new, |other| {
        format!(
            "; {} has as many (sensor {}): are the cables swapped?",
            other.shaft, other.index
        )
    });
    let what = match by {
        Shown::Edges => "the edges come again in the same rhythm",
        Shown::Ripple => "the ripple of the shafts comes as if a turn ended",
    };
    let message = format!(
        "{what} after {count} magnets, not after the {named} {stated}: count the magnets, and look on which shaft the sensor sits{hint}"
    );
    Refusal::new("magnets_contradict", message).with(f64::from(count), f64::from(named))
}

#[cfg(test)]
mod tests {
    use super::super::super::count::count;
    use super::super::super::fixture::nodes;
    use super::*;

    fn times(magnets: usize, n: usize, seed: u64) -> Vec<f64> {
        let nodes = nodes(magnets, n, seed);
        nodes.t.iter().map(|t| t - nodes.t[0]).collect()
    }

    #[test]
    fn a_wrong_count_is_named_and_the_right_one_is_left_alone() {
        let mut named = 0;
        for magnets in [3, 4, 6, 7, 12, 16, 40] {
            for seed in 1..6 {
                let t = times(magnets, 1500, seed);
                assert_eq!(in_intervals(&count(&t, magnets)), None, "{magnets}");
                for wrong in [magnets - 1, magnets + 1] {
                    let found = in_intervals(&count(&t, wrong));
                    println!("{magnets} {seed}: {wrong} {found:?}");
                    named += usize::from(found == Some(magnets));
                }
            }
        }
        // now and then a ring is nearly even, or nearly comes again within a turn
        assert!(named >= 63, "{named} of 70");
        // twice as many as there are: six half turns that look alike are no chance
        let t = times(6, 1500, 3);
        assert_eq!(in_intervals(&count(&t, 12)), Some(6));
    }

    #[test]
    fn an_even_ring_tells_nothing() {
        let mut nodes = nodes(6, 900, 8);
        nodes.spacing = vec![1.0 / 6.0; 6];
        let mut t = 0.0;
        for i in 0..nodes.t.len() {
            nodes.t[i] = t;
            nodes.x[i] = i as f64 / 6.0;
            t += 0.01 + 2e-6 * i as f64;
        }
        for stated in [2, 3, 5, 6, 7, 12] {
            assert_eq!(in_intervals(&count(&nodes.t, stated)), None);
        }
    }

    #[test]
    fn numbers_count_through_missed_edges() {
        let mut t = times(5, 400, 9);
        t.remove(200);
        let nodes = count(&t, 5);
        let k = numbers(&nodes);
        assert_eq!((k[0], k[199], k[200], k[398]), (0, 199, 201, 399));
    }
}

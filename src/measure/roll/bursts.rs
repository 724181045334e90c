//! When a snag showed: runs of turns in which it comes often, and when it was last seen.
//!
//! Two states, quiet and showing, over the turns that could be seen. A hit (by its probability) speaks for showing, a miss
//! for quiet; a change of state costs, so that a lone hit is no burst and a lone miss does not end one. The cheapest way
//! through all turns is taken (Viterbi's recursion). Turns that could not be seen are passed over: the hand that pushes
//! neither begins nor ends a burst.

use super::finding::{Burst, Hit};

/// Share of turns that hit while the snag shows, and while it is quiet (by judgement).
const SHOWING: f64 = 0.75;
const QUIET: f64 = 0.08;
/// Chance that a turn begins or ends a burst (by judgement): two clear hits in a row are one, one is not.
const CHANGE: f64 = 0.125;
/// A turn counts as hit above this probability.
pub(super) const HIT: f64 = 0.5;
/// Logarithm of the odds from which on a snag has stopped, and most that one turn says against it.
const STOPPED: f64 = 4.0;
const SUREST: f64 = 0.999;

/// Costs (minus logarithms of likelihoods) of a turn: quiet, showing.
fn costs(hit: f64) -> [f64; 2] {
    [QUIET, SHOWING].map(|h| -(hit * libm::log(h) + (1.0 - hit) * libm::log(1.0 - h)))
}

/// State of every turn: true while the snag shows.
fn states(hits: &[Hit]) -> Vec<bool> {
    let stay = -libm::log(1.0 - CHANGE);
    let change = -libm::log(CHANGE);
    // the record begins and ends quiet
    let mut cost = [0.0, change];
    let mut from: Vec<[usize; 2]> = Vec::with_capacity(hits.len());
    for (n, hit) in hits.iter().enumerate() {
        let own = costs(hit.hit);
        if n == 0 {
            from.push([0, 1]);
            cost = [cost[0] + own[0], cost[1] + own[1]];
            continue;
        }
        let best = [0, 1].map(|to: usize| {
            let (same, other) = (cost[to] + stay, cost[1 - to] + change);
            if same <= other {
                (to, same)
            } else {
                (1 - to, other)
            }
        });
        from.push(best.map(|b| b.0));
        cost = [best[0].1 + own[0], best[1].1 + own[1]];
    }
    let mut state = usize::from(cost[1] + change < cost[0]);
    let mut shows = vec![false; hits.len()];
    for n in (0..hits.len()).rev() {
        shows[n] = state == 1;
        state = from[n][state];
    }
    shows
}

/// The bursts of a snag, in order of time.
pub(super) fn bursts(hits: &[Hit]) -> Vec<Burst> {
    let marked: Vec<(bool, &Hit)> = states(hits).into_iter().zip(hits).collect();
    let bursts = marked.chunk_by(|a, b| a.0 == b.0).filter(|c| c[0].0);
    bursts
        .map(|burst| Burst {
            start_s: burst[0].1.t_s,
            end_s: burst[burst.len() - 1].1.t_s,
            turns: burst.len() as u64,
            hits: burst.iter().filter(|(_, h)| h.hit > HIT).count() as u64,
        })
        .collect()
}

/// Time of the last turn that hit (s), and how many turns that could be seen came after it. Among hundreds of turns a few
/// look like hits by chance: where those after a hit say together that none came any more, it was the last.
pub(super) fn last_seen(hits: &[Hit]) -> Option<(f64, u64)> {
    // the rate of the same, so that turns that all hit say nothing against going on
    let hit_of = |hit: &Hit| hit.hit.min(SUREST);
    let rate = hits.iter().map(hit_of).sum::<f64>() / hits.len() as f64;
    let mut last = hits.iter().rposition(|h| h.hit > HIT)?;
    // for going on at this rate, against having stopped, of the turns after
    let (mut on, mut least) = (0.0, -STOPPED);
    for (n, hit) in hits.iter().enumerate().rev() {
        if hit.hit > HIT && on < least {
            (last, least) = (n, on);
        }
        on += libm::log((1.0 - rate) / (1.0 - hit_of(hit)));
    }
    Some((hits[last].t_s, (hits.len() - 1 - last) as u64))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn hits(pattern: &str) -> Vec<Hit> {
        let turn = |(k, c): (usize, char)| {
            let hit = match c {
                'x' => 0.95,
                '#' => 1.0,
                'o' => 0.6,
                '.' => 0.03,
                _ => return None,
            };
            Some(Hit {
                turn: k as u64,
                t_s: k as f64,
                hit,
            })
        };
        pattern.chars().enumerate().filter_map(turn).collect()
    }

    fn found(pattern: &str) -> Vec<(f64, f64, u64)> {
        let bursts = bursts(&hits(pattern));
        bursts
            .iter()
            .map(|b| (b.start_s, b.end_s, b.hits))
            .collect()
    }

    #[test]
    fn bursts_are_runs_of_hits() {
        assert_eq!(
            found("....xxxx......xx..."),
            [(4.0, 7.0, 4), (14.0, 15.0, 2)]
        );
        // a lone hit is none; a lone miss and a turn that could not be seen end none
        assert_eq!(found("...x.......x..."), []);
        assert_eq!(found("..xxx.xxx...."), [(2.0, 8.0, 6)]);
        assert_eq!(found("..xxx?xxx...."), [(2.0, 8.0, 6)]);
        assert_eq!(found("xxxxx"), [(0.0, 4.0, 5)]);
        assert_eq!(found(""), []);
    }

    /// The recursion against all ways through ten turns.
    #[test]
    fn states_are_the_cheapest_of_all_ways() {
        for pattern in ["x..xx.x...", ".x.x.x.xx.", "xx......xx", "x.xx.xxx.x"] {
            let hits = hits(pattern);
            let cost = |shows: &[bool]| {
                let mut sum = 0.0;
                let mut last = false;
                for (n, (s, h)) in shows.iter().zip(&hits).enumerate() {
                    let kept = if *s == last { 1.0 - CHANGE } else { CHANGE };
                    // quiet at the start is free
                    if n > 0 || *s {
                        sum -= libm::log(kept);
                    }
                    sum += costs(h.hit)[usize::from(*s)];
                    last = *s;
                }
                if last { sum - libm::log(CHANGE) } else { sum }
            };
            let best = (0..1u32 << hits.len())
                .map(|way| {
                    (0..hits.len())
                        .map(|n| way >> n & 1 == 1)
                        .collect::<Vec<bool>>()
                })
                .min_by(|a, b| cost(a).total_cmp(&cost(b)))
                .unwrap();
            assert!(
                (cost(&states(&hits)) - cost(&best)).abs() < 1e-12,
                "{pattern}"
            );
        }
    }

    #[test]
    fn last_seen_is_the_last_hit() {
        assert_eq!(last_seen(&hits("..x.x?...")), Some((4.0, 3)));
        assert_eq!(last_seen(&hits("....")), None);
        assert_eq!(last_seen(&[]), None);
        assert_eq!(last_seen(&hits("##########")), Some((9.0, 0)));
    }

    /// By hand: of 60 turns 11.6 hit, a rate of 0.19; against it a miss says ln(0.81/0.97) = -0.18 and the chance hit ln(0.81/0.4) =
    /// 0.70, so that 40 misses and it say 6.7 for having stopped. In the last, at a rate of 0.25, 13 misses and it say 2.8.
    #[test]
    fn a_chance_hit_long_after_the_last_is_not_the_last() {
        let stopped = "x..xx.x.x..xx.x..xx.".to_owned() + &".".repeat(34);
        assert_eq!(
            last_seen(&hits(&(stopped.clone() + "o....."))),
            Some((18.0, 41))
        );
        assert_eq!(last_seen(&hits(&(stopped + "oxx..."))), Some((56.0, 3)));
        assert_eq!(last_seen(&hits("x..xx.x.x..........o...")), Some((19.0, 3)));
    }
}

//! Fast folding of an even series at many trial periods at once.
//!
//! Staelin (1969), Proc. IEEE 57, 724: neighbouring trial periods share most of their additions, so `m` rows are folded
//! at `m` slightly different periods with `m log2(m)` additions of rows instead of `m^2`.

/// What the best phase of one trial period says.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Trial {
    /// Period, bins.
    pub period: f64,
    /// Signal-to-noise ratio of the best phase: sum of the scores over the root of the sum of their information, >= 0.
    pub z: f64,
    /// The best phase: bins from the start of the series to the start of the first bin that counts, `0..period`.
    pub phase: usize,
}

/// Folds an even series at every period from `shortest` to `2 shortest` bins.
///
/// `u[j]` and `i[j]` are score and information (>= 0, 0 where nothing is known) of bin `j`; both have the same length `n`.
/// For each whole period `p` up to `n` there are `m` trials, `m` the power of two that is not below the `n/p` rows (the last
/// may be a part of one): `p^2/(p - s/(m-1))` bins, `s = 0..m`, because a period of `p + e` bins meets a row of `p` bins only
/// every `1 + e/p` rows, so it moves by `e p/(p+e)` bins a row. Cost: about `2 shortest n log2(n/shortest)` additions.
///
/// ```
/// use feelgauge::measure::roll::blind::fold_search;
/// // one strong bin every 20.5 bins
/// let mut u = vec![0.0; 1000];
/// for k in 0..48u32 {
///     u[(41 * k / 2) as usize] = 1.0;
/// }
/// let trials = fold_search(&u, &vec![1.0; 1000], 16);
/// let best = trials.iter().max_by(|a, b| a.z.total_cmp(&b.z)).unwrap();
/// assert!((best.period - 20.5).abs() < 0.05);
/// ```
///
/// # Panics
/// Lengths that differ; `shortest` below 2.
pub fn fold_search(u: &[f64], i: &[f64], shortest: usize) -> Vec<Trial> {
    assert_eq!(u.len(), i.len(), "a score and an information for each bin");
    assert!(shortest > 1, "a period has bins to move by");
    let mut trials = Vec::new();
    let mut table = Table::default();
    let bins = bins(u, i);
    for p in shortest..2 * shortest {
        if p > u.len() {
            break;
        }
        table.load(&bins, p);
        table.fold();
        table.judge(&mut trials);
    }
    trials
}

/// Score and information of each bin in turn, in units in which the largest information is 1.
#[expect(
    clippy::cast_possible_truncation,
    reason = "rounding to single precision is what is wanted"
)]
fn bins(u: &[f64], i: &[f64]) -> Vec<f32> {
    let most = i.iter().copied().fold(0.0, f64::max);
    let unit = if most > 0.0 { most } else { 1.0 };
    let root = unit.sqrt();
    let both = u.iter().zip(i);
    both.flat_map(|(u, i)| [(u / root) as f32, (i / unit) as f32])
        .collect()
}

/// Rows that are folded together before their neighbours are looked at: they fit into the nearest cache.
const NEAR: usize = 64;

/// Rows of one whole period, and room for the next stage. Single precision: Z is wanted to a hundredth, and a long series is
/// larger than the caches.
#[derive(Default)]
struct Table {
    /// Numbers a row: score and information of each bin in turn.
    width: usize,
    /// Rows, a power of two.
    m: usize,
    /// Row-major, `m x width`.
    from: Vec<f32>,
    to: Vec<f32>,
}

impl Table {
    fn load(&mut self, bins: &[f32], p: usize) {
        self.width = 2 * p;
        self.m = bins.len().div_ceil(self.width).next_power_of_two();
        self.from.clear();
        self.from.extend_from_slice(bins);
        self.from.resize(self.m * self.width, 0.0);
        self.to.resize(self.m * self.width, 0.0);
    }

    /// Doubles the number of rows that are summed until all are: row `s` of a block holds the sum at shift `s`.
    fn fold(&mut self) {
        fold_block(&mut self.from, &mut self.to, self.width, self.m);
        if ends_in_other(self.m) {
            std::mem::swap(&mut self.from, &mut self.to);
        }
    }

    fn judge(&self, trials: &mut Vec<Trial>) {
        let steps = (self.m - 1).max(1) as f64;
        let p = self.width as f64 / 2.0;
        for (s, row) in self.from.chunks_exact(self.width).enumerate() {
            let (phase, square) = best_phase(row);
            trials.push(Trial {
                period: p * p / (p - s as f64 / steps),
                z: square.sqrt(),
                phase,
            });
        }
    }
}

/// Folds a block of `m` rows, its halves first: they stay in the cache until they are put together. Half as deep at each
/// call, so no deeper than the logarithm of the rows.
fn fold_block(from: &mut [f32], to: &mut [f32], width: usize, m: usize) {
    if m <= NEAR {
        let (mut from, mut to) = (from, to);
        let mut half = 1;
        while half < m {
            stage(from, to, width, half);
            std::mem::swap(&mut from, &mut to);
            half *= 2;
        }
        return;
    }
    let middle = m / 2 * width;
    let (from_first, from_second) = from.split_at_mut(middle);
    let (to_first, to_second) = to.split_at_mut(middle);
    fold_block(from_first, to_first, width, m / 2);
    fold_block(from_second, to_second, width, m / 2);
    if ends_in_other(m / 2) {
        stage(to, from, width, m / 2);
    } else {
        stage(from, to, width, m / 2);
    }
}

/// A block of `m` rows, a power of two, has its sums in the other table after its last stage.
fn ends_in_other(m: usize) -> bool {
    !m.ilog2().is_multiple_of(2)
}

/// One stage: blocks of `half` shifts become blocks of `2 half`.
fn stage(from: &[f32], to: &mut [f32], width: usize, half: usize) {
    let block = 2 * half * width;
    for (from, to) in from.chunks_exact(block).zip(to.chunks_exact_mut(block)) {
        let (first, second) = from.split_at(half * width);
        for (s, out) in to.chunks_exact_mut(width).enumerate() {
            let row = s / 2 * width..(s / 2 + 1) * width;
            let (a, b) = (&first[row.clone()], &second[row]);
            let turned = 2 * s.div_ceil(2) % width;
            let (head, tail) = out.split_at_mut(width - turned);
            let (a_head, a_tail) = a.split_at(width - turned);
            let (b_tail, b_head) = b.split_at(turned);
            for ((o, a), b) in head.iter_mut().zip(a_head).zip(b_head) {
                *o = a + b;
            }
            for ((o, a), b) in tail.iter_mut().zip(a_tail).zip(b_tail) {
                *o = a + b;
            }
        }
    }
}

/// The phase with the largest `u/sqrt(i)`, and that squared; 0 where nothing is above zero.
fn best_phase(row: &[f32]) -> (usize, f64) {
    let mut best = (0, 0.0);
    for (phase, bin) in row.chunks_exact(2).enumerate() {
        let (u, i) = (f64::from(bin[0].max(0.0)), f64::from(bin[1]));
        // the product avoids a quotient for all but the few that lead
        if u * u > best.1 * i && i > 0.0 {
            best = (phase, u * u / i);
        }
    }
    best
}

#[cfg(test)]
mod tests {
    use super::super::super::fixture::Random;
    use super::*;

    /// Shift of row `row` in trial `s` of `m` rows, written down from the recursion's first half and second half.
    fn shift(m: usize, s: usize, row: usize) -> usize {
        if m == 1 {
            return 0;
        }
        let half = m / 2;
        if row < half {
            shift(half, s / 2, row)
        } else {
            s.div_ceil(2) + shift(half, s / 2, row - half)
        }
    }

    /// Direct fold of one trial: every row turned by its own shift and added.
    fn direct(u: &[f64], i: &[f64], p: usize, m: usize, s: usize) -> (usize, f64) {
        let rows = u.len().div_ceil(p);
        let sum = |series: &[f64], j: usize| -> f64 {
            (0..rows)
                .map(|r| series.get(r * p + (j + shift(m, s, r)) % p).unwrap_or(&0.0))
                .sum()
        };
        let mut best = (0, 0.0);
        for j in 0..p {
            let (u, i) = (sum(u, j), sum(i, j));
            if i > 0.0 && u > 0.0 && u * u / i > best.1 {
                best = (j, u * u / i);
            }
        }
        best
    }

    #[test]
    fn every_trial_is_the_direct_fold_on_all_sizes() {
        let mut random = Random::new(3);
        for shortest in 2..7 {
            for n in (0..90).chain([700, 1025]) {
                let u: Vec<f64> = (0..n).map(|_| random.normal()).collect();
                let gap = |r: &mut Random| if r.uniform(0.0, 1.0) < 0.2 { 0.0 } else { 1.0 };
                let i: Vec<f64> = (0..n)
                    .map(|_| gap(&mut random) * random.uniform(0.5, 2.0))
                    .collect();
                let mut found = fold_search(&u, &i, shortest).into_iter();
                for p in (shortest..2 * shortest).filter(|p| n >= *p) {
                    let m = usize::div_ceil(n, p).next_power_of_two();
                    for s in 0..m {
                        let trial = found.next().unwrap();
                        let (_, square) = direct(&u, &i, p, m, s);
                        // single precision
                        assert!((trial.z - square.sqrt()).abs() < 1e-5 * (1.0 + square.sqrt()));
                        assert!((trial.period - period(p, m, s)).abs() < 1e-12);
                    }
                }
                assert!(found.next().is_none());
            }
        }
    }

    fn period(p: usize, m: usize, s: usize) -> f64 {
        let moved = s as f64 / (m as f64 - 1.0).max(1.0);
        p as f64 / (1.0 - moved / p as f64)
    }

    /// Events one period apart lie where the trial's shifts say: in the row that they fall into, moved by the row's shift,
    /// within half a bin for each doubling.
    #[test]
    fn shifts_follow_the_period() {
        for (p, m) in [(16, 2), (17, 4), (20, 16), (31, 64), (20, 256)] {
            let most = f64::from(usize::ilog2(m)) / 2.0;
            let p_bins = p as f64;
            for s in 0..m {
                let mut at = 0.0;
                while at < p_bins * m as f64 {
                    let row = super::super::super::whole(at / p_bins);
                    let place = at - row as f64 * p_bins;
                    let off = place - shift(m, s, row) as f64;
                    let around = (off + p_bins / 2.0).rem_euclid(p_bins) - p_bins / 2.0;
                    // within its row an event moves by less than a bin
                    assert!(around.abs() <= most + 1.0, "{p} {m} {s} {row}: {around}");
                    at += period(p, m, s);
                }
            }
        }
    }
}

//! Readings as they come, summed into bins of 0.05 s: the common measure of the 0.1 s means that find the end of
//! pumping and of the 0.25 s blocks that start there. One reading costs a fixed number of operations.

use std::cmp::Ordering;

use crate::reading::PressureReading;

/// Length of a bin, microseconds.
const BIN_US: u64 = 50_000;
/// Bins in a tenth of a second.
pub(super) const BINS_PER_TENTH: usize = 2;
/// Bins in a block.
pub(super) const BINS_PER_BLOCK: usize = 5;
/// Length of a bin, s.
pub(super) const BIN_S: f64 = 0.05;
/// Longest record, s: beyond it nothing is kept (a leak test takes two minutes).
pub(super) const LONGEST_S: u64 = 6 * 3600;
/// The same in bins.
pub(super) const LONGEST_BINS: usize = 6 * 3600 * 20;
/// Bins of a usual record, a minute's hold: room for them is made at once, so that none is moved when the next one comes.
const USUAL_BINS: usize = 75 * 20;
/// A pressure above this is no reading of a tank that is pumped by hand, Pa.
const ABSURD_PA: f64 = 1e6;
/// Temperatures of a tank that are believed, K.
const TANK_K: std::ops::Range<f64> = 230.0..350.0;
/// Readings farther apart than this may have a gap between them, s.
const SHORTEST_GAP_S: f64 = 0.2;
/// ... if it is also this many times their mean spacing.
const GAP_SPACINGS: f64 = 4.0;

/// Sums over a stretch of readings. Times are seconds from the middle of the stretch, pressures are
/// taken from the first of the record, so that squares keep their digits.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Sums {
    /// Readings.
    pub n: u32,
    t: f64,
    tt: f64,
    p: f64,
    pp: f64,
    tp: f64,
    /// Squared differences of successive readings, and how many.
    pub dd: f64,
    pub pairs: u32,
    /// Smallest difference that is not zero; infinite when there was none.
    pub step: f64,
    /// Highest pressure above the first of the record, Pa (minus infinity without readings), and how many readings are
    /// exactly there.
    top: f64,
    top_n: u32,
    /// Temperatures, K.
    pub tank_n: u32,
    pub tank_k: f64,
    /// How often the temperature changed from one reading to the next, the squares of these changes, K2, and the smallest, K;
    /// infinite when there was none.
    pub tank_changes: u32,
    pub tank_dd: f64,
    pub tank_step: f64,
}

impl Sums {
    fn none() -> Self {
        Self {
            step: f64::INFINITY,
            top: f64::NEG_INFINITY,
            tank_step: f64::INFINITY,
            ..Self::default()
        }
    }

    /// Adds a reading.
    fn take(&mut self, t: f64, p: f64, tank_k: Option<f64>) {
        self.n += 1;
        self.t += t;
        self.tt += t * t;
        self.p += p;
        self.pp += p * p;
        self.tp += t * p;
        self.reach(p, 1);
        if let Some(tank_k) = tank_k {
            self.tank_n += 1;
            self.tank_k += tank_k;
        }
    }

    /// Adds a change of the temperature that is not zero, K.
    fn change(&mut self, diff_k: f64) {
        self.tank_changes += 1;
        self.tank_dd += diff_k * diff_k;
        self.tank_step = self.tank_step.min(diff_k.abs());
    }

    /// Adds `n` readings at a height.
    fn reach(&mut self, p: f64, n: u32) {
        match p.total_cmp(&self.top) {
            Ordering::Less => {}
            Ordering::Equal => self.top_n += n,
            Ordering::Greater => (self.top, self.top_n) = (p, n),
        }
    }

    /// Adds the difference of a reading from the one before it.
    fn pair(&mut self, diff: f64) {
        self.dd += diff * diff;
        self.pairs += 1;
    }

    /// Adds another stretch whose middle lies `shift` seconds after the middle of this one.
    fn add(&mut self, other: &Self, shift: f64) {
        let n = f64::from(other.n);
        self.tt += other.tt + shift * (2.0 * other.t + n * shift);
        self.tp += other.tp + shift * other.p;
        self.t += other.t + n * shift;
        self.n += other.n;
        self.p += other.p;
        self.pp += other.pp;
        self.dd += other.dd;
        self.pairs += other.pairs;
        self.step = self.step.min(other.step);
        self.reach(other.top, other.top_n);
        self.tank_n += other.tank_n;
        self.tank_k += other.tank_k;
        self.tank_changes += other.tank_changes;
        self.tank_dd += other.tank_dd;
        self.tank_step = self.tank_step.min(other.tank_step);
    }

    /// Mean time from the middle, s.
    pub fn mean_t(&self) -> f64 {
        self.t / f64::from(self.n.max(1))
    }

    /// Mean pressure above the first of the record, Pa.
    pub fn mean_p(&self) -> f64 {
        self.p / f64::from(self.n.max(1))
    }

    /// Share of the readings that stand exactly at `top` (Pa above the first of the record), the highest of the record.
    pub fn share_at(&self, top: f64) -> f64 {
        let at_top = self.top.total_cmp(&top).is_eq();
        f64::from(if at_top { self.top_n } else { 0 }) / f64::from(self.n.max(1))
    }

    /// Standard deviation about the stretch's own straight line, Pa; `None` below 4 readings.
    pub fn scatter(&self) -> Option<f64> {
        if self.n < 4 {
            return None;
        }
        let n = f64::from(self.n);
        let (tt, tp, pp) = (
            self.tt - self.t * self.t / n,
            self.tp - self.t * self.p / n,
            self.pp - self.p * self.p / n,
        );
        let line = if tt > 0.0 { tp * tp / tt } else { 0.0 };
        Some(((pp - line).max(0.0) / (n - 2.0)).sqrt())
    }
}

#[derive(Clone, Copy, Debug)]
struct Bin {
    index: usize,
    sums: Sums,
    /// Difference of the first reading from the one before it.
    lead: Option<f64>,
}

impl Bin {
    /// Its start, microseconds from the first reading.
    fn start_us(&self) -> u64 {
        self.index as u64 * BIN_US
    }
}

/// Everything kept of a record.
#[derive(Clone, Debug, Default)]
pub(super) struct Samples {
    /// In the order of time; bins without readings are left out.
    bins: Vec<Bin>,
    /// Time of the first reading, microseconds, and its pressure, Pa.
    first: Option<(u64, f64)>,
    /// Time and pressure of the last one.
    last: (u64, f64),
    /// The last temperature, K.
    last_tank_k: Option<f64>,
    /// Readings taken.
    pub rows: u64,
    /// Readings that were not finite or absurd.
    pub not_finite: u64,
    /// Readings not later than the one before.
    pub backward: u64,
    /// Readings beyond the longest record.
    pub beyond: u64,
    /// Distances of readings that are long enough to be a gap, s.
    long_spacings: Vec<f64>,
}

impl Samples {
    /// Takes one reading.
    pub fn push(&mut self, reading: PressureReading) {
        let PressureReading {
            t_us, pressure_pa, ..
        } = reading;
        if pressure_pa.is_nan() || pressure_pa.abs() > ABSURD_PA {
            self.not_finite += 1;
            return;
        }
        let (origin_us, base_pa) = *self.first.get_or_insert((t_us, pressure_pa));
        if self.rows > 0 && t_us <= self.last.0 {
            self.backward += 1;
            return;
        }
        let since_us = t_us - origin_us;
        if since_us > LONGEST_S * 1_000_000 {
            self.beyond += 1;
            return;
        }
        let diff = if self.rows > 0 {
            pressure_pa - self.last.1
        } else {
            0.0
        };
        // Most readings fall into the bin of the one before.
        match self.bins.last_mut() {
            Some(bin) if since_us - bin.start_us() < BIN_US => bin.sums.pair(diff),
            _ => self.open_bin(t_us, since_us, diff),
        }
        let bin = self.bins.last_mut().expect("a bin was opened");
        let us = i32::try_from(since_us - bin.start_us()).expect("a bin is short");
        let t = f64::from(us) * 1e-6 - 0.5 * BIN_S;
        let tank_k = reading.tank_k.filter(|k| TANK_K.contains(k));
        bin.sums.take(t, pressure_pa - base_pa, tank_k);
        if let (Some(k), Some(before)) = (tank_k, self.last_tank_k)
            && (k - before).abs() > 0.0
        {
            bin.sums.change(k - before);
        }
        self.last_tank_k = tank_k.or(self.last_tank_k);
        if diff.abs() > 0.0 {
            bin.sums.step = bin.sums.step.min(diff.abs());
        }
        self.rows += 1;
        self.last = (t_us, pressure_pa);
    }

    /// Opens the bin of a reading that is the first in its own.
    fn open_bin(&mut self, t_us: u64, since_us: u64, diff: f64) {
        let index = usize::try_from(since_us / BIN_US).expect("a bin of six hours fits");
        let is_first = self.bins.is_empty();
        if is_first {
            self.bins.reserve(USUAL_BINS);
        } else {
            let spacing = (t_us - self.last.0) as f64 * 1e-6;
            if spacing > SHORTEST_GAP_S {
                self.long_spacings.push(spacing);
            }
        }
        self.bins.push(Bin {
            index,
            sums: Sums::none(),
            lead: (!is_first).then_some(diff),
        });
    }

    /// Start of the record, seconds in its own time.
    pub fn origin_s(&self) -> f64 {
        self.first.map_or(0.0, |(us, _)| us as f64 * 1e-6)
    }

    /// Pressure that all means are taken from, Pa.
    pub fn base_pa(&self) -> f64 {
        self.first.map_or(0.0, |(_, p)| p)
    }

    /// Highest reading above the first of the record, Pa; minus infinity without readings.
    pub fn top(&self) -> f64 {
        let tops = self.bins.iter().map(|bin| bin.sums.top);
        tops.fold(f64::NEG_INFINITY, f64::max)
    }

    /// From the first reading to the end of the last, s: the last one counts for one mean spacing.
    pub fn span_s(&self) -> f64 {
        let last = self.last_s();
        let spacing = last / (self.rows.max(2) - 1) as f64;
        last + spacing.min(SHORTEST_GAP_S)
    }

    /// The record up to a bin.
    pub fn until(&self, bin: usize) -> Self {
        let bins = &self.bins[..self.bins.partition_point(|b| b.index < bin)];
        let spacing_us = self.last.0.saturating_sub(self.origin_us()) / self.rows.max(2);
        let end_us = self.origin_us() + bin as u64 * BIN_US;
        Self {
            bins: bins.to_vec(),
            last: (
                self.last.0.min(end_us.saturating_sub(spacing_us)),
                self.last.1,
            ),
            rows: bins.iter().map(|b| u64::from(b.sums.n)).sum(),
            long_spacings: self.long_spacings.clone(),
            ..*self
        }
    }

    fn origin_us(&self) -> u64 {
        self.first.map_or(0, |(us, _)| us)
    }

    fn last_s(&self) -> f64 {
        self.first
            .map_or(0.0, |(us, _)| (self.last.0 - us) as f64 * 1e-6)
    }

    /// Places where readings are missing.
    pub fn gaps(&self) -> u64 {
        let spacing = self.last_s() / (self.rows.max(2) - 1) as f64;
        self.long_spacings
            .iter()
            .filter(|s| **s > GAP_SPACINGS * spacing)
            .count() as u64
    }

    /// Means over 0.1 s from the first reading on, Pa; where there is no reading, a straight line between its neighbours.
    pub fn tenths(&self) -> Vec<f64> {
        let last = self.bins.last().map_or(0, |b| b.index / BINS_PER_TENTH);
        let mut means: Vec<f64> = Vec::with_capacity(last + 1);
        let (mut n, mut p) = (0, 0.0);
        let mut at = 0;
        let close = |means: &mut Vec<f64>, mean_p: f64, at: usize| {
            let value = self.base_pa() + mean_p;
            let (from, filled) = (means.last().copied().unwrap_or(value), means.len());
            for i in filled..=at {
                let share = (i + 1 - filled) as f64 / (at + 1 - filled) as f64;
                means.push(from + (value - from) * share);
            }
        };
        for bin in &self.bins {
            let tenth = bin.index / BINS_PER_TENTH;
            if tenth != at {
                close(&mut means, p / f64::from(n), at);
                (n, p, at) = (0, 0.0, tenth);
            }
            n += bin.sums.n;
            p += bin.sums.p;
        }
        if n > 0 {
            close(&mut means, p / f64::from(n), at);
        }
        means
    }

    /// Sums over blocks of 0.25 s, from the bin `from` on, `count` of them.
    pub fn blocks(&self, from: usize, count: usize) -> Vec<Sums> {
        let mut blocks = vec![Sums::none(); count];
        let mut within: Option<usize> = None;
        for bin in &self.bins {
            let Some(offset) = bin.index.checked_sub(from) else {
                continue;
            };
            let Some(block) = blocks.get_mut(offset / BINS_PER_BLOCK) else {
                break;
            };
            let place = (offset % BINS_PER_BLOCK) as f64;
            block.add(&bin.sums, (place - 2.0) * BIN_S);
            // The difference across two bins counts when both lie in one block.
            if let (Some(diff), true) = (bin.lead, within == Some(offset / BINS_PER_BLOCK)) {
                block.pair(diff);
            }
            within = Some(offset / BINS_PER_BLOCK);
        }
        blocks
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn reading(t_us: u64, pressure_pa: f64) -> PressureReading {
        PressureReading {
            t_us,
            pressure_pa,
            tank_k: None,
        }
    }

    fn samples(rows: impl IntoIterator<Item = (u64, f64)>) -> Samples {
        let mut samples = Samples::default();
        for (t_us, p) in rows {
            samples.push(reading(t_us, p));
        }
        samples
    }

    /// The sums over bins against means, differences and lines taken from the readings themselves.
    #[test]
    fn blocks_are_those_of_the_readings() {
        let p = |i: u64| 101_325.0 + libm::sin(i as f64) * 3.0 + i as f64 * 0.7;
        let s = samples((0..100).map(|i| (5_000_000 + i * 10_000, p(i))));
        let blocks = s.blocks(2, 3);
        let values: Vec<f64> = (35..60).map(p).collect();
        let mean = values.iter().sum::<f64>() / 25.0;
        let dd: f64 = values
            .windows(2)
            .map(|w| (w[1] - w[0]) * (w[1] - w[0]))
            .sum();
        assert_eq!((blocks[1].n, blocks[1].pairs), (25, 24));
        assert!((blocks[1].mean_p() + s.base_pa() - mean).abs() < 1e-9);
        assert!((blocks[1].dd - dd).abs() < 1e-9 * dd);
        assert!((blocks[1].mean_t() + 0.005).abs() < 1e-12);
        let line_sd = {
            let t: Vec<f64> = (0..25).map(|i| f64::from(i) - 12.0).collect();
            let tt: f64 = t.iter().map(|t| t * t).sum();
            let slope = t.iter().zip(&values).map(|(t, v)| t * v).sum::<f64>() / tt;
            let ss: f64 = t
                .iter()
                .zip(&values)
                .map(|(t, v)| (v - mean - slope * t) * (v - mean - slope * t))
                .sum();
            (ss / 23.0).sqrt()
        };
        assert!((blocks[1].scatter().unwrap() - line_sd).abs() < 1e-7 * line_sd);
    }

    /// At 10 readings a second most bins are empty; the readings of a block are neighbours all the same.
    #[test]
    fn slow_readings_have_differences_too() {
        let p = |i: u64| libm::sin(i as f64) * 3.0;
        let s = samples((0..50).map(|i| (i * 100_000, p(i))));
        for (i, block) in (0..).zip(s.blocks(0, 4)) {
            let inside: Vec<u64> = (0..50).filter(|k| k * 10 / 25 == i).collect();
            let steps = inside.windows(2).map(|w| p(w[1]) - p(w[0]));
            let dd: f64 = steps.map(|step| step * step).sum();
            assert_eq!(u64::from(block.pairs), inside.len() as u64 - 1);
            assert!((block.dd - dd).abs() < 1e-9 * dd, "block {i}");
        }
    }

    #[test]
    fn tenths_bridge_what_is_missing() {
        let s = samples([(0, 1.0), (50_000, 3.0), (100_000, 4.0), (420_000, 10.0)]);
        assert_eq!(s.tenths(), [2.0, 4.0, 6.0, 8.0, 10.0]);
        assert_eq!(s.gaps(), 0, "spacings of 0.05 to 0.32 s are all alike");
    }

    #[test]
    fn bad_readings_are_counted_and_left_out() {
        let s = samples([
            (10, 1.0),
            (10, 2.0),
            (5, 2.0),
            (20, f64::NAN),
            (30, f64::INFINITY),
            (40, -2e6),
            (u64::MAX, 1.0),
            (50, 2.0),
        ]);
        assert_eq!((s.rows, s.backward, s.not_finite, s.beyond), (2, 2, 3, 1));
    }

    #[test]
    fn a_gap_is_a_gap() {
        let s = samples(
            (0..200)
                .filter(|i| !(50..90).contains(i))
                .map(|i| (i * 10_000, 1.0)),
        );
        assert_eq!(s.gaps(), 1);
        assert_eq!(samples((0..100).map(|i| (i * 500_000, 1.0))).gaps(), 0);
        assert_eq!(Samples::default().gaps(), 0);
    }
}

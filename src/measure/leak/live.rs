//! While the record still runs: where its hold stands, whether the gas has settled to the eye, and a first finding.
//!
//! The end of pumping, the blocks and the fit are those of [`Leak::finish`]: what is seen live is what is found in the end.

use super::blocks::{Blocks, Noise, SKIPPED};
use super::hold::AMBIENT_TENTHS;
use super::knocks;
use super::samples::{BIN_S, BINS_PER_BLOCK};
use super::stats::median;
use super::{BINS_PER_TENTH, Leak, LeakFinding, Least, sealed};
use crate::reading::Quality;

/// Length of a step of the settling, s.
pub const SETTLE_STEP_S: f64 = 3.0;
/// Blocks in a step.
const STEP_BLOCKS: usize = 12;
/// Steps that are kept: two minutes.
const MOST_STEPS: usize = 40;
/// Blocks whose mean is the pressure between two steps.
const BETWEEN: usize = 2;
/// Two steps are alike when they differ by no more than this many standard deviations of their difference ...
const ALIKE_SDS: f64 = 2.0;
/// ... or by this part of the last one: a leak of its own loses less with every step too, and where the settling is a tenth
/// of the leak it no longer misleads the eye (the measure's `settled_at_s` asks the same).
const ALIKE_SHARE: f64 = 0.1;

/// Where a running record stands.
#[derive(Clone, Debug, PartialEq)]
pub struct Standing {
    /// Level of the open tank, Pa: what is taken off a reading to show gauge pressure.
    pub tare_pa: f64,
    /// The last hold; `None` before anything was pumped up.
    pub hold: Option<HoldSoFar>,
}

/// The hold of a running record.
#[derive(Clone, Debug, PartialEq)]
pub struct HoldSoFar {
    /// End of pumping, seconds in the record's own time.
    pub start_s: f64,
    /// From there to the newest reading, s.
    pub hold_s: f64,
    /// The pressure was let off, or fell by 0.3 of its top within a second.
    pub is_let_off: bool,
    /// What was lost in each step, earliest first.
    pub settling: Settling,
}

/// The settling of a hold in steps of [`SETTLE_STEP_S`]: the pressure between two steps is the mean of the half second
/// around (at the start: behind) it.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Settling {
    /// Pressure lost in each step, Pa.
    pub lost_pa: Vec<f64>,
    /// By how much two neighbouring steps may differ and count as alike, Pa: one entry a step, from the second on.
    pub alike_pa: Vec<f64>,
}

impl Settling {
    /// The level rule: the last two steps are alike, and so were the two before them. Alike are steps that differ by no more
    /// than twice the standard deviation that noise, draughts and the sensor's random walk give their difference, or by a
    /// tenth of the last one.
    ///
    /// Against the true settling of 60 simulated tanks (the slope left is a tenth of the leak's, or its uncertainty): level is
    /// said 2.3 s before it (median; 5 to 95 %: 16 s before to 8 s behind); one pair alone would say it 6 s before.
    pub fn is_level(&self) -> bool {
        let pairs = self.lost_pa.windows(2).zip(&self.alike_pa);
        let mut last = pairs.rev().take(2).map(is_alike);
        last.next() == Some(true) && last.next() == Some(true)
    }

    /// About how much longer it takes until it is level, s: the differences of the steps shrink on by the factor they shrank
    /// by. `None` when it is, with fewer than three steps, and when they do not shrink.
    pub fn more_s(&self) -> Option<f64> {
        let [.., first, second, third] = self.lost_pa[..] else {
            return None;
        };
        let alike = *self.alike_pa.last()?;
        let (before, last) = (first - second, second - third);
        if self.is_level() {
            return None;
        }
        if last.abs() <= alike {
            return Some(SETTLE_STEP_S);
        }
        let shrinks = last / before;
        if !(last > 0.0 && shrinks > 0.0 && shrinks < 1.0) {
            return None;
        }
        let steps = libm::log(alike / last) / libm::log(shrinks);
        let more_s = SETTLE_STEP_S * (steps.ceil() + 1.0);
        (more_s <= SETTLE_STEP_S * MOST_STEPS as f64).then_some(more_s)
    }

    fn of(blocks: &Blocks) -> Self {
        let whole = (blocks.len().saturating_sub(BETWEEN / 2) / STEP_BLOCKS).min(MOST_STEPS);
        let around = |step: usize| {
            let from = (step * STEP_BLOCKS).saturating_sub(BETWEEN / 2);
            let near = &blocks.y[from..(from + BETWEEN).min(blocks.len())];
            near.iter().sum::<f64>() / near.len() as f64
        };
        let between: Vec<f64> = if whole == 0 {
            Vec::new()
        } else {
            (0..=whole).map(around).collect()
        };
        let lost_pa: Vec<f64> = between.windows(2).map(|w| w[0] - w[1]).collect();
        let sd = sd_of_unlike(&blocks.noise(SKIPPED));
        let alike = |lost: &f64| (ALIKE_SDS * sd).max(ALIKE_SHARE * lost.abs());
        Self {
            alike_pa: lost_pa.iter().skip(1).map(alike).collect(),
            lost_pa,
        }
    }
}

fn is_alike((two, alike_pa): (&[f64], &f64)) -> bool {
    (two[0] - two[1]).abs() <= *alike_pa
}

/// Standard deviation of the difference of two neighbouring steps, which is a second difference of pressures
/// [`SETTLE_STEP_S`] apart, each the mean of two blocks: white noise 6/2, slow noise `6 - 8 r + 2 r^2` with its correlation
/// `r` over a step, random walk twice the step.
fn sd_of_unlike(noise: &Noise) -> f64 {
    let r = libm::exp(-SETTLE_STEP_S / noise.slow_s);
    let white = noise.white_pa * noise.white_pa * 6.0 / BETWEEN as f64;
    let slow = noise.slow_pa * noise.slow_pa * (6.0 - 8.0 * r + 2.0 * r * r);
    let walk = noise.walk_pa * noise.walk_pa * 2.0 * SETTLE_STEP_S;
    (white + slow + walk).sqrt()
}

impl Leak {
    /// Where the record stands. Costs some tenths of a millisecond: ask a few times a second, not with every reading.
    pub fn standing(&self) -> Standing {
        let tenths = self.samples.tenths();
        let Ok(hold) = self.locate(&tenths) else {
            let open = &tenths[..tenths.len().min(AMBIENT_TENTHS)];
            return Standing {
                tare_pa: median(open),
                hold: None,
            };
        };
        let start_s = hold.start_tenth as f64 * BINS_PER_TENTH as f64 * BIN_S;
        let hold_s = (self.samples.span_s() - start_s).max(0.0);
        let whole_blocks = sealed::bin_at(hold_s / BINS_PER_BLOCK as f64);
        let sums = self
            .samples
            .blocks(hold.start_tenth * BINS_PER_TENTH, whole_blocks);
        let blocks = Blocks::new(&sums, self.samples.base_pa() - hold.tare_pa);
        Standing {
            tare_pa: hold.tare_pa,
            hold: Some(HoldSoFar {
                start_s: self.samples.origin_s() + start_s,
                hold_s,
                is_let_off: knocks::release(&blocks, hold.top_pa).is_some(),
                settling: Settling::of(&blocks),
            }),
        }
    }

    /// As [`Leak::finish`], but from 5 s of hold on instead of 20: for the eye, until there is more. From 20 s on it is the
    /// same finding.
    pub fn first_look(mut self, quality: Quality) -> LeakFinding {
        self.least = Least::FOR_THE_EYE;
        self.finish(quality)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn settling(lost_pa: &[f64], alike_pa: f64) -> Settling {
        Settling {
            lost_pa: lost_pa.to_vec(),
            alike_pa: vec![alike_pa; lost_pa.len().saturating_sub(1)],
        }
    }

    #[test]
    fn level_needs_two_pairs_that_are_alike() {
        assert!(!settling(&[], 1.0).is_level() && !settling(&[5.0, 5.0], 1.0).is_level());
        assert!(settling(&[9.0, 5.0, 4.5, 4.0], 1.0).is_level());
        assert!(!settling(&[9.0, 6.0, 4.5, 4.0], 1.0).is_level());
        assert!(!settling(&[4.0, 4.0, 4.0, 6.0], 1.0).is_level());
    }

    /// Differences 64, 32: they halve, so 16, 8, 4 follow: alike within 5 after three steps, level one later.
    #[test]
    fn what_is_left_of_the_settling_is_foreseen() {
        let more = settling(&[164.0, 100.0, 68.0], 5.0).more_s();
        assert!((more.unwrap() - 12.0).abs() < 1e-9, "{more:?}");
        assert_eq!(settling(&[100.0, 68.0], 5.0).more_s(), None);
        assert_eq!(
            settling(&[100.0, 68.0, 20.0], 5.0).more_s(),
            None,
            "it grows"
        );
        assert_eq!(settling(&[100.0, 68.0, 66.0], 5.0).more_s(), Some(3.0));
        assert_eq!(settling(&[68.0, 67.0, 66.0], 5.0).more_s(), None, "level");
        assert_eq!(settling(&[0.0; 5], 0.0).more_s(), None);
    }
}

//! Knocks on the bench or the tank: blocks that scatter or jump, masked and given a step of their own.

use super::blocks::{Blocks, Noise, SKIPPED};
use super::stats::{mad, median, running_mean, running_median, window};
use crate::reading::Refusal;

/// Knocks are looked for after this, s: before it the gas itself falls fast.
const FROM_S: f64 = 3.0;
/// More knocks than this: nobody let the tank rest.
const MOST: usize = 6;
/// Hits with at most this many blocks between them are one knock.
const JOIN: usize = 3;
/// A jump is this many times its usual size.
const JUMP: f64 = 7.0;
const MAD_TO_SD: f64 = 1.4826;
/// Differences of block means around one that tell its trend and its usual size.
const NEARBY: usize = 31;
/// Counts of a converter that is not dithered by which a mean may jump, and a block scatter, by itself.
const STANDING_JUMP: f64 = 1.5;
const STANDING_SCATTER: f64 = 1.0;
/// Least excess of a block's scatter, Pa: without noise the settling gas alone bends a block by 0.2 Pa.
const LEAST_SCATTER_PA: f64 = 1.0;
/// A fall by this part of the first pressure within a second is no leak: somebody let the pressure off.
const RELEASED: f64 = 0.3;

/// Blocks to leave out and blocks at which a step begins.
#[derive(Clone, Debug, Default, PartialEq)]
pub(super) struct Knocks {
    /// Ranges of masked blocks, in order, not overlapping.
    pub masked: Vec<std::ops::Range<usize>>,
}

impl Knocks {
    /// Finds the knocks of a hold.
    pub fn find(blocks: &Blocks, noise: &Noise) -> Result<Self, Refusal> {
        let n = blocks.len();
        let mut hits = vec![false; n];
        scatter_hits(blocks, &mut hits);
        jump_hits(blocks, noise, &mut hits);
        let mut masked: Vec<std::ops::Range<usize>> = Vec::new();
        for i in (0..n).filter(|i| hits[*i] && blocks.t[*i] > FROM_S) {
            match masked.last_mut() {
                // A range holds its hits; the margin of one block is added below.
                Some(last) if i - last.end <= JOIN => last.end = i + 1,
                _ => masked.push(i..i + 1),
            }
        }
        if masked.len() > MOST {
            return Err(Refusal::new(
                "disturbed",
                "the tank was knocked or handled again and again during the hold; put it down, touch nothing, repeat",
            )
            .with(masked.len() as f64, MOST as f64));
        }
        for range in &mut masked {
            *range = range.start.saturating_sub(1)..(range.end + 1).min(n);
        }
        Ok(Self { masked })
    }
}

fn scatter_hits(blocks: &Blocks, hits: &mut [bool]) {
    let known: Vec<f64> = blocks.scatter[SKIPPED.min(blocks.len())..]
        .iter()
        .filter_map(|s| *s)
        .collect();
    let usual = median(&known);
    let floor = if blocks.is_dithered() {
        0.0
    } else {
        STANDING_SCATTER * blocks.step_pa
    };
    let excess = (10.0 * mad(&known)).max(0.6 * usual).max(LEAST_SCATTER_PA);
    let limit = (usual + excess).max(floor);
    for (hit, scatter) in hits.iter_mut().zip(&blocks.scatter) {
        *hit |= scatter.is_some_and(|s| s > limit);
    }
}

fn jump_hits(blocks: &Blocks, noise: &Noise, hits: &mut [bool]) {
    let y = &blocks.y[SKIPPED.min(blocks.len())..];
    let d: Vec<f64> = y.windows(2).map(|w| w[1] - w[0]).collect();
    let trend = running_median(&d, NEARBY);
    let d: Vec<f64> = d.iter().zip(&trend).map(|(d, m)| d - m).collect();
    let floor = if blocks.is_dithered() {
        0.0
    } else {
        STANDING_JUMP * blocks.step_pa
    };
    // A jump must not pull the means around it along: they would be taken for jumps themselves.
    let jumps = over(&d, noise, floor);
    let calm: Vec<f64> = d
        .iter()
        .zip(&jumps)
        .map(|(d, jump)| if *jump { 0.0 } else { *d })
        .collect();
    let level: Vec<f64> = d
        .iter()
        .zip(running_mean(&calm, 13))
        .map(|(d, mean)| d - mean.unwrap_or(0.0))
        .collect();
    for (i, jump) in over(&level, noise, floor).into_iter().enumerate() {
        // d[i] leads to the block after it.
        hits[SKIPPED + i + 1] |= jump;
    }
}

/// Which differences are jumps: many times the usual size, over all and nearby (looked at only where it matters).
fn over(d: &[f64], noise: &Noise, floor: f64) -> Vec<bool> {
    let size: Vec<f64> = d.iter().map(|d| d.abs()).collect();
    let overall = MAD_TO_SD * median(&size) + 0.5 * noise.white_pa + 0.3;
    let least = (JUMP * overall).max(floor);
    let nearby = |i: usize| JUMP * MAD_TO_SD * median(window(&size, i, NEARBY));
    (0..size.len())
        .map(|i| size[i] > least && size[i] > nearby(i))
        .collect()
}

/// First block of a release of the pressure, if somebody let it off before the record ended.
pub(super) fn release(blocks: &Blocks, p0_pa: f64) -> Option<usize> {
    (0..blocks.len())
        .filter(|i| blocks.t[*i] > FROM_S)
        .find(|i| {
            let ahead = (i + 4).min(blocks.len() - 1);
            blocks.y[*i] - blocks.y[ahead] > RELEASED * p0_pa
        })
}

#[cfg(test)]
mod tests {
    use super::super::samples::Samples;
    use super::*;
    use crate::physics::noise::Noise as Random;
    use crate::reading::PressureReading;

    /// 60 s of a settling tank with noise; `extra` is added.
    fn hold(extra: impl Fn(f64) -> f64) -> Blocks {
        let mut samples = Samples::default();
        let mut random = Random::new(3, 0);
        for i in 0..6000u64 {
            let t = i as f64 * 0.01;
            samples.push(PressureReading {
                t_us: i * 10_000,
                pressure_pa: 15e3 - 3.0 * t
                    + 1500.0 * libm::exp(-t / 1.6)
                    + 2.0 * random.normal()
                    + extra(t),
                tank_k: None,
            });
        }
        Blocks::new(&samples.blocks(0, 240), samples.base_pa())
    }

    fn masked(b: &Blocks) -> Vec<std::ops::Range<usize>> {
        Knocks::find(b, &b.noise(SKIPPED)).unwrap().masked
    }

    #[test]
    fn a_quiet_hold_has_no_knocks() {
        assert!(masked(&hold(|_| 0.0)).is_empty());
    }

    #[test]
    fn a_pulse_and_a_step_are_masked_with_their_neighbours() {
        let pulse = |t: f64| {
            if (20.05..20.15).contains(&t) {
                240.0
            } else {
                0.0
            }
        };
        // 20.05..20.15 s lies in block 80
        let found = masked(&hold(pulse));
        assert_eq!(found.len(), 1);
        assert!(found[0].start <= 79 && found[0].end >= 82, "{found:?}");
        let found = masked(&hold(|t| if t > 40.0 { 25.0 } else { 0.0 }));
        assert_eq!((found.len(), found[0].start, found[0].end), (1, 159, 162));
    }

    #[test]
    fn two_close_hits_are_one_knock_and_seven_are_too_many() {
        let close = hold(|t| {
            if (20.0..20.1).contains(&t) || (20.9..21.0).contains(&t) {
                200.0
            } else {
                0.0
            }
        });
        assert_eq!(masked(&close).len(), 1);
        let many = hold(|t| if t % 7.0 > 6.9 { 200.0 } else { 0.0 });
        let refusal = Knocks::find(&many, &many.noise(SKIPPED)).unwrap_err();
        assert_eq!(
            (refusal.code.as_str(), refusal.value),
            ("disturbed", Some(8.0))
        );
    }

    #[test]
    fn letting_the_pressure_off_is_no_leak() {
        let b = hold(|t| {
            if t > 50.0 {
                -15e3 * (1.0 - libm::exp(-(t - 50.0) / 0.3))
            } else {
                0.0
            }
        });
        let at = release(&b, 15e3).unwrap();
        assert!((196..=200).contains(&at), "{at}");
        assert_eq!(release(&hold(|_| 0.0), 15e3), None);
    }
}

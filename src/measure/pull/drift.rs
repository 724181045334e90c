//! A zero that drifts while the session goes on: seen in the quiet stretches before the pulls, taken off again.
//!
//! Set on 40 sessions of drawn engines at 80 to 1000 readings a second; on 80 fresh ones at each of five probes, plug in and
//! out, no honest session is said to drift (0 of 800), a drift of 5 N always (400 of 400), one of 2 N in four of five.

use super::finding::{PullFinding, PullReport};
use super::segment::median;
use super::session::MIN_PULLS;
use crate::reading::{Estimate, Z95};
use crate::units::STANDARD_GRAVITY;

/// Levels of the handle hanging free, N.
#[derive(Clone, Debug, Default)]
pub(super) struct Levels {
    /// Of the first quiet block.
    pub(super) first_n: f64,
    /// Before each pull that is reported.
    pub(super) before_n: Vec<f64>,
    /// Which of the pulls are usable, by index.
    pub(super) usable: Vec<usize>,
    /// Of the last quiet block.
    pub(super) last_n: f64,
    /// Time of the last reading, s.
    pub(super) last_s: f64,
}

/// Half a session against the other: a zero that moved by less is not told from a hand on the handle, N.
const MOVED_N: f64 = 1.0;
/// Nor by less than this share of the peaks.
const MOVED_SHARE: f64 = 0.02;
/// Nor by less than so many times the noise.
const MOVED_NOISE: f64 = 6.0;
/// From beginning to end in a session of one or two pulls: more than the recoil spring holds against a hand, N.
const MOVED_FEW_N: f64 = 5.0;

impl Levels {
    /// The zero drifted: the levels of the session's second half lie apart from those of its first. Medians, for a hand may
    /// rest on the handle before a pull or two.
    pub(super) fn drifted(&self, peak_n: f64, noise_n: f64) -> bool {
        let mut all = vec![self.first_n];
        all.extend(&self.before_n);
        all.push(self.last_n);
        let half = all.len() / 2;
        let late = all.len() - half;
        let moved = median(&mut all[late..]) - median(&mut all[..half]);
        let few = self.before_n.len() < MIN_PULLS;
        let least = if few { MOVED_FEW_N } else { MOVED_N };
        moved.abs() > least.max(MOVED_SHARE * peak_n).max(MOVED_NOISE * noise_n)
    }

    /// Takes off each pull what the zero had moved up to its middle: as far as its level before, and on at the rate at which
    /// it reached the next. Half of that last way is what is left unknown, and more than the age of the level before.
    pub(super) fn take_off(&self, finding: &mut PullFinding, mass_kg: Option<f64>) {
        let starts: Vec<f64> = finding.pulls.iter().map(|p| p.start_s).collect();
        let next = self.before_n.iter().zip(&starts).skip(1);
        let next = next.chain([(&self.last_n, &self.last_s)]);
        let mut moved = Vec::new();
        for ((pull, before), (level, at)) in finding.pulls.iter_mut().zip(&self.before_n).zip(next)
        {
            let rate = (level - before) / (at - pull.start_s).max(f64::MIN_POSITIVE);
            let way = rate * (pull.end_s - pull.start_s);
            let moved_n = before - self.first_n + 0.5 * way;
            moved.push(moved_n);
            shift(pull, moved_n, way.abs() / 3.0_f64.sqrt());
            if let Some(mass_kg) = mass_kg {
                let weight_n = mass_kg * STANDARD_GRAVITY;
                pull.lift_ratio = pull.peak_n.map(|peak| peak.scaled(1.0 / weight_n));
            }
        }
        for (one, pull) in finding.usable.iter_mut().zip(&self.usable) {
            let left_n = libm::exp(one.ln_peak) - moved[*pull];
            if left_n > 0.0 {
                one.ln_peak = libm::log(left_n);
            }
        }
    }
}

fn shift(pull: &mut PullReport, moved_n: f64, u_n: f64) {
    let strokes = pull.strokes.iter_mut().map(|s| &mut s.peak_n);
    for force in strokes.chain([&mut pull.peak_n]) {
        *force = force.map(|e| Estimate {
            value: e.value - moved_n,
            u: libm::hypot(e.u, u_n),
            lo95: e.value - moved_n - libm::hypot(e.value - e.lo95, Z95 * u_n),
            hi95: e.value - moved_n + libm::hypot(e.hi95 - e.value, Z95 * u_n),
        });
    }
}

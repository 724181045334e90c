//! Several pulls at one cadence: the peak depends on the speed, so speed is taken out with a slope that is
//! half known beforehand.

use statrs::distribution::{ContinuousCDF, StudentsT};

use super::finding::{PullReport, Session, UsablePull};
use crate::reading::{Contribution, Estimate, Z95, budget};

/// Prior of d ln(peak)/d ln(cadence), set on simulated engines.
pub const SLOPE: f64 = 0.45;
/// Standard deviation of the slope between engines.
pub const SLOPE_SD: f64 = 0.20;
/// Usual scatter of ln(peak) at one cadence.
pub const SCATTER: f64 = 0.035;
/// Pulls that the usual scatter counts for.
pub const SCATTER_DOF: f64 = 4.0;
/// The same engine on another day, share of the peak (assumed).
pub const DAY: f64 = 0.02;
/// Usable pulls that a session needs.
pub const MIN_PULLS: usize = 3;

/// Quantile of Student's t.
pub fn t_quantile(probability: f64, dof: f64) -> f64 {
    StudentsT::new(0.0, 1.0, dof)
        .expect("positive degrees of freedom")
        .inverse_cdf(probability)
}

/// Two-sided 95 % quantile of Student's t.
pub fn t95(dof: f64) -> f64 {
    t_quantile(0.975, dof)
}

/// Brings usable pulls to their mean cadence; none with fewer than three. `gain_u` is the relative standard uncertainty that
/// all readings share.
pub fn session(pulls: &[UsablePull], gain_u: f64) -> Option<Session> {
    if pulls.len() < MIN_PULLS {
        return None;
    }
    let n = pulls.len() as f64;
    let mean = |f: fn(&UsablePull) -> f64| pulls.iter().map(f).sum::<f64>() / n;
    let (x, p) = (mean(|u| u.ln_cadence), mean(|u| u.ln_peak));
    let deviations = || pulls.iter().map(|u| (u.ln_cadence - x, u.ln_peak - p));
    let sxx: f64 = deviations().map(|(dx, _)| dx * dx).sum();
    let sxy: f64 = deviations().map(|(dx, dp)| dx * dp).sum();
    let prior = SLOPE_SD * SLOPE_SD;
    let usual = SCATTER * SCATTER;
    let slope = (sxy / usual + SLOPE / prior) / (sxx / usual + 1.0 / prior);
    let square = |(dx, dp): (f64, f64)| (dp - slope * dx) * (dp - slope * dx);
    let dof = n - 2.0 + SCATTER_DOF;
    let s2 = (deviations().map(square).sum::<f64>() + SCATTER_DOF * usual) / dof;
    let (peak, cadence) = (libm::exp(p), libm::exp(x));
    let own = (s2 / n + DAY * DAY).sqrt();
    let u = libm::hypot(own, gain_u);
    let reach = libm::hypot(t95(dof) * own, Z95 * gain_u);
    let u_cadences = pulls.iter().map(|p| p.u_ln_cadence * p.u_ln_cadence);
    let u_cadence = cadence * u_cadences.sum::<f64>().sqrt() / n;
    Some(Session {
        pulls: pulls.len(),
        cadence_hz: Estimate::normal(cadence, u_cadence),
        peak_at_cadence_n: Estimate {
            value: peak,
            u: peak * u,
            lo95: peak * libm::exp(-reach),
            hi95: peak * libm::exp(reach),
        },
        slope,
    })
}

/// Mean lift ratio and what its uncertainty is made of.
#[derive(Clone, Debug, PartialEq)]
pub struct MeanLiftRatio {
    /// The mean.
    pub estimate: Estimate,
    /// Contributions, largest first; their squares add up to the square of the estimate's `u`.
    pub budget: Vec<Contribution>,
}

/// Mean of the lift ratios of usable pulls, from three on: the spread averages down, what each pull's peak does not know
/// (bluntness, gain) is shared by all and does not. `pulls` are without the gain's uncertainty `gain_u` (relative);
/// `noise_u` is the readings' noise in one peak, in units of the lift ratio.
pub fn mean_lift_ratio(pulls: &[PullReport], gain_u: f64, noise_u: f64) -> Option<MeanLiftRatio> {
    mean_of(&of_usable(pulls, |p| p.lift_ratio), gain_u, noise_u)
}

/// The same of the peaks, N; `noise_n` is the readings' noise in one.
pub fn mean_peak(pulls: &[PullReport], gain_u: f64, noise_n: f64) -> Option<Estimate> {
    mean_of(&of_usable(pulls, |p| p.peak_n), gain_u, noise_n).map(|mean| mean.estimate)
}

fn of_usable(pulls: &[PullReport], of: impl Fn(&PullReport) -> Option<Estimate>) -> Vec<Estimate> {
    let usable = pulls.iter().filter(|p| p.cadence_hz.is_some());
    usable.filter_map(of).collect()
}

fn mean_of(ratios: &[Estimate], gain_u: f64, noise_u: f64) -> Option<MeanLiftRatio> {
    if ratios.len() < MIN_PULLS {
        return None;
    }
    let n = ratios.len() as f64;
    let value = ratios.iter().map(|r| r.value).sum::<f64>() / n;
    let variance = ratios
        .iter()
        .map(|r| (r.value - value) * (r.value - value))
        .sum::<f64>()
        / (n - 1.0);
    let of_mean = (variance / n).sqrt();
    let spread = t95(n - 1.0) * of_mean;
    let shared = ratios.iter().map(|r| r.u).sum::<f64>() / n;
    let gain = value.abs() * gain_u;
    // A peak may lie well above its reading when the converter is slow: keep that side's reach.
    let reach = |side: fn(&Estimate) -> f64| {
        let own = (ratios.iter().map(side).sum::<f64>() / n).max(Z95 * shared);
        (spread * spread + own * own + Z95 * gain * Z95 * gain).sqrt()
    };
    // Every peak's own u holds the noise, so their mean is no smaller.
    let noise = noise_u.min(shared);
    let reading = ((shared - noise) * (shared + noise)).sqrt();
    Some(MeanLiftRatio {
        estimate: Estimate {
            value,
            u: (of_mean * of_mean + shared * shared + gain * gain).sqrt(),
            lo95: value - reach(|r| r.value - r.lo95),
            hi95: value + reach(|r| r.hi95 - r.value),
        },
        budget: budget(&[
            ("scatter_of_pulls", of_mean),
            ("peak_reading", reading),
            ("noise", noise),
            ("calibration", gain),
        ]),
    })
}

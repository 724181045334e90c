//! Plug in less plug out: what compression alone takes. With the plug out there is no stroke to find: the highest force of a
//! pull is friction, spring and the mass that is set in motion.

use schemars::JsonSchema;
use serde::Serialize;

use super::compare::{record_refusals, speed_refusal};
use super::finding::{PullFinding, PullReport, UsablePull};
use super::segment::median;
use super::session::{MIN_PULLS, session, t95};
use super::widened;
use crate::reading::{Contribution, Estimate, Quality, Refusal, SOFTWARE, Z95, budget};

/// Standard deviation of a median over that of a mean, of many normal values (for fewer it is smaller).
const MEDIAN_OVER_MEAN: f64 = 1.253_314_137_315_5;

/// Force of a pull with the plug in, without it, and the difference.
#[derive(Clone, Debug, PartialEq, Serialize, JsonSchema)]
pub struct PlugShare {
    /// `pull`.
    pub test: &'static str,
    /// Software that computed it.
    pub software: &'static str,
    /// Why there is no number; null when there is one.
    pub refused: Option<Vec<Refusal>>,
    /// Usable pulls with the plug in.
    pub plug_in: usize,
    /// Pulls with the plug out.
    pub plug_out: usize,
    /// Geometric mean of the cadence with the plug in, strokes a second.
    pub cadence_hz: Option<Estimate>,
    /// Mean of the two highest strokes at that cadence with the plug in, N.
    pub plug_in_peak_n: Option<Estimate>,
    /// Median over the pulls of the highest force with the plug out, N.
    pub plug_out_peak_n: Option<Estimate>,
    /// The difference, N: what compression takes.
    pub compression_n: Option<Estimate>,
    /// What contributes how much to the uncertainty of `compression_n`, largest first.
    pub budget: Vec<Contribution>,
    /// What both sides' records were like, together; flag `temperature_differs` when one side was cold and the other warm.
    pub quality: Quality,
}

/// Compression's share of the force: peak with the plug in at its cadence, less the peak with the plug out. The difference
/// halves what warmth does to the force; it does not remove it, so both are best made at like temperature.
///
/// Refused: fewer than three pulls on a side, a record of the wrong setup, one that was given twice, a clipped one, a sensor
/// too slow for strokes, and pulls that surely take more force with the plug out than with it in.
pub fn plug(plug_in: &[PullFinding], plug_out: &[PullFinding]) -> PlugShare {
    let usable: Vec<UsablePull> = plug_in.iter().flat_map(|f| f.usable.clone()).collect();
    let open: Vec<PullReport> = plug_out.iter().flat_map(|f| f.pulls.clone()).collect();
    let both = || plug_in.iter().chain(plug_out);
    let mut share = PlugShare {
        test: "pull",
        software: SOFTWARE,
        refused: None,
        plug_in: usable.len(),
        plug_out: open.iter().filter(|p| p.peak_n.is_some()).count(),
        cadence_hz: None,
        plug_in_peak_n: None,
        plug_out_peak_n: None,
        compression_n: None,
        budget: Vec::new(),
        quality: Quality::merged(both().map(|f| &f.quality.common)),
    };
    let said = |warm| both().any(|f| f.warm == Some(warm));
    if said(true) && said(false) {
        share.quality.flag("temperature_differs");
    }
    let refusals = refusals(plug_in, plug_out, &share);
    if !refusals.is_empty() {
        share.refused = Some(refusals);
        return share;
    }
    let gain_u = both().map(|f| f.calibration.u_relative).fold(0.0, f64::max);
    // The gain is one for both and multiplies the difference: it is added last.
    if let (Some(with), Some(without)) = (session(&usable, 0.0), own_peak(&peaks(plug_out))) {
        let compression = conclude(&mut share, with.peak_at_cadence_n, without, gain_u);
        if compression.hi95 < 0.0 {
            return swapped(share, compression);
        }
        share.compression_n = Some(compression);
        share.cadence_hz = Some(with.cadence_hz);
    }
    share
}

/// Compression never helps the hand: no number, but what is likely.
fn swapped(mut share: PlugShare, compression: Estimate) -> PlugShare {
    (share.plug_in_peak_n, share.plug_out_peak_n) = (None, None);
    share.budget.clear();
    let message = "the pulls called plug out take more force than those called plug in, which no engine does: are the two records swapped?";
    let refusal = Refusal::new("plug_swapped", message).with(compression.hi95, 0.0);
    share.refused = Some(vec![refusal]);
    share
}

/// Both sides and their budget; returns the difference.
fn conclude(share: &mut PlugShare, with: Estimate, without: Estimate, gain_u: f64) -> Estimate {
    let difference = Estimate {
        value: with.value - without.value,
        u: libm::hypot(with.u, without.u),
        lo95: with.value
            - without.value
            - libm::hypot(with.value - with.lo95, without.hi95 - without.value),
        hi95: with.value - without.value
            + libm::hypot(with.hi95 - with.value, without.value - without.lo95),
    };
    share.plug_in_peak_n = Some(widened(with, gain_u));
    share.plug_out_peak_n = Some(widened(without, gain_u));
    share.budget = budget(&[
        ("plug_in", with.u),
        ("plug_out", without.u),
        ("calibration", (difference.value * gain_u).abs()),
    ]);
    widened(difference, gain_u)
}

fn refusals(plug_in: &[PullFinding], plug_out: &[PullFinding], share: &PlugShare) -> Vec<Refusal> {
    let mut refusals = Vec::new();
    if plug_in.iter().any(|f| f.plug_out) || plug_out.iter().any(|f| !f.plug_out) {
        let message = "compression's share needs pulls with the plug in and pulls with the plug out, each stated by its setup (plug = \"in\", plug = \"out\")";
        refusals.push(Refusal::new("setup_differs", message));
    }
    let repeated = |side: &[PullFinding]| {
        (1..side.len()).any(|i| side[..i].iter().any(|f| f.is_record_of(&side[i])))
    };
    if repeated(plug_in) || repeated(plug_out) {
        let message = "the same capture was given twice; it would count double: give each once";
        refusals.push(Refusal::new("same_capture_twice", message));
    }
    for (side, findings, n) in [
        ("plug in", plug_in, share.plug_in),
        ("plug out", plug_out, share.plug_out),
    ] {
        refusals.extend(record_refusals(side, findings, n == 0));
        if n < MIN_PULLS {
            let message = format!("{n} usable pulls with the {side}: make three or more");
            refusals.push(Refusal::new("too_few_pulls", message).with(n as f64, MIN_PULLS as f64));
        }
    }
    refusals.extend(speed_refusal("with the plug in", plug_in));
    refusals
}

/// Highest force of each pull.
fn peaks(findings: &[PullFinding]) -> Vec<Estimate> {
    findings
        .iter()
        .flat_map(|f| {
            let gain_u = f.calibration.u_relative;
            f.pulls
                .iter()
                .filter_map(move |p| p.peak_n.map(|e| narrowed(e, gain_u)))
        })
        .collect()
}

/// A finding's peak without the gain's share, which was put in last.
fn narrowed(e: Estimate, u_relative: f64) -> Estimate {
    let gain = e.value * u_relative;
    Estimate {
        u: (e.u * e.u - gain * gain).max(0.0).sqrt(),
        ..e
    }
}

/// Median of the pulls' highest forces, N, without the gain's uncertainty; none with fewer than three. Scatter averages
/// down, what every peak does not know of itself is shared.
pub(super) fn own_peak(peaks: &[Estimate]) -> Option<Estimate> {
    if peaks.len() < MIN_PULLS {
        return None;
    }
    let n = peaks.len() as f64;
    let mut values: Vec<f64> = peaks.iter().map(|e| e.value).collect();
    let mean = values.iter().sum::<f64>() / n;
    let squares: f64 = values.iter().map(|v| (v - mean) * (v - mean)).sum();
    let of_median = MEDIAN_OVER_MEAN * (squares / (n - 1.0) / n).sqrt();
    let shared = peaks.iter().map(|e| e.u).sum::<f64>() / n;
    let value = median(&mut values);
    let reach = libm::hypot(t95(n - 1.0) * of_median, Z95 * shared);
    Some(Estimate {
        value,
        u: libm::hypot(of_median, shared),
        lo95: value - reach,
        hi95: value + reach,
    })
}

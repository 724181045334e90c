//! The tank's volume by the strokes of a syringe. With the amount of gas constant, `d ln p = -dV/V`: in the logarithm of
//! the absolute pressure all strokes have one height, whatever leaked meanwhile. The height is that of the gas at the
//! wall's temperature again; what is left of the stroke's heat dies out with the time constants of the gas.

use super::Held;
use super::STRETCH_PER_PA;
use super::blocks::{BLOCK_S, Blocks, Noise};
use super::finding::SyringeVolume;
use super::laws::RelativeLoss;
use super::model::Prior;
use super::samples::{BINS_PER_BLOCK, BINS_PER_TENTH, Samples};
use super::strokes::Strokes;
use super::whiten;
use crate::measure::cholesky::Cholesky;
use crate::reading::{Estimate, Refusal};
use crate::units::STANDARD_ATMOSPHERE_PA;

/// Standard uncertainty, part of the volume: syringe 1 %, gain 1 %, what is left of the heat.
const VOLUME_U: f64 = 0.03;
/// Least part of the first pressure that must be left before the strokes (a rule of judgement).
const LEAST_LEFT: f64 = 0.4;
/// Seconds before the first stroke and after the last that are fitted.
const BEFORE_S: f64 = 12.0;
const AFTER_S: f64 = 6.0;
/// Left out around a stroke: blocks before and after its steepest tenth.
const MASKED: std::ops::Range<usize> = 2..4;
/// Time constants of the gas after a stroke, s, means and standard deviations of their parts of the height: an
/// adiabatic stroke overshoots by g - 1 = 0.4, a part of it gone before the plunger stands.
const TAUS_S: [f64; 5] = [0.6, 1.2, 2.4, 4.8, 9.6];
const RELAX_MEAN: [f64; 5] = [0.0, 0.08, 0.14, 0.06, 0.015];
const RELAX_SD: [f64; 5] = [0.2, 0.2, 0.15, 0.06, 0.02];
/// Drift of the logarithm beside the leak, 1/s and 1/s2.
const DRIFT_SD: (f64, f64) = (1e-5, 1e-7);
/// Height of a stroke: not known beforehand.
const HEIGHT_SD: f64 = 10.0;
const LEVEL_SD: f64 = 10.0;
/// Uncertainty of the leak meanwhile, part of it.
const LEAK_U: f64 = 0.1;

/// Volume from the strokes, or why not.
pub(super) fn volume(
    samples: &Samples,
    found: &Strokes,
    stroke_m3: f64,
    held: &Held,
) -> SyringeVolume {
    let fitted = match &found.refused {
        Some(refusal) => Err(refusal.clone()),
        None => checked(held).and_then(|()| fit(samples, found, stroke_m3, held)),
    };
    let (effective_volume_m3, refused) = match fitted {
        Ok(volume) => (Some(volume), None),
        Err(refusal) => (None, Some(refusal)),
    };
    SyringeVolume {
        stroke_m3,
        strokes: found.moves.len() as u64,
        effective_volume_m3,
        contradicts_m3: None,
        refused,
    }
}

fn checked(held: &Held) -> Result<(), Refusal> {
    let (least, left) = (LEAST_LEFT * held.model.first, held.model.last);
    if left < least {
        return Err(Refusal::new(
            "syringe_low_pressure",
            "too little pressure was left when the syringe was moved; with a leak this large shorten the hold to 30 s. The volume stated was used.",
        )
        .with(left, least));
    }
    Ok(())
}

fn not_fitted() -> Refusal {
    Refusal::new(
        "syringe_not_clear",
        "the strokes of the syringe do not show one volume; keep the plunger still between them. The volume stated was used.",
    )
}

fn fit(
    samples: &Samples,
    found: &Strokes,
    stroke_m3: f64,
    held: &Held,
) -> Result<Estimate, Refusal> {
    let tenth_s = 0.1;
    let first = found.moves[0].tenth;
    let last = found.moves[found.moves.len() - 1].tenth;
    let before = (BEFORE_S / tenth_s).floor();
    let from = (0..first)
        .rev()
        .take_while(|t| (first - t) as f64 <= before)
        .last()
        .unwrap_or(first);
    let end_s =
        ((last - from) as f64 * tenth_s + AFTER_S).min(samples.span_s() - from as f64 * tenth_s);
    let count = super::sealed::bin_at(end_s / BINS_PER_BLOCK as f64);
    let blocks = Blocks::new(
        &samples.blocks(from * BINS_PER_TENTH, count),
        samples.base_pa() - held.hold.tare_pa,
    );
    let ambient_pa = held.around.ambient_pa;
    if blocks.y.iter().any(|y| *y + ambient_pa <= 0.0) || blocks.len() < 8 {
        return Err(not_fitted());
    }
    let times: Vec<(f64, f64)> = found
        .moves
        .iter()
        .map(|s| {
            let sign = if s.is_in { 1.0 } else { -1.0 };
            // The steepest change lies between this tenth and the next.
            (((s.tenth + 1 - from) as f64) * tenth_s, sign)
        })
        .collect();
    let (height, u) = height(&blocks, &times, held).ok_or_else(not_fitted)?;
    let gauge_pa = held.model.last;
    let p = gauge_pa + ambient_pa;
    // p V(p) = p' (V(p') - v) with V(p) = V0 (1 + ce pg)
    let higher = p * libm::exp(height);
    let stretched = |p: f64| 1.0 + STRETCH_PER_PA * (p - ambient_pa);
    let v0 = higher * stroke_m3 / (higher * stretched(higher) - p * stretched(p));
    let effective = v0 * (1.0 + STRETCH_PER_PA * (STANDARD_ATMOSPHERE_PA + 2.0 * held.p_ref_pa));
    if !(height > 0.0 && effective > 0.0 && effective.is_finite()) {
        return Err(not_fitted());
    }
    let relative = VOLUME_U.max(u / height);
    Ok(Estimate::normal(effective, relative * effective))
}

/// Height of a stroke in the logarithm of the absolute pressure, and its standard uncertainty. `strokes`: time from the
/// first block's start, s, and +1 for in.
fn height(blocks: &Blocks, strokes: &[(f64, f64)], held: &Held) -> Option<(f64, f64)> {
    let ambient_pa = held.around.ambient_pa;
    let t = &blocks.t;
    let state = |f: &dyn Fn(f64) -> f64| -> Vec<f64> {
        t.iter()
            .map(|t| {
                strokes
                    .iter()
                    .filter(|(at, _)| t >= at)
                    .map(|(at, sign)| sign * f(t - at))
                    .sum()
            })
            .collect()
    };
    let middle = t[t.len() / 2];
    let mut columns: Vec<Vec<f64>> = vec![
        vec![1.0; t.len()],
        t.iter().map(|t| t - middle).collect(),
        t.iter().map(|t| (t - middle) * (t - middle)).collect(),
        leaked(blocks, held),
        state(&|_| 1.0),
    ];
    let slope: f64 = held.fit.candidates.iter().map(|c| c.weight * c.slope).sum();
    let prior = |mean: f64, sd: f64| Prior { mean, sd };
    let z: Vec<f64> = blocks
        .y
        .iter()
        .map(|y| libm::log((y + ambient_pa) / ambient_pa))
        .collect();
    let guess = rough_height(&z, blocks, strokes);
    let mut priors = vec![
        prior(0.0, LEVEL_SD),
        prior(0.0, DRIFT_SD.0),
        prior(0.0, DRIFT_SD.1),
        prior(slope, libm::hypot(held.fit.resolution, LEAK_U * slope)),
        prior(0.0, HEIGHT_SD),
    ];
    for (tau, (mean, sd)) in TAUS_S.iter().zip(RELAX_MEAN.iter().zip(RELAX_SD)) {
        columns.push(state(&|since| libm::exp(-since / tau)));
        priors.push(prior(mean * guess, sd * guess));
    }
    columns.push(z);
    let used: Vec<bool> = (0..t.len())
        .map(|i| blocks.filled[i] && !strokes.iter().any(|(at, _)| is_masked(t[i], *at)))
        .collect();
    let noise = noise(&held.model.noise, ambient_pa + held.model.last);
    solved(&columns, &used, &noise, &priors)
}

/// The height and its standard uncertainty by generalised least squares with priors; the last column is what is measured.
fn solved(
    columns: &[Vec<f64>],
    used: &[bool],
    noise: &Noise,
    priors: &[Prior],
) -> Option<(f64, f64)> {
    let slices: Vec<&[f64]> = columns.iter().map(Vec::as_slice).collect();
    let (m, n) = (columns.len(), priors.len());
    let gram = whiten::gram(&slices, used, noise);
    let mut a = vec![0.0; n * n];
    let mut b = vec![0.0; n];
    for i in 0..n {
        for j in 0..n {
            a[i * n + j] = gram[i * m + j];
        }
        let precision = 1.0 / (priors[i].sd * priors[i].sd);
        a[i * n + i] += precision;
        b[i] = gram[i * m + n] + priors[i].mean * precision;
    }
    let factor = Cholesky::new(&a, n)?;
    let x = factor.solve(&b);
    let mut e = vec![0.0; n];
    e[HEIGHT_AT] = 1.0;
    Some((x[HEIGHT_AT], factor.solve(&e)[HEIGHT_AT].sqrt()))
}

/// Index of the height's column.
const HEIGHT_AT: usize = 4;

/// Blocks in which the plunger moves.
fn is_masked(t: f64, at: f64) -> bool {
    let since = (t - at) / BLOCK_S;
    since > -(MASKED.start as f64) && since < MASKED.end as f64
}

/// Half the difference between neighbouring states, averaged: what the priors of the heat are parts of.
fn rough_height(z: &[f64], blocks: &Blocks, strokes: &[(f64, f64)]) -> f64 {
    let at = |time: f64| {
        blocks
            .t
            .iter()
            .position(|t| *t > time)
            .unwrap_or(blocks.len() - 1)
    };
    let sum: f64 = strokes
        .iter()
        .map(|(time, sign)| sign * (z[at(time + 4.0)] - z[at(time - 1.0)]))
        .sum();
    (sum / strokes.len() as f64).abs()
}

/// What a leak of 1 Pa/s at the reference pressure does to the logarithm meanwhile: laws in their shares.
fn leaked(blocks: &Blocks, held: &Held) -> Vec<f64> {
    let ambient_pa = held.around.ambient_pa;
    let relative = RelativeLoss::new(ambient_pa, held.p_ref_pa);
    let mut sum = 0.0;
    blocks
        .y
        .iter()
        .map(|y| {
            let loss = held.fit.shares.of(relative.at(*y));
            let step = BLOCK_S * loss / (y + ambient_pa);
            sum += step;
            -(sum - 0.5 * step)
        })
        .collect()
}

/// The noise of the pressure as that of its logarithm.
fn noise(pressure: &Noise, absolute_pa: f64) -> Noise {
    Noise {
        white_pa: pressure.white_pa / absolute_pa,
        slow_pa: pressure.slow_pa / absolute_pa,
        slow_s: pressure.slow_s,
        walk_pa: pressure.walk_pa / absolute_pa,
    }
}

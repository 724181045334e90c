//! The fit: nuisances are eliminated once, every law is then one direction in a space of a few columns.

use super::laws::Shares;
use super::mixture::Normal;
use super::model::Model;
use super::whiten;
use crate::measure::cholesky::Cholesky;

/// Prior probabilities of the laws.
const PRIOR_LAMINAR: f64 = 0.40;
const PRIOR_ORIFICE: f64 = 0.25;
const PRIOR_LINEAR: f64 = 0.10;
const PRIOR_MIXED: f64 = 0.20;
const PRIOR_LID: f64 = 0.05;
/// Places in which a range of laws is tried: orifice shares, lifting pressures.
const MIXED_CELLS: u32 = 5;
const LID_CELLS: u32 = 16;
/// The orifice shares are refined while the best beats the third best by this much, at most so many times, to
/// the best -+ so many of the old spacings.
const ZOOM_LEAD: f64 = 2.0;
const ZOOMS: u32 = 3;
const ZOOM_SPACINGS: f64 = 1.2;
const LID_ZOOM_SPACINGS: f64 = 1.5;
/// A lid is believed from this probability on, if the pressure fell by this part of the first.
const LID_BELIEVED: f64 = 0.9;
const LID_BELIEVED_FALL: f64 = 0.25;
/// What is left of it when a calibration vouches for the gain: 500 simulated tanks from 1e-3 Pa m3/s with a right gain
/// were covered 95.0 % without anything more.
pub(super) const GAS_MODEL_U: f64 = 0.003;
/// Sensor gain and gas model: relative standard uncertainty of every slope.
pub(super) const SLOPE_U: f64 = 0.01;
/// Closest that a lifting pressure comes to the first pressure.
const LID_CLOSEST: f64 = 0.995;

/// A flow law that was tried.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum Law {
    Laminar,
    Orifice,
    Linear,
    /// Share of the orifice.
    Mixed(f64),
    /// Lifting pressure, Pa.
    Lid(f64),
}

/// One law with what the record says under it.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Candidate {
    pub law: Law,
    /// Weights of the law columns.
    v: Vec<f64>,
    /// Posterior probability.
    pub weight: f64,
    /// Slope at the pressure to which the law's column refers, Pa/s, before any conversion.
    raw: f64,
    /// Slope at the reference pressure and its standard uncertainty without gain and gas model, Pa/s.
    pub slope: f64,
    pub sd: f64,
    /// Where that comes from.
    pub variance: Variance,
}

/// Variance of a slope by its sources, (Pa/s)2.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(super) struct Variance {
    /// Noise of the readings, draughts, the sensor's random walk.
    pub noise: f64,
    /// Drift, creep and heat, of which only the priors are known.
    pub priors: f64,
    /// A lid's law elsewhere than at the pressures held.
    pub law: f64,
}

/// What the fit says.
#[derive(Clone, Debug)]
pub(super) struct Fit {
    /// Laws kept: either lids alone, or all others.
    pub candidates: Vec<Candidate>,
    /// Shares of the laws among those that are no lid, whether kept or not.
    pub shares: Shares,
    /// Probability of a lid before one side was dropped.
    pub lid_probability: f64,
    /// Lids alone were kept.
    pub is_lid: bool,
    /// Standard uncertainty of the slope of a laminar leak, Pa/s: what the record would resolve on a tight tank.
    pub resolution: f64,
    /// Posterior means of the columns that are not the leak.
    pub nuisances: Vec<f64>,
    /// Contribution of the leak, Pa, one entry a block.
    pub leak_pa: Vec<f64>,
}

/// The normal equations with the nuisances eliminated.
struct Reduced {
    /// Columns of the laws, one entry a block.
    laws: Vec<Vec<f64>>,
    factor: Cholesky,
    /// `L^-1 G_bF`, one vector a law, and `L^-1 (G_by + mean/sd^2)`.
    half_laws: Vec<Vec<f64>>,
    half_y: Vec<f64>,
    /// `S`, row-major, and `g`.
    s: Vec<f64>,
    g: Vec<f64>,
    leak_sd: f64,
    /// Prior precisions of the nuisances.
    precisions: Vec<f64>,
}

/// A direction over the laws: its explained part `(v'g)^2/2I`, slope, sd and log evidence without prior.
struct Direction {
    explained: f64,
    slope: f64,
    sd: f64,
    ln_evidence: f64,
}

impl Reduced {
    /// `None` only if the columns are not finite.
    fn new(model: &Model, laws: Vec<Vec<f64>>) -> Option<Self> {
        let nb = model.columns.len();
        let nf = laws.len();
        // Relative to the first pressure: the level's column takes any constant, and small numbers keep digits.
        let y: Vec<f64> = model.y.iter().map(|y| y - model.y[0]).collect();
        let all: Vec<&[f64]> = model
            .columns
            .iter()
            .chain(&laws)
            .map(Vec::as_slice)
            .chain([y.as_slice()])
            .collect();
        let m = all.len();
        let gram = whiten::gram(&all, &model.used, &model.noise);
        let at = |i: usize, j: usize| gram[i * m + j];
        let mut a = vec![0.0; nb * nb];
        let mut by = vec![0.0; nb];
        let mut precisions = Vec::with_capacity(nb);
        for i in 0..nb {
            for j in 0..nb {
                a[i * nb + j] = at(i, j);
            }
            let prior = model.priors[i];
            let precision = 1.0 / (prior.sd * prior.sd);
            a[i * nb + i] += precision;
            precisions.push(precision);
            by[i] = at(i, m - 1) + prior.mean * precision;
        }
        let factor = Cholesky::new(&a, nb)?;
        let half_y = factor.half_solve(&by);
        let half_laws: Vec<Vec<f64>> = (0..nf)
            .map(|f| {
                let column: Vec<f64> = (0..nb).map(|i| at(i, nb + f)).collect();
                factor.half_solve(&column)
            })
            .collect();
        let mut s = vec![0.0; nf * nf];
        let mut g = vec![0.0; nf];
        for i in 0..nf {
            for j in 0..nf {
                s[i * nf + j] = at(nb + i, nb + j) - dot(&half_laws[i], &half_laws[j]);
            }
            g[i] = at(nb + i, m - 1) - dot(&half_laws[i], &half_y);
        }
        Some(Self {
            laws,
            factor,
            half_laws,
            half_y,
            s,
            g,
            leak_sd: model.leak_sd,
            precisions,
        })
    }

    fn direction(&self, v: &[f64]) -> Direction {
        let n = v.len();
        let quadratic: f64 = (0..n)
            .map(|i| v[i] * dot(&self.s[i * n..(i + 1) * n], v))
            .sum();
        // Rounding may leave a tiny negative number where the record says nothing.
        let information = quadratic.max(0.0) + 1.0 / (self.leak_sd * self.leak_sd);
        let vg = dot(v, &self.g);
        let explained = vg * vg / (2.0 * information);
        Direction {
            explained,
            slope: vg / information,
            sd: 1.0 / information.sqrt(),
            ln_evidence: explained - 0.5 * libm::log(information) - libm::log(self.leak_sd),
        }
    }

    /// A candidate whose `weight` is still the logarithm of prior times evidence.
    fn candidate(&self, law: Law, v: Vec<f64>, prior: f64) -> Candidate {
        let d = self.direction(&v);
        Candidate {
            law,
            weight: d.ln_evidence + libm::log(prior),
            raw: d.slope,
            slope: d.slope,
            sd: d.sd,
            variance: self.variance(&v, d.sd),
            v,
        }
    }

    /// Splits the posterior variance of the slope in direction `v` by source. With the posterior covariance `C = (G + P)^-1`
    /// of all coefficients the error of the slope is `c' (W'e + P (mean - b))`, `c` its row of `C`; so a prior with
    /// precision `p` contributes `c_j^2 p`, and the noise (with the leak's own wide prior) the rest.
    fn variance(&self, v: &[f64], sd: f64) -> Variance {
        let half: Vec<f64> = (0..self.half_y.len())
            .map(|i| v.iter().zip(&self.half_laws).map(|(v, h)| v * h[i]).sum())
            .collect();
        let total = sd * sd;
        let priors: f64 = self
            .factor
            .back_solve(&half)
            .iter()
            .zip(&self.precisions)
            .map(|(x, p)| x * x * p)
            .sum::<f64>()
            * total
            * total;
        Variance {
            noise: (total - priors).max(0.0),
            priors: priors.min(total),
            law: 0.0,
        }
    }

    /// Posterior means of the nuisances when the leak takes `lossy` (weights of the law columns, Pa/s).
    fn nuisances(&self, lossy: &[f64]) -> Vec<f64> {
        let n = self.half_y.len();
        let half: Vec<f64> = (0..n)
            .map(|i| {
                let leak: f64 = lossy
                    .iter()
                    .zip(&self.half_laws)
                    .map(|(q, h)| q * h[i])
                    .sum();
                self.half_y[i] - leak
            })
            .collect();
        self.factor.back_solve(&half)
    }
}

fn dot(a: &[f64], b: &[f64]) -> f64 {
    a.iter().zip(b).map(|(a, b)| a * b).sum()
}

/// Middles of `n` equal cells of a range.
fn cells((lo, hi): (f64, f64), n: u32) -> impl Iterator<Item = f64> {
    (0..n).map(move |i| lo + (hi - lo) * (f64::from(i) + 0.5) / f64::from(n))
}

/// Fits all laws. `None` only if the numbers are not finite.
pub(super) fn fit(model: &Model, p_ref_pa: f64) -> Option<Fit> {
    let mut laws = model.law_columns(p_ref_pa).to_vec();
    let lids: Vec<f64> = model
        .lid_range()
        .map(|range| cells(range, LID_CELLS).collect())
        .unwrap_or_default();
    laws.extend(lids.iter().map(|lift| model.lid_column(*lift)));
    let reduced = Reduced::new(model, laws)?;
    let mut candidates = plain_candidates(&reduced);
    candidates.extend(lid_candidates(&reduced, &lids, model, p_ref_pa));
    normalise(&mut candidates);
    let lid_probability: f64 = candidates
        .iter()
        .filter(|c| matches!(c.law, Law::Lid(_)))
        .map(|c| c.weight)
        .sum();
    let mut plain: Vec<Candidate> = plain_candidates(&reduced);
    normalise(&mut plain);
    let shares = shares(&plain);
    let fell = (model.first - model.last) / model.p0;
    let is_lid = lid_probability >= LID_BELIEVED && fell >= LID_BELIEVED_FALL;
    let resolution = plain[0].sd;
    let (reduced, kept) = if is_lid {
        zoomed_lids(model, &lids, p_ref_pa)?
    } else {
        (reduced, plain)
    };
    let mut lossy = vec![0.0; reduced.laws.len()];
    for candidate in &kept {
        for (l, v) in lossy.iter_mut().zip(&candidate.v) {
            *l += candidate.weight * candidate.raw * v;
        }
    }
    let mut nuisances = reduced.nuisances(&lossy);
    nuisances[0] += model.y[0];
    let leak_pa = (0..model.t.len())
        .map(|i| lossy.iter().zip(&reduced.laws).map(|(q, f)| q * f[i]).sum())
        .collect();
    Some(Fit {
        candidates: kept,
        shares,
        lid_probability,
        is_lid,
        resolution,
        nuisances,
        leak_pa,
    })
}

/// Laminar, orifice, linear and the mixed ones.
fn plain_candidates(reduced: &Reduced) -> Vec<Candidate> {
    let unit = |pairs: &[(usize, f64)]| {
        let mut v = vec![0.0; reduced.laws.len()];
        for (at, share) in pairs {
            v[*at] = *share;
        }
        v
    };
    let mixed = |w: f64| unit(&[(0, 1.0 - w), (1, w)]);
    let mut out = vec![
        reduced.candidate(Law::Laminar, unit(&[(0, 1.0)]), PRIOR_LAMINAR),
        reduced.candidate(Law::Orifice, unit(&[(1, 1.0)]), PRIOR_ORIFICE),
        reduced.candidate(Law::Linear, unit(&[(2, 1.0)]), PRIOR_LINEAR),
    ];
    let mut range = (0.0, 1.0);
    for _ in 0..ZOOMS {
        let tried: Vec<(f64, f64)> = cells(range, MIXED_CELLS)
            .map(|w| (w, reduced.direction(&mixed(w)).explained))
            .collect();
        let mut ranked = tried;
        ranked.sort_by(|a, b| b.1.total_cmp(&a.1));
        if ranked[0].1 - ranked[2].1 <= ZOOM_LEAD {
            break;
        }
        let reach = ZOOM_SPACINGS * (range.1 - range.0) / f64::from(MIXED_CELLS);
        let best = ranked[0].0;
        range = ((best - reach).max(0.0), (best + reach).min(1.0));
    }
    let prior = PRIOR_MIXED * (range.1 - range.0) / f64::from(MIXED_CELLS);
    out.extend(
        cells(range, MIXED_CELLS).map(|w| reduced.candidate(Law::Mixed(w), mixed(w), prior)),
    );
    out
}

/// Lids, whose columns follow the three laws; slopes converted to the reference pressure.
fn lid_candidates(
    reduced: &Reduced,
    lifts: &[f64],
    model: &Model,
    p_ref_pa: f64,
) -> Vec<Candidate> {
    let mut laminar = vec![0.0; reduced.laws.len()];
    laminar[0] = 1.0;
    let laminar_sd = reduced.direction(&laminar).sd;
    lifts
        .iter()
        .enumerate()
        .map(|(i, lift)| {
            let mut v = vec![0.0; reduced.laws.len()];
            v[3 + i] = 1.0;
            let mut c = reduced.candidate(Law::Lid(*lift), v, PRIOR_LID / f64::from(LID_CELLS));
            let factor = (p_ref_pa - lift).max(0.0) / (model.p0 - lift);
            c.slope *= factor;
            c.sd = libm::hypot(c.sd * factor, laminar_sd);
            c.variance = Variance {
                noise: c.variance.noise * factor * factor,
                priors: c.variance.priors * factor * factor,
                law: laminar_sd * laminar_sd,
            };
            c
        })
        .collect()
}

/// Lids alone, the lifting pressure refined three times.
fn zoomed_lids(model: &Model, first: &[f64], p_ref_pa: f64) -> Option<(Reduced, Vec<Candidate>)> {
    let mut lifts = first.to_vec();
    let mut round = 0;
    loop {
        let mut laws = model.law_columns(p_ref_pa).to_vec();
        laws.extend(lifts.iter().map(|lift| model.lid_column(*lift)));
        let reduced = Reduced::new(model, laws)?;
        let mut lids = lid_candidates(&reduced, &lifts, model, p_ref_pa);
        normalise(&mut lids);
        if round == ZOOMS {
            return Some((reduced, lids));
        }
        round += 1;
        let best = lids
            .iter()
            .zip(&lifts)
            .max_by(|a, b| a.0.weight.total_cmp(&b.0.weight))
            .map(|(_, lift)| *lift)?;
        let reach = LID_ZOOM_SPACINGS * (lifts[1] - lifts[0]);
        let range = (
            (best - reach).max(0.0),
            (best + reach).min(LID_CLOSEST * model.p0),
        );
        lifts = cells(range, LID_CELLS).collect();
    }
}

/// Turns logarithms of weights into weights that add up to 1.
fn normalise(candidates: &mut [Candidate]) {
    let top = candidates
        .iter()
        .map(|c| c.weight)
        .fold(f64::NEG_INFINITY, f64::max);
    let mut sum = 0.0;
    for c in candidates.iter_mut() {
        c.weight = libm::exp(c.weight - top);
        sum += c.weight;
    }
    for c in candidates {
        c.weight /= sum;
    }
}

fn shares(plain: &[Candidate]) -> Shares {
    let of = |law: usize| plain.iter().map(|c| c.weight * c.v[law]).sum();
    Shares {
        laminar: of(0),
        orifice: of(1),
        linear: of(2),
    }
}

impl Fit {
    /// The slopes at the reference pressure as a mixture, without gain and gas model, Pa/s.
    pub fn slopes(&self) -> Vec<Normal> {
        self.candidates
            .iter()
            .map(|c| Normal {
                weight: c.weight,
                mean: c.slope,
                sd: c.sd,
            })
            .collect()
    }
}

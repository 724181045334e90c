//! The fit: nuisances are eliminated once, every law is then one direction in a space of a few columns.

use super::laws::Shares;
use super::mixture::Normal;
use super::model::Model;
use super::whiten::{Filter, dot};
use crate::measure::cholesky::Cholesky;
use crate::measure::logarithm::ln_sum_exp;

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
/// A lid is believed when the pressure fell by such a part of the first and the natural logarithm of its odds is as large: 9 to 1
/// where much was lost. Where less was lost, heat that the columns do not follow makes evidence for a lid that is none: of 26000
/// simulated tanks without one, tight to large leaks, 7076 lost 10 to 25 %, of these 5 had more than e^30 and one more than
/// e^50; of 376 true lids there 86 and 78 % did.
const LID_BELIEVED: [(f64, f64); 2] = [(0.25, 2.197), (0.10, 50.0)];
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
    /// Shares of laminar, orifice and linear; a lid has none.
    v: [f64; 3],
    /// Posterior probability.
    pub weight: f64,
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

/// Everything that is not the leak, eliminated once: whatever law is tried afterwards costs its own column alone.
struct Rest {
    filter: Filter,
    /// Whitened columns of the nuisances, and the pressures from the first on.
    white: Vec<Vec<f64>>,
    white_y: Vec<f64>,
    factor: Cholesky,
    /// `L^-1 (G_by + mean/sd^2)`.
    half_y: Vec<f64>,
    /// Prior precisions of the nuisances.
    precisions: Vec<f64>,
    leak_sd: f64,
    ln_leak_sd: f64,
}

/// The column of a law beside the nuisances.
struct Loss {
    /// One entry a block, and whitened.
    column: Vec<f64>,
    white: Vec<f64>,
    /// `L^-1 G_bF`.
    half: Vec<f64>,
    /// Its entry of `g`.
    g: f64,
}

impl Loss {
    /// Their entry of `S`.
    fn shared(&self, other: &Self) -> f64 {
        dot(&self.white, &other.white) - dot(&self.half, &other.half)
    }
}

/// A direction over the laws: its explained part `(v'g)^2/2I`, information `I`, slope and sd.
#[derive(Clone, Copy)]
struct Direction {
    explained: f64,
    information: f64,
    slope: f64,
    sd: f64,
}

impl Rest {
    /// `None` only if the columns are not finite.
    fn new(model: &Model) -> Option<Self> {
        let n = model.columns.len();
        // Relative to the first pressure: the level's column takes any constant, and small numbers keep digits.
        let y: Vec<f64> = model.y.iter().map(|y| y - model.y[0]).collect();
        let columns = model.columns.iter().chain([&y]);
        let columns: Vec<&[f64]> = columns.map(Vec::as_slice).collect();
        let filter = Filter::new(&model.used, &model.noise);
        let mut white = filter.whiten(&columns);
        let white_y = white.pop()?;
        let mut a = vec![0.0; n * n];
        let mut by = vec![0.0; n];
        let mut precisions = Vec::with_capacity(n);
        for (i, prior) in model.priors.iter().enumerate() {
            for j in 0..=i {
                a[i * n + j] = dot(&white[i], &white[j]);
            }
            let precision = 1.0 / (prior.sd * prior.sd);
            a[i * n + i] += precision;
            precisions.push(precision);
            by[i] = dot(&white[i], &white_y) + prior.mean * precision;
        }
        let factor = Cholesky::new(&a, n)?;
        Some(Self {
            half_y: factor.half_solve(&by),
            filter,
            white,
            white_y,
            factor,
            precisions,
            leak_sd: model.leak_sd,
            ln_leak_sd: libm::log(model.leak_sd),
        })
    }

    fn losses(&self, columns: Vec<Vec<f64>>) -> Vec<Loss> {
        let slices: Vec<&[f64]> = columns.iter().map(Vec::as_slice).collect();
        let white = self.filter.whiten(&slices);
        let beside = |(column, white): (Vec<f64>, Vec<f64>)| {
            let shared: Vec<f64> = self.white.iter().map(|w| dot(w, &white)).collect();
            let half = self.factor.half_solve(&shared);
            Loss {
                g: dot(&white, &self.white_y) - dot(&half, &self.half_y),
                column,
                white,
                half,
            }
        };
        columns.into_iter().zip(white).map(beside).collect()
    }

    /// The direction `v` with `v'Sv` and `v'g`.
    fn direction(&self, vsv: f64, vg: f64) -> Direction {
        // Rounding may leave a tiny negative number where the record says nothing.
        let information = vsv.max(0.0) + 1.0 / (self.leak_sd * self.leak_sd);
        Direction {
            explained: vg * vg / (2.0 * information),
            information,
            slope: vg / information,
            sd: 1.0 / information.sqrt(),
        }
    }

    /// Logarithm of prior times evidence.
    fn ln_weight(&self, d: &Direction, prior: f64) -> f64 {
        d.explained - 0.5 * libm::log(d.information) - self.ln_leak_sd + libm::log(prior)
    }

    /// Splits the posterior variance of the slope in a direction by source; `half`: `L^-1 G_bF v`. With the posterior covariance
    /// `C = (G + P)^-1` of all coefficients the error of the slope is `c' (W'e + P (mean - b))`, `c` its row of `C`; so a prior
    /// with precision `p` contributes `c_j^2 p`, and the noise (with the leak's own wide prior) the rest.
    fn variance(&self, half: &[f64], sd: f64) -> Variance {
        let total = sd * sd;
        let priors: f64 = self
            .factor
            .back_solve(half)
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

    /// Posterior means of the nuisances when the leak takes its columns so many times (Pa/s).
    fn means(&self, taken: &[(f64, Loss)]) -> Vec<f64> {
        let mut half = self.half_y.clone();
        for (i, half) in half.iter_mut().enumerate() {
            *half -= taken.iter().map(|(q, loss)| q * loss.half[i]).sum::<f64>();
        }
        self.factor.back_solve(&half)
    }
}

/// The laws of a leak that is always open: laminar, orifice, linear.
struct Open<'a> {
    rest: &'a Rest,
    losses: Vec<Loss>,
    s: [[f64; 3]; 3],
}

impl<'a> Open<'a> {
    fn new(rest: &'a Rest, columns: [Vec<f64>; 3]) -> Self {
        let losses = rest.losses(columns.into());
        let s = [0, 1, 2].map(|i: usize| [0, 1, 2].map(|j: usize| losses[i].shared(&losses[j])));
        Self { rest, losses, s }
    }

    fn direction(&self, v: [f64; 3]) -> Direction {
        let row = |s: &[f64; 3]| s[0] * v[0] + s[1] * v[1] + s[2] * v[2];
        let vsv = (0..3).map(|i| v[i] * row(&self.s[i])).sum();
        let vg = (0..3).map(|i| v[i] * self.losses[i].g).sum();
        self.rest.direction(vsv, vg)
    }

    /// A candidate whose `weight` is still the logarithm of prior times evidence.
    fn candidate(&self, law: Law, v: [f64; 3], prior: f64) -> Candidate {
        let d = self.direction(v);
        let half: Vec<f64> = (0..self.rest.half_y.len())
            .map(|i| (0..3).map(|k| v[k] * self.losses[k].half[i]).sum())
            .collect();
        Candidate {
            law,
            v,
            weight: self.rest.ln_weight(&d, prior),
            slope: d.slope,
            sd: d.sd,
            variance: self.rest.variance(&half, d.sd),
        }
    }

    /// All candidates: the three laws and the mixed ones.
    fn candidates(&self) -> Vec<Candidate> {
        let mixed = |w: f64| [1.0 - w, w, 0.0];
        let mut out = vec![
            self.candidate(Law::Laminar, [1.0, 0.0, 0.0], PRIOR_LAMINAR),
            self.candidate(Law::Orifice, [0.0, 1.0, 0.0], PRIOR_ORIFICE),
            self.candidate(Law::Linear, [0.0, 0.0, 1.0], PRIOR_LINEAR),
        ];
        let mut range = (0.0, 1.0);
        for _ in 0..ZOOMS {
            let mut ranked: Vec<(f64, f64)> = cells(range, MIXED_CELLS)
                .map(|w| (w, self.direction(mixed(w)).explained))
                .collect();
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
            cells(range, MIXED_CELLS).map(|w| self.candidate(Law::Mixed(w), mixed(w), prior)),
        );
        out
    }

    /// What the candidates together take of every law, Pa/s.
    fn taken(self, candidates: &[Candidate]) -> Vec<(f64, Loss)> {
        let of = |k: usize| candidates.iter().map(|c| c.weight * c.slope * c.v[k]).sum();
        let losses = self.losses.into_iter().enumerate();
        losses.map(|(k, loss)| (of(k), loss)).collect()
    }
}

/// A lid that was tried. Lids are tried one by one, so that their columns never meet.
struct Lid {
    lift_pa: f64,
    loss: Loss,
    /// Its slope is that at the first pressure.
    found: Direction,
    /// Logarithm of prior times evidence.
    ln_weight: f64,
}

impl Lid {
    /// Lids in the cells of a range of lifting pressures, Pa.
    fn all(model: &Model, rest: &Rest, range: (f64, f64)) -> Vec<Self> {
        let lifts: Vec<f64> = cells(range, LID_CELLS).collect();
        let columns = lifts.iter().map(|lift| model.lid_column(*lift)).collect();
        let tried = |(lift_pa, loss): (f64, Loss)| {
            let found = rest.direction(loss.shared(&loss), loss.g);
            let prior = PRIOR_LID / f64::from(LID_CELLS);
            Self {
                lift_pa,
                ln_weight: rest.ln_weight(&found, prior),
                loss,
                found,
            }
        };
        lifts
            .into_iter()
            .zip(rest.losses(columns))
            .map(tried)
            .collect()
    }

    /// The lid with its slope converted to the reference pressure.
    fn candidate(&self, model: &Model, rest: &Rest, p_ref_pa: f64, laminar_sd: f64) -> Candidate {
        let factor = (p_ref_pa - self.lift_pa).max(0.0) / (model.p0 - self.lift_pa);
        let variance = rest.variance(&self.loss.half, self.found.sd);
        Candidate {
            law: Law::Lid(self.lift_pa),
            v: [0.0; 3],
            weight: self.ln_weight,
            slope: self.found.slope * factor,
            sd: libm::hypot(self.found.sd * factor, laminar_sd),
            variance: Variance {
                noise: variance.noise * factor * factor,
                priors: variance.priors * factor * factor,
                law: laminar_sd * laminar_sd,
            },
        }
    }
}

/// Middles of `n` equal cells of a range.
fn cells((lo, hi): (f64, f64), n: u32) -> impl Iterator<Item = f64> {
    (0..n).map(move |i| lo + (hi - lo) * (f64::from(i) + 0.5) / f64::from(n))
}

/// Fits all laws. `None` only if the numbers are not finite.
pub(super) fn fit(model: &Model, p_ref_pa: f64) -> Option<Fit> {
    let rest = Rest::new(model)?;
    let open = Open::new(&rest, model.law_columns(p_ref_pa));
    let mut plain = open.candidates();
    let lids = match model.lid_range() {
        Some(range) => Lid::all(model, &rest, range),
        None => Vec::new(),
    };
    let lid_ln_odds = lid_ln_odds(&plain, &lids);
    normalise(&mut plain);
    let shares = shares(&plain);
    let fell = (model.first - model.last) / model.p0;
    let is_lid = is_believed(lid_ln_odds, fell);
    let resolution = plain[0].sd;
    let (candidates, taken) = if is_lid {
        let lids = zoomed(model, &rest, lids)?;
        let mut kept: Vec<Candidate> = lids
            .iter()
            .map(|lid| lid.candidate(model, &rest, p_ref_pa, resolution))
            .collect();
        normalise(&mut kept);
        let taken = kept.iter().zip(lids);
        let taken = taken.map(|(c, lid)| (c.weight * lid.found.slope, lid.loss));
        let taken: Vec<(f64, Loss)> = taken.collect();
        (kept, taken)
    } else {
        let taken = open.taken(&plain);
        (plain, taken)
    };
    let mut nuisances = rest.means(&taken);
    nuisances[0] += model.y[0];
    let mut leak_pa = vec![0.0; model.t.len()];
    for (q, loss) in &taken {
        for (leak, f) in leak_pa.iter_mut().zip(&loss.column) {
            *leak += q * f;
        }
    }
    Some(Fit {
        candidates,
        shares,
        lid_probability: 1.0 / (1.0 + libm::exp(-lid_ln_odds)),
        is_lid,
        resolution,
        nuisances,
        leak_pa,
    })
}

/// Lids around the best one, the range of lifting pressures refined three times.
fn zoomed(model: &Model, rest: &Rest, mut lids: Vec<Lid>) -> Option<Vec<Lid>> {
    for _ in 0..ZOOMS {
        let best = lids
            .iter()
            .max_by(|a, b| a.ln_weight.total_cmp(&b.ln_weight))?;
        let reach = LID_ZOOM_SPACINGS * (lids[1].lift_pa - lids[0].lift_pa);
        let range = (
            (best.lift_pa - reach).max(0.0),
            (best.lift_pa + reach).min(LID_CLOSEST * model.p0),
        );
        lids = Lid::all(model, rest, range);
    }
    Some(lids)
}

/// Whether a lid with such odds (natural logarithm) is believed in a tank that lost such a part of its pressure.
fn is_believed(ln_odds: f64, fell: f64) -> bool {
    let enough =
        |(least_fall, least_ln_odds): &(f64, f64)| fell >= *least_fall && ln_odds >= *least_ln_odds;
    LID_BELIEVED.iter().any(enough)
}

/// Logarithm of the odds of a lid among everything that was tried; the weights are still logarithms.
fn lid_ln_odds(plain: &[Candidate], lids: &[Lid]) -> f64 {
    let lids: Vec<f64> = lids.iter().map(|lid| lid.ln_weight).collect();
    let plain: Vec<f64> = plain.iter().map(|c| c.weight).collect();
    ln_sum_exp(&lids) - ln_sum_exp(&plain)
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

impl Candidate {
    /// Its law in shares; a lid has none.
    pub fn shares(&self) -> Shares {
        let [laminar, orifice, linear] = self.v;
        Shares {
            laminar,
            orifice,
            linear,
        }
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

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_lid_that_lost_little_takes_more_evidence() {
        let odds = |p: f64| libm::log(p / (1.0 - p));
        assert!(is_believed(odds(0.9), 0.25) && !is_believed(odds(0.899), 0.25));
        assert!(!is_believed(49.0, 0.249) && is_believed(51.0, 0.249));
        assert!(is_believed(51.0, 0.10) && !is_believed(1e3, 0.099));
        assert!(!is_believed(f64::NEG_INFINITY, 0.9));
    }
}

//! Mixture Bayes factor of a train of events: in every turn the snag hits with probability `h` and then takes the
//! energy `A`, or does not; one turn in a hundred may be wild.

use super::fold::{Folded, Shared};

/// Single scores count up to this many sd.
const CLIP: f64 = 7.0;
/// Fewer informative turns than this say nothing.
pub(super) const LEAST_TURNS: usize = 4;
/// Share of wild turns and the variance of their score (25 times the usual).
const WILD_SHARE: f64 = 0.01;
const WILD_VARIANCE: f64 = 25.0;
/// Largest exponent of one turn's likelihood ratio.
const MOST_EXPONENT: f64 = 30.0;
/// e to that, correctly rounded.
const MOST_LIFT: f64 = 10_686_474_581_524.463;
/// What is left of a mean that the nuisance fit shares counts this much.
pub(super) const MEAN_WEIGHT: f64 = 0.3;
/// Depths: `FIRST x RATIO^j / sqrt(median information)`.
const FIRST_DEPTH: f64 = 0.15;
const DEPTH_RATIO: f64 = 1.6;
/// Number of depths.
const DEPTHS: usize = 10;
/// Hit rates.
const RATES: [f64; 6] = [0.06, 0.12, 0.25, 0.45, 0.7, 1.0];
/// Depths and rates of a rank.
const RANK_DEPTHS: [usize; 3] = [1, 4, 7];
const RANK_RATES: [usize; 3] = [1, 3, 5];
/// Turns multiplied before a logarithm is taken: each factor is below e^60.
const BATCH: usize = 8;

/// Scores of one phase, ready for the mixture.
#[derive(Clone, Debug, Default)]
pub(super) struct Turns {
    /// Number of each informative event.
    pub k: Vec<usize>,
    /// Clipped and (where the mean is shared) centred scores.
    pub u: Vec<f64>,
    /// Informations, > 0.
    pub i: Vec<f64>,
    /// Wild likelihood ratio of every turn.
    pub wild: Vec<f64>,
    /// Sum of the clipped scores before centring, and of the informations.
    pub beta: f64,
    pub s: f64,
    pub rho: f64,
    /// 1 where the mean is shared with the nuisance fit, otherwise 0.
    pub cen: f64,
    /// 1 over the square root of the median information: the depth scale.
    pub depth: f64,
    order: Vec<f64>,
}

impl Turns {
    /// Fills in phase `p` of a fold; false when too few turns are informative.
    pub fn load(&mut self, folded: &Folded, p: usize, shared: Shared) -> bool {
        self.k.clear();
        self.u.clear();
        self.i.clear();
        self.wild.clear();
        let range = p * folded.events..(p + 1) * folded.events;
        let turns = folded.u[range.clone()].iter().zip(&folded.i[range]);
        for (k, (u, i)) in turns.enumerate() {
            let i = i / shared.kappa;
            if i > 0.0 {
                let most = CLIP * i.sqrt();
                self.k.push(k);
                self.u.push((u / shared.kappa).clamp(-most, most));
                self.i.push(i);
            }
        }
        if self.u.len() < LEAST_TURNS {
            return false;
        }
        self.beta = self.u.iter().sum();
        self.s = self.i.iter().sum();
        self.rho = shared.rho;
        self.cen = if shared.rho > 0.0 { 1.0 } else { 0.0 };
        let mean = self.cen * self.beta / self.s;
        for (u, i) in self.u.iter_mut().zip(&self.i) {
            *u -= mean * i;
            let z2 = *u * *u / i;
            let exponent = z2 / 2.0 * (1.0 - 1.0 / WILD_VARIANCE);
            self.wild
                .push(WILD_SHARE * libm::exp(exponent.min(600.0)) / WILD_VARIANCE.sqrt());
        }
        self.order.clear();
        self.order.extend_from_slice(&self.i);
        let middle = self.order.len() / 2;
        let (below, &mut median, _) = self.order.select_nth_unstable_by(middle, f64::total_cmp);
        let median = if self.i.len() % 2 == 1 {
            median
        } else {
            f64::midpoint(median, below.iter().copied().fold(0.0, f64::max))
        };
        self.depth = 1.0 / median.sqrt();
        true
    }

    /// What the mean says about depth `a` at hit rate `h`: counts only where the turns were centred.
    pub fn mean_term(&self, a: f64, h: f64) -> f64 {
        let ha = h * a;
        let spread = ha * ha * self.s / 2.0;
        self.cen * (MEAN_WEIGHT * (ha * self.beta - (1.0 - self.rho) * spread) - spread)
    }

    /// Logarithms of the likelihood ratio at depth `a` for the rates that `rates` picks.
    fn ln_ratios<const N: usize>(&self, a: f64, rates: [usize; N]) -> [f64; N] {
        let mut ln = rates.map(|r| self.mean_term(a, RATES[r]));
        let mut product = [1.0; N];
        for (n, ((u, i), wild)) in self.u.iter().zip(&self.i).zip(&self.wild).enumerate() {
            let a2i = a * a * i;
            let hit = libm::exp((a * u - a2i / 2.0).min(MOST_EXPONENT));
            let lift = if self.cen > 0.0 {
                lifts(a2i)
            } else {
                [1.0; RATES.len()]
            };
            let per = 1.0 / (1.0 + wild);
            for (p, r) in product.iter_mut().zip(rates) {
                let h = RATES[r];
                *p *= ((1.0 - h) + h * hit * lift[r] + wild) * per;
            }
            if n % BATCH == BATCH - 1 {
                flush(&mut product, &mut ln);
            }
        }
        flush(&mut product, &mut ln);
        ln
    }

    /// Logarithm of the mean likelihood ratio over all depths and rates.
    pub fn ln_mean(&self) -> f64 {
        let mut ln = [0.0; DEPTHS * RATES.len()];
        let mut a = FIRST_DEPTH * self.depth;
        for out in ln.chunks_exact_mut(RATES.len()) {
            out.copy_from_slice(&self.ln_ratios(a, [0, 1, 2, 3, 4, 5]));
            a *= DEPTH_RATIO;
        }
        ln_mean_exp(&ln)
    }

    /// The same over the few depths and rates of a rank.
    pub fn ln_mean_rank(&self) -> f64 {
        let mut ln = [0.0; RANK_DEPTHS.len() * RANK_RATES.len()];
        for (out, j) in ln.chunks_exact_mut(RANK_RATES.len()).zip(RANK_DEPTHS) {
            let a = FIRST_DEPTH * self.depth * libm::pow(DEPTH_RATIO, j as f64);
            out.copy_from_slice(&self.ln_ratios(a, RANK_RATES));
        }
        ln_mean_exp(&ln)
    }
}

/// `exp(min(30, h x))` for every rate: all are powers of `exp(x/100)`.
fn lifts(x: f64) -> [f64; RATES.len()] {
    let e1 = libm::exp((x / 100.0).min(MOST_EXPONENT));
    let e3 = e1 * e1 * e1;
    let e6 = e3 * e3;
    let e12 = e6 * e6;
    let e24 = e12 * e12;
    let e25 = e24 * e1;
    let e45 = e24 * e12 * e6 * e3;
    let e70 = e45 * e25;
    let e100 = e70 * e24 * e6;
    [e6, e12, e25, e45, e70, e100].map(|e| e.min(MOST_LIFT))
}

fn flush<const N: usize>(product: &mut [f64; N], ln: &mut [f64; N]) {
    for (p, ln) in product.iter_mut().zip(ln) {
        *ln += libm::log(*p);
        *p = 1.0;
    }
}

/// Logarithm of the sum of exponentials; minus infinity of nothing.
pub(super) fn ln_sum_exp(ln: &[f64]) -> f64 {
    let most = ln.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    if most == f64::NEG_INFINITY {
        return most;
    }
    most + libm::log(ln.iter().map(|l| libm::exp(l - most)).sum())
}

/// Logarithm of the mean of exponentials.
pub(super) fn ln_mean_exp(ln: &[f64]) -> f64 {
    ln_sum_exp(ln) - libm::log(ln.len() as f64)
}

/// `ln(1 + e^x)`.
pub(super) fn ln_one_plus_exp(x: f64) -> f64 {
    if x > 0.0 {
        x + libm::log1p(libm::exp(-x))
    } else {
        libm::log1p(libm::exp(x))
    }
}

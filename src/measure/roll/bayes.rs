//! Mixture Bayes factor of a train of events: in every turn the snag hits with probability `h` and then takes the
//! energy `A`, or does not; one turn in a hundred may be wild.

use std::f64::consts::LOG2_E;

use crate::measure::wide::{LANES, Lanes, per_lane, sum, wide};

use super::exp::{self, Product, Scaled, exp_all, exp2};
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
/// Depths over the energy of known hits outside which nothing is asked.
const NEAR: (f64, f64) = (0.22, 2.6);
/// Number of depths.
const DEPTHS: usize = 10;
/// Hit rates.
const RATES: [f64; 6] = [0.06, 0.12, 0.25, 0.45, 0.7, 1.0];
/// Of them those of a rank.
const RANK_DEPTHS: [usize; 3] = [1, 4, 7];
const RANK_RATES: [usize; 3] = [1, 3, 5];
/// Turns of a lane that are multiplied before powers of two are set aside: each factor lies between 0.001 and e^60.
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
    /// Sum of the clipped scores before centring, and of the informations; of a hunting pair over all turns of its shaft.
    pub beta: f64,
    pub s: f64,
    pub rho: f64,
    /// Share of the turns that the mean was taken of: 1, or of a hunting pair those in which it meets.
    pub share: f64,
    /// 1 where the mean is shared with the nuisance fit, otherwise 0.
    pub cen: f64,
    /// 1 over the square root of the median information: the depth scale.
    pub depth: f64,
    /// All turns for the mixture.
    lanes: Vec<Eight>,
    /// Room for a median: bits of informations.
    sorted: Vec<u64>,
}

impl Turns {
    /// Fills in phase `p` of a fold; false when too few turns are informative.
    pub fn load(&mut self, folded: &Folded, p: usize, shared: Shared) -> bool {
        self.k.clear();
        self.u.clear();
        self.i.clear();
        let (u, i) = folded.of_phase(p);
        for (k, (u, i)) in u.iter().zip(i).enumerate() {
            if *i > 0.0 {
                self.k.push(k);
                self.u.push(*u);
                self.i.push(*i);
            }
        }
        if self.u.len() < LEAST_TURNS {
            return false;
        }
        let (beta, s) = clip(&mut self.u, &mut self.i, shared.kappa);
        (self.beta, self.s) = (beta + shared.others.0, s + shared.others.1);
        self.rho = shared.rho;
        self.share = 1.0 / shared.one_in;
        self.cen = if shared.rho > 0.0 { 1.0 } else { 0.0 };
        self.wild.resize(self.u.len(), 0.0);
        self.lanes
            .resize(self.u.len().div_ceil(LANES), Eight::default());
        let mean = self.cen * self.beta / self.s;
        prepare(mean, &mut self.u, &self.i, &mut self.wild, &mut self.lanes);
        self.sorted.clear();
        // positive numbers are in the order of their bits
        self.sorted.extend(self.i.iter().map(|i| i.to_bits()));
        let middle = self.sorted.len() / 2;
        let (below, &mut median, _) = self.sorted.select_nth_unstable(middle);
        let mut median = f64::from_bits(median);
        if self.i.len().is_multiple_of(2) {
            let below = below.iter().max().map_or(median, |i| f64::from_bits(*i));
            median = f64::midpoint(median, below);
        }
        self.depth = 1.0 / median.sqrt();
        true
    }

    /// What the mean says about depth `a` at hit rate `h`: counts only where the turns were centred.
    pub fn mean_term(&self, a: f64, h: f64) -> f64 {
        let ha = h * self.share * a;
        let spread = ha * ha * self.s / 2.0;
        self.cen * (MEAN_WEIGHT * (ha * self.beta - (1.0 - self.rho) * spread) - spread)
    }

    /// Likelihood ratios of depths (in units of the depth scale), each with the rates that `rates` picks.
    fn ratios<const N: usize>(&self, depths: &[f64], rates: [usize; N]) -> Vec<Scaled> {
        let mut ratios = Vec::with_capacity(depths.len() * N);
        let mut means = Vec::with_capacity(depths.len() * N);
        for depth in depths {
            let a = depth * self.depth;
            let products = if self.cen > 0.0 {
                lifted_products((a, self.share), &self.lanes, rates)
            } else {
                plain_products(a, &self.lanes, rates)
            };
            ratios.extend(products.map(Product::whole));
            means.extend(rates.map(|r| self.mean_term(a, RATES[r])));
        }
        if self.cen > 0.0 {
            exp::times_exp(&mut ratios, &means);
        }
        ratios
    }

    /// Logarithm of the mean likelihood ratio over all depths and rates.
    pub fn ln_mean(&self) -> f64 {
        exp::ln_mean(&self.ratios(&depths(), [0, 1, 2, 3, 4, 5]))
    }

    /// The same of turns that show hits of energy `e`, most likely as large as the wanted mean: depths far from them, whose share of
    /// it is below a hundredth, are left out.
    pub fn ln_mean_near(&self, e: f64) -> f64 {
        let depths = depths();
        let near = |depth: &f64| (NEAR.0..=NEAR.1).contains(&(depth * self.depth / e));
        let from = depths.iter().position(near).unwrap_or(0);
        let to = depths.iter().rposition(near).map_or(DEPTHS, |at| at + 1);
        let ratios = self.ratios(&depths[from..to], [0, 1, 2, 3, 4, 5]);
        exp::ln_mean(&ratios) + libm::log((to - from) as f64 / DEPTHS as f64)
    }

    /// The same, with the depth (in units of the depth scale) and the hit rate that have the largest.
    pub fn likeliest(&self) -> (f64, (f64, f64)) {
        let depths = depths();
        let ratios = self.ratios(&depths, [0, 1, 2, 3, 4, 5]);
        let of = |(n, ratio): (usize, &Scaled)| (ratio.log2(), n);
        let most = ratios.iter().enumerate().map(of);
        let (_, n) = most.fold((f64::NEG_INFINITY, 0), |a, b| if b.0 > a.0 { b } else { a });
        let at = (depths[n / RATES.len()], RATES[n % RATES.len()]);
        (exp::ln_mean(&ratios), at)
    }

    /// The same over the few depths and rates of a rank.
    pub fn ln_mean_rank(&self) -> f64 {
        let depths = RANK_DEPTHS.map(|j| FIRST_DEPTH * libm::pow(DEPTH_RATIO, j as f64));
        exp::ln_mean(&self.ratios(&depths, RANK_RATES))
    }
}

/// The depths tried.
fn depths() -> [f64; DEPTHS] {
    let mut depths = [FIRST_DEPTH; DEPTHS];
    for j in 1..DEPTHS {
        depths[j] = depths[j - 1] * DEPTH_RATIO;
    }
    depths
}

/// Eight turns; a turn without score, information and `per` is a factor of 1.
#[derive(Clone, Copy, Debug, Default)]
struct Eight {
    /// Score and half the information in units of ln 2: exponents of two.
    u: Lanes,
    i: Lanes,
    /// 1 over (1 + wild).
    per: Lanes,
}

wide!(fn clip<'a>(u: &'a mut [f64], i: &'a mut [f64], kappa: f64) -> (f64, f64) = clip_of);
wide!(fn prepare<'a>(mean: f64, u: &'a mut [f64], i: &'a [f64], wild: &'a mut [f64], lanes: &'a mut [Eight]) -> () = prepare_of);

/// Scores and informations over `kappa`, scores within `CLIP` sd; the sums of both.
#[inline(always)]
fn clip_of(u: &mut [f64], i: &mut [f64], kappa: f64) -> (f64, f64) {
    let per = 1.0 / kappa;
    for (u, i) in u.iter_mut().zip(&mut *i) {
        *i *= per;
        let most = CLIP * i.sqrt();
        *u = within(*u * per, most);
    }
    (sum(u), sum(i))
}

/// Takes the mean off the scores; wild likelihood ratios, and everything in lanes.
#[inline(always)]
fn prepare_of(mean: f64, u: &mut [f64], i: &[f64], wild: &mut [f64], lanes: &mut [Eight]) {
    for ((u, i), wild) in u.iter_mut().zip(i).zip(&mut *wild) {
        *u -= mean * i;
        *wild = *u * *u / i / 2.0 * (1.0 - 1.0 / WILD_VARIANCE);
    }
    exp_all(wild);
    let wild_scale = WILD_SHARE / WILD_VARIANCE.sqrt();
    for wild in &mut *wild {
        *wild *= wild_scale;
    }
    let turns = u.chunks(LANES).zip(i.chunks(LANES)).zip(wild.chunks(LANES));
    for (lanes, ((u, i), wild)) in lanes.iter_mut().zip(turns) {
        *lanes = Eight::default();
        for (l, ((u, i), wild)) in u.iter().zip(i).zip(wild).enumerate() {
            lanes.u[l] = u * LOG2_E;
            lanes.i[l] = i * (LOG2_E / 2.0);
            lanes.per[l] = 1.0 / (1.0 + wild);
        }
    }
}

wide!(fn plain_products<'a, const N: usize>(a: f64, turns: &'a [Eight], rates: [usize; N]) -> [Product; N] = plain_products_of);
wide!(fn lifted_products<'a, const N: usize>(depth: (f64, f64), turns: &'a [Eight], rates: [usize; N]) -> [Product; N] = lifted_products_of);

/// Likelihood ratio of every turn at depth `a`.
#[inline(always)]
fn hits(a: f64, turns: &Eight) -> Lanes {
    let Eight { u, i, .. } = turns;
    exp2(per_lane(|l| {
        least(a * (u[l] - a * i[l]), MOST_EXPONENT * LOG2_E)
    }))
}

/// Products over the turns of `((1 - h) + h hit + wild)/(1 + wild)`, which is `1 - h (1 - hit)/(1 + wild)`.
#[inline(always)]
fn plain_products_of<const N: usize>(a: f64, turns: &[Eight], rates: [usize; N]) -> [Product; N] {
    let mut products = [Product::ONE; N];
    // one rate after the other, so that registers hold what a loop needs
    let mut short = [[0.0; LANES]; BATCH];
    for turns in turns.chunks(BATCH) {
        for (short, turns) in short.iter_mut().zip(turns) {
            let hit = hits(a, turns);
            *short = per_lane(|l| (1.0 - hit[l]) * turns.per[l]);
        }
        for (product, r) in products.iter_mut().zip(rates) {
            let (mut lanes, h) = (product.lanes, RATES[r]);
            for short in &short[..turns.len()] {
                lanes = per_lane(|l| lanes[l] * (1.0 - h * short[l]));
            }
            product.lanes = lanes;
            product.settle();
        }
    }
    products
}

/// The same with `hit` lifted by `exp(min(30, h share a^2 i))`: all lifts are powers of `exp(share a^2 i/100)`.
#[inline(always)]
fn lifted_products_of<const N: usize>(
    (a, share): (f64, f64),
    turns: &[Eight],
    rates: [usize; N],
) -> [Product; N] {
    let hundredth = share * a * a / 50.0;
    let mut products = [Product::ONE; N];
    for turns in turns.chunks(BATCH) {
        for turns in turns {
            let (hit, per) = (hits(a, turns), turns.per);
            let hit = per_lane(|l| hit[l] * per[l]);
            let lifts = powers(exp2(per_lane(|l| {
                least(hundredth * turns.i[l], MOST_EXPONENT * LOG2_E)
            })));
            for (Product { lanes, .. }, r) in products.iter_mut().zip(rates) {
                let (lift, h) = (lifts[r], RATES[r]);
                let short = per_lane(|l| per[l] - hit[l] * least(lift[l], MOST_LIFT));
                *lanes = per_lane(|l| lanes[l] * (1.0 - h * short[l]));
            }
        }
        products.iter_mut().for_each(Product::settle);
    }
    products
}

/// `e^(h x)` for every rate, from `e1 = exp(x/100)`.
#[inline(always)]
fn powers(e1: Lanes) -> [Lanes; RATES.len()] {
    let times = |a: Lanes, b: Lanes| per_lane(|l| a[l] * b[l]);
    let e3 = times(times(e1, e1), e1);
    let e6 = times(e3, e3);
    let e12 = times(e6, e6);
    let e24 = times(e12, e12);
    let e25 = times(e24, e1);
    let e45 = times(times(times(e24, e12), e6), e3);
    let e70 = times(e45, e25);
    let e100 = times(times(e70, e24), e6);
    [e6, e12, e25, e45, e70, e100]
}

/// Likelihood ratio "wild" of one score `u` with information `i`, times the share of wild turns.
pub(super) fn wild(u: f64, i: f64) -> f64 {
    let exponent = u * u / i / 2.0 * (1.0 - 1.0 / WILD_VARIANCE);
    WILD_SHARE / WILD_VARIANCE.sqrt() * libm::exp(exponent.min(MOST_EXPONENT))
}

/// A score within `CLIP` sd.
#[inline(always)]
pub(super) fn clipped(u: f64, i: f64) -> f64 {
    within(u, CLIP * i.sqrt())
}

/// Neither above `most` nor below its negative.
#[inline(always)]
fn within(u: f64, most: f64) -> f64 {
    -least(-least(u, most), most)
}

/// The smaller one.
#[inline(always)]
fn least(a: f64, b: f64) -> f64 {
    if a < b { a } else { b }
}

#[cfg(test)]
mod tests {
    use super::super::fixture::Random;
    use super::*;

    /// The mixture written down once more, without any trick.
    fn naive(u_raw: &[f64], i_raw: &[f64], shared: Shared) -> f64 {
        let (mut u, mut i) = (vec![], vec![]);
        for (a, b) in u_raw.iter().zip(i_raw) {
            if *b > 0.0 {
                i.push(b / shared.kappa);
                let most = 7.0 * (b / shared.kappa).sqrt();
                u.push((a / shared.kappa).clamp(-most, most));
            }
        }
        let (beta, s): (f64, f64) = (u.iter().sum(), i.iter().sum());
        let cen = if shared.rho > 0.0 { 1.0 } else { 0.0 };
        for (u, i) in u.iter_mut().zip(&i) {
            *u -= cen * beta / s * i;
        }
        let mut sorted = i.clone();
        sorted.sort_by(f64::total_cmp);
        let n = sorted.len();
        let median = f64::midpoint(sorted[n / 2], sorted[(n - 1) / 2]);
        let mut mean = 0.0;
        for j in 0..10 {
            let a = 0.15 * libm::pow(1.6, f64::from(j)) / median.sqrt();
            for h in [0.06, 0.12, 0.25, 0.45, 0.7, 1.0] {
                let spread = h * h * a * a * s / 2.0;
                let mut ln = cen * (0.3 * (h * a * beta - (1.0 - shared.rho) * spread) - spread);
                for (u, i) in u.iter().zip(&i) {
                    let wr = 0.01 * libm::exp(u * u / i / 2.0 * (1.0 - 1.0 / 25.0)) / 5.0;
                    let lift = cen * (h * a * a * i).min(30.0);
                    let e = libm::exp((a * u - a * a * i / 2.0).min(30.0) + lift);
                    ln += libm::log((1.0 - h + h * e + wr) / (1.0 + wr));
                }
                mean += libm::exp(ln) / 60.0;
            }
        }
        libm::log(mean)
    }

    #[test]
    fn mixture_is_its_formula() {
        let mut random = Random::new(1);
        for (n, rho, kappa) in [
            (40, 0.0, 1.0),
            (41, 0.3, 1.4),
            (200, 0.9, 1.0),
            (5, 0.1, 2.0),
        ] {
            let mut folded = Folded {
                events: n,
                u: vec![],
                i: vec![],
            };
            for k in 0..n {
                let i: f64 = if k % 9 == 4 {
                    0.0
                } else {
                    random.uniform(0.5, 3.0)
                };
                let hit = if k % 3 == 0 { 2.0 * i } else { 0.0 };
                folded.i.push(i);
                folded
                    .u
                    .push(i.sqrt() * random.normal() + hit + if k == 7 { 30.0 } else { 0.0 });
            }
            let shared = Shared {
                rho,
                kappa,
                ..Shared::NONE
            };
            let mut turns = Turns::default();
            assert!(turns.load(&folded, 0, shared));
            let expected = naive(&folded.u, &folded.i, shared);
            let ln = turns.ln_mean();
            assert!(
                (ln - expected).abs() < 1e-10 * (1.0 + expected.abs()),
                "{ln} {expected}"
            );
            let each = turns.u.iter().zip(&turns.i).zip(&turns.wild);
            for ((u, i), of_all) in each {
                let alone = wild(*u, *i);
                assert!((alone / of_all - 1.0).abs() < 1e-9, "{alone} {of_all}");
            }
        }
    }

    #[test]
    fn three_turns_say_nothing() {
        let folded = Folded {
            events: 4,
            u: vec![1.0; 4],
            i: vec![1.0, 0.0, 1.0, 1.0],
        };
        assert!(!Turns::default().load(&folded, 0, Shared::NONE));
    }

    #[test]
    fn a_train_of_noise_loses_and_a_train_of_hits_wins() {
        let mut random = Random::new(2);
        let mut ln = |loss: f64| {
            let u = (0..100).map(|k| random.normal() + if k % 3 == 0 { loss } else { 0.0 });
            let folded = Folded {
                events: 100,
                u: u.collect(),
                i: vec![1.0; 100],
            };
            let mut turns = Turns::default();
            turns.load(&folded, 0, Shared::NONE);
            turns.ln_mean()
        };
        assert!(ln(0.0) < 1.0 && ln(3.0) > 10.0);
    }
}

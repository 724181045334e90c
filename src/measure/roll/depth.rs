//! How deep a snag must be for this record to have shown it: snags of known depth are put into the score field and the
//! parts judged again.

use std::collections::BTreeMap;

use crate::reading::{Estimate, Z95};
use crate::vehicle::{Part, PartKind};

use super::bayes::Turns;
use super::draws::Draws;
use super::finding::RollFinding;
use super::fold::{Folded, Shared, fold, taken_of_singles};
use super::orders::OrderPrior;
use super::parts::{Case, Evidence, alike, hunts};
use super::rhythm::ln_without_rhythm;
use super::search::{Part as Judged, Search, reporting_bayes};
use super::side_by_side::each;
use crate::measure::logarithm::ln_sum_exp;

/// Width of a snag, turns of the part itself (12 degrees; assumption without source).
pub(super) const WIDTH: f64 = 12.0 / 360.0;
/// Share of turns that hit in the snags put in.
pub(super) const DETECTABLE_HIT_RATE: f64 = 0.4;
/// Relative sd of the depth from turn to turn.
const VARIATION: f64 = 0.25;
/// Shallowest hit over the nominal depth.
const SHALLOWEST: f64 = 0.1;

/// Places at which a snag is put in.
const SITES: usize = 16;
/// Factor between the energies tried, and most of them.
const STEP: f64 = 1.25;
const MOST_STEPS: usize = 24;
/// Depths beyond this are no snag but a seized part.
const MOST_DEPTH: f64 = 20.0;
/// 95 % quantile of the standard normal distribution.
const QUANTILE: f64 = 1.644_853_626_951_472;
/// Share of a hit's energy that the scores show: it is spread over 12 degrees and lies between phases and orders.
const SHOWN: f64 = 0.87;
/// Share of a hit's energy that is read from the hits of a reported snag: weak hits pull a typical one down. Set on simulated
/// records.
pub(super) const READ: f64 = 0.75;
/// Relative model error of a depth that is read from the hits; set on simulated records.
pub(super) const DEPTH_MODEL_SD: f64 = 0.25;
/// What refitting the record with the snag in it adds to the scatter of ln depth; set on simulated records.
const REFIT_SD: f64 = 0.25;
/// The closer a part's events lie, the more of its hits the refitted noise takes: its snag must be deeper by this much more at half as
/// many events a turn as magnets, by a quarter of that at half of those. Set on simulated records; of others 147 of 154 snags of the
/// stated depth were reported rolling straight, 121 of 128 with one wheel on a stand.
const CROWDED: f64 = 0.9;
/// Where the car rolls every snag must be this much deeper: the columns of drifting shafts take something from every part. Set on
/// simulated records; in a circle, where every wheel has columns of its own, it is not enough for lone parts.
const ROLLING: f64 = 1.2;
/// Events that are asked how much of a single hit the columns take.
const SINGLES: usize = 32;
/// Where the columns take more of single hits than `SHOWN` allows for, snags must be deeper by that in parts whose order is at most the
/// first share of half the magnets, bearings the second; those of the others, and of hunting pairs, show all the same. In a circle the
/// columns take 0.25 to 0.5, rolling straight at most 0.12 (8 and 16 cars).
const LONE: (f64, f64) = (0.16, 0.08);
/// The fit takes hits for this much more noise than their variance; set on simulated records.
const TAKEN_FOR_NOISE: f64 = 1.5;
/// Hits are noise to the fit: the information of an event falls with this power of the energy noise. (Between 1/2, energies
/// observed, and 3/4, times observed; set on simulated records.)
const INFORMATION_POWER: f64 = 0.62;
/// Steps of Newton's method.
const NEWTON_STEPS: usize = 6;

/// Energy of a hit of depth 1, turns^2/s^2: the torque is a raised cosine over 12 degrees of the part's own turn, whose mean
/// is half its peak, and the peak is the record's Coulomb drag.
pub(super) fn unit_energy(part: &Part, drag: f64) -> f64 {
    drag * WIDTH * part.per_own_turn / part.order / 2.0
}

/// Planets of a rolling car turn with the small difference of two wheels, in which slip counts many times, and their few hits are
/// several magnets wide: of 26 snags of the depth that would be stated in a circle 11 were reported, so none is promised.
fn promises_nothing(part: &Part) -> bool {
    part.kind == PartKind::Planet && part.order_sd > 0.0
}

/// Strength of one event: 0 without a hit.
fn strength(draws: &mut Draws) -> f64 {
    let (hit, depth) = (draws.unit() < DETECTABLE_HIT_RATE, draws.normal());
    if hit {
        (1.0 + VARIATION * depth).max(SHALLOWEST)
    } else {
        0.0
    }
}

/// One place where a snag is put in.
struct Site {
    /// Scores and informations of the phase, as folded, and what else the judgement needs.
    scored: Folded,
    u: Vec<f64>,
    shared: Shared,
    /// Strength of every event, less what the record does not show of their mean.
    strength: Vec<f64>,
}

impl Site {
    fn new(folded: &Folded, p: usize, shared: Shared, draws: &mut Draws) -> Self {
        let (u, i) = folded.of_phase(p);
        let mut strength: Vec<f64> = u.iter().map(|_| strength(draws)).collect();
        let sum: f64 = i.iter().sum::<f64>().max(f64::MIN_POSITIVE);
        let mean: f64 = strength.iter().zip(i).map(|(s, i)| s * i).sum::<f64>() / sum;
        for s in &mut strength {
            *s -= (1.0 - shared.shown) * mean;
        }
        Self {
            scored: Folded {
                events: u.len(),
                u: u.to_vec(),
                i: i.to_vec(),
            },
            u: u.to_vec(),
            shared,
            strength,
        }
    }

    /// Logarithm of the mean likelihood ratio with hits of energy `e`.
    fn ln_mean(&mut self, e: f64, turns: &mut Turns) -> f64 {
        let record = self.u.iter().zip(&self.strength);
        for ((to, i), (u, s)) in self.scored.u.iter_mut().zip(&self.scored.i).zip(record) {
            *to = u + e * s * i;
        }
        if turns.load(&self.scored, 0, self.shared) {
            turns.ln_mean_near(e)
        } else {
            f64::NEG_INFINITY
        }
    }

    /// Energy at which the logarithm reaches `wanted`, sought from `start` on, within a factor `MOST_STEPS` steps reach.
    fn energy(&mut self, wanted: f64, start: f64, turns: &mut Turns) -> Option<f64> {
        let (mut e, mut ln) = (start, self.ln_mean(start, turns));
        if ln == f64::NEG_INFINITY {
            return None;
        }
        let up = ln < wanted;
        for _ in 0..MOST_STEPS {
            let next = if up { e * STEP } else { e / STEP };
            let beyond = self.ln_mean(next, turns);
            if (beyond < wanted) != up {
                // both sides known: straight line in the logarithm of the energy
                let share = (wanted - ln) / (beyond - ln);
                return Some(e * libm::pow(next / e, share));
            }
            (e, ln) = (next, beyond);
        }
        None
    }
}

/// What a record makes of snags in one part.
struct Trial<'a> {
    evidence: Evidence<'a>,
    part: &'a Part,
    case: &'a Case,
}

impl Trial<'_> {
    /// Sites spread over the phases, each with its own pattern of hits.
    fn sites(&self, count: usize) -> Vec<Site> {
        let comb = self.case.comb;
        let folded = fold(self.evidence.field, comb);
        (0..count)
            .map(|n| {
                let p = n * comb.phases / count;
                let mut draws = Draws((self.case.part * count + n) as u64);
                Site::new(&folded, p, self.case.shared[p], &mut draws)
            })
            .collect()
    }

    /// Logarithm of the mean likelihood ratio of one phase that makes the record report: `needed` is `ln B(part)`.
    fn wanted(&self, needed: f64) -> f64 {
        let prior = OrderPrior::new(self.part, self.evidence.turns);
        needed + libm::log(self.case.comb.phases as f64) - prior.ln_weight(self.part.order)
            + self.ln_rivals()
    }

    /// What the part's rivals take off once it has a case: then hits without rhythm are asked for, too.
    fn ln_rivals(&self) -> f64 {
        let Self { part, case, .. } = *self;
        // where it has one they were asked for already
        if hunts(part) || case.ln_raw() > 0.0 {
            return case.ln_rival;
        }
        let without = ln_without_rhythm(&self.evidence, part, case.comb.order);
        ln_sum_exp(&[case.ln_rival, without])
    }

    /// Depth whose hits, weakened by what the fit makes of them, act like hits of energy `acting`.
    fn depth(&self, acting: f64) -> f64 {
        let fit = self.evidence.field.fit;
        let spread = (1.0 + VARIATION * VARIATION - DETECTABLE_HIT_RATE) * DETECTABLE_HIT_RATE;
        let per_e2 = TAKEN_FOR_NOISE * spread * self.part.order / fit.noise.energy;
        // e grows faster than it acts less by a power below 1: Newton in the logarithm settles quickly
        let mut e = acting / SHOWN;
        for _ in 0..NEWTON_STEPS {
            let noise = per_e2 * e * e;
            let acts = SHOWN * e * libm::pow(1.0 + noise, -INFORMATION_POWER / 2.0);
            let slope = 1.0 - INFORMATION_POWER * noise / (1.0 + noise);
            e *= libm::exp(libm::log(acting / acts) / slope);
        }
        e / unit_energy(self.part, fit.track.coulomb)
    }

    /// How much deeper a snag must be because the car rolls.
    fn rolling(&self, crowding: f64) -> f64 {
        if !self.evidence.train.rolling {
            return 1.0;
        }
        let lone = match self.part.kind {
            PartKind::Bearing => LONE.1,
            _ => LONE.0,
        };
        if crowding > lone || hunts(self.part) {
            return ROLLING;
        }
        let Case { comb, phase, .. } = *self.case;
        let taken = taken_of_singles(self.evidence.field, comb, phase, SINGLES);
        ROLLING * (SHOWN / (1.0 - taken)).max(1.0)
    }

    /// The depth that shows with 95 %.
    fn detectable(&self, needed: f64) -> Option<f64> {
        if promises_nothing(self.part) {
            return None;
        }
        let mut turns = Turns::default();
        let mut sites = self.sites(SITES);
        let mut start = three_sd(&sites)?;
        let wanted = self.wanted(needed);
        let mut ln = Vec::with_capacity(SITES);
        for site in &mut sites {
            let e = site.energy(wanted, start, &mut turns)?;
            start = e;
            ln.push(libm::log(self.depth(e)));
        }
        let n = ln.len() as f64;
        let mean = ln.iter().sum::<f64>() / n;
        let variance = ln.iter().map(|l| (l - mean) * (l - mean)).sum::<f64>() / (n - 1.0);
        let crowding = self.part.order / (f64::from(self.evidence.train.magnets) / 2.0);
        let depth = self.rolling(crowding)
            * (1.0 + CROWDED * crowding * crowding)
            * libm::exp(mean + QUANTILE * (variance + REFIT_SD * REFIT_SD).sqrt());
        (depth <= MOST_DEPTH).then_some(depth)
    }
}

/// Energy of hits of three standard deviations.
fn three_sd(sites: &[Site]) -> Option<f64> {
    let all = sites.iter().flat_map(|s| &s.scored.i);
    let (n, sum) = all
        .filter(|i| **i > 0.0)
        .fold((0.0, 0.0), |(n, sum), i| (n + 1.0, sum + i));
    (sum > 0.0).then(|| 3.0 * (n / sum).sqrt())
}

/// Depth of hits whose energy in the scores has this logarithm and standard deviation.
pub(super) fn shown_depth(evidence: Evidence, case: &Case, (ln, sd): (f64, f64)) -> Estimate {
    let part = &evidence.train.parts[case.part];
    let unit = READ * unit_energy(part, evidence.field.fit.track.coulomb);
    let value = libm::exp(ln) / unit;
    let u = libm::hypot(sd, DEPTH_MODEL_SD);
    Estimate {
        value,
        u: value * u,
        lo95: value * libm::exp(-Z95 * u),
        hi95: value * libm::exp(Z95 * u),
    }
}

/// Detectable depth of every part: the smallest snag, in units of the drag, that the records would have reported with 95 %;
/// `None` where not even a large one shows. Of several sensors the one that shows a part best counts.
pub(super) fn detectable(search: &Search, limit: f64) -> BTreeMap<String, Option<f64>> {
    let joint = search.parts();
    let wanted = joint.len() as f64 * reporting_bayes(limit);
    // with one sensor a part that is like an earlier one has its depth
    let sensor = search.looks[0].sensor;
    let alone = search.looks.iter().all(|look| look.sensor == sensor);
    let first = |part: &Judged| {
        let like = |other: &&Judged| {
            other.name == part.name
                || (alone && twins(search, part.look, &part.name).contains(&&*other.name))
        };
        joint.iter().position(|p| like(&p))
    };
    let firsts: Vec<Option<usize>> = joint.iter().map(first).collect();
    let alone: Vec<usize> = (0..joint.len())
        .filter(|i| firsts[*i] == Some(*i))
        .collect();
    let depths = each(&alone, |i| {
        depth_of_part(search, &joint, &joint[*i], wanted)
    });
    let known = |i: usize| {
        let at = alone.iter().position(|a| firsts[i] == Some(*a))?;
        depths[at]
    };
    let names = joint.iter().enumerate();
    names
        .map(|(i, part)| (part.name.clone(), known(i)))
        .collect()
}

/// Names of the parts that are like this one on a look, itself among them; none where the look does not show it.
fn twins<'a>(search: &'a Search, look: usize, name: &str) -> Vec<&'a str> {
    let parts = &search.looks[look].evidence.train.parts;
    let Some((_, _, case)) = search.of_part(name).find(|(at, ..)| *at == look) else {
        return Vec::new();
    };
    search.cases[look]
        .iter()
        .map(|c| &parts[c.part])
        .filter(|p| alike(p, &parts[case.part]))
        .map(|p| p.name.as_str())
        .collect()
}

/// The smallest depth at which some sensor would have shown a part.
fn depth_of_part(search: &Search, joint: &[Judged], part: &Judged, wanted: f64) -> Option<f64> {
    let mut sensors: Vec<u32> = Vec::new();
    for (look, ..) in search.of_part(&part.name) {
        let sensor = search.looks[look].sensor;
        if !sensors.contains(&sensor) {
            sensors.push(sensor);
        }
    }
    let depths = sensors.iter().filter_map(|sensor| {
        let legs = search.legs(*sensor, &part.name);
        let twins = twins(search, legs.first()?.0, &part.name);
        let others = joint.iter().filter(|p| !twins.contains(&p.name.as_str()));
        let rest: f64 = others.map(|p| libm::exp(p.ln_bayes)).sum();
        let needed = (wanted - rest).max(f64::MIN_POSITIVE) / twins.len() as f64;
        let cases: Vec<(Evidence, &Case)> = legs
            .iter()
            .map(|(look, case, _)| (search.looks[*look].evidence, *case))
            .collect();
        // B of a part is the mean over the sensors that show it
        depth_of(&cases, libm::log(needed * sensors.len() as f64))
    });
    depths.reduce(f64::min)
}

/// Depth at which a part's own Bayes factor on the legs of one record reaches `needed` (its logarithm). Each leg that can show the part
/// has an even share of that, and of what the others take off; the mean over these legs counts, in the logarithm.
fn depth_of(legs: &[(Evidence, &Case)], needed: f64) -> Option<f64> {
    let depth = |(evidence, case): &(Evidence, &Case), share: f64| {
        let trial = Trial {
            evidence: *evidence,
            part: &evidence.train.parts[case.part],
            case,
        };
        trial.detectable(share)
    };
    if let [leg] = legs {
        return depth(leg, needed);
    }
    let share = needed / legs.len() as f64;
    let depths: Vec<Option<f64>> = legs.iter().map(|leg| depth(leg, share)).collect();
    let shown = depths.iter().flatten().count();
    if shown == legs.len() {
        return mean(depths.into_iter());
    }
    if shown * 2 < legs.len() {
        return None;
    }
    let by_depth = || legs.iter().zip(&depths);
    let off: f64 = by_depth()
        .filter(|(_, depth)| depth.is_none())
        .map(|((_, case), _)| case.ln_bayes)
        .sum();
    let share = (needed - off) / shown as f64;
    mean(by_depth().filter_map(|(leg, at)| at.map(|_| depth(leg, share))))
}

/// Geometric mean; `None` where one is missing, or all are.
fn mean(depths: impl Iterator<Item = Option<f64>>) -> Option<f64> {
    let ln: Option<Vec<f64>> = depths.map(|depth| depth.map(libm::log)).collect();
    let ln = ln.filter(|ln| !ln.is_empty())?;
    Some(libm::exp(ln.iter().sum::<f64>() / ln.len() as f64))
}

/// Detectable depth of one part of a record that reports another snag, or of which nobody asked before; its case in every leg that
/// shows it, at least one.
pub(super) fn detectable_of(finding: &RollFinding, legs: &[(Evidence, &Case)]) -> Option<f64> {
    let (evidence, case) = legs.first()?;
    let part = &evidence.train.parts[case.part];
    let same = |name: &str| {
        let parts = &evidence.train.parts;
        parts.iter().any(|p| p.name == name && alike(p, part))
    };
    let all = &finding.evidence.parts;
    let twins = all.iter().filter(|p| same(&p.part)).count().max(1) as f64;
    let needed = all.len() as f64 * reporting_bayes(finding.limit_snag_false_alarm) / twins;
    depth_of(legs, libm::log(needed))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::measure::roll::fixture::{fit, nodes, train};
    use crate::measure::roll::fold::Field;
    use crate::measure::roll::orders::{SLIP_SD, grid};
    use crate::measure::roll::score::score_field;
    use crate::vehicle::Train;

    #[test]
    fn a_hit_takes_the_mean_of_a_raised_cosine() {
        let part = |order: f64, per_own_turn: f64| Part {
            name: "x".into(),
            kind: crate::vehicle::PartKind::Shaft,
            order,
            order_sd: 0.0,
            mult: 1,
            per_own_turn,
            rigid: true,
        };
        // a ring with 41 teeth on 11: its 12 degrees are 41/11 times as long on the sensed spur as the spur's own
        let (ring, spur) = (
            unit_energy(&part(11.0 / 41.0, 1.0), 2.0),
            unit_energy(&part(1.0, 1.0), 2.0),
        );
        assert!((ring / spur - 41.0 / 11.0).abs() < 1e-12);
        // drag 2 over 1/30 turn, half of it
        assert!((spur - 2.0 / 30.0 / 2.0).abs() < 1e-15);
        // a joint on the same shaft: two events a turn, each as wide as the shaft's
        let joint = unit_energy(&part(2.0, 2.0), 2.0);
        assert!((joint - spur).abs() < 1e-15);
        assert_eq!(grid(1.0, 0.0, 300.0).len(), 1);
    }

    #[test]
    fn draws_are_even_and_normal() {
        let mut draws = Draws(1);
        let n = 20_000;
        let mean = (0..n).map(|_| draws.unit()).sum::<f64>() / f64::from(n);
        // 5 standard errors
        assert!((mean - 0.5).abs() < 5.0 * (1.0 / 12.0 / f64::from(n)).sqrt());
        let square = (0..n).map(|_| draws.normal()).map(|z| z * z).sum::<f64>() / f64::from(n);
        assert!((square - 1.0).abs() < 5.0 * (2.0 / f64::from(n)).sqrt());
        let hits = (0..n).filter(|_| strength(&mut draws) > 0.0).count() as f64 / f64::from(n);
        assert!((hits - 0.4).abs() < 5.0 * (0.24 / f64::from(n)).sqrt());
    }

    /// A part with 200 turns of information 1 and noise.
    fn site(rho: f64) -> Site {
        let mut noise = Draws(7);
        let folded = Folded {
            events: 200,
            u: (0..200).map(|_| noise.normal()).collect(),
            i: vec![1.0; 200],
        };
        let shared = Shared {
            rho,
            kappa: 1.0,
            shown: 1.0 - rho,
            ..Shared::NONE
        };
        Site::new(&folded, 0, shared, &mut Draws(3))
    }

    #[test]
    fn the_energy_found_is_the_one_that_reports() {
        let mut turns = Turns::default();
        for rho in [0.0, 0.6] {
            let mut site = site(rho);
            let wanted = 7.0;
            let (from_below, from_above) = (
                site.energy(wanted, 0.3, &mut turns).unwrap(),
                site.energy(wanted, 9.0, &mut turns).unwrap(),
            );
            for e in [from_below, from_above] {
                let ln = site.ln_mean(e, &mut turns);
                // a straight line over one step of the logarithm
                assert!((ln - wanted).abs() < 1.0, "rho {rho}: {ln} at {e}");
            }
            assert!(site.ln_mean(2.0 * from_below, &mut turns) > wanted + 5.0);
            assert!(site.ln_mean(0.5 * from_below, &mut turns) < wanted - 2.0);
        }
    }

    #[test]
    fn three_turns_have_no_depth() {
        let folded = Folded {
            events: 3,
            u: vec![0.0; 3],
            i: vec![1.0; 3],
        };
        let mut site = Site::new(&folded, 0, Shared::NONE, &mut Draws(1));
        assert_eq!(site.energy(1.0, 1.0, &mut Turns::default()), None);
    }

    /// What `look` sees of the wheel of a record of `n` edges.
    fn of_wheel<T>(n: usize, change: impl Fn(&mut Train), look: impl Fn(&Trial) -> T) -> T {
        let nodes = nodes(4, n, 5);
        let fit = fit(&nodes, &[(0, n - 1)]);
        let scores = score_field(&fit);
        let mut train = train(4);
        change(&mut train);
        let field = Field {
            fit: &fit,
            scores: &scores,
            reach: (nodes.x[0], nodes.x[n - 1]),
        };
        let evidence = Evidence {
            nodes: &nodes,
            train: &train,
            field,
            turns: nodes.turns(),
        };
        let case = evidence.case(1).unwrap();
        look(&Trial {
            evidence,
            part: &train.parts[1],
            case: &case,
        })
    }

    #[test]
    fn where_columns_take_much_of_a_hit_a_lone_part_needs_more() {
        let rolls = |_: &mut Train| {};
        let taken = of_wheel(160, rolls, |t| {
            let Case { comb, phase, .. } = *t.case;
            taken_of_singles(t.evidence.field, comb, phase, SINGLES)
        });
        assert!(taken > 1.0 - SHOWN && taken < 1.0, "{taken}");
        let lone = of_wheel(160, rolls, |t| t.rolling(LONE.0));
        assert!((lone - ROLLING * SHOWN / (1.0 - taken)).abs() < 1e-12);
        let crowded = of_wheel(160, rolls, |t| t.rolling(LONE.0 + 0.01));
        assert!((crowded - ROLLING).abs() < 1e-12);
        let ball = |train: &mut Train| train.parts[1].kind = PartKind::Bearing;
        let ball = of_wheel(160, ball, |t| t.rolling(LONE.1 + 0.01));
        assert!((ball - ROLLING).abs() < 1e-12);
        let stands = |train: &mut Train| train.rolling = false;
        let on_a_stand = of_wheel(160, stands, |t| t.rolling(LONE.0));
        assert!((on_a_stand - 1.0).abs() < 1e-12);
    }

    #[test]
    fn planets_that_slip_promise_nothing() {
        let depth = |kind: PartKind, sd: f64| {
            let change = |train: &mut Train| {
                let part = &mut train.parts[1];
                (part.kind, part.order, part.order_sd) = (kind, 0.5, sd);
            };
            of_wheel(160, change, |t| t.detectable(0.0))
        };
        assert_eq!(depth(PartKind::Planet, SLIP_SD), None);
        // on a stand
        assert!(depth(PartKind::Planet, 0.0).is_some());
        assert!(depth(PartKind::Shaft, SLIP_SD).is_some());
    }
}

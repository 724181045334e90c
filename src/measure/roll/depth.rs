//! How deep a snag must be for this record to have shown it: snags of known depth are put into the score field and the
//! parts judged again.

use std::collections::BTreeMap;

use crate::reading::{Estimate, Z95};
use crate::vehicle::Part;

use super::bayes::Turns;
use super::finding::RollFinding;
use super::fold::{Folded, Shared, fold};
use super::orders::OrderPrior;
use super::parts::{Case, Evidence, alike};
use super::search::{Search, reporting_bayes};

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
pub(super) const SHOWN: f64 = 0.87;
/// Relative model error of a depth that is read from the hits; set on simulated records.
pub(super) const DEPTH_MODEL_SD: f64 = 0.25;
/// What refitting the record with the snag in it adds to the scatter of ln depth; set on simulated records.
const REFIT_SD: f64 = 0.22;
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

/// Even numbers in [0, 1) by Steele, Lea and Flood's SplitMix64 (2014).
struct Draws(u64);

impl Draws {
    fn unit(&mut self) -> f64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        ((z ^ (z >> 31)) >> 11) as f64 / (1u64 << 53) as f64
    }

    /// Nearly standard normal: twelve even numbers.
    fn normal(&mut self) -> f64 {
        (0..12).map(|_| self.unit()).sum::<f64>() - 6.0
    }

    /// Strength of one event: 0 without a hit.
    fn strength(&mut self) -> f64 {
        let (hit, depth) = (self.unit() < DETECTABLE_HIT_RATE, self.normal());
        if hit {
            (1.0 + VARIATION * depth).max(SHALLOWEST)
        } else {
            0.0
        }
    }
}

/// One place where a snag is put in.
struct Site {
    /// Scores and informations of the phase, as folded, and what else the judgement needs.
    scored: Folded,
    u: Vec<f64>,
    shared: Shared,
    /// Strength of every event, less what the nuisance fit takes of their mean.
    strength: Vec<f64>,
}

impl Site {
    fn new(folded: &Folded, p: usize, shared: Shared, draws: &mut Draws) -> Self {
        let range = p * folded.events..(p + 1) * folded.events;
        let (u, i) = (folded.u[range.clone()].to_vec(), &folded.i[range]);
        let mut strength: Vec<f64> = u.iter().map(|_| draws.strength()).collect();
        let sum: f64 = i.iter().sum::<f64>().max(f64::MIN_POSITIVE);
        let mean: f64 = strength.iter().zip(i).map(|(s, i)| s * i).sum::<f64>() / sum;
        for s in &mut strength {
            *s -= shared.rho * mean;
        }
        Self {
            scored: Folded {
                events: u.len(),
                u: u.clone(),
                i: i.to_vec(),
            },
            u,
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
            turns.ln_mean()
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
            + self.case.ln_rival
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

    /// The depth that shows with 95 %.
    fn detectable(&self, needed: f64) -> Option<f64> {
        let mut turns = Turns::default();
        let mut sites = self.sites(SITES);
        let mut start = self.start(&sites)?;
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
        let depth = libm::exp(mean + QUANTILE * (variance + REFIT_SD * REFIT_SD).sqrt());
        (depth <= MOST_DEPTH).then_some(depth)
    }

    /// Hits of three standard deviations.
    fn start(&self, sites: &[Site]) -> Option<f64> {
        let informed = |s: &Site| s.scored.i.iter().copied().filter(|i| *i > 0.0).collect();
        let i: Vec<f64> = sites
            .iter()
            .flat_map(informed as fn(&Site) -> Vec<f64>)
            .collect();
        let sum: f64 = i.iter().sum();
        (sum > 0.0).then(|| 3.0 * (i.len() as f64 / sum).sqrt())
    }
}

/// Depth of hits whose energy in the scores has this logarithm and standard deviation.
pub(super) fn shown_depth(evidence: Evidence, case: &Case, (ln, sd): (f64, f64)) -> Estimate {
    let part = &evidence.train.parts[case.part];
    let unit = SHOWN * unit_energy(part, evidence.field.fit.track.coulomb);
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
    let mut depths = BTreeMap::new();
    for part in &joint {
        let mut best: Option<f64> = None;
        let shown_by = search.of_part(&part.name).count() as f64;
        for (look, _, case) in search.of_part(&part.name) {
            let evidence = search.looks[look].evidence;
            let parts = &evidence.train.parts;
            let twins: Vec<&Case> = search.cases[look]
                .iter()
                .filter(|c| alike(&parts[c.part], &parts[case.part]))
                .collect();
            // a part that is like an earlier one has its depth
            let known = twins
                .iter()
                .find_map(|c| depths.get(&parts[c.part].name).copied());
            if let (Some(known), true) = (known, search.looks.len() == 1) {
                best = known;
                continue;
            }
            let is_twin = |name: &str| twins.iter().any(|c| parts[c.part].name == name);
            let others = joint.iter().filter(|p| !is_twin(&p.name));
            let rest: f64 = others.map(|p| libm::exp(p.ln_bayes)).sum();
            let needed = (wanted - rest).max(f64::MIN_POSITIVE) / twins.len() as f64;
            // B of a part is the mean over the sensors that show it
            let depth = depth_of(evidence, case, libm::log(needed * shown_by));
            best = match (best, depth) {
                (Some(a), Some(b)) => Some(a.min(b)),
                (a, b) => a.or(b),
            };
        }
        depths.insert(part.name.clone(), best);
    }
    depths
}

/// Depth at which a part's own Bayes factor on one record reaches `needed` (its logarithm).
fn depth_of(evidence: Evidence, case: &Case, needed: f64) -> Option<f64> {
    let trial = Trial {
        evidence,
        part: &evidence.train.parts[case.part],
        case,
    };
    trial.detectable(needed)
}

/// Detectable depth of one part of a record that reports another snag, or of which nobody asked before.
pub(super) fn detectable_of(finding: &RollFinding, evidence: Evidence, case: &Case) -> Option<f64> {
    let part = &evidence.train.parts[case.part];
    let same = |name: &str| {
        let parts = &evidence.train.parts;
        parts.iter().any(|p| p.name == name && alike(p, part))
    };
    let all = &finding.evidence.parts;
    let twins = all.iter().filter(|p| same(&p.part)).count().max(1) as f64;
    let needed = all.len() as f64 * reporting_bayes(finding.limit_snag_false_alarm) / twins;
    depth_of(evidence, case, libm::log(needed))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::measure::roll::kept::Kept;
    use crate::measure::roll::{Roll, RollFinding, RollSettings};
    use crate::physics::drivetrain::{DrivetrainScenario, SnagScenario, simulate};
    use crate::reading::Quality;

    fn find(scenario: &DrivetrainScenario, seed: u64) -> RollFinding {
        let mut roll = Roll::new(RollSettings::new(scenario.train().clone()));
        for edge in simulate(scenario, seed).readings {
            roll.push(edge);
        }
        roll.finish(Quality::default())
    }

    fn env(name: &str, usual: u64) -> u64 {
        std::env::var(name).map_or(usual, |v| v.parse().unwrap())
    }

    fn mean_sd(x: &[f64]) -> String {
        let n = x.len() as f64;
        let m = x.iter().sum::<f64>() / n;
        let v = x.iter().map(|x| (x - m) * (x - m)).sum::<f64>() / n;
        format!("{m:6.2} sd {:5.2}", v.sqrt())
    }

    #[test]
    #[ignore = "a study"]
    #[allow(clippy::disallowed_methods)]
    fn study_cost() {
        let mut car = DrivetrainScenario::drawn_healthy(3, "straight");
        if env("PLOVER", 1) == 1 {
            car = DrivetrainScenario::new(crate::physics::PLOVER_8, "straight", None).unwrap();
        }
        let edges = simulate(&car, 3).readings;
        for _ in 0..4 {
            let t = std::time::Instant::now();
            let mut roll = Roll::new(RollSettings::new(car.train().clone()));
            for e in &edges {
                roll.push(*e);
            }
            let finding = roll.finish(Quality::default());
            let whole = t.elapsed();
            let kept = finding.evidence.kept.as_ref().unwrap();
            let evidence = Kept::evidence(kept);
            let cases: Vec<Case> = (0..evidence.train.parts.len())
                .filter(|i| {
                    crate::measure::roll::parts::hidden(
                        &evidence.train.parts[*i],
                        evidence.train,
                        evidence.turns,
                    )
                    .is_none()
                })
                .filter_map(|i| evidence.case(i))
                .collect();
            let t = std::time::Instant::now();
            let d = detectable(evidence, &cases, 0.01);
            println!(
                "finding {whole:?}, depths {:?} of {} cases {:?}",
                t.elapsed(),
                cases.len(),
                d
            );
            let t = std::time::Instant::now();
            for c in &cases {
                evidence.ln_rival_term(&evidence.train.parts[c.part], c.comb.order);
            }
            println!("rivals {:?}", t.elapsed());
            let t = std::time::Instant::now();
            for c in &cases {
                Trial {
                    evidence,
                    part: &evidence.train.parts[c.part],
                    case: c,
                }
                .sites(SITES);
            }
            println!("sites {:?}", t.elapsed());
        }
    }

    #[test]
    #[ignore = "a study"]
    fn study_detectable_depth_is_detected() {
        let (first, count) = (env("FIRST", 0), env("COUNT", 6));
        for (name, setup) in [
            ("ring_f", "straight"),
            ("drive_fl", "straight"),
            ("hub_rl.cage", "straight"),
            ("final_f.pair", "straight"),
            ("spur", "straight"),
            ("pinion_f", "straight"),
            ("ring_f", "one_fl"),
            ("wheel_fl", "one_fl"),
            ("diff_f.planet", "one_fl"),
            ("spur", "one_fl"),
        ] {
            let (mut depths, mut found, mut n, mut none, mut margins) = (vec![], 0, 0, 0, vec![]);
            for seed in first..first + count {
                let mut healthy = DrivetrainScenario::drawn_healthy(seed, setup);
                if setup != "straight" {
                    healthy.conditions.duration_s = 30.0;
                }
                let finding = find(&healthy, seed);
                let Some(kept) = &finding.evidence.kept else {
                    continue;
                };
                if finding.evidence.named {
                    continue;
                }
                let evidence = Kept::evidence(kept);
                let cases: Vec<Case> = (0..evidence.train.parts.len())
                    .filter(|i| {
                        crate::measure::roll::parts::hidden(
                            &evidence.train.parts[*i],
                            evidence.train,
                            evidence.turns,
                        )
                        .is_none()
                    })
                    .filter_map(|i| evidence.case(i))
                    .collect();
                let Some(at) = cases
                    .iter()
                    .position(|c| evidence.train.parts[c.part].name == name)
                else {
                    continue;
                };
                let Some(depth) = detectable(evidence, &cases, 0.01)[at] else {
                    none += 1;
                    continue;
                };
                depths.push(depth);
                let snagged = healthy
                    .clone()
                    .with_snag(SnagScenario {
                        part: name.into(),
                        depth,
                        hit_rate: 0.4,
                        burst: None,
                    })
                    .unwrap();
                let finding = find(&snagged, seed);
                n += 1;
                found += u32::from(finding.evidence.named);
                margins.push(finding.quality.ln_bayes.unwrap() - 1.0986);
            }
            depths.sort_by(f64::total_cmp);
            println!(
                "{name} {setup}: found {found} of {n} ({none} none), margin {}, depth median {:.2} range {:.2} to {:.2}",
                mean_sd(&margins),
                depths[depths.len() / 2],
                depths[0],
                depths[depths.len() - 1]
            );
        }
    }
}

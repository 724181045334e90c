//! One look for one snag, over the records of all sensors: which parts may hold it, and what the most probable one did. Legs of one
//! record are like captures of one car: phase and order may differ, the part does not, so the logarithms of its Bayes factors add up.
//! Of several sensors the mean counts.

use std::ops::Range;

use super::bayes::Turns;
use super::bursts::{bursts, last_seen};
use super::depth::shown_depth;
use super::finding::{Hit, Snag, Suspect};
use super::fold::Comb;
use super::hits::{HitRate, hit_rate};
use super::parts::{Case, Evidence, alike};
use super::side_by_side::each;
use super::together::Together;
use super::whole;
use crate::measure::logarithm::{ln_mean_exp, ln_sum_exp};

/// Exponent of the Bayes factors in the posterior: tempers what the independence of turns overstates.
pub(super) const GAMMA: f64 = 0.5;
/// Mean Bayes factors and the false-alarm probabilities claimed for them, straight lines in both logarithms between and
/// `1/B` beyond the last. Set on 2574 simulated records without a snag, rolling and on stands, of 6, 8 and 16 magnets: 3.5 % of
/// them (at most 10 % of one setup) had 0.7 or more, 0.62 % had 3 or more.
const CLAIMS: [(f64, f64); 3] = [(0.2, 1.0), (0.7, 0.1), (3.0, 0.01)];
/// Harmonics that may be meant in other words.
const OTHER_WORDS: std::ops::RangeInclusive<u32> = 2..=6;

/// Mean Bayes factor from which on a snag is reported at this limit of the false-alarm probability; beyond 1 that of 1.
pub(super) fn reporting_bayes(limit: f64) -> f64 {
    let [.., (last, claimed)] = CLAIMS;
    if limit <= claimed {
        return last * claimed / limit;
    }
    let (from, to) = segment(|(_, p)| p <= limit);
    let share = libm::log(limit.min(1.0) / from.1) / libm::log(to.1 / from.1);
    from.0 * libm::pow(to.0 / from.0, share)
}

/// Probability that a healthy car's record has a mean Bayes factor of the parts as large as this: 1 up to 0.2, `0.03/B` from
/// 3 on.
pub(super) fn false_alarm(ln_bayes: f64) -> f64 {
    let [(first, _), .., (last, claimed)] = CLAIMS;
    if ln_bayes >= libm::log(last) {
        return last * claimed * libm::exp(-ln_bayes);
    }
    if ln_bayes <= libm::log(first) {
        return 1.0;
    }
    let (from, to) = segment(|(b, _)| libm::log(b) > ln_bayes);
    let share = (ln_bayes - libm::log(from.0)) / libm::log(to.0 / from.0);
    from.1 * libm::pow(to.1 / from.1, share)
}

/// The stretch of [`CLAIMS`] that ends at the first claim beyond.
fn segment(beyond: impl Fn((f64, f64)) -> bool) -> ((f64, f64), (f64, f64)) {
    let ends = CLAIMS.windows(2).find(|w| beyond(w[1]));
    let ends = ends.unwrap_or(&CLAIMS[CLAIMS.len() - 2..]);
    (ends[0], ends[1])
}

/// A leg of one sensor's record, as it is or less the snags that are known.
#[derive(Clone, Copy)]
pub(super) struct Look<'a> {
    pub sensor: u32,
    pub evidence: Evidence<'a>,
    /// Angle at which the record begins, turns.
    pub begins: f64,
    /// Time of the first counted edge in the file, s.
    pub origin_s: f64,
}

/// The looks of all sensors, leg after leg, each with the cases of the parts that it shows.
pub(super) struct Search<'a> {
    pub looks: Vec<Look<'a>>,
    pub cases: Vec<Vec<Case>>,
}

/// A part over all sensors that show it.
#[derive(Clone, Debug)]
pub(super) struct Part {
    pub name: String,
    /// Logarithms of the means over the sensors of B and B', each the product of its legs'.
    pub ln_bayes: f64,
    pub ln_naming: f64,
    /// Which look has its best case, and where among the cases there.
    pub look: usize,
    pub case: usize,
}

/// What a sensor shows of a snag.
pub(super) struct Shown {
    pub sensor: u32,
    /// The legs that show it, in order.
    pub legs: Vec<ShownLeg>,
    /// Hits of all their turns, leg after leg.
    pub hits: HitRate,
}

/// What one leg shows of a snag.
pub(super) struct ShownLeg {
    pub look: usize,
    pub case: Case,
    pub turns: Turns,
    /// Events of the part between the record's beginning and the leg's.
    pub before: f64,
    /// Where its turns are among those of all legs.
    pub at: Range<usize>,
}

impl Search<'_> {
    fn name_of(&self, look: usize, case: &Case) -> &str {
        &self.looks[look].evidence.train.parts[case.part].name
    }

    /// Every part that some sensor shows, in the order of the first that does.
    pub fn parts(&self) -> Vec<Part> {
        let mut names: Vec<&str> = Vec::new();
        for (look, cases) in self.cases.iter().enumerate() {
            for case in cases {
                let name = self.name_of(look, case);
                if !names.contains(&name) {
                    names.push(name);
                }
            }
        }
        names.into_iter().map(|name| self.part(name)).collect()
    }

    fn part(&self, name: &str) -> Part {
        let mut sensors: Vec<u32> = Vec::new();
        let mut best: Option<(f64, usize, usize)> = None;
        for (look, case, ln) in self.of_part(name) {
            let sensor = self.looks[look].sensor;
            if !sensors.contains(&sensor) {
                sensors.push(sensor);
            }
            if best.is_none_or(|(most, ..)| ln.ln_naming > most) {
                best = Some((ln.ln_naming, look, case));
            }
        }
        let (_, look, case) = best.expect("a part that was named by a case");
        let mean = |of: fn(&Case) -> (f64, &[f64])| {
            let sensor = |sensor: &u32| self.over_legs(*sensor, name, of);
            ln_mean_exp(&sensors.iter().map(sensor).collect::<Vec<f64>>())
        };
        Part {
            name: name.into(),
            ln_bayes: mean(|case| (case.ln_bayes, &case.by_phase)),
            ln_naming: mean(|case| (case.ln_naming, &case.naming_by_phase)),
            look,
            case,
        }
    }

    /// Logarithm of a part's Bayes factor over the legs of one sensor, of each leg's and its logarithms at every phase. What is geared
    /// rigidly keeps its phase from leg to leg, unless the count slipped between them: either may be.
    fn over_legs(&self, sensor: u32, name: &str, of: fn(&Case) -> (f64, &[f64])) -> f64 {
        let legs = self.legs(sensor, name);
        let free: f64 = legs.iter().map(|leg| of(leg.1).0).sum();
        let part = |look: usize, case: &Case| &self.looks[look].evidence.train.parts[case.part];
        if legs.len() < 2 || part(legs[0].0, legs[0].1).order_sd > 0.0 {
            return free;
        }
        let phases = legs.iter().map(|leg| of(leg.1).1.len()).max().unwrap_or(0);
        let at = |q: usize| -> f64 {
            let share = q as f64 / phases as f64;
            let leg = |(_, case, before): &(usize, &Case, f64)| {
                let ln = of(case).1;
                let own = share - before;
                let p = whole((own - own.floor()) * ln.len() as f64 + 0.5) % ln.len();
                // too few turns say nothing
                if ln[p].is_finite() { ln[p] } else { 0.0 }
            };
            legs.iter().map(leg).sum()
        };
        let in_step = ln_mean_exp(&(0..phases).map(at).collect::<Vec<f64>>());
        let alone: f64 = legs.iter().map(|leg| ln_mean_exp(of(leg.1).1)).sum();
        ln_mean_exp(&[free, free + in_step - alone])
    }

    /// The cases of a part: look, place among its cases, case.
    pub fn of_part(&self, name: &str) -> impl Iterator<Item = (usize, usize, &Case)> {
        self.cases
            .iter()
            .enumerate()
            .filter_map(move |(look, cases)| {
                let at = cases.iter().position(|c| self.name_of(look, c) == name)?;
                Some((look, at, &cases[at]))
            })
    }

    /// The cases of a part in the legs of one sensor: look, case, and how many of its events come before the leg.
    pub fn legs(&self, sensor: u32, name: &str) -> Vec<(usize, &Case, f64)> {
        let mut legs: Vec<(usize, &Case, f64)> = Vec::new();
        for (look, _, case) in self.of_part(name) {
            let Look {
                evidence, begins, ..
            } = self.looks[look];
            if self.looks[look].sensor != sensor {
                continue;
            }
            let order = case.comb.order;
            let from = evidence.nodes.x[0];
            let before = match legs.last() {
                // at the order of the leg before up to here
                Some((last, last_case, before)) => {
                    let last_from = self.looks[*last].evidence.nodes.x[0];
                    before + (from - last_from) * last_case.comb.order
                }
                None => (from - begins) * order,
            };
            legs.push((look, case, before));
        }
        legs
    }

    /// Logarithm of the mean Bayes factor of the parts.
    pub fn ln_bayes(&self) -> f64 {
        let parts = self.parts();
        ln_mean_exp(&parts.iter().map(|p| p.ln_bayes).collect::<Vec<f64>>())
    }

    /// The finer look at every part that may be meant; parts that are alike share it.
    pub fn name(&mut self) {
        for (look, cases) in self.looks.iter().zip(&mut self.cases) {
            let parts = &look.evidence.train.parts;
            let meant: Vec<usize> = (0..cases.len())
                .filter(|i| cases[*i].ln_raw() >= 0.0)
                .collect();
            let twin = |i: usize| {
                let alike = |j: &usize| alike(&parts[cases[*j].part], &parts[cases[i].part]);
                (0..i).find(alike)
            };
            let alone: Vec<usize> = meant
                .iter()
                .copied()
                .filter(|i| twin(*i).is_none())
                .collect();
            let twins: Vec<(usize, usize)> =
                meant.iter().filter_map(|i| Some((*i, twin(*i)?))).collect();
            let refined = each(&alone, |i| {
                let mut case = cases[*i].clone();
                look.evidence.refine(&mut case);
                case
            });
            for (i, case) in alone.into_iter().zip(refined) {
                cases[i] = case;
            }
            for (i, twin) in twins {
                cases[i] = Case {
                    part: cases[i].part,
                    ..cases[twin].clone()
                };
            }
            look.evidence.yield_to_shafts(cases);
        }
    }

    /// The parts with their probabilities, most probable first.
    pub fn suspects(&self) -> Vec<(Part, Suspect)> {
        let parts = self.parts();
        let tempered: Vec<f64> = parts.iter().map(|p| GAMMA * p.ln_naming).collect();
        let norm = ln_sum_exp(&tempered);
        let suspect = |(part, tempered): (Part, f64)| {
            let suspect = Suspect {
                part: part.name.clone(),
                probability: libm::exp(tempered - norm),
                ln_bayes: part.ln_naming,
                order_per_sensor_turn: self.cases[part.look][part.case].comb.order,
            };
            (part, suspect)
        };
        let mut all: Vec<(Part, Suspect)> = parts.into_iter().zip(tempered).map(suspect).collect();
        // stable: parts of equal order keep the order of the file
        all.sort_by(|a, b| b.1.probability.total_cmp(&a.1.probability));
        all
    }

    /// Turns and hits of a part whose best case of a sensor is that of this look.
    pub fn shown(&self, look: usize, best: &Case) -> Shown {
        let Look {
            sensor, evidence, ..
        } = self.looks[look];
        let part = &evidence.train.parts[best.part];
        let legs = self.legs(sensor, &part.name);
        let ahead = legs.iter().find(|leg| leg.0 == look);
        let ahead = ahead.map_or(0.0, |leg| leg.2 + best.share());
        let aligned = |(at, case, before): (usize, &Case, f64)| {
            let mut case = case.clone();
            if part.order_sd <= 0.0 && at != look {
                // what is geared rigidly keeps its phase
                case.turn_to(ahead - before);
            }
            (at, case, before)
        };
        self.shown_by(sensor, legs.into_iter().map(aligned))
    }

    /// Turns and hits of a part in legs of one sensor, each at the phase of its case; at least one has enough informative turns there.
    pub fn shown_by(&self, sensor: u32, legs: impl Iterator<Item = (usize, Case, f64)>) -> Shown {
        let mut shown = Vec::new();
        let mut all = Vec::new();
        for (look, case, before) in legs {
            let evidence = self.looks[look].evidence;
            let Some(turns) = evidence.turns_of(&case) else {
                continue;
            };
            all.push(Together::new(evidence.field, case.comb, case.phase));
            let from = shown.last().map_or(0, |leg: &ShownLeg| leg.at.end);
            shown.push(ShownLeg {
                look,
                before,
                at: from..from + turns.k.len(),
                turns,
                case,
            });
        }
        let turns: Vec<&Turns> = shown.iter().map(|leg| &leg.turns).collect();
        let hits = hit_rate(&turns, &Together::joined(all));
        Shown {
            sensor,
            legs: shown,
            hits,
        }
    }

    /// The snag of the most probable part, and how its best sensor shows it.
    pub fn snag(&self, alarm: f64, suspects: &[(Part, Suspect)]) -> (Snag, Shown) {
        let (part, suspect) = &suspects[0];
        let case = &self.cases[part.look][part.case];
        let look = &self.looks[part.look];
        let shown = self.shown(part.look, case);
        let best = shown.legs.iter().find(|leg| leg.look == part.look);
        let before = best.map_or(0.0, |leg| leg.before);
        let ahead = before + case.share();
        let phase = ahead - ahead.floor();
        let hits = self.hits(&shown, phase);
        let seen = last_seen(&hits);
        let snag = Snag {
            part: suspect.part.clone(),
            probability: suspect.probability,
            false_alarm_probability: alarm,
            order_per_sensor_turn: case.comb.order,
            phase_deg: 360.0 * phase,
            phase_half_bin_deg: 180.0 / case.comb.phases as f64,
            hit_rate: shown.hits.rate,
            depth: shown_depth(look.evidence, case, shown.hits.ln_energy),
            bursts: bursts(&hits),
            last_seen_s: seen.map(|s| s.0),
            turns_since_seen: seen.map(|s| s.1),
            sensor: look.sensor,
            hits,
            ambiguous_with: look.other_words(&part.name, case.comb.order),
            suspects: suspects.iter().map(|s| s.1.clone()).collect(),
        };
        (snag, shown)
    }

    /// Every turn that could be seen, numbered from the record's beginning, where the part's phase is `phase`.
    fn hits(&self, shown: &Shown, phase: f64) -> Vec<Hit> {
        let mut hits: Vec<Hit> = Vec::with_capacity(shown.hits.hit.len());
        for leg in &shown.legs {
            let share = leg.case.share();
            for (k, hit) in leg.turns.k.iter().zip(&shown.hits.hit[leg.at.clone()]) {
                let event = *k as f64 + share;
                let turn = whole(leg.before + event - phase + 0.5) as u64;
                // a phase that drifts from leg to leg must not give one number twice
                let next = hits.last().map_or(0, |last| last.turn + 1);
                hits.push(Hit {
                    turn: turn.max(next),
                    t_s: self.looks[leg.look].time_of(leg.case.comb, event),
                    hit: *hit,
                });
            }
        }
        hits
    }
}

impl Look<'_> {
    /// Time in the file of event number `k` (with its phase) of a comb, s.
    pub fn time_of(&self, comb: Comb, k: f64) -> f64 {
        let nodes = self.evidence.nodes;
        let a = nodes.x[0] + k / comb.order;
        let i = nodes
            .x
            .partition_point(|x| *x <= a)
            .clamp(1, nodes.x.len() - 1);
        let share = (a - nodes.x[i - 1]) / (nodes.x[i] - nodes.x[i - 1]);
        self.origin_s + nodes.t[i - 1] + share * (nodes.t[i] - nodes.t[i - 1])
    }

    /// Multiples of other shafts' orders that are the same order as a part's.
    fn other_words(&self, part: &str, best: f64) -> Vec<String> {
        let Evidence { train, turns, .. } = self.evidence;
        let mut words = Vec::new();
        for shaft in train.turning.iter().filter(|s| !s.planet) {
            for h in OTHER_WORDS {
                let order = f64::from(h) * shaft.order;
                let reach = (1.0 / turns).max(2.0 * self.evidence.shaft_sd(shaft.rigid) * order);
                if shaft.name != part && (order - best).abs() < reach {
                    words.push(format!("{h} x {}", shaft.name));
                }
            }
        }
        words
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn claimed_probability_falls_and_has_its_inverse() {
        for (bayes, claimed) in CLAIMS {
            assert!((false_alarm(libm::log(bayes)) / claimed - 1.0).abs() < 1e-12);
        }
        // half way in both logarithms between 0.7 and 3, and from 3 on as 1/B
        let middle = libm::log((0.7f64 * 3.0).sqrt());
        assert!((false_alarm(middle) / 0.001f64.sqrt() - 1.0).abs() < 1e-12);
        assert!((false_alarm(libm::log(30.0)) / 0.001 - 1.0).abs() < 1e-12);
        let all: Vec<f64> = (-100..=400).map(|k| f64::from(k) / 50.0).collect();
        for pair in all.windows(2) {
            let (p, next) = (false_alarm(pair[0]), false_alarm(pair[1]));
            assert!(next < p || p >= 1.0, "{pair:?}: {p} {next}");
            if p < 1.0 {
                let back = libm::log(reporting_bayes(p));
                assert!((back - pair[0]).abs() < 1e-9, "{} {back}", pair[0]);
            }
        }
        // what the suggested limit reports is what it has always reported
        assert!(false_alarm(libm::log(3.0) - 1e-6) > 0.01);
        assert!(false_alarm(libm::log(3.0) + 1e-6) < 0.01);
    }
}

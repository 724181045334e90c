//! From the parts' cases to a finding: posterior, false-alarm probability, words.

use std::sync::Arc;

use crate::reading::{LimitSource, SOFTWARE, Verdict};

use super::bayes::{ln_mean_exp, ln_sum_exp};
use super::finding::{Hit, RollFinding, RollQuality, RollTrace, Snag, Strip, Suspect};
use super::fold::{Comb, fold};
use super::hits::hit_rate;
use super::kept::{Kept, RollEvidence, parts};
use super::parts::{Case, Evidence, alike};
use super::whole;

/// Share of `1/B` that bounds the false alarms; set on simulated records without a snag.
const FALSE_ALARM: f64 = 0.03;
/// Exponent of the Bayes factors in the posterior: tempers what the independence of turns overstates.
pub(super) const GAMMA: f64 = 0.5;
/// Orders nearer than this many cycles over the record cannot be told apart.
pub(super) const SAME_ORDER: f64 = 0.25;
/// Harmonics that may be meant in other words.
const OTHER_WORDS: std::ops::RangeInclusive<u32> = 2..=6;
/// Bins a turn of a picture's strip.
const STRIP_BINS: usize = 36;

/// What was decided before the parts were looked at.
pub(super) struct Report<'a> {
    pub evidence: Evidence<'a>,
    pub limit: (f64, LimitSource),
    /// Time of the first counted edge, s.
    pub origin_s: f64,
    pub quality: RollQuality,
    /// The record that `evidence` looks at.
    pub kept: &'a Arc<Kept>,
}

/// `min(1, 0.03/B)` with `B` the mean over the parts.
pub(super) fn false_alarm(ln_bayes: f64) -> f64 {
    (FALSE_ALARM * libm::exp(-ln_bayes)).min(1.0)
}

/// Logarithm of the mean Bayes factor of the parts.
pub(super) fn ln_bayes(cases: &[Case]) -> f64 {
    ln_mean_exp(&cases.iter().map(|c| c.ln_bayes).collect::<Vec<f64>>())
}

/// Probability of every case from its `ln B'`.
fn posterior(cases: &[Case]) -> Vec<f64> {
    let tempered: Vec<f64> = cases.iter().map(|c| GAMMA * c.ln_naming).collect();
    let norm = ln_sum_exp(&tempered);
    tempered.iter().map(|t| libm::exp(t - norm)).collect()
}

impl Report<'_> {
    /// The finding of a record whose parts have been judged; `cases` is not empty.
    pub fn finding(mut self, mut cases: Vec<Case>) -> RollFinding {
        let ln = ln_bayes(&cases);
        let alarm = false_alarm(ln);
        let reported = alarm <= self.limit.0;
        if reported {
            self.name(&mut cases);
        }
        let suspects = self.suspects(&cases);
        let best = self.best(&cases, &suspects);
        let turns = self.evidence.turns_of(best);
        let phase = best.phase as f64 / best.comb.phases as f64;
        let passed = whole(self.evidence.turns * best.comb.order - phase + 1.0);
        self.quality.turns_unseen = Some(passed.saturating_sub(turns.k.len()) as u64);
        self.quality.ln_bayes = Some(ln);
        self.quality.same_order = self.same_order(&cases);
        self.note();
        let snags = if reported {
            vec![self.snag(best, &turns, alarm, suspects.clone())]
        } else {
            Vec::new()
        };
        let nodes = self.evidence.nodes;
        RollFinding {
            test: "roll".into(),
            software: SOFTWARE.into(),
            refused: None,
            verdict: Some(if reported {
                Verdict::Outside
            } else {
                Verdict::Undecided
            }),
            limit_source: Some(self.limit.1),
            limit_snag_false_alarm: self.limit.0,
            false_alarm_probability: Some(alarm),
            snags: Some(snags),
            suspects: Some(suspects),
            blind: None,
            start_s: Some(self.origin_s),
            end_s: nodes.t.last().map(|t| self.origin_s + t),
            trace: self.trace(best),
            evidence: RollEvidence {
                parts: parts(self.evidence, &cases),
                turns: self.quality.turns,
                not_visible: self
                    .quality
                    .not_visible
                    .iter()
                    .map(|n| n.part.clone())
                    .collect(),
                named: reported,
                kept: Some(Arc::clone(self.kept)),
            },
            quality: self.quality,
        }
    }

    /// The finer look at every part that may be meant; parts that are alike share it.
    fn name(&self, cases: &mut [Case]) {
        let parts = &self.evidence.train.parts;
        for i in 0..cases.len() {
            if cases[i].ln_bayes < 0.0 {
                continue;
            }
            let part = &parts[cases[i].part];
            match (0..i).find(|j| alike(&parts[cases[*j].part], part)) {
                Some(j) => {
                    cases[i] = Case {
                        part: cases[i].part,
                        ..cases[j].clone()
                    }
                }
                None => self.evidence.refine(&mut cases[i]),
            }
        }
        self.evidence.yield_to_shafts(cases);
    }

    fn part_name(&self, case: &Case) -> &str {
        &self.evidence.train.parts[case.part].name
    }

    fn suspects(&self, cases: &[Case]) -> Vec<Suspect> {
        let mut all: Vec<Suspect> = cases
            .iter()
            .zip(posterior(cases))
            .map(|(case, probability)| Suspect {
                part: self.part_name(case).into(),
                probability,
                ln_bayes: case.ln_naming,
                order_per_sensor_turn: case.comb.order,
            })
            .collect();
        // stable: parts of equal order keep the order of the file
        all.sort_by(|a, b| b.probability.total_cmp(&a.probability));
        all
    }

    fn best<'c>(&self, cases: &'c [Case], suspects: &[Suspect]) -> &'c Case {
        cases
            .iter()
            .find(|c| self.part_name(c) == suspects[0].part)
            .expect("every suspect is a case")
    }

    fn snag(
        &self,
        best: &Case,
        turns: &super::bayes::Turns,
        alarm: f64,
        suspects: Vec<Suspect>,
    ) -> Snag {
        let hits = hit_rate(turns);
        let event = |(k, hit): (&usize, &f64)| Hit {
            turn: *k as u64,
            t_s: self.time_of(
                best.comb,
                *k as f64 + best.phase as f64 / best.comb.phases as f64,
            ),
            hit: *hit,
        };
        Snag {
            part: suspects[0].part.clone(),
            probability: suspects[0].probability,
            false_alarm_probability: alarm,
            order_per_sensor_turn: best.comb.order,
            phase_deg: 360.0 * best.phase as f64 / best.comb.phases as f64,
            phase_half_bin_deg: 180.0 / best.comb.phases as f64,
            hit_rate: hits.rate,
            hits: turns.k.iter().zip(&hits.hit).map(event).collect(),
            ambiguous_with: self.other_words(best),
            suspects,
        }
    }

    /// Time in the file of event number `k` (with its phase) of a comb, s.
    fn time_of(&self, comb: Comb, k: f64) -> f64 {
        let nodes = self.evidence.nodes;
        let a = nodes.x[0] + k / comb.order;
        let i = nodes
            .x
            .partition_point(|x| *x <= a)
            .clamp(1, nodes.x.len() - 1);
        let share = (a - nodes.x[i - 1]) / (nodes.x[i] - nodes.x[i - 1]);
        self.origin_s + nodes.t[i - 1] + share * (nodes.t[i] - nodes.t[i - 1])
    }

    /// Multiples of other shafts' orders that are the same order.
    fn other_words(&self, best: &Case) -> Vec<String> {
        let Evidence { train, turns, .. } = self.evidence;
        let mut words = Vec::new();
        for shaft in train.turning.iter().filter(|s| !s.planet) {
            for h in OTHER_WORDS {
                let order = f64::from(h) * shaft.order;
                let reach = (1.0 / turns).max(2.0 * self.evidence.shaft_sd(shaft.rigid) * order);
                if shaft.name != self.part_name(best) && (order - best.comb.order).abs() < reach {
                    words.push(format!("{h} x {}", shaft.name));
                }
            }
        }
        words
    }

    /// Groups of parts whose nominal orders the record cannot tell apart.
    fn same_order(&self, cases: &[Case]) -> Vec<Vec<String>> {
        let parts = &self.evidence.train.parts;
        let mut sorted: Vec<usize> = cases.iter().map(|c| c.part).collect();
        sorted.sort_by(|a, b| parts[*a].order.total_cmp(&parts[*b].order));
        let near = |a: &usize, b: &usize| {
            parts[*b].order - parts[*a].order < SAME_ORDER / self.evidence.turns
        };
        sorted
            .chunk_by(near)
            .filter(|group| group.len() > 1)
            .map(|group| {
                let mut group = group.to_vec();
                group.sort_unstable();
                group.iter().map(|p| parts[*p].name.clone()).collect()
            })
            .collect()
    }

    fn note(&mut self) {
        let groups: Vec<String> = self
            .quality
            .same_order
            .iter()
            .map(|g| g.join(", "))
            .collect();
        for group in groups {
            self.quality
                .notes
                .push(format!("this setup cannot tell apart: {group}"));
        }
        if !self.quality.not_visible.is_empty() {
            self.quality
                .notes
                .push("parts that are not visible may still have a snag".into());
        }
    }

    /// Strips of the best part for a picture.
    fn trace(&self, best: &Case) -> RollTrace {
        let comb = Comb {
            order: best.comb.order,
            phases: STRIP_BINS,
        };
        let folded = fold(self.evidence.field, comb);
        let strip = |k: usize| {
            let bin = |p: usize| {
                let (u, i) = (
                    folded.u[p * folded.events + k],
                    folded.i[p * folded.events + k],
                );
                (i > 0.0).then(|| u / i.sqrt())
            };
            Strip {
                turn: k as u64,
                t_s: self.time_of(comb, k as f64),
                loss_sd: (0..STRIP_BINS).map(bin).collect(),
            }
        };
        RollTrace {
            part: Some(self.part_name(best).into()),
            bins: STRIP_BINS,
            strips: (0..folded.events)
                .map(strip)
                .filter(|s| s.loss_sd.iter().any(Option::is_some))
                .collect(),
        }
    }
}

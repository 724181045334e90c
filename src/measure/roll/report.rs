//! From the parts' cases to a finding: snags one after the other, false-alarm probability, verdict, words.

use std::sync::Arc;

use crate::reading::{Contribution, SOFTWARE, Verdict, budget};

use super::depth::{DETECTABLE_HIT_RATE, detectable};
use super::drag::{RollDrag, drag};
use super::filter::Track;
use super::finding::{Limits, RollFinding, RollQuality, RollTrace, Snag, Strip, Suspect};
use super::fit::Fit;
use super::fold::{Comb, Field, fold};
use super::hits::{HitRate, MODEL_U};
use super::kept::{Kept, RollEvidence, parts};
use super::known::Known;
use super::next::{NextSetup, next_if_open};
use super::parts::{Case, Evidence, SAME_EVENTS};
use super::score::ScoreField;
use super::search::{Look, Part, Search, Shown};
use super::sensed::{Leg, Sensed, cases};
use super::side_by_side::each;
use super::whole;

pub(super) use super::search::{GAMMA, false_alarm};

/// Orders nearer than this many cycles over the record cannot be told apart.
pub(super) const SAME_ORDER: f64 = 0.25;
/// Bins a turn of a picture's strip.
pub(super) const STRIP_BINS: usize = 36;
/// Hits nearer than this, degrees of the event period, lie side by side: a phase is found to some 11 degrees, and a snag is
/// 12 degrees wide (by judgement).
const BESIDE_DEG: f64 = 30.0;
/// Most snags that are looked for in one record.
const MOST_SNAGS: usize = 3;

/// The finding of records whose parts have been judged, one record a sensor, at least one.
pub(super) fn finding(sensed: &[Sensed], limits: Limits) -> RollFinding {
    let mut search = search_of(sensed);
    let ln = search.ln_bayes();
    let alarm = false_alarm(ln);
    let reported = alarm <= limits.false_alarm;
    if reported {
        search.name();
    }
    let suspects = search.suspects();
    let best = &suspects[0].0;
    let sensor = search.looks[best.look].sensor;
    let record = sensed.iter().find(|s| s.sensor == sensor);
    let record = record.expect("looks are those of the records");
    let (mut snags, mut lines) = (Vec::new(), Vec::new());
    if reported {
        let (snag, shown) = search.snag(alarm, &suspects);
        lines = contributions(&shown.hits);
        snags.push(snag);
        further(&search, limits.false_alarm, &shown, &mut snags);
    }
    let mut quality = quality(sensed, record, &search, best, ln);
    let (mut verdict, mut next_setup) = (Verdict::Outside, None);
    if reported {
        next_setup = next(&suspects, record);
    } else {
        verdict = without_a_snag(&search, limits, &mut quality);
    }
    RollFinding {
        test: "roll".into(),
        software: SOFTWARE.into(),
        refused: None,
        verdict: Some(verdict),
        next_setup,
        limit_source: Some(limits.false_alarm_source),
        limit_snag_false_alarm: limits.false_alarm,
        limit_snag_depth: limits.depth,
        limit_snag_depth_source: Some(limits.depth_source),
        false_alarm_probability: Some(alarm),
        snags: Some(snags),
        blind: None,
        start_s: Some(record.origin_s),
        end_s: Some(record.end_s),
        budget: lines,
        drag: drag_of(record),
        trace: trace(&search, sensor, &best.name),
        evidence: evidence(sensed, best, &search, (&quality, reported)),
        suspects: Some(suspects.into_iter().map(|s| s.1).collect()),
        quality,
    }
}

/// The first look at all records.
fn search_of(sensed: &[Sensed]) -> Search<'_> {
    let (mut looks, mut all) = (Vec::new(), Vec::new());
    for record in sensed {
        for Leg { kept, cases } in &record.legs {
            looks.push(Look {
                sensor: record.sensor,
                evidence: kept.evidence(),
                begins: kept.begins,
                origin_s: record.origin_s,
            });
            all.push(cases.clone());
        }
    }
    Search { looks, cases: all }
}

/// Drag over all legs of a record.
fn drag_of(record: &Sensed) -> Option<RollDrag> {
    let settings = &record.legs[0].kept.settings;
    let tracks: Vec<&Track> = record.legs.iter().map(|l| &l.kept.fit.track).collect();
    drag(&tracks, &settings.train, settings.wheel_diameter_m)
}

/// What the records would have shown, and whether that is enough to call the car free of snags.
fn without_a_snag(search: &Search, limits: Limits, quality: &mut RollQuality) -> Verdict {
    let depths = detectable(search, limits.false_alarm);
    quality.detectable_at_hit_rate = Some(DETECTABLE_HIT_RATE);
    quality.detectable_depth = depths
        .values()
        .copied()
        .reduce(|a, b| Some(a?.max(b?)))
        .flatten();
    quality.detectable_depth_by_part = depths;
    match quality.detectable_depth {
        Some(depth) if depth <= limits.depth => Verdict::Within,
        _ => Verdict::Undecided,
    }
}

/// What to try next, when the car's other setups are known.
fn next(suspects: &[(Part, Suspect)], record: &Sensed) -> Option<NextSetup> {
    let car = record.legs[0].kept.settings.car.as_ref()?;
    let open: Vec<(String, f64)> = suspects
        .iter()
        .map(|(_, s)| (s.part.clone(), s.probability))
        .collect();
    next_if_open(&open, &car.setups, record.quality.turns?)
}

/// What the finding keeps for later.
fn evidence(
    sensed: &[Sensed],
    best: &Part,
    search: &Search,
    (quality, named): (&RollQuality, bool),
) -> RollEvidence {
    let hidden = quality.not_visible.iter();
    let legs = sensed.iter().flat_map(|s| &s.legs);
    let records: Vec<Arc<Kept>> = legs.map(|leg| Arc::clone(&leg.kept)).collect();
    RollEvidence {
        parts: parts(search),
        turns: quality.turns,
        not_visible: hidden.map(|n| n.part.clone()).collect(),
        named,
        agree: false,
        kept: records.get(best.look).cloned(),
        records,
    }
}

/// Looks for further snags: what the last one took is a known loss, on every sensor that shows it.
fn further(search: &Search, limit: f64, shown: &Shown, snags: &mut Vec<Snag>) {
    let Some(last) = snags.last().filter(|_| snags.len() < MOST_SNAGS) else {
        return;
    };
    let less = without(search, &last.part, shown);
    if less.iter().all(Option::is_none) {
        return;
    }
    let looks = search.looks.iter().zip(&less).map(|(look, less)| {
        let field = look.evidence.field;
        let field = less.as_ref().map_or(field, |(fit, scores)| Field {
            fit,
            scores,
            ..field
        });
        Look {
            evidence: Evidence {
                field,
                ..look.evidence
            },
            ..*look
        }
    });
    let looks: Vec<Look> = looks.collect();
    let mut next = Search {
        cases: each(&looks, |look| cases(look.evidence, &mut Vec::new())),
        looks,
    };
    if next.cases.iter().all(Vec::is_empty) {
        return;
    }
    let alarm = false_alarm(next.ln_bayes());
    if alarm > limit {
        return;
    }
    next.name();
    let suspects = next.suspects();
    let (snag, shown) = next.snag(alarm, &suspects);
    let look = &next.looks[suspects[0].0.look];
    if snags.iter().any(|known| same_place(known, &snag, look)) {
        return;
    }
    snags.push(snag);
    further(&next, limit, &shown, snags);
}

/// Two snags of one rhythm whose hits lie side by side are one: what its removal left behind.
fn same_place(a: &Snag, b: &Snag, look: &Look) -> bool {
    let evidence = look.evidence;
    let middle = evidence.nodes.x[0] - look.begins + evidence.turns / 2.0;
    a.sensor == b.sensor && side_by_side(a, b, evidence.turns, middle)
}

/// The same of one sensor's snags over so many turns, by their phases so many turns behind the record's beginning.
fn side_by_side(a: &Snag, b: &Snag, turns: f64, middle: f64) -> bool {
    let (oa, ob) = (a.order_per_sensor_turn, b.order_per_sensor_turn);
    if (oa - ob).abs() > SAME_EVENTS / turns {
        return false;
    }
    // the phases half way through the leg: both orders are known by their phases there
    let apart = (oa - ob) * middle - (a.phase_deg - b.phase_deg) / 360.0;
    let apart = apart - apart.floor();
    360.0 * apart.min(1.0 - apart) < BESIDE_DEG
}

/// Every look less the losses in a part, of which one sensor has been shown; `None` where a leg does not show them.
fn without(search: &Search, part: &str, best: &Shown) -> Vec<Option<(Fit, ScoreField)>> {
    let mut others: Vec<Shown> = Vec::new();
    for (look, _, case) in search.of_part(part) {
        let sensor = search.looks[look].sensor;
        let known = sensor == best.sensor || others.iter().any(|other| other.sensor == sensor);
        if known || case.ln_naming <= 0.0 {
            continue;
        }
        // at each leg's own phase: what is geared rigidly to this sensor may stand for a part of the same order that is not
        let legs = search.legs(sensor, part).into_iter();
        let legs = legs.filter(|(_, case, _)| case.ln_naming > 0.0);
        let legs = legs.map(|(look, case, before)| (look, case.clone(), before));
        others.push(search.shown_by(sensor, legs));
    }
    let all: Vec<&Shown> = std::iter::once(best).chain(&others).collect();
    let less = |look: &usize| {
        let found = all.iter().find_map(|shown| {
            let leg = shown.legs.iter().find(|leg| leg.look == *look)?;
            Some((*shown, leg))
        });
        let (shown, leg) = found.filter(|(_, leg)| leg.case.ln_naming > 0.0)?;
        let known = Known {
            comb: leg.case.comb,
            phase: leg.case.phase,
            turn: &leg.turns.k,
            hit: &shown.hits.hit[leg.at.clone()],
            loss: &shown.hits.loss[leg.at.clone()],
        };
        Some(known.removed(search.looks[*look].evidence.field))
    };
    let looks: Vec<usize> = (0..search.looks.len()).collect();
    each(&looks, less)
}

/// Where the uncertainty of a hit rate comes from.
fn contributions(hits: &HitRate) -> Vec<Contribution> {
    budget(&[("few_turns", hits.u_few_turns), ("model", MODEL_U)])
}

/// Quality of the record that shows the most probable part best, with what holds for all of them.
fn quality(
    sensed: &[Sensed],
    record: &Sensed,
    search: &Search,
    best: &Part,
    ln: f64,
) -> RollQuality {
    let mut quality = record.quality.clone();
    let (mut passed, mut seen) = (0, 0);
    for (look, case, _) in search.legs(record.sensor, &best.name) {
        let evidence = search.looks[look].evidence;
        passed += whole(evidence.turns * case.comb.order - case.share() + 1.0);
        seen += evidence.turns_of(case).map_or(0, |turns| turns.k.len());
    }
    quality.turns_unseen = Some(passed.saturating_sub(seen) as u64);
    quality.ln_bayes = Some(ln);
    quality.sensors = sensed.iter().map(|s| s.sensor).collect();
    let visible = search.parts();
    quality
        .not_visible
        .retain(|hidden| visible.iter().all(|p| p.name != hidden.part));
    let evidence = search.looks[best.look].evidence;
    quality.same_order = same_order(evidence, &search.cases[best.look]);
    note(&mut quality);
    quality
}

/// Groups of parts whose nominal orders the record cannot tell apart.
fn same_order(evidence: Evidence, cases: &[Case]) -> Vec<Vec<String>> {
    let parts = &evidence.train.parts;
    let mut sorted: Vec<usize> = cases.iter().map(|c| c.part).collect();
    sorted.sort_by(|a, b| parts[*a].order.total_cmp(&parts[*b].order));
    let near =
        |a: &usize, b: &usize| parts[*b].order - parts[*a].order < SAME_ORDER / evidence.turns;
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

fn note(quality: &mut RollQuality) {
    let groups: Vec<String> = quality.same_order.iter().map(|g| g.join(", ")).collect();
    for group in groups {
        quality
            .notes
            .push(format!("this setup cannot tell apart: {group}"));
    }
    if !quality.not_visible.is_empty() {
        quality
            .notes
            .push("parts that are not visible may still have a snag".into());
    }
}

/// Strips of the best part for a picture, of every leg that shows it; a turn in which a leg ends and the next begins is one strip.
fn trace(search: &Search, sensor: u32, part: &str) -> RollTrace {
    let mut strips: Vec<Strip> = Vec::new();
    for (look, case, before) in search.legs(sensor, part) {
        let look = &search.looks[look];
        let field = look.evidence.field;
        let comb = Comb {
            order: case.comb.order,
            phases: STRIP_BINS,
        };
        // a turn that the leg before has begun goes on here
        let begun = before - before.floor();
        let field = Field {
            reach: (field.reach.0 - begun / comb.order, field.reach.1),
            ..field
        };
        let folded = fold(field, comb);
        let strip = |k: usize| {
            let bin = |p: usize| {
                let at = p * folded.events + k;
                let (u, i) = (folded.u[at], folded.i[at]);
                (i > 0.0).then(|| u / i.sqrt())
            };
            Strip {
                turn: (whole(before) + k) as u64,
                t_s: look.time_of(comb, k as f64 - begun),
                loss_sd: (0..STRIP_BINS).map(bin).collect(),
            }
        };
        let all = (0..folded.events).map(strip);
        for strip in all.filter(|s| s.loss_sd.iter().any(Option::is_some)) {
            match strips.last_mut() {
                Some(last) if last.turn == strip.turn => {
                    for (seen, more) in last.loss_sd.iter_mut().zip(strip.loss_sd) {
                        *seen = seen.or(more);
                    }
                }
                _ => strips.push(strip),
            }
        }
    }
    RollTrace {
        part: Some(part.into()),
        bins: STRIP_BINS,
        strips,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::reading::Estimate;

    fn snag(order: f64, phase_deg: f64) -> Snag {
        Snag {
            part: "ring_f".into(),
            probability: 1.0,
            false_alarm_probability: 0.0,
            order_per_sensor_turn: order,
            phase_deg,
            phase_half_bin_deg: 5.0,
            hit_rate: Estimate::normal(0.5, 0.1),
            depth: Estimate::normal(1.0, 0.3),
            hits: Vec::new(),
            bursts: Vec::new(),
            last_seen_s: None,
            turns_since_seen: None,
            sensor: 0,
            ambiguous_with: Vec::new(),
            suspects: Vec::new(),
        }
    }

    #[test]
    fn hits_side_by_side_are_one_snag() {
        let first = snag(0.5, 350.0);
        assert!(side_by_side(&first, &snag(0.5, 10.0), 200.0, 100.0));
        assert!(!side_by_side(&first, &snag(0.5, 90.0), 200.0, 100.0));
        // an order one part in 500 higher, a tenth of an event at the half: the same events with that much less phase
        assert!(side_by_side(&first, &snag(0.501, 26.0), 200.0, 100.0));
        assert!(!side_by_side(&first, &snag(0.501, 350.0), 200.0, 100.0));
        assert!(!side_by_side(&first, &snag(0.51, 350.0), 200.0, 100.0));
    }
}

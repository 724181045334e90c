//! Ruling out: which part leaks how much, from captures in setups in which different parts can leak.

use schemars::JsonSchema;
use serde::Serialize;

use super::compare::{is_same_record, same_pressure};
use super::conclude::{calibration_u, gain_u};
use super::shares::{self, Measured, Sums};
use super::{LeakFinding, Regime, mixture};
use crate::reading::{Estimate, Quality, Refusal, SOFTWARE};

/// Most parts; more than a tank has.
const MOST_PARTS: usize = 10;
/// A part is named from this probability on.
const NAMED: f64 = 0.95;
/// Standard uncertainty expected of one more hold of 60 s, Pa m3/s (simulated tanks).
const HOLD_U: f64 = 4.5e-5;
/// What nothing is known of may be so many times that, or as large as the largest leak seen.
const WIDE_HOLDS: f64 = 10.0;
/// A setup is proposed when it narrows the parts by this part of a hold's uncertainty, and before an earlier one when
/// it is better by this part.
const LEAST_GAIN: f64 = 0.05;
const TIE: f64 = 0.01;

/// One capture with the setup in which it was taken.
#[derive(Clone, Debug, PartialEq)]
pub struct LeakRow {
    /// Name of the setup.
    pub setup: String,
    /// For every part, in the order of the parts: can it leak in this setup?
    pub leaking: Vec<bool>,
    /// What the capture says.
    pub finding: LeakFinding,
}

/// A setup that could be taken next.
#[derive(Clone, Debug, PartialEq)]
pub struct OfferedSetup {
    /// Its name in the car's file; `None` for one that the file does not have.
    pub setup: Option<String>,
    /// For every part: can it leak in this setup?
    pub leaking: Vec<bool>,
}

/// What one part contributes.
#[derive(Clone, Debug, PartialEq, Serialize, JsonSchema)]
pub struct PartShare {
    /// Name of the part.
    pub part: String,
    /// Its leak rate at the common pressure, Pa m3/s of gas at 20 C; null when the setups do not tell it from others.
    pub leak_rate_pa_m3_s: Option<Estimate>,
    /// The lower end is zero: say "at most" the upper end.
    pub at_most: bool,
    /// Probability that no other part leaks more; null when the setups do not tell.
    pub probability_largest: Option<f64>,
}

/// A sum of parts that the setups tell, though not its parts.
#[derive(Clone, Debug, PartialEq, Serialize, JsonSchema)]
pub struct KnownSum {
    /// The parts.
    pub parts: Vec<String>,
    /// Their leak rate together, Pa m3/s of gas at 20 C.
    pub leak_rate_pa_m3_s: Estimate,
}

/// The setup to take next.
#[derive(Clone, Debug, PartialEq, Serialize, JsonSchema)]
pub struct NextSetup {
    /// Its name in the car's file, or null.
    pub setup: Option<String>,
    /// Parts that can leak in it.
    pub parts: Vec<String>,
    /// Parts that must be sealed off for it.
    pub sealed: Vec<String>,
    /// The part that it tells most about.
    pub about: String,
    /// Standard uncertainty of that part now, Pa m3/s; null when it is not known by itself.
    pub u_now_pa_m3_s: Option<f64>,
    /// Expected standard uncertainty with one hold in this setup more, Pa m3/s.
    pub u_then_pa_m3_s: Option<f64>,
}

/// What ruling out says. Refused or not known: null.
#[derive(Clone, Debug, PartialEq, Serialize, JsonSchema)]
pub struct LeakParts {
    /// `leak`.
    pub test: &'static str,
    /// Name and version of this software.
    pub software: &'static str,
    /// Why there is no answer, or null.
    pub refused: Option<Vec<Refusal>>,
    /// Gauge pressure at which all are stated, Pa.
    pub p_ref_pa: Option<f64>,
    /// The parts, in the order in which they were given.
    pub parts: Vec<PartShare>,
    /// The part that leaks most with a probability of 0.95 or more, or null.
    pub named: Option<String>,
    /// Sums that are known where their parts are not.
    pub known_sums: Vec<KnownSum>,
    /// The setup that would tell most, or null when a part is named or nothing is to be had.
    pub next_setup: Option<NextSetup>,
    /// What the records were like.
    pub quality: Quality,
}

impl LeakParts {
    /// A ruling out in which nothing is known but why.
    pub fn of_refusal(quality: Quality, refusal: Refusal) -> Self {
        Self {
            test: "leak",
            software: SOFTWARE,
            refused: Some(vec![refusal]),
            p_ref_pa: None,
            parts: Vec::new(),
            named: None,
            known_sums: Vec::new(),
            next_setup: None,
            quality,
        }
    }
}

/// Which part leaks how much. `parts`: all parts that can leak in any row.
pub fn rule_out(parts: &[String], rows: &[LeakRow]) -> LeakParts {
    rule_out_offered(parts, rows, &[])
}

/// The same; the next setup is one of `offered` (the setups of the car's file), or any when none is offered.
pub fn rule_out_offered(parts: &[String], rows: &[LeakRow], offered: &[OfferedSetup]) -> LeakParts {
    let mut quality = Quality::merged(rows.iter().map(|r| &r.finding.quality.common));
    let usable: Vec<&LeakRow> = rows.iter().filter(|r| is_usable(r)).collect();
    if usable.len() < rows.len() {
        quality.flag("record_not_used");
    }
    let sums = match checked(parts, rows, &usable) {
        Ok(sums) => sums,
        Err(refusal) => return LeakParts::of_refusal(quality, refusal),
    };
    let shared_u = usable
        .iter()
        .map(|r| shared_u(&r.finding))
        .fold(0.0, f64::max);
    let complete = sums.is_complete();
    let probabilities = complete.then(|| sums.largest());
    let shares: Vec<PartShare> = parts
        .iter()
        .enumerate()
        .map(|(j, part)| {
            let alone: Vec<bool> = (0..parts.len()).map(|i| i == j).collect();
            let rate = sums
                .is_known(&alone)
                .then(|| clipped(sums.one(j), shared_u));
            PartShare {
                part: part.clone(),
                leak_rate_pa_m3_s: rate,
                at_most: rate.is_some_and(|r| r.lo95 <= 0.0),
                probability_largest: probabilities.as_ref().map(|p| p[j]),
            }
        })
        .collect();
    let known_sums = if complete {
        Vec::new()
    } else {
        let sets = sums.known_sums();
        let sum = |set: &Vec<bool>| KnownSum {
            parts: chosen(parts, set, true),
            leak_rate_pa_m3_s: clipped(sums.sum(set), shared_u),
        };
        sets.iter().map(sum).collect()
    };
    let named = named(parts, probabilities.as_deref());
    let next_setup = if named.is_none() {
        next(parts, &usable, &sums, probabilities.as_deref(), offered)
    } else {
        None
    };
    LeakParts {
        test: "leak",
        software: SOFTWARE,
        refused: None,
        p_ref_pa: usable.first().and_then(|r| r.finding.p_ref_pa),
        parts: shares,
        named,
        known_sums,
        next_setup,
        quality,
    }
}

fn is_usable(row: &LeakRow) -> bool {
    row.finding.refused.is_none() && row.finding.leak_rate_pa_m3_s.is_some()
}

/// Refuses what says nothing; else the sums that the usable rows measured.
fn checked(parts: &[String], rows: &[LeakRow], usable: &[&LeakRow]) -> Result<Sums, Refusal> {
    let twice = (0..parts.len()).any(|i| parts[..i].contains(&parts[i]));
    let unknown = rows.iter().any(|r| r.leaking.len() != parts.len());
    if parts.is_empty() || parts.len() > MOST_PARTS || twice || unknown {
        return Err(Refusal::new(
            "parts_unknown",
            format!(
                "the parts that can leak are not known for every record, or are more than {MOST_PARTS}; name them in the vehicle file: [[setup]] with test = \"leak\" and parts = [\"lid\", \"line\", \"body\"]"
            ),
        ));
    }
    let findings: Vec<&LeakFinding> = usable.iter().map(|r| &r.finding).collect();
    if findings.is_empty() {
        return Err(Refusal::new(
            "no_usable_hold",
            "no record has a hold that gives a leak rate; see what was refused in them, state the volume, and repeat",
        ));
    }
    same_pressure(&findings)?;
    let is_given_before = |i: usize| findings[..i].iter().any(|f| is_same_record(f, findings[i]));
    if (1..findings.len()).any(is_given_before) {
        return Err(Refusal::new(
            "same_capture_twice",
            "the same record was given twice; it would count double, or as taken in two setups: give each once, under the setup in which it was taken",
        ));
    }
    if findings.iter().any(|f| f.regime == Some(Regime::Lid)) {
        return Err(Refusal::new(
            "lid_rate_not_calibrated",
            "in one of the records the lid lifts, and the rate of such a leak is only roughly known; it is the lid: look at its spring and seal, then repeat",
        ));
    }
    let leaking: Vec<Vec<bool>> = usable.iter().map(|r| r.leaking.clone()).collect();
    if shares::rank(&leaking) == 0 {
        return Err(Refusal::new(
            "no_independent_setups",
            "in none of the setups can a part leak, so nothing is told apart; take one as found and one with a part sealed off",
        ));
    }
    let measured: Vec<Measured> = findings.iter().map(|f| own(f)).collect();
    Sums::new(leaking, &measured).ok_or_else(super::conclude::not_solvable)
}

/// Leak rate of a record with what it does not share with the others: drift, heat, noise, law.
fn own(finding: &LeakFinding) -> Measured {
    let e = &finding.evidence;
    let factor = e.factor_m3.unwrap_or_default();
    let slope = mixture::estimate(&e.slopes);
    Measured {
        value: slope.value * factor,
        u: slope.u * factor,
    }
}

/// Relative uncertainty that all records share: volume, temperature, stretch, gain.
fn shared_u(finding: &LeakFinding) -> f64 {
    let e = &finding.evidence;
    let (gain_u, calibration_u) = (
        gain_u(&finding.calibration),
        calibration_u(&finding.calibration),
    );
    [e.volume_u, e.gas_u, e.stretch_u, gain_u, calibration_u]
        .iter()
        .map(|u| u * u)
        .sum::<f64>()
        .sqrt()
}

/// The interval cut at zero, with what is shared put back. Quantiles of the truncated posterior would not cover: the other
/// parts, forced to be positive, take from a single leaking one.
fn clipped(m: Measured, shared_u: f64) -> Estimate {
    let u = libm::hypot(m.u, shared_u * m.value);
    let e = Estimate::normal(m.value, u);
    Estimate {
        value: e.value.max(0.0),
        u,
        lo95: e.lo95.max(0.0),
        hi95: e.hi95.max(0.0),
    }
}

fn named(parts: &[String], probabilities: Option<&[f64]>) -> Option<String> {
    let at = probabilities?.iter().position(|p| *p >= NAMED)?;
    Some(parts[at].clone())
}

fn chosen(parts: &[String], set: &[bool], want: bool) -> Vec<String> {
    let of = parts.iter().zip(set).filter(|(_, in_set)| **in_set == want);
    of.map(|(part, _)| part.clone()).collect()
}

/// The setup that narrows the undecided parts most.
fn next(
    parts: &[String],
    usable: &[&LeakRow],
    sums: &Sums,
    probabilities: Option<&[f64]>,
    offered: &[OfferedSetup],
) -> Option<NextSetup> {
    let undecided = undecided(parts.len(), sums, probabilities);
    let largest = usable
        .iter()
        .map(|r| own(&r.finding).value.abs())
        .fold(0.0, f64::max);
    let wide = largest.max(WIDE_HOLDS * HOLD_U);
    let now = sums.expected_u(wide, None)?;
    let mut best: Option<(f64, usize, Vec<f64>, OfferedSetup)> = None;
    for setup in candidates(parts.len(), offered) {
        let Some(then) = sums.expected_u(wide, Some((&setup.leaking, HOLD_U))) else {
            continue;
        };
        let gains = (0..parts.len())
            .filter(|j| undecided[*j])
            .map(|j| (now[j] - then[j], j));
        let gain: f64 = gains.clone().map(|(gain, _)| gain).sum();
        let Some((_, about)) = gains.max_by(|a, b| a.0.total_cmp(&b.0)) else {
            continue;
        };
        let least = best
            .as_ref()
            .map_or(LEAST_GAIN * HOLD_U, |(g, ..)| g * (1.0 + TIE));
        if gain > least {
            best = Some((gain, about, then, setup));
        }
    }
    let (_, about, then, setup) = best?;
    let alone: Vec<bool> = (0..parts.len()).map(|i| i == about).collect();
    Some(NextSetup {
        setup: setup.setup,
        parts: chosen(parts, &setup.leaking, true),
        sealed: chosen(parts, &setup.leaking, false),
        about: parts[about].clone(),
        u_now_pa_m3_s: sums.is_known(&alone).then_some(now[about]),
        u_then_pa_m3_s: Some(then[about]),
    })
}

/// Parts that are worth another setup: not known by themselves, or possibly the largest.
fn undecided(n: usize, sums: &Sums, probabilities: Option<&[f64]>) -> Vec<bool> {
    (0..n)
        .map(|j| {
            let alone: Vec<bool> = (0..n).map(|i| i == j).collect();
            probabilities.map_or_else(|| !sums.is_known(&alone), |p| p[j] > 1.0 - NAMED)
        })
        .collect()
}

/// The setups offered, or all there can be, those that seal off the fewest parts first.
fn candidates(n: usize, offered: &[OfferedSetup]) -> Vec<OfferedSetup> {
    if !offered.is_empty() {
        let fits = |s: &&OfferedSetup| s.leaking.len() == n && s.leaking.contains(&true);
        return offered.iter().filter(fits).cloned().collect();
    }
    let mut all: Vec<OfferedSetup> = (1u32..1 << n)
        .map(|bits| OfferedSetup {
            setup: None,
            leaking: (0..n).map(|i| bits >> i & 1 == 1).collect(),
        })
        .collect();
    all.sort_by_key(|s| s.leaking.iter().filter(|b| !**b).count());
    all
}

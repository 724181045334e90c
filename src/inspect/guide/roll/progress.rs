//! What the looks at a running roll decide, and how many more turns the next decision takes.
//!
//! **Many looks.** A bound on false alarms holds for one look at a record of a planned length. The guide looks some twenty
//! times in a minute and would stop at the look that pleases, so most looks must ask for more. The rule: a snag is reported at
//! the stated limit once, at the planned end ([`PLANNED_S`] of the record, the length on which the bound was set); before it at
//! [`EARLY_SHARE`] of the limit; after it at [`LATE_SHARE`] at two looks in a row. Once reported it stays while its probability
//! is within the limit.
//!
//! Simulated healthy cars, looked at as the guide does until 60 s (seeds 2000 to 2299 of `guide_looks`, 17 to 20 looks each; limit
//! 1 %), alarms of 300 in each setup:
//!
//! | rule | one wheel on a stand | rolling straight |
//! |---|---|---|
//! | one look at 60 s | 2 | 3 |
//! | the stated limit at every look | 18 | 13 |
//! | before the end a third of it | 7 | 8 |
//! | before the end a tenth of it (the rule) | 3 | 4 |
//! | before the end a hundredth of it | 3 | 3 |
//!
//! Together 7 of 600 against 5 of 600 for the one look that the bound speaks of: 1.2 %, 95 % interval 0.5 to 2.4 %. Longer records alarm
//! more often even at one look: of 119 cars rolling straight (seeds 1000 to 1118, 150 s) 4 at a look at 60 s of coasting,
//! some 90 s. That is why what comes late must come twice, at a hundredth of the limit: with that 2 of 119 in the whole 150 s.

use crate::{measure::roll::RollFinding, reading::Verdict};

/// Length of the record at which the stated limit holds, s.
pub(super) const PLANNED_S: f64 = 60.0;
/// Coasting at which a roll ends whatever is known, s.
pub(super) const LONGEST_S: f64 = 120.0;
/// Shares of the limit at which a snag is reported before and after the planned end.
const EARLY_SHARE: f64 = 0.1;
const LATE_SHARE: f64 = 0.01;
/// A group of parts as probable as this is settled.
const SETTLED: f64 = 0.95;

/// What the looks so far decided.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Progress {
    /// The look at the planned end was taken.
    planned: bool,
    /// The last look was within the late level.
    late: bool,
    /// A snag is reported.
    pub reported: bool,
    /// Nothing more is asked of this roll.
    pub over: bool,
}

/// How much was seen.
#[derive(Clone, Copy, Debug)]
struct Seen {
    /// Coasting, s and turns, and the whole record, s.
    coasted_s: f64,
    turns: f64,
    record_s: f64,
}

impl Seen {
    /// Turns until the planned end and until the longest roll, at the pace so far.
    fn until_planned(self) -> f64 {
        self.turns / self.record_s * (PLANNED_S - self.record_s)
    }

    fn until_longest(self) -> f64 {
        self.turns / self.coasted_s * (LONGEST_S - self.coasted_s)
    }
}

/// Coasting in the record of a finding, s.
pub(super) fn coasted_s(finding: &RollFinding) -> f64 {
    record_s(finding) * finding.quality.coast_share.unwrap_or(0.0)
}

fn record_s(finding: &RollFinding) -> f64 {
    let ends = finding.start_s.zip(finding.end_s);
    ends.map_or(0.0, |(start, end)| end - start)
}

impl Progress {
    /// Takes the finding of a look; `turns`: coasting turns in it. Returns how many more turns decide: the snag, its part,
    /// or that there is none. `None` when that is decided or nobody can say.
    pub fn look(&mut self, finding: &RollFinding, turns: f64) -> Option<u64> {
        let seen = Seen {
            coasted_s: coasted_s(finding),
            turns,
            record_s: record_s(finding),
        };
        if finding.refused.is_some() || seen.coasted_s <= 0.0 {
            return None;
        }
        self.report(finding, seen);
        let settled = share(finding).is_some_and(|share| share.now >= SETTLED);
        let decided = if self.reported {
            settled || self.planned
        } else {
            finding.verdict == Some(Verdict::Within) || (finding.blind.is_some() && self.planned)
        };
        self.over |= decided || seen.coasted_s >= LONGEST_S;
        if self.over {
            return None;
        }
        self.more_turns(finding, seen)
    }

    /// Whether a snag is reported at this look.
    fn report(&mut self, finding: &RollFinding, seen: Seen) {
        let limit = finding.limit_snag_false_alarm;
        let alarm = finding.false_alarm_probability.unwrap_or(1.0);
        let late = alarm <= LATE_SHARE * limit;
        let now = match (self.planned, seen.record_s >= PLANNED_S) {
            (false, false) => alarm <= EARLY_SHARE * limit,
            (false, true) => alarm <= limit,
            (true, _) => late && self.late,
        };
        self.planned |= seen.record_s >= PLANNED_S;
        self.late = late;
        self.reported = now || (self.reported && alarm <= limit);
    }

    /// Evidence grows in proportion to the turns, on the whole: what is missing takes as many more turns as the ratio of missing
    /// to gathered says.
    fn more_turns(self, finding: &RollFinding, seen: Seen) -> Option<u64> {
        let end = if self.reported {
            seen.until_planned()
        } else {
            seen.until_longest()
        };
        let turns = if self.reported {
            until_settled(finding, seen)
        } else {
            self.until_reported(finding, seen)
                .or_else(|| until_within(finding, seen))
        };
        turns
            .filter(|more| *more <= end)
            .map(|more| whole_up(more.max(1.0)))
    }

    /// Turns until a snag that is likelier than not would be reported.
    fn until_reported(self, finding: &RollFinding, seen: Seen) -> Option<f64> {
        let ln_b = finding.quality.ln_bayes.filter(|ln| *ln > 0.0)?;
        let alarm = finding.false_alarm_probability?;
        let limit = finding.limit_snag_false_alarm;
        // the alarm is in proportion to 1/B
        let at = |level: f64| {
            let needed = ln_b + libm::log(alarm / level);
            seen.turns * (needed / ln_b - 1.0)
        };
        Some(if self.planned {
            at(LATE_SHARE * limit)
        } else {
            let planned = at(limit).max(seen.until_planned());
            at(EARLY_SHARE * limit).min(planned)
        })
    }
}

/// Turns until a record without a snag would have shown one as deep as the limit: what a turn shows adds up in squares.
fn until_within(finding: &RollFinding, seen: Seen) -> Option<f64> {
    let shown = finding.quality.detectable_depth? / finding.limit_snag_depth;
    Some(seen.turns * (shown * shown - 1.0)).filter(|more| *more > 0.0)
}

/// Turns until the leading group is settled.
fn until_settled(finding: &RollFinding, seen: Seen) -> Option<f64> {
    let share = share(finding)?;
    let odds = |p: f64| libm::log(p / (1.0 - p));
    let gained = odds(share.now) - odds(share.before);
    let missing = odds(SETTLED) - odds(share.now);
    (gained > 0.0).then(|| seen.turns * (missing / gained).max(0.0))
}

/// Share of the leading group: parts that turn together with the first suspect.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Share {
    now: f64,
    /// Before the first turn every part is as likely as another.
    before: f64,
}

fn share(finding: &RollFinding) -> Option<Share> {
    let suspects = finding.suspects.as_deref()?;
    let first = &suspects.first()?.part;
    let group = finding
        .quality
        .same_order
        .iter()
        .find(|g| g.contains(first));
    let is_of_it = |part: &String| part == first || group.is_some_and(|g| g.contains(part));
    let of_it = || suspects.iter().filter(|s| is_of_it(&s.part));
    // a doubt about the sensor takes the same share from all
    let all: f64 = suspects.iter().map(|s| s.probability).sum();
    Some(Share {
        now: of_it().map(|s| s.probability).sum::<f64>() / all,
        before: of_it().count() as f64 / suspects.len() as f64,
    })
}

/// Rounded up.
#[expect(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "positive, and no larger than the turns of two minutes"
)]
fn whole_up(x: f64) -> u64 {
    x.ceil() as u64
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::measure::roll::{Roll, Suspect};
    use crate::reading::Quality;

    /// Shares of suspects with these probabilities, of which the first two turn together.
    fn of(probabilities: [f64; 3]) -> Share {
        let mut finding = Roll::blind(6).finish(Quality::default());
        let suspects = ["ring", "wheel", "spur"].into_iter().zip(probabilities);
        let suspect = |(part, probability): (&str, f64)| Suspect {
            part: part.into(),
            probability,
            ln_bayes: 0.0,
            order_per_sensor_turn: 1.0,
        };
        finding.suspects = Some(suspects.map(suspect).collect());
        finding.quality.same_order = vec![vec!["ring".into(), "wheel".into()]];
        share(&finding).unwrap()
    }

    #[test]
    fn a_doubt_about_the_sensor_leaves_the_shares_among_the_parts() {
        let sure = of([0.6, 0.36, 0.04]);
        assert!((sure.now - 0.96).abs() < 1e-12 && (sure.before - 2.0 / 3.0).abs() < 1e-12);
        assert!(sure.now >= SETTLED);
        let doubtful = of([0.3, 0.18, 0.02]);
        assert!((doubtful.now - sure.now).abs() < 1e-12, "{doubtful:?}");
    }
}

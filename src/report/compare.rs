//! Before and after in words.

use super::{
    named,
    number::{percent, plain, shown},
    page::{Page, count, sentence, verdict_word},
    picture, remarks,
};
use crate::{
    inspect::{
        Finding, Test,
        comparison::{CompareResult, Compared, Comparison, NotCompared},
    },
    measure::{
        compare::Change,
        leak::{LeakComparison, LeakFinding},
        pull::PullComparison,
        roll::RollComparison,
    },
    reading::{Estimate, Verdict},
    units::CM3_PER_MIN,
    vehicle::Vehicle,
};

/// What a text says about a comparison beside its numbers.
#[derive(Clone, Copy, Debug)]
pub struct AboutComparison<'a> {
    /// The records before, as the person named them.
    pub before: &'a str,
    /// The records after.
    pub after: &'a str,
    /// The car's file: labels of parts, setups.
    pub vehicle: Option<&'a Vehicle>,
    /// Draw a picture of block characters.
    pub picture: bool,
}

/// From this ratio on "times as much" is easier to grasp than per cents.
const TIMES: f64 = 2.0;

/// The comparisons for a mechanic, one page each, then what could not be compared.
pub fn comparison(result: &CompareResult, about: AboutComparison) -> String {
    let pages: Vec<String> = result
        .comparisons()
        .iter()
        .map(|compared| page(compared, about).finish())
        .collect();
    let mut text = pages.join("\n");
    text.push_str(&without_counterpart(result.not_compared()));
    text
}

fn without_counterpart(rest: &[NotCompared]) -> String {
    if rest.is_empty() {
        return String::new();
    }
    let mut page = Page::default();
    page.heading("not compared");
    for one in rest {
        let setup = one
            .setup
            .as_ref()
            .map_or_else(String::new, |setup| format!(" in setup {setup}"));
        page.say(format!(
            "{} {}{setup}: only {}.",
            one.records, one.test, one.side
        ));
    }
    page.finish()
}

/// One comparison.
pub(super) fn page(compared: &Compared, about: AboutComparison) -> Page {
    let comparison = &compared.comparison;
    let refused = comparison.refused();
    let word = match comparison.change() {
        _ if refused.is_some() => "refused",
        Change::Better => "better",
        Change::Worse => "worse",
        Change::NotShown => "not shown",
    };
    let source = format!("{} -> {}", about.before, about.after);
    let mut page = Page::titled(comparison.test().word(), word, &source);
    if let Some(name) = &compared.setup {
        let setup = about.vehicle.and_then(|v| v.setup(name));
        let label = setup.and_then(|s| s.label.as_deref()).unwrap_or(name);
        page.say(format!("Setup: {label}."));
    }
    if let Some(refusals) = refused {
        page.refusals(refusals);
    } else {
        result(&mut page, compared, about);
    }
    if about.picture {
        sides(&mut page, compared);
    }
    if refused.is_none() {
        page.heading("next");
        page.say(next(compared));
    }
    page.heading("record");
    record(&mut page, compared);
    page.heading("careful");
    page.say(match comparison.test() {
        Test::Leak => super::leak::CAREFUL,
        Test::Pull => super::pull::CAREFUL,
        Test::Roll => super::roll::CAREFUL,
    });
    page
}

fn result(page: &mut Page, compared: &Compared, about: AboutComparison) {
    let comparison = &compared.comparison;
    page.heading("result");
    for words in match comparison {
        Comparison::Leak(leak) => leak_change(leak),
        Comparison::Pull(pull) => pull_change(pull),
        Comparison::Roll(roll) => roll_change(roll, about),
    } {
        page.say(words);
    }
    page.say(match comparison.change() {
        Change::Better => "Better: shown.",
        Change::Worse => "Worse: shown.",
        Change::NotShown => "Neither better nor worse is shown.",
    });
    if let Some(words) = against_limits(&compared.seen) {
        page.say(words);
    }
}

fn leak_change(leak: &LeakComparison) -> Vec<String> {
    let at = leak
        .p_ref_pa
        .map_or_else(String::new, |pa| format!(" at {} kPa", plain(pa / 1e3)));
    let mut said = Vec::new();
    if let Some(ratio) = leak.ratio {
        let change = relative(ratio, "more", "less");
        said.push(format!("After, the tank leaks {change} than before{at}."));
    } else if let Some(difference) = leak.difference {
        let change = absolute(difference.scaled(1.0 / CM3_PER_MIN), "cm3 of air a minute");
        said.push(format!("After, the leak{at} is {change}."));
    } else if let Some(slope) = leak.slope_difference_pa_s {
        let change = absolute(slope, "Pa/s");
        said.push(format!("After, the loss of pressure{at} is {change}."));
    }
    if let (Some(before), Some(after)) =
        (leak.before_leak_rate_pa_m3_s, leak.after_leak_rate_pa_m3_s)
    {
        said.push(format!(
            "Before: {}; after: {} cm3 of air a minute.",
            leak_rate(before),
            leak_rate(after)
        ));
    }
    said
}

/// A leak rate in the trade's unit, `at most` where it is not told apart from none; no leak is less than nought.
fn leak_rate(rate: Estimate) -> String {
    let s = shown(rate.scaled(1.0 / CM3_PER_MIN));
    if rate.hi95 <= 0.0 {
        "at most 0".into()
    } else if rate.lo95 <= 0.0 {
        format!("at most {}", s.hi)
    } else {
        format!("{} ({})", s.value, s.range())
    }
}

fn pull_change(pull: &PullComparison) -> Vec<String> {
    let mut said = Vec::new();
    if let Some(ratio) = pull.ratio {
        let change = relative(ratio, "stronger", "weaker");
        said.push(format!(
            "At the same speed the pull is {change} than before."
        ));
    }
    if let Some(difference) = pull.difference {
        said.push(format!("In force: {}.", absolute(difference, "N")));
    }
    said
}

fn roll_change(roll: &RollComparison, about: AboutComparison) -> Vec<String> {
    let mut said = Vec::new();
    if let Some(part) = &roll.part {
        let part = named(part, about.vehicle);
        said.push(format!("The part compared: {part}."));
    }
    let rate = |rate: Option<Estimate>| {
        rate.map(|rate| {
            let s = shown(rate.scaled(100.0));
            format!("{} % of its turns (95 % range: {} %)", s.value, s.range())
        })
    };
    if let Some(before) = rate(roll.hit_rate_before) {
        said.push(format!("Before, it hit in {before}."));
    }
    match rate(roll.hit_rate_after) {
        Some(after) if roll.quality.none_seen_after => said.push(format!(
            "After, no snag is shown in it; what the record leaves possible: {after}."
        )),
        Some(after) => said.push(format!("After, it hits in {after}.")),
        None => {}
    }
    if let Some(depth) = roll.quality.detectable_depth {
        said.push(format!(
            "The side without a snag would have shown one of {} of the drag or more.",
            plain(depth)
        ));
    }
    let depth = |d: Estimate| format!("{} ({})", shown(d).value, shown(d).range());
    if let (Some(before), Some(after)) = (roll.depth_before, roll.depth_after) {
        said.push(format!(
            "Depth in units of the drag, before: {}; after: {}.",
            depth(before),
            depth(after)
        ));
    }
    said
}

/// How a quantity changed by its ratio: `23 % stronger (95 % range: 14 to 33)`.
fn relative(ratio: Estimate, more: &str, less: &str) -> String {
    if ratio.value >= TIMES && ratio.lo95 > 1.0 {
        let s = shown(ratio);
        return format!("{} times {more} (95 % range: {})", s.value, s.range());
    }
    let change = Estimate {
        value: ratio.value - 1.0,
        lo95: ratio.lo95 - 1.0,
        hi95: ratio.hi95 - 1.0,
        ..ratio
    };
    two_sided(change.scaled(100.0), "%", more, less)
}

/// How a quantity changed by its difference: `3.1 N higher (95 % range: 1.0 to 5.2)`.
fn absolute(difference: Estimate, unit: &str) -> String {
    two_sided(difference, unit, "higher", "lower")
}

fn two_sided(change: Estimate, unit: &str, more: &str, less: &str) -> String {
    let down = change.value < 0.0;
    let word = if down { less } else { more };
    let s = shown(if down { mirrored(change) } else { change });
    let range = if change.lo95 >= 0.0 || change.hi95 <= 0.0 {
        s.range()
    } else {
        let s = shown(change);
        let (lo, hi) = (s.lo.trim_start_matches('-'), s.hi);
        format!("{lo} {less} to {hi} {more}")
    };
    format!("{} {unit} {word} (95 % range: {range})", s.value)
}

/// The same change seen from the other side.
fn mirrored(change: Estimate) -> Estimate {
    Estimate {
        value: -change.value,
        u: change.u,
        lo95: -change.hi95,
        hi95: -change.lo95,
    }
}

/// The verdict of all records of a side, where they agree.
fn verdict_of(findings: &[Finding]) -> Option<Verdict> {
    let first = findings.first()?.verdict()?;
    let agree = findings.iter().all(|f| f.verdict() == Some(first));
    agree.then_some(first)
}

/// On which side of its limit each side lies, where all its records agree.
fn against_limits(seen: &[Vec<Finding>; 2]) -> Option<String> {
    let word = |findings| verdict_of(findings).map(|v| verdict_word(Some(v), false));
    let (before, after) = (word(&seen[0])?, word(&seen[1])?);
    Some(format!(
        "Against the limit: before {before}, after {after}."
    ))
}

/// What would decide, or what to do now.
fn next(compared: &Compared) -> String {
    let comparison = &compared.comparison;
    let mut leaks = compared.seen.iter().flatten().filter_map(Finding::as_leak);
    if leaks.any(LeakFinding::rises) {
        return "The pressure of a record rises, which no leak does: a leak may hide there, and a change may be none. Let the tank settle until nothing warms or feeds it, then pump and hold again.".into();
    }
    let after = verdict_of(&compared.seen[1]);
    match (comparison.change(), after) {
        (Change::NotShown, _) => what_would_decide(comparison),
        (Change::Better, Some(Verdict::Within)) => {
            "The repair shows, and after it the limit is kept.".into()
        }
        (Change::Better, Some(Verdict::Outside)) => "The repair shows, but the limit is still not kept: look further, in other setups of the vehicle file (feelgauge rule-out).".into(),
        (Change::Better, _) => "The repair shows. Whether it is enough, the limit says, of the record after by itself (feelgauge analyze).".into(),
        (Change::Worse, _) => "It got worse by more than the uncertainty: look at what was changed last, and measure again.".into(),
    }
}

/// More turns than this are no advice: an hour and more of pushing (judgement).
pub const TOO_MANY: u64 = 1000;

fn what_would_decide(comparison: &Comparison) -> String {
    let more = |n: u64, what: &str| {
        format!(
            "About {} on each side would probably decide.",
            count(n, what)
        )
    };
    match comparison {
        Comparison::Leak(leak) => match leak.more_holds {
            Some(n) => more(n, "more hold"),
            None => "More holds like these would hardly decide: rest the tank, use its thermometer, hold at a higher pressure.".into(),
        },
        Comparison::Pull(pull) => match pull.more_pulls {
            Some(n) => more(n as u64, "more pull"),
            None => "More pulls on these days cannot decide: an engine differs from day to day by as much. Pull again on another day.".into(),
        },
        Comparison::Roll(roll) => match roll.more_turns {
            Some(n) if n > TOO_MANY => "More turns like these will not decide it: measure again in a setup in which the part shows better, on a stand.".into(),
            Some(n) => format!(
                "About {} of the part would probably decide: push or spin, let go, let it run down, again.",
                count(n, "more turn")
            ),
            None => "More turns like these would hardly decide: measure again in a setup in which the part shows better, on a stand.".into(),
        },
    }
}

fn record(page: &mut Page, compared: &Compared) {
    let records = compared.records;
    let (of_before, of_after, smallest) = match &compared.comparison {
        Comparison::Leak(leak) => (
            count(leak.before, "hold"),
            count(leak.after, "hold"),
            leak.minimum_detectable_change
                .map(|q| format!("{} cm3 of air a minute", plain(q / CM3_PER_MIN)))
                .or(leak
                    .minimum_detectable_slope_change_pa_s
                    .map(|slope| format!("{} Pa/s", plain(slope)))),
        ),
        Comparison::Pull(pull) => (
            count(pull.before as u64, "usable pull"),
            count(pull.after as u64, "usable pull"),
            pull.minimum_detectable_change.map(percent),
        ),
        Comparison::Roll(roll) => (
            count(roll.before, "capture"),
            count(roll.after, "capture"),
            roll.minimum_detectable_change
                .map(|h| format!("{:.0} points of the hit rate", h * 100.0)),
        ),
    };
    page.say(format!(
        "Before {of_before} ({}), after {of_after} ({}).",
        count(records.before as u64, "record"),
        count(records.after as u64, "record")
    ));
    if let Some(smallest) = smallest {
        page.say(format!(
            "A change of {smallest} or more shows in four of five such comparisons."
        ));
    }
    if let Comparison::Roll(roll) = &compared.comparison {
        for note in &roll.quality.notes {
            page.say(sentence(note));
        }
    }
    remarks::common(page, compared.comparison.quality());
}

/// One bar a record, both sides on one scale.
fn sides(page: &mut Page, compared: &Compared) {
    let bars: Vec<(String, Estimate)> = ["before", "after"]
        .iter()
        .zip(&compared.seen)
        .flat_map(|(side, findings)| {
            let bars = findings.iter().filter_map(quantity).enumerate();
            bars.map(move |(i, estimate)| (format!("{side} {}", i + 1), estimate))
        })
        .collect();
    let what = match compared.comparison.test() {
        Test::Leak => "leak of each record, cm3 of air a minute",
        Test::Pull => "two highest strokes of each record at its own speed, N",
        Test::Roll => "hit rate of each record's first snag, %",
    };
    picture::intervals(page, what, &bars);
}

/// What a record is held against another by.
fn quantity(finding: &Finding) -> Option<Estimate> {
    match finding {
        Finding::Leak(leak) => Some(leak.leak_rate_pa_m3_s?.scaled(1.0 / CM3_PER_MIN)),
        Finding::Pull(pull) => Some(pull.session?.peak_at_cadence_n),
        Finding::Roll(roll) => {
            let snag = roll.snags.as_ref()?.first()?;
            Some(snag.hit_rate.scaled(100.0))
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{
        inspect::comparison::{Records, compare},
        measure::leak::{Leak, LeakSettings},
        reading::Quality,
    };

    fn ratio(value: f64, lo95: f64, hi95: f64) -> String {
        let u = (hi95 - lo95) / 4.0;
        let ratio = Estimate {
            value,
            u,
            lo95,
            hi95,
        };
        relative(ratio, "stronger", "weaker")
    }

    #[test]
    fn changes_read_as_a_person_says_them() {
        for (said, expected) in [
            (
                ratio(1.23, 1.14, 1.33),
                "23 % stronger (95 % range: 14 to 33)",
            ),
            (
                ratio(0.93, 0.86, 1.01),
                "7 % weaker (95 % range: 14 weaker to 1 stronger)",
            ),
            (
                ratio(0.004, 0.003, 0.006),
                "99.60 % weaker (95 % range: 99.40 to 99.70)",
            ),
            (
                ratio(2.4, 2.1, 2.8),
                "2.40 times stronger (95 % range: 2.10 to 2.80)",
            ),
            (
                absolute(Estimate::normal(-3.0, 1.0), "N"),
                "3.0 N lower (95 % range: 1.0 to 5.0)",
            ),
        ] {
            assert_eq!(said, expected);
        }
    }

    /// A pressure that rises is no repair, whatever the difference says.
    #[test]
    fn a_pressure_that_rises_is_no_repair() {
        assert_eq!(leak_rate(Estimate::normal(-2e-3, 1e-4)), "at most 0");
        let finding = |flag: Option<&str>| {
            let mut quality = Quality::default();
            if let Some(flag) = flag {
                quality.flag(flag);
            }
            let leak = Leak::new(LeakSettings::without_volume()).finish(quality);
            Finding::Leak(Box::new(leak))
        };
        let next = |flag| {
            let mut comparison = compare(Test::Leak, &[], &[]);
            if let Comparison::Leak(leak) = &mut comparison {
                leak.change = Some(Change::Better);
            }
            next(&Compared {
                comparison,
                setup: None,
                records: Records {
                    before: 1,
                    after: 1,
                },
                seen: [vec![finding(None)], vec![finding(flag)]],
            })
        };
        assert!(next(None).starts_with("The repair shows."));
        assert!(next(Some("pressure_rises")).starts_with("The pressure of a record rises"));
    }
}

//! A roll finding in words.

use super::{
    About, blind,
    number::{percent, plain, shown},
    page::{Page, count, limit_source, list, verdict_word},
    picture, remarks,
    rule_out::next_setup,
};
use crate::measure::roll::{NotSeen, RollDrag, RollFinding, Snag, Suspect};
use crate::reading::{Estimate, Verdict};
use crate::vehicle::Vehicle;

pub(super) const CAREFUL: &str = "Wheels free, hair and sleeves away, no fingers at gears, the stand steady. This is a measurement, no certificate; the maker's instructions come first.";

/// What comes first where the sensor may not sit where the vehicle file says.
pub const LOOK_AT_SENSOR: &str =
    "Look on which shaft the sensor sits, and count its magnets, before you open anything.";
/// What has the rest of the probability then.
pub(super) const WRONG_FILE: &str = "wrong shaft, magnets or setup";
/// Most suspects that are listed.
const LISTED: usize = 8;
/// A suspect below this share is not worth a line.
const WORTH: f64 = 0.01;
/// Shares nearer than this are equal.
const EQUAL: f64 = 1e-9;
/// A turn counts as hit from this probability on.
const HIT: f64 = 0.5;
/// Most bursts that are listed.
const BURSTS: usize = 4;
/// A burst of this share of the turns is the whole record.
const THROUGHOUT: f64 = 0.8;
/// What a snag's place among those found is called.
const PLACES: [&str; 3] = ["result", "a second snag", "a third snag"];

/// The whole page.
pub(super) fn page(finding: &RollFinding, about: About) -> Page {
    let word = verdict_word(finding.verdict, finding.refused.is_some());
    let mut page = Page::titled("roll", word, about.source);
    if let Some(setup) = about.setup() {
        let label = setup.label.as_deref().unwrap_or(&setup.name);
        page.say(format!("Setup: {label}."));
    }
    if let Some(refusals) = &finding.refused {
        page.refusals(refusals);
    }
    if let Some(rhythms) = &finding.blind {
        blind::text(&mut page, rhythms);
    } else if let Some(snags) = &finding.snags {
        for (snag, place) in snags.iter().zip(PLACES) {
            page.heading(place);
            reported(&mut page, snag, finding, about);
        }
        if snags.is_empty() {
            nothing_shown(&mut page, finding, about);
        }
        if about.picture {
            let hits = snags.first().map_or(&[][..], |s| &s.hits);
            picture::strips(&mut page, &finding.trace, hits);
        }
        page.heading("next");
        page.say(next(snags, finding, about));
    }
    if let Some(drag) = &finding.drag {
        page.heading("drag");
        drags(&mut page, drag, about);
    }
    page.heading("record");
    record(&mut page, finding);
    page.heading("careful");
    page.say(CAREFUL);
    page
}

fn reported(page: &mut Page, snag: &Snag, finding: &RollFinding, about: About) {
    page.say(match equals(snag) {
        [one] => format!(
            "A snag. Most probable part: {}, {}.",
            about.part(&one.part),
            percent(one.probability)
        ),
        several => {
            let names: Vec<String> = several.iter().map(|s| about.part(&s.part)).collect();
            format!(
                "A snag, most probably in one of {} parts that turn together: {}; {} each.",
                names.len(),
                list(&names),
                percent(snag.probability)
            )
        }
    });
    let first = finding.snags.as_ref().and_then(|s| s.first());
    if first.is_some_and(|first| first != snag) {
        page.say("Found after the losses of the snag above were taken out: it stands beside it, not in its place.");
    }
    let rate = shown(snag.hit_rate.scaled(100.0));
    let hits = snag.hits.iter().filter(|h| h.hit >= HIT).count();
    page.say(format!(
        "It showed in {hits} of the {} that could be seen: hit rate {} % (95 % range: {} %).",
        count(snag.hits.len() as u64, "turn"),
        rate.value,
        rate.range()
    ));
    if first.is_some_and(|first| first == snag) {
        shares(page, finding);
    }
    shows(page, snag);
    page.say(format!(
        "Chance that a car without a snag looks like this: at most {}. A snag is reported up to {}, {}.",
        chance(snag.false_alarm_probability),
        chance(finding.limit_snag_false_alarm),
        finding.limit_source.map_or("", limit_source)
    ));
    page.say(format!(
        "It comes {} times a turn of the sensed shaft, {:.0} degrees (+-{:.0}) after the first edge of the record.",
        plain(snag.order_per_sensor_turn),
        snag.phase_deg,
        snag.phase_half_bin_deg
    ));
    if finding.quality.sensors.len() > 1 {
        page.say(format!(
            "Sensor {} shows it best: rhythm, angle and turns are those of its record.",
            snag.sensor
        ));
    }
    if !snag.ambiguous_with.is_empty() {
        page.say(format!(
            "The same rhythm could be: {}.",
            list(&snag.ambiguous_with)
        ));
    }
    suspects(page, &snag.suspects, finding, about);
}

/// The most probable suspects that nothing in the record tells apart.
fn equals(snag: &Snag) -> &[Suspect] {
    let alike = |s: &&Suspect| (s.probability - snag.probability).abs() < EQUAL;
    let n = snag.suspects.iter().take_while(alike).count();
    &snag.suspects[..n]
}

/// What makes the range of the hit rate wide, largest first.
fn shares(page: &mut Page, finding: &RollFinding) {
    let words = |source: &str| match source {
        "few_turns" => "how few turns were seen",
        "model" => "what hits may be like beside what is assumed of them",
        _ => "other causes",
    };
    let lines: Vec<String> = finding
        .budget
        .iter()
        .map(|c| format!("{} ({})", words(&c.source), percent(c.share)))
        .collect();
    if !lines.is_empty() {
        page.say(format!("What makes the range wide: {}.", list(&lines)));
    }
}

/// When it showed.
fn shows(page: &mut Page, snag: &Snag) {
    let turns = snag.hits.len() as f64;
    match &snag.bursts[..] {
        [] => {}
        [one] if one.turns as f64 >= THROUGHOUT * turns => {
            page.say("It showed throughout the record.");
        }
        bursts => {
            let mut words: Vec<String> = bursts
                .iter()
                .take(BURSTS)
                .map(|b| {
                    let hits = count(b.hits, "hit");
                    format!("{:.1} to {:.1} s ({hits})", b.start_s, b.end_s)
                })
                .collect();
            if bursts.len() > BURSTS {
                words.push(format!("{} more", bursts.len() - BURSTS));
            }
            page.say(format!(
                "It came in {}: {}.",
                count(bursts.len() as u64, "burst"),
                list(&words)
            ));
        }
    }
    if let (Some(t_s), Some(since @ 1..)) = (snag.last_seen_s, snag.turns_since_seen) {
        page.say(format!(
            "Last seen at {t_s:.1} s; {} after that went without it.",
            count(since, "turn")
        ));
    }
}

fn suspects(page: &mut Page, suspects: &[Suspect], finding: &RollFinding, about: About) {
    page.heading("suspects, if there is one snag");
    for suspect in suspects
        .iter()
        .take(LISTED)
        .filter(|s| s.probability >= WORTH)
    {
        page.line(&format!(
            "{:>10}  {}",
            percent(suspect.probability),
            about.part(&suspect.part)
        ));
    }
    let rest = 1.0 - suspects.iter().map(|s| s.probability).sum::<f64>();
    if finding.doubts_sensor() {
        page.line(&format!("{:>10}  {WRONG_FILE}", percent(rest)));
    }
    for group in &finding.quality.same_order {
        let named: Vec<String> = group.iter().map(|p| about.part(p)).collect();
        page.say(format!(
            "This setup cannot tell apart: {}; they turn together, so their shares are equal.",
            list(&named)
        ));
    }
}

fn nothing_shown(page: &mut Page, finding: &RollFinding, about: About) {
    page.heading("result");
    let alarm = finding
        .false_alarm_probability
        .map_or_else(String::new, |p| {
            format!(
                " (a car without a snag looks like this with a chance of up to {})",
                chance(p)
            )
        });
    page.say(format!("No snag shown{alarm}."));
    page.say("Not seen is not: not there.");
    would_have_shown(page, finding, about);
}

/// How deep a snag the record would have shown, part by part.
fn would_have_shown(page: &mut Page, finding: &RollFinding, about: About) {
    let quality = &finding.quality;
    let limit = finding.limit_snag_depth;
    let from = finding.limit_snag_depth_source.map_or("", limit_source);
    if finding.verdict == Some(Verdict::Within) {
        page.say(format!(
            "Within: a snag of {} of the drag ({from}) would have shown in every part that turns visibly here.",
            plain(limit)
        ));
    }
    let mut depths: Vec<(f64, String)> = quality
        .detectable_depth_by_part
        .iter()
        .map(|(part, depth)| (depth.unwrap_or(f64::INFINITY), about.part(part)))
        .collect();
    depths.sort_by(|a, b| a.0.total_cmp(&b.0));
    // those that show best come first; parts of one shown depth share a line
    let mut groups: Vec<(String, Vec<String>)> = Vec::new();
    for (depth, words) in depths {
        let depth = if depth.is_finite() {
            format!("{depth:.1}")
        } else {
            "none".into()
        };
        match groups.last_mut().filter(|g| g.0 == depth) {
            Some(group) => group.1.push(words),
            None => groups.push((depth, vec![words])),
        }
    }
    if groups.is_empty() {
        return;
    }
    page.say(format!(
        "This record would have shown a snag, in 95 of 100 such records, if it hit in {} of the turns and was as deep as this (1 is the drag itself; asked for: {}, {from}):",
        quality.detectable_at_hit_rate.map_or_else(String::new, percent),
        plain(limit)
    ));
    for (depth, parts) in groups {
        page.line(&format!("{depth:>10}  {}", list(&parts)));
    }
}

fn next(snags: &[Snag], finding: &RollFinding, about: About) -> String {
    let Some(snag) = snags.first() else {
        return "Push or spin, let go, let it run down, again: more turns show weaker snags. Then another setup of the vehicle file.".into();
    };
    let look = match equals(snag) {
        _ if finding.doubts_sensor() => LOOK_AT_SENSOR,
        [one] => where_to_look(&one.part, about),
        _ => "Open nothing yet: another setup tells these parts apart.",
    };
    if let (Some(next), Some(vehicle)) = (&finding.next_setup, about.vehicle) {
        let again = about.setup == Some(next.setup.as_str());
        return format!(
            "{look} To be surer push or spin, let go, let it run down, again. {}",
            next_setup(next, vehicle, again)
        );
    }
    format!("{look} To be surer push or spin, let go, let it run down, again.")
}

/// How fast it slows by itself.
fn drags(page: &mut Page, drag: &RollDrag, about: About) {
    let rolling = drag.standstill_over_weight.zip(drag.slope_over_weight_s_m);
    if let Some((standstill, slope)) = rolling {
        page.say(format!(
            "Next to standstill {} of the car's weight holds it back, and {} for every m/s that it goes faster.",
            range(standstill.scaled(100.0), "%"),
            range(slope.scaled(100.0), "%")
        ));
    } else {
        page.say(format!(
            "Next to standstill the wheel loses {} each second, and {} more for every turn per second that it goes faster.",
            range(drag.standstill_rev_s2, "turns per second"),
            range(drag.slope_per_s, "turns per second")
        ));
    }
    page.say(format!(
        "From {} that ran down by themselves; a snag's own losses are in it.",
        count(drag.coasts, "coast")
    ));
    if let Some(share) = drag.inertia_allowance {
        page.say(format!(
            "What turns in the car may carry up to {} of its mass once more: that doubt is in the ranges.",
            percent(share)
        ));
    }
    page.say(if about.setup().is_some() && rolling.is_some() {
        "Compare it with the same car on the same floor."
    } else {
        "Compare it with the same car in the same setup: it is a loss of speed, not a force."
    });
}

/// An estimate with its range.
fn range(estimate: Estimate, unit: &str) -> String {
    let number = shown(estimate);
    format!("{} {unit} (95 % range {})", number.value, number.range())
}

/// Where a mechanic looks first (common practice, no source).
pub(super) fn where_to_look(part: &str, about: About) -> &'static str {
    let is = |found: fn(&Vehicle, &str) -> bool| about.vehicle.is_some_and(|v| found(v, part));
    match part.split_once('.').map(|(_, which)| which) {
        Some("pair") => {
            "Count the teeth, look at both gears with a lamp, and mark the damaged teeth on both."
        }
        Some("planet") => {
            "Open the diff: look for dirt or a chip, and for a planet gear that walks on its pin."
        }
        Some(_) => "Spin the bearing by itself: renew it when it is dry or rough.",
        None if is(|v, part| v.joints.iter().any(|j| j.name == part)) => {
            "Look at the joint at both steering locks and with the suspension up and down; its set-screw may be loose."
        }
        None if is(|v, part| v.wheels().iter().any(|w| v.shafts[*w].name == part)) => {
            "Look for a bent axle, a loose wheel nut, a rubbing tyre, a rough hub bearing."
        }
        None if is(|v, part| v.diffs.iter().any(|d| v.shafts[d.input].name == part)) => {
            "Open the diff's housing: look for a damaged tooth, loose screws, dirt, a warped gear."
        }
        None => "Look for a damaged tooth, a bent shaft, a rubbing brake disc, a loose set-screw.",
    }
}

fn record(page: &mut Page, finding: &RollFinding) {
    let quality = &finding.quality;
    if let (Some(turns), Some(from), Some(to)) = (quality.turns, finding.start_s, finding.end_s) {
        let share = quality.coast_share.map_or_else(String::new, |share| {
            format!(", {} of the time running free", percent(share))
        });
        page.say(format!(
            "{} turns of the sensed shaft from {from:.1} s to {to:.1} s{share}. Only free running counts.",
            plain(turns)
        ));
    }
    if quality.sensors.len() > 1 {
        let sensors: Vec<String> = quality.sensors.iter().map(u32::to_string).collect();
        page.say(format!(
            "Sensors {} were judged each by itself and put together; what stands here is of the one that shows the most probable part best.",
            list(&sensors)
        ));
    }
    if let Some(unseen) = quality.turns_unseen.filter(|n| *n > 0) {
        page.say(format!(
            "{} could not be seen: hand on, standstill, ends of a run.",
            count(unseen, "turn")
        ));
    }
    if quality.edges_missed > 0 || quality.edges_dropped > 0 {
        page.say(format!(
            "{} passed without an edge, {} not counted.",
            count(quality.edges_missed, "magnet"),
            count(quality.edges_dropped, "edge")
        ));
    }
    hidden(page, &quality.not_visible);
    remarks::common(page, &quality.common);
}

/// Parts that could not be seen, those of one reason together.
fn hidden(page: &mut Page, parts: &[NotSeen]) {
    let mut reasons: Vec<(&str, Vec<String>)> = Vec::new();
    for NotSeen { part, reason } in parts {
        match reasons.iter_mut().find(|(known, _)| known == reason) {
            Some((_, parts)) => parts.push(part.clone()),
            None => reasons.push((reason, vec![part.clone()])),
        }
    }
    for (reason, parts) in reasons {
        page.say(format!("Cannot be seen here ({reason}): {}.", list(&parts)));
    }
}

/// A small probability.
pub(super) fn chance(p: f64) -> String {
    if p >= 0.01 {
        percent(p)
    } else {
        format!("1 in {:.0}", (1.0 / p).min(1e6))
    }
}

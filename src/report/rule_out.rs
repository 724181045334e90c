//! Which part it is, in words.

use serde::Serialize;

use super::{
    About, named,
    number::{percent, plain, shown},
    page::{Page, count, list},
    picture, remarks,
    roll::where_to_look,
};
use crate::{
    measure::{
        leak::{self, LeakParts},
        pull::PlugShare,
        roll::{self, RollParts},
    },
    reading::Estimate,
    units::CM3_PER_MIN,
    vehicle::Vehicle,
};

/// Parts below this probability are not worth a line.
const WORTH: f64 = 0.01;
/// A part is named in the first line from this probability on.
const LIKELY: f64 = 0.5;
/// Most parts that are listed.
const LISTED: usize = 10;

/// What records in several setups say together.
#[derive(Debug, Serialize)]
#[serde(untagged)]
pub enum RuledOut {
    /// What each part leaks.
    Leak(LeakParts),
    /// What compression takes of the pull.
    Pull(PlugShare),
    /// Which part snags.
    Roll(RollParts),
}

/// The page for a mechanic. `sources`: the records as the person named them.
pub fn ruled_out(
    ruled_out: &RuledOut,
    sources: &[&str],
    vehicle: &Vehicle,
    picture: bool,
) -> String {
    let (test, refused) = match ruled_out {
        RuledOut::Leak(parts) => ("leak", &parts.refused),
        RuledOut::Pull(share) => ("pull", &share.refused),
        RuledOut::Roll(parts) => ("roll", &parts.refused),
    };
    let word = if refused.is_some() {
        "refused".to_owned()
    } else {
        in_a_word(ruled_out, vehicle)
    };
    let mut page = Page::titled(test, &word, &count(sources.len() as u64, "record"));
    if let Some(refusals) = refused {
        page.refusals(refusals);
    }
    match ruled_out {
        RuledOut::Leak(parts) => leak_parts(&mut page, parts, vehicle, picture),
        RuledOut::Pull(share) => plug_share(&mut page, share, picture),
        RuledOut::Roll(parts) => roll_parts(&mut page, parts, vehicle),
    }
    page.heading("careful");
    page.say(match ruled_out {
        RuledOut::Leak(_) => super::leak::CAREFUL,
        RuledOut::Pull(_) => super::pull::CAREFUL,
        RuledOut::Roll(_) => super::roll::CAREFUL,
    });
    page.finish()
}

fn in_a_word(ruled_out: &RuledOut, vehicle: &Vehicle) -> String {
    match ruled_out {
        RuledOut::Leak(parts) => parts.named.as_ref().map_or_else(
            || "no part named yet".to_owned(),
            |part| format!("the {part} leaks most"),
        ),
        RuledOut::Pull(_) => "compression and friction".into(),
        RuledOut::Roll(parts) => match (parts.snag, parts.parts.iter().flatten().next()) {
            (Some(true), Some(part)) if part.probability > LIKELY => {
                let words = named(&part.part, Some(vehicle));
                format!("most probably {words}, {}", percent(part.probability))
            }
            (Some(true), _) => "a snag, its part not told yet".into(),
            _ => "no snag shown".into(),
        },
    }
}

/// A leak rate in the trade's unit.
fn in_trade(rate: Estimate, at_most: bool) -> String {
    let s = shown(rate.scaled(1.0 / CM3_PER_MIN));
    if at_most {
        format!("at most {}", s.hi)
    } else {
        format!("{} ({})", s.value, s.range())
    }
}

fn leak_parts(page: &mut Page, parts: &LeakParts, vehicle: &Vehicle, picture: bool) {
    if parts.refused.is_none() {
        let at = parts
            .p_ref_pa
            .map_or_else(String::new, |pa| format!(" at {} kPa", plain(pa / 1e3)));
        page.heading(&format!("what each part leaks{at}, cm3 of air a minute"));
        for part in &parts.parts {
            let rate = part.leak_rate_pa_m3_s.map_or_else(
                || "not told apart".into(),
                |rate| in_trade(rate, part.at_most),
            );
            let largest = part
                .probability_largest
                .filter(|p| *p >= WORTH)
                .map_or_else(String::new, |p| format!("largest with {}", percent(p)));
            page.line(&format!("{:<10} {rate:<24} {largest}", part.part));
        }
        for sum in &parts.known_sums {
            page.say(format!(
                "Together, though not by themselves: {} {}.",
                list(&sum.parts),
                in_trade(sum.leak_rate_pa_m3_s, sum.leak_rate_pa_m3_s.lo95 <= 0.0)
            ));
        }
        if picture {
            let bars: Vec<(String, Estimate)> = parts
                .parts
                .iter()
                .filter_map(|p| {
                    let rate = p.leak_rate_pa_m3_s?.scaled(1.0 / CM3_PER_MIN);
                    Some((p.part.clone(), rate))
                })
                .collect();
            picture::intervals(page, "leak, cm3 of air a minute", &bars);
        }
        page.heading("next");
        page.say(leak_next(parts, vehicle));
    }
    page.heading("record");
    remarks::common(page, &parts.quality);
}

/// Where a mechanic looks at a part of a tank (common practice, no source).
fn leak_remedy(part: &str) -> String {
    match part {
        "lid" => "Renew the lid's seal, look at its spring and its seat.".into(),
        "line" => "Cut back or renew the line and its ends; look at the carburettor's side.".into(),
        "body" => {
            "Look for bubbles with soapy water at the seam and the nipple, never with a flame."
                .into()
        }
        _ => format!("Look at the {part}."),
    }
}

fn leak_next(parts: &LeakParts, vehicle: &Vehicle) -> String {
    if let Some(part) = &parts.named {
        return format!("{} Then measure again and compare.", leak_remedy(part));
    }
    let Some(next) = &parts.next_setup else {
        return "No setup of the vehicle file would tell more.".into();
    };
    let leak::NextSetup {
        setup,
        sealed,
        about,
        ..
    } = next;
    let take = setup.as_ref().map_or_else(
        || format!("Seal off {} and pump again", list(sealed)),
        |name| {
            let label = vehicle.label(name);
            let label = label.map_or_else(String::new, |label| format!(" ({label})"));
            format!("Take setup {name}{label} next")
        },
    );
    format!("{take}: it tells most about the {about}.")
}

fn plug_share(page: &mut Page, share: &PlugShare, picture: bool) {
    if let (Some(cadence), Some(with), Some(without), Some(compression)) = (
        share.cadence_hz,
        share.plug_in_peak_n,
        share.plug_out_peak_n,
        share.compression_n,
    ) {
        page.heading("result");
        let say =
            |e: Estimate| format!("{} N (95 % range: {} N)", shown(e).value, shown(e).range());
        page.say(format!(
            "Compression takes {} of the pull.",
            say(compression)
        ));
        page.say(format!(
            "With the plug in, at {} strokes a second, the two highest strokes reach {}; with the plug out the pull takes {}, which is friction.",
            plain(cadence.value),
            say(with),
            say(without)
        ));
        if picture {
            let bars = [
                ("plug in".to_owned(), with),
                ("plug out".to_owned(), without),
                ("between".to_owned(), compression),
            ];
            picture::intervals(page, "force, N", &bars);
        }
        page.heading("next");
        page.say("Take both again after the repair, at like temperature, and compare: the difference suffers less from warmth than the pull alone.");
    }
    page.heading("record");
    page.say(format!(
        "Plug in {}, plug out {}.",
        count(share.plug_in as u64, "usable pull"),
        count(share.plug_out as u64, "pull")
    ));
    remarks::common(page, &share.quality);
}

fn roll_parts(page: &mut Page, parts: &RollParts, vehicle: &Vehicle) {
    if let Some(suspects) = &parts.parts {
        page.heading("result");
        page.say(verdict(parts));
        page.heading("suspects of all records together, if there is one snag");
        for suspect in suspects
            .iter()
            .take(LISTED)
            .filter(|s| s.probability >= WORTH)
        {
            page.line(&format!(
                "{:>10}  {}",
                percent(suspect.probability),
                named(&suspect.part, Some(vehicle))
            ));
        }
        let worth = |part: &String| {
            let of = |s: &&roll::PartShare| s.part == *part && s.probability >= WORTH;
            suspects.iter().any(|s| of(&s))
        };
        let groups = parts.same_order.iter().filter(|g| g.iter().any(worth));
        for group in groups.filter(|_| parts.snag == Some(true)) {
            let words: Vec<String> = group.iter().map(|p| named(p, Some(vehicle))).collect();
            page.say(format!(
                "None of these setups can tell apart: {}.",
                list(&words)
            ));
        }
        page.heading("next");
        page.say(roll_next(parts, vehicle));
    }
    page.heading("record");
    for capture in &parts.captures {
        let source = capture.source.as_deref().unwrap_or("-");
        let setup = capture.setup.as_deref().unwrap_or("-");
        let says = match &capture.refused {
            Some(code) => format!("says nothing ({code})"),
            None if capture.snag => "a snag by itself".into(),
            None => "no snag by itself".into(),
        };
        page.say(format!("{source}, {setup}: {says}."));
    }
    if !parts.quality.not_visible.is_empty() {
        let words: Vec<String> = parts
            .quality
            .not_visible
            .iter()
            .map(|p| named(p, Some(vehicle)))
            .collect();
        page.say(format!("Not seen in any of them: {}.", list(&words)));
    }
    remarks::common(page, &parts.quality.common);
}

fn verdict(parts: &RollParts) -> String {
    let chance = parts.false_alarm_probability.map_or_else(String::new, |p| {
        format!(
            " A car without a snag looks like this with a chance of at most {}.",
            super::roll::chance(p)
        )
    });
    if parts.snag == Some(true) {
        format!("A snag.{chance}")
    } else {
        format!("No snag shown; the shares below are no more than a hint.{chance}")
    }
}

fn roll_next(parts: &RollParts, vehicle: &Vehicle) -> String {
    let mut said = Vec::new();
    let flags = &parts.quality.common.flags;
    if flags.iter().any(|flag| flag == roll::SENSOR_DOUBTFUL) {
        said.push(super::roll::LOOK_AT_SENSOR.to_owned());
    }
    let likeliest = parts.parts.iter().flatten().next();
    if let Some(part) = likeliest.filter(|p| parts.snag == Some(true) && p.probability > LIKELY) {
        let about = About {
            source: "",
            vehicle: Some(vehicle),
            setup: None,
            picture: false,
        };
        said.push(where_to_look(&part.part, about).to_owned());
    }
    if let Some(next) = &parts.next_setup {
        let taken = |c: &roll::RollCapture| c.setup.as_ref() == Some(&next.setup);
        let again = parts.captures.iter().any(taken);
        said.push(next_setup(next, vehicle, again));
    }
    if parts.next_setup.is_none() && parts.parts.is_some() {
        said.push(no_setup(parts).to_owned());
    }
    said.join(" ")
}

/// Why there is no setup to take next.
fn no_setup(parts: &RollParts) -> &'static str {
    let left = parts
        .parts
        .iter()
        .flatten()
        .filter(|p| p.probability >= WORTH);
    if parts.snag == Some(true) && left.count() > 1 {
        "No setup of the vehicle file separates the parts that are left: look at each of them."
    } else {
        "No setup of the vehicle file would tell more; more turns show weaker snags."
    }
}

/// The setup to take next, with its reason in one sentence.
pub(super) fn next_setup(next: &roll::NextSetup, vehicle: &Vehicle, again: bool) -> String {
    let label = vehicle.label(&next.setup);
    let label = label.map_or_else(String::new, |label| format!(" ({label})"));
    let words = |parts: &[String]| -> Vec<String> {
        parts.iter().map(|part| vehicle.words_for(part)).collect()
    };
    let groups: Vec<String> = next.shows.iter().map(|group| few(&words(group))).collect();
    let rests = few(&words(&next.rests));
    let mut reason = match &groups[..] {
        [] => "it tells most".to_owned(),
        [only] => format!("it shows {only} by itself"),
        groups => format!("it tells apart {}", few(groups)),
    };
    if !rests.is_empty() && !groups.is_empty() {
        reason = format!("{reason}, while there rest: {rests}");
    }
    let when = if again { "once more" } else { "next" };
    format!("Take setup {}{label} {when}: {reason}.", next.setup)
}

/// Most things that one sentence names.
const FEW: usize = 3;

/// The first few of many words, and how many more there are.
fn few(words: &[String]) -> String {
    match words.len() {
        n if n <= FEW + 1 => list(words),
        n => format!("{} and {} more", words[..FEW].join(", "), n - FEW),
    }
}

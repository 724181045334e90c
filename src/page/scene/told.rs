//! A line of the journal in plain words.

use crate::{
    inspection::{
        Act, Checked, Decision, Deed, Moment, Objection, Party, Photograph, PlannedPart, Price,
        Sense, Stage,
    },
    units::count,
};

/// A line in words.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub(super) struct Told<'a> {
    /// What kind of thing it was.
    pub what: &'static str,
    /// The thing.
    pub words: String,
    /// The capture that it speaks of.
    pub capture: Option<&'a str>,
    /// The photograph that it speaks of, by its file's name.
    pub photograph: Option<&'a str>,
}

/// Puts a deed into words.
#[allow(clippy::too_many_lines)] // one exhaustive match
pub(super) fn told(deed: &Deed) -> Told<'_> {
    let plain = |what, words: String| Told {
        what,
        words,
        ..Told::default()
    };
    match deed {
        Deed::Opened { software } => plain("The inspection began.", format!("with {software}")),
        Deed::Conditions {
            temperature_k,
            ambient_pa,
            words,
        } => plain(
            "Conditions.",
            conditions(*temperature_k, *ambient_pa, words.as_deref()),
        ),
        Deed::Observed {
            sense,
            text,
            photograph,
        } => Told {
            photograph: photograph.as_deref().map(file_name),
            ..plain(sense_word(*sense), text.clone())
        },
        Deed::NotChecked { text } => plain("Not checked.", text.clone()),
        Deed::Photographed(photograph) => Told {
            photograph: Some(file_name(&photograph.file)),
            ..plain("Photographed.", photographed(photograph))
        },
        Deed::Attached { file, words, .. } => plain("Attached.", format!("{words} ({file})")),
        Deed::Captured {
            capture,
            test,
            setup,
            stage,
        } => Told {
            capture: Some(capture),
            ..plain("Measured.", measured(test, setup.as_deref(), *stage))
        },
        Deed::Found { file, .. } => plain("Finding written.", file_name(file).to_owned()),
        Deed::Checked(checked) => plain("Probe checked.", checked_words(checked)),
        Deed::Part(part) => plain(act_word(part.act), part_words(part)),
        Deed::Repaired { text } => plain("Work done.", text.clone()),
        Deed::Decided {
            decision,
            offer,
            words,
        } => {
            let offer = offer
                .as_ref()
                .map(|price| format!("offer {}", price_words(price)));
            let all = [
                Some(decision_word(*decision).to_owned()),
                offer,
                words.clone(),
            ];
            plain("Decided.", joined(all))
        }
        Deed::Joint {
            present,
            objections,
            ..
        } => plain(
            "Joint statement laid out.",
            joint_words(present, objections),
        ),
        Deed::Corrected { line, text } => plain(
            "Corrected.",
            format!("entry {line} is wrong; right is: {text}"),
        ),
        Deed::Mended { bytes, text } => plain(
            "Mended.",
            format!(
                "a line of {} was half-written when something fell; it said: {text}",
                count(*bytes, "byte")
            ),
        ),
        Deed::ClockSet { by_s } => plain(
            "The clock was set.",
            format!(
                "{} by {:.1} s",
                if *by_s < 0.0 { "back" } else { "forward" },
                by_s.abs()
            ),
        ),
    }
}

fn file_name(file: &str) -> &str {
    file.rsplit_once('/').map_or(file, |(_, name)| name)
}

fn joined<const N: usize>(parts: [Option<String>; N]) -> String {
    let parts: Vec<String> = parts.into_iter().flatten().collect();
    parts.join(", ")
}

fn conditions(temperature_k: Option<f64>, ambient_pa: Option<f64>, words: Option<&str>) -> String {
    joined([
        temperature_k.map(|k| format!("room {:.1} C", k - 273.15)),
        ambient_pa.map(|pa| format!("air {:.1} hPa", pa / 100.0)),
        words.map(str::to_owned),
    ])
}

fn sense_word(sense: Sense) -> &'static str {
    match sense {
        Sense::Seen => "Seen.",
        Sense::Felt => "Felt.",
        Sense::Heard => "Heard.",
        Sense::Smelt => "Smelt.",
    }
}

fn photographed(photograph: &Photograph) -> String {
    let tag = photograph
        .tag_in_picture
        .then(|| "the tag can be read in it".to_owned());
    joined([photograph.words.clone(), tag])
}

fn measured(test: &str, setup: Option<&str>, stage: Stage) -> String {
    let setup = setup.map(|setup| format!("setup {}", setup.replace('_', " ")));
    let stage = match stage {
        Stage::AsFound => "as it came in",
        Stage::AfterRepair => "after the repair",
    };
    joined([Some(test.to_owned()), setup, Some(stage.to_owned())])
}

fn checked_words(checked: &Checked) -> String {
    let moment = match checked.moment {
        Moment::Before => "before the first test",
        Moment::After => "after the last test",
    };
    format!(
        "{} by a known {} {moment}: {} {unit} stated, {} {unit} shown",
        checked.probe,
        checked.by,
        crate::report::plain(checked.stated),
        crate::report::plain(checked.shown),
        unit = checked.unit,
    )
}

fn act_word(act: Act) -> &'static str {
    match act {
        Act::ToOpen => "To be opened.",
        Act::Needed => "Part needed.",
        Act::Renewed => "Part renewed.",
        Act::PutRight => "Part put right.",
    }
}

fn part_words(part: &PlannedPart) -> String {
    let price = part.price.as_ref().map(price_words);
    let price = match (price, &part.priced_by) {
        (Some(price), Some(who)) => Some(format!("{price} ({who})")),
        (price, _) => price,
    };
    joined([
        Some(part.name.clone()),
        part.from.clone(),
        part.minutes.map(|minutes| format!("{minutes} min of work")),
        price,
    ])
}

fn joint_words(present: &[Party], objections: &[Objection]) -> String {
    let who: Vec<String> = present
        .iter()
        .map(|party| format!("{} ({})", party.name, party.role))
        .collect();
    let objected = objections
        .iter()
        .map(|objection| format!("; {} objects: {}", objection.name, objection.text));
    format!(
        "present: {}{}",
        who.join(", "),
        objected.collect::<String>()
    )
}

fn price_words(price: &Price) -> String {
    let amount = |hundredths: u64| format!("{}.{:02}", hundredths / 100, hundredths % 100);
    let Price {
        low,
        high,
        currency,
    } = price;
    if low == high {
        format!("{} {currency}", amount(*low))
    } else {
        format!("{} to {} {currency}", amount(*low), amount(*high))
    }
}

fn decision_word(decision: Decision) -> &'static str {
    match decision {
        Decision::Buy => "buy",
        Decision::Leave => "leave it",
        Decision::Repair => "repair",
        Decision::HandBack => "hand it back as it is",
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn deeds_become_plain_words() {
        let words = |deed: &Deed| {
            let told = told(deed);
            format!("{} {}", told.what, told.words)
        };
        let conditions = Deed::Conditions {
            temperature_k: Some(294.65),
            ambient_pa: Some(100_320.0),
            words: None,
        };
        assert_eq!(
            words(&conditions),
            "Conditions. room 21.5 C, air 1003.2 hPa"
        );
        let part = Deed::Part(PlannedPart {
            name: "lid seal".into(),
            part: None,
            act: Act::Needed,
            minutes: Some(15),
            from: Some("new".into()),
            price: Some(Price {
                low: 450,
                high: 605,
                currency: "EUR".into(),
            }),
            priced_by: Some("shop".into()),
        });
        assert_eq!(
            words(&part),
            "Part needed. lid seal, new, 15 min of work, 4.50 to 6.05 EUR (shop)"
        );
        let captured = Deed::Captured {
            capture: "20310517T142140Z-leak-lid_clamped".into(),
            test: "leak".into(),
            setup: Some("lid_clamped".into()),
            stage: Stage::AfterRepair,
        };
        assert_eq!(
            words(&captured),
            "Measured. leak, setup lid clamped, after the repair"
        );
        assert_eq!(
            told(&captured).capture,
            Some("20310517T142140Z-leak-lid_clamped")
        );
        assert_eq!(
            words(&Deed::ClockSet { by_s: -3.26 }),
            "The clock was set. back by 3.3 s"
        );
    }
}

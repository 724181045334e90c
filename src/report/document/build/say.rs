//! Times, amounts and deeds in words.

use std::fmt::Write as _;

use jiff::{Timestamp, fmt::temporal::Pieces, tz::Offset};

use super::super::super::{count, list, number::stated, plain, sentence, shown};
use crate::{
    inspection::{Act, Checked, Decision, Deed, Entry, Moment, PlannedPart, Price, Sense, Stage},
    reading::Estimate,
    units::CM3_PER_MIN,
};

/// Kelvin at 0 C.
const ICE_K: f64 = 273.15;
/// Characters of a digest that a line of the journal shows.
const DIGEST: usize = 16;

/// How times are written: with the offset that stands where the inspection was opened.
#[derive(Clone, Copy, Debug)]
pub(super) struct Clock(Offset);

impl Clock {
    /// With the offset of `opened`, else of UTC.
    pub(super) fn of(opened: &str) -> Self {
        let offset = Pieces::parse(opened).ok();
        Self(
            offset
                .and_then(|p| p.to_numeric_offset())
                .unwrap_or(Offset::UTC),
        )
    }

    /// RFC 3339 with the zone's offset, to the second.
    pub(super) fn at(self, when: Timestamp) -> String {
        let second = Timestamp::from_second(when.as_second()).unwrap_or(when);
        second.display_with_offset(self.0).to_string()
    }
}

/// `19 C, 1009 hPa`.
pub(super) fn conditions(temperature_k: Option<f64>, ambient_pa: Option<f64>) -> Vec<String> {
    let mut words = Vec::new();
    words.extend(temperature_k.map(|k| format!("{} C", stated(k - ICE_K))));
    words.extend(ambient_pa.map(|pa| format!("{:.0} hPa", pa / 100.0)));
    words
}

/// `3.00 to 4.00 EUR`.
pub(super) fn price(price: &Price) -> String {
    format!("{} {}", amount(price.low, price.high), price.currency)
}

/// From to, in hundredths.
pub(super) fn amount(low: u64, high: u64) -> String {
    let one = |n: u64| format!("{}.{:02}", n / 100, n % 100);
    if low == high {
        one(low)
    } else {
        format!("{} to {}", one(low), one(high))
    }
}

pub(super) fn sense(sense: Sense) -> &'static str {
    match sense {
        Sense::Seen => "seen",
        Sense::Felt => "felt",
        Sense::Heard => "heard",
        Sense::Smelt => "smelt",
    }
}

pub(super) fn stage(stage: Stage) -> &'static str {
    match stage {
        Stage::AsFound => "as it came in",
        Stage::AfterRepair => "after the repair",
    }
}

pub(super) fn act(act: Act) -> &'static str {
    match act {
        Act::ToOpen => "to be opened",
        Act::Needed => "needed",
        Act::Renewed => "renewed",
        Act::PutRight => "put right",
    }
}

pub(super) fn decision(decision: Decision) -> &'static str {
    match decision {
        Decision::Buy => "buy it",
        Decision::Leave => "leave it",
        Decision::Repair => "repair it",
        Decision::HandBack => "hand it back, or sell it, as it is",
    }
}

/// What the decision was, with offer and reason.
pub(super) fn decided(what: Decision, offer: Option<&Price>, words: Option<&str>) -> String {
    let mut text = format!("Decided: {}", decision(what));
    if let Some(offer) = offer {
        let _ = write!(text, "; offered: {}", price(offer));
    }
    match words {
        Some(words) => format!("{text}. {}", sentence(words)),
        None => text + ".",
    }
}

/// What a check of a probe showed beside what it should have.
pub(super) fn checked(check: &Checked) -> String {
    let (scale, unit) = match check.unit.as_str() {
        "Pa.m3/s" => (1.0 / CM3_PER_MIN, "cm3 of air a minute"),
        unit => (1.0, unit),
    };
    let of = |value: f64, u: f64| shown(Estimate::normal(value, u).scaled(scale));
    let (is, should) = (
        of(check.shown, check.shown_u),
        of(check.stated, check.stated_u),
    );
    let u = (check.shown_u * check.shown_u + check.stated_u * check.stated_u).sqrt();
    let apart = Estimate::normal(check.shown - check.stated, u);
    let agree = if apart.lo95 <= 0.0 && 0.0 <= apart.hi95 {
        "they agree within their uncertainties"
    } else {
        "they DIFFER by more than their uncertainties: the visit's numbers of this probe are in doubt"
    };
    format!(
        "known {}: {} {unit} ({}) shown, {} {unit} ({}) stated; {agree}",
        check.by,
        is.value,
        is.range(),
        should.value,
        should.range()
    )
}

pub(super) fn moment(moment: Moment) -> &'static str {
    match moment {
        Moment::Before => "before",
        Moment::After => "after",
    }
}

/// What was done, for a row of the journal.
#[allow(clippy::too_many_lines)] // one arm for each deed
pub(super) fn deed(entry: &Entry) -> String {
    let some = |words: &Option<String>| {
        words
            .as_ref()
            .map_or_else(String::new, |w| format!(": {w}"))
    };
    match &entry.deed {
        Deed::Opened { software } => format!("inspection begun with {software}"),
        Deed::Conditions {
            temperature_k,
            ambient_pa,
            words,
        } => {
            let all = conditions(*temperature_k, *ambient_pa);
            let all: Vec<String> = all.into_iter().chain(words.clone()).collect();
            format!("conditions: {}", all.join(", "))
        }
        Deed::Observed {
            sense: by,
            text,
            photograph,
        } => match photograph {
            Some(file) => format!("{}: {text} ({file})", sense(*by)),
            None => format!("{}: {text}", sense(*by)),
        },
        Deed::NotChecked { text } => format!("not checked: {text}"),
        Deed::Photographed(photograph) => {
            format!("photograph {}{}", photograph.file, some(&photograph.words))
        }
        Deed::Attached {
            file,
            sha256,
            bytes,
            words,
        } => format!(
            "attached {file} ({}, sha256 {}...): {words}",
            count(*bytes, "byte"),
            short(sha256)
        ),
        Deed::Captured {
            capture,
            test,
            setup,
            stage: at,
        } => {
            let setup = setup
                .as_ref()
                .map_or_else(String::new, |s| format!(", setup {s}"));
            format!("recorded {test}{setup}, {}: captures/{capture}", stage(*at))
        }
        Deed::Found { file, sha256 } => format!("wrote {file} (sha256 {}...)", short(sha256)),
        Deed::Checked(check) => format!(
            "checked {} {} the tests, {}",
            check.probe,
            moment(check.moment),
            checked(check)
        ),
        Deed::Part(part) => planned(part),
        Deed::Repaired { text } => format!("work: {text}"),
        Deed::Decided {
            decision: what,
            offer,
            words,
        } => decided(*what, offer.as_ref(), words.as_deref()),
        Deed::Joint { present, file, .. } => {
            let names: Vec<String> = present
                .iter()
                .map(|p| format!("{} ({})", p.name, p.role))
                .collect();
            format!("statement of {} laid out for signing: {file}", list(&names))
        }
        Deed::Corrected { line, text } => format!("corrects line {line}: {text}"),
        Deed::ClockSet { by_s } => clock_set(*by_s),
        Deed::Mended { bytes, .. } => {
            format!(
                "a line that was cut off was taken off: {}",
                count(*bytes, "byte")
            )
        }
    }
}

fn planned(part: &PlannedPart) -> String {
    let mut words = format!("part {}: {}", part.name, act(part.act));
    if let Some(minutes) = part.minutes {
        let _ = write!(words, ", {minutes} min");
    }
    if let Some(from) = &part.from {
        let _ = write!(words, ", {from}");
    }
    if let Some(amount) = &part.price {
        let _ = write!(words, ", {}", price(amount));
    }
    if let Some(who) = &part.priced_by {
        let _ = write!(words, ", says {who}");
    }
    words
}

pub(super) fn clock_set(by_s: f64) -> String {
    let way = if by_s < 0.0 { "back" } else { "forward" };
    format!(
        "the machine's clock was set {way} by {} s",
        plain(by_s.abs())
    )
}

fn short(sha256: &str) -> &str {
    sha256.get(..DIGEST).unwrap_or(sha256)
}

/// `1 line`, `2 lines`.
pub(super) fn lines(n: u64) -> String {
    count(n, "line")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn times_keep_the_zone_of_the_opening() {
        let when: Timestamp = "2031-05-17T14:21:40.75Z".parse().unwrap();
        assert_eq!(
            Clock::of("2031-05-17T15:21:40+01:00").at(when),
            "2031-05-17T15:21:40+01:00"
        );
        assert_eq!(
            Clock::of("2031-05-17T14:21:40Z").at(when),
            "2031-05-17T14:21:40+00:00"
        );
        assert_eq!(Clock::of("no time").at(when), "2031-05-17T14:21:40+00:00");
    }

    #[test]
    fn amounts_and_conditions_read() {
        assert_eq!(
            (amount(300, 405), amount(42, 42)),
            ("3.00 to 4.05".into(), "0.42".into())
        );
        assert_eq!(
            conditions(Some(292.15), Some(100_900.0)),
            ["19 C", "1009 hPa"]
        );
        assert!(conditions(None, None).is_empty());
    }

    #[test]
    fn a_check_that_differs_is_said_loudly() {
        let mut check = Checked {
            moment: Moment::After,
            by: "weight".into(),
            probe: "force-F-02".into(),
            stated: 19.61,
            stated_u: 0.01,
            shown: 19.66,
            shown_u: 0.05,
            unit: "N".into(),
            capture: None,
        };
        assert!(checked(&check).contains("agree"), "{}", checked(&check));
        check.shown = 20.6;
        assert!(checked(&check).contains("DIFFER"));
    }
}

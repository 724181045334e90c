//! A line of an inspection's journal in plain words: the same on the page, on paper and in the terminal.

use super::{count, list, number::stated, plain, shown};
use crate::{
    inspection::{
        Act, Checked, Decision, Deed, Moment, Objection, Party, Photograph, PlannedPart, Price,
        Sense, Stage,
    },
    reading::Estimate,
    units::{CM3_PER_MIN, ZERO_CELSIUS_K},
};

/// A line in words.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Told<'a> {
    /// What kind of thing it was: "probe checked".
    pub what: &'static str,
    /// The thing; nothing where the file says all.
    pub words: String,
    /// The file that it speaks of, from the inspection's folder.
    pub file: Option<&'a str>,
    /// Digest of that file where the line gives it, hexadecimal.
    pub sha256: Option<&'a str>,
    /// The capture that it speaks of.
    pub capture: Option<&'a str>,
}

impl<'a> Told<'a> {
    fn new(what: &'static str, words: impl Into<String>) -> Self {
        Self {
            what,
            words: words.into(),
            ..Self::default()
        }
    }

    fn file(self, file: &'a str) -> Self {
        Self {
            file: Some(file),
            ..self
        }
    }

    fn digest(self, file: &'a str, sha256: &'a str) -> Self {
        Self {
            sha256: Some(sha256),
            ..self.file(file)
        }
    }

    /// What and the thing as one text.
    pub fn text(&self) -> String {
        if self.words.is_empty() {
            self.what.to_owned()
        } else {
            format!("{}: {}", self.what, self.words)
        }
    }
}

/// Puts a deed into words.
pub fn told(deed: &Deed) -> Told<'_> {
    match deed {
        Deed::Opened { software } => Told::new("inspection begun", format!("with {software}")),
        Deed::Conditions {
            temperature_k,
            ambient_pa,
            words,
        } => {
            let read = conditions(*temperature_k, *ambient_pa).into_iter();
            Told::new("conditions", joined(read.chain(words.clone()), ", "))
        }
        Deed::Observed {
            sense: by,
            text,
            photograph,
        } => Told {
            file: photograph.as_deref(),
            ..Told::new(sense(*by), text)
        },
        Deed::NotChecked { text } => Told::new("not checked", text),
        Deed::Photographed(photograph) => {
            Told::new("photographed", photographed(photograph)).file(&photograph.file)
        }
        Deed::Attached {
            file,
            sha256,
            bytes,
            words,
        } => Told::new("attached", format!("{words}, {}", count(*bytes, "byte")))
            .digest(file, sha256),
        Deed::Captured {
            capture,
            test,
            setup,
            stage,
        } => Told {
            capture: Some(capture),
            ..Told::new("measured", measured(test, setup.as_deref(), *stage))
        },
        Deed::Found { file, sha256 } => Told::new("finding written", "").digest(file, sha256),
        Deed::Checked(check) => Told::new("probe checked", probe_checked(check)),
        Deed::Part(part) => Told::new(part_act(part.act), planned(part)),
        Deed::Repaired { text } => Told::new("work done", text),
        Deed::Decided {
            decision: what,
            offer,
            words,
        } => Told::new("decided", resolved(*what, offer.as_ref(), words.clone())),
        Deed::Joint {
            present,
            objections,
            file,
            sha256,
        } => Told::new("joint statement laid out", joint(present, objections)).digest(file, sha256),
        Deed::Corrected { line, text } => Told::new(
            "corrected",
            format!("line {line} is wrong; right is: {text}"),
        ),
        Deed::ClockSet { by_s } => Told::new("clock set", clock_set(*by_s)),
        Deed::Mended { bytes, text } => Told::new("mended", mended(*bytes, text)),
    }
}

fn joined(parts: impl Iterator<Item = String>, by: &str) -> String {
    parts.collect::<Vec<_>>().join(by)
}

/// `19 C`, `1009 hPa`, what is known of them.
pub fn conditions(temperature_k: Option<f64>, ambient_pa: Option<f64>) -> Vec<String> {
    let warm = temperature_k.map(|k| format!("{} C", stated(k - ZERO_CELSIUS_K)));
    let air = ambient_pa.map(|pa| format!("{:.0} hPa", pa / 100.0));
    warm.into_iter().chain(air).collect()
}

/// A sense of the mechanic as a word.
pub fn sense(sense: Sense) -> &'static str {
    match sense {
        Sense::Seen => "seen",
        Sense::Felt => "felt",
        Sense::Heard => "heard",
        Sense::Smelt => "smelt",
    }
}

/// Where in a visit a test stands.
pub fn stage(stage: Stage) -> &'static str {
    match stage {
        Stage::AsFound => "as it came in",
        Stage::AfterRepair => "after the repair",
    }
}

/// What is to be done or was done with a part.
pub fn act(act: Act) -> &'static str {
    match act {
        Act::ToOpen => "to be opened",
        Act::Needed => "needed",
        Act::Renewed => "renewed",
        Act::PutRight => "put right",
    }
}

fn part_act(act: Act) -> &'static str {
    match act {
        Act::ToOpen => "part to be opened",
        Act::Needed => "part needed",
        Act::Renewed => "part renewed",
        Act::PutRight => "part put right",
    }
}

fn decision(decision: Decision) -> &'static str {
    match decision {
        Decision::Buy => "buy it",
        Decision::Leave => "leave it",
        Decision::Repair => "repair it",
        Decision::HandBack => "hand it back, or sell it, as it is",
    }
}

/// When a check was made.
pub fn moment(moment: Moment) -> &'static str {
    match moment {
        Moment::Before => "before the first test",
        Moment::After => "after the last test",
    }
}

/// `3.00 to 4.00 EUR`.
pub fn price(price: &Price) -> String {
    format!("{} {}", amount(price.low, price.high), price.currency)
}

/// From to, in hundredths.
pub fn amount(low: u64, high: u64) -> String {
    let one = |n: u64| format!("{}.{:02}", n / 100, n % 100);
    if low == high {
        one(low)
    } else {
        format!("{} to {}", one(low), one(high))
    }
}

/// A decision with its offer.
pub fn decided(what: Decision, offer: Option<&Price>) -> String {
    let offer = offer.map_or_else(String::new, |offer| format!("; offered: {}", price(offer)));
    format!("{}{offer}", decision(what))
}

/// What a check of a probe showed beside what it should have.
pub fn checked(check: &Checked) -> String {
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

/// How far the machine's clock was set, and which way.
pub fn clock_set(by_s: f64) -> String {
    let way = if by_s < 0.0 { "back" } else { "forward" };
    format!("{way} by {} s", plain(by_s.abs()))
}

fn resolved(what: Decision, offer: Option<&Price>, why: Option<String>) -> String {
    joined([decided(what, offer)].into_iter().chain(why), "; ")
}

fn mended(bytes: u64, text: &str) -> String {
    let bytes = count(bytes, "byte");
    format!("a line of {bytes} that was half-written was taken off; it said: {text}")
}

fn probe_checked(check: &Checked) -> String {
    format!(
        "{} {}; {}",
        check.probe,
        moment(check.moment),
        checked(check)
    )
}

fn photographed(photograph: &Photograph) -> String {
    let tag = photograph
        .tag_in_picture
        .then(|| "the tag can be read in it".to_owned());
    let taken = photograph.taken.as_ref();
    let taken = taken.map(|when| format!("taken {when} by the camera's clock"));
    let all = [photograph.words.clone(), tag, taken];
    joined(all.into_iter().flatten(), ", ")
}

fn measured(test: &str, setup: Option<&str>, at: Stage) -> String {
    let setup = setup.map(|setup| format!("setup {setup}"));
    let all = [Some(test.to_owned()), setup, Some(stage(at).to_owned())];
    joined(all.into_iter().flatten(), ", ")
}

fn planned(part: &PlannedPart) -> String {
    let price = part.price.as_ref().map(|amount| {
        let says = part.priced_by.as_ref();
        let says = says.map_or_else(String::new, |who| format!(" says {who}"));
        format!("{}{says}", price(amount))
    });
    let all = [
        Some(part.name.clone()),
        part.minutes.map(|minutes| format!("{minutes} min of work")),
        part.from.clone(),
        price,
    ];
    joined(all.into_iter().flatten(), ", ")
}

fn joint(present: &[Party], objections: &[Objection]) -> String {
    let who = present.iter().map(|p| format!("{} ({})", p.name, p.role));
    let present = format!("present: {}", list(&who.collect::<Vec<_>>()));
    let objected = objections
        .iter()
        .map(|objection| format!("{} objects: {}", objection.name, objection.text));
    joined([present].into_iter().chain(objected), "; ")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn deeds_become_plain_words() {
        let text = |deed: &Deed| told(deed).text();
        let conditions = Deed::Conditions {
            temperature_k: Some(294.65),
            ambient_pa: Some(100_320.0),
            words: None,
        };
        assert_eq!(text(&conditions), "conditions: 21.5 C, 1003 hPa");
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
            text(&part),
            "part needed: lid seal, 15 min of work, new, 4.50 to 6.05 EUR says shop"
        );
        let captured = Deed::Captured {
            capture: "20310517T142140Z-leak-lid_clamped".into(),
            test: "leak".into(),
            setup: Some("lid_clamped".into()),
            stage: Stage::AfterRepair,
        };
        assert_eq!(
            text(&captured),
            "measured: leak, setup lid_clamped, after the repair"
        );
        assert_eq!(
            told(&captured).capture,
            Some("20310517T142140Z-leak-lid_clamped")
        );
        assert_eq!(
            text(&Deed::ClockSet { by_s: -3.26 }),
            "clock set: back by 3.26 s"
        );
        let found = Deed::Found {
            file: "findings/comparison-1.json".into(),
            sha256: "ab".into(),
        };
        assert_eq!(text(&found), "finding written");
        assert_eq!(
            (told(&found).file, told(&found).sha256),
            (Some("findings/comparison-1.json"), Some("ab"))
        );
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

//! What may stand in an inspection: texts that a person can read, figures that mean something, names that every disk takes.

use super::{Checked, Deed, FORMAT, Opening, Owner, Party, PlannedPart, Price};
use crate::evidence::tree::unsafe_path;

/// Longest name, mark or title, characters.
pub const MAX_NAME: usize = 200;
/// Longest text of an entry, characters; what is longer is attached as a file.
pub const MAX_WORDS: usize = 16_384;
/// Most marks, claims, parties of one list.
const MAX_LIST: usize = 1_000;

/// Says why a text may not stand in an inspection; `what` names it.
pub(crate) fn words(what: &str, text: &str, longest: usize, lines: bool) -> Result<(), String> {
    if text.trim().is_empty() {
        return Err(format!(
            "{what}: is empty; write some words, or leave it out"
        ));
    }
    let length = text.chars().count();
    if length > longest {
        let more = if lines {
            ", or attach it as a file"
        } else {
            ""
        };
        return Err(format!(
            "{what}: {length} characters, and {longest} are the most; write less{more}"
        ));
    }
    match text.chars().find(|c| unreadable(*c, lines)) {
        Some(c) => Err(format!(
            "{what}: holds the character U+{:04X}, which nobody can see; take it out",
            u32::from(c)
        )),
        None => Ok(()),
    }
}

/// A control character, or one that turns the direction of what follows.
fn unreadable(c: char, lines: bool) -> bool {
    let turns = matches!(c, '\u{202A}'..='\u{202E}' | '\u{2066}'..='\u{2069}');
    turns || (c.is_control() && !(lines && matches!(c, '\n' | '\t')))
}

fn line(what: &str, text: &str) -> Result<(), String> {
    words(what, text, MAX_NAME, false)
}

fn maybe(what: &str, text: Option<&String>) -> Result<(), String> {
    text.map_or(Ok(()), |text| line(what, text))
}

fn list(what: &str, texts: &[String]) -> Result<(), String> {
    if texts.len() > MAX_LIST {
        return Err(format!(
            "{what}: {} of them, and {MAX_LIST} are the most",
            texts.len()
        ));
    }
    texts
        .iter()
        .try_for_each(|text| words(what, text, MAX_WORDS, false))
}

/// Says why an inspection may not be opened so.
pub(crate) fn opening(opening: &Opening) -> Result<(), String> {
    if opening.format != FORMAT {
        return Err(format!(
            "format {}: this program writes format {FORMAT}",
            opening.format
        ));
    }
    line("tag", &opening.tag)?;
    line("operator", &opening.operator)?;
    maybe("house", opening.house.as_ref())?;
    maybe("owner", opening.owner.as_ref())?;
    opening
        .reason
        .as_ref()
        .map_or(Ok(()), |text| words("reason", text, MAX_WORDS, false))?;
    opening
        .opened
        .parse::<jiff::Timestamp>()
        .map_err(|e| format!("opened: no time of RFC 3339: {e}"))?;
    let car = &opening.car;
    line("name of the car", &car.name)?;
    maybe("description", car.description.as_ref())?;
    maybe("serial number", car.serial.as_ref())?;
    list("mark", &car.marks)?;
    list("fitted", &car.fitted)?;
    list("claim", &opening.claimed)
}

/// Says why an owner may not be kept so.
pub(crate) fn owner(owner: &Owner) -> Result<(), String> {
    line("name of the owner", &owner.name)?;
    list("contact of the owner", &owner.contact)
}

/// Says why a deed may not be written.
#[allow(clippy::too_many_lines)] // one exhaustive match
pub(crate) fn deed(deed: &Deed) -> Result<(), String> {
    let text = |what: &str, text: &str| words(what, text, MAX_WORDS, true);
    let more = |what: &str, text: Option<&String>| {
        text.map_or(Ok(()), |text| words(what, text, MAX_WORDS, true))
    };
    match deed {
        Deed::Opened { software } => line("software", software),
        Deed::Conditions {
            temperature_k,
            ambient_pa,
            words,
        } => {
            if temperature_k.is_none() && ambient_pa.is_none() && words.is_none() {
                return Err(
                    "conditions: nothing is stated; state temperature, pressure or words".into(),
                );
            }
            // a bench stands in a room, and air pressure is what people live in
            within("temperature", *temperature_k, 200.0..=350.0)?;
            within("air pressure", *ambient_pa, 30e3..=120e3)?;
            more("conditions", words.as_ref())
        }
        Deed::Observed {
            text: seen,
            photograph,
            ..
        } => {
            text("observation", seen)?;
            photograph.as_ref().map_or(Ok(()), |file| path(file))
        }
        Deed::NotChecked { text: what } => text("what was not checked", what),
        Deed::Photographed(photograph) => {
            path(&photograph.file)?;
            maybe("time of the photograph", photograph.taken.as_ref())?;
            more("words of the photograph", photograph.words.as_ref())
        }
        Deed::Attached { file, words, .. } => {
            path(file)?;
            text("words of the attachment", words)
        }
        Deed::Captured {
            capture,
            test,
            setup,
            ..
        } => {
            path(capture)?;
            if !["leak", "pull", "roll"].contains(&test.as_str()) {
                return Err(format!("test {test:?}: the tests are leak, pull, roll"));
            }
            maybe("setup", setup.as_ref())
        }
        Deed::Found { file, .. } => path(file),
        Deed::Checked(checked) => check(checked),
        Deed::Part(part) => planned(part),
        Deed::Repaired { text: what } => text("repair", what),
        Deed::Decided { offer, words, .. } => {
            offer.as_ref().map_or(Ok(()), price)?;
            more("reason of the decision", words.as_ref())
        }
        Deed::Joint {
            present,
            objections,
            file,
            ..
        } => {
            parties(present)?;
            for objection in objections {
                text("objection", &objection.text)?;
                if !present.iter().any(|party| party.name == objection.name) {
                    return Err(format!(
                        "objection of {:?}: nobody of that name is among those who were there",
                        objection.name
                    ));
                }
            }
            path(file)
        }
        Deed::Corrected { text: what, .. } => text("correction", what),
        Deed::ClockSet { by_s } => finite("clock", *by_s),
        Deed::Mended { .. } => Ok(()),
    }
}

fn path(path: &str) -> Result<(), String> {
    unsafe_path(path).map_or(Ok(()), |why| Err(format!("{path:?}: {why}")))
}

fn finite(what: &str, value: f64) -> Result<(), String> {
    if value.is_finite() {
        Ok(())
    } else {
        Err(format!("{what}: {value} is no number"))
    }
}

fn within(
    what: &str,
    value: Option<f64>,
    range: std::ops::RangeInclusive<f64>,
) -> Result<(), String> {
    match value {
        Some(value) if !range.contains(&value) => Err(format!(
            "{what}: {value} is not between {} and {} (K or Pa)",
            range.start(),
            range.end()
        )),
        _ => Ok(()),
    }
}

fn check(checked: &Checked) -> Result<(), String> {
    let unit = match checked.by.as_str() {
        "weight" => "N",
        "leak" => "Pa.m3/s",
        other => return Err(format!("check {other:?}: by a weight or by a leak")),
    };
    if checked.unit != unit {
        return Err(format!("check {}: is stated in {unit}", checked.by));
    }
    line("probe", &checked.probe)?;
    finite("stated", checked.stated)?;
    finite("shown", checked.shown)?;
    for (what, u) in [("stated", checked.stated_u), ("shown", checked.shown_u)] {
        if !(u.is_finite() && u >= 0.0) {
            return Err(format!(
                "uncertainty of what was {what}: {u}; a number from 0 on"
            ));
        }
    }
    checked.capture.as_ref().map_or(Ok(()), |name| path(name))
}

fn planned(part: &PlannedPart) -> Result<(), String> {
    line("part", &part.name)?;
    maybe("part of the vehicle file", part.part.as_ref())?;
    maybe("where the part comes from", part.from.as_ref())?;
    maybe("whose price it is", part.priced_by.as_ref())?;
    part.price.as_ref().map_or(Ok(()), price)
}

fn price(price: &Price) -> Result<(), String> {
    if price.low > price.high {
        return Err("price: the least is more than the most; write it from..to".into());
    }
    let code = price.currency.as_bytes();
    if code.len() != 3 || !code.iter().all(u8::is_ascii_uppercase) {
        return Err(format!(
            "currency {:?}: write the three letters of ISO 4217, such as EUR",
            price.currency
        ));
    }
    Ok(())
}

fn parties(present: &[Party]) -> Result<(), String> {
    if present.is_empty() {
        return Err("joint statement: nobody is named; name who was there".into());
    }
    if present.len() > MAX_LIST {
        return Err("joint statement: too many parties".into());
    }
    for (n, party) in present.iter().enumerate() {
        line("name of a party", &party.name)?;
        line("role of a party", &party.role)?;
        if present[..n].iter().any(|other| other.name == party.name) {
            return Err(format!("{}: is named twice", party.name));
        }
    }
    Ok(())
}

/// A name that every disk takes, made of one that a person or a camera gave. Only what follows the last `/` or `\` counts.
///
/// ```
/// use feelgauge::inspection::safe_name;
/// assert_eq!(safe_name("../../Bill of sale (1).pdf", "file"), "Bill_of_sale__1_.pdf");
/// assert_eq!(safe_name("...", "file"), "file");
/// ```
pub fn safe_name(name: &str, otherwise: &str) -> String {
    const LONGEST: usize = 100;
    let last = name.rsplit(['/', '\\']).next().unwrap_or_default();
    let kept: String = last
        .trim()
        .chars()
        .map(|c| match c {
            c if c.is_ascii_alphanumeric() || "._-".contains(c) => c,
            _ => '_',
        })
        .collect();
    let kept = kept.trim_start_matches('.');
    if kept.bytes().all(|b| b"._-".contains(&b)) {
        return otherwise.into();
    }
    let (stem, ending) = split(kept);
    let ending = if ending.len() <= 12 { ending } else { "" };
    let ending = if ending == ".part" { ".part_" } else { ending };
    format!("{}{ending}", &stem[..stem.len().min(LONGEST)])
}

/// A name before and from its last dot on.
pub(crate) fn split(name: &str) -> (&str, &str) {
    match name.rfind('.') {
        Some(at) if at > 0 => name.split_at(at),
        _ => (name, ""),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_of_people_become_names_of_files() {
        for (given, kept) in [
            ("/etc/passwd", "passwd"),
            ("C:\\pictures\\front.JPG", "front.JPG"),
            ("..", "file"),
            ("", "file"),
            ("a\u{0}b", "a_b"),
            ("r\u{e4}der.png", "r_der.png"),
            ("x.part", "x.part_"),
            (".htaccess", "htaccess"),
        ] {
            assert_eq!(safe_name(given, "file"), kept, "{given:?}");
        }
        let long = format!("{}.jpeg", "a".repeat(400));
        assert_eq!(safe_name(&long, "file").len(), 105);
    }

    #[test]
    fn texts_that_nobody_can_read_are_refused() {
        assert!(words("text", "worn ring\nand pinion", 100, true).is_ok());
        for bad in ["", "  \n", "bell\u{7}", "\u{1b}[2J", "turned \u{202e}txet"] {
            assert!(words("text", bad, 100, true).is_err(), "{bad:?}");
        }
        assert!(words("text", "two\nlines", 100, false).is_err());
        let long = words("text", &"x".repeat(1 << 20), MAX_WORDS, true).unwrap_err();
        assert!(long.contains("attach"), "{long}");
    }
}

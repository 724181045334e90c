//! What a person or a program adds to an inspection: checked at the door, then a deed of the journal.

use schemars::JsonSchema;
use serde::Deserialize;

use super::scene::{Form, Typed};
use crate::inspection::{Act, Deed, PlannedPart, Price, Sense};

/// Longest text of a line in the journal, characters.
const MOST_TEXT: usize = 2000;
/// Longest name, characters.
const MOST_NAME: usize = 120;
/// Rooms in which somebody measures, C (common practice, no source).
const ROOM_C: std::ops::RangeInclusive<f64> = -40.0..=60.0;
/// Absolute pressure of the air, hPa: from a mountain's workshop at 5000 m to the highest that was ever recorded.
const AIR_HPA: std::ops::RangeInclusive<f64> = 500.0..=1100.0;
/// 0 C in K.
const ZERO_C: f64 = 273.15;
/// Most of a price, hundredths; more is a slip of the finger.
const MOST_PRICE: u64 = 100_000_000;
/// Most minutes of work: a hundred hours.
const MOST_MINUTES: u32 = 6000;

/// What a program may add. Tests, photographs and findings come by ways of their own.
#[derive(Clone, Debug, PartialEq, Deserialize, JsonSchema)]
#[serde(tag = "what", rename_all = "snake_case", deny_unknown_fields)]
pub(super) enum DeedOrder {
    /// The day's conditions were read off; at least one of the three.
    Conditions {
        /// Temperature of the room, K.
        #[schemars(range(min = 233.15, max = 333.15))]
        temperature_k: Option<f64>,
        /// Absolute pressure of the air, Pa.
        #[schemars(range(min = 50_000.0, max = 110_000.0))]
        ambient_pa: Option<f64>,
        /// Anything else.
        #[schemars(length(min = 1, max = 2000))]
        words: Option<String>,
    },
    /// Something was seen or felt, without a probe.
    Observed {
        /// By which sense.
        sense: Sense,
        /// What.
        #[schemars(length(min = 1, max = 2000))]
        text: String,
    },
    /// Something was left out of the inspection.
    NotChecked {
        /// What.
        #[schemars(length(min = 1, max = 2000))]
        text: String,
    },
    /// Work was done on the car.
    Repaired {
        /// What.
        #[schemars(length(min = 1, max = 2000))]
        text: String,
    },
    /// A part: what it needs.
    Part {
        /// What a person calls it: "lid seal".
        #[schemars(length(min = 1, max = 120))]
        name: String,
        /// What is to be done or was done with it.
        act: Act,
        /// Work, minutes.
        #[schemars(range(max = 6000))]
        minutes: Option<u32>,
        /// Where it comes from: "new", "donor car", "own stock".
        #[schemars(length(min = 1, max = 120))]
        from: Option<String>,
        /// What it costs.
        price: Option<Price>,
        /// Who says so.
        #[schemars(length(min = 1, max = 120))]
        priced_by: Option<String>,
    },
}

impl DeedOrder {
    /// The deed, or what is wrong with it.
    pub fn deed(self) -> Result<Deed, String> {
        match self {
            Self::Conditions {
                temperature_k,
                ambient_pa,
                words,
            } => {
                within("the room", temperature_k.map(|k| k - ZERO_C), &ROOM_C, "C")?;
                within("the air", ambient_pa.map(|pa| pa / 100.0), &AIR_HPA, "hPa")?;
                if temperature_k.is_none() && ambient_pa.is_none() && words.is_none() {
                    return Err("nothing was read off; write down at least one of the three".into());
                }
                Ok(Deed::Conditions {
                    temperature_k,
                    ambient_pa,
                    words: words
                        .map(|words| fit("the words", &words, MOST_TEXT))
                        .transpose()?,
                })
            }
            Self::Observed { sense, text } => Ok(Deed::Observed {
                sense,
                text: fit("the text", &text, MOST_TEXT)?,
                photograph: None,
            }),
            Self::NotChecked { text } => Ok(Deed::NotChecked {
                text: fit("the text", &text, MOST_TEXT)?,
            }),
            Self::Repaired { text } => Ok(Deed::Repaired {
                text: fit("the text", &text, MOST_TEXT)?,
            }),
            Self::Part {
                name,
                act,
                minutes,
                from,
                price,
                priced_by,
            } => {
                if minutes.is_some_and(|minutes| minutes > MOST_MINUTES) {
                    return Err(format!("the work takes at most {MOST_MINUTES} minutes"));
                }
                let short = |what: &str, text: Option<String>| {
                    text.map(|text| fit(what, &text, MOST_NAME)).transpose()
                };
                Ok(Deed::Part(PlannedPart {
                    name: fit("the part's name", &name, MOST_NAME)?,
                    part: None,
                    act,
                    minutes,
                    from: short("where it comes from", from)?,
                    price: price.map(fit_price).transpose()?,
                    priced_by: short("who says the price", priced_by)?,
                }))
            }
        }
    }
}

/// The deed that was typed into a form, or what is wrong with it.
pub(super) fn typed_deed(form: Form, typed: &Typed) -> Result<Deed, String> {
    let text = || typed.get("text").cloned().unwrap_or_default();
    let given = |name: &str| {
        let value = typed.get(name).map(|value| value.trim().to_owned());
        value.filter(|value| !value.is_empty())
    };
    let order = match form {
        Form::Observe => DeedOrder::Observed {
            sense: sense(typed.get("sense").map_or("", String::as_str))?,
            text: text(),
        },
        Form::NotChecked => DeedOrder::NotChecked { text: text() },
        Form::Work => DeedOrder::Repaired { text: text() },
        Form::Conditions => DeedOrder::Conditions {
            temperature_k: number("the room's temperature", given("temperature"))?
                .map(|c| c + ZERO_C),
            ambient_pa: number("the air's pressure", given("ambient"))?.map(|hpa| hpa * 100.0),
            words: given("words"),
        },
        Form::Part => DeedOrder::Part {
            name: given("name").unwrap_or_default(),
            act: Act::Needed,
            minutes: minutes(given("minutes"))?,
            from: given("from"),
            price: price(
                given("low").as_deref(),
                given("high").as_deref(),
                given("currency"),
            )?,
            priced_by: given("priced_by"),
        },
        Form::Photograph => return Err("choose a photograph".into()),
    };
    order.deed()
}

/// Words of a photograph; none where nothing was typed.
pub(super) fn photograph_words(words: Option<&str>) -> Result<Option<String>, String> {
    let words = words.map(str::trim).filter(|words| !words.is_empty());
    words
        .map(|words| fit("what it shows", words, MOST_TEXT))
        .transpose()
}

fn sense(word: &str) -> Result<Sense, String> {
    match word {
        "seen" => Ok(Sense::Seen),
        "felt" => Ok(Sense::Felt),
        "heard" => Ok(Sense::Heard),
        "smelt" => Ok(Sense::Smelt),
        _ => Err("choose by which sense: seen, felt, heard or smelt".into()),
    }
}

/// A text that may stand in the journal: trimmed, lines parted by LF, not empty, not endless, without control characters.
fn fit(what: &str, text: &str, most: usize) -> Result<String, String> {
    let text = text.replace("\r\n", "\n").trim().to_owned();
    if text.is_empty() {
        return Err(format!("{what} is missing; write it down"));
    }
    let length = text.chars().count();
    if length > most {
        return Err(format!(
            "{what} has {length} characters; {most} are the most"
        ));
    }
    if text.chars().any(|c| c.is_control() && c != '\n') {
        return Err(format!("{what} holds control characters; write plain text"));
    }
    Ok(text)
}

fn within(
    what: &str,
    value: Option<f64>,
    range: &std::ops::RangeInclusive<f64>,
    unit: &str,
) -> Result<(), String> {
    match value {
        // Reading off K and back may lose the last place at an end of the range.
        Some(value) if !(range.start() - 1e-9..=range.end() + 1e-9).contains(&value) => {
            Err(format!(
                "{what} has {value:.1} {unit}, and that is not between {} and {}; look again",
                range.start(),
                range.end()
            ))
        }
        _ => Ok(()),
    }
}

/// A number as it is typed in a workshop: with a point or a comma.
fn number(what: &str, text: Option<String>) -> Result<Option<f64>, String> {
    let Some(text) = text else { return Ok(None) };
    let number = text.replace(',', ".").parse::<f64>();
    match number {
        Ok(number) if number.is_finite() => Ok(Some(number)),
        _ => Err(format!("{what} is no number; write digits, such as 21.5")),
    }
}

fn minutes(text: Option<String>) -> Result<Option<u32>, String> {
    let minutes = text.map(|text| text.parse::<u32>()).transpose();
    minutes.map_err(|_| "the work is no number of minutes; write digits, such as 20".into())
}

fn hundredths(text: &str) -> Result<u64, String> {
    Price::hundredths(text)
        .ok_or_else(|| "the price is no amount; write digits, such as 12.50".into())
}

fn price(
    low: Option<&str>,
    high: Option<&str>,
    currency: Option<String>,
) -> Result<Option<Price>, String> {
    let Some((low, high)) = low.or(high).zip(high.or(low)) else {
        return Ok(None);
    };
    let currency = currency
        .ok_or("in which currency is the price? Write its code, such as EUR")?
        .to_uppercase();
    Ok(Some(Price {
        low: hundredths(low)?,
        high: hundredths(high)?,
        currency,
    }))
}

fn fit_price(price: Price) -> Result<Price, String> {
    let is_code =
        price.currency.len() == 3 && price.currency.bytes().all(|b| b.is_ascii_uppercase());
    if !is_code {
        return Err("a currency is three capital letters (ISO 4217), such as EUR".into());
    }
    if price.low > price.high {
        return Err("the price goes from more to less; write the smaller amount first".into());
    }
    if price.high > MOST_PRICE {
        return Err("the price is above a million; look again".into());
    }
    Ok(price)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn typed(fields: &[(&str, &str)]) -> Typed {
        let own = |(name, value): &(&str, &str)| ((*name).to_owned(), (*value).to_owned());
        fields.iter().map(own).collect()
    }

    #[test]
    fn what_is_typed_becomes_a_deed_in_si() {
        let day = typed(&[
            ("temperature", " 21,5 "),
            ("ambient", "1003.2"),
            ("words", ""),
        ]);
        let Ok(Deed::Conditions {
            temperature_k: Some(k),
            ambient_pa: Some(pa),
            words: None,
        }) = typed_deed(Form::Conditions, &day)
        else {
            panic!("conditions");
        };
        assert!((k - 294.65).abs() < 1e-9 && (pa - 100_320.0).abs() < 1e-6);
        let seen = typed(&[("sense", "felt"), ("text", " play in the\r\nfront axle ")]);
        assert_eq!(
            typed_deed(Form::Observe, &seen),
            Ok(Deed::Observed {
                sense: Sense::Felt,
                text: "play in the\nfront axle".into(),
                photograph: None
            })
        );
        let part = typed(&[
            ("name", "lid seal"),
            ("low", "4,5"),
            ("currency", "eur"),
            ("minutes", "15"),
        ]);
        let Ok(Deed::Part(part)) = typed_deed(Form::Part, &part) else {
            panic!("part");
        };
        let price = part.price.unwrap();
        assert_eq!(
            (price.low, price.high, price.currency.as_str()),
            (450, 450, "EUR")
        );
        assert_eq!((part.act, part.minutes), (Act::Needed, Some(15)));
    }

    #[test]
    #[allow(clippy::too_many_lines)] // one case after the other
    fn what_is_wrong_is_said_with_what_to_do() {
        let wrong = |form, fields: &[(&str, &str)]| typed_deed(form, &typed(fields)).unwrap_err();
        let long = "x".repeat(MOST_TEXT + 1);
        for (form, fields, words) in [
            (
                Form::Observe,
                &[("sense", "seen"), ("text", " ")][..],
                "missing",
            ),
            (Form::Observe, &[("text", "play")], "which sense"),
            (
                Form::Observe,
                &[("sense", "seen"), ("text", &long)],
                "2001 characters",
            ),
            (
                Form::NotChecked,
                &[("text", "a\u{1b}[2Jb")],
                "control characters",
            ),
            (Form::Conditions, &[("temperature", "")], "at least one"),
            (Form::Conditions, &[("temperature", "warm")], "no number"),
            (Form::Conditions, &[("temperature", "NaN")], "no number"),
            (
                Form::Conditions,
                &[("temperature", "294")],
                "between -40 and 60",
            ),
            (
                Form::Conditions,
                &[("ambient", "101325")],
                "between 500 and 1100",
            ),
            (Form::Part, &[("from", "new")], "name is missing"),
            (
                Form::Part,
                &[("name", "seal"), ("low", "4.555"), ("currency", "EUR")],
                "no amount",
            ),
            (
                Form::Part,
                &[("name", "seal"), ("low", "4")],
                "which currency",
            ),
            (
                Form::Part,
                &[("name", "seal"), ("low", "4"), ("currency", "E")],
                "ISO 4217",
            ),
            (
                Form::Part,
                &[
                    ("name", "seal"),
                    ("low", "4"),
                    ("high", "3"),
                    ("currency", "EUR"),
                ],
                "more to less",
            ),
            (
                Form::Part,
                &[("name", "seal"), ("low", "99999999"), ("currency", "EUR")],
                "million",
            ),
            (
                Form::Part,
                &[
                    ("name", "seal"),
                    ("low", "99999999999999999999"),
                    ("currency", "EUR"),
                ],
                "no amount",
            ),
            (
                Form::Part,
                &[("name", "seal"), ("minutes", "-5")],
                "minutes",
            ),
            (Form::Part, &[("name", "seal"), ("minutes", "6001")], "6000"),
        ] {
            let said = wrong(form, fields);
            assert!(said.contains(words), "{form:?} {fields:?}: {said}");
        }
    }

    #[test]
    fn the_programs_own_deeds_cannot_be_ordered() {
        for json in [
            r#"{"what":"opened","software":"x"}"#,
            r#"{"what":"photographed","file":"/etc/passwd"}"#,
            r#"{"what":"found","file":"x","sha256":"y"}"#,
            r#"{"what":"observed","sense":"seen","text":"x","photograph":"../x"}"#,
        ] {
            assert!(serde_json::from_str::<DeedOrder>(json).is_err(), "{json}");
        }
        let order = r#"{"what":"observed","sense":"smelt","text":"fuel"}"#;
        assert!(
            serde_json::from_str::<DeedOrder>(order)
                .unwrap()
                .deed()
                .is_ok()
        );
    }
}

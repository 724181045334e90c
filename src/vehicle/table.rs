//! A TOML table with its place in the text: typed look-ups whose faults say where and what to do.

use std::ops::Range;

use toml::Spanned;
use toml::de::{DeTable, DeValue};

/// What is wrong, and at which byte of the text.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Fault {
    /// Byte offset in the text.
    pub at: usize,
    /// What is wrong and what to do.
    pub message: String,
}

impl Fault {
    pub fn new(at: usize, message: impl Into<String>) -> Self {
        Self {
            at,
            message: message.into(),
        }
    }
}

/// Something read, with the byte where it stands.
#[derive(Clone, Copy, Debug)]
pub(super) struct At<T> {
    pub at: usize,
    pub value: T,
}

/// Most entries of one kind in a file: far more than any car has, so that no file can ask for hours of work.
pub(super) const MAX_ENTRIES: usize = 256;
/// Longest name or label, characters.
pub(super) const MAX_NAME: usize = 80;

/// One table of the file and how to speak of it.
pub(super) struct Table<'t> {
    entries: &'t DeTable<'t>,
    /// Byte where the table begins, for keys that are missing.
    pub at: usize,
    /// `[[mesh]]`, `[limits]`, `the file`.
    pub title: String,
}

impl<'t> Table<'t> {
    pub fn new(entries: &'t DeTable<'t>, span: &Range<usize>, title: impl Into<String>) -> Self {
        Self {
            entries,
            at: span.start,
            title: title.into(),
        }
    }

    /// Every key must be one of `known`; the first in the text that is not is the fault.
    pub fn only(&self, known: &[&str]) -> Result<(), Fault> {
        let stranger = self
            .entries
            .keys()
            .filter(|key| !known.contains(&key.get_ref().as_ref()))
            .min_by_key(|key| key.span().start);
        match stranger {
            None => Ok(()),
            Some(key) => Err(Fault::new(
                key.span().start,
                format!(
                    "unknown key '{}' in {}; nearest known key: '{}' (known: {})",
                    shown(key.get_ref()),
                    self.title,
                    nearest(key.get_ref(), known.iter().copied()).unwrap_or("none"),
                    known.join(", ")
                ),
            )),
        }
    }

    fn get(&self, key: &str) -> Option<&'t Spanned<DeValue<'t>>> {
        self.entries
            .iter()
            .find(|(k, _)| k.get_ref().as_ref() == key)
            .map(|(_, value)| value)
    }

    /// Byte where the value of a key stands.
    pub fn place(&self, key: &str) -> Option<usize> {
        self.get(key).map(|value| value.span().start)
    }

    /// The value of a key that must be there.
    pub fn need<T>(&self, key: &str, value: Option<T>) -> Result<T, Fault> {
        value.ok_or_else(|| {
            Fault::new(
                self.at,
                format!("{} has no '{key}'; add the key '{key}'", self.title),
            )
        })
    }

    fn wrong(&self, key: &str, value: &Spanned<DeValue>, wanted: &str) -> Fault {
        Fault::new(
            value.span().start,
            format!(
                "'{key}' of {} is {}; write {wanted}",
                self.title,
                type_of(value.get_ref())
            ),
        )
    }

    /// A string of printable characters, not empty, at most [`MAX_NAME`] long.
    pub fn text(&self, key: &str) -> Result<Option<At<&'t str>>, Fault> {
        let Some(value) = self.get(key) else {
            return Ok(None);
        };
        let DeValue::String(text) = value.get_ref() else {
            return Err(self.wrong(key, value, "a text in quotes"));
        };
        check_text(text, value.span().start, key)?;
        Ok(Some(At {
            at: value.span().start,
            value: text,
        }))
    }

    /// True or false.
    pub fn flag(&self, key: &str) -> Result<Option<bool>, Fault> {
        match self.get(key).map(|v| (v, v.get_ref())) {
            None => Ok(None),
            Some((_, DeValue::Boolean(b))) => Ok(Some(*b)),
            Some((value, _)) => Err(self.wrong(key, value, "true or false")),
        }
    }

    /// A finite number; whole numbers count too.
    pub fn number(&self, key: &str) -> Result<Option<At<f64>>, Fault> {
        let Some(value) = self.get(key) else {
            return Ok(None);
        };
        let number = number_of(value.get_ref())
            .ok_or_else(|| self.wrong(key, value, "a number without unit"))?;
        if !number.is_finite() {
            return Err(Fault::new(
                value.span().start,
                format!(
                    "'{key}' of {} is not finite; write a finite number",
                    self.title
                ),
            ));
        }
        Ok(Some(At {
            at: value.span().start,
            value: number,
        }))
    }

    /// A number above zero.
    pub fn positive(&self, key: &str) -> Result<Option<f64>, Fault> {
        self.within(key, 0.0, f64::INFINITY)
    }

    /// A number above `lo` and below `hi`.
    pub fn within(&self, key: &str, lo: f64, hi: f64) -> Result<Option<f64>, Fault> {
        let Some(At { at, value }) = self.number(key)? else {
            return Ok(None);
        };
        if value > lo && value < hi {
            return Ok(Some(value));
        }
        let range = if hi.is_finite() {
            format!("above {lo} and below {hi}")
        } else {
            format!("above {lo}")
        };
        Err(Fault::new(
            at,
            format!("'{key}' of {} is {value}; it must be {range}", self.title),
        ))
    }

    /// A whole number in `range`.
    pub fn count(&self, key: &str, range: Range<u32>) -> Result<Option<u32>, Fault> {
        let Some(value) = self.get(key) else {
            return Ok(None);
        };
        let DeValue::Integer(integer) = value.get_ref() else {
            return Err(self.wrong(key, value, "a whole number"));
        };
        i64::from_str_radix(integer.as_str(), integer.radix())
            .ok()
            .and_then(|n| u32::try_from(n).ok())
            .filter(|n| range.contains(n))
            .map(Some)
            .ok_or_else(|| {
                Fault::new(
                    value.span().start,
                    format!(
                        "'{key}' of {} is {integer}; it must be {} to {}",
                        self.title,
                        range.start,
                        range.end - 1
                    ),
                )
            })
    }

    /// The table under a key.
    pub fn table(&self, key: &str) -> Result<Option<Table<'t>>, Fault> {
        match self.get(key).map(|v| (v, v.get_ref())) {
            None => Ok(None),
            Some((value, DeValue::Table(entries))) => {
                Ok(Some(Table::new(entries, &value.span(), format!("[{key}]"))))
            }
            Some((value, _)) => Err(self.wrong(key, value, &format!("a table: [{key}]"))),
        }
    }

    /// The tables of an array under a key, in the order of the file; none when the key is not there.
    pub fn tables(&self, key: &str) -> Result<Vec<Table<'t>>, Fault> {
        let wanted = format!("a list of tables: [[{key}]] or {key} = [{{...}}]");
        let mut tables = Vec::new();
        for value in self.list(key, &wanted)? {
            let DeValue::Table(entries) = value.get_ref() else {
                return Err(self.wrong(key, value, &wanted));
            };
            tables.push(Table::new(entries, &value.span(), format!("[[{key}]]")));
        }
        Ok(tables)
    }

    /// The strings of an array under a key; none when the key is not there.
    pub fn texts(&self, key: &str) -> Result<Vec<At<&'t str>>, Fault> {
        let wanted = "a list of texts in quotes";
        let mut texts = Vec::new();
        for value in self.list(key, wanted)? {
            let DeValue::String(text) = value.get_ref() else {
                return Err(self.wrong(key, value, wanted));
            };
            let at = value.span().start;
            check_text(text, at, key)?;
            texts.push(At {
                at,
                value: text.as_ref(),
            });
        }
        Ok(texts)
    }

    fn list(&self, key: &str, wanted: &str) -> Result<&'t [Spanned<DeValue<'t>>], Fault> {
        let Some(value) = self.get(key) else {
            return Ok(&[]);
        };
        let DeValue::Array(items) = value.get_ref() else {
            return Err(self.wrong(key, value, wanted));
        };
        if items.len() > MAX_ENTRIES {
            return Err(Fault::new(
                value.span().start,
                format!(
                    "{} entries in '{key}'; at most {MAX_ENTRIES} are read",
                    items.len()
                ),
            ));
        }
        Ok(items)
    }

    /// Every key of the table with its number, in the order of the text.
    pub fn numbers(&self) -> Result<Vec<(At<&'t str>, f64)>, Fault> {
        let mut keys: Vec<_> = self
            .entries
            .keys()
            .map(|key| At {
                at: key.span().start,
                value: key.get_ref().as_ref(),
            })
            .collect();
        keys.sort_by_key(|key| key.at);
        keys.into_iter()
            .map(|key| {
                let number = self.number(key.value)?.expect("the key was just listed");
                Ok((key, number.value))
            })
            .collect()
    }
}

fn number_of(value: &DeValue) -> Option<f64> {
    match value {
        DeValue::Float(float) => float.as_str().parse().ok(),
        // As a decimal text: the same rounding as the float of the same digits.
        DeValue::Integer(integer) if integer.radix() == 10 => integer.as_str().parse().ok(),
        _ => None,
    }
}

fn check_text(text: &str, at: usize, key: &str) -> Result<(), Fault> {
    let what = if text.trim().is_empty() {
        "is empty"
    } else if text.chars().count() > MAX_NAME {
        "is too long"
    } else if text.chars().any(char::is_control) {
        "holds a control character"
    } else {
        return Ok(());
    };
    Err(Fault::new(
        at,
        format!("'{key}' {what}; write 1 to {MAX_NAME} printable characters"),
    ))
}

fn type_of(value: &DeValue) -> &'static str {
    match value {
        DeValue::String(_) => "a text",
        DeValue::Integer(_) => "a whole number",
        DeValue::Float(_) => "a number",
        DeValue::Boolean(_) => "true or false",
        DeValue::Datetime(_) => "a date",
        DeValue::Array(_) => "a list",
        DeValue::Table(_) => "a table",
    }
}

/// The text cut to [`MAX_NAME`] printable characters, for a message.
pub(super) fn shown(text: &str) -> String {
    text.chars()
        .take(MAX_NAME)
        .map(|c| if c.is_control() { '?' } else { c })
        .collect()
}

/// The known word nearest to `word`: one that begins with it or that it begins with, else the one with the fewest
/// single-character changes; the first of equals.
pub fn nearest<'k>(word: &str, known: impl Iterator<Item = &'k str>) -> Option<&'k str> {
    let word = shown(word);
    known.min_by_key(|candidate| {
        let begins = candidate.starts_with(&word) || word.starts_with(candidate);
        (!begins, changes(&word, candidate))
    })
}

/// Levenshtein distance in characters.
fn changes(a: &str, b: &str) -> usize {
    let b: Vec<char> = b.chars().collect();
    let mut row: Vec<usize> = (0..=b.len()).collect();
    for (i, ca) in a.chars().enumerate() {
        let mut diagonal = row[0];
        row[0] = i + 1;
        for (j, cb) in b.iter().enumerate() {
            let replaced = diagonal + usize::from(ca != *cb);
            diagonal = row[j + 1];
            row[j + 1] = replaced.min(row[j] + 1).min(row[j + 1] + 1);
        }
    }
    row[b.len()]
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn distance_counts_changes() {
        assert_eq!(changes("kitten", "sitting"), 3);
        assert_eq!(changes("", "abc"), 3);
        assert_eq!(
            nearest("teeths_a", ["teeth_a", "teeth_b"].into_iter()),
            Some("teeth_a")
        );
        assert_eq!(
            nearest("lift", ["leak", "lift_ratio"].into_iter()),
            Some("lift_ratio")
        );
        assert_eq!(nearest("lid", [].into_iter()), None);
    }
}

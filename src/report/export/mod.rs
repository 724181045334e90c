//! An inspection's readings and findings for other programs: CSV, JSON Lines, Parquet. Pure over `io::Write`: nothing is
//! opened here, and every writer takes one row after the other.
//!
//! What the columns are called, what they hold and in which unit stands once, in [`columns`]; the writers and the printed
//! schema are made from it.

pub mod columns;
pub mod csv;
pub mod finding;
pub mod parquet;
pub mod reading;

pub use columns::{Cell, Column, Kind};
pub use finding::Found;
pub use reading::{Origin, ReadingRow};

/// Version of the tables' layout; it grows with every change of a column's name, type or meaning.
pub const SCHEMA_VERSION: u32 = 1;

use jiff::civil::Date;

use crate::record::Capture;

/// Day of a capture, UTC, by the name of its folder; a folder without a time in its name has the day on which it began.
///
/// ```
/// use feelgauge::report::export::day_of_name;
/// assert_eq!(day_of_name("20310517T142140Z-leak-whole").unwrap().to_string(), "2031-05-17");
/// assert_eq!(day_of_name("leak of the blue car"), None);
/// assert_eq!(day_of_name("20311317T142140Z-leak"), None);
/// ```
pub fn day_of_name(name: &str) -> Option<Date> {
    let day = name.get(..8)?;
    let time = name.get(8..16)?;
    let is_time = time.starts_with('T')
        && time.ends_with('Z')
        && time[1..7].bytes().all(|b| b.is_ascii_digit());
    if !is_time || !day.bytes().all(|b| b.is_ascii_digit()) {
        return None;
    }
    let number = |text: &str| text.parse::<i16>().ok();
    let (month, date) = (number(&day[4..6])?, number(&day[6..])?);
    Date::new(
        number(&day[..4])?,
        i8::try_from(month).ok()?,
        i8::try_from(date).ok()?,
    )
    .ok()
}

/// Day of a capture whose folder has this name.
pub fn day(name: &str, capture: &Capture) -> Date {
    day_of_name(name).unwrap_or_else(|| capture.meta.day())
}

/// A name that every disk and every engine takes: other characters than `[A-Za-z0-9._-]` become `_`.
///
/// ```
/// use feelgauge::report::export::safe_name;
/// assert_eq!(safe_name("Anna's car: 20310517T142140Z-leak"), "Anna_s_car__20310517T142140Z-leak");
/// assert_eq!((safe_name("..").as_str(), safe_name("").as_str()), ("_.", "_"));
/// ```
pub fn safe_name(name: &str) -> String {
    let safe = |c: char| {
        if c.is_ascii_alphanumeric() || "._-".contains(c) {
            c
        } else {
            '_'
        }
    };
    let name: String = name.chars().map(safe).collect();
    match name.strip_prefix('.') {
        Some(rest) => format!("_{rest}"),
        None if name.is_empty() => "_".into(),
        None => name,
    }
}

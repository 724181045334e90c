//! Results as JSON: one object, keys in the order of their types, a newline at the end.

use serde::Serialize;

/// A result over several lines.
///
/// ```
/// assert_eq!(feelgauge::report::pretty(&[1, 2]), "[\n  1,\n  2\n]\n");
/// ```
pub fn pretty(result: &impl Serialize) -> String {
    ended(serde_json::to_string_pretty(result))
}

/// A result on one line.
pub fn compact(result: &impl Serialize) -> String {
    ended(serde_json::to_string(result))
}

fn ended(text: serde_json::Result<String>) -> String {
    let mut text = text.expect("results have string keys, and writing to memory does not fail");
    text.push('\n');
    text
}

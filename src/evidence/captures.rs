//! Findings worked out anew from the verbatim lines and laid beside the recorded ones.

use std::collections::BTreeSet;

use serde::{Deserialize, Serialize};
use serde_json::Value;

use super::{
    Difference,
    tree::{MAX_TAG, ReadOnly, Tree, read},
};
use crate::{
    inspect::{Finding, Stated},
    reading::SOFTWARE,
    record::{Capture, capture::META_FILE, read_capture},
};

/// Folder of the captures in an inspection.
pub const CAPTURES: &str = "captures";
/// Folder of the recorded findings.
pub const FINDINGS: &str = "findings";
/// Relative difference of numbers that a platform's own functions may make (a t quantile).
pub const PLATFORM: f64 = 1e-9;

/// How a recorded finding and the one worked out anew agree.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Agreement {
    /// To the bit.
    Same,
    /// Numbers within [`PLATFORM`], everything else to the bit.
    SameToPlatform,
    /// Recorded by another version of the software, named here; the line where they part.
    OtherVersion(String, u64),
    /// Not the same; the line.
    Differs(Difference),
}

/// What a comparison was made of: `findings/comparison-<n>.toml` beside its `.json`.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ComparisonOf {
    /// Folders of captures before, by name.
    pub before: Vec<String>,
    /// Folders of captures after, by name.
    pub after: Vec<String>,
    /// Pressure that all leaks were stated at, Pa, where one was given.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub p_ref_pa: Option<f64>,
    /// Setup that was stated for both sides.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub setup: Option<String>,
}

/// A result as `findings/` holds it: JSON over several lines, a newline at the end.
pub fn recorded_form(result: &impl serde::Serialize) -> String {
    let text = serde_json::to_string_pretty(result);
    text.expect("results have string keys, and writing to memory does not fail") + "\n"
}

/// Names of the captures among paths of an inspection: folders in `captures/` with a `capture.toml`, or with anything at all.
pub fn names<'a>(paths: impl Iterator<Item = &'a str>) -> BTreeSet<String> {
    paths
        .filter_map(|path| path.strip_prefix("captures/")?.split_once('/'))
        .map(|(name, _)| name.to_owned())
        .collect()
}

/// Reads the capture `name` of the inspection in `base`; its own digests must fit.
///
/// # Errors
/// It cannot be read, or is not what it was when it was closed.
pub fn open(tree: &dyn Tree, base: &str, name: &str) -> Result<Capture, Difference> {
    let folder = format!("{CAPTURES}/{name}");
    let place = |file: &str| format!("{base}/{folder}/{file}");
    let capture = read_capture(&ReadOnly { tree, base }, &folder)
        .map_err(|e| Difference::of(place(META_FILE), format!("cannot be read: {e}")))?;
    let Some(closed) = &capture.closed else {
        return Ok(capture);
    };
    for file in &closed.files {
        let bytes = read(tree, &place(&file.name), super::tree::MAX_TABLE)
            .map_err(|e| Difference::of(place(&file.name), format!("closed.toml lists it: {e}")))?;
        if bytes.len() as u64 != file.bytes || crate::record::writer::sha256(&bytes) != file.sha256
        {
            let line = first_bad_line(&bytes);
            let what = format!(
                "not as it was when the capture was closed ({} bytes, then {})",
                bytes.len(),
                file.bytes
            );
            return Err(Difference {
                line,
                ..Difference::of(place(&file.name), what)
            });
        }
    }
    let fault = capture.faults.iter().find(|(kind, _)| {
        // what the recorder itself suffered stands in the finding; these two come later
        matches!(kind.as_str(), "missing_file" | "changed_file")
    });
    match fault {
        Some((kind, n)) => Err(Difference::of(
            format!("{base}/{folder}"),
            format!("{kind}: {n}"),
        )),
        None => Ok(capture),
    }
}

/// The line after the last whole one, where a table was cut.
fn first_bad_line(bytes: &[u8]) -> Option<u64> {
    let cut = !bytes.is_empty() && !bytes.ends_with(b"\n");
    cut.then(|| bytes.split(|b| *b == b'\n').count() as u64)
}

/// The finding of a capture, as `findings/<name>.json` records it: with what the capture itself states and nothing else.
///
/// # Errors
/// In words, why there is none.
pub fn finding(capture: &Capture) -> Result<Finding, String> {
    capture
        .analyze(Stated::default(), None)
        .map_err(|e| e.to_string())
}

/// Lays a recorded result beside the one worked out anew. `file` names it.
pub fn agreement(file: &str, recorded: &[u8], anew: &impl serde::Serialize) -> Agreement {
    let own = recorded_form(anew);
    if recorded == own.as_bytes() {
        return Agreement::Same;
    }
    let differs = |what: String| {
        Agreement::Differs(Difference::at(
            file,
            first_line(recorded, own.as_bytes()),
            what,
        ))
    };
    let Ok(value) = serde_json::from_slice::<Value>(recorded) else {
        return differs("no JSON".into());
    };
    let mut versions = BTreeSet::new();
    software(&value, &mut versions);
    let line = first_line(recorded, own.as_bytes());
    let other = versions.into_iter().find(|version| version != SOFTWARE);
    if let Some(version) = other {
        let renamed = own.replace(&format!("\"{SOFTWARE}\""), &format!("\"{version}\""));
        return if renamed.as_bytes() == recorded {
            Agreement::Same
        } else {
            Agreement::OtherVersion(version, line)
        };
    }
    let own_value: Value = serde_json::from_str(&own).expect("we wrote it");
    if recorded_form(&value).as_bytes() == recorded && near(&value, &own_value) {
        return Agreement::SameToPlatform;
    }
    let shown = |bytes: &[u8]| {
        let line = bytes
            .split(|b| *b == b'\n')
            .nth(usize::try_from(line - 1).unwrap_or(0));
        let text = String::from_utf8_lossy(line.unwrap_or_default()).into_owned();
        text.trim().chars().take(80).collect::<String>()
    };
    differs(format!(
        "recorded {:?}, worked out anew {:?}",
        shown(recorded),
        shown(own.as_bytes())
    ))
}

fn first_line(a: &[u8], b: &[u8]) -> u64 {
    let lines = |bytes: &'_ [u8]| {
        bytes
            .split(|b| *b == b'\n')
            .map(<[u8]>::to_vec)
            .collect::<Vec<_>>()
    };
    let same = lines(a)
        .iter()
        .zip(&lines(b))
        .take_while(|(a, b)| a == b)
        .count();
    same as u64 + 1
}

/// Values of every `software` key; results are a few levels deep, and so is the walk.
fn software(value: &Value, found: &mut BTreeSet<String>) {
    let mut open = vec![value];
    while let Some(value) = open.pop() {
        match value {
            Value::Object(map) => {
                if let Some(version) = map.get("software").and_then(Value::as_str) {
                    found.insert(version.to_owned());
                }
                open.extend(map.values());
            }
            Value::Array(list) => open.extend(list),
            _ => {}
        }
    }
}

/// Same but for numbers within [`PLATFORM`].
fn near(a: &Value, b: &Value) -> bool {
    let mut open = vec![(a, b)];
    while let Some(pair) = open.pop() {
        match pair {
            (Value::Object(a), Value::Object(b)) => {
                if !a.keys().eq(b.keys()) {
                    return false;
                }
                open.extend(a.values().zip(b.values()));
            }
            (Value::Array(a), Value::Array(b)) => {
                if a.len() != b.len() {
                    return false;
                }
                open.extend(a.iter().zip(b));
            }
            (Value::Number(a), Value::Number(b)) if a.is_f64() && b.is_f64() => {
                let (a, b) = (
                    a.as_f64().unwrap_or(f64::NAN),
                    b.as_f64().unwrap_or(f64::NAN),
                );
                // a NaN is near nothing
                let is_near = (a - b).abs() <= PLATFORM * a.abs().max(b.abs());
                if !is_near {
                    return false;
                }
            }
            (a, b) => {
                if a != b {
                    return false;
                }
            }
        }
    }
    true
}

/// What a recorded comparison was made of.
///
/// # Errors
/// The file is missing or says something else.
pub fn comparison_of(tree: &dyn Tree, json: &str) -> Result<ComparisonOf, Difference> {
    let path = json.strip_suffix(".json").unwrap_or(json).to_owned() + ".toml";
    let bytes = read(tree, &path, MAX_TAG).map_err(|e| {
        Difference::of(
            json,
            format!(
                "cannot be worked out anew, because {path} does not say of what it was made: {e}"
            ),
        )
    })?;
    toml::from_slice(&bytes).map_err(|e| Difference::of(path, e.message().to_owned()))
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::json;

    /// Findings of other machines differ in last bits at most; whoever reads their digits must not add one of his own.
    #[test]
    fn numbers_are_read_to_the_bit() {
        let mut state = 7_u64;
        for n in 0..20_000_u64 {
            state = state
                .wrapping_mul(6_364_136_223_846_793_005)
                .wrapping_add(1);
            let value = f64::from_bits((state >> 12) | ((950 + n % 120) << 52));
            let text = recorded_form(&json!({"software": SOFTWARE, "value": value}));
            let next = f64::from_bits(value.to_bits() + 1);
            let anew = json!({"software": SOFTWARE, "value": next});
            assert_eq!(
                agreement("f", text.as_bytes(), &anew),
                Agreement::SameToPlatform,
                "{value:e}"
            );
            let read: Value = serde_json::from_str(&text).unwrap();
            assert_eq!(agreement("f", text.as_bytes(), &read), Agreement::Same);
        }
    }

    #[test]
    fn one_last_digit_is_the_platform_and_more_is_a_difference() {
        let anew = json!({"software": SOFTWARE, "value": 1.0, "words": ["a"]});
        let with = |value: f64, software: &str| {
            recorded_form(&json!({"software": software, "value": value, "words": ["a"]}))
        };
        let of = |text: &str| agreement("f", text.as_bytes(), &anew);
        assert_eq!(of(&with(1.0, SOFTWARE)), Agreement::Same);
        assert_eq!(of(&with(1.0 + 1e-12, SOFTWARE)), Agreement::SameToPlatform);
        let Agreement::Differs(difference) = of(&with(1.000_001, SOFTWARE)) else {
            panic!("a millionth is no last digit");
        };
        assert_eq!((difference.line, difference.file.as_str()), (Some(3), "f"));
        assert!(matches!(
            of(&with(1.0, SOFTWARE).replace("\"a\"", "\"b\"")),
            Agreement::Differs(_)
        ));
        assert!(matches!(
            of(&with(1.0 + 1e-12, SOFTWARE).replace('\n', " ")),
            Agreement::Differs(_)
        ));
        assert_eq!(of(&with(1.0, "feelgauge 0.0.1")), Agreement::Same);
        assert_eq!(
            of(&with(2.0, "feelgauge 0.0.1")),
            Agreement::OtherVersion("feelgauge 0.0.1".into(), 2)
        );
    }
}

//! The captures that stand on the shelf, each looked at once.

use std::{collections::BTreeMap, sync::Arc};

use jiff::Timestamp;

use super::{Kept, bell::seconds};
use crate::{
    inspect::{Finding, Stated, Test},
    reading::Verdict,
    record::{Capture, RecordError, Storage, read_capture},
};

/// What stands there until a capture was looked at.
const NOT_YET: &str = "not looked at yet";
/// Why a capture without an end has no verdict here.
const CUT_SHORT: &str = "it was cut short: the bench or the machine stopped before it was closed";

/// The captures, by name.
#[derive(Debug, Default)]
pub(super) struct Collection {
    known: BTreeMap<String, Looked>,
    /// Newest first, as a page shows them.
    shown: Arc<Vec<Kept>>,
}

#[derive(Debug)]
enum Looked {
    /// Its name alone is known.
    Not(Option<Kept>),
    /// `None`: no capture.
    At(Option<Kept>),
}

impl Collection {
    /// Folders that stand there now; true when something changed.
    pub fn found(&mut self, folders: &[String]) -> bool {
        let before = self.known.len();
        self.known.retain(|name, _| folders.contains(name));
        let mut changed = self.known.len() != before;
        for name in folders {
            if !self.known.contains_key(name) {
                let by_name = by_name(name);
                self.known.insert(name.clone(), Looked::Not(by_name));
                changed = true;
            }
        }
        if changed {
            self.show();
        }
        changed
    }

    /// The newest folder that nobody looked at, other than `but`, which is being written.
    pub fn next(&self, but: Option<&str>) -> Option<String> {
        let open = self.known.iter().rev();
        open.filter(|(name, looked)| matches!(looked, Looked::Not(_)) && but != Some(name.as_str()))
            .map(|(name, _)| name.clone())
            .next()
    }

    /// A folder was looked at, or a test ended and left it.
    pub fn looked(&mut self, name: &str, kept: Option<Kept>) {
        self.known.insert(name.into(), Looked::At(kept));
        self.show();
    }

    /// As a page shows them.
    pub fn shown(&self) -> Arc<Vec<Kept>> {
        Arc::clone(&self.shown)
    }

    fn show(&mut self) {
        let mut shown: Vec<Kept> = self
            .known
            .values()
            .filter_map(|looked| match looked {
                Looked::Not(kept) | Looked::At(kept) => kept.clone(),
            })
            .collect();
        shown.sort_by(|a, b| (&b.when, &b.name).cmp(&(&a.when, &a.name)));
        self.shown = Arc::new(shown);
    }
}

/// What the name of a capture's folder says: `20310517T142140Z-roll-one_fl`.
fn by_name(name: &str) -> Option<Kept> {
    let (when, rest) = name.split_once('-')?;
    let when = jiff::fmt::strtime::parse("%Y%m%dT%H%M%SZ", when).ok()?;
    let when = jiff::tz::TimeZone::UTC
        .to_timestamp(when.to_datetime().ok()?)
        .ok()?;
    let (test, setup) = match rest.split_once('-') {
        None => (rest, None),
        Some((test, setup)) => (test, Some(setup.to_owned())),
    };
    Test::from_word(test)?;
    Some(Kept {
        name: name.into(),
        test: test.into(),
        setup,
        when: seconds(when),
        verdict: None,
        why: Some(NOT_YET.into()),
    })
}

/// Reads and measures a capture; `None`: the folder is none.
pub(super) fn look(disk: &impl Storage, name: &str) -> Option<Kept> {
    let capture = match read_capture(disk, name) {
        Ok(capture) => capture,
        Err(RecordError::NotACapture { .. }) => {
            // A capture of which not even the beginning was kept.
            return by_name(name).map(|kept| Kept {
                why: Some(CUT_SHORT.into()),
                ..kept
            });
        }
        Err(e) => {
            return by_name(name).map(|kept| Kept {
                why: Some(e.to_string()),
                ..kept
            });
        }
    };
    let (verdict, why) = if capture.closed.is_none() {
        (None, Some(CUT_SHORT.into()))
    } else {
        judged(&capture)
    };
    Some(Kept {
        name: name.into(),
        test: capture.meta.test.clone(),
        setup: capture.meta.setup.clone(),
        when: seconds(capture.meta.anchor.wall),
        verdict,
        why,
    })
}

fn judged(capture: &Capture) -> (Option<String>, Option<String>) {
    match capture.analyze(Stated::default(), None) {
        Ok(finding) => verdict_of(&finding),
        Err(e) => (None, Some(e.to_string())),
    }
}

/// The verdict of a finding, or why there is none.
fn verdict_of(finding: &Finding) -> (Option<String>, Option<String>) {
    let why = finding.refused().map(|refusals| {
        let words: Vec<&str> = refusals.iter().map(|r| r.message.as_str()).collect();
        words.join("; ")
    });
    (finding.verdict().map(|v| word(v).into()), why)
}

/// A verdict's word.
pub(super) fn word(verdict: Verdict) -> &'static str {
    match verdict {
        Verdict::Within => "within",
        Verdict::Outside => "outside",
        Verdict::Undecided => "undecided",
    }
}

/// A capture that has just ended.
pub(super) fn of_ended(
    name: &str,
    test: Test,
    setup: Option<&String>,
    now: Timestamp,
    found: &Result<Finding, String>,
) -> Kept {
    let (verdict, why) = match found {
        Ok(finding) => verdict_of(finding),
        Err(why) => (None, Some(why.clone())),
    };
    let when = by_name(name).map_or_else(|| seconds(now), |kept| kept.when);
    Kept {
        name: name.into(),
        test: test.word().into(),
        setup: setup.cloned(),
        when,
        verdict,
        why,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_say_what_they_can_until_a_capture_was_looked_at() {
        let mut kept = Collection::default();
        let names = [
            "20310517T142140Z-roll-one_fl",
            "20310517T142200Z-leak",
            "notes",
        ];
        let names = names.map(str::to_owned);
        assert!(kept.found(&names) && !kept.found(&names));
        let shown = kept.shown();
        assert_eq!(shown.len(), 2);
        assert_eq!(
            (shown[0].test.as_str(), shown[0].when.as_str()),
            ("leak", "2031-05-17T14:22:00Z")
        );
        assert_eq!(shown[1].setup.as_deref(), Some("one_fl"));
        assert_eq!(kept.next(None).as_deref(), Some("notes"));
        kept.looked("notes", None);
        assert_eq!(kept.next(Some(&names[1])).as_deref(), Some(&*names[0]));
        assert!(kept.found(&names[..1]));
        assert_eq!(kept.shown().len(), 1);
    }
}

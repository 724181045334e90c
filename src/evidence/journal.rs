//! The journal: who did what when, each line with the SHA-256 of the line before, so that no line can be taken out, put in, changed or
//! moved without every later line changing too.

use std::{
    collections::BTreeMap,
    io::{self, BufRead, BufReader, Read},
};

use jiff::Timestamp;
use serde_json::{Map, Value, json};
use sha2::{Digest as _, Sha256};

use super::Difference;
use crate::record::writer::{hex, sha256};

/// The journal's name in an inspection.
pub const FILE: &str = "journal.jsonl";
/// `prev` of the first line.
pub const FIRST: &str = "0000000000000000000000000000000000000000000000000000000000000000";
/// Longest line, bytes.
pub const MAX_LINE: u64 = 1 << 20;

/// What a sound journal says of itself.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Journal {
    /// Lines.
    pub lines: u64,
    /// SHA-256 of the last line without LF; [`FIRST`] when there is none. `prev` of the next line.
    pub head: String,
    /// Time of the last line.
    pub last: Option<Timestamp>,
    /// Lines whose time is before that of the line above.
    pub backward: u64,
    /// Files that lines name with a digest: the number of the last such line and what it says.
    pub files: BTreeMap<String, (u64, String)>,
}

impl Journal {
    /// A journal without a line.
    pub fn empty() -> Self {
        Self {
            lines: 0,
            head: FIRST.into(),
            last: None,
            backward: 0,
            files: BTreeMap::new(),
        }
    }

    /// The next line, with its LF; `more` are keys beside the five of every line.
    ///
    /// ```
    /// use feelgauge::evidence::journal::{Journal, check};
    /// let when = "2031-05-17T14:21:40Z".parse().unwrap();
    /// let line = Journal::empty().line(when, "R. Tern", "opened", serde_json::Map::new());
    /// assert_eq!(check("journal.jsonl", line.as_bytes()).unwrap().unwrap().lines, 1);
    /// ```
    pub fn line(&self, when: Timestamp, who: &str, what: &str, more: Map<String, Value>) -> String {
        let mut entry = Map::new();
        entry.insert("n".into(), json!(self.lines + 1));
        entry.insert("prev".into(), json!(self.head));
        entry.insert("when".into(), json!(when.to_string()));
        entry.insert("who".into(), json!(who));
        entry.insert("what".into(), json!(what));
        for (key, value) in more {
            entry.entry(key).or_insert(value);
        }
        format!("{}\n", Value::Object(entry))
    }

    fn take(&mut self, line: &[u8]) -> Result<(), String> {
        let line = line
            .strip_suffix(b"\n")
            .ok_or("the last line was cut off")?;
        let entry: Map<String, Value> =
            serde_json::from_slice(line).map_err(|e| format!("no JSON object: {e}"))?;
        let text = |key: &str| {
            let value = entry.get(key).and_then(Value::as_str);
            value.ok_or_else(|| format!("no text \"{key}\""))
        };
        if entry.get("n").and_then(Value::as_u64) != Some(self.lines + 1) {
            return Err(format!(
                "\"n\" is not {}: lines are missing or moved",
                self.lines + 1
            ));
        }
        if text("prev")? != self.head {
            return Err("\"prev\" is not the digest of the line before: a line was changed, removed or put in".into());
        }
        text("who")?;
        text("what")?;
        let when: Timestamp = text("when")?
            .parse()
            .map_err(|e| format!("\"when\" is no time of RFC 3339: {e}"))?;
        self.backward += u64::from(self.last.is_some_and(|last| when < last));
        self.last = Some(when);
        self.lines += 1;
        self.head = sha256(line);
        if let (Ok(file), Ok(digest)) = (text("file"), text("sha256")) {
            let said = (self.lines, digest.to_owned());
            self.files.insert(file.to_owned(), said);
        }
        Ok(())
    }
}

/// After how many lines of the journal its bytes had this SHA-256 (`None`: after none), and how many lines it has.
///
/// # Errors
/// What the stream says.
pub fn lines_when(digest: &str, stream: impl Read) -> io::Result<(Option<u64>, u64)> {
    let mut reader = BufReader::new(stream);
    let (mut so_far, mut lines, mut then) = (Sha256::new(), 0, None);
    let mut line = Vec::new();
    loop {
        line.clear();
        (&mut reader).take(MAX_LINE).read_until(b'\n', &mut line)?;
        if line.is_empty() {
            return Ok((then, lines));
        }
        so_far.update(&line);
        if !line.ends_with(b"\n") {
            continue;
        }
        lines += 1;
        if hex(&so_far.clone().finalize()) == digest {
            then = Some(lines);
        }
    }
}

/// Reads a journal line by line; `file` is its name. The inner result is the first line that breaks the chain.
///
/// # Errors
/// What the stream says.
pub fn check(file: &str, stream: impl Read) -> io::Result<Result<Journal, Difference>> {
    let mut journal = Journal::empty();
    let mut reader = BufReader::new(stream);
    let mut line = Vec::new();
    loop {
        line.clear();
        (&mut reader)
            .take(MAX_LINE + 1)
            .read_until(b'\n', &mut line)?;
        if line.is_empty() {
            return Ok(Ok(journal));
        }
        let taken = if line.len() as u64 > MAX_LINE {
            Err("longer than 1 MiB".into())
        } else {
            journal.take(&line)
        };
        if let Err(what) = taken {
            return Ok(Err(Difference::at(file, journal.lines + 1, what)));
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn three() -> Vec<String> {
        let mut text = String::new();
        let mut lines = Vec::new();
        for (n, what) in ["opened", "took a leak", "closed"].iter().enumerate() {
            let when = Timestamp::from_second(1_900_000_000 + i64::try_from(n).unwrap()).unwrap();
            let journal = check(FILE, text.as_bytes()).unwrap().unwrap();
            let line = journal.line(when, "R. Tern", what, Map::new());
            text.push_str(&line);
            lines.push(line);
        }
        lines
    }

    fn broken_at(lines: &[&str]) -> Option<u64> {
        let found = check(FILE, lines.concat().as_bytes()).unwrap();
        found.err().and_then(|d| d.line)
    }

    #[test]
    fn every_kind_of_change_is_found_at_its_line() {
        let lines = three();
        let [a, b, c] = [0, 1, 2].map(|n| lines[n].as_str());
        assert_eq!(broken_at(&[a, b, c]), None);
        assert_eq!(broken_at(&[a, c]), Some(2));
        assert_eq!(broken_at(&[b, c]), Some(1));
        assert_eq!(broken_at(&[b, a, c]), Some(1));
        assert_eq!(broken_at(&[a, b, b, c]), Some(3));
        assert_eq!(broken_at(&[a, &b.replace("leak", "lead"), c]), Some(3));
        assert_eq!(broken_at(&[a, b, &c[..c.len() - 1]]), Some(3));
    }

    #[test]
    fn a_journal_is_known_again_by_its_beginning() {
        let lines = three();
        let whole = lines.concat();
        let when = |text: &str| lines_when(&sha256(text.as_bytes()), whole.as_bytes()).unwrap();
        assert_eq!(when(&lines[..1].concat()), (Some(1), 3));
        assert_eq!(when(&whole), (Some(3), 3));
        assert_eq!(when(&lines[1..].concat()), (None, 3));
        assert_eq!(when(&whole[..whole.len() - 1]), (None, 3));
    }
}

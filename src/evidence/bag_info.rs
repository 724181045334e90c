//! `bag-info.txt` (RFC 8493, 2.2.2): what the bag holds, in labels of the standard and a few of our own.

use std::fmt::Write as _;

use super::{Difference, is_one_line};

/// The file's name.
pub const FILE: &str = "bag-info.txt";
/// Version of the seal, as in the namespace of its signatures.
pub const SEAL_FORMAT: &str = "1";

/// What `bag-info.txt` says.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct BagInfo {
    /// Software that made the bag.
    pub agent: String,
    /// Day of the last entry of the journal, `YYYY-MM-DD`: when the content was ready.
    pub day: String,
    /// The inspection's tag, where it has one that fits on a line.
    pub tag: Option<String>,
    /// Bytes of all files under `data/`.
    pub bytes: u64,
    /// How many files.
    pub files: u64,
    /// Lines of the journal.
    pub journal_lines: u64,
    /// SHA-256 of the journal's last line without LF, lower-case hex: lines cut off its end show.
    pub journal_head: String,
    /// SHA-256 of `tagmanifest-sha256.txt` of the seal that this one follows.
    pub follows: Option<String>,
}

impl BagInfo {
    /// The file.
    pub fn text(&self) -> String {
        let mut text = String::new();
        for (label, value) in self.labels() {
            writeln!(text, "{label}: {value}").expect("a String takes every write");
        }
        text
    }

    fn labels(&self) -> Vec<(&'static str, String)> {
        let mut labels = vec![
            ("Bag-Software-Agent", self.agent.clone()),
            ("Bagging-Date", self.day.clone()),
        ];
        labels.extend(self.tag.clone().map(|tag| ("External-Identifier", tag)));
        labels.push(("Payload-Oxum", format!("{}.{}", self.bytes, self.files)));
        labels.push(("Feelgauge-Seal", SEAL_FORMAT.into()));
        labels.push(("Feelgauge-Journal-Lines", self.journal_lines.to_string()));
        labels.push(("Feelgauge-Journal-Head", self.journal_head.clone()));
        labels.extend(self.follows.clone().map(|seal| ("Feelgauge-Follows", seal)));
        labels
    }

    /// Reads what [`BagInfo::text`] wrote; nothing else passes.
    ///
    /// # Errors
    /// What is wrong, with its line.
    pub fn parse(bytes: &[u8]) -> Result<Self, Difference> {
        let text =
            std::str::from_utf8(bytes).map_err(|_| Difference::of(FILE, "this is no UTF-8"))?;
        let mut info = Self::default();
        for (n, line) in (1..).zip(text.lines()) {
            let read = line
                .split_once(": ")
                .ok_or_else(|| "not a label, a colon and a value".to_owned())
                .and_then(|(label, value)| info.take(label, value));
            read.map_err(|e| Difference::at(FILE, n, e))?;
        }
        if info.text() != text {
            let same = info
                .text()
                .lines()
                .zip(text.lines())
                .take_while(|(a, b)| a == b)
                .count();
            let what = "labels are missing, doubled, out of order or written otherwise";
            return Err(Difference::at(FILE, same as u64 + 1, what));
        }
        Ok(info)
    }

    fn take(&mut self, label: &str, value: &str) -> Result<(), String> {
        if !is_one_line(value, 400) {
            return Err("an empty or over-long value".into());
        }
        let number = |text: &str| text.parse().map_err(|_| format!("{text} is no number"));
        match label {
            "Bag-Software-Agent" => self.agent = value.into(),
            "Bagging-Date" => self.day = value.into(),
            "External-Identifier" => self.tag = Some(value.into()),
            "Payload-Oxum" => {
                let (bytes, files) = value.split_once('.').ok_or("not BYTES.FILES")?;
                (self.bytes, self.files) = (number(bytes)?, number(files)?);
            }
            "Feelgauge-Seal" if value == SEAL_FORMAT => {}
            "Feelgauge-Seal" => {
                return Err(format!(
                    "seal of format {value}; this version knows {SEAL_FORMAT}"
                ));
            }
            "Feelgauge-Journal-Lines" => self.journal_lines = number(value)?,
            "Feelgauge-Journal-Head" => self.journal_head = value.into(),
            "Feelgauge-Follows" => self.follows = Some(value.into()),
            other => return Err(format!("unknown label {other}")),
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_written_is_read_and_nothing_else() {
        let info = BagInfo {
            agent: "feelgauge 9".into(),
            day: "2031-05-17".into(),
            tag: Some("HL 14".into()),
            bytes: 12,
            files: 3,
            journal_lines: 2,
            journal_head: "ab".into(),
            follows: None,
        };
        let text = info.text();
        assert!(text.contains("Payload-Oxum: 12.3\n"), "{text}");
        assert_eq!(BagInfo::parse(text.as_bytes()).unwrap(), info);
        let twice = text.replace(
            "Feelgauge-Seal: 1\n",
            "Feelgauge-Seal: 1\nFeelgauge-Seal: 1\n",
        );
        let swapped = text.replace("12.3", "012.3");
        for bad in [
            twice,
            swapped,
            text.replace('\n', "\r\n"),
            format!("{text}X: y\n"),
        ] {
            assert!(BagInfo::parse(bad.as_bytes()).is_err(), "{bad}");
        }
    }
}

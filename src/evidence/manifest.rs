//! Manifests of a bag (RFC 8493, 2.1.3): a digest, two spaces, a path, as `sha256sum -c` takes them.

use std::{collections::BTreeMap, fmt::Write as _};

use super::{Difference, tree::unsafe_path};

/// Digests by path.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Manifest(pub BTreeMap<String, String>);

impl Manifest {
    /// The file: sorted by path, LF, lower-case hex.
    ///
    /// ```
    /// let manifest = feelgauge::evidence::manifest::Manifest([("data/b".into(), "00ff".into())].into());
    /// assert_eq!(manifest.text(), "00ff  data/b\n");
    /// ```
    pub fn text(&self) -> String {
        let mut text = String::new();
        for (path, digest) in &self.0 {
            writeln!(text, "{digest}  {path}").expect("a String takes every write");
        }
        text
    }

    /// Reads what [`Manifest::text`] wrote; nothing else passes, so that one list has one form. `file` is its name,
    /// `digits` the length of a digest in hex, `may_list` says whether a path belongs into it.
    ///
    /// # Errors
    /// The first line that is anything else.
    pub fn parse(
        file: &str,
        bytes: &[u8],
        digits: usize,
        may_list: impl Fn(&str) -> bool,
    ) -> Result<Self, Difference> {
        let mut list = BTreeMap::new();
        let mut last = String::new();
        let mut n = 0;
        for line in bytes.split_inclusive(|b| *b == b'\n') {
            n += 1;
            let (digest, path) = entry(line, digits).map_err(|e| Difference::at(file, n, e))?;
            let wrong = unsafe_path(path)
                .map(str::to_owned)
                .or_else(|| (!may_list(path)).then(|| "a path that does not belong here".into()))
                .or_else(|| (list.contains_key(path)).then(|| "listed twice".into()))
                .or_else(|| (path < last.as_str()).then(|| "not in the order of the names".into()));
            if let Some(what) = wrong {
                return Err(Difference::at(file, n, format!("{path:?}: {what}")));
            }
            path.clone_into(&mut last);
            list.insert(path.to_owned(), digest.to_owned());
        }
        Ok(Self(list))
    }

    /// Line, from 1, on which a path stands; lines are in the order of the paths.
    pub fn line(&self, path: &str) -> Option<u64> {
        self.0.keys().position(|p| p == path).map(|n| n as u64 + 1)
    }

    /// What the two lists do not share: listed in one, missing in the other.
    pub fn unlike(&self, other: &BTreeMap<String, u64>) -> (Vec<String>, Vec<String>) {
        let missing = self.0.keys().filter(|p| !other.contains_key(*p));
        let unlisted = other.keys().filter(|p| !self.0.contains_key(*p));
        (missing.cloned().collect(), unlisted.cloned().collect())
    }
}

fn entry(line: &[u8], digits: usize) -> Result<(&str, &str), String> {
    let text = std::str::from_utf8(line).map_err(|_| "no UTF-8".to_owned())?;
    let text = text.strip_suffix('\n').ok_or("the last line has no end")?;
    let parts = text.split_once("  ").filter(|(digest, _)| {
        let hex = |b: u8| b.is_ascii_digit() || (b'a'..=b'f').contains(&b);
        digest.len() == digits && digest.bytes().all(hex)
    });
    parts.ok_or_else(|| format!("not {digits} lower-case hex digits, two spaces and a path"))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn parse(text: &str) -> Result<Manifest, Difference> {
        Manifest::parse("m", text.as_bytes(), 4, |p| p.starts_with("data/"))
    }

    #[test]
    fn one_list_has_one_form() {
        let good = "00ff  data/a\n00fe  data/b\n";
        assert_eq!(parse(good).unwrap().text(), good);
        for bad in [
            "00ff  data/b\n00fe  data/a\n",
            "00ff  data/a\n00fe  data/a\n",
            "00FF  data/a\n",
            "00ff data/a\n",
            "00ff *data/a\n",
            "00ff  data/a",
            "00ff  data/a\r\n",
            "00ff  data/../a\n",
            "00ff  ../a\n",
            "00ff  /data/a\n",
            "00ff  data\\a\n",
            "00ff  data/%2e%2e/a\n",
            "00ff  a\n",
            "0ff  data/a\n",
            "\n",
        ] {
            assert!(parse(bad).is_err(), "{bad:?}");
        }
    }
}

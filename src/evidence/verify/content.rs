//! The inspection itself: its journal, its captures, and its findings worked out anew.

use std::{
    collections::{BTreeMap, BTreeSet},
    io,
};

use super::{
    Walk,
    report::{Check, Outcome, check},
};
use crate::{
    evidence::{
        DATA, Difference,
        captures::{self, Agreement},
        contents, journal,
        manifest::Manifest,
        tree::MAX_TAG,
    },
    record::Capture,
    units::count,
};

impl Walk<'_> {
    pub(super) fn journal(&mut self) -> io::Result<()> {
        let path = format!("{DATA}/{}", journal::FILE);
        if !self.listing.files.contains_key(&path) {
            self.report.add(check(
                "journal",
                "missing",
                vec![Difference::of(path, "missing")],
            ));
            return Ok(());
        }
        let row = match journal::check(&path, self.bag.open(&path)?)? {
            Err(difference) => check("journal", "the chain is broken", vec![difference]),
            Ok(found) => {
                let sealed = self
                    .info
                    .as_ref()
                    .map(|i| (i.journal_lines, i.journal_head.as_str()));
                let fits = sealed == Some((found.lines, found.head.as_str()));
                let what = "not the lines that bag-info.txt counts: some were cut off or added";
                let mut wrong = if fits {
                    Vec::new()
                } else {
                    vec![Difference::at(path.as_str(), found.lines, what)]
                };
                self.named_files(&path, &found, &mut wrong);
                let back = match found.backward {
                    0 => String::new(),
                    n => format!("; the clock goes back {}", count(n, "time")),
                };
                check(
                    "journal",
                    format!(
                        "{}, each with the digest of the one before; {} with the digest that a line gives{back}",
                        count(found.lines, "line"),
                        count(found.files.len() as u64, "file")
                    ),
                    wrong,
                )
            }
        };
        self.report.add(row);
        Ok(())
    }

    /// Digests of the inspection's files, by path from its folder, as the manifest states them, those that were left out of this
    /// copy too; `None`: it cannot be understood, which is told of elsewhere.
    fn sealed_digests(&self) -> Option<BTreeMap<String, String>> {
        let name = "manifest-sha256.txt";
        let bytes = self.tags.get(name).map_or(&[][..], Vec::as_slice);
        let listed = Manifest::parse(name, bytes, 64, |_| true).ok()?;
        let inside = |(path, digest): (String, String)| {
            Some((path.strip_prefix("data/")?.to_owned(), digest))
        };
        Some(listed.0.into_iter().filter_map(inside).collect())
    }

    /// The report's own list beside the files that are sealed.
    pub(super) fn report_stands(&mut self) -> io::Result<()> {
        let is_here = |file: &str| self.listing.files.contains_key(&format!("{DATA}/{file}"));
        let Some(sealed) = self.sealed_digests() else {
            return Ok(());
        };
        // what is missing here is told of elsewhere, or was left out of this copy
        if !is_here(journal::FILE)
            || (sealed.contains_key(contents::FILE) && !is_here(contents::FILE))
        {
            return Ok(());
        }
        if let Some(standing) = contents::standing(self.bag, DATA, &sealed)? {
            let listed = count(standing.listed, "file");
            let mut row = if standing.remarks.is_empty() {
                let said =
                    format!("its list names {listed} and was laid beside those that are sealed");
                check("report", said, standing.differences)
            } else {
                check("report", standing.remarks.join("; "), standing.differences)
            };
            if !standing.remarks.is_empty() && row.outcome == Outcome::Holds {
                row.outcome = Outcome::Remark;
            }
            self.report.add(row);
        }
        Ok(())
    }

    /// Files that the journal names with a digest are those files. What was left out of this copy is not looked at.
    fn named_files(&self, path: &str, journal: &journal::Journal, wrong: &mut Vec<Difference>) {
        let Some(sealed) = self.sealed_digests() else {
            return;
        };
        for (file, (line, digest)) in &journal.files {
            if self.basis.left_out.contains(file) {
                continue;
            }
            let what = match sealed.get(file) {
                Some(sealed) if sealed == digest => continue,
                Some(_) => {
                    format!("names {file} with another digest: it was changed after that line")
                }
                None => format!("names {file}, which is not in the inspection"),
            };
            wrong.push(Difference::at(path, *line, what));
        }
    }

    pub(super) fn captures_and_findings(&mut self) -> io::Result<()> {
        let inside = self
            .listing
            .files
            .keys()
            .filter_map(|p| p.strip_prefix("data/"));
        let names = captures::names(inside);
        let (mut wrong, mut open) = (Vec::new(), Vec::new());
        let mut tally = Tally::default();
        for name in &names {
            match captures::open(self.bag, DATA, name) {
                Err(difference) => wrong.push(difference),
                Ok(capture) => {
                    if capture.closed.is_none() {
                        open.push(name.clone());
                    }
                    self.finding(name, &capture, &mut tally)?;
                }
            }
        }
        let cut = match open.len() {
            0 => String::new(),
            n => format!(
                "; {n} cut short, without digests of their own: {}",
                open.join(", ")
            ),
        };
        let said = format!(
            "{}, counts and digests as when closed{cut}",
            count(names.len() as u64, "capture")
        );
        self.report.add(check("captures", said, wrong));
        self.other_findings(&names, &mut tally);
        self.report.add(tally.row());
        Ok(())
    }

    fn finding(&self, name: &str, capture: &Capture, tally: &mut Tally) -> io::Result<()> {
        let path = format!("{DATA}/{}/{name}.json", captures::FINDINGS);
        if !self.listing.files.contains_key(&path) {
            tally.unrecorded.push(name.to_owned());
            return Ok(());
        }
        let Some(recorded) = self.short(&path, MAX_TAG)? else {
            tally
                .wrong
                .push(Difference::of(path, "too long for a finding"));
            return Ok(());
        };
        match captures::finding(capture) {
            Ok(anew) => tally.take(&path, captures::agreement(&path, &recorded, &anew)),
            Err(why) => tally.wrong.push(Difference::of(
                path,
                format!("cannot be worked out anew: {why}"),
            )),
        }
        Ok(())
    }

    /// Files in `findings/` that are of no capture: comparisons, or nothing that belongs there.
    fn other_findings(&mut self, names: &BTreeSet<String>, tally: &mut Tally) {
        for path in self.listing.files.keys() {
            let Some(name) = path.strip_prefix("data/findings/") else {
                continue;
            };
            let (stem, toml) = (name.strip_suffix(".json"), name.strip_suffix(".toml"));
            let is_comparison = name.starts_with("comparison-");
            match stem {
                Some(stem) if is_comparison && !stem.contains('/') => {
                    match captures::comparison_of(self.bag, path) {
                        Ok(of) => self.report.comparisons.push((path.clone(), of)),
                        Err(difference) => tally.wrong.push(difference),
                    }
                }
                Some(stem) if names.contains(stem) => {}
                None if is_comparison && toml.is_some() => {
                    let json = format!("{}json", path.strip_suffix("toml").unwrap_or_default());
                    if !self.listing.files.contains_key(&json) {
                        tally.wrong.push(Difference::of(
                            path,
                            "the comparison that it tells of is missing",
                        ));
                    }
                }
                _ => tally
                    .wrong
                    .push(Difference::of(path, "a finding of no capture that is here")),
            }
        }
    }
}

/// How many findings agreed, and how.
#[derive(Debug, Default)]
pub struct Tally {
    same: u64,
    platform: u64,
    other: Vec<String>,
    unrecorded: Vec<String>,
    wrong: Vec<Difference>,
}

impl Tally {
    /// Counts one.
    pub fn take(&mut self, path: &str, agreement: Agreement) {
        match agreement {
            Agreement::Same => self.same += 1,
            Agreement::SameToPlatform => self.platform += 1,
            Agreement::OtherVersion(version, line) => {
                self.other
                    .push(format!("{path}:{line} differs (other version: {version})"));
            }
            Agreement::Differs(difference) => self.wrong.push(difference),
        }
    }

    /// Counts one that could not be worked out anew.
    pub fn fail(&mut self, difference: Difference) {
        self.wrong.push(difference);
    }

    /// The row of the findings.
    pub fn row(self) -> Check {
        self.row_of(
            "findings",
            "finding",
            "worked out anew from the verbatim lines",
        )
    }

    /// The row of a part; `one`: what each of its results is.
    pub fn row_of(self, part: &'static str, one: &str, how: &str) -> Check {
        let same = count(self.same, one);
        let mut said = vec![format!("{same} {how}: same to the bit")];
        if self.platform > 0 {
            let n = self.platform;
            said.push(format!("{n} same to 1e-9 (a function of the platform)"));
        }
        said.extend(self.other.iter().cloned());
        if !self.unrecorded.is_empty() {
            let names = self.unrecorded.join(", ");
            said.push(format!("captures without a recorded finding: {names}"));
        }
        let partly = !self.other.is_empty() || !self.unrecorded.is_empty();
        let mut row = check(part, said.join("; "), self.wrong);
        if partly && row.outcome == Outcome::Holds {
            row.outcome = Outcome::NotChecked;
        }
        row
    }
}

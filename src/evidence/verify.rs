//! The whole check of a sealed inspection: what was looked at, what it said, and what was not looked at.

use std::{collections::BTreeMap, io};

use schemars::JsonSchema;
use serde::Serialize;

use super::{
    BAGIT, DATA, Difference, LAST_SIGNATURE, TAG_FILES, TAG_MANIFEST, TAG_MANIFEST_512,
    WITHOUT_TIME,
    bag_info::{self, BagInfo},
    captures::{self, Agreement, ComparisonOf},
    journal,
    manifest::Manifest,
    signatures::{self, Added, By},
    signers::{self, AllowedSigners, ExpectedSigners, fingerprint},
    sshsig,
    stamp::{self, MAX_REPLY},
    tree::{self, Listing, MAX_FILE, MAX_TAG, Tree},
};
use crate::{reading::SOFTWARE, record::writer::sha256};

/// Differences that are told of one part; the rest is counted.
const MAX_TOLD: usize = 20;

/// What is trusted beside the bag.
#[derive(Clone, Copy, Debug, Default)]
pub struct Basis<'a> {
    /// Keys that the verifier knows from elsewhere.
    pub signers: Option<&'a AllowedSigners>,
    /// Files of the inspection, by path from its folder, that were left out of this copy on purpose: their digests stay under the
    /// signatures, they themselves are not checked.
    pub left_out: &'a [String],
    /// A bag that is being made: nobody has signed yet.
    pub unsigned: bool,
}

/// How a part of the check came out.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Outcome {
    /// Looked at, and as it should be.
    Holds,
    /// Looked at, and something is not as it should be.
    Differs,
    /// Not looked at, or only in part.
    NotChecked,
}

/// One row of the table.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, JsonSchema)]
pub struct Check {
    /// What was looked at: `names`, `sizes`, `manifests`, `signatures`, `signers`, `time`, `journal`, `captures`, `findings`.
    pub part: &'static str,
    /// How it came out.
    pub outcome: Outcome,
    /// What was done and found, for a person.
    pub said: String,
    /// What differs, the first twenty.
    pub differences: Vec<Difference>,
}

/// A signature that was looked at.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, JsonSchema)]
pub struct SignedBy {
    /// Name.
    pub name: String,
    /// Role.
    pub role: String,
    /// What it vouches for.
    pub vouches_for: String,
    /// Fingerprint of the key, as `ssh-keygen -l` shows it.
    pub key: String,
    /// The signature holds.
    pub holds: bool,
    /// The signer's own statement, such as an objection.
    pub statement: Option<String>,
}

/// A time-stamp whose imprint is that of this seal; whether the chain of its certificates holds is not looked at here.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, JsonSchema)]
pub struct StampSeen {
    /// Path in the bag.
    pub file: String,
    /// The authority's time, RFC 3339.
    pub time: String,
    /// Digest of the stamped text, lower-case hex.
    pub imprint: String,
}

/// Result of `verify`.
#[derive(Clone, Debug, PartialEq, Serialize, JsonSchema)]
#[schemars(rename = "VerifyReport")]
pub struct Report {
    /// Software that looked.
    pub software: &'static str,
    /// Nothing differs.
    pub holds: bool,
    /// The first thing that differs.
    pub first: Option<Difference>,
    /// SHA-256 of `tagmanifest-sha256.txt`; null when there is none.
    pub seal: Option<String>,
    /// The seal that this one follows.
    pub follows: Option<String>,
    /// `allowed_signers`: keys that the verifier brought along; `bag`: the keys that the bag itself names.
    pub trust: &'static str,
    /// Every row.
    pub checks: Vec<Check>,
    /// Signatures, in their order.
    pub signatures: Vec<SignedBy>,
    /// Time-stamps, in their order.
    pub stamps: Vec<StampSeen>,
    /// What no check of this kind can show, for a person.
    pub not_proven: Vec<String>,
    /// Recorded comparisons that are still to be worked out anew: path of the file, and of what it was made.
    #[serde(skip)]
    #[schemars(skip)]
    pub comparisons: Vec<(String, ComparisonOf)>,
}

impl Report {
    /// Adds a row. The sum of the sizes is named first only where no file is.
    pub fn add(&mut self, check: Check) {
        self.holds &= check.outcome != Outcome::Differs;
        self.checks.push(check);
        let first = |sizes: bool| {
            let rows = self.checks.iter().filter(|c| (c.part == "sizes") == sizes);
            rows.flat_map(|c| &c.differences).next().cloned()
        };
        self.first = first(false).or_else(|| first(true));
    }

    /// The row of a part.
    pub fn of(&self, part: &str) -> Option<&Check> {
        self.checks.iter().find(|c| c.part == part)
    }
}

/// A row from what was found.
pub fn check(part: &'static str, said: impl Into<String>, differences: Vec<Difference>) -> Check {
    let said = said.into();
    let outcome = if differences.is_empty() {
        Outcome::Holds
    } else {
        Outcome::Differs
    };
    let more = differences.len().saturating_sub(MAX_TOLD);
    Check {
        part,
        outcome,
        said: if more > 0 {
            format!("{said}; {more} more differences")
        } else {
            said
        },
        differences: differences.into_iter().take(MAX_TOLD).collect(),
    }
}

fn not_checked(part: &'static str, why: impl Into<String>) -> Check {
    Check {
        part,
        outcome: Outcome::NotChecked,
        said: why.into(),
        differences: Vec::new(),
    }
}

/// Checks a bag: names and sizes before anything is read, then manifests, signatures, time-stamps, journal, captures and findings.
/// Memory is bounded by the longest table of a capture.
///
/// # Errors
/// What the disk says; damage is no error but a difference.
pub fn verify(bag: &dyn Tree, basis: &Basis) -> io::Result<Report> {
    let mut report = Report {
        software: SOFTWARE,
        holds: true,
        first: None,
        seal: None,
        follows: None,
        trust: if basis.signers.is_some() {
            "allowed_signers"
        } else {
            "bag"
        },
        checks: Vec::new(),
        signatures: Vec::new(),
        stamps: Vec::new(),
        not_proven: Vec::new(),
        comparisons: Vec::new(),
    };
    let listing = tree::list(bag)?;
    let mut walk = Walk {
        bag,
        basis,
        listing: &listing,
        report: &mut report,
        tags: BTreeMap::new(),
        info: None,
    };
    walk.all()?;
    Ok(report)
}

/// The check on its way.
struct Walk<'a> {
    bag: &'a dyn Tree,
    basis: &'a Basis<'a>,
    listing: &'a Listing,
    report: &'a mut Report,
    /// Tag files, read once: what is checked is what is used.
    tags: BTreeMap<String, Vec<u8>>,
    info: Option<BagInfo>,
}

impl Walk<'_> {
    fn all(&mut self) -> io::Result<()> {
        if !self.names_and_sizes()? {
            for part in [
                "manifests",
                "signatures",
                "signers",
                "time",
                "journal",
                "captures",
                "findings",
            ] {
                self.report.add(not_checked(
                    part,
                    "not looked at: names or sizes are not what a seal allows",
                ));
            }
            return Ok(());
        }
        self.manifests()?;
        self.signatures()?;
        self.journal()?;
        self.captures_and_findings()?;
        if self.report.stamps.is_empty() {
            self.report.not_proven.push(WITHOUT_TIME.into());
        }
        self.report.not_proven.push(LAST_SIGNATURE.into());
        if self.basis.signers.is_none() {
            let what = "The keys are those that the bag itself names; anybody can make such a bag with keys of their own. Compare the \
fingerprints above with the ones that the signers gave you, or bring their keys: --signers FILE.";
            self.report.not_proven.push(what.into());
        }
        Ok(())
    }

    /// False: nothing further may be read.
    fn names_and_sizes(&mut self) -> io::Result<bool> {
        let mut wrong = self.listing.refused.clone();
        let known = |path: &str| {
            TAG_FILES.contains(&path)
                || [TAG_MANIFEST, TAG_MANIFEST_512].contains(&path)
                || path.starts_with("data/")
                || path.starts_with("signatures/")
        };
        let files = &self.listing.files;
        let unlisted = files.keys().filter(|p| !known(p));
        wrong.extend(unlisted.map(|p| Difference::of(p, "not a file of a seal, and in no list")));
        for name in TAG_FILES.iter().chain([&TAG_MANIFEST, &TAG_MANIFEST_512]) {
            match files.get(*name) {
                None => wrong.push(Difference::of(*name, "missing")),
                Some(len) if *len > MAX_TAG => {
                    wrong.push(Difference::of(*name, "too long for a tag file"))
                }
                Some(_) => {
                    let bytes = tree::read(self.bag, name, MAX_TAG)?;
                    self.tags.insert((*name).to_owned(), bytes);
                }
            }
        }
        self.report.seal = self.tags.get(TAG_MANIFEST).map(|bytes| sha256(bytes));
        let readable = self.listing.refused.is_empty();
        let said = format!("{} files, names and kinds as a seal allows", files.len());
        self.report.add(check("names", said, wrong));
        let sizes_fit = self.sizes();
        Ok(readable && sizes_fit)
    }

    /// Bytes and number of files against `bag-info.txt`, before anything long is read.
    fn sizes(&mut self) -> bool {
        let Some(bytes) = self.tags.get(bag_info::FILE) else {
            self.report
                .add(not_checked("sizes", "bag-info.txt is missing"));
            return true;
        };
        let info = match BagInfo::parse(bytes) {
            Ok(info) => info,
            Err(e) => {
                self.report
                    .add(check("sizes", "bag-info.txt cannot be understood", vec![e]));
                return true;
            }
        };
        let payload = self
            .listing
            .files
            .iter()
            .filter(|(p, _)| p.starts_with("data/"));
        let (bytes, files) = payload.fold((0, 0), |(b, n), (_, len)| (b + len, n + 1));
        let left_out = self.basis.left_out.len() as u64;
        let fits = if left_out == 0 {
            (bytes, files) == (info.bytes, info.files)
        } else {
            bytes <= info.bytes && files + left_out == info.files
        };
        let what = format!(
            "Payload-Oxum says {} bytes in {} files, and {bytes} in {files} are there",
            info.bytes, info.files
        );
        let wrong = if fits {
            Vec::new()
        } else {
            vec![Difference::of(bag_info::FILE, what)]
        };
        self.report.add(check(
            "sizes",
            format!("{bytes} bytes in {files} files"),
            wrong,
        ));
        self.report.follows.clone_from(&info.follows);
        let sane = bytes <= info.bytes || bytes <= MAX_FILE;
        self.info = Some(info);
        sane
    }

    fn manifests(&mut self) -> io::Result<()> {
        let mut wrong = Vec::new();
        if self
            .tags
            .get("bagit.txt")
            .is_some_and(|b| b != BAGIT.as_bytes())
        {
            wrong.push(Difference::of(
                "bagit.txt",
                "not that of a bag of version 1.0",
            ));
        }
        let in_data = |path: &str| path.starts_with("data/");
        let is_tag = |path: &str| TAG_FILES.contains(&path);
        let short = self.lists("manifest-sha256.txt", 64, in_data, &mut wrong);
        let long = self.lists("manifest-sha512.txt", 128, in_data, &mut wrong);
        let tag_short = self.lists(TAG_MANIFEST, 64, is_tag, &mut wrong);
        let tag_long = self.lists(TAG_MANIFEST_512, 128, is_tag, &mut wrong);
        let mut files = self.listing.files.clone();
        files.retain(|path, _| in_data(path));
        for left_out in self.basis.left_out {
            files.entry(format!("{DATA}/{left_out}")).or_insert(0);
        }
        complete("manifest-sha256.txt", &short, &files, &mut wrong);
        complete("manifest-sha512.txt", &long, &files, &mut wrong);
        let tag_files: BTreeMap<String, u64> = TAG_FILES.map(|name| (name.to_owned(), 0)).into();
        complete(TAG_MANIFEST, &tag_short, &tag_files, &mut wrong);
        complete(TAG_MANIFEST_512, &tag_long, &tag_files, &mut wrong);
        let mut hashed = 0;
        for path in self.listing.files.keys() {
            let lists = if in_data(path) {
                [
                    ("manifest-sha256.txt", &short),
                    ("manifest-sha512.txt", &long),
                ]
            } else if is_tag(path) {
                [(TAG_MANIFEST, &tag_short), (TAG_MANIFEST_512, &tag_long)]
            } else {
                continue;
            };
            hashed += 1;
            self.compare(path, lists, &mut wrong)?;
        }
        let left_out = match self.basis.left_out.len() {
            0 => String::new(),
            n => format!("; {n} left out of this copy and not checked"),
        };
        let said = format!("{hashed} files read, SHA-256 and SHA-512{left_out}");
        self.report.add(check("manifests", said, wrong));
        Ok(())
    }

    fn lists(
        &self,
        name: &str,
        digits: usize,
        may_list: impl Fn(&str) -> bool,
        wrong: &mut Vec<Difference>,
    ) -> Manifest {
        let bytes = self.tags.get(name).map_or(&[][..], Vec::as_slice);
        Manifest::parse(name, bytes, digits, may_list).unwrap_or_else(|e| {
            wrong.push(e);
            Manifest::default()
        })
    }

    fn compare(
        &self,
        path: &str,
        lists: [(&str, &Manifest); 2],
        wrong: &mut Vec<Difference>,
    ) -> io::Result<()> {
        let found = match self.tags.get(path) {
            Some(bytes) => tree::digests(&mut bytes.as_slice(), MAX_TAG)?,
            None => tree::digests(&mut self.bag.open(path)?, MAX_FILE)?,
        };
        let Some(found) = found else {
            wrong.push(Difference::of(
                path,
                "longer than it was when it was listed",
            ));
            return Ok(());
        };
        for ((list, manifest), digest) in lists.into_iter().zip([&found.sha256, &found.sha512]) {
            if manifest.0.get(path).is_some_and(|listed| listed != digest) {
                let line = manifest.line(path).unwrap_or_default();
                let what = format!("not the bytes that were sealed ({list}:{line})");
                wrong.push(Difference::of(path, what));
                break;
            }
        }
        Ok(())
    }

    fn signatures(&mut self) -> io::Result<()> {
        let mut wrong = Vec::new();
        let expected = self
            .tags
            .get(signers::FILE)
            .map(|b| ExpectedSigners::parse(b));
        let expected = match expected {
            Some(Ok(expected)) => expected,
            Some(Err(e)) => {
                wrong.push(e);
                ExpectedSigners::default()
            }
            None => ExpectedSigners::default(),
        };
        let order = signatures::order(self.listing.files.keys().map(String::as_str));
        let order = order.unwrap_or_else(|e| {
            wrong.push(e);
            Vec::new()
        });
        let mut stamped = Vec::new();
        for added in &order {
            let message = self.message(&order, added)?;
            match &added.by {
                By::Signer(name) => self.signer(name, added, &message, &expected, &mut wrong)?,
                By::Stamp(start) => self.stamp(start, added, &message, &mut stamped)?,
            }
        }
        for signer in expected.signers.iter().filter(|_| !self.basis.unsigned) {
            if !self.report.signatures.iter().any(|s| s.name == signer.name) {
                let what = format!(
                    "the expected signer {} ({}) has not signed",
                    signer.name, signer.role
                );
                wrong.push(Difference::of(signers::FILE, what));
            }
        }
        let holding = self.report.signatures.iter().filter(|s| s.holds).count();
        let said = format!(
            "{holding} of {} expected signers' signatures hold",
            expected.signers.len()
        );
        self.report.add(check("signatures", said, wrong));
        self.trust(&expected);
        self.time(&expected, stamped);
        Ok(())
    }

    /// The text that a signature is over.
    fn message(&self, order: &[Added], added: &Added) -> io::Result<Vec<u8>> {
        let mut covered = Vec::new();
        for path in signatures::covered(order, added.number, added.statement.as_deref()) {
            let digests = tree::digests(&mut self.bag.open(&path)?, MAX_FILE)?;
            covered.push((path, digests.map(|d| d.sha256).unwrap_or_default()));
        }
        let tag = self.tags.get(TAG_MANIFEST).map_or(&[][..], Vec::as_slice);
        Ok(signatures::message(tag, &covered))
    }

    fn signer(
        &mut self,
        name: &str,
        added: &Added,
        message: &[u8],
        expected: &ExpectedSigners,
        wrong: &mut Vec<Difference>,
    ) -> io::Result<()> {
        let mut fail = |what: String| wrong.push(Difference::of(&added.file, what));
        let Some(signer) = expected.of(name) else {
            fail(format!("{name} is no expected signer"));
            return Ok(());
        };
        if self.report.signatures.iter().any(|s| s.name == name) {
            fail(format!("{name} has signed already"));
            return Ok(());
        }
        let key = signer.key().map_err(io::Error::other)?;
        let holds = match self.short(&added.file, sshsig::MAX_ARMOUR)? {
            None => Err("too long for a signature".into()),
            Some(armour) => sshsig::check(&armour, &key, message),
        };
        let statement = match &added.statement {
            Some(path) => self
                .short(path, MAX_STATEMENT)?
                .map(|b| String::from_utf8_lossy(&b).into_owned()),
            None => None,
        };
        self.report.signatures.push(SignedBy {
            name: name.into(),
            role: signer.role.clone(),
            vouches_for: signer.vouches_for.clone(),
            key: fingerprint(&key),
            holds: holds.is_ok(),
            statement,
        });
        if let Err(what) = holds {
            fail(what);
        }
        Ok(())
    }

    /// A file that must be short; `None`: it is not.
    fn short(&self, path: &str, longest: u64) -> io::Result<Option<Vec<u8>>> {
        if self
            .listing
            .files
            .get(path)
            .is_some_and(|len| *len > longest)
        {
            return Ok(None);
        }
        tree::read(self.bag, path, longest).map(Some)
    }

    fn stamp(
        &mut self,
        start: &str,
        added: &Added,
        message: &[u8],
        wrong: &mut Vec<Difference>,
    ) -> io::Result<()> {
        let found = match self.short(&added.file, MAX_REPLY)? {
            None => Err("too long for a time-stamp reply".into()),
            Some(reply) if sha256(&reply)[..16] != *start => {
                Err("not the bytes that were added: its name states another digest".into())
            }
            Some(reply) => stamp::check(&reply, message, None),
        };
        match found {
            Ok(stamp) => self.report.stamps.push(StampSeen {
                file: added.file.clone(),
                time: stamp.time.to_string(),
                imprint: stamp.imprint,
            }),
            Err(what) => wrong.push(Difference::of(&added.file, what)),
        }
        Ok(())
    }

    /// Whether the verifier knows the keys.
    fn trust(&mut self, expected: &ExpectedSigners) {
        let Some(known) = self.basis.signers else {
            let why = "the keys are those that the bag names; nobody vouched for them";
            self.report.add(not_checked("signers", why));
            return;
        };
        let stranger = |signer: &&signers::Signer| {
            !signer.key().is_ok_and(|key| known.has(&signer.name, &key))
        };
        let wrong: Vec<Difference> = expected
            .signers
            .iter()
            .filter(stranger)
            .map(|s| {
                let key = s.key().map(|key| fingerprint(&key)).unwrap_or_default();
                let what = format!(
                    "{} with the key {key} is not in the file of --signers",
                    s.name
                );
                Difference::of(signers::FILE, what)
            })
            .collect();
        let said = format!(
            "{} names and keys looked up in the file of --signers",
            expected.signers.len()
        );
        let check = if expected.signers.is_empty() {
            not_checked("signers", "there is no list of expected signers")
        } else {
            check("signers", said, wrong)
        };
        self.report.add(check);
    }

    fn time(&mut self, expected: &ExpectedSigners, mut wrong: Vec<Difference>) {
        let stamps = &self.report.stamps;
        if expected.time_stamp && stamps.is_empty() && wrong.is_empty() && !self.basis.unsigned {
            let what = "a time-stamp is expected, and there is none";
            wrong.push(Difference::of(signers::FILE, what));
        }
        let row = match stamps.last() {
            None if wrong.is_empty() => {
                not_checked("time", "no time-stamp: the dates are the signers' own word")
            }
            None => check("time", "no time-stamp that fits", wrong),
            Some(last) => {
                let said = format!(
                    "{} says that the text it names was there at {}",
                    last.file, last.time
                );
                check("time", said, wrong)
            }
        };
        self.report.add(row);
    }

    fn journal(&mut self) -> io::Result<()> {
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
                let wrong = if fits {
                    Vec::new()
                } else {
                    vec![Difference::at(path, found.lines, what)]
                };
                let back = match found.backward {
                    0 => String::new(),
                    n => format!("; the clock goes back {n} times"),
                };
                check(
                    "journal",
                    format!(
                        "{} lines, each with the digest of the one before{back}",
                        found.lines
                    ),
                    wrong,
                )
            }
        };
        self.report.add(row);
        Ok(())
    }

    fn captures_and_findings(&mut self) -> io::Result<()> {
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
            "{} captures against their own counts and digests{cut}",
            names.len()
        );
        self.report.add(check("captures", said, wrong));
        self.other_findings(&names, &mut tally);
        self.report.add(tally.row());
        Ok(())
    }

    fn finding(
        &self,
        name: &str,
        capture: &crate::record::Capture,
        tally: &mut Tally,
    ) -> io::Result<()> {
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
    fn other_findings(&mut self, names: &std::collections::BTreeSet<String>, tally: &mut Tally) {
        for path in self.listing.files.keys() {
            let Some(name) = path.strip_prefix("data/findings/") else {
                continue;
            };
            let stem = name.strip_suffix(".json");
            let is_comparison = name.starts_with("comparison-");
            match stem {
                Some(stem) if is_comparison && !stem.contains('/') => {
                    match captures::comparison_of(self.bag, path) {
                        Ok(of) => self.report.comparisons.push((path.clone(), of)),
                        Err(difference) => tally.wrong.push(difference),
                    }
                }
                Some(stem) if names.contains(stem) => {}
                None if is_comparison && name.ends_with(".toml") => {
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

/// Longest statement of a signer, bytes.
pub const MAX_STATEMENT: u64 = 64 << 10;

fn complete(
    name: &str,
    list: &Manifest,
    files: &BTreeMap<String, u64>,
    wrong: &mut Vec<Difference>,
) {
    let (missing, unlisted) = list.unlike(files);
    for path in missing {
        let line = list.line(&path).unwrap_or_default();
        wrong.push(Difference::of(
            path,
            format!("missing, but listed ({name}:{line})"),
        ));
    }
    wrong.extend(
        unlisted
            .into_iter()
            .map(|path| Difference::of(path, format!("not listed in {name}"))),
    );
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
        self.row_of("findings", "worked out anew from the verbatim lines")
    }

    /// The row of a part.
    pub fn row_of(self, part: &'static str, how: &str) -> Check {
        let mut said = format!("{} {how}: same to the bit", self.same);
        if self.platform > 0 {
            said += &format!(
                "; {} same to 1e-9 (a function of the platform)",
                self.platform
            );
        }
        for other in &self.other {
            said += &format!("; {other}");
        }
        if !self.unrecorded.is_empty() {
            said += &format!(
                "; captures without a recorded finding: {}",
                self.unrecorded.join(", ")
            );
        }
        let partly = !self.other.is_empty() || !self.unrecorded.is_empty();
        let mut row = check(part, said, self.wrong);
        if partly && row.outcome == Outcome::Holds {
            row.outcome = Outcome::NotChecked;
        }
        row
    }
}

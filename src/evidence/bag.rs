//! The tag files of a new bag around an inspection.

use std::io;

use super::{
    DATA, Difference, TAG_MANIFEST, TAG_MANIFEST_512,
    bag_info::{self, BagInfo},
    journal::{self, Journal},
    manifest::Manifest,
    signers::{self, ExpectedSigners},
    tree::{self, Digests, MAX_FILE, Tree},
};
use crate::{reading::SOFTWARE, record::writer::sha256};

/// `bagit.txt` of RFC 8493, 2.1.1.
pub const BAGIT: &str = "BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n";
/// The inspection's own facts.
pub const INSPECTION_FILE: &str = "inspection.toml";
/// Longest `inspection.toml`, bytes.
const MAX_INSPECTION: u64 = 1 << 20;

/// Why an inspection cannot be sealed.
#[derive(Debug)]
pub enum SealError {
    /// What the disk says.
    Disk {
        /// The file.
        path: String,
        /// What it says.
        source: io::Error,
    },
    /// Something in it that no seal takes.
    Unfit(Difference),
}

impl std::fmt::Display for SealError {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::Disk { path, source } => write!(f, "{path}: {source}"),
            Self::Unfit(difference) => difference.fmt(f),
        }
    }
}

impl std::error::Error for SealError {}

impl From<Difference> for SealError {
    fn from(difference: Difference) -> Self {
        Self::Unfit(difference)
    }
}

/// Everything that a bag has beside the inspection itself.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Sealing {
    /// Files of the inspection with their digests, by path from its folder.
    pub files: Vec<(String, Digests)>,
    /// Tag files by name, in the order of writing.
    pub tags: Vec<(String, Vec<u8>)>,
}

impl Sealing {
    /// SHA-256 of `tagmanifest-sha256.txt`: the seal's own digest, which a supplement names.
    pub fn digest(&self) -> String {
        let tag = self.tags.iter().find(|(name, _)| name == TAG_MANIFEST);
        sha256(tag.map_or(&[], |(_, bytes)| bytes))
    }
}

/// Makes the tag files for an inspection's folder. The same folder and signers give the same bytes; no clock is read.
/// `follows`: digest of the seal that this inspection supplements.
///
/// # Errors
/// What the disk says; names, links and sizes that no seal takes; a journal with a broken chain; signers that cannot sign.
pub fn seal(
    inspection: &dyn Tree,
    signers: &ExpectedSigners,
    follows: Option<&str>,
) -> Result<Sealing, SealError> {
    let disk = |path: &str| {
        let path = path.to_owned();
        move |source| SealError::Disk { path, source }
    };
    if let Some(digest) = follows.filter(|d| !is_digest(d)) {
        return Err(Difference::of(
            "",
            format!("{digest:?} is no SHA-256 of a seal: 64 lower-case hex digits"),
        )
        .into());
    }
    let listing = tree::list(inspection).map_err(disk("."))?;
    if let Some(refused) = listing.refused.into_iter().next() {
        return Err(refused.into());
    }
    for needed in [INSPECTION_FILE, journal::FILE] {
        if !listing.files.contains_key(needed) {
            return Err(Difference::of(needed, "missing: this folder is no inspection").into());
        }
    }
    let journal = inspection
        .open(journal::FILE)
        .map_err(disk(journal::FILE))?;
    let journal = journal::check(journal::FILE, journal).map_err(disk(journal::FILE))??;
    let text =
        tree::read(inspection, INSPECTION_FILE, MAX_INSPECTION).map_err(disk(INSPECTION_FILE))?;
    let files = digests_of(inspection, listing.files.keys())?;
    let info = info(&files, &journal, tag(&text), follows)?;
    Ok(Sealing {
        tags: tags(&files, &info, signers)?,
        files,
    })
}

/// Digests of files of an inspection, by path from its folder.
///
/// # Errors
/// What the disk says; a file that grew meanwhile.
pub fn digests_of<'a>(
    inspection: &dyn Tree,
    paths: impl Iterator<Item = &'a String>,
) -> Result<Vec<(String, Digests)>, SealError> {
    let one = |path: &'a String| {
        let disk = |source| SealError::Disk {
            path: path.clone(),
            source,
        };
        let mut stream = inspection.open(path).map_err(disk)?;
        let digests = tree::digests(&mut stream, MAX_FILE).map_err(disk)?;
        let digests = digests.ok_or_else(|| Difference::of(path, "grew while it was read"))?;
        Ok((path.clone(), digests))
    };
    paths.map(one).collect()
}

fn info(
    files: &[(String, Digests)],
    journal: &Journal,
    tag: Option<String>,
    follows: Option<&str>,
) -> Result<BagInfo, Difference> {
    let last = journal
        .last
        .ok_or_else(|| Difference::of(journal::FILE, "has no line: nobody says who did what"))?;
    Ok(BagInfo {
        agent: SOFTWARE.into(),
        day: last.strftime("%Y-%m-%d").to_string(),
        tag,
        bytes: files.iter().map(|(_, d)| d.len).sum(),
        files: files.len() as u64,
        journal_lines: journal.lines,
        journal_head: journal.head.clone(),
        follows: follows.map(str::to_owned),
    })
}

/// The inspection's tag, where it fits on a line.
fn tag(text: &[u8]) -> Option<String> {
    let table: toml::Table = toml::from_slice(text).ok()?;
    let tag = table.get("tag")?.as_str()?.trim().to_owned();
    super::is_one_line(&tag, 200).then_some(tag)
}

fn tags(
    files: &[(String, Digests)],
    info: &BagInfo,
    signers: &ExpectedSigners,
) -> Result<Vec<(String, Vec<u8>)>, Difference> {
    let list = |of: fn(&Digests) -> &String| {
        let line =
            |(path, digests): &(String, Digests)| (format!("{DATA}/{path}"), of(digests).clone());
        Manifest(files.iter().map(line).collect()).text()
    };
    let mut tags: Vec<(String, Vec<u8>)> = [
        (bag_info::FILE, info.text()),
        ("bagit.txt", BAGIT.to_owned()),
        (signers::FILE, signers.text()?),
        ("manifest-sha256.txt", list(|d| &d.sha256)),
        ("manifest-sha512.txt", list(|d| &d.sha512)),
    ]
    .map(|(name, text)| (name.to_owned(), text.into_bytes()))
    .into();
    let manifest = |of: fn(&Digests) -> &String| {
        let line = |(name, bytes): &(String, Vec<u8>)| {
            let digests = tree::digests(&mut bytes.as_slice(), u64::MAX)
                .ok()
                .flatten();
            digests.map(|d| (name.clone(), of(&d).clone()))
        };
        Manifest(tags.iter().filter_map(line).collect())
            .text()
            .into_bytes()
    };
    let both = [
        (TAG_MANIFEST.to_owned(), manifest(|d| &d.sha256)),
        (TAG_MANIFEST_512.to_owned(), manifest(|d| &d.sha512)),
    ];
    tags.extend(both);
    Ok(tags)
}

/// True for 64 lower-case hex digits.
pub fn is_digest(text: &str) -> bool {
    text.len() == 64
        && text
            .bytes()
            .all(|b| b.is_ascii_digit() || (b'a'..=b'f').contains(&b))
}

//! The whole check of a sealed inspection: what was looked at, what it said, and what was not looked at.

mod content;
mod report;
mod signed;

use std::{collections::BTreeMap, io};

pub use content::Tally;
pub use report::{Check, Outcome, Report, SignedBy, StampSeen, check};

use super::{
    AllowedSigners, BAGIT, DATA, Difference, LAST_SIGNATURE, TAG_FILES, TAG_MANIFEST,
    TAG_MANIFEST_512, WITHOUT_TIME,
    bag_info::{self, BagInfo},
    manifest::Manifest,
    tree::{self, Listing, MAX_FILE, MAX_TAG, Tree},
};
use crate::{reading::SOFTWARE, record::writer::sha256, units::count};
use report::not_checked;

/// Longest statement of a signer, bytes.
pub const MAX_STATEMENT: u64 = 64 << 10;
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
        self.report_stands()?;
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
                    wrong.push(Difference::of(*name, "too long for a tag file"));
                }
                Some(_) => {
                    let bytes = tree::read(self.bag, name, MAX_TAG)?;
                    self.tags.insert((*name).to_owned(), bytes);
                }
            }
        }
        self.report.seal = self.tags.get(TAG_MANIFEST).map(|bytes| sha256(bytes));
        let readable = self.listing.refused.is_empty();
        let said = format!(
            "{}, names and kinds as a seal allows",
            count(files.len() as u64, "file")
        );
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
            "Payload-Oxum says {} in {}, and {bytes} in {files} are there",
            count(info.bytes, "byte"),
            count(info.files, "file")
        );
        let wrong = if fits {
            Vec::new()
        } else {
            vec![Difference::of(bag_info::FILE, what)]
        };
        self.report.add(check(
            "sizes",
            format!("{} in {}", count(bytes, "byte"), count(files, "file")),
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
        let said = format!(
            "{} read, SHA-256 and SHA-512{left_out}",
            count(hashed, "file")
        );
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
}

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

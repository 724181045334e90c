//! What a seal covers: the bag around an inspection, who signs it, when it was there, and the check of all that by
//! somebody who was not. Pure over bytes; only `key_file.rs` touches the disk.
//!
//! # The bag
//! A sealed inspection is a bag (RFC 8493, version 1.0):
//!
//! ```text
//! bagit.txt  bag-info.txt  expected-signers.toml
//! manifest-sha256.txt  manifest-sha512.txt           every file under data/
//! tagmanifest-sha256.txt  tagmanifest-sha512.txt     the five files above
//! data/...                                           the inspection
//! signatures/01-seller.sig  02-buyer.sig  02-buyer.txt  03-time-1a2b3c4d5e6f7081.tsr
//! ```
//!
//! Names hold `[A-Za-z0-9._-]` alone, so nothing needs the percent-encoding of RFC 8493, 2.1.3; a manifest that uses it is refused.
//! Manifests are sorted by name, lower-case, LF: the same folder gives the same bytes.
//!
//! # What a signature signs
//! One rule for all: *the bytes of `tagmanifest-sha256.txt`, followed by what `sha256sum` prints for the files in
//! `signatures/` with a lower number, in the order of their names, and then for the statement that has the signature's
//! own name (`.txt`)*. The first signature, without a statement, is over `tagmanifest-sha256.txt` alone. Stock tools do it:
//!
//! ```sh
//! ssh-keygen -Y verify -f allowed -I seller -n feelgauge-inspection-1 -s signatures/01-seller.sig < tagmanifest-sha256.txt
//! (cat tagmanifest-sha256.txt; sha256sum signatures/01-seller.sig signatures/02-buyer.txt) |
//!   ssh-keygen -Y verify -f allowed -I buyer -n feelgauge-inspection-1 -s signatures/02-buyer.sig
//! ```
//!
//! A tag manifest that lists a file in `signatures/` is refused, so no such text can be taken for another one. What each signer
//! vouches for stands in `expected-signers.toml`, under every signature; an objection stands in the signer's own statement.
//! A time-stamp (RFC 3161) takes a number like a signature and is over the same text, so it fixes the inspection and every
//! signature before it. Each later signature covers all earlier files; the removal of the very last one shows only as a missing expected
//! signer (or time-stamp).

pub mod bag;
pub mod bag_info;
pub mod captures;
pub mod contents;
pub mod journal;
pub mod key_file;
pub mod manifest;
pub mod signatures;
pub mod signers;
pub mod sshsig;
pub mod stamp;
pub mod tree;
pub mod verify;

pub use bag::{BAGIT, SealError, Sealing, seal};
pub use signers::{AllowedSigners, ExpectedSigners, Signer};
pub use tree::{Entry, EntryKind, Tree};
pub use verify::{Basis, Check, Outcome, Report, verify};

use schemars::JsonSchema;
use serde::Serialize;

/// The five tag files that the tag manifests list, in the order of their names.
pub const TAG_FILES: [&str; 5] = [
    "bag-info.txt",
    "bagit.txt",
    "expected-signers.toml",
    "manifest-sha256.txt",
    "manifest-sha512.txt",
];
/// Folder of the inspection in the bag.
pub const DATA: &str = "data";
/// Folder of the signatures in the bag.
pub const SIGNATURES: &str = "signatures";
/// What the signatures are over.
pub const TAG_MANIFEST: &str = "tagmanifest-sha256.txt";
/// The same with the other digest.
pub const TAG_MANIFEST_512: &str = "tagmanifest-sha512.txt";

/// What a seal without a third party's time does not prove, for a person.
pub const WITHOUT_TIME: &str = "Without a time-stamp from a third party the seal proves who signed which bytes, not when: dates inside are the \
signers' own word, and signers together could make another inspection of the same day later.";
/// What is said of the last signature, for a person.
pub const LAST_SIGNATURE: &str =
    "If the very last signature is removed, that shows only as a missing expected signer.";

/// A place where something is not what it should be.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, JsonSchema)]
pub struct Difference {
    /// File, from the bag's folder; empty: the bag itself.
    pub file: String,
    /// Line, from 1, where there is one.
    pub line: Option<u64>,
    /// What is wrong.
    pub what: String,
}

impl Difference {
    /// In a file as a whole.
    pub fn of(file: impl Into<String>, what: impl Into<String>) -> Self {
        Self {
            file: file.into(),
            line: None,
            what: what.into(),
        }
    }

    /// At a line, from 1.
    pub fn at(file: impl Into<String>, line: u64, what: impl Into<String>) -> Self {
        Self {
            line: Some(line),
            ..Self::of(file, what)
        }
    }
}

impl std::fmt::Display for Difference {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self.line {
            Some(line) => write!(f, "{}:{line}: {}", self.file, self.what),
            None if self.file.is_empty() => f.write_str(&self.what),
            None => write!(f, "{}: {}", self.file, self.what),
        }
    }
}

impl std::error::Error for Difference {}

/// Text that a person may write into a one-line field: no control characters, 1 to `longest` characters.
pub(crate) fn is_one_line(text: &str, longest: usize) -> bool {
    !text.trim().is_empty()
        && text.chars().count() <= longest
        && !text.chars().any(char::is_control)
}

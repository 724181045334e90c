//! One car's visit as a folder: who brought it, what was claimed, seen, photographed, measured, done and decided.
//!
//! ```text
//! inspection.toml     format, tag, car by what can be seen on it, owner's reference, claims          (written once)
//! owner.toml          the owner's own data; a copy may leave it out and still verifies               (optional)
//! vehicle.toml        the car's file
//! journal.jsonl       everything else, append-only: who did what when, each line with the digest of the one before
//! captures/<name>/    what the probes sent
//! findings/<name>.json   comparison-<n>.json with comparison-<n>.toml
//! photographs/<name>.jpg|png|webp     attachments/<name>     joint-statement.txt
//! report/report.pdf   report.html   contents-sha256.txt
//! ```
//!
//! The journal is the only place that grows, so two programs at once lose nothing: each takes the folder's lock for one line.
//! What an inspection holds ([`Visit`]) is the journal read from its first line to its last.

pub mod deed;
mod error;
mod fit;
pub mod folder;
pub mod gaps;
pub mod joint;
mod ledger;
pub mod opening;
pub mod photograph;
pub mod visit;

pub use deed::{
    Act, Checked, Decision, Deed, Entry, Moment, Objection, Party, Photograph, PlannedPart, Price,
    Sense, Stage,
};
pub use error::FolderError;
pub use fit::{MAX_NAME, MAX_WORDS, safe_name};
pub use folder::{Folder, Taken};
pub use gaps::gaps;
pub use opening::{Car, Opening, Owner};
pub use visit::Visit;

/// Version of the folder's layout.
pub const FORMAT: u32 = 1;
/// The file that makes a folder an inspection.
pub const OPENING: &str = "inspection.toml";
/// The owner's own data.
pub const OWNER: &str = "owner.toml";
/// The car's file.
pub const VEHICLE: &str = "vehicle.toml";
/// Folder of the captures.
pub const CAPTURES: &str = "captures";
/// Folder of the findings.
pub const FINDINGS: &str = "findings";
/// Folder of the photographs.
pub const PHOTOGRAPHS: &str = "photographs";
/// Folder of what was attached, never opened.
pub const ATTACHMENTS: &str = "attachments";
/// Folder of the report.
pub const REPORT: &str = crate::evidence::contents::REPORT;
/// What the parties state together, before they sign.
pub const JOINT_STATEMENT: &str = "joint-statement.txt";

//! Why an inspection's folder does not take or give something.

use std::{fmt, io, path::PathBuf};

use super::{FORMAT, OPENING, photograph::PhotographError};
use crate::{
    evidence::Difference,
    record::{RecordError, storage::advice},
};

/// Why an inspection's folder does not take or give something.
#[derive(Debug)]
pub enum FolderError {
    /// The disk refused.
    Disk {
        /// What was being done: "write", "read".
        doing: &'static str,
        /// The file or folder.
        path: PathBuf,
        /// What the disk said.
        source: io::Error,
    },
    /// The folder has no `inspection.toml`, or none that can be understood.
    NotAnInspection {
        /// The folder.
        folder: PathBuf,
        /// What is wrong.
        what: String,
    },
    /// The folder was made by a newer program.
    Newer {
        /// The folder.
        folder: PathBuf,
        /// Its format.
        format: i64,
    },
    /// A new inspection was to be made where something is already.
    Exists {
        /// What is there.
        path: PathBuf,
    },
    /// It is sealed, or lies in something sealed: nothing is written any more.
    Sealed {
        /// The folder.
        folder: PathBuf,
    },
    /// A file of the inspection is not as it was written.
    Broken {
        /// The folder.
        folder: PathBuf,
        /// File, line, and what is wrong.
        difference: Difference,
    },
    /// What was to be put in is not fit for it.
    Unfit(String),
    /// A file is no photograph.
    Photograph(PhotographError),
    /// A capture cannot be read.
    Capture(RecordError),
}

impl fmt::Display for FolderError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Disk {
                doing,
                path,
                source,
            } => write!(f, "{}: cannot {doing}: {}", path.display(), advice(source)),
            Self::NotAnInspection { folder, what } => write!(
                f,
                "{}: no inspection: {what}; name the folder that `feelgauge inspection open` made",
                folder.display()
            ),
            Self::Newer { folder, format } => write!(
                f,
                "{}/{OPENING}: format {format}, and this program knows formats up to {FORMAT}; use the version that made it, or a later one",
                folder.display()
            ),
            Self::Exists { path } => write!(
                f,
                "{}: exists already; name a folder that does not",
                path.display()
            ),
            Self::Sealed { folder } => write!(
                f,
                "{}: sealed, and not changed any more; begin another inspection and seal that with --follows",
                folder.display()
            ),
            Self::Broken { folder, difference } => write!(
                f,
                "{}/{difference}; nothing was written; go back to a copy that is whole",
                folder.display()
            ),
            Self::Unfit(what) => f.write_str(what),
            Self::Photograph(e) => e.fmt(f),
            Self::Capture(e) => e.fmt(f),
        }
    }
}

impl std::error::Error for FolderError {
    fn source(&self) -> Option<&(dyn std::error::Error + 'static)> {
        match self {
            Self::Disk { source, .. } => Some(source),
            Self::Photograph(e) => Some(e),
            Self::Capture(e) => Some(e),
            _ => None,
        }
    }
}

impl From<PhotographError> for FolderError {
    fn from(e: PhotographError) -> Self {
        Self::Photograph(e)
    }
}

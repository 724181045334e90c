//! The few things a record asks of a disk, so that a test can stop durability at any of them.

use std::{fmt, io};

/// A disk seen from one base folder. Paths are relative to it, parted by `/`.
///
/// Nothing is durable before the matching `sync` returns: bytes need [`Storage::sync`], new and renamed
/// names need [`Storage::sync_folder`] of the folder they stand in.
pub trait Storage {
    /// Makes a folder whose parent exists.
    ///
    /// # Errors
    /// `AlreadyExists`, or what the disk says.
    fn create_folder(&mut self, folder: &str) -> io::Result<()>;

    /// Makes an empty file.
    ///
    /// # Errors
    /// `AlreadyExists`, or what the disk says.
    fn create(&mut self, path: &str) -> io::Result<()>;

    /// Writes all bytes at the end of a file made by [`Storage::create`].
    ///
    /// # Errors
    /// What the disk says; some of the bytes may have been written.
    fn append(&mut self, path: &str, bytes: &[u8]) -> io::Result<()>;

    /// Cuts a file to a length.
    ///
    /// # Errors
    /// What the disk says.
    fn set_len(&mut self, path: &str, len: u64) -> io::Result<()>;

    /// Makes the bytes of a file durable.
    ///
    /// # Errors
    /// What the disk says.
    fn sync(&mut self, path: &str) -> io::Result<()>;

    /// Makes the names in a folder durable; `""` is the base folder.
    ///
    /// # Errors
    /// What the disk says.
    fn sync_folder(&mut self, folder: &str) -> io::Result<()>;

    /// Gives a file another name in the same folder.
    ///
    /// # Errors
    /// What the disk says.
    fn rename(&mut self, from: &str, to: &str) -> io::Result<()>;

    /// The whole file.
    ///
    /// # Errors
    /// `NotFound`, or what the disk says.
    fn read(&self, path: &str) -> io::Result<Vec<u8>>;
}

/// A disk on which several programs write to one folder at once.
pub trait SharedStorage: Storage {
    /// Opens a file for appending and waits until no other program holds it.
    ///
    /// # Errors
    /// `NotFound`, or what the disk says.
    fn hold(&mut self, path: &str) -> io::Result<()>;

    /// Closes a file that was made or held, and lets go of it.
    fn release(&mut self, path: &str);

    /// What stands in a folder, in the order of the names; links are named, never followed.
    ///
    /// # Errors
    /// `NotFound`, or what the disk says.
    fn list(&self, folder: &str) -> io::Result<Vec<Listed>>;

    /// Takes a file away, or a folder with everything in it.
    ///
    /// # Errors
    /// What the disk says.
    fn remove(&mut self, path: &str) -> io::Result<()>;
}

/// Something in a folder.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Listed {
    /// Its name; lossy where that is no UTF-8.
    pub name: String,
    /// What it is.
    pub kind: ListedKind,
    /// Length of a file, bytes.
    pub len: u64,
}

/// What something in a folder is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ListedKind {
    /// A file.
    File,
    /// A folder.
    Folder,
    /// A link, a pipe, a device, or a name that is no UTF-8.
    Other,
}

/// Why something could not be recorded or read back.
#[derive(Debug)]
pub enum RecordError {
    /// The disk refused.
    Disk {
        /// What was being done: "write", "sync".
        doing: &'static str,
        /// The file or folder.
        path: String,
        /// What the disk said.
        source: io::Error,
    },
    /// The disk refused while recording: the capture ends at its last whole line.
    Stopped {
        /// The capture's folder.
        folder: String,
        /// The disk's words.
        reason: String,
    },
    /// The folder has no `capture.toml`.
    NotACapture {
        /// The folder.
        folder: String,
    },
    /// A file of the capture cannot be understood.
    Unreadable {
        /// The file.
        path: String,
        /// What is wrong, with line and column.
        what: String,
    },
    /// A capture was to be made that nobody could read back.
    Unfit {
        /// What is wrong with it.
        what: String,
    },
}

impl RecordError {
    /// Turns the disk's error into ours.
    pub(crate) fn disk(doing: &'static str, path: &str) -> impl FnOnce(io::Error) -> Self {
        let path = path.to_owned();
        move |source| Self::Disk {
            doing,
            path,
            source,
        }
    }
}

impl fmt::Display for RecordError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Disk {
                doing,
                path,
                source,
            } => write!(f, "cannot {doing} {path}: {}", advice(source)),
            Self::Stopped { folder, reason } => write!(
                f,
                "recording stopped: {reason}; {folder} is kept up to its last whole line"
            ),
            Self::NotACapture { folder } => write!(
                f,
                "{folder} is no capture: it has no capture.toml; name a capture folder or a .csv file"
            ),
            Self::Unreadable { path, what } => write!(f, "{path}: {what}"),
            Self::Unfit { what } => f.write_str(what),
        }
    }
}

impl std::error::Error for RecordError {
    fn source(&self) -> Option<&(dyn std::error::Error + 'static)> {
        match self {
            Self::Disk { source, .. } => Some(source),
            _ => None,
        }
    }
}

/// The disk's words with what to do about them.
pub(crate) fn advice(error: &io::Error) -> String {
    let todo = match error.kind() {
        io::ErrorKind::StorageFull | io::ErrorKind::QuotaExceeded => {
            "; free some space or name another folder"
        }
        io::ErrorKind::PermissionDenied | io::ErrorKind::ReadOnlyFilesystem => {
            "; name a folder you may write to"
        }
        io::ErrorKind::AlreadyExists => "; name another one",
        _ => "",
    };
    format!("{error}{todo}")
}

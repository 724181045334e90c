//! The folder on the disk: opened, read, added to. Nothing in it is ever written over.
//!
//! Whoever adds something holds the journal's lock for as long as that takes: the file first, by rename, and then its line.
//! What a power cut leaves is at worst a whole file that no line names, which [`Folder::remarks`] tells of.

mod captures;
mod disk;
mod entered;
mod findings;
mod put;
mod remarks;

use std::{
    io,
    path::{Path, PathBuf},
    sync::{Mutex, MutexGuard, PoisonError},
};

pub use self::captures::Taken;
pub(super) use self::disk::Disk;
use super::{
    CAPTURES, Deed, FolderError, OPENING, OWNER, Opening, Owner, VEHICLE, Visit, fit,
    ledger::{Ledger, lines_of, whole_lines},
};
use crate::{
    clock::Clock,
    evidence::{DATA, Difference, TAG_MANIFEST, journal, tree::MAX_TABLE},
    reading::SOFTWARE,
    record::{Capture, Files, SharedStorage, read_capture},
    vehicle::Vehicle,
};

/// Longest journal that is read, bytes.
pub const MAX_JOURNAL: u64 = MAX_TABLE;
/// Longest attachment, bytes (common practice, no source: a scanned receipt has a few MB, a film of the car a few hundred).
pub const MAX_ATTACHMENT: u64 = 512 << 20;
/// Longest `inspection.toml`, `owner.toml` or vehicle file, bytes.
const MAX_FACTS: u64 = 1 << 20;
/// Names by which a sealed inspection is known.
const SEALED_BY: [&str; 2] = ["bagit.txt", TAG_MANIFEST];

/// An inspection's folder.
#[derive(Debug)]
pub struct Folder<S = Files> {
    opening: Opening,
    /// The bag that it lies in.
    sealed: Option<PathBuf>,
    base: PathBuf,
    disk: Mutex<Disk<S>>,
}

/// The path of a name in a folder.
pub(super) fn joined(folder: &str, name: &str) -> String {
    if folder.is_empty() {
        name.to_owned()
    } else {
        format!("{folder}/{name}")
    }
}

impl Folder {
    /// Makes the folder `base`, which must not exist, and opens an inspection in it. `inspection.toml` comes last, by rename:
    /// a folder without it is none.
    ///
    /// # Errors
    /// [`FolderError::Exists`], [`FolderError::Sealed`], [`FolderError::Unfit`], what the disk says.
    pub fn create(
        base: &Path,
        clock: &Clock,
        opening: &Opening,
        owner: Option<&Owner>,
        vehicle: Option<&[u8]>,
    ) -> Result<Self, FolderError> {
        if let Some(folder) = Files::above(base, &SEALED_BY) {
            return Err(FolderError::Sealed { folder });
        }
        let fail = |source| FolderError::Disk {
            doing: "make",
            path: base.into(),
            source,
        };
        // whatever cannot be taken is said before a folder is made
        check_new(opening, owner, vehicle)?;
        let files = Files::under(base);
        match files.make_base() {
            Err(e) if e.kind() == io::ErrorKind::AlreadyExists => {
                return Err(FolderError::Exists { path: base.into() });
            }
            made => made.map_err(fail)?,
        }
        Self::create_on(files, base, clock, opening, owner, vehicle)
    }

    /// Opens the inspection in `base`; a sealed one, named by its bag or by the folder in it, for reading alone.
    ///
    /// # Errors
    /// [`FolderError::NotAnInspection`], [`FolderError::Newer`], what the disk says.
    pub fn open(base: &Path) -> Result<Self, FolderError> {
        let sealed = Files::above(base, &SEALED_BY);
        let is_bag = sealed
            .as_ref()
            .is_some_and(|bag| base.canonicalize().is_ok_and(|real| real == *bag));
        let base = if is_bag { base.join(DATA) } else { base.into() };
        Self::open_on(Files::under(&base), &base, sealed)
    }
}

fn check_new(
    opening: &Opening,
    owner: Option<&Owner>,
    vehicle: Option<&[u8]>,
) -> Result<(), FolderError> {
    fit::opening(opening).map_err(FolderError::Unfit)?;
    owner
        .map_or(Ok(()), fit::owner)
        .map_err(FolderError::Unfit)?;
    let Some(vehicle) = vehicle else {
        return Ok(());
    };
    let text = std::str::from_utf8(vehicle)
        .map_err(|_| FolderError::Unfit(format!("{VEHICLE}: no UTF-8 text")))?;
    Vehicle::parse(text)
        .map(|_| ())
        .map_err(|e| FolderError::Unfit(format!("{VEHICLE}:{e}")))
}

impl<S: SharedStorage> Folder<S> {
    /// The same as [`Folder::create`] on a disk whose base folder is there and empty.
    ///
    /// # Errors
    /// As [`Folder::create`].
    pub fn create_on(
        storage: S,
        base: &Path,
        clock: &Clock,
        opening: &Opening,
        owner: Option<&Owner>,
        vehicle: Option<&[u8]>,
    ) -> Result<Self, FolderError> {
        check_new(opening, owner, vehicle)?;
        let toml = |text: Result<String, toml::ser::Error>| {
            text.map_err(|e| FolderError::Unfit(e.to_string()))
        };
        let opening_text = toml(toml::to_string(opening))?;
        let mut disk = Disk {
            storage,
            base: base.into(),
            seen: None,
        };
        if let Some(vehicle) = vehicle {
            disk.put("", VEHICLE, vehicle)?;
        }
        if let Some(owner) = owner {
            disk.put("", OWNER, toml(toml::to_string(owner))?.as_bytes())?;
        }
        disk.put("", journal::FILE, b"")?;
        disk.held(|ledger| {
            let software = SOFTWARE.into();
            ledger.append(clock, &opening.operator, &Deed::Opened { software })
        })?;
        disk.put("", OPENING, opening_text.as_bytes())?;
        Ok(Self {
            opening: opening.clone(),
            sealed: None,
            base: base.into(),
            disk: Mutex::new(disk),
        })
    }

    /// The same as [`Folder::open`] on a disk; `sealed`: the bag that it lies in.
    ///
    /// # Errors
    /// As [`Folder::open`].
    pub fn open_on(storage: S, base: &Path, sealed: Option<PathBuf>) -> Result<Self, FolderError> {
        let disk = Disk {
            storage,
            base: base.into(),
            seen: None,
        };
        let opening = disk.opening()?;
        Ok(Self {
            opening,
            sealed,
            base: base.into(),
            disk: Mutex::new(disk),
        })
    }

    /// The folder that holds `inspection.toml`.
    pub fn base(&self) -> &Path {
        &self.base
    }

    /// The bag of a sealed inspection, in which nothing is written.
    pub fn sealed(&self) -> Option<&Path> {
        self.sealed.as_deref()
    }

    /// `inspection.toml`.
    pub fn opening(&self) -> &Opening {
        &self.opening
    }

    fn disk(&self) -> MutexGuard<'_, Disk<S>> {
        // what a panic left of it is one clock's offset
        self.disk.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn may_write(&self) -> Result<(), FolderError> {
        match &self.sealed {
            None => Ok(()),
            Some(folder) => Err(FolderError::Sealed {
                folder: folder.clone(),
            }),
        }
    }

    fn held<T>(
        &self,
        act: impl FnOnce(&mut Ledger<S>) -> Result<T, FolderError>,
    ) -> Result<T, FolderError> {
        self.may_write()?;
        self.disk().held(act)
    }

    /// What the inspection holds now.
    ///
    /// # Errors
    /// A file that is not as it was written, what the disk says.
    pub fn visit(&self) -> Result<Visit, FolderError> {
        let disk = self.disk();
        let owner = match disk.maybe(OWNER, MAX_FACTS)? {
            None => None,
            Some(bytes) => Some(
                toml::from_slice(&bytes)
                    .map_err(|e| disk.broken(Difference::of(OWNER, e.message().to_owned())))?,
            ),
        };
        let bytes = disk.bytes(journal::FILE, MAX_JOURNAL)?;
        // a line without its LF is being written now, or was cut off
        let (whole, _) = whole_lines(&bytes);
        disk.chain(whole)?;
        let mut entries = Vec::new();
        for (n, line) in (1..).zip(lines_of(whole)) {
            entries.push(serde_json::from_slice(line).map_err(|e| {
                let what = format!("says what this program does not know: {e}");
                disk.broken(Difference::at(journal::FILE, n, what))
            })?);
        }
        Ok(Visit {
            opening: self.opening.clone(),
            owner,
            entries,
        })
    }

    /// A file of the inspection, by its path from the folder, of at most `longest` bytes. Links are not followed.
    ///
    /// # Errors
    /// The path leads out of the folder, the file is longer, what the disk says.
    pub fn read(&self, path: &str, longest: u64) -> Result<Vec<u8>, FolderError> {
        self.disk().bytes(path, longest)
    }

    /// Paths of all files of the inspection, in order; links and names that no seal takes are left out.
    ///
    /// # Errors
    /// What the disk says.
    pub fn files(&self) -> Result<Vec<String>, FolderError> {
        self.disk().files()
    }

    /// A capture of the inspection.
    ///
    /// # Errors
    /// It cannot be read.
    pub fn capture(&self, name: &str) -> Result<Capture, FolderError> {
        let disk = self.disk();
        disk.capture_is_there(name)?;
        read_capture(&disk.storage, &format!("{CAPTURES}/{name}")).map_err(FolderError::Capture)
    }
}

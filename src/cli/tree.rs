//! A folder of the machine as the evidence sees it.

use std::{
    fs::{self, File},
    io::{self, Read},
    path::{Path, PathBuf},
};

use super::Failure;
use crate::evidence::{
    Entry, EntryKind, Tree,
    tree::{MAX_FILES, MAX_PATH},
};

/// A folder on a disk. Links are named, never followed.
#[derive(Clone, Debug)]
pub(super) struct Disk {
    pub base: PathBuf,
}

impl Disk {
    pub(super) fn at(base: impl Into<PathBuf>) -> Self {
        Self { base: base.into() }
    }

    /// True when the folder is a sealed inspection, or what is left of one.
    pub(super) fn is_sealed(&self) -> bool {
        ["bagit.txt", crate::evidence::TAG_MANIFEST]
            .iter()
            .any(|name| self.base.join(name).symlink_metadata().is_ok())
    }
}

impl Tree for Disk {
    fn entries(&self) -> io::Result<Vec<Entry>> {
        let mut found = Vec::new();
        let mut open = vec![(self.base.clone(), String::new())];
        while let Some((folder, prefix)) = open.pop() {
            for entry in fs::read_dir(&folder)? {
                let entry = entry?;
                let one = describe(&entry, &prefix)?;
                // a folder whose path is too long already is told of, and not entered
                if one.kind == EntryKind::Folder && one.path.len() <= MAX_PATH {
                    open.push((entry.path(), format!("{}/", one.path)));
                }
                found.push(one);
                if found.len() > MAX_FILES {
                    return Ok(found);
                }
            }
        }
        Ok(found)
    }

    fn open(&self, path: &str) -> io::Result<Box<dyn Read + '_>> {
        Ok(Box::new(File::open(self.base.join(path))?))
    }
}

fn describe(entry: &fs::DirEntry, prefix: &str) -> io::Result<Entry> {
    let name = entry.file_name();
    let about = entry.path().symlink_metadata()?;
    let kind = match about.file_type() {
        _ if name.to_str().is_none() => EntryKind::NotText,
        t if t.is_symlink() => EntryKind::Link,
        t if t.is_file() => EntryKind::File,
        t if t.is_dir() => EntryKind::Folder,
        _ => EntryKind::Other,
    };
    Ok(Entry {
        path: format!("{prefix}{}", name.to_string_lossy()),
        kind,
        len: about.len(),
    })
}

/// True when a path, which need not exist, lies in a sealed inspection, which nothing of ours changes.
pub(super) fn lies_in_a_seal(path: &Path) -> bool {
    let Ok(path) = std::path::absolute(path) else {
        return false;
    };
    let real = path.ancestors().find_map(|up| up.canonicalize().ok());
    real.is_some_and(|real| real.ancestors().any(|up| Disk::at(up).is_sealed()))
}

/// Refuses to write into a sealed inspection.
///
/// # Errors
/// [`Failure::Usage`].
pub(super) fn not_in_a_seal(path: &Path) -> Result<(), Failure> {
    if lies_in_a_seal(path) {
        return Err(Failure::Usage(format!(
            "{}: lies in a sealed inspection, which is not changed any more; begin another one and seal that with --follows",
            path.display()
        )));
    }
    Ok(())
}

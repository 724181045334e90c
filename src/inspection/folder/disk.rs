//! The disk below an inspection's folder: real files and folders alone, links refused, every fault with its path.

use std::{io, path::PathBuf};

use super::joined;
use crate::{
    clock::Clock,
    evidence::tree::unsafe_path,
    inspection::{FolderError, fit, ledger::PART},
    record::{Listed, ListedKind, SharedStorage},
};

/// The disk, and the wall clock as it was last seen.
#[derive(Debug)]
pub(in crate::inspection) struct Disk<S> {
    pub storage: S,
    pub base: PathBuf,
    /// The clock, and wall time less host time, microseconds.
    pub seen: Option<(Clock, i64)>,
}

impl<S: SharedStorage> Disk<S> {
    /// What the disk said, with what was being done to which path.
    pub fn disk_error(
        &self,
        doing: &'static str,
        path: &str,
    ) -> impl FnOnce(io::Error) -> FolderError + use<S> {
        let path = self.base.join(path);
        move |source| FolderError::Disk {
            doing,
            path,
            source,
        }
    }

    /// What stands in a folder; `None`: there is no such folder.
    pub fn listed(&self, folder: &str) -> Result<Option<Vec<Listed>>, FolderError> {
        if !folder.is_empty() && !self.is_folder(folder)? {
            return Ok(None);
        }
        let listed = self.storage.list(folder);
        listed.map(Some).map_err(self.disk_error("read", folder))
    }

    /// What a path is; `None`: nothing. A link on the way is refused.
    fn kind(&self, path: &str) -> Result<Option<Listed>, FolderError> {
        if let Some(why) = unsafe_path(path) {
            return Err(FolderError::Unfit(format!("{path:?}: {why}")));
        }
        let (folder, name) = path.rsplit_once('/').unwrap_or(("", path));
        let Some(listed) = self.listed(folder)? else {
            return Ok(None);
        };
        let found = listed.into_iter().find(|l| l.name == name);
        match found {
            Some(found) if found.kind == ListedKind::Other => Err(FolderError::Unfit(format!(
                "{}: a link or a device; an inspection holds real files alone",
                self.base.join(path).display()
            ))),
            found => Ok(found),
        }
    }

    /// Is it a folder?
    pub(super) fn is_folder(&self, path: &str) -> Result<bool, FolderError> {
        let found = self.kind(path)?;
        Ok(found.is_some_and(|found| found.kind == ListedKind::Folder))
    }

    /// Length of a file, bytes.
    pub(super) fn is_file(&self, path: &str) -> Result<u64, FolderError> {
        let missing = || self.disk_error("read", path)(io::ErrorKind::NotFound.into());
        match self.kind(path)? {
            Some(found) if found.kind == ListedKind::File => Ok(found.len),
            _ => Err(missing()),
        }
    }

    /// A whole file.
    pub fn bytes(&self, path: &str, longest: u64) -> Result<Vec<u8>, FolderError> {
        let len = self.is_file(path)?;
        if len > longest {
            let e = io::Error::new(
                io::ErrorKind::FileTooLarge,
                format!("{len} bytes, and {longest} are the most"),
            );
            return Err(self.disk_error("read", path)(e));
        }
        self.storage
            .read(path)
            .map_err(self.disk_error("read", path))
    }

    /// A whole file; `None`: there is none.
    pub(super) fn maybe(&self, path: &str, longest: u64) -> Result<Option<Vec<u8>>, FolderError> {
        match self.kind(path)? {
            Some(found) if found.kind == ListedKind::File => self.bytes(path, longest).map(Some),
            _ => Ok(None),
        }
    }

    /// Paths of all files, in order.
    pub(super) fn files(&self) -> Result<Vec<String>, FolderError> {
        let mut files = Vec::new();
        let mut open = vec![String::new()];
        while let Some(folder) = open.pop() {
            for found in self.listed(&folder)?.unwrap_or_default() {
                let path = joined(&folder, &found.name);
                match found.kind {
                    _ if unsafe_path(&path).is_some() => {}
                    ListedKind::File => files.push(path),
                    ListedKind::Folder => open.push(path),
                    ListedKind::Other => {}
                }
            }
        }
        files.sort();
        Ok(files)
    }

    /// Makes a folder where there is none.
    pub(super) fn folder(&mut self, folder: &str) -> Result<(), FolderError> {
        if self.is_folder(folder)? {
            return Ok(());
        }
        let parent = folder.rsplit_once('/').map_or("", |(parent, _)| parent);
        let storage = &mut self.storage;
        let made = storage
            .create_folder(folder)
            .and_then(|()| storage.sync_folder(parent));
        made.map_err(self.disk_error("make", folder))
    }

    pub(super) fn sync_folder(&mut self, folder: &str) -> Result<(), FolderError> {
        let synced = self.storage.sync_folder(folder);
        synced.map_err(self.disk_error("write", folder))
    }

    /// Refuses a name that is taken, or would be on a disk that knows no upper and lower case.
    pub(super) fn free(&self, folder: &str, name: &str) -> Result<(), FolderError> {
        let listed = self.listed(folder)?.unwrap_or_default();
        match listed.iter().find(|l| l.name.eq_ignore_ascii_case(name)) {
            Some(found) => Err(FolderError::Exists {
                path: self.base.join(folder).join(&found.name),
            }),
            None => Ok(()),
        }
    }

    /// A new file without further ado.
    pub(super) fn put_plain(&mut self, path: &str, bytes: &[u8]) -> Result<(), FolderError> {
        let storage = &mut self.storage;
        let put = storage
            .create(path)
            .and_then(|()| storage.append(path, bytes))
            .and_then(|()| storage.sync(path));
        storage.release(path);
        put.map_err(self.disk_error("write", path))
    }

    /// A new file by rename, whole or not at all; its path. A name that is taken gets a number.
    pub(super) fn put(
        &mut self,
        folder: &str,
        name: &str,
        bytes: &[u8],
    ) -> Result<String, FolderError> {
        if !folder.is_empty() {
            self.folder(folder)?;
        }
        let listed = self.listed(folder)?.unwrap_or_default();
        let taken = |name: &str| listed.iter().any(|l| l.name.eq_ignore_ascii_case(name));
        let (stem, ending) = fit::split(name);
        let numbered = (2..).map(|n| format!("{stem}-{n}{ending}"));
        let name = std::iter::once(name.to_owned())
            .chain(numbered)
            .find(|name| !taken(name));
        let name = name.expect("there are more numbers than files");
        let path = joined(folder, &name);
        let part = format!("{path}{PART}");
        self.put_plain(&part, bytes)?;
        let named = self.storage.rename(&part, &path);
        named.map_err(self.disk_error("name", &path))?;
        self.sync_folder(folder)?;
        Ok(path)
    }
}

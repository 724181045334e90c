//! The real disk.

use std::{
    collections::BTreeMap,
    fs::{self, File, OpenOptions},
    io::{self, Write as _},
    path::{Path, PathBuf},
};

use super::Storage;

/// Files under a base folder of the machine.
#[derive(Debug)]
pub struct Files {
    base: PathBuf,
    /// Files being written, by path; opened once.
    open: BTreeMap<String, File>,
}

impl Files {
    /// Files under `base`, which must exist before the first write.
    pub fn under(base: impl Into<PathBuf>) -> Self {
        Self {
            base: base.into(),
            open: BTreeMap::new(),
        }
    }

    /// Makes the base folder and its parents where they are missing.
    ///
    /// # Errors
    /// What the disk says.
    pub fn create_base(&self) -> io::Result<()> {
        fs::create_dir_all(&self.base)
    }

    /// The base folder.
    pub fn base(&self) -> &Path {
        &self.base
    }

    /// Names of the folders in the base folder, hidden ones left out, in order.
    ///
    /// # Errors
    /// What the disk says.
    pub fn folders(&self) -> io::Result<Vec<String>> {
        let mut names = Vec::new();
        for entry in fs::read_dir(&self.base)? {
            let entry = entry?;
            let name = entry.file_name().to_string_lossy().into_owned();
            if !name.starts_with('.') && entry.path().is_dir() {
                names.push(name);
            }
        }
        names.sort();
        Ok(names)
    }

    fn file(&self, path: &str) -> io::Result<&File> {
        self.open.get(path).ok_or_else(|| {
            io::Error::new(io::ErrorKind::NotFound, "this file is not being written")
        })
    }
}

impl Storage for Files {
    fn create_folder(&mut self, folder: &str) -> io::Result<()> {
        fs::create_dir(self.base.join(folder))
    }

    fn create(&mut self, path: &str) -> io::Result<()> {
        let file = OpenOptions::new()
            .append(true)
            .create_new(true)
            .open(self.base.join(path))?;
        self.open.insert(path.into(), file);
        Ok(())
    }

    fn append(&mut self, path: &str, bytes: &[u8]) -> io::Result<()> {
        let mut file = self.file(path)?;
        file.write_all(bytes)
    }

    fn set_len(&mut self, path: &str, len: u64) -> io::Result<()> {
        self.file(path)?.set_len(len)
    }

    fn sync(&mut self, path: &str) -> io::Result<()> {
        self.file(path)?.sync_all()
    }

    /// On systems where a folder cannot be opened as a file (Windows) names become durable with their file.
    fn sync_folder(&mut self, folder: &str) -> io::Result<()> {
        if cfg!(unix) {
            File::open(self.base.join(folder))?.sync_all()
        } else {
            Ok(())
        }
    }

    fn rename(&mut self, from: &str, to: &str) -> io::Result<()> {
        fs::rename(self.base.join(from), self.base.join(to))?;
        if let Some(file) = self.open.remove(from) {
            self.open.insert(to.into(), file);
        }
        Ok(())
    }

    fn read(&self, path: &str) -> io::Result<Vec<u8>> {
        fs::read(self.base.join(path))
    }
}

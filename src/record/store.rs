//! The real disk.

use std::{
    collections::BTreeMap,
    fs::{self, File, OpenOptions, TryLockError},
    io::{self, Read as _, Write as _},
    path::{Path, PathBuf},
};

use super::{
    Storage,
    storage::{Listed, ListedKind, SharedStorage},
};

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

    /// Makes the base folder itself; its parent must be there.
    ///
    /// # Errors
    /// `AlreadyExists`, or what the disk says.
    pub fn make_base(&self) -> io::Result<()> {
        fs::create_dir(&self.base)?;
        let parent = self.base.parent().filter(|p| !p.as_os_str().is_empty());
        if cfg!(unix) {
            File::open(parent.unwrap_or(Path::new(".")))?.sync_all()?;
        }
        Ok(())
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

    /// The nearest folder at or above `path`, which need not exist, that holds something of one of these names.
    pub fn above(path: &Path, names: &[&str]) -> Option<PathBuf> {
        let path = std::path::absolute(path).ok()?;
        let real = path.ancestors().find_map(|up| up.canonicalize().ok())?;
        let holds = |up: &&Path| {
            names
                .iter()
                .any(|name| up.join(name).symlink_metadata().is_ok())
        };
        real.ancestors().find(holds).map(Path::to_path_buf)
    }

    fn file(&self, path: &str) -> io::Result<&File> {
        self.open.get(path).ok_or_else(|| {
            io::Error::new(io::ErrorKind::NotFound, "this file is not being written")
        })
    }
}

/// Longest text of a lock that is read, bytes.
const LOCK_TEXT: u64 = 4096;

/// A file that one program holds while it runs; it says who. The system lets go of it however the program ends.
#[derive(Debug)]
pub struct Lock {
    /// Locked as long as it is open.
    file: File,
    path: PathBuf,
}

/// Why a lock could not be taken.
#[derive(Debug)]
pub enum LockError {
    /// Another program holds it; what it wrote there.
    Held(String),
    /// The disk refused.
    Disk(io::Error),
}

impl Lock {
    /// Takes the lock `path` and writes `text` into it, for others to read.
    ///
    /// # Errors
    /// [`LockError`].
    pub fn take(path: &Path, text: &str) -> Result<Self, LockError> {
        let file = OpenOptions::new()
            .read(true)
            .write(true)
            .create(true)
            .truncate(false)
            .open(path)
            .map_err(LockError::Disk)?;
        match file.try_lock() {
            Ok(()) => {}
            Err(TryLockError::WouldBlock) => {
                return Err(LockError::Held(read_lock(&file).unwrap_or_default()));
            }
            Err(TryLockError::Error(e)) => return Err(LockError::Disk(e)),
        }
        let mut writer = &file;
        file.set_len(0)
            .and_then(|()| writer.write_all(text.as_bytes()))
            .and_then(|()| file.sync_all())
            .map_err(LockError::Disk)?;
        Ok(Self {
            file,
            path: path.into(),
        })
    }

    /// What the program that holds the lock wrote; `None` when nobody holds it, or nobody may look.
    pub fn holder(path: &Path) -> Option<String> {
        let file = File::open(path).ok()?;
        match file.try_lock_shared() {
            Err(TryLockError::WouldBlock) => read_lock(&file).ok(),
            Ok(()) | Err(TryLockError::Error(_)) => None,
        }
    }

    /// Lets go of the lock and takes its file away.
    ///
    /// # Errors
    /// What the disk says.
    pub fn remove(self) -> io::Result<()> {
        // While it is still held: nobody can have taken it in between.
        fs::remove_file(&self.path)?;
        drop(self.file);
        Ok(())
    }
}

fn read_lock(mut file: &File) -> io::Result<String> {
    let mut text = String::new();
    io::Seek::rewind(&mut file)?;
    file.take(LOCK_TEXT).read_to_string(&mut text)?;
    Ok(text)
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

impl SharedStorage for Files {
    fn hold(&mut self, path: &str) -> io::Result<()> {
        let mut options = OpenOptions::new();
        let file = options.read(true).append(true).open(self.base.join(path))?;
        file.lock()?;
        self.open.insert(path.into(), file);
        Ok(())
    }

    fn release(&mut self, path: &str) {
        self.open.remove(path);
    }

    fn list(&self, folder: &str) -> io::Result<Vec<Listed>> {
        let mut found = Vec::new();
        for entry in fs::read_dir(self.base.join(folder))? {
            let entry = entry?;
            let about = entry.path().symlink_metadata()?;
            let kind = match about.file_type() {
                _ if entry.file_name().to_str().is_none() => ListedKind::Other,
                t if t.is_file() => ListedKind::File,
                t if t.is_dir() => ListedKind::Folder,
                _ => ListedKind::Other,
            };
            found.push(Listed {
                name: entry.file_name().to_string_lossy().into_owned(),
                kind,
                len: about.len(),
            });
        }
        found.sort_by(|a, b| a.name.cmp(&b.name));
        Ok(found)
    }

    fn remove(&mut self, path: &str) -> io::Result<()> {
        let path = self.base.join(path);
        if path.symlink_metadata()?.is_dir() {
            fs::remove_dir_all(path)
        } else {
            fs::remove_file(path)
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn one_program_holds_a_lock_and_says_who_it_is() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("lock");
        assert_eq!(Lock::holder(&path), None);
        let first = Lock::take(&path, "pid = 1\n").unwrap();
        assert_eq!(Lock::holder(&path).as_deref(), Some("pid = 1\n"));
        assert!(
            matches!(Lock::take(&path, "pid = 2"), Err(LockError::Held(who)) if who == "pid = 1\n")
        );
        drop(first);
        assert_eq!(Lock::holder(&path), None, "left by a program that is gone");
        let second = Lock::take(&path, "pid = 22222\n").unwrap();
        assert_eq!(Lock::holder(&path).as_deref(), Some("pid = 22222\n"));
        second.remove().unwrap();
        assert!(!path.exists());
        assert!(matches!(
            Lock::take(&dir.path().join("no/such"), ""),
            Err(LockError::Disk(_))
        ));
    }
}

//! Where captures stand: a folder of the machine, or what a test puts in.

use std::{
    io,
    path::{Path, PathBuf},
};

use crate::record::{Files, Storage};

/// A place of captures. One value serves the whole bench.
pub trait Shelf: Send + Sync + 'static {
    /// A disk as a recorder sees it.
    type Disk: Storage + Send + 'static;

    /// A disk for one capture.
    fn disk(&self) -> Self::Disk;

    /// Names of the folders that are there, in any order; on a thread that may wait.
    ///
    /// # Errors
    /// What the disk says.
    fn folders(&self) -> io::Result<Vec<String>>;
}

/// A folder of the machine.
#[derive(Clone, Debug)]
pub struct Captures {
    base: PathBuf,
}

impl Captures {
    /// Captures under `base`, which exists.
    pub fn under(base: impl Into<PathBuf>) -> Self {
        Self { base: base.into() }
    }

    /// The folder.
    pub fn base(&self) -> &Path {
        &self.base
    }
}

impl Shelf for Captures {
    type Disk = Files;

    fn disk(&self) -> Files {
        Files::under(&self.base)
    }

    fn folders(&self) -> io::Result<Vec<String>> {
        Files::under(&self.base).folders()
    }
}

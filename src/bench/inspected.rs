//! The inspection that a bench works on: what its page and the end of a test write into it.

use std::path::{Path, PathBuf};

use crate::{
    clock::Clock,
    inspection::{self, Deed, Entry, Folder, FolderError, Photograph, Visit, photograph},
    record::{Files, SharedStorage as _, capture::is_safe_name},
};

/// Name of a photograph that comes without one that could be trusted.
const PHOTOGRAPH: &str = "photograph";
/// The journal's file.
const JOURNAL: &str = crate::evidence::journal::FILE;

/// An inspection that a bench works on. Every call may wait for the disk and for other programs that write there: make it
/// on a thread that may.
#[derive(Debug)]
pub struct Inspected {
    /// As the person named it.
    named: PathBuf,
    folder: Folder,
    /// Who writes.
    who: String,
    /// Always the same one: only so a clock that was set is seen.
    clock: Clock,
}

impl Inspected {
    /// Opens an inspection. `who` writes into it; `None`: who opened it.
    ///
    /// # Errors
    /// It is no inspection, or a sealed one; the disk refuses.
    pub fn open(folder: &Path, who: Option<&str>, clock: Clock) -> Result<Self, FolderError> {
        let opened = Folder::open(folder)?;
        if let Some(sealed) = opened.sealed() {
            return Err(FolderError::Sealed {
                folder: sealed.into(),
            });
        }
        let captures = opened.base().join(inspection::CAPTURES);
        let made = Files::under(&captures).create_base();
        made.map_err(|source| FolderError::Disk {
            doing: "make",
            path: captures,
            source,
        })?;
        let who = who.unwrap_or(&opened.opening().operator).to_owned();
        Ok(Self {
            named: folder.into(),
            folder: opened,
            who,
            clock,
        })
    }

    /// Its folder, as it was named.
    pub fn named(&self) -> &Path {
        &self.named
    }

    /// Folder of its captures.
    pub fn captures(&self) -> PathBuf {
        self.folder.base().join(inspection::CAPTURES)
    }

    /// Length of the journal, bytes: it grows with every line, whoever writes it.
    ///
    /// # Errors
    /// What the disk says.
    pub fn journal_bytes(&self) -> Result<u64, FolderError> {
        let listed = Files::under(self.folder.base()).list("");
        let listed = listed.map_err(|source| FolderError::Disk {
            doing: "read",
            path: self.named.clone(),
            source,
        })?;
        let journal = listed.iter().find(|found| found.name == JOURNAL);
        Ok(journal.map_or(0, |found| found.len))
    }

    /// What it holds now.
    ///
    /// # Errors
    /// A file that is not as it was written, what the disk says.
    pub fn visit(&self) -> Result<Visit, FolderError> {
        self.folder.visit()
    }

    /// Writes one line.
    ///
    /// # Errors
    /// As [`Folder::write`].
    pub fn write(&self, deed: Deed) -> Result<Entry, FolderError> {
        self.folder.write(&self.clock, &self.who, deed)
    }

    /// Puts a photograph in.
    ///
    /// # Errors
    /// As [`Folder::put_photograph`].
    pub fn put_photograph(
        &self,
        bytes: &[u8],
        words: Option<&str>,
        tag_in_picture: bool,
    ) -> Result<Photograph, FolderError> {
        let entry = self.folder.put_photograph(
            &self.clock,
            &self.who,
            PHOTOGRAPH,
            bytes,
            words,
            tag_in_picture,
        )?;
        match entry.deed {
            Deed::Photographed(photograph) => Ok(photograph),
            other => Err(FolderError::Unfit(format!(
                "the journal says something else of the photograph: {other:?}"
            ))),
        }
    }

    /// The bytes of a photograph.
    ///
    /// # Errors
    /// What the disk says.
    pub fn photograph(&self, photograph: &Photograph) -> Result<Vec<u8>, FolderError> {
        self.folder
            .read(&photograph.file, photograph::MOST_BYTES as u64)
    }

    /// A test has ended and its capture is closed: enters it, and its finding.
    ///
    /// # Errors
    /// As [`Folder::captured`].
    pub fn measured(&self, capture: &str) -> Result<(), FolderError> {
        let stage = self.visit()?.stage();
        let taken = self
            .folder
            .captured(&self.clock, &self.who, capture, stage)?;
        if let Err(why) = taken.finding {
            tracing::warn!("{capture} is in the inspection without a finding: {why}");
        }
        Ok(())
    }

    /// Enters captures that an earlier bench could not enter any more, because the machine or the program fell; their names.
    /// No other bench may record there.
    ///
    /// # Errors
    /// As [`Folder::captured`].
    pub fn enter_left(&self) -> Result<Vec<String>, FolderError> {
        let visit = self.visit()?;
        let known: Vec<&str> = visit.captures().iter().map(|taken| taken.capture).collect();
        // Without a folder there are none yet.
        let there = Files::under(self.captures()).folders().unwrap_or_default();
        let mut entered = Vec::new();
        for name in there {
            if is_safe_name(&name) && !known.contains(&name.as_str()) {
                match self.measured(&name) {
                    Ok(()) => entered.push(name),
                    Err(e @ FolderError::Sealed { .. }) => return Err(e),
                    // What is no capture, or was changed, is said and left as it is.
                    Err(e) => tracing::warn!("{name} is not entered: {e}"),
                }
            }
        }
        Ok(entered)
    }
}

//! What is in the folder already: the journal with its lock and chain, what its lines name, and whether that is there.

use super::{MAX_FACTS, MAX_JOURNAL, disk::Disk};
use crate::{
    evidence::{
        Difference,
        journal::{self, Journal},
        tree::{MAX_FILE, MAX_TABLE},
    },
    inspection::{
        ATTACHMENTS, CAPTURES, Checked, Deed, Entry, FORMAT, FolderError, OPENING, Opening,
        PHOTOGRAPHS, Photograph, fit,
        ledger::{Ledger, lines_of, whole_lines},
    },
    record::{Capture, SharedStorage, capture::is_safe_name, read_capture, writer::sha256},
};

impl<S: SharedStorage> Disk<S> {
    /// A file is not as it was written.
    pub(super) fn broken(&self, difference: Difference) -> FolderError {
        FolderError::Broken {
            folder: self.base.clone(),
            difference,
        }
    }

    /// Holds the journal's lock while `act` does its work.
    pub(super) fn held<T>(
        &mut self,
        act: impl FnOnce(&mut Ledger<S>) -> Result<T, FolderError>,
    ) -> Result<T, FolderError> {
        // through a link the lock would be on another file
        self.is_file(journal::FILE)?;
        let held = self.storage.hold(journal::FILE);
        held.map_err(self.disk_error("write", journal::FILE))?;
        let done = Ledger::of(self).and_then(|mut ledger| act(&mut ledger));
        self.storage.release(journal::FILE);
        done
    }

    /// The chain of whole lines.
    pub fn chain(&self, whole: &[u8]) -> Result<Journal, FolderError> {
        let checked = journal::check(journal::FILE, whole);
        let checked = checked.map_err(self.disk_error("read", journal::FILE))?;
        checked.map_err(|difference| self.broken(difference))
    }

    /// `inspection.toml`; a folder without it is no inspection.
    pub(super) fn opening(&self) -> Result<Opening, FolderError> {
        let none = |what: String| FolderError::NotAnInspection {
            folder: self.base.clone(),
            what,
        };
        let bytes = match self.maybe(OPENING, MAX_FACTS) {
            Ok(Some(bytes)) => bytes,
            Ok(None) => return Err(none(format!("it has no {OPENING}"))),
            Err(e) => return Err(e),
        };
        let table: toml::Table =
            toml::from_slice(&bytes).map_err(|e| none(format!("{OPENING}: {}", e.message())))?;
        let format = table.get("format").and_then(toml::Value::as_integer);
        match format {
            Some(format) if format == i64::from(FORMAT) => {}
            Some(format) if format > i64::from(FORMAT) => {
                return Err(FolderError::Newer {
                    folder: self.base.clone(),
                    format,
                });
            }
            Some(format) => return Err(none(format!("{OPENING}: format {format}"))),
            None => return Err(none(format!("{OPENING} states no format"))),
        }
        let opening: Opening =
            toml::from_slice(&bytes).map_err(|e| none(format!("{OPENING}: {}", e.message())))?;
        Ok(opening)
    }

    /// The journal's entries, without a line that says what this program does not know.
    fn entered(&self) -> Result<Vec<Entry>, FolderError> {
        let journal = self.bytes(journal::FILE, MAX_JOURNAL)?;
        let lines = lines_of(whole_lines(&journal).0);
        Ok(lines
            .filter_map(|line| serde_json::from_slice(line).ok())
            .collect())
    }

    /// As [`Disk::put`], but the same bytes are not put in twice.
    pub(super) fn put_once(
        &mut self,
        folder: &str,
        name: &str,
        bytes: &[u8],
        digest: &str,
    ) -> Result<String, FolderError> {
        for entry in self.entered()? {
            let known = match &entry.deed {
                Deed::Photographed(p) if folder == PHOTOGRAPHS => Some((&p.file, &p.sha256)),
                Deed::Attached { file, sha256, .. } if folder == ATTACHMENTS => {
                    Some((file, sha256))
                }
                _ => None,
            };
            if let Some((file, _)) = known.filter(|(_, known)| *known == digest) {
                return Err(FolderError::Unfit(format!(
                    "{name}: the same bytes are in already, as {file} (line {})",
                    entry.n
                )));
            }
        }
        self.put(folder, name, bytes)
    }

    /// Refuses the name of no capture.
    pub(super) fn capture_is_there(&self, name: &str) -> Result<(), FolderError> {
        if is_safe_name(name) && self.is_folder(&format!("{CAPTURES}/{name}"))? {
            return Ok(());
        }
        Err(FolderError::Unfit(format!(
            "{name:?}: no capture of this inspection; `feelgauge inspection show` names them"
        )))
    }

    /// A capture, every file as it was when the capture was closed.
    pub(super) fn whole_capture(&self, name: &str) -> Result<Capture, FolderError> {
        self.capture_is_there(name)?;
        let path = format!("{CAPTURES}/{name}");
        let unfit = |what: String| FolderError::Unfit(format!("{name}: {what}"));
        let capture = read_capture(&self.storage, &path).map_err(FolderError::Capture)?;
        if let Some(closed) = &capture.closed {
            for file in &closed.files {
                let bytes = self.bytes(&format!("{path}/{}", file.name), MAX_TABLE)?;
                if bytes.len() as u64 != file.bytes || sha256(&bytes) != file.sha256 {
                    return Err(unfit(format!(
                        "{} is not as it was when the capture was closed; a seal would not verify; bring the capture as it was recorded",
                        file.name
                    )));
                }
            }
        }
        let late = ["missing_file", "changed_file"];
        match capture
            .faults
            .keys()
            .find(|kind| late.contains(&kind.as_str()))
        {
            Some(kind) => Err(unfit(format!(
                "{kind}: not as it was recorded; bring the capture as it was recorded"
            ))),
            None => Ok(capture),
        }
    }

    /// Refuses a capture that a line names already.
    pub(super) fn not_entered(&self, name: &str) -> Result<(), FolderError> {
        let named = |entry: &Entry| matches!(&entry.deed, Deed::Captured { capture, .. } if capture == name);
        match self.entered()?.iter().find(|entry| named(entry)) {
            Some(entry) => Err(FolderError::Unfit(format!(
                "{name}: is entered already (line {})",
                entry.n
            ))),
            None => Ok(()),
        }
    }

    /// Whatever file a deed names is there.
    pub(super) fn is_there(&self, deed: &Deed) -> Result<(), FolderError> {
        fit::deed(deed).map_err(FolderError::Unfit)?;
        match deed {
            Deed::Photographed(Photograph { file, sha256, .. })
            | Deed::Attached { file, sha256, .. }
            | Deed::Found { file, sha256 }
            | Deed::Joint { file, sha256, .. } => {
                let bytes = self.bytes(file, MAX_FILE)?;
                if self::sha256(&bytes) != *sha256 {
                    return Err(FolderError::Unfit(format!("{file}: has another digest")));
                }
                Ok(())
            }
            Deed::Observed {
                photograph: Some(file),
                ..
            } => self.is_file(file).map(|_| ()),
            Deed::Captured { capture, .. }
            | Deed::Checked(Checked {
                capture: Some(capture),
                ..
            }) => self.capture_is_there(capture),
            _ => Ok(()),
        }
    }
}

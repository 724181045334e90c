//! The journal under the folder's lock: read whole, its chain checked, then one line more.

use jiff::Timestamp;
use serde_json::Value;

use super::{
    ATTACHMENTS, CAPTURES, Deed, Entry, FINDINGS, FolderError, PHOTOGRAPHS, fit, folder::Disk,
};
use crate::{
    clock::{Clock, SET_US},
    evidence::journal::{self, Journal, MAX_LINE},
    record::{ListedKind, SharedStorage, writer::sha256},
};

/// Ending of a file that is being written; what has it when the lock is free was left by a crash.
pub(super) const PART: &str = ".part";
/// Beginning of a capture's folder that is being copied.
pub(super) const COPYING: &str = "copying-";
/// Longest text that is kept of a line that was cut off, characters.
const MAX_TORN: usize = 4_096;

/// The journal, held: nobody else writes.
pub(super) struct Ledger<'a, S> {
    pub disk: &'a mut Disk<S>,
    pub journal: Journal,
    /// Length of its whole lines, bytes.
    len: u64,
    /// What a crash left of a line.
    torn: Vec<u8>,
}

/// The journal's whole lines, and what follows the last LF.
pub(super) fn whole_lines(bytes: &[u8]) -> (&[u8], &[u8]) {
    let end = bytes.iter().rposition(|b| *b == b'\n').map_or(0, |n| n + 1);
    bytes.split_at(end)
}

/// Lines without their LF.
pub(super) fn lines_of(whole: &[u8]) -> impl Iterator<Item = &[u8]> {
    whole
        .split_inclusive(|b| *b == b'\n')
        .map(|line| line.strip_suffix(b"\n").unwrap_or(line))
}

impl<'a, S: SharedStorage> Ledger<'a, S> {
    /// Reads what the held journal says.
    pub fn of(disk: &'a mut Disk<S>) -> Result<Self, FolderError> {
        let bytes = disk.bytes(journal::FILE, super::folder::MAX_JOURNAL)?;
        let (whole, torn) = whole_lines(&bytes);
        let journal = disk.chain(whole)?;
        let (len, torn) = (whole.len() as u64, torn.to_vec());
        let mut ledger = Self {
            disk,
            journal,
            len,
            torn,
        };
        ledger.sweep()?;
        Ok(ledger)
    }

    /// Takes away what a crash left half-written: no line of the journal names it.
    fn sweep(&mut self) -> Result<(), FolderError> {
        for folder in [PHOTOGRAPHS, ATTACHMENTS, FINDINGS, CAPTURES, ""] {
            let Some(listed) = self.disk.listed(folder)? else {
                continue;
            };
            let names: Vec<&str> = listed.iter().map(|l| l.name.as_str()).collect();
            for found in &listed {
                let name = found.name.as_str();
                let left = match found.kind {
                    ListedKind::Folder => folder == CAPTURES && name.starts_with(COPYING),
                    ListedKind::File => {
                        let alone = |stem: &str| {
                            let json = format!("{stem}.json");
                            folder == FINDINGS
                                && stem.starts_with("comparison-")
                                && !names.contains(&json.as_str())
                        };
                        name.ends_with(PART) || name.strip_suffix(".toml").is_some_and(alone)
                    }
                    ListedKind::Other => false,
                };
                if left {
                    let path = super::folder::joined(folder, name);
                    let removed = self.disk.storage.remove(&path);
                    removed.map_err(self.disk.disk_error("clear", &path))?;
                }
            }
        }
        Ok(())
    }

    #[allow(clippy::needless_pass_by_value)] // a deed is done once
    /// Writes a deed, and before it what the clock and the disk did.
    pub fn append(&mut self, clock: &Clock, who: &str, deed: &Deed) -> Result<Entry, FolderError> {
        fit::deed(deed).map_err(FolderError::Unfit)?;
        fit::words("who", who, fit::MAX_NAME, false).map_err(FolderError::Unfit)?;
        if let Deed::Corrected { line, .. } = deed
            && !(1..=self.journal.lines).contains(line)
        {
            return Err(FolderError::Unfit(format!(
                "line {line}: the journal has lines 1 to {}; `feelgauge inspection show` numbers them",
                self.journal.lines
            )));
        }
        self.mend(clock, who)?;
        if let Some(by_s) = self.clock_set(clock) {
            self.line(clock.wall(), who, &Deed::ClockSet { by_s })?;
        }
        self.line(clock.wall(), who, deed)
    }

    fn mend(&mut self, clock: &Clock, who: &str) -> Result<(), FolderError> {
        if self.torn.is_empty() {
            return Ok(());
        }
        let storage = &mut self.disk.storage;
        let cut = storage
            .set_len(journal::FILE, self.len)
            .and_then(|()| storage.sync(journal::FILE));
        cut.map_err(self.disk.disk_error("write", journal::FILE))?;
        let torn = std::mem::take(&mut self.torn);
        let text: String = String::from_utf8_lossy(&torn)
            .chars()
            .take(MAX_TORN)
            .collect();
        let bytes = torn.len() as u64;
        self.line(clock.wall(), who, &Deed::Mended { bytes, text })?;
        Ok(())
    }

    /// By how much the clock was set since this program looked last, or since the last line of any program; s.
    fn clock_set(&mut self, clock: &Clock) -> Option<f64> {
        let offset_us = clock.offset_us();
        let seen = self.disk.seen.replace((clock.clone(), offset_us));
        let seen = seen.filter(|(seen, _)| seen.is_same(clock));
        let measured = seen.map(|(_, before)| offset_us - before);
        let back_us = self.journal.last.map_or(0, |last| {
            clock.wall().as_microsecond() - last.as_microsecond()
        });
        let by_us = match measured {
            Some(by_us) if by_us.abs() >= SET_US => by_us,
            // another program's line is later than our clock
            _ if back_us < 0 => back_us,
            _ => return None,
        };
        Some(by_us as f64 / 1e6)
    }

    fn line(&mut self, when: Timestamp, who: &str, deed: &Deed) -> Result<Entry, FolderError> {
        let value = serde_json::to_value(deed).map_err(|e| FolderError::Unfit(e.to_string()))?;
        let Value::Object(mut more) = value else {
            return Err(FolderError::Unfit("a deed of no keys".into()));
        };
        let what = more.shift_remove("what");
        let what = what.as_ref().and_then(Value::as_str).unwrap_or_default();
        let line = self.journal.line(when, who, what, more);
        if line.len() as u64 > MAX_LINE {
            return Err(FolderError::Unfit(
                "the entry is longer than 1 MiB; write less, or attach it as a file".into(),
            ));
        }
        let bare = line.trim_end_matches('\n');
        // what nobody could read back is not written
        let entry: Entry = serde_json::from_str(bare)
            .map_err(|e| FolderError::Unfit(format!("cannot be written as a line: {e}")))?;
        let storage = &mut self.disk.storage;
        let written = storage
            .append(journal::FILE, line.as_bytes())
            .and_then(|()| storage.sync(journal::FILE));
        if let Err(e) = written {
            // half a line is of no use; the next writer cuts it off where this does not succeed
            let _ = storage.set_len(journal::FILE, self.len);
            return Err(self.disk.disk_error("write", journal::FILE)(e));
        }
        self.len += line.len() as u64;
        self.journal.lines += 1;
        self.journal.head = sha256(bare.as_bytes());
        self.journal.last = Some(when);
        Ok(entry)
    }
}

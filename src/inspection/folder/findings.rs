//! Findings and comparisons, recorded as verify works them out anew.

use serde::Serialize;

use super::Folder;
use crate::{
    clock::Clock,
    evidence::captures::{ComparisonOf, recorded_form},
    inspection::{Deed, Entry, FINDINGS, FolderError, ledger::Ledger},
    record::{SharedStorage, capture::is_safe_name, writer::sha256},
};

impl<S: SharedStorage> Folder<S> {
    /// Records the finding of the capture `name`: with what the capture itself states and nothing else.
    ///
    /// # Errors
    /// There is one already; as [`Folder::write`].
    pub fn put_finding(
        &self,
        clock: &Clock,
        who: &str,
        name: &str,
        finding: &impl Serialize,
    ) -> Result<Entry, FolderError> {
        if !is_safe_name(name) || name.starts_with("comparison-") {
            return Err(FolderError::Unfit(format!(
                "{name:?}: no name of a capture"
            )));
        }
        let text = recorded_form(finding);
        self.held(|ledger| ledger.found(clock, who, &format!("{name}.json"), text.as_bytes()))
    }

    /// Records a comparison: `of` says what it was made of, and must be all that it was made of. Its number is the next free one.
    ///
    /// # Errors
    /// A capture that is not here; as [`Folder::write`].
    pub fn put_comparison(
        &self,
        clock: &Clock,
        who: &str,
        of: &ComparisonOf,
        result: &impl Serialize,
    ) -> Result<Entry, FolderError> {
        let about = toml::to_string(of).map_err(|e| FolderError::Unfit(e.to_string()))?;
        let text = recorded_form(result);
        self.held(|ledger| {
            for name in of.before.iter().chain(&of.after) {
                ledger.disk.capture_is_there(name)?;
            }
            let disk = &mut *ledger.disk;
            let listed = disk.listed(FINDINGS)?.unwrap_or_default();
            let taken = |n: &u32| {
                let start = format!("comparison-{n}.");
                listed.iter().any(|l| l.name.starts_with(&start))
            };
            let n = (1..u32::MAX).find(|n| !taken(n)).unwrap_or(u32::MAX);
            disk.folder(FINDINGS)?;
            disk.put(FINDINGS, &format!("comparison-{n}.toml"), about.as_bytes())?;
            ledger.found(clock, who, &format!("comparison-{n}.json"), text.as_bytes())
        })
    }
}

impl<S: SharedStorage> Ledger<'_, S> {
    fn found(
        &mut self,
        clock: &Clock,
        who: &str,
        name: &str,
        bytes: &[u8],
    ) -> Result<Entry, FolderError> {
        let capture = name.strip_suffix(".json").unwrap_or(name);
        if !name.starts_with("comparison-") {
            self.disk.capture_is_there(capture)?;
        }
        self.disk.folder(FINDINGS)?;
        self.disk.free(FINDINGS, name)?;
        let file = self.disk.put(FINDINGS, name, bytes)?;
        let sha256 = sha256(bytes);
        self.append(clock, who, &Deed::Found { file, sha256 })
    }
}

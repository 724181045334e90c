//! What does not fit between the journal and the files.

use super::{Folder, MAX_JOURNAL};
use crate::{
    evidence::{journal, tree::MAX_FILE},
    inspection::{
        ATTACHMENTS, CAPTURES, FINDINGS, FolderError, JOINT_STATEMENT, PHOTOGRAPHS,
        ledger::whole_lines,
    },
    record::{SharedStorage, writer::sha256},
    units::count,
};

impl<S: SharedStorage> Folder<S> {
    /// What does not fit between the journal and the files, one sentence each.
    ///
    /// # Errors
    /// As [`Folder::visit`].
    pub fn remarks(&self) -> Result<Vec<String>, FolderError> {
        let visit = self.visit()?;
        let mut said = Vec::new();
        let disk = self.disk();
        let bytes = disk.bytes(journal::FILE, MAX_JOURNAL)?;
        let (_, torn) = whole_lines(&bytes);
        if !torn.is_empty() {
            said.push(format!(
                "{}: ends with {} of no whole line: it is being written, or was cut off; the next entry takes that off and says so",
                journal::FILE,
                count(torn.len() as u64, "byte")
            ));
        }
        let named = visit.named_files();
        for (file, digest) in &named {
            match disk.maybe(file, MAX_FILE) {
                Ok(Some(bytes)) if sha256(&bytes) == **digest => {}
                Ok(Some(_)) => said.push(format!("{file}: not the bytes that were put in")),
                Ok(None) => said.push(format!("{file}: missing, and the journal names it")),
                Err(e) => said.push(e.to_string()),
            }
        }
        let captures = visit.captures();
        for path in disk.files()? {
            let (folder, rest) = path.split_once('/').unwrap_or(("", &path));
            let is_named = match folder {
                CAPTURES => {
                    let (name, _) = rest.split_once('/').unwrap_or((rest, ""));
                    captures.iter().any(|taken| taken.capture == name)
                }
                FINDINGS if rest.strip_suffix(".toml").is_some() => {
                    let json = format!("{}json", path.strip_suffix("toml").unwrap_or_default());
                    named.iter().any(|(file, _)| **file == json)
                }
                "" if rest != JOINT_STATEMENT => true,
                PHOTOGRAPHS | ATTACHMENTS | FINDINGS | "" => {
                    named.iter().any(|(file, _)| **file == path)
                }
                _ => true,
            };
            if !is_named {
                said.push(format!("{path}: in no line of the journal"));
            }
        }
        Ok(said)
    }
}

//! Captures put in and entered, each with its finding.

use std::path::Path;

use super::Folder;
use crate::{
    clock::Clock,
    evidence::{captures, tree::MAX_TABLE},
    inspect::Finding,
    inspection::{CAPTURES, Deed, Entry, FolderError, Stage, ledger::COPYING},
    record::{
        Capture, Files, ListedKind, SharedStorage, Storage,
        capture::{META_FILE, is_safe_name},
    },
};

/// A capture that was entered.
#[derive(Clone, Debug)]
pub struct Taken {
    /// Name of its folder in `captures/`.
    pub capture: String,
    /// The journal's lines.
    pub entries: Vec<Entry>,
    /// Its finding, or in words why there is none; the capture is in all the same.
    pub finding: Result<Finding, String>,
}

impl Folder {
    /// Where captures of this inspection are recorded. The recorder makes the folder; then comes [`Folder::captured`].
    pub fn captures(&self) -> Files {
        Files::under(self.base.join(CAPTURES))
    }

    /// Copies the folder of a capture in, which is then entered as by [`Folder::captured`].
    ///
    /// # Errors
    /// The source is no capture, or not as it was when it was closed; one of that name is in already; as [`Folder::write`].
    pub fn put_capture(
        &self,
        clock: &Clock,
        who: &str,
        source: &Path,
        stage: Stage,
    ) -> Result<Taken, FolderError> {
        self.may_write()?;
        let unfit = |what: String| FolderError::Unfit(format!("{}: {what}", source.display()));
        let real = source
            .canonicalize()
            .map_err(|source_error| FolderError::Disk {
                doing: "read",
                path: source.into(),
                source: source_error,
            })?;
        let name = real
            .file_name()
            .and_then(|n| n.to_str())
            .unwrap_or_default();
        let from = Files::under(&real);
        let listed = from.list("").map_err(|e| unfit(e.to_string()))?;
        let mut files = Vec::new();
        for found in listed {
            if found.kind != ListedKind::File || !is_safe_name(&found.name) {
                return Err(unfit(format!(
                    "holds {}, which no capture has; name the folder of a capture",
                    found.name
                )));
            }
            if found.len > MAX_TABLE {
                return Err(unfit(format!(
                    "{} is longer than {MAX_TABLE} bytes",
                    found.name
                )));
            }
            let bytes = Storage::read(&from, &found.name);
            files.push((found.name, bytes.map_err(|e| unfit(e.to_string()))?));
        }
        self.put_capture_files(clock, who, name, files, stage)
    }
}

impl<S: SharedStorage> Folder<S> {
    /// Enters a capture that lies in `captures/` already, recorded there by [`Folder::captures`], and works out its finding.
    ///
    /// # Errors
    /// It cannot be read, or is not as it was when it was closed; it is entered already; as [`Folder::write`].
    pub fn captured(
        &self,
        clock: &Clock,
        who: &str,
        name: &str,
        stage: Stage,
    ) -> Result<Taken, FolderError> {
        self.may_write()?;
        let capture = self.disk().whole_capture(name)?;
        let entered = self.held(|ledger| {
            ledger.disk.not_entered(name)?;
            ledger.append(clock, who, &entering(name, &capture, stage))
        })?;
        self.find(clock, who, name, &capture, vec![entered])
    }

    /// Puts a capture in, file by file, and enters it as by [`Folder::captured`].
    ///
    /// # Errors
    /// As [`Folder::captured`]; one of that name is in already.
    pub fn put_capture_files(
        &self,
        clock: &Clock,
        who: &str,
        name: &str,
        mut files: Vec<(String, Vec<u8>)>,
        stage: Stage,
    ) -> Result<Taken, FolderError> {
        self.may_write()?;
        let unfit = |what: &str| Err(FolderError::Unfit(format!("{name}: {what}")));
        if !is_safe_name(name) || name.len() > 200 || name.starts_with(COPYING) {
            return unfit(
                "a capture's folder has a name of A-Z a-z 0-9 . _ - alone, such as 20310517T142140Z-leak",
            );
        }
        if !files.iter().any(|(file, _)| file == META_FILE) {
            return unfit("no capture: it has no capture.toml; name the folder of a capture");
        }
        if let Some((file, _)) = files.iter().find(|(file, _)| !is_safe_name(file)) {
            return unfit(&format!("holds {file:?}, which no capture has"));
        }
        // last, as the recorder writes it
        files.sort_by_key(|(file, _)| (file == META_FILE, file.clone()));
        let (capture, entered) = self.held(|ledger| {
            let disk = &mut *ledger.disk;
            let copying = format!("{COPYING}{name}");
            disk.folder(CAPTURES)?;
            disk.free(CAPTURES, name)?;
            disk.folder(&format!("{CAPTURES}/{copying}"))?;
            for (file, bytes) in &files {
                disk.put_plain(&format!("{CAPTURES}/{copying}/{file}"), bytes)?;
            }
            let found = disk.whole_capture(&copying);
            let path = format!("{CAPTURES}/{copying}");
            let capture = match found {
                Ok(capture) => capture,
                Err(e) => {
                    // copied a moment ago; the source is as it was
                    let removed = disk.storage.remove(&path);
                    removed.map_err(disk.disk_error("clear", &path))?;
                    return Err(e);
                }
            };
            disk.sync_folder(&path)?;
            let to = format!("{CAPTURES}/{name}");
            let renamed = disk.storage.rename(&path, &to);
            renamed.map_err(disk.disk_error("name", &to))?;
            disk.sync_folder(CAPTURES)?;
            let entered = ledger.append(clock, who, &entering(name, &capture, stage))?;
            Ok((capture, entered))
        })?;
        self.find(clock, who, name, &capture, vec![entered])
    }

    /// The finding of an entered capture, recorded as verify works it out anew.
    fn find(
        &self,
        clock: &Clock,
        who: &str,
        name: &str,
        capture: &Capture,
        mut entries: Vec<Entry>,
    ) -> Result<Taken, FolderError> {
        let finding = captures::finding(capture);
        if let Ok(finding) = &finding {
            entries.push(self.put_finding(clock, who, name, finding)?);
        }
        Ok(Taken {
            capture: name.to_owned(),
            entries,
            finding,
        })
    }
}

fn entering(name: &str, capture: &Capture, stage: Stage) -> Deed {
    Deed::Captured {
        capture: name.to_owned(),
        test: capture.meta.test.clone(),
        setup: capture.meta.setup.clone(),
        stage,
    }
}

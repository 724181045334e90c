//! Reads a capture folder back, whole or cut short; counts what it suffered and never stops for it.

use std::{collections::BTreeMap, io};

use serde::de::DeserializeOwned;

use super::{
    RecordError, Storage,
    capture::{
        CLOSED_FILE, Capture, CaptureMeta, Closed, FORMAT, MARKS_FILE, META_FILE, VEHICLE_FILE,
    },
    recover::{self, Recovered},
    writer::sha256,
};

/// Reads the capture in `folder`. Nothing on the disk is changed.
///
/// # Errors
/// [`RecordError::NotACapture`] without `capture.toml`, [`RecordError::Unreadable`] when that file or
/// `closed.toml` cannot be understood, what the disk says. Damage to the tables is counted instead.
pub fn read_capture(storage: &impl Storage, folder: &str) -> Result<Capture, RecordError> {
    let mut files = Folder::new(storage, folder);
    let (meta, vehicle) = files.start()?;
    let mut rows = Vec::new();
    for probe in &meta.probes {
        rows.push(files.table(&format!("{}.csv", probe.name), recover::rows)?);
    }
    let marks = files.table(MARKS_FILE, recover::marks)?;
    let closed: Option<Closed> = files.toml(CLOSED_FILE)?;
    if let Some(closed) = &closed {
        files.compare(closed);
    }
    Ok(Capture {
        meta,
        vehicle,
        rows,
        marks,
        closed,
        faults: files.faults,
    })
}

/// The same without rows and marks, for who streams them ([`super::streamed`]).
///
/// # Errors
/// As [`read_capture`].
pub fn read_about(storage: &impl Storage, folder: &str) -> Result<Capture, RecordError> {
    let mut files = Folder::new(storage, folder);
    let (meta, vehicle) = files.start()?;
    let closed: Option<Closed> = files.toml(CLOSED_FILE)?;
    if let Some(closed) = &closed {
        files.compare(closed);
    }
    Ok(Capture {
        meta,
        vehicle,
        rows: Vec::new(),
        marks: Vec::new(),
        closed,
        faults: files.faults,
    })
}

struct Folder<'a, S: Storage> {
    storage: &'a S,
    /// Name under the storage's base; empty: the base itself.
    name: &'a str,
    /// Digest of every file read.
    digests: BTreeMap<String, String>,
    faults: BTreeMap<String, u64>,
}

impl<'a, S: Storage> Folder<'a, S> {
    fn new(storage: &'a S, name: &'a str) -> Self {
        Self {
            storage,
            name,
            digests: BTreeMap::new(),
            faults: BTreeMap::new(),
        }
    }
}

impl<S: Storage> Folder<'_, S> {
    /// What was known when the capture began: its facts, the car's file.
    fn start(&mut self) -> Result<(CaptureMeta, Option<String>), RecordError> {
        let meta: CaptureMeta = self
            .toml(META_FILE)?
            .ok_or_else(|| RecordError::NotACapture {
                folder: self.name.into(),
            })?;
        if meta.format != FORMAT {
            return Err(self.unreadable(
                META_FILE,
                format!("format {}; this version reads format {FORMAT}", meta.format),
            ));
        }
        let vehicle = match self.read(VEHICLE_FILE)? {
            None => None,
            Some(bytes) => Some(String::from_utf8(bytes).map_err(|e| {
                let what = format!("byte {} is no UTF-8", e.utf8_error().valid_up_to() + 1);
                self.unreadable(VEHICLE_FILE, what)
            })?),
        };
        if meta.vehicle_sha256.is_some() && vehicle.is_none() {
            self.count("missing_file", 1);
        }
        Ok((meta, vehicle))
    }

    fn path(&self, name: &str) -> String {
        if self.name.is_empty() {
            name.into()
        } else {
            format!("{}/{name}", self.name)
        }
    }

    fn unreadable(&self, name: &str, what: String) -> RecordError {
        RecordError::Unreadable {
            path: self.path(name),
            what,
        }
    }

    fn count(&mut self, kind: &str, n: u64) {
        if n > 0 {
            *self.faults.entry(kind.into()).or_default() += n;
        }
    }

    fn read(&mut self, name: &str) -> Result<Option<Vec<u8>>, RecordError> {
        let path = self.path(name);
        match self.storage.read(&path) {
            Ok(bytes) => {
                self.digests.insert(name.into(), sha256(&bytes));
                Ok(Some(bytes))
            }
            Err(e) if e.kind() == io::ErrorKind::NotFound => Ok(None),
            Err(e) => Err(RecordError::disk("read", &path)(e)),
        }
    }

    fn toml<T: DeserializeOwned>(&mut self, name: &str) -> Result<Option<T>, RecordError> {
        let Some(bytes) = self.read(name)? else {
            return Ok(None);
        };
        toml::from_slice(&bytes)
            .map(Some)
            .map_err(|e| self.unreadable(name, e.to_string()))
    }

    fn table<T>(
        &mut self,
        name: &str,
        recover: impl Fn(&[u8]) -> Recovered<T>,
    ) -> Result<Vec<T>, RecordError> {
        let Some(bytes) = self.read(name)? else {
            self.count("missing_file", 1);
            return Ok(Vec::new());
        };
        let found = recover(&bytes);
        self.count("torn_tail", u64::from(found.torn_bytes > 0));
        self.count("damaged_record", found.damaged);
        Ok(found.rows)
    }

    /// Files that are not what they were when the capture was closed.
    fn compare(&mut self, closed: &Closed) {
        let changed = closed
            .files
            .iter()
            .filter(|file| {
                self.digests
                    .get(&file.name)
                    .is_some_and(|d| *d != file.sha256)
            })
            .count();
        self.count("changed_file", changed as u64);
    }
}

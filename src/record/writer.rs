//! Writes a capture folder: facts first, rows as they come, counts and digests last.

use sha2::{Digest as _, Sha256};

use super::{
    RecordError, Storage,
    capture::{
        CLOSED_FILE, CaptureMeta, Closed, FORMAT, FileCount, MARKS_FILE, META_FILE, VEHICLE_FILE,
        folder_name, is_safe_name,
    },
    lines::{MARK_HEADER, ROW_HEADER, mark_record, row_record},
};
use crate::inspect::{Input, Mark, Row};

/// Longest time that a row waits before it is durable, microseconds of handed-in time.
pub const SYNC_EVERY_US: u64 = 1_000_000;
/// Captures of one test in one setup that may begin in the same second.
const SAME_SECOND: i64 = 60;

/// A capture being written.
///
/// After any error of the disk the capture is closed at its last whole row, as far as the disk lets it, and
/// takes no more rows: half a capture is never taken for a whole one.
#[derive(Debug)]
pub struct CaptureWriter<S: Storage> {
    storage: S,
    folder: String,
    /// One a probe, then the marks.
    tables: Vec<Table>,
    /// Files of the folder that are no tables.
    fixed: Vec<FileCount>,
    synced_us: u64,
    state: State,
}

#[derive(Debug, PartialEq, Eq)]
enum State {
    Open,
    /// Closed because the disk refused.
    Stopped(String),
}

#[derive(Debug)]
struct Table {
    path: String,
    /// Length up to the last whole record, bytes.
    len: u64,
    rows: u64,
    digest: Sha256,
    /// Holds records that are not durable.
    dirty: bool,
    /// Host time of the last record.
    last_us: u64,
}

impl<S: Storage> CaptureWriter<S> {
    /// Begins a capture: makes its folder, its empty tables and the copy of the vehicle file, and last, by rename,
    /// `capture.toml`. When this returns, all of it is durable.
    ///
    /// A folder of that name is never touched: the name takes the next free second instead.
    ///
    /// # Errors
    /// What the disk says; probes whose names could not be file names.
    pub fn begin(
        mut storage: S,
        meta: &CaptureMeta,
        vehicle: Option<&str>,
    ) -> Result<Self, RecordError> {
        check(meta)?;
        let folder = make_folder(&mut storage, meta)?;
        let mut writer = Self {
            storage,
            folder,
            tables: Vec::new(),
            fixed: Vec::new(),
            synced_us: meta.anchor.host_us,
            state: State::Open,
        };
        for probe in &meta.probes {
            writer.begin_table(&format!("{}.csv", probe.name), ROW_HEADER)?;
        }
        writer.begin_table(MARKS_FILE, MARK_HEADER)?;
        if let Some(vehicle) = vehicle {
            writer.put(VEHICLE_FILE, vehicle.as_bytes())?;
        }
        let text = toml::to_string(meta).map_err(|e| RecordError::Unfit {
            what: format!("{META_FILE} cannot be written: {e}"),
        })?;
        writer.put(META_FILE, text.as_bytes())?;
        Ok(writer)
    }

    /// Name of the capture's folder.
    pub fn folder(&self) -> &str {
        &self.folder
    }

    /// Keeps one input and returns it as it was kept: a time that runs backward is lifted to the last one of its
    /// probe, and a mark comes later than every row before it, so that a replay finds the same order.
    ///
    /// # Errors
    /// [`RecordError::Stopped`] when the disk refuses, now or before; the capture ends at its last whole row.
    pub fn keep(&mut self, input: Input) -> Result<Input, RecordError> {
        let input = self.in_order(input);
        let (table, record) = match &input {
            Input::Row(probe, row) => (*probe, row_record(row)),
            Input::Mark(mark) => (self.tables.len() - 1, mark_record(mark)),
        };
        self.append(table, input.host_us(), &record)?;
        self.tick(input.host_us())?;
        Ok(input)
    }

    /// Makes everything durable when [`SYNC_EVERY_US`] has passed since the last time.
    ///
    /// # Errors
    /// As [`CaptureWriter::keep`].
    pub fn tick(&mut self, host_us: u64) -> Result<(), RecordError> {
        if host_us.saturating_sub(self.synced_us) < SYNC_EVERY_US {
            return Ok(());
        }
        self.synced_us = host_us;
        self.sync_tables()
    }

    /// Ends the capture: makes every table durable, then writes `closed.toml` by rename.
    ///
    /// # Errors
    /// As [`CaptureWriter::keep`].
    pub fn close(mut self, host_us: u64, reason: &str) -> Result<S, RecordError> {
        self.sync_tables()?;
        self.put_closed(host_us, reason, true)?;
        Ok(self.storage)
    }

    fn in_order(&self, input: Input) -> Input {
        match input {
            Input::Row(probe, row) => {
                let host_us = row.host_us.max(self.tables[probe].last_us);
                Input::Row(probe, Row { host_us, ..row })
            }
            Input::Mark(mark) => {
                let (marks, rows) = self.tables.split_last().expect("begin made the marks");
                let after = rows.iter().filter(|t| t.rows > 0).map(|t| t.last_us + 1);
                let host_us = after.fold(mark.host_us.max(marks.last_us), u64::max);
                Input::Mark(Mark { host_us, ..mark })
            }
        }
    }

    fn begin_table(&mut self, name: &str, header: &str) -> Result<(), RecordError> {
        let path = format!("{}/{name}", self.folder);
        self.storage
            .create(&path)
            .and_then(|()| self.storage.append(&path, header.as_bytes()))
            .and_then(|()| self.storage.sync(&path))
            .map_err(RecordError::disk("begin", &path))?;
        self.tables.push(Table {
            path,
            len: header.len() as u64,
            rows: 0,
            digest: Sha256::new_with_prefix(header),
            dirty: false,
            last_us: 0,
        });
        Ok(())
    }

    /// Writes a whole file under another name, makes it durable, and only then gives it its name.
    fn put(&mut self, name: &str, bytes: &[u8]) -> Result<(), RecordError> {
        let path = format!("{}/{name}", self.folder);
        let part = format!("{path}.part");
        let disk = &mut self.storage;
        disk.create(&part)
            .and_then(|()| disk.append(&part, bytes))
            .and_then(|()| disk.sync(&part))
            .and_then(|()| disk.rename(&part, &path))
            .and_then(|()| disk.sync_folder(&self.folder))
            .map_err(RecordError::disk("write", &path))?;
        self.fixed.push(FileCount {
            name: name.into(),
            rows: None,
            bytes: bytes.len() as u64,
            sha256: hex(&Sha256::digest(bytes)),
        });
        Ok(())
    }

    fn put_closed(
        &mut self,
        host_us: u64,
        reason: &str,
        in_order: bool,
    ) -> Result<(), RecordError> {
        let tables = self.tables.iter().map(|table| FileCount {
            name: table.path[self.folder.len() + 1..].into(),
            rows: Some(table.rows),
            bytes: table.len,
            sha256: hex(&table.digest.clone().finalize()),
        });
        let closed = Closed {
            format: FORMAT,
            in_order,
            reason: reason.into(),
            host_us,
            files: tables.chain(self.fixed.iter().cloned()).collect(),
        };
        let text = toml::to_string(&closed).map_err(|e| RecordError::Unfit {
            what: format!("{CLOSED_FILE} cannot be written: {e}"),
        })?;
        self.put(CLOSED_FILE, text.as_bytes())
    }

    fn append(&mut self, table: usize, host_us: u64, record: &[u8]) -> Result<(), RecordError> {
        self.must_be_open()?;
        let disk = &mut self.storage;
        let table = &mut self.tables[table];
        let written = disk.append(&table.path, record);
        if let Err(e) = written {
            let path = table.path.clone();
            return Err(self.stop(&RecordError::disk("write", &path)(e), host_us));
        }
        table.len += record.len() as u64;
        table.rows += 1;
        table.digest.update(record);
        table.dirty = true;
        table.last_us = host_us;
        Ok(())
    }

    fn sync_tables(&mut self) -> Result<(), RecordError> {
        self.must_be_open()?;
        let disk = &mut self.storage;
        for table in self.tables.iter_mut().filter(|t| t.dirty) {
            if let Err(e) = disk.sync(&table.path) {
                let path = table.path.clone();
                let host_us = self.synced_us;
                return Err(self.stop(&RecordError::disk("sync", &path)(e), host_us));
            }
            table.dirty = false;
        }
        Ok(())
    }

    fn must_be_open(&self) -> Result<(), RecordError> {
        match &self.state {
            State::Open => Ok(()),
            State::Stopped(reason) => Err(RecordError::Stopped {
                folder: self.folder.clone(),
                reason: reason.clone(),
            }),
        }
    }

    /// Cuts half-written records off and closes the capture, as far as the disk still lets it. What fails now
    /// fails silently: without `closed.toml` the capture says that it was cut short.
    fn stop(&mut self, why: &RecordError, host_us: u64) -> RecordError {
        let reason = why.to_string();
        self.state = State::Stopped(reason.clone());
        let disk = &mut self.storage;
        let kept = self.tables.iter().try_for_each(|t| {
            disk.set_len(&t.path, t.len)
                .and_then(|()| disk.sync(&t.path))
        });
        if kept.is_ok() {
            let _ = self.put_closed(host_us, &reason, false);
        }
        RecordError::Stopped {
            folder: self.folder.clone(),
            reason,
        }
    }
}

/// Lower-case hex.
pub(crate) fn hex(bytes: &[u8]) -> String {
    bytes
        .iter()
        .flat_map(|b| [b >> 4, b & 15])
        .map(|digit| char::from_digit(u32::from(digit), 16).expect("a nibble is below 16"))
        .collect()
}

/// SHA-256 of a text, lower-case hex.
pub fn sha256(bytes: &[u8]) -> String {
    hex(&Sha256::digest(bytes))
}

fn check(meta: &CaptureMeta) -> Result<(), RecordError> {
    let names: Vec<&str> = meta.probes.iter().map(|p| p.name.as_str()).collect();
    let wrong = names
        .iter()
        .enumerate()
        .find(|(i, name)| !is_safe_name(name) || **name == "marks" || names[..*i].contains(name));
    if let Some((_, name)) = wrong {
        return Err(RecordError::Unfit {
            what: format!(
                "'{name}' cannot name a probe's file: [A-Za-z0-9._-], each probe its own"
            ),
        });
    }
    for word in [Some(&meta.test), meta.setup.as_ref()]
        .into_iter()
        .flatten()
    {
        if !is_safe_name(word) {
            return Err(RecordError::Unfit {
                what: format!("'{word}' cannot stand in a folder's name: [A-Za-z0-9._-] only"),
            });
        }
    }
    Ok(())
}

fn make_folder<S: Storage>(storage: &mut S, meta: &CaptureMeta) -> Result<String, RecordError> {
    let mut name = String::new();
    for later_s in 0..SAME_SECOND {
        let when = meta.anchor.wall + jiff::SignedDuration::from_secs(later_s);
        name = folder_name(when, &meta.test, meta.setup.as_deref());
        match storage.create_folder(&name) {
            Ok(()) => {
                storage
                    .sync_folder("")
                    .map_err(RecordError::disk("sync the folder of", &name))?;
                return Ok(name);
            }
            Err(e) if e.kind() == std::io::ErrorKind::AlreadyExists => {}
            Err(e) => return Err(RecordError::disk("make", &name)(e)),
        }
    }
    let taken = std::io::Error::from(std::io::ErrorKind::AlreadyExists);
    Err(RecordError::disk("make", &name)(taken))
}

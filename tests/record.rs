//! The capture folder against a disk that fails: power cut at every write and sync, no room, no permission.

#![allow(clippy::unwrap_used)] // in a test an unwrap is an assertion

use std::{
    collections::{BTreeMap, BTreeSet},
    io,
    path::Path,
    sync::{Arc, Mutex},
};

use feelgauge::{
    inspect::{Input, Mark, Row, Stated},
    record::{
        Capture, CaptureMeta, CaptureWriter, Files, RecordError, Storage,
        capture::{Anchor, Conditions, FORMAT, ProbeMeta, Settings},
        read_capture,
        writer::SYNC_EVERY_US,
    },
    wire::Part,
};

/// What a power cut leaves of what was not synced.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Tail {
    /// Everything: the disk was quicker than promised.
    Kept,
    /// Names, and half of the bytes.
    Torn,
    /// Names, no bytes (a journal that keeps names only).
    NamesOnly,
    /// Nothing.
    Dropped,
}

#[derive(Clone, Debug, Default)]
struct Disk {
    /// File number -> bytes (durable, current).
    files: Vec<(Vec<u8>, Vec<u8>)>,
    names: BTreeMap<String, usize>,
    durable_names: BTreeMap<String, usize>,
    folders: BTreeSet<String>,
    durable_folders: BTreeSet<String>,
    /// Operations so far.
    operations: usize,
    /// The power goes at this operation: it is not done, nor is anything after it.
    power_until: Option<usize>,
    /// Room in bytes, all files together.
    room: Option<usize>,
    /// Operation whose answer is an error of the medium.
    bad_sync: Option<usize>,
}

impl Disk {
    fn operation(&mut self) -> io::Result<()> {
        self.operations += 1;
        match self.power_until {
            Some(until) if self.operations > until => Err(io::Error::other("the power is gone")),
            _ => Ok(()),
        }
    }

    fn number(&self, path: &str) -> io::Result<usize> {
        let missing = || io::Error::from(io::ErrorKind::NotFound);
        self.names.get(path).copied().ok_or_else(missing)
    }

    /// The disk after the power came back.
    fn after_cut(&self, tail: Tail) -> Self {
        let (names, folders) = match tail {
            Tail::Dropped => (self.durable_names.clone(), self.durable_folders.clone()),
            _ => (self.names.clone(), self.folders.clone()),
        };
        let files = self.files.iter().map(|(durable, current)| {
            let bytes = match tail {
                Tail::NamesOnly | Tail::Dropped => durable.clone(),
                Tail::Torn if current.len() > durable.len() => {
                    current[..usize::midpoint(durable.len(), current.len())].to_vec()
                }
                Tail::Kept | Tail::Torn => current.clone(),
            };
            (bytes.clone(), bytes)
        });
        Self {
            files: files.collect(),
            durable_names: names.clone(),
            names,
            durable_folders: folders.clone(),
            folders,
            ..Self::default()
        }
    }
}

/// A handle on a [`Disk`] that outlives the writer.
#[derive(Clone, Debug, Default)]
struct Handle(Arc<Mutex<Disk>>);

impl Handle {
    fn with(disk: Disk) -> Self {
        Self(Arc::new(Mutex::new(disk)))
    }

    fn disk(&self) -> std::sync::MutexGuard<'_, Disk> {
        self.0.lock().unwrap()
    }
}

fn parent(path: &str) -> &str {
    path.rsplit_once('/').map_or("", |(folder, _)| folder)
}

impl Storage for Handle {
    fn create_folder(&mut self, folder: &str) -> io::Result<()> {
        let mut disk = self.disk();
        disk.operation()?;
        if disk.folders.insert(folder.into()) {
            Ok(())
        } else {
            Err(io::ErrorKind::AlreadyExists.into())
        }
    }

    fn create(&mut self, path: &str) -> io::Result<()> {
        let mut disk = self.disk();
        disk.operation()?;
        assert!(disk.folders.contains(parent(path)));
        if disk.names.contains_key(path) {
            return Err(io::ErrorKind::AlreadyExists.into());
        }
        disk.files.push(Default::default());
        let number = disk.files.len() - 1;
        disk.names.insert(path.into(), number);
        Ok(())
    }

    fn append(&mut self, path: &str, bytes: &[u8]) -> io::Result<()> {
        let mut disk = self.disk();
        let number = disk.number(path)?;
        if let Err(e) = disk.operation() {
            // The power went during this write: half of it was under way.
            if disk.power_until == Some(disk.operations - 1) {
                disk.files[number].1.extend(&bytes[..bytes.len() / 2]);
            }
            return Err(e);
        }
        let used: usize = disk.files.iter().map(|(_, current)| current.len()).sum();
        let room = disk
            .room
            .map_or(usize::MAX, |room| room.saturating_sub(used));
        let fits = bytes.len().min(room);
        disk.files[number].1.extend(&bytes[..fits]);
        if fits < bytes.len() {
            return Err(io::ErrorKind::StorageFull.into());
        }
        Ok(())
    }

    fn set_len(&mut self, path: &str, len: u64) -> io::Result<()> {
        let mut disk = self.disk();
        disk.operation()?;
        let number = disk.number(path)?;
        disk.files[number].1.truncate(usize::try_from(len).unwrap());
        Ok(())
    }

    fn sync(&mut self, path: &str) -> io::Result<()> {
        let mut disk = self.disk();
        disk.operation()?;
        if disk.bad_sync == Some(disk.operations) {
            return Err(io::Error::other("the medium failed"));
        }
        let number = disk.number(path)?;
        let (durable, current) = &mut disk.files[number];
        durable.clone_from(current);
        Ok(())
    }

    fn sync_folder(&mut self, folder: &str) -> io::Result<()> {
        let mut disk = self.disk();
        disk.operation()?;
        let now: BTreeMap<String, usize> = disk.names.clone();
        disk.durable_names.retain(|path, _| parent(path) != folder);
        disk.durable_names
            .extend(now.into_iter().filter(|(path, _)| parent(path) == folder));
        let folders = disk.folders.clone();
        disk.durable_folders
            .extend(folders.into_iter().filter(|f| parent(f) == folder));
        Ok(())
    }

    fn rename(&mut self, from: &str, to: &str) -> io::Result<()> {
        let mut disk = self.disk();
        disk.operation()?;
        let number = disk.number(from)?;
        disk.names.remove(from);
        disk.names.insert(to.into(), number);
        Ok(())
    }

    fn read(&self, path: &str) -> io::Result<Vec<u8>> {
        let disk = self.disk();
        if !disk.folders.contains(parent(path)) {
            return Err(io::ErrorKind::NotFound.into());
        }
        Ok(disk.files[disk.number(path)?].1.clone())
    }
}

const FOLDER: &str = "20310517T142140Z-leak-lid";
const VEHICLE: &str = "format = 1\nname = \"Plover 8\" # verbatim, with its comment\n";

fn probe(name: &str) -> ProbeMeta {
    ProbeMeta {
        name: name.into(),
        port: format!("/dev/tty-{name}"),
        identity: Some("I 0 1 pressure A1 fw1 3 12 0:Pa:0.01:0:0:65535:100:4*0000".into()),
        bare: None,
        calibrations: Vec::new(),
    }
}

fn meta() -> CaptureMeta {
    CaptureMeta {
        format: FORMAT,
        software: "feelgauge test".into(),
        test: "leak".into(),
        setup: Some("lid".into()),
        operator: Some("R. Tern".into()),
        vehicle_sha256: Some(feelgauge::record::writer::sha256(VEHICLE.as_bytes())),
        anchor: Anchor {
            host_us: 0,
            wall: "2031-05-17T14:21:40Z".parse().unwrap(),
        },
        conditions: Conditions {
            ambient_pa: Some(101_325.0),
            room_k: None,
        },
        settings: Settings {
            volume_m3: Some(133e-6),
            ..Settings::default()
        },
        probes: vec![probe("pressure-A1"), probe("force-B2")],
    }
}

/// Three and a half seconds of two probes, with an over-long line, a broken one and marks.
fn inputs() -> Vec<Input> {
    let mut inputs = Vec::new();
    for n in 0..28_u64 {
        let host_us = n * 125_000;
        let part = match n {
            9 => Part::OverLong,
            12 => Part::OverLongEnd,
            17 => Part::Torn,
            _ => Part::Whole,
        };
        let bytes = format!("S {n} 0 {host_us}\r\u{fc}\\").into_bytes();
        inputs.push(Input::Row(
            usize::from(n % 3 == 0),
            Row {
                host_us,
                bytes,
                part,
            },
        ));
        if n % 10 == 4 {
            inputs.push(Input::Mark(Mark {
                host_us,
                text: format!("phase {n}"),
            }));
        }
    }
    inputs
}

/// Records until the first error; what was kept, and whether the capture was begun and closed.
fn take(handle: &Handle) -> (Vec<Input>, bool, Result<(), RecordError>) {
    let mut kept = Vec::new();
    let mut writer = match CaptureWriter::begin(handle.clone(), &meta(), Some(VEHICLE)) {
        Ok(writer) => writer,
        Err(e) => return (kept, false, Err(e)),
    };
    for input in inputs() {
        match writer.keep(input) {
            Ok(input) => kept.push(input),
            Err(e) => return (kept, true, Err(e)),
        }
    }
    let closed = writer.close(3_500_000, "finished").map(|_| ());
    (kept, true, closed)
}

fn read(handle: &Handle) -> Result<Capture, RecordError> {
    read_capture(handle, FOLDER)
}

#[test]
fn whole_capture_is_read_back_as_it_was_kept() {
    let handle = Handle::default();
    handle.disk().folders.insert(String::new());
    let (kept, _, closed) = take(&handle);
    closed.unwrap();
    let capture = read(&handle).unwrap();
    assert_eq!(capture.meta, meta());
    assert_eq!(capture.vehicle.as_deref(), Some(VEHICLE));
    assert_eq!(capture.inputs().collect::<Vec<_>>(), kept);
    assert_eq!(capture.faults, BTreeMap::new());
    let closed = capture.closed.unwrap();
    assert_eq!(
        (closed.reason.as_str(), closed.host_us),
        ("finished", 3_500_000)
    );
    let rows: u64 = closed.files.iter().filter_map(|f| f.rows).sum();
    assert_eq!(usize::try_from(rows).unwrap(), kept.len());
    assert_eq!(
        closed.files.len(),
        5,
        "two probes, marks, vehicle, capture.toml"
    );
}

/// The power goes at an operation of the recording; whatever the disk kept of what was not synced, the folder
/// must never lie: rows a second old are there, no row is invented, and only a whole capture says that it is.
#[test]
fn power_cut_at_every_write_and_sync_costs_at_most_the_last_second() {
    let whole = Handle::default();
    take(&whole).2.unwrap();
    let operations = whole.disk().operations;
    assert!(operations > 60, "{operations} operations");
    let mut begun = 0;
    for until in 0..operations {
        let handle = Handle::with(Disk {
            power_until: Some(until),
            ..Disk::default()
        });
        let (kept, was_begun, ended) = take(&handle);
        assert!(ended.is_err(), "operation {until} fails");
        begun += usize::from(was_begun);
        for tail in [Tail::Kept, Tail::Torn, Tail::NamesOnly, Tail::Dropped] {
            let after = Handle::with(handle.disk().after_cut(tail));
            let story = format!("power cut at operation {until} of {operations}, tail {tail:?}");
            match read(&after) {
                Err(RecordError::NotACapture { .. }) => assert!(!was_begun, "{story}"),
                Err(e) => panic!("{story}: {e}"),
                Ok(capture) => assert_honest(&capture, &kept, &story),
            }
        }
    }
    assert!(begun > 30, "most cuts fall into the rows: {begun}");
}

fn assert_honest(capture: &Capture, kept: &[Input], story: &str) {
    assert_eq!(capture.meta, meta(), "{story}");
    assert_eq!(capture.vehicle.as_deref(), Some(VEHICLE), "{story}");
    let found: Vec<Input> = capture.inputs().collect();
    // The row being written at the cut may be there although its writer was never told so.
    let all = inputs_as_kept();
    for (probe, rows) in capture.rows.iter().enumerate() {
        let of_probe: Vec<&Row> = all.iter().filter_map(|i| row_of(i, probe)).collect();
        assert!(
            rows.iter().eq(of_probe[..rows.len()].iter().copied()),
            "{story}"
        );
    }
    let last_us = kept.last().map_or(0, Input::host_us);
    for input in kept
        .iter()
        .filter(|i| i.host_us() + SYNC_EVERY_US <= last_us)
    {
        assert!(found.contains(input), "{story}: {input:?} is lost");
    }
    for fault in capture.faults.keys() {
        assert_eq!(fault, "torn_tail", "{story}");
    }
    if capture.closed.is_some() {
        assert_eq!((&found, capture.faults.len()), (&all, 0), "{story}");
    }
}

fn row_of(input: &Input, of: usize) -> Option<&Row> {
    match input {
        Input::Row(probe, row) if *probe == of => Some(row),
        _ => None,
    }
}

fn inputs_as_kept() -> Vec<Input> {
    take(&Handle::default()).0
}

/// No room: the capture ends at its last whole row, and says why where there is room to say it.
#[test]
fn full_disk_closes_the_capture_at_its_last_whole_row() {
    let whole = Handle::default();
    take(&whole).2.unwrap();
    let size: usize = whole
        .disk()
        .files
        .iter()
        .map(|(_, current)| current.len())
        .sum();
    let (mut stopped, mut explained) = (0, 0);
    for room in 0..size {
        let handle = Handle::with(Disk {
            room: Some(room),
            ..Disk::default()
        });
        let (kept, begun, ended) = take(&handle);
        let message = ended.unwrap_err().to_string();
        assert!(
            message.contains("free some space"),
            "room {room}: {message}"
        );
        if !begun {
            assert!(
                matches!(read(&handle), Err(RecordError::NotACapture { .. })),
                "room {room}"
            );
            continue;
        }
        let capture = read(&handle).unwrap();
        assert_eq!(capture.inputs().collect::<Vec<_>>(), kept, "room {room}");
        assert_eq!(capture.faults, BTreeMap::new(), "room {room}");
        if kept.len() < inputs().len() {
            assert!(message.contains("last whole line"), "{message}");
            stopped += 1;
        }
        if let Some(closed) = capture.closed {
            assert!(
                closed.reason.contains("free some space"),
                "{}",
                closed.reason
            );
            explained += 1;
        }
    }
    // closed.toml is longer than a row, so on a disk that is quite full the missing file has to say it.
    assert!(stopped > 100, "{stopped} stopped, {explained} explained");
}

#[test]
fn failed_sync_stops_the_capture_and_says_so() {
    let mut explained = 0;
    for bad in 1..200 {
        let handle = Handle::with(Disk {
            bad_sync: Some(bad),
            ..Disk::default()
        });
        let (kept, begun, ended) = take(&handle);
        let Err(error) = ended else { continue };
        assert!(error.to_string().contains("the medium failed"), "{error}");
        if begun {
            let capture = read(&handle).unwrap();
            let found: Vec<Input> = capture.inputs().collect();
            assert!(found.starts_with(&kept), "{bad}");
            explained += usize::from(capture.closed.is_some_and(|c| c.reason.contains("medium")));
        }
    }
    assert!(explained > 3, "{explained}");
}

#[test]
fn second_capture_in_the_same_second_takes_the_next_name() {
    let handle = Handle::default();
    let first = CaptureWriter::begin(handle.clone(), &meta(), None).unwrap();
    let second = CaptureWriter::begin(handle, &meta(), None).unwrap();
    assert_eq!(first.folder(), FOLDER);
    assert_eq!(second.folder(), "20310517T142141Z-leak-lid");
}

#[test]
fn names_that_no_disk_takes_are_refused_before_anything_is_written() {
    for (test, setup, name) in [
        ("leak", "a/b", "pressure-A"),
        ("leak", "lid", "../up"),
        ("leak", "lid", "marks"),
        ("leak", "lid", "force-B2"),
        ("le ak", "lid", "pressure-A"),
    ] {
        let handle = Handle::default();
        let mut meta = meta();
        (meta.test, meta.setup, meta.probes[0].name) =
            (test.into(), Some(setup.into()), name.into());
        let refused = CaptureWriter::begin(handle.clone(), &meta, None).unwrap_err();
        assert!(matches!(refused, RecordError::Unfit { .. }), "{refused}");
        assert_eq!(handle.disk().operations, 0);
    }
}

#[test]
fn changed_and_missing_files_are_counted_never_fatal() {
    let base = tempfile::tempdir().unwrap();
    let mut writer =
        CaptureWriter::begin(Files::under(base.path()), &meta(), Some(VEHICLE)).unwrap();
    for input in inputs() {
        writer.keep(input).unwrap();
    }
    writer.close(4_000_000, "finished").unwrap();
    let folder = base.path().join(FOLDER);
    let disk = Files::under(base.path());
    assert_eq!(read_capture(&disk, FOLDER).unwrap().faults, BTreeMap::new());
    // The base may be the capture itself.
    assert_eq!(
        read_capture(&Files::under(&folder), "").unwrap().faults,
        BTreeMap::new()
    );

    let file = folder.join("pressure-A1.csv");
    let text = std::fs::read_to_string(&file).unwrap();
    std::fs::write(&file, text.replacen("S 1 0", "S 1 9", 1)).unwrap();
    std::fs::remove_file(folder.join("force-B2.csv")).unwrap();
    let faults = read_capture(&disk, FOLDER).unwrap().faults;
    let expected = [("changed_file", 1), ("missing_file", 1)].map(|(k, n)| (k.to_owned(), n));
    assert_eq!(faults, BTreeMap::from(expected));

    std::fs::write(folder.join("capture.toml"), "format = 1\nsoftware =\n").unwrap();
    let message = read_capture(&disk, FOLDER).unwrap_err().to_string();
    assert!(
        message.contains("capture.toml") && message.contains("line 2"),
        "{message}"
    );
}

/// What a sample capture must say: see captures/README.md.
#[derive(serde::Deserialize)]
struct Expected {
    verdict: String,
    /// Words of the finding by JSON pointer.
    words: BTreeMap<String, String>,
    /// Numbers of the finding by JSON pointer, each with its tolerance.
    numbers: BTreeMap<String, (f64, f64)>,
    /// Truth by the JSON pointer of the estimate whose 95 % interval must hold it.
    truth: BTreeMap<String, f64>,
}

#[test]
fn sample_captures_say_what_was_put_in() {
    let base = Path::new(env!("CARGO_MANIFEST_DIR")).join("captures");
    let folders = std::fs::read_dir(&base)
        .unwrap()
        .map(|entry| entry.unwrap().path());
    let mut tests = BTreeSet::new();
    // an inspection's folder lies there too
    for folder in folders.filter(|path| path.join("capture.toml").is_file()) {
        let name = folder.file_name().unwrap().to_str().unwrap();
        let capture = read_capture(&Files::under(&base), name).unwrap();
        assert_eq!(
            (&capture.faults, capture.flags().len()),
            (&BTreeMap::new(), 0),
            "{name}"
        );
        let finding = capture.analyze(Stated::default(), None).unwrap();
        let found = serde_json::to_value(&finding).unwrap();
        let text = std::fs::read_to_string(base.join(format!("{name}.expected.toml"))).unwrap();
        let expected: Expected = toml::from_str(&text).unwrap();
        tests.insert(capture.meta.test.clone());
        assert_eq!(found["refused"], serde_json::Value::Null, "{name}");
        assert_eq!(found["quality"]["faults"], serde_json::json!({}), "{name}");
        assert_eq!(found["verdict"], expected.verdict, "{name}");
        for (at, word) in &expected.words {
            assert_eq!(found.pointer(at).unwrap(), word, "{name} {at}");
        }
        let number = |at: &str| {
            found
                .pointer(at)
                .and_then(serde_json::Value::as_f64)
                .unwrap()
        };
        for (at, (value, within)) in &expected.numbers {
            assert!(
                (number(at) - value).abs() <= *within,
                "{name} {at}: {}",
                number(at)
            );
        }
        for (at, truth) in &expected.truth {
            let (lo, hi) = (number(&format!("{at}/lo95")), number(&format!("{at}/hi95")));
            assert!(
                (lo..=hi).contains(truth),
                "{name} {at}: {truth} is not in {lo}..{hi}"
            );
        }
        assert!(
            !expected.truth.is_empty() && expected.numbers.len() >= 3,
            "{name}"
        );
    }
    assert!(tests.iter().eq(["leak", "pull", "roll"]), "{tests:?}");
}

#[test]
fn a_record_read_in_another_setup_says_so() {
    let base = Path::new(env!("CARGO_MANIFEST_DIR")).join("captures");
    let capture = read_capture(&Files::under(&base), "20310517T143107Z-roll-one_fl").unwrap();
    for (setup, said) in [("one_fl", false), ("one_rl", true)] {
        let stated = Stated {
            setup: Some(setup.into()),
            ..Stated::default()
        };
        let finding = capture.analyze(stated, None).unwrap();
        let found = serde_json::to_value(&finding).unwrap();
        let flags = found["quality"]["flags"].as_array().unwrap();
        assert_eq!(flags.iter().any(|flag| flag == "other_setup"), said);
    }
}

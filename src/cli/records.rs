//! The records that a person names for a comparison: a plain sample file, a capture, or a folder of both.

use std::{
    ffi::OsStr,
    fs::{self, File},
    io::Read as _,
    path::{Path, PathBuf},
};

use super::{
    Failure,
    plan::{Record, STDIN, cannot_read},
};
use crate::{
    inspect::Test,
    record::{Files, RecordError, capture::META_FILE, plain, read_capture},
};

/// Bytes of a file that are looked at for its header; the longest header of ours has 17.
const HEADER: u64 = 4096;

/// A record of a known test, not analyzed yet.
#[derive(Debug)]
pub(super) struct Named {
    /// The record as a person would name it.
    pub source: String,
    pub test: Test,
    pub record: Record,
}

/// The records under a path: of a folder that is no capture, its captures and `.csv` files in the order of their
/// names; files and folders of other kinds are left alone.
///
/// # Errors
/// Something that cannot be read, a `.csv` file of no known header, a folder without records.
pub(super) fn under(path: &Path) -> Result<Vec<Named>, Failure> {
    if path.as_os_str() == STDIN {
        return Err(Failure::Usage(
            "-: two sides cannot both come from standard input; name files".into(),
        ));
    }
    let about = fs::metadata(path).map_err(|e| cannot_read(path, &e))?;
    if !about.is_dir() {
        return Ok(vec![plain_file(path)?]);
    }
    if is_capture(path) {
        return Ok(vec![capture(path)?]);
    }
    let mut records = Vec::new();
    for entry in entries(path)? {
        let is_dir = fs::metadata(&entry).is_ok_and(|about| about.is_dir());
        if is_dir && is_capture(&entry) {
            records.push(capture(&entry)?);
        } else if !is_dir && is_table(&entry) {
            records.push(plain_file(&entry)?);
        }
    }
    if records.is_empty() {
        return Err(Failure::Work(format!(
            "{}: holds no capture and no .csv file{}",
            path.display(),
            deeper(path)
        )));
    }
    Ok(records)
}

/// What a folder holds, in the order of the names; hidden files are no records.
fn entries(folder: &Path) -> Result<Vec<PathBuf>, Failure> {
    let fail = |e| cannot_read(folder, &e);
    let mut paths = Vec::new();
    for entry in fs::read_dir(folder).map_err(fail)? {
        let path = entry.map_err(fail)?.path();
        let hidden = |name: &OsStr| name.to_string_lossy().starts_with('.');
        if !path.file_name().is_some_and(hidden) {
            paths.push(path);
        }
    }
    paths.sort();
    Ok(paths)
}

fn is_capture(folder: &Path) -> bool {
    folder.join(META_FILE).symlink_metadata().is_ok()
}

fn is_table(file: &Path) -> bool {
    file.extension()
        .is_some_and(|e| e.eq_ignore_ascii_case("csv"))
}

/// Where the records are when they are one folder further down, as in a demo's folder.
fn deeper(folder: &Path) -> String {
    let inside = |path: &PathBuf| {
        entries(path).is_ok_and(|e| e.iter().any(|e| is_capture(e) || is_table(e)))
    };
    let below = entries(folder)
        .ok()
        .and_then(|e| e.into_iter().find(inside));
    below.map_or_else(
        || "; name the folder of a capture, a plain sample file, or a folder of them".into(),
        |below| format!("; did you mean {}?", below.display()),
    )
}

/// One record: the folder of a capture, or a plain sample file.
///
/// # Errors
/// It cannot be read, or it is neither.
pub(super) fn one(path: &Path) -> Result<Named, Failure> {
    let about = fs::metadata(path).map_err(|e| cannot_read(path, &e))?;
    if about.is_dir() {
        capture(path)
    } else {
        plain_file(path)
    }
}

/// The capture in a folder.
fn capture(folder: &Path) -> Result<Named, Failure> {
    let source = folder.display().to_string();
    let capture = read_capture(&Files::under(folder), "").map_err(|e| match e {
        RecordError::NotACapture { .. } => Failure::Work(format!(
            "{source}: this folder is no capture: it has no capture.toml; name the folder of a capture"
        )),
        e => Failure::Work(format!("{source}: {e}")),
    })?;
    let test = capture
        .test()
        .map_err(|e| Failure::Work(format!("{source}: {e}")))?;
    Ok(Named {
        source,
        test,
        record: Record::Capture(Box::new(capture)),
    })
}

/// A plain sample file; its header says of which test it is.
fn plain_file(path: &Path) -> Result<Named, Failure> {
    let mut start = Vec::new();
    File::open(path)
        .and_then(|file| file.take(HEADER).read_to_end(&mut start))
        .map_err(|e| cannot_read(path, &e))?;
    let source = path.display().to_string();
    let test = plain::test_of_file(&start).map_err(|e| Failure::Work(format!("{source}:{e}")))?;
    Ok(Named {
        source,
        test,
        record: Record::Plain(path.into()),
    })
}

//! `--plot FILE`: the pictures of a result as a file.

use std::{
    ffi::OsStr,
    fs::OpenOptions,
    io::{self, Write as _},
    path::{Path, PathBuf},
};

use super::{Failure, plan::words};
use crate::report::plot::png;

/// Pixels of a PNG for each unit of the drawing: as sharp as a good screen shows it.
const PIXELS_PER_UNIT: f32 = 2.0;

/// How pictures are kept.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Kind {
    Svg,
    Png,
}

/// A file that pictures go to; it does not exist yet.
#[derive(Clone, Debug)]
pub(super) struct PlotFile {
    path: PathBuf,
    kind: Kind,
}

impl PlotFile {
    /// Checks the name before any work is done.
    ///
    /// # Errors
    /// An ending that says no known kind, or a file that exists.
    pub(super) fn new(path: &Path) -> Result<Self, Failure> {
        let ending = path.extension().and_then(OsStr::to_str);
        let is = |word: &str| ending.is_some_and(|e| e.eq_ignore_ascii_case(word));
        let kind = match () {
            () if is("svg") => Kind::Svg,
            () if is("png") => Kind::Png,
            () => {
                return Err(Failure::Usage(format!(
                    "--plot {}: the ending says which kind of picture; accepted: .svg, .png",
                    path.display()
                )));
            }
        };
        if path.symlink_metadata().is_ok() {
            return Err(exists(path));
        }
        Ok(Self {
            path: path.to_owned(),
            kind,
        })
    }

    /// Writes a sheet, an SVG that stands alone.
    ///
    /// # Errors
    /// The file cannot be written; the message names it.
    pub(super) fn write(&self, sheet: &str) -> Result<(), Failure> {
        let path = self.path.display();
        let drawn;
        let bytes = match self.kind {
            Kind::Svg => sheet.as_bytes(),
            Kind::Png => {
                drawn = png(sheet, PIXELS_PER_UNIT).map_err(|e| {
                    Failure::Work(format!("{path}: {e}; name a file that ends with .svg"))
                })?;
                &drawn
            }
        };
        let made = OpenOptions::new()
            .write(true)
            .create_new(true)
            .open(&self.path);
        made.and_then(|mut file| file.write_all(bytes))
            .map_err(|e| match e.kind() {
                io::ErrorKind::AlreadyExists => exists(&self.path),
                io::ErrorKind::NotFound => {
                    Failure::Work(format!("{path}: the folder does not exist; make it first"))
                }
                _ => Failure::Work(format!(
                    "{path}: cannot be written: {}; name another file with --plot",
                    words(&e)
                )),
            })
    }
}

fn exists(path: &Path) -> Failure {
    Failure::Usage(format!(
        "{}: exists already and is left alone; name another file with --plot",
        path.display()
    ))
}

//! `report`: an inspection as a PDF and as a page, with the digest by which the other side finds out whether it is whole.

mod gather;

use std::{
    fmt::Write as _,
    fs::{self, File},
    io::Write as _,
    path::{Path, PathBuf},
};

use clap::{Args, ValueEnum};
use schemars::JsonSchema;
use serde::Serialize;

use super::{
    DONE, Failure, Outcome, Output, progress::Progress, seal::cannot, tree::not_in_a_seal,
};
use crate::{
    inspection::{Folder, REPORT},
    report::document::{
        self, Document,
        build::{CONTENTS, Inspected, Proof, build},
        groups, html, pdf,
    },
};

/// The report for paper.
pub(super) const PDF: &str = "report.pdf";
/// The report for a screen.
pub(super) const PAGE: &str = "report.html";

/// `report`.
#[derive(Args, Clone, Debug)]
pub struct ReportArgs {
    /// Folder of an inspection, open or sealed.
    #[arg(value_name = "INSPECTION")]
    pub inspection: PathBuf,
    /// Folder to write to. Default: report/ in the inspection, where an earlier report is replaced; a sealed inspection
    /// needs one outside of the seal.
    #[arg(long, value_name = "DIR")]
    pub out: Option<PathBuf>,
    /// Size of a sheet.
    #[arg(long, value_name = "SIZE", value_enum, default_value_t = Sheet::A4)]
    pub paper: Sheet,
}

/// Sizes of a sheet.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub enum Sheet {
    /// 210 mm times 297 mm.
    A4,
    /// 8.5 in times 11 in.
    Letter,
}

impl From<Sheet> for document::Paper {
    fn from(sheet: Sheet) -> Self {
        match sheet {
            Sheet::A4 => Self::A4,
            Sheet::Letter => Self::Letter,
        }
    }
}

/// Result of `report`.
#[derive(Clone, Debug, Serialize, JsonSchema)]
pub(super) struct ReportResult {
    /// Folder written to.
    out: String,
    /// Names of the files.
    files: Vec<String>,
    /// File whose digest stands on the paper: the list of the inspection's files, or what the seal signs.
    digest_of: String,
    /// That digest.
    sha256: String,
    /// Captures with a finding in the report.
    findings: u64,
    /// Captures that could not be read.
    unreadable: u64,
    /// Recorded findings and comparisons that are not what their lines give.
    differing: u64,
    /// Whether the seal holds now; null when the inspection is open.
    seal_holds: Option<bool>,
}

/// Runs `report`.
pub(super) fn run(args: &ReportArgs, output: &mut Output) -> Outcome {
    let mut progress = Progress::stderr();
    let result = write(
        &args.inspection,
        args.out.as_deref(),
        args.paper.into(),
        &mut |words| progress.show(words),
    );
    progress.clear();
    let result = result?;
    output.result(&result, |_| text(&result))?;
    Ok(DONE)
}

/// Writes the report of an inspection; the files replace those of an earlier one, each by rename.
///
/// # Errors
/// What is no inspection, a sealed one without a place outside of it, what the disk says.
pub(super) fn write(
    inspection: &Path,
    out: Option<&Path>,
    paper: document::Paper,
    show: &mut dyn FnMut(&str),
) -> Result<ReportResult, Failure> {
    let folder = Folder::open(inspection).map_err(|e| Failure::Work(e.to_string()))?;
    let to = place(&folder, inspection, out)?;
    let own = out.is_none();
    show("report: measuring the captures again ...");
    let inspected = gather::inspected(&folder, own)?;
    show("report: drawing ...");
    let document = build(&inspected);
    let files = files(&document, &inspected, paper)?;
    fs::create_dir_all(&to).map_err(|e| cannot("make", &to, &e))?;
    for (name, bytes) in &files {
        replace(&to.join(name), bytes)?;
    }
    Ok(result(&to, &inspected, &files))
}

/// The folder to write to.
fn place(folder: &Folder, named: &Path, out: Option<&Path>) -> Result<PathBuf, Failure> {
    let Some(out) = out else {
        if folder.sealed().is_some() {
            return Err(Failure::Usage(format!(
                "{}: is sealed, and nothing is written into it any more; name a folder outside of it with --out DIR",
                named.display()
            )));
        }
        return Ok(folder.base().join(REPORT));
    };
    not_in_a_seal(out)?;
    for name in [PDF, PAGE, CONTENTS] {
        let file = out.join(name);
        if file.symlink_metadata().is_ok() {
            return Err(Failure::Usage(format!(
                "--out {}: holds a {name} already; name a folder without one",
                out.display()
            )));
        }
    }
    Ok(out.into())
}

fn files(
    document: &Document,
    inspected: &Inspected,
    paper: document::Paper,
) -> Result<Vec<(&'static str, Vec<u8>)>, Failure> {
    let pdf = pdf(document, paper).map_err(|e| Failure::Work(format!("{PDF}: {e}")))?;
    let mut files = vec![(PDF, pdf), (PAGE, html(document).into_bytes())];
    if let Proof::Open { contents, .. } = &inspected.proof {
        files.push((CONTENTS, contents.clone().into_bytes()));
    }
    Ok(files)
}

/// A whole new file or the old one, whatever happens.
fn replace(path: &Path, bytes: &[u8]) -> Result<(), Failure> {
    let mut part = path.as_os_str().to_owned();
    part.push(".part");
    let part = PathBuf::from(part);
    let written = File::create(&part).and_then(|mut file| {
        file.write_all(bytes)?;
        file.sync_all()
    });
    written
        .and_then(|()| fs::rename(&part, path))
        .map_err(|e| cannot("write", path, &e))
}

fn result(to: &Path, inspected: &Inspected, files: &[(&'static str, Vec<u8>)]) -> ReportResult {
    let unreadable = inspected
        .captures
        .iter()
        .filter(|c| c.read.is_err())
        .count();
    ReportResult {
        out: to.display().to_string(),
        files: files.iter().map(|(name, _)| (*name).to_owned()).collect(),
        digest_of: inspected.proof.file().to_owned(),
        sha256: inspected.proof.sha256().to_owned(),
        findings: (inspected.captures.len() - unreadable) as u64,
        unreadable: unreadable as u64,
        differing: inspected.differing() as u64,
        seal_holds: match &inspected.proof {
            Proof::Open { .. } => None,
            Proof::Sealed { verified, .. } => Some(verified.holds),
        },
    }
}

fn text(result: &ReportResult) -> String {
    let mut text = format!("Wrote {} to {}\n", result.files.join(", "), result.out);
    let _ = writeln!(
        text,
        "Digest of {}:\n  sha256 {}",
        result.digest_of,
        groups(&result.sha256)
    );
    if result.unreadable > 0 {
        let _ = writeln!(
            text,
            "{} could not be read; the report says why.",
            crate::report::count(result.unreadable, "capture")
        );
    }
    if result.differing > 0 {
        let _ = writeln!(
            text,
            "{} differing from what the lines give; the report says where.",
            crate::report::count(result.differing, "recorded result")
        );
    }
    if result.seal_holds == Some(false) {
        text.push_str("The seal does not hold; feelgauge verify says what differs.\n");
    }
    text
}

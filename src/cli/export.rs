//! `export`: readings and findings for other programs.

mod gather;
mod write;

use std::{
    fs, io,
    path::{Path, PathBuf},
};

use clap::{Args, ValueEnum};
use schemars::JsonSchema;
use serde::Serialize;

use super::{
    DONE, FAILED, Failure, Outcome, Output, plan::cannot_read, progress::Progress, say,
    tree::not_in_a_seal,
};
use crate::{
    report::export::{SCHEMA_VERSION, columns},
    units::count,
};

/// `export`.
#[derive(Args, Clone, Debug)]
pub struct ExportArgs {
    /// Inspections, open or sealed; captures; folders of captures.
    #[arg(value_name = "PATH", required_unless_present = "schema")]
    pub paths: Vec<PathBuf>,
    /// Folder to write to; it must not exist, or be empty.
    #[arg(long, value_name = "DIR", required_unless_present = "schema")]
    pub out: Option<PathBuf>,
    /// What to write; may be given several times. Default: all three.
    #[arg(long, value_name = "FORMAT", value_enum)]
    pub format: Vec<Format>,
    /// Print the tables with their columns, types and units, and nothing else.
    #[arg(long, conflicts_with_all = ["paths", "out", "format"])]
    pub schema: bool,
}

/// What can be written.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub enum Format {
    /// Readings: csv/CAPTURE/TEST.csv, which `analyze` reads, and a file for every other channel.
    Csv,
    /// Findings and comparisons, one a line: findings.jsonl.
    Jsonl,
    /// Readings and findings for query engines: readings/day=.../test=.../, findings/day=.../test=.../.
    Parquet,
}

/// Result of `export`.
#[derive(Clone, Debug, Serialize, JsonSchema)]
pub struct ExportResult {
    /// Folder written to.
    pub out: String,
    /// Version of the tables' layout.
    pub schema_version: u32,
    /// The captures, in the order of PATH and of their names.
    pub captures: Vec<ExportedCapture>,
    /// Findings written; a capture that gives none counts too, with the reason.
    pub findings: u64,
    /// Comparisons written.
    pub comparisons: u64,
    /// The files, in the order of their names.
    pub files: Vec<ExportedFile>,
    /// What could not be exported.
    pub left_out: Vec<LeftOut>,
}

/// One capture.
#[derive(Clone, Debug, Serialize, JsonSchema)]
pub struct ExportedCapture {
    /// Its name in the exported files; of two captures of one name the second has `-2` behind it.
    pub name: String,
    /// Its folder.
    pub source: String,
    /// Its digest: of what `sha256sum *` prints in its folder.
    pub sha256: String,
    /// `leak`, `pull` or `roll`.
    pub test: String,
    /// Day, UTC.
    pub day: String,
    /// What its probes indicated.
    pub readings: u64,
    /// How many of them counted.
    pub counted: u64,
    /// Faults of link and record by kind.
    pub faults: std::collections::BTreeMap<String, u64>,
}

/// One file.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, JsonSchema)]
pub struct ExportedFile {
    /// Path in the folder.
    pub path: String,
    /// Rows or lines, headers not counted.
    pub rows: u64,
}

/// Something that could not be exported.
#[derive(Clone, Debug, Serialize, JsonSchema)]
pub struct LeftOut {
    /// Where it is.
    pub path: String,
    /// Why, and what to do.
    pub why: String,
}

/// Runs `export`.
pub(super) fn run(args: &ExportArgs, output: &mut Output) -> Outcome {
    let Some(out) = args.out.as_deref().filter(|_| !args.schema) else {
        let tables = columns::tables();
        output.result(&tables, |_| schema(&tables))?;
        return Ok(DONE);
    };
    free(out, &args.paths)?;
    let mut progress = Progress::stderr();
    let gathered = gather::gather(&args.paths, &mut progress)?;
    fs::create_dir_all(out).map_err(|e| write::cannot_write(out, &e))?;
    let result = write::all(gathered, out, &formats(&args.format), &mut progress)?;
    progress.clear();
    for left in &result.left_out {
        say(&format!("{}: left out: {}", left.path, left.why));
    }
    output.result(&result, |_| text(&result))?;
    Ok(if result.left_out.is_empty() {
        DONE
    } else {
        FAILED
    })
}

fn formats(asked: &[Format]) -> Vec<Format> {
    if asked.is_empty() {
        Format::value_variants().to_vec()
    } else {
        asked.to_vec()
    }
}

/// The folder to write to holds nothing and lies in nothing that is read.
fn free(out: &Path, paths: &[PathBuf]) -> Result<(), Failure> {
    let name = out.display();
    match fs::read_dir(out) {
        Ok(mut entries) => {
            if entries.next().is_some() {
                return Err(Failure::Usage(format!(
                    "--out {name}: exists already and is not empty; nothing is overwritten: name another folder"
                )));
            }
        }
        Err(e) if e.kind() == io::ErrorKind::NotFound => {}
        Err(e) if e.kind() == io::ErrorKind::NotADirectory => {
            return Err(Failure::Usage(format!(
                "--out {name}: is no folder; name one that does not exist"
            )));
        }
        Err(e) => return Err(cannot_read(out, &e)),
    }
    not_in_a_seal(out)?;
    let real = |path: &Path| {
        let path = std::path::absolute(path).ok()?;
        let up = path.ancestors().find(|up| up.exists())?;
        let rest = path.strip_prefix(up).ok()?;
        Some(up.canonicalize().ok()?.join(rest))
    };
    let at = real(out);
    for path in paths {
        if let (Some(at), Ok(path_at)) = (&at, path.canonicalize())
            && at.starts_with(&path_at)
        {
            return Err(Failure::Usage(format!(
                "--out {name}: lies in {}, which is exported; name a folder outside of it",
                path.display()
            )));
        }
    }
    Ok(())
}

fn text(result: &ExportResult) -> String {
    use std::fmt::Write as _;
    let readings: u64 = result.captures.iter().map(|c| c.readings).sum();
    let mut text = String::new();
    // a String takes every write
    let _ = writeln!(
        text,
        "{}: {} with {}, {}, {} in {}",
        result.out,
        count(result.captures.len() as u64, "capture"),
        count(readings, "reading"),
        count(result.findings, "finding"),
        count(result.comparisons, "comparison"),
        count(result.files.len() as u64, "file")
    );
    for capture in &result.captures {
        let faults: u64 = capture.faults.values().sum();
        let faults = match faults {
            0 => String::new(),
            n => format!(", {}", count(n, "fault")),
        };
        let _ = writeln!(
            text,
            "  {}: {}, {} counted{faults}",
            capture.name,
            count(capture.readings, "reading"),
            capture.counted
        );
    }
    let _ = writeln!(text, "what the columns mean: feelgauge export --schema");
    text
}

/// The tables for a person.
fn schema(tables: &columns::TablesResult) -> String {
    use std::fmt::Write as _;
    let mut text = String::new();
    let _ = writeln!(
        text,
        "Tables of feelgauge export, version {SCHEMA_VERSION}. What is not known is null (Parquet, JSON) or empty (CSV)."
    );
    for table in &tables.tables {
        let _ = writeln!(text, "\n{}: a row is {}", table.name, table.row);
        let rows = table
            .partitions
            .iter()
            .map(|c| (c, "folder's name"))
            .chain(table.columns.iter().map(|c| (c, c.kind.parquet())));
        let rows: Vec<_> = rows.collect();
        let name = rows.iter().map(|(c, _)| c.name.len()).max().unwrap_or(0);
        for (column, kind) in rows {
            let unit = if column.unit.is_empty() {
                String::new()
            } else {
                format!(" [{}]", column.unit)
            };
            let _ = writeln!(
                text,
                "  {:name$}  {kind:22}  {}{unit}",
                column.name, column.words
            );
        }
    }
    text
}

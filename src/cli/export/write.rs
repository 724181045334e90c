//! Writes what was gathered.

use std::{
    collections::BTreeMap,
    fs::{self, File},
    io::{self, BufWriter},
    path::Path,
};

use jiff::civil::Date;
use serde_json::Value;

use super::{
    ExportResult, ExportedCapture, ExportedFile, Format, LeftOut,
    gather::{Gathered, Source, Visit},
};
use crate::{
    cli::{Failure, plan::cannot_read, progress::Progress, tree::Disk},
    evidence::{captures, tree::ReadOnly},
    inspect::{Fate, Indication, Test},
    reading::SOFTWARE,
    record::read_capture,
    report::export::{
        Found, Origin, ReadingRow, SCHEMA_VERSION,
        csv::Csv,
        day_of_name, finding,
        parquet::Parquet,
        reading::{self, follow},
    },
};

/// Readings between two looks at the progress.
const SHOWN_EVERY: u64 = 1 << 16;

/// Writes all of it into `out`.
///
/// # Errors
/// What cannot be written; a record that cannot be read to its end.
pub(super) fn all(
    gathered: Gathered,
    out: &Path,
    formats: &[Format],
    progress: &mut Progress,
) -> Result<ExportResult, Failure> {
    let mut export = Export {
        out,
        formats,
        result: ExportResult {
            out: out.display().to_string(),
            schema_version: SCHEMA_VERSION,
            captures: Vec::new(),
            findings: 0,
            comparisons: 0,
            files: Vec::new(),
            left_out: gathered.left_out,
        },
    };
    let of_all = gathered.sources.len();
    for (n, source) in gathered.sources.iter().enumerate() {
        let tag = source.visit.and_then(|v| gathered.visits[v].tag.as_deref());
        let head = format!("{} of {of_all}: {}", n + 1, source.name);
        export.readings(source, tag, &head, progress)?;
    }
    let mut found = Vec::new();
    if export.has(Format::Jsonl) || export.has(Format::Parquet) {
        for (n, source) in gathered.sources.iter().enumerate() {
            progress.show(&format!("finding {} of {of_all}: {}", n + 1, source.name));
            let visit = source.visit.map(|v| &gathered.visits[v]);
            found.push((source.label.clone(), source.day, found_of(source, visit)));
        }
        export.result.findings = found.len() as u64;
        for visit in &gathered.visits {
            export.comparisons(visit, &gathered.sources, &mut found);
        }
        export.result.comparisons = found.len() as u64 - export.result.findings;
    }
    export.lines(&found)?;
    export.tables(&found)?;
    export.result.files.sort();
    Ok(export.result)
}

/// An export under way.
struct Export<'a> {
    out: &'a Path,
    formats: &'a [Format],
    result: ExportResult,
}

/// A finding or a comparison with its name in the exported files and its day.
type Named = (String, Date, Found);

/// Message of a file that cannot be written.
pub(super) fn cannot_write(path: &Path, e: &io::Error) -> Failure {
    Failure::Work(format!(
        "{}: cannot be written: {e}; what the export wrote so far is not complete",
        path.display()
    ))
}

impl Export<'_> {
    fn has(&self, format: Format) -> bool {
        self.formats.contains(&format)
    }

    /// A new file.
    fn create(&self, path: &str) -> io::Result<BufWriter<File>> {
        let path = self.out.join(path);
        if let Some(folder) = path.parent() {
            fs::create_dir_all(folder)?;
        }
        File::create_new(path).map(BufWriter::new)
    }

    fn written(&mut self, path: String, rows: u64) {
        self.result.files.push(ExportedFile { path, rows });
    }

    /// The readings of a capture.
    fn readings(
        &mut self,
        source: &Source,
        tag: Option<&str>,
        head: &str,
        progress: &mut Progress,
    ) -> Result<(), Failure> {
        let meta = &source.about.meta;
        let origin = Origin::new(&source.name, &source.sha256, tag, meta);
        let mut sinks = self.sinks(source)?;
        let (mut seen, mut counted) = (0_u64, 0_u64);
        progress.show(&format!("readings {head}"));
        let quality = follow(&Disk::at(&source.folder), &source.about, &mut |one| {
            seen += 1;
            counted += u64::from(one.fate == Fate::Counted);
            if seen % SHOWN_EVERY == 0 {
                progress.show(&format!("readings {head}, {seen}"));
            }
            sinks.push(&ReadingRow {
                origin: &origin,
                seen: one,
            })
        });
        let quality = quality.map_err(|e| match e.kind() {
            io::ErrorKind::InvalidData | io::ErrorKind::NotFound => cannot_read(&source.folder, &e),
            _ => cannot_write(self.out, &e),
        })?;
        let files = sinks.finish().map_err(|e| cannot_write(self.out, &e))?;
        self.result.files.extend(files);
        self.result.captures.push(ExportedCapture {
            name: source.label.clone(),
            source: source.folder.display().to_string(),
            sha256: source.sha256.clone(),
            test: meta.test.clone(),
            day: source.day.to_string(),
            readings: seen,
            counted,
            faults: quality.faults,
        });
        Ok(())
    }

    fn sinks(&self, source: &Source) -> Result<Sinks<'_>, Failure> {
        let fail = |e: io::Error| cannot_write(self.out, &e);
        let test = &source.about.meta.test;
        let kind = Test::from_word(test).expect("it was looked at when the capture was read");
        let folder = format!("csv/{}", source.label);
        let csv = if self.has(Format::Csv) {
            let path = format!("{folder}/{test}.csv");
            let sink = self.create(&path).map_err(fail)?;
            let file = Csv::new(sink, reading::plain_columns(kind)).map_err(fail)?;
            Some((path, file))
        } else {
            None
        };
        let parquet = if self.has(Format::Parquet) {
            let path = partition("readings", source.day, test, &source.label);
            let sink = self.create(&path).map_err(fail)?;
            let mut facts = facts();
            facts.push(("feelgauge.capture", source.name.clone()));
            facts.push(("feelgauge.capture_sha256", source.sha256.clone()));
            let file = Parquet::new(sink, "readings", &reading::columns(), &facts);
            Some((path, file.map_err(fail)?))
        } else {
            None
        };
        Ok(Sinks {
            export: self,
            folder,
            csv,
            others: BTreeMap::new(),
            parquet,
        })
    }

    /// The comparisons of an inspection, a row for each test and setup.
    fn comparisons(&mut self, visit: &Visit, sources: &[Source], found: &mut Vec<Named>) {
        for name in &visit.comparisons {
            match comparison(visit, name, sources) {
                Ok(rows) => found.extend(rows),
                Err(why) => self.result.left_out.push(LeftOut {
                    path: visit
                        .root
                        .join(captures::FINDINGS)
                        .join(name)
                        .display()
                        .to_string(),
                    why,
                }),
            }
        }
    }

    fn lines(&mut self, found: &[Named]) -> Result<(), Failure> {
        if !self.has(Format::Jsonl) {
            return Ok(());
        }
        let path = "findings.jsonl";
        let write = || -> io::Result<()> {
            use io::Write as _;
            let mut sink = self.create(path)?;
            for (_, _, found) in found {
                sink.write_all(finding::line(found).as_bytes())?;
            }
            sink.flush()
        };
        write().map_err(|e| cannot_write(&self.out.join(path), &e))?;
        self.written(path.into(), found.len() as u64);
        Ok(())
    }

    /// Findings as Parquet: one file a capture or comparison in its day and test.
    fn tables(&mut self, found: &[Named]) -> Result<(), Failure> {
        if !self.has(Format::Parquet) {
            return Ok(());
        }
        let mut files: BTreeMap<String, Vec<&Found>> = BTreeMap::new();
        for (label, day, found) in found {
            let path = partition("findings", *day, &found.test, label);
            files.entry(path).or_default().push(found);
        }
        let columns = finding::Columns::default();
        for (path, rows) in files {
            let write = || -> io::Result<u64> {
                let mut facts = facts();
                if let [one] = rows.as_slice()
                    && let (Some(capture), Some(sha256)) = (&one.capture, &one.capture_sha256)
                {
                    facts.push(("feelgauge.capture", capture.clone()));
                    facts.push(("feelgauge.capture_sha256", sha256.clone()));
                }
                let sink = self.create(&path)?;
                let mut file = Parquet::new(sink, "findings", &columns.columns(), &facts)?;
                for row in &rows {
                    file.push(columns.cells(row))?;
                }
                file.finish()
            };
            let rows = write().map_err(|e| cannot_write(&self.out.join(&path), &e))?;
            self.written(path, rows);
        }
        Ok(())
    }
}

fn partition(table: &str, day: Date, test: &str, label: &str) -> String {
    format!("{table}/day={day}/test={test}/{label}.parquet")
}

fn facts() -> Vec<(&'static str, String)> {
    vec![
        ("feelgauge.software", SOFTWARE.into()),
        ("feelgauge.schema_version", SCHEMA_VERSION.to_string()),
    ]
}

/// A CSV file on the disk, with its path in the folder.
type OpenCsv = (String, Csv<BufWriter<File>>);

/// The files that the readings of one capture go to.
struct Sinks<'a> {
    export: &'a Export<'a>,
    folder: String,
    csv: Option<OpenCsv>,
    /// What did not count, by probe and channel.
    others: BTreeMap<(usize, u8), OpenCsv>,
    parquet: Option<(String, Parquet<BufWriter<File>>)>,
}

impl Sinks<'_> {
    fn push(&mut self, row: &ReadingRow) -> io::Result<()> {
        if let Some((_, parquet)) = &mut self.parquet {
            parquet.push(reading::cells(row))?;
        }
        let Some((_, csv)) = &mut self.csv else {
            return Ok(());
        };
        if row.seen.fate == Fate::Counted {
            return csv.push(row);
        }
        let place = (row.seen.probe, row.seen.channel);
        if let Some((_, other)) = self.others.get_mut(&place) {
            return other.push(row);
        }
        let (path, mut other) = self.other(row.origin, row.seen)?;
        other.push(row)?;
        self.others.insert(place, (path, other));
        Ok(())
    }

    /// A new file for a channel whose readings do not count.
    fn other(&self, origin: &Origin, seen: &Indication) -> io::Result<OpenCsv> {
        let probe = &origin.probes[seen.probe];
        let path = format!("{}/{probe}-{}.csv", self.folder, seen.channel);
        let file = Csv::new(
            self.export.create(&path)?,
            reading::other_columns(seen.unit),
        )?;
        Ok((path, file))
    }

    fn finish(self) -> io::Result<Vec<ExportedFile>> {
        let mut files = Vec::new();
        for (path, file) in self.csv.into_iter().chain(self.others.into_values()) {
            let rows = file.finish()?;
            files.push(ExportedFile { path, rows });
        }
        if let Some((path, file)) = self.parquet {
            let rows = file.finish()?;
            files.push(ExportedFile { path, rows });
        }
        Ok(files)
    }
}

/// The finding of a capture: the recorded one, else worked out now.
fn found_of(source: &Source, visit: Option<&Visit>) -> Found {
    let meta = &source.about.meta;
    let recorded = visit.map_or(Ok(None), |visit| visit.recorded(&source.name));
    let is_recorded = !matches!(recorded, Ok(None));
    let finding = recorded.and_then(|found| found.map_or_else(|| worked_out(source), Ok));
    let (finding, why_not) = match finding {
        Ok(finding) => (Some(finding), None),
        Err(why) => (None, Some(why)),
    };
    Found {
        kind: "finding",
        capture: Some(source.name.clone()),
        capture_sha256: Some(source.sha256.clone()),
        comparison: None,
        before: Vec::new(),
        after: Vec::new(),
        inspection: visit.and_then(|visit| visit.tag.clone()),
        started: Some(meta.anchor.wall.as_microsecond()),
        test: meta.test.clone(),
        setup: meta.setup.clone(),
        stage: visit.and_then(|visit| visit.stages.get(&source.name).cloned()),
        recorded: is_recorded,
        why_not,
        software: software(finding.as_ref()),
        not_compared: None,
        finding,
    }
}

fn software(finding: Option<&Value>) -> Option<String> {
    Some(finding?.get("software")?.as_str()?.to_owned())
}

/// # Errors
/// In words, why there is no finding.
fn worked_out(source: &Source) -> Result<Value, String> {
    let disk = Disk::at(&source.folder);
    let storage = ReadOnly {
        tree: &disk,
        base: "",
    };
    let capture = read_capture(&storage, "").map_err(|e| e.to_string())?;
    let finding = captures::finding(&capture)?;
    Ok(serde_json::to_value(&finding).expect("results have string keys"))
}

/// Rows of one recorded comparison.
///
/// # Errors
/// In words, why it cannot be exported.
fn comparison(visit: &Visit, name: &str, sources: &[Source]) -> Result<Vec<Named>, String> {
    let mut value = visit.recorded(name)?.unwrap_or(Value::Null);
    let of = visit.compared(name)?;
    let last = of.after.last().or(of.before.last());
    let source = sources
        .iter()
        .find(|source| source.folder.starts_with(&visit.root) && Some(&source.name) == last);
    let day = source
        .map(|source| source.day)
        .or_else(|| day_of_name(last?))
        .ok_or("its .toml names no capture that is here")?;
    let not_compared = value
        .get("not_compared")
        .filter(|left| left.as_array().is_some_and(|left| !left.is_empty()))
        .cloned();
    let each = match value.get_mut("comparisons").map(Value::take) {
        Some(Value::Array(each)) => each,
        _ => vec![value],
    };
    let row = |finding: Value| {
        let word = |key: &str| Some(finding.get(key)?.as_str()?.to_owned());
        let test = word("test").ok_or("it says of no test")?;
        if Test::from_word(&test).is_none() {
            return Err(format!(
                "it is of a test {test:?}, which this version does not know"
            ));
        }
        let found = Found {
            kind: "comparison",
            capture: None,
            capture_sha256: None,
            comparison: Some(name.into()),
            before: of.before.clone(),
            after: of.after.clone(),
            inspection: visit.tag.clone(),
            started: source.map(|source| source.about.meta.anchor.wall.as_microsecond()),
            test,
            setup: word("setup"),
            stage: None,
            recorded: true,
            why_not: None,
            software: software(Some(&finding)),
            not_compared: not_compared.clone(),
            finding: Some(finding),
        };
        Ok((format!("{}-{name}", visit.label), day, found))
    };
    each.into_iter().map(row).collect()
}

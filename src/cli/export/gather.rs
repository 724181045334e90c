//! What is to be exported: captures and comparisons under the paths that a person named.

use std::{
    collections::{BTreeMap, BTreeSet},
    fmt::Write as _,
    fs, io,
    path::{Path, PathBuf},
};

use jiff::civil::Date;
use serde_json::Value;

use super::LeftOut;
use crate::{
    cli::{Failure, plan::cannot_read, progress::Progress, tree::Disk},
    evidence::{
        EntryKind, Tree as _,
        captures::{self, CAPTURES, FINDINGS},
        journal,
        tree::{MAX_TABLE, MAX_TAG, ReadOnly, digests, read},
    },
    inspection::OPENING,
    record::{
        Capture,
        capture::{META_FILE, is_safe_name},
        read_about,
        writer::sha256,
    },
    report::export::{day, safe_name},
};

/// Everything that is to be exported.
#[derive(Debug, Default)]
pub(super) struct Gathered {
    pub sources: Vec<Source>,
    pub visits: Vec<Visit>,
    pub left_out: Vec<LeftOut>,
}

/// One capture.
#[derive(Debug)]
pub(super) struct Source {
    /// Its name in the exported files, of no other capture.
    pub label: String,
    /// Name of its folder.
    pub name: String,
    pub folder: PathBuf,
    /// Everything but its rows.
    pub about: Capture,
    pub sha256: String,
    pub day: Date,
    /// Place in [`Gathered::visits`].
    pub visit: Option<usize>,
}

/// One inspection.
#[derive(Debug)]
pub(super) struct Visit {
    /// Folder of the inspection itself; of a sealed one `data` in the bag.
    pub root: PathBuf,
    /// Its name in the exported files.
    pub label: String,
    /// Number on the tag.
    pub tag: Option<String>,
    /// Stage of each capture, as the journal says.
    pub stages: BTreeMap<String, String>,
    /// Names of the comparisons, without their ending.
    pub comparisons: Vec<String>,
}

/// Looks through the paths.
///
/// # Errors
/// A path that cannot be read or holds no capture, one capture named twice.
pub(super) fn gather(paths: &[PathBuf], progress: &mut Progress) -> Result<Gathered, Failure> {
    let mut all = Gathered::default();
    for path in paths {
        let about = fs::metadata(path).map_err(|e| cannot_read(path, &e))?;
        if !about.is_dir() {
            return Err(Failure::Work(format!(
                "{}: is no folder; name an inspection, a capture, or a folder of captures (a plain sample file is a table already)",
                path.display()
            )));
        }
        let before = (all.sources.len(), all.left_out.len());
        all.path(path, progress)?;
        if before == (all.sources.len(), all.left_out.len()) {
            return Err(Failure::Work(format!(
                "{}: holds no capture; name an inspection, a capture, or a folder of captures",
                path.display()
            )));
        }
    }
    all.once()?;
    all.label();
    Ok(all)
}

impl Gathered {
    fn path(&mut self, path: &Path, progress: &mut Progress) -> Result<(), Failure> {
        if path.join(META_FILE).symlink_metadata().is_ok() {
            self.capture(path, None, progress);
            return Ok(());
        }
        let root = if Disk::at(path).is_sealed() {
            path.join(crate::evidence::DATA)
        } else {
            path.to_owned()
        };
        let is_visit = [OPENING, journal::FILE]
            .iter()
            .any(|file| root.join(file).symlink_metadata().is_ok());
        let (folder, visit) = if is_visit {
            self.visits.push(Visit::read(&root, path)?);
            (root.join(CAPTURES), Some(self.visits.len() - 1))
        } else {
            (root, None)
        };
        for (name, kind) in entries(&folder)? {
            let inside = folder.join(&name);
            match kind {
                Kind::Folder if visit.is_some() || inside.join(META_FILE).exists() => {
                    self.capture(&inside, visit, progress);
                }
                Kind::Link if inside.join(META_FILE).exists() => {
                    self.leave(&inside, "a symbolic link; name what it points to");
                }
                _ => {}
            }
        }
        Ok(())
    }

    fn leave(&mut self, path: &Path, why: impl Into<String>) {
        self.left_out.push(LeftOut {
            path: path.display().to_string(),
            why: why.into(),
        });
    }

    fn capture(&mut self, folder: &Path, visit: Option<usize>, progress: &mut Progress) {
        progress.show(&format!("reading {}", folder.display()));
        match Source::read(folder, visit) {
            Ok(source) => self.sources.push(source),
            Err(why) => self.leave(folder, why),
        }
    }

    /// A capture that is named twice would count twice in every sum.
    fn once(&self) -> Result<(), Failure> {
        let mut seen: BTreeMap<&str, &Path> = BTreeMap::new();
        for source in &self.sources {
            if let Some(other) = seen.insert(&source.sha256, &source.folder) {
                return Err(Failure::Usage(format!(
                    "{} and {} are the same capture, and its readings would count twice; name one of them",
                    other.display(),
                    source.folder.display()
                )));
            }
        }
        Ok(())
    }

    /// Gives every capture and inspection a name of its own, also where upper and lower case are the same.
    fn label(&mut self) {
        let mut taken = BTreeSet::new();
        for source in &mut self.sources {
            source.label = free_name(&source.name, &mut taken);
        }
        let mut taken = BTreeSet::new();
        for visit in &mut self.visits {
            visit.label = free_name(&visit.label, &mut taken);
        }
    }
}

fn free_name(name: &str, taken: &mut BTreeSet<String>) -> String {
    let name = safe_name(name);
    let numbered = (2_u32..).map(|n| format!("{name}-{n}"));
    let free = std::iter::once(name.clone())
        .chain(numbered)
        .find(|name| taken.insert(name.to_ascii_lowercase()));
    free.expect("there is always a next number")
}

impl Source {
    /// # Errors
    /// In words, why it cannot be exported.
    fn read(folder: &Path, visit: Option<usize>) -> Result<Self, String> {
        let disk = Disk::at(folder);
        let sha256 = digest(&disk)?;
        let storage = ReadOnly {
            tree: &disk,
            base: "",
        };
        let about = read_about(&storage, "").map_err(|e| e.to_string())?;
        about.test().map_err(|e| e.to_string())?;
        for probe in &about.meta.probes {
            if !is_safe_name(&probe.name) {
                return Err(format!(
                    "capture.toml names a probe {:?}, which can be no file's name",
                    probe.name
                ));
            }
        }
        about.feed().map_err(|e| e.to_string())?;
        let name = folder_name(folder);
        Ok(Self {
            label: name.clone(),
            day: day(&name, &about),
            name,
            folder: folder.into(),
            about,
            sha256,
            visit,
        })
    }
}

/// Digest of a capture: of what `sha256sum *` prints in its folder.
fn digest(disk: &Disk) -> Result<String, String> {
    let mut entries = disk.entries().map_err(|e| e.to_string())?;
    entries.sort_by(|a, b| a.path.cmp(&b.path));
    let mut list = String::new();
    for entry in entries {
        let name = &entry.path;
        match entry.kind {
            EntryKind::File if name.contains('/') || name.starts_with('.') => {}
            EntryKind::File if entry.len > MAX_TABLE => {
                let most = MAX_TABLE >> 20;
                return Err(format!(
                    "{name} is larger than {most} MiB, the most that a table may have"
                ));
            }
            EntryKind::File => {
                let stream = disk.open(name).map_err(|e| format!("{name}: {e}"));
                let found =
                    digests(&mut *stream?, MAX_TABLE).map_err(|e| format!("{name}: {e}"))?;
                let found = found.ok_or_else(|| format!("{name} grows while it is read"))?;
                // a String takes every write
                let _ = writeln!(list, "{}  {name}", found.sha256);
            }
            EntryKind::Link => {
                return Err(format!(
                    "{name} is a symbolic link; only real files are exported"
                ));
            }
            EntryKind::Folder | EntryKind::Other | EntryKind::NotText => {}
        }
    }
    Ok(sha256(list.as_bytes()))
}

/// Name of a folder, also of `.`.
fn folder_name(folder: &Path) -> String {
    let named = folder.file_name().map(ToOwned::to_owned);
    let name = named.or_else(|| Some(folder.canonicalize().ok()?.file_name()?.to_owned()));
    name.unwrap_or_default().to_string_lossy().into_owned()
}

impl Visit {
    fn read(root: &Path, path: &Path) -> Result<Self, Failure> {
        let disk = Disk::at(root);
        let text = |file: &str| match read(&disk, file, MAX_TAG) {
            Ok(bytes) => Ok(Some(String::from_utf8_lossy(&bytes).into_owned())),
            Err(e) if e.kind() == io::ErrorKind::NotFound => Ok(None),
            Err(e) => Err(cannot_read(&root.join(file), &e)),
        };
        let opening: Option<toml::Table> = match text(OPENING)? {
            None => None,
            Some(opening) => Some(opening.parse().map_err(|e: toml::de::Error| {
                Failure::Work(format!("{}: {e}", root.join(OPENING).display()))
            })?),
        };
        let tag = opening.and_then(|o| Some(o.get("tag")?.as_str()?.to_owned()));
        let journal = text(journal::FILE)?.unwrap_or_default();
        let comparisons = match entries(&root.join(FINDINGS)) {
            Ok(entries) => entries,
            Err(_) if !root.join(FINDINGS).exists() => Vec::new(),
            Err(e) => return Err(e),
        };
        let comparisons = comparisons
            .into_iter()
            .filter(|(_, kind)| *kind == Kind::File)
            .filter_map(|(name, _)| Some(name.strip_suffix(".json")?.to_owned()))
            .filter(|name| name.starts_with("comparison-"))
            .collect();
        Ok(Self {
            label: folder_name(path),
            root: root.into(),
            tag,
            stages: stages(&journal),
            comparisons,
        })
    }

    /// What is recorded of a capture or a comparison; `None`: nothing.
    ///
    /// # Errors
    /// In words, why it cannot be read.
    pub fn recorded(&self, name: &str) -> Result<Option<Value>, String> {
        let path = format!("{FINDINGS}/{name}.json");
        let bytes = match read(&Disk::at(&self.root), &path, MAX_TAG) {
            Ok(bytes) => bytes,
            Err(e) if e.kind() == io::ErrorKind::NotFound => return Ok(None),
            Err(e) => return Err(format!("{path}: {e}")),
        };
        let text = String::from_utf8(bytes).map_err(|_| format!("{path} is no UTF-8"))?;
        let value = serde_json::from_str(&text);
        value.map(Some).map_err(|e| format!("{path}: {e}"))
    }

    /// What a comparison was made of.
    ///
    /// # Errors
    /// In words, why that cannot be read.
    pub fn compared(&self, name: &str) -> Result<captures::ComparisonOf, String> {
        let path = format!("{FINDINGS}/{name}.json");
        captures::comparison_of(&Disk::at(&self.root), &path).map_err(|e| e.to_string())
    }
}

/// Stages of the captures by the journal; a line that says nothing of a capture is passed over.
fn stages(journal: &str) -> BTreeMap<String, String> {
    let line = |line: &str| {
        let line: Value = serde_json::from_str(line).ok()?;
        let word = |key: &str| line.get(key).and_then(Value::as_str);
        let is_capture = word("what") == Some("captured");
        let (capture, stage) = (word("capture")?, word("stage")?);
        is_capture.then(|| (capture.to_owned(), stage.to_owned()))
    };
    journal.lines().filter_map(line).collect()
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Kind {
    File,
    Folder,
    Link,
    Other,
}

/// What a folder holds by name, hidden things left out.
fn entries(folder: &Path) -> Result<Vec<(String, Kind)>, Failure> {
    let fail = |e| cannot_read(folder, &e);
    let mut found = Vec::new();
    for entry in fs::read_dir(folder).map_err(fail)? {
        let entry = entry.map_err(fail)?;
        let name = entry.file_name().to_string_lossy().into_owned();
        let kind = match entry.file_type().map_err(fail)? {
            kind if kind.is_symlink() => Kind::Link,
            kind if kind.is_dir() => Kind::Folder,
            kind if kind.is_file() => Kind::File,
            _ => Kind::Other,
        };
        if !name.starts_with('.') {
            found.push((name, kind));
        }
    }
    found.sort_by(|a, b| a.0.cmp(&b.0));
    Ok(found)
}

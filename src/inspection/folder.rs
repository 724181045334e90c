//! The folder on the disk: opened, read, added to. Nothing in it is ever written over.
//!
//! Whoever adds something holds the journal's lock for as long as that takes: the file first, by rename, and then its line.
//! What a power cut leaves is at worst a whole file that no line names, which [`Folder::remarks`] tells of.

use std::{
    io,
    path::{Path, PathBuf},
    sync::{Mutex, MutexGuard, PoisonError},
};

use serde::Serialize;

use super::{
    ATTACHMENTS, CAPTURES, Deed, Entry, FINDINGS, FORMAT, FolderError, JOINT_STATEMENT, OPENING,
    OWNER, Objection, Opening, Owner, PHOTOGRAPHS, Party, Photograph, Stage, VEHICLE, Visit, fit,
    joint,
    ledger::{COPYING, Ledger, PART, whole_lines},
    photograph,
};
use crate::{
    clock::Clock,
    evidence::{
        self, DATA, TAG_MANIFEST,
        captures::{self, ComparisonOf, recorded_form},
        journal::{self, Journal},
        tree::{MAX_FILE, MAX_TABLE, unsafe_path},
    },
    inspect::Finding,
    reading::SOFTWARE,
    record::{
        Capture, Files, Listed, ListedKind, SharedStorage,
        capture::{META_FILE, is_safe_name},
        read_capture,
        writer::sha256,
    },
    units::count,
    vehicle::Vehicle,
};

/// Longest journal that is read, bytes.
pub const MAX_JOURNAL: u64 = MAX_TABLE;
/// Longest attachment, bytes (common practice, no source: a scanned receipt has a few MB, a film of the car a few hundred).
pub const MAX_ATTACHMENT: u64 = 512 << 20;
/// Longest `inspection.toml`, `owner.toml` or vehicle file, bytes.
const MAX_FACTS: u64 = 1 << 20;
/// Names by which a sealed inspection is known.
const SEALED_BY: [&str; 2] = ["bagit.txt", TAG_MANIFEST];

/// An inspection's folder.
#[derive(Debug)]
pub struct Folder<S = Files> {
    opening: Opening,
    /// The bag that it lies in.
    sealed: Option<PathBuf>,
    base: PathBuf,
    inner: Mutex<Inner<S>>,
}

/// The disk, and the wall clock as it was last seen.
#[derive(Debug)]
pub(super) struct Inner<S> {
    pub disk: S,
    pub base: PathBuf,
    /// The clock, and wall time less host time, microseconds.
    pub seen: Option<(Clock, i64)>,
}

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

pub(super) fn joined(folder: &str, name: &str) -> String {
    if folder.is_empty() {
        name.to_owned()
    } else {
        format!("{folder}/{name}")
    }
}

impl Folder {
    /// Makes the folder `base`, which must not exist, and opens an inspection in it. `inspection.toml` comes last, by rename:
    /// a folder without it is none.
    ///
    /// # Errors
    /// [`FolderError::Exists`], [`FolderError::Sealed`], [`FolderError::Unfit`], what the disk says.
    pub fn create(
        base: &Path,
        clock: &Clock,
        opening: &Opening,
        owner: Option<&Owner>,
        vehicle: Option<&[u8]>,
    ) -> Result<Self, FolderError> {
        if let Some(folder) = Files::above(base, &SEALED_BY) {
            return Err(FolderError::Sealed { folder });
        }
        let fail = |source| FolderError::Disk {
            doing: "make",
            path: base.into(),
            source,
        };
        // whatever cannot be taken is said before a folder is made
        check_new(opening, owner, vehicle)?;
        let files = Files::under(base);
        match files.make_base() {
            Err(e) if e.kind() == io::ErrorKind::AlreadyExists => {
                return Err(FolderError::Exists { path: base.into() });
            }
            made => made.map_err(fail)?,
        }
        Self::create_on(files, base, clock, opening, owner, vehicle)
    }

    /// Opens the inspection in `base`; a sealed one, named by its bag or by the folder in it, for reading alone.
    ///
    /// # Errors
    /// [`FolderError::NotAnInspection`], [`FolderError::Newer`], what the disk says.
    pub fn open(base: &Path) -> Result<Self, FolderError> {
        let sealed = Files::above(base, &SEALED_BY);
        let is_bag = sealed
            .as_ref()
            .is_some_and(|bag| base.canonicalize().is_ok_and(|real| real == *bag));
        let base = if is_bag { base.join(DATA) } else { base.into() };
        Self::open_on(Files::under(&base), &base, sealed)
    }

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
            let bytes = crate::record::Storage::read(&from, &found.name);
            files.push((found.name, bytes.map_err(|e| unfit(e.to_string()))?));
        }
        self.put_capture_files(clock, who, name, files, stage)
    }
}

fn check_new(
    opening: &Opening,
    owner: Option<&Owner>,
    vehicle: Option<&[u8]>,
) -> Result<(), FolderError> {
    fit::opening(opening).map_err(FolderError::Unfit)?;
    owner
        .map_or(Ok(()), fit::owner)
        .map_err(FolderError::Unfit)?;
    let Some(vehicle) = vehicle else {
        return Ok(());
    };
    let text = std::str::from_utf8(vehicle)
        .map_err(|_| FolderError::Unfit(format!("{VEHICLE}: no UTF-8 text")))?;
    Vehicle::parse(text)
        .map(|_| ())
        .map_err(|e| FolderError::Unfit(format!("{VEHICLE}:{e}")))
}

impl<S: SharedStorage> Folder<S> {
    /// The same as [`Folder::create`] on a disk whose base folder is there and empty.
    ///
    /// # Errors
    /// As [`Folder::create`].
    pub fn create_on(
        disk: S,
        base: &Path,
        clock: &Clock,
        opening: &Opening,
        owner: Option<&Owner>,
        vehicle: Option<&[u8]>,
    ) -> Result<Self, FolderError> {
        check_new(opening, owner, vehicle)?;
        let toml = |text: Result<String, toml::ser::Error>| {
            text.map_err(|e| FolderError::Unfit(e.to_string()))
        };
        let opening_text = toml(toml::to_string(opening))?;
        let mut inner = Inner {
            disk,
            base: base.into(),
            seen: None,
        };
        if let Some(vehicle) = vehicle {
            inner.put("", VEHICLE, vehicle)?;
        }
        if let Some(owner) = owner {
            inner.put("", OWNER, toml(toml::to_string(owner))?.as_bytes())?;
        }
        inner.put("", journal::FILE, b"")?;
        inner.held(|ledger| {
            let software = SOFTWARE.into();
            ledger.append(clock, &opening.operator, &Deed::Opened { software })
        })?;
        inner.put("", OPENING, opening_text.as_bytes())?;
        Ok(Self {
            opening: opening.clone(),
            sealed: None,
            base: base.into(),
            inner: Mutex::new(inner),
        })
    }

    /// The same as [`Folder::open`] on a disk; `sealed`: the bag that it lies in.
    ///
    /// # Errors
    /// As [`Folder::open`].
    pub fn open_on(disk: S, base: &Path, sealed: Option<PathBuf>) -> Result<Self, FolderError> {
        let inner = Inner {
            disk,
            base: base.into(),
            seen: None,
        };
        let opening = inner.opening()?;
        Ok(Self {
            opening,
            sealed,
            base: base.into(),
            inner: Mutex::new(inner),
        })
    }

    /// The folder that holds `inspection.toml`.
    pub fn base(&self) -> &Path {
        &self.base
    }

    /// The bag of a sealed inspection, in which nothing is written.
    pub fn sealed(&self) -> Option<&Path> {
        self.sealed.as_deref()
    }

    /// `inspection.toml`.
    pub fn opening(&self) -> &Opening {
        &self.opening
    }

    fn inner(&self) -> MutexGuard<'_, Inner<S>> {
        // what a panic left of it is one clock's offset
        self.inner.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn may_write(&self) -> Result<(), FolderError> {
        match &self.sealed {
            None => Ok(()),
            Some(folder) => Err(FolderError::Sealed {
                folder: folder.clone(),
            }),
        }
    }

    fn held<T>(
        &self,
        act: impl FnOnce(&mut Ledger<S>) -> Result<T, FolderError>,
    ) -> Result<T, FolderError> {
        self.may_write()?;
        self.inner().held(act)
    }

    /// What the inspection holds now.
    ///
    /// # Errors
    /// A file that is not as it was written, what the disk says.
    pub fn visit(&self) -> Result<Visit, FolderError> {
        let inner = self.inner();
        let owner = match inner.maybe(OWNER, MAX_FACTS)? {
            None => None,
            Some(bytes) => Some(toml::from_slice(&bytes).map_err(|e| {
                inner.broken(evidence::Difference::of(OWNER, e.message().to_owned()))
            })?),
        };
        let bytes = inner.bytes(journal::FILE, MAX_JOURNAL)?;
        // a line without its LF is being written now, or was cut off
        let (whole, _) = whole_lines(&bytes);
        inner.chain(whole)?;
        let mut entries = Vec::new();
        for (n, line) in (1..).zip(whole.split_terminator()) {
            entries.push(serde_json::from_slice(line).map_err(|e| {
                let what = format!("says what this program does not know: {e}");
                inner.broken(evidence::Difference::at(journal::FILE, n, what))
            })?);
        }
        Ok(Visit {
            opening: self.opening.clone(),
            owner,
            entries,
        })
    }

    /// Writes what was done. Takes the folder's lock, checks the chain, and appends one line that is durable when this returns.
    /// Before it come lines of their own where the clock was set or a crash had torn the last one. The same `clock` is to be
    /// handed in every time: only so can a clock that was set forward be seen.
    ///
    /// # Errors
    /// [`FolderError::Sealed`], [`FolderError::Unfit`], [`FolderError::Broken`], what the disk says.
    #[allow(clippy::needless_pass_by_value)] // handed over: what was written is the entry
    pub fn write(&self, clock: &Clock, who: &str, deed: Deed) -> Result<Entry, FolderError> {
        self.held(|ledger| {
            ledger.inner.is_there(&deed)?;
            ledger.append(clock, who, &deed)
        })
    }

    /// Puts a photograph in. `name`: what its camera or a person called it; `words`: what it shows.
    ///
    /// # Errors
    /// It is none, or too large; the same is in already; as [`Folder::write`].
    pub fn put_photograph(
        &self,
        clock: &Clock,
        who: &str,
        name: &str,
        bytes: &[u8],
        words: Option<&str>,
        tag_in_picture: bool,
    ) -> Result<Entry, FolderError> {
        self.may_write()?;
        let looked = photograph::look(bytes)?;
        let safe = fit::safe_name(name, "photograph");
        let (stem, _) = fit::split(&safe);
        let name = format!("{stem}.{}", looked.kind.ending());
        let mut deed = Photograph {
            file: format!("{PHOTOGRAPHS}/{name}"),
            sha256: sha256(bytes),
            bytes: bytes.len() as u64,
            width: looked.width,
            height: looked.height,
            orientation: looked.orientation,
            taken: looked.taken,
            words: words.map(str::to_owned),
            tag_in_picture,
        };
        fit::deed(&Deed::Photographed(deed.clone())).map_err(FolderError::Unfit)?;
        self.held(|ledger| {
            deed.file = ledger
                .inner
                .put_once(PHOTOGRAPHS, &name, bytes, &deed.sha256)?;
            ledger.append(clock, who, &Deed::Photographed(deed))
        })
    }

    /// Puts a file in that is never opened: a receipt, a message, a PDF.
    ///
    /// # Errors
    /// It is too large; the same is in already; as [`Folder::write`].
    pub fn put_attachment(
        &self,
        clock: &Clock,
        who: &str,
        name: &str,
        bytes: &[u8],
        words: &str,
    ) -> Result<Entry, FolderError> {
        self.may_write()?;
        if bytes.len() as u64 > MAX_ATTACHMENT {
            return Err(FolderError::Unfit(format!(
                "{name}: {} bytes, and {MAX_ATTACHMENT} are the most; attach a smaller copy",
                bytes.len()
            )));
        }
        let name = fit::safe_name(name, "attachment");
        let deed = |file: String| Deed::Attached {
            file,
            sha256: sha256(bytes),
            bytes: bytes.len() as u64,
            words: words.to_owned(),
        };
        fit::deed(&deed(format!("{ATTACHMENTS}/{name}"))).map_err(FolderError::Unfit)?;
        self.held(|ledger| {
            let file = ledger
                .inner
                .put_once(ATTACHMENTS, &name, bytes, &sha256(bytes))?;
            ledger.append(clock, who, &deed(file))
        })
    }

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
        let capture = self.whole_capture(name)?;
        let entered = self.held(|ledger| {
            ledger.inner.not_entered(name)?;
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
            let inner = &mut *ledger.inner;
            let copying = format!("{COPYING}{name}");
            inner.folder(CAPTURES)?;
            inner.free(CAPTURES, name)?;
            inner.folder(&format!("{CAPTURES}/{copying}"))?;
            for (file, bytes) in &files {
                inner.put_plain(&format!("{CAPTURES}/{copying}/{file}"), bytes)?;
            }
            let found = inner.whole_capture(&copying);
            let path = format!("{CAPTURES}/{copying}");
            let capture = match found {
                Ok(capture) => capture,
                Err(e) => {
                    // copied a moment ago; the source is as it was
                    let removed = inner.disk.remove(&path);
                    removed.map_err(inner.disk_error("clear", &path))?;
                    return Err(e);
                }
            };
            inner.sync_folder(&path)?;
            let to = format!("{CAPTURES}/{name}");
            let renamed = inner.disk.rename(&path, &to);
            renamed.map_err(inner.disk_error("name", &to))?;
            inner.sync_folder(CAPTURES)?;
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

    /// Records the finding of the capture `name`: with what the capture itself states and nothing else.
    ///
    /// # Errors
    /// There is one already; as [`Folder::write`].
    pub fn put_finding(
        &self,
        clock: &Clock,
        who: &str,
        name: &str,
        finding: &impl Serialize,
    ) -> Result<Entry, FolderError> {
        if !is_safe_name(name) || name.starts_with("comparison-") {
            return Err(FolderError::Unfit(format!(
                "{name:?}: no name of a capture"
            )));
        }
        let text = recorded_form(finding);
        self.held(|ledger| ledger.found(clock, who, &format!("{name}.json"), text.as_bytes()))
    }

    /// Records a comparison: `of` says what it was made of, and must be all that it was made of. Its number is the next free one.
    ///
    /// # Errors
    /// A capture that is not here; as [`Folder::write`].
    pub fn put_comparison(
        &self,
        clock: &Clock,
        who: &str,
        of: &ComparisonOf,
        result: &impl Serialize,
    ) -> Result<Entry, FolderError> {
        let about = toml::to_string(of).map_err(|e| FolderError::Unfit(e.to_string()))?;
        let text = recorded_form(result);
        self.held(|ledger| {
            for name in of.before.iter().chain(&of.after) {
                ledger.inner.capture_is_there(name)?;
            }
            let inner = &mut *ledger.inner;
            let listed = inner.listed(FINDINGS)?.unwrap_or_default();
            let taken = |n: &u32| {
                let start = format!("comparison-{n}.");
                listed.iter().any(|l| l.name.starts_with(&start))
            };
            let n = (1..u32::MAX).find(|n| !taken(n)).unwrap_or(u32::MAX);
            inner.folder(FINDINGS)?;
            inner.put(FINDINGS, &format!("comparison-{n}.toml"), about.as_bytes())?;
            ledger.found(clock, who, &format!("comparison-{n}.json"), text.as_bytes())
        })
    }

    /// Lays out what the parties state together before they sign; what somebody objects to stands in it in their own words.
    ///
    /// # Errors
    /// As [`Folder::write`].
    pub fn put_joint_statement(
        &self,
        clock: &Clock,
        who: &str,
        present: &[Party],
        objections: &[Objection],
    ) -> Result<Entry, FolderError> {
        let visit = self.visit()?;
        let deed = |file: String, sha256: String| Deed::Joint {
            present: present.to_vec(),
            objections: objections.to_vec(),
            file,
            sha256,
        };
        fit::deed(&deed(JOINT_STATEMENT.into(), String::new())).map_err(FolderError::Unfit)?;
        let text = joint::statement(&visit, clock.wall(), present, objections);
        self.held(|ledger| {
            let file = ledger.inner.put("", JOINT_STATEMENT, text.as_bytes())?;
            ledger.append(clock, who, &deed(file, sha256(text.as_bytes())))
        })
    }

    /// A file of the inspection, by its path from the folder, of at most `longest` bytes. Links are not followed.
    ///
    /// # Errors
    /// The path leads out of the folder, the file is longer, what the disk says.
    pub fn read(&self, path: &str, longest: u64) -> Result<Vec<u8>, FolderError> {
        self.inner().bytes(path, longest)
    }

    /// Paths of all files of the inspection, in order; links and names that no seal takes are left out.
    ///
    /// # Errors
    /// What the disk says.
    pub fn files(&self) -> Result<Vec<String>, FolderError> {
        self.inner().files()
    }

    /// A capture of the inspection.
    ///
    /// # Errors
    /// It cannot be read.
    pub fn capture(&self, name: &str) -> Result<Capture, FolderError> {
        let inner = self.inner();
        inner.capture_is_there(name)?;
        read_capture(&inner.disk, &format!("{CAPTURES}/{name}")).map_err(FolderError::Capture)
    }

    fn whole_capture(&self, name: &str) -> Result<Capture, FolderError> {
        self.inner().whole_capture(name)
    }

    /// What does not fit between the journal and the files, one sentence each.
    ///
    /// # Errors
    /// As [`Folder::visit`].
    pub fn remarks(&self) -> Result<Vec<String>, FolderError> {
        let visit = self.visit()?;
        let mut said = Vec::new();
        let inner = self.inner();
        let bytes = inner.bytes(journal::FILE, MAX_JOURNAL)?;
        let (_, torn) = whole_lines(&bytes);
        if !torn.is_empty() {
            said.push(format!(
                "{}: ends with {} of no whole line: it is being written, or was cut off; the next entry takes that off and says so",
                journal::FILE,
                count(torn.len() as u64, "byte")
            ));
        }
        let named = visit.named_files();
        for (file, digest) in &named {
            match inner.maybe(file, MAX_FILE) {
                Ok(Some(bytes)) if sha256(&bytes) == **digest => {}
                Ok(Some(_)) => said.push(format!("{file}: not the bytes that were put in")),
                Ok(None) => said.push(format!("{file}: missing, and the journal names it")),
                Err(e) => said.push(e.to_string()),
            }
        }
        let captures = visit.captures();
        for path in inner.files()? {
            let (folder, rest) = path.split_once('/').unwrap_or(("", &path));
            let is_named = match folder {
                CAPTURES => {
                    let (name, _) = rest.split_once('/').unwrap_or((rest, ""));
                    captures.iter().any(|taken| taken.capture == name)
                }
                FINDINGS if rest.strip_suffix(".toml").is_some() => {
                    let json = format!("{}json", path.strip_suffix("toml").unwrap_or_default());
                    named.iter().any(|(file, _)| **file == json)
                }
                "" if rest != JOINT_STATEMENT => true,
                PHOTOGRAPHS | ATTACHMENTS | FINDINGS | "" => {
                    named.iter().any(|(file, _)| **file == path)
                }
                _ => true,
            };
            if !is_named {
                said.push(format!("{path}: in no line of the journal"));
            }
        }
        Ok(said)
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

impl<S: SharedStorage> Ledger<'_, S> {
    fn found(
        &mut self,
        clock: &Clock,
        who: &str,
        name: &str,
        bytes: &[u8],
    ) -> Result<Entry, FolderError> {
        let capture = name.strip_suffix(".json").unwrap_or(name);
        if !name.starts_with("comparison-") {
            self.inner.capture_is_there(capture)?;
        }
        self.inner.folder(FINDINGS)?;
        self.inner.free(FINDINGS, name)?;
        let file = self.inner.put(FINDINGS, name, bytes)?;
        let sha256 = sha256(bytes);
        self.append(clock, who, &Deed::Found { file, sha256 })
    }
}

/// Lines without their LF.
trait Lines {
    fn split_terminator(&self) -> impl Iterator<Item = &[u8]>;
}

impl Lines for [u8] {
    fn split_terminator(&self) -> impl Iterator<Item = &[u8]> {
        self.split_inclusive(|b| *b == b'\n')
            .map(|line| line.strip_suffix(b"\n").unwrap_or(line))
    }
}

impl<S: SharedStorage> Inner<S> {
    pub fn disk_error(
        &self,
        doing: &'static str,
        path: &str,
    ) -> impl FnOnce(io::Error) -> FolderError + use<S> {
        let path = self.base.join(path);
        move |source| FolderError::Disk {
            doing,
            path,
            source,
        }
    }

    fn broken(&self, difference: evidence::Difference) -> FolderError {
        FolderError::Broken {
            folder: self.base.clone(),
            difference,
        }
    }

    /// Holds the journal's lock while `act` does its work.
    fn held<T>(
        &mut self,
        act: impl FnOnce(&mut Ledger<S>) -> Result<T, FolderError>,
    ) -> Result<T, FolderError> {
        // through a link the lock would be on another file
        self.is_file(journal::FILE)?;
        let held = self.disk.hold(journal::FILE);
        held.map_err(self.disk_error("write", journal::FILE))?;
        let done = Ledger::of(self).and_then(|mut ledger| act(&mut ledger));
        self.disk.release(journal::FILE);
        done
    }

    /// The chain of whole lines.
    pub fn chain(&self, whole: &[u8]) -> Result<Journal, FolderError> {
        let checked = journal::check(journal::FILE, whole);
        let checked = checked.map_err(self.disk_error("read", journal::FILE))?;
        checked.map_err(|difference| self.broken(difference))
    }

    fn opening(&self) -> Result<Opening, FolderError> {
        let none = |what: String| FolderError::NotAnInspection {
            folder: self.base.clone(),
            what,
        };
        let bytes = match self.maybe(OPENING, MAX_FACTS) {
            Ok(Some(bytes)) => bytes,
            Ok(None) => return Err(none(format!("it has no {OPENING}"))),
            Err(e) => return Err(e),
        };
        let table: toml::Table =
            toml::from_slice(&bytes).map_err(|e| none(format!("{OPENING}: {}", e.message())))?;
        let format = table.get("format").and_then(toml::Value::as_integer);
        match format {
            Some(format) if format == i64::from(FORMAT) => {}
            Some(format) if format > i64::from(FORMAT) => {
                return Err(FolderError::Newer {
                    folder: self.base.clone(),
                    format,
                });
            }
            Some(format) => return Err(none(format!("{OPENING}: format {format}"))),
            None => return Err(none(format!("{OPENING} states no format"))),
        }
        let opening: Opening =
            toml::from_slice(&bytes).map_err(|e| none(format!("{OPENING}: {}", e.message())))?;
        Ok(opening)
    }

    /// What stands in a folder; `None`: there is no such folder.
    pub fn listed(&self, folder: &str) -> Result<Option<Vec<Listed>>, FolderError> {
        if !folder.is_empty() && !self.is_folder(folder)? {
            return Ok(None);
        }
        let listed = self.disk.list(folder);
        listed.map(Some).map_err(self.disk_error("read", folder))
    }

    /// What a path is; `None`: nothing. A link on the way is refused.
    fn kind(&self, path: &str) -> Result<Option<Listed>, FolderError> {
        if let Some(why) = unsafe_path(path) {
            return Err(FolderError::Unfit(format!("{path:?}: {why}")));
        }
        let (folder, name) = path.rsplit_once('/').unwrap_or(("", path));
        let Some(listed) = self.listed(folder)? else {
            return Ok(None);
        };
        let found = listed.into_iter().find(|l| l.name == name);
        match found {
            Some(found) if found.kind == ListedKind::Other => Err(FolderError::Unfit(format!(
                "{}: a link or a device; an inspection holds real files alone",
                self.base.join(path).display()
            ))),
            found => Ok(found),
        }
    }

    fn is_folder(&self, path: &str) -> Result<bool, FolderError> {
        let found = self.kind(path)?;
        Ok(found.is_some_and(|found| found.kind == ListedKind::Folder))
    }

    fn is_file(&self, path: &str) -> Result<u64, FolderError> {
        let missing = || self.disk_error("read", path)(io::ErrorKind::NotFound.into());
        match self.kind(path)? {
            Some(found) if found.kind == ListedKind::File => Ok(found.len),
            _ => Err(missing()),
        }
    }

    /// A whole file.
    pub fn bytes(&self, path: &str, longest: u64) -> Result<Vec<u8>, FolderError> {
        let len = self.is_file(path)?;
        if len > longest {
            let e = io::Error::new(
                io::ErrorKind::FileTooLarge,
                format!("{len} bytes, and {longest} are the most"),
            );
            return Err(self.disk_error("read", path)(e));
        }
        self.disk.read(path).map_err(self.disk_error("read", path))
    }

    fn maybe(&self, path: &str, longest: u64) -> Result<Option<Vec<u8>>, FolderError> {
        match self.kind(path)? {
            Some(found) if found.kind == ListedKind::File => self.bytes(path, longest).map(Some),
            _ => Ok(None),
        }
    }

    fn files(&self) -> Result<Vec<String>, FolderError> {
        let mut files = Vec::new();
        let mut open = vec![String::new()];
        while let Some(folder) = open.pop() {
            for found in self.listed(&folder)?.unwrap_or_default() {
                let path = joined(&folder, &found.name);
                match found.kind {
                    _ if unsafe_path(&path).is_some() => {}
                    ListedKind::File => files.push(path),
                    ListedKind::Folder => open.push(path),
                    ListedKind::Other => {}
                }
            }
        }
        files.sort();
        Ok(files)
    }

    /// Makes a folder where there is none.
    fn folder(&mut self, folder: &str) -> Result<(), FolderError> {
        if self.is_folder(folder)? {
            return Ok(());
        }
        let parent = folder.rsplit_once('/').map_or("", |(parent, _)| parent);
        let disk = &mut self.disk;
        let made = disk
            .create_folder(folder)
            .and_then(|()| disk.sync_folder(parent));
        made.map_err(self.disk_error("make", folder))
    }

    fn sync_folder(&mut self, folder: &str) -> Result<(), FolderError> {
        let synced = self.disk.sync_folder(folder);
        synced.map_err(self.disk_error("write", folder))
    }

    /// Refuses a name that is taken, or would be on a disk that knows no upper and lower case.
    fn free(&self, folder: &str, name: &str) -> Result<(), FolderError> {
        let listed = self.listed(folder)?.unwrap_or_default();
        match listed.iter().find(|l| l.name.eq_ignore_ascii_case(name)) {
            Some(found) => Err(FolderError::Exists {
                path: self.base.join(folder).join(&found.name),
            }),
            None => Ok(()),
        }
    }

    /// A new file without further ado.
    fn put_plain(&mut self, path: &str, bytes: &[u8]) -> Result<(), FolderError> {
        let disk = &mut self.disk;
        let put = disk
            .create(path)
            .and_then(|()| disk.append(path, bytes))
            .and_then(|()| disk.sync(path));
        disk.release(path);
        put.map_err(self.disk_error("write", path))
    }

    /// A new file by rename, whole or not at all; its path. A name that is taken gets a number.
    fn put(&mut self, folder: &str, name: &str, bytes: &[u8]) -> Result<String, FolderError> {
        if !folder.is_empty() {
            self.folder(folder)?;
        }
        let listed = self.listed(folder)?.unwrap_or_default();
        let taken = |name: &str| listed.iter().any(|l| l.name.eq_ignore_ascii_case(name));
        let (stem, ending) = fit::split(name);
        let numbered = (2..).map(|n| format!("{stem}-{n}{ending}"));
        let name = std::iter::once(name.to_owned())
            .chain(numbered)
            .find(|name| !taken(name));
        let name = name.expect("there are more numbers than files");
        let path = joined(folder, &name);
        let part = format!("{path}{PART}");
        self.put_plain(&part, bytes)?;
        let named = self.disk.rename(&part, &path);
        named.map_err(self.disk_error("name", &path))?;
        self.sync_folder(folder)?;
        Ok(path)
    }

    /// As [`Inner::put`], but the same bytes are not put in twice.
    fn put_once(
        &mut self,
        folder: &str,
        name: &str,
        bytes: &[u8],
        digest: &str,
    ) -> Result<String, FolderError> {
        let journal = self.bytes(journal::FILE, MAX_JOURNAL)?;
        for line in whole_lines(&journal).0.split_terminator() {
            let Ok(entry) = serde_json::from_slice::<Entry>(line) else {
                continue;
            };
            let known = match &entry.deed {
                Deed::Photographed(p) if folder == PHOTOGRAPHS => Some((&p.file, &p.sha256)),
                Deed::Attached { file, sha256, .. } if folder == ATTACHMENTS => {
                    Some((file, sha256))
                }
                _ => None,
            };
            if let Some((file, _)) = known.filter(|(_, known)| *known == digest) {
                return Err(FolderError::Unfit(format!(
                    "{name}: the same bytes are in already, as {file} (line {})",
                    entry.n
                )));
            }
        }
        self.put(folder, name, bytes)
    }

    fn capture_is_there(&self, name: &str) -> Result<(), FolderError> {
        if is_safe_name(name) && self.is_folder(&format!("{CAPTURES}/{name}"))? {
            return Ok(());
        }
        Err(FolderError::Unfit(format!(
            "{name:?}: no capture of this inspection; `feelgauge inspection show` names them"
        )))
    }

    fn whole_capture(&self, name: &str) -> Result<Capture, FolderError> {
        self.capture_is_there(name)?;
        let path = format!("{CAPTURES}/{name}");
        let unfit = |what: String| FolderError::Unfit(format!("{name}: {what}"));
        let capture = read_capture(&self.disk, &path).map_err(FolderError::Capture)?;
        if let Some(closed) = &capture.closed {
            for file in &closed.files {
                let bytes = self.bytes(&format!("{path}/{}", file.name), MAX_TABLE)?;
                if bytes.len() as u64 != file.bytes || sha256(&bytes) != file.sha256 {
                    return Err(unfit(format!(
                        "{} is not as it was when the capture was closed; a seal would not verify; bring the capture as it was recorded",
                        file.name
                    )));
                }
            }
        }
        let late = ["missing_file", "changed_file"];
        match capture
            .faults
            .keys()
            .find(|kind| late.contains(&kind.as_str()))
        {
            Some(kind) => Err(unfit(format!(
                "{kind}: not as it was recorded; bring the capture as it was recorded"
            ))),
            None => Ok(capture),
        }
    }

    /// Refuses a capture that a line names already.
    fn not_entered(&self, name: &str) -> Result<(), FolderError> {
        let journal = self.bytes(journal::FILE, MAX_JOURNAL)?;
        for line in whole_lines(&journal).0.split_terminator() {
            if let Ok(Entry {
                n,
                deed: Deed::Captured { capture, .. },
                ..
            }) = serde_json::from_slice(line)
                && capture == name
            {
                return Err(FolderError::Unfit(format!(
                    "{name}: is entered already (line {n})"
                )));
            }
        }
        Ok(())
    }

    /// Whatever file a deed names is there.
    fn is_there(&self, deed: &Deed) -> Result<(), FolderError> {
        fit::deed(deed).map_err(FolderError::Unfit)?;
        match deed {
            Deed::Photographed(Photograph { file, sha256, .. })
            | Deed::Attached { file, sha256, .. }
            | Deed::Found { file, sha256 }
            | Deed::Joint { file, sha256, .. } => {
                let bytes = self.bytes(file, MAX_FILE)?;
                if self::sha256(&bytes) != *sha256 {
                    return Err(FolderError::Unfit(format!("{file}: has another digest")));
                }
                Ok(())
            }
            Deed::Observed {
                photograph: Some(file),
                ..
            } => self.is_file(file).map(|_| ()),
            Deed::Captured { capture, .. }
            | Deed::Checked(super::Checked {
                capture: Some(capture),
                ..
            }) => self.capture_is_there(capture),
            _ => Ok(()),
        }
    }
}

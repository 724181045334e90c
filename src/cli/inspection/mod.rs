//! `inspection`: one car's visit as a folder, entered line by line.

pub(super) mod args;
mod copy;
mod read;
mod show;

use std::path::{Path, PathBuf};

use jiff::tz::TimeZone;
use schemars::JsonSchema;
use serde::Serialize;

use super::{
    DONE, Failure, Outcome, Output, compare,
    plan::{self, cannot_read},
    say,
    tree::not_in_a_seal,
};
use crate::{
    clock::Clock,
    evidence::captures::ComparisonOf,
    inspection::{
        CAPTURES, Car, Deed, Entry, FORMAT, Folder, FolderError, Objection, Opening, Owner,
        PHOTOGRAPHS, Party, PlannedPart, Stage, VEHICLE, folder::MAX_ATTACHMENT, photograph,
    },
    report::{self, AboutComparison},
    vehicle::Vehicle,
};
use args::{InspectionVerb, Into, OpenArgs};
pub(super) use copy::CopyResult;
pub(super) use show::ShowResult;

/// What the lines of a journal that were written now say.
#[derive(Clone, Debug, Serialize, JsonSchema)]
pub(super) struct Entered {
    /// Folder of the inspection.
    inspection: String,
    /// The lines.
    entries: Vec<Entry>,
}

/// Runs `inspection`.
#[allow(clippy::too_many_lines)] // one exhaustive match
pub(super) fn run(verb: InspectionVerb, output: &mut Output) -> Outcome {
    match verb {
        InspectionVerb::Open(args) => open(&args, output),
        InspectionVerb::Conditions(args) => {
            let deed = Deed::Conditions {
                temperature_k: args.temperature,
                ambient_pa: args.pressure,
                words: args.words,
            };
            enter(&args.into, deed, output)
        }
        InspectionVerb::Observe(args) => observe(&args, output),
        InspectionVerb::NotChecked(args) => {
            enter(&args.into, Deed::NotChecked { text: args.text }, output)
        }
        InspectionVerb::Photograph(args) => {
            let visit = Writing::at(&args.into)?;
            let mut entries = Vec::new();
            for path in &args.files {
                let shows = args.shows.as_deref();
                let entered = visit.photograph(path, shows, args.tag_in_picture);
                // those before it are in
                entries.push(entered.map_err(|e| after(e, &entries))?);
            }
            visit.tell(entries, output)
        }
        InspectionVerb::Attach(args) => {
            let visit = Writing::at(&args.into)?;
            let bytes = read::file(&args.file, MAX_ATTACHMENT)?;
            let name = file_name(&args.file);
            let folder = &visit.folder;
            let put = folder.put_attachment(&visit.clock, &visit.who, &name, &bytes, &args.words);
            visit.tell(vec![put.map_err(work)?], output)
        }
        InspectionVerb::Add(args) => add(&args, output),
        InspectionVerb::Compare(args) => compared(&args, output),
        InspectionVerb::Parts(args) => {
            let part = PlannedPart {
                name: args.name,
                part: args.part,
                act: args.act.into(),
                minutes: args.minutes,
                from: args.from,
                price: args.price.map(|amount| amount.0),
                priced_by: args.priced_by,
            };
            enter(&args.into, Deed::Part(part), output)
        }
        InspectionVerb::Check(args) => {
            let checked = read::checked(&args)?;
            enter(&args.into, Deed::Checked(checked), output)
        }
        InspectionVerb::Repair(args) => {
            enter(&args.into, Deed::Repaired { text: args.text }, output)
        }
        InspectionVerb::Decide(args) => {
            let deed = Deed::Decided {
                decision: args.decision.into(),
                offer: args.offer.map(|amount| amount.0),
                words: args.words,
            };
            enter(&args.into, deed, output)
        }
        InspectionVerb::Joint(args) => {
            let visit = Writing::at(&args.into)?;
            let party = |named: read::Named| Party {
                name: named.name,
                role: named.text,
            };
            let objection = |named: read::Named| Objection {
                name: named.name,
                text: named.text,
            };
            let present: Vec<Party> = args.present.into_iter().map(party).collect();
            let objections: Vec<Objection> = args.objections.into_iter().map(objection).collect();
            let folder = &visit.folder;
            let put = folder.put_joint_statement(&visit.clock, &visit.who, &present, &objections);
            visit.tell(vec![put.map_err(failure)?], output)
        }
        InspectionVerb::Correct(args) => {
            let deed = Deed::Corrected {
                line: args.line,
                text: args.text,
            };
            enter(&args.into, deed, output)
        }
        InspectionVerb::Copy(args) => copy::run(&args, output),
        InspectionVerb::Show(args) => show::run(&args, output),
    }
}

/// What is wrong with the command line, or with what it names.
fn failure(e: FolderError) -> Failure {
    match e {
        FolderError::Exists { .. } | FolderError::Sealed { .. } | FolderError::Unfit(_) => {
            Failure::Usage(e.to_string())
        }
        e => Failure::Work(e.to_string()),
    }
}

/// What is wrong with a file that was to be put in.
fn work(e: FolderError) -> Failure {
    match e {
        FolderError::Sealed { .. } => failure(e),
        e => Failure::Work(e.to_string()),
    }
}

/// Says how many of a list were entered before one failed.
fn after(e: Failure, before: &[Entry]) -> Failure {
    match (e, before.len()) {
        (Failure::Work(what), n) if n > 0 => {
            Failure::Work(format!("{what}\n{n} before it were entered"))
        }
        (e, _) => e,
    }
}

fn file_name(path: &Path) -> String {
    let name = path.file_name().unwrap_or_default();
    name.to_string_lossy().into_owned()
}

/// An open inspection, who writes and by which clock.
pub(super) struct Writing {
    dir: PathBuf,
    pub folder: Folder,
    clock: Clock,
    pub who: String,
}

impl Writing {
    fn at(into: &Into) -> Result<Self, Failure> {
        Self::of(&into.dir, into.by.as_deref())
    }

    /// Opens the inspection in `dir`, which must not be sealed; `by` writes, else who opened it.
    pub(super) fn of(dir: &Path, by: Option<&str>) -> Result<Self, Failure> {
        not_in_a_seal(dir)?;
        let clock = Clock::system();
        let folder = Folder::open(dir).map_err(failure)?;
        let who = by.unwrap_or(&folder.opening().operator).to_owned();
        Ok(Self {
            dir: dir.into(),
            folder,
            clock,
            who,
        })
    }

    /// The car's file, where the inspection has one.
    pub(super) fn vehicle(&self) -> Result<Option<PathBuf>, Failure> {
        let files = self.folder.files().map_err(failure)?;
        let has = files.iter().any(|path| path == VEHICLE);
        Ok(has.then(|| self.folder.base().join(VEHICLE)))
    }

    /// Pressure of the air as it was read off last, Pa.
    pub(super) fn ambient_pa(&self) -> Result<Option<f64>, Failure> {
        let visit = self.folder.visit().map_err(failure)?;
        Ok(visit.conditions().ambient_pa)
    }

    fn write(&self, deed: Deed) -> Result<Entry, Failure> {
        let written = self.folder.write(&self.clock, &self.who, deed);
        written.map_err(failure)
    }

    fn photograph(&self, path: &Path, shows: Option<&str>, tag: bool) -> Result<Entry, Failure> {
        let bytes = read::file(path, photograph::MOST_BYTES as u64)?;
        let (clock, who) = (&self.clock, &self.who);
        let name = file_name(path);
        let put = self
            .folder
            .put_photograph(clock, who, &name, &bytes, shows, tag);
        put.map_err(|e| match e {
            e @ (FolderError::Photograph(_) | FolderError::Unfit(_)) => {
                Failure::Work(format!("{}: {e}", path.display()))
            }
            e => work(e),
        })
    }

    /// Enters a capture that was recorded into the folder, or copies one in.
    pub(super) fn capture(&self, path: &Path, stage: Option<Stage>) -> Result<Vec<Entry>, Failure> {
        let stage = match stage {
            Some(stage) => stage,
            None => self.folder.visit().map_err(failure)?.stage(),
        };
        let own = self.folder.base().join(CAPTURES).canonicalize();
        let real = path.canonicalize().map_err(|e| cannot_read(path, &e))?;
        let (clock, who) = (&self.clock, &self.who);
        let taken = match (own, real.parent()) {
            (Ok(own), Some(parent)) if own == parent => {
                let name = file_name(&real);
                self.folder.captured(clock, who, &name, stage)
            }
            _ => self.folder.put_capture(clock, who, &real, stage),
        };
        let taken = taken.map_err(|e| match work(e) {
            Failure::Work(what) => Failure::Work(format!("{}: {what}", path.display())),
            e => e,
        })?;
        if let Err(why) = &taken.finding {
            say(&format!(
                "{}: entered, without a finding: {why}",
                taken.capture
            ));
        }
        Ok(taken.entries)
    }

    fn tell(&self, entries: Vec<Entry>, output: &mut Output) -> Outcome {
        let entered = Entered {
            inspection: self.dir.display().to_string(),
            entries,
        };
        output.result(&entered, |_| {
            let line = |entry: &Entry| format!("line {}", show::told(entry));
            entered.entries.iter().map(line).collect()
        })?;
        Ok(DONE)
    }
}

fn enter(into: &Into, deed: Deed, output: &mut Output) -> Outcome {
    let visit = Writing::at(into)?;
    let entry = visit.write(deed)?;
    visit.tell(vec![entry], output)
}

fn open(args: &OpenArgs, output: &mut Output) -> Outcome {
    not_in_a_seal(&args.dir)?;
    let clock = Clock::system();
    let logged_in = || {
        let names = ["USER", "LOGNAME", "USERNAME"];
        names.iter().find_map(|name| std::env::var(name).ok())
    };
    let by = args
        .by
        .clone()
        .or_else(logged_in)
        .ok_or_else(|| Failure::Usage("who opens the inspection? --by NAME".into()))?;
    let owner = args.owner_file.as_deref().map(owner).transpose()?;
    let vehicle = args.vehicle.as_deref().map(plan::vehicle).transpose()?;
    let vehicle = vehicle.as_ref().map(|(text, _)| text.as_bytes());
    let opening = Opening {
        format: FORMAT,
        tag: args.tag.clone(),
        opened: TimeZone::UTC
            .to_datetime(clock.wall())
            .strftime("%Y-%m-%dT%H:%M:%SZ")
            .to_string(),
        operator: by,
        house: args.house.clone(),
        owner: args.owner.clone(),
        reason: args.reason.clone(),
        car: Car {
            name: args.car.clone(),
            description: args.description.clone(),
            serial: args.serial.clone(),
            marks: args.marks.clone(),
            fitted: args.fitted.clone(),
        },
        claimed: args.claimed.clone(),
    };
    let made = Folder::create(&args.dir, &clock, &opening, owner.as_ref(), vehicle);
    let entries = made
        .and_then(|folder| folder.visit())
        .map_err(failure)?
        .entries;
    let entered = Entered {
        inspection: args.dir.display().to_string(),
        entries,
    };
    output.result(&entered, |_| {
        format!(
            "{}: inspection of no. {}, {}, is open; next: feelgauge inspection photograph {} FILE --tag-in-picture\n",
            entered.inspection, opening.tag, opening.car.name, entered.inspection
        )
    })?;
    Ok(DONE)
}

fn owner(path: &Path) -> Result<Owner, Failure> {
    let text = plan::text(path, 1 << 20, "owner")?;
    toml::from_str(&text).map_err(|e| {
        let at = e.span().map_or(0, |span| span.start);
        let line = 1 + text.get(..at).unwrap_or_default().matches('\n').count();
        Failure::Work(format!(
            "{}:{line}: {}; it has name = \"...\" and contact = [\"...\"]",
            path.display(),
            e.message()
        ))
    })
}

fn observe(args: &args::ObserveArgs, output: &mut Output) -> Outcome {
    let visit = Writing::at(&args.into)?;
    let mut entries = Vec::new();
    let photograph = match &args.photograph {
        None => None,
        Some(path) => match path.to_str().filter(|p| p.starts_with(PHOTOGRAPHS)) {
            // one that is in already, unless the person's own folder has a file of that name
            Some(inside) if !path.exists() => Some(inside.to_owned()),
            _ => {
                let entry = visit.photograph(path, Some(&args.text), false)?;
                let Deed::Photographed(photograph) = &entry.deed else {
                    return Err(Failure::Work(
                        "a photograph was entered as something else".into(),
                    ));
                };
                let file = photograph.file.clone();
                entries.push(entry);
                Some(file)
            }
        },
    };
    entries.push(visit.write(Deed::Observed {
        sense: args.sense(),
        text: args.text.clone(),
        photograph,
    })?);
    visit.tell(entries, output)
}

fn add(args: &args::AddArgs, output: &mut Output) -> Outcome {
    let visit = Writing::at(&args.into)?;
    let mut entries = Vec::new();
    for path in &args.captures {
        let entered = visit.capture(path, args.stage.map(Stage::from));
        entries.extend(entered.map_err(|e| after(e, &entries))?);
    }
    visit.tell(entries, output)
}

/// Result of `inspection compare`: the comparison and where it was written.
#[derive(Clone, Debug, Serialize, JsonSchema)]
pub(super) struct ComparedNow {
    /// Path of the recorded comparison, from the inspection's folder.
    file: String,
    /// What it says.
    #[serde(flatten)]
    compared: crate::inspect::comparison::CompareResult,
}

fn compared(args: &args::CompareArgs, output: &mut Output) -> Outcome {
    let visit = Writing::at(&args.into)?;
    let of = sides(args, &visit)?;
    let paths = |names: &[String]| -> Vec<PathBuf> {
        let folder = visit.folder.base().join(CAPTURES);
        names.iter().map(|name| folder.join(name)).collect()
    };
    let setup = of.setup.as_deref();
    let result = compare::of_captures(&paths(&of.before), &paths(&of.after), of.p_ref_pa, setup)?;
    let (clock, who) = (&visit.clock, &visit.who);
    let put = visit.folder.put_comparison(clock, who, &of, &result);
    let Deed::Found { file, .. } = put.map_err(failure)?.deed else {
        return Err(Failure::Work(
            "a comparison was entered as something else".into(),
        ));
    };
    let vehicle = visit.folder.read(VEHICLE, 1 << 20).ok();
    let vehicle = vehicle.and_then(|bytes| Vehicle::parse(std::str::from_utf8(&bytes).ok()?).ok());
    let (before, after) = (of.before.join(", "), of.after.join(", "));
    let now = ComparedNow {
        file,
        compared: result,
    };
    output.result(&now, |picture| {
        let about = AboutComparison {
            before: &before,
            after: &after,
            vehicle: vehicle.as_ref(),
            picture,
        };
        format!(
            "{}written to {}/{}\n",
            report::comparison(&now.compared, about),
            visit.dir.display(),
            now.file
        )
    })?;
    Ok(DONE)
}

/// What is compared: the captures that were named, else all of their stage.
fn sides(args: &args::CompareArgs, visit: &Writing) -> Result<ComparisonOf, Failure> {
    let held = visit.folder.visit().map_err(failure)?;
    let of_stage = |named: &[String], stage: Stage| -> Vec<String> {
        if !named.is_empty() {
            return named.to_vec();
        }
        let taken = held.captures().into_iter().filter(|t| t.stage == stage);
        taken.map(|t| t.capture.to_owned()).collect()
    };
    let of = ComparisonOf {
        before: of_stage(&args.before, Stage::AsFound),
        after: of_stage(&args.after, Stage::AfterRepair),
        p_ref_pa: args.at,
        setup: args.setup.clone(),
    };
    for (side, option, names) in [
        ("as found", "--before", &of.before),
        ("after a repair", "--after", &of.after),
    ] {
        if names.is_empty() {
            return Err(Failure::Usage(format!(
                "{}: holds no capture that was taken {side}; name some with {option} NAME",
                visit.dir.display()
            )));
        }
        for name in names {
            visit.folder.capture(name).map_err(failure)?;
        }
    }
    Ok(of)
}

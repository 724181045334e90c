//! `inspection show`: the whole visit on one plain page, and what a good record still lacks.

use std::path::Path;

use schemars::JsonSchema;
use serde::Serialize;

use super::{
    super::{DONE, Failure, Outcome, Output, tree::Disk},
    args::ShowArgs,
    failure,
};
use crate::{
    evidence::{bag::digests_of, contents, tree},
    inspection::{Entry, Folder, OWNER, Opening, Visit, gaps},
    report::told,
};

/// Result of `inspection show`.
#[derive(Clone, Debug, Serialize, JsonSchema)]
pub(in crate::cli) struct ShowResult {
    /// Folder of the inspection.
    inspection: String,
    /// It is sealed: nothing is entered any more.
    sealed: bool,
    /// What was written when it was opened.
    opening: Opening,
    /// The owner's own data are in it; they are not shown.
    has_owner: bool,
    /// The journal.
    entries: Vec<Entry>,
    /// What a good record still lacks.
    missing: Vec<String>,
    /// What does not fit between the journal and the files.
    remarks: Vec<String>,
}

/// Runs `inspection show`.
pub(super) fn run(args: &ShowArgs, output: &mut Output) -> Outcome {
    let folder = Folder::open(&args.dir).map_err(failure)?;
    let visit = folder.visit().map_err(failure)?;
    let remarks = folder.remarks().map_err(failure)?;
    let report = report_stands(&folder, &args.dir)?;
    let result = ShowResult {
        inspection: args.dir.display().to_string(),
        sealed: folder.sealed().is_some(),
        missing: gaps(&visit).into_iter().chain(report).collect(),
        opening: visit.opening.clone(),
        has_owner: visit.owner.is_some(),
        entries: visit.entries.clone(),
        remarks,
    };
    output.result(&result, |_| page(&result, &visit))?;
    Ok(DONE)
}

/// In what the report is not one of everything that is there, and what to do; `None`: it is, or there is none.
fn report_stands(folder: &Folder, named: &Path) -> Result<Option<String>, Failure> {
    let disk = Disk::at(folder.base());
    let work = |what: String| Failure::Work(format!("{}: {what}", disk.base.display()));
    let listing = tree::list(&disk).map_err(|e| work(e.to_string()))?;
    if listing.files.keys().all(|path| contents::is_listed(path)) {
        return Ok(None);
    }
    let files = digests_of(&disk, listing.files.keys()).map_err(|e| work(e.to_string()))?;
    let there = files
        .into_iter()
        .map(|(path, digests)| (path, digests.sha256));
    let standing = contents::standing(&disk, "", &there.collect());
    let Some(standing) = standing.map_err(|e| work(e.to_string()))? else {
        return Ok(None);
    };
    if standing.fits() {
        return Ok(None);
    }
    let differences = standing.differences.iter().map(ToString::to_string);
    let said: Vec<String> = standing.remarks.into_iter().chain(differences).collect();
    let todo = match folder.sealed() {
        None => format!("make it again: feelgauge report {}", named.display()),
        Some(_) => format!(
            "one of what is sealed: feelgauge report {} --out DIR",
            named.display()
        ),
    };
    Ok(Some(format!("{}; {todo}", said.join("; "))))
}

/// One line, or a text of several, the later ones set in. What stands in an inspection is somebody's text: no control
/// character of theirs reaches the terminal.
fn line(text: &mut String, line: &str) {
    for (n, line) in line.lines().enumerate() {
        text.push_str(if n > 0 { "       " } else { "" });
        text.extend(line.chars().map(|c| if c.is_control() { '?' } else { c }));
        text.push('\n');
    }
}

/// The car, as it was when the inspection was opened.
fn car(result: &ShowResult) -> String {
    let opening = &result.opening;
    let car = &opening.car;
    let mut text = String::new();
    let sealed = if result.sealed { ", sealed" } else { "" };
    line(
        &mut text,
        &format!(
            "{}: no. {}, {}{sealed}",
            result.inspection, opening.tag, car.name
        ),
    );
    let mut fact = |what: &str, value: Option<&str>| {
        if let Some(value) = value {
            line(&mut text, &format!("  {what:<12} {value}"));
        }
    };
    fact("car", car.description.as_deref());
    fact("serial", car.serial.as_deref());
    for mark in &car.marks {
        fact("mark", Some(mark));
    }
    for fitted in &car.fitted {
        fact("fitted", Some(fitted));
    }
    fact(
        "opened",
        Some(&format!("{} by {}", opening.opened, opening.operator)),
    );
    fact("house", opening.house.as_deref());
    let here = result.has_owner.then(|| format!("({OWNER} is here)"));
    let owner: Vec<String> = opening.owner.clone().into_iter().chain(here).collect();
    fact(
        "owner",
        (!owner.is_empty()).then(|| owner.join(" ")).as_deref(),
    );
    fact("reason", opening.reason.as_deref());
    for claimed in &opening.claimed {
        fact("claimed", Some(claimed));
    }
    text
}

fn page(result: &ShowResult, visit: &Visit) -> String {
    let mut text = car(result);
    text.push('\n');
    for entry in &result.entries {
        text.push_str(&told(entry));
        for (later, what) in visit.corrections(entry.n) {
            line(
                &mut text,
                &format!("       corrected in line {}: {what}", later.n),
            );
        }
    }
    for (head, list) in [
        ("A good record still lacks:", &result.missing),
        ("Journal and files do not fit:", &result.remarks),
    ] {
        if !list.is_empty() {
            text.push('\n');
            line(&mut text, head);
        }
        for what in list {
            line(&mut text, &format!("- {what}"));
        }
    }
    text
}

/// One line of the journal, for a person; ended.
pub(super) fn told(entry: &Entry) -> String {
    let when = entry.when.strftime("%Y-%m-%d %H:%M:%SZ");
    let told = told::told(&entry.deed);
    let file = told.file.or(told.capture);
    let file = file.map_or_else(String::new, |file| format!(" ({file})"));
    let said = told.text();
    let mut text = String::new();
    line(
        &mut text,
        &format!("{:>4}  {when}  {}: {said}{file}", entry.n, entry.who),
    );
    text
}

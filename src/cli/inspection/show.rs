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
    inspection::{
        Act, Checked, Decision, Deed, Entry, Folder, Moment, OWNER, Opening, Photograph,
        PlannedPart, Price, Sense, Stage, Visit, gaps,
    },
    units::{ZERO_CELSIUS_K, count},
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

/// One line. What stands in an inspection is somebody's text: no control character of theirs reaches the terminal.
fn line(text: &mut String, line: &str) {
    text.extend(line.chars().map(|c| if c.is_control() { '?' } else { c }));
    text.push('\n');
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
        line(&mut text, &told(entry));
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

/// One line of the journal, for a person.
pub(super) fn told(entry: &Entry) -> String {
    let when = entry.when.strftime("%Y-%m-%d %H:%M:%SZ");
    let what = deed(&entry.deed).replace('\n', "\n       ");
    format!("{:>4}  {when}  {}: {what}", entry.n, entry.who)
}

#[allow(clippy::too_many_lines)] // one exhaustive match
fn deed(deed: &Deed) -> String {
    let more = |before: &str, text: &Option<String>| {
        text.as_ref()
            .map_or(String::new(), |text| format!("{before}{text}"))
    };
    match deed {
        Deed::Opened { software } => format!("opened with {software}"),
        Deed::Conditions {
            temperature_k,
            ambient_pa,
            words,
        } => {
            let warm = temperature_k.map(|k| format!("{:.1} C", k - ZERO_CELSIUS_K));
            let air = ambient_pa.map(|pa| format!("{:.1} hPa", pa / 100.0));
            let said: Vec<String> = [warm, air, words.clone()].into_iter().flatten().collect();
            format!("conditions: {}", said.join(", "))
        }
        Deed::Observed {
            sense,
            text,
            photograph,
        } => {
            let sense = match sense {
                Sense::Seen => "seen",
                Sense::Felt => "felt",
                Sense::Heard => "heard",
                Sense::Smelt => "smelt",
            };
            format!("{sense}: {text}{}", more("; see ", photograph))
        }
        Deed::NotChecked { text } => format!("not checked: {text}"),
        Deed::Photographed(photograph) => photographed(photograph),
        Deed::Attached { file, words, .. } => format!("attached {file}: {words}"),
        Deed::Captured {
            capture,
            test,
            setup,
            stage,
        } => {
            let stage = match stage {
                Stage::AsFound => "as found",
                Stage::AfterRepair => "after the repair",
            };
            format!("{test}{}, {stage}: {capture}", more(" ", setup))
        }
        Deed::Found { file, .. } => format!("result {file}"),
        Deed::Checked(checked) => checked_by(checked),
        Deed::Part(part) => planned(part),
        Deed::Repaired { text } => format!("repair: {text}"),
        Deed::Decided {
            decision,
            offer,
            words,
        } => {
            let word = match decision {
                Decision::Buy => "buy",
                Decision::Leave => "leave",
                Decision::Repair => "repair",
                Decision::HandBack => "hand back",
            };
            let offer = offer
                .as_ref()
                .map(|price| format!(", offer {}", money(price)));
            format!(
                "decided: {word}{}{}",
                offer.unwrap_or_default(),
                more("; ", words)
            )
        }
        Deed::Joint {
            present,
            objections,
            file,
            ..
        } => {
            let names: Vec<String> = present
                .iter()
                .map(|p| format!("{} ({})", p.name, p.role))
                .collect();
            let objected = match objections.len() {
                0 => String::new(),
                n => format!("; objections: {n}"),
            };
            format!("joint statement {file}: {}{objected}", names.join(", "))
        }
        Deed::Corrected { line, text } => format!("line {line} is wrong: {text}"),
        Deed::ClockSet { by_s } => {
            let way = if *by_s < 0.0 { "back" } else { "forward" };
            format!("the clock was set {way} by {:.1} s", by_s.abs())
        }
        Deed::Mended { bytes, .. } => {
            format!(
                "taken off: {} of a line that was cut off",
                count(*bytes, "byte")
            )
        }
    }
}

fn photographed(photograph: &Photograph) -> String {
    let Photograph {
        file,
        width,
        height,
        taken,
        words,
        tag_in_picture,
        ..
    } = photograph;
    let words = words
        .as_ref()
        .map_or(String::new(), |words| format!(": {words}"));
    let tag = if *tag_in_picture {
        ", the tag in the picture"
    } else {
        ""
    };
    let taken = taken.as_ref().map_or(String::new(), |t| {
        format!(", taken {t} by the camera's clock")
    });
    format!("{file} ({width} x {height}{tag}{taken}){words}")
}

fn checked_by(checked: &Checked) -> String {
    let moment = match checked.moment {
        Moment::Before => "before the first test",
        Moment::After => "after the last test",
    };
    let Checked {
        by,
        probe,
        stated,
        stated_u,
        shown,
        shown_u,
        unit,
        ..
    } = checked;
    format!(
        "check {by} {moment}: {probe} shows {shown:.4} (u {shown_u:.2}) {unit}, {stated:.4} (u {stated_u:.2}) {unit} stated"
    )
}

fn planned(part: &PlannedPart) -> String {
    let act = match part.act {
        Act::ToOpen => "to be opened",
        Act::Needed => "needed",
        Act::Renewed => "renewed",
        Act::PutRight => "put right",
    };
    let mut said = vec![format!("{}: {act}", part.name)];
    said.extend(part.minutes.map(|n| format!("{n} min")));
    said.extend(part.from.clone());
    if let Some(price) = &part.price {
        let by = part
            .priced_by
            .as_ref()
            .map_or(String::new(), |by| format!(" says {by}"));
        said.push(format!("{}{by}", money(price)));
    }
    format!("part {}", said.join(", "))
}

fn money(price: &Price) -> String {
    let figure = |hundredths: u64| format!("{}.{:02}", hundredths / 100, hundredths % 100);
    if price.low == price.high {
        format!("{} {}", figure(price.low), price.currency)
    } else {
        format!(
            "{} to {} {}",
            figure(price.low),
            figure(price.high),
            price.currency
        )
    }
}

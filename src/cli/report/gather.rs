//! What a report is made of, from the inspection's folder.

use super::super::{Failure, compare, tree::Disk, verify::whole};
use crate::{
    evidence::{
        Basis, TAG_FILES, TAG_MANIFEST,
        bag::digests_of,
        captures::{self, ComparisonOf, agreement},
        contents,
        manifest::Manifest,
        tree::{self, MAX_TAG},
    },
    inspection::{CAPTURES, FINDINGS, Folder, FolderError, VEHICLE, Visit, photograph},
    record::{capture::is_safe_name, writer::sha256},
    report::document::{
        Attached, Shown,
        build::{Inspected, InspectedCapture, InspectedComparison, Proof, ReadCapture},
    },
    vehicle::Vehicle,
};

/// Longest side of a photograph on paper, picture elements: 80 mm at 300 in an inch, and some.
const LONGEST_SIDE: u32 = 1200;
/// Longest vehicle file, bytes.
const MAX_VEHICLE: u64 = 1 << 20;

#[allow(clippy::needless_pass_by_value)] // as map_err hands it over
fn work(e: FolderError) -> Failure {
    Failure::Work(e.to_string())
}

/// Reads everything; `own`: the report goes into the inspection's own `report/`.
///
/// # Errors
/// What the disk says; a journal that is not as it was written; an inspection that changed meanwhile.
pub(super) fn inspected(folder: &Folder, own: bool) -> Result<Inspected, Failure> {
    let visit = folder.visit().map_err(work)?;
    let files = folder.files().map_err(work)?;
    let paths = || files.iter().map(String::as_str);
    let names = captures::names(paths());
    let read = names.iter().map(|name| InspectedCapture {
        name: name.clone(),
        read: capture(folder, name),
    });
    let comparisons = paths().filter(|path| {
        path.strip_prefix(FINDINGS)
            .and_then(|name| name.strip_prefix("/comparison-")?.strip_suffix(".json"))
            .is_some()
    });
    let vehicle = folder.read(VEHICLE, MAX_VEHICLE).ok();
    let vehicle = vehicle.and_then(|bytes| String::from_utf8(bytes).ok());
    let inspected = Inspected {
        captures: read.collect(),
        comparisons: comparisons.map(|path| comparison(folder, path)).collect(),
        photographs: photographs(folder, &visit),
        remarks: folder.remarks().map_err(work)?,
        vehicle: vehicle.and_then(|text| Vehicle::parse(&text).ok()),
        proof: match folder.sealed() {
            Some(bag) => sealed(&Disk::at(bag))?,
            None => open(&Disk::at(folder.base()), own)?,
        },
        visit,
    };
    let now = folder.visit().map_err(work)?;
    if now.entries != inspected.visit.entries {
        return Err(Failure::Work(format!(
            "{}: somebody added to the inspection while the report was made; make it again",
            folder.base().display()
        )));
    }
    Ok(inspected)
}

fn capture(folder: &Folder, name: &str) -> Result<ReadCapture, String> {
    let capture = folder.capture(name).map_err(|e| e.to_string())?;
    let damage = capture.faults.iter().find(|(kind, _)| {
        // what the recorder itself suffered stands in the finding; these two come later
        matches!(kind.as_str(), "missing_file" | "changed_file")
    });
    if let Some((kind, n)) = damage {
        return Err(format!("not as it was when it was closed ({kind}: {n})"));
    }
    let finding = captures::finding(&capture)?;
    let file = format!("{FINDINGS}/{name}.json");
    let recorded = folder.read(&file, MAX_TAG).ok();
    Ok(ReadCapture {
        lines: capture.rows.iter().map(|rows| rows.len() as u64).collect(),
        closed: capture.closed.is_some(),
        agreement: recorded.map(|bytes| agreement(&file, &bytes, &finding)),
        meta: capture.meta,
        finding,
    })
}

fn comparison(folder: &Folder, path: &str) -> InspectedComparison {
    let mut one = InspectedComparison {
        file: path.to_owned(),
        of: [Vec::new(), Vec::new()],
        compared: Err(String::new()),
        agreement: None,
    };
    one.compared = of(folder, path).and_then(|of| {
        let folders = |names: &[String]| {
            let safe = names.iter().all(|name| is_safe_name(name));
            let path = |name: &String| folder.base().join(CAPTURES).join(name);
            safe.then(|| names.iter().map(path).collect::<Vec<_>>())
                .ok_or_else(|| "its .toml names what can be no capture".to_owned())
        };
        one.of = [of.before.clone(), of.after.clone()];
        let (before, after) = (folders(&of.before)?, folders(&of.after)?);
        compare::of_captures(&before, &after, of.p_ref_pa, of.setup.as_deref()).map_err(|e| match e
        {
            Failure::Work(why) | Failure::Usage(why) => why,
            Failure::Output(e) => e.to_string(),
        })
    });
    if let (Ok(compared), Ok(recorded)) = (&one.compared, folder.read(path, MAX_TAG)) {
        one.agreement = Some(agreement(path, &recorded, compared));
    }
    one
}

/// What a comparison was made of.
fn of(folder: &Folder, json: &str) -> Result<ComparisonOf, String> {
    let path = json.strip_suffix(".json").unwrap_or(json).to_owned() + ".toml";
    let bytes = folder.read(&path, MAX_TAG).map_err(|e| e.to_string())?;
    toml::from_slice(&bytes).map_err(|e| format!("{path}: {}", e.message()))
}

fn photographs(folder: &Folder, visit: &Visit) -> Vec<(String, Result<Shown, String>)> {
    let shown = |file: &str, digest: &str| {
        let bytes = folder
            .read(file, photograph::MOST_BYTES as u64)
            .map_err(|e| e.to_string())?;
        if sha256(&bytes) != digest {
            return Err("it is not the file that was put in".to_owned());
        }
        let shown = photograph::shown(&bytes, LONGEST_SIDE).map_err(|e| e.to_string())?;
        Ok(Shown {
            jpeg: shown.jpeg,
            size: (shown.width, shown.height),
            words: String::new(),
        })
    };
    let all = visit.photographs();
    all.into_iter()
        .map(|(_, p)| (p.file.clone(), shown(&p.file, &p.sha256)))
        .collect()
}

/// The list of everything but the report, as `sha256sum` prints it.
fn open(disk: &Disk, own: bool) -> Result<Proof, Failure> {
    let at = |path: &str| disk.base.join(path).display().to_string();
    let listing = tree::list(disk).map_err(|e| Failure::Work(format!("{}: {e}", at(""))))?;
    let refused = listing
        .refused
        .iter()
        .find(|d| contents::is_listed(&d.file));
    if let Some(refused) = refused {
        return Err(Failure::Work(format!("{}/{refused}", disk.base.display())));
    }
    let listed = listing
        .files
        .keys()
        .filter(|path| contents::is_listed(path));
    let files = digests_of(disk, listed)
        .map_err(|e| Failure::Work(format!("{}/{e}", disk.base.display())))?;
    let list = files
        .into_iter()
        .map(|(path, digests)| (path, digests.sha256));
    let contents = Manifest(list.collect()).text();
    Ok(Proof::Open {
        path: if own { contents::FILE } else { contents::NAME }.into(),
        sha256: sha256(contents.as_bytes()),
        contents,
    })
}

fn sealed(bag: &Disk) -> Result<Proof, Failure> {
    let basis = Basis {
        signers: None,
        left_out: &[],
        unsigned: false,
    };
    let verified = Box::new(whole(bag, &basis)?);
    let read = |name: &str| {
        tree::read(bag, name, MAX_TAG)
            .map_err(|e| Failure::Work(format!("{}: {e}", bag.base.join(name).display())))
    };
    let manifest = TAG_FILES[3];
    let mut manifests = Vec::new();
    for (name, words) in [
        (TAG_MANIFEST, "What the signatures are over"),
        (manifest, "Digests of every file of the inspection"),
    ] {
        manifests.push(Attached {
            name: name.into(),
            words: words.into(),
            media_type: "text/plain",
            bytes: read(name)?,
        });
    }
    Ok(Proof::Sealed {
        sha256: sha256(&manifests[0].bytes),
        manifests,
        verified,
    })
}

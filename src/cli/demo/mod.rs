//! `demo`: the invented club car on virtual probes, from the open inspection to the verified seal.

mod photographs;
mod sealing;
mod sensors;
mod steps;
mod story;
mod told;
mod visit;

use std::{
    fs,
    io::{self, Write as _},
    path::{Path, PathBuf},
};

use schemars::JsonSchema;
use serde::Serialize;

use super::{
    DONE, Failure, Outcome, Output, args::DemoArgs, progress::Progress, report as cli_report,
};
use crate::{
    inspect::{Finding, Test},
    physics::PLOVER_8,
    report::{self, document::Paper},
    vehicle::Vehicle,
};
use sensors::{Sensor, sensors};
use told::Told;
use visit::Taken;

/// Folder when none is named.
const FOLDER: &str = "feelgauge-demo";
const CAPTURES: &str = "captures";
const CALIBRATIONS: &str = "calibrations";
const VEHICLE: &str = "plover-8.toml";
const SUMMARY: &str = "summary.txt";
const FINDINGS: &str = "findings.json";
const TRUTH: &str = "truth.json";
const INSPECTION: &str = "inspection";
const SEALED: &str = "inspection-sealed";
const REPORT: &str = "report";

/// Result of `demo`: one finding a test, in the order in which they were taken; the first three are of the three tests
/// before the repair.
#[derive(Serialize, JsonSchema)]
pub(super) struct DemoResult<'a>(Vec<&'a Finding>);

/// Runs `demo`.
pub fn run(args: &DemoArgs, output: &mut Output) -> Outcome {
    if args.live {
        let folder = make_folder(args.out.as_deref())?;
        return super::bench::live_demo(folder, args.seed, args.speed, output);
    }
    let car = Vehicle::parse(PLOVER_8).expect("the demo car's file is tested");
    let folder = make_folder(args.out.as_deref())?;
    let mut progress = Progress::stderr();
    progress.show("simulating the car ...");
    let sensors = sensors(args.seed)?;
    let (steps, truth) = steps::steps(args.seed, &sensors);
    let inspection = folder.join(INSPECTION);
    let seeds = (args.seed, &sensors);
    let visited = visit::visit(&inspection, &car, seeds, steps, &mut progress)?;
    cli_report::write(&inspection, None, Paper::A4, &mut |words| {
        progress.show(words);
    })?;
    progress.show("sealing, signing, verifying ...");
    let sealed = sealing::seal(&folder, &inspection, args.seed)?;
    let out = folder.join(REPORT);
    cli_report::write(&folder.join(SEALED), Some(&out), Paper::A4, &mut |words| {
        progress.show(words);
    })?;
    let told = Told {
        car: &car,
        visited: &visited,
        sealed: &sealed,
        seed: args.seed,
    };
    beside(&folder, &sensors, &visited.taken)?;
    let findings = DemoResult(visited.taken.iter().map(|t| &t.finding).collect());
    write(&folder, FINDINGS, &report::pretty(&findings))?;
    write(&folder, TRUTH, &report::pretty(&truth))?;
    write(&folder, SUMMARY, &told.summary(true))?;
    progress.clear();
    output.result(&findings, |_| {
        let name = folder.display().to_string();
        format!("{}\nWritten to {name}\n", told.stages(&name))
    })?;
    Ok(DONE)
}

/// What lies beside the inspection: the car's file, the calibrations, and the first three captures by themselves.
fn beside(folder: &Path, sensors: &[Sensor; 2], taken: &[Taken]) -> Result<(), Failure> {
    write(folder, VEHICLE, PLOVER_8)?;
    let calibrations = folder.join(CALIBRATIONS);
    fs::create_dir(&calibrations).map_err(|e| cannot("make", &calibrations, &e))?;
    for sensor in sensors {
        let (rows, file) = (
            format!("{}.csv", sensor.name),
            format!("{}.toml", sensor.name),
        );
        write(&calibrations, &rows, &sensor.rows)?;
        write(&calibrations, &file, &sensor.file)?;
    }
    for first in taken.iter().take(Test::ALL.len()) {
        let from = folder.join(INSPECTION).join(CAPTURES).join(&first.capture);
        copy(&from, &folder.join(CAPTURES).join(&first.capture))?;
    }
    Ok(())
}

/// Copies the files of a folder into a new one.
fn copy(from: &Path, to: &Path) -> Result<(), Failure> {
    fs::create_dir_all(to).map_err(|e| cannot("make", to, &e))?;
    for entry in fs::read_dir(from).map_err(|e| cannot("read", from, &e))? {
        let entry = entry.map_err(|e| cannot("read", from, &e))?;
        let file = to.join(entry.file_name());
        fs::copy(entry.path(), &file).map_err(|e| cannot("write", &file, &e))?;
    }
    Ok(())
}

/// The folder to write to, made now: nothing that exists is touched.
fn make_folder(out: Option<&Path>) -> Result<PathBuf, Failure> {
    if let Some(out) = out {
        if let Some(parent) = out.parent() {
            fs::create_dir_all(parent).map_err(|e| cannot("make", parent, &e))?;
        }
        return match fs::create_dir(out) {
            Ok(()) => Ok(out.into()),
            Err(e) if e.kind() == io::ErrorKind::AlreadyExists => Err(Failure::Usage(format!(
                "--out {}: exists already; name a folder that does not, or move this one away",
                out.display()
            ))),
            Err(e) => Err(cannot("make", out, &e)),
        };
    }
    let mut n = 1_u64;
    loop {
        let folder = match n {
            1 => PathBuf::from(FOLDER),
            n => PathBuf::from(format!("{FOLDER}-{n}")),
        };
        match fs::create_dir(&folder) {
            Ok(()) => return Ok(folder),
            Err(e) if e.kind() == io::ErrorKind::AlreadyExists => n += 1,
            Err(e) => return Err(cannot("make", &folder, &e)),
        }
    }
}

fn write(folder: &Path, name: &str, text: &str) -> Result<(), Failure> {
    let path = folder.join(name);
    let written = fs::File::create_new(&path).and_then(|mut file| {
        file.write_all(text.as_bytes())
            .and_then(|()| file.sync_all())
    });
    written.map_err(|e| cannot("write", &path, &e))
}

fn cannot(what: &str, path: &Path, error: &io::Error) -> Failure {
    Failure::Work(format!(
        "feelgauge: cannot {what} {}: {}; name a folder that you may write to: --out DIR",
        path.display(),
        super::plan::words(error)
    ))
}

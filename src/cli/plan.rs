//! From raw arguments to a resolved plan: which record, which car, what was stated. Everything that can be wrong with
//! the command line is found here, before any work.

use std::{
    fs::{self, File},
    io::{self, Read},
    path::{Path, PathBuf},
};

use super::{
    Failure,
    args::{AnalyzeCommon, AnalyzeVerb, LeakOptions},
};
use crate::{
    inspect::{Stated, Test},
    record::{Capture, Files, RecordError, read_capture},
    vehicle::{MAX_TEXT, Vehicle},
};

/// Name of standard input where a plain file may stand.
pub(super) const STDIN: &str = "-";

/// Where the readings come from.
#[derive(Debug)]
pub(super) enum Record {
    /// A plain sample file, or [`STDIN`].
    Plain(PathBuf),
    /// A capture folder, read.
    Capture(Box<Capture>),
}

/// What `analyze` will do.
#[derive(Debug)]
pub(super) struct AnalyzePlan {
    pub test: Test,
    pub record: Record,
    /// The record as the person named it.
    pub source: String,
    /// Stated by options, and where they say nothing, by the capture.
    pub stated: Stated,
    /// The car: of `--vehicle`, else of the capture.
    pub vehicle: Option<Vehicle>,
    /// The vehicle file as the person would name it.
    pub vehicle_name: String,
    pub skip_bad_rows: bool,
    pub verdict_exit: bool,
}

/// Resolves `analyze`.
///
/// # Errors
/// A file that cannot be read or has faults; options that contradict the record.
pub(super) fn analyze(verb: AnalyzeVerb) -> Result<AnalyzePlan, Failure> {
    let (test, common, stated) = match verb {
        AnalyzeVerb::Leak(args) => {
            let mut stated = leak_stated(args.options);
            stated.sealed_zero_s = args.sealed_zero.map(|s| (s.start_s, s.end_s));
            (Test::Leak, args.common, stated)
        }
        AnalyzeVerb::Pull(args) => {
            let stated = Stated {
                mass_kg: args.mass,
                filter_order: args.filter_order,
                ..Stated::default()
            };
            (Test::Pull, args.common, stated)
        }
        AnalyzeVerb::Roll(args) => {
            let stated = Stated {
                sensor: args.sensor,
                magnets: args.magnets,
                ..Stated::default()
            };
            (Test::Roll, args.common, stated)
        }
    };
    resolve(test, common, stated)
}

/// What the options of a leak state.
pub(super) fn leak_stated(options: LeakOptions) -> Stated {
    Stated {
        volume_m3: options.volume,
        volume_u_m3: options.volume_u,
        p_ref_pa: options.at,
        limit_pa_m3_s: options.limit,
        ambient_pa: options.baro,
        syringe_m3: options.syringe,
        ..Stated::default()
    }
}

fn resolve(test: Test, common: AnalyzeCommon, mut stated: Stated) -> Result<AnalyzePlan, Failure> {
    let source = common.path.display().to_string();
    let record = record(&common.path)?;
    stated.setup = common.setup;
    let mut plan = AnalyzePlan {
        test,
        source,
        stated,
        vehicle: None,
        vehicle_name: String::new(),
        skip_bad_rows: common.skip_bad_rows,
        verdict_exit: common.verdict_exit,
        record,
    };
    if let Record::Capture(capture) = &plan.record {
        let source = &plan.source;
        let recorded = capture
            .test()
            .map_err(|e| Failure::Work(format!("{source}: {e}")))?;
        if recorded != test {
            return Err(Failure::Work(format!(
                "{source}: this is a capture of a {word} test; use `feelgauge analyze {word}`",
                word = recorded.word()
            )));
        }
        plan.stated = plan.stated.or(capture.meta.stated());
        plan.vehicle = capture
            .car()
            .map_err(|e| Failure::Work(format!("{source}/{e}")))?;
        plan.vehicle_name = format!("{source}/vehicle.toml");
    }
    if let Some(path) = &common.vehicle {
        plan.vehicle = Some(vehicle(path)?.1);
        plan.vehicle_name = path.display().to_string();
    }
    if let (Some(setup), None) = (&plan.stated.setup, &plan.vehicle) {
        return Err(Failure::Usage(format!(
            "{}: setup {setup} stands in no vehicle file; name the file: --vehicle FILE",
            plan.source
        )));
    }
    Ok(plan)
}

fn record(path: &Path) -> Result<Record, Failure> {
    if path.as_os_str() == STDIN {
        return Ok(Record::Plain(path.into()));
    }
    let about = fs::metadata(path).map_err(|e| cannot_read(path, &e))?;
    if !about.is_dir() {
        return Ok(Record::Plain(path.into()));
    }
    match read_capture(&Files::under(path), "") {
        Ok(capture) => Ok(Record::Capture(Box::new(capture))),
        Err(RecordError::NotACapture { .. }) => Err(Failure::Work(format!(
            "{}: this folder is no capture: it has no capture.toml; name the folder of a capture, or a plain sample file",
            path.display()
        ))),
        Err(e) => Err(Failure::Work(format!("{}: {e}", path.display()))),
    }
}

/// Reads a vehicle file; its text comes too.
///
/// # Errors
/// The file cannot be read or has a fault; the message names file, line and column.
pub(super) fn vehicle(path: &Path) -> Result<(String, Vehicle), Failure> {
    let mut bytes = Vec::new();
    // One byte more than a vehicle file may have, so that the parser sees that it is too long.
    File::open(path)
        .and_then(|file| file.take(MAX_TEXT as u64 + 1).read_to_end(&mut bytes))
        .map_err(|e| cannot_read(path, &e))?;
    let name = path.display();
    let text = String::from_utf8(bytes).map_err(|e| {
        let good = &e.as_bytes()[..e.utf8_error().valid_up_to()];
        let line = 1 + String::from_utf8_lossy(good).matches('\n').count();
        Failure::Work(format!(
            "{name}:{line}: this is no UTF-8 text; save the vehicle file as plain text in UTF-8"
        ))
    })?;
    let vehicle = Vehicle::parse(&text).map_err(|e| Failure::Work(format!("{name}:{e}")))?;
    Ok((text, vehicle))
}

/// What to say of a file that the system does not let us read.
pub(super) fn cannot_read(path: &Path, error: &io::Error) -> Failure {
    let todo = match error.kind() {
        io::ErrorKind::NotFound => "check the name",
        io::ErrorKind::PermissionDenied => "ask its owner for permission to read it",
        io::ErrorKind::IsADirectory => "name a file",
        _ => "check the disk and the file",
    };
    Failure::Work(format!(
        "{}: cannot be read: {}; {todo}",
        path.display(),
        words(error)
    ))
}

/// The system's words without its number.
pub(super) fn words(error: &io::Error) -> String {
    match error.kind() {
        io::ErrorKind::NotFound => "no such file or folder".into(),
        io::ErrorKind::PermissionDenied => "permission denied".into(),
        _ => error.to_string(),
    }
}

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
    plot::PlotFile,
    records::Named,
};
use crate::{
    calibration::{self, Calibration},
    clock::Clock,
    inspect::{Calibrations, SettingsError, Source, Stated, Test},
    record::{Capture, Files, RecordError, read_capture, replay},
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
    /// Where the pictures go.
    pub plot: Option<PlotFile>,
}

impl AnalyzePlan {
    /// The setup in which the record was taken: stated, else a roll's when its car has only one.
    pub(super) fn setup(&self) -> Option<&str> {
        let only = || {
            let vehicle = self.vehicle.as_ref().filter(|_| self.test == Test::Roll)?;
            let mut setups = vehicle.setups_of(self.test.word());
            let first = setups.next()?;
            setups.next().is_none().then_some(first.name.as_str())
        };
        self.stated.setup.as_deref().or_else(only)
    }

    /// Serial number of the probe that the test reads, where a capture knows it.
    pub(super) fn sensor(&self) -> Option<String> {
        let Record::Capture(capture) = &self.record else {
            return None;
        };
        let sources = replay::sources(&capture.meta.probes).ok()?;
        sources.into_iter().find_map(|source| match source {
            Source::Wire(Some(identity)) if identity.kind == self.test.kind() => {
                Some(identity.serial.clone())
            }
            _ => None,
        })
    }

    /// Day (UTC) on which a capture was taken.
    pub(super) fn day(&self) -> Option<String> {
        match &self.record {
            Record::Capture(capture) => {
                Some(capture.meta.anchor.wall.strftime("%Y-%m-%d").to_string())
            }
            Record::Plain(_) => None,
        }
    }

    /// A setup that the car's file does not have.
    pub(super) fn unknown_setup(&self, setup: &str) -> Failure {
        let known = self
            .vehicle
            .iter()
            .flat_map(|v| v.setups_of(self.test.word()));
        let error = SettingsError::Setup {
            setup: setup.to_owned(),
            known: known.map(|s| s.name.clone()).collect(),
        };
        Failure::Usage(format!("{}: {error}", self.vehicle_name))
    }
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
            let (sensor, more_sensors) = sensors(&args.sensors);
            if args.magnets.is_some() && !more_sensors.is_empty() {
                return Err(Failure::Usage(
                    "--magnets looks at one sensor: name one with --sensor".into(),
                ));
            }
            let stated = Stated {
                sensor,
                more_sensors,
                magnets: args.magnets,
                ..Stated::default()
            };
            (Test::Roll, args.common, stated)
        }
    };
    resolve(test, common, stated)
}

/// The first sensor and the further ones, each once.
fn sensors(stated: &[u32]) -> (Option<u32>, Vec<u32>) {
    let mut once: Vec<u32> = Vec::new();
    for sensor in stated {
        if !once.contains(sensor) {
            once.push(*sensor);
        }
    }
    let mut once = once.into_iter();
    (once.next(), once.collect())
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
    let plot = common.plot.as_deref().map(PlotFile::new).transpose()?;
    stated.setup = common.setup;
    let source = common.path.display().to_string();
    let record = record(&common.path)?;
    let kept = calibrations(&common.calibrations)?;
    stated = kept.for_leak(stated);
    // A plain file says nothing of its day: taken as today's. A capture knows its own.
    stated.calibrations = kept.sensors.on(Clock::system().day());
    if let Record::Capture(capture) = &record {
        let recorded = capture
            .test()
            .map_err(|e| Failure::Work(format!("{source}: {e}")))?;
        if recorded != test {
            return Err(Failure::Work(format!(
                "{source}: this is a capture of a {word} test; use `feelgauge analyze {word}`",
                word = recorded.word()
            )));
        }
    }
    let given = common.vehicle.as_deref().map(Given::read).transpose()?;
    let named = Named {
        source,
        test,
        record,
    };
    let mut plan = of_record(named, stated, given.as_ref())?;
    plan.skip_bad_rows = common.skip_bad_rows;
    plan.verdict_exit = common.verdict_exit;
    plan.plot = plot;
    if let (Some(setup), None) = (&plan.stated.setup, &plan.vehicle) {
        return Err(no_vehicle(&plan.source, setup));
    }
    Ok(plan)
}

/// A setup was named, and no file says what it is.
pub(super) fn no_vehicle(source: &str, setup: &str) -> Failure {
    Failure::Usage(format!(
        "{source}: setup {setup} stands in no vehicle file; name the file: --vehicle FILE"
    ))
}

/// The vehicle file that a person gave for all records.
#[derive(Debug)]
pub(super) struct Given {
    /// The file as the person named it.
    pub name: String,
    /// What it says.
    pub vehicle: Vehicle,
}

impl Given {
    /// Reads the file.
    ///
    /// # Errors
    /// As [`vehicle`].
    pub(super) fn read(path: &Path) -> Result<Self, Failure> {
        Ok(Self {
            name: path.display().to_string(),
            vehicle: vehicle(path)?.1,
        })
    }

    /// Refuses captures whose own vehicle file names another car.
    ///
    /// # Errors
    /// The first of them.
    pub(super) fn is_of<'a>(
        &self,
        plans: impl IntoIterator<Item = &'a AnalyzePlan>,
    ) -> Result<(), Failure> {
        for plan in plans {
            let Record::Capture(capture) = &plan.record else {
                continue;
            };
            let car = capture
                .car()
                .map_err(|e| Failure::Work(format!("{}/{e}", plan.source)))?;
            if let Some(car) = car.filter(|car| car.name != self.vehicle.name) {
                return Err(Failure::Work(format!(
                    "{}: a capture of {}, and {} is the file of {}; name records of one car",
                    plan.source, car.name, self.name, self.vehicle.name
                )));
            }
        }
        Ok(())
    }
}

/// How to analyze one record. What `stated` leaves open a capture states, the car too where none is given.
///
/// # Errors
/// A fault of the capture's vehicle file.
pub(super) fn of_record(
    named: Named,
    stated: Stated,
    given: Option<&Given>,
) -> Result<AnalyzePlan, Failure> {
    let Named {
        source,
        test,
        record,
    } = named;
    let (mut stated, mut vehicle, mut vehicle_name) = (stated, None, String::new());
    if let Record::Capture(capture) = &record {
        stated = stated.or(capture.meta.stated());
        vehicle = capture
            .car()
            .map_err(|e| Failure::Work(format!("{source}/{e}")))?;
        vehicle_name = format!("{source}/vehicle.toml");
    }
    if let Some(given) = given {
        vehicle = Some(given.vehicle.clone());
        vehicle_name.clone_from(&given.name);
    }
    Ok(AnalyzePlan {
        test,
        record,
        source,
        stated,
        vehicle,
        vehicle_name,
        skip_bad_rows: false,
        verdict_exit: false,
        plot: None,
    })
}

/// A plain sample file, or a capture, read.
///
/// # Errors
/// It cannot be read, or is a folder without a capture.
pub(super) fn record(path: &Path) -> Result<Record, Failure> {
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

/// What calibration files state.
pub(super) struct Kept {
    /// Of sensors.
    pub sensors: Calibrations,
    /// Of the tank: m3 and its standard uncertainty.
    volume: Option<(f64, f64)>,
}

impl Kept {
    /// The volume of a calibration file stands where no option states one.
    pub fn for_leak(&self, stated: Stated) -> Stated {
        match self.volume {
            Some((volume, u)) if stated.volume_m3.is_none() => Stated {
                volume_m3: Some(volume),
                volume_u_m3: stated.volume_u_m3.or(Some(u)),
                ..stated
            },
            _ => stated,
        }
    }
}

/// Reads calibration files.
///
/// # Errors
/// A file that cannot be read or has a fault; the message names file, line and column.
pub(super) fn calibrations(paths: &[PathBuf]) -> Result<Kept, Failure> {
    let mut list = Vec::new();
    let mut volume = None;
    for path in paths {
        let text = text(path, calibration::MAX_TEXT, "calibration")?;
        let calibration = Calibration::parse(&text)
            .map_err(|e| Failure::Work(format!("{}:{e}", path.display())))?;
        if let Some(found) = &calibration.volume {
            volume = Some((found.volume_m3, found.volume_u_m3));
        }
        list.push((calibration, text));
    }
    Ok(Kept {
        sensors: Calibrations::new(list),
        volume,
    })
}

/// Reads a vehicle file; its text comes too.
///
/// # Errors
/// The file cannot be read or has a fault; the message names file, line and column.
pub(super) fn vehicle(path: &Path) -> Result<(String, Vehicle), Failure> {
    let text = text(path, MAX_TEXT, "vehicle")?;
    let name = path.display();
    let vehicle = Vehicle::parse(&text).map_err(|e| Failure::Work(format!("{name}:{e}")))?;
    Ok((text, vehicle))
}

/// A small text file; `what` file it is, for the message.
///
/// # Errors
/// It cannot be read, or is no UTF-8; the message names file and line.
pub(super) fn text(path: &Path, longest: usize, what: &str) -> Result<String, Failure> {
    let mut bytes = Vec::new();
    // One byte more than the file may have, so that its parser sees that it is too long.
    File::open(path)
        .and_then(|file| file.take(longest as u64 + 1).read_to_end(&mut bytes))
        .map_err(|e| cannot_read(path, &e))?;
    String::from_utf8(bytes).map_err(|e| {
        let good = &e.as_bytes()[..e.utf8_error().valid_up_to()];
        let line = 1 + String::from_utf8_lossy(good).matches('\n').count();
        Failure::Work(format!(
            "{}:{line}: this is no UTF-8 text; save the {what} file as plain text in UTF-8",
            path.display()
        ))
    })
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

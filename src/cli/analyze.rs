//! `analyze`: the finding of a capture or of a plain sample file.

use std::{
    collections::BTreeMap,
    fs::File,
    io::{self, Read},
    path::Path,
};

use super::{
    DONE, Failure, OUTSIDE, Outcome, Output, UNDECIDED,
    args::AnalyzeVerb,
    plan::{self, AnalyzePlan, Record, STDIN, cannot_read},
    say,
};
use crate::{
    calibration::CalibrationLine,
    inspect::{Finding, Measure, Reading, Settings, SettingsError, Stated, settings},
    reading::{ForceReading, PressureReading, Verdict},
    record::{plain::PlainFile, replay::ReplayError},
    report::{self, About},
};

/// Bytes that are read at once.
const PIECE: usize = 1 << 16;

/// Runs `analyze`.
pub(super) fn run(verb: AnalyzeVerb, output: &mut Output) -> Outcome {
    let plan = plan::analyze(verb)?;
    let finding = find(&plan, &plan.stated)?;
    output.result(&finding, |picture| text(&finding, &plan, picture))?;
    if let Some(file) = &plan.plot {
        let vehicle = plan.vehicle.as_ref();
        file.write(&report::plot::sheet(&finding, &title(&plan), vehicle))?;
    }
    Ok(status(finding.verdict(), plan.verdict_exit))
}

/// What stands above the pictures: test, setup and record.
fn title(plan: &AnalyzePlan) -> String {
    let setup = plan.setup().map_or_else(String::new, |name| {
        let setup = plan.vehicle.as_ref().and_then(|v| v.setup(name));
        let label = setup.and_then(|s| s.label.as_deref()).unwrap_or(name);
        format!(", {label}")
    });
    format!("{}{setup}: {}", plan.test.word(), plan.source)
}

/// Exit status of a finding.
fn status(verdict: Option<Verdict>, verdict_exit: bool) -> u8 {
    match verdict {
        _ if !verdict_exit => DONE,
        Some(Verdict::Within) => DONE,
        Some(Verdict::Outside) => OUTSIDE,
        Some(Verdict::Undecided) | None => UNDECIDED,
    }
}

/// The finding of a record; `stated` stands for what the plan states.
///
/// # Errors
/// Something that the test needs and nobody states; a record that cannot be read.
pub(super) fn find(plan: &AnalyzePlan, stated: &Stated) -> Result<Finding, Failure> {
    match &plan.record {
        Record::Capture(capture) => capture
            .analyze(stated.clone(), plan.vehicle.as_ref())
            .map_err(|e| match e {
                ReplayError::Settings(e) => wrong_settings(plan, &e),
                e => Failure::Work(format!("{}: {e}", plan.source)),
            }),
        Record::Plain(path) => {
            stated
                .calibrations
                .check(plan.test, &[])
                .map_err(|e| wrong_settings(plan, &SettingsError::Calibration(e)))?;
            let settings = settings(plan.test, stated, plan.vehicle.as_ref(), &[])
                .map_err(|e| wrong_settings(plan, &e))?;
            plain(plan, path, settings)
        }
    }
}

fn wrong_settings(plan: &AnalyzePlan, error: &SettingsError) -> Failure {
    let place = match error {
        SettingsError::NoVolume | SettingsError::NoVehicle | SettingsError::Calibration(_) => {
            &plan.source
        }
        SettingsError::Setup { .. } | SettingsError::Train(_) | SettingsError::MagnetsTwice => {
            &plan.vehicle_name
        }
    };
    Failure::Usage(format!("{place}: {error}"))
}

/// Reads a plain sample file in pieces.
fn plain(plan: &AnalyzePlan, path: &Path, settings: Settings) -> Result<Finding, Failure> {
    let mut source: Box<dyn Read> = if path.as_os_str() == STDIN {
        Box::new(io::stdin().lock())
    } else {
        Box::new(File::open(path).map_err(|e| cannot_read(path, &e))?)
    };
    let mut sift = Sift::new(&settings);
    let mut pace = Pace::default();
    let mut measure = Measure::new(settings);
    let mut file = PlainFile::new(plan.test, plan.skip_bad_rows);
    let line = plan.stated.calibrations.of_readings(plan.test.kind());
    let mut take = |reading: Reading| {
        pace.see(reading.t_us());
        if sift.counts(reading) {
            measure.push(line.map_or(reading, |(line, _)| calibrated(reading, line)));
        }
    };
    let fault = |e| Failure::Work(format!("{}:{e}", plan.source));
    let mut piece = vec![0; PIECE];
    loop {
        let n = match source.read(&mut piece) {
            Ok(0) => break,
            Ok(n) => n,
            Err(e) if e.kind() == io::ErrorKind::Interrupted => continue,
            Err(e) => return Err(cannot_read(path, &e)),
        };
        file.push(&piece[..n], &mut take).map_err(fault)?;
    }
    let mut quality = file.finish(&mut take).map_err(fault)?;
    quality.rows -= sift.ignored;
    quality.ignored = sift.ignored;
    sift.warn(&plan.source);
    pace.warn(&plan.source);
    tracing::info!(rows = quality.rows, lines = quality.lines, "file read");
    Ok(measure.finish(quality))
}

/// A reading of an instrument whose readings were calibrated.
fn calibrated(reading: Reading, line: &CalibrationLine) -> Reading {
    match reading {
        Reading::Pressure(r) => Reading::Pressure(PressureReading {
            pressure_pa: line.value(r.pressure_pa),
            ..r
        }),
        Reading::Force(r) => Reading::Force(ForceReading {
            force_n: line.value(r.force_n),
            ..r
        }),
        Reading::Edge(_) => reading,
    }
}

/// How fast the rows of a file follow each other.
#[derive(Default)]
struct Pace {
    rows: u64,
    first_us: u64,
    last_us: u64,
}

/// More rows a second than any probe of ours gives, and rows enough to say so.
const TOO_MANY_HZ: f64 = 20e3;
const ENOUGH_ROWS: u64 = 100;

impl Pace {
    fn see(&mut self, t_us: u64) {
        if self.rows == 0 {
            self.first_us = t_us;
        }
        self.rows += 1;
        self.last_us = t_us;
    }

    /// Times in milliseconds look like a record of some hundredths of a second.
    fn warn(&self, source: &str) {
        let span_s = self.last_us.saturating_sub(self.first_us) as f64 * 1e-6;
        if self.rows >= ENOUGH_ROWS && self.rows as f64 > TOO_MANY_HZ * span_s {
            say(&format!(
                "{source}: {} rows lie within {span_s:.3} s; t_us counts microseconds: look at the unit of the times",
                self.rows
            ));
        }
    }
}

/// Lets through what the measure takes: of a roll the edges of the sensed index alone.
struct Sift {
    /// The sensed indices of a roll.
    sensors: Vec<u32>,
    /// Those and the ones that only have to fit the gears.
    heard: Vec<u32>,
    /// Readings of each sensor; the parser bounds how many there are.
    seen: BTreeMap<u32, u64>,
    ignored: u64,
}

impl Sift {
    fn new(settings: &Settings) -> Self {
        Self {
            sensors: settings.sensors(),
            heard: settings.heard(),
            seen: BTreeMap::new(),
            ignored: 0,
        }
    }

    fn counts(&mut self, reading: Reading) -> bool {
        let Reading::Edge(edge) = reading else {
            return true;
        };
        *self.seen.entry(edge.sensor).or_default() += 1;
        let counts = self.heard.contains(&edge.sensor);
        self.ignored += u64::from(!counts);
        counts
    }

    /// A file without an edge of a sensed index is a wrong option more often than a bad record.
    fn warn(&self, source: &str) {
        let known: Vec<String> = self.seen.keys().map(u32::to_string).collect();
        let silent = self.sensors.iter().filter(|s| !self.seen.contains_key(s));
        for sensor in silent.filter(|_| !known.is_empty()) {
            say(&format!(
                "{source}: no edge of sensor {sensor}; the file has edges of {}; choose with --sensor",
                known.join(", ")
            ));
        }
    }
}

fn text(finding: &Finding, plan: &AnalyzePlan, picture: bool) -> String {
    let about = About {
        source: &plan.source,
        vehicle: plan.vehicle.as_ref(),
        setup: plan.setup(),
        picture,
    };
    report::text(finding, about)
}

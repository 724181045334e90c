//! Raw arguments: what the command line may say, with the help that a person reads. Units are converted here.

use std::{net::SocketAddr, num::NonZeroU32, path::PathBuf, time::Duration};

use clap::{ArgAction, Args, Parser, Subcommand, ValueEnum, builder::PossibleValue};
use jiff::civil::Date;

use super::parse::{
    Bare, Port, SetupItem, Span, absolute_pressure, duration, gravity, height, latitude, leak_rate,
    length, mass, pressure, serial, span, volume, water,
};
use crate::inspect::Test;

/// Shown under every help text that takes quantities.
const UNITS: &str = "\
Quantities are a number and a unit, such as 125cm3 or \"125 cm3\":
  volume m3 l ml cm3 mm3; pressure Pa hPa kPa mbar bar; mass kg g;
  leak rate Pa.m3/s mbar.l/s cm3/min (cm3 of air a minute at 20 C and 101325 Pa)";

/// Shown under the help of `bench`.
const BENCH: &str = "\
Every option can stand in bench.toml under its own name, such as
  out = \"captures\"
  port = [\"/dev/ttyUSB0=250000\"]
  vehicle = \"plover8.toml\"
  volume = \"131cm3\"
in $XDG_CONFIG_HOME/feelgauge (else ~/.config/feelgauge). What the command line states comes first; paths
in the file are taken from the file's folder.

Quantities are a number and a unit, such as 125cm3 or \"125 cm3\":
  volume m3 l ml cm3 mm3; pressure Pa hPa kPa mbar bar; mass kg g;
  leak rate Pa.m3/s mbar.l/s cm3/min (cm3 of air a minute at 20 C and 101325 Pa)";

/// Shown under the help of `compare`.
const COMPARED: &str = "\
Each side is a plain sample file, the folder of a capture, or a folder whose .csv files and captures
are taken in the order of their names. The test is known from the header or the capture. What is
stated here is stated for both sides; what is not, each capture states for itself.

Quantities are a number and a unit, such as 125cm3 or \"125 cm3\":
  volume m3 l ml cm3 mm3; pressure Pa hPa kPa mbar bar; mass kg g";

/// Shown under the help of `rule-out`.
const RULED_OUT: &str = "\
leak: as found, lid clamped, line plugged ... -> what each part leaks.
pull: plug in and plug out -> what compression adds to friction.
roll: straight, one wheel spun ... -> which part snags, and which setup to take next.

Quantities are a number and a unit, such as 125cm3 or \"125 cm3\":
  volume m3 l ml cm3 mm3; pressure Pa hPa kPa mbar bar; mass kg g";

/// Shown under the help of `seal`.
const SEALED: &str = "\
feelgauge seal --new-key club.key
feelgauge seal INSPECTION --sign club.key --as shop --expect 'owner:owner:owner.pub:I saw it measured'
feelgauge seal INSPECTION-sealed --sign owner.key --as owner --statement objection.txt";

/// Shown under the help of `verify`.
const VERIFIED: &str = "\
Exit status: 0 everything that was looked at holds; 3 something differs; 1 it could not be read; 2 wrong usage.
Stock tools, in the sealed folder:
  sha256sum -c --quiet manifest-sha256.txt tagmanifest-sha256.txt
  ssh-keygen -Y verify -f allowed_signers -I NAME -n feelgauge-inspection-1 \\
    -s signatures/01-NAME.sig < tagmanifest-sha256.txt
A later signature is over tagmanifest-sha256.txt followed by what sha256sum prints for the files in
signatures/ with lower numbers, then for its own statement (.txt), if it has one.";

/// Shown under the help of `export`.
const EXPORTED: &str = "\
feelgauge export INSPECTION --out tables
feelgauge analyze leak tables/csv/20310517T142140Z-leak-whole/leak.csv --volume 131cm3
duckdb -c \"SELECT day, test, avg(p_pa) FROM read_parquet('tables/readings/**/*.parquet') GROUP BY ALL\"
The owner's data are never exported.";

/// Shown under the help of the whole command.
const EXITS: &str = "\
Exit status: 0 a result was written, whatever it says; 1 something could not be read or done;
2 wrong usage. With --verdict-exit: 0 within, 3 outside, 4 undecided or refused.
Results go to standard output, messages to standard error.";

/// Gauge for used fuel-powered model cars: leak of the tank, pull of the starter cord, roll of the drivetrain,
/// each as a number with its uncertainty.
#[derive(Debug, Parser)]
#[command(name = "feelgauge", version, after_help = EXITS, max_term_width = 100)]
pub struct Arguments {
    /// Write the result as JSON.
    #[arg(long, global = true)]
    pub json: bool,
    /// Say more about what happens, on standard error (-vv: still more; RUST_LOG works too).
    #[arg(short, long, global = true, action = ArgAction::Count)]
    pub verbose: u8,
    /// What to do.
    #[command(subcommand)]
    pub verb: Verb,
}

/// The verbs.
#[derive(Debug, Subcommand)]
pub enum Verb {
    /// A whole inspection of an invented car on virtual probes: before and after a repair, report, seal, verify.
    Demo(DemoArgs),
    /// List the probes that are plugged in, with identity and health.
    Probes(ProbesArgs),
    /// Hold the probes, guide the tests, record them, and show all of it on a page; Ctrl-C ends it in order.
    #[command(after_help = BENCH)]
    Bench(Box<BenchArgs>),
    /// Record one capture from a probe, with live progress; Ctrl-C ends it cleanly.
    #[command(after_help = UNITS)]
    Take(TakeArgs),
    /// Say what a capture or a plain sample file shows.
    #[command(subcommand)]
    Analyze(AnalyzeVerb),
    /// Is it better than before? Two records, captures or folders of them; by more than the uncertainty or not.
    #[command(after_help = COMPARED)]
    Compare(CompareArgs),
    /// Which part is it? Records of one test in several setups of the vehicle file, put together.
    #[command(after_help = RULED_OUT)]
    RuleOut(RuleOutArgs),
    /// Make the calibration of a sensor from known masses or a water column, or measure a volume with a syringe.
    #[command(subcommand)]
    Calibrate(CalibrateVerb),
    /// Write a simulated record with known truth, as a plain sample file.
    Simulate(SimulateArgs),
    /// Check a vehicle file, or list the orders of its parts.
    #[command(subcommand)]
    Vehicle(VehicleVerb),
    /// Enter one car's visit into a folder: photographs, observations, captures, parts; show it.
    #[command(subcommand, after_help = super::inspection::args::INSPECTION)]
    Inspection(super::inspection::args::InspectionVerb),
    /// Seal an inspection, sign it, have its time stamped; or make a key.
    #[command(after_help = SEALED)]
    Seal(Box<super::seal::SealArgs>),
    /// Check a sealed inspection: digests, signatures, journal, and every finding worked out anew.
    #[command(after_help = VERIFIED)]
    Verify(super::verify::VerifyArgs),
    /// Write the report of an inspection: a PDF and a page, with the digest by which the other side checks the rest.
    Report(super::report::ReportArgs),
    /// Write readings and findings for other programs: CSV, JSON Lines, Parquet.
    #[command(after_help = EXPORTED)]
    Export(super::export::ExportArgs),
    /// Print the JSON Schema of every result.
    Schema,
}

/// `demo`.
#[derive(Args, Clone, Debug)]
pub struct DemoArgs {
    /// Folder to write to; it must not exist. Default: feelgauge-demo, or the next free feelgauge-demo-2 ...
    #[arg(long, value_name = "DIR")]
    pub out: Option<PathBuf>,
    /// Seed of everything that is random: the same seed gives the same bytes.
    #[arg(
        long,
        value_name = "N",
        default_value_t = 1,
        allow_hyphen_values = true
    )]
    pub seed: u64,
    /// Play it: opens the page of a bench with virtual probes in the browser, as `bench --virtual` does, with the
    /// captures in the demo's folder. All readings are invented, and every record says so (firmware virtual-1).
    #[arg(long)]
    pub live: bool,
    /// With --live: how many times as fast as life, 1 to 20.
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u32).range(1..=20), requires = "live", default_value_t = 1)]
    pub speed: u32,
}

/// `bench`.
#[derive(Args, Clone, Debug, Default)]
pub struct BenchArgs {
    /// File with options, in place of bench.toml at its usual place.
    #[arg(long, value_name = "FILE")]
    pub config: Option<PathBuf>,
    /// Port of a probe, with its baud rate if that is not 115200; may be given several times. It is opened whether or
    /// not a look at the ports finds it; probes that are found need no option.
    #[arg(long = "port", value_name = "PATH[=BAUD]")]
    pub ports: Vec<Port>,
    /// Folder in which the captures' folders are made. Default: captures.
    #[arg(long, value_name = "DIR")]
    pub out: Option<PathBuf>,
    /// Inspection that the bench works on, made with `feelgauge inspection open`, in place of --out: every test is
    /// recorded, found and written down there, and the page writes there too. Tag, operator and vehicle file are the
    /// inspection's where none is stated.
    #[arg(long, value_name = "DIR")]
    pub inspection: Option<PathBuf>,
    /// Vehicle file of the car on the bench.
    #[arg(long, value_name = "FILE")]
    pub vehicle: Option<PathBuf>,
    /// Number on the car's tag.
    #[arg(long, value_name = "TEXT")]
    pub tag: Option<String>,
    /// Who measures.
    #[arg(long, value_name = "NAME")]
    pub operator: Option<String>,
    /// Calibration of a sensor, or of the tank's volume, made with `feelgauge calibrate`; may be given several times.
    #[arg(long = "calibration", value_name = "FILE")]
    pub calibrations: Vec<PathBuf>,
    /// Pull: mass of the car, such as 3.4kg. Default: the vehicle file's.
    #[arg(long, value_name = "MASS", value_parser = mass, allow_hyphen_values = true)]
    pub mass: Option<f64>,
    /// Settings of a leak test.
    #[command(flatten)]
    pub leak: LeakOptions,
    /// Address and port of the page; port 0 takes any that is free. Default: 127.0.0.1:7326.
    #[arg(long, value_name = "ADDRESS:PORT")]
    pub listen: Option<SocketAddr>,
    /// Open the page to the local network: a phone is let in with the code that is shown here.
    #[arg(long)]
    pub lan: bool,
    /// Virtual probes in place of real ones, to look around: an invented car and a hand that plays along when a test
    /// runs. Its faults are switched at the foot of the page. All readings are invented, and every record says so
    /// (firmware virtual-1). bench.toml is not read; default folder: feelgauge-virtual.
    #[arg(long = "virtual", conflicts_with_all = ["ports", "config"])]
    pub is_virtual: bool,
    /// With --virtual.
    #[command(flatten)]
    pub play: PlayOptions,
}

/// Of a virtual bench that is lived with.
#[derive(Args, Clone, Debug, Default)]
pub struct PlayOptions {
    /// Virtual probes: seed of everything that is random. Same seed and same acts at the same times give the same
    /// readings. Default: 1.
    #[arg(
        long,
        value_name = "N",
        allow_hyphen_values = true,
        requires = "is_virtual"
    )]
    pub seed: Option<u64>,
    /// Virtual probes: how many times as fast as life, 1 to 20. Default: 1.
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u32).range(1..=20), requires = "is_virtual")]
    pub speed: Option<u32>,
}

/// `probes`.
#[derive(Args, Clone, Debug)]
pub struct ProbesArgs {
    /// Port to ask, with its baud rate if that is not 115200; may be given several times. Default: every port found.
    #[arg(long = "port", value_name = "PATH[=BAUD]")]
    pub ports: Vec<Port>,
}

/// `take`.
#[derive(Args, Clone, Debug)]
pub struct TakeArgs {
    /// The test.
    pub test: Test,
    /// Port of a probe, with its baud rate if that is not 115200; may be given several times. Default: the running bench
    /// records (`feelgauge bench`), with the car and the settings that it was given.
    #[arg(long = "port", value_name = "PATH[=BAUD]")]
    pub ports: Vec<Port>,
    /// The probe is a board that prints plain numbers: kind (pressure, force, hall), unit, column from 1; one for each
    /// --port, in the same order.
    #[arg(long = "bare", value_name = "KIND:UNIT:COLUMN")]
    pub bare: Vec<Bare>,
    /// How long to record, such as 60s or 2min. Default: until Ctrl-C.
    #[arg(long = "for", value_name = "TIME", value_parser = duration, allow_hyphen_values = true)]
    pub duration: Option<Duration>,
    /// Folder in which the capture's folder is made.
    #[arg(long, value_name = "DIR", default_value = "captures")]
    pub out: PathBuf,
    /// Record into this inspection, and enter the capture with its finding. Its vehicle file, its day's pressure and who
    /// opened it stand where no option says otherwise.
    #[arg(long, value_name = "DIR", conflicts_with = "out")]
    pub inspection: Option<PathBuf>,
    /// Who measures.
    #[arg(long, value_name = "NAME")]
    pub operator: Option<String>,
    /// Vehicle file of the car.
    #[arg(long, value_name = "FILE")]
    pub vehicle: Option<PathBuf>,
    /// Setup of the vehicle file in which the capture is taken.
    #[arg(long, value_name = "NAME")]
    pub setup: Option<String>,
    /// Roll: index of the sensor whose edges count. Default: the first of the vehicle file.
    #[arg(long, value_name = "I", allow_hyphen_values = true)]
    pub sensor: Option<u32>,
    /// Pull: mass of the car, such as 3.4kg.
    #[arg(long, value_name = "MASS", value_parser = mass, allow_hyphen_values = true)]
    pub mass: Option<f64>,
    /// Calibration of a sensor of this record, or of the tank's volume, made with `feelgauge calibrate`; may be given
    /// several times.
    #[arg(long = "calibration", value_name = "FILE")]
    pub calibrations: Vec<PathBuf>,
    /// Settings of a leak test.
    #[command(flatten)]
    pub leak: LeakOptions,
}

/// What a person may state for a leak test, SI.
#[derive(Args, Clone, Copy, Debug, Default)]
pub struct LeakOptions {
    /// Leak: volume of tank, hose and sensor without pressure, such as 131cm3.
    #[arg(long, value_name = "VOLUME", value_parser = volume, allow_hyphen_values = true)]
    pub volume: Option<f64>,
    /// Leak: standard uncertainty of that volume, such as 5cm3. Default: 10 % of it.
    #[arg(long, value_name = "VOLUME", value_parser = volume, allow_hyphen_values = true)]
    pub volume_u: Option<f64>,
    /// Leak: gauge pressure at which the leak is stated. Default: 0.75 of the pressure at the start of the hold.
    #[arg(long, value_name = "PRESSURE", value_parser = pressure, allow_hyphen_values = true)]
    pub at: Option<f64>,
    /// Leak: largest leak rate that is still within. Default: the vehicle file's, else a half-life of 60 s.
    #[arg(long, value_name = "LEAK", value_parser = leak_rate, allow_hyphen_values = true)]
    pub limit: Option<f64>,
    /// Leak: absolute pressure of the air on the day, such as 1003hPa. Default: 101325 Pa.
    #[arg(long, value_name = "PRESSURE", value_parser = absolute_pressure, allow_hyphen_values = true)]
    pub baro: Option<f64>,
    /// Leak: volume that one stroke of a syringe moves, such as 5cm3: after the hold six strokes, 6 s apart, the first one
    /// in, then out and in in turn; they measure the volume of the tank.
    #[arg(long, value_name = "VOLUME", value_parser = volume, allow_hyphen_values = true)]
    pub syringe: Option<f64>,
}

/// `analyze`.
#[derive(Clone, Debug, Subcommand)]
pub enum AnalyzeVerb {
    /// Does the tank hold pressure? Header of a plain file: t_us,p_pa or t_us,p_pa,t_tank_c.
    #[command(after_help = UNITS)]
    Leak(AnalyzeLeakArgs),
    /// Does the engine have compression? Header of a plain file: t_us,f_n.
    #[command(after_help = UNITS)]
    Pull(AnalyzePullArgs),
    /// Does the drivetrain turn freely? Header of a plain file: t_us,sensor (one row an edge).
    Roll(AnalyzeRollArgs),
}

/// What every `analyze` takes.
#[derive(Args, Clone, Debug)]
pub struct AnalyzeCommon {
    /// Plain sample file, or the folder of a capture.
    #[arg(value_name = "FILE")]
    pub path: PathBuf,
    /// Vehicle file of the car. Default for a capture: the copy inside it.
    #[arg(long, value_name = "FILE")]
    pub vehicle: Option<PathBuf>,
    /// Setup of the vehicle file in which the record was taken.
    #[arg(long, value_name = "NAME")]
    pub setup: Option<String>,
    /// Calibration of a sensor of this record, or of the tank's volume, made with `feelgauge calibrate`; may be given
    /// several times. Default for a capture: the ones kept inside it.
    #[arg(long = "calibration", value_name = "FILE")]
    pub calibrations: Vec<PathBuf>,
    /// Count bad rows of a plain file and go on, instead of stopping at the first.
    #[arg(long)]
    pub skip_bad_rows: bool,
    /// Exit with 0 for within, 3 for outside, 4 for undecided or refused.
    #[arg(long)]
    pub verdict_exit: bool,
    /// Write the pictures to FILE as well: .svg or .png, by its ending. FILE must not exist yet.
    #[arg(long, value_name = "FILE")]
    pub plot: Option<PathBuf>,
}

/// `analyze leak`.
#[derive(Args, Clone, Debug)]
pub struct AnalyzeLeakArgs {
    /// What every test takes.
    #[command(flatten)]
    pub common: AnalyzeCommon,
    /// What the person states.
    #[command(flatten)]
    pub options: LeakOptions,
    /// The tank was closed and at zero gauge pressure from A to B, seconds in the file: taken off as drift.
    #[arg(long, value_name = "A..B", value_parser = span, allow_hyphen_values = true)]
    pub sealed_zero: Option<Span>,
}

/// `analyze pull`.
#[derive(Args, Clone, Debug)]
pub struct AnalyzePullArgs {
    /// What every test takes.
    #[command(flatten)]
    pub common: AnalyzeCommon,
    /// Mass of the car, such as 3.4kg. Default: the vehicle file's; without either there is no lift ratio.
    #[arg(long, value_name = "MASS", value_parser = mass, allow_hyphen_values = true)]
    pub mass: Option<f64>,
    /// Filter order of the force converter: 0 point samples, 1 averages over one interval, 4 sinc4. Default for a plain
    /// file: 1; for a capture: what the probe says.
    #[arg(long, value_name = "K", value_parser = clap::value_parser!(u32).range(0..=16), allow_hyphen_values = true)]
    pub filter_order: Option<u32>,
}

/// `analyze roll`.
#[derive(Args, Clone, Debug)]
pub struct AnalyzeRollArgs {
    /// What every test takes.
    #[command(flatten)]
    pub common: AnalyzeCommon,
    /// Index of the sensor whose edges count; may be given several times: then each sensor's record is judged for itself
    /// and they are put together. Default: the first of the vehicle file.
    #[arg(long = "sensor", value_name = "I", allow_hyphen_values = true)]
    pub sensors: Vec<u32>,
    /// Without a vehicle file: number of magnets on the sensed shaft, 1 to 64. Looks for a rhythm (default sensor: 0) and
    /// names no part.
    #[arg(long, value_name = "M", value_parser = clap::value_parser!(u32).range(1..=64), allow_hyphen_values = true)]
    pub magnets: Option<u32>,
}

/// What a person may state for all records of a `compare` or a `rule-out`.
#[derive(Args, Clone, Debug, Default)]
pub struct ForAllRecords {
    /// Vehicle file of the car. Default for a capture: the copy inside it.
    #[arg(long, value_name = "FILE")]
    pub vehicle: Option<PathBuf>,
    /// Leak: volume of tank, hose and sensor without pressure, such as 131cm3.
    #[arg(long, value_name = "VOLUME", value_parser = volume, allow_hyphen_values = true)]
    pub volume: Option<f64>,
    /// Leak: standard uncertainty of that volume, such as 5cm3. Default: 10 % of it.
    #[arg(long, value_name = "VOLUME", value_parser = volume, allow_hyphen_values = true)]
    pub volume_u: Option<f64>,
    /// Leak: gauge pressure at which the leaks are stated. Default: one that every record passed through.
    #[arg(long, value_name = "PRESSURE", value_parser = pressure, allow_hyphen_values = true)]
    pub at: Option<f64>,
    /// Leak: absolute pressure of the air on the day, such as 1003hPa. Default: 101325 Pa.
    #[arg(long, value_name = "PRESSURE", value_parser = absolute_pressure, allow_hyphen_values = true)]
    pub baro: Option<f64>,
    /// Pull: mass of the car, such as 3.4kg.
    #[arg(long, value_name = "MASS", value_parser = mass, allow_hyphen_values = true)]
    pub mass: Option<f64>,
    /// Pull: filter order of the force converter: 0 point samples, 1 averages over one interval, 4 sinc4. Default for a
    /// plain file: 1; for a capture: what the probe says.
    #[arg(long, value_name = "K", value_parser = clap::value_parser!(u32).range(0..=16), allow_hyphen_values = true)]
    pub filter_order: Option<u32>,
    /// Roll: index of the sensor whose edges count. Default: the first of the vehicle file.
    #[arg(long, value_name = "I", allow_hyphen_values = true)]
    pub sensor: Option<u32>,
    /// Count bad rows of plain files and go on, instead of stopping at the first.
    #[arg(long)]
    pub skip_bad_rows: bool,
}

/// `compare`.
#[derive(Args, Clone, Debug)]
pub struct CompareArgs {
    /// The records before: plain sample file, capture, or folder of them.
    #[arg(value_name = "BEFORE")]
    pub before: PathBuf,
    /// The records after.
    #[arg(value_name = "AFTER")]
    pub after: PathBuf,
    /// Setup of the vehicle file in which both sides were taken.
    #[arg(long, value_name = "NAME")]
    pub setup: Option<String>,
    /// Write the pictures to FILE as well: .svg or .png, by its ending. FILE must not exist yet.
    #[arg(long, value_name = "FILE")]
    pub plot: Option<PathBuf>,
    /// What is stated for both sides.
    #[command(flatten)]
    pub stated: ForAllRecords,
}

/// `rule-out`.
#[derive(Args, Clone, Debug)]
pub struct RuleOutArgs {
    /// The test.
    pub test: Test,
    /// Captures, each the folder of one; or plain sample files with the setup in which each was taken.
    #[arg(value_name = "CAPTURE|SETUP=FILE", required = true)]
    pub items: Vec<SetupItem>,
    /// What is stated for all records.
    #[command(flatten)]
    pub stated: ForAllRecords,
}

/// `calibrate`.
#[derive(Clone, Debug, Subcommand)]
pub enum CalibrateVerb {
    /// A force sensor, by masses that hang on it. Header of a file of points: mass_kg,indication (or force_n,indication).
    #[command(after_help = POINTS)]
    Force(CalibrateForceArgs),
    /// A pressure sensor, by a water column. Header of a file of points: height_mm,indication (or p_pa,indication).
    #[command(after_help = POINTS)]
    Pressure(CalibratePressureArgs),
    /// The volume of tank and hose, by air pressed in from a syringe, the plunger home each time. Header of a file of
    /// points: injected_cm3,p_pa.
    #[command(after_help = POINTS)]
    Volume(CalibrateVolumeArgs),
}

/// Shown under the help of every `calibrate`.
const POINTS: &str = "\
A file of points has one row a reading: 0 too, each value several times, up and down. Further columns may hold standard
uncertainties: u_mass_kg, u_force_n, u_height_mm, u_p_pa, u_injected_cm3, u_indication.
Indications are counts of the probe (--probe) or readings in N or Pa.";

/// What every `calibrate` takes.
#[derive(Args, Clone, Debug)]
pub struct CalibrateCommon {
    /// File of points: a header, one row a reading.
    #[arg(value_name = "POINTS")]
    pub points: Option<PathBuf>,
    /// A point from a record: the known value, and the capture or plain sample file taken with it, such as
    /// 2kg=captures/20310517T142140Z-pull; may be given several times.
    #[arg(long = "point", value_name = "VALUE=RECORD")]
    pub records: Vec<String>,
    /// Port of the probe: asks for each --on, records it for a few seconds and keeps the captures.
    #[arg(long, value_name = "PATH[=BAUD]", requires = "on")]
    pub port: Option<Port>,
    /// With --port: what will be on the sensor, such as 2kg; given once for each point, in this order.
    #[arg(long, value_name = "VALUE", requires = "port")]
    pub on: Vec<String>,
    /// With --port: how long each point is recorded. Default: 5s.
    #[arg(long = "for", value_name = "TIME", value_parser = duration, allow_hyphen_values = true, requires = "port")]
    pub duration: Option<Duration>,
    /// With --port: folder in which the captures are made.
    #[arg(long, value_name = "DIR", default_value = "captures")]
    pub captures: PathBuf,
    /// Serial number of the probe whose counts the file of points holds. Without it they are readings in N or Pa.
    #[arg(long, value_name = "SERIAL", value_parser = serial)]
    pub probe: Option<String>,
    /// Channel of the probe. Default: the first of the unit.
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u8).range(0..=7), allow_hyphen_values = true)]
    pub channel: Option<u8>,
    /// File to write the calibration to; it must not exist.
    #[arg(long, value_name = "FILE.toml")]
    pub out: Option<PathBuf>,
    /// Day of the points, such as 2026-05-17. Default: today (UTC).
    #[arg(long, value_name = "DAY")]
    pub date: Option<Date>,
    /// Day from which on it wants repeating. Default: twelve months after the day of the points.
    #[arg(long, value_name = "DAY")]
    pub due: Option<Date>,
}

/// Where the bench is: gravity.
#[derive(Args, Clone, Copy, Debug)]
pub struct PlaceOptions {
    /// Latitude of the bench in degrees, for its gravity. Default: 9.80665 m/s2, uncertain by the whole Earth.
    #[arg(long, value_name = "DEG", value_parser = latitude, allow_hyphen_values = true, conflicts_with = "gravity")]
    pub latitude: Option<f64>,
    /// Height of the bench above the sea, such as 250m.
    #[arg(long, value_name = "HEIGHT", value_parser = height, allow_hyphen_values = true, requires = "latitude")]
    pub height: Option<f64>,
    /// Gravity at the bench in m/s2, such as 9.81.
    #[arg(long, value_name = "G", value_parser = gravity, allow_hyphen_values = true)]
    pub gravity: Option<f64>,
}

/// `calibrate force`.
#[derive(Args, Clone, Debug)]
pub struct CalibrateForceArgs {
    /// What every calibration takes.
    #[command(flatten)]
    pub common: CalibrateCommon,
    /// Where the bench is.
    #[command(flatten)]
    pub place: PlaceOptions,
    /// Standard uncertainty of each mass, such as 2g. Default: 0.3 % of it, as weighed on a household scale.
    #[arg(long, value_name = "MASS", value_parser = mass, allow_hyphen_values = true)]
    pub mass_u: Option<f64>,
}

/// `calibrate pressure`.
#[derive(Args, Clone, Debug)]
pub struct CalibratePressureArgs {
    /// What every calibration takes.
    #[command(flatten)]
    pub common: CalibrateCommon,
    /// Where the bench is.
    #[command(flatten)]
    pub place: PlaceOptions,
    /// Temperature of the water, such as 20C. Default: the conventional 1000 kg/m3, uncertain by what water and air do.
    #[arg(long, value_name = "TEMPERATURE", value_parser = water, allow_hyphen_values = true)]
    pub water: Option<f64>,
    /// Standard uncertainty of each height, such as 1mm. Default: 0.1 % of it.
    #[arg(long, value_name = "LENGTH", value_parser = length, allow_hyphen_values = true)]
    pub height_u: Option<f64>,
}

/// `calibrate volume`.
#[derive(Args, Clone, Debug)]
pub struct CalibrateVolumeArgs {
    /// What every calibration takes.
    #[command(flatten)]
    pub common: CalibrateCommon,
    /// Absolute pressure of the air on the day, such as 1003hPa. Default: 101325 Pa, uncertain by weather and height.
    #[arg(long, value_name = "PRESSURE", value_parser = absolute_pressure, allow_hyphen_values = true)]
    pub baro: Option<f64>,
    /// Standard uncertainty of each injected volume, such as 0.2cm3. Default: 2.3 % of it, as syringes are marked.
    #[arg(long, value_name = "VOLUME", value_parser = volume, allow_hyphen_values = true)]
    pub syringe_u: Option<f64>,
    /// Calibration of the pressure sensor. Default: 2 % of its gain.
    #[arg(long, value_name = "FILE")]
    pub calibration: Option<PathBuf>,
}

/// `simulate`.
#[derive(Args, Clone, Debug)]
pub struct SimulateArgs {
    /// The test.
    pub test: Test,
    /// Seed: the same seed gives the same bytes.
    #[arg(
        long,
        value_name = "N",
        default_value_t = 1,
        allow_hyphen_values = true
    )]
    pub seed: u64,
    /// File to write; the truth goes beside it into FILE.truth.json. Neither may exist.
    #[arg(long, value_name = "FILE")]
    pub out: PathBuf,
    /// Which car: plover is the demo's, with its faults; rebuilt is the same after its rebuild; drawn is another one that the
    /// seed draws.
    #[arg(long, value_name = "CAR", default_value = "plover")]
    pub car: Car,
    /// Setup of the demo car's vehicle file. Default: whole, plug_in_cold or one_fl.
    #[arg(long, value_name = "NAME")]
    pub setup: Option<String>,
}

/// Which car a simulation takes.
#[derive(Clone, Copy, Debug, Eq, PartialEq, ValueEnum)]
pub enum Car {
    /// The demo car with its faults.
    Plover,
    /// The demo car after its rebuild.
    Rebuilt,
    /// One drawn from the population of the studies.
    Drawn,
}

/// `vehicle`.
#[derive(Clone, Debug, Subcommand)]
pub enum VehicleVerb {
    /// Check a vehicle file: its keys, its gear train, its setups.
    Check(VehicleCheckArgs),
    /// List every part with its events per turn of the sensed shaft.
    Orders(VehicleOrdersArgs),
}

/// `vehicle check`.
#[derive(Args, Clone, Debug)]
pub struct VehicleCheckArgs {
    /// Vehicle file.
    #[arg(value_name = "FILE")]
    pub path: PathBuf,
}

/// `vehicle orders`.
#[derive(Args, Clone, Debug)]
pub struct VehicleOrdersArgs {
    /// Vehicle file.
    #[arg(value_name = "FILE")]
    pub path: PathBuf,
    /// One roll setup of the file. Default: all of them.
    #[arg(long, value_name = "NAME")]
    pub setup: Option<String>,
    /// Index of the sensor. Default: the first of the file.
    #[arg(long, value_name = "I", allow_hyphen_values = true)]
    pub sensor: Option<u32>,
}

impl Car {
    /// Its word on the command line.
    pub fn word(self) -> &'static str {
        match self {
            Self::Plover => "plover",
            Self::Rebuilt => "rebuilt",
            Self::Drawn => "drawn",
        }
    }
}

impl ValueEnum for Test {
    fn value_variants<'a>() -> &'a [Self] {
        &Self::ALL
    }

    fn to_possible_value(&self) -> Option<PossibleValue> {
        Some(PossibleValue::new(self.word()))
    }
}

/// Baud rate of a port when none is stated.
pub const BAUD: NonZeroU32 = match NonZeroU32::new(115_200) {
    Some(baud) => baud,
    None => NonZeroU32::MIN,
};

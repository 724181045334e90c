//! `simulate`: a record with known truth, as a plain sample file.

use std::{
    fs::{File, OpenOptions},
    io::{self, BufWriter, Write},
    path::{Path, PathBuf},
};

use schemars::JsonSchema;
use serde::Serialize;

use super::{
    DONE, Failure, Outcome, Output,
    args::{Car, SimulateArgs},
    plan::words,
};
use crate::{
    inspect::Test,
    physics::{
        PLOVER_8, drivetrain, drivetrain::DrivetrainScenario, engine, engine::EngineScenario, tank,
        tank::TankScenario,
    },
    reading::{Edge, ForceReading, PressureReading, SOFTWARE},
    record::plain,
    report,
    units::ZERO_CELSIUS_K,
};

/// What was written.
#[derive(Debug, Serialize, JsonSchema)]
pub(super) struct SimulateResult {
    /// Software that simulated it.
    software: &'static str,
    /// `leak`, `pull` or `roll`.
    test: &'static str,
    /// Which car.
    car: &'static str,
    /// Seed.
    seed: u64,
    /// The plain sample file.
    file: String,
    /// Its rows.
    rows: usize,
    /// The truth.
    truth_file: String,
    /// Vehicle file of the car; null where the truth states all that an analysis needs.
    vehicle_file: Option<String>,
    /// Command that analyzes the file.
    analyze: String,
}

/// The truth file.
#[derive(Serialize)]
struct Truth<'a, T> {
    software: &'static str,
    test: &'static str,
    car: &'static str,
    seed: u64,
    #[serde(flatten)]
    facts: &'a T,
}

/// A record before it is written.
struct Made {
    /// Rows with header.
    rows: Vec<String>,
    /// Truth file.
    truth: String,
    /// Vehicle file.
    vehicle: Option<String>,
    /// Options of `analyze` after the file.
    options: String,
}

/// Runs `simulate`.
pub(super) fn run(args: &SimulateArgs, output: &mut Output) -> Outcome {
    let beside = |suffix: &str| {
        let mut name = args.out.clone().into_os_string();
        name.push(suffix);
        PathBuf::from(name)
    };
    let (truth, vehicle) = (beside(".truth.json"), beside(".vehicle.toml"));
    for path in [&args.out, &truth, &vehicle] {
        if path.symlink_metadata().is_ok() {
            return Err(exists(path));
        }
    }
    let made = match args.test {
        Test::Leak => leak(args),
        Test::Pull => pull(args),
        Test::Roll => roll(args),
    };
    write(&args.out, made.rows.iter().map(String::as_str))?;
    write(&truth, [made.truth.as_str()])?;
    if let Some(text) = &made.vehicle {
        write(&vehicle, [text.as_str()])?;
    }
    let file = args.out.display().to_string();
    let vehicle_file = made.vehicle.map(|_| vehicle.display().to_string());
    let vehicle_option = vehicle_file
        .as_ref()
        .map_or_else(String::new, |v| format!(" --vehicle {v}"));
    let result = SimulateResult {
        software: SOFTWARE,
        test: args.test.word(),
        car: args.car.word(),
        seed: args.seed,
        rows: made.rows.len() - 1,
        truth_file: truth.display().to_string(),
        analyze: format!(
            "feelgauge analyze {} {file}{vehicle_option}{}",
            args.test.word(),
            made.options
        ),
        vehicle_file,
        file,
    };
    output.result(&result, |_| text(&result))?;
    Ok(DONE)
}

fn text(result: &SimulateResult) -> String {
    let SimulateResult {
        file,
        rows,
        truth_file,
        analyze,
        ..
    } = result;
    format!(
        "{rows} rows in {file}, what is true of them in {truth_file}\nanalyze them: {analyze}\n"
    )
}

fn leak(args: &SimulateArgs) -> Made {
    let scenario = match args.car {
        Car::Plover => TankScenario::plover(),
        Car::Rebuilt => TankScenario::plover_healthy(),
        Car::Drawn => TankScenario::drawn(args.seed),
    };
    let record = tank::simulate(&scenario, args.seed);
    let thermometer = record.readings.iter().any(|r| r.tank_k.is_some());
    let header = if thermometer { ",t_tank_c" } else { "" };
    let row = |r: &PressureReading| {
        let tank = match r.tank_k {
            Some(k) => format!(",{:.3}", k - ZERO_CELSIUS_K),
            None if thermometer => ",".into(),
            None => String::new(),
        };
        format!("{},{:.3}{tank}\n", r.t_us, r.pressure_pa)
    };
    // At the pressure of the truth, so that the two can be compared.
    let at = format!(" --at {:.1}Pa", record.truth.p_ref_pa);
    // The demo car's volume stands in its file; of a drawn tank only the truth knows it.
    let (vehicle, options) = if args.car == Car::Drawn {
        let volume_cm3 = record.truth.volume_m3 * 1e6;
        (None, format!(" --volume {volume_cm3:.1}cm3{at}"))
    } else {
        (Some(PLOVER_8.to_owned()), format!(" --setup whole{at}"))
    };
    Made {
        rows: rows(Test::Leak, header, record.readings.iter().map(row)),
        truth: truth(args, &record.truth),
        vehicle,
        options,
    }
}

fn pull(args: &SimulateArgs) -> Made {
    let scenario = match args.car {
        // The rebuild left the engine alone.
        Car::Plover | Car::Rebuilt => EngineScenario::plover(),
        Car::Drawn => EngineScenario::drawn(args.seed),
    };
    let record = engine::simulate(&scenario, args.seed);
    let row = |r: &ForceReading| format!("{},{:.3}\n", r.t_us, r.force_n);
    let order = format!(" --filter-order {}", scenario.probe.filter_order);
    // The demo car's mass stands in its file.
    let (vehicle, options) = if args.car == Car::Drawn {
        (None, format!(" --mass {:.3}kg{order}", scenario.mass_kg))
    } else {
        (
            Some(PLOVER_8.to_owned()),
            format!(" --setup plug_in_cold{order}"),
        )
    };
    Made {
        rows: rows(Test::Pull, "", record.readings.iter().map(row)),
        truth: truth(args, &record.truth),
        vehicle,
        options,
    }
}

fn roll(args: &SimulateArgs) -> Made {
    let scenario = match args.car {
        Car::Plover => DrivetrainScenario::plover(),
        Car::Rebuilt => DrivetrainScenario::plover_healthy(),
        Car::Drawn => DrivetrainScenario::drawn(args.seed),
    };
    let record = drivetrain::simulate(&scenario, args.seed);
    let row = |e: &Edge| format!("{},{}\n", e.t_us, e.sensor);
    Made {
        rows: rows(Test::Roll, "", record.readings.iter().map(row)),
        truth: truth(args, &record.truth),
        options: format!(" --setup {}", scenario.setup),
        vehicle: Some(scenario.vehicle_toml),
    }
}

fn rows(test: Test, more: &str, rows: impl Iterator<Item = String>) -> Vec<String> {
    let header = format!("{}{more}\n", plain::header(test));
    std::iter::once(header).chain(rows).collect()
}

fn truth(args: &SimulateArgs, facts: &impl Serialize) -> String {
    report::pretty(&Truth {
        software: SOFTWARE,
        test: args.test.word(),
        car: args.car.word(),
        seed: args.seed,
        facts,
    })
}

/// Writes a file that must not exist.
fn write<'a>(path: &Path, pieces: impl IntoIterator<Item = &'a str>) -> Result<(), Failure> {
    let all = |file: File| {
        let mut file = BufWriter::new(file);
        for piece in pieces {
            file.write_all(piece.as_bytes())?;
        }
        file.flush()
    };
    let made = OpenOptions::new().write(true).create_new(true).open(path);
    made.and_then(all).map_err(|e| match e.kind() {
        io::ErrorKind::AlreadyExists => exists(path),
        io::ErrorKind::NotFound => Failure::Work(format!(
            "{}: the folder does not exist; make it first",
            path.display()
        )),
        _ => Failure::Work(format!(
            "{}: cannot be written: {}; name another file with --out",
            path.display(),
            words(&e)
        )),
    })
}

fn exists(path: &Path) -> Failure {
    Failure::Usage(format!(
        "{}: exists already and is left alone; name another file with --out",
        path.display()
    ))
}

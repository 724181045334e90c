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
    vehicle::{Setup, SetupTest, Vehicle},
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
    let setup = setup(args)?;
    let made = match args.test {
        Test::Leak => leak(args, &setup),
        Test::Pull => pull(args, &setup),
        Test::Roll => roll(args, &setup),
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

/// The setup to simulate, of the demo car's file.
fn setup(args: &SimulateArgs) -> Result<Setup, Failure> {
    let car = Vehicle::parse(PLOVER_8).expect("the demo car's file is tested");
    let test = args.test.word();
    let name = args.setup.as_deref().unwrap_or(match args.test {
        Test::Leak => "whole",
        Test::Pull => "plug_in_cold",
        Test::Roll => "one_fl",
    });
    if args.car == Car::Drawn && args.setup.is_some() {
        return Err(Failure::Usage(
            "--setup names a setup of the demo car; a drawn car brings its own".into(),
        ));
    }
    let found = car.setups_of(test).find(|s| s.name == name).cloned();
    found.ok_or_else(|| {
        let known: Vec<&str> = car.setups_of(test).map(|s| s.name.as_str()).collect();
        Failure::Usage(format!(
            "no setup '{name}' of a {test} in the demo car's file; it has: {}",
            known.join(", ")
        ))
    })
}

fn leak(args: &SimulateArgs, setup: &Setup) -> Made {
    let of_plover = |car: TankScenario| match &setup.test {
        SetupTest::Leak { parts } => car.with_parts(parts),
        _ => car,
    };
    let scenario = match args.car {
        Car::Plover => of_plover(TankScenario::plover()),
        Car::Rebuilt => of_plover(TankScenario::plover_healthy()),
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
        let setup = &setup.name;
        (Some(PLOVER_8.to_owned()), format!(" --setup {setup}{at}"))
    };
    Made {
        rows: rows(Test::Leak, header, record.readings.iter().map(row)),
        truth: truth(args, &record.truth),
        vehicle,
        options,
    }
}

fn pull(args: &SimulateArgs, setup: &Setup) -> Made {
    let of_plover = |car: EngineScenario| match setup.test {
        // An engine of which nothing is said is cold.
        SetupTest::Pull { plug_in, warm } => car.in_state(plug_in, warm == Some(true)),
        _ => car,
    };
    let scenario = match args.car {
        Car::Plover => of_plover(EngineScenario::plover()),
        Car::Rebuilt => of_plover(EngineScenario::plover_rebuilt()),
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
            format!(" --setup {}{order}", setup.name),
        )
    };
    Made {
        rows: rows(Test::Pull, "", record.readings.iter().map(row)),
        truth: truth(args, &record.truth),
        vehicle,
        options,
    }
}

fn roll(args: &SimulateArgs, setup: &Setup) -> Made {
    let of_plover = |snagged| {
        DrivetrainScenario::plover_in(&setup.name, snagged).expect("the setup stands in its file")
    };
    let scenario = match args.car {
        Car::Plover => of_plover(true),
        Car::Rebuilt => of_plover(false),
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

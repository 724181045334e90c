//! `demo`: the invented club car on virtual probes, from the ports to the verdicts.

use std::{
    fmt::Write as _,
    fs,
    io::{self, Write as _},
    path::{Path, PathBuf},
};

use schemars::JsonSchema;
use serde::Serialize;

use super::{
    DONE, Failure, Outcome, Output,
    args::DemoArgs,
    demo_sensors::{Sensor, sensors},
    progress::Progress,
};
use crate::{
    clock::Clock,
    inspect::{Finding, Stated, Test},
    physics::{
        PLOVER_8,
        drivetrain::{self, DrivetrainScenario, DrivetrainTruth},
        engine::{self, EngineScenario, EngineTruth},
        tank::{self, TankScenario, TankTruth},
    },
    probe::{
        board::BoardPlan,
        boards,
        virtual_bench::{self, Plan},
    },
    reading::{SOFTWARE, Verdict},
    record::Files,
    report::{self, About},
    vehicle::Vehicle,
};

/// Folder when none is named.
const FOLDER: &str = "feelgauge-demo";
/// When the invented inspection begins; every demo is on the same day.
const BEGIN: &str = "2031-05-17T14:21:40Z";
/// From the end of a test to the opening of the next port: changing the probe, microseconds.
const CHANGE_US: u64 = 240_000_000;
const CAPTURES: &str = "captures";
const CALIBRATIONS: &str = "calibrations";
const VEHICLE: &str = "plover-8.toml";
const SUMMARY: &str = "summary.txt";
const FINDINGS: &str = "findings.json";
const TRUTH: &str = "truth.json";

/// Result of `demo`: one finding a test, in the order in which they were taken.
#[derive(Serialize, JsonSchema)]
pub(super) struct DemoResult<'a>(Vec<&'a Finding>);

/// What the simulations know and the probes do not.
#[derive(Serialize)]
struct Truth {
    leak: TankTruth,
    pull: EngineTruth,
    roll: DrivetrainTruth,
}

/// One test of the demo.
struct Step {
    test: Test,
    setup: &'static str,
    port: &'static str,
    board: BoardPlan,
    stated: Stated,
    /// By seconds from the start of the readings.
    marks: Vec<(f64, String)>,
}

/// Runs `demo`.
pub fn run(args: &DemoArgs, output: &mut Output) -> Outcome {
    if args.live {
        let folder = make_folder(args.out.as_deref())?;
        return super::bench::live_demo(folder, args.seed, args.speed, output);
    }
    let car = Vehicle::parse(PLOVER_8).expect("the demo car's file is tested");
    let folder = make_folder(args.out.as_deref())?;
    let mut progress = Progress::stderr();
    let mut taken = Vec::new();
    progress.show("simulating the car ...");
    let sensors = sensors(args.seed)?;
    let (steps, truth) = steps(args.seed, &sensors);
    let clock = Clock::virtual_from(BEGIN.parse().expect("a constant that is tested"));
    let captures = folder.join(CAPTURES);
    for step in steps {
        let (test, setup) = (step.test.word(), step.setup);
        progress.show(&format!("{test}: recording and measuring ..."));
        let (finding, name) = take(&clock, step, &captures)?;
        taken.push((finding, format!("{CAPTURES}/{name}"), setup));
        clock.set_us(clock.host_us() + CHANGE_US);
    }
    progress.clear();
    let findings = DemoResult(taken.iter().map(|(finding, ..)| finding).collect());
    let text = |picture| text(&car, &taken, args.seed, picture);
    let calibrations = folder.join(CALIBRATIONS);
    fs::create_dir(&calibrations).map_err(|e| cannot("make", &calibrations, &e))?;
    for sensor in &sensors {
        write(&calibrations, &format!("{}.csv", sensor.name), &sensor.rows)?;
        write(
            &calibrations,
            &format!("{}.toml", sensor.name),
            &sensor.file,
        )?;
    }
    write(&folder, VEHICLE, PLOVER_8)?;
    write(&folder, FINDINGS, &report::pretty(&findings))?;
    write(&folder, TRUTH, &report::pretty(&truth))?;
    write(&folder, SUMMARY, &text(true))?;
    output.result(&findings, |picture| {
        format!("{}\nWritten to {}\n", text(picture), folder.display())
    })?;
    Ok(DONE)
}

fn steps(seed: u64, [pressure, cord]: &[Sensor; 2]) -> ([Step; 3], Truth) {
    let tank = tank::simulate(&TankScenario::plover(), seed);
    let engine_scenario = EngineScenario::plover();
    let engine = engine::simulate(&engine_scenario, seed);
    let train = drivetrain::simulate(&DrivetrainScenario::plover(), seed);
    let step = |test, setup: &'static str, port, board| Step {
        test,
        setup,
        port,
        board,
        stated: Stated {
            setup: Some(setup.into()),
            ..Stated::default()
        },
        marks: Vec::new(),
    };
    let mut leak = step(
        Test::Leak,
        "whole",
        "virtual-1",
        boards::pressure(&tank.readings, seed),
    );
    leak.stated.calibrations = pressure.calibrations();
    leak.stated.p_ref_pa = Some(tank.truth.p_ref_pa);
    // The club's barometer is read to a hectopascal.
    leak.stated.ambient_pa = Some((tank.truth.ambient_pa / 100.0).round() * 100.0);
    leak.marks = vec![
        (0.0, "phase open".into()),
        (tank.truth.hold_start_s, "phase hold".into()),
    ];
    let order = engine_scenario.probe.filter_order;
    let force = boards::force(&engine.readings, order, seed);
    let mut pull = step(Test::Pull, "plug_in_cold", "virtual-2", force);
    pull.stated.calibrations = cord.calibrations();
    let hall = boards::hall(&train.readings, seed);
    let roll = step(Test::Roll, "one_fl", "virtual-3", hall);
    let truth = Truth {
        leak: tank.truth,
        pull: engine.truth,
        roll: train.truth,
    };
    ([leak, pull, roll], truth)
}

/// Takes one test; the finding and the name of the capture's folder.
fn take(clock: &Clock, step: Step, captures: &Path) -> Result<(Finding, String), Failure> {
    let disk = Files::under(captures);
    disk.create_base()
        .map_err(|e| cannot("make", captures, &e))?;
    let plan = Plan {
        test: step.test,
        stated: step.stated,
        operator: "R. Tern",
        vehicle: PLOVER_8,
        port: step.port,
        board: step.board,
        marks: step.marks,
    };
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_time()
        .build()
        .map_err(|e| Failure::Work(format!("feelgauge: no runtime: {e}")))?;
    let (finding, name, _) = runtime
        .block_on(virtual_bench::take(clock, &plan, disk))
        .map_err(|e| Failure::Work(format!("{}: {}: {e}", captures.display(), step.test.word())))?;
    Ok((finding, name))
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

fn text(
    car: &Vehicle,
    taken: &[(Finding, String, &'static str)],
    seed: u64,
    picture: bool,
) -> String {
    let day = BEGIN.split('T').next().unwrap_or(BEGIN);
    let mut text = format!(
        "Harbour Lane model club, inventory no. 14, {}: came back with a hitch and a\n\
         starter that feels flat. An invented car on virtual probes, seed {seed}; measured\n\
         {day} by {SOFTWARE}.\n",
        car.name
    );
    text.push('\n');
    for (finding, ..) in taken {
        let _ = writeln!(
            text,
            "{}: {}",
            finding.test().word(),
            in_short(finding, car)
        );
    }
    for (finding, source, setup) in taken {
        let about = About {
            source,
            vehicle: Some(car),
            setup: Some(setup),
            picture,
        };
        text.push('\n');
        text.push_str(&report::text(finding, about));
    }
    let _ = writeln!(
        text,
        "\n{CAPTURES}/ holds what the probes sent, {VEHICLE} the car, {FINDINGS} the numbers,\n\
         {TRUTH} what the simulation put in, {CALIBRATIONS}/ what masses and a water column made of\n\
         the probes. To measure one again, in this folder:\n\
         feelgauge analyze leak {}",
        taken[0].1
    );
    text
}

/// A finding in a few words.
fn in_short(finding: &Finding, car: &Vehicle) -> String {
    if finding.refused().is_some() {
        return "no answer; the reason stands below".into();
    }
    let words = match (finding, finding.verdict()) {
        (Finding::Leak(_), Some(Verdict::Within)) => "the tank holds its pressure",
        (Finding::Leak(_), Some(Verdict::Outside)) => "the tank leaks more than its limit",
        (Finding::Leak(_), _) => "not decided whether the tank is tight enough",
        (Finding::Pull(_), Some(Verdict::Within)) => {
            "the engine has compression, whatever it felt like"
        }
        (Finding::Pull(_), Some(Verdict::Outside)) => "the engine has too little compression",
        (Finding::Pull(_), _) => "not decided whether the engine has compression",
        (Finding::Roll(roll), Some(Verdict::Outside)) => {
            let part = roll
                .snags
                .iter()
                .flatten()
                .next()
                .map(|s| car.words_for(&s.part));
            return format!(
                "the drivetrain snags, most probably {}",
                part.unwrap_or_default()
            );
        }
        (Finding::Roll(_), Some(Verdict::Within)) => "no snag, and one would have shown",
        (Finding::Roll(_), _) => "no snag shown, which is no proof that there is none",
    };
    words.into()
}

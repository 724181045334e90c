//! The tests of the demo: what is simulated, and how it stands on the virtual bench.

use serde::Serialize;

use super::sensors::Sensor;
use crate::{
    inspect::{Stated, Test},
    inspection::Stage,
    physics::{
        PLOVER_8,
        drivetrain::{self, DrivetrainScenario, DrivetrainTruth},
        engine::{self, EngineScenario, EngineTruth},
        tank::{self, TankScenario, TankTruth},
    },
    probe::{board::BoardPlan, boards},
    vehicle::{SetupTest, Vehicle},
};

/// From one record's seed to that of the next of the same test: every record has a hand and a noise of its own.
const NEXT_SEED: u64 = 1_000_003;
const TANK: &str = "whole";
const CLAMPED: &str = "lid_clamped";
const ENGINE: &str = "plug_in_cold";
const WHEEL: &str = "one_fl";

/// What the simulations know and the probes do not.
#[derive(Serialize)]
pub(super) struct Truth {
    leak: TankTruth,
    pull: EngineTruth,
    roll: DrivetrainTruth,
    /// The second roll before the repair.
    roll_again: DrivetrainTruth,
    leak_lid_clamped: TankTruth,
    after_repair: AfterRepair,
}

/// The same of the rebuilt car.
#[derive(Serialize)]
struct AfterRepair {
    leak: TankTruth,
    pull: EngineTruth,
    roll: DrivetrainTruth,
    roll_again: DrivetrainTruth,
}

/// One test of the demo.
pub(super) struct Step {
    pub stage: Stage,
    pub test: Test,
    pub setup: &'static str,
    pub port: &'static str,
    pub board: BoardPlan,
    pub stated: Stated,
    /// By seconds from the start of the readings.
    pub marks: Vec<(f64, String)>,
}

/// All tests, in the order in which they are taken: five before the repair, of which the first three are the three tests,
/// then four after it.
pub(super) fn steps(seed: u64, [pressure, cord]: &[Sensor; 2]) -> (Vec<Step>, Truth) {
    use Stage::{AfterRepair as After, AsFound};
    let seeds = |n: u64| seed.wrapping_add(n.wrapping_mul(NEXT_SEED));
    let (worn, rebuilt) = (TankScenario::plover(), TankScenario::plover_healthy());
    let (leak, whole) = leak(AsFound, TANK, &worn, seeds(0), pressure);
    let (pull, engine) = pull(AsFound, &EngineScenario::plover(), seeds(0), cord);
    let (roll, train) = self::roll(AsFound, true, seeds(0));
    let (roll_again, train_again) = self::roll(AsFound, true, seeds(1));
    let clamped_tank = worn.with_parts(&parts_of(CLAMPED));
    let (clamped, clamped_truth) = self::leak(AsFound, CLAMPED, &clamped_tank, seeds(1), pressure);
    let (leak_after, whole_after) = self::leak(After, TANK, &rebuilt, seeds(2), pressure);
    let engine_after = EngineScenario::plover_rebuilt();
    let (pull_after, engine_after) = self::pull(After, &engine_after, seeds(2), cord);
    let (roll_after, train_after) = self::roll(After, false, seeds(2));
    let (roll_after_again, train_after_again) = self::roll(After, false, seeds(3));
    let truth = Truth {
        leak: whole,
        pull: engine,
        roll: train,
        roll_again: train_again,
        leak_lid_clamped: clamped_truth,
        after_repair: AfterRepair {
            leak: whole_after,
            pull: engine_after,
            roll: train_after,
            roll_again: train_after_again,
        },
    };
    let before = [leak, pull, roll, roll_again, clamped];
    let after = [leak_after, pull_after, roll_after, roll_after_again];
    (before.into_iter().chain(after).collect(), truth)
}

/// Parts that can leak in a setup of the demo car.
fn parts_of(setup: &str) -> Vec<String> {
    let car = Vehicle::parse(PLOVER_8).expect("the demo car's file is tested");
    match car.setup(setup).map(|found| &found.test) {
        Some(SetupTest::Leak { parts }) => parts.clone(),
        _ => Vec::new(),
    }
}

fn step(
    stage: Stage,
    test: Test,
    setup: &'static str,
    port: &'static str,
    board: BoardPlan,
) -> Step {
    Step {
        stage,
        test,
        setup,
        port,
        board,
        stated: Stated {
            setup: Some(setup.into()),
            ..Stated::default()
        },
        marks: Vec::new(),
    }
}

fn leak(
    stage: Stage,
    setup: &'static str,
    scenario: &TankScenario,
    seed: u64,
    sensor: &Sensor,
) -> (Step, TankTruth) {
    let tank = tank::simulate(scenario, seed);
    let board = boards::pressure(&tank.readings, seed);
    let mut leak = step(stage, Test::Leak, setup, "virtual-1", board);
    leak.stated.calibrations = sensor.calibrations();
    leak.stated.p_ref_pa = Some(tank.truth.p_ref_pa);
    // The club's barometer is read to a hectopascal.
    leak.stated.ambient_pa = Some((tank.truth.ambient_pa / 100.0).round() * 100.0);
    leak.marks = vec![
        (0.0, "phase open".into()),
        (tank.truth.hold_start_s, "phase hold".into()),
    ];
    (leak, tank.truth)
}

fn pull(
    stage: Stage,
    scenario: &EngineScenario,
    seed: u64,
    sensor: &Sensor,
) -> (Step, EngineTruth) {
    let engine = engine::simulate(scenario, seed);
    let board = boards::force(&engine.readings, scenario.probe.filter_order, seed);
    let mut pull = step(stage, Test::Pull, ENGINE, "virtual-2", board);
    pull.stated.calibrations = sensor.calibrations();
    (pull, engine.truth)
}

fn roll(stage: Stage, snagged: bool, seed: u64) -> (Step, DrivetrainTruth) {
    let scenario = DrivetrainScenario::plover_in(WHEEL, snagged);
    let scenario = scenario.expect("the setup stands in the demo car's file, which is tested");
    let train = drivetrain::simulate(&scenario, seed);
    let board = boards::hall(&train.readings, seed);
    let roll = step(stage, Test::Roll, WHEEL, "virtual-3", board);
    (roll, train.truth)
}

//! Leak: fit with interval on a hold of 60 s, against a curve fit with its covariance on the same readings, and against
//! the bootstrap that an honest interval would cost there.

mod common;

use common::{Run, Table};
use feelgauge::measure::leak::{Leak, LeakFinding, LeakSettings};
use feelgauge::physics::tank::{TankScenario, simulate};
use feelgauge::reading::{PressureReading, Quality};

/// Readings of the hold that both sides fit: 60 s at 100 Hz.
const HELD: usize = 6000;

fn held_by(scenario: &TankScenario) -> (Vec<PressureReading>, LeakSettings) {
    let settings = LeakSettings::of_volume(scenario.volume_m3);
    (simulate(scenario, 1).readings, settings)
}

fn push(readings: &[PressureReading], settings: LeakSettings) -> Leak {
    let mut leak = Leak::new(settings);
    for reading in readings {
        leak.push(*reading);
    }
    leak
}

fn measure(readings: &[PressureReading], settings: LeakSettings) -> LeakFinding {
    push(readings, settings).finish(Quality::default())
}

/// The hold's readings as the reference takes them: times from the end of pumping (s), then pressures less the open
/// tank's (Pa).
fn held(readings: &[PressureReading], start_s: f64) -> Vec<f64> {
    let open: Vec<f64> = readings[..200].iter().map(|r| r.pressure_pa).collect();
    let tare = open.iter().sum::<f64>() / open.len() as f64;
    let after = |r: &&PressureReading| r.t_us as f64 * 1e-6 >= start_s;
    let hold: Vec<&PressureReading> = readings.iter().filter(after).take(HELD).collect();
    let times = hold.iter().map(|r| r.t_us as f64 * 1e-6 - start_s);
    times
        .chain(hold.iter().map(|r| r.pressure_pa - tare))
        .collect()
}

fn main() {
    let run = Run::from_args();
    let (readings, settings) = held_by(&TankScenario::plover());
    let found = measure(&readings, settings);
    let start_s = found.hold_start_s.expect("the hold is found");
    assert!(
        found.leak_rate_pa_m3_s.is_some(),
        "the bench measures what it says"
    );
    let samples = held(&readings, start_s);
    assert_eq!(samples.len(), 2 * HELD, "both sides see the same hold");
    let scipy = run.python("leak.py", &[&run.samples("hold", &samples)]);
    let its = |name: &str| scipy.as_ref().and_then(|s| s.get(name)).copied();
    let n = readings.len();
    let whole = run.best_s(|| measure(&readings, settings));
    let pushes = run.best_s(|| push(&readings, settings));
    let pushed = push(&readings, settings);
    let finish = run.best_of_s(|| pushed.clone(), |leak| leak.finish(Quality::default()));
    let mut table = Table::new("Leak: a hold of 60 s at 100 Hz");
    let against = |name, asked| (name, its(name), Some(asked));
    let what = "fit with interval: whole record, push and finish";
    table.against(
        what,
        whole,
        n,
        against("curve_fit A exp(-kt), its own start", 10.0),
    );
    table.against(
        what,
        whole,
        n,
        against("its bootstrap interval, 200 resamples", 500.0),
    );
    for also in [
        "the bootstrap as one types it: curve_fit A exp(-kt), its own start each time, no Jacobian, 200 resamples",
        "curve_fit A exp(-kt) + c, good start",
        "curve_fit A exp(-kt) + B exp(-mt) + c, good start",
    ] {
        table.against(what, whole, n, (also, its(also), None));
    }
    table.time("of it: push", pushes, n);
    table.time(
        "of it: finish (hold, knocks, whitening, laws, interval)",
        finish,
        n,
    );
    growth(&run, &mut table);
    let (tight, of_tight) = held_by(&TankScenario::plover_healthy());
    let quiet = run.best_s(|| measure(&tight, of_tight));
    table.time(
        "the same for a tight tank (no lid to try)",
        quiet,
        tight.len(),
    );
    table.note("scipy's covariance covers the truth in a few per cent of records (the noise is not the uncertainty); drift and heat are in our interval.");
    run.show(&table);
}

fn dense(rate_hz: u32) -> (Vec<PressureReading>, LeakSettings) {
    let mut scenario = TankScenario::plover();
    scenario.sensor.rate_hz = rate_hz;
    held_by(&scenario)
}

/// The measure uses 120 s of hold at most, so the record grows by readings a second, not by seconds.
fn growth(run: &Run, table: &mut Table) {
    let mut points = Vec::new();
    let mut pushed_points = Vec::new();
    for rate_hz in [10, 100, 1000] {
        let (readings, settings) = dense(rate_hz);
        let pushed = push(&readings, settings);
        pushed_points.push((readings.len(), run.best_s(|| push(&readings, settings))));
        let finish = run.best_of_s(|| pushed.clone(), |leak| leak.finish(Quality::default()));
        points.push((readings.len(), finish));
    }
    table.growth("push, 10 to 1000 readings a second", &pushed_points);
    table.growth("finish, 10 to 1000 readings a second", &points);
}

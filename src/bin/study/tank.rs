//! A simulated leak test, analyzed as a person would who knows the volume to 8 %.

use feelgauge::measure::leak::{Leak, LeakFinding, LeakSettings};
use feelgauge::physics::noise::Noise;
use feelgauge::physics::tank::{TankScenario, TankTruth, simulate};
use feelgauge::reading::{PressureReading, Quality};

/// Relative standard uncertainty of the volume that is stated.
const VOLUME_U: f64 = 0.08;

/// Finding of readings.
pub fn analyze(settings: LeakSettings, readings: &[PressureReading]) -> LeakFinding {
    let mut leak = Leak::new(settings);
    for reading in readings {
        leak.push(*reading);
    }
    leak.finish(Quality::default())
}

/// Settings of a person whose volume is wrong by as much as they say, by chance of the seed.
pub fn stated(scenario: &TankScenario, p_ref_pa: f64, seed: u64) -> LeakSettings {
    let volume_m3 = scenario.volume_m3 * (1.0 + VOLUME_U * Noise::new(seed, 77).normal());
    LeakSettings {
        volume_u_m3: Some(VOLUME_U * volume_m3),
        p_ref_pa: Some(p_ref_pa),
        ..LeakSettings::of_volume(volume_m3)
    }
}

/// Finding and truth of a scenario; `own` changes the settings.
pub fn inspect(
    scenario: &TankScenario,
    seed: u64,
    own: impl Fn(&mut LeakSettings, &TankTruth),
) -> (LeakFinding, TankTruth) {
    let simulated = simulate(scenario, seed);
    let mut settings = stated(scenario, scenario.p_ref_pa, seed);
    own(&mut settings, &simulated.truth);
    (analyze(settings, &simulated.readings), simulated.truth)
}

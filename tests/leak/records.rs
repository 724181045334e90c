//! Bad and odd records: refused with what to do, or measured all the same; never a panic, never a number that is none.

use feelgauge::measure::leak::{Leak, LeakFinding, LeakSettings};
use feelgauge::physics::noise::Noise as Random;
use feelgauge::physics::tank::{TankScenario, simulate};
use feelgauge::reading::{PressureReading, Quality};

use crate::{PS, analyze, assert_finite, code, covers, inspect, pumped, record};

fn of_tank() -> LeakSettings {
    LeakSettings::of_volume(133e-6)
}

fn steady(t: f64) -> f64 {
    15e3 - 5.0 * t
}

/// The record is refused with this code and a message that says what to do.
fn refused(expected: &str, settings: LeakSettings, readings: &[PressureReading]) {
    let finding = analyze(settings, readings);
    assert_eq!(code(&finding), expected);
    assert_finite(&finding);
    let message = &finding.refused.as_ref().unwrap()[0].message;
    assert!(message.len() > 40, "{expected}: {message}");
}

#[test]
fn records_that_hold_no_test_are_refused() {
    let jolts = |t: f64| steady(t) + if t > 4.0 && t % 7.0 < 0.2 { 300.0 } else { 0.0 };
    let noise = |t: f64| 2.0 * libm::sin(t * 977.0);
    let knee = |t: f64| if t > 5.0 { 400.0 } else { 0.0 };
    let gone = |t: f64| 15e3 * libm::exp(-t * 4.0);
    let sparse: Vec<PressureReading> = record(67.0, pumped(steady))
        .into_iter()
        .step_by(200)
        .collect();
    for (expected, readings) in [
        ("no_readings", Vec::new()),
        ("no_pressure", record(0.005, |_| 7.0)),
        ("no_pressure", record(60.0, |_| 15e3)),
        ("no_pressure", record(60.0, |t| -100.0 * t)),
        ("no_pressure", record(60.0, knee)),
        ("no_pressure", record(60.0, pumped(gone))),
        ("no_rise", record(600.0, |t| 20.0 * t)),
        ("hold_too_short", record(22.0, pumped(steady))),
        ("disturbed", record(67.0, |t| pumped(jolts)(t) + noise(t))),
        (
            "no_open_tank",
            record(67.0, |t| PS + pumped(steady)(t + 2.0)),
        ),
        ("too_few_readings", sparse),
    ] {
        refused(expected, of_tank(), &readings);
    }
}

/// Pumped beyond what the sensor reads, a leaking tank stands still at the sensor's end and looks tight.
#[test]
fn a_sensor_at_its_end_shows_no_leak() {
    let readings = simulate(&TankScenario::plover(), 3).readings;
    let cut = |at_pa: f64| -> Vec<PressureReading> {
        let low = |r: &PressureReading| PressureReading {
            pressure_pa: r.pressure_pa.min(at_pa),
            ..*r
        };
        readings.iter().map(low).collect()
    };
    refused("clipped", of_tank(), &cut(12e3));
    // It leaves the end within the hold; the settling is not seen all the same.
    let held = analyze(of_tank(), &readings);
    let then = |t_s: f64| {
        let i = held.trace.t_s.iter().position(|t| *t > t_s).unwrap();
        held.trace.pressure_pa[i] + readings[0].pressure_pa
    };
    refused("clipped", of_tank(), &cut(then(10.0)));
    // The first second is not fitted.
    assert_eq!(code(&analyze(of_tank(), &cut(then(0.4)))), "none");
}

/// Where the probe states its end, a second there is enough, though noise leaves no block of the fit wholly at it.
#[test]
fn a_stated_end_is_seen_sooner() {
    for seed in [3, 4, 7, 8] {
        let scenario = TankScenario {
            leak_rate_pa_m3_s: 1e-3,
            ..TankScenario::drawn(seed)
        };
        let simulated = simulate(&scenario, seed);
        let at_s = simulated.truth.hold_start_s + 2.25;
        let near = |r: &&PressureReading| (r.t_us as f64 * 1e-6 - at_s).abs() < 0.1;
        let mut level: Vec<f64> = simulated
            .readings
            .iter()
            .filter(near)
            .map(|r| r.pressure_pa)
            .collect();
        level.sort_by(f64::total_cmp);
        let end_pa = level[level.len() / 2];
        let cut: Vec<PressureReading> = simulated
            .readings
            .iter()
            .map(|r| PressureReading {
                pressure_pa: r.pressure_pa.min(end_pa),
                ..*r
            })
            .collect();
        let of = |range_pa: Option<f64>| LeakSettings {
            range_pa,
            ..of_tank()
        };
        assert_eq!(code(&analyze(of(None), &cut)), "none", "seed {seed}");
        refused("clipped", of(Some(end_pa)), &cut);
        // Readings below the end are honest, however long they stand still.
        assert_eq!(
            code(&analyze(of(Some(end_pa + 1.0)), &cut)),
            "none",
            "seed {seed}"
        );
    }
}

/// A tight tank on a converter of 8 bits or fewer repeats its readings, but the settling takes it off the highest one.
#[test]
fn coarse_steps_are_no_end_of_the_sensor() {
    for seed in 0..20 {
        let mut scenario = TankScenario {
            leak_rate_pa_m3_s: 0.0,
            ..TankScenario::drawn(seed)
        };
        scenario.sensor.lsb_pa = 400.0;
        scenario.sensor.noise_pa = 20.0;
        scenario.sensor.hum = (0.0, 50.0);
        let finding = analyze(of_tank(), &simulate(&scenario, seed).readings);
        assert_eq!(code(&finding), "none", "seed {seed}");
        let flags = &finding.quality.common.flags;
        assert!(flags.contains(&"not_dithered".into()), "seed {seed}");
    }
}

/// A reading or fewer in a block shows no scatter, so nothing is said of the converter.
#[test]
fn slow_readings_say_nothing_of_the_converter() {
    for (seed, rate_hz) in [(1, 1), (2, 2), (3, 4)] {
        let mut scenario = TankScenario::plover_healthy();
        scenario.sensor.rate_hz = rate_hz;
        let finding = analyze(of_tank(), &simulate(&scenario, seed).readings);
        assert_eq!(code(&finding), "none", "{rate_hz} Hz");
        let flags = &finding.quality.common.flags;
        assert!(!flags.contains(&"not_dithered".into()), "{rate_hz} Hz");
    }
}

/// Whatever raises the pressure, it is no leak: that is said, and no half-life.
#[test]
fn a_pressure_that_rises_is_said() {
    let mut scenario = TankScenario::plover_healthy();
    let of = |scenario: &TankScenario| analyze(of_tank(), &simulate(scenario, 3).readings);
    let is_said = |finding: &LeakFinding| {
        let flags = &finding.quality.common.flags;
        flags.contains(&"pressure_rises".into())
    };
    let steady = of(&scenario);
    assert!(!is_said(&steady) && !steady.rises());
    scenario.sensor.drift_pa_s = 40.0;
    let rising = of(&scenario);
    assert_eq!(code(&rising), "none");
    assert!(is_said(&rising) && rising.rises());
    assert!(rising.leak_rate_pa_m3_s.unwrap().hi95 < 0.0);
    assert!(rising.half_life_s.is_none() && rising.half_life_longer_than_s.is_none());
}

#[test]
fn settings_that_cannot_be_met_are_refused() {
    let readings = record(67.0, pumped(steady));
    for p_ref_pa in [16e3, 4e3, 0.0, -1.0, f64::NAN, f64::INFINITY] {
        let settings = LeakSettings {
            p_ref_pa: Some(p_ref_pa),
            ..of_tank()
        };
        refused("p_ref_outside_record", settings, &readings);
    }
    let sealed = LeakSettings {
        sealed_zero_s: Some((30.0, 50.0)),
        ..of_tank()
    };
    refused("sealed_zero_outside_record", sealed, &readings);
    let baro = LeakSettings {
        ambient_pa: Some(12.0),
        ..of_tank()
    };
    refused("ambient_not_absolute", baro, &readings);
    for volume_m3 in [0.0, -1e-4, f64::NAN, f64::INFINITY] {
        refused("no_volume", LeakSettings::of_volume(volume_m3), &readings);
    }
}

#[test]
fn odd_records_still_give_the_leak() {
    let scenario = TankScenario::plover();
    let simulated = simulate(&scenario, 3);
    let (readings, truth) = (simulated.readings, simulated.truth);
    let settings = LeakSettings {
        p_ref_pa: Some(truth.p_ref_pa),
        ..LeakSettings::of_volume(truth.volume_m3)
    };
    let check = |name: &str, readings: &[PressureReading], gaps: u64| {
        let finding = analyze(settings, readings);
        assert_eq!(code(&finding), "none", "{name}");
        assert!(
            covers(&finding, &truth).0,
            "{name}: {:?}",
            finding.slope_pa_s
        );
        assert_eq!(finding.quality.common.gaps, gaps, "{name}");
        finding
    };
    let all = check("as recorded", &readings, 0);
    let without = |from: u64, to: u64| -> Vec<PressureReading> {
        let inside = |r: &&PressureReading| !(from..to).contains(&r.t_us);
        readings.iter().filter(inside).copied().collect()
    };
    check("a gap of 5 s", &without(30_000_000, 35_000_000), 1);
    let mut random = Random::new(5, 5);
    let mut next = 0;
    let mut irregular: Vec<PressureReading> = Vec::new();
    for (i, reading) in (0u64..).zip(&readings) {
        if i == next {
            irregular.push(*reading);
            next += 2 + random.below(7);
        }
    }
    check("every second to eighth reading", &irregular, 0);
    let slow: Vec<PressureReading> = readings.iter().step_by(10).copied().collect();
    check("ten a second", &slow, 0);
    let later: Vec<PressureReading> = readings
        .iter()
        .map(|r| PressureReading {
            t_us: r.t_us + 5_000_000_000_000,
            ..*r
        })
        .collect();
    let shifted = check("another origin of time", &later, 0);
    let same = |a: Option<f64>, b: Option<f64>| (a.unwrap() - b.unwrap()).abs() < 1e-6;
    assert!(same(
        shifted.hold_start_s.map(|t| t - 5e6),
        all.hold_start_s
    ));
    let (a, b) = (shifted.slope_pa_s.unwrap(), all.slope_pa_s.unwrap());
    assert!(
        (a.value - b.value).abs() < 1e-9 * b.value.abs(),
        "a shift of time changes nothing"
    );
}

/// A long record is cut at 120 s of hold: what comes later changes nothing.
#[test]
fn long_records_are_cut() {
    let mut scenario = TankScenario::plover_healthy();
    scenario.hold_s = 400.0;
    let (long, truth) = inspect(&scenario, 6, |_, _| {});
    scenario.hold_s = 120.6;
    let (short, _) = inspect(&scenario, 6, |_, _| {});
    assert!((long.quality.hold_used_s.unwrap() - 120.0).abs() < 1e-9);
    assert!(long.hold_s.unwrap() > 390.0 && covers(&long, &truth).0);
    let (a, b) = (long.slope_pa_s.unwrap(), short.slope_pa_s.unwrap());
    // the same blocks; the picture of the whole record moves the 99th percentile of the pressure only
    assert!((a.value - b.value).abs() < 1e-9, "{a:?} {b:?}");
}

/// Letting the pressure off before the recording stops is not a leak.
#[test]
fn pressure_let_off_at_the_end_is_cut_away() {
    let simulated = simulate(&TankScenario::plover_healthy(), 8);
    let end_us = simulated.readings.last().unwrap().t_us;
    let let_off: Vec<PressureReading> = simulated
        .readings
        .iter()
        .map(|r| {
            let late = (r.t_us as f64 - end_us as f64) * 1e-6 + 6.0;
            let left = if late > 0.0 {
                libm::exp(-late / 0.3)
            } else {
                1.0
            };
            PressureReading {
                pressure_pa: r.pressure_pa * left,
                ..*r
            }
        })
        .collect();
    let settings = LeakSettings {
        p_ref_pa: Some(simulated.truth.p_ref_pa),
        ..LeakSettings::of_volume(simulated.truth.volume_m3)
    };
    let finding = analyze(settings, &let_off);
    assert_eq!(code(&finding), "none");
    assert!(
        finding
            .quality
            .common
            .flags
            .contains(&"pressure_let_off".into())
    );
    assert!(
        covers(&finding, &simulated.truth).0,
        "{:?}",
        finding.slope_pa_s
    );
}

/// Nonsense of many kinds: no panic, and no number that is not one.
#[test]
fn nonsense_is_refused_or_finite() {
    let mut random = Random::new(77, 0);
    let settings = LeakSettings::of_volume(133e-6);
    for case in 0..60u64 {
        let (mut t_us, mut p) = (0u64, 0.0);
        let count = random.below(4000);
        let (wild, step) = (random.uniform(0.0, 6.0), 1 + random.below(200_000));
        let mut leak = Leak::new(settings);
        for i in 0..count {
            t_us = match random.below(400) {
                0 => t_us / 2,
                1 => t_us.saturating_add(1 << random.below(50)),
                _ => t_us + step,
            };
            p = match case % 4 {
                0 => p + libm::pow(10.0, wild) * random.normal(),
                1 => 15e3 * f64::from(u8::from(i > count / 4)),
                2 => libm::pow(10.0, random.uniform(-8.0, 9.0)),
                _ => 20e3 - p,
            };
            let spike = [f64::NAN, f64::INFINITY, -1e300, 0.0][(i % 4) as usize];
            leak.push(PressureReading {
                t_us,
                pressure_pa: if random.below(50) == 0 { spike } else { p },
                tank_k: (random.below(3) == 0).then_some(spike),
            });
        }
        assert_finite(&leak.finish(Quality::default()));
    }
}

/// While recording: the finding so far from a copy, every 5 s, changes nothing of the last one.
#[test]
fn looking_while_recording_changes_nothing() {
    let simulated = simulate(&TankScenario::plover(), 2);
    let settings = LeakSettings::of_volume(simulated.truth.volume_m3);
    let mut leak = Leak::new(settings);
    let mut stops = 0;
    for (i, reading) in simulated.readings.iter().enumerate() {
        leak.push(*reading);
        if i % 500 == 499 {
            stops += u32::from(leak.clone().finish(Quality::default()).may_stop());
        }
    }
    let looked = leak.finish(Quality::default());
    assert_eq!(looked, analyze(settings, &simulated.readings));
    assert!(
        stops >= 1,
        "a leak far outside the suggested limit may stop early"
    );
}

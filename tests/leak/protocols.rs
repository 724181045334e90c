//! Protocols that buy accuracy: several holds in a record, a sealed hold, a syringe for the volume, early stops.
//! `FEELGAUGE_TANKS=300 cargo test --release --test leak protocols -- --nocapture --include-ignored` prints larger tables.

use feelgauge::physics::noise::Noise as Random;
use feelgauge::physics::tank::{Syringe, TankScenario};

use crate::{code, inspect, tanks};

fn median(mut values: Vec<f64>) -> f64 {
    values.sort_by(f64::total_cmp);
    values[values.len() / 2]
}

fn with_syringe(seed: u64) -> (TankScenario, f64) {
    let mut scenario = TankScenario::drawn(seed);
    let stated = 5e-6;
    // the scale of a syringe: 1 %
    let real = stated * (1.0 + 0.01 * Random::new(seed, 78).normal());
    scenario.syringe = Some(Syringe::six(real));
    (scenario, stated)
}

fn effective(scenario: &TankScenario) -> f64 {
    scenario.volume_m3 * (1.0 + scenario.stretch_per_pa * (101_325.0 + 2.0 * scenario.p_ref_pa))
}

/// Six strokes of 5 cm3 after a hold of 60 s measure the volume: 2.85 % rms is what an earlier prototype reached
/// (200 runs, syringe and gain 1 % each included); the stated 3 % must cover.
#[test]
fn a_syringe_measures_the_volume() {
    let (mut squares, mut n, mut missed, mut low) = (0.0, 0u32, 0u32, 0u32);
    let (mut large, mut slope_alone) = (Vec::new(), Vec::new());
    for seed in 501..501 + tanks(30) {
        let (scenario, stated) = with_syringe(seed);
        let (finding, truth) = inspect(&scenario, seed, |s, _| s.syringe_m3 = Some(stated));
        assert_eq!(code(&finding), "none", "seed {seed}: {:?}", finding.refused);
        let syringe = finding.syringe.as_ref().unwrap();
        assert_eq!(syringe.strokes, 6, "seed {seed}: {syringe:?}");
        let Some(volume) = syringe.effective_volume_m3 else {
            assert_eq!(
                syringe.refused.as_ref().unwrap().code,
                "syringe_low_pressure"
            );
            low += 1;
            continue;
        };
        let off = volume.value / effective(&scenario) - 1.0;
        squares += off * off;
        n += 1;
        missed += u32::from(off.abs() > 1.96 * volume.u / volume.value);
        if std::env::var("FEELGAUGE_EACH").is_ok() {
            println!(
                "{seed} off {:.2} % gain {:.2} pg {:.0} Q {:.1e} u {:.3}",
                100.0 * off,
                100.0 * (scenario.sensor.gain - 1.0),
                truth.p_end_pa,
                truth.leak_rate_pa_m3_s,
                volume.u / volume.value
            );
        }
        let rate = finding.leak_rate_pa_m3_s.unwrap();
        let error = (rate.value / truth.leak_rate_pa_m3_s - 1.0).abs();
        if truth.leak_rate_pa_m3_s > 2e-3 {
            large.push(error);
            slope_alone.push((finding.slope_pa_s.unwrap().value / truth.slope_pa_s - 1.0).abs());
        }
    }
    let rms = (squares / f64::from(n)).sqrt();
    println!(
        "syringe, seeds from 501: {n} volumes, rms error {:.2} %, {missed} outside 1.96 u, {low} refused for low pressure; Q above 2e-3: median error {:.2} %, of the slope {:.2} %",
        100.0 * rms,
        100.0 * median(large),
        100.0 * median(slope_alone)
    );
    // rms of n errors with a standard deviation of 3 %: above 3 % (1 + 2/sqrt(2 n)) once in 40
    assert!(
        rms < 0.03 * (1.0 + 2.0 / (2.0 * f64::from(n)).sqrt()),
        "{rms}"
    );
}

//! Protocols that buy accuracy: several holds in a record, a sealed hold, a syringe for the volume, early stops.
//! `FEELGAUGE_TANKS=300 cargo test --release --test leak protocols -- --nocapture --include-ignored` prints larger tables.

use feelgauge::measure::leak::{Leak, LeakFinding, LeakSettings};
use feelgauge::physics::noise::Noise as Random;
use feelgauge::physics::tank::{Syringe, TankScenario, TankTruth, simulate};
use feelgauge::reading::{LimitSource, Quality, Verdict};

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
/// (200 runs, syringe and gain 1 % each included); the stated 3 % must cover. Measured with 300 tanks: 285 volumes, rms
/// 1.88 %, 1 outside 1.96 u, 15 refused; leak rates above 2e-3 Pa m3/s: median error 2.1 %.
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

/// 5 cm3 are pushed and 10 stated, so the strokes say twice the volume: nothing says which of the two is wrong, so the range
/// has both in it.
#[test]
fn a_stroke_stated_wrong_contradicts_the_volume() {
    for seed in 501..=520 {
        let (scenario, stated) = with_syringe(seed);
        let flagged = |finding: &LeakFinding| {
            let flags = &finding.quality.common.flags;
            flags.contains(&"syringe_contradicts_volume".into())
        };
        let (right, truth) = inspect(&scenario, seed, |s, _| s.syringe_m3 = Some(stated));
        assert!(!flagged(&right), "seed {seed}");
        let (wrong, _) = inspect(&scenario, seed, |s, _| s.syringe_m3 = Some(2.0 * stated));
        let syringe = wrong.syringe.as_ref().unwrap();
        let Some(measured) = syringe.effective_volume_m3 else {
            continue;
        };
        assert!(flagged(&wrong), "seed {seed}");
        let (said, volume) = (syringe.contradicts_m3.unwrap(), wrong.volume_m3.unwrap());
        assert!(
            volume.lo95 < said.value && measured.value < volume.hi95,
            "seed {seed}"
        );
        let rate = wrong.leak_rate_pa_m3_s.unwrap();
        let truly = truth.leak_rate_pa_m3_s;
        assert!(
            rate.lo95 <= truly && truly <= rate.hi95,
            "seed {seed}: {rate:?}"
        );
    }
}

/// A sequence in another order, with a stroke too few or too soon: the stated volume is used and it is said; the leak is
/// measured all the same, on the hold before the first stroke.
#[test]
fn a_syringe_in_the_wrong_order_is_refused() {
    let scenario = |moves: Vec<bool>, every_s: f64| TankScenario {
        syringe: Some(Syringe {
            moves,
            every_s,
            ..Syringe::six(5e-6)
        }),
        ..TankScenario::drawn(503)
    };
    let six = || (0..6).map(|i| i % 2 == 0).collect::<Vec<bool>>();
    let stated = |s: &mut LeakSettings, _: &TankTruth| s.syringe_m3 = Some(5e-6);
    let (right, truth) = inspect(&scenario(six(), 6.0), 503, stated);
    assert!(right.syringe.as_ref().unwrap().refused.is_none());
    for (moves, every_s, strokes) in [
        ((0..6).map(|i| i % 2 == 1).collect(), 6.0, 6),
        (vec![true, true, false, false, true, false], 6.0, 6),
        (six()[..4].to_vec(), 6.0, 4),
        (six(), 2.0, 6),
        (Vec::new(), 6.0, 0),
    ] {
        let (finding, _) = inspect(&scenario(moves, every_s), 503, stated);
        assert_eq!(code(&finding), "none");
        let syringe = finding.syringe.as_ref().unwrap();
        let refused = syringe.refused.as_ref().unwrap();
        assert_eq!(
            (refused.code.as_str(), syringe.strokes),
            ("syringe_order", strokes)
        );
        assert!(refused.message.contains("volume stated was used"));
        assert!(syringe.effective_volume_m3.is_none());
        assert!(
            finding
                .quality
                .common
                .flags
                .contains(&"syringe_not_used".into())
        );
        // the volume is the stated one, 8 %, and the slope that of the same hold
        let volume = finding.volume_m3.unwrap();
        assert!((volume.u / volume.value - 0.08).abs() < 1e-9);
        let (a, b) = (finding.slope_pa_s.unwrap(), right.slope_pa_s.unwrap());
        assert!((a.value - b.value).abs() < 0.5 * b.u, "{a:?} {b:?}");
        assert!(finding.hold_s.unwrap() < scenario(six(), 6.0).hold_s + 1.0);
    }
    let (zero, _) = inspect(&scenario(six(), 6.0), 503, |s, _| s.syringe_m3 = Some(0.0));
    assert_eq!(code(&zero), "no_syringe_volume");
    assert!(right.hold_s.unwrap() < truth.hold_start_s + 60.0);
}

/// Two holds in one record, 66 s apart: each is fitted, the last is reported. Their errors have most in common, so their
/// mean is worth less than the last alone. Expected: median errors 3.2e-5 (first), 2.4e-5 (second), 2.8e-5
/// (both), correlation 0.82, the second covered always. Measured with 300 tanks: 3.0e-5, 2.6e-5, 2.7e-5, 0.80, 1 missed.
#[test]
fn of_two_holds_the_last_is_reported() {
    let (mut first, mut last, mut mean, mut missed) = (vec![], vec![], vec![], 0u32);
    let mut pairs = Vec::new();
    let n = tanks(25);
    for seed in 601..601 + n {
        let mut scenario = TankScenario::drawn(seed);
        scenario.leak_rate_pa_m3_s = 1e-4;
        scenario.earlier_holds = 1;
        let (finding, truth) = inspect(&scenario, seed, |_, _| {});
        assert_eq!(code(&finding), "none", "seed {seed}: {:?}", finding.refused);
        assert_eq!(finding.earlier_holds.len(), 1, "seed {seed}");
        let earlier = finding.earlier_holds[0];
        let (a, b) = (earlier.slope_pa_s, finding.slope_pa_s.unwrap());
        let off = [a.value - truth.slope_pa_s, b.value - truth.slope_pa_s];
        missed += u32::from(off[1].abs() > 1.96 * b.u);
        let q = scenario.volume_m3;
        first.push(off[0].abs() * q);
        last.push(off[1].abs() * q);
        mean.push(0.5 * (off[0] + off[1]).abs() * q);
        pairs.push((off[0], off[1]));
        assert!((earlier.hold_s - 60.0).abs() < 1.5, "{earlier:?}");
        let apart = finding.hold_start_s.unwrap() - earlier.hold_start_s;
        assert!((60.0..80.0).contains(&apart));
    }
    let sum = |f: &dyn Fn(&(f64, f64)) -> f64| pairs.iter().map(f).sum::<f64>();
    let correlation = sum(&|p| p.0 * p.1) / (sum(&|p| p.0 * p.0) * sum(&|p| p.1 * p.1)).sqrt();
    println!(
        "two holds, seeds from 601: {n} tanks, median errors {:.2e} first, {:.2e} last, {:.2e} mean; correlation {correlation:.2}; last missed {missed}",
        median(first),
        median(last),
        median(mean)
    );
    assert!(f64::from(missed) <= 0.05 * n as f64 + 3.2 * (0.0475 * n as f64).sqrt());
    // 0.82 in 150 runs; with 25 its 99 % interval reaches down to 0.5 (Fisher's z)
    assert!(correlation > 0.5, "{correlation}");
}

/// A sealed hold for as long as the hold itself, at 60 s and at 30 s, and the hold alone. Measured with 200 tanks: median
/// error 2.0e-5 instead of 2.7e-5 at 60 s, 8.9e-5 instead of 9.4e-5 at 30 s; U95 8.2e-5 and 2.3e-4; covered 99 and 88.5 %.
#[test]
#[ignore = "a study: run it with FEELGAUGE_TANKS=300 in release"]
fn sealed_holds() {
    for seconds in [60.0, 30.0] {
        let (mut with, mut without, mut missed) = (vec![], vec![], [0u32; 2]);
        let mut widths = vec![];
        for seed in 701..701 + tanks(100) {
            let mut scenario = TankScenario::drawn(seed);
            scenario.leak_rate_pa_m3_s = 1e-4;
            (scenario.hold_s, scenario.sealed_zero_s) = (seconds, seconds);
            for sealed in [true, false] {
                let (finding, truth) = inspect(&scenario, seed, |s, t| {
                    s.sealed_zero_s = t.sealed_zero_s.filter(|_| sealed);
                });
                let q = finding.slope_pa_s.unwrap();
                let off = (q.value - truth.slope_pa_s).abs();
                missed[usize::from(sealed)] += u32::from(off > 1.96 * q.u);
                if sealed {
                    with.push(off * scenario.volume_m3);
                    widths.push(1.96 * q.u * scenario.volume_m3);
                } else {
                    without.push(off * scenario.volume_m3);
                }
            }
        }
        println!(
            "sealed {seconds} s: median error {:.2e} with, {:.2e} without; U95 {:.2e}; missed with {}, without {}",
            median(with),
            median(without),
            median(widths),
            missed[1],
            missed[0]
        );
    }
}

/// Looked at every 5 s from 30 s, every 10 s from 60 s, with the leak exactly at the limit: how often a stop says "within"
/// though the leak is at the limit. Published: 3.1 % of 750 runs. Measured with 200 tanks: 6 of 8 early stops, 3.0 % of all.
#[test]
#[ignore = "a study: run it with FEELGAUGE_TANKS=300 in release"]
fn early_stops_at_the_limit() {
    let (mut wrong, mut stopped, n) = (0u32, 0u32, tanks(100));
    for seed in 801..801 + n {
        let mut scenario = TankScenario::drawn(seed);
        (scenario.leak_rate_pa_m3_s, scenario.hold_s) = (5e-4, 121.0);
        let simulated = simulate(&scenario, seed);
        let volume = scenario.volume_m3 * (1.0 + 0.08 * Random::new(seed, 77).normal());
        let mut leak = Leak::new(LeakSettings {
            volume_u_m3: Some(0.08 * volume),
            p_ref_pa: Some(scenario.p_ref_pa),
            limit: Some((5e-4, LimitSource::Own)),
            ..LeakSettings::of_volume(volume)
        });
        let mut look_s = 30.0;
        for reading in &simulated.readings {
            leak.push(*reading);
            if reading.t_us as f64 * 1e-6 < simulated.truth.hold_start_s + look_s + 0.5 {
                continue;
            }
            look_s += if look_s < 60.0 { 5.0 } else { 10.0 };
            let finding = leak.clone().finish(Quality::default());
            if finding.may_stop() {
                stopped += 1;
                wrong += u32::from(finding.verdict == Some(Verdict::Within));
                break;
            }
        }
    }
    println!(
        "leak at the limit, seeds from 801: {n} tanks, {stopped} stopped early, {wrong} of them within"
    );
    assert!(f64::from(wrong) <= 0.031 * n as f64 + 3.2 * (0.03 * n as f64).sqrt());
}

//! Pull against simulated engines whose truth is known: strokes, peaks with their intervals, cadence, guard.

use feelgauge::measure::pull::{Pull, PullFinding, PullSettings};
use feelgauge::physics::engine::{EngineScenario, Lock, PullTruth, simulate};
use feelgauge::reading::{ForceReading, Quality, Verdict};

fn measure(readings: &[ForceReading]) -> PullFinding {
    let mut pull = Pull::new(PullSettings {
        mass_kg: Some(3.4),
        filter_order: 1,
        ..PullSettings::default()
    });
    for reading in readings {
        pull.push(*reading);
    }
    pull.finish(Quality::default())
}

/// Fewest and most strokes that a right count may give: passages of 0.75 of the mean of the highest third must be found, of
/// 0.3 may be, and one more after the last passage.
fn counts(truth: &PullTruth) -> (usize, usize) {
    let mut peaks: Vec<f64> = truth.strokes.iter().map(|s| s.peak_n).collect();
    peaks.sort_by(|a, b| b.total_cmp(a));
    let n = peaks.len().min(((peaks.len() + 1) / 3).max(2));
    let reference = peaks[..n].iter().sum::<f64>() / n as f64;
    let of = |share: f64| peaks.iter().filter(|p| **p >= share * reference).count();
    (of(0.75), of(0.3) + 1)
}

/// 25 sessions of six pulls at 1000 readings a second. The interval claims 95 %: below 0.90 of 150 would be three standard errors
/// off. The bounds on counts and bias are those of 600 pulls (97 % counted right, bias -0.25 %) less three standard errors.
#[test]
fn drawn_engines_give_back_their_truth() {
    let (mut pulls, mut covered, mut counted, mut bias, mut alarms) = (0u32, 0u32, 0u32, 0.0, 0u32);
    for seed in 1..=25 {
        let record = simulate(&EngineScenario::drawn(seed), seed);
        let finding = measure(&record.readings);
        alarms += u32::from(finding.guard.is_some());
        assert_eq!(finding.pulls.len(), record.truth.pulls.len(), "seed {seed}");
        for (found, truth) in finding.pulls.iter().zip(&record.truth.pulls) {
            let peak = found.peak_n.unwrap();
            pulls += 1;
            covered += u32::from(peak.lo95 <= truth.peak_n && truth.peak_n <= peak.hi95);
            bias += peak.value / truth.peak_n - 1.0;
            let (fewest, most) = counts(truth);
            counted += u32::from((fewest..=most).contains(&found.strokes.len()));
            assert!(
                (found.start_s - truth.start_s).abs() < 0.05,
                "seed {seed}: start"
            );
        }
    }
    let share = |n: u32| f64::from(n) / f64::from(pulls);
    println!(
        "{pulls} pulls: covered {:.3}, counted {:.3}, bias {:.4}",
        share(covered),
        share(counted),
        bias / f64::from(pulls)
    );
    assert!(share(covered) >= 0.90, "covered {}", share(covered));
    assert!(share(counted) >= 0.93, "counted {}", share(counted));
    assert!((bias / f64::from(pulls)).abs() < 0.005);
    assert!(
        alarms <= 1,
        "the guard called in {alarms} of 25 good sessions"
    );
}

#[test]
fn the_demo_car_lifts_and_a_worn_sleeve_pulls_less() {
    let sound = measure(&simulate(&EngineScenario::plover(), 1).readings);
    let worn = measure(&simulate(&EngineScenario::plover_worn(), 1).readings);
    assert_eq!(sound.verdict, Some(Verdict::Within));
    let peak = |finding: &PullFinding| finding.session.unwrap().peak_at_cadence_n;
    assert!(
        peak(&worn).hi95 < peak(&sound).lo95,
        "{:?} {:?}",
        peak(&worn),
        peak(&sound)
    );
}

/// A stuck engine: the guard must call in every session, before a person lets go by themselves (about 0.2 s, from memory, on top).
#[test]
fn a_stuck_engine_is_called() {
    for seed in 1..=10 {
        for lock in [
            Lock::FromStart { pull: 0 },
            Lock::Midway {
                pull: 0,
                turns: 2.3,
            },
        ] {
            let scenario = EngineScenario {
                lock,
                pulls: 1,
                ..EngineScenario::drawn(seed)
            };
            let record = simulate(&scenario, seed);
            let locked_s = record.truth.pulls[0].locked_s.unwrap();
            let alarm = measure(&record.readings).guard;
            let alarm = alarm.unwrap_or_else(|| panic!("seed {seed}, {lock:?}: no call"));
            let late = alarm.alarm_s - locked_s;
            assert!(
                (0.0..0.6).contains(&late),
                "seed {seed}, {lock:?}: {late} s"
            );
        }
    }
}

#[test]
fn a_shift_of_the_clock_shifts_the_times_and_nothing_else() {
    let record = simulate(&EngineScenario::drawn(7), 7).readings;
    let shifted: Vec<ForceReading> = record
        .iter()
        .map(|r| ForceReading {
            t_us: r.t_us + 5_000_000_000,
            ..*r
        })
        .collect();
    let (a, b) = (measure(&record), measure(&shifted));
    assert_eq!(a.lift_ratio, b.lift_ratio);
    for (p, q) in a.pulls.iter().zip(&b.pulls) {
        assert_eq!((p.peak_n, p.strokes.len()), (q.peak_n, q.strokes.len()));
        assert!((q.start_s - p.start_s - 5000.0).abs() < 1e-6);
    }
}

/// Records that say nothing end in a refusal or in counted readings, never in a panic or a number that is none.
#[test]
fn records_without_a_pull_are_refused() {
    let at = |k: u64, force_n: f64| ForceReading {
        t_us: k * 1000,
        force_n,
    };
    let code = |readings: &[ForceReading]| {
        let finding = measure(readings);
        assert!(!serde_json::to_string(&finding).unwrap().contains("NaN"));
        finding.refused.map(|r| r[0].code.clone())
    };
    assert_eq!(code(&[]).as_deref(), Some("no_pull"));
    assert_eq!(code(&[at(1, 5.0)]).as_deref(), Some("no_pull"));
    let constant: Vec<_> = (0..3000).map(|k| at(k, -3.0)).collect();
    assert_eq!(code(&constant).as_deref(), Some("no_pull"));
    let loud: Vec<_> = (0..3000)
        .map(|k| at(k, if k % 40 < 20 { 50.0 } else { 10.0 }))
        .collect();
    assert_eq!(code(&loud).as_deref(), Some("no_quiet_start"));
    let held: Vec<_> = (0..9000)
        .map(|k| at(k, if (1000..8000).contains(&k) { 30.0 } else { 0.0 }))
        .collect();
    assert_eq!(code(&held).as_deref(), Some("too_long"));
    let broken: Vec<_> = (0..3000)
        .map(|k| at(k, if k == 9 { f64::NAN } else { 0.0 }))
        .collect();
    assert_eq!(
        measure(&broken).quality.common.faults.values().sum::<u64>(),
        1
    );
}

#[test]
fn a_probe_at_its_end_gives_no_peak() {
    let mut readings = simulate(&EngineScenario::plover(), 1).readings;
    for reading in &mut readings {
        reading.force_n = reading.force_n.min(50.0);
    }
    let mut pull = Pull::new(PullSettings {
        filter_order: 1,
        range_n: Some(50.0),
        ..PullSettings::default()
    });
    for reading in readings {
        pull.push(reading);
    }
    let finding = pull.finish(Quality::default());
    assert_eq!(finding.refused.unwrap()[0].code, "clipped");
    assert!(finding.verdict.is_none() && finding.pulls.iter().all(|p| p.peak_n.is_none()));
}

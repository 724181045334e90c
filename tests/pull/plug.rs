//! Compression's share from pulls with and without the plug, on simulated engines.

use std::slice::from_ref;

use feelgauge::{
    measure::pull::{PlugShare, PullFinding, PullSettings, plug},
    physics::engine::{EngineScenario, Probe, simulate},
};

use crate::at_least;
use crate::compare::{holding, line};
use crate::numbers::Numbers;
use crate::score::measure;

/// Compression's share of a drawn engine: what `plug` says of some pulls, and what holds for many other pulls.
fn share(seed: u64, probe: Probe) -> (PlugShare, f64) {
    let of = |plug_in: bool, pulls: usize, seed: u64| {
        let scenario = EngineScenario {
            plug_in,
            pulls,
            probe,
            ..EngineScenario::drawn(seed % 1000)
        };
        let record = simulate(&scenario, seed);
        let settings = PullSettings {
            plug_out: !plug_in,
            filter_order: probe.filter_order,
            ..PullSettings::default()
        };
        (measure(&record.readings, settings), record.truth)
    };
    let (with, without) = (of(true, 6, seed).0, of(false, 6, seed).0);
    assert_eq!((without.refused.clone(), without.pulls.len()), (None, 6));
    assert_eq!((without.verdict, without.session), (None, None));
    let got = plug(from_ref(&with), &[without]);
    let (many, (_, open)) = (of(true, 12, seed + 1000).0, of(false, 9, seed + 1000));
    let at = with.session.unwrap().cadence_hz.value;
    let other = many.session.unwrap();
    let slope = libm::log(at / other.cadence_hz.value) * other.slope;
    let mut peaks: Vec<f64> = open.pulls.iter().map(|p| p.peak_n).collect();
    peaks.sort_by(f64::total_cmp);
    (
        got,
        other.peak_at_cadence_n.value * libm::exp(slope) - peaks[4],
    )
}

#[test]
fn compressions_share_is_found_with_the_plug_out() {
    let (mut covered, mut error) = (0, Numbers::default());
    for seed in 40..54 {
        let (got, truth) = share(seed, Probe::new(400, 1));
        let difference = got.compression_n.unwrap();
        covered += usize::from(difference.lo95 <= truth && truth <= difference.hi95);
        error.0.push(difference.value / truth - 1.0);
        let sum: f64 = got.budget.iter().map(|c| c.u * c.u).sum();
        assert!((sum.sqrt() / difference.u - 1.0).abs() < 1e-9);
        assert!(got.plug_out_peak_n.unwrap().value < 0.6 * got.plug_in_peak_n.unwrap().value);
    }
    assert!(covered as f64 >= at_least(14, 0.95), "{covered}: {error:?}");
    assert!(error.rms().0 < 0.08, "{error:?}");
}

/// Many pulls with the plug out stay below the 8 N of a pull with it; said of a car with little friction.
#[test]
fn a_pull_below_eight_newtons_counts_with_the_plug_out() {
    let mut easy = EngineScenario::plover();
    easy.plug_in = false;
    easy.engine.friction_nm *= 0.4;
    easy.engine.pinch_n *= 0.2;
    let record = simulate(&easy, 3);
    let as_if_in = measure(&record.readings, PullSettings::default());
    assert_eq!(as_if_in.refused.unwrap()[0].code, "no_pull");
    let settings = PullSettings {
        plug_out: true,
        ..PullSettings::default()
    };
    let finding = measure(&record.readings, settings);
    assert_eq!((finding.refused.clone(), finding.pulls.len()), (None, 6));
    let peak = finding.plug_out_peak_n.unwrap();
    let mut peaks: Vec<f64> = record.truth.pulls.iter().map(|p| p.peak_n).collect();
    peaks.sort_by(f64::total_cmp);
    assert!(peaks[5] < 8.0);
    assert!(
        peak.lo95 < peaks[3] && peaks[2] < peak.hi95,
        "{peak:?} {peaks:?}"
    );
}

/// Records under each other's name give no number (it read -42 N), and one given twice does not count double.
#[test]
fn swapped_and_repeated_records_give_no_share() {
    let of = |plug_in: bool, said_in: bool| {
        let scenario = EngineScenario {
            plug_in,
            pulls: 6,
            probe: Probe::new(400, 1),
            ..EngineScenario::plover()
        };
        let settings = PullSettings {
            plug_out: !said_in,
            ..PullSettings::default()
        };
        measure(&simulate(&scenario, 5).readings, settings)
    };
    let codes = |share: PlugShare| -> Vec<String> {
        assert!(share.compression_n.is_none() && share.budget.is_empty());
        let refused = share.refused.into_iter().flatten();
        refused.map(|r| r.code).collect()
    };
    let (with, without) = (of(true, true), of(false, false));
    assert_eq!(plug(from_ref(&with), from_ref(&without)).refused, None);
    // a friction record in which three strokes were seen, as a weak spot of the hand makes them
    let mut friction = of(false, true);
    friction.usable = line(4, 0.4, 0.0, -2.0);
    friction.refused = None;
    let swapped = plug(&[friction], &[of(true, false)]);
    assert_eq!(codes(swapped), ["plug_swapped"]);
    let twice = plug(from_ref(&with), &[without.clone(), without.clone()]);
    assert_eq!(codes(twice), ["same_capture_twice"]);
    let twice = plug(&[with.clone(), with], &[without]);
    assert_eq!(codes(twice), ["same_capture_twice"]);
}

#[test]
fn plug_in_and_plug_out_must_be_stated() {
    let good = holding(line(5, 0.4, 0.0, 0.0));
    let mut open = good.clone();
    open.plug_out = true;
    let codes = |plug_in: &PullFinding, plug_out: &PullFinding| -> Vec<String> {
        let share = plug(from_ref(plug_in), from_ref(plug_out));
        assert_eq!(share.compression_n, None);
        share
            .refused
            .into_iter()
            .flatten()
            .map(|r| r.code)
            .collect()
    };
    assert_eq!(
        codes(&good, &open),
        ["too_few_pulls"],
        "one pull without the plug"
    );
    assert_eq!(codes(&good, &good), ["setup_differs", "too_few_pulls"]);
    assert_eq!(codes(&open, &open), ["setup_differs", "too_few_pulls"]);
    let (mut warm, mut cold) = (good.clone(), open.clone());
    (warm.warm, cold.warm) = (Some(true), Some(false));
    let share = plug(&[warm], &[cold]);
    assert_eq!(share.quality.flags, ["temperature_differs"]);
}

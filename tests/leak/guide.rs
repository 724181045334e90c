//! The guide of a running leak test: phases, settling, the stop rule, and that it says what the measure says.
//! `FEELGAUGE_TANKS=300 cargo test --release --test leak guide -- --nocapture --include-ignored` prints larger tables.

use std::{collections::BTreeMap, time::Instant};

use feelgauge::inspect::guide::{Guide, LeakPhase, LeakView, Study, View};
use feelgauge::inspect::{Input, Reading, Session, Settings, Test, settings};
use feelgauge::measure::leak::{EARLY_RISK, Leak, LeakFinding, LeakSettings};
use feelgauge::physics::noise::Noise as Random;
use feelgauge::physics::tank::{TankScenario, Weather, simulate};
use feelgauge::reading::{LimitSource, PressureReading, Quality, Verdict};
use feelgauge::record::{Files, read_capture, replay::sources};

use crate::{analyze, pumped, record, tanks};

fn view(guide: &Guide) -> LeakView {
    match guide.view() {
        View::Leak(view) => *view,
        other => panic!("{other:?}"),
    }
}

/// What a test saw: views at moments, and what was pushed when the last study was handed out.
struct Watched {
    guide: Guide,
    studies: usize,
    /// Readings that the last study had.
    had: usize,
}

/// Pushes readings, runs each study at once; `each` sees the guide after every reading. Stops when the guide says so.
fn watch(
    settings: LeakSettings,
    readings: &[PressureReading],
    mut each: impl FnMut(&Guide, f64),
) -> Watched {
    let mut seen = Watched {
        guide: Guide::new(&Settings::Leak(settings)),
        studies: 0,
        had: 0,
    };
    for (i, reading) in readings.iter().enumerate() {
        let guide = &mut seen.guide;
        guide.push(Reading::Pressure(*reading));
        if let Some(study) = guide.study() {
            seen.studies += 1;
            seen.had = i + 1;
            guide.learn(study.run());
            if guide.view().is_over() {
                break;
            }
        }
        each(&seen.guide, reading.t_us as f64 * 1e-6);
    }
    seen
}

/// A drawn tank and what a person states of it who knows the volume to 8 %.
fn drawn(seed: u64, change: impl Fn(&mut TankScenario)) -> (TankScenario, LeakSettings) {
    let mut scenario = TankScenario::drawn(seed);
    change(&mut scenario);
    let stated = scenario.volume_m3 * (1.0 + 0.08 * Random::new(seed, 77).normal());
    let settings = LeakSettings {
        volume_u_m3: Some(0.08 * stated),
        p_ref_pa: Some(scenario.p_ref_pa),
        ..LeakSettings::of_volume(stated)
    };
    (scenario, settings)
}

fn assert_says(view: &LeakView, finding: &LeakFinding) {
    let (shown, found) = (
        view.leak_rate_pa_m3_s.unwrap(),
        finding.leak_rate_pa_m3_s.unwrap(),
    );
    let bits = |values: [f64; 2]| values.map(f64::to_bits);
    assert_eq!(bits([shown.value, shown.u]), bits([found.value, found.u]));
    let interval = if view.level < 0.97 {
        [found.lo95, found.hi95]
    } else {
        [EARLY_RISK, 1.0 - EARLY_RISK].map(|p| finding.leak_rate_quantile(p).unwrap())
    };
    assert_eq!(bits([shown.lo95, shown.hi95]), bits(interval));
    let at = [0.025, 0.975].map(|p| finding.leak_rate_quantile(p).unwrap());
    assert_eq!(bits(at), bits([found.lo95, found.hi95]));
    if view.verdict != Verdict::Undecided || view.level < 0.97 {
        assert_eq!(Some(view.verdict), finding.verdict);
    }
    let (start, found) = (view.hold_start_s.unwrap(), finding.hold_start_s.unwrap());
    assert_eq!(start.to_bits(), found.to_bits());
}

/// The guide's last word is the measure's, to the bit, over whole records: decided early, decided or not at the planned end.
#[test]
fn the_guide_says_what_the_measure_says() {
    let mut ends = [0u32; 2];
    for seed in 901..907 {
        let (scenario, settings) = drawn(seed, |_| {});
        let readings = simulate(&scenario, seed).readings;
        let seen = watch(settings, &readings, |_, _| {});
        let view = view(&seen.guide);
        assert!(
            view.is_over && view.phase == LeakPhase::Over,
            "seed {seed}: {view:?}"
        );
        assert_says(&view, &analyze(settings, &readings[..seen.had]));
        ends[usize::from(view.level < 0.97)] += 1;
        let last = view.funnel.last().unwrap();
        assert!(
            view.funnel.len() > 20 && (29.0..61.0).contains(&last.t_s),
            "{last:?}"
        );
    }
    println!(
        "seeds 901..907: {} early, {} at the planned end",
        ends[0], ends[1]
    );
    assert!(ends.iter().all(|n| *n > 0), "{ends:?}");
}

/// The same through a capture's lines and a session that ends when the guide says so.
#[test]
fn the_guide_says_what_the_session_says_of_a_capture() {
    let files = Files::under(concat!(env!("CARGO_MANIFEST_DIR"), "/captures"));
    let capture = read_capture(&files, "20310517T142140Z-leak-whole").unwrap();
    let sources = sources(&capture.meta.probes).unwrap();
    let car = capture.car().unwrap();
    let settings = settings(Test::Leak, &capture.meta.stated(), car.as_ref(), &sources).unwrap();
    let mut guide = Guide::new(&settings);
    let mut session = Session::new(settings, sources);
    for input in capture.inputs() {
        session.push(&input, &mut |reading| guide.push(reading));
        if let Input::Mark(mark) = &input {
            guide.mark(&mark.text);
        }
        if let Some(study) = guide.study() {
            guide.learn(study.run());
        }
        if guide.view().is_over() {
            break;
        }
    }
    let view = view(&guide);
    assert!(view.is_over && view.verdict == Verdict::Outside, "{view:?}");
    let found = session.finish(&BTreeMap::new(), &[]);
    assert_says(&view, found.as_leak().unwrap());
}

/// Marks of a sealed hold reach the guide's measure as they reach the session's.
#[test]
fn a_sealed_zero_is_taken_from_the_marks() {
    let (scenario, settings) = drawn(910, |s| {
        (s.leak_rate_pa_m3_s, s.sealed_zero_s) = (1e-4, 30.0);
    });
    let simulated = simulate(&scenario, 910);
    let sealed = simulated.truth.sealed_zero_s.unwrap();
    let mut guide = Guide::new(&Settings::Leak(settings));
    let mut leak = Leak::new(settings);
    let mut marks = [(sealed.0, "phase sealed_zero"), (sealed.1, "phase pump")]
        .into_iter()
        .peekable();
    let mut now_s = 0.0;
    let mut at = Vec::new();
    for reading in &simulated.readings {
        while let Some((_, text)) = marks.next_if(|(t, _)| *t < reading.t_us as f64 * 1e-6) {
            guide.mark(text);
            at.push(now_s);
        }
        now_s = reading.t_us as f64 * 1e-6;
        guide.push(Reading::Pressure(*reading));
        leak.push(*reading);
        if now_s < sealed.1 {
            assert_eq!(
                view(&guide).phase,
                LeakPhase::Rest,
                "sealed at zero: nothing is asked"
            );
        }
        if let Some(study) = guide.study() {
            guide.learn(study.run());
        }
        if guide.view().is_over() {
            break;
        }
    }
    leak.sealed_zero(at[0], at[1]);
    let finding = leak.finish(Quality::default());
    assert!(finding.quality.sealed_zero && view(&guide).is_over);
    assert_says(&view(&guide), &finding);
}

/// Leak exactly at the limit through the guide: how often a stop or the planned end says `within`. A leak at the limit is
/// neither, so 2.5 % of planned ends say it by design and the looks before add some.
fn wrong_at_the_limit(seeds: std::ops::Range<u64>) -> (u32, u32) {
    let (mut wrong, mut early) = (0, 0);
    for seed in seeds {
        let (scenario, mut settings) = drawn(seed, |s| {
            (s.leak_rate_pa_m3_s, s.hold_s) = (5e-4, 61.5);
        });
        settings.limit = Some((5e-4, LimitSource::Own));
        let seen = watch(settings, &simulate(&scenario, seed).readings, |_, _| {});
        let view = view(&seen.guide);
        assert!(view.is_over, "seed {seed}");
        wrong += u32::from(view.verdict == Verdict::Within);
        early += u32::from(view.level > 0.97);
    }
    (wrong, early)
}

/// 25 tanks: more than 4 of them at 3.1 % once in 1300 (binomial).
#[test]
fn the_stop_rule_is_seldom_wrong_at_the_limit() {
    let (wrong, early) = wrong_at_the_limit(2001..2026);
    println!("leak at the limit, seeds 2001..2026: {wrong} within, {early} stopped early");
    assert!(wrong <= 4, "{wrong}");
}

/// `FEELGAUGE_TANKS=300 cargo test --release --test leak wrong_at -- --ignored --nocapture`
#[test]
#[ignore = "a study: run it with FEELGAUGE_TANKS=300 in release"]
fn wrong_at_the_limit_study() {
    let n = tanks(100);
    let (wrong, early) = wrong_at_the_limit(2001..2001 + n);
    println!(
        "leak at the limit, seeds from 2001: {n} tanks, {wrong} within, {early} stopped early"
    );
    assert!(f64::from(wrong) <= 0.031 * n as f64 + 3.2 * (0.03 * n as f64).sqrt());
}

// ---------------------------------------------------------------- settling

/// When the gas has really settled, s of the hold: the same tank without leak, drift, creep and noise; the time from which the
/// slope of its pressure stays below a tenth of the leak's or the stated uncertainty `u` of the slope, Pa/s.
fn settled_s(scenario: &TankScenario, seed: u64, bound_pa_s: f64) -> f64 {
    let mut gas = scenario.clone();
    gas.leak_rate_pa_m3_s = 0.0;
    gas.creep = 0.0;
    gas.heat.wall_excess_k = 0.0;
    gas.heat.wall_s = 1e9;
    gas.weather = Weather::still(scenario.weather.room_k, scenario.weather.ambient_pa);
    gas.sensor.noise_pa = 0.0;
    gas.sensor.lsb_pa = 1e-6;
    gas.sensor.hum = (0.0, 50.0);
    (gas.sensor.gain, gas.sensor.offset_pa) = (1.0, 0.0);
    (gas.sensor.drift_pa_s, gas.sensor.walk_pa) = (0.0, 0.0);
    let simulated = simulate(&gas, seed);
    let start = simulated.truth.hold_start_s;
    let held: Vec<&PressureReading> = simulated
        .readings
        .iter()
        .filter(|r| r.t_us as f64 * 1e-6 > start)
        .collect();
    let late = held
        .windows(50)
        .rev()
        .find(|w| (w[0].pressure_pa - w[49].pressure_pa).abs() / 0.49 > bound_pa_s);
    late.map_or(0.0, |w| w[25].t_us as f64 * 1e-6 - start)
}

/// (level said - gas settled), s, sorted, and how many were never said to be level before the planned end.
fn level_against_truth(seeds: std::ops::Range<u64>) -> (Vec<f64>, usize) {
    let (mut off, mut never) = (Vec::new(), 0);
    for seed in seeds {
        let (scenario, settings) = drawn(seed, |_| {});
        let simulated = simulate(&scenario, seed);
        let finding = analyze(settings, &simulated.readings);
        let u = finding.slope_pa_s.unwrap().u;
        let truth = settled_s(&scenario, seed, (0.1 * simulated.truth.slope_pa_s).max(u));
        let mut guide = Guide::new(&Settings::Leak(settings));
        let mut said = None;
        for reading in &simulated.readings {
            guide.push(Reading::Pressure(*reading));
            if reading.t_us % 500_000 == 0 && said.is_none() {
                let view = view(&guide);
                said = view.hold_s.filter(|_| view.is_level);
            }
        }
        match said {
            Some(said) => off.push(said - truth),
            None => never += 1,
        }
    }
    off.sort_by(f64::total_cmp);
    (off, never)
}

#[test]
fn level_is_said_about_when_the_gas_has_settled() {
    let (off, never) = level_against_truth(1..21);
    println!("seeds 1..21: level said less settled {off:.1?} s, {never} never");
    // Two steps: what the eye can ask for. 60 tanks: median -2.3 s, 5 to 95 % -16.5 to 8 s (`level_study`).
    let late = off.iter().filter(|s| **s > 9.0).count();
    assert!(
        off[off.len() / 2].abs() < 6.0 && never <= 1 && late <= 4,
        "{off:?}"
    );
}

/// How other factors of the level rule would do, on the same tanks.
#[test]
#[ignore = "a study: run it with FEELGAUGE_TANKS=300 in release"]
fn level_study() {
    let n = tanks(60);
    let factors = [1.0, 0.5, 0.25, 0.125];
    let mut off = vec![Vec::new(); 2 * factors.len()];
    for seed in 1..=n {
        let (scenario, settings) = drawn(seed, |_| {});
        let simulated = simulate(&scenario, seed);
        let finding = analyze(settings, &simulated.readings);
        let bound = (0.1 * simulated.truth.slope_pa_s).max(finding.slope_pa_s.unwrap().u);
        let truth = settled_s(&scenario, seed, bound);
        let mut leak = Leak::new(settings);
        simulated.readings.iter().for_each(|r| leak.push(*r));
        let settling = leak.standing().hold.unwrap().settling;
        let pairs = settling.lost_pa.windows(2).zip(&settling.alike_pa);
        let ratios: Vec<f64> = pairs
            .map(|(two, alike)| (two[0] - two[1]).abs() / alike)
            .collect();
        for (i, factor) in factors.iter().enumerate() {
            let once = ratios.iter().position(|r| r <= factor);
            let twice = ratios
                .windows(2)
                .position(|w| w.iter().all(|r| r <= factor))
                .map(|i| i + 1);
            for (j, at) in [once, twice].into_iter().enumerate() {
                off[2 * i + j].push(at.map_or(99.0, |i| 3.0 * (i + 2) as f64 + 0.25) - truth);
            }
        }
    }
    for (i, mut off) in off.into_iter().enumerate() {
        off.sort_by(f64::total_cmp);
        let at = |per_cent: usize| off[(off.len() - 1) * per_cent / 100];
        let share =
            |f: &dyn Fn(f64) -> bool| 100 * off.iter().filter(|s| f(**s)).count() / off.len();
        println!(
            "{n} tanks, factor {} {}: level said less settled: median {:.1} s, 5 % {:.1}, 95 % {:.1}; over 6 s early {} %, over 6 s late {} %",
            factors[i / 2],
            if i % 2 == 0 { "once" } else { "twice" },
            at(50),
            at(5),
            at(95),
            share(&|s| s < -6.0),
            share(&|s| s > 6.0)
        );
    }
}

/// Of the budget's parts that a longer hold shrinks, how much is left after so many seconds, relative to 60 s: the table of the
/// forecast. And how often the first looks, from 5 s on, cover the truth with their 99 %.
#[test]
#[ignore = "a study: run it with FEELGAUGE_TANKS=60 in release"]
fn how_the_interval_shrinks() {
    let times = [5.0, 7.0, 10.0, 15.0, 20.0, 25.0, 30.0, 40.0, 50.0, 60.0];
    let mut left = vec![Vec::new(); times.len()];
    let mut missed = vec![0u32; times.len()];
    for seed in 1..=tanks(60) {
        let (scenario, settings) = drawn(seed, |_| {});
        let simulated = simulate(&scenario, seed);
        let mut leak = Leak::new(settings);
        let mut us = Vec::new();
        for reading in &simulated.readings {
            leak.push(*reading);
            let Some(at_s) = times.get(us.len()) else {
                break;
            };
            let hold_s = reading.t_us as f64 * 1e-6 - simulated.truth.hold_start_s;
            if hold_s < at_s + 0.2 {
                continue;
            }
            let finding = leak.clone().first_look(Quality::default());
            let Some(rate) = finding.leak_rate_pa_m3_s else {
                println!("{seed} at {at_s}: {:?}", finding.refused);
                us.push(f64::NAN);
                continue;
            };
            let [lo, hi] = [0.005, 0.995].map(|p| finding.leak_rate_quantile(p).unwrap());
            missed[us.len()] += u32::from(!(lo..=hi).contains(&scenario.leak_rate_pa_m3_s));
            let parts = ["noise", "drift_and_heat", "law"];
            let of = finding
                .budget
                .iter()
                .filter(|c| parts.contains(&c.source.as_str()));
            us.push(of.map(|c| c.share).sum::<f64>().sqrt() * rate.u);
        }
        let last = *us.last().unwrap();
        for (i, u) in us.iter().enumerate().filter(|(_, u)| u.is_finite()) {
            left[i].push(u / last);
        }
    }
    for ((at_s, mut left), missed) in times.iter().zip(left).zip(missed) {
        left.sort_by(f64::total_cmp);
        let at = |per_cent: usize| left[(left.len() - 1) * per_cent / 100];
        println!(
            "{at_s:4} s: {:.2} ({:.2} to {:.2}), 99 % missed {missed} of {}",
            at(50),
            at(10),
            at(90),
            left.len()
        );
    }
}

/// What the guide promises while it runs against what comes: `more_s` at 25 s, limits within 30 % of the leak. Measured with 60
/// tanks: of 11 promises 7 were kept and 4 not at all; of 49 tanks without a promise 11 were decided by the planned end.
#[test]
#[ignore = "a study: run it with FEELGAUGE_TANKS=100 in release"]
fn promises_study() {
    let (mut right, mut late, mut never, mut silent_but_decided, mut silent) = (0, 0, 0, 0, 0);
    for seed in 3001..3001 + tanks(60) {
        let (scenario, mut settings) = drawn(seed, |s| s.hold_s = 61.5);
        let factor = 1.0 + 0.6 * (Random::new(seed, 3).unit() - 0.5);
        settings.limit = Some((
            scenario.leak_rate_pa_m3_s * factor + 1e-4 * (factor - 1.0),
            LimitSource::Own,
        ));
        let (mut promise, mut asked) = (None, false);
        let seen = watch(settings, &simulate(&scenario, seed).readings, |guide, _| {
            let view = view(guide);
            if view.hold_s.is_some_and(|s| s > 25.0) && !asked {
                asked = true;
                promise = view.more_s.map(|more| more + view.hold_s.unwrap());
            }
        });
        let view = view(&seen.guide);
        let at = view.funnel.last().unwrap().t_s;
        let decided = view.verdict != Verdict::Undecided;
        match promise {
            Some(then) if decided && at <= then + 6.0 => right += 1,
            Some(_) if decided => late += 1,
            Some(_) => never += 1,
            None if decided => silent_but_decided += 1,
            None => silent += 1,
        }
    }
    println!(
        "promised at 25 s: {right} in time, {late} later, {never} not decided; no promise: {silent_but_decided} decided, {silent} not"
    );
}

// ---------------------------------------------------------------- what the hands do

fn of_tank() -> LeakSettings {
    LeakSettings::of_volume(133e-6)
}

/// Phases of a record with the time at which each began, s, and the last view.
fn phases(
    settings: LeakSettings,
    readings: &[PressureReading],
) -> (Vec<(LeakPhase, f64)>, LeakView, LeakView) {
    let mut phases: Vec<(LeakPhase, f64)> = Vec::new();
    let mut stalled = None;
    let mut guide = Guide::new(&Settings::Leak(settings));
    for reading in readings {
        guide.push(Reading::Pressure(*reading));
        if let Some(study) = guide.study() {
            guide.learn(study.run());
        }
        if reading.t_us % 50_000 == 0 {
            let view = view(&guide);
            if phases.last().is_none_or(|(phase, _)| *phase != view.phase) {
                phases.push((view.phase, reading.t_us as f64 * 1e-6));
            }
            if view.is_stalled {
                stalled.get_or_insert(view);
            }
        }
    }
    let last = view(&guide);
    (phases, stalled.unwrap_or_else(|| last.clone()), last)
}

/// Open, pumped in 5 s (with noise, so that no step is level by chance), then held.
fn noisy(seconds: f64, held: impl Fn(f64) -> f64) -> Vec<PressureReading> {
    let mut random = Random::new(7, 7);
    let mut readings = record(seconds, pumped(held));
    for reading in &mut readings {
        reading.pressure_pa += 2.0 * random.normal();
    }
    readings
}

#[test]
fn phases_of_a_test_as_it_should_be() {
    use LeakPhase::{Hold, Over, Pump, Rest, Settle};
    let held = |t: f64| 11_500.0 + 900.0 * libm::exp(-t / 4.0) - 2.0 * t;
    let (phases, _, view) = phases(of_tank(), &noisy(68.5, held));
    let order: Vec<LeakPhase> = phases.iter().map(|p| p.0).collect();
    assert_eq!(order, [Rest, Pump, Settle, Hold, Over], "{phases:?}");
    let began = |i: usize| phases[i].1;
    assert!(
        (began(1) - 2.1).abs() < 0.3 && (8.3..9.2).contains(&began(2)),
        "{phases:?}"
    );
    // time constant 4 s: neighbouring steps of 900 e^(-t/4) differ by 5.9 Pa after 21 s, by 2.8 Pa after 24 s
    assert!((23.0..31.0).contains(&(began(3) - 7.0)), "{phases:?}");
    assert!((36.0..68.0).contains(&began(4)), "{phases:?}");
    assert!(view.settling.windows(2).all(|w| w[0].t_s < w[1].t_s) && view.is_level);
    assert!((view.mark_pa - 10_000.0).abs() < 1e-9 && view.readings.len() <= 700);
    assert_eq!(view.settle_more_s, None);
}

/// A time is given while it settles, it gets shorter, and it is about right.
#[test]
fn the_settling_is_foreseen() {
    let held = |t: f64| 11_500.0 + 900.0 * libm::exp(-t / 4.0) - 2.0 * t;
    let mut guide = Guide::new(&Settings::Leak(of_tank()));
    let (mut foreseen, mut level_s) = (Vec::new(), None);
    for reading in noisy(60.0, held) {
        guide.push(Reading::Pressure(reading));
        if reading.t_us % 500_000 == 0 {
            let view = view(&guide);
            foreseen.extend(view.settle_more_s.map(|more| view.hold_s.unwrap() + more));
            if view.is_level {
                level_s = level_s.or(view.hold_s);
            }
        }
    }
    let level_s = level_s.unwrap();
    println!("level at {level_s}, foreseen {foreseen:?}");
    assert!(!foreseen.is_empty());
    assert!(
        foreseen.iter().all(|at| (at - level_s).abs() <= 7.0),
        "{level_s}: {foreseen:?}"
    );
}

/// Somebody pumps again in the hold: the measure's hold is the new one, and what was shown of the old one is gone. A knock is
/// no pumping.
#[test]
fn pumping_again_is_a_new_hold_and_a_knock_is_not() {
    use LeakPhase::{Hold, Pump, Rest, Settle};
    let again = |t: f64| {
        if t < 40.0 {
            pumped(|s| 9000.0 - s)(t)
        } else {
            8967.0 + (600.0 * (t - 40.0)).min(3000.0) - t.max(45.0) + 45.0
        }
    };
    let knock = |t: f64| {
        pumped(|s| 9000.0 - s)(t)
            + if (30.0..30.25).contains(&t) {
                900.0
            } else {
                0.0
            }
    };
    let mut limit = of_tank();
    limit.limit = Some((1.33e-4, LimitSource::Own)); // exactly the leak: no early stop
    let (seen, _, view) = phases(limit, &record(56.0, again));
    let order: Vec<LeakPhase> = seen.iter().map(|p| p.0).collect();
    assert_eq!(&order[..4], [Rest, Pump, Settle, Hold]);
    assert!(order[4..].contains(&Pump), "{seen:?}");
    assert!(
        (view.hold_start_s.unwrap() - 45.0).abs() < 0.3,
        "{:?}",
        view.hold_start_s
    );
    assert!(view.funnel.len() < 8 && view.funnel.iter().all(|m| m.t_s < 12.0));
    let (seen, _, view) = phases(limit, &record(50.0, knock));
    assert_eq!(seen.iter().filter(|p| p.0 == Pump).count(), 1, "{seen:?}");
    assert!((view.hold_start_s.unwrap() - 7.0).abs() < 0.3);
}

/// The pressure is let off in mid-hold: rest, and it is said.
#[test]
fn a_collapse_asks_for_the_pump() {
    let off = |t: f64| {
        if t < 25.0 {
            9000.0 - t
        } else {
            8975.0 * libm::exp(-(t - 25.0) / 0.3)
        }
    };
    let (seen, _, view) = phases(of_tank(), &noisy(40.0, off));
    assert_eq!(
        (view.phase, view.is_let_off, view.is_over),
        (LeakPhase::Rest, true, false),
        "{seen:?}"
    );
    assert!(seen.last().unwrap().1 < 34.0, "{seen:?}");
}

/// A leak so large that the mark is out of reach: pumping goes on for nothing, which is said after 10 s without a gain; when
/// the hands let go, what was reached is held, and the measure says that it was gone.
#[test]
fn a_mark_out_of_reach_is_said() {
    let stroke = |t: f64| 1500.0 + 500.0 * libm::sin(2.0 * std::f64::consts::PI * t);
    let huge = |t: f64| match t {
        _ if t < 2.0 => 0.0,
        _ if t < 22.0 => stroke(t) * (1.0 - libm::exp(-(t - 2.0) / 1.0)),
        _ => 1500.0 * libm::exp(-(t - 22.0) / 0.8),
    };
    let (seen, stalled, view) = phases(of_tank(), &record(50.0, huge));
    assert!(
        stalled.is_stalled && stalled.phase == LeakPhase::Pump,
        "{seen:?}"
    );
    let gone = view.refused.as_deref().unwrap_or_default();
    assert!(
        view.is_over && gone.contains("far too large"),
        "{seen:?} {view:?}"
    );
    let weak = |t: f64| if t < 2.0 { 0.0 } else { 0.24 * stroke(t) };
    let (_, stalled, view) = phases(of_tank(), &record(30.0, weak));
    assert!(stalled.is_stalled && view.phase == LeakPhase::Pump && !view.is_over);
}

#[test]
fn the_mark_follows_the_reference_pressure() {
    let settings = LeakSettings {
        p_ref_pa: Some(12e3),
        ..of_tank()
    };
    let guide = Guide::new(&Settings::Leak(settings));
    assert!((view(&guide).mark_pa - 16e3).abs() < 1e-9);
    for p_ref_pa in [0.0, -1.0, f64::NAN] {
        let settings = LeakSettings {
            p_ref_pa: Some(p_ref_pa),
            ..of_tank()
        };
        assert!((view(&Guide::new(&Settings::Leak(settings))).mark_pa - 10e3).abs() < 1e-9);
    }
}

/// One study at a time; odd readings and odd orders of calls change nothing.
#[test]
fn never_two_studies_and_bad_readings_are_passed_over() {
    let held = |t: f64| 9000.0 + 900.0 * libm::exp(-t / 4.0) - 2.0 * t;
    let mut guide = Guide::new(&Settings::Leak(of_tank()));
    let mut out: Option<Study> = None;
    let mut given = 0;
    for (i, reading) in noisy(75.0, held).into_iter().enumerate() {
        for pressure_pa in [f64::NAN, f64::INFINITY] {
            guide.push(Reading::Pressure(PressureReading {
                pressure_pa,
                ..reading
            }));
        }
        guide.push(Reading::Pressure(reading));
        guide.push(Reading::Pressure(PressureReading {
            t_us: reading.t_us / 2,
            ..reading
        }));
        match (guide.study(), out.is_some()) {
            (Some(study), false) => {
                out = Some(study);
                given += 1;
            }
            (Some(_), true) => panic!("two studies out"),
            (None, _) => {}
        }
        // a slow helper: it comes back after 2.5 s
        if i % 250 == 249
            && let Some(study) = out.take()
        {
            guide.learn(study.run());
        }
    }
    let view = view(&guide);
    assert!(given > 10 && view.is_over, "{given} {view:?}");
    assert_ne!(view.leak_rate_pa_m3_s, None);
}

/// 120 s at 100 Hz, and 60 s at 1 kHz: a view in 0.3 ms in a release build; this build is given ten times that.
#[test]
#[allow(clippy::disallowed_methods)] // it measures time
fn a_view_is_cheap() {
    for (rate, seconds) in [(100u32, 120.0), (1000, 60.0)] {
        let mut scenario = TankScenario::plover_healthy();
        (scenario.sensor.rate_hz, scenario.hold_s) = (rate, seconds);
        let mut guide = Guide::new(&Settings::Leak(of_tank()));
        let readings = simulate(&scenario, 1).readings;
        let begun = Instant::now();
        for reading in &readings {
            guide.push(Reading::Pressure(*reading));
        }
        let pushed = begun.elapsed().as_secs_f64();
        let best = (0..20).map(|_| {
            let begun = Instant::now();
            let view = guide.view();
            let took = begun.elapsed().as_secs_f64();
            assert!(matches!(view, View::Leak(v) if v.readings.len() > 300));
            took
        });
        let best = best.fold(f64::INFINITY, f64::min);
        println!(
            "{rate} Hz, {} readings: push {:.2} us each, view {:.1} us",
            readings.len(),
            1e6 * pushed / readings.len() as f64,
            1e6 * best
        );
        assert!(best < 3e-3, "{best}");
    }
}

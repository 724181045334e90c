//! Views of running tests, built by hand at their edges.

#![allow(clippy::disallowed_methods)] // made-up readings: no figure depends on their last bits

use feelgauge::{
    inspect::{
        Settings,
        guide::{
            Guide, LeakPhase, LeakView, Moment, PullPhase, PullView, RollPhase, RollView, SeenPull,
            SettleStep, View,
        },
    },
    measure::{
        leak::LeakSettings,
        pull::{PullReport, PullSettings, Stroke},
        roll::{Strip, Suspect},
    },
    reading::{Estimate, LimitSource, Verdict},
    units::CM3_PER_MIN,
};

use super::scenes::one_wheel;

/// Running tests, each at a moment of its own.
pub fn live() -> Vec<(String, View)> {
    let mut all = Vec::new();
    all.extend(
        leak_views()
            .into_iter()
            .map(|(n, v)| (format!("leak-{n}"), View::Leak(Box::new(v)))),
    );
    all.extend(
        pull_views()
            .into_iter()
            .map(|(n, v)| (format!("pull-{n}"), View::Pull(Box::new(v)))),
    );
    all.extend(
        roll_views()
            .into_iter()
            .map(|(n, v)| (format!("roll-{n}"), View::Roll(Box::new(v)))),
    );
    all
}

/// A leak test before its first reading.
pub fn leak_view() -> LeakView {
    let settings = Settings::Leak(LeakSettings {
        limit: Some((1.5 * CM3_PER_MIN, LimitSource::Own)),
        ..LeakSettings::of_volume(131e-6)
    });
    match Guide::new(&settings).view() {
        View::Leak(view) => *view,
        _ => unreachable!("the settings are of a leak"),
    }
}

fn pull_view() -> PullView {
    let settings = Settings::Pull(PullSettings {
        mass_kg: Some(3.4),
        ..PullSettings::default()
    });
    match Guide::new(&settings).view() {
        View::Pull(view) => *view,
        _ => unreachable!("the settings are of a pull"),
    }
}

fn roll_view() -> RollView {
    match Guide::new(&one_wheel()).view() {
        View::Roll(view) => *view,
        _ => unreachable!("the settings are of a roll"),
    }
}

fn cm3(value: f64) -> f64 {
    value * CM3_PER_MIN
}

/// A hold of some seconds that closes in on a rate; readings at 10 a second.
pub fn hold(seconds: u32, rate_cm3: f64, verdict: Verdict) -> LeakView {
    let moment = |t: u32| {
        let t_s = f64::from(t);
        let half = 26.0 / t_s.powf(1.4) + 0.1;
        let wobble = 0.5 * (t_s * 1.7).sin() / t_s.sqrt();
        Moment {
            t_s,
            lo: cm3(rate_cm3 + wobble - half),
            hi: cm3(rate_cm3 + wobble + half),
            value: cm3(rate_cm3 + wobble),
        }
    };
    let funnel: Vec<Moment> = (5..=seconds).map(moment).collect();
    let rate = funnel.last().map(|m| Estimate {
        value: m.value,
        u: (m.hi - m.lo) / 5.2,
        lo95: m.lo,
        hi95: m.hi,
    });
    let reading = |i: u32| {
        let t = f64::from(i) / 10.0;
        let p = 8_000.0 * (-t / 190.0).exp() + 1_500.0 * (-t / 4.0).exp();
        (12.0 + t, p + 4.0 * (t * 37.0).sin())
    };
    LeakView {
        phase: LeakPhase::Hold,
        pressure_pa: Some(7_000.0),
        hold_start_s: Some(12.0),
        hold_s: Some(f64::from(seconds)),
        leak_rate_pa_m3_s: rate,
        verdict,
        funnel,
        readings: (0..seconds * 10).map(reading).collect(),
        ..leak_view()
    }
}

#[allow(clippy::too_many_lines)] // one table
fn leak_views() -> Vec<(&'static str, LeakView)> {
    let pump = |kpa: f64| LeakView {
        phase: LeakPhase::Pump,
        pressure_pa: Some(kpa * 1e3),
        ..leak_view()
    };
    let settle = |lost: &[f64], is_level| LeakView {
        phase: LeakPhase::Settle,
        settling: lost
            .iter()
            .zip(1..)
            .map(|(lost, i)| SettleStep {
                t_s: 3.0 * f64::from(i),
                lost_pa: *lost,
            })
            .collect(),
        is_level,
        ..hold(
            u32::try_from(lost.len().max(1)).unwrap() * 3,
            4.1,
            Verdict::Undecided,
        )
    };
    let stairs = [560.0, 330.0, 232.0, 184.0, 163.0, 148.0];
    let no_limit = LeakView {
        limit_pa_m3_s: None,
        ..hold(41, 1.3, Verdict::Undecided)
    };
    let no_estimate = LeakView {
        leak_rate_pa_m3_s: None,
        funnel: Vec::new(),
        ..hold(8, 1.3, Verdict::Undecided)
    };
    vec![
        ("rest", leak_view()),
        ("pump-0", pump(0.0)),
        ("pump-3", pump(3.2)),
        ("pump-7", pump(7.7)),
        ("pump-9", pump(9.6)),
        ("pump-11", pump(11.3)),
        ("pump-31", pump(31.5)),
        ("settle-none", settle(&[], false)),
        ("settle-one", settle(&[560.0], false)),
        ("settle-two", settle(&[560.0, 330.0], false)),
        ("settle-six", settle(&stairs, false)),
        (
            "settle-level",
            settle(
                &[
                    560.0, 330.0, 232.0, 184.0, 163.0, 148.0, 141.0, 139.0, 138.0,
                ],
                true,
            ),
        ),
        ("settle-tight", settle(&[3.0, -2.0, 0.4], true)),
        ("hold-no-estimate", no_estimate),
        ("hold-41", hold(41, 1.3, Verdict::Undecided)),
        ("hold-outside", hold(40, 4.1, Verdict::Outside)),
        ("hold-within", hold(60, 0.4, Verdict::Within)),
        ("hold-no-limit", no_limit),
    ]
}

/// One pull that reaches a peak.
fn pull(start_s: f64, peak: f64, not_counted: Option<&str>) -> SeenPull {
    let top = |i: u32| 0.18 + 0.12 * f64::from(i);
    let readings = (0..900).map(|i| {
        let t = f64::from(i) / 1000.0;
        let strokes: f64 = (0..5)
            .map(|k| (-((t - top(k)) / 0.018).powi(2)).exp())
            .sum();
        let drawn = if (0.05..0.75).contains(&t) { 0.12 } else { 0.0 };
        (t, peak * (strokes + drawn) + 0.2 * (t * 900.0).sin())
    });
    let stroke = |i: u32| Stroke {
        t_s: start_s + top(i),
        peak_n: Some(Estimate::normal(peak * 1.12 - f64::from(i) * 0.2, 0.3)),
    };
    SeenPull {
        report: PullReport {
            start_s,
            end_s: start_s + 0.9,
            peak_n: Some(Estimate::normal(peak * 1.12, 0.3)),
            lift_ratio: None,
            cadence_hz: None,
            under_read_max: 0.01,
            cord_end: false,
            gap: false,
            strokes: (0..5).map(stroke).collect(),
        },
        not_counted: not_counted.map(str::to_owned),
        readings: readings.collect(),
    }
}

#[allow(clippy::too_many_lines)] // one table
fn pull_views() -> Vec<(&'static str, PullView)> {
    let weight_n = Some(33.3);
    let between = PullView {
        phase: PullPhase::Ready,
        force_n: Some(0.1),
        pulls: vec![
            pull(3.0, 25.0, None),
            pull(9.0, 15.0, Some("too slow")),
            pull(14.0, 23.0, None),
        ],
        weight_n,
        ..pull_view()
    };
    let ratio = Estimate::normal(0.82, 0.11);
    let many: Vec<SeenPull> = (0..9)
        .map(|i| pull(f64::from(i) * 5.0, 22.0 + f64::from(i % 3), None))
        .collect();
    vec![
        (
            "nothing",
            PullView {
                force_n: None,
                weight_n: None,
                ..pull_view()
            },
        ),
        (
            "first",
            PullView {
                force_n: Some(17.0),
                weight_n,
                ..pull_view()
            },
        ),
        (
            "strong",
            PullView {
                force_n: Some(71.0),
                weight_n,
                ..pull_view()
            },
        ),
        ("between", between.clone()),
        (
            "three",
            PullView {
                lift_ratio: Some(ratio),
                ..between.clone()
            },
        ),
        (
            "decided",
            PullView {
                lift_ratio: Some(Estimate::normal(0.78, 0.04)),
                verdict: Verdict::Outside,
                pulls: many,
                ..between.clone()
            },
        ),
        (
            "no-mass",
            PullView {
                weight_n: None,
                peak_n: Some(Estimate::normal(27.0, 2.0)),
                pulls: vec![
                    pull(3.0, 25.0, None),
                    pull(9.0, 24.0, Some("readings missing in this one")),
                ],
                ..pull_view()
            },
        ),
    ]
}

/// Strips of a part that snags at 214 degrees in some turns.
fn strips(turns: u64, hits: &[u64]) -> Vec<Strip> {
    let bins = 72;
    let strip = |turn: u64| {
        let loss = |bin: u32| {
            let deg = f64::from(bin) * 5.0;
            let swell = if hits.contains(&turn) {
                7.0 * (-((deg - 214.0) / 9.0).powi(2)).exp()
            } else {
                0.0
            };
            let noise =
                (f64::from(bin) * 0.7 + turn as f64 * 2.1).sin() + (f64::from(bin) * 0.23).cos();
            (bin > 3 || !turn.is_multiple_of(5)).then_some(0.7 * noise + swell)
        };
        Strip {
            turn,
            t_s: turn as f64 * 0.6,
            loss_sd: (0..bins).map(loss).collect(),
        }
    };
    (0..turns).map(strip).collect()
}

#[allow(clippy::too_many_lines)] // one table
fn roll_views() -> Vec<(&'static str, RollView)> {
    let suspect = |part: &str, probability| Suspect {
        part: part.into(),
        probability,
        ln_bayes: 3.0,
        order_per_sensor_turn: 1.0,
    };
    let hits = vec![2, 3, 7, 11, 12];
    let rolling = RollView {
        phase: RollPhase::Coasting,
        turns: 13.0,
        strips: strips(13, &hits),
        bins: 72,
        ..roll_view()
    };
    let many = vec![3, 4, 5, 9, 12, 16, 17, 21, 26, 31, 33];
    let listed = vec![
        suspect("ring_f", 0.42),
        suspect("wheel_fl", 0.2),
        suspect("wheel_fr", 0.2),
        suspect("final_f.pair", 0.1),
        suspect(
            "an_unnamed_part_with_a_name_that_is_far_too_long_for_any_phone_at_all",
            0.06,
        ),
        suspect("spur", 0.009),
        suspect("pinion", 0.003),
        suspect("bell", 0.002),
    ];
    let decided = RollView {
        strips: strips(34, &many),
        hit_turns: many,
        hits: Some((11, 34)),
        phase_deg: Some(214.0),
        hit_rate: Some(Estimate::normal(0.32, 0.08)),
        suspects: listed,
        same_order: vec![vec!["wheel_fl".into(), "wheel_fr".into()]],
        verdict: Verdict::Outside,
        is_over: true,
        ..rolling.clone()
    };
    vec![
        ("nothing", roll_view()),
        ("rolling", rolling.clone()),
        (
            "snag",
            RollView {
                hit_turns: hits,
                hits: Some((5, 13)),
                phase_deg: Some(214.0),
                suspects: vec![suspect("ring_f", 0.5), suspect("wheel_fl", 0.5)],
                same_order: vec![vec!["ring_f".into(), "wheel_fl".into()]],
                ..rolling
            },
        ),
        (
            "edge",
            RollView {
                phase_deg: Some(1.5),
                ..decided.clone()
            },
        ),
        (
            "near-quarter",
            RollView {
                phase_deg: Some(266.0),
                ..decided.clone()
            },
        ),
        (
            "last",
            RollView {
                phase_deg: Some(358.0),
                ..decided.clone()
            },
        ),
        ("suspects", decided),
    ]
}

/// Running tests with more readings than a picture has room for: 60 000 of a hold, 60 000 of a pull.
pub fn crowded() -> Vec<(String, View)> {
    let mut long = hold(60, 1.3, Verdict::Undecided);
    let reading = |i: u32| {
        let t = f64::from(i) / 1000.0;
        (
            12.0 + t,
            8_000.0 - 20.0 * t + 15.0 * (f64::from(i) * 0.37).sin(),
        )
    };
    long.readings = (0..60_000).map(reading).collect();
    long.funnel = (0..6_000_usize)
        .map(|i| Moment {
            t_s: 1.0 + i as f64 / 100.0,
            ..long.funnel[i % long.funnel.len()]
        })
        .collect();
    let settling = LeakView {
        phase: LeakPhase::Settle,
        ..long.clone()
    };
    let mut dense = pull(3.0, 25.0, None);
    dense.readings = (0..60_000)
        .map(|i| {
            let t = f64::from(i) * 1.5e-5;
            (
                t,
                20.0 * (t * 40.0).sin().abs() + 0.3 * (f64::from(i) * 0.9).sin(),
            )
        })
        .collect();
    let mut short = pull(9.0, 25.0, None);
    short.readings = dense.readings.iter().step_by(20).copied().collect();
    let refused = SeenPull {
        not_counted: Some("too slow".into()),
        ..short.clone()
    };
    let pulls = PullView {
        pulls: vec![pull(3.0, 25.0, None), short.clone(), short, refused, dense],
        ..pull_view()
    };
    let rolling = RollView {
        strips: strips(400, &(0..400).step_by(3).collect::<Vec<u64>>()),
        hit_turns: (0..400).step_by(3).collect(),
        hits: Some((134, 400)),
        phase_deg: Some(214.0),
        ..roll_view()
    };
    vec![
        ("crowded-hold".into(), View::Leak(Box::new(long))),
        ("crowded-settle".into(), View::Leak(Box::new(settling))),
        ("crowded-pulls".into(), View::Pull(Box::new(pulls))),
        ("crowded-roll".into(), View::Roll(Box::new(rolling))),
    ]
}

//! States that a page may show, made by hand or from simulated records of the invented car.

use std::{path::Path, sync::Arc};

use feelgauge::{
    bench::{Alarm, Ended, Kept, ProbeState, Running, Scene, Standing, State, Virtual},
    inspect::{
        Finding, Settings, Stated, Test,
        comparison::{CompareResult, Compared, Records, compare},
        guide::{
            Guide, LeakPhase, LeakView, Moment, PullPhase, PullView, RollPhase, RollView, SeenPull,
            SettleStep, View,
        },
        settings,
    },
    inspection::{
        Act, Car, Deed, Entry, Opening, Photograph, PlannedPart, Price, Sense, Stage, Visit,
    },
    measure::{
        leak::{Leak, LeakFinding, LeakSettings},
        pull::{Pull, PullFinding},
        roll::RollFinding,
    },
    physics::{PLOVER_8, engine, tank},
    probe::health::HealthReport,
    reading::{Estimate, LimitSource, Quality, Refusal, Verdict},
    record::{Files, read_capture},
    units::CM3_PER_MIN,
    vehicle::Vehicle,
};

/// Weight of the invented car, N.
const WEIGHT_N: f64 = 3.4 * 9.806_65;

pub fn car() -> Arc<Vehicle> {
    Arc::new(Vehicle::parse(PLOVER_8).unwrap())
}

fn probe(kind: &str, serial: &str, rate_hz: f64) -> ProbeState {
    ProbeState {
        port: format!("/dev/serial/by-id/{serial}"),
        kind: Some(kind.into()),
        serial: Some(serial.into()),
        standing: Standing::Here,
        trouble: None,
        gone_since: None,
        health: Some(HealthReport {
            lines: 48_211,
            lines_per_s: Some(50.2),
            faults: std::collections::BTreeMap::new(),
            late: None,
            clock_ppm: Some(12.3),
        }),
        probe_lost_lines: 0,
        rate_hz: Some((rate_hz, rate_hz)),
        calibration: Some("calibrated 12 days ago".into()),
        identity: None,
    }
}

pub fn kept(
    test: &str,
    setup: &str,
    minute: u32,
    verdict: Option<&str>,
    why: Option<&str>,
) -> Kept {
    Kept {
        name: format!("20310517T14{minute:02}40Z-{test}-{setup}"),
        test: test.into(),
        setup: Some(setup.into()),
        when: format!("2031-05-17T14:{minute:02}:40Z"),
        verdict: verdict.map(Into::into),
        why: why.map(Into::into),
    }
}

/// All is well, nothing runs.
pub fn start() -> State {
    State {
        car: Some(car()),
        tag: Some("14".into()),
        probes: vec![
            probe("pressure", "P-07", 100.0),
            probe("force", "F-02", 1000.0),
            probe("hall", "H-11", 0.0),
        ],
        kept: Arc::new(vec![
            kept("leak", "whole", 31, Some("outside"), None),
            kept("leak", "whole", 21, Some("undecided"), None),
            kept(
                "pull",
                "plug_in_cold",
                11,
                None,
                Some("refused: too few pulls"),
            ),
        ]),
        ..State::default()
    }
}

pub fn probe_gone() -> State {
    let mut state = start();
    state.probes[1].standing = Standing::Gone;
    state.probes[1].gone_since = Some("2031-05-17T14:02:11Z".into());
    state
}

/// Everything is wrong at once.
pub fn troubled() -> State {
    let mut state = probe_gone();
    state.trouble = vec!["the disk is full: make room in /home/bench/captures; what was recorded is whole up to the last line".into()];
    state.dropped.record = 12;
    state.probes[2].standing = Standing::Trouble;
    state.probes[2].trouble =
        Some("permission denied: add this user to the group dialout and log in again".into());
    state.probes[2].kind = None;
    state.probes[2].serial = None;
    state
}

pub fn no_car() -> State {
    State {
        car: None,
        tag: None,
        kept: Arc::default(),
        ..start()
    }
}

pub fn on_virtual_bench() -> State {
    State {
        virtual_bench: Some(Virtual {
            seeping_lid: true,
            parts: vec!["ring_f".into(), "spur".into(), "wheel_fl".into()],
            ..Virtual::default()
        }),
        ..start()
    }
}

pub fn cautions(test: &'static str, setup: Option<&str>) -> State {
    State {
        scene: Scene::Cautions {
            test,
            setup: setup.map(Into::into),
        },
        ..start()
    }
}

fn guide(test: Test, setup: &str) -> View {
    let stated = Stated {
        setup: Some(setup.into()),
        ..Stated::default()
    };
    let car = car();
    let settings: Settings = settings(test, &stated, Some(&car), &[]).unwrap();
    Guide::new(&settings).view()
}

fn running(view: View, setup: &str) -> Running {
    Running {
        setup: Some(setup.into()),
        capture: "20310517T142140Z".into(),
        since_s: 12.0,
        view,
        gone: Vec::new(),
        is_ending: false,
    }
}

fn run(view: View, setup: &str) -> State {
    State {
        scene: Scene::Running(Arc::new(running(view, setup))),
        ..start()
    }
}

fn leak_view() -> LeakView {
    let View::Leak(view) = guide(Test::Leak, "whole") else {
        panic!("a leak has a leak's view");
    };
    *view
}

/// Pumping, 3.2 of 10 kPa.
pub fn pump() -> State {
    let mut view = leak_view();
    view.phase = LeakPhase::Pump;
    view.pressure_pa = Some(3_214.0);
    view.mark_pa = 10_000.0;
    view.readings = (0..60)
        .map(|i| (f64::from(i) * 0.1, f64::from(i) * 54.0))
        .collect();
    run(View::Leak(Box::new(view)), "whole")
}

fn falling() -> Vec<(f64, f64)> {
    (0..400)
        .map(|i| {
            let t = f64::from(i) * 0.1;
            (t, 8_500.0 + 1_800.0 * libm::exp(-t / 6.0) - 18.0 * t)
        })
        .collect()
}

pub fn settle() -> State {
    let mut view = leak_view();
    view.phase = LeakPhase::Settle;
    view.pressure_pa = Some(8_784.0);
    view.mark_pa = 10_000.0;
    view.hold_s = Some(18.2);
    view.hold_start_s = Some(4.0);
    let lost = [560.0, 330.0, 232.0, 184.0, 163.0, 148.0];
    view.settling = (1u32..)
        .zip(lost)
        .map(|(i, lost_pa)| SettleStep {
            t_s: 3.0 * f64::from(i),
            lost_pa,
        })
        .collect();
    view.settle_more_s = Some(5.6);
    view.readings = falling();
    run(View::Leak(Box::new(view)), "whole")
}

fn funnel(value: f64, seconds: u32) -> Vec<Moment> {
    (20..=seconds * 10)
        .step_by(5)
        .map(|tenths| {
            let t_s = f64::from(tenths) / 10.0;
            let half = 20.0 / t_s;
            Moment {
                t_s,
                lo: (value - half) * CM3_PER_MIN,
                hi: (value + half) * CM3_PER_MIN,
                value: value * CM3_PER_MIN,
            }
        })
        .collect()
}

pub fn hold() -> State {
    let mut view = leak_view();
    view.phase = LeakPhase::Hold;
    view.pressure_pa = Some(7_900.0);
    view.mark_pa = 10_000.0;
    view.hold_s = Some(41.0);
    view.hold_start_s = Some(4.0);
    view.is_level = true;
    view.limit_pa_m3_s = Some((1.5 * CM3_PER_MIN, LimitSource::Own));
    view.leak_rate_pa_m3_s = Some(
        Estimate {
            value: 1.3,
            u: 0.19,
            lo95: 0.81,
            hi95: 1.79,
        }
        .scaled(CM3_PER_MIN),
    );
    view.more_s = Some(47.0);
    view.funnel = funnel(1.3, 41);
    view.readings = falling();
    run(View::Leak(Box::new(view)), "lid_clamped")
}

/// The pressure probe went in mid-hold.
pub fn hold_gone() -> State {
    let mut state = hold();
    if let Scene::Running(old) = &state.scene {
        let mut new = Running::clone(old);
        new.gone = vec!["P-07".into()];
        state.scene = Scene::Running(Arc::new(new));
    }
    state.probes[0].standing = Standing::Gone;
    state.probes[0].gone_since = Some("2031-05-17T14:03:00Z".into());
    state
}

fn pull_view() -> PullView {
    let View::Pull(view) = guide(Test::Pull, "plug_in_cold") else {
        panic!("a pull has a pull's view");
    };
    PullView {
        is_guarded: true,
        phase: PullPhase::Ready,
        force_n: Some(0.2),
        weight_n: Some(WEIGHT_N),
        ..*view
    }
}

pub fn pull_rest() -> State {
    let view = PullView {
        is_guarded: false,
        phase: PullPhase::Rest,
        ..pull_view()
    };
    run(View::Pull(Box::new(view)), "plug_in_cold")
}

pub fn pull_first() -> State {
    run(View::Pull(Box::new(pull_view())), "plug_in_cold")
}

pub fn pull_between() -> State {
    let finding = pull_finding(0.5);
    let seen = |i: usize, not_counted: Option<&str>| {
        let (report, trace) = (finding.pulls[i].clone(), &finding.trace[i]);
        let readings = trace.t_s.iter().zip(&trace.force_n);
        SeenPull {
            readings: readings.map(|(t, f)| (t - report.start_s, *f)).collect(),
            not_counted: not_counted.map(Into::into),
            report,
        }
    };
    let peak = Estimate::normal(27.0, 4.1);
    let view = PullView {
        pulls: vec![
            seen(0, None),
            seen(1, Some("too slow")),
            seen(2, None),
            seen(3, None),
        ],
        counted: 3,
        peak_n: Some(peak),
        lift_ratio: Some(peak.scaled(1.0 / WEIGHT_N)),
        more_pulls: Some((1, 2)),
        verdict: Verdict::Undecided,
        ..pull_view()
    };
    run(View::Pull(Box::new(view)), "plug_in_cold")
}

fn roll_view() -> RollView {
    let View::Roll(view) = guide(Test::Roll, "one_fl") else {
        panic!("a roll has a roll's view");
    };
    *view
}

pub fn roll_first() -> State {
    run(View::Roll(Box::new(roll_view())), "one_fl")
}

pub fn rolling() -> State {
    let finding = roll_finding();
    let snag = finding.snags.as_ref().unwrap()[0].clone();
    let view = RollView {
        phase: RollPhase::Coasting,
        turns_per_s: Some(2.1),
        turns: 33.4,
        strips: finding.trace.strips.iter().take(24).cloned().collect(),
        bins: finding.trace.bins,
        hit_turns: snag
            .hits
            .iter()
            .filter(|h| h.hit > 0.5)
            .map(|h| h.turn)
            .collect(),
        hits: Some((5, 13)),
        phase_deg: Some(snag.phase_deg),
        hit_rate: Some(Estimate {
            value: 0.38,
            u: 0.14,
            lo95: 0.14,
            hi95: 0.68,
        }),
        suspects: snag.suspects,
        same_order: finding.quality.same_order,
        verdict: Verdict::Outside,
        more_turns: Some(20),
        ..roll_view()
    };
    run(View::Roll(Box::new(view)), "one_fl")
}

fn ended(found: Result<Finding, String>, setup: &str, took_s: f64) -> State {
    State {
        scene: Scene::Ended(Arc::new(Ended {
            setup: Some(setup.into()),
            capture: "20310517T145140Z-x".into(),
            took_s: Some(took_s),
            found,
            view: None,
        })),
        ..start()
    }
}

/// A leak of the invented car against a limit, cm3/min.
pub fn leak_finding(limit: f64) -> LeakFinding {
    let scenario = tank::TankScenario::plover();
    let mut settings = LeakSettings::of_volume(scenario.volume_m3);
    settings.limit = Some((limit * CM3_PER_MIN, LimitSource::Own));
    let mut leak = Leak::new(settings);
    for reading in tank::simulate(&scenario, 1).readings {
        leak.push(reading);
    }
    leak.finish(Quality::default())
}

pub fn leak_ended(verdict: Verdict, setup: &str) -> State {
    let value = leak_finding(1.0).leak_rate_pa_m3_s.unwrap().value / CM3_PER_MIN;
    let finding = leak_finding(match verdict {
        Verdict::Within => 3.0 * value,
        Verdict::Outside => value / 3.0,
        Verdict::Undecided => value,
    });
    assert_eq!(finding.verdict, Some(verdict));
    ended(Ok(Finding::Leak(Box::new(finding))), setup, 41.0)
}

pub fn refused() -> State {
    let refusal = Refusal::new(
        "no_pressure",
        "the pressure never reached 2 kPa: seal the tank, pinch the line, pump to the mark",
    );
    let finding = LeakFinding::of_refusal(Quality::default(), refusal);
    ended(Ok(Finding::Leak(Box::new(finding))), "whole", 41.0)
}

pub fn not_measured() -> State {
    let why =
        "the disk is full: the record is whole up to the last line; make room and analyze it later"
            .to_owned();
    ended(Err(why), "whole", 41.0)
}

/// Six pulls of an engine that is sound, or worn out by `wear` (0..1).
pub fn pull_finding(wear: f64) -> PullFinding {
    let scenario = engine::EngineScenario::plover().wear(wear);
    let stated = Stated {
        setup: Some("plug_in_cold".into()),
        ..Stated::default()
    };
    let Settings::Pull(settings) = settings(Test::Pull, &stated, Some(&car()), &[]).unwrap() else {
        panic!("a pull has a pull's settings");
    };
    let mut pull = Pull::new(settings);
    for reading in engine::simulate(&scenario, 1).readings {
        pull.push(reading);
    }
    pull.finish(Quality::default())
}

pub fn pull_ended(wear: f64) -> State {
    let finding = pull_finding(wear);
    ended(Ok(Finding::Pull(Box::new(finding))), "plug_in_cold", 21.0)
}

/// The roll capture that is kept beside the sources.
pub fn roll_finding() -> RollFinding {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("captures");
    let capture = read_capture(&Files::under(&folder), "20310517T143107Z-roll-one_fl").unwrap();
    match capture.analyze(Stated::default(), None).unwrap() {
        Finding::Roll(finding) => *finding,
        other => panic!("a roll gives {:?}", other.test()),
    }
}

pub fn roll_ended() -> State {
    ended(Ok(Finding::Roll(Box::new(roll_finding()))), "one_fl", 93.0)
}

/// STOP over a running pull.
pub fn stuck() -> State {
    State {
        alarm: Some(Alarm {
            id: 1,
            host_us: 12_000_000,
            force_n: 86.3,
            reason: "held".into(),
        }),
        ..pull_between()
    }
}

/// Before and after of the invented car's pulls.
pub fn compared() -> CompareResult {
    let pull = |wear: f64| vec![Finding::Pull(Box::new(pull_finding(wear)))];
    let seen = [pull(1.0), pull(0.0)];
    let comparison = compare(Test::Pull, &seen[0], &seen[1]);
    let one = Compared {
        setup: Some("plug_in_cold".into()),
        comparison,
        records: Records {
            before: 1,
            after: 1,
        },
        seen,
    };
    CompareResult::of(vec![one], &[])
}

/// A visit in which something of everything was written down.
#[allow(clippy::too_many_lines)] // one visit, read from top to bottom
pub fn visit() -> Visit {
    let opening = Opening {
        format: feelgauge::inspection::FORMAT,
        tag: "14".into(),
        opened: "2031-05-17T14:02:00+02:00".into(),
        operator: "Ines".into(),
        house: Some("Harbour Lane model club".into()),
        owner: Some("member 27".into()),
        reason: Some("came back with a hitch and a flat-feeling starter".into()),
        car: Car {
            name: "Plover 8".into(),
            description: Some("1:8 four-wheel-drive buggy, 3.5 cm3 two-stroke".into()),
            serial: Some("PL8-00371".into()),
            marks: vec![
                "scratch across the roof, left to right".into(),
                "club sticker 14 on the wing".into(),
            ],
            fitted: vec!["steel ring and pinion".into()],
        },
        claimed: vec![
            "never run without a filter".into(),
            "about three litres of fuel since new".into(),
        ],
    };
    let deeds = [
        Deed::Opened {
            software: "feelgauge 0.3.0".into(),
        },
        Deed::Conditions {
            temperature_k: Some(294.65),
            ambient_pa: Some(100_320.0),
            words: Some("after an hour in the warm room".into()),
        },
        Deed::Photographed(photograph()),
        Deed::Observed {
            sense: Sense::Felt,
            text: "play in the front axle, more on the left".into(),
            photograph: Some("photographs/photograph.jpg".into()),
        },
        Deed::Captured {
            capture: "20310517T142140Z-leak-whole".into(),
            test: "leak".into(),
            setup: Some("whole".into()),
            stage: Stage::AsFound,
        },
        Deed::Found {
            file: "findings/20310517T142140Z-leak-whole.json".into(),
            sha256: "0".repeat(64),
        },
        Deed::NotChecked {
            text: "the receiver's battery".into(),
        },
        Deed::Part(PlannedPart {
            name: "lid seal".into(),
            part: None,
            act: Act::Needed,
            minutes: Some(15),
            from: Some("new".into()),
            price: Some(Price {
                low: 450,
                high: 605,
                currency: "EUR".into(),
            }),
            priced_by: Some("shop".into()),
        }),
        Deed::ClockSet { by_s: 3600.0 },
        Deed::Repaired {
            text: "lid seal renewed".into(),
        },
    ];
    let entry = |(n, deed)| Entry {
        n,
        when: format!("2031-05-17T14:{:02}:11Z", 2 + 3 * n)
            .parse()
            .unwrap(),
        who: "Ines".into(),
        deed,
    };
    Visit {
        opening,
        owner: None,
        entries: (1..).zip(deeds).map(entry).collect(),
    }
}

pub fn photograph() -> Photograph {
    Photograph {
        file: "photographs/photograph.jpg".into(),
        sha256: "3b".repeat(32),
        bytes: 2_411_007,
        width: 3024,
        height: 4032,
        orientation: 6,
        taken: Some("2031:05:17 14:08:40 +02:00".into()),
        words: Some("the car from the left, tag 14 beside the wing".into()),
        tag_in_picture: true,
    }
}

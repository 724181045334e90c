//! What is drawn: the demo captures, simulated records, before and after, running tests.

use std::sync::OnceLock;

use feelgauge::{
    inspect::{
        Finding, Measure, Reading, Settings, Stated, Test,
        comparison::{Compared, Records, compare},
        settings,
    },
    measure::{leak::LeakSettings, pull::PullSettings},
    physics::{
        drivetrain::{self, DrivetrainScenario},
        engine::{self, EngineScenario},
        tank::{self, KnockPulse, TankScenario},
    },
    reading::{LimitSource, Quality},
    record::{Files, read_capture},
    report::plot::{self, Picture, Width},
    units::CM3_PER_MIN,
    vehicle::Vehicle,
};

use super::views::{crowded, live};

pub const CAPTURES: [(&str, &str); 3] = [
    ("leak", "20310517T142140Z-leak-whole"),
    ("pull", "20310517T142649Z-pull-plug_in_cold"),
    ("roll", "20310517T143107Z-roll-one_fl"),
];

/// Pictures that belong together.
pub struct Scene {
    pub name: String,
    pub draw: Box<dyn Fn(Width) -> Vec<Picture>>,
}

fn scene(name: &str, draw: impl Fn(Width) -> Vec<Picture> + 'static) -> Scene {
    Scene {
        name: name.to_owned(),
        draw: Box::new(draw),
    }
}

/// The demo car.
pub fn car() -> &'static Vehicle {
    static CAR: OnceLock<Vehicle> = OnceLock::new();
    CAR.get_or_init(|| Vehicle::parse(include_str!("../../captures/plover-8.toml")).unwrap())
}

/// The findings of the demo captures.
pub fn captured() -> &'static [Finding] {
    static FOUND: OnceLock<Vec<Finding>> = OnceLock::new();
    FOUND.get_or_init(|| {
        let root = format!("{}/captures", env!("CARGO_MANIFEST_DIR"));
        CAPTURES
            .iter()
            .map(|(_, folder)| {
                let capture = read_capture(&Files::under(format!("{root}/{folder}")), "").unwrap();
                capture.analyze(Stated::default(), None).unwrap()
            })
            .collect()
    })
}

/// Every scene.
pub fn all() -> Vec<Scene> {
    let mut all: Vec<Scene> = CAPTURES
        .iter()
        .zip(captured())
        .map(|((name, _), finding)| {
            scene(&format!("found-{name}"), move |w| {
                plot::pictures(finding, w.of_car(Some(car())))
            })
        })
        .collect();
    all.extend(found());
    all.extend(compared());
    all.extend(live().into_iter().chain(crowded()).map(|(name, view)| {
        scene(&format!("live-{name}"), move |w| {
            plot::live(&view, w.of_car(Some(car())))
        })
    }));
    all
}

/// A record of the demo car, simulated and measured.
fn measured(settings: Settings, readings: impl IntoIterator<Item = Reading>) -> Finding {
    let mut measure = Measure::new(settings);
    readings.into_iter().for_each(|r| measure.push(r));
    measure.finish(Quality::default())
}

fn leaks(scenario: &TankScenario, seed: u64, limit_cm3_per_min: f64) -> Finding {
    let limit = (limit_cm3_per_min * CM3_PER_MIN, LimitSource::Own);
    let settings = LeakSettings {
        limit: Some(limit),
        p_ref_pa: Some(7_000.0),
        ..LeakSettings::of_volume(131e-6)
    };
    let record = tank::simulate(scenario, seed).readings;
    measured(
        Settings::Leak(settings),
        record.into_iter().map(Reading::Pressure),
    )
}

fn pulls(scenario: &EngineScenario, seed: u64, mass_kg: Option<f64>) -> Finding {
    let settings = PullSettings {
        mass_kg,
        filter_order: 1,
        ..PullSettings::default()
    };
    let record = engine::simulate(scenario, seed).readings;
    measured(
        Settings::Pull(settings),
        record.into_iter().map(Reading::Force),
    )
}

fn rolls(scenario: &DrivetrainScenario, settings: Settings) -> Finding {
    let record = drivetrain::simulate(scenario, 1).readings;
    let heard = settings.heard();
    let edges = record.into_iter().filter(|e| heard.contains(&e.sensor));
    measured(settings, edges.map(Reading::Edge))
}

pub fn one_wheel() -> Settings {
    let stated = Stated {
        setup: Some("one_fl".into()),
        ..Stated::default()
    };
    settings(Test::Roll, &stated, Some(car()), &[]).unwrap()
}

/// Findings of simulated and of empty records.
fn found() -> Vec<Scene> {
    let mut knocked = TankScenario::plover();
    knocked.knocks = vec![KnockPulse {
        at_s: 20.0,
        seconds: 0.5,
        pulse: 0.01,
        left: 0.0,
    }];
    let stated = Stated {
        magnets: Some(car().sensors[0].magnets),
        sensor: Some(car().sensors[0].index),
        ..Stated::default()
    };
    let blind = settings(Test::Roll, &stated, None, &[]).unwrap();
    let findings = vec![
        (
            "leak-within",
            leaks(&TankScenario::plover_healthy(), 2, 1.5),
        ),
        ("leak-far-outside", leaks(&TankScenario::plover(), 3, 0.05)),
        ("leak-undecided", leaks(&TankScenario::plover(), 4, 2.9)),
        ("leak-knocked", leaks(&knocked, 5, 1.5)),
        (
            "leak-nothing",
            measured(Settings::Leak(LeakSettings::of_volume(131e-6)), []),
        ),
        (
            "pull-within",
            pulls(&EngineScenario::plover_rebuilt(), 1, Some(3.4)),
        ),
        (
            "pull-no-mass",
            pulls(&EngineScenario::plover_worn(), 2, None),
        ),
        (
            "pull-two",
            pulls(
                &EngineScenario {
                    pulls: 2,
                    ..EngineScenario::plover()
                },
                2,
                Some(3.4),
            ),
        ),
        (
            "pull-nothing",
            measured(Settings::Pull(PullSettings::default()), []),
        ),
        (
            "roll-healthy",
            rolls(&DrivetrainScenario::plover_healthy(), one_wheel()),
        ),
        ("roll-blind", rolls(&DrivetrainScenario::plover(), blind)),
    ];
    let named = |(name, finding): (&str, Finding)| {
        scene(&format!("found-{name}"), move |w| {
            plot::pictures(&finding, w)
        })
    };
    findings.into_iter().map(named).collect()
}

/// Before and after a rebuild, simulated.
pub fn before_and_after() -> &'static [(&'static str, Compared)] {
    static COMPARED: OnceLock<Vec<(&'static str, Compared)>> = OnceLock::new();
    COMPARED.get_or_init(|| {
        let pair = |test, before: Finding, after: Finding| {
            let comparison = compare(
                test,
                std::slice::from_ref(&before),
                std::slice::from_ref(&after),
            );
            Compared {
                comparison,
                setup: None,
                records: Records {
                    before: 1,
                    after: 1,
                },
                seen: [vec![before], vec![after]],
            }
        };
        let (tank, engine) = (TankScenario::plover(), EngineScenario::plover_worn());
        vec![
            (
                "leak",
                pair(
                    Test::Leak,
                    leaks(&tank, 1, 1.5),
                    leaks(&TankScenario::plover_healthy(), 2, 1.5),
                ),
            ),
            (
                "pull",
                pair(
                    Test::Pull,
                    pulls(&engine, 1, Some(3.4)),
                    pulls(&EngineScenario::plover_rebuilt(), 2, Some(3.4)),
                ),
            ),
            (
                "roll",
                pair(
                    Test::Roll,
                    rolls(&DrivetrainScenario::plover(), one_wheel()),
                    rolls(&DrivetrainScenario::plover_healthy(), one_wheel()),
                ),
            ),
        ]
    })
}

fn compared() -> Vec<Scene> {
    let draw = |(name, compared): &'static (&str, Compared)| {
        scene(&format!("compared-{name}"), move |w| {
            plot::comparison(compared, w)
        })
    };
    before_and_after().iter().map(draw).collect()
}

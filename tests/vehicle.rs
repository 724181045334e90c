//! The vehicle file: what is refused and where, and the orders that follow from the gear train.

#![allow(clippy::unwrap_used)] // in a test an unwrap is an assertion

use feelgauge::vehicle::{PartKind, SetupTest, Train, Vehicle};

const PLOVER: &str = include_str!("../captures/plover-8.toml");

fn plover() -> Vehicle {
    Vehicle::parse(PLOVER).unwrap()
}

/// Order of a part that can be seen.
fn order(train: &Train, part: &str) -> Option<f64> {
    train.parts.iter().find(|p| p.name == part).map(|p| p.order)
}

/// Events per turn of the spur, worked by hand from the tooth counts (ring/pinion 41/11, spur/bell 48/13, planets
/// 18/12, hub 9 balls 2.0/11.0 mm, bell bearing 7 balls 1.6/7.5 mm): straight, one_fl, one_rl. 0 = not visible.
const TABLE: &[(&str, [f64; 3])] = &[
    ("wheel_fl", [0.26829, 1.07317, 0.0]),
    ("wheel_fr", [0.26829, 0.0, 0.0]),
    ("wheel_rl", [0.26829, 0.0, 1.07317]),
    ("wheel_rr", [0.26829, 0.0, 0.0]),
    ("ring_f", [0.26829, 0.53659, 0.0]),
    ("ring_r", [0.26829, 0.0, 0.53659]),
    ("pinion_f", [1.0, 2.0, 0.0]),
    ("pinion_r", [1.0, 0.0, 2.0]),
    ("spur", [1.0, 1.0, 1.0]),
    ("bell", [0.0, 0.0, 0.0]),
    ("final_f.pair", [0.02439, 0.04878, 0.0]),
    ("final_r.pair", [0.02439, 0.0, 0.04878]),
    ("primary.pair", [0.07692, 0.07692, 0.07692]),
    ("diff_f.planet", [0.0, 0.80488, 0.0]),
    ("diff_r.planet", [0.0, 0.0, 0.80488]),
    ("diff_c.planet", [0.0, 1.5, 1.5]),
    ("hub_rl.cage", [0.10976, 0.0, 0.43902]),
    ("hub_rl.ball", [0.71341, 0.0, 2.85366]),
    ("hub_rl.inner", [1.42683, 0.0, 0.0]),
    ("hub_rl.outer", [0.98780, 0.0, 0.0]),
    ("bell_inner.cage", [2.24, 2.24, 2.24]),
    ("bell_inner.ball", [0.0, 0.0, 0.0]),
    ("bell_inner.inner", [0.0, 0.0, 0.0]),
    ("bell_inner.outer", [0.0, 0.0, 0.0]),
    ("drive_fl", [0.53659, 2.14634, 0.0]),
    ("drive_rl", [0.53659, 0.0, 2.14634]),
];

#[test]
fn every_part_of_the_example_has_its_order() {
    let vehicle = plover();
    for (column, setup) in ["straight", "one_fl", "one_rl"].into_iter().enumerate() {
        let train = vehicle.train(Some(setup), None).unwrap();
        let seen = TABLE.iter().filter(|(_, o)| o[column] > 0.0).count();
        assert_eq!(train.parts.len(), seen, "{setup}");
        assert_eq!(train.parts.len() + train.not_visible.len(), TABLE.len());
        for (part, orders) in TABLE {
            let want = orders[column];
            match order(&train, part) {
                // the table has five decimals
                Some(got) => assert!((got - want).abs() <= 0.5e-5, "{setup} {part}: {got}"),
                None => assert!(want <= 0.0, "{setup} {part} is missing"),
            }
        }
    }
}

#[test]
fn what_cannot_be_seen_says_why() {
    let rows = plover().orders(Some("one_fl"), Some(0)).unwrap();
    let names: Vec<&str> = rows.iter().map(|r| r.part.as_str()).collect();
    assert_eq!(names, TABLE.iter().map(|(n, _)| *n).collect::<Vec<_>>());
    let row = |part: &str| rows.iter().find(|r| r.part == part).unwrap();
    assert_eq!(
        row("bell").reason.as_deref(),
        Some("order 3.69 above half the magnets (3)")
    );
    assert!((row("bell").order.unwrap() - 48.0 / 13.0).abs() < 1e-12);
    assert_eq!(row("ring_r").reason.as_deref(), Some("stands still"));
    assert_eq!(row("ring_r").order, None);
    assert_eq!(row("ring_f").reason, None);
    assert_eq!(row("ring_f").label, "front ring gear");
    assert_eq!(
        row("final_f.pair").label,
        "one pair of teeth of the front ring and pinion"
    );
}

#[test]
fn spread_and_ties_follow_gears_and_tyres() {
    let vehicle = plover();
    let rolling = vehicle.train(Some("straight"), None).unwrap();
    let part = |train: &Train, name: &str| {
        train
            .parts
            .iter()
            .find(|p| p.name == name)
            .cloned()
            .unwrap()
    };
    // the bell meshes with the sensed spur; pinions and rings hang on the centre diff
    let pair = part(&rolling, "primary.pair");
    assert!(pair.rigid && pair.order_sd <= 0.0 && pair.mult == 13 && pair.kind == PartKind::Pair);
    let ring = part(&rolling, "ring_f");
    assert!(!ring.rigid && (ring.order_sd - 0.002).abs() < 1e-15 && ring.mult == 1);
    assert!((part(&rolling, "hub_rl.cage").order_sd - 0.01).abs() < 1e-15);
    let stand = vehicle.train(Some("one_fl"), None).unwrap();
    assert!(part(&stand, "ring_f").order_sd <= 0.0);
    assert!((part(&stand, "bell_inner.cage").order_sd - 0.01).abs() < 1e-15);
    assert!(rolling.rolling && !stand.rolling && !stand.sensed_named && stand.magnets == 6);
    assert!((stand.fastest_wheel - 1.07317).abs() < 0.5e-5);
    let turning: Vec<&str> = stand.turning.iter().map(|t| t.name.as_str()).collect();
    assert_eq!(
        turning,
        [
            "wheel_fl", "ring_f", "pinion_f", "spur", "bell", "diff_f", "diff_c"
        ]
    );
    assert!(
        stand
            .turning
            .iter()
            .all(|t| t.named == (t.name == "wheel_fl")
                && t.sensed == (t.name == "spur")
                && t.planet == t.name.starts_with("diff")
                && t.rigid == ["spur", "bell"].contains(&t.name.as_str()))
    );
}

/// A car of its own drive layout: ring/pinion 40/10, spur/bell 50/10, magnets on the spur.
fn car(shafts: &[&str], gears: &str, speeds: &str, sensed: &str) -> String {
    let shafts: Vec<String> = shafts.iter().map(|s| format!("{{name='{s}'}}")).collect();
    format!(
        "format=1\nname='car'\nmass_kg=2\ntank_cm3=75\nshaft=[{}]\n{gears}\n\
         sensor=[{{index=3,shaft='{sensed}',magnets=8}}]\n\
         [[setup]]\nname='go'\nrolling=true\nspeeds={{{speeds}}}\n",
        shafts.join(",")
    )
}

fn diff(name: &str, input: &str, a: &str, b: &str) -> String {
    format!(
        "{{name='{name}',input='{input}',out_a='{a}',out_b='{b}',side_teeth=16,planet_teeth=10}}"
    )
}

fn mesh(name: &str, a: &str, teeth_a: u32, b: &str, teeth_b: u32) -> String {
    format!("{{name='{name}',a='{a}',teeth_a={teeth_a},b='{b}',teeth_b={teeth_b}}}")
}

#[test]
fn four_wheel_drive_without_centre_diff() {
    // front and rear pinion are one shaft with the spur
    let gears = format!(
        "mesh=[{},{}]\ndiff=[{},{}]",
        mesh("ff", "ring_f", 40, "spur", 10),
        mesh("fr", "ring_r", 40, "spur", 10),
        diff("df", "ring_f", "fl", "fr_wheel"),
        diff("dr", "ring_r", "rl", "rr")
    );
    let shafts = ["fl", "fr_wheel", "rl", "rr", "ring_f", "ring_r", "spur"];
    // three wheels say it all: the fourth follows
    let text = car(&shafts, &gears, "fl=1, fr_wheel=1, rl=0.5", "spur");
    let train = Vehicle::parse(&text).unwrap().train(None, None).unwrap();
    assert!((order(&train, "ring_r").unwrap() - 0.25).abs() < 1e-12);
    assert!((order(&train, "rr").unwrap() - 0.375).abs() < 1e-12);
    assert!(
        (order(&train, "dr.planet").unwrap() - 0.125 * 0.5 * 2.0 * 0.5 * 2.0 * 1.6).abs() < 1e-12
    );
    assert!(
        train
            .parts
            .iter()
            .filter(|p| p.name.starts_with("ring"))
            .all(|p| p.rigid)
    );
}

#[test]
fn two_wheel_drive_and_a_locked_diff() {
    let gears = format!(
        "mesh=[{}]\ndiff=[{}]",
        mesh("final", "ring", 40, "spur", 10),
        diff("d", "ring", "rl", "rr")
    );
    let text = car(
        &["rl", "rr", "ring", "spur", "fl"],
        &gears,
        "rl=1,rr=1,fl=1",
        "spur",
    );
    let train = Vehicle::parse(&text).unwrap().train(None, Some(3)).unwrap();
    // the front wheel turns freely but rolls with the rest
    assert!((order(&train, "fl").unwrap() - 0.25).abs() < 1e-12);
    // locked diff: ring and both wheels are one shaft
    let gears = format!("mesh=[{}]", mesh("final", "axle", 40, "spur", 10));
    let train = Vehicle::parse(&car(&["axle", "spur"], &gears, "axle=2", "axle"))
        .unwrap()
        .train(Some("go"), None)
        .unwrap();
    assert!((order(&train, "spur").unwrap() - 4.0).abs() < 1e-12);
    assert!(train.sensed_named && train.parts.iter().all(|p| p.rigid));
    assert!((train.fastest_wheel - 1.0).abs() < 1e-12);
}

#[test]
fn trains_that_cannot_be_solved_say_why() {
    let fails = |text: &str, setup: Option<&str>, sensor: Option<u32>| {
        Vehicle::parse(text)
            .unwrap()
            .train(setup, sensor)
            .unwrap_err()
            .to_string()
    };
    let fewer = PLOVER.replace(
        "speeds = { wheel_fl = 1, wheel_fr = 0, wheel_rl = 0, wheel_rr = 0 }",
        "speeds = { wheel_fl = 1, wheel_fr = 0, wheel_rl = 0 }",
    );
    let message = fails(&fewer, Some("one_fl"), None);
    assert!(
        message.starts_with(
            "setup one_fl does not fix the speed of: wheel_rr, ring_r, pinion_r, spur, bell"
        ),
        "{message}"
    );
    let more = PLOVER.replace(
        "{ wheel_fl = 1, wheel_fr = 0,",
        "{ spur = 3, wheel_fl = 1, wheel_fr = 0,",
    );
    let message = fails(&more, Some("one_fl"), None);
    assert!(
        message.starts_with("setup one_fl contradicts the train: ") && message.contains("spur"),
        "{message}"
    );
    let held = PLOVER.replace("shaft = \"spur\", magnets", "shaft = \"wheel_fr\", magnets");
    let message = fails(&held, Some("one_fl"), None);
    assert!(
        message.starts_with("sensor 0 stands still in setup one_fl"),
        "{message}"
    );
    let message = fails(PLOVER, Some("one_rr"), None);
    assert!(
        message.contains("'one_rr'") && message.contains("straight, one_fl, one_rl"),
        "{message}"
    );
    assert!(fails(PLOVER, None, None).contains("straight, one_fl, one_rl"));
    assert!(fails(PLOVER, Some("whole"), None).contains("is for the leak test"));
    assert!(fails(PLOVER, Some("one_fl"), Some(4)).contains("sensors of the vehicle file: 0"));
    let bare = "format=1\nname='x'\nmass_kg=1\ntank_cm3=1\n";
    assert!(fails(bare, None, None).contains("no roll setup"));
}

#[test]
fn everything_of_the_file_is_there() {
    let vehicle = plover();
    assert_eq!(vehicle.name, "Plover 8");
    assert!((vehicle.leak_volume_m3() - 131e-6).abs() < 1e-12);
    assert!((vehicle.mass_kg - 3.4).abs() < 1e-12);
    assert_eq!(vehicle.pulley_diameter_m, Some(0.032));
    assert_eq!(vehicle.wheel_diameter_m, None);
    assert_eq!(vehicle.limits.lift_ratio, Some(1.0));
    // 1 cm3/min of air at 20 C = 101325e-6/60 Pa m3/s
    let leak = vehicle.limits.leak_pa_m3_s.unwrap();
    assert!((leak - 0.3 * 101_325e-6 / 60.0).abs() < 1e-12);
    let names = |test| {
        vehicle
            .setups_of(test)
            .map(|s| s.name.as_str())
            .collect::<Vec<_>>()
    };
    assert_eq!(names("leak"), ["whole", "lid_clamped", "line_plugged"]);
    assert_eq!(names("pull"), ["plug_in_cold", "plug_in_warm", "plug_out"]);
    let SetupTest::Leak { parts } = &vehicle.setup("lid_clamped").unwrap().test else {
        panic!("a leak setup")
    };
    assert_eq!(parts, &["line", "body"]);
    assert_eq!(
        vehicle.setup("plug_in_warm").unwrap().test,
        SetupTest::Pull {
            plug_in: true,
            warm: Some(true)
        }
    );
}

/// A setup that does not say whether the engine is warm leaves it unknown; the rest of the file stays usable.
#[test]
fn warm_may_be_left_away() {
    let silent = PLOVER.replace("warm = true\n", "");
    let vehicle = Vehicle::parse(&silent).unwrap();
    let state = |name| vehicle.setup(name).unwrap().test.clone();
    let pull = |warm| SetupTest::Pull {
        plug_in: true,
        warm,
    };
    assert_eq!(state("plug_in_warm"), pull(None));
    assert_eq!(state("plug_in_cold"), pull(Some(false)));
}

/// `(what stands in the file, what replaces it, words of the message)`; the place must be that of the change.
const FAULTS: &[(&str, &str, &str)] = &[
    ("format = 1", "format = 2", "format is 2"),
    ("format = 1\n", "", "no 'format'"),
    ("mass_kg = 3.4\n", "", "no 'mass_kg'"),
    ("mass_kg = 3.4", "mass_kg = -3.4", "above 0"),
    ("mass_kg = 3.4", "mass_kg = nan", "finite"),
    (
        "mass_kg = 3.4",
        "mass_kg = \"3.4kg\"",
        "is a text; write a number",
    ),
    (
        "mass_kg = 3.4",
        "mass_g = 3.4",
        "unknown key 'mass_g' in the file; nearest known key: 'mass_kg'",
    ),
    ("hose_cm3 = 6.0", "hose_cm3 = -1", "0 or above"),
    (
        "pulley_diameter_mm",
        "pulley_mm",
        "nearest known key: 'pulley_diameter_mm'",
    ),
    (
        "name = \"wheel_fr\"",
        "name = \"wheel_fl\"",
        "'wheel_fl' is taken by a [[shaft]]",
    ),
    (
        "name = \"primary\"",
        "name = \"spur\"",
        "'spur' is taken by a [[shaft]]",
    ),
    (
        "name = \"whole\"",
        "name = \"spur\"",
        "'spur' is taken by a [[shaft]]",
    ),
    (
        "name = \"bell\"",
        "name = \"Bell\"",
        "letters a-z, digits and _",
    ),
    (
        "name = \"bell\"",
        "name = \"clutch.bell\"",
        "letters a-z, digits and _",
    ),
    ("name = \"bell\"", "name = \"\"", "empty"),
    (
        "b = \"bell\"",
        "b = \"bel\"",
        "no shaft is called 'bel'; nearest: 'bell'",
    ),
    (
        "b = \"bell\", teeth_b = 13",
        "b = \"spur\", teeth_b = 13",
        "same shaft twice",
    ),
    ("teeth_a = 48", "teeth_a = 0", "must be 1 to 1000"),
    ("teeth_a = 48", "teeth_a = 48.5", "write a whole number"),
    (
        "teeth_a = 48",
        "tooth_a = 48",
        "nearest known key: 'teeth_a'",
    ),
    ("teeth_b = 13", "", "no 'teeth_b'"),
    ("magnets = 6", "magnets = 65", "must be 1 to 64"),
    ("magnets = 6", "magnets = 0", "must be 1 to 64"),
    ("pitch_mm = 11.0", "pitch_mm = 1.0", "do not fit"),
    (
        "turns = \"outer\"",
        "turns = \"both\"",
        "one of: inner, outer",
    ),
    ("rolling = true", "rolling = 1", "true or false"),
    ("rolling = true", "", "no 'rolling'"),
    (
        "speeds = { wheel_fl = 1, wheel_fr = 1,",
        "speeds = { wheel_lf = 1, wheel_fr = 1,",
        "no shaft is called 'wheel_lf'",
    ),
    (
        "speeds = { wheel_fl = 1, wheel_fr = 1,",
        "speeds = { wheel_fl = true, wheel_fr = 1,",
        "'wheel_fl' of [speeds] is true or false",
    ),
    (
        "speeds = { wheel_fl = 1, wheel_fr = 1, wheel_rl = 1, wheel_rr = 1 }",
        "",
        "no 'speeds'",
    ),
    (
        "speeds = { wheel_fl = 1, wheel_fr = 1, wheel_rl = 1, wheel_rr = 1 }",
        "speeds = {}",
        "names no shaft",
    ),
    ("parts = [\"lid\", \"line\", \"body\"]", "", "no 'parts'"),
    (
        "parts = [\"lid\", \"line\", \"body\"]",
        "parts = []",
        "is empty",
    ),
    (
        "parts = [\"lid\", \"line\", \"body\"]",
        "parts = [\"lid\", \"lid\"]",
        "twice",
    ),
    (
        "parts = [\"lid\", \"line\", \"body\"]",
        "speeds = { wheel_fl = 1 }",
        "unknown key 'speeds'",
    ),
    ("plug = \"out\"", "plug = \"half\"", "one of: in, out"),
    ("plug = \"out\"", "", "no 'plug'"),
    (
        "test = \"leak\"",
        "test = \"lead\"",
        "one of: roll, leak, pull",
    ),
    ("leak = \"0.3cm3/min\"", "leak = \"0.3\"", "Pa.m3/s"),
    ("leak = \"0.3cm3/min\"", "leak = 0.3", "a text in quotes"),
    (
        "lift_ratio = 1.0",
        "lift = 1.0",
        "nearest known key: 'lift_ratio'",
    ),
    (
        "snag_false_alarm = 0.01",
        "snag_false_alarm = 1.0",
        "above 0 and below 1",
    ),
    ("[limits]", "[limit]", "nearest known key: 'limits'"),
    ("sensor = [ {", "sensor = [ 4, {", "list of tables"),
    ("mass_kg = 3.4", "mass_kg = 3.4.5", "not TOML"),
    ("mass_kg = 3.4", "mass_kg = 3.4\nmass_kg = 3.4", "not TOML"),
];

#[test]
fn faults_are_named_at_their_place() {
    for (old, new, words) in FAULTS {
        assert!(PLOVER.contains(old), "{old}");
        let text = PLOVER.replacen(old, new, 1);
        let error = Vehicle::parse(&text).expect_err(words);
        assert!(error.message.contains(words), "{new}: {error}");
        let line = text.lines().nth(error.line - 1).unwrap_or_default();
        let changed = text
            .matches('\n')
            .count()
            .min(PLOVER[..PLOVER.find(old).unwrap()].matches('\n').count())
            + 1;
        // a missing key is reported at its table, whose header may stand above the change
        let near = if new.is_empty() { 6 } else { 1 };
        let missing_at_top = new.is_empty() && error.line == 1;
        assert!(
            missing_at_top || error.line.abs_diff(changed) <= near,
            "{new}: {error}, changed line {changed}"
        );
        assert!(error.column <= line.chars().count() + 1, "{error}");
    }
}

#[test]
fn the_column_counts_characters() {
    let text = "format = 1\nname = \"Bl\u{e4}\u{df}huhn\"\nmass_kg = 1\ntank_cm3 = 1\nshaft = [ { name = \"a\", label = \"\u{e4}\u{e4}\" }, { name = \"a\" } ]\n";
    let error = Vehicle::parse(text).unwrap_err();
    assert_eq!((error.line, error.column), (5, 50), "{error}");
    assert!(error.to_string().starts_with("5:50: the name 'a' is taken"));
    // a byte order mark moves nothing
    assert_eq!(
        Vehicle::parse(&format!("\u{feff}{text}")).unwrap_err(),
        error
    );
}

#[test]
fn hostile_files_are_refused_quickly() {
    let long = format!("{PLOVER}\n# {}", "x".repeat(1 << 20));
    assert!(
        Vehicle::parse(&long)
            .unwrap_err()
            .message
            .contains("longer than")
    );
    let deep = format!("x = {}", "[".repeat(100_000));
    assert!(Vehicle::parse(&deep).is_err());
    let many: Vec<String> = (0..300).map(|i| format!("{{name='s{i}'}}")).collect();
    let many = format!(
        "format=1\nname='x'\nmass_kg=1\ntank_cm3=1\nshaft=[{}]",
        many.join(",")
    );
    assert!(
        Vehicle::parse(&many)
            .unwrap_err()
            .message
            .contains("at most 256")
    );
}

/// Files damaged at random (bytes removed, doubled, replaced, lines swapped; seeds 0..3000): never a panic, and a
/// fault's place is a place of the file. What still parses must solve or say why.
#[test]
fn damaged_files_never_panic() {
    use feelgauge::physics::noise::Noise;
    let mut faults = 0;
    for seed in 0..3000 {
        let mut noise = Noise::new(seed, 0);
        let mut chars: Vec<char> = PLOVER.chars().collect();
        for _ in 0..=noise.below(3) {
            let at = usize::try_from(noise.below(chars.len() as u64)).unwrap();
            let other = chars[usize::try_from(noise.below(chars.len() as u64)).unwrap()];
            match noise.below(5) {
                0 => drop(chars.remove(at)),
                1 => chars.insert(at, other),
                2 => chars[at] = '\u{20ac}',
                3 => chars.truncate(at),
                _ => chars[at] = other,
            }
            if chars.is_empty() {
                break;
            }
        }
        let text: String = chars.into_iter().collect();
        match Vehicle::parse(&text) {
            Ok(vehicle) => {
                for setup in vehicle.setups_of("roll") {
                    let _ = vehicle
                        .train(Some(&setup.name), None)
                        .map_err(|e| e.to_string());
                }
            }
            Err(error) => {
                faults += 1;
                let line = text
                    .split('\n')
                    .nth(error.line - 1)
                    .expect("a line of the file");
                assert!(
                    error.column <= line.chars().count() + 1,
                    "seed {seed}: {error}"
                );
                assert!(error.message.len() < 1000, "seed {seed}: {error}");
            }
        }
    }
    assert!(faults > 1000, "{faults}");
}

/// Random cars in all their setups: speeds keep every mesh and diff, worked from the orders of the train itself.
#[test]
fn orders_of_random_cars_keep_every_gear() {
    use feelgauge::physics::drivetrain::random_car;
    for seed in 0..40 {
        let vehicle = Vehicle::parse(&random_car(seed, 64)).unwrap();
        for setup in vehicle.setups_of("roll") {
            let train = vehicle.train(Some(&setup.name), None).unwrap();
            let w = |shaft: usize| {
                let name = &vehicle.shafts[shaft].name;
                train
                    .turning
                    .iter()
                    .find(|t| t.name == *name)
                    .map_or(0.0, |t| t.order)
            };
            for m in &vehicle.meshes {
                let off = f64::from(m.teeth_a) * w(m.a) - f64::from(m.teeth_b) * w(m.b);
                assert!(off.abs() < 1e-9, "seed {seed} {} {}", setup.name, m.name);
            }
            for d in &vehicle.diffs {
                let off = 2.0 * w(d.input) - w(d.out_a) - w(d.out_b);
                assert!(off.abs() < 1e-9, "seed {seed} {} {}", setup.name, d.name);
            }
        }
    }
}

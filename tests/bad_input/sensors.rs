//! Magnets and sensors that the edges contradict, and the options of a search without a vehicle file.

use std::fmt::Write as _;

use super::{Bench, PLOVER};
use feelgauge::physics::drivetrain::{DrivetrainScenario, simulate};

/// The demo car with five magnets on the front left wheel as well.
fn two_sensors() -> String {
    let spur = "{ index = 0, shaft = \"spur\", magnets = 6 }";
    let both = format!("{spur}, {{ index = 1, shaft = \"wheel_fl\", magnets = 5 }}");
    let text = PLOVER.replace(spur, &both);
    assert!(text.contains("magnets = 5"));
    text
}

/// A minute on the stand, the front left wheel spun, both sensors plugged in.
fn record(vehicle: &str) -> String {
    let car = DrivetrainScenario::new(vehicle, "one_fl", Some(0)).unwrap();
    let car = car.with_second_sensor(1).unwrap();
    let mut file = String::from("t_us,sensor\n");
    for edge in simulate(&car, 2).readings {
        writeln!(file, "{},{}", edge.t_us, edge.sensor).unwrap();
    }
    file
}

#[test]
fn a_second_sensor_of_the_file_is_looked_at_without_being_asked_for() {
    let bench = Bench::new();
    let text = two_sensors();
    bench.write("two.csv", record(&text));
    bench.write("two.toml", &text);
    let analyze = |setup, file| {
        let args = [
            "analyze",
            "roll",
            "two.csv",
            "--vehicle",
            file,
            "--setup",
            setup,
            "--json",
        ];
        bench.run(&args)
    };
    let right = analyze("one_fl", "two.toml").json();
    assert!(right["refused"].is_null(), "{right}");
    assert_eq!(right["quality"]["ignored"], 0);
    // only one wheel was spun, the car did not roll
    let wrong = analyze("straight", "two.toml").refused();
    assert_eq!(wrong["refused"][0]["code"], "sensor_contradicts");
    let message = wrong["refused"][0]["message"].as_str().unwrap();
    for word in ["spur", "wheel_fl", "setup"] {
        assert!(message.contains(word), "{message}");
    }
    // one magnet on the spur was not counted
    bench.write("five.toml", text.replace("magnets = 6", "magnets = 5"));
    let wrong = analyze("one_fl", "five.toml").refused();
    let refusal = &wrong["refused"][0];
    assert_eq!(refusal["code"], "magnets_contradict");
    assert_eq!(
        (&refusal["value"], &refusal["limit"]),
        (&6.0.into(), &5.0.into())
    );
    // a file that knows one sensor ignores the other
    let one = analyze("one_fl", "car.toml").json();
    assert!(one["refused"].is_null() && one["quality"]["ignored"].as_u64().unwrap() > 100);
}

#[test]
fn a_search_without_a_vehicle_file_states_its_magnets_and_names_no_part() {
    let bench = Bench::new();
    bench.write("two.csv", record(&two_sensors()));
    let json = bench
        .run(&["analyze", "roll", "two.csv", "--magnets", "6", "--json"])
        .json();
    assert_eq!(json["verdict"], "undecided");
    assert!(json["blind"]["orders"][0]["rivals"].is_array());
    assert!(json["false_alarm_probability"].is_null());
    assert!(json["snags"].as_array().unwrap().is_empty());
    let text = bench.run(&["analyze", "roll", "two.csv", "--magnets", "6"]);
    assert!(
        text.code == 0 && text.out.contains("a vehicle file names the part"),
        "{text:?}"
    );
    let wrong = bench
        .run(&["analyze", "roll", "two.csv", "--magnets", "7", "--json"])
        .refused();
    assert_eq!(wrong["refused"][0]["code"], "magnets_contradict");
    bench
        .run(&["analyze", "roll", "two.csv"])
        .refuses(2, &["two.csv", "--vehicle", "--magnets"]);
    let both = [
        "analyze",
        "roll",
        "two.csv",
        "--magnets",
        "6",
        "--vehicle",
        "car.toml",
    ];
    bench.run(&both).refuses(2, &["car.toml", "--magnets"]);
    for bad in ["0", "65", "-1", "six"] {
        let said = bench.run(&["analyze", "roll", "two.csv", "--magnets", bad]);
        said.refuses(2, &["--magnets"]);
    }
}

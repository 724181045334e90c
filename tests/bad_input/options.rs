//! Options and vehicle files that are wrong.

use super::{Bench, PLOVER, TESTS};

#[test]
fn options_with_a_wrong_quantity_are_usage_errors_that_list_the_units() {
    let bench = Bench::new();
    bench.write("leak.csv", "t_us,p_pa\n0,0\n");
    bench.write("pull.csv", "t_us,f_n\n0,0\n");
    let volume = "m3, l, ml, cm3, mm3";
    let pressure = "Pa, hPa, kPa, mbar, bar";
    let leak = "Pa.m3/s, mbar.l/s, cm3/min";
    for (test, option, units, good) in [
        ("leak", "--volume", volume, "cm3"),
        ("leak", "--volume-u", volume, "cm3"),
        ("leak", "--at", pressure, "kPa"),
        ("leak", "--limit", leak, "cm3/min"),
        ("leak", "--baro", pressure, "hPa"),
        ("pull", "--mass", "kg, g", "kg"),
    ] {
        let file = format!("{test}.csv");
        for bad in [
            "125",
            "125 ",
            "125furlong",
            "125CM3",
            "",
            "kg",
            "1e400",
            "nan",
        ] {
            let said = bench.run(&["analyze", test, &file, option, bad]);
            said.refuses(2, &[option, units]);
        }
        for number in ["0", "-5", "-0", "nan", "inf", "1e999", "-inf"] {
            let bad = format!("{number}{good}");
            let said = bench.run(&["analyze", test, &file, option, &bad]);
            said.refuses(2, &[option, units]);
        }
    }
    for bad in ["5", "65..5", "-1..5", "a..b", "nan..5"] {
        let said = bench.run(&[
            "analyze",
            "leak",
            "leak.csv",
            "--volume",
            "1l",
            "--sealed-zero",
            bad,
        ]);
        said.refuses(2, &["--sealed-zero", "5..65"]);
    }
    bench
        .run(&["analyze", "pull", "pull.csv", "--filter-order", "-1"])
        .refuses(2, &["--filter-order"]);
}

#[test]
fn what_the_test_needs_is_named() {
    let bench = Bench::new();
    bench.write("l.csv", "t_us,p_pa\n0,0\n");
    bench.write("r.csv", "t_us,sensor\n0,0\n");
    bench
        .run(&["analyze", "leak", "l.csv"])
        .refuses(2, &["l.csv", "--volume", "--vehicle"]);
    bench
        .run(&["analyze", "roll", "r.csv"])
        .refuses(2, &["r.csv", "--vehicle", "FILE"]);
    bench
        .run(&["analyze", "roll", "r.csv", "--setup", "one_fl"])
        .refuses(2, &["r.csv", "--vehicle"]);
    bench
        .run(&["analyze", "roll", "r.csv", "--vehicle", "car.toml"])
        .refuses(2, &["car.toml", "straight", "one_fl", "one_rl"]);
    let sensor = [
        "analyze",
        "roll",
        "r.csv",
        "--vehicle",
        "car.toml",
        "--setup",
        "one_fl",
        "--sensor",
        "7",
    ];
    bench.run(&sensor).refuses(2, &["car.toml", "7", "0"]);
}

#[test]
fn an_unknown_setup_names_the_known_ones() {
    let bench = Bench::new();
    for (test, header) in TESTS {
        bench.write("x.csv", format!("{header}\n0,0\n"));
        let known: &[&str] = match test {
            "leak" => &["whole", "lid_clamped"],
            "pull" => &["plug_in_cold", "plug_in_warm", "plug_out"],
            _ => &["straight", "one_fl", "one_rl"],
        };
        let args = [
            "analyze",
            test,
            "x.csv",
            "--vehicle",
            "car.toml",
            "--setup",
            "nope",
        ];
        let said = bench.run(&args);
        said.refuses(2, &["car.toml", "nope"]);
        said.refuses(2, known);
    }
    bench
        .run(&["vehicle", "orders", "car.toml", "--setup", "nope"])
        .refuses(2, &["car.toml", "nope", "one_fl"]);
}

#[test]
fn a_gear_train_that_does_not_solve_is_refused() {
    let bench = Bench::new();
    bench.write("x.csv", "t_us,sensor\n0,0\n");
    let held = "speeds = { wheel_fl = 1, wheel_fr = 0, wheel_rl = 0, wheel_rr = 0 }";
    let line = 1 + PLOVER[..PLOVER.find("name = \"one_fl\"").unwrap()]
        .matches('\n')
        .count();
    let place = format!("bad.toml:{line}:");
    for (speeds, word) in [
        ("speeds = { wheel_fl = 1 }", "fix"),
        (
            "speeds = { wheel_fl = 1, wheel_fr = 0, wheel_rl = 0, wheel_rr = 0, ring_f = 3 }",
            "contradict",
        ),
    ] {
        let text = PLOVER.replace(held, speeds);
        assert_ne!(text, PLOVER);
        bench.write("bad.toml", text);
        let said = bench.run(&[
            "analyze",
            "roll",
            "x.csv",
            "--vehicle",
            "bad.toml",
            "--setup",
            "one_fl",
        ]);
        said.refuses(2, &["bad.toml", "one_fl", word]);
        for verb in ["check", "orders"] {
            let said = bench.run(&["vehicle", verb, "bad.toml"]);
            said.refuses(2, &[&place, "one_fl", word]);
        }
    }
}

#[test]
fn a_faulty_vehicle_file_is_refused_with_line_and_column() {
    let bench = Bench::new();
    bench.write("x.csv", "t_us,sensor\n0,0\n");
    for (text, words) in [
        (String::new(), vec!["bad.toml:"]),
        ("name = \n".into(), vec!["bad.toml:1:"]),
        (
            PLOVER.replace("mass_kg = 3.4", "mas_kg = 3.4"),
            vec!["bad.toml:4:1", "mas_kg", "mass_kg"],
        ),
        (
            PLOVER.replace("mass_kg = 3.4", "mass_kg = -3.4"),
            vec!["bad.toml:4:", "mass_kg"],
        ),
        (
            PLOVER.replace("mass_kg = 3.4", "mass_kg = nan"),
            vec!["bad.toml:4:", "mass_kg"],
        ),
        (
            PLOVER.replace("0.3cm3/min", "0.3"),
            vec!["bad.toml:", "cm3/min"],
        ),
        (
            PLOVER.replace("input = \"ring_f\"", "input = \"rung_f\""),
            vec!["bad.toml:26:", "rung_f"],
        ),
        (
            PLOVER.replace("format = 1", "format = 99"),
            vec!["bad.toml:2:", "format"],
        ),
    ] {
        bench.write("bad.toml", &text);
        bench
            .run(&["vehicle", "check", "bad.toml"])
            .refuses(1, &words);
        bench
            .run(&["vehicle", "orders", "bad.toml"])
            .refuses(1, &words);
        let said = bench.run(&["analyze", "roll", "x.csv", "--vehicle", "bad.toml"]);
        said.refuses(1, &words);
    }
    bench.write("bad.toml", b"name = \"\xff\xfe\"\n");
    bench
        .run(&["vehicle", "check", "bad.toml"])
        .refuses(1, &["bad.toml:1: ", "UTF-8"]);
    bench
        .run(&["vehicle", "check", "none.toml"])
        .refuses(1, &["none.toml", "no such file"]);
}

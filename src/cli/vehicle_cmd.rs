//! `vehicle check` and `vehicle orders`.

use std::{fmt::Write as _, path::Path};

use schemars::JsonSchema;
use serde::Serialize;

use super::{
    DONE, Failure, Outcome, Output,
    args::{VehicleCheckArgs, VehicleOrdersArgs, VehicleVerb},
    plan,
};
use crate::{
    reading::SOFTWARE,
    vehicle::{OrderRow, Setup, TrainError, Vehicle},
};

const TO_MEMORY: &str = "writing to memory does not fail";

/// A vehicle file without faults.
#[derive(Debug, Serialize, JsonSchema)]
pub(super) struct CheckResult {
    /// Software that checked it.
    software: &'static str,
    /// The file, as named.
    file: String,
    /// Name of the car.
    name: String,
    /// Mass ready to drive, kg.
    mass_kg: f64,
    /// Volume that a leak test fills: tank and hose, m3.
    leak_volume_m3: f64,
    /// Every setup of the file.
    setups: Vec<SetupResult>,
}

/// One setup of a vehicle file.
#[derive(Debug, Serialize, JsonSchema)]
struct SetupResult {
    /// Name.
    name: String,
    /// Words for people.
    label: Option<String>,
    /// Its test.
    test: &'static str,
    /// Roll: parts that the first sensor that turns can show; null elsewhere.
    visible_parts: Option<usize>,
}

/// Orders of the parts of a car.
#[derive(Debug, Serialize, JsonSchema)]
pub(super) struct OrdersResult {
    /// Software that computed them.
    software: &'static str,
    /// The file, as named.
    file: String,
    /// One entry a roll setup.
    setups: Vec<SetupOrders>,
}

/// Orders in one setup.
#[derive(Debug, Serialize, JsonSchema)]
struct SetupOrders {
    /// Name of the setup.
    setup: String,
    /// Words for people.
    label: Option<String>,
    /// Every part of the file.
    parts: Vec<PartOrder>,
}

/// One part in one setup.
#[derive(Debug, Serialize, JsonSchema)]
struct PartOrder {
    /// Name.
    part: String,
    /// Words for people.
    label: String,
    /// Events per turn of the sensed shaft; null: it stands still.
    order_per_sensor_turn: Option<f64>,
    /// Relative standard deviation of that order.
    order_sd: f64,
    /// Why it cannot be seen in this setup; null when it can.
    not_visible: Option<String>,
}

/// Runs `vehicle`.
pub(super) fn run(verb: VehicleVerb, output: &mut Output) -> Outcome {
    match verb {
        VehicleVerb::Check(args) => check(&args, output),
        VehicleVerb::Orders(args) => orders(&args, output),
    }
}

fn check(args: &VehicleCheckArgs, output: &mut Output) -> Outcome {
    let (text, vehicle) = plan::vehicle(&args.path)?;
    let setups = vehicle
        .setups
        .iter()
        .map(|setup| {
            check_setup(&vehicle, setup).map_err(|e| at_setup(&args.path, &text, &setup.name, &e))
        })
        .collect::<Result<_, _>>()?;
    let result = CheckResult {
        software: SOFTWARE,
        file: args.path.display().to_string(),
        name: vehicle.name.clone(),
        mass_kg: vehicle.mass_kg,
        leak_volume_m3: vehicle.leak_volume_m3(),
        setups,
    };
    output.result(&result, |_| check_text(&result, &vehicle))?;
    Ok(DONE)
}

/// Solves a setup; a car with several sensors needs one of them to turn.
fn check_setup(vehicle: &Vehicle, setup: &Setup) -> Result<SetupResult, TrainError> {
    let test = setup.test.name();
    let visible_parts = if test == "roll" {
        let name = Some(setup.name.as_str());
        let others = vehicle.sensors.iter().skip(1).map(|s| Some(s.index));
        let train = others.fold(vehicle.train(name, None), |found, sensor| {
            found.or_else(|e| vehicle.train(name, sensor).map_err(|_| e))
        })?;
        Some(train.parts.len())
    } else {
        None
    };
    Ok(SetupResult {
        name: setup.name.clone(),
        label: setup.label.clone(),
        test,
        visible_parts,
    })
}

/// A fault of a setup, with the place where the setup stands in the file; one that it does not have has no place.
fn at_setup(path: &Path, text: &str, setup: &str, error: &TrainError) -> Failure {
    let place = place_of_setup(text, setup).map_or_else(String::new, |(l, c)| format!(":{l}:{c}"));
    Failure::Usage(format!("{}{place}: {error}", path.display()))
}

/// Line and column, from 1, of the name of a setup.
fn place_of_setup(text: &str, setup: &str) -> Option<(usize, usize)> {
    let document = toml_edit::Document::parse(text).ok()?;
    let item = document.get("setup")?;
    let names: Vec<&toml_edit::Item> = match (item.as_array_of_tables(), item.as_array()) {
        (Some(tables), _) => tables.iter().filter_map(|t| t.get("name")).collect(),
        (None, Some(array)) => {
            let tables = array.iter().filter_map(toml_edit::Value::as_inline_table);
            return tables
                .filter_map(|t| t.get("name"))
                .find(|v| v.as_str() == Some(setup))
                .and_then(|v| Some(place(text, v.span()?.start)));
        }
        (None, None) => return None,
    };
    let name = names.into_iter().find(|n| n.as_str() == Some(setup))?;
    Some(place(text, name.span()?.start))
}

fn place(text: &str, at: usize) -> (usize, usize) {
    let before = &text[..at];
    let line_start = before.rfind('\n').map_or(0, |i| i + 1);
    (
        before.matches('\n').count() + 1,
        before[line_start..].chars().count() + 1,
    )
}

fn check_text(result: &CheckResult, vehicle: &Vehicle) -> String {
    let mut text = format!(
        "{}: no fault found\n  {}: {} kg, {:.0} cm3 of tank and hose\n  {} shafts, {} meshes, {} diffs, {} bearings, {} joints, {} sensors\n",
        result.file,
        result.name,
        result.mass_kg,
        result.leak_volume_m3 * 1e6,
        vehicle.shafts.len(),
        vehicle.meshes.len(),
        vehicle.diffs.len(),
        vehicle.bearings.len(),
        vehicle.joints.len(),
        vehicle.sensors.len()
    );
    for setup in &result.setups {
        let parts = setup
            .visible_parts
            .map_or_else(String::new, |n| format!(", {n} parts can be seen"));
        let label = setup.label.as_deref().unwrap_or("");
        let (test, name) = (setup.test, &setup.name);
        writeln!(text, "  {test:<5} {name:<14} {label}{parts}").expect(TO_MEMORY);
    }
    text
}

fn orders(args: &VehicleOrdersArgs, output: &mut Output) -> Outcome {
    let (text, vehicle) = plan::vehicle(&args.path)?;
    let names: Vec<Option<&str>> = match &args.setup {
        Some(name) => vec![Some(name)],
        None => vehicle
            .setups_of("roll")
            .map(|s| Some(s.name.as_str()))
            .collect(),
    };
    // A file without a roll setup: the solver says what is missing.
    let names = if names.is_empty() { vec![None] } else { names };
    let mut setups = Vec::new();
    for name in names {
        let rows = vehicle
            .orders(name, args.sensor)
            .map_err(|e| at_setup(&args.path, &text, name.unwrap_or_default(), &e))?;
        let name = name.unwrap_or_default();
        setups.push(SetupOrders {
            setup: name.to_owned(),
            label: vehicle.setup(name).and_then(|s| s.label.clone()),
            parts: rows.into_iter().map(PartOrder::from).collect(),
        });
    }
    let result = OrdersResult {
        software: SOFTWARE,
        file: args.path.display().to_string(),
        setups,
    };
    output.result(&result, |_| orders_text(&result))?;
    Ok(DONE)
}

impl From<OrderRow> for PartOrder {
    fn from(row: OrderRow) -> Self {
        Self {
            part: row.part,
            label: row.label,
            order_per_sensor_turn: row.order,
            order_sd: row.order_sd,
            not_visible: row.reason,
        }
    }
}

fn orders_text(result: &OrdersResult) -> String {
    let mut text = String::new();
    for setup in &result.setups {
        if !text.is_empty() {
            text.push('\n');
        }
        let label = setup.label.as_deref().unwrap_or("");
        writeln!(text, "setup {}  {label}", setup.setup).expect(TO_MEMORY);
        writeln!(text, "  {:<18} {:>10}  part", "name", "order").expect(TO_MEMORY);
        for part in &setup.parts {
            let order = part
                .order_per_sensor_turn
                .map_or_else(|| "-".into(), |o| format!("{o:.5}"));
            let why = part
                .not_visible
                .as_ref()
                .map_or_else(String::new, |why| format!("  (not visible: {why})"));
            let line = format!("  {:<18} {order:>10}  {}{why}", part.part, part.label);
            text.push_str(line.trim_end());
            text.push('\n');
        }
    }
    text.push_str("\norder: events a turn of the sensed shaft\n");
    text
}

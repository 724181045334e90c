//! The whole chain without hardware: physics -> volts and edges -> firmware on an emulated chip -> serial line ->
//! decoding -> measure -> finding, beside what is true.

use std::collections::BTreeMap;

use feelgauge::{
    inspect::{Input, Row, Session, Source, Stated, Test, settings},
    physics::{PLOVER_8, drivetrain::DrivetrainScenario, tank::TankScenario},
    vehicle::Vehicle,
    wire::{Decoder, Event, Message},
};
use serde_json::Value;

use crate::signals::{self, check_free, check_leak, check_pull, check_snag};
use crate::sim::Probe;

/// From the last reading of a line to its arrival, microseconds: 10 ms of serial line and USB.
const LATENCY_US: u64 = 10_000;

/// What a probe said as the rows of a capture. The emulated chip runs faster than the wall clock, so the host's time is the
/// probe's own, a constant latency later.
fn rows(mut bytes: &[u8]) -> Vec<Row> {
    let mut decoder = Decoder::new();
    let (mut rows, mut host_us) = (Vec::new(), LATENCY_US);
    while let Some(event) = decoder.next(&mut bytes) {
        if let Event::Line {
            outcome: Ok(line), ..
        } = &event
        {
            let latest = line
                .message
                .latest_us()
                .map_or(0, |t| u64::from(t) + LATENCY_US);
            host_us = host_us.max(latest);
        }
        rows.push(Row {
            host_us,
            bytes: event.bytes().to_vec(),
            part: event.part(),
        });
    }
    rows
}

/// The finding that the program draws from what a probe said.
fn find(test: Test, stated: &Stated, bytes: &[u8]) -> Value {
    let vehicle = Vehicle::parse(PLOVER_8).unwrap();
    let rows = rows(bytes);
    let first = Event::read(&rows[0].bytes, rows[0].part);
    let Event::Line {
        outcome: Ok(line), ..
    } = first
    else {
        panic!("{first:?}")
    };
    let Message::Identity(identity) = line.message else {
        panic!("{line:?}")
    };
    let sources = vec![Source::Wire(Some(identity))];
    let settings = settings(test, stated, Some(&vehicle), &sources).unwrap();
    let mut session = Session::new(settings, sources);
    for row in rows {
        session.push(&Input::Row(0, row), &mut |_| ());
    }
    let finding = session.finish(&BTreeMap::new(), &[]);
    assert_eq!(finding.refused(), None);
    let quality = finding.quality();
    assert_eq!(
        quality.faults,
        BTreeMap::new(),
        "an undisturbed link has no faults"
    );
    assert_eq!((quality.gaps, quality.unprotected), (0, false));
    serde_json::to_value(&finding).unwrap()
}

fn leak(what: &str, scenario: TankScenario) {
    let signal = signals::tank(scenario, 1);
    let Some(probe) = Probe::flat_out("pressure", &signal.schedule, signal.seconds) else {
        return;
    };
    let stated = Stated {
        volume_m3: Some(signal.truth.volume_m3),
        p_ref_pa: Some(signal.truth.p_ref_pa),
        ambient_pa: Some(signal.truth.ambient_pa),
        ..Stated::default()
    };
    check_leak(
        what,
        &find(Test::Leak, &stated, &probe.converse("")),
        &signal.truth,
    );
}

#[test]
fn a_leaking_tank_through_the_emulated_probe() {
    leak("leak of the worn lid, Pa m3/s", TankScenario::plover());
}

#[test]
fn a_tight_tank_through_the_emulated_probe() {
    leak(
        "leak of the tight tank, Pa m3/s",
        TankScenario::plover_healthy(),
    );
}

#[test]
fn pulls_of_the_cord_through_the_emulated_probe() {
    let signal = signals::cords(4, 3);
    let Some(probe) = Probe::flat_out("force", &signal.schedule, signal.seconds) else {
        return;
    };
    check_pull(
        &find(Test::Pull, &Stated::default(), &probe.converse("")),
        &signal.truth,
    );
}

fn roll(signal: &signals::Signal<signals::Rolled>, setup: &str) -> Option<Value> {
    let probe = Probe::flat_out("hall", &signal.schedule, signal.seconds)?;
    let stated = Stated {
        setup: Some(setup.into()),
        ..Stated::default()
    };
    Some(find(Test::Roll, &stated, &probe.converse("")))
}

#[test]
fn a_snagging_drivetrain_through_the_emulated_probe() {
    let scenario = DrivetrainScenario::plover();
    let signal = signals::drivetrain(&scenario, 1);
    if let Some(finding) = roll(&signal, &scenario.setup) {
        check_snag(&finding, &signal.truth);
    }
}

#[test]
fn a_free_drivetrain_through_the_emulated_probe() {
    let scenario = DrivetrainScenario::plover_healthy();
    let signal = signals::drivetrain(&scenario, 2);
    if let Some(finding) = roll(&signal, &scenario.setup) {
        check_free(&finding, &signal.truth);
    }
}

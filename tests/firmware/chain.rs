//! The whole chain without hardware: physics -> volts and edges -> firmware on an emulated chip -> serial line ->
//! decoding -> measure -> finding, beside what is true.

use std::collections::BTreeMap;

use feelgauge::{
    inspect::{Finding, Input, Row, Session, Source, Stated, Test, settings},
    measure::roll::RollFinding,
    physics::{
        PLOVER_8, drivetrain, drivetrain::DrivetrainScenario, noise::Noise, tank,
        tank::TankScenario,
    },
    reading::{Estimate, SOFTWARE},
    vehicle::Vehicle,
    wire::{Decoder, Event, Message},
};

use crate::hall::falling;
use crate::sim::{Probe, schedule};

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
fn find(test: Test, stated: &Stated, bytes: &[u8]) -> Finding {
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
    finding
}

/// Says the comparison, and fails when the truth lies further off than three standard uncertainties.
fn compare(what: &str, found: Estimate, truth: f64) {
    let off = (found.value - truth) / found.u;
    println!(
        "{SOFTWARE} emulated {what}: true {truth:.4e}, found {:.4e} ({:.4e}..{:.4e}), {off:+.2} u",
        found.value, found.lo95, found.hi95
    );
    assert!(off.abs() < 3.0, "{what}: {off} u from the truth");
}

/// Millivolts at A0 through time, with the dither that real noise would bring: the emulated pin takes whole millivolts.
fn volts(points: impl Iterator<Item = (f64, f64)>, noise_mv: f64, seed: u64) -> String {
    let mut noise = Noise::new(seed, 0x0D17);
    let at = points.map(|(t_us, mv)| {
        // a real chip divides 5 V by 1024, the emulated one by 1023
        let mv = mv * 1024.0 / 1023.0 + noise_mv * noise.normal() + noise.uniform(0.0, 1.0);
        (t_us, format!("adc 0 {:.0}", mv.floor().clamp(0.0, 5000.0)))
    });
    schedule(at.collect())
}

// ---- Leak

/// The tank of the demo car through a 0.5..4.5 V sensor of 40 kPa.
fn leak(what: &str, mut scenario: TankScenario, seed: u64) {
    scenario.sensor.rate_hz = 1000;
    scenario.sensor.lsb_pa = 0.001; // the converter is that of the chip
    scenario.sensor.noise_pa = 0.0; // the noise is added in millivolts
    let record = tank::simulate(&scenario, seed);
    let seconds = record.readings.last().unwrap().t_us as f64 * 1e-6;
    let points = record
        .readings
        .iter()
        .map(|r| (r.t_us as f64, 500.0 + r.pressure_pa / 10.0));
    let Some(probe) = Probe::flat_out("pressure", &volts(points, 3.0, seed), seconds) else {
        return;
    };
    let stated = Stated {
        volume_m3: Some(record.truth.volume_m3),
        p_ref_pa: Some(record.truth.p_ref_pa),
        ambient_pa: Some(record.truth.ambient_pa),
        ..Stated::default()
    };
    let Finding::Leak(finding) = find(Test::Leak, &stated, &probe.converse("")) else {
        unreachable!()
    };
    compare(
        what,
        finding.leak_rate_pa_m3_s.unwrap(),
        record.truth.leak_rate_pa_m3_s,
    );
    let late = finding.hold_start_s.unwrap() - record.truth.hold_start_s;
    assert!(late.abs() < 0.8, "the hold starts {late} s off");
    println!(
        "  verdict {:?}, regime {:?}, noise {:.2} Pa",
        finding.verdict,
        finding.regime,
        finding.quality.noise_pa.unwrap()
    );
}

#[test]
fn a_leaking_tank_through_the_emulated_probe() {
    leak("leak of the worn lid, Pa m3/s", TankScenario::plover(), 1);
}

#[test]
fn a_tight_tank_through_the_emulated_probe() {
    leak(
        "leak of the tight tank, Pa m3/s",
        TankScenario::plover_healthy(),
        1,
    );
}

// ---- Pull

/// One pull: humps of force on a steady friction of the cord, times in s from its start.
struct Cord {
    peaks_n: Vec<f64>,
    cadence_hz: f64,
}

const FRICTION_N: f64 = 6.0;
/// Share of a stroke that is hump.
const HUMP: f64 = 0.5;
/// Rest before each pull, s.
const REST_S: f64 = 2.0;

impl Cord {
    fn seconds(&self) -> f64 {
        self.peaks_n.len() as f64 / self.cadence_hz
    }

    fn force_n(&self, t: f64) -> f64 {
        if !(0.0..self.seconds()).contains(&t) {
            return 0.0;
        }
        let (stroke, phase) = ((t * self.cadence_hz).floor(), (t * self.cadence_hz).fract());
        let peak = self
            .peaks_n
            .iter()
            .zip(0u32..)
            .find(|(_, i)| f64::from(*i) >= stroke)
            .map_or(0.0, |(p, _)| *p);
        let hump = if phase < HUMP {
            libm::sin(std::f64::consts::PI * phase / HUMP)
        } else {
            0.0
        };
        FRICTION_N + (peak - FRICTION_N) * hump
    }

    /// The highest stroke, N.
    fn truth_n(&self) -> f64 {
        self.peaks_n.iter().copied().fold(0.0, f64::max)
    }
}

#[test]
fn pulls_of_the_cord_through_the_emulated_probe() {
    let mut noise = Noise::new(3, 0xC0);
    let cords: Vec<Cord> = (0..4)
        .map(|_| Cord {
            peaks_n: (0..8).map(|_| noise.uniform(42.0, 58.0)).collect(),
            cadence_hz: noise.uniform(16.0, 24.0),
        })
        .collect();
    let starts: Vec<f64> = cords
        .iter()
        .scan(0.0, |end, cord| {
            let start = *end + REST_S;
            *end = start + cord.seconds();
            Some(start)
        })
        .collect();
    let seconds = starts.last().unwrap() + REST_S + 1.0;
    let force = |t: f64| {
        cords
            .iter()
            .zip(&starts)
            .map(|(cord, start)| cord.force_n(t - start))
            .sum::<f64>()
    };
    let grid =
        std::iter::successors(Some(0.0), |t| Some(t + 250.0)).take_while(|t| *t < seconds * 1e6);
    // 0.02 V a newton on 0.5 V; 0.1 N of noise
    let text = volts(
        grid.map(|t_us| (t_us, 500.0 + 20.0 * force(t_us * 1e-6))),
        2.0,
        3,
    );
    let Some(probe) = Probe::flat_out("force", &text, seconds) else {
        return;
    };
    let bytes = probe.converse("");
    let Finding::Pull(finding) = find(Test::Pull, &Stated::default(), &bytes) else {
        unreachable!()
    };
    assert_eq!(finding.pulls.len(), cords.len());
    let weight_n = Vehicle::parse(PLOVER_8).unwrap().mass_kg * 9.80665;
    for ((pull, cord), start) in finding.pulls.iter().zip(&cords).zip(&starts) {
        assert_eq!(pull.strokes.len(), cord.peaks_n.len());
        for (stroke, &peak_n) in pull.strokes.iter().zip(&cord.peaks_n) {
            let found = stroke.peak_n.unwrap();
            assert!(
                (found.value - peak_n).abs() < 3.0 * found.u,
                "stroke of {peak_n} N: {found:?}"
            );
        }
        compare("peak of a pull, N", pull.peak_n.unwrap(), cord.truth_n());
        compare("cadence, Hz", pull.cadence_hz.unwrap(), cord.cadence_hz);
        compare(
            "lift ratio",
            pull.lift_ratio.unwrap(),
            cord.truth_n() / weight_n,
        );
        // the first reading of the record stands some milliseconds after the schedule's start; see pull's own document for 14 ms
        assert!(
            (pull.start_s - start).abs() < 0.02,
            "start {} for {start}",
            pull.start_s
        );
    }
    println!(
        "  verdict {:?}, noise {:.3} N",
        finding.verdict,
        finding.quality.noise_n.unwrap()
    );
}

// ---- Roll

fn roll(
    scenario: &DrivetrainScenario,
    seed: u64,
) -> Option<(drivetrain::DrivetrainTruth, Box<RollFinding>)> {
    let record = drivetrain::simulate(scenario, seed);
    // a start of 20 ms keeps the first edge clear of the boot
    let times: Vec<f64> = record
        .readings
        .iter()
        .map(|edge| edge.t_us as f64 + 20_000.0)
        .collect();
    let mut events = falling("B0", &times[..1], 300.0);
    for pair in times.windows(2) {
        let low = 300f64.min((pair[1] - pair[0]) / 2.0);
        events.extend([
            (pair[0] + low, "pin B0 1".into()),
            (pair[1], "pin B0 0".into()),
        ]);
    }
    let seconds = times.last().unwrap() * 1e-6 + 0.2;
    let probe = Probe::flat_out("hall", &schedule(events), seconds)?;
    let bytes = probe.converse("");
    let stated = Stated {
        setup: Some(scenario.setup.clone()),
        ..Stated::default()
    };
    let Finding::Roll(finding) = find(Test::Roll, &stated, &bytes) else {
        unreachable!()
    };
    assert_eq!(
        finding.quality.common.rows,
        record.readings.len() as u64,
        "every edge arrives"
    );
    Some((record.truth, finding))
}

#[test]
fn a_snagging_drivetrain_through_the_emulated_probe() {
    let Some((truth, finding)) = roll(&DrivetrainScenario::plover(), 1) else {
        return;
    };
    let snag = truth.snag.unwrap();
    let found = &finding.snags.as_ref().unwrap()[0];
    assert!(
        snag.same_order.contains(&found.part),
        "{} for {}",
        found.part,
        snag.part
    );
    println!(
        "{SOFTWARE} emulated snag: true {} (order {:.4}), found {} ({:.4}) with probability {:.3}, false alarm {:.1e}",
        snag.part,
        snag.order,
        found.part,
        found.order_per_sensor_turn,
        found.probability,
        found.false_alarm_probability
    );
    compare("hit rate", found.hit_rate, snag.hit_rate);
    let off = (found.phase_deg - snag.phase_deg + 540.0).rem_euclid(360.0) - 180.0;
    // 90 % of the measure's own trials lie within 11 degrees; three half bins more than that is a wrong phase
    assert!(
        off.abs() < 11.0 + 3.0 * found.phase_half_bin_deg,
        "phase {} for {}",
        found.phase_deg,
        snag.phase_deg
    );
    println!(
        "  phase {:.1} true, {:.1} found; jitter {:.1} us; {:.0} turns",
        snag.phase_deg,
        found.phase_deg,
        finding.quality.jitter_us.unwrap(),
        finding.quality.turns.unwrap()
    );
}

#[test]
fn a_free_drivetrain_through_the_emulated_probe() {
    let Some((_, finding)) = roll(&DrivetrainScenario::plover_healthy(), 2) else {
        return;
    };
    assert!(
        finding.snags.is_none_or(|snags| snags.is_empty()),
        "no snag, none found"
    );
}

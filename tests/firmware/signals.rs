//! Physics as voltages and edges at the pins of a probe, with what is true of it, and findings held against the truth.

use feelgauge::{
    physics::{
        PLOVER_8,
        drivetrain::{self, DrivetrainScenario, DrivetrainTruth},
        noise::Noise,
        tank::{self, TankScenario, TankTruth},
    },
    vehicle::Vehicle,
};
use serde_json::Value;

use crate::hall::falling;
use crate::sim::schedule;

/// What happens at the pins, and what a finding should say of it.
pub struct Signal<T> {
    /// Schedule of the emulated board.
    pub schedule: String,
    /// Its length, s.
    pub seconds: f64,
    /// What is true.
    pub truth: T,
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

/// Says the comparison, and fails when the truth lies further off than three standard uncertainties.
fn compare(what: &str, found: &Value, truth: f64) {
    let [value, u, lo, hi] = ["value", "u", "lo95", "hi95"].map(|key| found[key].as_f64().unwrap());
    let off = (value - truth) / u;
    println!(
        "emulated {what}: true {truth:.4e}, found {value:.4e} ({lo:.4e}..{hi:.4e}), {off:+.2} u"
    );
    assert!(off.abs() < 3.0, "{what}: {off} u from the truth");
}

fn list<'a>(value: &'a Value, key: &str) -> &'a [Value] {
    value[key].as_array().map_or(&[], Vec::as_slice)
}

/// A tank behind a 0.5..4.5 V sensor of 40 kPa; the noise of 3 mV is that of a plain sensor on such a board (30 Pa).
pub fn tank(mut scenario: TankScenario, seed: u64) -> Signal<TankTruth> {
    scenario.sensor.rate_hz = 1000;
    scenario.sensor.lsb_pa = 0.001; // the converter is that of the chip
    scenario.sensor.noise_pa = 0.0; // the noise is added in millivolts
    let record = tank::simulate(&scenario, seed);
    let points = record
        .readings
        .iter()
        .map(|r| (r.t_us as f64, 500.0 + r.pressure_pa / 10.0));
    Signal {
        schedule: volts(points, 3.0, seed),
        seconds: record.readings.last().unwrap().t_us as f64 * 1e-6,
        truth: record.truth,
    }
}

/// Holds the finding of a leak against the truth.
pub fn check_leak(what: &str, finding: &Value, truth: &TankTruth) {
    compare(what, &finding["leak_rate_pa_m3_s"], truth.leak_rate_pa_m3_s);
    let late = finding["hold_start_s"].as_f64().unwrap() - truth.hold_start_s;
    // 0.27 s before the end of the last pump cycle, sd 0.11 (the measure's own trials)
    assert!(late.abs() < 0.8, "the hold starts {late} s off");
    println!(
        "  verdict {}, regime {}, noise {} Pa",
        finding["verdict"], finding["regime"], finding["quality"]["noise_pa"]
    );
}

/// One pull: humps of force on a steady friction of the cord.
pub struct Cord {
    start_s: f64,
    peaks_n: Vec<f64>,
    cadence_hz: f64,
}

const FRICTION_N: f64 = 6.0;
/// Share of a stroke that is hump.
const HUMP: f64 = 0.5;
/// Rest before each pull and after the last, s.
const REST_S: f64 = 2.0;

impl Cord {
    fn end_s(&self) -> f64 {
        self.start_s + self.peaks_n.len() as f64 / self.cadence_hz
    }

    fn force_n(&self, t: f64) -> f64 {
        if !(self.start_s..self.end_s()).contains(&t) {
            return 0.0;
        }
        let strokes = (t - self.start_s) * self.cadence_hz;
        let (stroke, phase) = (strokes.floor(), strokes.fract());
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
}

/// Pulls of eight strokes on a cell of 0.02 V a newton above 0.5 V, with 0.1 N of noise.
pub fn cords(count: usize, seed: u64) -> Signal<Vec<Cord>> {
    let mut noise = Noise::new(seed, 0xC0);
    let mut cords: Vec<Cord> = Vec::new();
    for _ in 0..count {
        cords.push(Cord {
            start_s: REST_S + cords.last().map_or(0.0, Cord::end_s),
            peaks_n: (0..8).map(|_| noise.uniform(42.0, 58.0)).collect(),
            cadence_hz: noise.uniform(16.0, 24.0),
        });
    }
    let seconds = REST_S + cords.last().map_or(0.0, Cord::end_s);
    let grid =
        std::iter::successors(Some(0.0), |t| Some(t + 250.0)).take_while(|t| *t < seconds * 1e6);
    let force = |t_us: f64| {
        cords
            .iter()
            .map(|cord| cord.force_n(t_us * 1e-6))
            .sum::<f64>()
    };
    Signal {
        schedule: volts(
            grid.map(|t_us| (t_us, 500.0 + 20.0 * force(t_us))),
            2.0,
            seed,
        ),
        seconds,
        truth: cords,
    }
}

/// Holds the finding of a pull against the truth.
pub fn check_pull(finding: &Value, truth: &[Cord]) {
    let pulls = list(finding, "pulls");
    assert_eq!(pulls.len(), truth.len());
    let weight_n = Vehicle::parse(PLOVER_8).unwrap().mass_kg * 9.80665;
    for (pull, cord) in pulls.iter().zip(truth) {
        let strokes = list(pull, "strokes");
        assert_eq!(strokes.len(), cord.peaks_n.len());
        for (stroke, &peak_n) in strokes.iter().zip(&cord.peaks_n) {
            let [value, u] = ["value", "u"].map(|key| stroke["peak_n"][key].as_f64().unwrap());
            assert!(
                (value - peak_n).abs() < 3.0 * u,
                "stroke of {peak_n} N: {value} +- {u}"
            );
        }
        let highest_n = cord.peaks_n.iter().copied().fold(0.0, f64::max);
        compare("peak of a pull, N", &pull["peak_n"], highest_n);
        compare("cadence, Hz", &pull["cadence_hz"], cord.cadence_hz);
        compare("lift ratio", &pull["lift_ratio"], highest_n / weight_n);
    }
    println!(
        "  verdict {}, noise {} N",
        finding["verdict"], finding["quality"]["noise_n"]
    );
}

/// What is true of a roll, and how many edges there are.
pub struct Rolled {
    /// What the simulator knows.
    pub drivetrain: DrivetrainTruth,
    /// Edges of the record.
    pub edges: u64,
}

/// A drivetrain whose magnets pull pin 8 low.
pub fn drivetrain(scenario: &DrivetrainScenario, seed: u64) -> Signal<Rolled> {
    let record = drivetrain::simulate(scenario, seed);
    // a start of 20 ms keeps the first edge clear of the boot
    let times: Vec<f64> = record
        .readings
        .iter()
        .map(|edge| edge.t_us as f64 + 20_000.0)
        .collect();
    let mut events = falling("B0", &times[..1], 300.0);
    for pair in times.windows(2) {
        let low_us = 300f64.min((pair[1] - pair[0]) / 2.0);
        events.extend([
            (pair[0] + low_us, "pin B0 1".into()),
            (pair[1], "pin B0 0".into()),
        ]);
    }
    Signal {
        schedule: schedule(events),
        seconds: times.last().unwrap() * 1e-6 + REST_S,
        truth: Rolled {
            drivetrain: record.truth,
            edges: times.len() as u64,
        },
    }
}

/// Holds the finding of a roll with a snag against the truth.
pub fn check_snag(finding: &Value, truth: &Rolled) {
    assert_eq!(
        finding["quality"]["rows"], truth.edges,
        "every edge arrives"
    );
    let snag = truth.drivetrain.snag.as_ref().unwrap();
    let found = &list(finding, "snags")[0];
    let part = found["part"].as_str().unwrap();
    println!(
        "emulated snag: true {} (order {:.4}), found {part} ({}) with probability {}, false alarm {}",
        snag.part,
        snag.order,
        found["order_per_sensor_turn"],
        found["probability"],
        found["false_alarm_probability"]
    );
    assert!(
        snag.same_order.iter().any(|name| name == part),
        "{part} for {}",
        snag.part
    );
    compare("hit rate", &found["hit_rate"], snag.hit_rate);
    let [phase, half_bin] =
        ["phase_deg", "phase_half_bin_deg"].map(|key| found[key].as_f64().unwrap());
    println!(
        "  phase {:.1} true, {phase:.1} found; jitter {} us; {} turns",
        snag.phase_deg, finding["quality"]["jitter_us"], finding["quality"]["turns"]
    );
    let off = (phase - snag.phase_deg + 540.0).rem_euclid(360.0) - 180.0;
    // 90 % of the measure's own trials lie within 11 degrees; three half bins more than that is a wrong phase
    assert!(
        off.abs() < 11.0 + 3.0 * half_bin,
        "phase {phase} for {}",
        snag.phase_deg
    );
}

/// Holds the finding of a roll without a snag against the truth.
pub fn check_free(finding: &Value, truth: &Rolled) {
    assert_eq!(
        finding["quality"]["rows"], truth.edges,
        "every edge arrives"
    );
    assert!(
        truth.drivetrain.snag.is_none() && list(finding, "snags").is_empty(),
        "{}",
        finding["snags"]
    );
}

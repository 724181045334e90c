//! The three boards of the virtual bench: what a simulation delivers, behind the parts that the firmware notes recommend.

use super::board::{BoardPlan, Signal};
use crate::{
    reading::{Edge, ForceReading, PressureReading},
    units::ZERO_CELSIUS_K,
    wire::{Channel, DEFAULT_BAUD, Identity, ProbeKind, Unit, VERSION},
};

/// Ends of a 24-bit converter, counts.
const ENDS_24_BIT: (i64, i64) = (-(1 << 23), (1 << 23) - 1);
/// Pascal a count: a 50 kPa sensor fills a good part of the converter.
const PASCAL: f64 = 0.01;
/// Newton a count.
const NEWTON: f64 = 2e-5;
/// Degree Celsius a count.
const CELSIUS: f64 = 0.001;
/// From opening the port to the start of the readings, microseconds.
const LEAD_US: u64 = 500_000;
/// The clock of a board that was not reset stands here at the opening: it wraps 25 s later.
pub(super) const OLD_CLOCK_US: u32 = u32::MAX - 25_000_000;

/// A pressure probe on its own USB: opening does not reset it, and its clock is old. A thermometer where the readings
/// carry temperatures.
pub fn pressure(readings: &[PressureReading], seed: u64) -> BoardPlan {
    let times: Vec<u64> = readings.iter().map(|r| r.t_us).collect();
    let tank = readings.iter().map(|r| (r.t_us, r.pressure_pa)).collect();
    let gas: Vec<(u64, f64)> = readings
        .iter()
        .filter_map(|r| Some((r.t_us, r.tank_k? - ZERO_CELSIUS_K)))
        .collect();
    let mut channels = vec![sampled(0, Unit::Pascal, PASCAL, rate_hz(&times), 4)];
    let mut signals = vec![Signal::Samples(tank)];
    if !gas.is_empty() {
        let times: Vec<u64> = gas.iter().map(|(t_us, _)| *t_us).collect();
        channels.push(sampled(1, Unit::Celsius, CELSIUS, rate_hz(&times), 1));
        signals.push(Signal::Samples(gas));
    }
    BoardPlan {
        resets_on_open: false,
        host_gain: 3.1e-5,
        ..plan(
            ProbeKind::Pressure,
            "HL-P1",
            channels,
            signals,
            OLD_CLOCK_US,
            seed,
        )
    }
}

/// A force probe behind a USB chip: opening resets it.
pub fn force(readings: &[ForceReading], filter_order: u32, seed: u64) -> BoardPlan {
    let times: Vec<u64> = readings.iter().map(|r| r.t_us).collect();
    let cord = readings.iter().map(|r| (r.t_us, r.force_n)).collect();
    let channels = vec![sampled(
        0,
        Unit::Newton,
        NEWTON,
        rate_hz(&times),
        filter_order,
    )];
    BoardPlan {
        host_gain: -1.7e-5,
        ..plan(
            ProbeKind::Force,
            "HL-F1",
            channels,
            vec![Signal::Samples(cord)],
            0,
            seed,
        )
    }
}

/// A hall probe with one channel for every sensor that the edges name: opening resets it.
pub fn hall(edges: &[Edge], seed: u64) -> BoardPlan {
    let mut sensors: Vec<u32> = edges.iter().map(|e| e.sensor).collect();
    sensors.sort_unstable();
    sensors.dedup();
    let index = |sensor: &u32| u8::try_from(*sensor).expect("a probe has at most eight channels");
    let of = |sensor: u32| {
        edges
            .iter()
            .copied()
            .filter(move |e| e.sensor == sensor)
            .collect()
    };
    let signals = sensors.iter().map(|sensor| Signal::Edges(of(*sensor)));
    BoardPlan {
        host_gain: 4.4e-5,
        ..plan(
            ProbeKind::Hall,
            "HL-H1",
            sensors.iter().map(|s| hall_channel(index(s))).collect(),
            signals.collect(),
            0,
            seed,
        )
    }
}

fn plan(
    kind: ProbeKind,
    serial: &str,
    channels: Vec<Channel>,
    signals: Vec<Signal>,
    t_us: u32,
    seed: u64,
) -> BoardPlan {
    BoardPlan {
        identity: Identity {
            version: VERSION,
            kind,
            serial: serial.into(),
            firmware: "virtual-1".into(),
            boot: 7,
            t_us,
            channels,
        },
        signals,
        baud: DEFAULT_BAUD,
        resets_on_open: true,
        lead_us: LEAD_US,
        host_gain: 0.0,
        seed,
    }
}

fn sampled(index: u8, unit: Unit, scale: f64, rate_hz: f64, order: u32) -> Channel {
    Channel {
        index,
        unit,
        scale,
        zero: 0.0,
        min: ENDS_24_BIT.0,
        max: ENDS_24_BIT.1,
        rate_hz,
        order,
    }
}

/// A channel of edges, as the wire wants it.
pub(super) fn hall_channel(index: u8) -> Channel {
    Channel {
        index,
        unit: Unit::Edge,
        scale: 1.0,
        zero: 0.0,
        min: 0,
        max: i64::from(u32::MAX),
        rate_hz: 0.0,
        order: 0,
    }
}

/// Rate by the first interval, Hz; 1 when there is none.
fn rate_hz(times_us: &[u64]) -> f64 {
    match times_us {
        [first, second, ..] if second > first => 1e6 / (second - first) as f64,
        _ => 1.0,
    }
}

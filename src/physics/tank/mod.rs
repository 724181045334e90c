//! A tank that is pumped up by hand and left alone, as physics: gas in two parcels that exchange heat with the
//! wall, a wall that is warm from hands, stretches and creeps, a leak that follows one flow law, a room and a
//! sensor that drift. Nothing here is shared with the leak measure: it must find out by itself.
//!
//! The numbers of the population are judgement, not measurements of tanks; they stand in one table, `drawn.rs`.

mod drawn;
mod gas;
mod sensor;

use serde::Serialize;

use super::Simulated;
use super::noise::Noise;
use crate::reading::PressureReading;
pub use sensor::{Gauge, Sensor, Weather};

/// How a leak depends on the pressure.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum LeakLaw {
    /// Long narrow path.
    Laminar,
    /// Short hole.
    Orifice,
    /// Lips, porous walls: goes with the gauge pressure.
    Linear,
    /// Hole and long path at once.
    Mixed {
        /// Part of the rate at the reference pressure that goes through the hole.
        orifice_share: f64,
    },
    /// A lid that lifts above a gauge pressure.
    Lid {
        /// Lifting pressure, Pa.
        lift_pa: f64,
    },
}

/// Heat: gas, inner skin of the wall, wall.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Heat {
    /// Time constant of the quick parcel of gas to the wall at constant volume, s.
    pub quick_s: f64,
    /// The same of the slow parcel, s, and its share of the gas.
    pub slow_s: f64,
    /// Share of the slow parcel, 0..1.
    pub slow_share: f64,
    /// Warming of the inner skin by heat from the gas, K/J, for the skins of 6 s and 50 s.
    pub skin_k_per_j: [f64; 2],
    /// Time constant of the wall to the room, s.
    pub wall_s: f64,
    /// Wall minus room when the record starts, K.
    pub wall_excess_k: f64,
}

/// A bump of the tank or the bench.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct KnockPulse {
    /// Seconds after the end of pumping.
    pub at_s: f64,
    /// Duration, s.
    pub seconds: f64,
    /// Change of the volume meanwhile, relative.
    pub pulse: f64,
    /// Change of the volume that stays, relative.
    pub left: f64,
}

/// A syringe on the hose: after the hold its plunger changes the volume, stroke by stroke.
#[derive(Clone, Debug, PartialEq)]
pub struct Syringe {
    /// What one stroke really moves, m3.
    pub stroke_m3: f64,
    /// From the start of one stroke to the next, s.
    pub every_s: f64,
    /// How long the plunger moves, s.
    pub stroke_s: f64,
    /// The strokes: true is in, which makes the volume smaller.
    pub moves: Vec<bool>,
}

impl Syringe {
    /// Six strokes, 6 s apart, in and out in turn, the first one in.
    pub fn six(stroke_m3: f64) -> Self {
        Self {
            stroke_m3,
            every_s: 6.0,
            stroke_s: 0.6,
            moves: (0..6).map(|i| i % 2 == 0).collect(),
        }
    }
}

/// A leak test to simulate.
#[derive(Clone, Debug, PartialEq)]
pub struct TankScenario {
    /// Tank and hose without pressure, m3.
    pub volume_m3: f64,
    /// Elastic stretch, 1/Pa.
    pub stretch_per_pa: f64,
    /// Creep: part of the elastic stretch that comes later, a third each with 3, 20 and 120 s.
    pub creep: f64,
    /// Law of the leak.
    pub law: LeakLaw,
    /// Leak at `p_ref_pa` against the standard atmosphere, Pa m3/s of gas at 20 C.
    pub leak_rate_pa_m3_s: f64,
    /// Reference gauge pressure, Pa.
    pub p_ref_pa: f64,
    /// Gauge pressure at the end of the last stroke, Pa.
    pub pressure_pa: f64,
    /// Length of each pump cycle, s.
    pub strokes_s: Vec<f64>,
    /// Open tank before anything else, s.
    pub open_s: f64,
    /// Sealed at zero pressure before the pumping, s; 0 for none.
    pub sealed_zero_s: f64,
    /// Hold after the end of the last pump cycle, s.
    pub hold_s: f64,
    /// So many times the tank is pumped, held as long, and let off again before that.
    pub earlier_holds: u32,
    /// A syringe that is moved after the hold.
    pub syringe: Option<Syringe>,
    /// Heat.
    pub heat: Heat,
    /// Room and barometer.
    pub weather: Weather,
    /// Sensor and converter.
    pub sensor: Sensor,
    /// Bumps.
    pub knocks: Vec<KnockPulse>,
}

/// What is true of a simulated leak test.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct TankTruth {
    /// Leak at `p_ref_pa` against the standard atmosphere, Pa m3/s of gas at 20 C.
    pub leak_rate_pa_m3_s: f64,
    /// The same as a loss of pressure in this tank, Pa/s.
    pub slope_pa_s: f64,
    /// Reference gauge pressure, Pa.
    pub p_ref_pa: f64,
    /// Law.
    pub law: LeakLaw,
    /// Tank and hose without pressure, m3.
    pub volume_m3: f64,
    /// When the flow from the pump stops for good, s.
    pub hold_start_s: f64,
    /// Sealed hold at zero pressure: start and end, s.
    pub sealed_zero_s: Option<(f64, f64)>,
    /// Ambient absolute pressure at the start, Pa.
    pub ambient_pa: f64,
    /// Gauge pressure when the flow stops, Pa.
    pub p_start_pa: f64,
    /// Gauge pressure at the end, Pa.
    pub p_end_pa: f64,
    /// Room temperature at the start, K.
    pub room_k: f64,
}

/// Temperature to which leak rates refer, K (20 C).
const T_REF_K: f64 = 293.15;
/// Part of a pump cycle in which gas flows.
const FLOWING: f64 = 0.65;
/// Time for which the tank is let off between two holds, s, and the time constant of that.
const VENT_S: f64 = 3.0;
const VENT_TAU_S: f64 = 0.25;
/// Rounds in which the pump's stroke is adjusted to the pressure wanted.
const STROKE_ROUNDS: u32 = 4;

impl TankScenario {
    /// When the first pumping starts, s.
    fn first_pump_s(&self) -> f64 {
        self.open_s + self.sealed_zero_s
    }

    /// From the start of one pumping to the start of the next, s.
    fn cycle_s(&self) -> f64 {
        self.strokes_s.iter().sum::<f64>() + self.hold_s + VENT_S
    }

    /// When the last pumping starts, s.
    fn pump_s(&self) -> f64 {
        self.first_pump_s() + f64::from(self.earlier_holds) * self.cycle_s()
    }

    /// When the last pump cycle ends, s.
    fn pumped_s(&self) -> f64 {
        self.pump_s() + self.strokes_s.iter().sum::<f64>()
    }

    /// From the start of a pumping to the end of the flow, s.
    fn flowing_s(&self) -> f64 {
        self.strokes_s.iter().sum::<f64>()
            - (1.0 - FLOWING) * self.strokes_s.last().copied().unwrap_or(0.0)
    }

    /// When the flow from the pump stops for good, s.
    fn flow_stops_s(&self) -> f64 {
        self.pump_s() + self.flowing_s()
    }

    /// When the first stroke of a syringe begins, s.
    fn syringe_s(&self) -> f64 {
        self.pumped_s() + self.hold_s
    }

    /// End of the record, s.
    fn end_s(&self) -> f64 {
        let moving = |s: &Syringe| s.every_s * s.moves.len() as f64;
        self.syringe_s() + self.syringe.as_ref().map_or(0.0, moving)
    }

    /// Effective volume at the reference pressure: a loss of pressure times this is a flow, m3.
    fn effective_m3(&self) -> f64 {
        let ps = crate::units::STANDARD_ATMOSPHERE_PA;
        self.volume_m3 * (1.0 + self.stretch_per_pa * (ps + 2.0 * self.p_ref_pa))
    }

    fn truth(&self, p_start_pa: f64, p_end_pa: f64) -> TankTruth {
        TankTruth {
            leak_rate_pa_m3_s: self.leak_rate_pa_m3_s,
            slope_pa_s: self.leak_rate_pa_m3_s * self.weather.room_k
                / T_REF_K
                / self.effective_m3(),
            p_ref_pa: self.p_ref_pa,
            law: self.law,
            volume_m3: self.volume_m3,
            hold_start_s: self.flow_stops_s(),
            sealed_zero_s: (self.sealed_zero_s > 0.0).then(|| (self.open_s, self.first_pump_s())),
            ambient_pa: self.weather.ambient_pa,
            p_start_pa,
            p_end_pa,
            room_k: self.weather.room_k,
        }
    }
}

/// Simulates a leak test; the same scenario and seed give the same bits.
///
/// ```
/// use feelgauge::physics::tank::{TankScenario, simulate};
/// let record = simulate(&TankScenario::plover(), 1);
/// assert!(record.readings.len() > 6000 && record.truth.leak_rate_pa_m3_s > 0.0);
/// ```
pub fn simulate(scenario: &TankScenario, seed: u64) -> Simulated<PressureReading, TankTruth> {
    let mut noise = Noise::new(seed, 0x7A4C);
    let stroke = gas::stroke_for(scenario, STROKE_ROUNDS);
    let end_s = scenario.end_s();
    let mut tank = gas::Tank::open(scenario, stroke);
    let mut probe = sensor::Probe::new(scenario.sensor, scenario.weather, &mut noise);
    let mut readings = Vec::new();
    let (mut p_start_pa, mut p_end_pa) = (0.0, 0.0);
    let period_us = 1_000_000 / u64::from(scenario.sensor.rate_hz.max(1));
    for i in 0u64.. {
        let t_us = i * period_us;
        let t = t_us as f64 * 1e-6;
        if t > end_s {
            break;
        }
        tank.advance(t);
        p_end_pa = tank.gauge_pa();
        if t <= scenario.flow_stops_s() {
            p_start_pa = p_end_pa;
        }
        readings.push(PressureReading {
            t_us,
            pressure_pa: probe.read(t, p_end_pa, &mut noise),
            tank_k: probe.tank_k(i, tank.wall_k(), &mut noise),
        });
    }
    Simulated {
        readings,
        truth: scenario.truth(p_start_pa, p_end_pa),
    }
}

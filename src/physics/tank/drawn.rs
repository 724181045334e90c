//! The population of tanks, sensors and rooms, and the demo car's tank. Every number is judgement; when bench data
//! exist, this is the table to replace.

use super::super::noise::Noise;
use super::{Heat, KnockPulse, LeakLaw, Sensor, TankScenario, Weather};
use crate::units::ZERO_CELSIUS_K;

/// Tank and hose, m3.
const TANK_M3: (f64, f64) = (75e-6, 150e-6);
const HOSE_M3: (f64, f64) = (4e-6, 15e-6);
/// Pressure at the end of pumping, Pa; the reference is 0.75 of it.
const PRESSURE_PA: (f64, f64) = (8e3, 30e3);
const P_REF: f64 = 0.75;
/// Leak, log-uniform, Pa m3/s.
const LEAK: (f64, f64) = (3e-5, 3e-2);
/// Share of the hole in a mixed leak.
const ORIFICE_SHARE: (f64, f64) = (0.2, 0.8);
/// Stretch, 1/Pa: mean 1.7e-7, standard deviation 0.9e-7.
const STRETCH_PER_PA: (f64, f64) = (0.15e-7, 3.25e-7);
const CREEP: (f64, f64) = (0.05, 0.20);
/// Gas to wall: quick time constant (s, ln sd), slow one as a multiple, its share.
const QUICK_S: (f64, f64) = (1.5, 0.3);
const SLOW: (f64, f64) = (2.0, 3.5);
const SLOW_SHARE: (f64, f64) = (0.10, 0.35);
/// Skins: a wall of 125 cm2 with the effusivity of polyamide (about 600 W s^0.5/(m2 K)) warms by about
/// 0.06/sqrt(t/s) K/J; fitted by 6 s and 50 s, within a factor of two.
const SKIN_K_PER_J: [(f64, f64); 2] = [(0.006, 0.018), (0.012, 0.036)];
/// 30 s pass between the last touch (plugging the outlet) and the record.
/// Wall to room (s, ln sd); wall minus room when the hands let go, sd, K, and how long before the record, s.
const WALL_S: (f64, f64) = (200.0, 0.3);
const WALL_EXCESS_SD_K: f64 = 0.30;
const REST_S: f64 = 30.0;
/// Room, C; drift sd, K/min; wave amplitude, K, and period, s.
const ROOM_C: (f64, f64) = (16.0, 24.0);
const ROOM_DRIFT_K_MIN: f64 = 0.05;
const ROOM_WAVE_K: f64 = 0.08;
const ROOM_WAVE_S: (f64, f64) = (240.0, 900.0);
/// Barometer, Pa; drift sd, Pa/min; draughts, Pa and s.
const AMBIENT_PA: (f64, f64) = (100_525.0, 102_125.0);
const AMBIENT_DRIFT_PA_MIN: f64 = 1.0;
const DRAUGHT: (f64, f64) = (1.0, 4.0);
/// Sensor: full scales, Pa; gain sd; offset sd and drift sd (a minute), parts of the scale; random walk.
const SCALES_PA: [f64; 2] = [40e3, 50e3];
const GAIN_SD: f64 = 0.01;
const OFFSET_SD: f64 = 0.003;
const DRIFT_SD: f64 = 2e-5;
const WALK_PA: f64 = 0.15;
/// 10 bit: the output uses 80 % of 1023 counts (48.9 and 61.1 Pa); noise and hum in counts. 24 bit: noise, Pa.
const COUNTS_10_BIT: f64 = 0.8 * 1023.0;
const NOISE_10_BIT: (f64, f64) = (0.3, 1.0);
const HUM_10_BIT: (f64, f64) = (0.0, 0.5);
const COUNTS_24_BIT: f64 = 8_388_608.0;
const NOISE_24_BIT_PA: f64 = 2.0;
/// Mains: 50 Hz and its usual deviation.
const MAINS_HZ: (f64, f64) = (50.0, 0.02);
const RATE_HZ: u32 = 100;
/// Strokes: how many, how long, s.
const STROKES: (u64, u64) = (4, 11);
const STROKE_S: (f64, f64) = (0.4, 1.2);
/// Open tank before, and hold, s.
const OPEN_S: (f64, f64) = (2.0, 4.0);
const HOLD_S: f64 = 60.0;
/// Knock: volume pulse sd, length, what half of them leave.
const KNOCK_PULSE: f64 = 0.002;
const KNOCK_S: (f64, f64) = (0.05, 0.3);
const KNOCK_LEFT: f64 = 1e-4;
const KNOCK_AT_S: (f64, f64) = (5.0, 55.0);
/// The demo car's leak as it came back, and what of it is the line's, Pa m3/s.
const PLOVER_LEAK: f64 = 2.8e-2;
const PLOVER_LINE: f64 = 1.2e-4;
/// Pressure reached by the same hand on another day, as a part of the first day's.
const ANOTHER_PRESSURE: (f64, f64) = (0.85, 1.15);
/// Room for the part of the last pump cycle in which nothing flows any more, s.
const AFTER_LAST_STROKE_S: f64 = 0.5;

impl TankScenario {
    /// One tank of the population, without knocks, thermometer or sealed hold.
    pub fn drawn(seed: u64) -> Self {
        let mut noise = Noise::new(seed, 0x7A4B);
        let n = &mut noise;
        let pressure_pa = uniform(n, PRESSURE_PA);
        let count = STROKES.0 + n.below(STROKES.1 - STROKES.0 + 1);
        let law = match n.below(4) {
            0 => LeakLaw::Laminar,
            1 => LeakLaw::Orifice,
            2 => LeakLaw::Linear,
            _ => LeakLaw::Mixed {
                orifice_share: uniform(n, ORIFICE_SHARE),
            },
        };
        let (lo, hi) = (libm::log(LEAK.0), libm::log(LEAK.1));
        Self {
            volume_m3: uniform(n, TANK_M3) + uniform(n, HOSE_M3),
            stretch_per_pa: uniform(n, STRETCH_PER_PA),
            creep: uniform(n, CREEP),
            law,
            leak_rate_pa_m3_s: libm::exp(n.uniform(lo, hi)),
            p_ref_pa: P_REF * pressure_pa,
            pressure_pa,
            strokes_s: (0..count).map(|_| uniform(n, STROKE_S)).collect(),
            open_s: uniform(n, OPEN_S),
            sealed_zero_s: 0.0,
            hold_s: HOLD_S,
            earlier_holds: 0,
            syringe: None,
            heat: drawn_heat(n),
            weather: drawn_weather(n),
            sensor: drawn_sensor(n),
            knocks: Vec::new(),
        }
    }

    /// The same with one knock in the hold.
    #[must_use]
    pub fn with_knock(mut self, seed: u64) -> Self {
        let mut n = Noise::new(seed, 0x7A4D);
        self.knocks.push(KnockPulse {
            at_s: uniform(&mut n, KNOCK_AT_S).min(self.hold_s - 4.0),
            seconds: uniform(&mut n, KNOCK_S),
            pulse: KNOCK_PULSE * n.normal(),
            left: if n.unit() < 0.5 {
                KNOCK_LEFT * n.normal()
            } else {
                0.0
            },
        });
        self
    }

    /// The same tank and sensor on another day: other weather, another rest after the hands, other strokes, other drift.
    #[must_use]
    pub fn another_day(&self, seed: u64) -> Self {
        let mut noise = Noise::new(seed, 0x7A4E);
        let n = &mut noise;
        let scale = SCALES_PA[0];
        let mut sensor = self.sensor;
        sensor.drift_pa_s = DRIFT_SD * scale / 60.0 * n.normal();
        let mut heat = self.heat;
        heat.wall_excess_k = WALL_EXCESS_SD_K * n.normal() * libm::exp(-REST_S / heat.wall_s);
        let pressure_pa = self.pressure_pa * n.uniform(ANOTHER_PRESSURE.0, ANOTHER_PRESSURE.1);
        let count = STROKES.0 + n.below(STROKES.1 - STROKES.0 + 1);
        Self {
            pressure_pa,
            strokes_s: (0..count).map(|_| uniform(n, STROKE_S)).collect(),
            open_s: uniform(n, OPEN_S),
            heat,
            weather: drawn_weather(n),
            sensor,
            ..self.clone()
        }
    }

    /// The same tank on the same day, `seconds` after the start of this record and not touched meanwhile.
    #[must_use]
    pub fn later(&self, seconds: f64) -> Self {
        let weather = &self.weather;
        let mut next = self.clone();
        next.weather.room_k = weather.room_at(seconds);
        let (amplitude, period, phase) = weather.room_wave;
        let turned = phase + 2.0 * std::f64::consts::PI * seconds / period;
        next.weather.room_wave = (amplitude, period, turned);
        next.weather.ambient_pa = weather.ambient_at(seconds);
        // Wall to room, whose slow change the wall follows 200 s behind.
        let (mut wall_k, steps) = (weather.room_k + self.heat.wall_excess_k, 1000);
        let step_s = seconds / f64::from(steps);
        for i in 0..steps {
            let room_k = weather.room_at(step_s * (f64::from(i) + 0.5));
            wall_k += (room_k - wall_k) * step_s / self.heat.wall_s;
        }
        next.heat.wall_excess_k = wall_k - next.weather.room_k;
        next
    }

    /// The demo car's tank as it came back: the lid's seal is worn and seeps more than half a minute's worth.
    pub fn plover() -> Self {
        Self {
            volume_m3: 131e-6,
            stretch_per_pa: 1.7e-7,
            creep: 0.12,
            law: LeakLaw::Mixed { orifice_share: 0.3 },
            leak_rate_pa_m3_s: PLOVER_LEAK,
            p_ref_pa: 11.25e3,
            pressure_pa: 15e3,
            strokes_s: vec![0.72, 0.66, 0.81, 0.70, 0.77, 0.69, 0.74],
            open_s: 3.0,
            sealed_zero_s: 0.0,
            hold_s: HOLD_S + AFTER_LAST_STROKE_S,
            earlier_holds: 0,
            syringe: None,
            heat: Heat {
                quick_s: 1.5,
                slow_s: 4.0,
                slow_share: 0.22,
                skin_k_per_j: [0.012, 0.024],
                wall_s: 200.0,
                wall_excess_k: 0.12,
            },
            weather: Weather {
                room_drift_k_s: 0.02 / 60.0,
                room_wave: (0.05, 500.0, 1.0),
                ambient_drift_pa_s: 0.6 / 60.0,
                draught: DRAUGHT,
                ..Weather::still(ZERO_CELSIUS_K + 21.0, 101_080.0)
            },
            sensor: Sensor {
                rate_hz: RATE_HZ,
                lsb_pa: 50e3 / COUNTS_24_BIT,
                noise_pa: NOISE_24_BIT_PA,
                hum: (0.0, MAINS_HZ.0),
                gain: 1.004,
                offset_pa: 85.0,
                drift_pa_s: 0.5 / 60.0,
                walk_pa: WALK_PA,
                absolute: false,
                thermometer_k: None,
            },
            knocks: Vec::new(),
        }
    }

    /// The demo car's tank with a new lid seal.
    pub fn plover_healthy() -> Self {
        Self {
            law: LeakLaw::Laminar,
            leak_rate_pa_m3_s: PLOVER_LINE,
            ..Self::plover()
        }
    }

    /// The demo car's tank in a setup in which only `parts` can leak. All of the leak is the worn lid's, but for what
    /// seeps past the ends of its line, rebuilt or not; the body is tight.
    #[must_use]
    pub fn with_parts(self, parts: &[String]) -> Self {
        let open = |part: &str| parts.iter().any(|p| p == part);
        if open("lid") && open("line") {
            return self;
        }
        let line = if open("line") { PLOVER_LINE } else { 0.0 };
        let lid = self.leak_rate_pa_m3_s - PLOVER_LINE;
        if open("lid") && lid > 0.0 {
            Self {
                leak_rate_pa_m3_s: lid,
                ..self
            }
        } else {
            Self {
                law: LeakLaw::Laminar,
                leak_rate_pa_m3_s: line,
                ..self
            }
        }
    }
}

fn uniform(n: &mut Noise, (lo, hi): (f64, f64)) -> f64 {
    n.uniform(lo, hi)
}

fn lognormal(n: &mut Noise, (median, sd): (f64, f64)) -> f64 {
    median * libm::exp(sd * n.normal())
}

fn drawn_heat(n: &mut Noise) -> Heat {
    let quick_s = lognormal(n, QUICK_S);
    let wall_s = lognormal(n, WALL_S);
    Heat {
        quick_s,
        slow_s: quick_s * uniform(n, SLOW),
        slow_share: uniform(n, SLOW_SHARE),
        skin_k_per_j: SKIN_K_PER_J.map(|range| uniform(n, range)),
        wall_s,
        wall_excess_k: WALL_EXCESS_SD_K * n.normal() * libm::exp(-REST_S / wall_s),
    }
}

fn drawn_weather(n: &mut Noise) -> Weather {
    Weather {
        room_k: ZERO_CELSIUS_K + uniform(n, ROOM_C),
        room_drift_k_s: ROOM_DRIFT_K_MIN / 60.0 * n.normal(),
        room_wave: (
            ROOM_WAVE_K,
            uniform(n, ROOM_WAVE_S),
            n.uniform(0.0, 2.0 * std::f64::consts::PI),
        ),
        ambient_pa: uniform(n, AMBIENT_PA),
        ambient_drift_pa_s: AMBIENT_DRIFT_PA_MIN / 60.0 * n.normal(),
        draught: DRAUGHT,
    }
}

fn drawn_sensor(n: &mut Noise) -> Sensor {
    let scale = SCALES_PA[usize::from(n.below(2) == 1)];
    let ten_bit = n.below(2) == 0;
    let lsb_pa = scale
        / if ten_bit {
            COUNTS_10_BIT
        } else {
            COUNTS_24_BIT
        };
    let (noise_pa, hum) = if ten_bit {
        (
            uniform(n, NOISE_10_BIT) * lsb_pa,
            uniform(n, HUM_10_BIT) * lsb_pa,
        )
    } else {
        (NOISE_24_BIT_PA, 0.0)
    };
    Sensor {
        rate_hz: RATE_HZ,
        lsb_pa,
        noise_pa,
        hum: (hum, MAINS_HZ.0 + MAINS_HZ.1 * n.normal()),
        gain: 1.0 + GAIN_SD * n.normal(),
        offset_pa: OFFSET_SD * scale * n.normal(),
        drift_pa_s: DRIFT_SD * scale / 60.0 * n.normal(),
        walk_pa: WALK_PA,
        absolute: false,
        thermometer_k: None,
    }
}

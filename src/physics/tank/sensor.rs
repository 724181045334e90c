//! Room, barometer, sensor and converter.

use super::super::noise::Noise;

/// Room temperature and barometer.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Weather {
    /// Room at the start, K.
    pub room_k: f64,
    /// Steady drift of the room, K/s.
    pub room_drift_k_s: f64,
    /// Wave of the room: amplitude K, period s, phase.
    pub room_wave: (f64, f64, f64),
    /// Ambient absolute pressure at the start, Pa.
    pub ambient_pa: f64,
    /// Its drift, Pa/s.
    pub ambient_drift_pa_s: f64,
    /// Draughts on the sensor's reference side: standard deviation Pa, correlation time s.
    pub draught: (f64, f64),
}

impl Weather {
    /// Nothing moves.
    pub fn still(room_k: f64, ambient_pa: f64) -> Self {
        Self {
            room_k,
            room_drift_k_s: 0.0,
            room_wave: (0.0, 600.0, 0.0),
            ambient_pa,
            ambient_drift_pa_s: 0.0,
            draught: (0.0, 4.0),
        }
    }

    /// Room at `t`, K.
    pub(super) fn room_at(&self, t: f64) -> f64 {
        let (amplitude, period, phase) = self.room_wave;
        let angle = 2.0 * std::f64::consts::PI * t / period + phase;
        self.room_k + self.room_drift_k_s * t + amplitude * (libm::sin(angle) - libm::sin(phase))
    }

    /// Barometer at `t`, Pa.
    pub(super) fn ambient_at(&self, t: f64) -> f64 {
        self.ambient_pa + self.ambient_drift_pa_s * t
    }
}

/// Pressure sensor with its converter.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Sensor {
    /// Readings a second.
    pub rate_hz: u32,
    /// Size of a count, Pa.
    pub lsb_pa: f64,
    /// Noise of a reading before the converter, Pa.
    pub noise_pa: f64,
    /// Hum: amplitude Pa, frequency Hz.
    pub hum: (f64, f64),
    /// Gain, 1 when right.
    pub gain: f64,
    /// Offset, Pa.
    pub offset_pa: f64,
    /// Drift, Pa/s.
    pub drift_pa_s: f64,
    /// Random walk, Pa per root second.
    pub walk_pa: f64,
    /// The sensor shows absolute pressure instead of gauge pressure.
    pub absolute: bool,
    /// Thermometer on the tank: noise, K.
    pub thermometer_k: Option<f64>,
}

/// Readings a second of the tank thermometer.
const THERMOMETER_HZ: u64 = 4;

/// A sensor at work.
#[derive(Clone, Debug)]
pub(super) struct Probe {
    sensor: Sensor,
    weather: Weather,
    draught: f64,
    walk: f64,
    hum_phase: f64,
    last_tank_k: Option<f64>,
}

impl Probe {
    pub fn new(sensor: Sensor, weather: Weather, noise: &mut Noise) -> Self {
        Self {
            sensor,
            weather,
            draught: weather.draught.0 * noise.normal(),
            walk: 0.0,
            hum_phase: noise.uniform(0.0, 2.0 * std::f64::consts::PI),
            last_tank_k: None,
        }
    }

    /// One reading of a gauge pressure, Pa.
    pub fn read(&mut self, t: f64, gauge_pa: f64, noise: &mut Noise) -> f64 {
        let s = &self.sensor;
        let dt = 1.0 / f64::from(s.rate_hz.max(1));
        let (sd, tau) = self.weather.draught;
        let a = libm::exp(-dt / tau);
        self.draught = a * self.draught + sd * (1.0 - a * a).sqrt() * noise.normal();
        self.walk += s.walk_pa * dt.sqrt() * noise.normal();
        let reference = if s.absolute {
            -self.weather.ambient_at(t)
        } else {
            self.draught
        };
        let (hum, hum_hz) = s.hum;
        let indication = s.gain * (gauge_pa - reference)
            + s.offset_pa
            + s.drift_pa_s * t
            + self.walk
            + hum * libm::sin(2.0 * std::f64::consts::PI * hum_hz * t + self.hum_phase)
            + s.noise_pa * noise.normal();
        (indication / s.lsb_pa).round() * s.lsb_pa
    }

    /// Reading of the thermometer with reading number `i`, K.
    pub fn tank_k(&mut self, i: u64, wall_k: f64, noise: &mut Noise) -> Option<f64> {
        let sd = self.sensor.thermometer_k?;
        let every = (u64::from(self.sensor.rate_hz) / THERMOMETER_HZ).max(1);
        if i.is_multiple_of(every) {
            self.last_tank_k = Some(wall_k + sd * noise.normal());
        }
        self.last_tank_k
    }
}

/// The sensor by itself, on a tank whose pressure is told reading by reading: an open one, or one that is let off.
#[derive(Clone, Debug)]
pub struct Gauge {
    probe: Probe,
    noise: Noise,
}

/// Stream of its randomness.
const GAUGE_STREAM: u64 = 0x7A4F;

impl Gauge {
    /// A sensor in a room; same seed, same readings.
    pub fn new(sensor: Sensor, weather: Weather, seed: u64) -> Self {
        let mut noise = Noise::new(seed, GAUGE_STREAM);
        Self {
            probe: Probe::new(sensor, weather, &mut noise),
            noise,
        }
    }

    /// The next reading, Pa: `t_s` seconds after the first, of a gauge pressure in Pa.
    pub fn read(&mut self, t_s: f64, gauge_pa: f64) -> f64 {
        self.probe.read(t_s, gauge_pa, &mut self.noise)
    }
}

//! The pressure probe on the tank, and the hand at the pump.

use super::world::Car;
use crate::{
    physics::tank::{Gauge, TankScenario, simulate},
    vehicle::SetupTest,
};

/// Nobody holds longer, s: the measure looks at 120 s at most, and says so.
const LONGEST_HOLD_S: f64 = 150.0;
/// A hand pumps a little over the mark.
const OVER_THE_MARK: f64 = 1.03;
/// Time constant of letting the air out, s, and how long it is waited for.
const LET_OUT_TAU_S: f64 = 0.25;
const LET_OUT_S: f64 = 4.0;

#[derive(Debug)]
enum Doing {
    /// The tank is open.
    Nothing,
    /// Pumped and held: readings from sample `from` on.
    Holding { from: u64, readings: Vec<f64> },
    /// The air goes out since sample `from`.
    LettingOut { from: u64, pressure_pa: f64 },
}

/// Tank, sensor and hand.
#[derive(Debug)]
pub(super) struct Tank {
    gauge: Gauge,
    offset_pa: f64,
    period_us: u64,
    /// Number of the next reading.
    next: u64,
    doing: Doing,
    /// Last reading without the sensor's offset, Pa.
    last_pa: f64,
}

impl Tank {
    pub fn new(seed: u64) -> Self {
        let scenario = TankScenario::plover();
        Self {
            gauge: Gauge::new(scenario.sensor, scenario.weather, seed),
            offset_pa: scenario.sensor.offset_pa,
            period_us: 1_000_000 / u64::from(scenario.sensor.rate_hz),
            next: 0,
            doing: Doing::Nothing,
            last_pa: 0.0,
        }
    }

    /// The readings until then.
    pub fn until(&mut self, to_us: u64, out: &mut Vec<(u64, f64)>) {
        while self.next * self.period_us <= to_us {
            let value = self.read();
            self.last_pa = value - self.offset_pa;
            out.push((self.next * self.period_us, value));
            self.next += 1;
        }
    }

    /// Nobody reads: time goes on.
    pub fn skip(&mut self, to_us: u64) {
        self.next = self.next.max(to_us / self.period_us + 1);
    }

    fn read(&mut self) -> f64 {
        let seconds = |n: u64| (n * self.period_us) as f64 * 1e-6;
        let now_s = seconds(self.next);
        let gauge_pa = match &self.doing {
            Doing::Nothing => 0.0,
            Doing::Holding { from, readings } => {
                let n = usize::try_from(self.next - from).unwrap_or(usize::MAX);
                if let Some(reading) = readings.get(n) {
                    return *reading;
                }
                self.end();
                self.last_pa
            }
            Doing::LettingOut { from, pressure_pa } => {
                let gone_s = now_s - seconds(*from);
                if gone_s > LET_OUT_S {
                    self.doing = Doing::Nothing;
                    0.0
                } else {
                    pressure_pa * libm::exp(-gone_s / LET_OUT_TAU_S)
                }
            }
        };
        self.gauge.read(now_s, gauge_pa)
    }

    /// A leak test begins: seal, pump to the mark, hands off.
    pub fn begin(&mut self, car: &Car, setup: Option<&str>, mark_pa: Option<f64>, seed: u64) {
        let scenario = scenario(car, setup, mark_pa);
        let record = simulate(&scenario, seed);
        self.doing = Doing::Holding {
            from: self.next,
            readings: record.readings.iter().map(|r| r.pressure_pa).collect(),
        };
    }

    /// The test is over: the air is let out.
    pub fn end(&mut self) {
        if matches!(self.doing, Doing::Holding { .. }) {
            self.doing = Doing::LettingOut {
                from: self.next,
                pressure_pa: self.last_pa,
            };
        }
    }
}

/// The car's tank with its faults in a setup.
fn scenario(car: &Car, setup: Option<&str>, mark_pa: Option<f64>) -> TankScenario {
    let mut tank = if car.faults.seeping_lid {
        TankScenario::plover()
    } else {
        TankScenario::plover_healthy()
    };
    if let Some(SetupTest::Leak { parts }) = car.setup("leak", setup) {
        tank = tank.with_parts(parts);
    }
    tank.volume_m3 = car.vehicle.leak_volume_m3();
    tank.hold_s = LONGEST_HOLD_S;
    if let Some(mark_pa) = mark_pa {
        tank.pressure_pa = OVER_THE_MARK * mark_pa;
    }
    tank
}

//! The invented demo car, and a population of engines and people.

use super::{Engine, EngineScenario, Hand, Lock, Probe};
use crate::physics::noise::Noise;

impl EngineScenario {
    /// The invented demo car: 3.5 cm3, fair compression, six pulls at 1000 readings a second.
    pub fn plover() -> Self {
        Self {
            mass_kg: 3.4,
            engine: PLOVER,
            hand: STEADY,
            probe: Probe::new(1000, 1),
            pulls: 6,
            plug_in: true,
            lock: Lock::Free,
            cord_m: 0.85,
        }
    }

    /// The same car with a worn sleeve: too weak to be lifted by its cord.
    pub fn plover_worn() -> Self {
        Self::plover().wear(1.0)
    }

    /// The same car with a sleeve worn by a share of what makes a sound engine a weak one: 0 as it is, 1 worn out (14 times
    /// the blow-by, three tenths of the pinch; judgement). Below 0 it is better than it was.
    #[must_use]
    pub fn wear(mut self, share: f64) -> Self {
        self.engine.blow_by_per_s *= libm::pow(14.0, share);
        self.engine.pinch_n *= libm::pow(0.3, share);
        self
    }

    /// The same car on another day: oil film and temperature change blow-by by 5 %, friction by 8 % and pinch by 10 %
    /// (standard deviations, assumed). Each seed is a day of its own.
    #[must_use]
    pub fn on_another_day(mut self, seed: u64) -> Self {
        let mut noise = Noise::new(seed, 0x0064_6179);
        for (value, spread) in [
            (&mut self.engine.blow_by_per_s, 0.05),
            (&mut self.engine.friction_nm, 0.08),
            (&mut self.engine.pinch_n, 0.10),
        ] {
            *value *= about(&mut noise, 1.0, spread);
        }
        self
    }

    /// The same car after its rebuild: a new piston and sleeve, tight at the top, and a shim less under the head
    /// (judgement).
    pub fn plover_rebuilt() -> Self {
        let mut car = Self::plover();
        car.engine.blow_by_per_s *= 0.6;
        car.engine.pinch_n *= 1.6;
        car.engine.clearance_m3 *= 0.8;
        car
    }

    /// The same engine in another state: glow plug in or out, warm or cold. Warm, the sleeve has widened and pinches less.
    #[must_use]
    pub fn in_state(mut self, plug_in: bool, warm: bool) -> Self {
        self.plug_in = plug_in;
        if warm {
            self.engine.pinch_n *= WARM_PINCH;
        }
        self
    }

    /// An engine, a person and a car of the population; six pulls at 1000 readings a second.
    pub fn drawn(seed: u64) -> Self {
        let mut noise = Noise::new(seed, 0x0063_6172_735f);
        let engine = engine(&mut noise);
        let hand = hand(&mut noise);
        Self {
            mass_kg: noise.uniform(2.4, 4.6),
            engine,
            hand,
            ..Self::plover()
        }
    }
}

/// What is left of the pinch when the engine is warm (judgement).
const WARM_PINCH: f64 = 0.04;

/// Judgement: what a sound engine of its size has.
const PLOVER: Engine = Engine {
    displacement_m3: 3.5e-6,
    stroke_m: 0.0164,
    rod_ratio: 0.27,
    clearance_m3: 0.36e-6,
    port_rad: 1.75,
    blow_by_per_s: 0.35,
    taper: 15.0,
    cooling_s: 0.005,
    pinch_n: 15.0,
    pinch_reach_m: 1.5e-3,
    friction_nm: 0.045,
    crank_kg_m2: 7.0e-6,
    pulley_kg_m2: 0.5e-6,
    pulley_m: 0.0100,
    spring_n: 1.2,
    spring_n_per_m: 2.5,
    cord_n_per_m: 9000.0,
    cord_damping: 8.0,
};

/// Medians of the population, for the demo car's size. They and the spreads below were fitted by least squares to what the
/// design study says of its own engines and people: forces, cadence, width and bluntness of a stroke, slopes and spreads, and
/// how fast a hand loads a cord that is stuck.
const MIDDLE: Engine = Engine {
    blow_by_per_s: 0.327,
    cooling_s: 0.0054,
    pinch_n: 20.5,
    friction_nm: 0.020,
    crank_kg_m2: 13.1e-6,
    cord_n_per_m: 6700.0,
    ..PLOVER
};

const STEADY: Hand = Hand {
    speed_m_s: 1.0,
    speed_sd: 0.12,
    reach_m: 0.55,
    ramp_s: 0.07,
    hold_s: 0.1,
    force_limit_n: 150.0,
    gain_n_s_per_m: 75.0,
    gain_n_per_m: 400.0,
    mass_kg: 1.2,
    muscle_s: 0.025,
};

/// A positive number with the given median and spread of its logarithm.
fn about(noise: &mut Noise, median: f64, spread: f64) -> f64 {
    median * libm::exp(spread * noise.normal().clamp(-2.5, 2.5))
}

fn engine(noise: &mut Noise) -> Engine {
    let displacement_m3 = noise.uniform(2.1e-6, 4.6e-6);
    // Bore and stroke of about the same length.
    let bore = libm::cbrt(displacement_m3 * 4.0 / std::f64::consts::PI);
    let stroke_m = bore * noise.uniform(0.92, 1.04);
    let size = displacement_m3 / MIDDLE.displacement_m3;
    Engine {
        displacement_m3,
        stroke_m,
        rod_ratio: noise.uniform(0.25, 0.29),
        clearance_m3: displacement_m3 / noise.uniform(10.7, 14.5),
        port_rad: noise.uniform(1.65, 1.84),
        blow_by_per_s: about(noise, MIDDLE.blow_by_per_s, 0.43) / size.sqrt(),
        taper: noise.uniform(6.7, 13.4),
        cooling_s: about(noise, MIDDLE.cooling_s, 0.2) * size.sqrt(),
        pinch_n: about(noise, MIDDLE.pinch_n, 0.57) * size,
        pinch_reach_m: noise.uniform(1.05e-3, 2.9e-3),
        friction_nm: about(noise, MIDDLE.friction_nm, 0.34),
        crank_kg_m2: about(noise, MIDDLE.crank_kg_m2, 0.2) * size,
        pulley_kg_m2: MIDDLE.pulley_kg_m2,
        // A larger engine has a larger starter.
        pulley_m: noise.uniform(0.0091, 0.0115) * libm::cbrt(size),
        spring_n: noise.uniform(0.8, 1.8),
        spring_n_per_m: noise.uniform(1.5, 3.5),
        cord_n_per_m: MIDDLE.cord_n_per_m * libm::exp(noise.uniform(-0.35, 0.35)),
        cord_damping: noise.uniform(10.6, 21.2),
    }
}

fn hand(noise: &mut Noise) -> Hand {
    Hand {
        speed_m_s: noise.uniform(0.65, 0.95),
        speed_sd: 0.2,
        reach_m: noise.uniform(0.45, 0.65),
        ramp_s: noise.uniform(0.035, 0.128),
        hold_s: noise.uniform(0.0, 0.15),
        force_limit_n: noise.uniform(160.0, 292.0),
        gain_n_s_per_m: noise.uniform(70.0, 128.0),
        gain_n_per_m: noise.uniform(355.0, 850.0),
        mass_kg: noise.uniform(1.0, 2.0),
        muscle_s: noise.uniform(0.018, 0.035),
    }
}

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
const WARM_PINCH: f64 = 0.5;

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

/// Medians of the population, for the demo car's size (judgement).
const MIDDLE: Engine = Engine {
    blow_by_per_s: 0.42,
    cooling_s: 0.0055,
    friction_nm: 0.035,
    crank_kg_m2: 7.7e-6,
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
        clearance_m3: displacement_m3 / noise.uniform(9.5, 12.8),
        port_rad: noise.uniform(1.66, 1.85),
        blow_by_per_s: about(noise, MIDDLE.blow_by_per_s, 0.35) / size.sqrt(),
        taper: noise.uniform(10.0, 20.0),
        cooling_s: about(noise, MIDDLE.cooling_s, 0.2) * size.sqrt(),
        pinch_n: about(noise, MIDDLE.pinch_n, 0.5) * size,
        pinch_reach_m: noise.uniform(0.8e-3, 2.2e-3),
        friction_nm: about(noise, MIDDLE.friction_nm, 0.3),
        crank_kg_m2: about(noise, MIDDLE.crank_kg_m2, 0.2) * size,
        pulley_kg_m2: MIDDLE.pulley_kg_m2,
        // A larger engine has a larger starter.
        pulley_m: noise.uniform(0.0089, 0.0111) * libm::cbrt(size),
        spring_n: noise.uniform(0.8, 1.8),
        spring_n_per_m: noise.uniform(1.5, 3.5),
        cord_n_per_m: noise.uniform(4800.0, 11_200.0),
        cord_damping: noise.uniform(6.0, 12.0),
    }
}

fn hand(noise: &mut Noise) -> Hand {
    Hand {
        speed_m_s: noise.uniform(0.70, 1.03),
        speed_sd: 0.2,
        reach_m: noise.uniform(0.45, 0.65),
        ramp_s: noise.uniform(0.03, 0.11),
        hold_s: noise.uniform(0.0, 0.15),
        force_limit_n: noise.uniform(110.0, 200.0),
        gain_n_s_per_m: noise.uniform(63.0, 115.0),
        gain_n_per_m: noise.uniform(250.0, 600.0),
        mass_kg: noise.uniform(1.1, 2.2),
        muscle_s: noise.uniform(0.016, 0.032),
    }
}

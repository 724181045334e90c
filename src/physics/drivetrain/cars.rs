//! A population of cars: random tooth counts, bearings, conditions and snags.

use super::{Conditions, DrivetrainScenario, SnagScenario};
use crate::physics::noise::Noise;

/// A random four-wheel-drive car with a centre diff as vehicle file. Names are those of the demo car; setups are
/// `straight`, `circle`, `one_fl`, `one_rl` and `axle_f`. `magnets` sit on the spur.
pub fn random_car(seed: u64, magnets: u32) -> String {
    let mut noise = Noise::new(seed, 20);
    let mut teeth = |lo: u64, hi: u64| lo + noise.below(hi - lo + 1);
    let (ring, pinion) = (teeth(38, 46), teeth(9, 14));
    let (spur, bell) = (teeth(44, 52), teeth(12, 16));
    let (side, planet) = (teeth(14, 20), teeth(9, 13));
    let (hub_balls, bell_balls) = (teeth(7, 11), teeth(6, 9));
    let hub_pitch = noise.uniform(10.0, 13.0);
    let bell_pitch = noise.uniform(7.0, 9.0);
    let hub_ball = hub_pitch * noise.uniform(0.15, 0.21);
    let bell_ball = bell_pitch * noise.uniform(0.18, 0.24);
    let shafts = [
        "wheel_fl", "wheel_fr", "wheel_rl", "wheel_rr", "ring_f", "ring_r", "pinion_f", "pinion_r",
        "spur", "bell",
    ]
    .map(|name| format!("[[shaft]]\nname = \"{name}\"\n"))
    .concat();
    let mesh = |name: &str, a: &str, teeth_a: u64, b: &str, teeth_b: u64| {
        format!(
            "[[mesh]]\nname = \"{name}\"\na = \"{a}\"\nteeth_a = {teeth_a}\nb = \"{b}\"\nteeth_b = {teeth_b}\n"
        )
    };
    let diff = |name: &str, input: &str, a: &str, b: &str| {
        format!(
            "[[diff]]\nname = \"{name}\"\ninput = \"{input}\"\nout_a = \"{a}\"\nout_b = \"{b}\"\n\
             side_teeth = {side}\nplanet_teeth = {planet}\n"
        )
    };
    [
        format!("format = 1\nname = \"car {seed}\"\nmass_kg = 3.2\ntank_cm3 = 125.0\n"),
        shafts,
        mesh("final_f", "ring_f", ring, "pinion_f", pinion),
        mesh("final_r", "ring_r", ring, "pinion_r", pinion),
        mesh("primary", "spur", spur, "bell", bell),
        diff("diff_f", "ring_f", "wheel_fl", "wheel_fr"),
        diff("diff_r", "ring_r", "wheel_rl", "wheel_rr"),
        diff("diff_c", "spur", "pinion_f", "pinion_r"),
        format!("[[bearing]]\nname = \"hub_rl\"\nshaft = \"wheel_rl\"\nballs = {hub_balls}\nball_mm = {hub_ball:.3}\npitch_mm = {hub_pitch:.3}\n"),
        format!("[[bearing]]\nname = \"bell_inner\"\nshaft = \"bell\"\nballs = {bell_balls}\nball_mm = {bell_ball:.3}\npitch_mm = {bell_pitch:.3}\nturns = \"outer\"\n"),
        "[[joint]]\nname = \"drive_fl\"\nshaft = \"wheel_fl\"\n".into(),
        "[[joint]]\nname = \"drive_rl\"\nshaft = \"wheel_rl\"\n".into(),
        format!("[[sensor]]\nindex = 0\nshaft = \"spur\"\nmagnets = {magnets}\n"),
        setup("straight", true, [1.0, 1.0, 1.0, 1.0]),
        setup("circle", true, [0.88, 1.12, 0.86, 1.1]),
        setup("one_fl", false, [1.0, 0.0, 0.0, 0.0]),
        setup("one_rl", false, [0.0, 0.0, 1.0, 0.0]),
        setup("axle_f", false, [1.0, 1.0, 0.0, 0.0]),
    ]
    .concat()
}

fn setup(name: &str, rolling: bool, [fl, fr, rl, rr]: [f64; 4]) -> String {
    format!(
        "[[setup]]\nname = \"{name}\"\nrolling = {rolling}\n\
         speeds = {{ wheel_fl = {fl:?}, wheel_fr = {fr:?}, wheel_rl = {rl:?}, wheel_rr = {rr:?} }}\n"
    )
}

/// Value between two bounds, even in its logarithm.
fn log_uniform(noise: &mut Noise, lo: f64, hi: f64) -> f64 {
    lo * libm::exp(noise.unit() * libm::log(hi / lo))
}

impl Conditions {
    /// Conditions of a population about these.
    fn drawn(self, noise: &mut Noise) -> Self {
        Self {
            drag: self.drag * log_uniform(noise, 0.7, 1.5),
            viscous: self.viscous * log_uniform(noise, 0.3, 2.5),
            wander: log_uniform(noise, 0.015, 0.05),
            run_to_run: self.run_to_run * log_uniform(noise, 0.4, 1.6),
            rattle: log_uniform(noise, 0.003, 0.015),
            torque_ripple: log_uniform(noise, 0.008, 0.04),
            tooth_ripple: log_uniform(noise, 0.008, 0.04),
            angle_ripple: log_uniform(noise, 0.0004, 0.002),
            joint_bend_deg: noise.uniform(4.0, 16.0),
            jitter_us: noise.uniform(9.0, 12.0),
            magnet_sd_deg: noise.uniform(1.5, 4.0),
            // one record in five has a weak magnet or a chattering sensor
            missed: if noise.unit() < 0.2 { 0.0005 } else { 0.0 },
            bounced: if noise.unit() < 0.2 { 0.001 } else { 0.0 },
            ..self
        }
    }
}

impl DrivetrainScenario {
    /// A random car with 8 magnets on the spur: three in four roll straight, the others have the front left wheel
    /// spun on a stand; half are healthy, half have a snag in a part drawn evenly, depth 0.25 to 1.6.
    pub fn drawn(seed: u64) -> Self {
        let mut noise = Noise::new(seed, 21);
        let setup = if noise.unit() < 0.75 {
            "straight"
        } else {
            "one_fl"
        };
        let healthy = Self::drawn_healthy(seed, setup);
        if noise.unit() < 0.5 {
            return healthy;
        }
        let parts = &healthy.train.parts;
        let count = u64::try_from(parts.len()).expect("a count of parts");
        let drawn = usize::try_from(noise.below(count)).expect("an index of parts");
        let snag = SnagScenario {
            part: parts[drawn].name.clone(),
            depth: log_uniform(&mut noise, 0.25, 1.6),
            hit_rate: noise.uniform(0.25, 0.8),
            burst: (noise.unit() < 0.25).then_some(4.0),
        };
        healthy
            .with_snag(snag)
            .expect("the part was taken from the train")
    }

    /// A random healthy car in one of the setups of [`random_car`]; add a snag with [`Self::with_snag`].
    ///
    /// # Panics
    /// A setup that [`random_car`] does not write.
    pub fn drawn_healthy(seed: u64, setup: &str) -> Self {
        let text = random_car(seed, 8);
        let mut scenario =
            Self::new(&text, setup, None).expect("random cars are solvable in their setups");
        scenario.conditions = scenario.conditions.drawn(&mut Noise::new(seed, 22));
        scenario
    }
}

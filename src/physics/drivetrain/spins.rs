//! Phases of everything that turns, and the ripple that each turn leaves in torque and angle.

use std::f64::consts::TAU;

use super::{Conditions, DrivetrainScenario};
use crate::physics::noise::Noise;
use crate::vehicle::{SetupTest, Train, Vehicle};

/// Relative change of a wheel speed for the numerical derivative of the orders; the train is linear in the speeds, so
/// the step only has to stay clear of rounding.
const NUDGE: f64 = 1e-4;
/// A wheel's path changes over about this many wheel turns.
const PATH_TURNS: f64 = 15.0;
/// Share of a wheel's slip that changes along the path (the rest is its radius).
const PATH_SHARE: f64 = 0.25;

/// One shaft or planet.
struct Spin {
    name: String,
    /// Turns per sensed turn.
    order: f64,
    /// Change of `order` for a relative change of each stated wheel's speed.
    by_wheel: Vec<f64>,
    /// Turns made so far, from a random start.
    turns: f64,
    sensed: bool,
    planet: bool,
    /// A wheel that the setup states.
    named: bool,
}

/// A sine of a spin: `amplitude sin(2 pi (harmonic turns + phase))`.
struct Sine {
    spin: usize,
    harmonic: f64,
    amplitude: f64,
    phase: f64,
}

/// A bent joint on a spin; it moves the sensed shaft by `scale` turns for every turn of error.
struct Hooke {
    spin: usize,
    cos_bend: f64,
    scale: f64,
}

/// Slip of one stated wheel: rolling radius, and a path that wanders.
struct Slip {
    radius: f64,
    path: f64,
}

/// All phases and ripples of a record.
pub(super) struct Spins {
    all: Vec<Spin>,
    /// Energy (turns^2/s^2) as a function of the phases.
    torque: Vec<Sine>,
    /// Turns of the sensed shaft.
    angle: Vec<Sine>,
    joints: Vec<Hooke>,
    slips: Vec<Slip>,
    path_sd: f64,
    /// Wheel turns per sensed turn.
    wheel: f64,
    noise: Noise,
}

impl Spins {
    pub fn new(scenario: &DrivetrainScenario, drag: f64, seed: u64) -> Self {
        let (train, conditions) = (&scenario.train, &scenario.conditions);
        let mut noise = Noise::new(seed, 15);
        let derivative = Derivative::new(scenario);
        let spins: Vec<Spin> = train
            .turning
            .iter()
            .map(|t| Spin {
                name: t.name.clone(),
                order: t.order,
                by_wheel: derivative.of(&t.name, t.order),
                turns: noise.unit(),
                sensed: t.sensed,
                planet: t.planet,
                named: t.named,
            })
            .collect();
        let slip = if train.rolling {
            conditions.wheel_slip
        } else {
            0.0
        };
        let path_sd = slip * PATH_SHARE;
        let slips = (0..derivative.wheels())
            .map(|_| Slip {
                radius: slip * noise.normal(),
                path: path_sd * noise.normal(),
            })
            .collect();
        let mut ripple = Noise::new(seed, 12);
        let torque = torque_sines(&scenario.vehicle, &spins, conditions, drag, &mut ripple);
        // The wheels carry the mass: what the gears do to the angle does not reach a sensed wheel. On a stand each wheel
        // carries its own, and another one that turns moves it.
        let reaches = |s: &Spin| !train.sensed_named || !train.rolling && s.named;
        let vehicle = &scenario.vehicle;
        let angle = angle_sines(vehicle, &spins, reaches, conditions, &mut ripple);
        let joints = if train.sensed_named {
            Vec::new()
        } else {
            hooke_joints(vehicle, &spins, &derivative, conditions)
        };
        Self {
            all: spins,
            torque,
            angle,
            joints,
            slips,
            path_sd,
            wheel: train.fastest_wheel,
            noise,
        }
    }

    /// Turns everything on by `dx` sensed turns; the paths of the wheels wander.
    pub fn advance(&mut self, dx: f64) {
        if self.path_sd > 0.0 {
            let keep = libm::exp(-dx * self.wheel / PATH_TURNS);
            let fresh = self.path_sd * (1.0 - keep * keep).sqrt();
            for slip in &mut self.slips {
                slip.path = slip.path * keep + fresh * self.noise.normal();
            }
        }
        for spin in &mut self.all {
            let slipped: f64 = spin
                .by_wheel
                .iter()
                .zip(&self.slips)
                .map(|(d, s)| d * (s.radius + s.path))
                .sum();
            spin.turns += (spin.order + slipped) * dx;
        }
    }

    /// Phases now, in turns, one a spin.
    pub fn phases(&self) -> Vec<f64> {
        self.all.iter().map(|s| s.turns).collect()
    }

    /// Index and order of a spin.
    pub fn find(&self, name: &str) -> Option<(usize, f64)> {
        let at = self.all.iter().position(|s| s.name == name)?;
        Some((at, self.all[at].order))
    }

    /// Energy that torque ripple holds at these phases, turns^2/s^2; its differences act on the motion.
    pub fn torque_energy(&self, phases: &[f64]) -> f64 {
        sum(&self.torque, phases)
    }

    /// Lead of the sensed shaft over the even motion at these phases, turns.
    pub fn angle_lead(&self, phases: &[f64]) -> f64 {
        let bent: f64 = self
            .joints
            .iter()
            .map(|j| j.scale * hooke_lead(j.cos_bend, phases[j.spin]))
            .sum();
        sum(&self.angle, phases) + bent
    }
}

fn sum(sines: &[Sine], phases: &[f64]) -> f64 {
    sines
        .iter()
        .map(|s| s.amplitude * libm::sin(TAU * (s.harmonic * phases[s.spin] + s.phase)))
        .sum()
}

/// Lead of the driven over the driving side of a Hooke joint, turns: `tan(out) = tan(in) / cos b` integrated from
/// the speed ratio cos b/(1 - sin^2 b cos^2 t), the angle counted from where the ratio is largest.
fn hooke_lead(cos_bend: f64, turns: f64) -> f64 {
    let angle = TAU * (turns - libm::floor(turns));
    let (s, c) = libm::sincos(angle);
    let lead = libm::atan2(s, c * cos_bend) - libm::atan2(s, c);
    let lead = lead / TAU;
    // The two arcs can fall on either side of the half turn.
    lead - libm::round(lead)
}

fn torque_sines(
    vehicle: &Vehicle,
    spins: &[Spin],
    conditions: &Conditions,
    drag: f64,
    noise: &mut Noise,
) -> Vec<Sine> {
    let mut sines = Vec::new();
    let mut add = |spin: usize, harmonic: f64, largest: f64| {
        let torque = largest * drag * noise.uniform(0.15, 1.0);
        sines.push(Sine {
            spin,
            harmonic,
            amplitude: torque / (TAU * harmonic * spins[spin].order),
            phase: noise.unit(),
        });
    };
    for spin in 0..spins.len() {
        add(spin, 1.0, conditions.torque_ripple);
        add(spin, 2.0, conditions.torque_ripple);
    }
    for mesh in &vehicle.meshes {
        let name = &vehicle.shafts[mesh.a].name;
        if let Some(spin) = spins.iter().position(|s| s.name == *name) {
            add(spin, f64::from(mesh.teeth_a), conditions.tooth_ripple);
        }
    }
    sines
}

/// Gears that sit eccentric on their shafts. The same runout turns a slow (large) gear by as much of the sensed shaft
/// as the gear between them, a fast (small) one by less. A shaft that hangs on one gear only, such as a clutch bell,
/// carries no load: its runout moves itself, not the train.
fn angle_sines(
    vehicle: &Vehicle,
    spins: &[Spin],
    reaches: impl Fn(&Spin) -> bool,
    conditions: &Conditions,
    noise: &mut Noise,
) -> Vec<Sine> {
    let mut sines = Vec::new();
    for (spin, s) in spins.iter().enumerate() {
        // What the sensed shaft's own magnets do is part of their places.
        if s.sensed || s.planet || !reaches(s) || !carries_load(vehicle, &s.name) {
            continue;
        }
        let largest = conditions.angle_ripple / s.order.max(1.0);
        for (harmonic, share) in [(1.0, 1.0), (2.0, 0.3)] {
            sines.push(Sine {
                spin,
                harmonic,
                amplitude: share * largest * noise.uniform(0.15, 1.0),
                phase: noise.unit(),
            });
        }
    }
    sines
}

/// A wheel, or a shaft between two gears.
fn carries_load(vehicle: &Vehicle, shaft: &str) -> bool {
    let named = |i: &usize| vehicle.shafts[*i].name == shaft;
    let meshes = vehicle.meshes.iter().filter(|m| named(&m.a) || named(&m.b));
    let diffs = vehicle
        .diffs
        .iter()
        .filter(|d| named(&d.input) || named(&d.out_a) || named(&d.out_b));
    meshes.count() + diffs.count() > 1 || vehicle.wheels().iter().any(named)
}

fn hooke_joints(
    vehicle: &Vehicle,
    spins: &[Spin],
    derivative: &Derivative,
    conditions: &Conditions,
) -> Vec<Hooke> {
    vehicle
        .joints
        .iter()
        .filter_map(|joint| {
            let name = &vehicle.shafts[joint.shaft].name;
            let spin = spins.iter().position(|s| s.name == *name)?;
            Some(Hooke {
                spin,
                cos_bend: libm::cos(conditions.joint_bend_deg.to_radians()),
                scale: derivative.share(joint.shaft) / spins[spin].order,
            })
        })
        .collect()
}

/// How the orders answer to the speed of each stated wheel that turns.
struct Derivative {
    /// The train as it is.
    base: Train,
    /// Shaft, its name, and the orders of all turning parts with its speed nudged.
    nudged: Vec<(usize, String, Train)>,
}

impl Derivative {
    fn new(scenario: &DrivetrainScenario) -> Self {
        let setup = scenario
            .vehicle
            .setups
            .iter()
            .position(|s| s.name == scenario.setup)
            .expect("the scenario was made with this setup");
        let SetupTest::Roll { speeds, .. } = &scenario.vehicle.setups[setup].test else {
            return Self {
                base: scenario.train.clone(),
                nudged: Vec::new(),
            };
        };
        let nudged = speeds
            .iter()
            .enumerate()
            .filter(|(_, (_, speed))| speed.abs() > 0.0)
            .filter_map(|(i, (shaft, _))| {
                let train = nudged_train(scenario, setup, i)?;
                let name = scenario.vehicle.shafts[*shaft].name.clone();
                Some((*shaft, name, train))
            })
            .collect();
        Self {
            base: scenario.train.clone(),
            nudged,
        }
    }

    fn wheels(&self) -> usize {
        self.nudged.len()
    }

    /// Change of the order of a spin for a relative change of each wheel's speed.
    fn of(&self, name: &str, order: f64) -> Vec<f64> {
        self.nudged
            .iter()
            .map(|(_, _, train)| (order_in(train, name).unwrap_or(order) - order) / NUDGE)
            .collect()
    }

    /// Share of the sensed shaft's speed that comes from a shaft: another wheel's order falls by it when this one
    /// turns faster. One wheel alone carries it all; a shaft that is not stated carries half (it feeds a diff).
    fn share(&self, shaft: usize) -> f64 {
        let Some((_, _, train)) = self.nudged.iter().find(|(s, _, _)| *s == shaft) else {
            return 0.5;
        };
        let other = self.nudged.iter().find(|(s, _, _)| *s != shaft);
        other.map_or(1.0, |(_, name, _)| {
            let at_rest = order_in(&self.base, name).unwrap_or(1.0);
            let moved = order_in(train, name).unwrap_or(at_rest);
            (1.0 - moved / at_rest) / NUDGE
        })
    }
}

fn order_in(train: &Train, name: &str) -> Option<f64> {
    train
        .turning
        .iter()
        .find(|t| t.name == name)
        .map(|t| t.order)
}

/// The train with one stated speed raised. Where that contradicts the gears (a locked axle), another wheel's
/// statement is dropped: that wheel slips.
fn nudged_train(scenario: &DrivetrainScenario, setup: usize, wheel: usize) -> Option<Train> {
    let SetupTest::Roll { speeds, .. } = &scenario.vehicle.setups[setup].test else {
        return None;
    };
    let mut raised = speeds.clone();
    raised[wheel].1 *= 1.0 + NUDGE;
    let solve = |speeds: Vec<(usize, f64)>| {
        let mut car = scenario.vehicle.clone();
        if let SetupTest::Roll { speeds: stated, .. } = &mut car.setups[setup].test {
            *stated = speeds;
        }
        car.train(Some(&scenario.setup), Some(scenario.sensor)).ok()
    };
    solve(raised.clone()).or_else(|| {
        (0..raised.len()).filter(|i| *i != wheel).find_map(|i| {
            let mut fewer = raised.clone();
            fewer.remove(i);
            solve(fewer)
        })
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::vehicle::gears::hooke_speed_ratio;

    /// The lead's slope is the published speed ratio less one.
    #[test]
    fn joint_lead_has_the_published_speed_ratio() {
        let bend = 20f64.to_radians();
        let h = 1e-6;
        for i in 0..50 {
            let turns = 0.013 + f64::from(i) * 0.05;
            let lead = |t: f64| hooke_lead(libm::cos(bend), t);
            let slope = (lead(turns + h) - lead(turns - h)) / (2.0 * h);
            let want = hooke_speed_ratio(bend, TAU * turns) - 1.0;
            assert!((slope - want).abs() < 1e-6, "{turns}: {slope} {want}");
            assert!(lead(turns).abs() < 0.02);
        }
    }

    /// Four wheels through open diffs carry a quarter each; one wheel on a stand carries it all; slip keeps the
    /// diffs' rule 2 w_in = w_a + w_b.
    #[test]
    fn wheels_share_the_sensed_speed() {
        let straight = DrivetrainScenario::new(crate::physics::PLOVER_8, "straight", None).unwrap();
        let d = Derivative::new(&straight);
        let shaft = |name: &str| {
            straight
                .vehicle
                .shafts
                .iter()
                .position(|s| s.name == name)
                .unwrap()
        };
        for wheel in ["wheel_fl", "wheel_fr", "wheel_rl", "wheel_rr"] {
            assert!((d.share(shaft(wheel)) - 0.25).abs() < 1e-3, "{wheel}");
        }
        let of = |name: &str| d.of(name, order_in(&straight.train, name).unwrap());
        for i in 0..4 {
            let (a, b, ring) = (of("wheel_fl")[i], of("wheel_fr")[i], of("ring_f")[i]);
            assert!((2.0 * ring - a - b).abs() < 1e-9);
        }
        let stand = DrivetrainScenario::plover_healthy();
        assert!((Derivative::new(&stand).share(shaft("wheel_fl")) - 1.0).abs() < 1e-12);
    }
}

//! The machine on the cord: crank and cylinder, pulley with its one-way bearing, recoil spring, cord.

use std::f64::consts::{PI, TAU};

use super::Engine;

/// Pressure of the room, Pa.
const AMBIENT_PA: f64 = 101_325.0;
/// Ratio of the specific heats of air.
const HEATS: f64 = 1.40;
/// Below this speed dry friction holds the crank, rad/s.
const STANDSTILL: f64 = 0.05;

/// Where the moving parts are.
#[derive(Clone, Copy, Debug)]
pub(super) struct Machine {
    engine: Engine,
    /// False: the plug is out and the cylinder breathes freely.
    sealed: bool,
    /// Crank angle, rad, top dead centre at whole turns; never reduced, so that turns can be counted.
    pub(super) crank_rad: f64,
    pub(super) crank_rad_s: f64,
    /// Cord off the pulley, m, and its speed.
    pub(super) cord_out_m: f64,
    pub(super) pulley_rad_s: f64,
    /// Air in the cylinder over what was shut in when the port closed.
    air: f64,
    /// Temperature of that air over the wall's.
    warmth: f64,
    /// The one-way bearing carries.
    engaged: bool,
    /// The crank cannot move.
    pub(super) locked: bool,
    /// Length of the cord, m.
    pub(super) cord_m: f64,
    /// The cord has reached its stop in this pull.
    pub(super) at_stop: bool,
}

impl Machine {
    /// At rest with the crank at an angle, the handle home.
    pub(super) fn new(engine: Engine, sealed: bool, cord_m: f64, crank_rad: f64) -> Self {
        let mut machine = Self {
            engine,
            sealed,
            crank_rad,
            crank_rad_s: 0.0,
            cord_out_m: 0.0,
            pulley_rad_s: 0.0,
            air: 1.0,
            warmth: 1.0,
            engaged: true,
            locked: false,
            cord_m,
            at_stop: false,
        };
        // Whatever was shut in has leaked away long since.
        machine.air = machine.volume_m3() / engine.volume_at(engine.port_rad);
        machine
    }

    fn volume_m3(&self) -> f64 {
        self.engine.volume_at(self.crank_rad)
    }

    /// Gauge pressure in the cylinder, Pa.
    fn pressure_pa(&self) -> f64 {
        let shut = self.engine.volume_at(self.engine.port_rad);
        AMBIENT_PA * (self.air * self.warmth * shut / self.volume_m3() - 1.0)
    }

    /// Torques on the crank: of the gas (with its sign), and the dry friction that opposes any motion, N m.
    fn torques(&self) -> (f64, f64) {
        let slope = self.engine.travel_slope(self.crank_rad);
        let gas = if self.sealed {
            self.pressure_pa() * self.engine.piston_m2() * slope
        } else {
            0.0
        };
        let near = libm::exp(-self.engine.travel_m(self.crank_rad) / self.engine.pinch_reach_m);
        (
            gas,
            self.engine.friction_nm + self.engine.pinch_n * near * slope.abs(),
        )
    }

    /// One step of `h` seconds with the handle at `hand_m` moving with `hand_m_s`; the tension of the cord, N.
    pub(super) fn step(&mut self, hand_m: f64, hand_m_s: f64, h: f64) -> f64 {
        let e = self.engine;
        let stretch = hand_m - self.cord_out_m;
        let pull =
            e.cord_n_per_m * stretch + e.cord_damping * (hand_m_s - e.pulley_m * self.pulley_rad_s);
        let tension = if stretch > 0.0 { pull.max(0.0) } else { 0.0 };
        let spring = e.spring_n + e.spring_n_per_m * self.cord_out_m;
        self.turn((tension - spring) * e.pulley_m, h);
        self.cord_out_m += self.pulley_rad_s * e.pulley_m * h;
        self.ends();
        self.breathe(h);
        tension
    }

    /// Accelerates crank and pulley by the torque on the pulley.
    fn turn(&mut self, drive_nm: f64, h: f64) {
        let e = self.engine;
        if self.locked {
            self.crank_rad_s = 0.0;
            self.pulley_rad_s = (self.pulley_rad_s + drive_nm / e.pulley_kg_m2 * h).min(0.0);
            return;
        }
        let (gas, friction) = self.torques();
        if self.engaged {
            let both = e.crank_kg_m2 + e.pulley_kg_m2;
            let before = self.crank_rad_s;
            self.crank_rad_s = rub(before, (drive_nm + gas) / both, friction / both, h);
            let contact = drive_nm - e.pulley_kg_m2 * (self.crank_rad_s - before) / h;
            self.pulley_rad_s = self.crank_rad_s;
            self.engaged = contact >= 0.0;
        } else {
            let inertia = e.crank_kg_m2;
            self.crank_rad_s = rub(self.crank_rad_s, gas / inertia, friction / inertia, h);
            self.pulley_rad_s += drive_nm / e.pulley_kg_m2 * h;
            if self.pulley_rad_s >= self.crank_rad_s {
                let momentum = inertia * self.crank_rad_s + e.pulley_kg_m2 * self.pulley_rad_s;
                self.crank_rad_s = momentum / (inertia + e.pulley_kg_m2);
                self.pulley_rad_s = self.crank_rad_s;
                self.engaged = true;
            }
        }
        let before = self.volume_m3();
        self.crank_rad += self.crank_rad_s * h;
        self.warmth *= 1.0 - (HEATS - 1.0) * (self.volume_m3() / before - 1.0);
    }

    /// The cord ends at its stop, and when it is home.
    fn ends(&mut self) {
        if self.cord_out_m >= self.cord_m && self.pulley_rad_s > 0.0 {
            self.at_stop = true;
            self.pulley_rad_s = 0.0;
            self.engaged = false;
        }
        if self.cord_out_m <= 0.0 && self.pulley_rad_s < 0.0 {
            self.cord_out_m = 0.0;
            self.pulley_rad_s = 0.0;
        }
    }

    /// Blow-by past piston and sleeve: laminar, so it goes with the difference of the pressures' squares; the sleeve is
    /// tapered, so it is tight at the top only. Heat goes into the walls.
    fn breathe(&mut self, h: f64) {
        let angle = (self.crank_rad + PI).rem_euclid(TAU) - PI;
        if angle.abs() >= self.engine.port_rad {
            (self.air, self.warmth) = (1.0, 1.0);
            return;
        }
        let p = self.pressure_pa() / AMBIENT_PA + 1.0;
        let down = self.engine.travel_m(self.crank_rad) / self.engine.stroke_m;
        let gap = 1.0 + self.engine.taper * down;
        self.air -= self.engine.blow_by_per_s * gap * (p * p - 1.0) * h;
        self.warmth -= (self.warmth - 1.0) * h / self.engine.cooling_s;
    }
}

/// Speed after a step with dry friction, which never turns a motion round.
fn rub(speed: f64, push: f64, friction: f64, h: f64) -> f64 {
    if speed.abs() < STANDSTILL {
        let excess = (push.abs() - friction).max(0.0);
        return speed * f64::from(u8::from(excess > 0.0)) + push.signum() * excess * h;
    }
    let next = speed + (push - friction * speed.signum()) * h;
    // Against its own sign it comes to rest first.
    if next * speed < 0.0 { 0.0 } else { next }
}

impl Engine {
    /// Distance of the piston from top dead centre, m.
    pub(super) fn travel_m(&self, crank_rad: f64) -> f64 {
        let radius = self.stroke_m / 2.0;
        let (sin, cos) = libm::sincos(crank_rad);
        let tilt = self.rod_ratio * sin;
        radius * (1.0 - cos) + radius / self.rod_ratio * (1.0 - (1.0 - tilt * tilt).sqrt())
    }

    /// Its slope, m/rad.
    pub(super) fn travel_slope(&self, crank_rad: f64) -> f64 {
        let radius = self.stroke_m / 2.0;
        let (sin, cos) = libm::sincos(crank_rad);
        let tilt = self.rod_ratio * sin;
        radius * sin * (1.0 + self.rod_ratio * cos / (1.0 - tilt * tilt).sqrt())
    }

    /// Area of the piston, m2.
    pub(super) fn piston_m2(&self) -> f64 {
        self.displacement_m3 / self.stroke_m
    }

    /// Volume over the piston, m3.
    pub(super) fn volume_at(&self, crank_rad: f64) -> f64 {
        self.clearance_m3 + self.piston_m2() * self.travel_m(crank_rad)
    }
}

//! Gas, wall and leak as ordinary differential equations, integrated by the classical Runge-Kutta method.
//!
//! Two parcels of gas share the pressure `p`. Parcel `i` holds `m_i = n_i R` (J/K) at the temperature `T_i`:
//! `p V = sum m_i T_i` (ideal gas) and, from the first law for an open parcel at the common pressure,
//! `dT_i/dt = (min_i/m_i)(T_in - T_i) - (T_i - T_skin)/(g tau_i) + T_i/(c p) dp/dt`, `c = g/(g-1) = 3.5`.
//! Both together give `dp/dt`, with the volume `V = V0 (1 + ce pg + creep + knock)`.

use super::{FLOWING, LeakLaw, T_REF_K, TankScenario, VENT_S, VENT_TAU_S};
use crate::units::STANDARD_ATMOSPHERE_PA;

const GAMMA: f64 = 1.4;
/// Molar heats of air over the gas constant.
const CP_R: f64 = 3.5;
const CV_R: f64 = 2.5;
/// Longest step, s: strokes and edges of knocks are smooth on this scale.
const STEP_S: f64 = 0.005;
/// Time constants of the wall's inner skin, s.
const SKIN_S: [f64; 2] = [6.0, 50.0];
/// Time constants of creep, s.
const CREEP_S: [f64; 3] = [3.0, 20.0, 120.0];
/// Edge of a knock, s.
const EDGE_S: f64 = 0.02;
/// Viscosity of air goes about as the 0.7th power of the absolute temperature; the molar flow of a laminar path
/// as one over temperature and viscosity.
const LAMINAR_POWER: f64 = -1.7;

/// What is integrated; also used for its derivative.
#[derive(Clone, Copy, Debug, Default)]
struct State {
    /// Absolute pressure, Pa.
    p: f64,
    /// Temperatures of the parcels, K.
    t: [f64; 2],
    /// Amounts times gas constant, J/K.
    m: [f64; 2],
    /// Excess of the skins over the wall, K.
    skin: [f64; 2],
    /// Wall, K.
    wall: f64,
    /// Creep, relative volume.
    creep: [f64; 3],
}

impl State {
    /// `self + h d`.
    fn moved(&self, d: &Self, h: f64) -> Self {
        let mut s = *self;
        s.p += h * d.p;
        s.wall += h * d.wall;
        for i in 0..2 {
            s.t[i] += h * d.t[i];
            s.m[i] += h * d.m[i];
            s.skin[i] += h * d.skin[i];
        }
        for i in 0..3 {
            s.creep[i] += h * d.creep[i];
        }
        s
    }
}

/// A tank that is advanced in time.
pub(super) struct Tank<'a> {
    scenario: &'a TankScenario,
    /// Gas of one stroke, as pressure times volume at room temperature, Pa m3.
    stroke_pa_m3: f64,
    /// Time, s.
    now: f64,
    /// The outlet is plugged and the lid closed.
    sealed: bool,
    state: State,
}

/// Gas of one stroke that brings the pressure to the scenario's when the flow stops.
pub(super) fn stroke_for(scenario: &TankScenario, rounds: u32) -> f64 {
    let wanted = scenario.pressure_pa;
    let strokes = scenario.strokes_s.len().max(1) as f64;
    let mut stroke = wanted * scenario.volume_m3 / strokes;
    for _ in 0..rounds {
        let mut tank = Tank::open(scenario, stroke);
        // The pumping alone decides; the sealed hold before it only matters by a few Pa.
        tank.advance(scenario.first_pump_s() + scenario.flowing_s());
        stroke *= wanted / tank.gauge_pa().max(0.1 * wanted);
    }
    stroke
}

impl<'a> Tank<'a> {
    /// The open tank at the start of the record.
    pub fn open(scenario: &'a TankScenario, stroke_pa_m3: f64) -> Self {
        let mut tank = Self {
            scenario,
            stroke_pa_m3,
            now: 0.0,
            sealed: false,
            state: State::default(),
        };
        tank.state.wall = scenario.weather.room_at(0.0) + scenario.heat.wall_excess_k;
        tank
    }

    /// Gauge pressure against the barometer without draughts, Pa.
    pub fn gauge_pa(&self) -> f64 {
        if self.sealed {
            self.state.p - self.scenario.weather.ambient_at(self.now)
        } else {
            0.0
        }
    }

    /// Temperature of the wall, K.
    pub fn wall_k(&self) -> f64 {
        self.state.wall
    }

    /// Goes on to the time `t`, s.
    pub fn advance(&mut self, t: f64) {
        if !self.sealed {
            let until = t.min(self.scenario.open_s);
            self.steps(until);
            if t <= self.scenario.open_s {
                return;
            }
            self.seal();
        }
        self.steps(t);
    }

    /// Closes the tank: gas at ambient pressure and at the wall's temperature.
    fn seal(&mut self) {
        let s = &mut self.state;
        let slow = self.scenario.heat.slow_share;
        s.p = self.scenario.weather.ambient_at(self.now);
        s.t = [s.wall; 2];
        let m = s.p * self.scenario.volume_m3 / s.wall;
        s.m = [(1.0 - slow) * m, slow * m];
        self.sealed = true;
    }

    fn steps(&mut self, until: f64) {
        while until - self.now > 1e-9 {
            let h = (until - self.now).min(STEP_S);
            let t = self.now;
            let s = self.state;
            let k1 = self.derivative(t, &s);
            let k2 = self.derivative(t + 0.5 * h, &s.moved(&k1, 0.5 * h));
            let k3 = self.derivative(t + 0.5 * h, &s.moved(&k2, 0.5 * h));
            let k4 = self.derivative(t + h, &s.moved(&k3, h));
            self.state = s
                .moved(&k1, h / 6.0)
                .moved(&k2, h / 3.0)
                .moved(&k3, h / 3.0)
                .moved(&k4, h / 6.0);
            self.now = t + h;
        }
    }

    fn derivative(&self, t: f64, s: &State) -> State {
        let sc = self.scenario;
        let room = sc.weather.room_at(t);
        let mut d = State {
            wall: (room - s.wall) / sc.heat.wall_s,
            ..State::default()
        };
        if !self.sealed {
            return d;
        }
        let gauge = s.p - sc.weather.ambient_at(t);
        let share = [1.0 - sc.heat.slow_share, sc.heat.slow_share];
        let tau = [sc.heat.quick_s, sc.heat.slow_s];
        let amount = s.m[0] + s.m[1];
        let inflow = self.inflow(t, room);
        let leak = molar_leak(
            sc,
            gauge,
            sc.weather.ambient_at(t),
            (s.m[0] * s.t[0] + s.m[1] * s.t[1]) / amount,
        );
        let outflow = leak + self.vent(t) * amount * gauge / s.p;
        let skin = s.wall + s.skin[0] + s.skin[1];
        let (mut growth, mut heat) = (0.0, 0.0);
        for i in 0..2 {
            let incoming = share[i] * inflow;
            d.m[i] = incoming - outflow * s.m[i] / amount;
            d.t[i] = incoming / s.m[i] * (room - s.t[i]) - (s.t[i] - skin) / (GAMMA * tau[i]);
            growth += d.m[i] * s.t[i] + s.m[i] * d.t[i];
            heat += CV_R * s.m[i] * (s.t[i] - skin) / tau[i];
        }
        let mut creep = 0.0;
        for i in 0..3 {
            let goal = sc.creep / 3.0 * sc.stretch_per_pa * gauge;
            d.creep[i] = (goal - s.creep[i]) / CREEP_S[i];
            creep += s.creep[i];
        }
        let (knock, knock_rate) = self.knock(t);
        let (plunger, plunger_rate) = self.plunger(t);
        let (knock, knock_rate) = (knock + plunger, knock_rate + plunger_rate);
        let v0 = sc.volume_m3;
        let volume = v0 * (1.0 + sc.stretch_per_pa * gauge + creep + knock);
        let widening = v0 * (d.creep.iter().sum::<f64>() + knock_rate);
        d.p = (growth - s.p * widening) / (volume / GAMMA + s.p * v0 * sc.stretch_per_pa);
        for i in 0..2 {
            d.t[i] += s.t[i] / (CP_R * s.p) * d.p;
            d.skin[i] = sc.heat.skin_k_per_j[i] * heat - s.skin[i] / SKIN_S[i];
        }
        d
    }

    /// Flow from the pump times gas constant, J/(K s): one smooth push a cycle.
    fn inflow(&self, t: f64, room: f64) -> f64 {
        let (first, again) = (self.scenario.first_pump_s(), self.scenario.cycle_s());
        let pumping = ((t - first) / again).floor();
        let mut start = first + again * pumping.clamp(0.0, f64::from(self.scenario.earlier_holds));
        for cycle in &self.scenario.strokes_s {
            let flowing = FLOWING * cycle;
            if t < start {
                return 0.0;
            }
            if t < start + flowing {
                let s = libm::sin(std::f64::consts::PI * (t - start) / flowing);
                return 2.0 * s * s * self.stroke_pa_m3 / flowing / room;
            }
            start += cycle;
        }
        0.0
    }

    /// Rate at which the tank is let off before the next pumping, 1/s.
    fn vent(&self, t: f64) -> f64 {
        let (first, again) = (self.scenario.first_pump_s(), self.scenario.cycle_s());
        let cycles = (t - first) / again;
        let left_s = (1.0 - (cycles - cycles.floor())) * again;
        let between = t > first && cycles < f64::from(self.scenario.earlier_holds);
        if between && left_s < VENT_S {
            1.0 / VENT_TAU_S
        } else {
            0.0
        }
    }

    /// Relative volume added by a syringe and its rate, 1/s.
    fn plunger(&self, t: f64) -> (f64, f64) {
        let (mut sum, mut rate) = (0.0, 0.0);
        let Some(syringe) = &self.scenario.syringe else {
            return (0.0, 0.0);
        };
        let size = syringe.stroke_m3 / self.scenario.volume_m3;
        let mut start = self.scenario.syringe_s();
        for is_in in &syringe.moves {
            let (moved, moving) = ramp(t - start, syringe.stroke_s);
            let sign = if *is_in { -size } else { size };
            sum += sign * moved;
            rate += sign * moving;
            start += syringe.every_s;
        }
        (sum, rate)
    }

    /// Relative volume added by knocks and its rate, 1/s.
    fn knock(&self, t: f64) -> (f64, f64) {
        let (mut sum, mut rate) = (0.0, 0.0);
        for k in &self.scenario.knocks {
            let start = self.scenario.flow_stops_s() + k.at_s;
            let (up, up_rate) = edge(t - start);
            let (down, down_rate) = edge(t - start - k.seconds);
            sum += k.pulse * (up - down) + k.left * down;
            rate += k.pulse * (up_rate - down_rate) + k.left * down_rate;
        }
        (sum, rate)
    }
}

/// A smooth step from 0 to 1 and its rate.
fn edge(t: f64) -> (f64, f64) {
    ramp(t, EDGE_S)
}

/// The same over `seconds`.
fn ramp(t: f64, seconds: f64) -> (f64, f64) {
    if t <= 0.0 {
        (0.0, 0.0)
    } else if t >= seconds {
        (1.0, 0.0)
    } else {
        let w = std::f64::consts::PI / seconds;
        (0.5 * (1.0 - libm::cos(w * t)), 0.5 * w * libm::sin(w * t))
    }
}

/// Molar flow of the leak times gas constant, J/(K s). At the reference pressure against the standard atmosphere,
/// gas at the room's first temperature, it is the scenario's rate over 293.15 K. Backwards when the tank sucks.
fn molar_leak(sc: &TankScenario, gauge: f64, ambient: f64, gas_k: f64) -> f64 {
    let scale = sc.leak_rate_pa_m3_s / T_REF_K;
    let sign = if gauge < 0.0 { -1.0 } else { 1.0 };
    let warm = gas_k / sc.weather.room_k;
    let ps = STANDARD_ATMOSPHERE_PA;
    let laminar = || {
        let squares = |pg: f64, pa: f64| (pa + pg) * (pa + pg) - pa * pa;
        squares(gauge, ambient) / squares(sc.p_ref_pa, ps) * libm::pow(warm, LAMINAR_POWER)
    };
    let orifice = || {
        let (hi, lo) = if gauge < 0.0 {
            (ambient, ambient + gauge)
        } else {
            (ambient + gauge, ambient)
        };
        sign * nozzle(hi, lo) / nozzle(ps + sc.p_ref_pa, ps) / warm.sqrt()
    };
    scale
        * match sc.law {
            LeakLaw::Laminar => laminar(),
            LeakLaw::Orifice => orifice(),
            LeakLaw::Linear => gauge / sc.p_ref_pa,
            LeakLaw::Mixed { orifice_share } => {
                (1.0 - orifice_share) * laminar() + orifice_share * orifice()
            }
            LeakLaw::Lid { lift_pa } => (gauge - lift_pa).max(0.0) / (sc.p_ref_pa - lift_pa),
        }
}

/// Mass flow of a nozzle up to a factor: throat at the Mach number that expands to the outside, at most 1.
fn nozzle(inside: f64, outside: f64) -> f64 {
    let mach_sq = 2.0 / (GAMMA - 1.0) * (libm::pow(inside / outside, (GAMMA - 1.0) / GAMMA) - 1.0);
    let mach_sq = mach_sq.clamp(0.0, 1.0);
    let stagnation = 1.0 + 0.5 * (GAMMA - 1.0) * mach_sq;
    inside * mach_sq.sqrt() * libm::pow(stagnation, -0.5 * (GAMMA + 1.0) / (GAMMA - 1.0))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn still() -> TankScenario {
        let mut sc = TankScenario::plover();
        sc.weather = super::super::Weather::still(293.15, 101_325.0);
        sc.heat.wall_excess_k = 0.0;
        sc.leak_rate_pa_m3_s = 0.0;
        sc
    }

    /// The ideal gas must hold all the way, though the pressure is integrated by itself.
    #[test]
    fn ideal_gas_holds() {
        let sc = TankScenario::drawn(5);
        let mut tank = Tank::open(&sc, stroke_for(&sc, 3));
        tank.advance(sc.pumped_s() + 60.0);
        let s = tank.state;
        let gauge = s.p - sc.weather.ambient_at(tank.now);
        let v = sc.volume_m3 * (1.0 + sc.stretch_per_pa * gauge + s.creep.iter().sum::<f64>());
        let gas = s.m[0] * s.t[0] + s.m[1] * s.t[1];
        // the barometer's drift stretches the wall unseen: below 1e-6
        assert!((s.p * v / gas - 1.0).abs() < 1e-6, "{}", s.p * v / gas);
    }

    /// Pumping heats, the heat leaves: long afterwards pressure and amount agree at the wall's temperature; and the
    /// pressure wanted is reached.
    #[test]
    fn a_tight_rigid_tank_keeps_its_gas() {
        let mut sc = still();
        (sc.stretch_per_pa, sc.creep) = (0.0, 0.0);
        sc.heat.skin_k_per_j = [0.0; 2];
        let stroke = stroke_for(&sc, 6);
        let mut tank = Tank::open(&sc, stroke);
        tank.advance(sc.flow_stops_s());
        assert!(
            (tank.gauge_pa() - sc.pressure_pa).abs() < 1.0,
            "{}",
            tank.gauge_pa()
        );
        tank.advance(sc.pumped_s() + 200.0);
        let pumped = stroke * sc.strokes_s.len() as f64 / sc.volume_m3;
        assert!(
            (tank.gauge_pa() - pumped).abs() < 0.05,
            "{} {pumped}",
            tank.gauge_pa()
        );
    }

    /// A leak that loses gas at the reference pressure loses it at the stated rate: rate of the pressure times the
    /// effective volume, after the gas has settled.
    #[test]
    fn the_stated_rate_is_the_rate() {
        for law in [
            LeakLaw::Laminar,
            LeakLaw::Orifice,
            LeakLaw::Linear,
            LeakLaw::Mixed { orifice_share: 0.4 },
            LeakLaw::Lid { lift_pa: 3e3 },
        ] {
            let mut sc = still();
            sc.heat.skin_k_per_j = [0.0; 2];
            (sc.creep, sc.law, sc.leak_rate_pa_m3_s) = (0.0, law, 1e-3);
            let mut tank = Tank::open(&sc, stroke_for(&sc, 6));
            tank.advance(sc.pumped_s() + 90.0);
            // The rate at the pressure of this moment against the slope there, a central difference over 2 s.
            let rate = molar_leak(&sc, tank.gauge_pa(), 101_325.0, 293.15) * T_REF_K;
            let here = TankScenario {
                p_ref_pa: tank.gauge_pa(),
                ..sc.clone()
            };
            let mut before = Tank::open(&sc, tank.stroke_pa_m3);
            before.advance(sc.pumped_s() + 89.0);
            tank.advance(sc.pumped_s() + 91.0);
            let slope = 0.5 * (before.gauge_pa() - tank.gauge_pa());
            let ratio = slope * here.effective_m3() / rate;
            assert!((ratio - 1.0).abs() < 3e-3, "{law:?} {ratio}");
        }
    }

    /// Two holds with the pressure let off between them: the second pumping starts from nothing and ends where the first did.
    #[test]
    fn a_second_pumping_is_like_the_first() {
        let mut sc = still();
        sc.earlier_holds = 1;
        let mut tank = Tank::open(&sc, stroke_for(&sc, 6));
        tank.advance(sc.first_pump_s() + sc.flowing_s());
        let first = tank.gauge_pa();
        tank.advance(sc.pump_s());
        assert!(tank.gauge_pa().abs() < 0.01 * first, "{}", tank.gauge_pa());
        tank.advance(sc.flow_stops_s());
        // Letting off leaves the gas colder, by at most an adiabatic expansion: as much more gas stays in the tank.
        let ambient = sc.weather.ambient_at(tank.now);
        let colder = libm::pow(1.0 + first / ambient, 1.0 - 1.0 / GAMMA) - 1.0;
        let more = (tank.gauge_pa() - first) / (ambient + first);
        assert!((0.0..colder).contains(&more), "{more} {colder}");
    }

    /// A plunger pushed in and left there, heat gone: Boyle's law for a rigid tank.
    #[test]
    fn a_plunger_obeys_boyle() {
        let mut sc = still();
        (sc.stretch_per_pa, sc.creep) = (0.0, 0.0);
        sc.heat.skin_k_per_j = [0.0; 2];
        sc.syringe = Some(super::super::Syringe {
            moves: vec![true],
            ..super::super::Syringe::six(5e-6)
        });
        let mut tank = Tank::open(&sc, stroke_for(&sc, 3));
        tank.advance(sc.syringe_s());
        let before = tank.state.p;
        tank.advance(sc.syringe_s() + 120.0);
        let ratio = before / tank.state.p;
        let boyle = 1.0 - 5e-6 / sc.volume_m3;
        assert!((ratio - boyle).abs() < 1e-6, "{ratio} {boyle}");
    }

    /// Mach-number form against the pressure-ratio form of the same flow.
    #[test]
    fn nozzle_is_the_isentropic_one() {
        let form = |p: f64| {
            let r = (101_325.0 / p).max(0.528_281_787_717_174);
            p * (libm::pow(r, 2.0 / GAMMA) - libm::pow(r, 2.4 / GAMMA)).sqrt()
        };
        let unit = nozzle(110e3, 101_325.0) / form(110e3);
        for p in [102e3, 125e3, 180e3, 250e3] {
            assert!((nozzle(p, 101_325.0) / form(p) / unit - 1.0).abs() < 1e-9);
        }
    }
}

//! Starter pulls as physics: a two-stroke cylinder with blow-by and a pinching sleeve, flywheel, pulley with a one-way
//! bearing, recoil spring, a cord that stretches, a hand that wants a speed and has a limited force, an averaging
//! converter. Nothing here is shared with the pull measure: it must find out by itself.
//!
//! The numbers of the population are judgement, not measurements of engines (2.1 to 4.6 cm3); they stand in `drawn.rs`.

mod converter;
mod drawn;
mod hand;
mod machine;

use std::f64::consts::TAU;

use serde::Serialize;

use super::Simulated;
use super::noise::Noise;
use crate::reading::ForceReading;
use hand::Arm;
use machine::Machine;

/// Engine, starter and cord.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Engine {
    /// Swept volume, m3.
    pub displacement_m3: f64,
    /// Stroke, m.
    pub stroke_m: f64,
    /// Crank radius over rod length.
    pub rod_ratio: f64,
    /// Volume over the piston at top dead centre, m3.
    pub clearance_m3: f64,
    /// The exhaust port closes this far before top dead centre, rad.
    pub port_rad: f64,
    /// Air lost past the piston a second, share of the charge, per unit of `(p/p0)^2 - 1`.
    pub blow_by_per_s: f64,
    /// How much wider the sleeve leaks one stroke further down, in units of the leak at the top.
    pub taper: f64,
    /// Time in which the air's excess temperature goes into the walls (e-fold), s.
    pub cooling_s: f64,
    /// Friction of the tapered sleeve at top dead centre, N, and how far down it is felt (e-fold), m.
    pub pinch_n: f64,
    /// See `pinch_n`.
    pub pinch_reach_m: f64,
    /// Dry friction of crank and seals, N m.
    pub friction_nm: f64,
    /// Moment of inertia of crank and flywheel, kg m2.
    pub crank_kg_m2: f64,
    /// Moment of inertia of the pulley, kg m2.
    pub pulley_kg_m2: f64,
    /// Radius at which the cord leaves the pulley, m.
    pub pulley_m: f64,
    /// Recoil spring at the handle: preload, N, and rate, N/m.
    pub spring_n: f64,
    /// See `spring_n`.
    pub spring_n_per_m: f64,
    /// Stiffness of cord and probe, N/m.
    pub cord_n_per_m: f64,
    /// Damping of the cord, N s/m.
    pub cord_damping: f64,
}

/// The person: a speed controller with limited force.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Hand {
    /// Mean speed that is wanted, m/s; each pull's lies within 0.6 to 1.8.
    pub speed_m_s: f64,
    /// Standard deviation of the speed from pull to pull, relative.
    pub speed_sd: f64,
    /// Mean length of a pull, m; each pull's differs by 8 % sd.
    pub reach_m: f64,
    /// Time until the wanted speed is wanted, s.
    pub ramp_s: f64,
    /// Time that the handle is held out, s.
    pub hold_s: f64,
    /// Full force, N.
    pub force_limit_n: f64,
    /// Force per lack of speed, N s/m.
    pub gain_n_s_per_m: f64,
    /// Growth of the force per lack of speed, N/m.
    pub gain_n_per_m: f64,
    /// Hand and forearm, kg.
    pub mass_kg: f64,
    /// Lag of the muscles, s.
    pub muscle_s: f64,
}

/// The force probe.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Probe {
    /// Readings a second, 1..=20000.
    pub rate_hz: u32,
    /// Times that the force is averaged over a reading's interval: 0 point samples, 1, 4 (sinc4).
    pub filter_order: u32,
    /// Noise of a reading, sd, N.
    pub noise_n: f64,
    /// Zero that was not tared away, N.
    pub offset_n: f64,
}

impl Probe {
    /// Noise 0.1 N, tared.
    pub fn new(rate_hz: u32, filter_order: u32) -> Self {
        Self {
            rate_hz,
            filter_order,
            noise_n: 0.1,
            offset_n: 0.0,
        }
    }
}

/// What is wrong with the engine, from a pull on.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Lock {
    /// It turns.
    Free,
    /// It does not move at all.
    FromStart {
        /// First pull that finds it so, counted from 0.
        pull: usize,
    },
    /// It seizes in a pull.
    Midway {
        /// The pull, counted from 0.
        pull: usize,
        /// After this many turns of the crank in it.
        turns: f64,
    },
}

/// A session of starter pulls.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct EngineScenario {
    /// Mass of the car, kg; only the truth's lift ratio needs it.
    pub mass_kg: f64,
    /// Engine and starter.
    pub engine: Engine,
    /// Person.
    pub hand: Hand,
    /// Probe.
    pub probe: Probe,
    /// Pulls in the session.
    pub pulls: usize,
    /// False: the plug is out.
    pub plug_in: bool,
    /// Whether and when the engine is stuck.
    pub lock: Lock,
    /// Length of the cord, m; shorter than the reach of the arm, it runs out to its stop.
    pub cord_m: f64,
}

/// One passage of top dead centre.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct StrokeTruth {
    /// Time of the passage, s.
    pub tdc_s: f64,
    /// Time of the force's peak before it, s.
    pub peak_s: f64,
    /// That peak, N.
    pub peak_n: f64,
}

/// What is true of one pull.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
pub struct PullTruth {
    /// The hand begins, s.
    pub hand_s: f64,
    /// The cord first carries 0.4 N, s.
    pub start_s: f64,
    /// The hand turns round, s.
    pub end_s: f64,
    /// Passages of top dead centre while the cord pulls.
    pub strokes: Vec<StrokeTruth>,
    /// Highest force, the cord's stop left out, N.
    pub peak_n: f64,
    /// Strokes a second: 1 / median interval of the peaks above 0.6 of the two highest ones' mean; from three on.
    pub cadence_hz: Option<f64>,
    /// Time from which the crank cannot move, s.
    pub locked_s: Option<f64>,
    /// The cord reached its stop, s.
    pub stop_s: Option<f64>,
}

/// What is true of a session.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct EngineTruth {
    /// Mass of the car, kg.
    pub mass_kg: f64,
    /// Every pull.
    pub pulls: Vec<PullTruth>,
    /// Mean over the pulls of highest force over weight.
    pub lift_ratio: f64,
}

/// Simulates a session; the same seed gives the same readings. The seed draws start angles, speeds, pauses and noise.
///
/// ```
/// use feelgauge::physics::engine::{EngineScenario, simulate};
/// let record = simulate(&EngineScenario::plover(), 1);
/// assert_eq!(record.truth.pulls.len(), 6);
/// ```
pub fn simulate(scenario: &EngineScenario, seed: u64) -> Simulated<ForceReading, EngineTruth> {
    let mut noise = Noise::new(seed, 0x656e_6769_6e65);
    let steps = converter::steps_per_reading(scenario.probe.rate_hz);
    let h = 1.0 / (f64::from(scenario.probe.rate_hz) * steps as f64);
    let mut fine = Vec::new();
    let mut pulls = Vec::new();
    rest(&mut fine, 1.0, h);
    for k in 0..scenario.pulls {
        pulls.push(one_pull(scenario, k, &mut fine, h, &mut noise));
        rest(&mut fine, noise.uniform(1.0, 1.8), h);
    }
    let weight = scenario.mass_kg * crate::units::STANDARD_GRAVITY;
    let lift_ratio =
        pulls.iter().map(|p| p.peak_n).sum::<f64>() / (weight * pulls.len().max(1) as f64);
    Simulated {
        readings: converter::readings(fine, &scenario.probe, &mut noise),
        truth: EngineTruth {
            mass_kg: scenario.mass_kg,
            pulls,
            lift_ratio,
        },
    }
}

/// The handle hangs free.
fn rest(fine: &mut Vec<f64>, seconds: f64, h: f64) {
    let mut t = 0.0;
    while t < seconds {
        fine.push(0.0);
        t += h;
    }
}

/// Pulls once, appending the cord's tension after every step.
fn one_pull(
    scenario: &EngineScenario,
    k: usize,
    fine: &mut Vec<f64>,
    h: f64,
    noise: &mut Noise,
) -> PullTruth {
    let hand = scenario.hand;
    let speed = (hand.speed_m_s * (1.0 + hand.speed_sd * noise.normal())).clamp(0.6, 1.8);
    let reach = hand.reach_m * (1.0 + 0.08 * noise.normal()).max(0.5);
    let angle = noise.uniform(0.0, TAU);
    let mut machine = Machine::new(scenario.engine, scenario.plug_in, scenario.cord_m, angle);
    let mut arm = Arm::new(hand, speed, reach);
    let from = fine.len();
    let mut truth = PullTruth {
        hand_s: from as f64 * h,
        ..PullTruth::default()
    };
    let mut passages = Vec::new();
    let mut next_top = TAU;
    let mut tension = 0.0;
    while !arm.is_home() {
        let t = (fine.len() - from) as f64 * h;
        arm.step(t, tension, h);
        if !machine.locked && locks(scenario.lock, k, (machine.crank_rad - angle) / TAU) {
            machine.locked = true;
            truth.locked_s = Some(truth.hand_s + t);
        }
        tension = machine.step(arm.at_m, arm.m_s, h);
        fine.push(tension);
        if machine.at_stop && truth.stop_s.is_none() {
            truth.stop_s = Some(truth.hand_s + t);
            arm.jerked(t);
        }
        if machine.crank_rad >= next_top {
            next_top += TAU;
            if truth.stop_s.is_none() {
                passages.push(fine.len());
            }
        }
    }
    truth.end_s = truth.hand_s + arm.turned_s.unwrap_or(0.0);
    conclude(&mut truth, &passages, &fine[..], from, h);
    truth
}

/// The crank is stuck in pull `k` after so many turns.
fn locks(lock: Lock, k: usize, turned: f64) -> bool {
    match lock {
        Lock::Free => false,
        Lock::FromStart { pull } => k >= pull,
        Lock::Midway { pull, turns } => k > pull || (k == pull && turned >= turns),
    }
}

/// Peaks before the passages (indices into `fine`), and what follows from them.
fn conclude(truth: &mut PullTruth, passages: &[usize], fine: &[f64], from: usize, h: f64) {
    let time = |i: usize| (i + 1) as f64 * h;
    let first = (from..fine.len()).find(|i| fine[*i] > 0.4).unwrap_or(from);
    truth.start_s = time(first);
    let stop = truth
        .stop_s
        .and_then(|stop| (from..fine.len()).find(|i| time(*i) >= stop))
        .unwrap_or(fine.len());
    truth.peak_n = fine[from..stop].iter().fold(0.0f64, |m, f| m.max(*f));
    let mut begin = from;
    for (k, passage) in passages.iter().enumerate() {
        // The force has let go a fifth of a turn behind the passage.
        let peak = (begin..*passage)
            .max_by(|a, b| fine[*a].total_cmp(&fine[*b]))
            .unwrap_or(begin);
        truth.strokes.push(StrokeTruth {
            tdc_s: time(*passage),
            peak_s: time(peak),
            peak_n: fine[peak],
        });
        let turn = passages.get(k + 1).map_or(0, |next| next - passage);
        begin = passage + turn / 5;
    }
    truth.cadence_hz = cadence(&truth.strokes);
}

fn cadence(strokes: &[StrokeTruth]) -> Option<f64> {
    let mut peaks: Vec<f64> = strokes.iter().map(|s| s.peak_n).collect();
    peaks.sort_by(|a, b| b.total_cmp(a));
    let reference = (peaks.first()? + peaks.get(1)?) / 2.0;
    let times: Vec<f64> = strokes
        .iter()
        .filter(|s| s.peak_n >= 0.6 * reference)
        .map(|s| s.peak_s)
        .collect();
    let mut gaps: Vec<f64> = times.windows(2).map(|t| t[1] - t[0]).collect();
    gaps.sort_by(f64::total_cmp);
    let half = gaps.len() / 2;
    match gaps.len() {
        0 | 1 => None,
        n if n % 2 == 1 => Some(1.0 / gaps[half]),
        _ => Some(2.0 / (gaps[half - 1] + gaps[half])),
    }
}

//! A drivetrain that is pushed or spun, let go and runs down, again and again, seen by a hall sensor.
//!
//! Written independently of the roll measure: it integrates the energy of the moving parts over the angle of the
//! sensed shaft (`dE/dx = hand - drag - ripple - snag`, `E = w^2/2` in turns^2/s^2) in small steps, with every shaft's
//! phase carried along, and never looks at how the measure reads it. What the numbers of a car are (drag, ripple,
//! speeds of a hand) is common practice without source; [`Conditions`] states each.

mod cars;
mod hand;
mod magnets;
mod motion;
mod snag;
mod spins;

use serde::Serialize;

use super::Simulated;
use crate::reading::Edge;
use crate::vehicle::{Train, TrainError, Vehicle, VehicleError};

pub use cars::random_car;

/// What the bench and the car are like; wheel speeds and drags are those of the fastest wheel.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Conditions {
    /// Length of the record, s.
    pub duration_s: f64,
    /// Coulomb drag: what the wheel loses in speed, turns/s^2.
    pub drag: f64,
    /// Viscous part of the drag: share of `drag` that a wheel speed of 1 turn/s adds.
    pub viscous: f64,
    /// Slow wander of the drag, relative sd; it forgets itself in some wheel turns.
    pub wander: f64,
    /// Change of the drag from run to run (slope of the floor), relative sd.
    pub run_to_run: f64,
    /// Fast random losses: energy sd over one sensed turn, in units of the drag's work on it.
    pub rattle: f64,
    /// Largest amplitude of torque ripple once and twice a turn, in units of the drag.
    pub torque_ripple: f64,
    /// Largest amplitude of torque ripple from tooth to tooth, in units of the drag.
    pub tooth_ripple: f64,
    /// Largest amplitude of the angle ripple of a shaft that is not sensed, turns of the sensed shaft.
    pub angle_ripple: f64,
    /// Bend of every joint, degrees.
    pub joint_bend_deg: f64,
    /// Relative sd of a wheel's rolling radius and path (rolling only).
    pub wheel_slip: f64,
    /// Relative sd of a bearing's order: its balls slip.
    pub ball_slip: f64,
    /// Slowest and fastest wheel speed at which the hand lets go, turns/s.
    pub let_go: (f64, f64),
    /// Shortest and longest pause between two runs, s.
    pub pause_s: (f64, f64),
    /// Share of runs that a braking hand ends before the car stands.
    pub caught: f64,
    /// Magnets sit this far from their even places, sd in degrees.
    pub magnet_sd_deg: f64,
    /// Standard deviation of one edge time, microseconds.
    pub jitter_us: f64,
    /// Share of edges that are missed.
    pub missed: f64,
    /// Share of edges that are doubled within 0.3 ms.
    pub bounced: f64,
    /// Every push goes the other way than the one before: the magnets pass the first sensor in the opposite order.
    pub to_and_fro: bool,
}

impl Conditions {
    /// A car rolling over the floor, pushed at walking pace.
    pub const ROLLING: Self = Self {
        duration_s: 60.0,
        drag: 0.6,
        viscous: 0.1,
        wander: 0.03,
        run_to_run: 0.04,
        rattle: 0.007,
        torque_ripple: 0.02,
        tooth_ripple: 0.02,
        angle_ripple: 0.001,
        joint_bend_deg: 10.0,
        wheel_slip: 0.002,
        ball_slip: 0.01,
        let_go: (2.2, 4.2),
        pause_s: (0.3, 1.5),
        caught: 0.3,
        magnet_sd_deg: 3.0,
        jitter_us: 10.0,
        missed: 0.0,
        bounced: 0.0,
        to_and_fro: false,
    };

    /// A car on a stand, one wheel spun by hand: less mass, so more loss of speed.
    pub const STAND: Self = Self {
        drag: 1.6,
        viscous: 0.08,
        run_to_run: 0.01,
        let_go: (4.0, 7.0),
        wheel_slip: 0.0,
        ..Self::ROLLING
    };
}

/// A snag to put into the car.
#[derive(Clone, Debug, PartialEq)]
pub struct SnagScenario {
    /// Part, as named by the train: `ring_f`, `final_f.pair`, `hub_rl.cage`.
    pub part: String,
    /// Peak snag torque over Coulomb drag, both at the wheel.
    pub depth: f64,
    /// Share of turns that hit, 0..=1.
    pub hit_rate: f64,
    /// Mean number of hits in a row; `None`: every turn for itself.
    pub burst: Option<f64>,
}

/// A car in a setup, with what happens to it.
#[derive(Clone, Debug, PartialEq)]
pub struct DrivetrainScenario {
    /// The vehicle file's text.
    pub vehicle_toml: String,
    /// Name of the setup.
    pub setup: String,
    /// What the bench is like.
    pub conditions: Conditions,
    /// The snag; `None`: a healthy car.
    pub snag: Option<SnagScenario>,
    /// Further snags of the same car, each with chances of its own.
    pub more_snags: Vec<SnagScenario>,
    vehicle: Vehicle,
    train: Train,
    /// Index of the sensor.
    sensor: u32,
    /// Index of a second sensor, its shaft and its magnets.
    second: Option<(u32, String, u32)>,
}

/// Why a scenario cannot be simulated.
#[derive(Clone, Debug, PartialEq)]
pub enum ScenarioError {
    /// The vehicle file is faulty.
    Vehicle(VehicleError),
    /// Its train cannot be solved in this setup.
    Train(TrainError),
    /// The part cannot be seen in this setup.
    NoPart {
        /// The name asked for.
        part: String,
        /// Parts that can snag.
        known: Vec<String>,
    },
}

impl std::fmt::Display for ScenarioError {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::Vehicle(error) => write!(f, "vehicle file: {error}"),
            Self::Train(error) => error.fmt(f),
            Self::NoPart { part, known } => write!(
                f,
                "no part '{part}' can be seen in this setup; choose one of: {}",
                known.join(", ")
            ),
        }
    }
}

impl std::error::Error for ScenarioError {}

/// One event of the snagging part.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct SnagEvent {
    /// Number of the event, 0 for the first after the first edge (negative before it).
    pub turn: i64,
    /// Time of the peak, s.
    pub t_s: f64,
    /// The snag showed in this turn.
    pub hit: bool,
    /// Peak torque over Coulomb drag in this turn; 0 without a hit.
    pub depth: f64,
    /// No hand was on the car.
    pub coasting: bool,
}

/// What is true of a snag.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct SnagTruth {
    /// Part.
    pub part: String,
    /// Parts of the same nominal order, this one included: no record of this setup can tell them apart.
    pub same_order: Vec<String>,
    /// Events per sensed turn by the tooth counts.
    pub nominal_order: f64,
    /// Events per sensed turn over this record (tyres and balls slip).
    pub order: f64,
    /// First event after the first edge, degrees of the event period.
    pub phase_deg: f64,
    /// Depth that was asked for.
    pub depth: f64,
    /// Share of coasting events that hit.
    pub hit_rate: f64,
    /// Every event of the record.
    pub events: Vec<SnagEvent>,
}

/// What is true of a simulated roll record.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct DrivetrainTruth {
    /// Setup.
    pub setup: String,
    /// The snag; null in a healthy car.
    pub snag: Option<SnagTruth>,
    /// Further snags.
    pub more_snags: Vec<SnagTruth>,
    /// Turns of the sensed shaft.
    pub turns: f64,
    /// Turns from each magnet to the next, from the first edge's magnet on; sum 1.
    pub spacing: Vec<f64>,
    /// Coulomb drag, turns/s^2 of the sensed shaft.
    pub drag: f64,
    /// Drag that a speed of 1 turn/s of the sensed shaft adds, turns/s^2.
    pub viscous: f64,
    /// Edges left out.
    pub missed: u64,
    /// Edges doubled.
    pub bounced: u64,
    /// Start and end of every run without a hand, s.
    pub coasts: Vec<(f64, f64)>,
}

impl DrivetrainScenario {
    /// A healthy car in a setup, with the usual conditions of rolling or standing.
    ///
    /// # Errors
    /// A faulty vehicle file, or a setup or sensor that its train does not have.
    pub fn new(
        vehicle_toml: &str,
        setup: &str,
        sensor: Option<u32>,
    ) -> Result<Self, ScenarioError> {
        let vehicle = Vehicle::parse(vehicle_toml).map_err(ScenarioError::Vehicle)?;
        let train = vehicle
            .train(Some(setup), sensor)
            .map_err(ScenarioError::Train)?;
        let first = vehicle.sensors.first().map_or(0, |s| s.index);
        Ok(Self {
            vehicle_toml: vehicle_toml.into(),
            setup: setup.into(),
            conditions: if train.rolling {
                Conditions::ROLLING
            } else {
                Conditions::STAND
            },
            snag: None,
            more_snags: Vec::new(),
            second: None,
            sensor: sensor.unwrap_or(first),
            vehicle,
            train,
        })
    }

    /// The same with a snag.
    ///
    /// # Errors
    /// A part that cannot be seen in this setup.
    pub fn with_snag(mut self, snag: SnagScenario) -> Result<Self, ScenarioError> {
        self.check(&snag)?;
        self.snag = Some(snag);
        Ok(self)
    }

    /// The same with one more snag beside those it has.
    ///
    /// # Errors
    /// A part that cannot be seen in this setup.
    pub fn and_snag(mut self, snag: SnagScenario) -> Result<Self, ScenarioError> {
        self.check(&snag)?;
        match self.snag {
            None => self.snag = Some(snag),
            Some(_) => self.more_snags.push(snag),
        }
        Ok(self)
    }

    fn check(&self, snag: &SnagScenario) -> Result<(), ScenarioError> {
        if self.train.parts.iter().any(|p| p.name == snag.part) {
            return Ok(());
        }
        Err(ScenarioError::NoPart {
            part: snag.part.clone(),
            known: self.train.parts.iter().map(|p| p.name.clone()).collect(),
        })
    }

    /// The same with another sensor of the file beside the first; it watches its shaft turn without ripple of its own
    /// (a wheel carries the mass).
    ///
    /// # Errors
    /// A sensor that the file does not have, or one whose shaft stands in this setup.
    pub fn with_second_sensor(mut self, index: u32) -> Result<Self, ScenarioError> {
        self.vehicle
            .train(Some(&self.setup), Some(index))
            .map_err(ScenarioError::Train)?;
        let sensor = self.vehicle.sensors.iter().find(|s| s.index == index);
        self.second = sensor.map(|s| {
            let shaft = &self.vehicle.shafts[s.shaft];
            (index, shaft.name.clone(), s.magnets)
        });
        Ok(self)
    }

    /// The demo car: front left wheel spun on a stand, the front ring gear snags in about a third of its turns.
    ///
    /// ```
    /// use feelgauge::physics::drivetrain::{DrivetrainScenario, simulate};
    /// let record = simulate(&DrivetrainScenario::plover(), 1);
    /// assert_eq!(record.truth.snag.unwrap().part, "ring_f");
    /// assert!(record.readings.len() > 500);
    /// ```
    pub fn plover() -> Self {
        Self::plover_in("one_fl", true).expect("the demo car's file is tested")
    }

    /// The demo car after its rebuild: the same without a snag.
    pub fn plover_healthy() -> Self {
        Self::plover_in("one_fl", false).expect("the demo car's file is tested")
    }

    /// The demo car in a setup of its file, with its snag (which shows where the front ring gear turns) or rebuilt.
    ///
    /// # Errors
    /// A setup that its file does not have.
    pub fn plover_in(setup: &str, snagged: bool) -> Result<Self, ScenarioError> {
        let car = Self::new(super::PLOVER_8, setup, None)?;
        let turns = car.train.parts.iter().any(|p| p.name == PLOVER_PART);
        if !snagged || !turns {
            return Ok(car);
        }
        car.with_snag(SnagScenario::felt(PLOVER_PART))
    }

    /// The train as the measure will see it.
    pub fn train(&self) -> &Train {
        &self.train
    }

    /// The car.
    pub fn vehicle(&self) -> &Vehicle {
        &self.vehicle
    }
}

/// Where the demo's snag sits.
const PLOVER_PART: &str = "ring_f";
/// Depth and hit rate of a hitch that a thumb feels (assumption without source).
const FELT: (f64, f64) = (1.2, 0.35);

impl SnagScenario {
    /// A hitch that a thumb feels now and then: the demo's, in whatever part.
    pub fn felt(part: &str) -> Self {
        Self {
            part: part.into(),
            depth: FELT.0,
            hit_rate: FELT.1,
            burst: None,
        }
    }
}

/// Runs a scenario. The same seed gives the same edges on every machine; with and without a snag it gives the same
/// car, hand and noise.
pub fn simulate(scenario: &DrivetrainScenario, seed: u64) -> Simulated<Edge, DrivetrainTruth> {
    motion::run(scenario, seed)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::vehicle::PartKind;

    #[test]
    fn a_seed_gives_the_same_record() {
        let scenario = DrivetrainScenario::plover();
        let (a, b) = (simulate(&scenario, 7), simulate(&scenario, 7));
        assert_eq!(a, b);
        assert_ne!(a.readings, simulate(&scenario, 8).readings);
        // the car itself does not depend on its snag
        let healthy = simulate(&DrivetrainScenario::plover_healthy(), 7);
        assert_eq!(healthy.truth.spacing, a.truth.spacing);
        assert!(healthy.truth.snag.is_none());
        assert!(a.readings.windows(2).all(|w| w[0].t_us < w[1].t_us));
    }

    /// Whatever part snags, in whatever setup of a random car: its order lies within 4 sd of the tooth counts', the
    /// hits come as often as asked (5 standard errors), events follow each other one by one.
    #[test]
    fn every_part_can_snag() {
        let mut seen = Vec::new();
        for (seed, setup) in [
            (1, "straight"),
            (2, "circle"),
            (3, "one_fl"),
            (4, "one_rl"),
            (5, "axle_f"),
        ] {
            let car = DrivetrainScenario::drawn_healthy(seed, setup);
            for part in &car.train().parts {
                let snagged = car.clone().with_snag(SnagScenario {
                    part: part.name.clone(),
                    depth: 0.5,
                    hit_rate: 0.4,
                    burst: (seed % 2 == 0).then_some(4.0),
                });
                let truth = simulate(&snagged.unwrap(), seed).truth.snag.unwrap();
                let off = (truth.order / part.order - 1.0).abs();
                // Planets of a rolling car turn by the small difference of two wheels, so slip may count many times.
                let planet = part.kind == PartKind::Planet && part.order_sd > 0.0;
                assert!(
                    planet || off <= 4.5 * part.order_sd + 1e-9,
                    "{setup} {}: {off}",
                    part.name
                );
                assert!((0.0..360.0).contains(&truth.phase_deg));
                assert!(truth.same_order.contains(&part.name));
                let turns: Vec<i64> = truth.events.iter().map(|e| e.turn).collect();
                assert!(
                    turns.windows(2).all(|w| w[1] == w[0] + 1),
                    "{setup} {}",
                    part.name
                );
                let n = truth.events.iter().filter(|e| e.coasting).count() as f64;
                // bursts of four tell a quarter as much
                let sd = (0.24 * 4.0 / n.max(1.0)).sqrt();
                assert!(
                    (truth.hit_rate - 0.4).abs() < 5.0 * sd,
                    "{} {n}",
                    truth.hit_rate
                );
                seen.push(part.name.clone());
            }
        }
        for part in [
            "ring_f",
            "final_f.pair",
            "diff_f.planet",
            "hub_rl.cage",
            "hub_rl.inner",
            "drive_fl",
        ] {
            assert!(seen.iter().any(|s| s == part), "{part}");
        }
    }

    #[test]
    fn the_population_has_both_kinds_and_many_parts() {
        let drawn: Vec<_> = (0..60).map(DrivetrainScenario::drawn).collect();
        let healthy = drawn.iter().filter(|s| s.snag.is_none()).count();
        assert!((15..45).contains(&healthy), "{healthy}");
        let rolling = drawn.iter().filter(|s| s.train().rolling).count();
        assert!((30..58).contains(&rolling), "{rolling}");
        let mut parts: Vec<_> = drawn
            .iter()
            .filter_map(|s| s.snag.as_ref())
            .map(|s| &s.part)
            .collect();
        parts.sort();
        parts.dedup();
        assert!(parts.len() > 8, "{parts:?}");
    }

    #[test]
    fn a_part_that_stands_cannot_snag() {
        let error = DrivetrainScenario::plover_healthy()
            .with_snag(SnagScenario {
                part: "ring_r".into(),
                depth: 1.0,
                hit_rate: 0.4,
                burst: None,
            })
            .unwrap_err();
        assert!(error.to_string().contains("ring_f"));
        assert!(DrivetrainScenario::new(super::super::PLOVER_8, "none", None).is_err());
        assert!(DrivetrainScenario::new("format = 2", "none", None).is_err());
    }
}

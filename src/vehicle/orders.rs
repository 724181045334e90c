//! Parts, their events per turn of the sensed shaft, and which of them can be seen.

use super::gears::{bearing_rates, gcd, pair_turns};
use super::kinematics::{TrainError, roll_setup, solve};
use super::{NotVisible, Part, PartKind, Sensor, Train, Turning, Vehicle};

/// A part slower than this share of the fastest wheel stands still.
const STANDS: f64 = 0.02;
/// Rounding of the solved speeds: an order of exactly half the magnets can be seen.
const ROUNDING: f64 = 1e-9;
/// Relative sd of an order that tyre slip can shift while rolling.
const SLIP_SD: f64 = 0.002;
/// Relative sd of the orders of a bearing: its balls slip.
const BEARING_SD: f64 = 0.01;

/// One line of the table of orders.
#[derive(Clone, Debug, PartialEq)]
pub struct OrderRow {
    /// Name of the part.
    pub part: String,
    /// Words for people (the name where the file gives no label).
    pub label: String,
    /// Events per turn of the sensed shaft; `None` when the part stands still.
    pub order: Option<f64>,
    /// Relative sd of the order.
    pub order_sd: f64,
    /// Why it cannot be seen; `None` when it can.
    pub reason: Option<String>,
}

/// A part before it is known whether it can be seen.
struct Candidate {
    part: Part,
    /// Events per unit of wheel speed, >= 0 (for a pair: turns of its shaft a).
    moves: f64,
}

/// Speeds of one setup as seen from one sensor.
struct View<'v> {
    vehicle: &'v Vehicle,
    sensor: &'v Sensor,
    rolling: bool,
    stated: &'v [(usize, f64)],
    /// |speed| of every shaft, unit of the largest stated speed.
    speed: Vec<f64>,
    /// Signed speeds, same unit.
    signed: Vec<f64>,
    /// |speed| of the fastest wheel.
    wheel: f64,
    /// Shafts that meshes alone tie to the sensed one.
    rigid: Vec<bool>,
}

impl Vehicle {
    /// Solves the gear train for a roll setup, seen from a sensor. `setup` may be left out when the file has one roll
    /// setup; `sensor` is an index of the file, the first `[[sensor]]` when left out.
    ///
    /// # Errors
    /// Unknown or missing setup or sensor, a setup that fixes too little or contradicts the gears, a sensed shaft
    /// that stands still.
    pub fn train(&self, setup: Option<&str>, sensor: Option<u32>) -> Result<Train, TrainError> {
        let view = View::new(self, setup, sensor)?;
        let (mut parts, mut not_visible) = (Vec::new(), Vec::new());
        for candidate in view.candidates() {
            match view.hidden(&candidate) {
                None => parts.push(candidate.part),
                Some(reason) => not_visible.push(NotVisible {
                    part: candidate.part.name,
                    reason,
                }),
            }
        }
        Ok(Train {
            magnets: view.sensor.magnets,
            rolling: view.rolling,
            sensed_named: view.is_stated(view.sensor.shaft),
            fastest_wheel: view.wheel / view.sensed_speed(),
            parts,
            turning: view.turning(),
            not_visible,
        })
    }

    /// Every part of the file with its order in a setup, or the reason why it cannot be seen; order of the file.
    ///
    /// # Errors
    /// As [`Vehicle::train`].
    pub fn orders(
        &self,
        setup: Option<&str>,
        sensor: Option<u32>,
    ) -> Result<Vec<OrderRow>, TrainError> {
        let view = View::new(self, setup, sensor)?;
        let row = |candidate: Candidate| OrderRow {
            label: self.words_for(&candidate.part.name),
            order: (!view.stands(candidate.moves)).then_some(candidate.part.order),
            order_sd: candidate.part.order_sd,
            reason: view.hidden(&candidate),
            part: candidate.part.name,
        };
        Ok(view.candidates().into_iter().map(row).collect())
    }

    /// Shafts named in the `speeds` of any roll setup: the wheels.
    pub fn wheels(&self) -> Vec<usize> {
        let mut wheels: Vec<usize> = self
            .setups
            .iter()
            .flat_map(|setup| match &setup.test {
                super::SetupTest::Roll { speeds, .. } => speeds.as_slice(),
                _ => &[],
            })
            .map(|(shaft, _)| *shaft)
            .collect();
        wheels.sort_unstable();
        wheels.dedup();
        wheels
    }

    /// For every shaft: true when meshes alone (no diff) tie it to `shaft`.
    fn geared_to(&self, shaft: usize) -> Vec<bool> {
        let mut tied = vec![false; self.shafts.len()];
        tied[shaft] = true;
        // Each pass ties at least one more shaft or ends.
        loop {
            let next = self.meshes.iter().find(|mesh| tied[mesh.a] != tied[mesh.b]);
            let Some(mesh) = next else {
                return tied;
            };
            (tied[mesh.a], tied[mesh.b]) = (true, true);
        }
    }
}

impl<'v> View<'v> {
    fn new(
        vehicle: &'v Vehicle,
        setup: Option<&str>,
        sensor: Option<u32>,
    ) -> Result<Self, TrainError> {
        let setup = roll_setup(vehicle, setup)?;
        let sensor = find_sensor(vehicle, sensor)?;
        let signed = solve(vehicle, &setup)?;
        let speed: Vec<f64> = signed.iter().map(|w| w.abs()).collect();
        let wheel = vehicle
            .wheels()
            .into_iter()
            .map(|i| speed[i])
            .fold(0.0, f64::max);
        if wheel <= 0.0 || speed[sensor.shaft] < STANDS * wheel {
            return Err(TrainError::StandsStill {
                sensor: sensor.index,
                setup: setup.name.into(),
            });
        }
        Ok(Self {
            rigid: vehicle.geared_to(sensor.shaft),
            vehicle,
            sensor,
            rolling: setup.rolling,
            stated: setup.stated,
            speed,
            signed,
            wheel,
        })
    }

    fn sensed_speed(&self) -> f64 {
        self.speed[self.sensor.shaft]
    }

    fn is_stated(&self, shaft: usize) -> bool {
        self.stated.iter().any(|(s, _)| *s == shaft)
    }

    fn stands(&self, moves: f64) -> bool {
        moves < STANDS * self.wheel
    }

    fn order(&self, rate: f64) -> f64 {
        rate / self.sensed_speed()
    }

    /// sd of the order of what turns with a shaft that is, or is not, geared rigidly to the sensed one.
    fn slip(&self, rigid: bool) -> f64 {
        if rigid || !self.rolling { 0.0 } else { SLIP_SD }
    }

    /// Why a part cannot be seen, if so.
    fn hidden(&self, candidate: &Candidate) -> Option<String> {
        let most = f64::from(self.sensor.magnets) / 2.0;
        if self.stands(candidate.moves) {
            Some("stands still".into())
        } else if candidate.part.order > most * (1.0 + ROUNDING) {
            Some(format!(
                "order {:.2} above half the magnets ({most})",
                candidate.part.order
            ))
        } else {
            None
        }
    }

    /// Events per unit of wheel speed of the planets of a diff, >= 0.
    fn planet_rate(&self, diff: &super::Diff) -> f64 {
        let half = (self.signed[diff.out_a] - self.signed[diff.out_b]).abs() / 2.0;
        half * f64::from(diff.side_teeth) / f64::from(diff.planet_teeth)
    }

    fn candidate(&self, name: String, kind: PartKind, rate: f64, rigid: bool) -> Candidate {
        Candidate {
            moves: rate,
            part: Part {
                name,
                kind,
                order: self.order(rate),
                order_sd: self.slip(rigid),
                mult: 1,
                per_own_turn: 1.0,
                rigid,
            },
        }
    }

    /// Every part of the file: shafts, pairs, planets, bearings, joints.
    fn candidates(&self) -> Vec<Candidate> {
        let file = self.vehicle;
        let on = |shaft: usize| (self.speed[shaft], self.rigid[shaft]);
        let mut all = Vec::new();
        for (i, shaft) in file.shafts.iter().enumerate() {
            let (w, rigid) = on(i);
            all.push(self.candidate(shaft.name.clone(), PartKind::Shaft, w, rigid));
        }
        for mesh in &file.meshes {
            let (w, rigid) = on(mesh.a);
            let share = f64::from(gcd(mesh.teeth_a, mesh.teeth_b)) / f64::from(mesh.teeth_b);
            let name = format!("{}.pair", mesh.name);
            let mut pair = self.candidate(name, PartKind::Pair, w * share, rigid);
            pair.moves = w;
            pair.part.mult = pair_turns(mesh.teeth_a, mesh.teeth_b);
            pair.part.per_own_turn = 1.0 / f64::from(pair.part.mult);
            all.push(pair);
        }
        for diff in &file.diffs {
            let name = format!("{}.planet", diff.name);
            all.push(self.candidate(name, PartKind::Planet, self.planet_rate(diff), false));
        }
        for b in &file.bearings {
            let (w, rigid) = on(b.shaft);
            let rates = bearing_rates(b.balls, b.ball_m, b.pitch_m, b.contact_rad, b.outer_turns);
            for (which, rate) in [
                ("cage", rates.cage),
                ("ball", rates.ball),
                ("inner", rates.inner),
                ("outer", rates.outer),
            ] {
                let name = format!("{}.{which}", b.name);
                let mut part = self.candidate(name, PartKind::Bearing, w * rate, rigid);
                part.part.order_sd = BEARING_SD;
                if matches!(which, "inner" | "outer") {
                    part.part.per_own_turn = rate;
                }
                all.push(part);
            }
        }
        for joint in &file.joints {
            let (w, rigid) = on(joint.shaft);
            let mut part = self.candidate(joint.name.clone(), PartKind::Joint, 2.0 * w, rigid);
            part.part.per_own_turn = 2.0;
            all.push(part);
        }
        all
    }

    /// Shafts and planets that turn.
    fn turning(&self) -> Vec<Turning> {
        let shafts = self.vehicle.shafts.iter().enumerate().map(|(i, shaft)| {
            let turning = Turning {
                name: shaft.name.clone(),
                order: self.order(self.speed[i]),
                rigid: self.rigid[i],
                named: self.is_stated(i),
                sensed: i == self.sensor.shaft,
                planet: false,
            };
            (self.speed[i], turning)
        });
        let planets = self.vehicle.diffs.iter().map(|diff| {
            let rate = self.planet_rate(diff);
            let turning = Turning {
                name: diff.name.clone(),
                order: self.order(rate),
                rigid: false,
                named: false,
                sensed: false,
                planet: true,
            };
            (rate, turning)
        });
        shafts
            .chain(planets)
            .filter(|(rate, _)| !self.stands(*rate))
            .map(|(_, turning)| turning)
            .collect()
    }
}

fn find_sensor(vehicle: &Vehicle, index: Option<u32>) -> Result<&Sensor, TrainError> {
    let Some(index) = index else {
        return vehicle.sensors.first().ok_or(TrainError::NoSensor);
    };
    vehicle
        .sensors
        .iter()
        .find(|s| s.index == index)
        .ok_or_else(|| TrainError::UnknownSensor {
            index,
            known: vehicle.sensors.iter().map(|s| s.index).collect(),
        })
}

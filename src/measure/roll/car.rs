//! Which car a record is of, and what the other setups of its file could show.

use std::fmt::Write as _;

use crate::vehicle::{Train, Vehicle};

/// The car behind a record, as far as several records must agree on it.
#[derive(Clone, Debug, PartialEq)]
pub struct RollCar {
    /// Name for people, from the vehicle file.
    pub name: String,
    /// Every gear, diff, bearing and joint with its numbers, one a line. Two files of one car agree here whatever their
    /// labels, limits and setups say.
    pub gears: String,
    /// Name of the setup of this record.
    pub setup: String,
    /// Index of the sensor.
    pub sensor: u32,
    /// Shaft that carries its magnets.
    pub sensed: String,
    /// Every sensor of the file, in its order.
    pub sensors: Vec<RollSensor>,
    /// Every roll setup of the file in which the sensed shaft turns, in the order of the file.
    pub setups: Vec<SetupTrain>,
}

/// One sensor of a car's file.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct RollSensor {
    /// Its index, as in the sample file.
    pub index: u32,
    /// Shaft that carries its magnets.
    pub shaft: String,
    /// How many those are, 1..=64.
    pub magnets: u32,
}

/// One setup of a car's file.
#[derive(Clone, Debug, PartialEq)]
pub struct SetupTrain {
    /// Name of the setup.
    pub name: String,
    /// The gear train solved for it, seen from the sensor.
    pub train: Train,
}

impl RollCar {
    /// The car of a vehicle file, in a setup (the only one, when it is left out) and seen from a sensor (the first).
    /// `None` when the file has no such setup or sensor.
    ///
    /// ```
    /// use feelgauge::{measure::roll::RollCar, physics::PLOVER_8, vehicle::Vehicle};
    /// let vehicle = Vehicle::parse(PLOVER_8).unwrap();
    /// let car = RollCar::of(&vehicle, Some("one_fl"), None).unwrap();
    /// assert_eq!((car.name.as_str(), car.sensed.as_str()), ("Plover 8", "spur"));
    /// assert!(car.setups.iter().any(|s| s.name == "straight"));
    /// assert!(RollCar::of(&vehicle, Some("upside_down"), None).is_none());
    /// ```
    pub fn of(vehicle: &Vehicle, setup: Option<&str>, sensor: Option<u32>) -> Option<Self> {
        let mut known = vehicle.setups_of("roll").map(|s| s.name.as_str());
        let setup = match setup {
            Some(name) => known.find(|n| *n == name)?,
            None => known.next()?,
        };
        let sensor = match sensor {
            Some(index) => vehicle.sensors.iter().find(|s| s.index == index)?,
            None => vehicle.sensors.first()?,
        };
        let solved = |name: &str| vehicle.train(Some(name), Some(sensor.index)).ok();
        let setups = vehicle.setups_of("roll").filter_map(|setup| {
            Some(SetupTrain {
                name: setup.name.clone(),
                train: solved(&setup.name)?,
            })
        });
        Some(Self {
            name: vehicle.name.clone(),
            gears: gears(vehicle),
            setup: setup.into(),
            sensor: sensor.index,
            sensed: vehicle.shafts[sensor.shaft].name.clone(),
            sensors: vehicle
                .sensors
                .iter()
                .map(|s| RollSensor {
                    index: s.index,
                    shaft: vehicle.shafts[s.shaft].name.clone(),
                    magnets: s.magnets,
                })
                .collect(),
            setups: setups.collect(),
        })
    }

    /// The same car: the name and everything that turns.
    pub fn is(&self, other: &Self) -> bool {
        self.name == other.name && self.gears == other.gears
    }
}

/// Everything that turns, one a line.
fn gears(vehicle: &Vehicle) -> String {
    let shaft = |i: usize| vehicle.shafts[i].name.as_str();
    let mut text = String::new();
    let mut line = |l: String| writeln!(text, "{l}").expect("a string takes every line");
    for s in &vehicle.shafts {
        line(format!("shaft {}", s.name));
    }
    for m in &vehicle.meshes {
        let (a, b) = (shaft(m.a), shaft(m.b));
        line(format!(
            "mesh {} {a} {} {b} {}",
            m.name, m.teeth_a, m.teeth_b
        ));
    }
    for d in &vehicle.diffs {
        let [input, a, b] = [d.input, d.out_a, d.out_b].map(shaft);
        line(format!(
            "diff {} {input} {a} {b} {} {}",
            d.name, d.side_teeth, d.planet_teeth
        ));
    }
    for b in &vehicle.bearings {
        line(format!(
            "bearing {} {} {} {:?} {:?} {:?} {}",
            b.name,
            shaft(b.shaft),
            b.balls,
            b.ball_m,
            b.pitch_m,
            b.contact_rad,
            b.outer_turns
        ));
    }
    for j in &vehicle.joints {
        line(format!("joint {} {}", j.name, shaft(j.shaft)));
    }
    text
}

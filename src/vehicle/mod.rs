//! The car as a file: mass, tank, starter, gear train, bearings, sensors, setups, limits; and what follows
//! from it, the order of every part in a setup.
//!
//! - [`Vehicle::parse`] reads the file and says where a fault stands.
//! - [`Vehicle::train`] solves the gear train of one setup as seen from one sensor.
//! - [`Vehicle::orders`] lists every part with its order, or the reason why it cannot be seen.
//! - [`gears`] holds the published formulas of gears, bearings and joints.

pub mod gears;
mod kinematics;
mod orders;
mod parse;
mod table;

use std::fmt;

pub use kinematics::TrainError;
pub use orders::OrderRow;
pub use parse::MAX_TEXT;
pub use table::nearest;

/// A fault of a vehicle file with its place; displays as `line:column: message`.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct VehicleError {
    /// Line, from 1.
    pub line: usize,
    /// Column in characters, from 1.
    pub column: usize,
    /// What is wrong and what to do.
    pub message: String,
}

impl fmt::Display for VehicleError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}:{}: {}", self.line, self.column, self.message)
    }
}

impl std::error::Error for VehicleError {}

/// A vehicle file, checked: every index points at a shaft, names stand once. Lists keep the order of the file.
#[derive(Clone, Debug, PartialEq)]
pub struct Vehicle {
    /// Name for people: `Plover 8`.
    pub name: String,
    /// Mass ready to drive, kg, > 0.
    pub mass_kg: f64,
    /// Volume of the tank, m3, > 0.
    pub tank_m3: f64,
    /// Volume of the hose between tank and probe, m3, >= 0.
    pub hose_m3: f64,
    /// Diameter of the wheels, m.
    pub wheel_diameter_m: Option<f64>,
    /// Diameter of the starter's pulley, m.
    pub pulley_diameter_m: Option<f64>,
    /// Everything that turns as one piece; wheels are shafts.
    pub shafts: Vec<Shaft>,
    /// Gear pairs.
    pub meshes: Vec<Mesh>,
    /// Differentials.
    pub diffs: Vec<Diff>,
    /// Ball bearings.
    pub bearings: Vec<Bearing>,
    /// Hooke or dog-bone joints.
    pub joints: Vec<Joint>,
    /// Hall sensors.
    pub sensors: Vec<Sensor>,
    /// Ways to take a capture.
    pub setups: Vec<Setup>,
    /// Limits of the person who wrote the file.
    pub limits: Limits,
}

/// Anything that turns as one piece.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Shaft {
    /// Name, `[a-z0-9_]+`.
    pub name: String,
    /// Words for people.
    pub label: Option<String>,
}

/// Two gears in mesh; forward drive counts positive for both, so `teeth_a w_a = teeth_b w_b`.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Mesh {
    /// Name, `[a-z0-9_]+`.
    pub name: String,
    /// Words for people.
    pub label: Option<String>,
    /// Index of the shaft of gear a.
    pub a: usize,
    /// Teeth of gear a, 1..=1000.
    pub teeth_a: u32,
    /// Index of the shaft of gear b.
    pub b: usize,
    /// Teeth of gear b, 1..=1000.
    pub teeth_b: u32,
}

/// A differential: `2 w_input = w_a + w_b`.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Diff {
    /// Name, `[a-z0-9_]+`.
    pub name: String,
    /// Words for people.
    pub label: Option<String>,
    /// Index of the shaft that carries the planets.
    pub input: usize,
    /// Index of one output shaft.
    pub out_a: usize,
    /// Index of the other.
    pub out_b: usize,
    /// Teeth of a side gear.
    pub side_teeth: u32,
    /// Teeth of a planet.
    pub planet_teeth: u32,
}

/// A ball bearing.
#[derive(Clone, Debug, PartialEq)]
pub struct Bearing {
    /// Name, `[a-z0-9_]+`.
    pub name: String,
    /// Words for people.
    pub label: Option<String>,
    /// Index of the shaft that turns in it.
    pub shaft: usize,
    /// Number of balls.
    pub balls: u32,
    /// Diameter of a ball, m.
    pub ball_m: f64,
    /// Diameter of the circle through the balls' centres, m, above `ball_m`.
    pub pitch_m: f64,
    /// Contact angle, rad, 0 to below pi/2.
    pub contact_rad: f64,
    /// The outer race turns with the shaft and the inner stands (a clutch bell).
    pub outer_turns: bool,
}

/// A joint with two events a turn of its shaft.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Joint {
    /// Name, `[a-z0-9_]+`.
    pub name: String,
    /// Words for people.
    pub label: Option<String>,
    /// Index of its shaft.
    pub shaft: usize,
}

/// A hall sensor at a ring of magnets.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Sensor {
    /// Index, as in the sample file.
    pub index: u32,
    /// Index of the shaft that carries the magnets.
    pub shaft: usize,
    /// Magnets on it, 1..=64.
    pub magnets: u32,
}

/// A way to take a capture.
#[derive(Clone, Debug, PartialEq)]
pub struct Setup {
    /// Name, `[a-z0-9_]+`.
    pub name: String,
    /// Words for people.
    pub label: Option<String>,
    /// The test it belongs to, with what that test needs to know.
    pub test: SetupTest,
}

/// What a setup says about its test.
#[derive(Clone, Debug, PartialEq)]
pub enum SetupTest {
    /// Roll: how the shafts turn.
    Roll {
        /// The car's mass moves; otherwise it is on a stand.
        rolling: bool,
        /// Shaft index and relative speed, in the order of the file; at least one.
        speeds: Vec<(usize, f64)>,
    },
    /// Leak: what can leak.
    Leak {
        /// Names such as `lid`, `line`, `body`; at least one.
        parts: Vec<String>,
    },
    /// Pull: state of the engine.
    Pull {
        /// The glow plug is fitted.
        plug_in: bool,
        /// The engine is warm (`true`) or cold; `None` where the file does not say.
        warm: Option<bool>,
    },
}

impl SetupTest {
    /// `roll`, `leak` or `pull`.
    pub fn name(&self) -> &'static str {
        match self {
            Self::Roll { .. } => "roll",
            Self::Leak { .. } => "leak",
            Self::Pull { .. } => "pull",
        }
    }
}

/// Limits of the file; what is not there is left to the measure's own.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Limits {
    /// Largest leak rate, Pa m3/s, > 0.
    pub leak_pa_m3_s: Option<f64>,
    /// Smallest lift ratio, > 0.
    pub lift_ratio: Option<f64>,
    /// Largest false-alarm probability at which a snag is reported, in (0, 1).
    pub snag_false_alarm: Option<f64>,
    /// Snag depth in units of the drag that must be shown to be absent, > 0.
    pub snag_depth: Option<f64>,
    /// Force at which the guard of a pull speaks, N, > 0.
    pub guard_force_n: Option<f64>,
    /// Held force times time at which it speaks, N2 s, > 0.
    pub guard_held_n2s: Option<f64>,
}

/// Largest false-alarm probability at which a snag is reported when the file says nothing.
pub const DEFAULT_SNAG_FALSE_ALARM: f64 = 0.01;

impl Vehicle {
    /// Reads a vehicle file (TOML, format 1, at most [`MAX_TEXT`] bytes).
    ///
    /// ```
    /// use feelgauge::vehicle::Vehicle;
    /// let text = "format = 1\nname = \"Plover 8\"\nmass_kg = 3.4\ntank_cm3 = 125\n";
    /// assert_eq!(Vehicle::parse(text).unwrap().tank_m3, 125e-6);
    /// let error = Vehicle::parse(&text.replace("tank_cm3", "tank_cm")).unwrap_err();
    /// assert_eq!((error.line, error.column), (4, 1));
    /// assert!(error.message.contains("nearest known key: 'tank_cm3'"));
    /// ```
    ///
    /// # Errors
    /// The first fault: not TOML, unknown key, wrong type or range, name taken twice or of other letters, a shaft
    /// that is not in the file, a setup without what its test needs.
    pub fn parse(text: &str) -> Result<Self, VehicleError> {
        parse::parse(text)
    }

    /// Volume that a leak test fills: tank and hose, m3.
    pub fn leak_volume_m3(&self) -> f64 {
        self.tank_m3 + self.hose_m3
    }

    /// The setup of a name.
    pub fn setup(&self, name: &str) -> Option<&Setup> {
        self.setups.iter().find(|s| s.name == name)
    }

    /// Setups of one test (`roll`, `leak`, `pull`), in the order of the file.
    pub fn setups_of(&self, test: &str) -> impl Iterator<Item = &Setup> {
        self.setups.iter().filter(move |s| s.test.name() == test)
    }

    /// Largest false-alarm probability at which a snag is reported.
    pub fn snag_false_alarm(&self) -> f64 {
        self.limits
            .snag_false_alarm
            .unwrap_or(DEFAULT_SNAG_FALSE_ALARM)
    }

    /// Words for a part of a finding (`ring_f`, `final_f.pair`, `hub_rl.cage`): its label with what of it is meant;
    /// the part's own name where the file gives no label.
    pub fn words_for(&self, part: &str) -> String {
        let (name, which) = part.split_once('.').unwrap_or((part, ""));
        let Some(label) = self.label(name) else {
            return part.to_owned();
        };
        match which {
            "" => label.to_owned(),
            "pair" => format!("one pair of teeth of the {label}"),
            "planet" => format!("planets of the {label}"),
            "ball" => format!("a ball of the {label}"),
            "inner" | "outer" => format!("{which} race of the {label}"),
            _ => format!("{which} of the {label}"),
        }
    }

    /// The label of a named entry.
    pub fn label(&self, name: &str) -> Option<&str> {
        let shafts = self.shafts.iter().map(|x| (&x.name, &x.label));
        let meshes = self.meshes.iter().map(|x| (&x.name, &x.label));
        let diffs = self.diffs.iter().map(|x| (&x.name, &x.label));
        let bearings = self.bearings.iter().map(|x| (&x.name, &x.label));
        let joints = self.joints.iter().map(|x| (&x.name, &x.label));
        let setups = self.setups.iter().map(|x| (&x.name, &x.label));
        shafts
            .chain(meshes)
            .chain(diffs)
            .chain(bearings)
            .chain(joints)
            .chain(setups)
            .find(|(n, _)| *n == name)
            .and_then(|(_, label)| label.as_deref())
    }
}

/// What kind of part a train of events belongs to.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum PartKind {
    /// A shaft: one event a turn.
    Shaft,
    /// A pair of teeth of a mesh that meet again every `mult` turns of its shaft `a`.
    Pair,
    /// The planets of a diff.
    Planet,
    /// A joint: two events a turn.
    Joint,
    /// Cage, ball, inner or outer race of a bearing.
    Bearing,
}

/// One part that can snag, as seen from the sensed shaft in one setup.
#[derive(Clone, Debug, PartialEq)]
pub struct Part {
    /// Name, as in the vehicle file: `ring_f`, `final_f.pair`, `hub_rl.cage`.
    pub name: String,
    /// Kind of part.
    pub kind: PartKind,
    /// Events per turn of the sensed shaft, > 0.
    pub order: f64,
    /// Relative standard deviation of the order: 0 (geared rigidly, or on a stand), 0.002 (rolling), 0.01 (bearings).
    pub order_sd: f64,
    /// Turns of shaft `a` between two meetings of the same pair (`teeth_b / gcd`); 1 for everything else.
    pub mult: u32,
    /// Events during one turn of the part itself: 2 of a joint, `1/mult` of a pair; a race turns (or stands) with its
    /// shaft and meets a ball this often a turn of it; 1 for everything else.
    pub per_own_turn: f64,
    /// True when the drivetrain makes it turn in lockstep with the sensed shaft whatever the tyres do.
    pub rigid: bool,
}

/// A shaft or planet that turns in this setup, with what the ripple columns need to know.
#[derive(Clone, Debug, PartialEq)]
pub struct Turning {
    /// Name of the shaft or of the diff (planets).
    pub name: String,
    /// Turns per turn of the sensed shaft, >= 0.
    pub order: f64,
    /// Geared rigidly to the sensed shaft.
    pub rigid: bool,
    /// Named in the setup's `speeds`.
    pub named: bool,
    /// The sensed shaft itself.
    pub sensed: bool,
    /// A diff's planet, not a shaft.
    pub planet: bool,
}

/// Why a part of the file cannot be seen in a setup.
#[derive(Clone, Debug, PartialEq)]
pub struct NotVisible {
    /// Name of the part.
    pub part: String,
    /// Reason in words: "stands still", "order 3.69 above half the magnets (3)".
    pub reason: String,
}

/// A gear train solved for one setup and seen from one sensor: all that the roll measure needs.
#[derive(Clone, Debug, PartialEq)]
pub struct Train {
    /// Magnets on the sensed shaft, 1..=64.
    pub magnets: u32,
    /// The car's mass moves (rolling on the ground) instead of standing on a stand.
    pub rolling: bool,
    /// The sensed shaft is named in `speeds` (a wheel is sensed).
    pub sensed_named: bool,
    /// Turns of the fastest wheel per turn of the sensed shaft; a wheel is a shaft named in the `speeds` of any roll setup.
    pub fastest_wheel: f64,
    /// Parts that can be seen, in the order of the file.
    pub parts: Vec<Part>,
    /// Every shaft and planet that turns.
    pub turning: Vec<Turning>,
    /// Parts that cannot, with the reason (too few events is left to the measure: it depends on the record).
    pub not_visible: Vec<NotVisible>,
}

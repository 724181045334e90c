//! Roll: finds an intermittent snag in a coasting drivetrain and names the part it belongs to.
//!
//! In the angle domain a coasting drivetrain obeys `dE/dx = -(A + B w) + ripple + noise`; a snag takes an
//! energy out of `E` at one angle of its part's turn, in some turns only. Units inside: angle in turns of the
//! sensed shaft, time in s, energy `E = (dx/dt)^2/2` in turns^2/s^2; *order* is events per turn of the sensed shaft.
//!
//! The stages, one file each: edges are counted (`count`), of a shaft that turns back the longest stretch one way is kept
//! (`direction`), free rolling is found (`coast`), a Kalman pass explains
//! the smooth coast (`filter`), nuisance columns explain a healthy car's ripple (`nuisance`, in the rounds of `fit`),
//! a backward pass gives score and information of a loss at any angle (`score`). Then every part is judged: its train of
//! events is folded (`fold`) into a mixture Bayes factor (`bayes`) at its possible orders (`orders`), less what smooth
//! ripple (`rival`) or hits without rhythm (`rhythm`) would explain as well; `parts` puts that together, `hits` says how often
//! it hits and in which turns (`together`). `sensed` does all that for
//! one sensor's record, in `legs` where it is long, `search` looks for a snag on all of them, `known` takes a found one out so that another can be
//! looked for, `report` decides.
//! The numbers in the constants were set on simulated records.

mod bayes;
pub mod blind;
mod bursts;
mod car;
mod coast;
mod combine;
mod compare;
mod contradict;
mod count;
mod depth;
mod direction;
mod drag;
mod draws;
mod exp;
mod filter;
mod finding;
mod fit;
#[cfg(test)]
mod fixture;
mod fold;
mod hits;
mod kept;
mod known;
mod legs;
mod live;
mod next;
mod nuisance;
mod orders;
mod parts;
mod products;
mod rate;
mod report;
mod rhythm;
mod rival;
mod score;
mod search;
mod sensed;
mod side_by_side;
mod stretch;
mod together;

pub use car::{RollCar, RollSensor, SetupTrain};
pub use combine::{PartShare, RollCapture, RollParts, RollPartsQuality, combine};
pub use compare::{RollComparison, RollComparisonQuality, compare};
pub use contradict::SENSOR_DOUBTFUL;
pub use drag::{DragPoint, RollDrag};
pub use finding::{Burst, Hit, NotSeen, RollFinding, RollQuality, RollTrace, Snag, Strip, Suspect};
pub use kept::{PartEvidence, RollEvidence};
pub use live::{Live, STRIPS};
pub use next::{NextSetup, next_setup};

use crate::reading::{Edge, LimitSource, Quality};
use crate::vehicle::Train;

use finding::Limits;
use sensed::{Counted, Edges, Refused};

/// Snags with a larger false-alarm probability than this are not reported, unless the vehicle file says otherwise.
pub const SNAG_FALSE_ALARM: f64 = 0.01;

/// A snag of this depth, in units of the drag, must be shown to be absent before a car is called free of snags, unless the
/// vehicle file says otherwise (suggested; no source).
pub const SNAG_DEPTH: f64 = 0.6;

/// What the roll measure needs to know beside the edges.
#[derive(Clone, Debug, PartialEq)]
pub struct RollSettings {
    /// The gear train, solved for the setup and seen from the sensor.
    pub train: Train,
    /// Largest false-alarm probability at which a snag is reported, 0..1 ([`SNAG_FALSE_ALARM`]).
    pub snag_false_alarm: f64,
    /// Where that limit comes from.
    pub limit_source: LimitSource,
    /// Snags of this depth must be shown to be absent for the verdict `within`, units of the drag, > 0 ([`SNAG_DEPTH`]).
    pub snag_depth: f64,
    /// Where that limit comes from.
    pub snag_depth_source: LimitSource,
    /// The car of the record; without it no other capture can be set beside this one.
    pub car: Option<RollCar>,
    /// Diameter of the wheels, m, where known: a rolling car's drag is then given in units of its weight.
    pub wheel_diameter_m: Option<f64>,
}

impl RollSettings {
    /// The suggested limits, and no word of the car.
    pub fn new(train: Train) -> Self {
        Self {
            train,
            snag_false_alarm: SNAG_FALSE_ALARM,
            limit_source: LimitSource::Suggested,
            snag_depth: SNAG_DEPTH,
            snag_depth_source: LimitSource::Suggested,
            car: None,
            wheel_diameter_m: None,
        }
    }

    fn limits(&self) -> Limits {
        Limits {
            false_alarm: self.snag_false_alarm,
            false_alarm_source: self.limit_source,
            depth: self.snag_depth,
            depth_source: self.snag_depth_source,
        }
    }
}

/// The roll measure: push edges, then finish.
///
/// ```
/// use feelgauge::measure::roll::{Roll, RollSettings};
/// use feelgauge::physics::drivetrain::{DrivetrainScenario, simulate};
/// use feelgauge::reading::Quality;
///
/// let car = DrivetrainScenario::plover();
/// let mut roll = Roll::new(RollSettings::new(car.train().clone()));
/// for edge in simulate(&car, 1).readings {
///     roll.push(edge);
/// }
/// let snags = roll.finish(Quality::default()).snags.expect("it rolls freely");
/// assert_eq!(snags[0].part, "ring_f");
/// ```
#[derive(Clone, Debug)]
pub struct Roll {
    /// What each sensor saw; one or more.
    sensors: Vec<Edges>,
    /// Other sensors of the car: they only have to fit the gears.
    watched: Vec<Edges>,
    /// Nobody has told the gear train: a rhythm is looked for, no part.
    blind: bool,
}

impl Roll {
    /// A measure without edges, for one sensor: whatever index its edges have.
    pub fn new(settings: RollSettings) -> Self {
        Self {
            sensors: vec![Edges::new(None, settings)],
            watched: Vec::new(),
            blind: false,
        }
    }

    /// A measure of a car of which only the number of magnets on the sensed shaft is known, 1..=64. Its finding has
    /// rhythms ([`RollFinding::blind`]) and names no part.
    pub fn blind(magnets: u32) -> Self {
        Self {
            blind: true,
            ..Self::new(RollSettings::new(blind::lone_shaft(magnets)))
        }
    }

    /// A measure for several sensors, by index; the limits are those of the first. Each sensor's record is judged for
    /// itself and a part's Bayes factor is the mean over the sensors that can show it: a mean of numbers that exceed b with a
    /// chance of at most 1/b does so too, however they hang together, so the bound on false alarms stays.
    ///
    /// # Panics
    /// Without a sensor.
    pub fn of_sensors(sensors: Vec<(u32, RollSettings)>) -> Self {
        assert!(!sensors.is_empty(), "a roll has a sensor");
        let edges = |(index, settings)| Edges::new(Some(index), settings);
        Self {
            sensors: sensors.into_iter().map(edges).collect(),
            watched: Vec::new(),
            blind: false,
        }
    }

    /// The same beside other sensors, by index. Their records are not judged: where they contradict the gear train the finding
    /// is refused, because then sensor, shaft, magnets or setup is not what the vehicle file says.
    #[must_use]
    pub fn watching(self, sensors: Vec<(u32, RollSettings)>) -> Self {
        let edges = |(index, settings)| Edges::new(Some(index), settings);
        Self {
            watched: sensors.into_iter().map(edges).collect(),
            ..self
        }
    }

    /// Takes one edge, in the order of time of its sensor; one that is not later than the last is counted and dropped. Edges
    /// of other sensors than the measure's are left out.
    pub fn push(&mut self, edge: Edge) {
        let mut all = self.sensors.iter_mut().chain(&mut self.watched);
        if let Some(sensor) = all.find(|s| s.takes(edge)) {
            sensor.push(edge);
        }
    }

    /// Evaluates the record. `quality` is what the shell counted on the way here.
    pub fn finish(self, quality: Quality) -> RollFinding {
        let mut finding = self.found();
        let own = std::mem::replace(&mut finding.quality.common, quality);
        for flag in &own.flags {
            finding.quality.common.flag(flag);
        }
        finding
    }

    fn found(self) -> RollFinding {
        let limits = self.sensors[0].settings.limits();
        let unlikely = self.sensors.iter().any(contradict::is_of_unlikely_speed);
        let mut sensed = Vec::new();
        let mut refused = None;
        let mut counted: Vec<Counted> = Vec::new();
        for sensor in self.sensors {
            match sensor.count() {
                Ok(sensor) => counted.push(sensor),
                Err(why) => refused = refused.or(Some(why)),
            }
        }
        let judged_ones = counted.len();
        // a watched sensor without enough edges says nothing
        counted.extend(self.watched.into_iter().filter_map(|s| s.count().ok()));
        // what a file says wrongly of one sensor makes the answer of any other doubtful
        let refuse = |why: Refused| {
            let (why, quality) = *why;
            RollFinding::refuse(vec![why], limits, quality)
        };
        let agree = match contradict::of_edges(&counted) {
            Ok(agree) => agree,
            Err(why) => return refuse(why),
        };
        counted.truncate(judged_ones);
        for sensor in counted {
            let judged = match sensor.record() {
                Ok(record) if self.blind => return record.blind(limits),
                Ok(record) => record.judge(),
                Err(why) => Err(why),
            };
            match judged {
                Ok(record) => sensed.push(record),
                Err(why) => refused = refused.or(Some(why)),
            }
        }
        if sensed.is_empty() {
            return refuse(refused.expect("no record, so a refusal"));
        }
        if let Some(why) = contradict::of_fit(&sensed) {
            return refuse(why);
        }
        let mut finding = report::finding(&sensed, limits);
        finding.evidence.agree = agree;
        let names_a_part = finding.snags.iter().flatten().next().is_some();
        let first = sensed[0].sensor;
        let lacks_ripple = |finding: &RollFinding| {
            !agree && contradict::lacks_ripple(&finding.evidence.legs(first))
        };
        if unlikely {
            let flags = &mut finding.quality.common;
            flags.flag(contradict::WHEEL_SPEED_UNLIKELY);
        }
        if names_a_part && (unlikely || lacks_ripple(&finding)) {
            finding.quality.common.flag(SENSOR_DOUBTFUL);
            finding.leave(contradict::DOUBTFUL_SHARE);
        }
        finding
    }
}

/// The whole number below `x`, 0 for anything below 1.
#[expect(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "`as` saturates, and both ends are wanted so"
)]
fn whole(x: f64) -> usize {
    x as usize
}

//! What a measure is told beside the readings: what the person stated, else what the capture or the car's file says.

use std::fmt;

use super::{Calibrations, Misfit, Source, Test, feed::unit_of};
use crate::{
    calibration::Nominal,
    measure::{
        leak::LeakSettings,
        pull::PullSettings,
        roll::{RollCar, RollSettings, SNAG_DEPTH},
    },
    reading::LimitSource,
    vehicle::{SetupTest, TrainError, Vehicle},
    wire::{Channel, Identity},
};

/// Order of the converter's filter where nobody states one: the mean over one interval.
const FILTER_ORDER: u32 = 1;

/// Stated by the person, SI; `None` means not stated.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Stated {
    /// Volume of tank and hose, m3.
    pub volume_m3: Option<f64>,
    /// A leak may do without a volume: a comparison needs its slope alone.
    pub volume_optional: bool,
    /// Standard uncertainty of the volume, m3.
    pub volume_u_m3: Option<f64>,
    /// Gauge pressure to state the leak at, Pa.
    pub p_ref_pa: Option<f64>,
    /// Own limit of the leak rate, Pa m3/s at 20 C.
    pub limit_pa_m3_s: Option<f64>,
    /// Absolute pressure of the air, Pa.
    pub ambient_pa: Option<f64>,
    /// Sealed hold at zero gauge pressure, seconds of the record.
    pub sealed_zero_s: Option<(f64, f64)>,
    /// Volume of one stroke of a syringe after the hold, m3.
    pub syringe_m3: Option<f64>,
    /// Mass of the car, kg.
    pub mass_kg: Option<f64>,
    /// Order of the force converter's averaging filter.
    pub filter_order: Option<u32>,
    /// Setup of the car's file.
    pub setup: Option<String>,
    /// Sensor whose edges count.
    pub sensor: Option<u32>,
    /// Further sensors whose edges count beside it; each one's record is judged for itself.
    pub more_sensors: Vec<u32>,
    /// Magnets on the sensed shaft of a car without a file: asks for the blind search.
    pub magnets: Option<u32>,
    /// Calibrations of the sensors.
    pub calibrations: Calibrations,
}

impl Stated {
    /// What is stated here, and where nothing is, what `earlier` states.
    #[must_use]
    pub fn or(self, earlier: Self) -> Self {
        Self {
            volume_m3: self.volume_m3.or(earlier.volume_m3),
            volume_optional: self.volume_optional || earlier.volume_optional,
            volume_u_m3: self.volume_u_m3.or(earlier.volume_u_m3),
            p_ref_pa: self.p_ref_pa.or(earlier.p_ref_pa),
            limit_pa_m3_s: self.limit_pa_m3_s.or(earlier.limit_pa_m3_s),
            ambient_pa: self.ambient_pa.or(earlier.ambient_pa),
            sealed_zero_s: self.sealed_zero_s.or(earlier.sealed_zero_s),
            syringe_m3: self.syringe_m3.or(earlier.syringe_m3),
            mass_kg: self.mass_kg.or(earlier.mass_kg),
            filter_order: self.filter_order.or(earlier.filter_order),
            setup: self.setup.or(earlier.setup),
            more_sensors: if self.sensor.is_some() {
                self.more_sensors
            } else {
                earlier.more_sensors
            },
            sensor: self.sensor.or(earlier.sensor),
            magnets: self.magnets.or(earlier.magnets),
            calibrations: if self.calibrations.is_empty() {
                earlier.calibrations
            } else {
                self.calibrations
            },
        }
    }
}

/// Why a record cannot be analyzed with what was stated.
#[derive(Clone, Debug, PartialEq)]
pub enum SettingsError {
    /// A leak needs the volume, stated or from the car's file.
    NoVolume,
    /// A roll needs the car's file.
    NoVehicle,
    /// No setup of that name in the car's file, or one of another test.
    Setup {
        /// The name asked for.
        setup: String,
        /// Setups of the test in the file.
        known: Vec<String>,
    },
    /// Magnets were stated beside a car's file, which says how many there are.
    MagnetsTwice,
    /// The gear train does not solve.
    Train(TrainError),
    /// A calibration is of another sensor.
    Calibration(Misfit),
}

impl fmt::Display for SettingsError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::NoVolume => f.write_str(
                "the leak needs the volume of tank and hose: --volume 125cm3, or --vehicle FILE",
            ),
            Self::NoVehicle => {
                f.write_str("the roll needs the car's gear train: --vehicle FILE [--setup NAME]; without one --magnets M, the number of magnets on the sensed shaft, looks for a rhythm and names no part")
            }
            Self::MagnetsTwice => f.write_str(
                "the vehicle file says how many magnets there are; leave --magnets away, or correct the file",
            ),
            Self::Setup { setup, known } => write!(
                f,
                "no setup '{setup}' for this test in the vehicle file; it has: {}",
                known.join(", ")
            ),
            Self::Train(error) => error.fmt(f),
            Self::Calibration(misfit) => misfit.fmt(f),
        }
    }
}

impl std::error::Error for SettingsError {}

/// A measure's settings, complete.
#[derive(Clone, Debug, PartialEq)]
pub enum Settings {
    /// For a leak.
    Leak(LeakSettings),
    /// For a pull.
    Pull(PullSettings),
    /// For a roll.
    Roll {
        /// For the measure.
        roll: RollSettings,
        /// Index of the sensor whose edges count.
        sensor: u32,
        /// Further sensors that count, each with its own.
        more: Vec<(u32, RollSettings)>,
        /// The file's other sensors: what they saw must fit the gears, nothing else is asked of them.
        watched: Vec<(u32, RollSettings)>,
    },
    /// For a roll of a car without a file.
    Blind {
        /// Magnets on the sensed shaft.
        magnets: u32,
        /// Index of the sensor whose edges count.
        sensor: u32,
    },
}

impl Settings {
    /// Indices of the sensors whose edges reach the measure in a roll test; none for the others.
    pub fn heard(&self) -> Vec<u32> {
        let mut heard = self.sensors();
        if let Self::Roll { watched, .. } = self {
            heard.extend(watched.iter().map(|(sensor, _)| *sensor));
        }
        heard
    }

    /// Indices of the sensors whose edges count in a roll test; none for the others.
    pub fn sensors(&self) -> Vec<u32> {
        match self {
            Self::Leak(_) | Self::Pull(_) => Vec::new(),
            Self::Blind { sensor, .. } => vec![*sensor],
            Self::Roll { sensor, more, .. } => {
                let more = more.iter().map(|(sensor, _)| *sensor);
                std::iter::once(*sensor).chain(more).collect()
            }
        }
    }
}

/// Settings of an analysis from what was stated, the car's file and the probes (none for a plain sample file).
///
/// # Errors
/// What the test needs and nobody stated; a setup that the file does not have; a gear train that does not solve.
pub fn settings(
    test: Test,
    stated: &Stated,
    vehicle: Option<&Vehicle>,
    sources: &[Source],
) -> Result<Settings, SettingsError> {
    if let (Some(setup), Some(vehicle)) = (&stated.setup, vehicle) {
        let known = || vehicle.setups_of(test.word()).map(|s| s.name.clone());
        if test != Test::Roll && !known().any(|name| name == *setup) {
            return Err(SettingsError::Setup {
                setup: setup.clone(),
                known: known().collect(),
            });
        }
    }
    // A plain sample file is checked where it is known to be one: before a port is opened there are no sources either.
    if !sources.is_empty() {
        let checked = stated.calibrations.check(test, sources);
        checked.map_err(SettingsError::Calibration)?;
    }
    match test {
        Test::Leak => leak(stated, vehicle, sources).map(Settings::Leak),
        Test::Pull => Ok(Settings::Pull(pull(stated, vehicle, sources))),
        Test::Roll => match (stated.magnets, vehicle) {
            (Some(_), Some(_)) => Err(SettingsError::MagnetsTwice),
            (Some(magnets), None) => Ok(Settings::Blind {
                magnets,
                sensor: stated.sensor.unwrap_or_default(),
            }),
            (None, vehicle) => roll(stated, vehicle.ok_or(SettingsError::NoVehicle)?),
        },
    }
}

fn leak(
    stated: &Stated,
    vehicle: Option<&Vehicle>,
    sources: &[Source],
) -> Result<LeakSettings, SettingsError> {
    let settings = leak_settings(stated, vehicle, sources);
    if settings.volume_m3.is_none() && !stated.volume_optional {
        return Err(SettingsError::NoVolume);
    }
    Ok(settings)
}

/// Settings of a leak test. Where nobody states a volume there is none: a comparison does without.
pub fn leak_settings(
    stated: &Stated,
    vehicle: Option<&Vehicle>,
    sources: &[Source],
) -> LeakSettings {
    LeakSettings {
        volume_m3: stated.volume_m3.or(vehicle.map(Vehicle::leak_volume_m3)),
        volume_u_m3: stated.volume_u_m3,
        p_ref_pa: stated.p_ref_pa,
        limit: limit(
            stated.limit_pa_m3_s,
            vehicle.and_then(|v| v.limits.leak_pa_m3_s),
        ),
        ambient_pa: stated.ambient_pa,
        sealed_zero_s: stated.sealed_zero_s,
        syringe_m3: stated.syringe_m3,
        calibration: stated.calibrations.share(Test::Leak, sources),
        range_pa: range(Test::Leak, stated, sources),
    }
}

fn pull(stated: &Stated, vehicle: Option<&Vehicle>, sources: &[Source]) -> PullSettings {
    let channel = channel(Test::Pull, sources);
    let limits = vehicle.map(|v| &v.limits);
    let engine = engine(stated, vehicle);
    PullSettings {
        mass_kg: stated.mass_kg.or(vehicle.map(|v| v.mass_kg)),
        filter_order: stated
            .filter_order
            .or(channel.map(|(_, c)| c.order))
            .unwrap_or(FILTER_ORDER),
        limit_lift_ratio: limit(None, limits.and_then(|l| l.lift_ratio)),
        range_n: range(Test::Pull, stated, sources),
        guard_force_n: limits.and_then(|l| l.guard_force_n),
        guard_held_n2s: limits.and_then(|l| l.guard_held_n2s),
        calibration: stated.calibrations.share(Test::Pull, sources),
        sensor: identity(Test::Pull, sources).and_then(|i| serial(&i.serial)),
        plug_out: engine.is_some_and(|(plug_in, _)| !plug_in),
        warm: engine.and_then(|(_, warm)| warm),
    }
}

/// State of the engine in the setup that was stated: plug in, and warm where the file says so or not.
fn engine(stated: &Stated, vehicle: Option<&Vehicle>) -> Option<(bool, Option<bool>)> {
    let name = stated.setup.as_ref()?;
    let setup = vehicle?
        .setups_of(Test::Pull.word())
        .find(|s| s.name == *name)?;
    match setup.test {
        SetupTest::Pull { plug_in, warm } => Some((plug_in, warm)),
        _ => None,
    }
}

/// A serial number with noughts behind it.
fn serial(text: &str) -> Option<[u8; 16]> {
    let mut padded = [0; 16];
    padded
        .get_mut(..text.len())?
        .copy_from_slice(text.as_bytes());
    Some(padded)
}

/// The channel whose readings the test takes, and its probe.
fn channel(test: Test, sources: &[Source]) -> Option<(&Identity, &Channel)> {
    let unit = unit_of(test.kind());
    let identity = identity(test, sources)?;
    let channel = identity.channels.iter().find(|c| c.unit == unit)?;
    Some((identity, channel))
}

/// The probe whose readings the test takes.
fn identity(test: Test, sources: &[Source]) -> Option<&Identity> {
    sources.iter().find_map(|source| match source {
        Source::Wire(Some(identity)) if identity.kind == test.kind() => Some(&**identity),
        _ => None,
    })
}

/// Largest value that the channel can state, in its unit.
fn range(test: Test, stated: &Stated, sources: &[Source]) -> Option<f64> {
    let (identity, channel) = channel(test, sources)?;
    if let Some((line, _)) = stated.calibrations.of_channel(identity, channel.index) {
        let ends = [channel.min, channel.max].map(|count| line.value(count as f64));
        return Some(ends[0].max(ends[1]));
    }
    let nominal = Nominal::new(channel.scale, channel.zero, channel.min, channel.max).ok()?;
    Some(nominal.range().1)
}

fn roll(stated: &Stated, vehicle: &Vehicle) -> Result<Settings, SettingsError> {
    let first = vehicle.sensors.first().map(|s| s.index);
    let more = stated.more_sensors.iter().map(|sensor| {
        let roll = sensed(stated.setup.as_deref(), vehicle, Some(*sensor))?;
        Ok((*sensor, roll))
    });
    Ok(Settings::Roll {
        roll: sensed(stated.setup.as_deref(), vehicle, stated.sensor)?,
        sensor: stated
            .sensor
            .or(first)
            .expect("a train was solved for a sensor"),
        more: more.collect::<Result<_, SettingsError>>()?,
        watched: watched(stated, vehicle),
    })
}

/// The sensors of the file that were not asked for and turn in the setup.
fn watched(stated: &Stated, vehicle: &Vehicle) -> Vec<(u32, RollSettings)> {
    let first = vehicle.sensors.first().map(|s| s.index);
    let asked =
        |index| stated.sensor.or(first) == Some(index) || stated.more_sensors.contains(&index);
    let others = vehicle
        .sensors
        .iter()
        .map(|s| s.index)
        .filter(|index| !asked(*index));
    let with = |index| {
        Some((
            index,
            sensed(stated.setup.as_deref(), vehicle, Some(index)).ok()?,
        ))
    };
    others.filter_map(with).collect()
}

/// Settings for the record of one sensor, the first of the file where none is stated.
fn sensed(
    setup: Option<&str>,
    vehicle: &Vehicle,
    sensor: Option<u32>,
) -> Result<RollSettings, SettingsError> {
    let train = vehicle.train(setup, sensor).map_err(SettingsError::Train)?;
    let limits = &vehicle.limits;
    let source = |own: Option<f64>| own.map_or(LimitSource::Suggested, |_| LimitSource::Vehicle);
    Ok(RollSettings {
        train,
        snag_false_alarm: vehicle.snag_false_alarm(),
        limit_source: source(limits.snag_false_alarm),
        snag_depth: limits.snag_depth.unwrap_or(SNAG_DEPTH),
        snag_depth_source: source(limits.snag_depth),
        car: RollCar::of(vehicle, setup, sensor),
        wheel_diameter_m: vehicle.wheel_diameter_m,
    })
}

/// The person's own limit, else the file's.
fn limit(own: Option<f64>, file: Option<f64>) -> Option<(f64, LimitSource)> {
    own.map(|limit| (limit, LimitSource::Own))
        .or(file.map(|limit| (limit, LimitSource::Vehicle)))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::wire::{Message, parse};

    /// The example of firmware-notes/wire.md: 16368 counts are (16368 - 1638.4) * 3.05176 Pa.
    #[test]
    fn a_leak_knows_the_end_of_its_probe() {
        let line = b"I 0 1 pressure P-0007 1.0 12 2148 0:Pa:3.05176:1638.4:0:16368:200:1*CDA2";
        let Message::Identity(identity) = parse(line).unwrap().message else {
            panic!("an identity");
        };
        let source = Source::Wire(Some(identity));
        let leak = leak_settings(&Stated::default(), None, &[source]);
        assert!((leak.range_pa.unwrap() - 44_951.2).abs() < 0.1);
        assert_eq!(leak_settings(&Stated::default(), None, &[]).range_pa, None);
    }
}

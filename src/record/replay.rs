//! A capture analyzed again: the same session that ran live, fed from the folder.

use std::fmt;

use super::capture::{BareMeta, Capture, ProbeMeta};
use crate::{
    calibration::{Calibration, CalibrationFileError},
    inspect::{
        Calibrations, Feed, Finding, Session, SettingsError, Source, Stated, Test, settings,
    },
    vehicle::{Vehicle, VehicleError},
    wire::{self, Message, bare::Bare},
};

/// The record is read in another setup than the one that was stated when it was taken.
const OTHER_SETUP: &str = "other_setup";

/// Why a capture cannot be analyzed.
#[derive(Debug)]
pub enum ReplayError {
    /// It is of a test that this version does not know.
    UnknownTest(String),
    /// Its `vehicle.toml` has a fault.
    Vehicle(VehicleError),
    /// Something is missing that neither the capture nor the person states.
    Settings(SettingsError),
    /// A kept calibration has a fault.
    Calibration {
        /// The probe's name.
        name: String,
        /// What is wrong, with its place in the calibration's text.
        fault: CalibrationFileError,
    },
    /// A probe's description cannot be read.
    Probe {
        /// The probe's name.
        name: String,
        /// What is wrong.
        what: String,
    },
}

impl fmt::Display for ReplayError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::UnknownTest(test) => write!(
                f,
                "capture.toml: test '{test}' is unknown; this version knows leak, pull and roll"
            ),
            Self::Vehicle(error) => write!(f, "vehicle.toml:{error}"),
            Self::Settings(error) => error.fmt(f),
            Self::Calibration { name, fault } => {
                write!(f, "capture.toml: calibration of probe {name}: {fault}")
            }
            Self::Probe { name, what } => write!(f, "capture.toml: probe {name}: {what}"),
        }
    }
}

impl std::error::Error for ReplayError {
    fn source(&self) -> Option<&(dyn std::error::Error + 'static)> {
        match self {
            Self::Vehicle(error) => Some(error),
            Self::Settings(error) => Some(error),
            Self::Calibration { fault, .. } => Some(fault),
            _ => None,
        }
    }
}

impl Capture {
    /// The test that was recorded.
    ///
    /// # Errors
    /// [`ReplayError::UnknownTest`].
    pub fn test(&self) -> Result<Test, ReplayError> {
        let test = &self.meta.test;
        Test::from_word(test).ok_or_else(|| ReplayError::UnknownTest(test.clone()))
    }

    /// The car as it was when the capture was taken.
    ///
    /// # Errors
    /// [`ReplayError::Vehicle`].
    pub fn car(&self) -> Result<Option<Vehicle>, ReplayError> {
        let car = self.vehicle.as_deref().map(Vehicle::parse);
        car.transpose().map_err(ReplayError::Vehicle)
    }

    /// Remarks about the folder for `quality.flags`: `cut_short` when it was never closed, `stopped_by_disk` when
    /// the disk refused.
    pub fn flags(&self) -> Vec<String> {
        let flag = match &self.closed {
            None => Some("cut_short"),
            Some(closed) if !closed.in_order => Some("stopped_by_disk"),
            Some(_) => None,
        };
        flag.map(str::to_owned).into_iter().collect()
    }

    /// The calibrations that were used at recording.
    ///
    /// # Errors
    /// [`ReplayError::Calibration`].
    pub fn calibrations(&self) -> Result<Calibrations, ReplayError> {
        let mut list = Vec::new();
        for probe in &self.meta.probes {
            for text in probe.calibrations.iter().filter_map(|c| c.file.as_ref()) {
                let calibration =
                    Calibration::parse(text).map_err(|fault| ReplayError::Calibration {
                        name: probe.name.clone(),
                        fault,
                    })?;
                list.push((calibration, text.clone()));
            }
        }
        Ok(Calibrations::new(list))
    }

    /// Runs the capture through a session. What `stated` leaves open the capture states; `vehicle` stands for the
    /// capture's own vehicle file where it is given.
    ///
    /// # Errors
    /// Settings that nobody stated, a fault of the vehicle file, an unknown test. Never for bad lines.
    pub fn analyze(
        &self,
        stated: Stated,
        vehicle: Option<&Vehicle>,
    ) -> Result<Finding, ReplayError> {
        let own = if vehicle.is_none() { self.car()? } else { None };
        let vehicle = vehicle.or(own.as_ref());
        let mut stated = stated.or(self.meta.stated());
        if stated.calibrations.is_empty() {
            stated.calibrations = self.calibrations()?;
        }
        stated.calibrations = stated.calibrations.on(self.meta.day());
        let sources = sources(&self.meta.probes)?;
        let mut flags = self.flags();
        if self.meta.setup.is_some() && stated.setup != self.meta.setup {
            flags.push(OTHER_SETUP.into());
        }
        let settings =
            settings(self.test()?, &stated, vehicle, &sources).map_err(ReplayError::Settings)?;
        let mut session = Session::new(settings, sources).calibrated(&stated.calibrations);
        for input in self.inputs() {
            session.push(&input, &mut |_| {});
        }
        Ok(session.finish(&self.faults, &flags))
    }

    /// A feed for this capture's inputs, as [`Capture::analyze`] has one. Where nobody states which sensors of a roll are
    /// looked at, none counts.
    ///
    /// # Errors
    /// A description of a probe or a calibration that cannot be read, a fault of the vehicle file, an unknown test.
    pub fn feed(&self) -> Result<Feed, ReplayError> {
        let car = self.car()?;
        let mut stated = self.meta.stated();
        stated.calibrations = self.calibrations()?.on(self.meta.day());
        let sources = sources(&self.meta.probes)?;
        let test = self.test()?;
        let heard = settings(test, &stated, car.as_ref(), &sources)
            .map(|settings| settings.heard())
            .unwrap_or_default();
        Ok(Feed::new(test, sources, heard).calibrated(&stated.calibrations))
    }
}

/// What the sessions needs to know of the probes.
///
/// # Errors
/// A description that cannot be read.
pub fn sources(probes: &[ProbeMeta]) -> Result<Vec<Source>, ReplayError> {
    probes.iter().map(source).collect()
}

fn source(probe: &ProbeMeta) -> Result<Source, ReplayError> {
    let fail = |what: String| ReplayError::Probe {
        name: probe.name.clone(),
        what,
    };
    if let Some(BareMeta { kind, unit, column }) = &probe.bare {
        let bare = Bare::describe(&format!("{kind}:{unit}:{column}"));
        return bare.map(Source::Bare).map_err(|e| fail(e.to_string()));
    }
    let Some(line) = &probe.identity else {
        return Ok(Source::Wire(None));
    };
    match wire::parse(line.as_bytes()) {
        Ok(line) => match line.message {
            Message::Identity(identity) => Ok(Source::Wire(Some(identity))),
            _ => Err(fail("its identity is another record".into())),
        },
        Err(fault) => Err(fail(format!("its identity: {fault}"))),
    }
}

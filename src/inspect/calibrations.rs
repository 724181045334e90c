//! The calibrations that stand behind a record: which sensor each is of, whether it is due, what it adds.

use std::fmt;

use jiff::civil::Date;

use super::{Source, Test};
use crate::{
    calibration::{Calibration, CalibrationKind, CalibrationLine},
    reading::{CalibrationShare, CalibrationState},
    wire::{Identity, ProbeKind, Unit},
};

/// Relative standard uncertainty of the gain of a force or pressure sensor that nobody calibrated (data sheets of cheap
/// load cells and gauge sensors state 1 to 2 %, from memory; the amplifier and its resistor come on top).
pub const NEVER_CALIBRATED: f64 = 0.02;
/// What a sensor may drift in a year, relative standard uncertainty; counted from the day of an overdue calibration on
/// (judgement; data sheets of such parts state 0.1 to 0.5 % a year, from memory).
pub const DRIFT_A_YEAR: f64 = 0.005;
const DAYS_A_YEAR: f64 = 365.25;

/// Calibrations for a record. Empty: none was stated.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Calibrations {
    /// One a sensor, each with the text of its file.
    list: Vec<(Calibration, String)>,
    /// Day of the readings; `None`: not known, nothing is overdue.
    day: Option<Date>,
}

/// Why a calibration cannot serve a record.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Misfit {
    /// What it is of: `force probe cord-1`.
    pub of: String,
    /// What is there instead, or what else is wrong.
    pub what: String,
}

impl fmt::Display for Misfit {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Self { of, what } = self;
        write!(f, "the calibration is of {of}, {what}")
    }
}

impl std::error::Error for Misfit {}

impl Calibrations {
    /// These calibrations, each with the text of its file. Those of a volume are no calibration of a sensor and are left
    /// out.
    pub fn new(list: Vec<(Calibration, String)>) -> Self {
        let of_sensor = |(c, _): &(Calibration, String)| c.kind != CalibrationKind::Volume;
        Self {
            list: list.into_iter().filter(of_sensor).collect(),
            day: None,
        }
    }

    /// The same for readings of that day.
    #[must_use]
    pub fn on(mut self, day: Date) -> Self {
        self.day = Some(day);
        self
    }

    /// True when none was stated.
    pub fn is_empty(&self) -> bool {
        self.list.is_empty()
    }

    /// Checks that each calibration is of a sensor of this record, and no two of the same one. No sources: a plain sample
    /// file, whose readings are in their unit.
    ///
    /// # Errors
    /// [`Misfit`], naming both.
    pub fn check(&self, test: Test, sources: &[Source]) -> Result<(), Misfit> {
        for (n, (calibration, _)) in self.list.iter().enumerate() {
            let misfit = |what: String| Misfit {
                of: calibration.of(),
                what,
            };
            let same = |(c, _): &(Calibration, String)| {
                (c.kind, &c.sensor, c.channel)
                    == (calibration.kind, &calibration.sensor, calibration.channel)
            };
            if self.list[..n].iter().any(same) {
                return Err(misfit(
                    "and so is another one; state one for each sensor".into(),
                ));
            }
            if sources.is_empty() {
                let fits = calibration.sensor.is_none() && kind(calibration) == test.kind();
                if !fits {
                    return Err(misfit(format!(
                        "but a plain sample file of a {} test holds readings in {}, of no probe; leave it out, or make one \
                         from such readings (calibrate without --probe)",
                        test.word(),
                        unit_of(test)
                    )));
                }
            } else if !sources.iter().any(|s| is_of(calibration, s)) {
                let there: Vec<String> = sources.iter().map(words).collect();
                return Err(misfit(format!(
                    "but this record is of {}; take the calibration of that one, or none",
                    there.join(" and ")
                )));
            }
        }
        Ok(())
    }

    /// Those that are of a sensor of these sources: a bench is told all, a record is of some.
    #[must_use]
    pub fn of_record(&self, sources: &[Source]) -> Self {
        let is_here = |(c, _): &&(Calibration, String)| sources.iter().any(|s| is_of(c, s));
        Self {
            list: self.list.iter().filter(is_here).cloned().collect(),
            day: self.day,
        }
    }

    /// How the calibration of a probe stands on the day, and when it is due.
    pub fn standing(&self, identity: &Identity) -> (CalibrationState, Option<Date>) {
        let source = Source::Wire(Some(Box::new(identity.clone())));
        let of_it = self.list.iter().find(|(c, _)| is_of(c, &source));
        match of_it.and_then(|(c, _)| Some((c, c.line.as_ref()?))) {
            None => (CalibrationState::Missing, None),
            Some((calibration, line)) => (
                self.share_of(calibration, line).state,
                Some(calibration.due),
            ),
        }
    }

    /// What the calibration of the test's sensor adds to its readings.
    pub fn share(&self, test: Test, sources: &[Source]) -> CalibrationShare {
        if test == Test::Roll {
            return CalibrationShare::default();
        }
        let source = sources.iter().find(|s| kind_of(s) == Some(test.kind()));
        let mut all = self.list.iter().map(|(c, _)| c);
        let calibration = match source {
            Some(source) => all.find(|c| is_of(c, source)),
            None => all.find(|c| c.sensor.is_none() && kind(c) == test.kind()),
        };
        match calibration.and_then(|c| Some((c, c.line.as_ref()?))) {
            Some((calibration, line)) => self.share_of(calibration, line),
            None if sources.is_empty() => CalibrationShare::default(),
            None => CalibrationShare {
                state: CalibrationState::Missing,
                u_relative: NEVER_CALIBRATED,
            },
        }
    }

    fn share_of(&self, calibration: &Calibration, line: &CalibrationLine) -> CalibrationShare {
        let overdue = self.day.filter(|day| *day > calibration.due);
        let Some(day) = overdue else {
            return CalibrationShare {
                state: CalibrationState::Current,
                u_relative: line.u_relative,
            };
        };
        let days = day.duration_since(calibration.date).as_hours() as f64 / 24.0;
        let drift = DRIFT_A_YEAR * days / DAYS_A_YEAR;
        CalibrationShare {
            state: CalibrationState::Expired,
            u_relative: libm::hypot(line.u_relative, drift),
        }
    }

    /// Line of a probe's channel, and the text of its file.
    pub fn of_channel(&self, identity: &Identity, channel: u8) -> Option<(&CalibrationLine, &str)> {
        self.find(|c| {
            kind(c) == identity.kind
                && c.sensor.as_ref() == Some(&identity.serial)
                && channel_of(c, identity) == Some(channel)
        })
    }

    /// Line of readings that came in their unit (of a bare probe or a plain sample file), and the text of its file.
    pub fn of_readings(&self, of: ProbeKind) -> Option<(&CalibrationLine, &str)> {
        self.find(|c| c.sensor.is_none() && kind(c) == of)
    }

    fn find(&self, fits: impl Fn(&Calibration) -> bool) -> Option<(&CalibrationLine, &str)> {
        let (calibration, text) = self.list.iter().find(|(c, _)| fits(c))?;
        Some((calibration.line.as_ref()?, text))
    }
}

fn kind(calibration: &Calibration) -> ProbeKind {
    match calibration.kind {
        CalibrationKind::Force => ProbeKind::Force,
        CalibrationKind::Pressure | CalibrationKind::Volume => ProbeKind::Pressure,
    }
}

fn unit_of(test: Test) -> &'static str {
    match test {
        Test::Leak => "Pa",
        Test::Pull => "N",
        Test::Roll => "edges",
    }
}

fn kind_of(source: &Source) -> Option<ProbeKind> {
    match source {
        Source::Wire(identity) => identity.as_ref().map(|i| i.kind),
        Source::Bare(bare) => Some(bare.kind),
    }
}

/// The channel a calibration is of: the stated one, else the first of its unit. It must be in the unit.
fn channel_of(calibration: &Calibration, identity: &Identity) -> Option<u8> {
    let unit = match calibration.kind {
        CalibrationKind::Force => Unit::Newton,
        CalibrationKind::Pressure | CalibrationKind::Volume => Unit::Pascal,
    };
    let stated = |index: u8| calibration.channel.is_none_or(|c| c == index);
    let channel = identity
        .channels
        .iter()
        .find(|c| c.unit == unit && stated(c.index))?;
    Some(channel.index)
}

fn is_of(calibration: &Calibration, source: &Source) -> bool {
    match (source, &calibration.sensor) {
        (Source::Wire(Some(identity)), Some(serial)) => {
            kind(calibration) == identity.kind
                && *serial == identity.serial
                && channel_of(calibration, identity).is_some()
        }
        (Source::Bare(bare), None) => kind(calibration) == bare.kind,
        _ => false,
    }
}

fn words(source: &Source) -> String {
    match source {
        Source::Wire(Some(identity)) => format!("{} probe {}", identity.kind, identity.serial),
        Source::Wire(None) => "a probe that did not say who it is".into(),
        Source::Bare(bare) => format!("a {} board that prints {}", bare.kind, bare.unit),
    }
}

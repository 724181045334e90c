//! What a probe's channel is for, and what its counts mean.

use crate::{
    calibration::CalibrationLine,
    inspect::{Calibrations, Test},
    wire::{Channel, Identity, ProbeKind, Unit},
};

/// What the counts of a channel mean: its calibration, else what the probe itself says.
#[derive(Clone, Debug, Default)]
pub(super) struct Scale {
    pub line: Option<CalibrationLine>,
    pub channel: Option<Channel>,
}

impl Scale {
    /// Of a channel of the probe that said `identity`.
    pub fn of(identity: &Identity, calibrations: &Calibrations, channel: u8) -> Self {
        let line = calibrations.of_channel(identity, channel);
        Self {
            line: line.map(|(line, _)| line.clone()),
            channel: identity.channel(channel).copied(),
        }
    }

    /// The value of a count; `None` where nobody has said what it means.
    pub fn value(&self, count: i32) -> Option<f64> {
        match (&self.line, &self.channel) {
            (Some(line), _) => Some(line.value(f64::from(count))),
            (None, Some(channel)) => Some(channel.nominal(count)),
            (None, None) => None,
        }
    }
}

/// What the samples of a channel are for.
#[derive(Clone, Copy)]
pub(super) enum Role {
    Counts(Channel),
    Thermometer(Channel),
    Ignored,
}

impl Role {
    /// Of a channel of the probe that feeds the test.
    pub fn of(test: Test, identity: &Identity, index: u8) -> Self {
        let Some(channel) = identity.channel(index) else {
            return Self::Ignored;
        };
        let unit = unit_of(test.kind());
        let first = |unit| identity.channels.iter().find(|c| c.unit == unit);
        if first(unit).is_some_and(|c| c.index == index) {
            Self::Counts(*channel)
        } else if test == Test::Leak && first(Unit::Celsius).is_some_and(|c| c.index == index) {
            Self::Thermometer(*channel)
        } else {
            Self::Ignored
        }
    }
}

/// The unit of what a kind of probe is there for.
pub(in crate::inspect) fn unit_of(kind: ProbeKind) -> Unit {
    match kind {
        ProbeKind::Pressure => Unit::Pascal,
        ProbeKind::Force => Unit::Newton,
        ProbeKind::Hall => Unit::Edge,
    }
}

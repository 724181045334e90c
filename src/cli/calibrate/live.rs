//! Points taken now: the person puts a known value on the sensor, presses Enter, and a short capture is recorded.

use std::{
    io::{self, BufRead as _},
    path::PathBuf,
    time::Duration,
};

use super::known::Ruler;
use crate::{
    calibration::CalibrationKind,
    cli::{
        Failure,
        args::CalibrateCommon,
        say,
        take::{self, Recorded},
    },
    inspect::Test,
};

/// How long each point is recorded when nobody says otherwise: a hanging mass swings once a second or so.
const FOR: Duration = Duration::from_secs(5);

/// Records one capture for each value of `--on`; as `VALUE` and the capture's folder.
pub(super) fn record(
    ruler: &Ruler,
    common: &CalibrateCommon,
) -> Result<Vec<(String, PathBuf)>, Failure> {
    let Some(port) = &common.port else {
        return Ok(Vec::new());
    };
    let usage = |e: String| Failure::Usage(format!("feelgauge: {e}"));
    let test = match ruler.kind() {
        CalibrationKind::Force => Test::Pull,
        CalibrationKind::Pressure => Test::Leak,
        CalibrationKind::Volume => {
            return Err(usage(
                "the steps of a syringe are read from a finding's pressures; name a file of points"
                    .into(),
            ));
        }
    };
    for value in &common.on {
        ruler
            .parse(value)
            .map_err(|e| usage(format!("--on {value}: {e}")))?;
    }
    let mut taken = Vec::new();
    let mut answers = io::stdin().lock().lines();
    for value in &common.on {
        say(&format!(
            "{value}: put it on the sensor, let it come to rest, then press Enter"
        ));
        if !matches!(answers.next(), Some(Ok(_))) {
            return Err(Failure::Work(format!(
                "feelgauge: no Enter came for {value}; the {} captures in {} can be used with --point",
                taken.len(),
                common.captures.display()
            )));
        }
        let recorded = Recorded {
            test,
            port: port.clone(),
            duration: common.duration.unwrap_or(FOR),
            out: common.captures.clone(),
        };
        taken.push((value.clone(), take::record_only(recorded)?));
    }
    Ok(taken)
}

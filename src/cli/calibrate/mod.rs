//! `calibrate`: known masses, a water column or a syringe become a calibration with its uncertainty.

mod gather;
mod known;
mod live;
mod record;

use std::{fs, io::Write as _, path::Path};

use jiff::{Span, civil::Date};

use super::{
    DONE, Failure, Outcome, Output,
    args::{CalibrateCommon, CalibrateVerb},
    say,
};
use crate::{
    calibration::{
        CalibrationFault, CalibrationFinding, CalibrationKind, CalibrationPoint, FitFault, Point,
        Subject, fit,
    },
    clock::Clock,
    report,
};
use gather::{Gathered, gather};
pub(in crate::cli) use known::Ruler;

/// A calibration is good for a year when nobody says otherwise (common practice, no source).
const GOOD_FOR_MONTHS: i64 = 12;

/// Runs `calibrate`.
pub(super) fn run(verb: CalibrateVerb, output: &mut Output) -> Outcome {
    let (ruler, common) = Ruler::of(verb)?;
    let out = common.out.clone();
    if let Some(out) = &out
        && out.symlink_metadata().is_ok()
    {
        return Err(Failure::Usage(format!(
            "--out {}: exists already; name a file that does not, or move this one away",
            out.display()
        )));
    }
    let (date, due) = days(&common, Clock::system().day())?;
    let gathered = gather(&ruler, &common)?;
    let (finding, file) = conclude(&ruler, &gathered, date, due)?;
    if let Some(doubt) = other_unit(&finding) {
        say(&doubt);
    }
    if let (Some(out), Some(text)) = (&out, &file) {
        write(out, text)?;
    }
    let kept = out.filter(|_| file.is_some());
    output.result(&finding, |picture| {
        report::calibration(&finding, kept.as_deref(), picture)
    })?;
    Ok(DONE)
}

/// A sensor whose readings are true to this factor is only out of adjustment; beyond it a unit is mixed up.
const OUT_OF_ADJUSTMENT: f64 = 5.0;

/// What looks like grams for kilograms, or counts for readings: readings in N or Pa that are far from the known values.
fn other_unit(finding: &CalibrationFinding) -> Option<String> {
    let gain = finding.gain?.value.abs();
    let near = (1.0 / OUT_OF_ADJUSTMENT..=OUT_OF_ADJUSTMENT).contains(&gain);
    (finding.indication_unit == finding.unit && !near).then(|| {
        format!(
            "calibrate {}: a reading of 1 {} stands for {gain:.3e} {} by these points; look at the unit of the known values, and \
             name the probe if the indications are its counts: --probe SERIAL",
            finding.kind, finding.unit, finding.unit
        )
    })
}

/// The text of the calibration that a file of points gives for a probe's first channel; `None`: refused. For the virtual
/// bench, which knows its day.
pub(super) fn of_rows(
    ruler: &Ruler,
    (name, rows): (&str, &str),
    probe: &str,
    date: Date,
) -> Result<Option<String>, Failure> {
    let mut gathered = Gathered {
        sensor: Some(probe.into()),
        channel: Some(0),
        ..Gathered::default()
    };
    gather::rows(ruler, name, rows, &mut gathered)?;
    let (_, file) = conclude(ruler, &gathered, date, year_on(date)?)?;
    Ok(file)
}

/// The day a year on.
fn year_on(date: Date) -> Result<Date, Failure> {
    date.checked_add(Span::new().months(GOOD_FOR_MONTHS))
        .map_err(|_| {
            Failure::Usage(format!(
                "feelgauge: --date {date} is too late; state the due day with --due"
            ))
        })
}

/// Day of the points and the day on which they want repeating.
fn days(common: &CalibrateCommon, today: Date) -> Result<(Date, Date), Failure> {
    let usage = |e: String| Failure::Usage(format!("feelgauge: {e}"));
    let date = common.date.unwrap_or(today);
    if date > today {
        return Err(usage(format!(
            "--date {date} has not come yet; state the day on which the points were taken"
        )));
    }
    let due = common.due.map_or_else(|| year_on(date), Ok)?;
    if due <= date {
        return Err(usage(format!(
            "--due {due} is not after the day of the calibration, {date}"
        )));
    }
    Ok((date, due))
}

/// Fits the points and says what they give; the text of the file where they give a calibration.
fn conclude(
    ruler: &Ruler,
    gathered: &Gathered,
    date: Date,
    due: Date,
) -> Result<(CalibrationFinding, Option<String>), Failure> {
    let kind = ruler.kind();
    let points: Vec<Point> = gathered
        .taken
        .iter()
        .map(|t| Point {
            known: ruler.known(t),
            indication: t.indication,
            u_indication: t.u_indication,
        })
        .collect();
    let common = ruler.common(&gathered.taken);
    let fitted =
        fit(&points, &common, gathered.resolution).map_err(|e| fault(&e, gathered, kind))?;
    let kept: Vec<CalibrationPoint> = gathered
        .taken
        .iter()
        .zip(&points)
        .map(|(taken, point)| CalibrationPoint {
            known: point.known,
            indication: point.indication,
            place: taken.place.clone(),
            row: taken.row.clone(),
        })
        .collect();
    let subject = Subject {
        kind,
        sensor: gathered.sensor.clone(),
        channel: gathered.channel,
        date,
        due,
        conditions: ruler.conditions(),
        nominal_gain: gathered.nominal_gain,
    };
    let (finding, file) = subject.conclude(&fitted, &kept);
    Ok((finding, file.map(|file| file.text())))
}

/// Why the points give no line, with the places of the points.
fn fault(fault: &FitFault, gathered: &Gathered, kind: CalibrationKind) -> Failure {
    let place = |i: usize| gathered.taken[i].place.clone();
    let first = gathered
        .taken
        .first()
        .map_or_else(String::new, |t| t.place.clone());
    Failure::Work(match fault {
        FitFault::Line(CalibrationFault::TooFewPoints { points, needed }) => format!(
            "{first}: {points} calibration point{}; take at least {needed}, better six over the whole range",
            if *points == 1 { "" } else { "s" }
        ),
        FitFault::Line(CalibrationFault::BadPoint { index }) => format!(
            "{}: the uncertainty must be above 0; state what a repeated reading scatters by, or leave the column out",
            place(*index)
        ),
        FitFault::Line(CalibrationFault::NoSpread) => format!(
            "{first}: all {} points have the same known value; spread them over the range in use",
            gathered.taken.len()
        ),
        FitFault::Line(e) => format!("{first}: {e}"),
        FitFault::Silent => format!(
            "{first}: the indication is the same at every point; is the sensor connected, and not at its end?"
        ),
        FitFault::NotFollowing {
            below,
            above,
            backward: true,
        } => format!(
            "{}: shows less than {}, though more {} is on it; were two rows mixed up? Read both again",
            place(*above),
            place(*below),
            what(kind)
        ),
        FitFault::NotFollowing { below, above, .. } => format!(
            "{}: shows hardly more than {}, though more {} is on it; the sensor or its converter is at its end: leave this \
             point out, or a row was read twice: read it again",
            place(*above),
            place(*below),
            what(kind)
        ),
    })
}

/// What a point has more of.
fn what(kind: CalibrationKind) -> &'static str {
    match kind {
        CalibrationKind::Force => "force",
        CalibrationKind::Pressure => "pressure",
        CalibrationKind::Volume => "air",
    }
}

fn write(path: &Path, text: &str) -> Result<(), Failure> {
    let written = fs::File::create_new(path).and_then(|mut file| {
        file.write_all(text.as_bytes())
            .and_then(|()| file.sync_all())
    });
    written.map_err(|e| {
        Failure::Work(format!(
            "feelgauge: cannot write {}: {}; name a file in a folder that you may write to: --out FILE",
            path.display(),
            super::plan::words(&e)
        ))
    })
}

//! One record as a calibration point: the mean of a capture's counts, or of a plain sample file's readings.

use std::{fs, path::Path};

use crate::{
    calibration::CalibrationKind,
    cli::{
        Failure,
        plan::{Record, cannot_read, record},
    },
    inspect::{Reading, Source, Test},
    record::{Capture, plain::PlainFile, replay::sources},
    wire::{Identity, Unit},
};

/// Pieces of a record that must agree.
const BLOCKS: usize = 8;
/// A record whose first and last quarter differ by more than this share of what it shows was not at rest ...
const RESTLESS: f64 = 0.02;
/// ... unless they differ by less than this many of its steps or standard uncertainties.
const RESTLESS_U: f64 = 10.0;

/// What a record shows.
#[derive(Clone, Debug)]
pub(super) struct Shown {
    pub mean: f64,
    /// Standard uncertainty of the mean, from the scatter of its pieces; at least half a step, rectangular.
    pub u: f64,
    pub sensor: Option<String>,
    pub nominal_gain: Option<f64>,
    /// Step of the mean: that of the counts where they stand still.
    pub resolution: f64,
}

/// Reads the record of one point.
pub(super) fn read(
    kind: CalibrationKind,
    path: &Path,
    channel: Option<u8>,
) -> Result<Shown, Failure> {
    let test = match kind {
        CalibrationKind::Force => Test::Pull,
        CalibrationKind::Pressure | CalibrationKind::Volume => Test::Leak,
    };
    match record(path)? {
        Record::Capture(_) if kind == CalibrationKind::Volume => Err(Failure::Usage(format!(
            "{}: the steps of a syringe are pressures in Pa; name a file of points, or plain sample files",
            path.display()
        ))),
        Record::Capture(capture) => of_capture(&capture, test, path, channel),
        Record::Plain(path) => of_plain(test, &path),
    }
}

fn of_capture(
    capture: &Capture,
    test: Test,
    path: &Path,
    channel: Option<u8>,
) -> Result<Shown, Failure> {
    let name = path.display();
    let work = |what: String| Failure::Work(format!("{name}: {what}"));
    let sources = sources(&capture.meta.probes).map_err(|e| work(e.to_string()))?;
    let found = sources.iter().enumerate().find_map(|(n, s)| match s {
        Source::Wire(Some(identity)) if identity.kind == test.kind() => Some((n, identity)),
        _ => None,
    });
    let Some((probe, identity)) = found else {
        return Err(work(format!(
            "no {} probe with an identity in this capture; take the point with the probe that is to be calibrated",
            test.kind()
        )));
    };
    let unit = if test == Test::Pull {
        Unit::Newton
    } else {
        Unit::Pascal
    };
    let wanted =
        |c: &&crate::wire::Channel| c.unit == unit && channel.is_none_or(|index| index == c.index);
    let Some(channel) = identity.channels.iter().find(wanted) else {
        return Err(work(format!(
            "probe {} has no such channel in {}; leave --channel out, or name one of its channels",
            identity.serial,
            unit.word()
        )));
    };
    let counts = capture.counts(probe, identity, channel.index);
    if counts.at_end > 0 {
        return Err(work(format!(
            "{} of {} counts lie at the end of the converter: it cannot show more; take this point with less on the sensor",
            counts.at_end,
            counts.counts.len()
        )));
    }
    let mut shown = mean(&counts.counts, 1.0).map_err(work)?;
    shown.sensor = Some(serial(identity));
    shown.nominal_gain = Some(channel.scale);
    Ok(shown)
}

fn serial(identity: &Identity) -> String {
    identity.serial.clone()
}

fn of_plain(test: Test, path: &Path) -> Result<Shown, Failure> {
    let bytes = fs::read(path).map_err(|e| cannot_read(path, &e))?;
    let mut values = Vec::new();
    let mut keep = |reading| match reading {
        Reading::Pressure(r) => values.push(r.pressure_pa),
        Reading::Force(r) => values.push(r.force_n),
        Reading::Edge(_) => {}
    };
    let mut file = PlainFile::new(test, false);
    let fault = |e| Failure::Work(format!("{}:{e}", path.display()));
    file.push(&bytes, &mut keep).map_err(fault)?;
    file.finish(&mut keep).map_err(fault)?;
    mean(&values, 0.0).map_err(|what| Failure::Work(format!("{}: {what}", path.display())))
}

/// Mean of a record with its scatter; `step`: of its values, 0 where none is known.
pub(super) fn mean(values: &[f64], step: f64) -> Result<Shown, String> {
    if values.is_empty() {
        return Err("no readings; take the point again".into());
    }
    let all = average(values);
    let size = values.len().div_ceil(BLOCKS);
    let blocks: Vec<f64> = values.chunks(size).map(average).collect();
    let n = blocks.len() as f64;
    let variance = if blocks.len() < 2 {
        0.0
    } else {
        let squares: f64 = blocks.iter().map(|b| (b - all) * (b - all)).sum();
        squares / (n - 1.0) / n
    };
    let rounding = step / 12.0_f64.sqrt();
    let u = variance.max(rounding * rounding).sqrt();
    let quarter = values.len().div_ceil(4);
    let (first, last) = (
        average(&values[..quarter]),
        average(&values[values.len() - quarter..]),
    );
    let moved = (last - first).abs();
    if moved > RESTLESS * all.abs() && moved > RESTLESS_U * rest_u(values, step) {
        return Err(format!(
            "it was not at rest: it began at {first:.1} and ended at {last:.1}; let it hang or stand still, then take the point"
        ));
    }
    let still = values.windows(2).all(|v| v[0].to_bits() == v[1].to_bits());
    Ok(Shown {
        mean: all,
        u,
        sensor: None,
        nominal_gain: None,
        resolution: if still { step } else { 0.0 },
    })
}

/// Scatter from one value to the next, which a slow change does not show in.
fn rest_u(values: &[f64], step: f64) -> f64 {
    let squares: f64 = values
        .windows(2)
        .map(|v| (v[1] - v[0]) * (v[1] - v[0]))
        .sum();
    let pairs = (values.len() - 1).max(1) as f64;
    (squares / pairs / 2.0).sqrt().max(step)
}

fn average(values: &[f64]) -> f64 {
    values.iter().sum::<f64>() / values.len() as f64
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_record_is_its_mean_when_it_is_at_rest() {
        let swing: Vec<f64> = (0..400)
            .map(|i| 500.0 + 20.0 * libm::sin(f64::from(i) * 0.3))
            .collect();
        let shown = mean(&swing, 1.0).unwrap();
        assert!((shown.mean - 500.0).abs() < 1.0 && shown.u < 2.0);
        assert!(mean(&[412.0; 50], 1.0).unwrap().resolution > 0.0);
        let hung: Vec<f64> = (0..400)
            .map(|i| if i < 150 { 410.0 } else { 900.0 })
            .collect();
        assert!(mean(&hung, 1.0).unwrap_err().contains("not at rest"));
        assert!(mean(&[], 1.0).is_err());
    }
}

//! Points from a file of points and from records.

use std::path::{Path, PathBuf};

use super::{known::Ruler, live, record::read};
use crate::{
    calibration::{MAX_TEXT, Row, read_points},
    cli::{Failure, args::CalibrateCommon, plan},
};

/// One point as it was taken.
#[derive(Clone, Debug)]
pub(super) struct Taken {
    /// What was written down, SI: kg, m, m3; or the known value itself.
    pub stated: f64,
    /// It is the known value itself.
    pub direct: bool,
    /// Standard uncertainty of `stated`, where it is stated.
    pub u_stated: Option<f64>,
    /// What the sensor showed.
    pub indication: f64,
    pub u_indication: Option<f64>,
    /// File and line, or the record.
    pub place: String,
    /// The row, verbatim.
    pub row: Option<String>,
}

/// All points, and of which sensor they are.
#[derive(Clone, Debug, Default)]
pub(super) struct Gathered {
    pub taken: Vec<Taken>,
    pub sensor: Option<String>,
    pub channel: Option<u8>,
    /// Step of the indications.
    pub resolution: f64,
    pub nominal_gain: Option<f64>,
}

/// Reads everything that the command line names.
pub(super) fn gather(ruler: &Ruler, common: &CalibrateCommon) -> Result<Gathered, Failure> {
    if common.points.is_none() && common.records.is_empty() && common.port.is_none() {
        let wanted = ruler.columns().wanted();
        return Err(Failure::Usage(format!(
            "feelgauge: no points; name a file with the header {wanted}, give records: --point VALUE=RECORD, or a \
             probe and what will be on it: --port PATH --on VALUE"
        )));
    }
    let mut gathered = Gathered {
        sensor: common.probe.clone(),
        ..Gathered::default()
    };
    if let Some(path) = &common.points {
        file(ruler, path, &mut gathered)?;
    }
    records(ruler, common, &mut gathered)?;
    gathered.channel = gathered
        .sensor
        .as_ref()
        .map(|_| common.channel.unwrap_or(0));
    below_zero(&gathered.taken)?;
    Ok(gathered)
}

fn below_zero(taken: &[Taken]) -> Result<(), Failure> {
    match taken.iter().find(|t| t.stated < 0.0 && !t.direct) {
        None => Ok(()),
        Some(t) => Err(Failure::Work(format!(
            "{}: the known value is below 0; write it without a sign, 0 for nothing on the sensor",
            t.place
        ))),
    }
}

fn file(ruler: &Ruler, path: &Path, gathered: &mut Gathered) -> Result<(), Failure> {
    let name = path.display();
    let text = plan::text(path, MAX_TEXT, "points")?;
    if text.len() > MAX_TEXT {
        return Err(Failure::Work(format!(
            "{name}: longer than {MAX_TEXT} bytes; a file of points needs a few thousand"
        )));
    }
    rows(ruler, &name.to_string(), &text, gathered)
}

/// Points of a file's text.
pub(super) fn rows(
    ruler: &Ruler,
    name: &str,
    text: &str,
    gathered: &mut Gathered,
) -> Result<(), Failure> {
    let (column, rows) =
        read_points(text, ruler.columns()).map_err(|e| Failure::Work(format!("{name}:{e}")))?;
    if rows.is_empty() {
        return Err(Failure::Work(format!(
            "{name}: no rows under the header; write one row a reading"
        )));
    }
    let direct = column == 1;
    let scale = ruler.scale(direct);
    let decimals = rows.iter().map(|r| r.decimals).max().unwrap_or(0);
    gathered.resolution = libm::pow(10.0, -f64::from(decimals));
    gathered
        .taken
        .extend(rows.into_iter().map(|row: Row| Taken {
            stated: row.known * scale,
            direct,
            u_stated: row.u_known.map(|u| u * scale),
            indication: row.indication,
            u_indication: row.u_indication,
            place: format!("{name}:{}", row.line),
            row: Some(row.text),
        }));
    Ok(())
}

/// Records of `--point`, all of one sensor.
fn records(
    ruler: &Ruler,
    common: &CalibrateCommon,
    gathered: &mut Gathered,
) -> Result<(), Failure> {
    let mut first: Option<String> = gathered.taken.first().map(|t| t.place.clone());
    let mut named = Vec::new();
    for text in &common.records {
        let (value, path) = split(text)?;
        let parsed = ruler.parse(&value);
        parsed.map_err(|e| Failure::Usage(format!("--point {text}: {e}")))?;
        named.push((value, path));
    }
    named.extend(live::record(ruler, common)?);
    let all = gathered.taken.len() + named.len();
    for (value, path) in named {
        let (stated, direct) = ruler.parse(&value).expect("it was parsed before");
        let place = path.display().to_string();
        let found = read(ruler.kind(), &path, common.channel)?;
        if first.is_none() && gathered.sensor.is_none() {
            gathered.sensor.clone_from(&found.sensor);
        }
        if gathered.sensor != found.sensor {
            let words = |sensor: &Option<String>| {
                sensor.as_ref().map_or_else(
                    || "readings in their unit, of no probe".into(),
                    |serial| format!("counts of probe {serial}"),
                )
            };
            return Err(Failure::Work(format!(
                "{place}: this record holds {}, the points before it ({}) are {}; calibrate one sensor at a time (--probe SERIAL says \
                 which probe a file of points is of)",
                words(&found.sensor),
                first.as_deref().unwrap_or("--probe"),
                words(&gathered.sensor)
            )));
        }
        gathered.nominal_gain = gathered.nominal_gain.or(found.nominal_gain);
        gathered.resolution = gathered.resolution.max(found.resolution);
        first.get_or_insert_with(|| place.clone());
        gathered.taken.push(Taken {
            stated,
            direct,
            u_stated: None,
            indication: found.mean,
            // What a record scatters by says nothing of hanging the mass again: two points have nothing else.
            u_indication: (all == 2).then_some(found.u),
            place,
            row: None,
        });
    }
    Ok(())
}

/// `VALUE=RECORD`.
fn split(text: &str) -> Result<(String, PathBuf), Failure> {
    match text.split_once('=') {
        Some((value, path)) if !value.trim().is_empty() && !path.is_empty() => {
            Ok((value.into(), path.into()))
        }
        _ => Err(Failure::Usage(format!(
            "--point {text}: write the known value and the record, such as --point 2kg=captures/20310517T142140Z-pull"
        ))),
    }
}

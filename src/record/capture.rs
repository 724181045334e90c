//! What a capture folder says beside its lines: `capture.toml` at the start, `closed.toml` at the end.

use std::collections::BTreeMap;

use jiff::{Timestamp, civil::Date, tz::TimeZone};
use serde::{Deserialize, Serialize};

use super::writer::sha256;
use crate::{
    calibration::CalibrationLine,
    inspect::{Calibrations, Input, Mark, Row, Source, Stated, Test},
    reading::SOFTWARE,
    wire::{Channel, Identity, bare::Bare},
};

/// Version of the folder's layout.
pub const FORMAT: u32 = 1;
/// Facts known at the start; a folder without it is no capture.
pub const META_FILE: &str = "capture.toml";
/// Verbatim copy of the vehicle file.
pub const VEHICLE_FILE: &str = "vehicle.toml";
/// What the host noted beside the lines.
pub const MARKS_FILE: &str = "marks.csv";
/// Counts and digests, written last; a folder without it was cut short.
pub const CLOSED_FILE: &str = "closed.toml";

/// `capture.toml`: everything known when the capture began.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct CaptureMeta {
    /// Layout, [`FORMAT`].
    pub format: u32,
    /// Software that recorded it.
    pub software: String,
    /// `leak`, `pull` or `roll`.
    pub test: String,
    /// Name of the setup in the vehicle file.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub setup: Option<String>,
    /// Who measured.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub operator: Option<String>,
    /// SHA-256 of `vehicle.toml`, lower-case hex.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub vehicle_sha256: Option<String>,
    /// Ties host microseconds to the wall clock.
    pub anchor: Anchor,
    /// The day's conditions as far as they were stated.
    #[serde(default)]
    pub conditions: Conditions,
    /// What the person stated for the analysis, SI.
    #[serde(default)]
    pub settings: Settings,
    /// The probes, in the order of the ports.
    #[serde(default, rename = "probe")]
    pub probes: Vec<ProbeMeta>,
}

/// One instant on both clocks.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Anchor {
    /// Monotonic host time, microseconds.
    pub host_us: u64,
    /// Wall time, UTC.
    pub wall: Timestamp,
}

/// Conditions of the day; absent means not stated.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Conditions {
    /// Absolute pressure of the air, Pa.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub ambient_pa: Option<f64>,
    /// Temperature of the room, K.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub room_k: Option<f64>,
}

/// Stated by the person at recording; an option of `analyze` replaces it. Absent means not stated.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Settings {
    /// Tank and hose, m3.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub volume_m3: Option<f64>,
    /// Its standard uncertainty, m3.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub volume_u_m3: Option<f64>,
    /// Gauge pressure to state the leak at, Pa.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub p_ref_pa: Option<f64>,
    /// Own limit of the leak rate, Pa m3/s.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub limit_pa_m3_s: Option<f64>,
    /// Volume of one stroke of a syringe after the hold, m3.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub syringe_m3: Option<f64>,
    /// Mass of the car, kg.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub mass_kg: Option<f64>,
    /// Order of the force converter's averaging filter, where it is not the probe's own.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub filter_order: Option<u32>,
    /// Sensor whose edges count.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub sensor: Option<u32>,
}

/// One probe as it was when the capture began.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct ProbeMeta {
    /// Name of its file without `.csv`: kind and serial.
    pub name: String,
    /// Port, as named by the person.
    pub port: String,
    /// Its identity line, verbatim without the LF; absent for a bare probe.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub identity: Option<String>,
    /// How to read a bare probe.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub bare: Option<BareMeta>,
    /// Calibration of its channels.
    #[serde(default, rename = "calibration", skip_serializing_if = "Vec::is_empty")]
    pub calibrations: Vec<CalibrationMeta>,
}

/// A bare probe: a board that prints plain numbers.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct BareMeta {
    /// `pressure`, `force` or `hall`.
    pub kind: String,
    /// Unit of the numbers.
    pub unit: String,
    /// Column, from 1.
    pub column: u32,
}

/// How the counts of one channel became a unit: `value = (count - zero) * scale`.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct CalibrationMeta {
    /// Channel of the probe.
    pub channel: u32,
    /// SI unit of the value.
    pub unit: String,
    /// Unit a count.
    pub scale: f64,
    /// Count at zero.
    pub zero: f64,
    /// Where it comes from: `nominal` (the probe's identity) or `calibration`.
    pub source: String,
    /// The calibration file, verbatim, where it comes from one.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub file: Option<String>,
}

/// `closed.toml`: what the finished capture holds.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Closed {
    /// Layout, [`FORMAT`].
    pub format: u32,
    /// It ended because the test was over or the person stopped it, not because the disk refused.
    pub in_order: bool,
    /// Why it ended: `finished`, `stopped`, or the disk's words.
    pub reason: String,
    /// Host time at the end, microseconds.
    pub host_us: u64,
    /// Every file of the folder that was written by then.
    #[serde(default, rename = "file")]
    pub files: Vec<FileCount>,
}

/// Count and digest of one file.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct FileCount {
    /// Name in the folder.
    pub name: String,
    /// Records without the header; absent for files that are no tables.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub rows: Option<u64>,
    /// Length, bytes.
    pub bytes: u64,
    /// SHA-256, lower-case hex.
    pub sha256: String,
}

/// A capture read back.
#[derive(Clone, Debug, PartialEq)]
pub struct Capture {
    /// What was known at the start.
    pub meta: CaptureMeta,
    /// The vehicle file, verbatim.
    pub vehicle: Option<String>,
    /// Rows of every probe, in the order of `meta.probes`.
    pub rows: Vec<Vec<Row>>,
    /// Marks.
    pub marks: Vec<Mark>,
    /// The end; `None`: the capture was cut short.
    pub closed: Option<Closed>,
    /// What the folder itself suffered, by kind: `torn_tail`, `damaged_record`, `missing_file`, `changed_file`.
    pub faults: BTreeMap<String, u64>,
}

impl ProbeMeta {
    /// A probe that said who it is; `line` is the line that said so, verbatim.
    pub fn of(identity: &Identity, line: &[u8], port: &str) -> Self {
        let nominal = |channel: &Channel| CalibrationMeta {
            channel: u32::from(channel.index),
            unit: channel.unit.word().into(),
            scale: channel.scale,
            zero: channel.zero,
            source: "nominal".into(),
            file: None,
        };
        Self {
            name: format!("{}-{}", identity.kind, identity.serial),
            port: port.into(),
            identity: Some(String::from_utf8_lossy(line).trim_end_matches('\r').into()),
            bare: None,
            calibrations: identity.channels.iter().map(nominal).collect(),
        }
    }

    /// A bare probe; `n` tells it from others of its kind (0 for the first).
    pub fn of_bare(bare: &Bare, n: usize, port: &str) -> Self {
        let number = if n == 0 {
            String::new()
        } else {
            format!("-{}", n + 1)
        };
        Self {
            name: format!("bare-{}{number}", bare.kind),
            port: port.into(),
            identity: None,
            bare: Some(BareMeta {
                kind: bare.kind.word().into(),
                unit: bare.unit.clone(),
                column: u32::try_from(bare.column).unwrap_or(u32::MAX),
            }),
            calibrations: Vec::new(),
        }
    }
}

impl CalibrationMeta {
    /// The line of a calibration file. `channel`: of the probe; of a bare probe, whose readings are in their unit, 0.
    fn of_file(line: &CalibrationLine, channel: u8, text: &str) -> Self {
        Self {
            channel: u32::from(channel),
            unit: line.unit.clone(),
            scale: line.gain,
            zero: line.zero,
            source: "calibration".into(),
            file: Some(text.into()),
        }
    }
}

impl ProbeMeta {
    /// Keeps the calibrations of this probe's channels, in place of its nominal scales.
    pub fn calibrate(&mut self, source: &Source, calibrations: &Calibrations) {
        match source {
            Source::Wire(Some(identity)) => {
                for kept in &mut self.calibrations {
                    let Ok(channel) = u8::try_from(kept.channel) else {
                        continue;
                    };
                    if let Some((line, text)) = calibrations.of_channel(identity, channel) {
                        *kept = CalibrationMeta::of_file(line, channel, text);
                    }
                }
            }
            Source::Wire(None) => {}
            Source::Bare(bare) => {
                if let Some((line, text)) = calibrations.of_readings(bare.kind) {
                    self.calibrations = vec![CalibrationMeta::of_file(line, 0, text)];
                }
            }
        }
    }
}

impl CaptureMeta {
    /// A capture that begins now; `stated` is what the person states for the analysis.
    pub fn new(test: Test, anchor: Anchor, stated: &Stated, vehicle: Option<&str>) -> Self {
        Self {
            format: FORMAT,
            software: SOFTWARE.into(),
            test: test.word().into(),
            setup: stated.setup.clone(),
            operator: None,
            vehicle_sha256: vehicle.map(|text| sha256(text.as_bytes())),
            anchor,
            conditions: Conditions {
                ambient_pa: stated.ambient_pa,
                room_k: None,
            },
            settings: Settings {
                volume_m3: stated.volume_m3,
                volume_u_m3: stated.volume_u_m3,
                p_ref_pa: stated.p_ref_pa,
                limit_pa_m3_s: stated.limit_pa_m3_s,
                syringe_m3: stated.syringe_m3,
                mass_kg: stated.mass_kg,
                filter_order: stated.filter_order,
                sensor: stated.sensor,
            },
            probes: Vec::new(),
        }
    }

    /// What was stated at recording, as an analysis takes it.
    pub fn stated(&self) -> Stated {
        let settings = &self.settings;
        Stated {
            volume_m3: settings.volume_m3,
            volume_optional: false,
            volume_u_m3: settings.volume_u_m3,
            p_ref_pa: settings.p_ref_pa,
            limit_pa_m3_s: settings.limit_pa_m3_s,
            ambient_pa: self.conditions.ambient_pa,
            sealed_zero_s: None,
            syringe_m3: settings.syringe_m3,
            mass_kg: settings.mass_kg,
            filter_order: settings.filter_order,
            setup: self.setup.clone(),
            sensor: settings.sensor,
            more_sensors: Vec::new(),
            magnets: None,
            // They are read, and may have faults, in `Capture::calibrations`.
            calibrations: Calibrations::default(),
        }
    }

    /// Day of the capture, UTC.
    pub fn day(&self) -> Date {
        TimeZone::UTC.to_datetime(self.anchor.wall).date()
    }
}

impl Capture {
    /// The inputs in the order in which they were recorded: by host time, marks before rows of the same instant.
    ///
    /// The recorder makes a mark later than every row before it, so this order is the original one for each
    /// probe and between marks and rows; rows of different probes at one instant come in the order of the probes.
    pub fn inputs(&self) -> impl Iterator<Item = Input> + '_ {
        let mut next_row = vec![0_usize; self.rows.len()];
        let mut next_mark = 0_usize;
        std::iter::from_fn(move || {
            let probe = (0..self.rows.len())
                .filter_map(|p| Some((self.rows[p].get(next_row[p])?.host_us, p)))
                .min();
            let mark = self.marks.get(next_mark);
            match (mark, probe) {
                (Some(mark), probe) if probe.is_none_or(|(us, _)| mark.host_us <= us) => {
                    next_mark += 1;
                    Some(Input::Mark(mark.clone()))
                }
                (_, Some((_, p))) => {
                    next_row[p] += 1;
                    Some(Input::Row(p, self.rows[p][next_row[p] - 1].clone()))
                }
                (_, None) => None,
            }
        })
    }
}

/// Name of a capture's folder: `20310517T142140Z-roll-one_fl`.
///
/// ```
/// use feelgauge::record::capture::folder_name;
/// let when = "2031-05-17T14:21:40.7Z".parse().unwrap();
/// assert_eq!(folder_name(when, "roll", Some("one_fl")), "20310517T142140Z-roll-one_fl");
/// assert_eq!(folder_name(when, "leak", None), "20310517T142140Z-leak");
/// ```
pub fn folder_name(when: Timestamp, test: &str, setup: Option<&str>) -> String {
    let when = when.strftime("%Y%m%dT%H%M%SZ");
    setup.map_or_else(
        || format!("{when}-{test}"),
        |setup| format!("{when}-{test}-{setup}"),
    )
}

/// True when a name holds only what every disk and every archive takes: `[A-Za-z0-9._-]`, no leading dot.
pub fn is_safe_name(name: &str) -> bool {
    !name.is_empty()
        && !name.starts_with('.')
        && name
            .bytes()
            .all(|b| b.is_ascii_alphanumeric() || b"._-".contains(&b))
}

//! Readings as rows.

use std::io;

use jiff::Timestamp;

use super::columns::{Cell, Column, Kind};
use crate::{
    evidence::Tree,
    inspect::{Fate, Indication, Reading, Test},
    reading::Quality,
    record::{Capture, CaptureMeta, capture::MARKS_FILE, replay::ReplayError, streamed::Inputs},
    units::ZERO_CELSIUS_K,
    wire::Unit,
};

/// Where the readings of a capture come from: what is the same in all their rows.
#[derive(Clone, Debug)]
pub struct Origin {
    /// Name of the capture's folder.
    pub capture: String,
    /// Digest of the capture.
    pub capture_sha256: String,
    /// Number on the tag of the inspection.
    pub inspection: Option<String>,
    /// Names of the probes.
    pub probes: Vec<String>,
    /// Host time of the anchor, microseconds.
    pub anchor_host_us: u64,
    /// Wall time of the anchor, microseconds since 1970.
    pub anchor_wall_us: i64,
}

impl Origin {
    /// Of a capture with these facts.
    pub fn new(
        capture: &str,
        capture_sha256: &str,
        inspection: Option<&str>,
        meta: &CaptureMeta,
    ) -> Self {
        Self {
            capture: capture.into(),
            capture_sha256: capture_sha256.into(),
            inspection: inspection.map(Into::into),
            probes: meta.probes.iter().map(|probe| probe.name.clone()).collect(),
            anchor_host_us: meta.anchor.host_us,
            anchor_wall_us: meta.anchor.wall.as_microsecond(),
        }
    }

    /// Wall time of a host time, microseconds since 1970.
    fn wall_us(&self, host_us: u64) -> Option<i64> {
        let (host, anchor) = (i64::try_from(host_us), i64::try_from(self.anchor_host_us));
        let since = host.ok()?.checked_sub(anchor.ok()?)?;
        self.anchor_wall_us.checked_add(since)
    }
}

/// One row.
#[derive(Clone, Copy, Debug)]
pub struct ReadingRow<'a> {
    /// Where it comes from.
    pub origin: &'a Origin,
    /// What was indicated.
    pub seen: &'a Indication,
}

impl ReadingRow<'_> {
    fn value(&self, unit: Unit) -> Option<f64> {
        self.seen.value.filter(|_| self.seen.unit == Some(unit))
    }

    fn sensor(&self) -> Option<u8> {
        let is_edge = self.seen.unit == Some(Unit::Edge);
        is_edge.then_some(self.seen.channel)
    }
}

/// A column and how a row fills it.
struct Filled {
    name: &'static str,
    kind: Kind,
    unit: &'static str,
    words: &'static str,
    cell: for<'a> fn(&ReadingRow<'a>) -> Cell<'a>,
}

/// The columns, in the order of the Parquet files.
const COLUMNS: &[Filled] = &[
    Filled {
        name: "capture",
        kind: Kind::Text,
        unit: "",
        words: "name of the capture's folder",
        cell: |row| Cell::text(Some(&row.origin.capture)),
    },
    Filled {
        name: "capture_sha256",
        kind: Kind::Text,
        unit: "",
        words: "digest of the capture: of what `sha256sum *` prints in its folder (LC_ALL=C); joins readings and findings",
        cell: |row| Cell::text(Some(&row.origin.capture_sha256)),
    },
    Filled {
        name: "inspection",
        kind: Kind::Text,
        unit: "",
        words: "number on the tag; null for a capture outside an inspection",
        cell: |row| Cell::text(row.origin.inspection.as_deref()),
    },
    Filled {
        name: "probe",
        kind: Kind::Text,
        unit: "",
        words: "name of the probe's file in the capture: kind and serial",
        cell: |row| Cell::text(row.origin.probes.get(row.seen.probe).map(String::as_str)),
    },
    Filled {
        name: "channel",
        kind: Kind::Whole,
        unit: "",
        words: "channel of the probe; of a hall probe the sensor; of a bare probe 0",
        cell: |row| Cell::Whole(row.seen.channel.into()),
    },
    Filled {
        name: "sequence",
        kind: Kind::Whole,
        unit: "",
        words: "number of the line that brought it; null for a bare probe",
        cell: |row| Cell::whole(row.seen.sequence),
    },
    Filled {
        name: "received",
        kind: Kind::Instant,
        unit: "",
        words: "when the host had read its line, by the anchor in capture.toml",
        cell: |row| {
            row.origin
                .wall_us(row.seen.host_us)
                .map_or(Cell::Null, Cell::Instant)
        },
    },
    Filled {
        name: "host_us",
        kind: Kind::Whole,
        unit: "us",
        words: "the same on the host's monotonic clock, as recorded",
        cell: |row| Cell::whole(Some(row.seen.host_us)),
    },
    Filled {
        name: "probe_us",
        kind: Kind::Whole,
        unit: "us",
        words: "its own time on the probe's clock, unwrapped; null for a bare probe",
        cell: |row| Cell::whole(row.seen.probe_us),
    },
    Filled {
        name: "t_us",
        kind: Kind::Whole,
        unit: "us",
        words: "its time from the first reading that counted; null unless it counted",
        cell: |row| Cell::whole(row.seen.reading.map(|reading| reading.t_us())),
    },
    Filled {
        name: "p_pa",
        kind: Kind::Real,
        unit: "Pa",
        words: "pressure, calibrated",
        cell: |row| Cell::real(row.value(Unit::Pascal)),
    },
    Filled {
        name: "f_n",
        kind: Kind::Real,
        unit: "N",
        words: "force, calibrated",
        cell: |row| Cell::real(row.value(Unit::Newton)),
    },
    Filled {
        name: "t_c",
        kind: Kind::Real,
        unit: "C",
        words: "temperature that a thermometer's channel shows",
        cell: |row| Cell::real(row.value(Unit::Celsius)),
    },
    Filled {
        name: "t_tank_c",
        kind: Kind::Real,
        unit: "C",
        words: "temperature of the tank that a pressure carries into the measure: each one once",
        cell: |row| match row.seen.reading {
            Some(Reading::Pressure(reading)) => {
                Cell::real(reading.tank_k.map(|k| k - ZERO_CELSIUS_K))
            }
            _ => Cell::Null,
        },
    },
    Filled {
        name: "sensor",
        kind: Kind::Whole,
        unit: "",
        words: "sensor of an edge, as in the vehicle file; null for everything else",
        cell: |row| Cell::whole(row.sensor()),
    },
    Filled {
        name: "count",
        kind: Kind::Whole,
        unit: "count",
        words: "raw counts; null for edges and bare probes",
        cell: |row| Cell::whole(row.seen.count),
    },
    Filled {
        name: "printed",
        kind: Kind::Real,
        unit: "Pa or N",
        words: "what a bare probe printed, in SI, before any calibration",
        cell: |row| Cell::real(row.seen.printed),
    },
    Filled {
        name: "counted",
        kind: Kind::Truth,
        unit: "",
        words: "it reached the measure: the sum is quality.rows of the finding",
        cell: |row| Cell::Truth(row.seen.fate == Fate::Counted),
    },
    Filled {
        name: "fate",
        kind: Kind::Text,
        unit: "",
        words: "counted, thermometer (carried by the next pressure), not_used (quality.ignored), backward_time, stale_line (repeated or late)",
        cell: |row| Cell::text(Some(row.seen.fate.word())),
    },
];

/// The columns as a person reads of them.
pub fn columns() -> Vec<Column> {
    let describe = |c: &Filled| Column::new(c.name, c.kind, c.unit, c.words);
    COLUMNS.iter().map(describe).collect()
}

/// A row's cells, in the order of [`columns`].
pub fn cells<'a>(row: &ReadingRow<'a>) -> impl Iterator<Item = Cell<'a>> {
    let row = *row;
    COLUMNS.iter().map(move |column| (column.cell)(&row))
}

/// Places of the columns of a CSV file of readings that counted: first those of a plain sample file of the test, so that it
/// is one.
pub fn plain_columns(test: Test) -> Vec<usize> {
    let first: &[&str] = match test {
        Test::Leak => &["t_us", "p_pa", "t_tank_c"],
        Test::Pull => &["t_us", "f_n"],
        Test::Roll => &["t_us", "sensor"],
    };
    places(first)
}

/// Places of the columns of a CSV file of a channel that did not count, with the value of its unit.
pub fn other_columns(unit: Option<Unit>) -> Vec<usize> {
    let value: &[&str] = match unit {
        Some(Unit::Pascal) => &["p_pa"],
        Some(Unit::Newton) => &["f_n"],
        Some(Unit::Celsius) => &["t_c"],
        Some(Unit::Edge) => &["sensor"],
        None => &[],
    };
    places(value)
}

/// What follows in every CSV file; what the file's name says is left out.
const BEHIND: [&str; 10] = [
    "probe", "channel", "sequence", "received", "host_us", "probe_us", "count", "printed",
    "counted", "fate",
];

fn places(first: &[&str]) -> Vec<usize> {
    let names = first.iter().chain(&BEHIND);
    let place = |name: &&str| COLUMNS.iter().position(|c| c.name == *name);
    names
        .map(|name| place(name).expect("every name stands in COLUMNS"))
        .collect()
}

/// The cell at a place.
pub fn cell<'a>(row: &ReadingRow<'a>, place: usize) -> Cell<'a> {
    (COLUMNS[place].cell)(row)
}

/// Name of the column at a place.
pub fn name(place: usize) -> &'static str {
    COLUMNS[place].name
}

/// An instant as text, RFC 3339 with microseconds; `None` beyond the years that can be written.
pub(super) fn instant(us: i64) -> Option<String> {
    let time = Timestamp::from_microsecond(us).ok()?;
    Some(time.strftime("%Y-%m-%dT%H:%M:%S%.6fZ").to_string())
}

/// Hands out everything that the probes of a capture indicated, in the order of the record, reading the tables as it goes;
/// says what the record was like. `about`: the capture without its rows; `tree`: its folder.
///
/// # Errors
/// What the disk or `out` says; a description of a probe that cannot be read.
pub fn follow(
    tree: &dyn Tree,
    about: &Capture,
    out: &mut dyn FnMut(&Indication) -> io::Result<()>,
) -> io::Result<Quality> {
    let table = |name: &str| match tree.open(name) {
        Ok(stream) => Ok(Some(stream)),
        Err(e) if e.kind() == io::ErrorKind::NotFound => Ok(None),
        Err(e) => Err(io::Error::new(e.kind(), format!("{name}: {e}"))),
    };
    let probes = about.meta.probes.iter();
    let probes = probes.map(|probe| table(&format!("{}.csv", probe.name)));
    let mut inputs = Inputs::new(probes.collect::<io::Result<_>>()?, table(MARKS_FILE)?)?;
    let invalid = |e: ReplayError| io::Error::new(io::ErrorKind::InvalidData, e.to_string());
    let mut feed = about.feed().map_err(invalid)?;
    let mut written = Ok(());
    while let Some(input) = inputs.next_input()? {
        feed.follow(&input, &mut |seen| {
            if written.is_ok() {
                written = out(&seen);
            }
        });
        std::mem::replace(&mut written, Ok(()))?;
    }
    let mut kept = about.faults.clone();
    for (kind, n) in inputs.faults() {
        if n > 0 {
            *kept.entry(kind.into()).or_default() += n;
        }
    }
    let quality = feed.finish_following(&kept, &about.flags(), &mut |seen| {
        if written.is_ok() {
            written = out(&seen);
        }
    });
    written?;
    Ok(quality)
}

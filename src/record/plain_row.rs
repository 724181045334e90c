//! One row of a plain sample file: its cells and what can be wrong with them.

use crate::inspect::Test;

/// Largest time, us: beyond it an f64 no longer tells microseconds apart (285 years).
const MAX_US: u64 = 1 << 53;
/// Largest pressure that is taken for one, Pa: a thousand atmospheres. More is a wrong unit or a broken file.
const MAX_PA: f64 = 1e8;
/// Largest force, N.
const MAX_N: f64 = 1e6;
/// Temperatures of a tank, C.
const TANK_C: std::ops::RangeInclusive<f64> = -60.0..=150.0;
/// Most characters of a file that a message repeats.
const MAX_QUOTED: usize = 40;

/// A row that can be used.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Row {
    /// Time, microseconds.
    pub t_us: u64,
    /// Pressure, Pa, or force, N; 0 for an edge.
    pub value: f64,
    /// Temperature of the tank, C.
    pub tank_c: Option<f64>,
    /// Sensor of an edge; 0 elsewhere.
    pub sensor: u32,
}

/// What is wrong with a row.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct RowFault {
    /// Kind, as counted in the quality.
    pub kind: &'static str,
    /// What is wrong.
    pub what: String,
    /// What to do.
    pub remedy: &'static str,
}

impl RowFault {
    pub(super) fn ragged(wanted: usize, found: usize) -> Self {
        Self {
            kind: "ragged_row",
            what: format!("the row has {found} columns, the header {wanted}"),
            remedy: "write every column of the header, parted by commas, with a decimal point and no decimal comma",
        }
    }

    pub(super) fn backward(t_us: u64, last_us: u64) -> Self {
        let how = if t_us == last_us {
            "repeats"
        } else {
            "is before"
        };
        Self {
            kind: "backward_time",
            what: format!("time {t_us} us {how} the time of an earlier row, {last_us} us"),
            remedy: "times are microseconds and must increase from row to row: sort the rows, or cut the file where the clock began again",
        }
    }

    pub(super) fn long() -> Self {
        Self {
            kind: "long_row",
            what: "the row is longer than 1 MiB".into(),
            remedy: "check that the file is text with one row a line",
        }
    }

    pub(super) fn sensors(most: usize) -> Self {
        Self {
            kind: "too_many_sensors",
            what: format!("the file holds more than {most} sensors"),
            remedy: "check that the second column is the index of the sensor",
        }
    }

    fn number(
        kind: &'static str,
        column: &str,
        cell: &[u8],
        what: &str,
        remedy: &'static str,
    ) -> Self {
        Self {
            kind,
            what: format!("{column} is {}, {what}", quoted(cell)),
            remedy,
        }
    }
}

/// Reads a row of `columns` cells.
pub(super) fn parse(
    row: &[u8],
    columns: usize,
    test: Test,
    thermometer: bool,
) -> Result<Row, RowFault> {
    let found = count_cells(row);
    if found != columns {
        return Err(RowFault::ragged(columns, found));
    }
    let mut cells = row.split(|b| *b == b',');
    let mut cell = || cells.next().unwrap_or_default().trim_ascii();
    let mut row = Row {
        t_us: time(cell())?,
        value: 0.0,
        tank_c: None,
        sensor: 0,
    };
    match test {
        Test::Leak => row.value = number("p_pa", cell(), -MAX_PA..=MAX_PA)?,
        Test::Pull => row.value = number("f_n", cell(), -MAX_N..=MAX_N)?,
        Test::Roll => row.sensor = index(cell())?,
    }
    if thermometer {
        let cell = cell();
        if !cell.is_empty() {
            row.tank_c = Some(number("t_tank_c", cell, TANK_C)?);
        }
    }
    Ok(row)
}

/// Cells of a row. A comma between double quotes parts nothing: columns after the named ones may hold text.
pub(super) fn count_cells(row: &[u8]) -> usize {
    let mut quoted = false;
    let mut cells = 1;
    for byte in row {
        match byte {
            b'"' => quoted = !quoted,
            b',' if !quoted => cells += 1,
            _ => {}
        }
    }
    cells
}

/// A time: whole microseconds, or a number that is rounded to them.
fn time(cell: &[u8]) -> Result<u64, RowFault> {
    if let Some(t_us) = whole(cell).filter(|t| *t <= MAX_US) {
        return Ok(t_us);
    }
    let t_us = finite("t_us", cell)?;
    if t_us < 0.0 {
        return Err(RowFault::number(
            "negative_time",
            "t_us",
            cell,
            "a negative time",
            "count time from the start of the record",
        ));
    }
    if t_us > MAX_US as f64 {
        return Err(out_of_range("t_us", cell));
    }
    // In range by the two checks above.
    #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
    Ok(t_us.round() as u64)
}

/// Digits only; the fast way for almost every time.
fn whole(cell: &[u8]) -> Option<u64> {
    if cell.is_empty() || cell.len() > 18 {
        return None;
    }
    cell.iter().try_fold(0_u64, |n, byte| {
        byte.is_ascii_digit()
            .then(|| n * 10 + u64::from(byte - b'0'))
    })
}

fn index(cell: &[u8]) -> Result<u32, RowFault> {
    whole(cell)
        .and_then(|n| u32::try_from(n).ok())
        .ok_or_else(|| {
            RowFault::number(
                "not_a_number",
                "sensor",
                cell,
                "no index of a sensor",
                "write a whole number such as 0",
            )
        })
}

fn number(
    column: &str,
    cell: &[u8],
    range: std::ops::RangeInclusive<f64>,
) -> Result<f64, RowFault> {
    let value = finite(column, cell)?;
    if range.contains(&value) {
        Ok(value)
    } else {
        Err(out_of_range(column, cell))
    }
}

fn out_of_range(column: &str, cell: &[u8]) -> RowFault {
    RowFault::number(
        "out_of_range",
        column,
        cell,
        "more than there can be",
        "check the unit: t_us microseconds, p_pa pascals, f_n newtons, t_tank_c degrees Celsius",
    )
}

fn finite(column: &str, cell: &[u8]) -> Result<f64, RowFault> {
    let value: f64 = std::str::from_utf8(cell)
        .ok()
        .and_then(|text| text.parse().ok())
        .ok_or_else(|| {
            RowFault::number(
                "not_a_number",
                column,
                cell,
                "no number",
                "write a number with a decimal point, such as 12.5",
            )
        })?;
    if value.is_finite() {
        Ok(value)
    } else {
        Err(RowFault::number(
            "not_finite",
            column,
            cell,
            "not a finite number",
            "leave readings out that the instrument did not get",
        ))
    }
}

/// A piece of a file as a message may show it.
pub(super) fn quoted(bytes: &[u8]) -> String {
    let text = String::from_utf8_lossy(&bytes[..bytes.len().min(4 * MAX_QUOTED)]);
    let shown: String = text
        .chars()
        .take(MAX_QUOTED)
        .flat_map(char::escape_debug)
        .collect();
    let more = if text.chars().count() > MAX_QUOTED {
        "..."
    } else {
        ""
    };
    format!("'{shown}{more}'")
}

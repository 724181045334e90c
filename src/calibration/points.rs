//! A file of calibration points: a header, then one row a reading. Pure: text in, rows out.

use std::fmt;

/// Most rows of a file: far more than anybody reads off by hand.
const MOST_ROWS: usize = 10_000;

/// What the columns of a file may be called.
#[derive(Clone, Copy, Debug)]
pub struct Columns {
    /// First column: the known value; one of these.
    pub known: &'static [&'static str],
    /// Second column: what the sensor showed.
    pub indication: &'static str,
}

/// One row.
#[derive(Clone, Debug, PartialEq)]
pub struct Row {
    /// Line of the file, from 1.
    pub line: u64,
    /// The row as it stands there.
    pub text: String,
    /// Known value, in the unit of its column.
    pub known: f64,
    /// What the sensor showed.
    pub indication: f64,
    /// Standard uncertainty of the known value, if the file has a column for it.
    pub u_known: Option<f64>,
    /// Standard uncertainty of the indication, if the file has a column for it.
    pub u_indication: Option<f64>,
    /// Digits after the point of the indication.
    pub decimals: u32,
}

/// A fault of the file; displays as `line: what; what to do`.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct PointsError {
    /// Line, from 1.
    pub line: u64,
    /// What is wrong and what to do.
    pub message: String,
}

impl fmt::Display for PointsError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}: {}", self.line, self.message)
    }
}

impl std::error::Error for PointsError {}

impl Columns {
    /// The header in words: `mass_kg,indication or force_n,indication`.
    pub fn wanted(&self) -> String {
        let headers: Vec<String> = self
            .known
            .iter()
            .map(|known| format!("{known},{}", self.indication))
            .collect();
        headers.join(" or ")
    }
}

/// Where the columns stand.
struct Header {
    known: usize,
    columns: usize,
    u_known: Option<usize>,
    u_indication: Option<usize>,
}

/// Reads the rows; also which of the known columns the file has, as an index into `columns.known`. UTF-8, byte-order
/// mark allowed, LF or CRLF, empty lines left out; columns with the standard uncertainty are called `u_` and the name of
/// their column; others are left alone.
///
/// ```
/// use feelgauge::calibration::{Columns, read_points};
/// let columns = Columns { known: &["mass_kg"], indication: "indication" };
/// let (_, rows) = read_points("mass_kg,indication,u_mass_kg\n0,410,0\n1,1206,0.002\n", columns).unwrap();
/// assert_eq!((rows[1].known, rows[1].u_known, rows[1].line), (1.0, Some(0.002), 3));
/// ```
///
/// # Errors
/// Another header; a row with too few or too many columns; something that is no finite number; an uncertainty below 0.
pub fn read_points(text: &str, columns: Columns) -> Result<(usize, Vec<Row>), PointsError> {
    let text = text.strip_prefix('\u{feff}').unwrap_or(text);
    let mut lines = (1..).zip(text.lines());
    let (_, first) = lines.next().unwrap_or((1, ""));
    let header = header(first, columns)?;
    let mut rows = Vec::new();
    for (line, text) in lines {
        if text.trim().is_empty() {
            continue;
        }
        if rows.len() == MOST_ROWS {
            return Err(fault(
                line,
                format!("more than {MOST_ROWS} rows; a calibration needs a few dozen"),
            ));
        }
        rows.push(row(line, text, &header)?);
    }
    Ok((header.known, rows))
}

fn fault(line: u64, message: impl Into<String>) -> PointsError {
    PointsError {
        line,
        message: message.into(),
    }
}

fn header(text: &str, columns: Columns) -> Result<Header, PointsError> {
    let names: Vec<&str> = text.trim_end().split(',').map(str::trim).collect();
    let wrong = || {
        let found: String = text.chars().filter(|c| !c.is_control()).take(60).collect();
        fault(
            1,
            format!(
                "the header is '{found}'; the first line must be {} (more columns may follow)",
                columns.wanted()
            ),
        )
    };
    let known = columns
        .known
        .iter()
        .position(|name| names.first() == Some(name))
        .ok_or_else(wrong)?;
    if names.get(1) != Some(&columns.indication) {
        return Err(wrong());
    }
    let at = |name: &str| {
        let wanted = format!("u_{name}");
        names.iter().position(|n| **n == wanted)
    };
    Ok(Header {
        known,
        columns: names.len(),
        u_known: at(columns.known[known]),
        u_indication: at(columns.indication),
    })
}

fn row(line: u64, text: &str, header: &Header) -> Result<Row, PointsError> {
    let cells: Vec<&str> = text.split(',').map(str::trim).collect();
    if cells.len() != header.columns {
        return Err(fault(
            line,
            format!(
                "{} columns, the header has {}; write numbers with a point, one value a column",
                cells.len(),
                header.columns
            ),
        ));
    }
    let number = |at: usize| {
        number(cells[at]).ok_or_else(|| {
            let cell: String = cells[at].chars().take(40).collect();
            fault(line, format!("'{cell}' is no finite number; read the point again and write digits with a point"))
        })
    };
    let uncertainty = |at: Option<usize>| {
        let u = at.map(&number).transpose()?;
        match u {
            Some(u) if u < 0.0 => Err(fault(
                line,
                format!("the uncertainty {u} is below 0; write a standard uncertainty"),
            )),
            u => Ok(u),
        }
    };
    let decimals = cells[1].split(['e', 'E']).next().unwrap_or_default();
    let decimals = decimals
        .split_once('.')
        .map_or(0, |(_, digits)| digits.len());
    Ok(Row {
        line,
        text: text.trim_end().into(),
        known: number(0)?,
        indication: number(1)?,
        u_known: uncertainty(header.u_known)?,
        u_indication: uncertainty(header.u_indication)?,
        decimals: u32::try_from(decimals).unwrap_or(u32::MAX),
    })
}

/// Words such as `inf` and `nan` are numbers to Rust, not to us.
fn number(cell: &str) -> Option<f64> {
    let plain = cell
        .bytes()
        .all(|b| b.is_ascii_digit() || b"+-.eE".contains(&b));
    let number: f64 = plain.then(|| cell.parse().ok())??;
    number.is_finite().then_some(number)
}

#[cfg(test)]
mod tests {
    use super::*;

    const FORCE: Columns = Columns {
        known: &["mass_kg", "force_n"],
        indication: "indication",
    };

    #[test]
    fn headers_and_rows() {
        let text = "\u{feff}force_n,indication,note,u_indication\r\n0,410,open,1\r\n\r\n9.81,1206.25,hung,2\r\n";
        let (known, rows) = read_points(text, FORCE).unwrap();
        assert_eq!((known, rows.len()), (1, 2));
        assert_eq!(
            (rows[1].line, rows[1].decimals, rows[1].u_indication),
            (4, 2, Some(2.0))
        );
        assert_eq!(rows[1].text, "9.81,1206.25,hung,2");
    }

    #[test]
    fn faults_name_line_and_remedy() {
        for (text, line, said) in [
            ("", 1, "mass_kg,indication or force_n,indication"),
            ("height_mm,indication\n", 1, "height_mm"),
            ("mass_kg,count\n", 1, "must be mass_kg,indication"),
            ("mass_kg,indication\n1,2\n1\n", 3, "1 columns"),
            ("mass_kg,indication\n1,5,5\n", 2, "3 columns"),
            ("mass_kg,indication\n1,nan\n", 2, "'nan'"),
            ("mass_kg,indication\n1,1e999\n", 2, "'1e999'"),
            ("mass_kg,indication\n1,\n", 2, "''"),
            ("mass_kg,indication,u_mass_kg\n1,2,-1\n", 2, "below 0"),
        ] {
            let error = read_points(text, FORCE).unwrap_err();
            assert_eq!(error.line, line, "{text}: {error}");
            assert!(error.message.contains(said), "{text}: {error}");
        }
    }
}

//! Plain sample files of any other instrument: a header, then one row a sample. Pure: bytes in, readings out, in
//! constant memory; the same readings and the same fault however the bytes are cut.
//!
//! | test | header | a row |
//! |---|---|---|
//! | leak | `t_us,p_pa` or `t_us,p_pa,t_tank_c` | time, gauge pressure, temperature of the tank (may be empty) |
//! | pull | `t_us,f_n` | time, force at the handle |
//! | roll | `t_us,sensor` | time of an edge, index of its sensor |
//!
//! UTF-8, byte-order mark allowed, LF or CRLF; columns after these are allowed and left alone. Times are microseconds,
//! >= 0, strictly increasing (roll: for each sensor); a fraction is rounded.

use std::{
    collections::{BTreeMap, BTreeSet},
    fmt,
};

use super::plain_row::{self, Row, RowFault};
use crate::{
    inspect::{Reading, Test},
    reading::{Edge, ForceReading, PressureReading, Quality},
    units::ZERO_CELSIUS_K,
};

/// Longest row, bytes without its line end.
pub const MAX_ROW: usize = 1 << 20;
/// Most sensors that one file may hold: each costs memory.
const MAX_SENSORS: usize = 1024;
/// Byte-order mark of UTF-8.
const BOM: &[u8] = b"\xEF\xBB\xBF";

/// Header of a test's plain file without the columns that may be left out.
pub fn header(test: Test) -> &'static str {
    match test {
        Test::Leak => "t_us,p_pa",
        Test::Pull => "t_us,f_n",
        Test::Roll => "t_us,sensor",
    }
}

/// The test whose header a line is, extra columns allowed.
pub fn test_of_header(line: &str) -> Option<Test> {
    Test::ALL.into_iter().find(|test| {
        line.strip_prefix(header(*test))
            .is_some_and(|rest| rest.is_empty() || rest.starts_with(','))
    })
}

/// The test of a plain file by its first bytes (a few hundred are enough).
///
/// ```
/// use feelgauge::{inspect::Test, record::plain::test_of_file};
/// assert_eq!(test_of_file(b"\xEF\xBB\xBFt_us,f_n\r\n0,1\r\n"), Ok(Test::Pull));
/// let error = test_of_file(b"time;force\n").unwrap_err();
/// assert!(error.to_string().starts_with("1: the header is 'time;force'; "));
/// ```
///
/// # Errors
/// The file is empty, or its first line is no header of ours.
pub fn test_of_file(start: &[u8]) -> Result<Test, PlainError> {
    let line = start.split(|b| *b == b'\n').next().unwrap_or_default();
    let line = line.strip_suffix(b"\r").unwrap_or(line);
    let text = String::from_utf8_lossy(line.strip_prefix(BOM).unwrap_or(line));
    if let Some(test) = test_of_header(&text) {
        return Ok(test);
    }
    let headers = Test::ALL.map(|test| format!("{} ({})", header(test), test.word()));
    let wanted = || format!("the first line must be one of {}", headers.join(", "));
    let (what, remedy) = if start.is_empty() {
        ("the file is empty".into(), wanted())
    } else {
        strange_header(line).unwrap_or_else(|| {
            let what = format!("the header is {}", plain_row::quoted(line));
            (what, wanted())
        })
    };
    Err(PlainError {
        line: 1,
        what,
        remedy,
    })
}

/// What is wrong, and what to do, with a first line that another program saved in its own way.
fn strange_header(row: &[u8]) -> Option<(String, String)> {
    (row.starts_with(b"\xFF\xFE") || row.starts_with(b"\xFE\xFF")).then(|| {
        (
            "the file is UTF-16".into(),
            "save it as plain text or CSV in UTF-8".into(),
        )
    })
}

/// A fault of a plain file that stops the reading; displays as `line: what; what to do`.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct PlainError {
    /// Line, from 1.
    pub line: u64,
    /// What is wrong.
    pub what: String,
    /// What to do about it.
    pub remedy: String,
}

impl fmt::Display for PlainError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}: {}; {}", self.line, self.what, self.remedy)
    }
}

impl std::error::Error for PlainError {}

/// Reads a plain file piece by piece.
///
/// ```
/// use feelgauge::{inspect::{Reading, Test}, record::plain::PlainFile};
/// let mut file = PlainFile::new(Test::Pull, false);
/// let mut forces = Vec::new();
/// let mut keep = |reading| if let Reading::Force(f) = reading { forces.push((f.t_us, f.force_n)) };
/// file.push(b"t_us,f_n,note\n0,0.1,idle\n50", &mut keep).unwrap();
/// file.push(b"00,41.5,pull\n", &mut keep).unwrap();
/// let quality = file.finish(&mut keep).unwrap();
/// assert_eq!(forces, [(0, 0.1), (5000, 41.5)]);
/// assert_eq!((quality.lines, quality.rows), (2, 2));
/// ```
#[derive(Clone, Debug)]
pub struct PlainFile {
    test: Test,
    /// Count bad rows and go on.
    skip_bad_rows: bool,
    /// Columns of the header; 0: not read yet.
    columns: usize,
    /// The third column is the tank's temperature.
    thermometer: bool,
    /// A row whose end has not come yet, at most [`MAX_ROW`] bytes and one CR.
    partial: Vec<u8>,
    /// The rest of a row that was too long is being passed over.
    in_long_row: bool,
    /// Lines begun so far: the number of the line being read, from 1.
    line: u64,
    /// First of the empty lines that may still turn out to be the file's end.
    empty_line: Option<u64>,
    /// Time of the last row kept; roll: by sensor.
    last_us: BTreeMap<u32, u64>,
    /// Sensors of which no row came since one was skipped.
    after_gap: BTreeSet<u32>,
    quality: Quality,
}

impl PlainFile {
    /// A reader at the start of a file of `test`. `skip_bad_rows`: count them in the quality instead of stopping.
    pub fn new(test: Test, skip_bad_rows: bool) -> Self {
        Self {
            test,
            skip_bad_rows,
            columns: 0,
            thermometer: false,
            partial: Vec::new(),
            in_long_row: false,
            line: 1,
            empty_line: None,
            last_us: BTreeMap::new(),
            after_gap: BTreeSet::new(),
            quality: Quality {
                unprotected: true,
                ..Quality::default()
            },
        }
    }

    /// Takes the next bytes and hands the readings of every row that they complete to `out`.
    ///
    /// # Errors
    /// The header is not the test's; a bad row, unless bad rows are skipped. Nothing may be pushed after an error.
    pub fn push(
        &mut self,
        mut bytes: &[u8],
        out: &mut impl FnMut(Reading),
    ) -> Result<(), PlainError> {
        while let Some(at) = bytes.iter().position(|b| *b == b'\n') {
            let (row, rest) = (&bytes[..at], &bytes[at + 1..]);
            if self.partial.is_empty() && !self.in_long_row {
                self.row(row, out)?;
            } else {
                self.keep(row)?;
                self.partial_row(out)?;
            }
            self.line += 1;
            bytes = rest;
        }
        self.keep(bytes)
    }

    /// Ends the file: reads a last row without a line end and says what the file was like.
    ///
    /// # Errors
    /// The file is empty; the last row is bad, unless bad rows are skipped.
    pub fn finish(mut self, out: &mut impl FnMut(Reading)) -> Result<Quality, PlainError> {
        if !self.partial.is_empty() || self.in_long_row {
            self.partial_row(out)?;
        }
        if self.columns == 0 {
            return Err(self.fault("the file is empty", &self.wanted_header()));
        }
        Ok(self.quality)
    }

    /// Keeps the bytes of a row whose end has not come yet.
    fn keep(&mut self, bytes: &[u8]) -> Result<(), PlainError> {
        if self.in_long_row {
            return Ok(());
        }
        // One more than the longest row, which may be the CR of its end.
        if self.partial.len() + bytes.len() > MAX_ROW + 1 {
            self.partial.clear();
            self.in_long_row = true;
            return self.long_row();
        }
        self.partial.extend_from_slice(bytes);
        Ok(())
    }

    fn partial_row(&mut self, out: &mut impl FnMut(Reading)) -> Result<(), PlainError> {
        if std::mem::take(&mut self.in_long_row) {
            return Ok(());
        }
        let row = std::mem::take(&mut self.partial);
        let result = self.row(&row, out);
        self.partial = row;
        self.partial.clear();
        result
    }

    fn row(&mut self, row: &[u8], out: &mut impl FnMut(Reading)) -> Result<(), PlainError> {
        let row = row.strip_suffix(b"\r").unwrap_or(row);
        if self.columns == 0 {
            return self.header(row);
        }
        if row.len() > MAX_ROW {
            return self.long_row();
        }
        if row.is_empty() {
            self.empty_line.get_or_insert(self.line);
            return Ok(());
        }
        // Empty lines at the end of a file are nothing; between rows they are rows without columns.
        if let Some(line) = self.empty_line.take() {
            let fault = RowFault::ragged(self.columns, 0);
            self.bad_row(line, &fault)?;
        }
        match plain_row::parse(row, self.columns, self.test, self.thermometer)
            .and_then(|row| self.in_time(row))
        {
            Ok(row) => {
                self.quality.lines += 1;
                self.quality.rows += 1;
                let after_gap = self.after_gap.remove(&row.sensor);
                out(row.reading(self.test, after_gap));
                Ok(())
            }
            Err(fault) => self.bad_row(self.line, &fault),
        }
    }

    /// Checks that time goes forward.
    fn in_time(&mut self, row: Row) -> Result<Row, RowFault> {
        let known = self.last_us.len();
        match self.last_us.get_mut(&row.sensor) {
            Some(last) if row.t_us <= *last => Err(RowFault::backward(row.t_us, *last)),
            Some(last) => {
                *last = row.t_us;
                Ok(row)
            }
            None if known == MAX_SENSORS => Err(RowFault::sensors(MAX_SENSORS)),
            None => {
                self.last_us.insert(row.sensor, row.t_us);
                Ok(row)
            }
        }
    }

    fn long_row(&mut self) -> Result<(), PlainError> {
        if self.columns == 0 {
            return Err(self.fault("the first line is longer than 1 MiB", &self.wanted_header()));
        }
        self.bad_row(self.line, &RowFault::long())
    }

    fn bad_row(&mut self, line: u64, fault: &RowFault) -> Result<(), PlainError> {
        if !self.skip_bad_rows {
            return Err(PlainError {
                line,
                what: fault.what.clone(),
                remedy: format!(
                    "{}, or go on without such rows: --skip-bad-rows",
                    fault.remedy
                ),
            });
        }
        self.after_gap.extend(self.last_us.keys());
        self.quality.lines += 1;
        self.quality.count(fault.kind);
        Ok(())
    }

    fn header(&mut self, row: &[u8]) -> Result<(), PlainError> {
        let text = String::from_utf8_lossy(row.strip_prefix(BOM).unwrap_or(row));
        let found = test_of_header(&text);
        if found == Some(self.test) {
            self.columns = plain_row::count_cells(text.as_bytes());
            self.thermometer =
                self.test == Test::Leak && text.split(',').nth(2) == Some("t_tank_c");
            return Ok(());
        }
        let (what, remedy) = if let Some(other) = found {
            (
                format!("this is the header of a {} file", other.word()),
                format!("use `feelgauge analyze {}`", other.word()),
            )
        } else {
            strange_header(row).unwrap_or_else(|| {
                (
                    format!("the header is {}", plain_row::quoted(row)),
                    self.wanted_header(),
                )
            })
        };
        Err(self.fault(&what, &remedy))
    }

    fn wanted_header(&self) -> String {
        let more = if self.test == Test::Leak {
            " or t_us,p_pa,t_tank_c"
        } else {
            ""
        };
        format!(
            "the first line of a {} file must be {}{more} (more columns may follow)",
            self.test.word(),
            header(self.test)
        )
    }

    fn fault(&self, what: &str, remedy: &str) -> PlainError {
        PlainError {
            line: self.line,
            what: what.into(),
            remedy: remedy.into(),
        }
    }
}

impl Row {
    /// `after_gap`: rows before it were skipped.
    fn reading(self, test: Test, after_gap: bool) -> Reading {
        match test {
            Test::Leak => Reading::Pressure(PressureReading {
                t_us: self.t_us,
                pressure_pa: self.value,
                tank_k: self.tank_c.map(|c| c + ZERO_CELSIUS_K),
            }),
            Test::Pull => Reading::Force(ForceReading {
                t_us: self.t_us,
                force_n: self.value,
            }),
            Test::Roll => Reading::Edge(Edge {
                t_us: self.t_us,
                sensor: self.sensor,
                after_gap,
            }),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    type Read = Result<(Vec<Reading>, Quality), PlainError>;

    fn read_in_pieces(test: Test, skip: bool, pieces: &[&[u8]]) -> Read {
        let mut file = PlainFile::new(test, skip);
        let mut readings = Vec::new();
        let mut keep = |reading| readings.push(reading);
        for piece in pieces {
            file.push(piece, &mut keep)?;
        }
        let quality = file.finish(&mut keep)?;
        Ok((readings, quality))
    }

    fn read(test: Test, bytes: &[u8]) -> Read {
        read_in_pieces(test, false, &[bytes])
    }

    fn message(test: Test, bytes: &[u8]) -> String {
        read(test, bytes).unwrap_err().to_string()
    }

    #[test]
    fn marks_line_ends_and_extra_columns_change_nothing() {
        let plain = read(Test::Leak, b"t_us,p_pa\n0,1.5\n10,2e3\n").unwrap();
        assert_eq!(plain.0.len(), 2);
        for same in [
            &b"\xEF\xBB\xBFt_us,p_pa\r\n0,1.5\r\n10,2e3\r\n"[..],
            b"t_us,p_pa\n0,1.5\n10,2e3",
            b"t_us,p_pa\n0, 1.5\n10.4 ,+2000\n\r\n\n",
            b"t_us,p_pa,note\n0,1.5,\"a, b\"\n10,2e3,\n",
        ] {
            assert_eq!(read(Test::Leak, same).unwrap().0, plain.0, "{same:?}");
        }
    }

    #[test]
    fn thermometer_may_be_slower_than_the_pressure() {
        let (readings, _) = read(Test::Leak, b"t_us,p_pa,t_tank_c,x\n0,1,20,\n5,1,,\n").unwrap();
        let tank = |r: &Reading| match r {
            Reading::Pressure(p) => p.tank_k,
            _ => None,
        };
        assert_eq!(tank(&readings[0]), Some(293.15));
        assert_eq!(tank(&readings[1]), None);
        // In another place the column is one of the extra ones.
        let (readings, _) = read(Test::Leak, b"t_us,p_pa,x,t_tank_c\n0,1,,20\n").unwrap();
        assert_eq!(tank(&readings[0]), None);
    }

    #[test]
    fn each_fault_names_line_and_remedy() {
        for (text, line, what, remedy) in [
            ("", 1, "empty", "t_us,f_n"),
            ("\n", 1, "header is ''", "t_us,f_n"),
            ("t_us,force\n", 1, "'t_us,force'", "t_us,f_n"),
            ("t_us,p_pa\n", 1, "header of a leak file", "analyze leak"),
            ("T_US,F_N\n", 1, "'T_US,F_N'", "t_us,f_n"),
            ("t_us;f_n\n", 1, "'t_us;f_n'", "t_us,f_n"),
            (
                "t_us,f_n\n0,1\n5\n",
                3,
                "1 columns, the header 2",
                "every column",
            ),
            ("t_us,f_n\n0,1,5\n", 2, "3 columns", "decimal comma"),
            ("t_us,f_n\n0,1\n\n5,1\n", 3, "0 columns", "every column"),
            ("t_us,f_n\n0,x\n", 2, "f_n is 'x', no number", "12.5"),
            ("t_us,f_n\n0,\n", 2, "f_n is '', no number", "12.5"),
            ("t_us,f_n\n0,\"1\"\n", 2, "no number", "12.5"),
            ("t_us,f_n\n0,nan\n", 2, "not a finite", "leave readings out"),
            (
                "t_us,f_n\n0,-inf\n",
                2,
                "not a finite",
                "leave readings out",
            ),
            (
                "t_us,f_n\n0,1e400\n",
                2,
                "not a finite",
                "leave readings out",
            ),
            ("t_us,f_n\n0,1e7\n", 2, "more than there can be", "unit"),
            ("t_us,f_n\n1e16,1\n", 2, "more than there can be", "unit"),
            ("t_us,f_n\nnan,1\n", 2, "not a finite", "leave readings out"),
            ("t_us,f_n\n-1,1\n", 2, "negative time", "start"),
            (
                "t_us,f_n\n5,1\n4,1\n",
                3,
                "time 4 us is before",
                "sort the rows",
            ),
            (
                "t_us,f_n\n5,1\n5,1\n",
                3,
                "time 5 us repeats",
                "sort the rows",
            ),
        ] {
            let error = read(Test::Pull, text.as_bytes()).unwrap_err();
            assert_eq!(error.line, line, "{text:?}: {error}");
            assert!(error.what.contains(what), "{text:?}: {error}");
            assert!(error.remedy.contains(remedy), "{text:?}: {error}");
        }
        assert!(message(Test::Roll, b"t_us,sensor\n0,1.5\n").contains("no index"));
        assert!(message(Test::Leak, b"\xFF\xFEt\0_\0").contains("UTF-16"));
        assert!(message(Test::Leak, b"\x7FELF\0\x01\n").contains("\\u{7f}ELF"));
        assert!(message(Test::Pull, b"t_us,f_n\n0,\xFF\n").contains("no number"));
    }

    #[test]
    fn each_sensor_has_its_own_time() {
        let (readings, _) = read(Test::Roll, b"t_us,sensor\n5,0\n3,1\n6,0\n").unwrap();
        assert_eq!(readings.len(), 3);
        assert!(message(Test::Roll, b"t_us,sensor\n5,0\n7,1\n5,0\n").starts_with("4: "));
    }

    #[test]
    fn the_next_edge_of_every_sensor_after_a_skipped_row_says_so() {
        let text = b"t_us,sensor\n1,0\n2,1\n3,x\n4,0\n5,0\n6,1\n";
        let (readings, _) = read_in_pieces(Test::Roll, true, &[text]).unwrap();
        let after_gap: Vec<bool> = readings
            .iter()
            .map(|r| matches!(r, Reading::Edge(e) if e.after_gap))
            .collect();
        assert_eq!(after_gap, [false, false, true, false, true]);
    }

    #[test]
    fn skipped_rows_are_counted_by_kind() {
        let text = b"t_us,f_n\n0,1\nx,1\n2\n5,nan\n4,1\n4,1\n-2,1\n9,1\n\n10,1\n";
        let (readings, quality) = read_in_pieces(Test::Pull, true, &[text]).unwrap();
        assert_eq!(readings.len(), 4);
        assert_eq!((quality.lines, quality.rows), (10, 4));
        let count = |kind: &str| quality.faults.get(kind).copied().unwrap_or(0);
        assert_eq!(count("ragged_row"), 2);
        for kind in [
            "not_a_number",
            "not_finite",
            "backward_time",
            "negative_time",
        ] {
            assert_eq!(count(kind), 1, "{kind}");
        }
        assert!(quality.unprotected);
    }

    #[test]
    fn the_longest_row_is_read_and_a_longer_one_is_not_kept() {
        let row = |len: usize| {
            let mut text = b"t_us,f_n,x\n5,1,".to_vec();
            text.resize(text.len() + len - 4, b'x');
            text.extend_from_slice(b"\r\n6,1,\n");
            text
        };
        assert_eq!(read(Test::Pull, &row(MAX_ROW)).unwrap().0.len(), 2);
        let long = row(MAX_ROW + 1);
        for pieces in [
            vec![&long[..]],
            long.chunks(4096).collect(),
            long.chunks(1).collect(),
        ] {
            let error = read_in_pieces(Test::Pull, false, &pieces).unwrap_err();
            assert_eq!(
                (error.line, error.what.as_str()),
                (2, "the row is longer than 1 MiB")
            );
            let (readings, quality) = read_in_pieces(Test::Pull, true, &pieces).unwrap();
            assert_eq!((readings.len(), quality.faults["long_row"]), (1, 1));
        }
        // Without any line end the reader keeps no more than one row.
        let mut file = PlainFile::new(Test::Pull, true);
        file.push(b"t_us,f_n\n", &mut |_| ()).unwrap();
        for _ in 0..512 {
            file.push(&[b'7'; 1 << 13], &mut |_| ()).unwrap();
            assert!(file.partial.capacity() <= 2 * (MAX_ROW + 1));
        }
    }

    fn row() -> impl Strategy<Value = Vec<u8>> {
        prop_oneof![
            8 => (0_u32..200, -9_i32..9).prop_map(|(t, v)| format!("{t},{v}").into_bytes()),
            1 => proptest::collection::vec(any::<u8>(), 0..12),
            1 => Just(b"7,nan".to_vec()),
            1 => Just(Vec::new()),
        ]
    }

    proptest! {
        #[test]
        fn cuts_change_nothing(
            rows in proptest::collection::vec((row(), any::<bool>()), 0..12),
            cuts in proptest::collection::vec(0_usize..200, 0..6),
            skip in any::<bool>(),
        ) {
            let mut text = b"t_us,f_n\n".to_vec();
            for (row, cr) in rows {
                text.extend_from_slice(&row);
                text.extend_from_slice(if cr { b"\r\n" } else { b"\n" });
            }
            let mut cuts: Vec<usize> = cuts.into_iter().map(|c| c.min(text.len())).collect();
            cuts.extend([0, text.len()]);
            cuts.sort_unstable();
            let pieces: Vec<&[u8]> = cuts.windows(2).map(|w| &text[w[0]..w[1]]).collect();
            prop_assert_eq!(
                read_in_pieces(Test::Pull, skip, &pieces),
                read_in_pieces(Test::Pull, skip, &[&text])
            );
        }
    }
}

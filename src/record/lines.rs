//! Received bytes as rows of a capture, and rows as CSV text that any reader of RFC 4180 takes.
//!
//! A row is one line without its LF. Bytes outside 0x20..=0x7E and the backslash are written `\xNN`. A row that
//! was not ended by an LF ends with `\+` (the line goes on in the next row) or `\!` (it was broken off).

use crate::inspect::{Mark, Row, RowEnd};

/// Most bytes of a line in one row; a longer line is kept in pieces. The longest line of the wire, its CR included.
pub const ROW_BYTES: usize = 256;

/// First row of a probe's file.
pub const ROW_HEADER: &str = "host_us,line\r\n";
/// First row of `marks.csv`.
pub const MARK_HEADER: &str = "host_us,mark\r\n";

const GOES_ON: &str = "\\+";
const BROKEN_OFF: &str = "\\!";

/// Cuts a stream of bytes into rows; never holds more than [`ROW_BYTES`].
///
/// ```
/// use feelgauge::{inspect::RowEnd, record::lines::Splitter};
/// let mut splitter = Splitter::default();
/// let mut rows = Vec::new();
/// splitter.push(7, b"H 1 2", |row| rows.push(row));
/// splitter.push(9, b" 0 0*1234\r\nS", |row| rows.push(row));
/// splitter.break_off(12, |row| rows.push(row));
/// assert_eq!((rows[0].host_us, rows[0].bytes.as_slice()), (9, b"H 1 2 0 0*1234\r".as_slice()));
/// assert_eq!((rows[1].bytes.as_slice(), rows[1].end), (b"S".as_slice(), RowEnd::BrokenOff));
/// ```
#[derive(Clone, Debug, Default)]
pub struct Splitter {
    /// The line so far, at most `ROW_BYTES`.
    pending: Vec<u8>,
}

impl Splitter {
    /// Takes the bytes of one read that returned at `host_us`.
    pub fn push(&mut self, host_us: u64, bytes: &[u8], mut keep: impl FnMut(Row)) {
        for &byte in bytes {
            if byte == b'\n' {
                keep(self.row(host_us, RowEnd::Newline));
            } else {
                // Only a byte that has no room left makes a piece: a line of exactly ROW_BYTES stays whole.
                if self.pending.len() == ROW_BYTES {
                    keep(self.row(host_us, RowEnd::GoesOn));
                }
                self.pending.push(byte);
            }
        }
    }

    /// Ends an unfinished line because the port was lost or the capture is closed.
    pub fn break_off(&mut self, host_us: u64, keep: impl FnOnce(Row)) {
        if !self.pending.is_empty() {
            keep(self.row(host_us, RowEnd::BrokenOff));
        }
    }

    fn row(&mut self, host_us: u64, end: RowEnd) -> Row {
        Row {
            host_us,
            bytes: std::mem::take(&mut self.pending),
            end,
        }
    }
}

/// Bytes as printable ASCII.
///
/// ```
/// use feelgauge::record::lines::{escape, unescape};
/// assert_eq!(escape(b"12.5\r"), "12.5\\x0D");
/// assert_eq!(unescape("a\\x5Cb").unwrap(), b"a\\b");
/// assert_eq!(unescape("a\\q"), None);
/// ```
pub fn escape(bytes: &[u8]) -> String {
    use std::fmt::Write as _;
    let mut text = String::with_capacity(bytes.len());
    for &byte in bytes {
        if (0x20..=0x7E).contains(&byte) && byte != b'\\' {
            text.push(char::from(byte));
        } else {
            write!(text, "\\x{byte:02X}").expect("a String takes every write");
        }
    }
    text
}

/// The bytes that [`escape`] wrote; `None` when the text is nothing that it writes.
pub fn unescape(text: &str) -> Option<Vec<u8>> {
    let mut bytes = Vec::with_capacity(text.len());
    let mut rest = text.as_bytes();
    while let [first, tail @ ..] = rest {
        let (byte, after) = match (first, tail) {
            (b'\\', [b'x', hi, lo, after @ ..]) => (hex(*hi)? * 16 + hex(*lo)?, after),
            (b'\\', _) => return None,
            (0x20..=0x7E, after) => (*first, after),
            _ => return None,
        };
        bytes.push(byte);
        rest = after;
    }
    Some(bytes)
}

fn hex(digit: u8) -> Option<u8> {
    match digit {
        b'0'..=b'9' => Some(digit - b'0'),
        b'A'..=b'F' => Some(digit - b'A' + 10),
        _ => None,
    }
}

/// A row as one CSV record with its line end.
pub fn row_record(row: &Row) -> Vec<u8> {
    let mut cell = escape(&row.bytes);
    cell.push_str(match row.end {
        RowEnd::Newline => "",
        RowEnd::GoesOn => GOES_ON,
        RowEnd::BrokenOff => BROKEN_OFF,
    });
    record(row.host_us, &cell)
}

/// A mark as one CSV record with its line end.
pub fn mark_record(mark: &Mark) -> Vec<u8> {
    record(mark.host_us, &escape(mark.text.as_bytes()))
}

/// The row that a cell stands for.
pub fn row_of(host_us: u64, cell: &str) -> Option<Row> {
    let (text, end) = if let Some(text) = cell.strip_suffix(GOES_ON) {
        (text, RowEnd::GoesOn)
    } else if let Some(text) = cell.strip_suffix(BROKEN_OFF) {
        (text, RowEnd::BrokenOff)
    } else {
        (cell, RowEnd::Newline)
    };
    Some(Row {
        host_us,
        bytes: unescape(text)?,
        end,
    })
}

/// The mark that a cell stands for.
pub fn mark_of(host_us: u64, cell: &str) -> Option<Mark> {
    Some(Mark {
        host_us,
        text: String::from_utf8(unescape(cell)?).ok()?,
    })
}

fn record(host_us: u64, cell: &str) -> Vec<u8> {
    let mut writer = csv::WriterBuilder::new()
        .terminator(csv::Terminator::CRLF)
        .buffer_capacity(512)
        .from_writer(Vec::new());
    writer
        .write_record([host_us.to_string().as_str(), cell])
        .expect("a Vec takes every write");
    writer.into_inner().expect("a Vec takes every write")
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn split(bytes: &[u8], cuts: &[usize]) -> Vec<Row> {
        let mut splitter = Splitter::default();
        let mut rows = Vec::new();
        let mut at = 0;
        for &cut in cuts.iter().chain([&bytes.len()]) {
            let to = cut.clamp(at, bytes.len());
            splitter.push(0, &bytes[at..to], |row| rows.push(row));
            at = to;
        }
        splitter.break_off(0, |row| rows.push(row));
        rows
    }

    fn joined(rows: &[Row]) -> Vec<u8> {
        let mut bytes = Vec::new();
        for row in rows {
            bytes.extend(&row.bytes);
            if row.end == RowEnd::Newline {
                bytes.push(b'\n');
            }
        }
        bytes
    }

    #[test]
    fn over_long_line_is_kept_in_pieces() {
        let mut bytes = vec![b'x'; 2 * ROW_BYTES + 3];
        bytes.push(b'\n');
        let rows = split(&bytes, &[]);
        assert_eq!(
            rows.iter()
                .map(|r| (r.bytes.len(), r.end))
                .collect::<Vec<_>>(),
            [
                (ROW_BYTES, RowEnd::GoesOn),
                (ROW_BYTES, RowEnd::GoesOn),
                (3, RowEnd::Newline)
            ]
        );
        let whole = split(&[vec![b'y'; ROW_BYTES], vec![b'\n']].concat(), &[]);
        assert_eq!((whole.len(), whole[0].end), (1, RowEnd::Newline));
    }

    #[test]
    fn commas_and_quotes_of_bare_lines_are_quoted() {
        let row = Row {
            host_us: 5,
            bytes: b"1,\"two\"".to_vec(),
            end: RowEnd::Newline,
        };
        assert_eq!(row_record(&row), b"5,\"1,\"\"two\"\"\"\r\n");
    }

    proptest! {
        #[test]
        fn every_byte_is_kept_however_the_reads_are_cut(
            bytes in proptest::collection::vec(prop_oneof![Just(b'\n'), any::<u8>(), Just(b'"')], 0..900),
            mut cuts in proptest::collection::vec(0usize..900, 0..8),
        ) {
            cuts.sort_unstable();
            let rows = split(&bytes, &cuts);
            prop_assert_eq!(&joined(&rows), &bytes);
            prop_assert_eq!(&rows, &split(&bytes, &[]));
            for row in &rows {
                let record = row_record(row);
                let read = crate::record::recover::rows(&[ROW_HEADER.as_bytes(), &record].concat());
                prop_assert_eq!(&read.rows, std::slice::from_ref(row));
                prop_assert_eq!(read.torn_bytes, 0);
            }
        }
    }
}

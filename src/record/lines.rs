//! Received bytes as rows of a capture, and rows as CSV text that any reader of RFC 4180 takes.
//!
//! A row is one line without its LF. Bytes outside 0x20..=0x7E and the backslash are written `\xNN`. Pieces of an
//! over-long line end with `\+`, the last of them with `\.`; what was held when the port was lost or the capture was
//! closed ends with `\!`.

use crate::{
    inspect::{Mark, Row},
    wire::Part,
};

/// First row of a probe's file.
pub const ROW_HEADER: &str = "host_us,line\r\n";
/// First row of `marks.csv`.
pub const MARK_HEADER: &str = "host_us,mark\r\n";

/// What follows the bytes of a row that is no whole line; a lone backslash is nothing that escaped bytes contain.
const PARTS: [(Part, &str); 4] = [
    (Part::OverLong, "\\+"),
    (Part::OverLongEnd, "\\."),
    (Part::Torn, "\\!"),
    (Part::Whole, ""),
];

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
    let (_, mark) = PARTS
        .iter()
        .find(|(part, _)| *part == row.part)
        .expect("every part is listed");
    cell.push_str(mark);
    record(row.host_us, &cell)
}

/// A mark as one CSV record with its line end.
pub fn mark_record(mark: &Mark) -> Vec<u8> {
    record(mark.host_us, &escape(mark.text.as_bytes()))
}

/// The row that a cell stands for.
pub fn row_of(host_us: u64, cell: &str) -> Option<Row> {
    let (part, text) = PARTS
        .iter()
        .find_map(|(part, mark)| Some((*part, cell.strip_suffix(mark)?)))?;
    Some(Row {
        host_us,
        bytes: unescape(text)?,
        part,
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
    use crate::wire::{Frame, Framer};
    use proptest::prelude::*;

    /// Rows as a link makes them of reads that end at `cuts`.
    fn split(bytes: &[u8], cuts: &[usize]) -> Vec<Row> {
        let mut framer = Framer::default();
        let mut rows = Vec::new();
        let mut at = 0;
        for &cut in cuts.iter().chain([&bytes.len()]) {
            let to = cut.clamp(at, bytes.len());
            let mut read = &bytes[at..to];
            while let Some(frame) = framer.next(&mut read) {
                rows.push(row(frame));
            }
            at = to;
        }
        rows.extend(framer.finish().map(row));
        rows
    }

    fn row(frame: Frame<'_>) -> Row {
        Row {
            host_us: 0,
            bytes: frame.bytes.to_vec(),
            part: frame.part,
        }
    }

    fn joined(rows: &[Row]) -> Vec<u8> {
        let mut bytes = Vec::new();
        for row in rows {
            bytes.extend(&row.bytes);
            if matches!(row.part, Part::Whole | Part::OverLongEnd) {
                bytes.push(b'\n');
            }
        }
        bytes
    }

    #[test]
    fn commas_and_quotes_of_bare_lines_are_quoted() {
        let row = Row {
            host_us: 5,
            bytes: b"1,\"two\"".to_vec(),
            part: Part::Whole,
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

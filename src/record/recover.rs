//! What the bytes of a file still say after a crash: whole records, a torn tail, damaged records. Pure.

use super::lines::{mark_of, row_of};
use crate::inspect::{Mark, Row};

/// What was found in a file of a capture.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Recovered<T> {
    /// The whole records, in order.
    pub rows: Vec<T>,
    /// Length up to the last whole record, bytes.
    pub whole_len: usize,
    /// Bytes after it: the tail that a crash tore.
    pub torn_bytes: usize,
    /// Records that are ended but say nothing that was ever written.
    pub damaged: u64,
    /// The file's first record is not the header.
    pub header_missing: bool,
}

/// Rows of a probe's file.
pub fn rows(bytes: &[u8]) -> Recovered<Row> {
    recover(bytes, "line", row_of)
}

/// Marks of `marks.csv`.
pub fn marks(bytes: &[u8]) -> Recovered<Mark> {
    recover(bytes, "mark", mark_of)
}

fn recover<T>(bytes: &[u8], column: &str, read: impl Fn(u64, &str) -> Option<T>) -> Recovered<T> {
    let whole_len = bytes
        .iter()
        .rposition(|&b| b == b'\n')
        .map_or(0, |at| at + 1);
    let mut found = Recovered {
        rows: Vec::new(),
        whole_len,
        torn_bytes: bytes.len() - whole_len,
        damaged: 0,
        header_missing: true,
    };
    // A cell holds no line break (they are escaped), so every LF ends a record even where a quote was damaged.
    for (n, line) in bytes[..whole_len]
        .split_inclusive(|&b| b == b'\n')
        .enumerate()
    {
        match cells(line) {
            Some((first, second)) if n == 0 && first == "host_us" && second == column => {
                found.header_missing = false;
            }
            Some((time, cell)) => match time.parse().ok().and_then(|us| read(us, &cell)) {
                Some(row) => found.rows.push(row),
                None => found.damaged += 1,
            },
            None => found.damaged += 1,
        }
    }
    found
}

/// The two cells of a record.
pub(super) fn cells(line: &[u8]) -> Option<(String, String)> {
    let mut reader = csv::ReaderBuilder::new()
        .has_headers(false)
        .flexible(true)
        .buffer_capacity(512)
        .from_reader(line);
    let mut record = csv::StringRecord::new();
    if reader.read_record(&mut record).ok()? && record.len() == 2 {
        Some((record[0].to_owned(), record[1].to_owned()))
    } else {
        None
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::wire::Part;

    #[test]
    fn every_cut_of_a_file_keeps_its_whole_records() {
        let file = b"host_us,line\r\n1,H 1\r\n2,\"a,b\"\r\n30,c\\+\r\n";
        let whole = rows(file);
        assert_eq!(whole.rows.len(), 3);
        assert_eq!((whole.torn_bytes, whole.damaged), (0, 0));
        assert_eq!(whole.rows[2].part, Part::OverLong);
        for cut in 0..file.len() {
            let found = rows(&file[..cut]);
            assert_eq!(found.rows, whole.rows[..found.rows.len()], "cut {cut}");
            assert_eq!(found.whole_len + found.torn_bytes, cut);
            assert_eq!(found.damaged, 0);
        }
    }

    #[test]
    fn damage_is_counted_and_costs_one_record() {
        let found =
            rows(b"host_us,line\r\n1,a\r\nx,b\r\n3,\"c\r\n4,d,e\r\n5,\\q\r\n\0\0\0\n6,f\r\n");
        let times: Vec<u64> = found.rows.iter().map(|r| r.host_us).collect();
        assert_eq!((times.as_slice(), found.damaged), ([1, 6].as_slice(), 5));
        assert!(rows(b"1,a\r\n").header_missing);
    }

    #[test]
    fn line_feed_alone_ends_a_record_too() {
        let found = marks(b"host_us,mark\n7,phase hold\n");
        assert_eq!(
            (found.rows[0].host_us, found.rows[0].text.as_str()),
            (7, "phase hold")
        );
    }

    proptest::proptest! {
        #[test]
        fn any_bytes_are_taken_apart_without_loss(bytes in proptest::collection::vec(
            proptest::prop_oneof![proptest::prelude::any::<u8>(), proptest::sample::select(b"0123,\"\\x\r\n".as_slice())],
            0..400,
        )) {
            let found = rows(&bytes);
            let ends = bytes.split(|b| *b == b'\n').count() as u64 - 1;
            let header = u64::from(!found.header_missing);
            proptest::prop_assert_eq!(found.rows.len() as u64 + found.damaged + header, ends);
            proptest::prop_assert_eq!(found.whole_len + found.torn_bytes, bytes.len());
        }
    }
}

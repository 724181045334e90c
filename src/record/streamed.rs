//! Tables of a capture row by row, so that an hour's record needs no more memory than a minute's. The same rows and the
//! same counts as [`super::recover`] gives of the whole file.

use std::io::{self, BufRead as _, BufReader, Read};

use super::{
    lines::{mark_of, row_of},
    recover::cells,
};
use crate::inspect::{Input, Mark, Row};

/// Longest record that is understood, bytes; the recorder cuts a line's pieces far below that.
const MAX_RECORD: u64 = 1 << 20;

/// One table, read from its start.
struct Table<'a, T> {
    stream: BufReader<Box<dyn Read + 'a>>,
    /// Name of the second column.
    column: &'static str,
    read: fn(u64, &str) -> Option<T>,
    /// Nothing was read yet.
    fresh: bool,
    damaged: u64,
    torn: bool,
    line: Vec<u8>,
}

impl<'a, T> Table<'a, T> {
    fn new(
        stream: Box<dyn Read + 'a>,
        column: &'static str,
        read: fn(u64, &str) -> Option<T>,
    ) -> Self {
        Self {
            stream: BufReader::new(stream),
            column,
            read,
            fresh: true,
            damaged: 0,
            torn: false,
            line: Vec::new(),
        }
    }

    /// The next whole record.
    fn next(&mut self) -> io::Result<Option<T>> {
        loop {
            self.line.clear();
            let n = (&mut self.stream)
                .take(MAX_RECORD)
                .read_until(b'\n', &mut self.line)?;
            if n == 0 {
                return Ok(None);
            }
            let whole = self.line.ends_with(b"\n");
            if !whole && !self.skip_line(n as u64 == MAX_RECORD)? {
                self.torn = true;
                return Ok(None);
            }
            let first = std::mem::take(&mut self.fresh);
            let cells = if whole { cells(&self.line) } else { None };
            match cells {
                Some((time, cell)) if first && time == "host_us" && cell == self.column => {}
                Some((time, cell)) => {
                    match time.parse().ok().and_then(|us| (self.read)(us, &cell)) {
                        Some(row) => return Ok(Some(row)),
                        None => self.damaged += 1,
                    }
                }
                None => self.damaged += 1,
            }
        }
    }

    /// Passes over the rest of an over-long record; true when it has an end.
    fn skip_line(&mut self, is_long: bool) -> io::Result<bool> {
        if !is_long {
            return Ok(false);
        }
        loop {
            let held = self.stream.fill_buf()?;
            let len = held.len();
            if len == 0 {
                return Ok(false);
            }
            if let Some(at) = held.iter().position(|b| *b == b'\n') {
                self.stream.consume(at + 1);
                return Ok(true);
            }
            self.stream.consume(len);
        }
    }
}

/// The inputs of a capture in the order of [`super::Capture::inputs`], read as they are asked for.
pub struct Inputs<'a> {
    probes: Vec<(Option<Table<'a, Row>>, Option<Row>)>,
    marks: Option<Table<'a, Mark>>,
    mark: Option<Mark>,
    missing: u64,
}

impl<'a> Inputs<'a> {
    /// Inputs from the tables of the probes, in the capture's order, and of the marks; `None`: the file is missing.
    ///
    /// # Errors
    /// What a stream says.
    pub fn new(
        probes: Vec<Option<Box<dyn Read + 'a>>>,
        marks: Option<Box<dyn Read + 'a>>,
    ) -> io::Result<Self> {
        let missing = probes.iter().filter(|p| p.is_none()).count() + usize::from(marks.is_none());
        let mut inputs = Self {
            probes: Vec::new(),
            marks: marks.map(|stream| Table::new(stream, "mark", mark_of)),
            mark: None,
            missing: missing as u64,
        };
        for stream in probes {
            let mut table = stream.map(|stream| Table::new(stream, "line", row_of));
            let row = next(table.as_mut())?;
            inputs.probes.push((table, row));
        }
        inputs.mark = next(inputs.marks.as_mut())?;
        Ok(inputs)
    }

    /// The next one.
    ///
    /// # Errors
    /// What a stream says.
    pub fn next_input(&mut self) -> io::Result<Option<Input>> {
        let probe = self
            .probes
            .iter()
            .enumerate()
            .filter_map(|(p, (_, row))| Some((row.as_ref()?.host_us, p)))
            .min();
        if let Some(mark) = &self.mark
            && probe.is_none_or(|(us, _)| mark.host_us <= us)
        {
            let after = next(self.marks.as_mut())?;
            return Ok(std::mem::replace(&mut self.mark, after).map(Input::Mark));
        }
        let Some((_, p)) = probe else {
            return Ok(None);
        };
        let (table, row) = &mut self.probes[p];
        let after = next(table.as_mut())?;
        Ok(std::mem::replace(row, after).map(|row| Input::Row(p, row)))
    }

    /// What the tables suffered, by kind, so far: `torn_tail`, `damaged_record`, `missing_file`.
    pub fn faults(&self) -> [(&'static str, u64); 3] {
        let probes = self.probes.iter().filter_map(|(table, _)| table.as_ref());
        let of_probes = probes.map(|table| (table.torn, table.damaged));
        let of_marks = self.marks.as_ref().map(|table| (table.torn, table.damaged));
        let (torn, damaged) = of_probes
            .chain(of_marks)
            .fold((0, 0), |(torn, damaged), (t, d)| {
                (torn + u64::from(t), damaged + d)
            });
        [
            ("torn_tail", torn),
            ("damaged_record", damaged),
            ("missing_file", self.missing),
        ]
    }
}

fn next<T>(table: Option<&mut Table<'_, T>>) -> io::Result<Option<T>> {
    table.map_or(Ok(None), Table::next)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::record::recover;

    /// Everything that the streams give, and their counts.
    fn streamed(probes: &[&[u8]], marks: &[u8]) -> (Vec<Input>, [(&'static str, u64); 3]) {
        let boxed =
            |bytes: &'_ [u8]| -> Box<dyn Read> { Box::new(io::Cursor::new(bytes.to_vec())) };
        let tables = probes.iter().map(|bytes| Some(boxed(bytes))).collect();
        let mut inputs = Inputs::new(tables, Some(boxed(marks))).unwrap();
        let mut all = Vec::new();
        while let Some(input) = inputs.next_input().unwrap() {
            all.push(input);
        }
        (all, inputs.faults())
    }

    /// The same from whole files.
    fn at_once(probes: &[&[u8]], marks: &[u8]) -> (Vec<Input>, [(&'static str, u64); 3]) {
        let found: Vec<_> = probes.iter().map(|bytes| recover::rows(bytes)).collect();
        let marks = recover::marks(marks);
        let torn = found.iter().map(|f| f.torn_bytes).chain([marks.torn_bytes]);
        let torn = torn.filter(|n| *n > 0).count() as u64;
        let damaged = found.iter().map(|f| f.damaged).sum::<u64>() + marks.damaged;
        let capture = crate::record::Capture {
            meta: toml::from_str("format = 1\nsoftware = \"f\"\ntest = \"leak\"\n[anchor]\nhost_us = 0\nwall = \"2031-05-17T14:21:40Z\"\n").unwrap(),
            vehicle: None,
            rows: found.into_iter().map(|f| f.rows).collect(),
            marks: marks.rows,
            closed: None,
            faults: std::collections::BTreeMap::new(),
        };
        let faults = [
            ("torn_tail", torn),
            ("damaged_record", damaged),
            ("missing_file", 0),
        ];
        (capture.inputs().collect(), faults)
    }

    #[test]
    fn a_record_without_end_is_passed_over_and_counted() {
        let long = vec![0; 3 * usize::try_from(MAX_RECORD).unwrap()];
        let file = [b"host_us,line\n1,a\n", long.as_slice(), b"\n2,b\n"].concat();
        let (inputs, faults) = streamed(&[&file], b"host_us,mark\n");
        assert_eq!((inputs.len(), faults[0].1, faults[1].1), (2, 0, 1));
        let (inputs, faults) = streamed(&[&file[..file.len() - 5]], b"host_us,mark\n");
        assert_eq!((inputs.len(), faults[0].1, faults[1].1), (1, 1, 0));
    }

    proptest::proptest! {
        /// Whatever the files hold, streaming gives what reading them whole gives.
        #[test]
        fn streams_say_what_whole_files_say(
            probes in proptest::collection::vec("(host_us,line\r\n)?([0-9]{1,2},[a-c\"\\\\+!,]{0,4}\r?\n){0,12}[0-9,a]{0,3}", 0..4),
            marks in "(host_us,mark\n)?([0-9]{1,2},[a-c]{0,3}\n){0,6}",
        ) {
            let probes: Vec<&[u8]> = probes.iter().map(String::as_bytes).collect();
            proptest::prop_assert_eq!(streamed(&probes, marks.as_bytes()), at_once(&probes, marks.as_bytes()));
        }
    }
}

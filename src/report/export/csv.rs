//! Readings as RFC 4180 text, one row after the other.

use std::io::{self, Write};

use super::{
    columns::Cell,
    reading::{self, ReadingRow},
};

/// A CSV file that is being written: CRLF, quotes where needed, an empty cell for what is not known.
pub struct Csv<W: Write> {
    writer: csv::Writer<W>,
    /// Places of the columns.
    columns: Vec<usize>,
    rows: u64,
}

impl<W: Write> Csv<W> {
    /// A file with these columns of the readings; the header is written at once.
    ///
    /// # Errors
    /// What the sink says.
    pub fn new(sink: W, columns: Vec<usize>) -> io::Result<Self> {
        let mut writer = csv::WriterBuilder::new()
            .terminator(csv::Terminator::CRLF)
            .from_writer(sink);
        writer.write_record(columns.iter().map(|place| reading::name(*place)))?;
        Ok(Self {
            writer,
            columns,
            rows: 0,
        })
    }

    /// Writes a row.
    ///
    /// # Errors
    /// What the sink says.
    pub fn push(&mut self, row: &ReadingRow) -> io::Result<()> {
        for place in &self.columns {
            match reading::cell(row, *place) {
                Cell::Text(text) => self.writer.write_field(text.as_bytes())?,
                cell => self.writer.write_field(text(&cell))?,
            }
        }
        self.writer.write_record(None::<&[u8]>)?;
        self.rows += 1;
        Ok(())
    }

    /// Ends the file; the rows written.
    ///
    /// # Errors
    /// What the sink says.
    pub fn finish(mut self) -> io::Result<u64> {
        self.writer.flush()?;
        Ok(self.rows)
    }
}

/// A cell as text; numbers have the fewest digits that give the same bits again.
fn text(cell: &Cell) -> String {
    match cell {
        Cell::Text(text) => text.clone().into_owned(),
        Cell::Whole(n) => n.to_string(),
        Cell::Real(x) if x.is_finite() => x.to_string(),
        Cell::Null | Cell::Real(_) => String::new(),
        Cell::Truth(truth) => truth.to_string(),
        Cell::Instant(us) => reading::instant(*us).unwrap_or_default(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{
        inspect::{Fate, Indication, Test},
        report::export::Origin,
        wire::Unit,
    };

    #[test]
    fn a_row_is_quoted_where_needed_and_empty_where_nothing_is_known() {
        let origin = Origin {
            capture: "c".into(),
            capture_sha256: "0".into(),
            inspection: None,
            probes: vec!["a,\"b\"".into()],
            anchor_host_us: 5,
            anchor_wall_us: 1_000_000,
        };
        let seen = Indication {
            host_us: 6,
            count: Some(-7),
            unit: Some(Unit::Newton),
            value: Some(1e-7),
            fate: Fate::Backward,
            ..Indication::default()
        };
        let mut sink = Vec::new();
        let mut file = Csv::new(&mut sink, reading::plain_columns(Test::Pull)).unwrap();
        file.push(&ReadingRow {
            origin: &origin,
            seen: &seen,
        })
        .unwrap();
        assert_eq!(file.finish().unwrap(), 1);
        assert_eq!(
            String::from_utf8(sink).unwrap(),
            "t_us,f_n,probe,channel,sequence,received,host_us,probe_us,count,printed,counted,fate\r\n\
             ,0.0000001,\"a,\"\"b\"\"\",0,,1970-01-01T00:00:01.000001Z,6,,-7,,false,backward_time\r\n"
        );
    }
}

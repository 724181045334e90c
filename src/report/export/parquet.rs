//! Parquet files, written row group by row group so that memory does not grow with the record. The same rows and facts give
//! the same bytes.

use std::{
    collections::BTreeMap,
    io::{self, Write},
    sync::Arc,
};

use parquet::{
    basic::{Compression, Encoding, LogicalType, Repetition, TimeUnit, Type as Physical},
    column::writer::ColumnWriter,
    data_type::ByteArray,
    errors::ParquetError,
    file::{
        metadata::KeyValue,
        properties::{WriterProperties, WriterPropertiesPtr},
        writer::{SerializedColumnWriter, SerializedFileWriter},
    },
    schema::types::{ColumnPath, Type, TypePtr},
};

use super::columns::{Cell, Column, Kind};

/// Rows of a group. A reading takes some 170 bytes until its group is written.
pub const GROUP_ROWS: usize = 1 << 16;
/// Values that are handed over at once.
const BATCH: usize = 1 << 10;

/// A Parquet file that is being written.
pub struct Parquet<W: Write + Send> {
    writer: SerializedFileWriter<W>,
    columns: Vec<Waiting>,
    /// Rows that wait for their group.
    waiting: usize,
    rows: u64,
}

/// Values of a column that wait for their group.
struct Waiting {
    values: Values,
    /// 1 where there is a value, 0 where it is null.
    present: Vec<i16>,
}

enum Values {
    /// Places in the pool of texts: most columns of text hold few different ones.
    Text {
        pool: Vec<ByteArray>,
        places: BTreeMap<String, u32>,
        values: Vec<u32>,
    },
    Whole(Vec<i64>),
    Real(Vec<f64>),
    Truth(Vec<bool>),
}

impl<W: Write + Send> Parquet<W> {
    /// A file of one table. `facts`: key and value pairs of the file's metadata.
    ///
    /// # Errors
    /// What the sink says.
    pub fn new(
        sink: W,
        table: &str,
        columns: &[Column],
        facts: &[(&str, String)],
    ) -> io::Result<Self> {
        let schema = schema(table, columns).map_err(fault)?;
        let writer =
            SerializedFileWriter::new(sink, schema, properties(columns, facts)).map_err(fault)?;
        Ok(Self {
            writer,
            columns: columns.iter().map(|c| Waiting::new(c.kind)).collect(),
            waiting: 0,
            rows: 0,
        })
    }

    /// Takes a row: a cell a column, in their order.
    ///
    /// # Errors
    /// What the sink says.
    ///
    /// # Panics
    /// When a cell is of another kind than its column.
    pub fn push<'a>(&mut self, cells: impl Iterator<Item = Cell<'a>>) -> io::Result<()> {
        let mut filled = 0;
        for (column, cell) in self.columns.iter_mut().zip(cells) {
            column.push(cell);
            filled += 1;
        }
        assert_eq!(filled, self.columns.len(), "a cell for every column");
        self.waiting += 1;
        self.rows += 1;
        if self.waiting == GROUP_ROWS {
            self.write_group()?;
        }
        Ok(())
    }

    fn write_group(&mut self) -> io::Result<()> {
        let mut group = self.writer.next_row_group().map_err(fault)?;
        for column in &mut self.columns {
            let mut writer = group
                .next_column()
                .map_err(fault)?
                .expect("the schema has a column for each");
            column.write(&mut writer).map_err(fault)?;
            writer.close().map_err(fault)?;
        }
        group.close().map_err(fault)?;
        self.waiting = 0;
        Ok(())
    }

    /// Ends the file; the rows written.
    ///
    /// # Errors
    /// What the sink says.
    pub fn finish(mut self) -> io::Result<u64> {
        if self.waiting > 0 {
            self.write_group()?;
        }
        self.writer.close().map_err(fault)?;
        Ok(self.rows)
    }
}

impl Waiting {
    fn new(kind: Kind) -> Self {
        let values = match kind {
            Kind::Text => Values::Text {
                pool: Vec::new(),
                places: BTreeMap::new(),
                values: Vec::new(),
            },
            Kind::Whole | Kind::Instant => Values::Whole(Vec::new()),
            Kind::Real => Values::Real(Vec::new()),
            Kind::Truth => Values::Truth(Vec::new()),
        };
        Self {
            values,
            present: Vec::new(),
        }
    }

    fn push(&mut self, cell: Cell) {
        let present = match (&mut self.values, cell) {
            (_, Cell::Null) => 0,
            (Values::Real(_), Cell::Real(x)) if !x.is_finite() => 0,
            (
                Values::Text {
                    pool,
                    places,
                    values,
                },
                Cell::Text(text),
            ) => {
                let place = if let Some(place) = places.get(text.as_ref()) {
                    *place
                } else {
                    let place = u32::try_from(pool.len()).expect("a group has fewer rows");
                    pool.push(ByteArray::from(text.as_ref()));
                    places.insert(text.into_owned(), place);
                    place
                };
                values.push(place);
                1
            }
            (Values::Whole(values), Cell::Whole(n) | Cell::Instant(n)) => {
                values.push(n);
                1
            }
            (Values::Real(values), Cell::Real(x)) => {
                values.push(x);
                1
            }
            (Values::Truth(values), Cell::Truth(truth)) => {
                values.push(truth);
                1
            }
            (_, cell) => unreachable!("the table gave {cell:?} to a column of another kind"),
        };
        self.present.push(present);
    }

    /// Hands the values over and forgets them.
    fn write(&mut self, writer: &mut SerializedColumnWriter) -> Result<(), ParquetError> {
        let present = std::mem::take(&mut self.present);
        match (&mut self.values, writer.untyped()) {
            (
                Values::Text {
                    pool,
                    places,
                    values,
                },
                ColumnWriter::ByteArrayColumnWriter(to),
            ) => {
                let mut at = 0;
                for present in present.chunks(BATCH) {
                    let n = count(present);
                    let texts: Vec<ByteArray> = values[at..at + n]
                        .iter()
                        .map(|place| pool[*place as usize].clone())
                        .collect();
                    to.write_batch(&texts, Some(present), None)?;
                    at += n;
                }
                pool.clear();
                places.clear();
                values.clear();
            }
            (Values::Whole(values), ColumnWriter::Int64ColumnWriter(to)) => {
                to.write_batch(values, Some(&present), None)?;
                values.clear();
            }
            (Values::Real(values), ColumnWriter::DoubleColumnWriter(to)) => {
                to.write_batch(values, Some(&present), None)?;
                values.clear();
            }
            (Values::Truth(values), ColumnWriter::BoolColumnWriter(to)) => {
                to.write_batch(values, Some(&present), None)?;
                values.clear();
            }
            _ => unreachable!("values and schema come from the same list of columns"),
        }
        // the room that it took is used again by the next group
        self.present = present;
        self.present.clear();
        Ok(())
    }
}

fn count(present: &[i16]) -> usize {
    present.iter().filter(|level| **level == 1).count()
}

fn schema(table: &str, columns: &[Column]) -> Result<TypePtr, ParquetError> {
    let field = |column: &Column| -> Result<TypePtr, ParquetError> {
        let (physical, logical) = match column.kind {
            Kind::Text => (Physical::BYTE_ARRAY, Some(LogicalType::String)),
            Kind::Whole => (Physical::INT64, None),
            Kind::Real => (Physical::DOUBLE, None),
            Kind::Truth => (Physical::BOOLEAN, None),
            Kind::Instant => (
                Physical::INT64,
                Some(LogicalType::Timestamp {
                    is_adjusted_to_u_t_c: true,
                    unit: TimeUnit::MICROS,
                }),
            ),
        };
        let field = Type::primitive_type_builder(&column.name, physical)
            .with_repetition(Repetition::OPTIONAL)
            .with_logical_type(logical)
            .build()?;
        Ok(Arc::new(field))
    };
    let fields = columns.iter().map(field).collect::<Result<_, _>>()?;
    let root = Type::group_type_builder(table)
        .with_fields(fields)
        .build()?;
    Ok(Arc::new(root))
}

/// Whole numbers mostly count up: differences are small. Text mostly repeats: a dictionary. Both are in every reader since
/// version 2 of the format.
fn properties(columns: &[Column], facts: &[(&str, String)]) -> WriterPropertiesPtr {
    let facts = facts
        .iter()
        .map(|(key, value)| KeyValue::new((*key).to_owned(), value.clone()))
        .collect();
    let mut properties = WriterProperties::builder()
        .set_compression(Compression::SNAPPY)
        .set_max_row_group_size(GROUP_ROWS)
        .set_write_batch_size(BATCH)
        .set_key_value_metadata(Some(facts));
    for column in columns {
        let path = ColumnPath::from(column.name.as_str());
        properties = match column.kind {
            Kind::Whole | Kind::Instant => properties
                .set_column_dictionary_enabled(path.clone(), false)
                .set_column_encoding(path, Encoding::DELTA_BINARY_PACKED),
            Kind::Text | Kind::Truth => properties,
            Kind::Real => properties.set_column_dictionary_enabled(path, false),
        };
    }
    Arc::new(properties.build())
}

fn fault(e: ParquetError) -> io::Error {
    match e {
        ParquetError::External(inner) => match inner.downcast::<io::Error>() {
            Ok(io) => *io,
            Err(other) => io::Error::other(other),
        },
        e => io::Error::other(e),
    }
}

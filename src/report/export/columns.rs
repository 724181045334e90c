//! The columns of the exported tables: one list for the writers and for the person who reads them.

use schemars::JsonSchema;
use serde::Serialize;

/// What a column holds.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Kind {
    /// Text, UTF-8.
    Text,
    /// A whole number, 64 bits.
    Whole,
    /// A number, 64 bits (IEEE 754), never a NaN.
    Real,
    /// True or false.
    Truth,
    /// An instant, microseconds, UTC.
    Instant,
}

impl Kind {
    /// Its name in Parquet.
    pub fn parquet(self) -> &'static str {
        match self {
            Self::Text => "STRING",
            Self::Whole => "INT64",
            Self::Real => "DOUBLE",
            Self::Truth => "BOOLEAN",
            Self::Instant => "TIMESTAMP(MICROS, UTC)",
        }
    }
}

/// What stands in one row of a column. What is not known is null.
#[derive(Clone, Debug, PartialEq)]
pub enum Cell<'a> {
    /// Not known, or not of this row.
    Null,
    /// Text.
    Text(std::borrow::Cow<'a, str>),
    /// A whole number.
    Whole(i64),
    /// A number; one that is not finite is written as null.
    Real(f64),
    /// True or false.
    Truth(bool),
    /// Microseconds since 1970-01-01T00:00:00Z.
    Instant(i64),
}

impl<'a> Cell<'a> {
    /// Text, where there is any.
    pub fn text(text: Option<&'a str>) -> Self {
        text.map_or(Self::Null, |text| Self::Text(text.into()))
    }

    /// A whole number, where there is one.
    pub fn whole(n: Option<impl TryInto<i64>>) -> Self {
        n.and_then(|n| n.try_into().ok())
            .map_or(Self::Null, Self::Whole)
    }

    /// A number, where there is one and it is finite.
    pub fn real(x: Option<f64>) -> Self {
        x.filter(|x| x.is_finite()).map_or(Self::Null, Self::Real)
    }
}

/// A column as a person reads of it.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, JsonSchema)]
pub struct Column {
    /// Its name.
    pub name: String,
    /// What it holds.
    pub kind: Kind,
    /// Unit; empty: none.
    pub unit: String,
    /// What it means.
    pub words: String,
}

impl Column {
    /// A column.
    pub fn new(name: &str, kind: Kind, unit: &str, words: &str) -> Self {
        Self {
            name: name.into(),
            kind,
            unit: unit.into(),
            words: words.into(),
        }
    }
}

/// Columns that stand in the folders' names and not in the files.
pub fn partitions() -> Vec<Column> {
    vec![
        Column::new(
            "day",
            Kind::Text,
            "",
            "UTC date of the capture, as in its name: 2031-05-17; of a comparison, of its last capture",
        ),
        Column::new("test", Kind::Text, "", "leak, pull or roll"),
    ]
}

/// The tables with their columns, as `export --schema` prints them.
#[derive(Clone, Debug, Serialize, JsonSchema)]
pub struct TablesResult {
    /// Version of this layout.
    pub schema_version: u32,
    /// The tables.
    pub tables: Vec<Table>,
}

/// One table.
#[derive(Clone, Debug, Serialize, JsonSchema)]
pub struct Table {
    /// `readings` or `findings`.
    pub name: &'static str,
    /// One row is what.
    pub row: &'static str,
    /// Columns in the names of the folders.
    pub partitions: Vec<Column>,
    /// Columns in the files.
    pub columns: Vec<Column>,
}

/// All tables.
pub fn tables() -> TablesResult {
    TablesResult {
        schema_version: super::SCHEMA_VERSION,
        tables: vec![
            Table {
                name: "readings",
                row: "one thing that a probe indicated, counted or not",
                partitions: partitions(),
                columns: super::reading::columns(),
            },
            Table {
                name: "findings",
                row: "one finding, or one comparison",
                partitions: partitions(),
                columns: super::finding::columns(),
            },
        ],
    }
}

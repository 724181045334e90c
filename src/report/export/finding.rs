//! Findings and comparisons as lines of JSON and as rows.

use serde::Serialize;
use serde_json::Value;

use super::columns::{Cell, Column, Kind};

/// A finding, or one comparison, with where it comes from. Its JSON Lines form is this object.
#[derive(Clone, Debug, Serialize)]
pub struct Found {
    /// `finding` or `comparison`.
    pub kind: &'static str,
    /// Name of the capture's folder; of a comparison null.
    pub capture: Option<String>,
    /// Digest of the capture.
    pub capture_sha256: Option<String>,
    /// Name of a comparison's file without its ending.
    pub comparison: Option<String>,
    /// Captures before, of a comparison.
    pub before: Vec<String>,
    /// Captures after, of a comparison.
    pub after: Vec<String>,
    /// Number on the tag of the inspection.
    pub inspection: Option<String>,
    /// When the capture began, or the last one of a comparison: microseconds since 1970.
    #[serde(serialize_with = "as_instant")]
    pub started: Option<i64>,
    /// `leak`, `pull` or `roll`.
    pub test: String,
    /// Setup in the vehicle file.
    pub setup: Option<String>,
    /// `as_found` or `after_repair`, as the journal says.
    pub stage: Option<String>,
    /// It was read from `findings/`; else it was worked out now.
    pub recorded: bool,
    /// Why there is no finding.
    pub why_not: Option<String>,
    /// Software that made it.
    pub software: Option<String>,
    /// What a comparison could not compare.
    pub not_compared: Option<Value>,
    /// The whole object, as `--json` writes it.
    pub finding: Option<Value>,
}

#[allow(clippy::ref_option)] // the form that serde asks for
fn as_instant<S: serde::Serializer>(us: &Option<i64>, to: S) -> Result<S::Ok, S::Error> {
    us.and_then(super::reading::instant).serialize(to)
}

/// What a column takes from a row.
#[derive(Clone)]
enum From {
    /// Something beside the finding.
    Beside(for<'a> fn(&'a Found) -> Cell<'a>),
    /// What stands at this place of the object (RFC 6901).
    At(String),
    /// How many there are at this place.
    Many(&'static str),
    /// The codes at this place, parted by blanks: of objects with a `code`, or of words.
    Words(&'static str),
    /// The sum of the numbers at this place.
    Sum(&'static str),
    /// The whole object as text.
    Whole,
}

struct Filled {
    column: Column,
    from: From,
}

/// Columns beside the object.
type Beside = (
    &'static str,
    Kind,
    &'static str,
    for<'a> fn(&'a Found) -> Cell<'a>,
);

const BESIDE: &[Beside] = &[
    ("kind", Kind::Text, "finding or comparison", |f| {
        Cell::text(Some(f.kind))
    }),
    (
        "capture",
        Kind::Text,
        "name of the capture's folder; null for a comparison",
        |f| Cell::text(f.capture.as_deref()),
    ),
    (
        "capture_sha256",
        Kind::Text,
        "digest of the capture; joins readings and findings",
        |f| Cell::text(f.capture_sha256.as_deref()),
    ),
    (
        "comparison",
        Kind::Text,
        "name of the comparison; null for a finding",
        |f| Cell::text(f.comparison.as_deref()),
    ),
    (
        "captures_before",
        Kind::Text,
        "of a comparison, parted by blanks",
        |f| joined(&f.before),
    ),
    (
        "captures_after",
        Kind::Text,
        "of a comparison, parted by blanks",
        |f| joined(&f.after),
    ),
    (
        "inspection",
        Kind::Text,
        "number on the tag; null for a capture outside an inspection",
        |f| Cell::text(f.inspection.as_deref()),
    ),
    (
        "started",
        Kind::Instant,
        "when the capture began; of a comparison, its last capture",
        |f| f.started.map_or(Cell::Null, Cell::Instant),
    ),
    ("setup", Kind::Text, "setup in the vehicle file", |f| {
        Cell::text(f.setup.as_deref())
    }),
    (
        "stage",
        Kind::Text,
        "as_found or after_repair, as the journal says",
        |f| Cell::text(f.stage.as_deref()),
    ),
    (
        "recorded",
        Kind::Truth,
        "read from the inspection's findings; false: worked out by the export",
        |f| Cell::Truth(f.recorded),
    ),
    ("why_not", Kind::Text, "why there is no finding", |f| {
        Cell::text(f.why_not.as_deref())
    }),
    ("software", Kind::Text, "software that made it", |f| {
        Cell::text(f.software.as_deref())
    }),
];

/// Plain columns of the object: name, kind, unit, place, words.
type Plain = (&'static str, Kind, &'static str, &'static str, &'static str);

const PLAIN: &[Plain] = &[
    (
        "verdict",
        Kind::Text,
        "",
        "/verdict",
        "within, outside, undecided; of a comparison higher, lower, undecided",
    ),
    (
        "change",
        Kind::Text,
        "",
        "/change",
        "of a comparison: better, worse, not_shown",
    ),
    (
        "limit_source",
        Kind::Text,
        "",
        "/limit_source",
        "own, vehicle or suggested",
    ),
    (
        "limit_leak_rate_pa_m3_s",
        Kind::Real,
        "Pa.m3/s",
        "/limit_leak_rate_pa_m3_s",
        "limit of a leak",
    ),
    (
        "limit_lift_ratio",
        Kind::Real,
        "1",
        "/limit_lift_ratio",
        "limit of a pull",
    ),
    (
        "limit_snag_false_alarm",
        Kind::Real,
        "1",
        "/limit_snag_false_alarm",
        "limit of a roll: chance of a false alarm",
    ),
    (
        "limit_snag_depth",
        Kind::Real,
        "drag",
        "/limit_snag_depth",
        "limit of a roll: depth of a snag",
    ),
    (
        "p_ref_pa",
        Kind::Real,
        "Pa",
        "/p_ref_pa",
        "gauge pressure that the leak is stated at",
    ),
    (
        "hold_s",
        Kind::Real,
        "s",
        "/hold_s",
        "length of the hold, from the end of pumping",
    ),
    (
        "settled_at_s",
        Kind::Real,
        "s",
        "/settled_at_s",
        "when the gas had settled",
    ),
    ("regime", Kind::Text, "", "/regime", "how the tank leaks"),
    (
        "usable_pulls",
        Kind::Whole,
        "",
        "/session/pulls",
        "pulls behind the mean",
    ),
    (
        "false_alarm_probability",
        Kind::Real,
        "1",
        "/false_alarm_probability",
        "chance that a healthy drivetrain shows as much",
    ),
    (
        "part_probability",
        Kind::Real,
        "1",
        "/snags/0/probability",
        "of the first snag's most probable part",
    ),
    (
        "order_per_sensor_turn",
        Kind::Real,
        "1",
        "/snags/0/order_per_sensor_turn",
        "how often the first snag comes in a turn of the sensed shaft",
    ),
    (
        "phase_deg",
        Kind::Real,
        "deg",
        "/snags/0/phase_deg",
        "where the first snag sits",
    ),
    (
        "detectable_depth",
        Kind::Real,
        "drag",
        "/quality/detectable_depth",
        "smallest snag that the record would have shown in every visible part",
    ),
    (
        "minimum_detectable_change",
        Kind::Real,
        "as difference, or 1 (pull)",
        "/minimum_detectable_change",
        "change that such a comparison shows in four of five cases",
    ),
    (
        "lines",
        Kind::Whole,
        "",
        "/quality/lines",
        "lines received, bad ones included",
    ),
    (
        "rows",
        Kind::Whole,
        "",
        "/quality/rows",
        "readings that reached the measure",
    ),
    (
        "ignored",
        Kind::Whole,
        "",
        "/quality/ignored",
        "readings of sensors that the test does not use",
    ),
    (
        "gaps",
        Kind::Whole,
        "",
        "/quality/gaps",
        "places where readings are missing",
    ),
    (
        "unprotected",
        Kind::Truth,
        "",
        "/quality/unprotected",
        "no checksum protected the readings",
    ),
];

/// Estimates: name, unit, place, words. Each makes four columns.
const ESTIMATES: &[(&str, &str, &str, &str)] = &[
    (
        "leak_rate_pa_m3_s",
        "Pa.m3/s",
        "/leak_rate_pa_m3_s",
        "leak rate",
    ),
    ("volume_m3", "m3", "/volume_m3", "volume of tank and hose"),
    ("slope_pa_s", "Pa/s", "/slope_pa_s", "fall of the pressure"),
    (
        "half_life_s",
        "s",
        "/half_life_s",
        "time to half the pressure",
    ),
    (
        "lift_ratio",
        "1",
        "/lift_ratio",
        "mean peak force over the car's weight",
    ),
    (
        "cadence_hz",
        "Hz",
        "/session/cadence_hz",
        "mean strokes a second",
    ),
    (
        "peak_at_cadence_n",
        "N",
        "/session/peak_at_cadence_n",
        "peak force at that cadence",
    ),
    (
        "hit_rate",
        "1",
        "/snags/0/hit_rate",
        "share of the turns in which the first snag showed",
    ),
    ("depth", "drag", "/snags/0/depth", "depth of the first snag"),
    ("ratio", "1", "/ratio", "after over before"),
    (
        "difference",
        "Pa.m3/s (leak), N (pull), 1 (roll)",
        "/difference",
        "after less before",
    ),
];

/// Columns that are put together from several values.
const LAST: &[(&str, Kind, &str, From)] = &[
    (
        "part",
        Kind::Text,
        "most probable part of the first snag; of a comparison the part compared",
        From::Words("/snags/0/part"),
    ),
    ("snags", Kind::Whole, "snags reported", From::Many("/snags")),
    (
        "refused",
        Kind::Text,
        "codes of the reasons why there is no number, parted by blanks",
        From::Words("/refused"),
    ),
    (
        "faults",
        Kind::Whole,
        "faults of link and record, all kinds",
        From::Sum("/quality/faults"),
    ),
    (
        "flags",
        Kind::Text,
        "remarks on the record, parted by blanks",
        From::Words("/quality/flags"),
    ),
    (
        "finding",
        Kind::Text,
        "the whole object as JSON, with the digits of --json",
        From::Whole,
    ),
];

fn joined(names: &[String]) -> Cell<'_> {
    if names.is_empty() {
        Cell::Null
    } else {
        Cell::Text(names.join(" ").into())
    }
}

/// The columns and what fills them.
pub struct Columns(Vec<Filled>);

impl Default for Columns {
    fn default() -> Self {
        let mut all = Vec::new();
        let mut add = |name: &str, kind, unit: &str, words: &str, from| {
            let column = Column::new(name, kind, unit, words);
            all.push(Filled { column, from });
        };
        for (name, kind, words, fill) in BESIDE {
            add(name, *kind, "", words, From::Beside(*fill));
        }
        for (name, kind, unit, at, words) in PLAIN {
            add(name, *kind, unit, words, From::At((*at).into()));
        }
        for (name, unit, at, words) in ESTIMATES {
            for (part, tail, what) in [
                ("value", "", ""),
                ("u", "_u", ", standard uncertainty"),
                ("lo95", "_lo95", ", lower end of the 95 % interval"),
                ("hi95", "_hi95", ", upper end of the 95 % interval"),
            ] {
                add(
                    &format!("{name}{tail}"),
                    Kind::Real,
                    unit,
                    &format!("{words}{what}"),
                    From::At(format!("{at}/{part}")),
                );
            }
        }
        for (name, kind, words, from) in LAST {
            add(name, *kind, "", words, from.clone());
        }
        Self(all)
    }
}

impl Columns {
    /// The columns as a person reads of them.
    pub fn columns(&self) -> Vec<Column> {
        self.0.iter().map(|filled| filled.column.clone()).collect()
    }

    /// A row's cells, in the order of the columns.
    pub fn cells<'a>(&'a self, found: &'a Found) -> impl Iterator<Item = Cell<'a>> {
        self.0.iter().map(|filled| filled.cell(found))
    }
}

/// The columns as a person reads of them.
pub fn columns() -> Vec<Column> {
    Columns::default().columns()
}

impl Filled {
    fn cell<'a>(&'a self, found: &'a Found) -> Cell<'a> {
        let object = found.finding.as_ref();
        let at = |place: &str| object.and_then(|object| object.pointer(place));
        match &self.from {
            From::Beside(fill) => fill(found),
            From::At(place) => of_value(self.column.kind, at(place)),
            From::Many(place) => Cell::whole(at(place).and_then(Value::as_array).map(Vec::len)),
            // a comparison names its part at the top
            From::Words("/snags/0/part") => at("/snags/0/part")
                .or_else(|| at("/part"))
                .map_or(Cell::Null, words),
            From::Words(place) => at(place).map_or(Cell::Null, words),
            From::Sum(place) => {
                let faults = at(place).and_then(Value::as_object);
                Cell::whole(faults.map(|map| map.values().filter_map(Value::as_i64).sum::<i64>()))
            }
            From::Whole => {
                object.map_or(Cell::Null, |object| Cell::Text(object.to_string().into()))
            }
        }
    }
}

/// A value as a cell of a kind; of another kind it is not known.
fn of_value(kind: Kind, value: Option<&Value>) -> Cell<'_> {
    match (kind, value) {
        (Kind::Text, Some(value)) => Cell::text(value.as_str()),
        (Kind::Whole, Some(value)) => Cell::whole(value.as_i64()),
        (Kind::Real, Some(value)) => Cell::real(value.as_f64()),
        (Kind::Truth, Some(value)) => value.as_bool().map_or(Cell::Null, Cell::Truth),
        _ => Cell::Null,
    }
}

/// A word, or the words and codes of a list.
fn words(value: &Value) -> Cell<'_> {
    let word = |value: &Value| {
        let code = value.get("code").unwrap_or(value);
        code.as_str().map(str::to_owned)
    };
    match value {
        Value::Array(list) => joined_owned(&list.iter().filter_map(word).collect::<Vec<_>>()),
        value => Cell::text(value.as_str()),
    }
}

fn joined_owned(words: &[String]) -> Cell<'static> {
    if words.is_empty() {
        Cell::Null
    } else {
        Cell::Text(words.join(" ").into())
    }
}

/// One line of JSON with its line end.
pub fn line(found: &Found) -> String {
    crate::report::compact(found)
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::json;
    use std::collections::BTreeSet;

    fn found(finding: Value) -> Found {
        Found {
            kind: "finding",
            capture: Some("c".into()),
            capture_sha256: None,
            comparison: None,
            before: Vec::new(),
            after: Vec::new(),
            inspection: None,
            started: Some(1_500_000),
            test: "leak".into(),
            setup: None,
            stage: None,
            recorded: false,
            why_not: None,
            software: None,
            not_compared: None,
            finding: Some(finding),
        }
    }

    fn cell(found: &Found, name: &str) -> Cell<'static> {
        let columns = Columns::default();
        let place = columns.columns().iter().position(|c| c.name == name);
        let cell = columns.cells(found).nth(place.unwrap()).unwrap();
        match cell {
            Cell::Text(text) => Cell::Text(text.into_owned().into()),
            Cell::Whole(n) => Cell::Whole(n),
            Cell::Real(x) => Cell::Real(x),
            Cell::Truth(t) => Cell::Truth(t),
            Cell::Instant(t) => Cell::Instant(t),
            Cell::Null => Cell::Null,
        }
    }

    #[test]
    fn an_estimate_makes_four_columns_and_a_refusal_none() {
        let one = found(
            json!({"lift_ratio": {"value": 1.5, "u": 0.1, "lo95": 1.25, "hi95": 1.75},
            "snags": [], "refused": null, "quality": {"faults": {"lost": 2, "bad_crc": 3}, "flags": ["a", "b"]}}),
        );
        assert_eq!(cell(&one, "lift_ratio"), Cell::Real(1.5));
        assert_eq!(cell(&one, "lift_ratio_hi95"), Cell::Real(1.75));
        assert_eq!(cell(&one, "snags"), Cell::Whole(0));
        assert_eq!(cell(&one, "faults"), Cell::Whole(5));
        assert_eq!(cell(&one, "flags"), Cell::Text("a b".into()));
        assert_eq!(cell(&one, "refused"), Cell::Null);
        let two =
            found(json!({"lift_ratio": null, "refused": [{"code": "no_pull", "message": "m"}]}));
        assert_eq!(cell(&two, "lift_ratio_u"), Cell::Null);
        assert_eq!(cell(&two, "refused"), Cell::Text("no_pull".into()));
        assert_eq!(cell(&two, "snags"), Cell::Null);
        assert!(line(&two).contains("\"started\":\"1970-01-01T00:00:01.500000Z\""));
    }

    /// Digits that a reader of decimal fractions gets wrong in the last bit where it does not take care.
    #[test]
    fn a_finding_is_written_on_with_the_digits_that_it_came_with() {
        let text =
            "{\"a\":[-1.5e-7,3,0.019830347204131828],\"b\":\"1,\\\"2\",\"c\":5.869140625e-5}";
        let value: Value = serde_json::from_str(text).unwrap();
        let same = text.replace("5.869140625e-5", "0.00005869140625");
        assert_eq!(value.to_string(), same);
    }

    #[test]
    fn no_column_stands_twice() {
        for table in super::super::columns::tables().tables {
            let all = table.columns.iter().chain(&table.partitions);
            let names: BTreeSet<&str> = all.map(|c| c.name.as_str()).collect();
            assert_eq!(names.len(), table.columns.len() + table.partitions.len());
        }
    }
}

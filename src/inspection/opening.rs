//! What is written once, when an inspection begins: the car and whose it is.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// `inspection.toml`.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Opening {
    /// Version of the folder's layout, [`super::FORMAT`].
    pub format: u32,
    /// Number on the car's tag, as it lies in the photographs.
    pub tag: String,
    /// When the inspection began, RFC 3339 with the zone's offset.
    pub opened: String,
    /// Who opened it.
    pub operator: String,
    /// Shop or club that measures.
    pub house: Option<String>,
    /// How the house calls the owner (a number, initials); the owner's own data stand in `owner.toml` alone.
    pub owner: Option<String>,
    /// Why it came: "came back with a hitch".
    pub reason: Option<String>,
    /// The car, by what can be seen on it.
    pub car: Car,
    /// What was claimed about its past, one claim a line, as it was said.
    #[serde(default)]
    pub claimed: Vec<String>,
}

/// The car, by what can be seen on it.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Car {
    /// What it is called.
    pub name: String,
    /// One line: scale, drive, engine.
    pub description: Option<String>,
    /// Number struck or printed on it.
    pub serial: Option<String>,
    /// Scratches, stickers, engravings: what tells it from its sisters.
    #[serde(default)]
    pub marks: Vec<String>,
    /// What is fitted and is not the maker's.
    #[serde(default)]
    pub fitted: Vec<String>,
}

/// `owner.toml`: nothing else in the folder repeats it.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Owner {
    /// Name.
    pub name: String,
    /// Postal address, telephone, mail: one line each.
    #[serde(default)]
    pub contact: Vec<String>,
}

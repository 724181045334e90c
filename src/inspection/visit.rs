//! What an inspection holds, read from its files.

use super::{Entry, Opening, Owner};

/// An inspection, read.
#[derive(Clone, Debug)]
pub struct Visit {
    /// `inspection.toml`.
    pub opening: Opening,
    /// `owner.toml`, where it is there.
    pub owner: Option<Owner>,
    /// The journal, first line first.
    pub entries: Vec<Entry>,
}

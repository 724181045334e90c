//! What reaches a session: rows of the probes, exactly as they are kept in a capture, and marks.

use crate::wire::Part;

/// One row of one probe: a line, or a piece of one that is over-long or was broken off.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Row {
    /// Host time of the read that completed the row, microseconds.
    pub host_us: u64,
    /// The bytes as received, without the LF.
    pub bytes: Vec<u8>,
    /// Whether they are a whole line, or which part of one.
    pub part: Part,
}

/// Something the host noted beside the probes' lines: a phase, the start mark, the guard, an overrun.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Mark {
    /// Host time, microseconds.
    pub host_us: u64,
    /// What was noted, words parted by single spaces: `phase hold`, `start`, `host_overrun 12`.
    pub text: String,
}

/// One input of a session, in the order of a capture.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Input {
    /// A row of the probe with this index (its place in the capture's list of probes).
    Row(usize, Row),
    /// A mark.
    Mark(Mark),
}

impl Input {
    /// Host time of the input, microseconds.
    pub fn host_us(&self) -> u64 {
        match self {
            Self::Row(_, row) => row.host_us,
            Self::Mark(mark) => mark.host_us,
        }
    }
}

//! Bare probes: what can be told of a board that prints plain numbers.

use std::time::Duration;

use tokio::{
    io::{AsyncRead, AsyncWrite},
    time::{Instant, timeout_at},
};

use super::link::{Gone, Link, Speech, Unidentified};
use crate::wire::{Event, bare::Bare};

/// Why a bare probe cannot be read.
#[derive(Debug)]
pub enum Unreadable {
    /// No text came.
    Unheard(Unidentified),
    /// Lines came, but without a number in the stated column.
    NoNumber {
        /// One of them.
        sample: String,
        /// The column.
        column: usize,
    },
}

impl std::fmt::Display for Unreadable {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::Unheard(what) => what.fmt(f),
            Self::NoNumber { sample, column } => {
                write!(f, "there is no number in column {column} of '{sample}'")
            }
        }
    }
}

impl std::error::Error for Unreadable {}

impl From<Gone> for Unreadable {
    fn from(gone: Gone) -> Self {
        Self::Unheard(Unidentified::Gone(gone))
    }
}

/// Waits for a line that has a number where the person said. Boards print other things while they boot, and the first
/// line is mostly half a line, so lines without one are passed over.
///
/// # Errors
/// [`Unreadable`] when none came within `wait`.
pub async fn listen<P>(link: &mut Link<P>, bare: &Bare, wait: Duration) -> Result<f64, Unreadable>
where
    P: AsyncRead + AsyncWrite + Unpin,
{
    let deadline = Instant::now() + wait;
    let mut speech = Speech::default();
    let mut sample = None;
    let mut is_first = true;
    while let Ok(arrival) = timeout_at(deadline, link.next()).await {
        let event = arrival?.event;
        speech.note(event.bytes());
        if let Event::Line { bytes, .. } = event
            && !std::mem::take(&mut is_first)
        {
            match bare.reading(bytes) {
                Some(value) => return Ok(value),
                None => sample = Some(String::from_utf8_lossy(bytes).trim().to_owned()),
            }
        }
    }
    Err(match speech.verdict() {
        Unidentified::Plain { sample: text } => Unreadable::NoNumber {
            sample: sample.unwrap_or(text),
            column: bare.column,
        },
        other => Unreadable::Unheard(other),
    })
}

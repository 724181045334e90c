//! Links to probes: over memory with paused time, over real pseudo-terminals, over a replay.

#![allow(clippy::unwrap_used)] // in a test an unwrap is an assertion

mod bare;
mod far;
mod follow;
mod identify;
mod reading;
mod replay;
#[cfg(unix)]
mod terminal;

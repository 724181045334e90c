//! The reference firmware, compiled and run on an emulated chip, against what its pins were made to do.
#![allow(clippy::unwrap_used)] // in a test an unwrap is an assertion

mod bench;
mod chain;
mod hall;
mod lines;
mod notes;
mod program;
mod samples;
mod signals;
#[path = "../sim/mod.rs"]
mod sim;
mod talk;

//! `export`: what stock readers find in the tables is what the captures hold, whatever state they are in.

#![allow(clippy::unwrap_used)] // in a test an unwrap is an assertion

mod again;
mod fixture;
#[path = "../folders/mod.rs"]
mod folders;
mod memory;
mod odd;
mod readers;
mod refused;

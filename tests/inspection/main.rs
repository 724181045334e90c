//! An inspection's folder as a person and other programs use it.

#![allow(clippy::unwrap_used)] // in a test an unwrap is an assertion
#![cfg(unix)]

mod clock;
mod copied;
mod crash;
mod disk;
mod edges;
#[path = "../folders/mod.rs"]
mod folders;
mod format;
mod place;
mod sample;
mod together;
mod visit;

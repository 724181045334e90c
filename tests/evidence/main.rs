//! Sealed inspections: what stock tools say of them, what `verify` says of everything that was done to them.

#![allow(clippy::unwrap_used)] // in a test an unwrap is an assertion

mod attacks;
mod bits;
mod deed;
mod fixture;
#[path = "../folders/mod.rs"]
mod folders;
mod keys;
mod names;
mod stock;
mod time;
mod whole;

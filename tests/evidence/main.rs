//! Sealed inspections: what stock tools say of them, what `verify` says of everything that was done to them.

#![allow(clippy::unwrap_used)] // in a test an unwrap is an assertion

mod attacks;
mod bits;
mod deed;
mod fixture;
mod keys;
mod names;
mod stock;
mod time;
mod whole;

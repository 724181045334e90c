//! The wire: a slow, obvious decoder beside the fast one, mutated streams, what the CRC catches and what it
//! does not, the examples of `firmware-notes/wire.md`, and the counting of faults.

#![allow(clippy::unwrap_used)] // in a test an unwrap is an assertion

mod crc;
mod document;
mod faults;
mod slow;
mod streams;

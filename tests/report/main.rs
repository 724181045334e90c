//! The report: what it says of an inspection, and that its page needs nothing else and lets nothing in.

#![allow(clippy::unwrap_used)] // in a test an unwrap is an assertion

mod car;
#[path = "../folders/mod.rs"]
mod folders;
mod older;
mod page;
mod program;
mod words;

//! The daemon of the bench: probes that come and go, tests to their end, a guard that waits for nobody, disks that are
//! slow, full or forbidden, and the end in order.

#![allow(clippy::unwrap_used)] // in a test an unwrap is an assertion

mod disk;
mod guard;
mod handles;
mod plug;
#[cfg(unix)]
mod program;
mod rig;
mod strangers;
mod units;
mod whole;

//! Probes: real ones behind ports, virtual ones in memory; both look the same from above.

pub mod board;

pub mod bare;
pub mod discover;
pub mod follow;
pub mod health;
pub mod link;
pub mod replay;
pub mod serial;

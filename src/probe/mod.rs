//! Probes: real ones behind ports, virtual ones in memory; both look the same from above.

pub mod bare;
pub mod board;
pub mod boards;
pub mod discover;
pub mod follow;
pub mod health;
pub mod link;
pub mod live;
pub mod replay;
pub mod serial;
pub mod virtual_bench;
pub mod watchman;

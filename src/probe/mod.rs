//! Probes: real ones behind ports, virtual ones in memory; both look the same from above.

pub mod board;

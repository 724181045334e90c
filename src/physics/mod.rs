//! Seeded simulation of tank, engine and drivetrain: plain samples with known truth for `simulate`,
//! the studies and the virtual bench. Pure: same seed, same bytes on every machine.

pub mod drivetrain;
pub mod engine;
pub mod noise;
pub mod tank;

/// Vehicle file of the invented demo car.
pub const PLOVER_8: &str = include_str!("../../captures/plover-8.toml");

/// A simulated record and what is true of it.
#[derive(Clone, Debug, PartialEq)]
pub struct Simulated<R, T> {
    /// Readings in the order of time.
    pub readings: Vec<R>,
    /// What a measure should find.
    pub truth: T,
}

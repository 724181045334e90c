//! Seeded simulation of tank, engine and drivetrain: plain samples with known truth for `simulate`,
//! the studies and the virtual bench. Pure: same seed, same bytes on every machine.

pub mod noise;

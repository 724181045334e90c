//! feelgauge: a bench gauge for used fuel-powered model cars.
//!
//! Three checks that are done by feel become numbers with an honest uncertainty: does the tank hold
//! pressure (*leak*), does the engine have compression at the starter cord (*pull*), does the
//! drivetrain roll without a hitch that comes and goes (*roll*).
//!
//! The rooms, lowest first; nothing looks up (checked by `tests/layers.rs`):
//!
//! | level | rooms |
//! |---|---|
//! | 0 | [`units`], [`reading`] |
//! | 1 | [`wire`], [`timebase`], [`calibration`], [`measure`], [`vehicle`], [`physics`] |
//! | 2 | [`inspect`] |
//! | 3 | [`clock`], [`record`], [`evidence`], [`inspection`], [`probe`] |
//! | 4 | [`report`] |
//! | 5 | [`mod@bench`] |
//! | 6 | [`page`] |
//! | 7 | [`cli`] |

pub mod bench;
pub mod calibration;
pub mod cli;
pub mod clock;
pub mod evidence;
pub mod inspect;
pub mod inspection;
pub mod measure;
pub mod page;
pub mod physics;
pub mod probe;
pub mod reading;
pub mod record;
pub mod report;
pub mod timebase;
pub mod units;
pub mod vehicle;
pub mod wire;

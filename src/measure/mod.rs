//! The measures: pure kernels that turn readings into findings. Streaming `push`, then `finish`.
//! They read no clock, no file, no environment and no randomness, and use `libm` for every
//! transcendental function, so that a finding is the same to the bit on every machine.

pub mod cholesky;
pub mod compare;
pub mod guard;
pub mod leak;
mod logarithm;
pub mod pull;
pub mod roll;
mod wide;

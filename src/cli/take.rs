//! `take`.

use super::{Failure, Outcome, Output, args::TakeArgs};

/// Runs `take`.
pub fn run(_args: &TakeArgs, _output: &mut Output) -> Outcome {
    Err(Failure::Work("feelgauge: take is not there yet".into()))
}

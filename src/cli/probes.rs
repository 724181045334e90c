//! `probes`.

use super::{Failure, Outcome, Output, args::ProbesArgs};

/// Runs `probes`.
pub fn run(_args: &ProbesArgs, _output: &mut Output) -> Outcome {
    Err(Failure::Work("feelgauge: probes is not there yet".into()))
}

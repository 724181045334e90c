//! `demo`.

use super::{Failure, Outcome, Output, args::DemoArgs};

/// Runs `demo`.
pub fn run(_args: &DemoArgs, _output: &mut Output) -> Outcome {
    Err(Failure::Work("feelgauge: demo is not there yet".into()))
}

//! `schema`: the shape of every result.

use super::{
    DONE, Outcome, Output,
    demo::DemoResult,
    probes::ProbesReport,
    simulate::SimulateResult,
    take::TakeReport,
    vehicle_cmd::{CheckResult, OrdersResult},
};
use crate::{
    measure::{leak::LeakFinding, pull::PullFinding, roll::RollFinding},
    report::{self, Catalogue},
};

/// Runs `schema`. With and without `--json` the same: it is JSON anyway.
pub(super) fn run(output: &mut Output) -> Outcome {
    let schema = Catalogue::default()
        .with::<LeakFinding>()
        .with::<PullFinding>()
        .with::<RollFinding>()
        .with::<SimulateResult>()
        .with::<CheckResult>()
        .with::<OrdersResult>()
        .with::<ProbesReport>()
        .with::<TakeReport>()
        .with::<DemoResult<'_>>()
        .finish();
    output.result(&schema, |_| report::pretty(&schema))?;
    Ok(DONE)
}

//! `schema`: the shape of every result.

use super::{
    DONE, Outcome, Output,
    bench::BenchOpen,
    demo::DemoResult,
    export::ExportResult,
    inspection::{ComparedNow, CopyResult, Entered, ShowResult},
    keys::NewKey,
    probes::ProbesReport,
    report::ReportResult,
    seal::SealResult,
    simulate::SimulateResult,
    take::TakeReport,
    vehicle_cmd::{CheckResult, OrdersResult},
};
use crate::{
    calibration::CalibrationFinding,
    inspect::comparison::CompareResult,
    measure::{
        leak::{LeakFinding, LeakParts},
        pull::{PlugShare, PullFinding},
        roll::{RollFinding, RollParts},
    },
    report::{self, Catalogue},
};

/// Runs `schema`. With and without `--json` the same: it is JSON anyway.
pub(super) fn run(output: &mut Output) -> Outcome {
    let schema = Catalogue::default()
        .with::<LeakFinding>()
        .with::<PullFinding>()
        .with::<RollFinding>()
        .with::<CompareResult>()
        .with::<LeakParts>()
        .with::<PlugShare>()
        .with::<RollParts>()
        .with::<CalibrationFinding>()
        .with::<SimulateResult>()
        .with::<CheckResult>()
        .with::<OrdersResult>()
        .with::<ProbesReport>()
        .with::<TakeReport>()
        .with::<BenchOpen>()
        .with::<Entered>()
        .with::<ComparedNow>()
        .with::<ShowResult>()
        .with::<CopyResult>()
        .with::<SealResult>()
        .with::<NewKey>()
        .with::<crate::evidence::Report>()
        .with::<ReportResult>()
        .with::<ExportResult>()
        .with::<crate::report::export::columns::TablesResult>()
        .with::<DemoResult<'_>>()
        .finish();
    output.result(&schema, |_| report::pretty(&schema))?;
    Ok(DONE)
}

//! `rule-out`: records of one test in several setups, put together to say which part it is.

use super::{
    DONE, Failure, Outcome, Output,
    args::RuleOutArgs,
    compare::{common_p_ref, findings, given, stated},
    parse::SetupItem,
    plan::{self, AnalyzePlan, Given, Record},
    records, say,
};
use crate::{
    inspect::{
        Finding, Test,
        comparison::{leaks, pulls, rolls},
    },
    measure::{
        leak::{self, LeakParts, LeakRow, OfferedSetup},
        pull::{self, PlugShare},
        roll::{self, RollParts},
    },
    reading::Quality,
    report::{self, RuledOut},
    vehicle::{Setup, SetupTest, Vehicle},
};

/// Runs `rule-out`.
pub(super) fn run(args: &RuleOutArgs, output: &mut Output) -> Outcome {
    let given = given(&args.stated)?;
    let plans = args
        .items
        .iter()
        .map(|item| plan_of(args, item, given.as_ref()))
        .collect::<Result<Vec<_>, _>>()?;
    of_one_car(&plans, given.as_ref())?;
    let vehicle = plans.iter().find_map(|plan| plan.vehicle.as_ref());
    let vehicle = vehicle.expect("every plan of a ruling out has its car's file");
    let ruled_out = match args.test {
        Test::Leak => RuledOut::Leak(leak(&plans, vehicle, args.stated.at.is_some())?),
        Test::Pull => RuledOut::Pull(pull(&plans)?),
        Test::Roll => RuledOut::Roll(roll(&plans)?),
    };
    let sources: Vec<&str> = plans.iter().map(|plan| plan.source.as_str()).collect();
    output.result(&ruled_out, |picture| {
        report::ruled_out(&ruled_out, &sources, vehicle, picture)
    })?;
    Ok(DONE)
}

/// How to analyze one record, in a setup that its car's file has.
fn plan_of(
    args: &RuleOutArgs,
    item: &SetupItem,
    given: Option<&Given>,
) -> Result<AnalyzePlan, Failure> {
    let named = records::one(&item.path)?;
    let (source, test) = (named.source.clone(), named.test);
    if test != args.test {
        return Err(Failure::Work(format!(
            "{source}: this is a {}; name records of a {}",
            test.word(),
            args.test.word()
        )));
    }
    let mut own = stated(&args.stated);
    own.setup.clone_from(&item.setup);
    own.volume_optional = false;
    let mut plan = plan::of_record(named, own, given)?;
    plan.skip_bad_rows = args.stated.skip_bad_rows;
    let Some(vehicle) = &plan.vehicle else {
        return Err(Failure::Usage(format!(
            "{source}: no vehicle file says what its setup is; name the file: --vehicle FILE"
        )));
    };
    let known = || vehicle.setups_of(test.word()).map(|s| s.name.as_str());
    match plan.setup() {
        None => Err(Failure::Usage(format!(
            "{source}: say in which setup it was taken: SETUP={source}; {} has: {}",
            plan.vehicle_name,
            known().collect::<Vec<_>>().join(", ")
        ))),
        Some(setup) if !known().any(|name| name == setup) => Err(plan.unknown_setup(setup)),
        Some(_) => Ok(plan),
    }
}

/// All records must be of one car: captures by the vehicle file inside them; where a file is given for all, by its name.
fn of_one_car(plans: &[AnalyzePlan], given: Option<&Given>) -> Result<(), Failure> {
    if let Some(given) = given {
        return given.is_of(plans);
    }
    let captures = plans.iter().filter_map(|plan| match &plan.record {
        Record::Capture(capture) => Some((plan, capture.vehicle.as_deref()?)),
        Record::Plain(_) => None,
    });
    let mut first: Option<(&AnalyzePlan, &str)> = None;
    for (plan, text) in captures {
        let name = |text: &str| Vehicle::parse(text).map_or_else(|_| "?".into(), |v| v.name);
        let (other, known) = *first.get_or_insert((plan, text));
        if known != text {
            return Err(Failure::Work(format!(
                "captures of different cars: {} ({}) and {} ({}) have different vehicle files; name captures of one car, or, if only the file of the car was changed, the file for all: --vehicle FILE",
                other.source,
                name(known),
                plan.source,
                name(text)
            )));
        }
    }
    Ok(())
}

/// The setup of a record in its car's file.
fn setup<'a>(plan: &AnalyzePlan, vehicle: &'a Vehicle) -> Option<&'a Setup> {
    vehicle.setup(plan.setup()?)
}

fn leak(plans: &[AnalyzePlan], vehicle: &Vehicle, at_stated: bool) -> Result<LeakParts, Failure> {
    let plans: Vec<&AnalyzePlan> = plans.iter().collect();
    let mut found = findings(&plans, None)?;
    if !at_stated {
        match common_p_ref(&found, &[]) {
            Ok(pa) => found = findings(&plans, Some(pa))?,
            Err(refusal) => return Ok(LeakParts::of_refusal(quality(&found), refusal)),
        }
    }
    for (plan, finding) in plans.iter().zip(&found) {
        for refusal in finding.refused().into_iter().flatten() {
            say(&format!("{}: not used: {}", plan.source, refusal.message));
        }
    }
    let open = |setup: Option<&Setup>| match setup.map(|s| &s.test) {
        Some(SetupTest::Leak { parts }) => parts.clone(),
        _ => Vec::new(),
    };
    let mut parts: Vec<String> = Vec::new();
    for part in plans.iter().flat_map(|plan| open(setup(plan, vehicle))) {
        if !parts.contains(&part) {
            parts.push(part);
        }
    }
    let leaking = |setup: Option<&Setup>| {
        let open = open(setup);
        parts.iter().map(|part| open.contains(part)).collect()
    };
    let rows: Vec<LeakRow> = plans
        .iter()
        .zip(leaks(&found))
        .map(|(plan, finding)| LeakRow {
            setup: plan.setup().unwrap_or_default().to_owned(),
            leaking: leaking(setup(plan, vehicle)),
            finding,
        })
        .collect();
    let offered: Vec<OfferedSetup> = vehicle
        .setups_of(Test::Leak.word())
        .map(|setup| OfferedSetup {
            setup: Some(setup.name.clone()),
            leaking: leaking(Some(setup)),
        })
        .collect();
    Ok(leak::rule_out_offered(&parts, &rows, &offered))
}

fn pull(plans: &[AnalyzePlan]) -> Result<PlugShare, Failure> {
    let plans: Vec<&AnalyzePlan> = plans.iter().collect();
    let (plug_out, plug_in) = pulls(&findings(&plans, None)?)
        .into_iter()
        .partition::<Vec<_>, _>(|finding| finding.plug_out);
    Ok(pull::plug(&plug_in, &plug_out))
}

fn roll(plans: &[AnalyzePlan]) -> Result<RollParts, Failure> {
    let plans: Vec<&AnalyzePlan> = plans.iter().collect();
    let found = findings(&plans, None)?;
    let mut parts = roll::combine(&rolls(&found));
    for (capture, plan) in parts.captures.iter_mut().zip(&plans) {
        capture.source = Some(plan.source.clone());
        capture.setup = plan.setup().map(str::to_owned);
    }
    // what one capture says of the sensor's place, all say together
    let together = std::mem::replace(&mut parts.quality.common, quality(&found)).flags;
    let flags = &mut parts.quality.common.flags;
    flags.retain(|flag| flag != roll::SENSOR_DOUBTFUL);
    flags.extend(together);
    Ok(parts)
}

fn quality(findings: &[Finding]) -> Quality {
    Quality::merged(findings.iter().map(Finding::quality))
}

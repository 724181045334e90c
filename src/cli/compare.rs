//! `compare`: the same car before and after, test by test and setup by setup.

use std::path::{Path, PathBuf};

use super::{
    DONE, Failure, Outcome, Output, analyze,
    args::{CompareArgs, ForAllRecords},
    plan::{self, AnalyzePlan, Given, no_vehicle},
    plot::PlotFile,
    records, say,
};
use crate::{
    inspect::{
        Finding, Stated, Test,
        comparison::{CompareResult, Compared, Records, compare},
        pairing::{Agreement, Kind, LeftOut, Pair, Pairing, Side, pair},
    },
    measure::leak,
    reading::Refusal,
    report::{self, AboutComparison},
};

/// The plans of both sides.
struct Sides {
    before: Vec<AnalyzePlan>,
    after: Vec<AnalyzePlan>,
    /// The pressure of all leaks was stated.
    at_stated: bool,
}

/// Runs `compare`.
pub(super) fn run(args: &CompareArgs, output: &mut Output) -> Outcome {
    let file = args.plot.as_deref().map(PlotFile::new).transpose()?;
    let given = given(&args.stated)?;
    let mut sides = Sides {
        before: plans(&args.before, &args.stated, given.as_ref())?,
        after: plans(&args.after, &args.stated, given.as_ref())?,
        at_stated: args.stated.at.is_some(),
    };
    if let Some(given) = &given {
        given.is_of(sides.all())?;
    }
    if let Some(setup) = &args.setup {
        sides.take_in(setup)?;
    }
    let Pairing { pairs, left_out } = pair(&kinds(&sides.before), &kinds(&sides.after));
    if pairs.is_empty() {
        return Err(nothing_in_common(args, &sides));
    }
    for left in &left_out {
        say(&not_compared(args, left));
    }
    let compared = pairs
        .iter()
        .map(|pair| sides.compare(pair))
        .collect::<Result<Vec<_>, _>>()?;
    let result = CompareResult::of(compared, &left_out);
    output.result(&result, |picture| sides.text(args, &result, picture))?;
    if let Some(file) = file {
        let title = format!(
            "before: {}, after: {}",
            args.before.display(),
            args.after.display()
        );
        let vehicle = sides.all().find_map(|plan| plan.vehicle.as_ref());
        file.write(&report::plot::comparison_sheet(&result, &title, vehicle))?;
    }
    Ok(DONE)
}

/// The comparison of captures that are named one by one, as the `.toml` beside a recorded comparison names them; nothing
/// is stated but the pressure of the leaks and the setup, where they were.
///
/// # Errors
/// As [`run`].
pub(super) fn of_captures(
    before: &[PathBuf],
    after: &[PathBuf],
    p_ref_pa: Option<f64>,
    setup: Option<&str>,
) -> Result<CompareResult, Failure> {
    let options = ForAllRecords {
        at: p_ref_pa,
        ..ForAllRecords::default()
    };
    let plans = |paths: &[PathBuf]| -> Result<Vec<AnalyzePlan>, Failure> {
        let planned = |path: &PathBuf| plan::of_record(records::one(path)?, stated(&options), None);
        paths.iter().map(planned).collect()
    };
    let mut sides = Sides {
        before: plans(before)?,
        after: plans(after)?,
        at_stated: p_ref_pa.is_some(),
    };
    if let Some(setup) = setup {
        sides.take_in(setup)?;
    }
    let Pairing { pairs, left_out } = pair(&kinds(&sides.before), &kinds(&sides.after));
    if pairs.is_empty() {
        return Err(Failure::Work("the two sides share no test".into()));
    }
    let compared = pairs.iter().map(|pair| sides.compare(pair));
    Ok(CompareResult::of(
        compared.collect::<Result<Vec<_>, _>>()?,
        &left_out,
    ))
}

/// The vehicle file that stands for all records.
pub(super) fn given(stated: &ForAllRecords) -> Result<Option<Given>, Failure> {
    stated.vehicle.as_deref().map(Given::read).transpose()
}

/// What is stated for all records.
pub(super) fn stated(options: &ForAllRecords) -> Stated {
    Stated {
        volume_m3: options.volume,
        volume_u_m3: options.volume_u,
        p_ref_pa: options.at,
        ambient_pa: options.baro,
        mass_kg: options.mass,
        filter_order: options.filter_order,
        sensor: options.sensor,
        // before and after of one tank share its volume
        volume_optional: true,
        ..Stated::default()
    }
}

/// One plan for each record under a path.
fn plans(
    path: &Path,
    options: &ForAllRecords,
    given: Option<&Given>,
) -> Result<Vec<AnalyzePlan>, Failure> {
    let planned = |named| {
        let mut plan = plan::of_record(named, stated(options), given)?;
        plan.skip_bad_rows = options.skip_bad_rows;
        Ok(plan)
    };
    records::under(path)?.into_iter().map(planned).collect()
}

fn kinds(plans: &[AnalyzePlan]) -> Vec<Kind> {
    let kind = |plan: &AnalyzePlan| Kind {
        test: plan.test,
        setup: plan.setup().map(str::to_owned),
    };
    plans.iter().map(kind).collect()
}

impl Sides {
    fn all(&self) -> impl Iterator<Item = &AnalyzePlan> {
        self.before.iter().chain(&self.after)
    }

    /// States the setup of every record of the setup's test.
    fn take_in(&mut self, setup: &str) -> Result<(), Failure> {
        let mut taken = false;
        let mut last = "";
        for plan in self.before.iter_mut().chain(&mut self.after) {
            let Some(vehicle) = &plan.vehicle else {
                return Err(no_vehicle(&plan.source, setup));
            };
            match vehicle.setup(setup) {
                Some(found) if found.test.name() == plan.test.word() => {
                    plan.stated.setup = Some(setup.to_owned());
                    taken = true;
                }
                Some(found) => last = found.test.name(),
                None => return Err(plan.unknown_setup(setup)),
            }
        }
        if taken {
            return Ok(());
        }
        Err(Failure::Usage(format!(
            "--setup {setup} is a setup of a {last}, and neither side holds one"
        )))
    }

    /// Analyzes and compares the records of one pair.
    fn compare(&self, pair: &Pair) -> Result<Compared, Failure> {
        let before: Vec<&AnalyzePlan> = pair.before.iter().map(|i| &self.before[*i]).collect();
        let after: Vec<&AnalyzePlan> = pair.after.iter().map(|i| &self.after[*i]).collect();
        let (mut of_before, mut of_after) = (findings(&before, None)?, findings(&after, None)?);
        let mut refusal = setup_refusal(pair, &before, &after);
        if pair.test == Test::Leak && !self.at_stated {
            match common_p_ref(&of_before, &of_after) {
                Ok(pa) => {
                    of_before = findings(&before, Some(pa))?;
                    of_after = findings(&after, Some(pa))?;
                }
                Err(why) => refusal = refusal.or(Some(why)),
            }
        }
        let comparison = compare(pair.test, &of_before, &of_after);
        let mut compared = Compared {
            setup: pair.setup.clone(),
            comparison,
            records: Records {
                before: before.len(),
                after: after.len(),
            },
            seen: [of_before, of_after],
        };
        if let Some(refusal) = refusal {
            compared.comparison.refuse(refusal);
        }
        compared.explain();
        if pair.agreement == Agreement::NotStated {
            compared.comparison.quality_mut().flag("setup_not_stated");
        }
        if cars_differ(&before, &after) {
            compared.comparison.quality_mut().flag("vehicle_differs");
        }
        Ok(compared)
    }

    fn text(&self, args: &CompareArgs, result: &CompareResult, picture: bool) -> String {
        let (before, after) = (args.before.display(), args.after.display());
        let about = AboutComparison {
            before: &before.to_string(),
            after: &after.to_string(),
            vehicle: self.all().find_map(|plan| plan.vehicle.as_ref()),
            picture,
        };
        report::comparison(result, about)
    }
}

/// Findings of several records, leaks at a pressure where one is given.
pub(super) fn findings(
    plans: &[&AnalyzePlan],
    p_ref_pa: Option<f64>,
) -> Result<Vec<Finding>, Failure> {
    let at = |plan: &&AnalyzePlan| {
        if plan.test == Test::Roll && plan.vehicle.is_none() {
            return Err(Failure::Usage(format!(
                "{}: a roll needs the car's gear train: --vehicle FILE [--setup NAME]",
                plan.source
            )));
        }
        let mut stated = plan.stated.clone();
        stated.p_ref_pa = p_ref_pa.or(stated.p_ref_pa);
        let mut finding = analyze::find(plan, &stated)?;
        if let Finding::Leak(leak) = &mut finding {
            leak.evidence.setup = plan.setup().map(str::to_owned);
            leak.evidence.sensor = plan.sensor();
            leak.evidence.day = plan.day();
        }
        Ok(finding)
    };
    plans.iter().map(at).collect()
}

/// A pressure that all leak records passed through, so that their leaks can be stated there.
pub(super) fn common_p_ref(before: &[Finding], after: &[Finding]) -> Result<f64, Refusal> {
    let leaks: Vec<_> = before
        .iter()
        .chain(after)
        .filter_map(Finding::as_leak)
        .collect();
    leak::common_p_ref(&leaks)
}

/// Why records of one test cannot be compared, when the two sides have no setup in common.
fn setup_refusal(pair: &Pair, before: &[&AnalyzePlan], after: &[&AnalyzePlan]) -> Option<Refusal> {
    if pair.agreement != Agreement::Differ {
        return None;
    }
    let setups = |plans: &[&AnalyzePlan]| {
        let mut names: Vec<&str> = plans
            .iter()
            .map(|plan| plan.setup().unwrap_or("not stated"))
            .collect();
        names.sort_unstable();
        names.dedup();
        names.join(", ")
    };
    Some(Refusal::new(
        "setup_differs",
        format!(
            "the two sides were taken in different setups (before: {}; after: {}), and what differs may be the setup: take both in the same one",
            setups(before),
            setups(after)
        ),
    ))
}

/// The vehicle files of the records are not all the same.
fn cars_differ(before: &[&AnalyzePlan], after: &[&AnalyzePlan]) -> bool {
    let mut cars = before
        .iter()
        .chain(after)
        .filter_map(|plan| plan.vehicle.as_ref());
    let first = cars.next();
    cars.any(|car| Some(car) != first)
}

/// One message for tests that the two sides do not share.
fn nothing_in_common(args: &CompareArgs, sides: &Sides) -> Failure {
    let holds = |plans: &[AnalyzePlan]| {
        let tests = Test::ALL.map(|test| (test, plans.iter().filter(|p| p.test == test).count()));
        let words: Vec<String> = tests
            .into_iter()
            .filter(|(_, n)| *n > 0)
            .map(|(test, n)| format!("{n} {}", test.word()))
            .collect();
        words.join(", ")
    };
    Failure::Work(format!(
        "nothing to compare: {} holds {}, {} holds {}; name two sides of the same test",
        args.before.display(),
        holds(&sides.before),
        args.after.display(),
        holds(&sides.after)
    ))
}

/// What is said of records without a counterpart.
fn not_compared(args: &CompareArgs, left: &LeftOut) -> String {
    let (here, there) = match left.side {
        Side::Before => (&args.before, &args.after),
        Side::After => (&args.after, &args.before),
    };
    let setup = left.kind.setup.as_ref();
    format!(
        "{}: {} {}{} not compared: {} has none such",
        here.display(),
        left.records,
        left.kind.test.word(),
        setup.map_or_else(String::new, |setup| format!(" in setup {setup}")),
        there.display()
    )
}

//! What `take` was asked for, resolved: ports, car, settings; and the words for the person.

use std::{collections::BTreeSet, path::PathBuf, time::Duration};

use super::{Shown, TakeReport};
use crate::{
    cli::{self, Failure, args::TakeArgs, inspection::Writing},
    clock::Clock,
    inspect::{Settings, SettingsError, Source, Stated, Test, settings},
    probe::serial::PortName,
    reading::Refusal,
    record::capture::ProbeMeta,
    report::{self, About},
    vehicle::Vehicle,
    wire::bare::Bare,
};

/// One probe to be read.
#[derive(Clone, Debug)]
pub(super) struct Way {
    pub name: PortName,
    /// How to read it when it prints plain numbers.
    pub bare: Option<Bare>,
}

/// Everything that is known before a port is opened.
#[derive(Debug)]
pub(super) struct Plan {
    pub test: Test,
    /// A test of a car: the person is told what to do.
    pub is_test: bool,
    pub ways: Vec<Way>,
    pub duration: Option<Duration>,
    pub out: PathBuf,
    pub operator: Option<String>,
    pub stated: Stated,
    /// The car's file, verbatim, and read.
    pub vehicle_text: Option<String>,
    pub vehicle: Option<Vehicle>,
}

impl Plan {
    /// A plain recording of one probe.
    pub fn of(wanted: super::Recorded) -> Self {
        Self {
            test: wanted.test,
            is_test: false,
            ways: vec![Way {
                name: (&wanted.port).into(),
                bare: None,
            }],
            duration: Some(wanted.duration),
            out: wanted.out,
            operator: None,
            stated: Stated::default(),
            vehicle_text: None,
            vehicle: None,
        }
    }

    /// The measure's settings for these probes, or what is missing for a finding: the capture is worth taking without.
    pub fn settings(&self, sources: &[Source]) -> Result<Result<Settings, Refusal>, Failure> {
        let refused = |code, e: &SettingsError| Ok(Err(Refusal::new(code, e.to_string())));
        match settings(self.test, &self.stated, self.vehicle.as_ref(), sources) {
            Ok(settings) => Ok(Ok(settings)),
            Err(e @ SettingsError::NoVolume) => refused("no_volume", &e),
            Err(e @ SettingsError::NoVehicle) => refused("no_vehicle", &e),
            Err(e) => Err(Failure::Usage(format!("feelgauge: {e}"))),
        }
    }
}

/// Resolves the arguments. Whatever can be wrong with them is found here, before the person has pumped or pulled.
pub(super) fn plan(args: &TakeArgs, inspection: Option<&Writing>) -> Result<Plan, Failure> {
    let usage = |e: String| Failure::Usage(format!("feelgauge: {e}"));
    if !args.bare.is_empty() && args.bare.len() != args.ports.len() {
        let (bare, ports) = (args.bare.len(), args.ports.len());
        return Err(usage(format!(
            "{bare} times --bare for {ports} times --port: state one for each port, in the same order"
        )));
    }
    let mut ways = Vec::new();
    for (n, port) in args.ports.iter().enumerate() {
        let bare = args
            .bare
            .get(n)
            .map(|b| Bare::describe(&format!("{}:{}:{}", b.kind, b.unit, b.column)));
        ways.push(Way {
            name: port.into(),
            bare: bare.transpose().map_err(|e| usage(e.to_string()))?,
        });
    }
    let out = match inspection {
        None => args.out.clone(),
        Some(inspection) => inspection.folder.captures().base().to_path_buf(),
    };
    cli::tree::not_in_a_seal(&out)?;
    let own = inspection.map(Writing::vehicle).transpose()?.flatten();
    let file = args.vehicle.clone().or(own);
    if let (Some(setup), None) = (&args.setup, &file) {
        return Err(usage(format!(
            "setup {setup} stands in no vehicle file; name the file: --vehicle FILE"
        )));
    }
    let vehicle = file.as_deref().map(cli::plan::vehicle);
    let (vehicle_text, vehicle) = vehicle.transpose()?.unzip();
    let mut stated = stated(args)?;
    if let Some(inspection) = inspection {
        stated.ambient_pa = stated.ambient_pa.or(inspection.ambient_pa()?);
    }
    let plan = Plan {
        test: args.test,
        is_test: true,
        ways,
        duration: args.duration,
        out,
        operator: match inspection {
            Some(inspection) => Some(inspection.who.clone()),
            None => args.operator.clone(),
        },
        stated,
        vehicle_text,
        vehicle,
    };
    plan.settings(&[])?.map_or_else(|_| (), |_| ());
    Ok(plan)
}

fn stated(args: &TakeArgs) -> Result<Stated, Failure> {
    let kept = cli::plan::calibrations(&args.calibrations)?;
    let leak = kept.for_leak(cli::plan::leak_stated(args.leak));
    Ok(Stated {
        mass_kg: args.mass,
        setup: args.setup.clone(),
        sensor: args.sensor,
        calibrations: kept.sensors.on(Clock::system().day()),
        ..leak
    })
}

/// Whether these probes can serve the test.
pub(super) fn fits<'a>(
    test: Test,
    probes: impl Iterator<Item = (&'a ProbeMeta, &'a Source)>,
) -> Result<(), Failure> {
    let mut names = BTreeSet::new();
    let mut others = Vec::new();
    let mut serves = false;
    for (meta, source) in probes {
        if !names.insert(meta.name.clone()) {
            return Err(Failure::Work(format!(
                "feelgauge: two probes are both {}: give each its own serial number (make SERIAL=...)",
                meta.name
            )));
        }
        let kind = match source {
            Source::Wire(Some(identity)) => Some(identity.kind),
            Source::Wire(None) => None,
            Source::Bare(bare) => Some(bare.kind),
        };
        serves |= kind == Some(test.kind());
        others.push(format!("{} at {}", meta.name, meta.port));
    }
    if serves {
        return Ok(());
    }
    let (test, kind) = (test.word(), test.kind());
    Err(Failure::Work(format!(
        "feelgauge: {test} needs a {kind} probe; there is {}",
        others.join(", ")
    )))
}

/// What the person is to do now, with what must not be forgotten.
pub(in crate::cli) fn what_to_do(test: Test) -> &'static str {
    match test {
        Test::Leak => {
            "Tank drained and flushed, no flame or spark near, air the room. Leave the tank open for a second, close it, \
             pump up by hand (8 to 30 kPa, never by mouth), then hands off for a minute."
        }
        Test::Pull => {
            "Fuel out, glow igniter off. First turn the flywheel by hand. A second of rest, then pull; five to eight pulls \
             with a pause between. A cord that will not move is never forced."
        }
        Test::Roll => {
            "Fingers, hair and sleeves away from the gears. Push or spin, let go, let it run down, again: only what coasts \
             counts."
        }
    }
}

/// The result for a person.
pub(super) fn words(plan: &Plan, report: &TakeReport, terminal: bool) -> String {
    let about = About {
        source: &report.capture,
        vehicle: plan.vehicle.as_ref(),
        setup: plan.stated.setup.as_deref(),
        picture: terminal,
    };
    told(report, about)
}

/// The same with what is known of the record.
pub(in crate::cli) fn told(report: &TakeReport, about: About) -> String {
    match &report.shown {
        Shown::Finding(finding) => report::text(finding, about),
        Shown::Nothing { test, refused, .. } => {
            let why: Vec<&str> = refused.iter().map(|r| r.message.as_str()).collect();
            format!(
                "Recorded to {}. No finding yet: {}\nThen: feelgauge analyze {test} {} ...",
                report.capture,
                why.join("; "),
                report.capture
            )
        }
    }
}

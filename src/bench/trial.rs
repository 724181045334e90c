//! One test from its beginning to its finding: what must not wait on the owner's task is a function here, run on a
//! thread that may.

use super::{
    Denied, Plan, follower::Follower, inspected::Inspected, reader::Shared, roster::Here,
    shelf::Shelf, tap::Outlets,
};
use crate::{
    inspect::{
        Calibrations, Finding, Session, Settings, SettingsError, Source, Stated, Test,
        guide::{LeakView, PullView, View},
        settings,
    },
    record::{
        CaptureMeta, RecordError, Recording, Storage,
        capture::{Anchor, ProbeMeta},
    },
};

/// What was asked for.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct Wanted {
    pub test: Test,
    pub setup: Option<String>,
}

impl Wanted {
    /// What is stated for this test.
    pub fn stated(&self, plan: &Plan) -> Stated {
        Stated {
            setup: self.setup.clone(),
            ..plan.stated.clone()
        }
    }

    /// Checks that the car's file has the setup, and that everything is stated that a finding needs.
    ///
    /// # Errors
    /// [`Denied`], `no_setup` or `not_stated`.
    pub fn check(&self, plan: &Plan) -> Result<(), Denied> {
        if let (Some(setup), None) = (&self.setup, &plan.car) {
            return Err(Denied {
                code: "no_setup",
                message: format!(
                    "setup {setup} stands in no vehicle file; start the bench with one: --vehicle FILE"
                ),
            });
        }
        let car = plan.car.as_ref().map(|(_, car)| &**car);
        let checked = settings(self.test, &self.stated(plan), car, &[]);
        checked.map_or_else(|e| Err(denied(&e)), |_| Ok(()))
    }
}

fn denied(e: &SettingsError) -> Denied {
    let code = match e {
        SettingsError::Setup { .. } | SettingsError::Train(_) => "no_setup",
        _ => "not_stated",
    };
    Denied {
        code,
        message: e.to_string(),
    }
}

/// A test that is being recorded.
#[derive(Debug)]
pub(super) struct Trial<D: Storage> {
    pub wanted: Wanted,
    pub recording: Recording<D>,
    pub follower: Follower,
    /// Host time of its beginning, microseconds.
    pub began_us: u64,
    /// Names of its probes.
    pub probes: Vec<String>,
    /// What its measure was told.
    pub settings: Settings,
}

/// Begins a capture with these probes, and what follows it. No line goes there yet: the caller opens the tap with the outlets that come back.
///
/// # Errors
/// [`Denied`]: the disk refuses, or something is not stated.
pub(super) fn begin<S: Shelf>(
    shelf: &S,
    shared: &Shared,
    plan: &Plan,
    wanted: Wanted,
    here: &[Here],
) -> Result<(Trial<S::Disk>, Outlets), Denied> {
    let sources: Vec<Source> = here
        .iter()
        .map(|probe| Source::Wire(Some(Box::new((*probe.identity).clone()))))
        .collect();
    let clock = &shared.clock;
    let mut stated = wanted.stated(plan);
    let calibrations = stated.calibrations.of_record(&sources).on(clock.day());
    stated.calibrations = calibrations.clone();
    let (text, car) = plan
        .car
        .as_ref()
        .map(|(text, car)| (&**text, &**car))
        .unzip();
    let settings = settings(wanted.test, &stated, car, &sources).map_err(|e| denied(&e))?;
    let anchor = Anchor {
        host_us: clock.host_us(),
        wall: clock.wall(),
    };
    let began_us = anchor.host_us;
    let mut meta = CaptureMeta::new(wanted.test, anchor, &stated, text);
    meta.operator.clone_from(&plan.operator);
    meta.probes = probe_metas(here, &sources, &calibrations);
    let session = Session::new(settings.clone(), sources.clone()).calibrated(&calibrations);
    let recording =
        Recording::begin(shelf.disk(), &meta, text, session, |_| {}).map_err(|e| disk(&e))?;
    Ok(followed(
        wanted,
        recording,
        began_us,
        here,
        &settings,
        sources,
        &calibrations,
    ))
}

fn followed<D: Storage + Send + 'static>(
    wanted: Wanted,
    recording: Recording<D>,
    began_us: u64,
    here: &[Here],
    settings: &Settings,
    sources: Vec<Source>,
    calibrations: &Calibrations,
) -> (Trial<D>, Outlets) {
    let (follower, guide) = Follower::begin(settings, sources, calibrations);
    let probes: Vec<String> = here.iter().map(|probe| probe.name.clone()).collect();
    let outlets = Outlets {
        recorder: recording.sender().clone(),
        guide,
        probes: probes.clone(),
        is_pull: wanted.test == Test::Pull,
    };
    let trial = Trial {
        wanted,
        recording,
        follower,
        began_us,
        probes,
        settings: settings.clone(),
    };
    (trial, outlets)
}

fn probe_metas(here: &[Here], sources: &[Source], calibrations: &Calibrations) -> Vec<ProbeMeta> {
    here.iter()
        .zip(sources)
        .map(|(probe, source)| {
            let mut meta = ProbeMeta::of(&probe.identity, &probe.hello, &probe.port);
            meta.calibrate(source, calibrations);
            meta
        })
        .collect()
}

fn disk(e: &RecordError) -> Denied {
    Denied {
        code: "disk",
        message: e.to_string(),
    }
}

/// How a test came out.
#[derive(Debug)]
pub(super) struct Outcome {
    /// The finding, or why there is none.
    pub found: Result<Finding, RecordError>,
    /// The last view.
    pub view: Option<View>,
    /// Why the inspection did not take the test, where it should have.
    pub not_written: Option<String>,
}

impl<D: Storage + Send + 'static> Trial<D> {
    /// Folder of the capture.
    pub fn folder(&self) -> &str {
        self.recording.folder()
    }

    /// Waits until everything is kept and seen, closes the record and measures it. No line may go there any more.
    pub fn finish(self, host_us: u64, reason: &str, inspection: Option<&Inspected>) -> Outcome {
        let capture = self.recording.folder().to_owned();
        // The record first: a guide that broke must not keep it from being closed.
        let found = self.recording.finish(host_us, reason);
        let found = found.map(|(finding, _)| finding);
        // What could not be closed is no capture yet; the next bench that opens the inspection tries again.
        let written = inspection
            .filter(|_| found.is_ok())
            .map(|i| i.measured(&capture));
        Outcome {
            found,
            view: self.follower.end(),
            not_written: written.and_then(Result::err).map(|e| e.to_string()),
        }
    }

    /// As [`Trial::finish`], without measuring.
    ///
    /// # Errors
    /// What the disk says.
    pub fn close(self, host_us: u64, reason: &str) -> Result<(), RecordError> {
        let closed = self.recording.close(host_us, reason);
        self.follower.end();
        closed.map(drop)
    }
}

/// How long a test took from the first step that counts, s: the hold of a leak, from the first pull to the end of the
/// last; a roll has no such step.
pub(super) fn took_s(view: &View) -> Option<f64> {
    match view {
        View::Leak(view) => held_s(view),
        View::Pull(view) => pulled_s(view),
        View::Roll(_) => None,
    }
}

fn held_s(view: &LeakView) -> Option<f64> {
    view.hold_s
}

fn pulled_s(view: &PullView) -> Option<f64> {
    let (first, last) = (view.pulls.first()?, view.pulls.last()?);
    Some(last.report.end_s - first.report.start_s)
}

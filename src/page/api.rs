//! The API: what the bench knows as JSON, and orders.

use std::sync::Arc;

use axum::{
    extract::{Path, Request, State},
    http::StatusCode,
    response::Response,
};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::{
    house::House,
    library::{Facts, Review},
    query,
    reply::{self, Problem},
};
use crate::{
    bench::{self, Alarm, Dropped, Fault, Kept, Order, ProbeState, Virtual},
    inspect::{Finding, Test, guide::View},
    report::{plot, text},
    wire::Identity,
};

type Answer = Result<Response, Problem>;
type Shared = State<Arc<House>>;

/// What happens on the bench.
#[derive(Debug, Serialize, JsonSchema)]
pub(super) struct StateReport<'a> {
    /// Software of the bench.
    software: &'static str,
    /// Counts up with every change.
    version: u64,
    /// Name of the car on the bench.
    car: Option<&'a str>,
    /// Number on its tag.
    tag: Option<&'a str>,
    /// What happens.
    scene: SceneReport<'a>,
    /// The guard's warning until somebody touches it.
    alarm: Option<&'a Alarm>,
    /// Probes.
    probes: &'a [ProbeState],
    /// What is wrong with the bench itself, in words with the remedy.
    trouble: &'a [String],
    /// Switches of a virtual bench; null on a real one.
    virtual_bench: Option<&'a Virtual>,
    /// What found no room on its way.
    dropped: Dropped,
}

/// What happens on the bench.
#[derive(Debug, Serialize, JsonSchema)]
#[serde(tag = "scene", rename_all = "snake_case")]
pub(super) enum SceneReport<'a> {
    /// Nothing runs.
    Start,
    /// A test was chosen.
    Cautions {
        /// Its word.
        test: &'a str,
        /// Setup of the car's file.
        setup: Option<&'a str>,
    },
    /// A test runs and is recorded.
    Running {
        /// Setup of the car's file.
        setup: Option<&'a str>,
        /// Name of the capture.
        capture: &'a str,
        /// Since its start, s.
        since_s: f64,
        /// Where it stands.
        view: &'a View,
        /// Names of probes that went while it runs.
        gone: &'a [String],
    },
    /// A test has ended.
    Ended {
        /// Setup of the car's file.
        setup: Option<&'a str>,
        /// Name of the capture.
        capture: &'a str,
        /// From the first step that counts to the verdict, s.
        took_s: Option<f64>,
        /// What it showed; null when there is no finding.
        finding: Option<&'a Finding>,
        /// Why there is no finding.
        why: Option<&'a str>,
    },
}

impl<'a> SceneReport<'a> {
    fn of(scene: &'a bench::Scene) -> Self {
        match scene {
            bench::Scene::Start => Self::Start,
            bench::Scene::Cautions { test, setup } => Self::Cautions {
                test,
                setup: setup.as_deref(),
            },
            bench::Scene::Running(running) => Self::Running {
                setup: running.setup.as_deref(),
                capture: &running.capture,
                since_s: running.since_s,
                view: &running.view,
                gone: &running.gone,
            },
            bench::Scene::Ended(ended) => Self::Ended {
                setup: ended.setup.as_deref(),
                capture: &ended.capture,
                took_s: ended.took_s,
                finding: ended.found.as_ref().ok(),
                why: ended.found.as_ref().err().map(String::as_str),
            },
        }
    }
}

/// Probes.
#[derive(Debug, Serialize, JsonSchema)]
pub(super) struct ProbesReport<'a> {
    /// By name.
    probes: Vec<ProbeEntry<'a>>,
}

/// One probe.
#[derive(Debug, Serialize, JsonSchema)]
pub(super) struct ProbeEntry<'a> {
    /// How it does.
    #[serde(flatten)]
    state: &'a ProbeState,
    /// Who it is; null before it said so.
    identity: Option<&'a Identity>,
}

/// Captures.
#[derive(Debug, Serialize, JsonSchema)]
pub(super) struct CapturesReport<'a> {
    /// Newest first.
    captures: &'a [Kept],
}

/// One capture.
#[derive(Debug, Serialize, JsonSchema)]
pub(super) struct CaptureReport<'a> {
    /// As in the list.
    #[serde(flatten)]
    kept: &'a Kept,
    /// What it says of itself.
    facts: &'a Facts,
    /// What it shows; null when it cannot be analyzed.
    finding: Option<&'a Finding>,
    /// Why there is no finding.
    no_finding: Option<&'a str>,
    /// The finding as text, for a person.
    text: Option<String>,
}

/// The latest capture of each test with its finding.
#[derive(Debug, Serialize, JsonSchema)]
pub(super) struct FindingsReport {
    /// At most one a test.
    findings: Vec<LatestFinding>,
}

/// The latest capture of one test.
#[derive(Debug, Serialize, JsonSchema)]
pub(super) struct LatestFinding {
    /// The capture.
    capture: Kept,
    /// What it shows; null when it cannot be analyzed.
    finding: Option<Finding>,
    /// Why there is no finding.
    no_finding: Option<String>,
}

/// An order was carried out.
#[derive(Debug, Serialize, JsonSchema)]
pub(super) struct Done {
    /// What happens on the bench now may be one change behind: follow the state.
    version: u64,
}

pub(super) async fn state(State(house): Shared) -> Answer {
    let state = house.bench.state();
    Ok(reply::json(&StateReport {
        software: crate::reading::SOFTWARE,
        version: state.version,
        car: state.car.as_ref().map(|car| car.name.as_str()),
        tag: state.tag.as_deref(),
        scene: SceneReport::of(&state.scene),
        alarm: state.alarm.as_ref(),
        probes: &state.probes,
        trouble: &state.trouble,
        virtual_bench: state.virtual_bench.as_ref(),
        dropped: state.dropped,
    }))
}

pub(super) async fn probes(State(house): Shared) -> Answer {
    let state = house.bench.state();
    let probes = state.probes.iter();
    let probes = probes
        .map(|state| ProbeEntry {
            identity: state.identity.as_deref(),
            state,
        })
        .collect();
    Ok(reply::json(&ProbesReport { probes }))
}

pub(super) async fn captures(State(house): Shared) -> Answer {
    let state = house.bench.state();
    Ok(reply::json(&CapturesReport {
        captures: &state.kept,
    }))
}

/// A capture of the bench's own list.
pub(super) fn kept(house: &House, name: &str) -> Result<Kept, Problem> {
    let state = house.bench.state();
    let found = state.kept.iter().find(|kept| kept.name == name);
    found.cloned().ok_or_else(|| {
        Problem::not_found("there is no such capture; /captures lists the ones that there are")
    })
}

pub(super) async fn capture(State(house): Shared, Path(name): Path<String>) -> Answer {
    let kept = kept(&house, &name)?;
    let review = house.library.review(&kept).await?;
    Ok(reply::json(&CaptureReport {
        facts: &review.facts,
        finding: review.found.as_ref().ok(),
        no_finding: review.found.as_ref().err().map(String::as_str),
        text: told(&kept, &review),
        kept: &kept,
    }))
}

fn told(kept: &Kept, review: &Review) -> Option<String> {
    let finding = review.found.as_ref().ok()?;
    let about = crate::report::About {
        source: &kept.name,
        vehicle: review.car.as_ref(),
        setup: kept.setup.as_deref(),
        picture: false,
    };
    Some(text(finding, about))
}

/// `?width=narrow|wide&picture=N`.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct Plot {
    width: Option<query::Width>,
    /// One picture alone, from 0; else all on one sheet.
    picture: Option<usize>,
}

const SVG: &str = "image/svg+xml";

pub(super) async fn plot(
    State(house): Shared,
    Path(name): Path<String>,
    request: Request,
) -> Answer {
    let Plot { width, picture } = query::of(request.uri())?;
    let kept = kept(&house, &name)?;
    let review = house.library.review(&kept).await?;
    let car = review.car.as_ref();
    let finding = review
        .found
        .as_ref()
        .map_err(|why| Problem::new(StatusCode::CONFLICT, "no_finding", why.clone()))?;
    // A sheet is as wide as paper: a phone is given one picture at a time.
    let picture = picture.or((width == Some(query::Width::Narrow)).then_some(0));
    let Some(picture) = picture else {
        return Ok(reply::typed(SVG, plot::sheet(finding, &kept.name, car)));
    };
    let width = width.map_or(plot::Width::Wide, Into::into);
    let pictures = plot::pictures(finding, width.of_car(car));
    let picture = pictures.get(picture).ok_or_else(|| {
        Problem::not_found(format!("this capture has {} pictures", pictures.len()))
    })?;
    Ok(reply::typed(SVG, picture.svg(plot::Frame::Alone)))
}

pub(super) async fn findings(State(house): Shared) -> Answer {
    let state = house.bench.state();
    let mut findings = Vec::new();
    for test in Test::ALL {
        let Some(kept) = state.kept.iter().find(|kept| kept.test == test.word()) else {
            continue;
        };
        let review = house.library.review(kept).await?;
        findings.push(LatestFinding {
            capture: kept.clone(),
            finding: review.found.as_ref().ok().cloned(),
            no_finding: review.found.as_ref().err().cloned(),
        });
    }
    Ok(reply::json(&FindingsReport { findings }))
}

/// Two captures.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct BeforeAfter {
    before: String,
    after: String,
}

pub(super) async fn comparison(State(house): Shared, request: Request) -> Answer {
    let BeforeAfter { before, after } = query::of(request.uri())?;
    let (before, after) = (kept(&house, &before)?, kept(&house, &after)?);
    let result = house.library.compare(&before, &after).await?;
    Ok(reply::json(&result))
}

/// The same as a sheet of pictures.
pub(super) async fn comparison_plot(State(house): Shared, request: Request) -> Answer {
    let BeforeAfter { before, after } = query::of(request.uri())?;
    let (before, after) = (kept(&house, &before)?, kept(&house, &after)?);
    let result = house.library.compare(&before, &after).await?;
    let title = format!("{} and {}", before.name, after.name);
    Ok(reply::typed(
        SVG,
        plot::comparison_sheet(&result, &title, None),
    ))
}

/// A test to take.
#[derive(Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub(super) struct TestOrder {
    /// `leak`, `pull` or `roll`.
    test: TestWord,
    /// Setup of the car's file.
    #[serde(default)]
    setup: Option<String>,
    /// Begin to record at once: the cautions were followed. Else they are shown first.
    #[serde(default)]
    begin: bool,
}

/// The three tests.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub(super) enum TestWord {
    /// Does the tank hold pressure?
    Leak,
    /// Does the engine have compression?
    Pull,
    /// Does the drivetrain turn freely?
    Roll,
}

impl From<TestWord> for Test {
    fn from(word: TestWord) -> Self {
        match word {
            TestWord::Leak => Self::Leak,
            TestWord::Pull => Self::Pull,
            TestWord::Roll => Self::Roll,
        }
    }
}

/// A mark.
#[derive(Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub(super) struct MarkOrder {
    /// `phase sealed_zero`, `start`: what no probe sees.
    #[schemars(
        length(min = 1, max = 64),
        regex(pattern = r"^[a-z0-9_]+( [a-z0-9_]+)*$")
    )]
    mark: String,
}

async fn ordered(house: &House, order: Order) -> Answer {
    house.order(order).await?;
    let version = house.bench.state().version;
    Ok(reply::json(&Done { version }))
}

pub(super) async fn test(State(house): Shared, request: Request) -> Answer {
    let TestOrder { test, setup, begin } = query::json(request).await?;
    let test = test.into();
    let choose = ordered(&house, Order::Choose { test, setup }).await?;
    if begin {
        return ordered(&house, Order::Begin).await;
    }
    Ok(choose)
}

pub(super) async fn begin(State(house): Shared, request: Request) -> Answer {
    query::nothing(request).await?;
    ordered(&house, Order::Begin).await
}

pub(super) async fn stop(State(house): Shared, request: Request) -> Answer {
    query::nothing(request).await?;
    ordered(&house, Order::Stop).await
}

pub(super) async fn leave(State(house): Shared, request: Request) -> Answer {
    query::nothing(request).await?;
    ordered(&house, Order::Leave).await
}

pub(super) async fn let_go(State(house): Shared, request: Request) -> Answer {
    query::nothing(request).await?;
    ordered(&house, Order::LetGo).await
}

pub(super) async fn mark(State(house): Shared, request: Request) -> Answer {
    let MarkOrder { mark } = query::json(request).await?;
    ordered(&house, Order::Mark(fit_mark(mark)?)).await
}

/// A mark goes into a file whose lines are read again: words of small letters, nothing else.
pub(super) fn fit_mark(mark: String) -> Result<String, Problem> {
    let is_word = |word: &str| {
        !word.is_empty()
            && word
                .bytes()
                .all(|b| b.is_ascii_lowercase() || b.is_ascii_digit() || b == b'_')
    };
    if mark.len() <= 64 && mark.split(' ').all(is_word) {
        return Ok(mark);
    }
    Err(Problem::new(
        StatusCode::UNPROCESSABLE_ENTITY,
        "bad_mark",
        "a mark is at most 64 letters: words of a-z, 0-9 and _ with single spaces between",
    ))
}

pub(super) async fn fault(State(house): Shared, request: Request) -> Answer {
    virtual_only(&house)?;
    let fault: Fault = query::json(request).await?;
    ordered(&house, Order::Fault(fault)).await
}

/// Only a virtual bench has faults to switch.
pub(super) fn virtual_only(house: &House) -> Result<(), Problem> {
    if house.bench.state().virtual_bench.is_some() {
        return Ok(());
    }
    Err(Problem::new(
        StatusCode::NOT_FOUND,
        "not_virtual",
        "this is a real bench: its faults cannot be switched",
    ))
}

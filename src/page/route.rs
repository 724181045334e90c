//! One table of routes: the router and the OpenAPI document are both made of it, so they cannot disagree.

use std::sync::Arc;

use axum::{
    Router,
    http::{Method, StatusCode},
    routing::{MethodRouter, get, post},
};
use schemars::{JsonSchema, Schema, SchemaGenerator};

use super::{
    api, deeds::DeedOrder, events, forms, house::House, inspection, metrics, openapi,
    reply::Problem, stream, views,
};
use crate::{bench::Event, inspect::comparison::CompareResult};

type Handler = MethodRouter<Arc<House>>;
type SchemaOf = fn(&mut SchemaGenerator) -> Schema;

/// One act of the API.
pub(super) struct Route {
    pub method: Method,
    pub path: &'static str,
    /// One line.
    pub summary: &'static str,
    pub handler: Handler,
    /// Query parameters: name, whether it is required, what it is, its schema.
    pub query: Vec<(&'static str, bool, &'static str, SchemaOf)>,
    /// Body of a POST; `None`: it has none.
    pub body: Option<Taken>,
    /// What comes with 200: media type and, for JSON, its schema.
    pub answer: (&'static str, Option<SchemaOf>),
    /// Problems beside those that every route has.
    pub problems: &'static [(StatusCode, &'static str)],
}

/// What a POST takes.
#[derive(Clone, Copy)]
pub(super) enum Taken {
    /// JSON of this schema.
    Json(SchemaOf),
    /// The bytes of a photograph.
    Photograph,
}

fn schema<T: JsonSchema>(generator: &mut SchemaGenerator) -> Schema {
    generator.subschema_for::<T>()
}

const JSON: &str = "application/json";

impl Route {
    fn get<T: JsonSchema>(path: &'static str, summary: &'static str, handler: Handler) -> Self {
        Self {
            method: Method::GET,
            path,
            summary,
            handler,
            query: Vec::new(),
            body: None,
            answer: (JSON, Some(schema::<T>)),
            problems: &[],
        }
    }

    /// A GET whose answer is no JSON.
    fn other(
        path: &'static str,
        summary: &'static str,
        media_type: &'static str,
        handler: Handler,
    ) -> Self {
        Self {
            answer: (media_type, None),
            ..Self::get::<()>(path, summary, handler)
        }
    }

    /// An order to the bench.
    fn order(path: &'static str, summary: &'static str, handler: Handler) -> Self {
        Self {
            method: Method::POST,
            problems: ORDERS,
            ..Self::get::<api::Done>(path, summary, handler)
        }
    }

    fn taking<T: JsonSchema>(mut self) -> Self {
        self.body = Some(Taken::Json(schema::<T>));
        self
    }

    fn taking_photographs(mut self) -> Self {
        self.body = Some(Taken::Photograph);
        self
    }

    fn asking<T: JsonSchema>(
        mut self,
        name: &'static str,
        is_required: bool,
        what: &'static str,
    ) -> Self {
        self.query.push((name, is_required, what, schema::<T>));
        self
    }

    fn failing(mut self, problems: &'static [(StatusCode, &'static str)]) -> Self {
        self.problems = problems;
        self
    }
}

const ORDERS: &[(StatusCode, &str)] = &[
    (
        StatusCode::CONFLICT,
        "The bench denies it: the message says why.",
    ),
    (
        StatusCode::NOT_FOUND,
        "There is no such switch on this bench.",
    ),
    (StatusCode::INSUFFICIENT_STORAGE, "The disk refuses."),
];
const CAPTURES: &[(StatusCode, &str)] = &[
    (StatusCode::NOT_FOUND, "There is no such capture."),
    (
        StatusCode::CONFLICT,
        "What was asked cannot be made of it: the message says why.",
    ),
    (
        StatusCode::INTERNAL_SERVER_ERROR,
        "Its folder cannot be read.",
    ),
];

const BEFORE: &str = "Name of the earlier capture.";
const AFTER: &str = "Name of the later capture.";

/// Every route of the API.
pub(super) fn api() -> Vec<Route> {
    [present(), records(), inspecting(), daemon(), acting()]
        .into_iter()
        .flatten()
        .collect()
}

fn present() -> Vec<Route> {
    vec![
        Route::get::<api::StateReport<'_>>(
            "/api/1/state",
            "What happens on the bench now.",
            get(api::state),
        ),
        Route::get::<api::ProbesReport<'_>>(
            "/api/1/probes",
            "What is plugged in, with the health of each link.",
            get(api::probes),
        ),
    ]
}

fn records() -> Vec<Route> {
    vec![
        Route::get::<api::CapturesReport<'_>>(
            "/api/1/captures",
            "The captures of the bench's folder, newest first.",
            get(api::captures),
        ),
        Route::get::<api::CaptureReport<'_>>(
            "/api/1/captures/{name}",
            "One capture with its finding.",
            get(api::capture),
        )
        .failing(CAPTURES),
        Route::other(
            "/api/1/captures/{name}/plot.svg",
            "Its pictures on one sheet.",
            "image/svg+xml",
            get(api::plot),
        )
        .asking::<super::query::Width>(
            "width",
            false,
            "For a phone or for anything wider; narrow without a number is the first picture.",
        )
        .asking::<u32>(
            "picture",
            false,
            "One picture alone, from 0. Default: all on one sheet.",
        )
        .failing(CAPTURES),
        Route::get::<api::FindingsReport>(
            "/api/1/findings",
            "The latest capture of each test with its finding.",
            get(api::findings),
        )
        .failing(CAPTURES),
        Route::get::<CompareResult>(
            "/api/1/comparison",
            "Two captures of one test: better or worse by more than the uncertainty, or not.",
            get(api::comparison),
        )
        .asking::<String>("before", true, BEFORE)
        .asking::<String>("after", true, AFTER)
        .failing(CAPTURES),
        Route::other(
            "/api/1/comparison/plot.svg",
            "The same as pictures on one sheet.",
            "image/svg+xml",
            get(api::comparison_plot),
        )
        .asking::<String>("before", true, BEFORE)
        .asking::<String>("after", true, AFTER)
        .failing(CAPTURES),
    ]
}

const INSPECTION: &[(StatusCode, &str)] = &[
    (
        StatusCode::NOT_FOUND,
        "No inspection is open, or there is no such photograph in it.",
    ),
    (
        StatusCode::CONFLICT,
        "The folder does not give or take it: the message says why.",
    ),
    (
        StatusCode::UNPROCESSABLE_ENTITY,
        "What was sent is not fit for an inspection: the message says why.",
    ),
    (
        StatusCode::INTERNAL_SERVER_ERROR,
        "A photograph could not be worked on.",
    ),
    (StatusCode::INSUFFICIENT_STORAGE, "The disk refuses."),
];

/// The car's visit.
fn inspecting() -> Vec<Route> {
    vec![
        Route::get::<inspection::InspectionReport<'_>>(
            "/api/1/inspection",
            "The inspection that the bench works on: what was written when it began, and its journal.",
            get(inspection::report),
        )
        .failing(INSPECTION),
        Route {
            method: Method::POST,
            ..Route::get::<inspection::Written>(
                "/api/1/inspection/deeds",
                "Writes a line into the journal: what was seen, left out, read off, needed or done.",
                post(inspection::deed),
            )
        }
        .taking::<DeedOrder>()
        .failing(INSPECTION),
        Route {
            method: Method::POST,
            ..Route::get::<inspection::Put>(
                "/api/1/inspection/photographs",
                "Puts a photograph in: JPEG, PNG or WebP by its content, at most 20 MB and 64 million elements.",
                post(inspection::put_photograph),
            )
        }
        .taking_photographs()
        .asking::<String>("words", false, "What it shows.")
        .asking::<bool>("tag_in_picture", false, "The car's tag can be read in it.")
        .failing(INSPECTION),
        Route::other(
            "/api/1/inspection/photographs/{name}",
            "A photograph turned right, without anything that its camera wrote beside the picture.",
            "image/jpeg",
            get(inspection::shown),
        )
        .asking::<inspection::Size>("size", false, "For a list, or for a page of its own.")
        .failing(INSPECTION),
    ]
}

fn daemon() -> Vec<Route> {
    vec![
        Route::other(
            "/api/1/events",
            "What happens, as server-sent events; the header Last-Event-ID resumes, a `gap` event says that some were dropped.",
            "text/event-stream",
            get(events::events),
        )
        .asking::<u64>("after", false, "Id of the last event known; 0: from the oldest that is kept. Default: from now on."),
        Route::get::<serde_json::Map<String, serde_json::Value>>(
            "/api/1/openapi.json",
            "This document.",
            get(openapi::document),
        ),
        Route::other(
            "/metrics",
            "How the daemon does, as OpenMetrics text.",
            metrics::MEDIA_TYPE,
            get(metrics::metrics),
        ),
    ]
}

fn acting() -> Vec<Route> {
    vec![
        Route::order(
            "/api/1/tests",
            "Chooses a test, and begins it if asked to.",
            post(api::test),
        )
        .taking::<api::TestOrder>(),
        Route::order(
            "/api/1/test/begin",
            "Begins to record the chosen test: its cautions were followed.",
            post(api::begin),
        ),
        Route::order(
            "/api/1/test/stop",
            "Ends the running test; what was recorded is measured.",
            post(api::stop),
        ),
        Route::order(
            "/api/1/test/leave",
            "Leaves the cautions or a test that has ended.",
            post(api::leave),
        ),
        Route::order(
            "/api/1/test/mark",
            "Keeps a mark in the running capture.",
            post(api::mark),
        )
        .taking::<api::MarkOrder>(),
        Route::order(
            "/api/1/guard/let-go",
            "The guard's warning was seen: the person let go of the cord.",
            post(api::let_go),
        ),
        Route::order(
            "/api/1/virtual/fault",
            "Switches a fault of the virtual bench.",
            post(api::fault),
        )
        .taking::<crate::bench::Fault>(),
    ]
}

/// Types of the event stream, which the document describes beside the routes.
pub(super) fn event_schema(generator: &mut SchemaGenerator) -> Schema {
    schema::<Event>(generator)
}

/// Everything that is served.
pub(super) fn router(house: Arc<House>) -> Router {
    let mut router = Router::new();
    for route in api() {
        router = router.route(route.path, route.handler);
    }
    router
        .merge(pages())
        .fallback(nowhere)
        .method_not_allowed_fallback(not_so)
        .with_state(house)
}

/// What people look at, and their acts.
fn pages() -> Router<Arc<House>> {
    Router::new()
        .route("/", get(views::bench))
        .route("/captures", get(views::captures))
        .route("/captures/{name}", get(views::capture))
        .route("/compare", get(views::compare))
        .route("/probes", get(views::probes))
        .route("/inspection", get(inspection::page))
        .route(
            "/inspection/{form}",
            get(inspection::form).post(inspection::fill),
        )
        .route(
            "/inspection/photographs/{name}",
            get(inspection::photograph),
        )
        .route(
            "/inspection/photographs/{name}/shown.jpg",
            get(inspection::shown),
        )
        .route("/pair", get(views::pair).post(views::try_code))
        .route("/asset/{name}", get(views::asset))
        .route("/stream", get(stream::page))
        .route("/do/choose", post(forms::choose))
        .route("/do/begin", post(forms::begin))
        .route("/do/stop", post(forms::stop))
        .route("/do/leave", post(forms::leave))
        .route("/do/let-go", post(forms::let_go))
        .route("/do/mark", post(forms::mark))
        .route("/do/fault", post(forms::fault))
        .route("/invite", post(views::invite))
}

async fn nowhere() -> Problem {
    Problem::not_found("there is nothing at this address; the bench is at /")
}

async fn not_so(method: Method) -> Problem {
    Problem::new(
        StatusCode::METHOD_NOT_ALLOWED,
        "method_not_allowed",
        format!("{method} is not possible here"),
    )
}

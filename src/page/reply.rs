//! Answers: JSON, markup, and what could not be done, for programs and for people.

use axum::{
    body::{Body, Bytes},
    http::{HeaderValue, StatusCode, header},
    response::{IntoResponse, Response},
};
use maud::Markup;
use schemars::JsonSchema;
use serde::Serialize;

use crate::bench::Denied;

/// Why something was not done: what every answer of the API with a status from 400 on carries.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, JsonSchema)]
pub struct Problem {
    /// HTTP status; in the answer's head.
    #[serde(skip)]
    #[schemars(skip)]
    pub status: StatusCode,
    /// A word for programs.
    pub code: &'static str,
    /// What, and what to do.
    pub message: String,
}

impl Problem {
    /// A problem with its status.
    pub fn new(status: StatusCode, code: &'static str, message: impl Into<String>) -> Self {
        Self {
            status,
            code,
            message: message.into(),
        }
    }

    /// Nothing stands at this place.
    pub fn not_found(message: impl Into<String>) -> Self {
        Self::new(StatusCode::NOT_FOUND, "not_found", message)
    }

    /// What was sent cannot be understood.
    pub fn bad(message: impl Into<String>) -> Self {
        Self::new(StatusCode::BAD_REQUEST, "bad_request", message)
    }

    /// The client may not.
    pub fn forbidden(code: &'static str, message: impl Into<String>) -> Self {
        Self::new(StatusCode::FORBIDDEN, code, message)
    }
}

impl From<Denied> for Problem {
    fn from(denied: Denied) -> Self {
        let status = match denied.code {
            "ending" => StatusCode::SERVICE_UNAVAILABLE,
            "not_virtual" => StatusCode::NOT_FOUND,
            "disk" => StatusCode::INSUFFICIENT_STORAGE,
            _ => StatusCode::CONFLICT,
        };
        Self::new(status, denied.code, denied.message)
    }
}

impl IntoResponse for Problem {
    fn into_response(self) -> Response {
        let mut response = json(&self);
        *response.status_mut() = self.status;
        if self.status == StatusCode::TOO_MANY_REQUESTS {
            let wait = HeaderValue::from_static("10");
            response.headers_mut().insert(header::RETRY_AFTER, wait);
        }
        // On its way out the gate makes a page of it where a person asked.
        response.extensions_mut().insert(self);
        response
    }
}

/// A value as JSON.
pub(super) fn json(value: &impl Serialize) -> Response {
    typed("application/json", crate::report::compact(value))
}

/// Markup with a status.
pub(super) fn markup(status: StatusCode, markup: Markup) -> Response {
    let mut response = typed("text/html; charset=utf-8", markup.into_string());
    *response.status_mut() = status;
    response
}

/// A body with its media type.
pub(super) fn typed(media_type: &'static str, body: impl Into<Bytes>) -> Response {
    let mut response = Response::new(Body::from(body.into()));
    let media_type = HeaderValue::from_static(media_type);
    response
        .headers_mut()
        .insert(header::CONTENT_TYPE, media_type);
    response
}

/// Go and look there: the answer to a form, so that a reload does not send it again. A place that no header can carry
/// is the bench.
pub(super) fn see(place: &str) -> Response {
    let mut response = Response::new(Body::empty());
    *response.status_mut() = StatusCode::SEE_OTHER;
    let place = HeaderValue::try_from(place).unwrap_or(HeaderValue::from_static("/"));
    response.headers_mut().insert(header::LOCATION, place);
    response
}

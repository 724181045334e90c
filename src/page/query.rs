//! What a visitor sends beside a path: queries, forms, JSON.

use axum::{
    Form, Json,
    extract::{FromRequest, Query, Request},
    http::{StatusCode, Uri, header},
};
use schemars::JsonSchema;
use serde::{Deserialize, de::DeserializeOwned};

use super::reply::Problem;
use crate::report::plot;

/// Width that a page names.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub(super) enum Width {
    /// For a phone.
    Narrow,
    /// For anything wider.
    Wide,
}

impl From<Width> for plot::Width {
    fn from(width: Width) -> Self {
        match width {
            Width::Narrow => Self::Narrow,
            Width::Wide => Self::Wide,
        }
    }
}

/// `?width=narrow|wide`.
#[derive(Debug, Default, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Wide {
    pub width: Option<Width>,
}

/// The query of a request.
pub(super) fn of<T: DeserializeOwned>(uri: &Uri) -> Result<T, Problem> {
    let query = Query::<T>::try_from_uri(uri);
    query
        .map(|Query(query)| query)
        .map_err(|e| Problem::bad(told(&e.body_text())))
}

/// The fields of a form.
pub(super) async fn form<T: DeserializeOwned>(request: Request) -> Result<T, Problem> {
    let form = Form::<T>::from_request(request, &()).await;
    form.map(|Form(form)| form)
        .map_err(|e| not_understood(e.status(), &e.body_text()))
}

/// The JSON of a body.
pub(super) async fn json<T: DeserializeOwned>(request: Request) -> Result<T, Problem> {
    let json = Json::<T>::from_request(request, &()).await;
    json.map(|Json(json)| json)
        .map_err(|e| not_understood(e.status(), &e.body_text()))
}

/// A request that must bring nothing: an empty body, or an empty JSON object.
pub(super) async fn nothing(request: Request) -> Result<(), Problem> {
    #[derive(Deserialize)]
    #[serde(deny_unknown_fields)]
    struct Nothing {}
    let is_empty = request
        .headers()
        .get(header::CONTENT_LENGTH)
        .is_none_or(|n| n.as_bytes() == b"0");
    let is_typed = request.headers().contains_key(header::CONTENT_TYPE);
    let is_chunked = request.headers().contains_key(header::TRANSFER_ENCODING);
    if is_empty && !is_typed && !is_chunked {
        return Ok(());
    }
    let Nothing {} = json(request).await?;
    Ok(())
}

fn not_understood(status: StatusCode, words: &str) -> Problem {
    let code = match status {
        StatusCode::UNSUPPORTED_MEDIA_TYPE => "wrong_type",
        StatusCode::PAYLOAD_TOO_LARGE => "too_long",
        _ => "bad_request",
    };
    Problem::new(status, code, told(words))
}

/// The parser's words, bounded: they repeat what was sent.
fn told(words: &str) -> String {
    words
        .chars()
        .filter(|c| !c.is_control())
        .take(300)
        .collect()
}

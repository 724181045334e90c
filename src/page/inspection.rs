//! Doors of the inspection: pages with their forms, and the API.

use std::{collections::BTreeMap, sync::Arc};

use axum::{
    body::{Bytes, to_bytes},
    extract::{Path, Request, State},
    http::{StatusCode, header},
    response::Response,
};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::{
    deeds::{DeedOrder, photograph_words, typed_deed},
    gate::Room,
    house::House,
    multipart, query,
    reply::{self, Problem},
    scene::{self, Form, Typed, Visited, inspection::file_name},
};
use crate::inspection::{Deed, Entry, Opening, Photograph, photograph::Kind};

type Answer = Result<Response, Problem>;
type Shared = State<Arc<House>>;

const JPEG: &str = "image/jpeg";

pub(super) async fn page(State(house): Shared) -> Answer {
    let state = house.bench.state();
    if house.desk.is_empty() {
        return Ok(reply::markup(
            StatusCode::OK,
            scene::inspection(&state, None),
        ));
    }
    let visit = house.desk.visit().await?;
    let visited = Visited {
        folder: &house.desk.folder(),
        visit: &visit,
    };
    let markup = scene::inspection(&state, Some(visited));
    Ok(reply::markup(StatusCode::OK, markup))
}

fn form_of(word: &str) -> Result<Form, Problem> {
    Form::from_word(word).ok_or_else(|| {
        Problem::not_found("there is no such form; /inspection leads to the ones that there are")
    })
}

pub(super) async fn form(State(house): Shared, Path(word): Path<String>) -> Answer {
    let form = form_of(&word)?;
    house.desk.visit().await?;
    Ok(shown_form(
        &house,
        StatusCode::OK,
        form,
        None,
        &Typed::new(),
    ))
}

fn shown_form(
    house: &House,
    status: StatusCode,
    form: Form,
    wrong: Option<&str>,
    typed: &Typed,
) -> Response {
    let markup = scene::inspection_form(&house.bench.state(), form, wrong, typed);
    reply::markup(status, markup)
}

/// What was typed into a form: written down, or shown again with what is wrong.
pub(super) async fn fill(
    State(house): Shared,
    Path(word): Path<String>,
    request: Request,
) -> Answer {
    let form = form_of(&word)?;
    if form == Form::Photograph {
        return put(&house, request).await;
    }
    let typed: Typed = query::form::<BTreeMap<String, String>>(request).await?;
    let written = match typed_deed(form, &typed) {
        Ok(deed) => house.desk.write(deed).await,
        Err(wrong) => Err(Problem::new(
            StatusCode::UNPROCESSABLE_ENTITY,
            "bad_form",
            wrong,
        )),
    };
    match written {
        Ok(()) => Ok(reply::see("/inspection")),
        Err(problem) if problem.code == "no_inspection" => Err(problem),
        Err(problem) => Ok(shown_form(
            &house,
            problem.status,
            form,
            Some(&problem.message),
            &typed,
        )),
    }
}

/// A photograph from the form.
async fn put(house: &House, request: Request) -> Answer {
    let (bytes, content_type, _room) = whole(request).await?;
    let parts = multipart::parts(&content_type, &bytes);
    let parts = parts
        .map_err(|what| Problem::new(StatusCode::UNSUPPORTED_MEDIA_TYPE, "wrong_type", what))?;
    let mut typed = Typed::new();
    let mut photograph = Bytes::new();
    for part in &parts {
        if part.name == "photograph" {
            photograph = bytes.slice_ref(part.bytes);
        } else {
            typed.insert(part.name.clone(), part.text());
        }
    }
    let words = photograph_words(typed.get("words").map(String::as_str));
    let put = match words {
        Ok(words) => {
            let tag = typed.contains_key("tag");
            house.desk.put(photograph, words, tag).await
        }
        Err(wrong) => Err(Problem::new(
            StatusCode::UNPROCESSABLE_ENTITY,
            "bad_form",
            wrong,
        )),
    };
    match put {
        Ok(photograph) => {
            let place = format!("/inspection/photographs/{}", file_name(&photograph));
            Ok(reply::see(&place))
        }
        Err(problem) if problem.code == "no_inspection" => Err(problem),
        Err(problem) => Ok(shown_form(
            house,
            problem.status,
            Form::Photograph,
            Some(&problem.message),
            &typed,
        )),
    }
}

/// A body that the gate has let in whole, its type, and the place that it takes.
async fn whole(request: Request) -> Result<(Bytes, String, Option<Room>), Problem> {
    let (parts, body) = request.into_parts();
    let content_type = parts.headers.get(header::CONTENT_TYPE);
    let content_type = content_type.and_then(|value| value.to_str().ok());
    let content_type = content_type.unwrap_or_default().to_owned();
    let room = parts.extensions.get::<Room>().cloned();
    let bytes = to_bytes(body, usize::MAX)
        .await
        .map_err(|_| Problem::bad("the body broke off"))?;
    Ok((bytes, content_type, room))
}

pub(super) async fn photograph(State(house): Shared, Path(name): Path<String>) -> Answer {
    let (entry, photograph) = house.desk.photograph(&name).await?;
    let ready = house.desk.ready(&photograph).await?;
    let state = house.bench.state();
    let markup = scene::photograph(&state, &entry, &photograph, &ready.remarks);
    Ok(reply::markup(StatusCode::OK, markup))
}

/// `?size=small|large`.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct Sized {
    #[serde(default)]
    size: Size,
}

/// How large a photograph is shown.
#[derive(Clone, Copy, Debug, Default, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub(super) enum Size {
    /// At most 320 elements long.
    Small,
    /// At most 1280.
    #[default]
    Large,
}

/// A photograph turned right, without anything that its camera wrote.
pub(super) async fn shown(
    State(house): Shared,
    Path(name): Path<String>,
    request: Request,
) -> Answer {
    let Sized { size } = query::of(request.uri())?;
    let (_, photograph) = house.desk.photograph(&name).await?;
    let ready = house.desk.ready(&photograph).await?;
    let jpeg = match size {
        Size::Small => &ready.small,
        Size::Large => &ready.large,
    };
    Ok(reply::typed(JPEG, jpeg.clone()))
}

/// The inspection that the bench works on.
#[derive(Debug, Serialize, JsonSchema)]
pub(super) struct InspectionReport<'a> {
    /// Its folder.
    folder: &'a str,
    /// What was written when it began.
    opening: &'a Opening,
    /// The journal, first line first.
    entries: Vec<EntryReport<'a>>,
}

/// A line of the journal.
#[derive(Debug, Serialize, JsonSchema)]
struct EntryReport<'a> {
    /// Its number, from 1.
    n: u64,
    /// When, RFC 3339.
    when: String,
    /// Who.
    who: &'a str,
    /// What.
    #[serde(flatten)]
    deed: &'a Deed,
}

impl<'a> EntryReport<'a> {
    fn of(entry: &'a Entry) -> Self {
        let Entry { n, when, who, deed } = entry;
        Self {
            n: *n,
            when: when.to_string(),
            who,
            deed,
        }
    }
}

/// A line was written.
#[derive(Debug, Serialize, JsonSchema)]
pub(super) struct Written {
    /// Lines of the journal now; others may have written meanwhile.
    entries: usize,
}

/// A photograph was put in.
#[derive(Debug, Serialize, JsonSchema)]
pub(super) struct Put {
    /// What the journal says of it.
    photograph: Photograph,
}

pub(super) async fn report(State(house): Shared) -> Answer {
    let visit = house.desk.visit().await?;
    Ok(reply::json(&InspectionReport {
        folder: &house.desk.folder(),
        opening: &visit.opening,
        entries: visit.entries.iter().map(EntryReport::of).collect(),
    }))
}

pub(super) async fn deed(State(house): Shared, request: Request) -> Answer {
    let order: DeedOrder = query::json(request).await?;
    let deed = order
        .deed()
        .map_err(|what| Problem::new(StatusCode::UNPROCESSABLE_ENTITY, "bad_deed", what))?;
    house.desk.write(deed).await?;
    let entries = house.desk.visit().await?.entries.len();
    Ok(reply::json(&Written { entries }))
}

/// `?words=TEXT&tag_in_picture=true`.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct About {
    words: Option<String>,
    #[serde(default)]
    tag_in_picture: bool,
}

pub(super) async fn put_photograph(State(house): Shared, request: Request) -> Answer {
    let About {
        words,
        tag_in_picture,
    } = query::of(request.uri())?;
    let words = photograph_words(words.as_deref())
        .map_err(|what| Problem::new(StatusCode::UNPROCESSABLE_ENTITY, "bad_words", what))?;
    let (bytes, content_type, _room) = whole(request).await?;
    let kinds = [Kind::Jpeg, Kind::Png, Kind::WebP];
    if !kinds.iter().any(|kind| kind.media_type() == content_type) {
        return Err(Problem::new(
            StatusCode::UNSUPPORTED_MEDIA_TYPE,
            "wrong_type",
            "a photograph comes as image/jpeg, image/png or image/webp",
        ));
    }
    let photograph = house.desk.put(bytes, words, tag_in_picture).await?;
    Ok(reply::json(&Put { photograph }))
}

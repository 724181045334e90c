//! Pages to look at. Looking changes nothing.

use std::sync::Arc;

use axum::{
    Extension,
    extract::{Path, Request, State},
    http::{HeaderValue, StatusCode, header},
    response::Response,
};
use maud::{Markup, PreEscaped, html};
use qrcode::{QrCode, render::svg};
use serde::Deserialize;

use super::{
    api::kept,
    asset,
    doors::{Doors, Invitation},
    gate::Caller,
    house::House,
    pairing,
    query::{self, Wide},
    reply::{self, Problem},
    scene::{self, Compared},
};

type Answer = Result<Response, Problem>;
type Shared = State<Arc<House>>;

fn shown(markup: Markup) -> Response {
    reply::markup(StatusCode::OK, markup)
}

pub(super) async fn bench(State(house): Shared, request: Request) -> Answer {
    let Wide { width } = query::of(request.uri())?;
    let state = house.bench.state();
    Ok(shown(scene::document(&state, width.map(Into::into))))
}

pub(super) async fn captures(State(house): Shared) -> Response {
    shown(scene::captures(&house.bench.state()))
}

pub(super) async fn capture(
    State(house): Shared,
    Path(name): Path<String>,
    request: Request,
) -> Answer {
    let Wide { width } = query::of(request.uri())?;
    let kept = kept(&house, &name)?;
    let review = house.library.review(&kept).await?;
    let found = review.found.as_ref().map_err(String::as_str);
    let state = house.bench.state();
    Ok(shown(scene::capture(
        &state,
        &kept,
        found,
        width.map(Into::into),
    )))
}

/// `?before=NAME&after=NAME&width=narrow|wide`; the choice while one is missing.
#[derive(Debug, Deserialize)]
struct Sides {
    #[serde(default)]
    before: String,
    #[serde(default)]
    after: String,
    width: Option<query::Width>,
}

pub(super) async fn compare(State(house): Shared, request: Request) -> Answer {
    let Sides {
        before,
        after,
        width,
    } = query::of(request.uri())?;
    let width = width.map(Into::into);
    let state = house.bench.state();
    if before.is_empty() || after.is_empty() {
        return Ok(shown(scene::compare(&state, None, width)));
    }
    let (before, after) = (kept(&house, &before)?, kept(&house, &after)?);
    let result = match house.library.compare(&before, &after).await {
        Err(problem) if problem.status == StatusCode::CONFLICT => Err(problem.message),
        result => Ok(result?),
    };
    let compared = Compared {
        before: &before,
        after: &after,
        result: result.as_ref().map_err(String::as_str),
    };
    Ok(shown(scene::compare(&state, Some(compared), width)))
}

pub(super) async fn probes(State(house): Shared) -> Response {
    shown(scene::probes(&house.bench.state()))
}

pub(super) async fn asset(Path(name): Path<String>) -> Answer {
    let asset =
        asset::find(&name).ok_or_else(|| Problem::not_found("the page has no such file"))?;
    let mut response = reply::typed(asset.media_type, asset.bytes.as_slice());
    // Its name has its digest: another content has another name.
    let for_ever = HeaderValue::from_static("public, max-age=31536000, immutable");
    response
        .headers_mut()
        .insert(header::CACHE_CONTROL, for_ever);
    Ok(response)
}

/// Fields of the pairing form; in the address of a QR code they fill it in.
#[derive(Debug, Default, Deserialize)]
struct Code {
    #[serde(default)]
    code: String,
}

/// The form for a device that wants in; on the bench's own computer the way to a new code.
pub(super) async fn pair(
    State(house): Shared,
    Extension(caller): Extension<Caller>,
    request: Request,
) -> Answer {
    let Code { code } = query::of(request.uri())?;
    if house.doors.lan.is_none() {
        return Err(not_open());
    }
    if house.doors.trusts(&caller) {
        return Ok(shown(scene::invite(None)));
    }
    Ok(shown(scene::pair(None, &code)))
}

fn not_open() -> Problem {
    Problem::new(
        StatusCode::NOT_FOUND,
        "not_open",
        "this bench is for its own computer alone; start it with --lan to let a phone in",
    )
}

/// A code that was typed: the cookie when it is the right one.
pub(super) async fn try_code(State(house): Shared, request: Request) -> Answer {
    let pairing = house.doors.lan.clone().ok_or_else(not_open)?;
    let Code { code } = query::form(request).await?;
    match pairing.pair(&code, house.doors.clock.host_us()) {
        Ok(token) => {
            let mut response = reply::see("/");
            let cookie = HeaderValue::try_from(pairing::cookie(&token))
                .expect("a token is hexadecimal digits");
            response.headers_mut().insert(header::SET_COOKIE, cookie);
            Ok(response)
        }
        Err(refused) => {
            tracing::warn!("a device could not pair: {refused:?}");
            let page = scene::pair(Some(&refused.to_string()), "");
            Ok(reply::markup(StatusCode::FORBIDDEN, page))
        }
    }
}

/// A new code, for somebody who is in already.
pub(super) async fn invite(State(house): Shared, Extension(caller): Extension<Caller>) -> Answer {
    let pairing = house.doors.lan.clone().ok_or_else(not_open)?;
    let address = Doors::address(caller.local);
    let invitation = Invitation::of(&pairing, address, house.doors.clock.host_us());
    let invitation = invitation.ok_or_else(|| {
        let broken = StatusCode::INTERNAL_SERVER_ERROR;
        Problem::new(
            broken,
            "no_randomness",
            "this computer gives no random numbers",
        )
    })?;
    let square = QrCode::new(invitation.link()).map_or_else(
        |_| String::new(),
        |code| code.render::<svg::Color>().min_dimensions(264, 264).build(),
    );
    // The drawing begins with an XML declaration, which has no place in a page.
    let square = square.split_once("?>").map_or("", |(_, svg)| svg);
    let square = html! { (PreEscaped(square)) };
    let page = scene::invite(Some(&scene::Invited {
        square,
        address: &format!("http://{}/pair", invitation.address),
        code: &invitation.code,
    }));
    Ok(shown(page))
}

//! The gate: every request passes here before anything else sees it, every answer on its way out.
//!
//! Refused are: names that are not this machine's (a page elsewhere whose name was turned to this address), acts and
//! readings that a page of another origin asks for, bodies that are too long or too slow, visitors that ask too often,
//! and visitors from other machines that were not paired.

use std::{
    net::{IpAddr, SocketAddr},
    sync::{Arc, atomic::Ordering},
    time::Duration,
};

use axum::{
    body::{Body, to_bytes},
    http::{
        HeaderMap, HeaderName, HeaderValue, Method, Request, Response, StatusCode,
        header::{self, HOST, ORIGIN},
        request::Parts,
        uri::Authority,
    },
    response::IntoResponse as _,
};
use tokio::{sync::OwnedSemaphorePermit, time::timeout};

use super::{
    house::House,
    pairing::COOKIE,
    reply::{self, Problem},
    scene,
};
use crate::bench::State;

/// What a page of ours may load and do: only what this server sends, nothing inline, in no frame.
const POLICY: &str = "default-src 'none'; script-src 'self'; style-src 'self'; font-src 'self'; img-src 'self' data:; connect-src 'self'; form-action 'self'; frame-ancestors 'none'; base-uri 'none'";

/// Headers of every answer. `same-origin` and not `no-referrer`: with that one browsers send forms from `null`.
const DRESS: [(&str, &str); 7] = [
    ("content-security-policy", POLICY),
    ("x-content-type-options", "nosniff"),
    ("x-frame-options", "DENY"),
    ("referrer-policy", "same-origin"),
    ("cross-origin-resource-policy", "same-origin"),
    ("cross-origin-opener-policy", "same-origin"),
    (
        "permissions-policy",
        "camera=(), microphone=(), geolocation=()",
    ),
];

/// Who asks, over which of our addresses.
#[derive(Clone, Copy, Debug)]
pub(super) struct Caller {
    pub peer: IpAddr,
    pub local: SocketAddr,
}

impl Caller {
    pub fn new(peer: SocketAddr, local: SocketAddr) -> Self {
        Self {
            peer: peer.ip().to_canonical(),
            local: SocketAddr::new(local.ip().to_canonical(), local.port()),
        }
    }

    /// A program on this machine.
    pub fn is_here(&self) -> bool {
        self.peer.is_loopback()
    }
}

/// Whether a path is for programs: what goes wrong there is told as JSON.
fn is_for_programs(path: &str) -> bool {
    path.starts_with("/api/") || path == "/api" || path == "/metrics"
}

/// Lets a request in, with its body read whole, or says why not.
pub(super) async fn admit<B>(
    house: &House,
    caller: &Caller,
    request: Request<B>,
) -> Result<Request<Body>, Problem>
where
    B: axum::body::HttpBody<Data = axum::body::Bytes> + Send + 'static,
    B::Error: Into<axum::BoxError>,
{
    let (mut parts, body) = request.into_parts();
    called_by_name(house, caller, &parts)?;
    from_our_page(&parts)?;
    may_act(house, caller, &parts)?;
    is_known(house, caller, &parts)?;
    let body = if parts.method == Method::POST {
        let room = Room::of(house, parts.uri.path()).await?;
        let body = whole(&room, &parts.headers, Body::new(body)).await?;
        parts.extensions.insert(room);
        Body::from(body)
    } else {
        Body::empty()
    };
    parts.extensions.insert(*caller);
    Ok(Request::from_parts(parts, body))
}

/// The name by which the visitor called: only an address over which the call really came, or a name of this machine.
fn called_by_name(house: &House, caller: &Caller, parts: &Parts) -> Result<(), Problem> {
    let other = || {
        Problem::new(
            StatusCode::MISDIRECTED_REQUEST,
            "other_host",
            "this bench has another name; open it by the address that it showed when it began",
        )
    };
    let mut hosts = parts.headers.get_all(HOST).iter();
    let (Some(host), None) = (hosts.next(), hosts.next()) else {
        return Err(Problem::bad("name one host"));
    };
    let named = host.to_str().ok().and_then(|h| h.parse::<Authority>().ok());
    let named = named.ok_or_else(other)?;
    for authority in [Some(&named), parts.uri.authority()].into_iter().flatten() {
        if !is_ours(house, caller, authority) {
            return Err(other());
        }
    }
    Ok(())
}

fn is_ours(house: &House, caller: &Caller, authority: &Authority) -> bool {
    if authority.as_str().contains('@') {
        return false;
    }
    let name = authority.host();
    let bare = name.strip_prefix('[').and_then(|n| n.strip_suffix(']'));
    if let Ok(address) = bare.unwrap_or(name).parse::<IpAddr>() {
        return address.to_canonical() == caller.local.ip();
    }
    let ours = house.doors.names.iter();
    let is_local = caller.local.ip().is_loopback() && name.eq_ignore_ascii_case("localhost");
    is_local || ours.into_iter().any(|ours| name.eq_ignore_ascii_case(ours))
}

/// What a browser tells of the page that asks. Programs tell nothing and are no danger: they have no cookie that a
/// page elsewhere could ride on.
fn from_our_page(parts: &Parts) -> Result<(), Problem> {
    let refused = || {
        Problem::forbidden(
            "other_origin",
            "another page asked for this; use the bench's own page",
        )
    };
    let text = |name: &HeaderName| match parts.headers.get(name) {
        None => Ok(None),
        Some(value) => value.to_str().map(Some).map_err(|_| refused()),
    };
    let site = text(&HeaderName::from_static("sec-fetch-site"))?;
    let mode = text(&HeaderName::from_static("sec-fetch-mode"))?;
    let reads = matches!(parts.method, Method::GET | Method::HEAD);
    match site {
        None | Some("same-origin" | "none") => {}
        // A link on another page may lead here; nothing else may.
        Some(_) if reads && mode == Some("navigate") => {}
        Some(_) => return Err(refused()),
    }
    let host = text(&HOST)?.unwrap_or_default();
    match text(&ORIGIN)? {
        None => Ok(()),
        Some(origin) if origin.eq_ignore_ascii_case(&format!("http://{host}")) => Ok(()),
        Some(_) => Err(refused()),
    }
}

/// How often one visitor may act.
fn may_act(house: &House, caller: &Caller, parts: &Parts) -> Result<(), Problem> {
    if parts.method != Method::POST {
        return Ok(());
    }
    let allowance = if parts.uri.path() == "/pair" {
        &house.pairings
    } else {
        &house.acts
    };
    if allowance.take(caller.peer, house.doors.clock.host_us()) {
        return Ok(());
    }
    Err(Problem::new(
        StatusCode::TOO_MANY_REQUESTS,
        "too_often",
        "too many requests at once; wait some seconds",
    ))
}

/// Visitors from other machines are let in by their cookie alone.
fn is_known(house: &House, caller: &Caller, parts: &Parts) -> Result<(), Problem> {
    if house.doors.trusts(caller) {
        return Ok(());
    }
    let Some(pairing) = &house.doors.lan else {
        return Err(Problem::forbidden(
            "not_open",
            "this bench is for its own computer alone; start it with --lan",
        ));
    };
    let path = parts.uri.path();
    let is_open = path == "/pair" || path.starts_with("/asset/");
    if is_open || tokens(&parts.headers).any(|token| pairing.knows(token)) {
        return Ok(());
    }
    Err(Problem::new(
        StatusCode::UNAUTHORIZED,
        NOT_PAIRED,
        "this device is not paired with the bench; open /pair and type the code that the bench shows",
    ))
}

/// Code of the problem of a visitor without a cookie.
const NOT_PAIRED: &str = "not_paired";

/// Values of our cookie; a browser sends one, an attacker some.
fn tokens(headers: &HeaderMap) -> impl Iterator<Item = &str> {
    headers
        .get_all(header::COOKIE)
        .iter()
        .filter_map(|value| value.to_str().ok())
        .flat_map(|value| value.split(';'))
        .filter_map(|pair| pair.trim().split_once('='))
        .filter(|(name, _)| *name == COOKIE)
        .map(|(_, token)| token)
        .take(4)
}

/// Where photographs come in; every other body is short.
const PHOTOGRAPHS: [&str; 2] = ["/inspection/photograph", "/api/1/inspection/photographs"];

/// How much room and time a body has. Goes along with the request: as long as one of its clones lives, the photograph
/// takes one of the few places that there are for them.
#[derive(Clone, Debug)]
pub(super) struct Room {
    bytes: usize,
    time: Duration,
    _place: Option<Arc<OwnedSemaphorePermit>>,
}

impl Room {
    async fn of(house: &House, path: &str) -> Result<Self, Problem> {
        let limits = &house.doors.limits;
        if !PHOTOGRAPHS.contains(&path) {
            return Ok(Self {
                bytes: limits.body_bytes,
                time: limits.body,
                _place: None,
            });
        }
        let place = Arc::clone(&house.uploads).acquire_owned();
        let Ok(Ok(place)) = timeout(limits.photograph, place).await else {
            return Err(Problem::new(
                StatusCode::SERVICE_UNAVAILABLE,
                "busy",
                "other photographs are coming in; try again in a minute",
            ));
        };
        Ok(Self {
            bytes: limits.photograph_bytes,
            time: limits.photograph,
            _place: Some(Arc::new(place)),
        })
    }
}

/// A body, whole.
async fn whole(room: &Room, headers: &HeaderMap, body: Body) -> Result<axum::body::Bytes, Problem> {
    let too_long = || {
        Problem::new(
            StatusCode::PAYLOAD_TOO_LARGE,
            "too_long",
            format!("a body has at most {} bytes here", room.bytes),
        )
    };
    let stated = headers
        .get(header::CONTENT_LENGTH)
        .and_then(|n| n.to_str().ok()?.parse::<u64>().ok());
    if stated.is_some_and(|n| n > room.bytes as u64) {
        return Err(too_long());
    }
    match timeout(room.time, to_bytes(body, room.bytes)).await {
        Ok(Ok(bytes)) => Ok(bytes),
        // Longer than it said, or the connection broke: nobody hears which.
        Ok(Err(_)) => Err(too_long()),
        Err(_) => Err(Problem::new(
            StatusCode::REQUEST_TIMEOUT,
            "too_slow",
            "the body did not come in time",
        )),
    }
}

/// A refusal at the gate, for who asked.
pub(super) fn refuse(
    house: &House,
    method: &Method,
    path: &str,
    problem: Problem,
) -> Response<Body> {
    house.counts.refused.fetch_add(1, Ordering::Relaxed);
    tracing::info!(code = problem.code, %method, path, "refused");
    if problem.code == NOT_PAIRED && path == "/" {
        return reply::see("/pair");
    }
    let closes = matches!(
        problem.status,
        StatusCode::PAYLOAD_TOO_LARGE | StatusCode::REQUEST_TIMEOUT
    );
    let mut response = problem.into_response();
    if closes {
        let close = HeaderValue::from_static("close");
        response.headers_mut().insert(header::CONNECTION, close);
    }
    response
}

/// Puts on what every answer wears; problems of pages become pages.
///
/// `state`: for a visitor that may see it.
pub(super) fn dress(
    path: &str,
    state: Option<&State>,
    mut response: Response<Body>,
) -> Response<Body> {
    if let Some(problem) = response.extensions_mut().remove::<Problem>()
        && !is_for_programs(path)
    {
        let word = problem.code.replace('_', " ");
        let page = scene::problem(state, &word, &problem.message);
        let headers = std::mem::take(response.headers_mut());
        response = reply::markup(problem.status, page);
        for name in [header::ALLOW, header::RETRY_AFTER, header::CONNECTION] {
            if let Some(value) = headers.get(&name) {
                response.headers_mut().insert(name, value.clone());
            }
        }
    }
    let headers = response.headers_mut();
    for (name, value) in DRESS {
        headers.insert(
            HeaderName::from_static(name),
            HeaderValue::from_static(value),
        );
    }
    if !headers.contains_key(header::CACHE_CONTROL) {
        let never = HeaderValue::from_static("no-store");
        headers.insert(header::CACHE_CONTROL, never);
    }
    response
}

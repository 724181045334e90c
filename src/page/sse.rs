//! Streams of server-sent events: how one is written, and a body that makes each only when the visitor can take it.
//!
//! Nothing is queued for a visitor: the next event is asked for when the one before has gone into the socket. Who reads
//! slowly sees fewer events, and costs no memory.

use std::{
    pin::Pin,
    task::{Context, Poll},
};

use axum::{
    body::{Body, Bytes, HttpBody},
    http::{HeaderValue, header},
    response::Response,
};
use hyper::body::Frame;

/// Writes an event. Each line of the text is one `data` line; a carriage return would end a line too and is left out.
pub(super) fn event(name: &str, id: Option<&str>, text: &str) -> Bytes {
    let mut out = String::with_capacity(name.len() + text.len() + 64);
    out.push_str("event: ");
    out.push_str(name);
    out.push('\n');
    if let Some(id) = id {
        out.push_str("id: ");
        out.push_str(id);
        out.push('\n');
    }
    for line in text.split('\n') {
        out.push_str("data: ");
        out.extend(line.chars().filter(|c| *c != '\r'));
        out.push('\n');
    }
    out.push('\n');
    out.into()
}

/// A source of events; `None` ends the stream.
pub(super) trait Source: Send + 'static {
    /// Waits for the next piece to send.
    fn next(&mut self) -> impl Future<Output = Option<Bytes>> + Send;
}

/// A stream that is answered with.
pub(super) fn answer(source: impl Source) -> Response {
    let mut response = Response::new(Body::new(Stream::new(source)));
    let headers = response.headers_mut();
    headers.insert(
        header::CONTENT_TYPE,
        HeaderValue::from_static("text/event-stream"),
    );
    headers.insert(header::CACHE_CONTROL, HeaderValue::from_static("no-store"));
    response
}

type Step<S> = Pin<Box<dyn Future<Output = (S, Option<Bytes>)> + Send>>;

struct Stream<S>(Option<Step<S>>);

impl<S: Source> Stream<S> {
    fn new(source: S) -> Self {
        Self(Some(step(source)))
    }
}

fn step<S: Source>(mut source: S) -> Step<S> {
    Box::pin(async move {
        let piece = source.next().await;
        (source, piece)
    })
}

impl<S: Source> HttpBody for Stream<S> {
    type Data = Bytes;
    type Error = std::convert::Infallible;

    fn poll_frame(
        mut self: Pin<&mut Self>,
        context: &mut Context<'_>,
    ) -> Poll<Option<Result<Frame<Bytes>, Self::Error>>> {
        let Some(waiting) = &mut self.0 else {
            return Poll::Ready(None);
        };
        let Poll::Ready((source, piece)) = waiting.as_mut().poll(context) else {
            return Poll::Pending;
        };
        self.0 = piece.is_some().then(|| step(source));
        Poll::Ready(piece.map(|piece| Ok(Frame::data(piece))))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_event_holds_every_line_and_no_line_ends_it_early() {
        let text = event("scene", Some("a-1"), "<p>\r\n\nid: 7\n");
        assert_eq!(
            text,
            "event: scene\nid: a-1\ndata: <p>\ndata: \ndata: id: 7\ndata: \n\n"
        );
        assert_eq!(event("beat", None, ""), "event: beat\ndata: \n\n");
    }
}

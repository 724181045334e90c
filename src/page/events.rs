//! The event stream of the API: what happened on the bench, by id, so that a listener that was away can catch up.

use std::sync::Arc;

use axum::{
    body::Bytes,
    extract::{Request, State},
    response::Response,
};
use serde::{Deserialize, Serialize};
use tokio::{
    sync::watch,
    time::{Duration, Instant, sleep_until},
};

use super::{
    house::{Here, House},
    query,
    reply::Problem,
    sse,
};
use crate::bench::{Event, Heard};

/// A listener hears something at least this often.
const BEAT: Duration = Duration::from_secs(5);

/// Where a listener begins.
#[derive(Debug, Default, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct From {
    /// Id of the last event that it knows; 0: from the oldest that is kept. Else from now on.
    after: Option<u64>,
}

/// `GET /api/1/events`.
pub(super) async fn events(
    axum::extract::State(house): State<Arc<House>>,
    request: Request,
) -> Result<Response, Problem> {
    let From { after } = query::of(request.uri())?;
    let last = request.headers().get("last-event-id");
    let resumed = last.and_then(|id| resumed(&house.life, id.to_str().ok()?));
    let newest = house.bench.events().newest();
    let (last, is_gap) = match resumed {
        Some(resumed) => resumed,
        None => (after.unwrap_or(*newest.borrow()), false),
    };
    Ok(sse::answer(Listener {
        newest,
        end: house.end.clone(),
        last,
        is_gap,
        waiting: Vec::new().into_iter(),
        heard: Instant::now(),
        is_over: false,
        _here: Here::count(&house, |counts| &counts.listeners),
        house,
    }))
}

/// The event after which a listener that was away goes on, and whether it has missed some for good: those of a daemon
/// that has ended. `None` when it says nothing that we ever said.
fn resumed(life: &str, id: &str) -> Option<(u64, bool)> {
    let (of, number) = id.split_once('-')?;
    let number = number.parse().ok()?;
    Some(if of == life {
        (number, false)
    } else {
        (0, true)
    })
}

struct Listener {
    house: Arc<House>,
    newest: watch::Receiver<u64>,
    end: watch::Receiver<bool>,
    /// Id of the last event that was sent.
    last: u64,
    /// Events were dropped that this listener never heard.
    is_gap: bool,
    /// Events that are being sent; at most as many as are kept.
    waiting: std::vec::IntoIter<Event>,
    heard: Instant,
    is_over: bool,
    _here: Here,
}

/// What a `gap` event says.
#[derive(Serialize)]
struct Gap {
    message: &'static str,
}

impl Listener {
    fn ready(&mut self) -> Option<Bytes> {
        if self.waiting.as_slice().is_empty() {
            let Heard { is_gap, events } = self.house.bench.events().after(self.last);
            self.is_gap |= is_gap;
            self.waiting = events.into_iter();
        }
        if std::mem::take(&mut self.is_gap) {
            let message = "events were dropped that you did not hear; ask for the state";
            let text = crate::report::compact(&Gap { message });
            return Some(sse::event("gap", None, text.trim_end()));
        }
        let event = self.waiting.next()?;
        self.last = event.id;
        let id = format!("{}-{}", self.house.life, event.id);
        let text = crate::report::compact(&event);
        Some(sse::event("message", Some(&id), text.trim_end()))
    }
}

impl sse::Source for Listener {
    async fn next(&mut self) -> Option<Bytes> {
        if self.is_over {
            return None;
        }
        loop {
            self.newest.borrow_and_update();
            if let Some(piece) = self.ready() {
                self.heard = Instant::now();
                return Some(piece);
            }
            if *self.end.borrow() {
                self.is_over = true;
                return Some(sse::event("end", None, "{}"));
            }
            let newer = async {
                if self.newest.changed().await.is_err() {
                    std::future::pending::<()>().await;
                }
            };
            tokio::select! {
                biased;
                _ = self.end.wait_for(|end| *end) => {}
                () = newer => {}
                () = sleep_until(self.heard + BEAT) => {
                    self.heard = Instant::now();
                    return Some(Bytes::from_static(b": the bench is here\n\n"));
                }
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_id_of_this_daemon_resumes_and_one_of_another_is_a_gap() {
        assert_eq!(resumed("0a1b", "0a1b-17"), Some((17, false)));
        assert_eq!(resumed("0a1b", "ffff-17"), Some((0, true)));
        assert_eq!(resumed("0a1b", "17"), None);
        assert_eq!(resumed("0a1b", "0a1b-x"), None);
    }
}

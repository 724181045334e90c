//! The stream of a page: scenes, pictures, the guard's warning, and a beat, so that a page knows when the bench is lost.

use std::sync::Arc;

use axum::{
    body::Bytes,
    extract::{Request, State},
    response::Response,
};
use tokio::{
    sync::watch,
    time::{Duration, Instant, sleep_until},
};

use super::{
    house::{Here, House},
    painter::Painted,
    query,
    reply::Problem,
    scene, sse,
};
use crate::bench::Alarm;

/// A page hears something at least this often; it takes the bench for lost after three times that.
const BEAT: Duration = Duration::from_secs(2);

/// `GET /stream?width=narrow|wide`.
pub(super) async fn page(
    State(house): State<Arc<House>>,
    request: Request,
) -> Result<Response, Problem> {
    let query::Wide { width } = query::of(request.uri())?;
    Ok(sse::answer(PageStream {
        painted: house.easels.look(width.map(Into::into)),
        alarm: house.bench.alarm(),
        end: house.end.clone(),
        scene_no: 0,
        picture_no: 0,
        is_told: false,
        warned: None,
        heard: Instant::now(),
        is_over: false,
        _here: Here::count(&house, |counts| &counts.pages),
    }))
}

struct PageStream {
    painted: watch::Receiver<Arc<Painted>>,
    /// The guard's own way: nothing is ahead of it.
    alarm: watch::Receiver<Option<Alarm>>,
    end: watch::Receiver<bool>,
    /// The latest that this page was sent.
    scene_no: u64,
    picture_no: u64,
    /// It was sent whether there is a warning.
    is_told: bool,
    /// The warning that it was sent.
    warned: Option<u64>,
    heard: Instant,
    is_over: bool,
    _here: Here,
}

impl PageStream {
    /// The warning, when it is another one than this page knows.
    fn warning(&mut self) -> Option<Bytes> {
        let alarm = self.alarm.borrow_and_update();
        let id = alarm.as_ref().map(|alarm| alarm.id);
        if self.is_told && self.warned == id {
            return None;
        }
        (self.is_told, self.warned) = (true, id);
        let markup = scene::stop(alarm.as_ref()).into_string();
        Some(sse::event("stop", None, &markup))
    }

    /// The newest scene or picture that this page was not sent.
    fn view(&mut self) -> Option<Bytes> {
        let painted = self.painted.borrow_and_update();
        if painted.scene_no != self.scene_no {
            self.scene_no = painted.scene_no;
            if painted.scene_is_newer {
                self.picture_no = painted.picture_no;
            }
            return Some(painted.scene.clone());
        }
        if painted.picture_no != self.picture_no {
            self.picture_no = painted.picture_no;
            return Some(painted.picture.clone());
        }
        None
    }
}

impl sse::Source for PageStream {
    async fn next(&mut self) -> Option<Bytes> {
        if self.is_over {
            return None;
        }
        loop {
            if *self.end.borrow() {
                self.is_over = true;
                return Some(sse::event("end", None, ""));
            }
            if let Some(piece) = self.warning().or_else(|| self.view()) {
                self.heard = Instant::now();
                return Some(piece);
            }
            // A bench that is gone changes nothing any more: its end follows.
            let painted = async {
                if self.painted.changed().await.is_err() {
                    std::future::pending::<()>().await;
                }
            };
            let alarm = async {
                if self.alarm.changed().await.is_err() {
                    std::future::pending::<()>().await;
                }
            };
            tokio::select! {
                biased;
                _ = self.end.wait_for(|end| *end) => {}
                () = alarm => {}
                () = painted => {}
                () = sleep_until(self.heard + BEAT) => {
                    self.heard = Instant::now();
                    return Some(sse::event("beat", None, ""));
                }
            }
        }
    }
}

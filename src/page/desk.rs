//! The inspection that the bench works on, for everybody who looks: read again when its journal has grown, written one
//! line at a time, its photographs made ready to be shown.

use std::{
    collections::VecDeque,
    sync::{Arc, Mutex, PoisonError},
};

use axum::{body::Bytes, http::StatusCode};
use tokio::{
    sync::Semaphore,
    task::spawn_blocking,
    time::{Duration, timeout},
};

use super::reply::Problem;
use crate::{
    bench::Inspected,
    inspection::{Deed, Entry, FolderError, Photograph, Visit, photograph},
};

/// Longest side of a photograph on a page of its own, and of a small one, picture elements.
const SIDES: [u32; 2] = [1280, 320];
/// Photographs that are kept ready to be shown, each some 200 kB.
const READY: usize = 24;
/// Photographs that are decoded at one time: each takes some hundred megabytes.
const AT_ONCE: usize = 1;
/// How long a photograph may wait for its turn.
const TURN: Duration = Duration::from_secs(30);

/// A photograph, ready to be shown.
#[derive(Debug)]
pub(super) struct Ready {
    /// JPEG for a page of its own.
    pub large: Bytes,
    /// JPEG for a list.
    pub small: Bytes,
    /// What a person should know of its file.
    pub remarks: Vec<String>,
}

/// The desk on which the inspection lies, or an empty one.
#[derive(Debug)]
pub(super) struct Desk {
    inspected: Option<Arc<Inspected>>,
    /// The last visit that was read, with the journal's length then.
    last: Mutex<Option<(u64, Arc<Visit>)>>,
    /// By file name; newest last.
    ready: Mutex<VecDeque<(String, Arc<Ready>)>>,
    turns: Arc<Semaphore>,
}

impl Desk {
    pub fn new(inspected: Option<Arc<Inspected>>) -> Self {
        Self {
            inspected,
            last: Mutex::default(),
            ready: Mutex::default(),
            turns: Arc::new(Semaphore::new(AT_ONCE)),
        }
    }

    /// The inspection's folder as it is shown.
    pub fn folder(&self) -> String {
        let inspected = self.inspected.as_ref();
        inspected.map_or_else(String::new, |inspected| {
            inspected.named().display().to_string()
        })
    }

    pub fn is_empty(&self) -> bool {
        self.inspected.is_none()
    }

    fn inspected(&self) -> Result<Arc<Inspected>, Problem> {
        self.inspected.clone().ok_or_else(|| {
            Problem::new(
                StatusCode::NOT_FOUND,
                "no_inspection",
                "no inspection is open; start the bench with one: feelgauge bench --inspection DIR",
            )
        })
    }

    /// What the inspection holds now.
    pub async fn visit(&self) -> Result<Arc<Visit>, Problem> {
        let inspected = self.inspected()?;
        let known = self
            .last
            .lock()
            .unwrap_or_else(PoisonError::into_inner)
            .clone();
        let read = on_thread(move || {
            let length = inspected.journal_bytes()?;
            if let Some((known, visit)) = known
                && known == length
            {
                return Ok((length, visit));
            }
            // A line that comes between the two is read now and looked for once more next time.
            inspected.visit().map(|visit| (length, Arc::new(visit)))
        });
        let (length, visit) = read.await?;
        *self.last.lock().unwrap_or_else(PoisonError::into_inner) =
            Some((length, Arc::clone(&visit)));
        Ok(visit)
    }

    /// Writes one line.
    pub async fn write(&self, deed: Deed) -> Result<(), Problem> {
        let inspected = self.inspected()?;
        on_thread(move || inspected.write(deed).map(drop)).await
    }

    /// Puts a photograph in.
    pub async fn put(
        &self,
        bytes: Bytes,
        words: Option<String>,
        tag_in_picture: bool,
    ) -> Result<Photograph, Problem> {
        let inspected = self.inspected()?;
        let turn = self.turn().await?;
        on_thread(move || {
            let _turn = turn;
            inspected.put_photograph(&bytes, words.as_deref(), tag_in_picture)
        })
        .await
    }

    async fn turn(&self) -> Result<tokio::sync::OwnedSemaphorePermit, Problem> {
        let turn = Arc::clone(&self.turns).acquire_owned();
        match timeout(TURN, turn).await {
            Ok(Ok(turn)) => Ok(turn),
            _ => Err(Problem::new(
                StatusCode::SERVICE_UNAVAILABLE,
                "busy",
                "other photographs are being looked at; try again in a minute",
            )),
        }
    }

    /// A photograph of the journal by its file's name, with its line.
    pub async fn photograph(&self, name: &str) -> Result<(Entry, Photograph), Problem> {
        let visit = self.visit().await?;
        let found = visit.entries.iter().find_map(|entry| match &entry.deed {
            Deed::Photographed(p) if super::scene::inspection::file_name(p) == name => {
                Some((entry.clone(), p.clone()))
            }
            _ => None,
        });
        found.ok_or_else(|| {
            Problem::not_found(
                "there is no such photograph; /inspection lists the ones that there are",
            )
        })
    }

    /// The same, ready to be shown.
    pub async fn ready(&self, photograph: &Photograph) -> Result<Arc<Ready>, Problem> {
        if let Some(ready) = self.known(&photograph.file) {
            return Ok(ready);
        }
        let inspected = self.inspected()?;
        let turn = self.turn().await?;
        // Somebody may have asked for the same before.
        if let Some(ready) = self.known(&photograph.file) {
            return Ok(ready);
        }
        let asked = photograph.clone();
        let ready = on_thread(move || {
            let _turn = turn;
            let bytes = inspected.photograph(&asked)?;
            let (looked, views) = photograph::views(&bytes, &SIDES)?;
            let mut views = views.into_iter().map(|shown| Bytes::from(shown.jpeg));
            let (large, small) = (views.next(), views.next());
            Ok(Ready {
                large: large.unwrap_or_default(),
                small: small.unwrap_or_default(),
                remarks: looked.remarks,
            })
        });
        let ready = Arc::new(ready.await?);
        let mut all = self.ready.lock().unwrap_or_else(PoisonError::into_inner);
        all.push_back((photograph.file.clone(), Arc::clone(&ready)));
        if all.len() > READY {
            all.pop_front();
        }
        Ok(ready)
    }

    fn known(&self, file: &str) -> Option<Arc<Ready>> {
        let all = self.ready.lock().unwrap_or_else(PoisonError::into_inner);
        all.iter()
            .find(|(known, _)| known == file)
            .map(|(_, ready)| Arc::clone(ready))
    }
}

/// Runs what waits for the disk or works on a picture away from the tasks that serve. A decoder that falls over a crooked
/// file takes nothing else with it.
async fn on_thread<T: Send + 'static>(
    work: impl FnOnce() -> Result<T, FolderError> + Send + 'static,
) -> Result<T, Problem> {
    let done = spawn_blocking(work).await.map_err(|e| {
        tracing::error!("a look at the inspection broke: {e}");
        Problem::new(
            StatusCode::INTERNAL_SERVER_ERROR,
            "broke",
            "this could not be worked on; try another photograph, and tell who looks after the bench",
        )
    })?;
    done.map_err(Problem::from)
}

impl From<FolderError> for Problem {
    fn from(error: FolderError) -> Self {
        let (status, code) = match &error {
            FolderError::Photograph(photograph::PhotographError::TooLong { .. }) => {
                (StatusCode::PAYLOAD_TOO_LARGE, "too_long")
            }
            FolderError::Photograph(_) => (StatusCode::UNPROCESSABLE_ENTITY, "no_photograph"),
            FolderError::Unfit(_) => (StatusCode::UNPROCESSABLE_ENTITY, "unfit"),
            FolderError::Disk { .. } => (StatusCode::INSUFFICIENT_STORAGE, "disk"),
            _ => (StatusCode::CONFLICT, "not_written"),
        };
        Self::new(status, code, error.to_string())
    }
}

//! Paints what pages see, once for all of them, on a thread of its own: the readers of the ports never wait for it.
//!
//! For each width that somebody looks at: the scene at most twice a second, and at once when what the hands do has
//! changed; the pictures at most fifteen times a second. The newest wins, here and again at each visitor.

use std::sync::Arc;

use axum::body::Bytes;
use tokio::{
    sync::{Notify, watch},
    time::{Duration, Instant, sleep_until},
};

use super::{scene, sse};
use crate::{
    bench::{Bench, Scene, Standing, State},
    inspect::guide::{LeakPhase, PullPhase, RollPhase, View},
    reading::Verdict,
    report::plot::Width,
};

/// Least time between two scenes when the hands do the same.
const SCENE_EVERY: Duration = Duration::from_millis(500);
/// Least time between two pictures.
const PICTURE_EVERY: Duration = Duration::from_micros(1_000_000 / 15);

/// What pages of one width see now, written as events.
#[derive(Clone, Debug, Default)]
pub(super) struct Painted {
    /// Counts the scenes from 1; 0: none was painted yet.
    pub scene_no: u64,
    pub scene: Bytes,
    /// Counts the pictures.
    pub picture_no: u64,
    pub picture: Bytes,
    /// The scene holds this picture or a newer one.
    pub scene_is_newer: bool,
}

/// One easel for each width that a page may name.
#[derive(Debug, Default)]
pub(super) struct Easels {
    /// For pages that named none: drawn for both.
    both: Easel,
    narrow: Easel,
    wide: Easel,
    /// Somebody came to look.
    came: Notify,
}

#[derive(Debug, Default)]
struct Easel {
    painted: watch::Sender<Arc<Painted>>,
}

impl Easels {
    fn of(&self, width: Option<Width>) -> &Easel {
        match width {
            None => &self.both,
            Some(Width::Narrow) => &self.narrow,
            Some(Width::Wide) => &self.wide,
        }
    }

    /// Looks at what is painted for a width; it is painted while somebody looks.
    pub fn look(&self, width: Option<Width>) -> watch::Receiver<Arc<Painted>> {
        let receiver = self.of(width).painted.subscribe();
        self.came.notify_one();
        receiver
    }
}

/// Paints until `end`.
pub(super) async fn paint(easels: &Easels, bench: &Bench, mut end: watch::Receiver<bool>) {
    let mut state = bench.follow();
    let mut works = [None, Some(Width::Narrow), Some(Width::Wide)].map(Work::new);
    let mut lives = true;
    loop {
        let now = Instant::now();
        let shown = Arc::clone(&state.borrow_and_update());
        let due = works
            .iter_mut()
            .filter_map(|work| work.paint(easels.of(work.width), &shown, now))
            .min();
        tokio::select! {
            biased;
            _ = end.wait_for(|end| *end) => return,
            () = easels.came.notified() => {}
            changed = state.changed(), if lives => lives = changed.is_ok(),
            () = sleep_until(due.unwrap_or(now)), if due.is_some() => {}
        }
    }
}

/// How far the painting of one width is.
struct Work {
    width: Option<Width>,
    /// The state that the scene and the pictures show.
    scene_of: Option<u64>,
    picture_of: Option<u64>,
    hands: Option<Hands>,
    /// When the next of each may be painted.
    scene_from: Option<Instant>,
    picture_from: Option<Instant>,
    /// What was painted last, to send nothing twice.
    scene: String,
    picture: String,
}

impl Work {
    fn new(width: Option<Width>) -> Self {
        Self {
            width,
            scene_of: None,
            picture_of: None,
            hands: None,
            scene_from: None,
            picture_from: None,
            scene: String::new(),
            picture: String::new(),
        }
    }

    /// Paints what is due; when to come back, if something is not due yet.
    fn paint(&mut self, easel: &Easel, state: &State, now: Instant) -> Option<Instant> {
        if easel.painted.receiver_count() == 0 {
            return None;
        }
        let version = Some(state.version);
        let is_due = |from: Option<Instant>| from.is_none_or(|from| from <= now);
        let hands = Hands::of(state);
        if self.scene_of != version
            && (is_due(self.scene_from) || self.hands.as_ref() != Some(&hands))
        {
            self.paint_scene(easel, state);
            self.hands = Some(hands);
            self.scene_from = Some(now + SCENE_EVERY);
        }
        if self.picture_of != version && is_due(self.picture_from) {
            self.paint_picture(easel, state);
            self.picture_from = Some(now + PICTURE_EVERY);
        }
        let scene_due = self.scene_from.filter(|_| self.scene_of != version);
        let picture_due = self.picture_from.filter(|_| self.picture_of != version);
        scene_due.into_iter().chain(picture_due).min()
    }

    fn paint_scene(&mut self, easel: &Easel, state: &State) {
        self.scene_of = Some(state.version);
        let scene = scene::main(state, self.width).into_string();
        if scene == self.scene {
            return;
        }
        let event = sse::event("scene", None, &scene);
        self.scene = scene;
        easel.painted.send_modify(|painted| {
            let painted = Arc::make_mut(painted);
            painted.scene_no += 1;
            painted.scene = event;
            painted.scene_is_newer = true;
        });
    }

    fn paint_picture(&mut self, easel: &Easel, state: &State) {
        self.picture_of = Some(state.version);
        let picture = scene::pictures(state, self.width).into_string();
        if picture == self.picture {
            return;
        }
        let event = sse::event("picture", None, &picture);
        self.picture = picture;
        let scene_is_newer = self.scene_of == self.picture_of;
        easel.painted.send_modify(|painted| {
            let painted = Arc::make_mut(painted);
            painted.picture_no += 1;
            painted.picture = event;
            painted.scene_is_newer = scene_is_newer;
        });
    }
}

/// What the hands do and what they must know at once; anything else may wait for half a second.
#[derive(Debug, PartialEq)]
struct Hands {
    scene: SceneKind,
    /// Of the cautions or the running test.
    test: Option<(&'static str, Option<String>)>,
    alarm: Option<u64>,
    probes: Vec<(Option<String>, Standing)>,
    trouble: usize,
    gone: usize,
    is_ending: bool,
    kept: usize,
}

#[derive(Debug, PartialEq)]
enum SceneKind {
    Start,
    Cautions,
    Leak(LeakPhase, Verdict, bool),
    /// With the number of pulls: each appears at once.
    Pull(PullPhase, Verdict, usize, bool),
    Roll(RollPhase, Verdict, usize, bool),
    Ended(String),
}

impl Hands {
    fn of(state: &State) -> Self {
        let running = match &state.scene {
            Scene::Running(running) => Some(running),
            _ => None,
        };
        let test = match &state.scene {
            Scene::Cautions { test, setup } => Some((*test, setup.clone())),
            Scene::Running(r) => Some((r.view.test().word(), r.setup.clone())),
            Scene::Start | Scene::Ended(_) => None,
        };
        let probe = |p: &crate::bench::ProbeState| (p.serial.clone(), p.standing);
        Self {
            scene: SceneKind::of(&state.scene),
            test,
            alarm: state.alarm.as_ref().map(|alarm| alarm.id),
            probes: state.probes.iter().map(probe).collect(),
            trouble: state.trouble.len(),
            gone: running.map_or(0, |running| running.gone.len()),
            is_ending: running.is_some_and(|running| running.is_ending),
            kept: state.kept.len(),
        }
    }
}

impl SceneKind {
    fn of(scene: &Scene) -> Self {
        match scene {
            Scene::Start => Self::Start,
            Scene::Cautions { .. } => Self::Cautions,
            Scene::Ended(ended) => Self::Ended(ended.capture.clone()),
            Scene::Running(running) => match &running.view {
                View::Leak(view) => Self::Leak(view.phase, view.verdict, view.refused.is_some()),
                View::Pull(view) => {
                    Self::Pull(view.phase, view.verdict, view.pulls.len(), view.is_guarded)
                }
                View::Roll(view) => Self::Roll(
                    view.phase,
                    view.verdict,
                    view.suspects.len(),
                    view.refused.is_some(),
                ),
            },
        }
    }
}

//! The guide of a running test on a thread of its own: what it is late with is left out, and nobody waits for it.

use std::{
    sync::mpsc::{Receiver, SyncSender, TryRecvError, sync_channel},
    thread::JoinHandle,
    time::Duration,
};

use tokio::sync::watch;

use crate::inspect::{
    Calibrations, Feed, Input, Settings, Source,
    guide::{Guide, Studied, Study, View},
};

/// Time between two rounds of the guide. Shorter than a frame of the state, so that lines, a study and its answer do not
/// wait for a frame each.
const ROUND: Duration = Duration::from_millis(15);
/// Lines that may wait for the guide: more than half a minute of any probe that keeps to the wire's batches.
const WAITING: usize = 8192;

/// A guide at work.
#[derive(Debug)]
pub(super) struct Follower {
    view: watch::Receiver<Option<View>>,
    guide: JoinHandle<()>,
    student: JoinHandle<()>,
}

impl Follower {
    /// Begins to follow a test; the end where its lines go comes too.
    pub fn begin(
        settings: &Settings,
        sources: Vec<Source>,
        calibrations: &Calibrations,
    ) -> (Self, SyncSender<Input>) {
        let (lines, inputs) = sync_channel(WAITING);
        // A guide hands one study out and waits for its answer before the next.
        let (studies, asked) = sync_channel::<Study>(1);
        let (answers, answered) = sync_channel::<Studied>(1);
        let (views, view) = watch::channel(None);
        let guide = Guide::new(settings);
        let feed = Feed::new(guide.test(), sources, settings.heard());
        let desk = Desk {
            guide,
            feed: feed.calibrated(calibrations),
            inputs,
            studies,
            answered,
            views,
            quiet: 0,
        };
        let follower = Self {
            view,
            guide: std::thread::spawn(move || desk.run()),
            student: std::thread::spawn(move || study(&asked, &answers)),
        };
        (follower, lines)
    }

    /// Follows the view; the newest wins.
    pub fn view(&self) -> watch::Receiver<Option<View>> {
        self.view.clone()
    }

    /// Waits until the guide has seen every line, after the end of the lines was dropped; the last view. Waits for a
    /// study under way.
    pub fn end(self) -> Option<View> {
        self.guide.thread().unpark();
        for thread in [self.guide, self.student] {
            if let Err(panic) = thread.join() {
                std::panic::resume_unwind(panic);
            }
        }
        self.view.borrow().clone()
    }
}

/// Does what takes longer than a frame may.
fn study(asked: &Receiver<Study>, answers: &SyncSender<Studied>) {
    while let Ok(study) = asked.recv() {
        if answers.send(study.run()).is_err() {
            return;
        }
    }
}

struct Desk {
    guide: Guide,
    feed: Feed,
    inputs: Receiver<Input>,
    studies: SyncSender<Study>,
    answered: Receiver<Studied>,
    views: watch::Sender<Option<View>>,
    /// Rounds since the last reading.
    quiet: u32,
}

impl Desk {
    /// One round: all lines that came, what was studied, the view. The lines of the test end it.
    fn run(mut self) {
        loop {
            let is_over = self.take_all();
            let quiet = ROUND.saturating_mul(self.quiet).as_micros();
            self.guide.silence(u64::try_from(quiet).unwrap_or(u64::MAX));
            while let Ok(studied) = self.answered.try_recv() {
                self.guide.learn(studied);
            }
            if !is_over && let Some(study) = self.guide.study() {
                // One is out at a time, so there is room; a student who panicked is found when joined.
                let _ = self.studies.try_send(study);
            }
            let view = self.guide.view();
            self.views.send_if_modified(|shown| {
                let is_new = shown.as_ref() != Some(&view);
                *shown = Some(view);
                is_new
            });
            if is_over {
                return;
            }
            std::thread::park_timeout(ROUND);
        }
    }

    /// Takes what waits; true when no more can come.
    fn take_all(&mut self) -> bool {
        self.quiet = self.quiet.saturating_add(1);
        // Not more than one queue's length, so that a flood cannot keep the view back.
        for _ in 0..WAITING {
            match self.inputs.try_recv() {
                Ok(input) => {
                    let (guide, quiet) = (&mut self.guide, &mut self.quiet);
                    self.feed.push(&input, &mut |reading| {
                        *quiet = 0;
                        guide.push(reading);
                    });
                    if let Input::Mark(mark) = &input {
                        guide.mark(&mark.text);
                    }
                }
                Err(TryRecvError::Empty) => return false,
                Err(TryRecvError::Disconnected) => return true,
            }
        }
        false
    }
}

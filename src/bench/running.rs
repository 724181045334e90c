//! The running test as the owner sees it: what its view says next, and what that tells the listeners.

use std::sync::Arc;

use tokio::sync::watch;

use super::{
    EventKind, Running,
    owner::decided,
    reader::Shared,
    trial::{Trial, Wanted},
};
use crate::{
    inspect::guide::{Guide, PullPhase, View},
    reading::Verdict,
    record::Storage,
};

/// Longest test, microseconds: a measure holds its readings, and memory is not endless. The longest hold that is ever
/// proposed is 120 s; a roll of three hundred turns takes some ten minutes.
const LONGEST_US: u64 = 1_800_000_000;

/// A test that is being recorded and followed.
#[derive(Debug)]
pub(super) struct Going<D: Storage> {
    pub trial: Trial<D>,
    views: watch::Receiver<Option<View>>,
    /// The newest view.
    view: View,
    /// Pulls that were told.
    pulls: u64,
    /// The verdict was told.
    is_decided: bool,
    /// Lines that the disk had no room for, before this test and now.
    not_kept: (u64, u64),
}

/// A test whose record is being closed and measured.
#[derive(Debug)]
pub(super) struct Ending {
    pub wanted: Wanted,
    /// Folder of the capture.
    pub capture: String,
    /// `finished`, `stopped`.
    pub reason: &'static str,
    /// The verdict was told.
    pub is_decided: bool,
    /// What is seen meanwhile.
    pub seen: Arc<Running>,
}

impl<D: Storage + Send + 'static> Going<D> {
    /// A test whose lines have begun to come.
    pub fn new(trial: Trial<D>, shared: &Shared) -> Self {
        let not_kept = shared.tap.dropped().0;
        Self {
            views: trial.follower.view(),
            view: Guide::new(&trial.settings).view(),
            pulls: 0,
            is_decided: false,
            not_kept: (not_kept, not_kept),
            trial,
        }
    }

    /// Takes the newest view and tells what is new in it; true when there is something to be seen.
    pub fn look(&mut self, shared: &Shared) -> bool {
        self.not_kept.1 = shared.tap.dropped().0;
        // The guide's thread may have ended; its last view is then the newest.
        if !self.views.has_changed().unwrap_or(false) {
            return false;
        }
        if let Some(view) = self.views.borrow_and_update().clone() {
            self.view = view;
        }
        self.tell(shared);
        true
    }

    fn tell(&mut self, shared: &Shared) {
        if let View::Pull(view) = &self.view {
            // The last one may still change while it goes on.
            let open = usize::from(view.phase == PullPhase::Pulling);
            let whole = view.pulls.len().saturating_sub(open);
            for pull in view.pulls.iter().take(whole).skip(count(self.pulls)) {
                self.pulls += 1;
                shared.event(EventKind::Pull {
                    number: self.pulls,
                    not_counted: pull.not_counted.clone(),
                });
            }
        }
        let verdict = verdict(&self.view);
        if verdict != Verdict::Undecided && !self.is_decided && self.view.is_over() {
            self.is_decided = true;
            shared.event(decided(self.trial.wanted.test.word(), verdict));
        }
    }

    /// The test has its verdict, or its planned length.
    pub fn is_over(&self) -> bool {
        self.view.is_over()
    }

    /// Nobody needs so long: it was left running.
    pub fn is_forgotten(&self, shared: &Shared) -> bool {
        shared.clock.host_us().saturating_sub(self.trial.began_us) > LONGEST_US
    }

    /// What is seen now.
    pub fn seen(&self, shared: &Shared) -> Arc<Running> {
        self.running(shared, false)
    }

    fn running(&self, shared: &Shared, is_ending: bool) -> Arc<Running> {
        let trial = &self.trial;
        let since_us = shared.clock.host_us().saturating_sub(trial.began_us);
        let gone = trial.probes.iter().filter(|p| !shared.roster.is_here(p));
        Arc::new(Running {
            setup: trial.wanted.setup.clone(),
            capture: trial.folder().into(),
            since_s: since_us as f64 * 1e-6,
            view: self.view.clone(),
            gone: gone.cloned().collect(),
            is_ending,
        })
    }

    /// What to say when the disk is too slow for the lines of this test.
    pub fn slow_disk(&self) -> Option<String> {
        let (before, now) = self.not_kept;
        (now > before).then(|| {
            format!(
                "The disk is too slow: {} lines of this test were lost, and the record says so. Free the disk, or record to \
                 another one: --out DIR.",
                now - before
            )
        })
    }

    /// The test ends: what is to be closed, and what is seen meanwhile.
    pub fn end(self, shared: &Shared, reason: &'static str) -> (Trial<D>, Ending) {
        let ending = Ending {
            wanted: self.trial.wanted.clone(),
            capture: self.trial.folder().into(),
            reason,
            is_decided: self.is_decided,
            seen: self.running(shared, true),
        };
        (self.trial, ending)
    }
}

fn count(n: u64) -> usize {
    usize::try_from(n).unwrap_or(usize::MAX)
}

fn verdict(view: &View) -> Verdict {
    match view {
        View::Leak(view) => view.verdict,
        View::Pull(view) => view.verdict,
        View::Roll(view) => view.verdict,
    }
}

//! The one task that owns the state: takes orders, begins and ends tests, and publishes what is to be seen. It waits for
//! no disk and no calculation; those run on threads that may wait.

use std::{io, sync::Arc, time::Duration};

use tokio::{
    sync::{mpsc, oneshot, watch},
    task::{JoinHandle, JoinSet},
    time::{MissedTickBehavior, interval},
};

use super::{
    Denied, Ended, EventKind, Faults, Kept, Notice, Order, Plan, Scene, State,
    daily::Daily,
    kept::{Collection, look, of_ended, word},
    reader::Shared,
    running::{Ending, Going},
    shelf::Shelf,
    tap::Outlets,
    trial::{Outcome, Trial, Wanted, begin, took_s},
};
use crate::{inspect::OVERRUN_MARK, reading::Verdict};

/// Time between two states while something changes: 15 a second.
const FRAME: Duration = Duration::from_millis(66);
/// Frames in about a second.
const FRAMES_A_SECOND: u64 = 15;
/// Seconds between two looks at the folder of captures while no test runs: others may write there.
const LIST_EVERY: u64 = 60;
/// Longest mark, bytes.
const LONGEST_MARK: usize = 80;

type Answer = oneshot::Sender<Result<(), Denied>>;
/// Orders with the place for the answer.
type Orders = mpsc::Receiver<(Order, Answer)>;

/// What happens on the bench.
enum Phase<S: Shelf> {
    Start,
    Cautions(Wanted),
    /// The folder of a capture is being made.
    Beginning(Wanted, Answer),
    Running(Box<Going<S::Disk>>),
    /// The record is being closed and measured.
    Ending(Box<Ending>),
    Ended(Arc<Ended>),
}

/// A test that begins, and where its lines are to go.
type Begun<S> = (Trial<<S as Shelf>::Disk>, Outlets);

/// What a thread that may wait brings back.
enum Done<S: Shelf> {
    Begun(Result<Box<Begun<S>>, Denied>),
    Finished(Box<Outcome>),
    Listed(io::Result<Vec<String>>),
    Looked(String, Option<Kept>),
}

/// The owner.
pub(super) struct Owner<S: Shelf> {
    shared: Arc<Shared>,
    shelf: Arc<S>,
    plan: Arc<Plan>,
    state: watch::Sender<Arc<State>>,
    faults: Option<Box<dyn Faults>>,
    notices: Box<dyn FnMut(Notice) + Send>,
    phase: Phase<S>,
    work: JoinSet<Done<S>>,
    kept: Collection,
    /// A capture is being looked at, or the folder listed.
    is_looking: bool,
    /// What the disk said last, until a test begins again.
    disk_trouble: Option<String>,
    daily: Daily,
    /// Something is to be seen that the last state does not say.
    is_stale: bool,
    frames: u64,
    is_ready: bool,
    status: String,
}

impl<S: Shelf> Owner<S> {
    pub fn new(
        shared: Arc<Shared>,
        shelf: S,
        plan: Plan,
        state: watch::Sender<Arc<State>>,
        faults: Option<Box<dyn Faults>>,
        notices: Box<dyn FnMut(Notice) + Send>,
    ) -> Self {
        let daily = Daily::new(&shared.clock, &plan.stated.calibrations);
        Self {
            shared,
            shelf: Arc::new(shelf),
            plan: Arc::new(plan),
            state,
            faults,
            notices,
            phase: Phase::Start,
            work: JoinSet::new(),
            kept: Collection::default(),
            is_looking: false,
            disk_trouble: None,
            daily,
            is_stale: true,
            frames: 0,
            is_ready: false,
            status: String::new(),
        }
    }

    /// Runs until `stop`, then ends everything in order.
    pub async fn run(
        mut self,
        mut orders: Orders,
        stop: impl Future<Output = ()>,
        mut keeper: JoinHandle<()>,
        end_readers: watch::Sender<bool>,
    ) {
        self.until(stop, &mut orders, &mut keeper).await;
        tracing::info!("the bench ends");
        (self.notices)(Notice::Stopping);
        orders.close();
        while let Some((_, answer)) = orders.recv().await {
            let _ = answer.send(Err(Denied::ending()));
        }
        // The readers first: what they still read belongs to the record.
        end_readers.send_replace(true);
        if let Err(e) = keeper.await {
            std::panic::resume_unwind(e.into_panic());
        }
        self.end_test().await;
        while let Some(done) = self.work.join_next().await {
            drop(done.unwrap_or_else(|e| std::panic::resume_unwind(e.into_panic())));
        }
    }

    async fn until(
        &mut self,
        stop: impl Future<Output = ()>,
        orders: &mut Orders,
        keeper: &mut JoinHandle<()>,
    ) {
        let shared = Arc::clone(&self.shared);
        let mut alarm = shared.bell.follow();
        let mut frame = interval(FRAME);
        frame.set_missed_tick_behavior(MissedTickBehavior::Delay);
        let mut stop = std::pin::pin!(stop);
        self.list();
        loop {
            tokio::select! {
                biased;
                () = &mut stop => return,
                ended = &mut *keeper => match ended {
                    Ok(()) => unreachable!("the keeper ends when it is told to, after this loop"),
                    Err(e) => std::panic::resume_unwind(e.into_panic()),
                },
                // The bell lives as long as the owner.
                _ = alarm.changed() => self.publish(),
                _ = frame.tick() => self.frame(),
                Some(done) = self.work.join_next() => {
                    let done = done.unwrap_or_else(|e| std::panic::resume_unwind(e.into_panic()));
                    self.done(done);
                }
                Some((order, answer)) = orders.recv() => self.order(order, answer),
                () = shared.roster.changed() => self.is_stale = true,
            }
        }
    }

    /// Fifteen times a second.
    fn frame(&mut self) {
        self.frames += 1;
        let is_second = self.frames.is_multiple_of(FRAMES_A_SECOND);
        if is_second {
            self.second();
        }
        if let Phase::Running(going) = &mut self.phase {
            self.shared.tap.tick(self.shared.clock.host_us());
            self.is_stale |= going.look(&self.shared);
            if going.trial.recording.is_stopped() {
                self.end("stopped");
            } else if going.is_over() {
                self.end("finished");
            } else if going.is_forgotten(&self.shared) {
                let message = "A test that ran for half an hour was ended.".into();
                self.shared.event(EventKind::Trouble { message });
                self.end("stopped");
            }
        }
        if self.is_stale {
            self.publish();
        }
    }

    fn second(&mut self) {
        self.is_stale = true;
        let shared = &self.shared;
        if shared.roster.answers() {
            if !std::mem::replace(&mut self.is_ready, true) {
                (self.notices)(Notice::Ready);
            }
            (self.notices)(Notice::Alive);
        }
        if let Some(message) = self
            .daily
            .look(&shared.clock, &self.plan.stated.calibrations)
        {
            tracing::warn!("{message}");
            shared.event(EventKind::Trouble { message });
        }
        if self.frames.is_multiple_of(FRAMES_A_SECOND * LIST_EVERY) {
            self.list();
        }
        let status = self.status();
        if status != self.status {
            (self.notices)(Notice::Status(status.clone()));
            self.status = status;
        }
    }

    /// One line on how the bench does.
    fn status(&self) -> String {
        let here = crate::inspect::Test::ALL
            .into_iter()
            .map(|test| self.shared.roster.here(test).len())
            .sum::<usize>();
        let probes = match here {
            1 => "1 probe answers".into(),
            n => format!("{n} probes answer"),
        };
        match &self.phase {
            Phase::Running(going) => {
                let (test, folder) = (going.trial.wanted.test.word(), going.trial.folder());
                format!("{probes}; {test} is recorded to {folder}")
            }
            Phase::Ending(_) => format!("{probes}; a record is closed and measured"),
            _ => format!("{probes}; no test runs"),
        }
    }

    fn order(&mut self, order: Order, answer: Answer) {
        let done = match order {
            Order::Begin => return self.begin(answer),
            Order::Choose { test, setup } => self.choose(Wanted { test, setup }),
            Order::Stop => self.stop(),
            Order::Leave => self.leave(),
            Order::LetGo => {
                self.shared.bell.let_go();
                Ok(())
            }
            Order::Mark(text) => self.mark(&text),
            Order::Fault(fault) => self
                .faults
                .as_mut()
                .map_or_else(|| Err(not_virtual()), |faults| faults.switch(fault)),
        };
        self.publish();
        // Whoever asked may be gone.
        let _ = answer.send(done);
    }

    fn choose(&mut self, wanted: Wanted) -> Result<(), Denied> {
        self.must_be_free()?;
        wanted.check(&self.plan)?;
        self.phase = Phase::Cautions(wanted);
        Ok(())
    }

    fn leave(&mut self) -> Result<(), Denied> {
        self.must_be_free()?;
        self.phase = Phase::Start;
        Ok(())
    }

    fn must_be_free(&self) -> Result<(), Denied> {
        match &self.phase {
            Phase::Start | Phase::Cautions(_) | Phase::Ended(_) => Ok(()),
            Phase::Beginning(wanted, _) => Err(busy(wanted)),
            Phase::Running(going) => Err(busy(&going.trial.wanted)),
            Phase::Ending(ending) => Err(busy(&ending.wanted)),
        }
    }

    fn stop(&mut self) -> Result<(), Denied> {
        match &self.phase {
            Phase::Running(_) => {
                self.end("stopped");
                Ok(())
            }
            // It ends already.
            Phase::Ending(_) => Ok(()),
            Phase::Beginning(wanted, _) => Err(busy(wanted)),
            _ => Err(no_test("no test runs; choose one and begin it")),
        }
    }

    fn mark(&mut self, text: &str) -> Result<(), Denied> {
        let Phase::Running(_) = &self.phase else {
            return Err(no_test("no test runs that could be marked"));
        };
        // Marks of the bench's own speak of the record; a person's must not look like them.
        let own = [OVERRUN_MARK, "guard", "gone", "back"];
        let first = text.split(' ').next().unwrap_or_default();
        let is_plain = text.bytes().all(|b| (0x20..=0x7E).contains(&b));
        if text.trim().is_empty() || text.len() > LONGEST_MARK || !is_plain || own.contains(&first)
        {
            return Err(Denied {
                code: "bad_mark",
                message: format!(
                    "a mark is 1 to {LONGEST_MARK} printable ASCII characters, and its first word none of {}",
                    own.join(", ")
                ),
            });
        }
        self.shared.tap.mark(self.shared.clock.host_us(), text);
        Ok(())
    }

    fn begin(&mut self, answer: Answer) {
        let wanted = match (&self.phase, self.must_be_free()) {
            (Phase::Cautions(wanted), _) => wanted.clone(),
            (_, Err(busy)) => return drop(answer.send(Err(busy))),
            _ => return drop(answer.send(Err(no_test("choose a test first")))),
        };
        let here = self.shared.roster.here(wanted.test);
        if here.is_empty() {
            let (test, kind) = (wanted.test.word(), wanted.test.kind());
            let denied = Denied {
                code: "no_probe",
                message: format!("{test} needs a {kind} probe and none answers: plug it in"),
            };
            return drop(answer.send(Err(denied)));
        }
        let (shelf, shared, plan) = (
            Arc::clone(&self.shelf),
            Arc::clone(&self.shared),
            Arc::clone(&self.plan),
        );
        let asked = wanted.clone();
        self.work.spawn_blocking(move || {
            let begun = begin(&*shelf, &shared, &plan, asked, &here);
            Done::Begun(begun.map(Box::new))
        });
        self.phase = Phase::Beginning(wanted, answer);
    }

    fn done(&mut self, done: Done<S>) {
        match done {
            Done::Begun(begun) => self.begun(begun),
            Done::Finished(outcome) => self.finished(*outcome),
            Done::Listed(listed) => {
                self.is_looking = false;
                match listed {
                    // What began meanwhile may be missing there; it is known already.
                    Ok(_) if self.must_be_free().is_err() => {}
                    Ok(folders) => drop(self.kept.found(&folders)),
                    Err(e) => tracing::warn!("the folder of the captures cannot be listed: {e}"),
                }
                self.look_on();
            }
            Done::Looked(name, kept) => {
                self.is_looking = false;
                self.kept.looked(&name, kept);
                self.look_on();
            }
        }
        self.is_stale = true;
    }

    fn begun(&mut self, begun: Result<Box<Begun<S>>, Denied>) {
        let phase = std::mem::replace(&mut self.phase, Phase::Start);
        let Phase::Beginning(wanted, answer) = phase else {
            unreachable!("nothing else happens while a capture is begun");
        };
        let done = match begun {
            Ok(begun) => {
                let (trial, outlets) = *begun;
                tracing::info!("{} is recorded to {}", wanted.test.word(), trial.folder());
                self.shared.tap.open(outlets);
                self.shared.event(EventKind::TestBegan {
                    test: wanted.test.word().into(),
                    capture: trial.folder().into(),
                });
                let going = Going::new(trial, &self.shared);
                self.phase = Phase::Running(Box::new(going));
                self.disk_trouble = None;
                Ok(())
            }
            Err(denied) => {
                if denied.code == "disk" {
                    self.trouble(denied.message.clone());
                }
                self.phase = Phase::Cautions(wanted);
                Err(denied)
            }
        };
        self.publish();
        let _ = answer.send(done);
    }

    /// The disk's words stand on the page until a test begins again.
    fn trouble(&mut self, message: String) {
        self.disk_trouble = Some(message.clone());
        self.shared.event(EventKind::Trouble { message });
    }

    /// Ends the running test: its record is closed and measured elsewhere.
    fn end(&mut self, reason: &'static str) {
        let phase = std::mem::replace(&mut self.phase, Phase::Start);
        let Phase::Running(going) = phase else {
            self.phase = phase;
            return;
        };
        self.shared.tap.close();
        let (trial, ending) = going.end(&self.shared, reason);
        self.phase = Phase::Ending(Box::new(ending));
        let host_us = self.shared.clock.host_us();
        let inspection = self.plan.inspection.clone();
        self.work.spawn_blocking(move || {
            let outcome = trial.finish(host_us, reason, inspection.as_deref());
            Done::Finished(Box::new(outcome))
        });
        self.is_stale = true;
    }

    fn finished(&mut self, outcome: Outcome) {
        let phase = std::mem::replace(&mut self.phase, Phase::Start);
        let Phase::Ending(ending) = phase else {
            unreachable!("a test is ended once, and nothing else happens meanwhile");
        };
        let Ending {
            wanted,
            capture,
            reason,
            is_decided,
            ..
        } = *ending;
        let (found, reason) = match outcome.found {
            Ok(finding) => (Ok(finding), reason.to_owned()),
            Err(e) => {
                let what = e.to_string();
                self.trouble(what.clone());
                (Err(what.clone()), what)
            }
        };
        if let Some(why) = outcome.not_written {
            self.trouble(format!("The inspection did not take this test: {why}"));
        }
        let test = wanted.test.word();
        if let Ok(finding) = &found
            && let Some(verdict) = finding.verdict()
            && !is_decided
        {
            self.shared.event(decided(test, verdict));
        }
        self.shared.event(EventKind::TestEnded {
            test: test.into(),
            capture: capture.clone(),
            reason,
        });
        let now = self.shared.clock.wall();
        let kept = of_ended(&capture, wanted.test, wanted.setup.as_ref(), now, &found);
        self.kept.looked(&capture, Some(kept));
        self.phase = Phase::Ended(Arc::new(Ended {
            setup: wanted.setup,
            capture,
            took_s: outcome.view.as_ref().and_then(took_s),
            found,
            view: outcome.view,
        }));
        self.publish();
        self.look_on();
    }

    /// Lists the folder of the captures.
    fn list(&mut self) {
        if self.must_be_free().is_ok() && !std::mem::replace(&mut self.is_looking, true) {
            let shelf = Arc::clone(&self.shelf);
            self.work
                .spawn_blocking(move || Done::Listed(shelf.folders()));
        }
    }

    /// Looks at the next capture that nobody looked at; not while a test runs, which has the machine for itself.
    fn look_on(&mut self) {
        if self.is_looking || self.must_be_free().is_err() {
            return;
        }
        if let Some(name) = self.kept.next(None) {
            self.is_looking = true;
            let shelf = Arc::clone(&self.shelf);
            self.work.spawn_blocking(move || {
                let kept = look(&shelf.disk(), &name);
                Done::Looked(name, kept)
            });
        }
    }

    /// The bench ends: a running test is closed, and measured only where an inspection asks for its finding.
    async fn end_test(&mut self) {
        // A folder that is being made comes first.
        while matches!(self.phase, Phase::Beginning(..))
            && let Some(done) = self.work.join_next().await
        {
            self.done(done.unwrap_or_else(|e| std::panic::resume_unwind(e.into_panic())));
        }
        let phase = std::mem::replace(&mut self.phase, Phase::Start);
        let Phase::Running(going) = phase else {
            return;
        };
        self.shared.tap.close();
        let (trial, ending) = going.end(&self.shared, "stopped");
        let host_us = self.shared.clock.host_us();
        let inspection = self.plan.inspection.clone();
        let closing = tokio::task::spawn_blocking(move || match inspection.as_deref() {
            None => trial.close(host_us, "stopped"),
            Some(inspection) => {
                let outcome = trial.finish(host_us, "stopped", Some(inspection));
                if let Some(why) = outcome.not_written {
                    tracing::error!("the inspection did not take the last test: {why}");
                }
                outcome.found.map(drop)
            }
        });
        let closed = closing
            .await
            .unwrap_or_else(|e| std::panic::resume_unwind(e.into_panic()));
        if let Err(e) = &closed {
            tracing::error!("{e}");
        }
        self.shared.event(EventKind::TestEnded {
            test: ending.wanted.test.word().into(),
            capture: ending.capture,
            reason: closed.map_or_else(|e| e.to_string(), |()| "stopped".into()),
        });
    }

    /// Publishes the state as it is now.
    fn publish(&mut self) {
        self.is_stale = false;
        let last = self.state.borrow().version;
        let (record, live) = self.shared.tap.dropped();
        let state = State {
            version: last + 1,
            car: self.shared.car.clone(),
            tag: self.plan.tag.clone(),
            probes: self.shared.roster.states(self.daily.calibrations()),
            scene: self.scene(),
            alarm: self.shared.bell.alarm(),
            kept: self.kept.shown(),
            trouble: self.troubles(),
            virtual_bench: self.faults.as_ref().map(|f| f.switches()),
            dropped: super::Dropped { record, live },
        };
        self.state.send_replace(Arc::new(state));
    }

    fn scene(&self) -> Scene {
        let cautions = |wanted: &Wanted| Scene::Cautions {
            test: wanted.test.word(),
            setup: wanted.setup.clone(),
        };
        match &self.phase {
            Phase::Start => Scene::Start,
            Phase::Cautions(wanted) | Phase::Beginning(wanted, _) => cautions(wanted),
            Phase::Running(going) => Scene::Running(going.seen(&self.shared)),
            Phase::Ending(ending) => Scene::Running(Arc::clone(&ending.seen)),
            Phase::Ended(ended) => Scene::Ended(Arc::clone(ended)),
        }
    }

    fn troubles(&self) -> Vec<String> {
        let listing = self.shared.roster.listing_trouble().map(|trouble| {
            format!("The ports cannot all be listed ({trouble}); name them: --port PATH.")
        });
        let slow = match &self.phase {
            Phase::Running(going) => going.slow_disk(),
            _ => None,
        };
        let all = [listing, self.disk_trouble.clone(), slow];
        all.into_iter().flatten().collect()
    }
}

/// The verdict is there.
pub(super) fn decided(test: &str, verdict: Verdict) -> EventKind {
    EventKind::Decided {
        test: test.into(),
        verdict: word(verdict).into(),
    }
}

fn busy(wanted: &Wanted) -> Denied {
    Denied {
        code: "busy",
        message: format!("a {} test runs; end it first", wanted.test.word()),
    }
}

fn no_test(what: &str) -> Denied {
    Denied {
        code: "no_test",
        message: what.into(),
    }
}

fn not_virtual() -> Denied {
    Denied {
        code: "not_virtual",
        message: "this bench has real probes; faults are switched on a virtual one: feelgauge bench --virtual".into(),
    }
}

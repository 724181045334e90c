//! `take`: one capture from probes at ports, with live progress; Ctrl-C ends it cleanly.

mod live;
mod plan;

use std::{
    path::{Path, PathBuf},
    pin::Pin,
    sync::Arc,
    time::Duration,
};

use schemars::JsonSchema;
use serde::Serialize;
use tokio::{
    sync::{mpsc, watch},
    task::JoinHandle,
    time::{Instant, MissedTickBehavior, interval, sleep_until},
};

use super::{
    DONE, Failure, Outcome, Output,
    args::TakeArgs,
    inspection::Writing,
    progress::Progress,
    remote::{self, Remote},
    say,
};
use crate::{
    clock::Clock,
    inspect::{Finding, Input, Mark, Settings, Source, Test},
    probe::{
        bare::listen,
        discover,
        follow::{Happening, Who, follow},
        health::ProbeHealth,
        link::{Link, Patience},
        serial::{self, Port},
        watchman::Watchman,
    },
    reading::{Quality, Refusal},
    record::{
        CaptureMeta, CaptureWriter, Files,
        capture::{Anchor, ProbeMeta},
        queue::{FULL_RATE_30_S, Sender, queue, record},
    },
};
use live::{Live, Seen};
use plan::{Plan, Way};
pub(super) use plan::{told, what_to_do};

/// How long a bare probe may take to its first number: a boot after the reset that opening causes, and a slow board.
const BARE_WAIT: Duration = Duration::from_secs(6);
/// Time between two updates of the progress line.
const UPDATE: Duration = Duration::from_millis(200);
/// Messages to the person that may wait.
const MESSAGES: usize = 64;

/// Result of `take`: the finding with the folder of its capture.
#[derive(Clone, Debug, Serialize, JsonSchema)]
pub struct TakeReport {
    /// Folder of the capture.
    pub capture: String,
    /// What it shows.
    #[serde(flatten)]
    pub shown: Shown,
}

/// A finding, or why there is none.
#[derive(Clone, Debug, Serialize, JsonSchema)]
#[serde(untagged)]
pub enum Shown {
    /// The finding.
    Finding(Finding),
    /// Nobody stated what the test needs; the capture can be analyzed later.
    Nothing {
        /// The test.
        test: String,
        /// What is missing.
        refused: Vec<Refusal>,
        /// Null.
        verdict: Option<String>,
        /// What the record is like.
        quality: Quality,
    },
}

/// Runs `take`.
pub fn run(args: &TakeArgs, output: &mut Output) -> Outcome {
    let bench = Remote::find();
    match &bench {
        Some(bench) if args.ports.is_empty() => {
            no_inspection(args)?;
            return remote::take(bench, args, output);
        }
        Some(bench) => remote::ports_are_the_benchs(bench),
        None if args.ports.is_empty() => {
            return Err(Failure::Usage(
                "feelgauge: name the port of the probe: --port PATH (feelgauge probes lists them); without --port a running bench is asked, and none runs".into(),
            ));
        }
        None => {}
    }
    let inspection = args.inspection.as_deref();
    let by = args.operator.as_deref();
    let inspection = inspection.map(|dir| Writing::of(dir, by)).transpose()?;
    let plan = plan::plan(args, inspection.as_ref())?;
    let runtime = tokio::runtime::Builder::new_multi_thread()
        .enable_all()
        .build()
        .map_err(|e| Failure::Work(format!("feelgauge: no tasks can be started: {e}")))?;
    let report = runtime.block_on(take(&plan))?;
    if let Some(inspection) = &inspection {
        let entries = inspection.capture(Path::new(&report.capture), None)?;
        let lines: Vec<String> = entries.iter().map(|entry| entry.n.to_string()).collect();
        say(&format!(
            "feelgauge: entered into the inspection's journal, line {}",
            lines.join(" and ")
        ));
    }
    let text = |terminal: bool| plan::words(&plan, &report, terminal);
    output.result(&report, text)?;
    Ok(DONE)
}

/// A running bench records into a folder of its own.
fn no_inspection(args: &TakeArgs) -> Result<(), Failure> {
    match &args.inspection {
        None => Ok(()),
        Some(dir) => Err(Failure::Usage(format!(
            "feelgauge: the running bench records where it was told to when it began; then enter the capture: feelgauge inspection add {} CAPTURE",
            dir.display()
        ))),
    }
}

/// A capture that another verb needs.
pub(super) struct Recorded {
    pub test: Test,
    pub port: super::Port,
    pub duration: Duration,
    pub out: PathBuf,
}

/// Records it; its folder. What it shows does not matter.
pub(super) fn record_only(wanted: Recorded) -> Result<PathBuf, Failure> {
    let plan = Plan::of(wanted);
    let runtime = tokio::runtime::Builder::new_multi_thread()
        .enable_all()
        .build()
        .map_err(|e| Failure::Work(format!("feelgauge: no tasks can be started: {e}")))?;
    Ok(runtime.block_on(take(&plan))?.capture.into())
}

/// A probe that answered.
struct Connected {
    link: Link<Port>,
    who: Who,
    source: Source,
    meta: ProbeMeta,
    /// Its identity line, the first row of its record.
    hello: Option<crate::inspect::Row>,
}

async fn take(plan: &Plan) -> Result<TakeReport, Failure> {
    let clock = Clock::system();
    // Made once, so that no signal falls between two of them.
    let mut interrupted = Box::pin(interrupted());
    let probes = tokio::select! {
        probes = connect_all(plan, &clock) => probes?,
        () = &mut interrupted => return Err(Failure::Work("feelgauge: ended before a capture began".into())),
    };
    let sources: Vec<Source> = probes.iter().map(|p| p.source.clone()).collect();
    let settings = plan.settings(&sources)?;
    let writer = begin(plan, &clock, &probes)?;
    let folder = plan.out.join(writer.folder()).display().to_string();
    say(&format!("feelgauge: recording to {folder}"));
    if plan.is_test {
        say(plan::what_to_do(plan.test));
    }

    let seen = Arc::new(Seen::new(plan.test, probes.len()));
    let mut live = Live::new(settings, plan, sources.clone(), Arc::clone(&seen));
    let (sender, receiver) = queue(FULL_RATE_30_S * probes.len());
    let recorder = std::thread::spawn(move || {
        let writer = record(&receiver, writer, |input| live.push(input));
        (writer, live)
    });
    let run = Run {
        plan,
        clock: &clock,
        sender,
        seen,
        sources,
    };
    let reason = run
        .until_the_end(probes, interrupted, || recorder.is_finished())
        .await;
    let (writer, live) = recorder
        .join()
        .unwrap_or_else(|panic| std::panic::resume_unwind(panic));
    let closed = writer.and_then(|writer| writer.close(clock.host_us(), reason));
    closed.map_err(|e| {
        Failure::Work(format!(
            "feelgauge: {folder}: {e}; what was kept can be analyzed"
        ))
    })?;
    Ok(TakeReport {
        capture: folder,
        shown: live.finish(),
    })
}

/// Begins the capture's folder.
fn begin(
    plan: &Plan,
    clock: &Clock,
    probes: &[Connected],
) -> Result<CaptureWriter<Files>, Failure> {
    let anchor = Anchor {
        host_us: clock.host_us(),
        wall: clock.wall(),
    };
    let vehicle = plan.vehicle_text.as_deref();
    let mut meta = CaptureMeta::new(plan.test, anchor, &plan.stated, vehicle);
    meta.operator.clone_from(&plan.operator);
    meta.probes = probes.iter().map(|p| p.meta.clone()).collect();
    for (probe, connected) in meta.probes.iter_mut().zip(probes) {
        probe.calibrate(&connected.source, &plan.stated.calibrations);
    }
    let disk = |e: &dyn std::fmt::Display| {
        Failure::Work(format!(
            "feelgauge: {}: {e}; name a folder that you may write to: --out DIR",
            plan.out.display()
        ))
    };
    let storage = Files::under(&plan.out);
    storage.create_base().map_err(|e| disk(&e))?;
    CaptureWriter::begin(storage, &meta, vehicle).map_err(|e| disk(&e))
}

/// What the readers of a capture share.
struct Run<'a> {
    plan: &'a Plan,
    clock: &'a Clock,
    sender: Sender,
    seen: Arc<Seen>,
    sources: Vec<Source>,
}

impl Run<'_> {
    /// Reads all probes until the time is over, the person ends it or the recorder has ended; says which. When it
    /// returns, every reader has ended and the recorder gets no more.
    async fn until_the_end(
        self,
        probes: Vec<Connected>,
        mut interrupted: Pin<Box<impl Future<Output = ()>>>,
        recorder_ended: impl Fn() -> bool,
    ) -> &'static str {
        let (stop, stopped) = watch::channel(false);
        let (messages, mut told) = mpsc::channel(MESSAGES);
        let readers: Vec<JoinHandle<()>> = probes
            .into_iter()
            .enumerate()
            .map(|(n, probe)| self.reader(n, probe, stopped.clone(), messages.clone()))
            .collect();
        drop(messages);
        let started = Instant::now();
        let end = self.plan.duration.map(|d| started + d);
        let mut update = interval(UPDATE);
        update.set_missed_tick_behavior(MissedTickBehavior::Delay);
        let mut progress = Progress::stderr();
        let reason = loop {
            tokio::select! {
                biased;
                () = &mut interrupted => break "stopped",
                () = until(end) => break "finished",
                Some(message) = told.recv() => {
                    progress.clear();
                    say(&message);
                }
                _ = update.tick() => {
                    if recorder_ended() {
                        break "stopped";
                    }
                    self.sender.tick(self.clock.host_us());
                    progress.show(&self.seen.line(started.elapsed(), self.plan.duration));
                }
            }
        };
        progress.clear();
        stop.send_replace(true);
        for reader in readers {
            if let Err(e) = reader.await {
                std::panic::resume_unwind(e.into_panic());
            }
        }
        reason
    }

    /// The guard where there is something to be guarded.
    fn watchman(&self) -> Option<Watchman> {
        match self.plan.settings(&self.sources) {
            Ok(Ok(Settings::Pull(pull))) => {
                let calibrations = &self.plan.stated.calibrations;
                Some(Watchman::new(&pull, &self.sources, calibrations))
            }
            _ => None,
        }
    }

    fn reader(
        &self,
        n: usize,
        probe: Connected,
        stopped: watch::Receiver<bool>,
        messages: mpsc::Sender<String>,
    ) -> JoinHandle<()> {
        let sender = self.sender.clone();
        if let Some(row) = probe.hello {
            sender.offer(Input::Row(n, row));
        }
        let name = probe.meta.name;
        let mut port = self.plan.ways[n].name.clone();
        // A device's number may be another one's after it was plugged in again; its lasting name is not.
        port.path = discover::lasting_path(Path::new("/dev"), &port.path);
        let clock = self.clock.clone();
        let seen = Arc::clone(&self.seen);
        let mut watchman = self.watchman();
        let mut health = ProbeHealth::new(Some(port.baud));
        tokio::spawn(async move {
            let at = clock.clone();
            let mark = |text: String| {
                sender.offer(Input::Mark(Mark {
                    host_us: at.host_us(),
                    text,
                }));
            };
            // Told or not: what happens is in the record; a person who reads nothing must not stop the reader.
            let tell = |text: String| drop(messages.try_send(text));
            let on = |happening: Happening<'_>| match happening {
                Happening::Arrival(arrival) => {
                    let input = Input::Row(n, arrival.row());
                    let calls = watchman.as_mut().is_some_and(|w| w.calls(&input).is_some());
                    sender.offer(input);
                    health.take(arrival);
                    seen.health(n, health.link());
                    if calls {
                        mark("guard".into());
                        tell("\x07STOP, let go of the cord: it does not give way. Turn the flywheel by hand, plug out.".into());
                    }
                }
                Happening::Gone(gone) => {
                    mark(format!("gone {name}"));
                    tell(format!(
                        "feelgauge: {name}: {gone}; plug it in again, recording goes on"
                    ));
                }
                Happening::Waiting(why) => tell(format!("feelgauge: {name}: {why}")),
                Happening::Back => {
                    mark(format!("back {name}"));
                    tell(format!("feelgauge: {name} is back"));
                }
            };
            follow(
                probe.link,
                &probe.who,
                &clock,
                || serial::open(&port),
                on,
                stopped,
            )
            .await;
        })
    }
}

async fn connect_all(plan: &Plan, clock: &Clock) -> Result<Vec<Connected>, Failure> {
    let mut tasks = Vec::new();
    for (n, way) in plan.ways.iter().enumerate() {
        let (way, clock) = (way.clone(), clock.clone());
        tasks.push(tokio::spawn(async move { connect(n, way, clock).await }));
    }
    let mut probes = Vec::new();
    for task in tasks {
        match task.await {
            Ok(probe) => probes.push(probe?),
            Err(e) => std::panic::resume_unwind(e.into_panic()),
        }
    }
    plan::fits(plan.test, probes.iter().map(|p| (&p.meta, &p.source)))?;
    Ok(probes)
}

async fn connect(n: usize, way: Way, clock: Clock) -> Result<Connected, Failure> {
    let path = &way.name.path;
    let fail = |e: &dyn std::fmt::Display| Failure::Work(format!("feelgauge: {path}: {e}"));
    let port = serial::open(&way.name).map_err(|e| fail(&e))?;
    let mut link = Link::new(port, clock);
    if let Some(bare) = way.bare {
        listen(&mut link, &bare, BARE_WAIT)
            .await
            .map_err(|e| fail(&e))?;
        return Ok(Connected {
            link,
            who: Who::Bare,
            meta: ProbeMeta::of_bare(&bare, n, path),
            source: Source::Bare(bare),
            hello: None,
        });
    }
    let found = link
        .identify(Patience::default(), |_| {})
        .await
        .map_err(|e| fail(&e))?;
    Ok(Connected {
        link,
        who: Who::of(&found.identity),
        meta: ProbeMeta::of(&found.identity, &found.row.bytes, path),
        source: Source::Wire(Some(Box::new(found.identity))),
        hello: Some(found.row),
    })
}

/// Ends at `end`; never without one.
pub(super) async fn until(end: Option<Instant>) {
    match end {
        Some(end) => sleep_until(end).await,
        None => std::future::pending().await,
    }
}

/// Ends at Ctrl-C, or when the system asks the program to end.
pub(super) async fn interrupted() {
    #[cfg(unix)]
    {
        use tokio::signal::unix::{SignalKind, signal};
        if let Ok(mut asked) = signal(SignalKind::terminate()) {
            tokio::select! {
                _ = tokio::signal::ctrl_c() => {}
                _ = asked.recv() => {}
            }
            return;
        }
    }
    if tokio::signal::ctrl_c().await.is_err() {
        // No signals here: only --for ends the capture.
        std::future::pending::<()>().await;
    }
}

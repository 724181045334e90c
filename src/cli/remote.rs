//! `take` and `probes` through a running bench: it holds the ports, so it is asked over loopback.

use std::{net::SocketAddr, time::Duration};

use serde::Deserialize;
use serde_json::{Value, json};
use tokio::time::{Instant, MissedTickBehavior, interval};

use super::{
    DONE, Failure, Outcome, Output,
    args::TakeArgs,
    bench::running_bench,
    probes::PortReport,
    progress::Progress,
    say,
    take::{Shown, TakeReport, interrupted, until, what_to_do},
};
use crate::{
    inspect::{Feed, SettingsError, Stated, Test},
    probe::health::HealthReport,
    reading::Refusal,
    record::{Capture, Files, read_capture, replay, replay::ReplayError},
    report::About,
    wire::Identity,
};

/// How long an answer may take; the bench is on this machine.
const ANSWER: Duration = Duration::from_secs(15);
/// Time between two looks at the state.
const LOOK: Duration = Duration::from_millis(200);
/// How long the bench may take to close and measure a capture.
const CLOSING: Duration = Duration::from_secs(90);

/// A running bench that is asked.
#[derive(Debug)]
pub(super) struct Remote {
    agent: ureq::Agent,
    at: SocketAddr,
    folder: std::path::PathBuf,
}

/// What the API says of the state, as far as it is needed here.
#[derive(Debug, Deserialize)]
struct Seen {
    scene: SceneSeen,
    alarm: Option<AlarmSeen>,
}

#[derive(Debug, Deserialize)]
struct AlarmSeen {
    id: u64,
}

#[derive(Debug, Deserialize)]
#[serde(tag = "scene", rename_all = "snake_case")]
enum SceneSeen {
    Start,
    Cautions,
    Running {
        capture: String,
        since_s: f64,
        view: Value,
        gone: Vec<String>,
    },
    Ended {
        capture: String,
    },
}

/// A probe of the bench.
#[derive(Debug, Deserialize)]
struct ProbeSeen {
    port: String,
    trouble: Option<String>,
    health: Option<HealthReport>,
    identity: Option<Identity>,
}

#[derive(Debug, Deserialize)]
struct ProbesSeen {
    probes: Vec<ProbeSeen>,
}

#[derive(Debug, Deserialize)]
struct ProblemSeen {
    message: String,
}

impl Remote {
    /// The bench that runs on this machine.
    pub fn find() -> Option<Self> {
        let bench = running_bench()?;
        let config = ureq::Agent::config_builder()
            .timeout_global(Some(ANSWER))
            .http_status_as_error(false)
            .max_redirects(0)
            // What is on this machine is not asked by way of another one.
            .proxy(None)
            .build();
        let mut at = bench.address;
        if at.ip().is_unspecified() {
            at.set_ip(std::net::Ipv4Addr::LOCALHOST.into());
        }
        Some(Self {
            agent: config.into(),
            at,
            folder: bench.folder,
        })
    }

    /// Where its page is.
    pub fn page(&self) -> String {
        format!("http://{}/", self.at)
    }

    fn lost(&self, e: &dyn std::fmt::Display) -> Failure {
        Failure::Work(format!(
            "feelgauge: the bench at {} does not answer: {e}; look at its terminal",
            self.page()
        ))
    }

    fn get<T: for<'a> Deserialize<'a>>(&self, path: &str) -> Result<T, Failure> {
        let answer = self.agent.get(format!("http://{}{path}", self.at)).call();
        self.read(answer)
    }

    fn post(&self, path: &str, body: &Value) -> Result<(), Failure> {
        let answer = self
            .agent
            .post(format!("http://{}{path}", self.at))
            .content_type("application/json")
            .send(body.to_string());
        self.read::<Value>(answer).map(drop)
    }

    fn read<T: for<'a> Deserialize<'a>>(
        &self,
        answer: Result<ureq::http::Response<ureq::Body>, ureq::Error>,
    ) -> Result<T, Failure> {
        let mut answer = answer.map_err(|e| self.lost(&e))?;
        let text = answer.body_mut().read_to_string();
        let text = text.map_err(|e| self.lost(&e))?;
        if answer.status() != 200 {
            let problem = serde_json::from_str::<ProblemSeen>(&text);
            let message = problem.map_or_else(|_| answer.status().to_string(), |p| p.message);
            return Err(Failure::Work(format!("feelgauge: {message}")));
        }
        serde_json::from_str(&text).map_err(|e| self.lost(&e))
    }

    /// Its probes, as `probes` shows them.
    pub fn probes(&self) -> Result<Vec<PortReport>, Failure> {
        let seen: ProbesSeen = self.get("/api/1/probes")?;
        let report = |probe: ProbeSeen| PortReport {
            port: probe.port,
            baud: None,
            identity: probe.identity,
            health: probe.health,
            ping_us: None,
            trouble: probe.trouble,
        };
        Ok(seen.probes.into_iter().map(report).collect())
    }
}

/// Runs `take` through the bench.
pub(super) fn take(remote: &Remote, args: &TakeArgs, output: &mut Output) -> Outcome {
    stated_by_the_bench(args)?;
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .build()
        .map_err(|e| Failure::Work(format!("feelgauge: no tasks can be started: {e}")))?;
    let order = json!({ "test": args.test.word(), "setup": args.setup, "begin": true });
    let name = runtime.block_on(async {
        // Heard from before the test begins, so that no signal falls between.
        let interrupted = Box::pin(interrupted());
        remote.post("/api/1/tests", &order)?;
        say(&format!(
            "feelgauge: the bench records; its page: {}",
            remote.page()
        ));
        say(what_to_do(args.test));
        remote.follow(args, interrupted).await
    })?;
    let folder = remote.folder.join(&name);
    let source = folder.display().to_string();
    let unread = |e: &dyn std::fmt::Display| {
        Failure::Work(format!(
            "feelgauge: {source}: {e}; the bench shows it at {}captures/{name}",
            remote.page()
        ))
    };
    let capture = read_capture(&Files::under(&folder), "").map_err(|e| unread(&e))?;
    let car = capture.car().map_err(|e| unread(&e))?;
    let shown = shown(&capture, args.test).map_err(|e| unread(&e))?;
    let report = TakeReport {
        capture: source.clone(),
        shown,
    };
    output.result(&report, |terminal| {
        let about = About {
            source: &source,
            vehicle: car.as_ref(),
            setup: args.setup.as_deref(),
            picture: terminal,
        };
        super::take::told(&report, about)
    })?;
    Ok(DONE)
}

/// What the bench states itself cannot be stated here.
fn stated_by_the_bench(args: &TakeArgs) -> Result<(), Failure> {
    let leak = &args.leak;
    let options = [
        ("--bare", !args.bare.is_empty()),
        ("--vehicle", args.vehicle.is_some()),
        ("--operator", args.operator.is_some()),
        ("--sensor", args.sensor.is_some()),
        ("--mass", args.mass.is_some()),
        ("--calibration", !args.calibrations.is_empty()),
        ("--volume", leak.volume.is_some() || leak.volume_u.is_some()),
        ("--at", leak.at.is_some()),
        ("--limit", leak.limit.is_some()),
        ("--baro", leak.baro.is_some()),
        ("--syringe", leak.syringe.is_some()),
    ];
    let stated: Vec<&str> = options.into_iter().filter(|o| o.1).map(|o| o.0).collect();
    if stated.is_empty() {
        return Ok(());
    }
    Err(Failure::Usage(format!(
        "feelgauge: a bench runs and states the car and its settings itself; give {} to `feelgauge bench`, or name a \
         port that the bench does not hold: --port PATH",
        stated.join(", ")
    )))
}

/// What a capture shows, or what is missing for a finding: as when it is taken without a bench.
fn shown(capture: &Capture, test: Test) -> Result<Shown, ReplayError> {
    let code = match capture.analyze(Stated::default(), None) {
        Ok(finding) => return Ok(Shown::Finding(finding)),
        Err(ReplayError::Settings(SettingsError::NoVolume)) => "no_volume",
        Err(ReplayError::Settings(SettingsError::NoVehicle)) => "no_vehicle",
        Err(e) => return Err(e),
    };
    let error = match code {
        "no_volume" => SettingsError::NoVolume,
        _ => SettingsError::NoVehicle,
    };
    let sensors = match test {
        Test::Roll => vec![capture.meta.settings.sensor.unwrap_or(0)],
        Test::Leak | Test::Pull => Vec::new(),
    };
    let mut feed = Feed::new(test, replay::sources(&capture.meta.probes)?, sensors);
    for input in capture.inputs() {
        feed.push(&input, &mut |_| {});
    }
    Ok(Shown::Nothing {
        test: test.word().into(),
        refused: vec![Refusal::new(code, error.to_string())],
        verdict: None,
        quality: feed.finish(&capture.faults, &capture.flags(), &mut |_| {}),
    })
}

impl Remote {
    /// Shows how the test goes until it has ended; the name of its capture.
    async fn follow(
        &self,
        args: &TakeArgs,
        mut interrupted: std::pin::Pin<Box<impl Future<Output = ()>>>,
    ) -> Result<String, Failure> {
        let started = Instant::now();
        let end = args.duration.map(|d| started + d);
        let mut look = interval(LOOK);
        look.set_missed_tick_behavior(MissedTickBehavior::Delay);
        let mut shows = Shows::new(args);
        let mut closing: Option<Instant> = None;
        loop {
            let stops = tokio::select! {
                biased;
                () = &mut interrupted, if closing.is_none() => true,
                () = until(end), if closing.is_none() => true,
                _ = look.tick() => false,
            };
            if stops {
                closing = Some(Instant::now());
                // It may have ended by itself a moment ago; the state says.
                if let Err(Failure::Work(e)) = self.post("/api/1/test/stop", &json!({})) {
                    tracing::info!("{e}");
                }
            }
            let seen: Seen = self.get("/api/1/state")?;
            if let Some(name) = shows.take(&seen) {
                return Ok(name);
            }
            if closing.is_some_and(|since| since.elapsed() > CLOSING) {
                return Err(self.lost(&"the capture was not closed in time"));
            }
        }
    }
}

/// What the person sees while the bench records.
struct Shows<'a> {
    args: &'a TakeArgs,
    progress: Progress,
    /// The capture of this test, once it was seen.
    capture: Option<String>,
    /// The last warning that was told.
    warned: Option<u64>,
    gone: Vec<String>,
}

impl<'a> Shows<'a> {
    fn new(args: &'a TakeArgs) -> Self {
        Self {
            args,
            progress: Progress::stderr(),
            capture: None,
            warned: None,
            gone: Vec::new(),
        }
    }

    /// Shows the state; the capture's name when the test has ended.
    fn take(&mut self, seen: &Seen) -> Option<String> {
        let alarm = seen.alarm.as_ref().map(|alarm| alarm.id);
        if alarm.is_some() && alarm != self.warned {
            self.progress.clear();
            say(
                "\x07STOP, let go of the cord: it does not give way. Turn the flywheel by hand, plug out.",
            );
        }
        self.warned = alarm;
        match &seen.scene {
            SceneSeen::Running {
                capture,
                since_s,
                view,
                gone,
            } => {
                self.capture = Some(capture.clone());
                for name in gone.iter().filter(|name| !self.gone.contains(name)) {
                    self.progress.clear();
                    say(&format!(
                        "feelgauge: {name} is gone; plug it in again, recording goes on"
                    ));
                }
                self.gone.clone_from(gone);
                self.progress.show(&line(self.args, *since_s, view));
                None
            }
            SceneSeen::Ended { capture } => {
                self.progress.clear();
                Some(capture.clone())
            }
            // Somebody left the finished test on the page before it was looked at here.
            SceneSeen::Start | SceneSeen::Cautions => self.capture.clone(),
        }
    }
}

/// The progress line.
fn line(args: &TakeArgs, since_s: f64, view: &Value) -> String {
    let time = match args.duration {
        Some(of) => format!("{since_s:.0} of {} s", of.as_secs()),
        None => format!("{since_s:.0} s, Ctrl-C ends it"),
    };
    let number = |key: &str| view[key].as_f64();
    let now = match args.test {
        Test::Leak => number("pressure_pa").map(|pa| format!("{:.2} kPa", pa / 1e3)),
        Test::Pull => number("force_n").map(|n| {
            let pulls = view["pulls"].as_array().map_or(0, Vec::len);
            format!("{n:.1} N, {pulls} pulls")
        }),
        Test::Roll => number("turns").map(|turns| format!("{turns:.0} coasting turns")),
    };
    let now = now.unwrap_or_else(|| "no readings yet".into());
    let verdict = view["verdict"].as_str().unwrap_or("undecided");
    format!("{}: {time} | {now} | {verdict}", args.test.word())
}

/// What is said when ports are named while a bench runs.
pub(super) fn ports_are_the_benchs(remote: &Remote) {
    say(&format!(
        "feelgauge: a bench runs at {} and holds the probes that it found; without --port it is asked to record",
        remote.page()
    ));
}

//! The parent: starts probes, daemon and pages, counts, and writes the section.

use std::{
    fmt::Write as _,
    io::{BufRead as _, BufReader, Write as _},
    net::SocketAddr,
    path::Path,
    process::{Child, ChildStdin, Command, Stdio},
    sync::mpsc::{Receiver, RecvTimeoutError, channel},
    time::Duration,
};

use hdrhistogram::Histogram;

use crate::{
    DAEMON,
    clients::Visitor,
    common::Run,
    load::{FORCES, HALLS, Load, PRESSURES, pull_ends},
    wall_ns,
};

/// Heading of the section.
const TITLE: &str = "Bench: 16 probes on pseudo-terminals, recording, pages that look";
/// From one stuck cord to the next: each is let go of in between.
const STICK_EVERY: Duration = Duration::from_millis(150);
/// Time for the last warnings to arrive.
const LAST: Duration = Duration::from_millis(500);
/// The daemon has so long for what it is told.
const PATIENCE: Duration = Duration::from_secs(30);
/// Asked: a warning in the daemon, at a page, and a pull in the state, ms.
const WARNING_MS: f64 = 2.0;
const PAGE_MS: f64 = 50.0;
const PULL_MS: f64 = 200.0;

/// Name of the event by which a page and a listener of the API hear a warning, and a word in it.
const PAGE_WARNING: (&str, &str) = ("stop", "alertdialog");
const API_WARNING: (&str, &str) = ("message", "\"event\":\"stop\"");
/// A pull has ended when no force follows for so long, us: `measure::pull` goes by that.
const QUIET_US: u64 = 250_000;

/// The daemon in its own process.
struct Daemon {
    child: Child,
    orders: Option<ChildStdin>,
    /// Its lines: words, and wall time where there is one.
    told: Receiver<String>,
    at: SocketAddr,
}

impl Daemon {
    fn start(folder: &Path, ports: &[String]) -> Self {
        let me = std::env::current_exe().expect("this program has a path");
        let mut child = Command::new(me)
            .env(DAEMON, folder)
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .spawn()
            .expect("a child");
        let mut orders = child.stdin.take();
        if let Some(orders) = &mut orders {
            writeln!(orders, "{}", ports.join(" ")).expect("the daemon listens");
        }
        let lines = BufReader::new(child.stdout.take().expect("it is piped")).lines();
        let (tell, told) = channel();
        std::thread::spawn(move || {
            for line in lines.map_while(Result::ok) {
                if tell.send(line).is_err() {
                    break;
                }
            }
        });
        let mut daemon = Self {
            child,
            orders,
            told,
            at: SocketAddr::from(([127, 0, 0, 1], 0)),
        };
        daemon.at = daemon.wait("at").parse().expect("an address");
        daemon.wait("here");
        daemon
    }

    /// Waits for a line that begins with the word; its rest.
    fn wait(&self, word: &str) -> String {
        loop {
            let line = self.told.recv_timeout(PATIENCE);
            let line = line.unwrap_or_else(|e| panic!("the daemon never said '{word}': {e}"));
            if let Some(rest) = line.strip_prefix(word) {
                return rest.trim().into();
            }
        }
    }

    fn order(&mut self, order: &str) {
        let orders = self.orders.as_mut().expect("open until the end");
        writeln!(orders, "{order}").expect("the daemon listens");
    }

    /// Processor time so far, s, and resident memory, MiB.
    fn costs(&self) -> (f64, f64) {
        let of = |name: &str| {
            let path = format!("/proc/{}/{name}", self.child.id());
            std::fs::read_to_string(path).unwrap_or_default()
        };
        // Fields 14 and 15 of proc(5), in clock ticks of 10 ms; the name before them may hold spaces.
        let stat = of("stat");
        let rest = stat.rsplit(')').next().unwrap_or_default();
        let ticks: f64 = rest
            .split_whitespace()
            .skip(11)
            .take(2)
            .filter_map(|t| t.parse::<f64>().ok())
            .sum();
        let status = of("status");
        let kib = status.lines().find_map(|l| l.strip_prefix("VmRSS:"));
        let kib = kib.and_then(|l| l.split_whitespace().next()?.parse::<f64>().ok());
        (ticks / 100.0, kib.unwrap_or(f64::NAN) / 1024.0)
    }
}

impl Drop for Daemon {
    fn drop(&mut self) {
        drop(self.orders.take());
        drop(self.child.wait());
    }
}

/// What was seen with so many pages.
struct Seen {
    pages: usize,
    warning: Histogram<u64>,
    at_page: Histogram<u64>,
    at_listener: Histogram<u64>,
    pull: Histogram<u64>,
    frames_per_s: f64,
    processor: f64,
    memory_mib: f64,
    late_share: f64,
}

fn histogram() -> Histogram<u64> {
    Histogram::new_with_bounds(1, 60_000_000, 3).expect("bounds are right")
}

/// Runs the bench and writes its section.
pub fn run(run: &Run) {
    let folder = run.dir().join("captures");
    std::fs::create_dir_all(&folder).expect("a folder for the captures");
    let before = std::fs::read_to_string("/proc/loadavg").unwrap_or_default();
    let stuck = if run.quick { 6 } else { 300 };
    let load = Load::plug_in();
    let mut daemon = Daemon::start(&folder, &load.paths);
    let pages = tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .build()
        .expect("a runtime for the pages");
    daemon.order("begin");
    let mut seen = Vec::new();
    for visitors in [1, 50] {
        seen.push(pages.block_on(with_pages(visitors, stuck, &mut daemon, &load)));
    }
    drop(daemon);
    let mut text = section(&seen, stuck);
    if let Some(load) = before.split_whitespace().next() {
        writeln!(
            text,
            "- Other work on the machine when this began: load {load}."
        )
        .expect("a string takes text");
    }
    run.show_section(TITLE, &text);
}

async fn with_pages(count: usize, stuck: usize, daemon: &mut Daemon, load: &Load) -> Seen {
    let mut visitors = Vec::new();
    for _ in 0..count {
        visitors.push(Visitor::open(daemon.at, "/stream?width=narrow", PAGE_WARNING).await);
    }
    let listener = Visitor::open(daemon.at, "/api/1/events", API_WARNING).await;
    // Bases of the guards, first studies, caches.
    tokio::time::sleep(Duration::from_secs(4)).await;
    for visitor in visitors.iter().chain([&listener]) {
        visitor.saw(|saw| *saw = crate::clients::Saw::default());
    }
    while daemon.told.try_recv().is_ok() {}
    let before = load.done(|done| (done.stuck.len(), done.late));
    let (from_ns, from_s) = (wall_ns(), daemon.costs().0);
    for _ in 0..stuck {
        load.stick();
        tokio::time::sleep(STICK_EVERY / 2).await;
        daemon.order("let go");
        tokio::time::sleep(STICK_EVERY / 2).await;
    }
    tokio::time::sleep(LAST).await;
    let seconds = (wall_ns() - from_ns) as f64 * 1e-9;
    let (processor_s, memory_mib) = daemon.costs();
    let (wrote, late) = load.done(|done| (done.stuck[before.0..].to_vec(), done.late));
    let (alarms, pulls) = told(&daemon.told);
    let mut at_page = histogram();
    for visitor in &visitors {
        visitor.saw(|saw| between(&wrote, &saw.stops, &mut at_page));
    }
    let mut warning = histogram();
    between(&wrote, &alarms, &mut warning);
    let mut at_listener = histogram();
    listener.saw(|saw| between(&wrote, &saw.stops, &mut at_listener));
    let frames: u64 = visitors.iter().map(|v| v.saw(|saw| saw.frames)).sum();
    Seen {
        pages: count,
        warning,
        at_page,
        at_listener,
        pull: appeared(&pulls, load),
        frames_per_s: frames as f64 / seconds / count as f64,
        processor: (processor_s - from_s) / seconds,
        memory_mib,
        late_share: (late.0 - before.1.0) as f64 / (late.1 - before.1.1).max(1) as f64,
    }
}

/// Wall times of the alarms and of the pulls that the daemon told of.
fn told(lines: &Receiver<String>) -> (Vec<u64>, Vec<u64>) {
    let (mut alarms, mut pulls) = (Vec::new(), Vec::new());
    loop {
        match lines.recv_timeout(Duration::from_millis(50)) {
            Ok(line) => match line.split_once(' ') {
                Some(("alarm", at)) => alarms.push(at.parse().expect("a time")),
                Some(("pull", at)) => pulls.push(at.parse().expect("a time")),
                _ => {}
            },
            Err(RecvTimeoutError::Timeout) => return (alarms, pulls),
            Err(e) => panic!("the daemon is gone: {e}"),
        }
    }
}

/// Microseconds from each cause to the first effect after it, before the next cause.
fn between(causes: &[u64], effects: &[u64], out: &mut Histogram<u64>) {
    for (n, cause) in causes.iter().enumerate() {
        let next = causes.get(n + 1).copied().unwrap_or(u64::MAX);
        let effect = effects.iter().find(|at| **at >= *cause && **at < next);
        if let Some(at) = effect {
            out.saturating_record(((at - cause) / 1000).max(1));
        }
    }
}

/// From the end of each pull, as the measure says, to the state that shows it.
fn appeared(shown: &[u64], load: &Load) -> Histogram<u64> {
    let (ends, session_s) = pull_ends();
    let from_ns = load
        .done(|done| done.pulls_from)
        .expect("the probe measures");
    let mut histogram = histogram();
    for at in shown {
        let now_s = (at - from_ns) as f64 * 1e-9 % session_s;
        let since = ends
            .iter()
            .filter(|end| **end <= now_s)
            .map(|end| now_s - end);
        if let Some(since_s) = since.min_by(f64::total_cmp) {
            let us = Duration::from_secs_f64(since_s).as_micros();
            histogram.saturating_record(u64::try_from(us).expect("seconds"));
        }
    }
    histogram
}

/// The same delays counted from `us` later.
fn later(delays: &Histogram<u64>, us: u64) -> Histogram<u64> {
    let mut later = histogram();
    for delay in delays.iter_recorded() {
        let value = delay.value_iterated_to().saturating_sub(us).max(1);
        later.saturating_record_n(value, delay.count_at_value());
    }
    later
}

fn row(out: &mut String, what: &str, pages: usize, seen: &Histogram<u64>, asked: Option<f64>) {
    let ms = |quantile: f64| seen.value_at_quantile(quantile) as f64 / 1000.0;
    let p99 = ms(0.99);
    let asked = match asked {
        None => String::new(),
        Some(asked) if p99 <= asked && !seen.is_empty() => format!("<= {asked} ms"),
        Some(asked) => format!("<= {asked} ms: MISSED"),
    };
    writeln!(
        out,
        "| {what} | {pages} | {} | {:.2} ms | {p99:.2} ms | {:.2} ms | {asked} |",
        seen.len(),
        ms(0.5),
        ms(1.0),
    )
    .expect("a string takes text");
}

fn section(seen: &[Seen], stuck: usize) -> String {
    let mut text = format!(
        "## {TITLE}\n\n| from a byte at the port to | pages | seen | median | p99 | max | asked of p99 |\n|---|---|---|---|---|---|---|\n"
    );
    for s in seen {
        delays(&mut text, s);
    }
    text += "\n| pages | pictures and scenes a second at each | processor, of one core | memory | lines the probes wrote over 1 ms late |\n|---|---|---|---|---|\n";
    for s in seen {
        writeln!(
            text,
            "| {} | {:.1} | {:.0} % | {:.0} MiB | {:.1} % |",
            s.pages,
            s.frames_per_s,
            100.0 * s.processor,
            s.memory_mib,
            100.0 * s.late_share
        )
        .expect("a string takes text");
    }
    write!(
        text,
        "\n- {FORCES} force probes at 1 kHz, {PRESSURES} pressure probes at 100 Hz, {HALLS} hall probes at 400 edges/s, 50 lines a second each, on pseudo-terminals \
         through the daemon's own serial code; a pull test runs and records to a folder (the next one begins at each verdict) while the first force probe pulls; the \
         other ones are stuck in turn, {stuck} times with each number of pages.\n\
         - The daemon is a process of its own; probes and pages run in another one on the same two cores, so its delays contain theirs. Times are taken just \
         before the write and just after the event, by the wall clock that both share.\n"
    )
    .expect("a string takes text");
    text
}

fn delays(text: &mut String, s: &Seen) {
    let rested = later(&s.pull, QUIET_US);
    let rows = [
        (
            "the guard's warning in the daemon",
            &s.warning,
            Some(WARNING_MS),
        ),
        ("the warning at a page", &s.at_page, Some(PAGE_MS)),
        ("the event at a listener of the API", &s.at_listener, None),
        ("a pull in the state, from its last force on", &s.pull, None),
        (
            "the same, from the 0.25 s of rest on that end a pull",
            &rested,
            Some(PULL_MS),
        ),
    ];
    for (what, seen, asked) in rows {
        row(text, what, s.pages, seen, asked);
    }
}

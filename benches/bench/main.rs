//! The daemon under load: 16 probes on pseudo-terminals, recording to a folder, pages that look. How long from a byte at
//! the port to the guard's warning, in the daemon and at a page; what it costs in processor time and memory.
//!
//! The daemon runs in a child process (this program again), so that the probes and the pages, which are simulated here,
//! are not counted as its own. They share the machine's cores with it all the same.

#[cfg(unix)]
mod clients;
#[path = "../common/mod.rs"]
mod common;
#[cfg(unix)]
mod daemon;
#[cfg(unix)]
mod load;
#[cfg(unix)]
mod measured;

/// Word after which the program is the daemon.
const DAEMON: &str = "FEELGAUGE_BENCH_DAEMON";

#[cfg(unix)]
fn main() {
    if let Ok(folder) = std::env::var(DAEMON) {
        daemon::run(std::path::Path::new(&folder));
    } else {
        measured::run(&common::Run::from_args());
    }
}

#[cfg(not(unix))]
fn main() {
    eprintln!("SKIPPED: there are no pseudo-terminals here");
}

/// Wall time, nanoseconds: the one clock that two processes share here.
#[cfg(unix)]
#[allow(clippy::disallowed_methods)] // a bench is a clock
fn wall_ns() -> u64 {
    let since = std::time::SystemTime::now().duration_since(std::time::UNIX_EPOCH);
    let ns = since.expect("after 1970").as_nanos();
    u64::try_from(ns).expect("before 2554")
}

//! The command line: raw arguments, a resolved plan, one file a verb.

mod analyze;
pub mod args;
mod bench;
mod calibrate;
mod compare;
mod demo;
mod export;
mod inspection;
mod keys;
mod parse;
mod plan;
mod plot;
mod probes;
pub mod progress;
mod records;
mod remote;
mod report;
mod rule_out;
mod schema;
mod seal;
mod simulate;
mod take;
mod tree;
mod vehicle_cmd;
mod verify;

use std::{
    ffi::OsString,
    io::{self, IsTerminal as _, Write},
    process::ExitCode,
};

use clap::Parser as _;

use args::{Arguments, Verb};
pub use parse::{Bare, Port, SetupItem, Span};

/// Exit status of a command that did its work.
pub const DONE: u8 = 0;
/// Something could not be read or done.
pub const FAILED: u8 = 1;
/// Wrong usage.
pub const USAGE: u8 = 2;
/// With `--verdict-exit`: outside.
pub const OUTSIDE: u8 = 3;
/// With `--verdict-exit`: undecided or refused.
pub const UNDECIDED: u8 = 4;

/// Why a verb did not do its work. The texts say what, where, and what to do.
#[derive(Debug)]
pub enum Failure {
    /// Something could not be read or done: exit 1.
    Work(String),
    /// The command line asks for something that cannot be: exit 2.
    Usage(String),
    /// Standard output could not be written; a closed pipe is no failure.
    Output(io::Error),
}

impl From<io::Error> for Failure {
    /// Only writing to standard output may be passed up by `?`; everything else is worded where it happens.
    fn from(e: io::Error) -> Self {
        Self::Output(e)
    }
}

/// Exit status, or why there is no result.
pub type Outcome = Result<u8, Failure>;

/// Where results go and how they shall look.
pub struct Output<'a> {
    /// Standard output; nothing but results goes there.
    pub sink: &'a mut dyn Write,
    /// JSON instead of text.
    pub json: bool,
    /// A person looks at it: pictures of block characters may be drawn.
    pub terminal: bool,
}

impl Output<'_> {
    /// Writes one result: JSON with a newline at its end when asked for, else the text.
    ///
    /// # Errors
    /// [`Failure::Output`].
    pub fn result(
        &mut self,
        value: &impl serde::Serialize,
        text: impl FnOnce(bool) -> String,
    ) -> Result<(), Failure> {
        let all = if self.json {
            crate::report::pretty(value)
        } else {
            text(self.terminal)
        };
        self.sink.write_all(all.as_bytes())?;
        Ok(self.sink.flush()?)
    }
}

/// Runs the command and says how it ended.
pub fn run(args: impl IntoIterator<Item = OsString>) -> ExitCode {
    let arguments = match Arguments::try_parse_from(args) {
        Ok(arguments) => arguments,
        Err(e) => {
            // Help and version come this way too. A closed pipe is nothing to complain about.
            let _ = e.print();
            return ExitCode::from(if e.use_stderr() { USAGE } else { DONE });
        }
    };
    log_to_stderr(arguments.verbose);
    let stdout = io::stdout();
    let mut output = Output {
        terminal: stdout.is_terminal(),
        sink: &mut stdout.lock(),
        json: arguments.json,
    };
    let status = match dispatch(arguments.verb, &mut output) {
        Ok(status) => status,
        Err(Failure::Output(e)) if e.kind() == io::ErrorKind::BrokenPipe => DONE,
        Err(Failure::Output(e)) => {
            say(&format!(
                "feelgauge: standard output cannot be written: {e}"
            ));
            FAILED
        }
        Err(Failure::Work(message)) => {
            say(&message);
            FAILED
        }
        Err(Failure::Usage(message)) => {
            say(&message);
            USAGE
        }
    };
    ExitCode::from(status)
}

fn dispatch(verb: Verb, output: &mut Output) -> Outcome {
    match verb {
        Verb::Demo(args) => demo::run(&args, output),
        Verb::Probes(args) => probes::run(&args, output),
        Verb::Bench(args) => bench::run(*args, output),
        Verb::Take(args) => take::run(&args, output),
        Verb::Calibrate(verb) => calibrate::run(verb, output),
        Verb::Analyze(verb) => analyze::run(verb, output),
        Verb::Compare(args) => compare::run(&args, output),
        Verb::RuleOut(args) => rule_out::run(&args, output),
        Verb::Simulate(args) => simulate::run(&args, output),
        Verb::Vehicle(verb) => vehicle_cmd::run(verb, output),
        Verb::Inspection(verb) => inspection::run(verb, output),
        Verb::Seal(args) => seal::run(&args, output),
        Verb::Verify(args) => verify::run(&args, output),
        Verb::Report(args) => report::run(&args, output),
        Verb::Export(args) => export::run(&args, output),
        Verb::Schema => schema::run(output),
    }
}

/// One message for the person, on standard error. That it cannot be written is no reason to stop.
pub fn say(message: &str) {
    let _ = writeln!(io::stderr(), "{message}");
}

/// Diagnostics: what RUST_LOG says, else by the number of `-v`.
fn log_to_stderr(verbose: u8) {
    let level = match verbose {
        0 => "warn",
        1 => "feelgauge=info,warn",
        _ => "feelgauge=debug,info",
    };
    let filter = tracing_subscriber::EnvFilter::try_from_default_env()
        .unwrap_or_else(|_| tracing_subscriber::EnvFilter::new(level));
    // Fails only where a subscriber is set already, as in a test that runs two commands in one process.
    let _ = tracing_subscriber::fmt()
        .with_env_filter(filter)
        .with_writer(io::stderr)
        .with_ansi(io::stderr().is_terminal())
        .without_time()
        .try_init();
}

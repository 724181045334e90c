//! The `feelgauge` command: arguments in, exit code out.

use std::process::ExitCode;

fn main() -> ExitCode {
    feelgauge::cli::run(std::env::args_os())
}

//! Live progress: one line on a terminal that is written over; nothing where nobody looks.

use std::io::{self, IsTerminal as _, Write as _};

/// Longest line that is written over cleanly on a narrow terminal.
const WIDTH: usize = 78;

/// A line on standard error that changes while something is recorded.
#[derive(Debug)]
pub struct Progress {
    terminal: bool,
    /// Characters of the line that stands there now.
    shown: usize,
}

impl Progress {
    /// Progress on standard error; silent unless that is a terminal.
    pub fn stderr() -> Self {
        Self {
            terminal: io::stderr().is_terminal(),
            shown: 0,
        }
    }

    /// Replaces the line.
    pub fn show(&mut self, line: &str) {
        if self.terminal {
            let line: String = line.chars().take(WIDTH).collect();
            let shown = line.chars().count();
            let rest = " ".repeat(self.shown.saturating_sub(shown));
            // That progress cannot be shown is no reason to stop.
            let _ = write!(io::stderr(), "\r{line}{rest}").and_then(|()| io::stderr().flush());
            self.shown = shown;
        }
    }

    /// Takes the line away, so that a message can stand in its place.
    pub fn clear(&mut self) {
        self.show("");
        if self.terminal {
            let _ = write!(io::stderr(), "\r");
        }
        self.shown = 0;
    }
}

impl Drop for Progress {
    fn drop(&mut self) {
        if self.shown > 0 {
            self.clear();
        }
    }
}

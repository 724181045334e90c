//! What is to be run, how long, from which seed.

use std::path::PathBuf;

use clap::{Parser, ValueEnum};

use crate::figure::Sheet;

/// Simulates cars with known truth, measures them, and prints the figures beside those of the design study.
#[derive(Clone, Debug, Parser)]
pub struct Args {
    /// What to study; everything when nothing is named.
    #[arg(value_enum)]
    pub topics: Vec<Topic>,
    /// Few runs: half a minute. Fails when a figure misses the design study by more than chance explains.
    #[arg(long)]
    pub short: bool,
    /// Where the seeds start.
    #[arg(long, default_value_t = 1)]
    pub seed: u64,
    /// Also write the tables into this file.
    #[arg(long, value_name = "FILE")]
    pub out: Option<PathBuf>,
}

/// One topic.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub enum Topic {
    /// Leak by scenario.
    Leak,
    /// Strokes and peaks by sampling.
    Pull,
    /// The guard of the cord.
    Guard,
    /// Before and after.
    Compare,
    /// Snags.
    Roll,
}

/// How long and from which seed.
#[derive(Clone, Copy, Debug)]
pub struct Plan {
    /// A short run.
    pub short: bool,
    /// The person's seed.
    pub seed: u64,
}

impl Plan {
    /// First seed of part `number` of a topic: no two overlap while a part uses fewer than 100 000.
    pub fn seed(&self, topic: u64, number: usize) -> u64 {
        self.seed * 1_000_000_000 + topic * 10_000_000 + number as u64 * 100_000
    }

    /// Runs of a long and of a short study.
    pub fn size(&self, long: usize, short: usize) -> usize {
        if self.short { short } else { long }
    }
}

/// Says on standard error that a sheet is done.
pub fn tell(sheet: &Sheet) {
    eprintln!("done: {}", sheet.title());
}

/// Seeds as printed: the first and the last one used.
pub fn seeds(first: u64, runs: usize) -> String {
    format!("{first} to {}", first + (runs.max(1) - 1) as u64)
}

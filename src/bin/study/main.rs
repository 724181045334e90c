//! Studies: simulated cars with known truth are measured, and the figures are set beside those of the design study, on
//! whose simulator the measures' constants were chosen. This simulator is another one, so the two need not agree in
//! everything; what misses is named.
//!
//! `cargo run --release --bin study -- --out firmware-notes/figures.md` runs everything in about a quarter of an hour,
//! `--short` a part of it in half a minute; the short run fails when chance does not explain what it finds.

mod car;
mod compare;
mod compare_leak;
mod compare_roll;
mod figure;
mod guard;
mod leak;
mod numbers;
mod plan;
mod pull;
mod roll;
mod roll_depth;
mod score;
mod strokes;
mod tank;

use std::fmt::Write as _;
use std::process::ExitCode;
use std::thread::ScopedJoinHandle;

use clap::Parser as _;

use figure::Sheet;
use plan::{Args, Plan, Topic};

fn main() -> ExitCode {
    let args = Args::parse();
    let plan = Plan {
        short: args.short,
        seed: args.seed,
    };
    let asked = |topic: &Topic| args.topics.is_empty() || args.topics.contains(topic);
    // A thread a topic: every run has a seed of its own, so the figures do not depend on who is first.
    let sheets: Vec<Sheet> = std::thread::scope(|scope| {
        let running: Vec<_> = TOPICS
            .iter()
            .filter(|(topic, _)| asked(topic))
            .map(|(_, study)| scope.spawn(|| study(&plan)))
            .collect();
        let finished = running.into_iter().map(ScopedJoinHandle::join);
        finished
            .flat_map(|sheets| sheets.expect("a study that panics has told why"))
            .collect()
    });
    let missed: Vec<String> = sheets.iter().flat_map(|s| s.missed(plan.short)).collect();
    let text = page(&sheets, &missed, plan);
    println!("{text}");
    if let Some(path) = &args.out
        && let Err(error) = std::fs::write(path, &text)
    {
        eprintln!("{}: {error}", path.display());
        return ExitCode::FAILURE;
    }
    if plan.short && !missed.is_empty() {
        return ExitCode::FAILURE;
    }
    ExitCode::SUCCESS
}

type Study = fn(&Plan) -> Vec<Sheet>;

/// Topics in the order in which they are printed.
const TOPICS: &[(Topic, Study)] = &[
    (Topic::Leak, leak::sheets),
    (Topic::Pull, pull::sheets),
    (Topic::Guard, guard::sheets),
    (Topic::Compare, compare::sheets),
    (Topic::Roll, roll::sheets),
];

/// The whole page: what it is, what misses, the sheets.
fn page(sheets: &[Sheet], missed: &[String], plan: Plan) -> String {
    let compared: usize = sheets.iter().map(Sheet::compared).sum();
    let mut text = format!(
        "# Figures\n\n\
         Simulated cars with known truth, measured. Written by `cargo run --release --bin study -- --out firmware-notes/figures.md`{}, seed {}; same seed, same figures.\n\n\
         The column *design study* holds the figures on which the measures were designed, from another simulator of the same population; *error* is the \
         standard error of the figure here (binomial for shares). *same*: within 1.96 standard errors of both; *missed*: worse by more; *better*: better by more. \
         {compared} figures stand beside one of the design study, so about {:.0} are named missed by chance alone.\n\n\
         ## What misses the design study\n\n",
        if plan.short { " (a short run)" } else { "" },
        plan.seed,
        0.025 * compared as f64
    );
    if missed.is_empty() {
        text.push_str("Nothing.\n");
    }
    for line in missed {
        writeln!(text, "- {line}").expect("a string takes text");
    }
    text.push_str("\n## All figures\n\n");
    for sheet in sheets {
        writeln!(text, "{}", sheet.text()).expect("a string takes text");
    }
    text
}

//! The short study: figures of simulated cars beside those of the design study. A share that is worse than chance explains
//! (once in two thousand, by the binomial error of both) fails it.

use std::process::Command;

#[test]
fn short_study_misses_nothing() {
    let run = Command::new(env!("CARGO_BIN_EXE_study"))
        .arg("--short")
        .output()
        .expect("the study is built beside this test");
    let text = String::from_utf8_lossy(&run.stdout);
    let missed = text.split("## All figures").next().unwrap_or_default();
    assert!(run.status.success(), "{missed}");
    let rows = text
        .lines()
        .filter(|l| l.ends_with("| same |") || l.ends_with("| better |"))
        .count();
    println!("{rows} figures as in the design study or better");
    assert!(rows > 60, "the study ran: {rows} rows\n{text}");
}

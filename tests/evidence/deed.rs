//! What was done to a bag and what `verify` said of it.

use std::path::Path;

use super::fixture::{arg, bag, feelgauge, full};

/// Does something to a copy of the full bag; `verify` must not pass it. Its message must name what is expected.
pub fn deed(name: &str, expected: &str, of: impl FnOnce(&Path)) {
    let (_dir, bag) = bag();
    of(&bag);
    let (status, first) = first_line(&bag, &[]);
    eprintln!("ATTACK {name}: exit {status}: {first}");
    assert_ne!(status, 0, "{name} passed");
    assert!(
        first.contains(expected),
        "{name}: {expected:?} is not in {first:?}"
    );
}

/// A deed that only somebody who knows the signers' keys can see.
pub fn deed_to_strangers(name: &str, expected: &str, of: impl FnOnce(&Path)) {
    let (_dir, bag) = bag();
    of(&bag);
    let allowed = full().at("allowed");
    let (status, first) = first_line(&bag, &["--signers", arg(&allowed)]);
    eprintln!("ATTACK {name}, keys brought along: exit {status}: {first}");
    assert_eq!(status, 3, "{name} passed");
    assert!(
        first.contains(expected),
        "{name}: {expected:?} is not in {first:?}"
    );
}

/// Exit status and the line that says what differs first.
pub fn first_line(bag: &Path, more: &[&str]) -> (i32, String) {
    let args = [&["verify", arg(bag)], more].concat();
    let run = feelgauge(&args);
    let text =
        String::from_utf8_lossy(&run.stdout).into_owned() + &String::from_utf8_lossy(&run.stderr);
    let found = text.lines().find(|l| l.starts_with("First difference"));
    let line = found.or_else(|| text.lines().next()).unwrap_or_default();
    (
        run.status.code().unwrap(),
        line.replace(arg(bag.parent().unwrap()), ""),
    )
}

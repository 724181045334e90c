//! The rooms of `src` look down, never up: each `crate::room` named in a file must stand lower than the
//! room of that file. The same table is in `src/lib.rs` and DEVELOPERS.md.

#![allow(clippy::unwrap_used)] // in a test an unwrap is an assertion

use std::{fs, path::Path};

/// Rooms, lowest first; rooms of one rank must not name each other unless `BESIDE` says so.
const RANKS: &[&[&str]] = &[
    &["units", "reading"],
    &["wire", "timebase", "calibration", "measure", "vehicle"],
    &["physics"],
    &["inspect"],
    &["clock"],
    &["record"],
    &["evidence"],
    &["inspection"],
    &["probe"],
    &["report"],
    &["bench"],
    &["page"],
    &["cli"],
];

/// Neighbours of one rank that may be named: `(from, to)`.
const BESIDE: &[(&str, &str)] = &[
    ("reading", "units"),
    ("measure", "vehicle"),
    ("wire", "timebase"),
];

/// What only some rooms may use: `(text, rooms)`.
const ONLY_IN: &[(&str, &[&str])] = &[
    ("tokio::", &["probe", "bench", "page", "cli"]),
    ("tokio_serial", &["probe/serial.rs"]),
    (
        "std::fs",
        // page/usage.rs: what the kernel says of this process; evidence/key_file.rs: private keys, and nothing else
        &[
            "record/store.rs",
            "cli",
            "probe/discover.rs",
            "page/usage.rs",
            "evidence/key_file.rs",
            "bin",
        ],
    ),
    ("std::env", &["cli", "main.rs"]),
    ("std::net", &["page", "cli"]),
    ("println!", &["cli", "bin"]),
    ("print!(", &["cli", "bin"]),
];

fn rank(room: &str) -> usize {
    RANKS
        .iter()
        .position(|rooms| rooms.contains(&room))
        .unwrap_or_else(|| {
            panic!("room {room} has no rank: add it to RANKS and to the picture in DEVELOPERS.md")
        })
}

fn sources(dir: &Path, out: &mut Vec<std::path::PathBuf>) {
    for entry in fs::read_dir(dir).unwrap() {
        let path = entry.unwrap().path();
        if path.is_dir() {
            sources(&path, out);
        } else if path.extension().is_some_and(|e| e == "rs") {
            out.push(path);
        }
    }
}

/// Code lines without comments and without the unit tests at the file's end.
fn code(text: &str) -> impl Iterator<Item = (usize, &str)> {
    text.lines()
        .enumerate()
        .take_while(|(_, line)| !line.starts_with("mod tests {"))
        .map(|(n, line)| (n + 1, line.split("//").next().unwrap_or_default()))
}

/// Rooms named on a line: `crate::room`, and the braces of `use crate::{a::X, b}` when on one line.
fn named(line: &str) -> Vec<&str> {
    let mut rooms = Vec::new();
    for (at, _) in line.match_indices("crate::") {
        let rest = &line[at + 7..];
        if let Some(list) = rest.strip_prefix('{') {
            let mut depth = 0;
            let mut start = true;
            for (i, c) in list.char_indices() {
                if start && c.is_alphabetic() {
                    rooms.push(ident(&list[i..]));
                    start = false;
                }
                match c {
                    '{' => depth += 1,
                    '}' if depth == 0 => break,
                    '}' => depth -= 1,
                    ',' if depth == 0 => start = true,
                    _ => {}
                }
            }
        } else {
            rooms.push(ident(rest));
        }
    }
    rooms
}

fn ident(text: &str) -> &str {
    text.split(|c: char| !(c.is_alphanumeric() || c == '_'))
        .next()
        .unwrap_or_default()
}

fn depth_change(line: &str) -> i32 {
    line.chars()
        .map(|c| i32::from(c == '{') - i32::from(c == '}'))
        .sum()
}

/// A `use crate::{` block over several lines, joined to one.
fn joined(text: &str) -> Vec<(usize, String)> {
    let mut out: Vec<(usize, String)> = Vec::new();
    let mut open = 0i32;
    for (n, line) in code(text) {
        let braces = depth_change(line);
        if open > 0 {
            out.last_mut().unwrap().1.push_str(line.trim());
            open += braces;
        } else {
            if line.contains("use crate::{") {
                open = braces;
            }
            out.push((n, line.to_owned()));
        }
    }
    out
}

#[test]
fn rooms_look_down() {
    let src = Path::new(env!("CARGO_MANIFEST_DIR")).join("src");
    let mut files = Vec::new();
    sources(&src, &mut files);
    let mut wrong = Vec::new();
    let mut seen = 0;
    for path in &files {
        let place = path.strip_prefix(&src).unwrap().to_str().unwrap();
        let text = fs::read_to_string(path).unwrap();
        let room = place.split(['/', '.']).next().unwrap();
        for (n, line) in joined(&text) {
            for (what, rooms) in ONLY_IN {
                if line.contains(what) && !rooms.iter().any(|r| place.starts_with(r)) {
                    wrong.push(format!(
                        "src/{place}:{n}: `{what}` is allowed in {rooms:?} only"
                    ));
                }
            }
            // `bin` holds crates of their own: their `crate::` is not this one, and they see all of it from outside.
            if matches!(room, "lib" | "main" | "bin") {
                continue;
            }
            for other in named(&line) {
                seen += 1;
                if other != room && rank(other) >= rank(room) && !BESIDE.contains(&(room, other)) {
                    wrong.push(format!("src/{place}:{n}: {room} looks up to {other}"));
                }
            }
        }
    }
    assert!(
        files.len() > 10 && seen > 0,
        "the test found its files and the rooms they name"
    );
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

#[test]
fn an_upward_look_is_seen() {
    assert_eq!(named("use crate::{cli::run, units};"), ["cli", "units"]);
    assert_eq!(named("let x = crate::probe::open();"), ["probe"]);
    assert_eq!(
        joined("use crate::{\n    cli,\n    units,\n};\nfn f() {}").len(),
        2
    );
}

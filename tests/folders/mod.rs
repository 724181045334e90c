//! What tests of folders share: the program, files under a folder, small captures.

#![allow(dead_code)] // each test takes what it needs

use std::{
    collections::BTreeMap,
    fs,
    path::{Path, PathBuf},
    process::{Command, Output},
};

use feelgauge::{
    inspect::{Input, Row, Stated, Test},
    record::{
        CaptureMeta, CaptureWriter, Files,
        capture::{Anchor, ProbeMeta},
    },
    wire::{Part, bare::Bare},
};

/// Leak, pull and roll among the sample captures.
pub const LEAK: &str = "20310517T142140Z-leak-whole";
pub const PULL: &str = "20310517T142649Z-pull-plug_in_cold";
pub const ROLL: &str = "20310517T143107Z-roll-one_fl";

/// Files by path.
pub type Folder = BTreeMap<String, Vec<u8>>;

/// The sample captures.
pub fn samples() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("captures")
}

/// The program.
pub fn feelgauge(args: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_feelgauge"))
        .args(args)
        .output()
        .unwrap()
}

/// The program, which must succeed; its standard output.
#[track_caller]
pub fn done(args: &[&str]) -> String {
    let run = feelgauge(args);
    let said = String::from_utf8_lossy(&run.stderr);
    assert!(run.status.success(), "{args:?}: {said}");
    assert!(!said.contains("panicked"), "{said}");
    String::from_utf8(run.stdout).unwrap()
}

/// A path as an argument.
pub fn arg(path: &Path) -> &str {
    path.to_str().unwrap()
}

/// Copies a folder; what was read-only may be written in the copy.
pub fn copy(from: &Path, to: &Path) {
    for (path, bytes) in load(from) {
        let target = to.join(path);
        fs::create_dir_all(target.parent().unwrap()).unwrap();
        fs::write(target, bytes).unwrap();
    }
}

/// Every file under a folder.
pub fn load(base: &Path) -> Folder {
    let mut files = Folder::new();
    let mut open = vec![base.to_path_buf()];
    while let Some(folder) = open.pop() {
        for entry in fs::read_dir(folder).unwrap() {
            let path = entry.unwrap().path();
            if path.is_dir() {
                open.push(path);
            } else {
                let name = path.strip_prefix(base).unwrap().to_str().unwrap();
                files.insert(name.to_owned(), fs::read(&path).unwrap());
            }
        }
    }
    files
}

/// Microseconds from one bare line to the next.
const LINE_US: u64 = 1_000;
/// When a bare capture is closed, microseconds after its begin.
const CLOSED_US: u64 = 9_000;

/// A capture of bare lines, one number each, in the folder `base`; the name of its own folder. `probe`: as `--bare` takes it.
pub fn bare_capture(
    base: &Path,
    (test, probe): (Test, &str),
    stated: &Stated,
    (host_us, wall): (u64, &str),
    numbers: &[&str],
) -> String {
    let bare = Bare::describe(probe).unwrap();
    let anchor = Anchor {
        host_us,
        wall: wall.parse().unwrap(),
    };
    let mut meta = CaptureMeta::new(test, anchor, stated, None);
    meta.probes.push(ProbeMeta::of_bare(&bare, 0, "virtual-9"));
    let disk = Files::under(base);
    disk.create_base().unwrap();
    let mut writer = CaptureWriter::begin(disk, &meta, None).unwrap();
    for (n, text) in (0..).zip(numbers) {
        let row = Row {
            host_us: host_us + LINE_US * n,
            bytes: text.as_bytes().to_vec(),
            part: Part::Whole,
        };
        writer.keep(Input::Row(0, row)).unwrap();
    }
    let name = writer.folder().to_owned();
    writer.close(host_us + CLOSED_US, "finished").unwrap();
    name
}

/// A leak of three bare lines, which is refused as too short: small, and every byte of it counts.
pub fn tiny_leak(base: &Path) -> String {
    let stated = Stated {
        volume_m3: Some(131e-6),
        ..Stated::default()
    };
    let probe = (Test::Leak, "pressure:Pa:1");
    let begin = (0, "2031-05-17T15:00:00Z");
    bare_capture(base, probe, &stated, begin, &["0", "100", "200"])
}

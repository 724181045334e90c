//! Files that are not there, must not be read, or must not be overwritten.

use std::{
    fs,
    io::Write as _,
    path::Path,
    process::Command,
    sync::{
        Arc,
        atomic::{AtomicBool, Ordering},
    },
    thread::JoinHandle,
    time::Duration,
};

use serialport::{SerialPort as _, TTYPort};

use super::{Bench, Said, TESTS};

#[test]
fn what_is_not_there_or_is_no_record_is_named() {
    let bench = Bench::new();
    fs::create_dir(bench.path("folder")).unwrap();
    for (test, _) in TESTS {
        bench
            .analyze(test, "none.csv", &[])
            .refuses(1, &["none.csv", "no such file", "check the name"]);
        bench
            .analyze(test, "folder", &[])
            .refuses(1, &["folder", "capture.toml"]);
        bench.analyze(test, "x.csv/y", &[]).refuses(1, &["x.csv/y"]);
    }
    bench
        .analyze("leak", "l.csv", &["--vehicle", "folder"])
        .refuses(1, &["l.csv"]);
    bench.write("l.csv", "t_us,p_pa\n0,0\n");
    bench
        .analyze("leak", "l.csv", &["--vehicle", "folder"])
        .refuses(1, &["folder"]);
    fs::write(bench.path("folder/capture.toml"), "test = 5\n").unwrap();
    for (test, _) in TESTS {
        bench.analyze(test, "folder", &[]).refuses(1, &["folder"]);
    }
}

#[test]
fn what_exists_is_not_overwritten() {
    let bench = Bench::new();
    fs::create_dir(bench.path("there")).unwrap();
    bench
        .run(&["demo", "--out", "there"])
        .refuses(2, &["there", "exists"]);
    for (test, _) in TESTS {
        for taken in ["a.csv", "a.csv.truth.json"] {
            bench.write(taken, "mine");
            let args = ["simulate", test, "--seed", "1", "--out", "a.csv"];
            bench.run(&args).refuses(2, &[taken, "exists"]);
            assert_eq!(fs::read_to_string(bench.path(taken)).unwrap(), "mine");
            fs::remove_file(bench.path(taken)).unwrap();
        }
        bench
            .run(&["simulate", test, "--seed", "1", "--out", "no/a.csv"])
            .refuses(1, &["no/a.csv", "folder"]);
    }
    assert!(!bench.path("a.csv").exists());
}

/// The program in a folder to which it may not write. As root nothing is forbidden, so there it runs as another user.
struct Stranger {
    bench: Bench,
    root: bool,
}

impl Stranger {
    /// In a folder with files that it may not read, named like the tests. `None` where this cannot be had.
    fn new() -> Option<Self> {
        let bench = Bench::new();
        fs::copy(env!("CARGO_BIN_EXE_feelgauge"), bench.path("feelgauge")).unwrap();
        for (test, header) in TESTS {
            bench.write(test, format!("{header}\n0,0\n"));
            allow(&bench.path(test), 0o000);
        }
        let root = fs::read(bench.path("leak")).is_ok();
        if root && Command::new("setpriv").arg("--version").output().is_err() {
            let required = std::env::var_os("CI_REQUIRED").is_some_and(|v| v == "1");
            assert!(!required, "setpriv is missing");
            eprintln!("SKIPPED: root, and no setpriv to become another user");
            return None;
        }
        allow(bench.dir.path(), 0o555);
        Some(Self { bench, root })
    }

    fn run(&self, args: &[&str]) -> Said {
        let program = self.bench.path("feelgauge");
        let mut command = if self.root {
            let mut command = Command::new("setpriv");
            command.args(["--reuid=65534", "--regid=65534", "--clear-groups"]);
            command.arg(program);
            command
        } else {
            Command::new(program)
        };
        command.args(args).current_dir(self.bench.dir.path());
        Said::of(&command.output().unwrap(), &format!("{args:?}"))
    }
}

impl Drop for Stranger {
    /// The folder can be removed again.
    fn drop(&mut self) {
        allow(self.bench.dir.path(), 0o755);
    }
}

fn allow(path: &Path, mode: u32) {
    use std::os::unix::fs::PermissionsExt as _;
    fs::set_permissions(path, fs::Permissions::from_mode(mode)).unwrap();
}

#[test]
fn a_file_that_must_not_be_read_is_named() {
    let Some(stranger) = Stranger::new() else {
        return;
    };
    let words = ["permission denied", "permission to read"];
    for (test, more) in [
        ("leak", &["--volume", "1l"][..]),
        ("pull", &[]),
        ("roll", &["--vehicle", "car.toml", "--setup", "one_fl"]),
    ] {
        let said = stranger.run(&[&["analyze", test, test], more].concat());
        said.refuses(1, &words);
        said.refuses(1, &[test]);
    }
    let said = stranger.run(&["vehicle", "check", "leak"]);
    said.refuses(1, &words);
}

#[test]
fn a_folder_that_must_not_be_written_is_named() {
    let Some(stranger) = Stranger::new() else {
        return;
    };
    for (test, _) in TESTS {
        let said = stranger.run(&["simulate", test, "--out", "new.csv"]);
        said.refuses(1, &["new.csv", "permission denied", "--out"]);
    }
    let said = stranger.run(&["demo", "--out", "new"]);
    said.refuses(1, &["new", "permission denied", "--out"]);
    let left = fs::read_dir(stranger.bench.dir.path()).unwrap().count();
    assert_eq!(left, 2 + TESTS.len(), "the car, the program, the files");
}

/// A board that prints a number every few milliseconds until it is dropped.
struct Board {
    over: Arc<AtomicBool>,
    thread: Option<JoinHandle<()>>,
}

impl Board {
    /// On a new pseudo-terminal that anybody may open; its path comes too.
    fn plug_in() -> (Self, String) {
        let (mut master, slave) = TTYPort::pair().unwrap();
        let path = slave.name().unwrap();
        allow(Path::new(&path), 0o666);
        let over = Arc::new(AtomicBool::new(false));
        let until = Arc::clone(&over);
        let thread = std::thread::spawn(move || {
            while !until.load(Ordering::Relaxed) {
                // while nobody has the port open nobody hears it
                drop(master.write_all(b"1.5\r\n"));
                std::thread::park_timeout(Duration::from_millis(5));
            }
        });
        let thread = Some(thread);
        (Self { over, thread }, path)
    }
}

impl Drop for Board {
    fn drop(&mut self) {
        self.over.store(true, Ordering::Relaxed);
        self.thread.take().unwrap().join().unwrap();
    }
}

/// `take` makes the capture's folder before it tells the person to begin.
#[test]
fn take_into_a_folder_that_must_not_be_written_ends_before_the_test() {
    let Some(stranger) = Stranger::new() else {
        return;
    };
    let (_board, port) = Board::plug_in();
    for (test, bare) in [("leak", "pressure:Pa:1"), ("pull", "force:N:1")] {
        let args = [
            "take", test, "--port", &port, "--bare", bare, "--for", "1s", "--out", "new",
        ];
        let said = stranger.run(&args);
        said.refuses(1, &["new", "ermission denied", "--out"]);
        assert!(!said.err.contains("recording"), "{}", said.err);
    }
}

/// The port belongs to somebody else: the message names it and the group to join, and nothing is left behind.
#[test]
fn a_port_that_must_not_be_opened_is_named() {
    let Some(stranger) = Stranger::new() else {
        return;
    };
    let (_board, port) = Board::plug_in();
    allow(Path::new(&port), if stranger.root { 0o600 } else { 0o000 });
    let free = tempfile::tempdir().unwrap();
    allow(free.path(), 0o777);
    let out = free.path().to_str().unwrap();
    let said = stranger.run(&["take", "pull", "--port", &port, "--for", "1s", "--out", out]);
    said.refuses(1, &[&port, "permission denied", "dialout"]);
    assert_eq!(fs::read_dir(free.path()).unwrap().count(), 0);
}

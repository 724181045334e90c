//! The daemon as a program: `take` and `probes` through it, and an outside tester of its API.

use std::{
    io::{BufRead as _, BufReader},
    process::{Child, Command, Output, Stdio},
};

use feelgauge::{
    clock::Clock,
    evidence,
    inspection::{Deed, Folder, Stage},
};
use serde_json::Value;
use tempfile::TempDir;

/// A bench of virtual probes, found through a runtime folder of its own.
struct Program {
    child: Child,
    open: Value,
    home: TempDir,
}

fn command(home: &TempDir) -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_feelgauge"));
    command
        .arg("--json")
        .current_dir(home.path())
        .env_clear()
        .env("HOME", home.path())
        .env("XDG_RUNTIME_DIR", home.path().join("run"));
    command
}

impl Program {
    fn start(speed: &str) -> Self {
        Self::start_in(tempfile::tempdir().unwrap(), &["--speed", speed])
    }

    fn start_in(home: TempDir, options: &[&str]) -> Self {
        let mut child = command(&home)
            .args(["bench", "--virtual", "--listen", "127.0.0.1:0"])
            .args(options)
            .stdout(Stdio::piped())
            .stderr(Stdio::null())
            .spawn()
            .unwrap();
        let mut out = BufReader::new(child.stdout.as_mut().unwrap());
        let mut text = String::new();
        while serde_json::from_str::<Value>(&text).is_err() {
            assert!(out.read_line(&mut text).unwrap() > 0, "it ended: {text}");
        }
        Self {
            open: serde_json::from_str(&text).unwrap(),
            child,
            home,
        }
    }

    fn call(&self, args: &[&str]) -> Output {
        command(&self.home).args(args).output().unwrap()
    }

    fn url(&self) -> &str {
        self.open["url"].as_str().unwrap()
    }

    /// Takes the program away in the middle of whatever it does.
    fn fall(mut self) -> TempDir {
        self.child.kill().unwrap();
        self.child.wait().unwrap();
        std::mem::replace(&mut self.home, tempfile::tempdir().unwrap())
    }

    /// Waits until all three probes have said who they are.
    fn greeted(&self) {
        for _ in 0..200 {
            let probes = json(&self.call(&["probes"]));
            let all = probes["probes"].as_array().unwrap();
            let known = all.iter().filter(|p| p["identity"]["kind"].is_string());
            if known.count() == 3 {
                return;
            }
        }
        panic!("the bench never greeted its probes");
    }
}

impl Drop for Program {
    fn drop(&mut self) {
        let _ = Command::new("kill")
            .arg(self.child.id().to_string())
            .status();
        let _ = self.child.wait();
    }
}

fn json(output: &Output) -> Value {
    let text = String::from_utf8_lossy(&output.stderr);
    assert!(output.status.success(), "{text}");
    serde_json::from_slice(&output.stdout).unwrap()
}

#[test]
fn probes_and_take_go_through_a_running_bench() {
    let bench = Program::start("4");
    let kinds = |probes: &Value| {
        let kind = |p: &Value| p["identity"]["kind"].as_str().map(str::to_owned);
        let all = probes["probes"].as_array().unwrap().iter();
        all.filter_map(kind)
            .collect::<std::collections::BTreeSet<_>>()
    };
    // The bench greets its probes after it has opened.
    let mut probes = Value::Null;
    for _ in 0..200 {
        probes = json(&bench.call(&["probes"]));
        if kinds(&probes).len() == 3 {
            break;
        }
    }
    assert_eq!(kinds(&probes).len(), 3, "{probes:#}");
    assert_eq!(probes["probes"][0]["baud"], Value::Null);

    let taken = bench.call(&["take", "pull", "--for", "3s"]);
    let said = String::from_utf8_lossy(&taken.stderr).into_owned();
    assert!(
        said.contains(bench.url()) && said.contains("igniter off"),
        "{said}"
    );
    let mut taken = json(&taken);
    let folder = taken["capture"].as_str().unwrap().to_owned();
    assert!(folder.contains("-pull"), "{folder}");
    // The same finding as from the folder, and the same as the API's.
    taken.as_object_mut().unwrap().remove("capture");
    assert_eq!(taken, json(&bench.call(&["analyze", "pull", &folder])));

    let own = bench.call(&["take", "pull", "--mass", "3kg"]);
    let said = String::from_utf8_lossy(&own.stderr).into_owned();
    assert!(
        own.status.code() == Some(2) && said.contains("--mass"),
        "{said}"
    );
    let other = bench.call(&["take", "roll", "--setup", "no_such", "--for", "1s"]);
    let said = String::from_utf8_lossy(&other.stderr).into_owned();
    assert!(
        other.status.code() == Some(1) && said.contains("no_such"),
        "{said}"
    );
    let port = bench.call(&["probes", "--port", "/dev/no-such-port"]);
    let said = String::from_utf8_lossy(&port.stderr).into_owned();
    assert!(said.contains("holds the probes"), "{said}");
}

/// Every test of a bench that works on an inspection is recorded, found and written down there; what a bench that was
/// killed left behind is entered by the next one.
#[test]
#[allow(clippy::too_many_lines)] // one life of a bench after the other
fn tests_go_into_the_inspection_even_when_the_bench_is_killed() {
    let home = tempfile::tempdir().unwrap();
    let base = home.path().join("visit");
    super::inspection::begin(&base, &Clock::system());
    let options = ["--speed", "4", "--inspection", "visit"];
    let bench = Program::start_in(home, &options);
    assert_eq!(bench.open["inspection"], "visit");
    bench.greeted();
    let taken = json(&bench.call(&["take", "pull", "--for", "3s"]));
    let name = |taken: &Value| {
        let path = taken["capture"].as_str().unwrap().to_owned();
        path.rsplit('/').next().unwrap().to_owned()
    };
    let first = name(&taken);
    let folder = Folder::open(&base).unwrap();
    let visit = folder.visit().unwrap();
    let taken = visit.captures();
    assert_eq!(taken.len(), 1, "{visit:#?}");
    assert_eq!(
        (taken[0].capture, taken[0].test, taken[0].stage),
        (first.as_str(), "pull", Stage::AsFound)
    );
    let file = taken[0].finding.expect("its finding is written down");
    let capture = folder.capture(&first).unwrap();
    let anew = evidence::captures::finding(&capture).unwrap();
    let recorded = folder.read(file, 1 << 24).unwrap();
    let anew = evidence::captures::recorded_form(&anew);
    assert_eq!(String::from_utf8(recorded).unwrap(), anew);
    assert_eq!(folder.remarks().unwrap(), Vec::<String>::new());

    // In the middle of a test the program falls.
    let work = Deed::Repaired {
        text: "seal renewed".into(),
    };
    folder.write(&Clock::system(), "Ines", work).unwrap();
    let mut running = command(&bench.home)
        .args(["take", "leak", "--for", "60s"])
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .spawn()
        .unwrap();
    let captures = base.join("captures");
    let count = || {
        let there = std::fs::read_dir(&captures).unwrap();
        there
            .filter(|entry| entry.as_ref().unwrap().path().join("capture.toml").exists())
            .count()
    };
    let clock = Clock::system();
    while count() < 2 {
        assert!(clock.host_us() < 60_000_000, "the second test never began");
        std::thread::yield_now();
    }
    let home = bench.fall();
    running.wait().unwrap();
    assert_eq!(folder.visit().unwrap().captures().len(), 1);

    let bench = Program::start_in(home, &options);
    let visit = folder.visit().unwrap();
    let taken = visit.captures();
    assert_eq!(taken.len(), 2, "{visit:#?}");
    assert_eq!(
        (taken[1].test, taken[1].stage),
        ("leak", Stage::AfterRepair)
    );
    let hidden = std::fs::read_dir(&captures).unwrap();
    let hidden = hidden.filter(|e| {
        e.as_ref()
            .unwrap()
            .file_name()
            .to_string_lossy()
            .starts_with('.')
    });
    assert_eq!(hidden.count(), 0, "nothing lies there that a seal refuses");
    let second = command(&bench.home)
        .args([
            "bench",
            "--virtual",
            "--listen",
            "127.0.0.1:0",
            "--inspection",
            "visit",
        ])
        .output()
        .unwrap();
    let said = String::from_utf8_lossy(&second.stderr).into_owned();
    assert!(
        second.status.code() == Some(1) && said.contains("another bench"),
        "{said}"
    );
    let both = command(&bench.home)
        .args(["bench", "--inspection", "visit", "--out", "x"])
        .output()
        .unwrap();
    assert_eq!(both.status.code(), Some(2));
    let none = command(&bench.home)
        .args(["bench", "--inspection", "nowhere"])
        .output()
        .unwrap();
    let said = String::from_utf8_lossy(&none.stderr).into_owned();
    assert!(
        none.status.code() == Some(1) && said.contains("nowhere"),
        "{said}"
    );
}

#[test]
fn without_port_and_without_bench_take_says_what_to_do() {
    let home = tempfile::tempdir().unwrap();
    let output = command(&home).args(["take", "leak"]).output().unwrap();
    let said = String::from_utf8_lossy(&output.stderr).into_owned();
    assert_eq!(output.status.code(), Some(2), "{said}");
    assert!(
        said.contains("--port PATH") && said.contains("bench"),
        "{said}"
    );
}

/// Requests that the document allows and many that it does not, made up by schemathesis.
#[test]
fn an_outside_tester_finds_no_answer_that_the_document_does_not_allow() {
    let python = std::env::var("FEELGAUGE_PYTHON").unwrap_or_else(|_| "python3".into());
    let has = Command::new(&python)
        .args(["-c", "import schemathesis"])
        .output();
    if !has.is_ok_and(|o| o.status.success()) {
        println!(
            "SKIPPED: no schemathesis in {python}: pip install -r tests/reference/requirements.txt"
        );
        return;
    }
    let bench = Program::start("1");
    let document = format!("{}api/1/openapi.json", bench.url());
    let output = Command::new(&python)
        .args(["-m", "schemathesis.cli", "run", &document])
        .args(["--phases", "examples,coverage,fuzzing", "--max-examples", "8", "--seed", "1"])
        // The stream of events goes on for ever: tests of our own listen to it.
        .args(["--exclude-path", "/api/1/events"])
        .args(["--checks", "not_a_server_error,status_code_conformance,content_type_conformance,response_schema_conformance,negative_data_rejection,unsupported_method"])
        .args(["--request-timeout", "10", "--rate-limit", "18/s", "--no-color"])
        .env("HYPOTHESIS_STORAGE_DIRECTORY", bench.home.path())
        .current_dir(bench.home.path())
        .output()
        .unwrap();
    let text = String::from_utf8_lossy(&output.stdout);
    println!("{text}");
    assert!(
        output.status.success(),
        "{text}{}",
        String::from_utf8_lossy(&output.stderr)
    );
    // It has really asked, and was not only told to wait.
    let generated = text.lines().find_map(|line| {
        let (n, rest) = line.trim().split_once(" generated, ")?;
        Some((n.parse::<u32>().ok()?, rest.to_owned()))
    });
    let (n, rest) = generated.expect("a count of test cases");
    assert!(n > 200 && rest == format!("{n} passed"), "{text}");
    assert!(!text.contains("Rate limited"), "{text}");
}

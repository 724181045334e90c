//! `feelgauge bench` as a program: what it says, how it ends, who may not start it twice.

use std::{
    io::{BufRead as _, BufReader, Read as _},
    os::unix::net::UnixDatagram,
    path::Path,
    process::{Child, Command, Output, Stdio},
    time::Duration,
};

use feelgauge::clock::Clock;
use serde_json::Value;
use tempfile::TempDir;

/// Longest wait; far beyond what a loaded machine needs.
const PATIENCE: Duration = Duration::from_mins(1);

struct Program {
    child: Child,
    /// What it said when it was open.
    open: Value,
    home: TempDir,
}

fn command(home: &Path) -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_feelgauge"));
    command
        .args(["--json", "bench", "--listen", "127.0.0.1:0"])
        .current_dir(home)
        .env_clear()
        .env("HOME", home)
        .env("XDG_RUNTIME_DIR", home.join("run"))
        .stdout(Stdio::piped())
        .stderr(Stdio::piped());
    command
}

impl Program {
    fn start(tune: impl FnOnce(&mut Command)) -> Self {
        let home = tempfile::tempdir().unwrap();
        let mut command = command(home.path());
        tune(&mut command);
        let mut child = command.spawn().unwrap();
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

    fn signal(&self, name: &str) {
        let pid = self.child.id().to_string();
        assert!(
            Command::new("kill")
                .args([name, &pid])
                .status()
                .unwrap()
                .success()
        );
    }

    /// Its exit status and what it said on standard error.
    fn end(mut self) -> (i32, String, TempDir) {
        let clock = Clock::system();
        while self.child.try_wait().unwrap().is_none() {
            let waited = Duration::from_micros(clock.host_us());
            assert!(waited < PATIENCE, "it does not end");
            std::thread::yield_now();
        }
        let mut said = String::new();
        self.child
            .stderr
            .take()
            .unwrap()
            .read_to_string(&mut said)
            .unwrap();
        (self.child.wait().unwrap().code().unwrap(), said, self.home)
    }
}

fn text(output: &Output) -> String {
    String::from_utf8_lossy(&output.stderr).into_owned()
}

#[test]
fn it_says_where_it_is_is_found_by_others_and_ends_in_order() {
    for signal in ["-TERM", "-INT"] {
        let program = Program::start(|_| {});
        let url = program.open["url"].as_str().unwrap();
        assert!(url.starts_with("http://127.0.0.1:"), "{url}");
        let known = program.home.path().join("run/feelgauge/bench.toml");
        let found: toml::Table = std::fs::read_to_string(&known).unwrap().parse().unwrap();
        let address = found["address"].as_str().unwrap();
        assert_eq!(url, format!("http://{address}/"));
        let folder = Path::new(found["folder"].as_str().unwrap());
        assert!(folder.is_absolute() && folder.ends_with("captures"));
        assert_eq!(found["pid"].as_integer(), Some(program.child.id().into()));
        program.signal(signal);
        let (status, said, home) = program.end();
        assert_eq!((status, said.as_str()), (0, ""));
        assert!(!known.exists(), "taken away at the end");
        drop(home);
    }
}

#[test]
fn a_second_bench_on_the_same_folder_says_who_has_it() {
    let first = Program::start(|_| {});
    let second = command(first.home.path()).output().unwrap();
    assert_eq!(second.status.code(), Some(1));
    let said = text(&second);
    let pid = first.child.id().to_string();
    assert!(said.contains(&pid) && said.contains("--out DIR"), "{said}");
    // Another folder: it runs, and the first one stays the one that is found.
    let home = first.home.path().to_owned();
    let known = home.join("run/feelgauge/bench.toml");
    let before = std::fs::read_to_string(&known).unwrap();
    let third = Program::start(|command| {
        command.env("XDG_RUNTIME_DIR", home.join("run"));
    });
    third.signal("-TERM");
    let (status, said, _home) = third.end();
    assert_eq!(status, 0);
    assert!(said.contains("another bench"), "{said}");
    assert_eq!(std::fs::read_to_string(&known).unwrap(), before);
    // Killed: what it leaves behind does not keep the next one out.
    first.signal("-KILL");
    let mut first = first;
    first.child.wait().unwrap();
    let mut next = command(&home).spawn().unwrap();
    let mut line = String::new();
    let mut out = BufReader::new(next.stdout.take().unwrap());
    out.read_line(&mut line).unwrap();
    assert!(line.starts_with('{'), "{line}");
    let pid = next.id().to_string();
    Command::new("kill").args(["-TERM", &pid]).status().unwrap();
    assert!(next.wait().unwrap().success());
}

#[test]
fn a_folder_that_cannot_be_written_and_a_port_that_is_taken_are_told() {
    let home = tempfile::tempdir().unwrap();
    std::fs::write(home.path().join("captures"), "a file").unwrap();
    let refused = command(home.path()).output().unwrap();
    assert_eq!(refused.status.code(), Some(1));
    assert!(text(&refused).contains("--out DIR"), "{}", text(&refused));
    // Nobody, not even root, makes a file there.
    let refused = command(home.path())
        .args(["--out", "/proc/self"])
        .output()
        .unwrap();
    assert_eq!(refused.status.code(), Some(1));
    assert!(
        text(&refused).contains("captures cannot be written to /proc/self"),
        "{}",
        text(&refused)
    );
    let taken = std::net::TcpListener::bind("127.0.0.1:0").unwrap();
    let address = taken.local_addr().unwrap().to_string();
    let refused = Command::new(env!("CARGO_BIN_EXE_feelgauge"))
        .args(["bench", "--out", "elsewhere", "--listen", &address])
        .current_dir(home.path())
        .env("HOME", home.path())
        .env_remove("XDG_CONFIG_HOME")
        .output()
        .unwrap();
    assert_eq!(refused.status.code(), Some(1));
    let said = text(&refused);
    assert!(
        said.contains(&address) && said.contains("--listen 127.0.0.1:0"),
        "{said}"
    );
}

#[test]
fn faults_of_the_configuration_have_a_place() {
    let home = tempfile::tempdir().unwrap();
    let config = home.path().join(".config/feelgauge");
    std::fs::create_dir_all(&config).unwrap();
    let file = config.join("bench.toml");
    std::fs::write(&file, "tag = \"14\"\nvehicel = \"car.toml\"\n").unwrap();
    let refused = command(home.path()).output().unwrap();
    assert_eq!(refused.status.code(), Some(1));
    let said = text(&refused);
    assert!(
        said.contains("bench.toml:2:1: unknown key 'vehicel'; nearest known key: 'vehicle'"),
        "{said}"
    );
    // A path in the file is taken from its folder.
    std::fs::write(&file, "vehicle = \"car.toml\"\n").unwrap();
    let refused = command(home.path()).output().unwrap();
    assert!(
        text(&refused).contains(".config/feelgauge/car.toml"),
        "{}",
        text(&refused)
    );
    // A file that was named must be there.
    let refused = command(home.path())
        .args(["--config", "none.toml"])
        .output()
        .unwrap();
    assert_eq!(refused.status.code(), Some(1));
    assert!(text(&refused).contains("none.toml"));
    std::fs::write(&file, "out = \"records\"\n").unwrap();
    let program = Program::start(|command| {
        command.env("XDG_CONFIG_HOME", home.path().join(".config"));
    });
    assert_eq!(
        program.open["folder"],
        config.join("records").to_str().unwrap()
    );
    program.signal("-TERM");
    assert_eq!(program.end().0, 0);
}

#[test]
fn systemd_is_told_ready_alive_and_stopping() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("notify");
    let socket = UnixDatagram::bind(&path).unwrap();
    socket.set_read_timeout(Some(PATIENCE)).unwrap();
    let hear = || {
        let mut bytes = [0; 256];
        let n = socket.recv(&mut bytes).unwrap();
        String::from_utf8_lossy(&bytes[..n]).trim().to_owned()
    };
    let program = Program::start(|command| {
        command.env("NOTIFY_SOCKET", &path);
    });
    let mut heard = Vec::new();
    while heard.iter().filter(|line| *line == "WATCHDOG=1").count() < 2 {
        heard.push(hear());
    }
    assert_eq!(heard[0], "READY=1");
    assert!(
        heard
            .iter()
            .any(|line| line.starts_with("STATUS=0 probes answer")),
        "{heard:?}"
    );
    program.signal("-TERM");
    while heard.last().unwrap() != "STOPPING=1" {
        heard.push(hear());
    }
    assert_eq!(program.end().0, 0);
}

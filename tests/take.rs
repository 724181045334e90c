//! `take` and `probes` on real pseudo-terminals: the command, a probe at the other end, the folder that remains.

#![allow(clippy::unwrap_used)] // in a test an unwrap is an assertion
#![cfg(unix)]

use std::{
    io::{ErrorKind, Read as _, Write as _},
    path::{Path, PathBuf},
    process::{Child, Command as Process, Output, Stdio},
    sync::{
        Arc,
        atomic::{AtomicBool, Ordering},
    },
    thread::JoinHandle,
    time::{Duration, Instant},
};

use feelgauge::wire::{Channel, Command, Encoder, Identity, Message, ProbeKind, Samples, Unit};
use serde_json::Value;
use serialport::{SerialPort as _, TTYPort};

/// A force probe at 200 Hz on a pseudo-terminal, in a thread of its own. It says hello when its port is opened, and
/// its clock is the machine's.
struct Board {
    path: String,
    over: Arc<AtomicBool>,
    thread: Option<JoinHandle<()>>,
}

/// What the board sends.
#[derive(Clone, Copy, PartialEq)]
enum Speech {
    Wire(ProbeKind),
    /// Plain numbers, as many boards print them.
    Plain,
    /// Wire, and its clock and numbers start anew after a second.
    Resets,
    /// Wire, with a steady force that is larger each time the board is asked who it is.
    Hangs,
}

impl Board {
    fn plug_in(speech: Speech) -> Self {
        let (master, slave) = TTYPort::pair().unwrap();
        let path = slave.name().unwrap();
        let over = Arc::new(AtomicBool::new(false));
        let until = Arc::clone(&over);
        let thread = std::thread::spawn(move || speak(master, speech, &until));
        Self {
            path,
            over,
            thread: Some(thread),
        }
    }
}

impl Drop for Board {
    fn drop(&mut self) {
        self.over.store(true, Ordering::Relaxed);
        self.thread.take().unwrap().join().unwrap();
    }
}

fn identity(kind: ProbeKind, boot: u16, t_us: u32) -> Message<'static> {
    Message::Identity(Box::new(Identity {
        version: 1,
        kind,
        serial: "T-1".into(),
        firmware: "1.0".into(),
        boot,
        t_us,
        channels: vec![Channel {
            index: 0,
            unit: if kind == ProbeKind::Pressure {
                Unit::Pascal
            } else {
                Unit::Newton
            },
            scale: 0.01,
            zero: 0.0,
            min: -100_000,
            max: 100_000,
            rate_hz: 200.0,
            order: 1,
        }],
    }))
}

/// A restless force: a second of nothing, then slow waves.
fn count(sample: u32) -> i32 {
    let noise = i32::try_from(sample.wrapping_mul(2_654_435_761) >> 28).unwrap();
    let wave = if sample < 200 {
        0
    } else {
        i32::try_from(sample % 100).unwrap() * 20
    };
    wave + noise
}

/// The board's program.
struct Program {
    port: TTYPort,
    speech: Speech,
    kind: ProbeKind,
    encoder: Encoder,
    heard: Vec<u8>,
    out: Vec<u8>,
    /// When it booted; `None` before the port was opened.
    booted: Option<Instant>,
    boot: u16,
    sample: u32,
    /// How often it was asked who it is.
    asked: i32,
}

fn speak(mut port: TTYPort, speech: Speech, over: &AtomicBool) {
    port.set_timeout(Duration::from_millis(5)).unwrap();
    let mut program = Program {
        port,
        speech,
        kind: match speech {
            Speech::Wire(kind) => kind,
            _ => ProbeKind::Force,
        },
        encoder: Encoder::default(),
        heard: Vec::new(),
        out: Vec::new(),
        booted: None,
        boot: 7,
        sample: 0,
        asked: 0,
    };
    while !over.load(Ordering::Relaxed) {
        program.round();
    }
}

impl Program {
    fn say(&mut self, message: &Message<'_>) {
        if self.speech != Speech::Plain {
            self.out.extend(self.encoder.line(message).unwrap());
        }
    }

    #[allow(clippy::disallowed_methods)] // the board's own clock
    fn round(&mut self) {
        let mut byte = [0; 1];
        match self.port.read(&mut byte) {
            Ok(1) => self.heard.push(byte[0]),
            Err(e) if e.kind() == ErrorKind::TimedOut => {}
            // nobody has the port open
            _ => return std::thread::park_timeout(Duration::from_millis(5)),
        }
        if self.booted.is_none() {
            self.booted = Some(Instant::now());
            self.say(&identity(self.kind, self.boot, 0));
        }
        let t_us = u32::try_from(self.booted.unwrap().elapsed().as_micros()).unwrap();
        self.answer(t_us);
        while (self.sample + 10) * 5_000 <= t_us {
            self.batch();
        }
        if self.speech == Speech::Resets && self.boot == 7 && t_us > 1_000_000 {
            self.out.extend(b"S 9 0 1"); // cut off in the middle of a line
            (self.boot, self.sample, self.booted, self.encoder.seq) = (8, 0, None, 0);
        }
        // a host that went away between two writes is nothing to the board
        drop(self.port.write_all(&self.out));
        self.out.clear();
    }

    fn answer(&mut self, t_us: u32) {
        if self.heard.pop_if(|b| *b == b'\n').is_none() {
            return;
        }
        match Command::read(&self.heard).unwrap() {
            Command::Identify => {
                self.asked += 1;
                self.say(&identity(self.kind, self.boot, t_us));
            }
            Command::Ping(token) => self.say(&Message::Pong { token, t_us }),
            Command::Rate(_) => self.say(&Message::Notice("rate")),
        }
        self.heard.clear();
    }

    fn batch(&mut self) {
        let mut counts: Vec<i32> = (self.sample..self.sample + 10).map(count).collect();
        if self.speech == Speech::Hangs {
            for (n, count) in (0..).zip(&mut counts) {
                *count = 410 + 2000 * self.asked + n % 3;
            }
        }
        let t0_us = (self.sample + 1) * 5_000;
        self.say(&Message::Samples(
            Samples::new(0, t0_us, 5_000, &counts).unwrap(),
        ));
        if self.speech == Speech::Plain {
            let line = |c: &i32| format!("x;{}.{:02}\r\n", c / 100, c.abs() % 100);
            self.out
                .extend(counts.iter().map(line).collect::<String>().into_bytes());
        }
        self.sample += 10;
    }
}

fn feelgauge(args: &[&str]) -> Child {
    Process::new(env!("CARGO_BIN_EXE_feelgauge"))
        .args(args)
        .stdin(Stdio::null())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap()
}

fn ended(child: Child) -> (Output, String, String) {
    let output = child.wait_with_output().unwrap();
    let text = |bytes: &[u8]| String::from_utf8(bytes.to_vec()).unwrap();
    let (out, err) = (text(&output.stdout), text(&output.stderr));
    (output, out, err)
}

/// The only folder in `dir`.
fn only_folder(dir: &Path) -> PathBuf {
    let mut entries: Vec<PathBuf> = std::fs::read_dir(dir)
        .unwrap()
        .map(|e| e.unwrap().path())
        .collect();
    assert_eq!(entries.len(), 1, "{entries:?}");
    entries.pop().unwrap()
}

fn read(folder: &Path, name: &str) -> String {
    std::fs::read_to_string(folder.join(name)).unwrap()
}

#[test]
fn a_capture_for_a_while_says_what_a_replay_says() {
    let board = Board::plug_in(Speech::Wire(ProbeKind::Force));
    let dir = tempfile::tempdir().unwrap();
    let out = dir.path().join("new/captures");
    let args = [
        "take",
        "pull",
        "--port",
        &board.path,
        "--for",
        "2s",
        "--mass",
        "3.4kg",
        "--json",
        "--out",
    ];
    let child = feelgauge(&[&args[..], &[out.to_str().unwrap()]].concat());
    let (output, text, err) = ended(child);
    assert_eq!(output.status.code(), Some(0), "{err}");
    let mut said: Value = serde_json::from_str(&text).unwrap();
    let folder = only_folder(&out);
    assert_eq!(
        said.as_object_mut()
            .unwrap()
            .shift_remove("capture")
            .unwrap(),
        folder.to_str().unwrap()
    );
    assert_eq!(said["test"], "pull");
    assert_eq!(said["quality"]["faults"], serde_json::json!({}), "{text}");
    let rows = said["quality"]["rows"].as_u64().unwrap();
    assert!(
        (350..=420).contains(&rows),
        "{rows} readings in 2 s at 200 Hz"
    );
    assert!(read(&folder, "closed.toml").contains("reason = \"finished\""));
    assert!(read(&folder, "capture.toml").contains("I 0 1 force T-1"));
    let table = read(&folder, "force-T-1.csv");
    assert!(
        table.lines().nth(1).unwrap().contains("I 0 1 force T-1"),
        "the record begins with who it was"
    );
    // the folder analyzed again: the same finding, byte by byte
    let again = replayed(&folder);
    assert_eq!(again, said);
}

#[test]
fn a_capture_of_an_inspection_is_entered_with_its_finding() {
    let board = Board::plug_in(Speech::Wire(ProbeKind::Force));
    let dir = tempfile::tempdir().unwrap();
    let at = dir.path().join("i").to_str().unwrap().to_owned();
    let run = |args: &[&str]| {
        let (output, text, err) = ended(feelgauge(args));
        assert_eq!(output.status.code(), Some(0), "{err}");
        text
    };
    run(&[
        "inspection",
        "open",
        &at,
        "--by",
        "R. Tern",
        "--tag",
        "14",
        "--car",
        "Plover 8",
    ]);
    run(&["inspection", "conditions", &at, "--pressure", "1009hPa"]);
    run(&["inspection", "repair", &at, "piston renewed"]);
    let said = run(&[
        "take",
        "pull",
        "--inspection",
        &at,
        "--port",
        &board.path,
        "--for",
        "2s",
        "--mass",
        "3.4kg",
        "--json",
    ]);
    let said: Value = serde_json::from_str(&said).unwrap();
    let folder = only_folder(&dir.path().join("i/captures"));
    let name = folder.file_name().unwrap().to_str().unwrap();
    let meta = read(&folder, "capture.toml");
    for words in ["operator = \"R. Tern\"", "ambient_pa = 100900.0"] {
        assert!(meta.contains(words), "{words} in {meta}");
    }
    let finding = read(&dir.path().join("i/findings"), &format!("{name}.json"));
    let finding: Value = serde_json::from_str(&finding).unwrap();
    assert_eq!(finding["quality"], said["quality"]);
    let journal = read(&dir.path().join("i"), "journal.jsonl");
    let lines: Vec<Value> = journal
        .lines()
        .map(|line| serde_json::from_str(line).unwrap())
        .collect();
    assert_eq!(lines.len(), 5);
    assert_eq!(
        (&lines[3]["capture"], &lines[3]["stage"], &lines[4]["what"]),
        (&name.into(), &"after_repair".into(), &"found".into())
    );
}

fn replayed(folder: &Path) -> Value {
    let storage = feelgauge::record::Files::under(folder.parent().unwrap());
    let name = folder.file_name().unwrap().to_str().unwrap();
    let capture = feelgauge::record::read_capture(&storage, name).unwrap();
    let finding = capture
        .analyze(feelgauge::inspect::Stated::default(), None)
        .unwrap();
    serde_json::from_str(&serde_json::to_string(&finding).unwrap()).unwrap()
}

#[test]
fn ctrl_c_ends_a_capture_cleanly_and_without_a_volume_there_is_no_finding_yet() {
    let board = Board::plug_in(Speech::Wire(ProbeKind::Pressure));
    let dir = tempfile::tempdir().unwrap();
    let mut child = feelgauge(&[
        "take",
        "leak",
        "--port",
        &board.path,
        "--json",
        "--out",
        dir.path().to_str().unwrap(),
    ]);
    // it says that it records; then it is interrupted
    let mut first = Vec::new();
    let err = child.stderr.as_mut().unwrap();
    while !first.ends_with(b"hands off for a minute.\n") {
        let mut byte = [0; 1];
        assert_eq!(
            err.read(&mut byte).unwrap(),
            1,
            "{}",
            String::from_utf8_lossy(&first)
        );
        first.push(byte[0]);
    }
    let folder = only_folder(dir.path());
    while !read(&folder, "pressure-T-1.csv").contains(",S ") {
        std::thread::park_timeout(Duration::from_millis(5));
    }
    let killed = Process::new("kill")
        .args(["-INT", &child.id().to_string()])
        .status()
        .unwrap();
    assert!(killed.success());
    let (output, text, err) = ended(child);
    assert_eq!(output.status.code(), Some(0), "{err}");
    let said: Value = serde_json::from_str(&text).unwrap();
    assert_eq!(said["refused"][0]["code"], "no_volume");
    assert_eq!(said["verdict"], Value::Null);
    assert_eq!(said["quality"]["faults"], serde_json::json!({}), "{text}");
    assert!(read(&folder, "closed.toml").contains("reason = \"stopped\""));
}

/// A force probe and a pressure probe on one bench: the pull takes the force, both are recorded.
#[test]
fn two_probes_are_recorded_and_the_right_one_is_measured() {
    let force = Board::plug_in(Speech::Wire(ProbeKind::Force));
    let pressure = Board::plug_in(Speech::Wire(ProbeKind::Pressure));
    let dir = tempfile::tempdir().unwrap();
    let out = dir.path().to_str().unwrap();
    let (output, text, err) = ended(feelgauge(&[
        "take",
        "pull",
        "--port",
        &pressure.path,
        "--port",
        &force.path,
        "--for",
        "2s",
        "--json",
        "--out",
        out,
    ]));
    assert_eq!(output.status.code(), Some(0), "{err}");
    let mut said: Value = serde_json::from_str(&text).unwrap();
    said.as_object_mut().unwrap().shift_remove("capture");
    assert_eq!(said["quality"]["faults"], serde_json::json!({}), "{text}");
    let rows = said["quality"]["rows"].as_u64().unwrap();
    assert!(
        (350..=420).contains(&rows),
        "{rows} readings of force in 2 s"
    );
    let folder = only_folder(dir.path());
    let tables = std::fs::read_dir(&folder).unwrap();
    let mut names: Vec<String> = tables
        .map(|e| e.unwrap().file_name().into_string().unwrap())
        .collect();
    names.retain(|name| name.starts_with("force") || name.starts_with("pressure"));
    assert_eq!(names.len(), 2, "{names:?}");
    for name in names {
        assert!(
            read(&folder, &name).contains(",S "),
            "{name} holds its samples"
        );
    }
    assert_eq!(replayed(&folder), said);
}

/// A probe that starts anew within the capture: seen, counted, and no reading is out of place.
#[test]
fn a_reset_within_a_capture_is_counted_and_readings_go_on() {
    let board = Board::plug_in(Speech::Resets);
    let dir = tempfile::tempdir().unwrap();
    let args = [
        "take",
        "pull",
        "--port",
        &board.path,
        "--for",
        "2s",
        "--json",
        "--out",
    ];
    let child = feelgauge(&[&args[..], &[dir.path().to_str().unwrap()]].concat());
    let (output, text, err) = ended(child);
    assert_eq!(output.status.code(), Some(0), "{err}");
    let said: Value = serde_json::from_str(&text).unwrap();
    let faults = &said["quality"]["faults"];
    assert_eq!(faults["reset"], 1, "{text}");
    assert_eq!(
        faults["bad_crc"], 1,
        "the line that was cut off, and the hello behind it: {text}"
    );
    // The first line after it stands behind, unless the board was so late that its clock tells more.
    let behind = faults["out_of_order"].as_u64().unwrap_or(0);
    assert!(behind <= 1, "{text}");
    let kinds = faults.as_object().unwrap().len() as u64;
    assert_eq!(kinds, 2 + behind, "{text}");
    assert!(said["quality"]["gaps"].as_u64().unwrap() >= 1, "{text}");
    assert!(said["quality"]["rows"].as_u64().unwrap() > 300);
}

#[test]
fn a_bare_probe_is_recorded_and_marked_unprotected() {
    let board = Board::plug_in(Speech::Plain);
    let dir = tempfile::tempdir().unwrap();
    let args = [
        "take",
        "pull",
        "--port",
        &board.path,
        "--bare",
        "force:N:2",
        "--for",
        "1s",
        "--json",
        "--out",
    ];
    let (output, text, err) = ended(feelgauge(
        &[&args[..], &[dir.path().to_str().unwrap()]].concat(),
    ));
    assert_eq!(output.status.code(), Some(0), "{err}");
    let said: Value = serde_json::from_str(&text).unwrap();
    assert_eq!(said["quality"]["unprotected"], true);
    assert!(said["quality"]["rows"].as_u64().unwrap() > 100, "{text}");
    assert!(read(&only_folder(dir.path()), "bare-force.csv").contains("x;"));
}

#[test]
fn what_cannot_be_taken_says_why() {
    let board = Board::plug_in(Speech::Wire(ProbeKind::Pressure));
    let dir = tempfile::tempdir().unwrap();
    let out = dir.path().to_str().unwrap();
    let cases: [(&[&str], i32, &str); 6] = [
        (
            &["pull", "--port", &board.path],
            1,
            "pull needs a force probe; there is pressure-T-1",
        ),
        (&["pull", "--port", "/no/such/port"], 1, "feelgauge probes"),
        (&["pull", "--port", "/dev/null"], 1, "no serial port"),
        (
            &["roll", "--port", &board.path, "--bare", "hall:edge:1"],
            2,
            "clock",
        ),
        (
            &["leak", "--port", "a", "--port", "b", "--bare", "force:N:1"],
            2,
            "one for each port",
        ),
        (
            &["leak", "--port", &board.path, "--vehicle", "/no/such.toml"],
            1,
            "/no/such.toml",
        ),
    ];
    for (args, status, why) in cases {
        let (output, _, err) = ended(feelgauge(&[&["take", "--out", out], args].concat()));
        assert_eq!(output.status.code(), Some(status), "{args:?}: {err}");
        assert!(err.contains(why), "{args:?}: {err}");
    }
    assert_eq!(
        std::fs::read_dir(dir.path()).unwrap().count(),
        0,
        "nothing is left behind"
    );
}

#[test]
fn probes_are_listed_with_their_health() {
    let board = Board::plug_in(Speech::Wire(ProbeKind::Force));
    let (output, text, err) = ended(feelgauge(&["probes", "--port", &board.path, "--json"]));
    assert_eq!(output.status.code(), Some(0), "{err}");
    let said: Value = serde_json::from_str(&text).unwrap();
    let probe = &said["probes"][0];
    assert_eq!(probe["identity"]["serial"], "T-1");
    assert_eq!(probe["health"]["faults"], serde_json::json!({}), "{text}");
    assert!(
        (15.0..25.0).contains(&probe["health"]["lines_per_s"].as_f64().unwrap()),
        "{text}"
    );
    assert!(probe["ping_us"].as_u64().is_some() && probe["trouble"].is_null());
    let (output, text, _) = ended(feelgauge(&["probes", "--port", "/no/such/port"]));
    assert_eq!(output.status.code(), Some(1));
    assert!(text.contains("no such port"), "{text}");
}

/// `calibrate` asks for each mass, records it, and keeps what the probe said. The board hangs 20 N more on itself each
/// time it is asked who it is.
#[test]
fn a_probe_is_calibrated_at_its_port() {
    let board = Board::plug_in(Speech::Hangs);
    let dir = tempfile::tempdir().unwrap();
    let kept = dir.path().join("points");
    let out = dir.path().join("cord.toml");
    let mut child = Process::new(env!("CARGO_BIN_EXE_feelgauge"))
        .args([
            "calibrate",
            "force",
            "--port",
            &board.path,
            "--for",
            "1s",
            "--json",
        ])
        .args(["--on", "0N", "--on", "20N", "--on", "40N"])
        .args([
            "--captures",
            kept.to_str().unwrap(),
            "--out",
            out.to_str().unwrap(),
        ])
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    child.stdin.take().unwrap().write_all(b"\n\n\n").unwrap();
    let (output, text, err) = ended(child);
    assert_eq!(output.status.code(), Some(0), "{err}");
    assert_eq!(err.matches("press Enter").count(), 3, "{err}");
    assert!(!err.contains("glow igniter"), "no test of a car: {err}");
    let said: Value = serde_json::from_str(&text).unwrap();
    assert_eq!(said["sensor"], "T-1");
    let gain = said["gain"]["value"].as_f64().unwrap();
    assert!((gain - 0.01).abs() < 1e-4, "20 N are 2000 counts: {text}");
    assert_eq!(std::fs::read_dir(&kept).unwrap().count(), 3);
    assert!(read(dir.path(), "cord.toml").contains("sensor = \"T-1\""));
    // an end of the answers is an end, and says what was kept
    let child = feelgauge(&["calibrate", "force", "--port", &board.path, "--on", "0kg"]);
    let (output, _, err) = ended(child);
    assert_eq!(output.status.code(), Some(1));
    assert!(err.contains("no Enter came for 0kg"), "{err}");
}

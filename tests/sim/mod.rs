//! Real probe firmware on an emulated chip behind a pseudo-terminal.
//!
//! Needs `avr-gcc`, avr-libc, `cc` and libsimavr. Where they are missing a test prints `SKIPPED: reason` and passes; with
//! `SIM_REQUIRED=1` it fails. A compile error with the tools present always fails.

use std::fmt::Write as _;
use std::fs::{self, File, OpenOptions};
use std::io::{BufRead as _, BufReader, Read as _, Write as _};
use std::os::unix::fs::OpenOptionsExt as _;
use std::path::{Path, PathBuf};
use std::process::{Child, ChildStdout, Command, Stdio};
use std::sync::OnceLock;
use std::sync::atomic::{AtomicU32, Ordering};

/// Serial number compiled into every firmware here.
pub const SERIAL: &str = "SIM-1";

/// Overflows of 32768 us that the clock of the `_wrap` firmwares starts with: 31 before the wrap, so it wraps after 1.016 s.
const WRAP_START: &str = "131041UL";

/// Name, source and added definitions of every firmware.
const FIRMWARES: [(&str, &str, &[&str]); 5] = [
    ("pressure", "pressure.c", &[]),
    ("force", "force.c", &[]),
    ("hall", "hall.c", &[]),
    ("pressure_wrap", "pressure.c", &["CLOCK_START"]),
    ("hall_wrap", "hall.c", &["CLOCK_START"]),
];

/// Real seconds after which a forgotten emulator ends itself.
const KILL_AFTER_S: &str = "120";

/// `O_NOCTTY` on Linux: a port that is opened must not become the terminal of the test.
const O_NOCTTY: i32 = 0o400;

/// Compiles `out` into place by rename, as test binaries may build side by side. `Err` says which tool is missing.
fn build(out: &Path, tool: &str, args: &[String]) -> Result<(), String> {
    let partial = out.with_extension(format!("partial-{}", std::process::id()));
    let made = Command::new(tool)
        .args(args)
        .arg("-o")
        .arg(&partial)
        .current_dir(env!("CARGO_MANIFEST_DIR"))
        .output()
        .map_err(|e| format!("{tool}: {e}"))?;
    if !made.status.success() {
        let text = String::from_utf8_lossy(&made.stderr);
        // Only an absent header or library is a reason to skip; anything else is a broken build.
        let absent = text.lines().find(|line| {
            let ours = [
                "sim_avr.h",
                "avr_",
                "-lsimavr",
                "avr/",
                "util/",
                "crtatmega328p",
            ];
            (line.contains("No such file") || line.contains("cannot find"))
                && ours.iter().any(|part| line.contains(part))
        });
        match absent {
            Some(line) => return Err(line.to_string()),
            None => panic!("{tool} failed:\n{text}"),
        }
    }
    fs::rename(partial, out).map_err(|e| e.to_string())
}

fn build_all() -> Result<PathBuf, String> {
    let folder = Path::new(env!("CARGO_TARGET_TMPDIR")).join("sim");
    fs::create_dir_all(&folder).map_err(|e| e.to_string())?;
    for (name, source, defines) in FIRMWARES {
        let mut args: Vec<String> =
            "-mmcu=atmega328p -DF_CPU=16000000UL -Os -std=gnu11 -Wall -Wextra -Werror"
                .split(' ')
                .map(String::from)
                .collect();
        args.push(format!("-DSERIAL=\"{SERIAL}\""));
        args.extend(defines.iter().map(|d| format!("-D{d}={WRAP_START}")));
        args.push(format!("firmware-notes/firmware/{source}"));
        build(&folder.join(name).with_extension("elf"), "avr-gcc", &args)?;
    }
    let args = "-O2 -Wall -Wextra -Werror -I/usr/include/simavr tests/sim/simprobe.c -lsimavr";
    // The library stands last: it is searched for what the source before it needs.
    let args: Vec<String> = args.split(' ').map(String::from).collect();
    build(&folder.join("simprobe"), "cc", &args)?;
    Ok(folder)
}

/// The folder with the emulator and the firmwares, built once a process; `None` (and a line that says so) without the tools.
pub fn tools() -> Option<&'static Path> {
    static BUILT: OnceLock<Result<PathBuf, String>> = OnceLock::new();
    match BUILT.get_or_init(build_all) {
        Ok(folder) => Some(folder),
        Err(why) if std::env::var_os("SIM_REQUIRED").is_some_and(|v| v == "1") => {
            panic!("emulated probes are required, but: {why}")
        }
        Err(why) => {
            eprintln!("SKIPPED: no emulated probe: {why}");
            None
        }
    }
}

/// One emulated probe; dropping it is pulling the plug.
pub struct Probe {
    child: Child,
    news: BufReader<ChildStdout>,
    schedule: PathBuf,
    /// Path of its port.
    pub path: String,
}

/// What the emulator says at its end.
#[derive(Clone, Copy, Debug, PartialEq, serde::Deserialize)]
pub struct Statistics {
    /// Emulated time that has passed, s.
    pub emulated_s: f64,
    /// Bytes from the chip that reached the port.
    pub sent: u64,
    /// Bytes that did not.
    pub lost: u64,
}

impl Probe {
    /// Starts `firmware` with a schedule and the emulator's options. `None` without the tools.
    pub fn start(firmware: &str, schedule: &str, options: &[&str]) -> Option<Self> {
        static COUNT: AtomicU32 = AtomicU32::new(0);
        let folder = tools()?;
        let n = COUNT.fetch_add(1, Ordering::Relaxed);
        let file = folder.join(format!("{}-{n}.schedule", std::process::id()));
        fs::write(&file, schedule).unwrap();
        let mut child = Command::new(folder.join("simprobe"))
            .arg(folder.join(firmware).with_extension("elf"))
            .args(["-k", KILL_AFTER_S, "-s"])
            .arg(&file)
            .args(options)
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            .spawn()
            .unwrap();
        let mut news = BufReader::new(child.stdout.take().unwrap());
        let mut line = String::new();
        news.read_line(&mut line).unwrap();
        let path = line.trim().strip_prefix("READY ").map(String::from);
        let probe = Self {
            child,
            news,
            schedule: file,
            path: path.unwrap_or_default(),
        };
        assert!(
            !probe.path.is_empty(),
            "the emulator did not start: {}",
            probe.words()
        );
        Some(probe)
    }

    /// As fast as it goes for `seconds` of emulated time, from the moment the port is opened.
    pub fn flat_out(firmware: &str, schedule: &str, seconds: f64) -> Option<Self> {
        Self::start(
            firmware,
            schedule,
            &["-w", "-x", "0", "-t", &format!("{seconds}")],
        )
    }

    /// Opens the port.
    pub fn open(&self) -> File {
        OpenOptions::new()
            .read(true)
            .write(true)
            .custom_flags(O_NOCTTY)
            .open(&self.path)
            .unwrap()
    }

    /// Waits until the emulator has seen that the port is closed.
    pub fn wait_closed(&mut self) {
        let mut line = String::new();
        self.news.read_line(&mut line).unwrap();
        assert_eq!(line, "CLOSED\n");
    }

    /// Opens the port, says `commands`, and reads until the probe is gone.
    pub fn converse(&self, commands: &str) -> Vec<u8> {
        let mut port = self.open();
        port.write_all(commands.as_bytes()).unwrap();
        read_to_hang_up(&mut port)
    }

    fn words(mut self) -> String {
        let mut text = String::new();
        self.child
            .stderr
            .take()
            .unwrap()
            .read_to_string(&mut text)
            .unwrap();
        text
    }

    /// Waits for the emulator's end (the port must be closed or read to its end).
    pub fn statistics(self) -> Statistics {
        let text = self.words();
        let json = text.lines().find(|line| line.starts_with('{'));
        serde_json::from_str(json.unwrap_or_else(|| panic!("no statistics: {text}"))).unwrap()
    }
}

impl Drop for Probe {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
        let _ = fs::remove_file(&self.schedule);
    }
}

/// Everything a port says until it hangs up (a pseudo-terminal then answers with an error).
pub fn read_to_hang_up(port: &mut File) -> Vec<u8> {
    let (mut all, mut part) = (Vec::new(), [0; 4096]);
    while let Ok(n @ 1..) = port.read(&mut part) {
        all.extend_from_slice(&part[..n]);
    }
    all
}

/// Schedule events in any order -> schedule text in order of time.
pub fn schedule(mut events: Vec<(f64, String)>) -> String {
    events.sort_by(|a, b| a.0.total_cmp(&b.0));
    let mut text = String::new();
    for (t_us, what) in events {
        writeln!(text, "{t_us:.4} {what}").unwrap();
    }
    text
}

//! Sixteen probes on pseudo-terminals, at full rate, in a thread of its own.

use std::{
    io::{Read as _, Write as _},
    sync::{
        Arc, Mutex, PoisonError,
        atomic::{AtomicBool, Ordering},
    },
    thread::JoinHandle,
    time::Duration,
};

use feelgauge::{
    measure::pull::{Pull, PullSettings},
    physics::engine::{EngineScenario, simulate},
    reading::{ForceReading, Quality},
    wire::{
        Channel, Command, Edges, Encoder, Identity, Message, ProbeKind, Samples, Unit, VERSION,
    },
};
use serialport::{SerialPort as _, TTYPort};

use crate::wall_ns;

/// Probes of each kind.
pub const FORCES: usize = 6;
pub const PRESSURES: usize = 6;
pub const HALLS: usize = 4;
/// Microseconds between two lines of every probe, and what is in one.
const LINE_US: u64 = 20_000;
const FORCES_A_LINE: u64 = 20;
const PRESSURES_A_LINE: u64 = 2;
const EDGES_A_LINE: u64 = 8;
/// Newtons a count.
const NEWTON: f64 = 0.01;
/// A cord that does not give way, N: above every threshold that a guard ever has.
const STUCK_N: f64 = 200.0;
/// The generator looks at its probes so often.
const TICK: Duration = Duration::from_micros(500);

/// What the probes did, by wall time in nanoseconds.
#[derive(Debug, Default)]
pub struct Done {
    /// When the line with a stuck cord was written, one after the other.
    pub stuck: Vec<u64>,
    /// When the stream of the first force probe began.
    pub pulls_from: Option<u64>,
    /// Lines that were written later than they were due by more than a millisecond, and all lines.
    pub late: (u64, u64),
}

/// The running probes.
pub struct Load {
    pub paths: Vec<String>,
    done: Arc<Mutex<Done>>,
    stick: Arc<AtomicBool>,
    over: Arc<AtomicBool>,
    thread: Option<JoinHandle<()>>,
}

impl Load {
    /// Plugs all probes in.
    pub fn plug_in() -> Self {
        let mut boards = Vec::new();
        let mut paths = Vec::new();
        let pulls = pulls_counts();
        let kinds = [
            (ProbeKind::Force, FORCES),
            (ProbeKind::Pressure, PRESSURES),
            (ProbeKind::Hall, HALLS),
        ];
        for (kind, count) in kinds {
            for n in 0..count {
                let (master, slave) = TTYPort::pair().expect("a pseudo-terminal");
                paths.push(slave.name().expect("it has a path"));
                let pulls = (kind == ProbeKind::Force && n == 0).then(|| pulls.clone());
                boards.push(Board::new(master, kind, n, pulls));
            }
        }
        let done = Arc::<Mutex<Done>>::default();
        let (stick, over) = (Arc::<AtomicBool>::default(), Arc::<AtomicBool>::default());
        let shared = (Arc::clone(&done), Arc::clone(&stick), Arc::clone(&over));
        let thread = std::thread::spawn(move || speak(boards, &shared.0, &shared.1, &shared.2));
        Self {
            paths,
            done,
            stick,
            over,
            thread: Some(thread),
        }
    }

    /// The next line of a force probe (not the first) is that of a cord that does not move.
    pub fn stick(&self) {
        self.stick.store(true, Ordering::Relaxed);
    }

    /// What was done so far.
    pub fn done<T>(&self, look: impl FnOnce(&Done) -> T) -> T {
        look(&self.done.lock().unwrap_or_else(PoisonError::into_inner))
    }
}

impl Drop for Load {
    fn drop(&mut self) {
        self.over.store(true, Ordering::Relaxed);
        if let Some(thread) = self.thread.take() {
            drop(thread.join());
        }
    }
}

fn speak(mut boards: Vec<Board>, done: &Mutex<Done>, stick: &AtomicBool, over: &AtomicBool) {
    let mut turn = 0;
    while !over.load(Ordering::Relaxed) {
        for (n, board) in boards.iter_mut().enumerate() {
            board.answer();
            // The first force probe pulls; the others take turns at being stuck.
            let my_turn = n > 0 && n < FORCES && turn % (FORCES - 1) == n - 1;
            let is_stuck = my_turn && board.is_due() && stick.swap(false, Ordering::Relaxed);
            let Some(wrote) = board.speak(is_stuck) else {
                continue;
            };
            let mut done = done.lock().unwrap_or_else(PoisonError::into_inner);
            done.late.0 += u64::from(wrote.late_ns > 1_000_000);
            done.late.1 += 1;
            if n == 0 {
                done.pulls_from.get_or_insert(board.began_ns.unwrap_or(0));
            }
            if is_stuck {
                done.stuck.push(wrote.at_ns);
                turn += 1;
            }
        }
        std::thread::sleep(TICK);
    }
}

struct Wrote {
    at_ns: u64,
    late_ns: u64,
}

/// One probe.
struct Board {
    port: TTYPort,
    kind: ProbeKind,
    serial: String,
    encoder: Encoder,
    heard: Vec<u8>,
    /// Wall time at which it was asked who it is: its clock is 0 there.
    began_ns: Option<u64>,
    lines: u64,
    /// Wall time just before the last line was written.
    wrote_ns: u64,
    pulls: Option<Vec<i32>>,
    random: u32,
}

impl Board {
    fn new(port: TTYPort, kind: ProbeKind, n: usize, pulls: Option<Vec<i32>>) -> Self {
        Self {
            port,
            kind,
            serial: format!("{}{n}", kind.word()),
            encoder: Encoder::default(),
            heard: Vec::new(),
            began_ns: None,
            lines: 0,
            wrote_ns: 0,
            pulls,
            random: u32::try_from(n).expect("few probes") + 1,
        }
    }

    /// Says who it is when it is asked, and begins to measure then.
    fn answer(&mut self) {
        // Nobody has the port open yet, or nothing came: the next look will tell.
        let waiting = self.port.bytes_to_read().unwrap_or(0);
        if waiting == 0 {
            return;
        }
        let mut bytes = vec![0; usize::try_from(waiting).expect("a terminal's buffer")];
        let n = self.port.read(&mut bytes).unwrap_or(0);
        self.heard.extend(&bytes[..n]);
        while let Some(end) = self.heard.iter().position(|b| *b == b'\n') {
            let line: Vec<u8> = self.heard.drain(..=end).collect();
            if Command::read(&line[..end]) == Some(Command::Identify) {
                let began_ns = *self.began_ns.get_or_insert_with(wall_ns);
                let t_us = (wall_ns() - began_ns) / 1000;
                let identity = self.identity(u32::try_from(t_us).expect("minutes"));
                self.write(&Message::Identity(Box::new(identity)));
            }
        }
    }

    fn due_ns(&self) -> Option<u64> {
        Some(self.began_ns? + (self.lines + 1) * LINE_US * 1000)
    }

    fn is_due(&self) -> bool {
        self.due_ns().is_some_and(|due| due <= wall_ns())
    }

    /// The next line, if it is due.
    fn speak(&mut self, is_stuck: bool) -> Option<Wrote> {
        let due_ns = self.due_ns().filter(|due| *due <= wall_ns())?;
        let t0_us = u32::try_from(self.lines * LINE_US + 1000).expect("minutes");
        let us = |n: u64, of: u64| u32::try_from(n * LINE_US / of).expect("a part of a line");
        match self.kind {
            ProbeKind::Force => {
                let counts: Vec<i32> = (0..FORCES_A_LINE)
                    .map(|n| self.force(n, is_stuck))
                    .collect();
                let dt_us = us(1, FORCES_A_LINE);
                self.samples(t0_us, dt_us, &counts);
            }
            ProbeKind::Pressure => {
                let counts: Vec<i32> = (0..PRESSURES_A_LINE).map(|_| self.noise(8)).collect();
                self.samples(t0_us, us(1, PRESSURES_A_LINE), &counts);
            }
            ProbeKind::Hall => {
                let times: Vec<u32> = (0..EDGES_A_LINE)
                    .map(|n| t0_us + us(n, EDGES_A_LINE))
                    .collect();
                let edges = Edges::new(0, &times).expect("a line's edges");
                self.write(&Message::Edges(edges));
            }
        }
        let at_ns = self.wrote_ns;
        self.lines += 1;
        Some(Wrote {
            at_ns,
            late_ns: at_ns.saturating_sub(due_ns),
        })
    }

    fn force(&mut self, n: u64, is_stuck: bool) -> i32 {
        let noise = self.noise(8);
        // The cord is free again in the second half of the line.
        if is_stuck && n < FORCES_A_LINE / 2 {
            return noise + counts(STUCK_N);
        }
        let reading = self.lines * FORCES_A_LINE + n;
        match &self.pulls {
            Some(pulls) => pulls[usize::try_from(reading).expect("minutes") % pulls.len()],
            None => noise,
        }
    }

    /// Evenly spread whole numbers about 0.
    fn noise(&mut self, half: i32) -> i32 {
        self.random = self
            .random
            .wrapping_mul(1_664_525)
            .wrapping_add(1_013_904_223);
        let high = i32::try_from(self.random >> 16).expect("16 bits");
        high % (2 * half + 1) - half
    }

    fn samples(&mut self, t0_us: u32, dt_us: u32, counts: &[i32]) {
        let samples = Samples::new(0, t0_us, dt_us, counts).expect("a line's samples");
        self.write(&Message::Samples(samples));
    }

    fn write(&mut self, message: &Message<'_>) {
        let line = self.encoder.line(message).expect("a short line");
        self.wrote_ns = wall_ns();
        // A daemon that has ended reads no more; that it ended too early is seen by who listens to it.
        drop(self.port.write_all(&line));
    }

    fn identity(&self, t_us: u32) -> Identity {
        let (unit, rate_hz) = match self.kind {
            ProbeKind::Force => (Unit::Newton, 1000.0),
            ProbeKind::Pressure => (Unit::Pascal, 100.0),
            ProbeKind::Hall => (Unit::Edge, 0.0),
        };
        let channel = Channel {
            index: 0,
            unit,
            scale: if unit == Unit::Edge { 1.0 } else { NEWTON },
            zero: 0.0,
            min: if unit == Unit::Edge { 0 } else { -(1 << 23) },
            max: if unit == Unit::Edge {
                i64::from(u32::MAX)
            } else {
                1 << 23
            },
            rate_hz,
            order: u32::from(unit != Unit::Edge),
        };
        Identity {
            version: VERSION,
            kind: self.kind,
            serial: self.serial.clone(),
            firmware: "load".into(),
            boot: 1,
            t_us,
            channels: vec![channel],
        }
    }
}

#[allow(clippy::cast_possible_truncation)] // some thousand counts
fn counts(newton: f64) -> i32 {
    (newton / NEWTON).round() as i32
}

/// A session of simulated pulls, over and over.
fn session() -> Vec<ForceReading> {
    let scenario = EngineScenario {
        pulls: 40,
        ..EngineScenario::plover()
    };
    simulate(&scenario, 1).readings
}

fn pulls_counts() -> Vec<i32> {
    session().iter().map(|r| counts(r.force_n)).collect()
}

/// Ends of the session's pulls as the measure says, s from its first reading; and the session's length, s.
pub fn pull_ends() -> (Vec<f64>, f64) {
    let readings = session();
    let seconds = readings.len() as f64 * 1e-3;
    let mut pull = Pull::new(PullSettings {
        mass_kg: Some(3.4),
        filter_order: 1,
        ..PullSettings::default()
    });
    for reading in readings {
        pull.push(reading);
    }
    let found = pull.finish(Quality::default());
    (found.pulls.iter().map(|p| p.end_s).collect(), seconds)
}

//! A bench in memory: ports that a test plugs in and out, a disk that blocks or is full when it is told to.

use std::{
    collections::BTreeMap,
    io,
    sync::{Arc, Condvar, Mutex},
    time::Duration,
};

use feelgauge::{
    bench::{
        Bench, Captures, Daemon, Denied, EventKind, Order, Plan, Ports, Scene, Shelf, Standing,
        State,
    },
    clock::Clock,
    inspect::Test,
    physics::PLOVER_8,
    probe::{
        discover::{Found, Listing},
        serial::{OpenError, PortName},
    },
    record::{Capture, Files, Storage, read_capture},
    vehicle::Vehicle,
    wire::{Channel, Encoder, Identity, Message, ProbeKind, Samples, Unit},
};
use tempfile::TempDir;
use tokio::{
    io::{AsyncWriteExt as _, DuplexStream, duplex},
    sync::{mpsc, oneshot},
    task::JoinHandle,
};

/// Longest wait for anything; far beyond what a loaded machine needs.
pub const PATIENCE: Duration = Duration::from_mins(1);

/// What is at a path.
enum Plug {
    /// A stream in memory; its far end goes to the test at each opening.
    Memory(mpsc::UnboundedSender<DuplexStream>),
    /// It cannot be opened.
    Refused(OpenError),
}

#[derive(Clone, Default)]
pub struct TestPorts(Arc<Mutex<Inner>>);

#[derive(Default)]
struct Inner {
    plugs: BTreeMap<String, Plug>,
    opens: BTreeMap<String, usize>,
    trouble: Option<String>,
}

impl TestPorts {
    /// Plugs something in; its far end comes whenever the bench opens the path.
    pub fn plug(&self, path: &str) -> mpsc::UnboundedReceiver<DuplexStream> {
        let (far, ends) = mpsc::unbounded_channel();
        let mut inner = self.0.lock().unwrap();
        inner.plugs.insert(path.into(), Plug::Memory(far));
        ends
    }

    pub fn refuse(&self, path: &str, why: OpenError) {
        let mut inner = self.0.lock().unwrap();
        inner.plugs.insert(path.into(), Plug::Refused(why));
    }

    pub fn unplug(&self, path: &str) {
        self.0.lock().unwrap().plugs.remove(path);
    }

    /// How often a path was opened, or tried.
    pub fn opens(&self, path: &str) -> usize {
        let inner = self.0.lock().unwrap();
        inner.opens.get(path).copied().unwrap_or_default()
    }

    pub fn fail_listing(&self, why: Option<&str>) {
        self.0.lock().unwrap().trouble = why.map(str::to_owned);
    }
}

impl Ports for TestPorts {
    type Port = DuplexStream;

    fn list(&self) -> Listing {
        let inner = self.0.lock().unwrap();
        let found = |path: &String| Found {
            path: path.clone(),
            device: path.clone(),
        };
        Listing {
            ports: inner.plugs.keys().map(found).collect(),
            trouble: inner.trouble.clone(),
        }
    }

    fn open(&self, name: &PortName) -> Result<DuplexStream, OpenError> {
        let mut inner = self.0.lock().unwrap();
        *inner.opens.entry(name.path.clone()).or_default() += 1;
        match inner.plugs.get(&name.path) {
            None => Err(OpenError::Missing),
            Some(Plug::Refused(why)) => Err(why.clone()),
            Some(Plug::Memory(ends)) => {
                let (near, far) = duplex(1 << 14);
                ends.send(far).map_err(|_| OpenError::Busy)?;
                Ok(near)
            }
        }
    }

    fn is_wire(&self) -> bool {
        false
    }
}

/// How the disk does.
#[derive(Default)]
pub struct DiskMood {
    blocked: Mutex<bool>,
    changed: Condvar,
    full: Mutex<bool>,
}

impl DiskMood {
    pub fn block(&self, blocked: bool) {
        *self.blocked.lock().unwrap() = blocked;
        self.changed.notify_all();
    }

    pub fn fill(&self, full: bool) {
        *self.full.lock().unwrap() = full;
    }

    fn pass(&self, path: &str) -> io::Result<()> {
        let mut blocked = self.blocked.lock().unwrap();
        while *blocked {
            blocked = self.changed.wait(blocked).unwrap();
        }
        // A full disk still has room for a small file now and then: the end of a capture may stand.
        if *self.full.lock().unwrap() && !path.contains("closed.toml") {
            return Err(io::ErrorKind::StorageFull.into());
        }
        Ok(())
    }
}

#[derive(Clone)]
pub struct TestShelf {
    pub captures: Captures,
    pub mood: Arc<DiskMood>,
}

pub struct TestDisk(Files, Arc<DiskMood>);

impl Shelf for TestShelf {
    type Disk = TestDisk;

    fn disk(&self) -> TestDisk {
        TestDisk(self.captures.disk(), Arc::clone(&self.mood))
    }

    fn folders(&self) -> io::Result<Vec<String>> {
        self.captures.folders()
    }
}

impl Storage for TestDisk {
    fn create_folder(&mut self, folder: &str) -> io::Result<()> {
        self.1.pass(folder)?;
        self.0.create_folder(folder)
    }
    fn create(&mut self, path: &str) -> io::Result<()> {
        self.1.pass(path)?;
        self.0.create(path)
    }
    fn append(&mut self, path: &str, bytes: &[u8]) -> io::Result<()> {
        if let Err(e) = self.1.pass(path) {
            // Half of it was written before the room was used up.
            self.0.append(path, &bytes[..bytes.len() / 2])?;
            return Err(e);
        }
        self.0.append(path, bytes)
    }
    fn set_len(&mut self, path: &str, len: u64) -> io::Result<()> {
        self.0.set_len(path, len)
    }
    fn sync(&mut self, path: &str) -> io::Result<()> {
        self.0.sync(path)
    }
    fn sync_folder(&mut self, folder: &str) -> io::Result<()> {
        self.0.sync_folder(folder)
    }
    fn rename(&mut self, from: &str, to: &str) -> io::Result<()> {
        self.0.rename(from, to)
    }
    fn read(&self, path: &str) -> io::Result<Vec<u8>> {
        self.0.read(path)
    }
}

/// A running bench.
pub struct Rig {
    pub ports: TestPorts,
    pub mood: Arc<DiskMood>,
    pub clock: Clock,
    pub bench: Bench,
    pub folder: TempDir,
    stop: Option<oneshot::Sender<()>>,
    daemon: Option<JoinHandle<()>>,
}

pub fn virtual_clock() -> Clock {
    Clock::virtual_from("2031-05-17T14:21:40Z".parse().unwrap())
}

/// What is known of the demo car.
pub fn plover() -> Plan {
    let car = Vehicle::parse(PLOVER_8).unwrap();
    Plan {
        car: Some((PLOVER_8.into(), Arc::new(car))),
        tag: Some("14".into()),
        operator: Some("R. Tern".into()),
        ..Plan::default()
    }
}

impl Rig {
    pub fn open(clock: Clock, plan: Plan) -> Self {
        Self::in_folder(tempfile::tempdir().unwrap(), clock, plan)
    }

    pub fn in_folder(folder: TempDir, clock: Clock, plan: Plan) -> Self {
        let ports = TestPorts::default();
        let mood = Arc::new(DiskMood::default());
        let shelf = TestShelf {
            captures: Captures::under(folder.path()),
            mood: Arc::clone(&mood),
        };
        let (bench, ends) = Bench::new(State::default());
        let daemon = Daemon::new(ports.clone(), shelf, clock.clone(), plan);
        let (stop, stopped) = oneshot::channel();
        let daemon = tokio::spawn(daemon.run(ends, async move { drop(stopped.await) }));
        Self {
            ports,
            mood,
            clock,
            bench,
            folder,
            stop: Some(stop),
            daemon: Some(daemon),
        }
    }

    /// Waits for a state.
    pub async fn until(&self, what: &str, is_it: impl FnMut(&State) -> bool) -> Arc<State> {
        until(&self.bench, what, is_it).await
    }

    /// Waits until the probe of a name is here.
    pub async fn here(&self, name: &str) -> Arc<State> {
        self.until(name, |state| stands(state, name) == Some(Standing::Here))
            .await
    }

    /// Waits until so many lines of a probe were counted.
    pub async fn lines(&self, name: &str, lines: u64) -> Arc<State> {
        self.until(&format!("{lines} lines of {name}"), |state| {
            lines_of(state, name) >= lines
        })
        .await
    }

    pub async fn order(&self, order: Order) -> Result<(), Denied> {
        self.bench.order(order).await
    }

    /// Chooses and begins a test.
    pub async fn begin(&self, test: Test, setup: Option<&str>) {
        let setup = setup.map(str::to_owned);
        self.order(Order::Choose { test, setup }).await.unwrap();
        self.order(Order::Begin).await.unwrap();
    }

    /// Waits for the end of a test.
    pub async fn ended(&self) -> Arc<feelgauge::bench::Ended> {
        let state = self
            .until("the end", |state| matches!(state.scene, Scene::Ended(_)))
            .await;
        let Scene::Ended(ended) = &state.scene else {
            unreachable!()
        };
        Arc::clone(ended)
    }

    pub fn capture(&self, name: &str) -> Capture {
        read_capture(&Files::under(self.folder.path()), name).unwrap()
    }

    pub fn events(&self) -> Vec<EventKind> {
        let heard = self.bench.events().after(0);
        assert!(!heard.is_gap);
        heard.events.into_iter().map(|e| e.what).collect()
    }

    /// Ends the bench and waits for its end.
    pub async fn close(&mut self) {
        drop(self.stop.take());
        self.daemon.take().unwrap().await.unwrap();
    }

    /// Asks the bench to end, and does not wait.
    pub fn ask_to_end(&mut self) {
        drop(self.stop.take());
    }

    pub async fn joined(&mut self) {
        self.daemon.take().unwrap().await.unwrap();
    }
}

impl Drop for Rig {
    /// A test that failed must not leave a thread that waits for the disk.
    fn drop(&mut self) {
        self.mood.block(false);
    }
}

pub async fn until(bench: &Bench, what: &str, is_it: impl FnMut(&State) -> bool) -> Arc<State> {
    let mut is_it = is_it;
    let mut states = bench.follow();
    let waited = tokio::time::timeout(PATIENCE, states.wait_for(|state| is_it(state))).await;
    let Ok(state) = waited else {
        panic!("waited for {what} in vain; now {:#?}", bench.state());
    };
    Arc::clone(&state.unwrap())
}

pub fn stands(state: &State, name: &str) -> Option<Standing> {
    let probe = state.probes.iter().find(|p| named(p) == name)?;
    Some(probe.standing)
}

pub fn lines_of(state: &State, name: &str) -> u64 {
    let probe = state.probes.iter().find(|p| named(p) == name);
    probe
        .and_then(|p| p.health.as_ref())
        .map_or(0, |health| health.lines)
}

fn named(probe: &feelgauge::bench::ProbeState) -> String {
    match (&probe.kind, &probe.serial) {
        (Some(kind), Some(serial)) => format!("{kind}-{serial}"),
        _ => String::new(),
    }
}

/// The far end of a force probe at 200 readings a second, 10 a line.
pub struct FarProbe {
    pub stream: DuplexStream,
    pub encoder: Encoder,
    pub serial: String,
    /// Time of its next reading, microseconds.
    pub t_us: u32,
    /// Good lines said so far.
    pub said: u64,
}

pub fn identity(serial: &str, boot: u16, t_us: u32) -> Message<'static> {
    Message::Identity(Box::new(Identity {
        version: 1,
        kind: ProbeKind::Force,
        serial: serial.into(),
        firmware: "1.0".into(),
        boot,
        t_us,
        channels: vec![Channel {
            index: 0,
            unit: Unit::Newton,
            scale: 0.01,
            zero: 0.0,
            min: -100_000,
            max: 100_000,
            rate_hz: 200.0,
            order: 1,
        }],
    }))
}

impl FarProbe {
    /// The bench has opened the port: the probe boots and says hello.
    pub async fn boot(stream: DuplexStream, serial: &str, boot: u16) -> Self {
        let mut probe = Self {
            stream,
            encoder: Encoder::default(),
            serial: serial.into(),
            t_us: 2_000,
            said: 0,
        };
        probe.say(&identity(serial, boot, 2_000)).await;
        probe
    }

    /// The board is reset: its numbers and its clock start anew.
    pub async fn reset(&mut self, boot: u16) {
        self.encoder = Encoder::default();
        self.t_us = 2_000;
        let hello = identity(&self.serial.clone(), boot, 2_000);
        self.say(&hello).await;
    }

    pub async fn say(&mut self, message: &Message<'_>) {
        let line = self.encoder.line(message).unwrap();
        self.stream.write_all(&line).await.unwrap();
        self.said += 1;
    }

    /// Ten readings of a force in newtons, with a little noise; the host's clock goes along where a test sets it.
    pub async fn pull(&mut self, clock: &Clock, force_n: impl Fn(u32) -> f64) {
        let counts: Vec<i32> = (0..10)
            .map(|k| {
                let t_us = self.t_us + k * 5_000;
                let noise = i32::try_from(t_us.wrapping_mul(2_654_435_761) >> 28).unwrap();
                #[allow(clippy::cast_possible_truncation)] // some thousand counts
                let force = (force_n(t_us) * 100.0) as i32;
                force + noise
            })
            .collect();
        let samples = Samples::new(0, self.t_us, 5_000, &counts).unwrap();
        self.t_us += 50_000;
        clock.set_us(u64::from(self.t_us));
        self.say(&Message::Samples(samples)).await;
    }
}

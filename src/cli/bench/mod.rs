//! `bench`: holds the probes and serves the page until it is asked to end.

mod config;
mod known;
mod play;
mod system;

use std::{
    net::{Ipv4Addr, SocketAddr},
    path::{Path, PathBuf},
    sync::Arc,
    time::Duration,
};

use schemars::JsonSchema;
use serde::Serialize;
use tokio::{net::TcpListener, runtime::Runtime, sync::watch};

use super::{DONE, Failure, Outcome, Output, args::BenchArgs, plan, say};
use crate::{
    bench::{Bench, Captures, Daemon, Faults, Inspected, Plan, Ports, SerialPorts, State},
    clock::Clock,
    inspect::Stated,
    inspection::{self, FolderError},
    page::{Doors, server::serve},
    probe::{follow::stopped, serial::PortName},
    record::Lock,
};
pub(super) use known::running_bench;
pub(super) use play::live_demo;

/// Port of the page where nobody states one.
const PORT: u16 = 7326;
/// How long threads that wait for a device are waited for at the end.
const LAST: Duration = Duration::from_secs(2);

/// Result of `bench`, written when it is open.
#[derive(Clone, Debug, Serialize, JsonSchema)]
pub struct BenchOpen {
    /// Where the page is.
    pub url: String,
    /// Folder of the captures.
    pub folder: String,
    /// Folder of the inspection that the bench works on; null without one.
    pub inspection: Option<String>,
    /// Process.
    pub pid: u32,
    /// The probes are virtual: all readings are invented.
    #[serde(rename = "virtual")]
    pub is_virtual: bool,
}

/// Everything that is known before a port is opened.
#[derive(Debug)]
pub(super) struct Opening {
    pub plan: Plan,
    /// Folder of the captures.
    pub folder: PathBuf,
    /// Where the page shall be.
    pub listen: SocketAddr,
    /// The page is open to the local network.
    pub lan: bool,
}

/// What a bench stands on: real probes, or virtual ones.
pub(super) struct Ground<P> {
    pub ports: P,
    pub clock: Clock,
    /// Switches of a virtual bench.
    pub faults: Option<Box<dyn Faults>>,
    /// Runs beside the bench with a handle on it, and ends with it: the hand of a virtual bench.
    pub beside: Option<Beside>,
    /// Told the address of the page once it is there.
    pub at_open: Option<AtOpen>,
}

/// See [`Ground::at_open`].
pub(super) type AtOpen = Box<dyn FnOnce(&str)>;

/// See [`Ground::beside`].
pub(super) type Beside =
    Box<dyn FnOnce(Bench) -> std::pin::Pin<Box<dyn Future<Output = ()> + Send>> + Send>;

/// Runs `bench`.
pub fn run(args: BenchArgs, output: &mut Output) -> Outcome {
    if args.is_virtual {
        return play::run(args, output);
    }
    let clock = Clock::system();
    let opening = resolve(config::complete(args)?, &clock)?;
    let ground = Ground {
        ports: SerialPorts::under(Path::new("/dev")),
        clock,
        faults: None,
        beside: None,
        at_open: None,
    };
    open(opening, ground, output)
}

/// Resolves the options. Whatever can be wrong with them is found here.
///
/// # Errors
/// A file that cannot be read or has a fault.
pub(super) fn resolve(args: BenchArgs, clock: &Clock) -> Result<Opening, Failure> {
    if args.out.is_some() && args.inspection.is_some() {
        return Err(Failure::Usage(
            "--out and --inspection: the captures of an inspection lie in its folder; state one of the two".into(),
        ));
    }
    let visit = args
        .inspection
        .as_deref()
        .map(|folder| Visited::open(folder, args.operator.as_deref(), clock))
        .transpose()?;
    let kept = plan::calibrations(&args.calibrations)?;
    let stated = Stated {
        mass_kg: args.mass,
        calibrations: kept.sensors.clone(),
        ..kept.for_leak(plan::leak_stated(args.leak))
    };
    let own_car = visit.as_ref().and_then(|visit| visit.vehicle.as_deref());
    let car = args.vehicle.as_deref().or(own_car);
    let car = car.map(plan::vehicle).transpose()?;
    let tag = visit.as_ref().map(|visit| visit.tag.clone());
    let operator = visit.as_ref().map(|visit| visit.operator.clone());
    let home = if args.lan {
        Ipv4Addr::UNSPECIFIED
    } else {
        Ipv4Addr::LOCALHOST
    };
    Ok(Opening {
        plan: Plan {
            stated,
            car: car.map(|(text, car)| (text, Arc::new(car))),
            tag: args.tag.or(tag),
            operator: args.operator.or(operator),
            inspection: visit.as_ref().map(|visit| Arc::clone(&visit.inspected)),
            named: args.ports.iter().map(PortName::from).collect(),
        },
        folder: match &visit {
            Some(visit) => visit.inspected.captures(),
            None => args.out.unwrap_or_else(|| "captures".into()),
        },
        listen: args.listen.unwrap_or((home, PORT).into()),
        lan: args.lan,
    })
}

/// What an inspection states for the bench that works on it.
struct Visited {
    inspected: Arc<Inspected>,
    tag: String,
    operator: String,
    /// Its vehicle file, where it has one.
    vehicle: Option<PathBuf>,
}

impl Visited {
    fn open(folder: &Path, operator: Option<&str>, clock: &Clock) -> Result<Self, Failure> {
        let fail = |e: FolderError| Failure::Work(format!("feelgauge: {e}"));
        let inspected = Inspected::open(folder, operator, clock.clone()).map_err(fail)?;
        let opening = inspected.visit().map_err(fail)?.opening;
        let vehicle = folder.join(inspection::VEHICLE);
        Ok(Self {
            tag: opening.tag,
            operator: operator.map_or(opening.operator, str::to_owned),
            vehicle: vehicle.exists().then_some(vehicle),
            inspected: Arc::new(inspected),
        })
    }
}

/// Opens the bench and runs it to its end.
///
/// # Errors
/// The folder or the address cannot be had.
pub(super) fn open<P: Ports>(
    opening: Opening,
    mut ground: Ground<P>,
    output: &mut Output,
) -> Outcome {
    let pid = std::process::id();
    // Held until the program ends.
    let _folder = take_folder(&opening, pid)?;
    let runtime = tokio::runtime::Builder::new_multi_thread()
        .enable_all()
        .build()
        .map_err(|e| Failure::Work(format!("feelgauge: no tasks can be started: {e}")))?;
    // Heard from here on: whoever reads the address below may ask for the end at once.
    let asked = runtime.block_on(async { system::asked_to_end() })?;
    let (listener, address) = runtime.block_on(listen(opening.listen))?;
    let known = known::announce(&known::RunningBench {
        address,
        pid,
        folder: std::path::absolute(&opening.folder).unwrap_or_else(|_| opening.folder.clone()),
    });
    let mut doors = Doors::at_home(&opening.folder, ground.clock.clone());
    doors.inspection.clone_from(&opening.plan.inspection);
    if opening.lan {
        doors = doors.open_to_lan();
    }
    let open = BenchOpen {
        url: format!("http://{}/", shown(address)),
        folder: opening.folder.display().to_string(),
        inspection: (opening.plan.inspection.as_ref())
            .map(|inspection| inspection.named().display().to_string()),
        pid,
        is_virtual: ground.faults.is_some(),
    };
    output.result(&open, |_| words(&open))?;
    if let Some(invitation) = doors.invitation(address) {
        say(&invitation);
    }
    if let Some(at_open) = ground.at_open.take() {
        at_open(&open.url);
    }
    let ended = run_to_end(&runtime, opening, ground, (listener, doors), asked);
    // A thread that hangs at a device must not keep the program.
    runtime.shutdown_timeout(LAST);
    if let Some(Err(e)) = known.map(Lock::remove) {
        tracing::warn!("the file by which the bench is found cannot be removed: {e}");
    }
    ended?;
    Ok(DONE)
}

/// Takes the folder for this program alone, and enters into an inspection's journal what an earlier bench left.
fn take_folder(opening: &Opening, pid: u32) -> Result<Lock, Failure> {
    let Some(inspection) = &opening.plan.inspection else {
        return known::take_folder(&opening.folder, pid);
    };
    // What lies in an inspection is sealed some day: the lock lies beside it.
    let lock = known::take_inspection(inspection.named(), pid)?;
    let left = inspection.enter_left();
    for name in left.map_err(|e| Failure::Work(format!("feelgauge: {e}")))? {
        say(&format!(
            "feelgauge: {name} was left from an earlier bench; it is in the journal now"
        ));
    }
    Ok(lock)
}

async fn listen(at: SocketAddr) -> Result<(TcpListener, SocketAddr), Failure> {
    let fail = |e: std::io::Error| {
        Failure::Work(format!(
            "feelgauge: the page cannot be opened at {at}: {e}; take another port, or any that is free: --listen \
             127.0.0.1:0"
        ))
    };
    let listener = TcpListener::bind(at).await.map_err(fail)?;
    let address = listener.local_addr().map_err(fail)?;
    Ok((listener, address))
}

/// An address that a browser on this machine takes.
fn shown(address: SocketAddr) -> SocketAddr {
    if address.ip().is_unspecified() {
        (Ipv4Addr::LOCALHOST, address.port()).into()
    } else {
        address
    }
}

fn words(open: &BenchOpen) -> String {
    if open.is_virtual {
        return play::words(open);
    }
    format!(
        "The bench is open: {}\nOpen it in a browser, plug the probes in, pick a test. Captures go to {}. Ctrl-C closes the \
         bench.\n",
        open.url, open.folder
    )
}

/// Runs daemon and page until the program is asked to end: the daemon first, so that the record is closed before anything
/// else, then the page.
fn run_to_end<P: Ports>(
    runtime: &Runtime,
    opening: Opening,
    ground: Ground<P>,
    (listener, doors): (TcpListener, Doors),
    mut asked: watch::Receiver<bool>,
) -> Result<(), Failure> {
    runtime.block_on(async move {
        let (bench, ends) = Bench::new(State::default());
        let mut daemon = Daemon::new(
            ground.ports,
            Captures::under(opening.folder),
            ground.clock,
            opening.plan,
        );
        daemon.faults = ground.faults;
        daemon.notices = Box::new(|notice| system::tell(&notice));
        let beside = ground
            .beside
            .map(|beside| tokio::spawn(beside(bench.clone())));
        let (end_pages, end) = watch::channel(false);
        let pages = tokio::spawn(serve(listener, bench, doors, end));
        let (end_daemon, mut told) = watch::channel(false);
        let daemon = tokio::spawn(daemon.run(ends, async move { stopped(&mut told).await }));
        let mut daemon = Box::pin(joined(daemon));
        let mut served = Box::pin(joined(pages));
        let broken = tokio::select! {
            () = stopped(&mut asked) => None,
            served = &mut served => Some(served),
            () = &mut daemon => unreachable!("the daemon ends when it is told to"),
        };
        end_daemon.send_replace(true);
        daemon.await;
        end_pages.send_replace(true);
        let served = match broken {
            Some(served) => served,
            None => served.await,
        };
        if let Some(beside) = beside {
            joined(beside).await;
        }
        served.map_err(|e| Failure::Work(format!("feelgauge: the page ended: {e}")))
    })
}

/// Waits for a task; its panic is ours.
async fn joined<T>(task: tokio::task::JoinHandle<T>) -> T {
    task.await
        .unwrap_or_else(|e| std::panic::resume_unwind(e.into_panic()))
}

//! The child: a daemon with its page, told by lines on its standard input, telling by lines on its standard output.

use std::{
    io::{BufRead as _, Write as _},
    path::Path,
    sync::Arc,
};

use feelgauge::{
    bench::{Bench, Captures, Daemon, Order, Plan, Scene, SerialPorts, Standing, State},
    clock::Clock,
    inspect::{Test, guide::View},
    page::{Doors, server},
    physics::PLOVER_8,
    probe::serial::PortName,
    vehicle::Vehicle,
};
use tokio::{
    net::TcpListener,
    sync::{mpsc, watch},
};

use crate::wall_ns;

/// A line to the parent.
fn tell(line: &str) {
    let mut out = std::io::stdout().lock();
    writeln!(out, "{line}")
        .and_then(|()| out.flush())
        .expect("the parent listens");
}

/// Runs the daemon with its captures in `folder`; the first line of the input names the ports.
pub fn run(folder: &Path) {
    let mut named = String::new();
    std::io::stdin()
        .read_line(&mut named)
        .expect("the parent names the ports");
    let named: Vec<PortName> = named
        .split_whitespace()
        .map(|name| name.parse().expect("a port's name"))
        .collect();
    // As the command does it.
    let runtime = tokio::runtime::Builder::new_multi_thread()
        .enable_all()
        .build()
        .expect("a runtime");
    runtime.block_on(serve(folder, named));
}

async fn serve(folder: &Path, named: Vec<PortName>) {
    let clock = Clock::system();
    let car = Vehicle::parse(PLOVER_8).expect("the demo car's file is tested");
    let probes = named.len();
    let plan = Plan {
        car: Some((PLOVER_8.into(), Arc::new(car))),
        named,
        ..Plan::default()
    };
    let nowhere = folder.join("no-devices");
    std::fs::create_dir_all(&nowhere).expect("a folder of the bench's own");
    let ports = SerialPorts::under(&nowhere);
    let (bench, ends) = Bench::new(State::default());
    let (stop, stopped) = watch::channel(false);
    let daemon = Daemon::new(ports, Captures::under(folder), clock.clone(), plan);
    let until = |mut stop: watch::Receiver<bool>| async move {
        drop(stop.wait_for(|stop| *stop).await);
    };
    let daemon = tokio::spawn(daemon.run(ends, until(stopped.clone())));
    let listener = TcpListener::bind("127.0.0.1:0").await.expect("a port");
    let at = listener.local_addr().expect("it has an address");
    let doors = Doors::at_home(folder, clock);
    let page = tokio::spawn(server::serve(listener, bench.clone(), doors, stopped));
    let watchers = [
        tokio::spawn(alarms(bench.clone())),
        tokio::spawn(pulls(bench.clone())),
        tokio::spawn(all_here(bench.clone(), probes)),
    ];
    tell(&format!("at {at}"));
    obey(&bench).await;
    drop(bench);
    stop.send_replace(true);
    page.await
        .expect("the page ends")
        .expect("the listener works");
    daemon.await.expect("the daemon ends");
    for watcher in watchers {
        watcher.await.expect("what watches the daemon ends with it");
    }
}

/// Orders from the parent, until it closes its end.
async fn obey(bench: &Bench) {
    let (lines, mut orders) = mpsc::channel(16);
    std::thread::spawn(move || {
        for line in std::io::stdin().lock().lines().map_while(Result::ok) {
            if lines.blocking_send(line).is_err() {
                break;
            }
        }
    });
    let mut states = bench.follow();
    loop {
        let line = tokio::select! {
            line = orders.recv() => line,
            // A verdict ends a test: the next one begins, so that there is always one that records.
            ended = states.wait_for(|s| matches!(s.scene, Scene::Ended(_))) => {
                drop(ended.expect("the daemon runs"));
                order(bench, Order::Leave).await;
                begin(bench).await;
                continue;
            }
        };
        match line.as_deref() {
            None => return,
            Some("begin") => begin(bench).await,
            Some("let go") => order(bench, Order::LetGo).await,
            Some(other) => panic!("no order: {other}"),
        }
    }
}

async fn begin(bench: &Bench) {
    let setup = Some("plug_in_cold".into());
    let test = Test::Pull;
    order(bench, Order::Choose { test, setup }).await;
    order(bench, Order::Begin).await;
}

async fn order(bench: &Bench, order: Order) {
    let asked = format!("{order:?}");
    if let Err(denied) = bench.order(order).await {
        panic!("{asked}: {denied}");
    }
}

async fn alarms(bench: Bench) {
    let mut alarm = bench.alarm();
    drop(bench);
    while alarm.changed().await.is_ok() {
        let rung = alarm.borrow_and_update().as_ref().map(|a| a.id);
        if rung.is_some() {
            tell(&format!("alarm {}", wall_ns()));
        }
    }
}

async fn pulls(bench: Bench) {
    let mut states = bench.follow();
    drop(bench);
    let mut seen = 0;
    while states.changed().await.is_ok() {
        let state = states.borrow_and_update().clone();
        let Scene::Running(running) = &state.scene else {
            continue;
        };
        if let View::Pull(view) = &running.view {
            if view.pulls.len() > seen {
                tell(&format!("pull {}", wall_ns()));
            }
            seen = view.pulls.len();
        }
    }
}

async fn all_here(bench: Bench, probes: usize) {
    let mut states = bench.follow();
    drop(bench);
    let here = |state: &Arc<State>| {
        let here = state.probes.iter().filter(|p| p.standing == Standing::Here);
        here.count() == probes
    };
    if states.wait_for(here).await.is_ok() {
        tell("here");
    }
}

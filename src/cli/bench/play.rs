//! A bench to play with: virtual probes, an invented car, a hand that plays along; and `demo --live`, which opens its page.

use std::{
    net::Ipv4Addr,
    path::PathBuf,
    process::{Command, Stdio},
    sync::Arc,
};

use super::{
    super::{
        Failure, Outcome, Output,
        args::{BenchArgs, PlayOptions},
    },
    BenchOpen, Ground, Opening, open, resolve,
};
use crate::{
    bench::virtual_hand, clock::Clock, physics::PLOVER_8, probe::live::LiveBench, vehicle::Vehicle,
};

/// Folder of the captures where none is named: not among the real ones.
const FOLDER: &str = "feelgauge-virtual";
/// Tag of the invented car.
const TAG: &str = "14";
/// Opens an address with what the person uses for that; on the systems that have it.
const OPENERS: [&str; 2] = ["xdg-open", "open"];

/// Runs `bench --virtual`.
pub(super) fn run(args: BenchArgs, output: &mut Output) -> Outcome {
    let play = args.play.clone();
    let is_named = args.out.is_some() || args.inspection.is_some();
    let clock = clock(&play);
    let mut opening = resolve(args, &clock)?;
    if !is_named {
        opening.folder = FOLDER.into();
    }
    if opening.plan.car.is_none() {
        invented(&mut opening);
    }
    let ground = ground(&opening, &play, clock)?;
    open(opening, ground, output)
}

/// Runs `demo --live`: the captures go to a folder that was made for it.
pub(in crate::cli) fn live_demo(
    folder: PathBuf,
    seed: u64,
    speed: u32,
    output: &mut Output,
) -> Outcome {
    let play = PlayOptions {
        seed: Some(seed),
        speed: Some(speed),
    };
    let clock = clock(&play);
    let args = BenchArgs {
        out: Some(folder),
        // A real bench may have the usual port.
        listen: Some((Ipv4Addr::LOCALHOST, 0).into()),
        ..BenchArgs::default()
    };
    let mut opening = resolve(args, &clock)?;
    invented(&mut opening);
    let mut ground = ground(&opening, &play, clock)?;
    ground.at_open = Some(Box::new(show));
    open(opening, ground, output)
}

/// The demo's car is on the bench.
fn invented(opening: &mut Opening) {
    let car = Vehicle::parse(PLOVER_8).expect("the demo car's file is tested");
    opening.plan.car = Some((PLOVER_8.into(), Arc::new(car)));
    opening.plan.tag.get_or_insert_with(|| TAG.into());
}

fn clock(play: &PlayOptions) -> Clock {
    Clock::scaled(play.speed.unwrap_or(1))
}

fn ground(
    opening: &Opening,
    play: &PlayOptions,
    clock: Clock,
) -> Result<Ground<LiveBench>, Failure> {
    let car = opening.plan.car.as_ref().map_or(PLOVER_8, |(text, _)| text);
    let live = LiveBench::new(clock.clone(), car, play.seed.unwrap_or(1))
        .map_err(|e| Failure::Work(format!("feelgauge: vehicle file:{e}")))?;
    let hand = live.clone();
    Ok(Ground {
        ports: live.clone(),
        clock,
        faults: Some(Box::new(live)),
        beside: Some(Box::new(|bench| Box::pin(virtual_hand(bench, hand)))),
        at_open: None,
    })
}

/// What stands in the terminal.
pub(super) fn words(open: &BenchOpen) -> String {
    format!(
        "A bench with virtual probes is open: {}\nEverything it reads is invented, and its records say so. Pick a test: a \
         virtual hand does what the page asks for.\nIts faults are switched at the foot of the page. Captures go to {}. \
         Ctrl-C closes the bench.\n",
        open.url, open.folder
    )
}

/// Shows the page: with `$BROWSER`, else with what opens addresses here. Without either the address in the terminal is
/// what there is.
fn show(url: &str) {
    let named = std::env::var_os("BROWSER").filter(|b| !b.is_empty());
    let openers = named.into_iter().chain(OPENERS.map(Into::into));
    for opener in openers {
        let started = Command::new(&opener)
            .arg(url)
            .stdin(Stdio::null())
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn();
        if let Ok(mut browser) = started {
            // It may stay for as long as the person looks; the thread ends with it, or with the program.
            std::thread::spawn(move || browser.wait());
            return;
        }
        tracing::debug!("{} does not start", opener.display());
    }
}

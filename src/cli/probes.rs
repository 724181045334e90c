//! `probes`: what is plugged in, who it says it is, and how its link does.

use std::{fmt::Write as _, path::Path, time::Duration};

use schemars::JsonSchema;
use serde::Serialize;
use tokio::time::{Instant, timeout_at};

use super::{
    DONE, FAILED, Failure, Outcome, Output, Port,
    args::ProbesArgs,
    remote::{self, Remote},
    say,
};
use crate::{
    clock::Clock,
    probe::{
        discover,
        health::{HealthReport, ProbeHealth},
        link::{Link, Patience},
        serial::{self, PortName},
    },
    units::count,
    wire::Identity,
};

/// How long each probe is listened to for its health; a heartbeat comes once a second.
const LISTEN: Duration = Duration::from_millis(2500);
/// Longest wait for the answer to a ping.
const PING_WAIT: Duration = Duration::from_secs(1);

/// Result of `probes`.
#[derive(Clone, Debug, Serialize, JsonSchema)]
pub struct ProbesReport {
    /// One entry a port, in the order in which they were named or found.
    pub probes: Vec<PortReport>,
}

/// What is at one port.
#[derive(Clone, Debug, Serialize, JsonSchema)]
pub struct PortReport {
    /// Path of the port.
    pub port: String,
    /// Baud rate; null when a running bench was asked, which holds the port.
    pub baud: Option<u32>,
    /// Who the probe is; null when it did not say so.
    pub identity: Option<Identity>,
    /// How its link did while it was listened to; null without identity.
    pub health: Option<HealthReport>,
    /// Time of a question and its answer, microseconds; null when no answer came.
    pub ping_us: Option<u64>,
    /// What is wrong and what to do; null when nothing is.
    pub trouble: Option<String>,
}

/// Runs `probes`.
pub fn run(args: &ProbesArgs, output: &mut Output) -> Outcome {
    let named = !args.ports.is_empty();
    match Remote::find() {
        Some(bench) if !named => {
            let probes = bench.probes()?;
            say(&format!(
                "feelgauge: the bench at {} holds the ports; this is what it says",
                bench.page()
            ));
            let report = ProbesReport {
                probes: probes.clone(),
            };
            output.result(&report, |_| table(&probes))?;
            return Ok(DONE);
        }
        Some(bench) => remote::ports_are_the_benchs(&bench),
        None => {}
    }
    let ports = if named {
        args.ports.iter().map(PortName::from).collect()
    } else {
        found()
    };
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .build()
        .map_err(|e| Failure::Work(format!("feelgauge: no tasks can be started: {e}")))?;
    let clock = Clock::system();
    let probes = runtime.block_on(ask_all(&ports, &clock));
    // A port that the person named and that is no probe's is a failure; one that was only found is not.
    let failed = named && probes.iter().any(|p| p.identity.is_none());
    output.result(
        &ProbesReport {
            probes: probes.clone(),
        },
        |_| table(&probes),
    )?;
    Ok(if failed { FAILED } else { DONE })
}

impl From<&Port> for PortName {
    fn from(port: &Port) -> Self {
        Self {
            path: port.path.clone(),
            baud: port.baud,
        }
    }
}

fn found() -> Vec<PortName> {
    let listing = discover::list(Path::new("/dev"));
    if let Some(trouble) = listing.trouble {
        say(&format!(
            "feelgauge: the ports could not all be listed ({trouble}); name them with --port PATH"
        ));
    }
    let name = |found: discover::Found| PortName {
        path: found.path,
        baud: crate::wire::DEFAULT_BAUD,
    };
    listing.ports.into_iter().map(name).collect()
}

/// Asks every port at the same time: the wait for a hello is the longest part.
async fn ask_all(ports: &[PortName], clock: &Clock) -> Vec<PortReport> {
    let mut tasks = Vec::new();
    for port in ports {
        let (port, clock) = (port.clone(), clock.clone());
        tasks.push(tokio::spawn(async move { ask(port, clock).await }));
    }
    let mut reports = Vec::new();
    for task in tasks {
        match task.await {
            Ok(report) => reports.push(report),
            Err(e) => std::panic::resume_unwind(e.into_panic()),
        }
    }
    reports
}

async fn ask(name: PortName, clock: Clock) -> PortReport {
    let mut report = PortReport {
        port: name.path.clone(),
        baud: Some(name.baud),
        identity: None,
        health: None,
        ping_us: None,
        trouble: None,
    };
    if let Err(trouble) = listen(&name, clock, &mut report).await {
        report.trouble = Some(trouble);
    }
    report
}

async fn listen(name: &PortName, clock: Clock, report: &mut PortReport) -> Result<(), String> {
    let port = serial::open(name).map_err(|e| e.to_string())?;
    let mut link = Link::new(port, clock);
    let mut health = ProbeHealth::new(Some(name.baud));
    let found = link
        .identify(Patience::default(), |_| {})
        .await
        .map_err(|e| e.to_string())?;
    report.identity = Some(found.identity);
    let end = Instant::now() + LISTEN;
    let mut gone = None;
    let ping = link
        .ping(1, PING_WAIT, |arrival| {
            health.take(&arrival);
        })
        .await;
    report.ping_us = ping.unwrap_or_else(|e| {
        gone = Some(e.to_string());
        None
    });
    while gone.is_none()
        && let Ok(arrival) = timeout_at(end, link.next()).await
    {
        match arrival {
            Ok(arrival) => {
                health.take(&arrival);
            }
            Err(e) => gone = Some(e.to_string()),
        }
    }
    report.health = Some(health.report());
    gone.map_or(Ok(()), Err)
}

fn table(probes: &[PortReport]) -> String {
    if probes.is_empty() {
        return "No serial ports were found. Plug a probe in, or name its port: feelgauge probes --port PATH\n".into();
    }
    let mut text = String::new();
    for probe in probes {
        let rate = match probe.baud {
            Some(baud) if baud != crate::wire::DEFAULT_BAUD => format!(" at {baud} baud"),
            _ => String::new(),
        };
        line(&mut text, &format!("{}{rate}", probe.port));
        if let Some(id) = &probe.identity {
            let what = format!(
                "  {} probe {}, firmware {}, boot {}",
                id.kind, id.serial, id.firmware, id.boot
            );
            line(&mut text, &what);
            for c in &id.channels {
                line(&mut text, &format!("  channel {}: {}", c.index, channel(c)));
            }
        }
        if let Some(health) = &probe.health {
            line(&mut text, &format!("  {}", health_words(health, probe)));
        }
        if let Some(trouble) = &probe.trouble {
            line(&mut text, &format!("  {trouble}"));
        }
    }
    text
}

fn line(text: &mut String, words: &str) {
    writeln!(text, "{words}").expect("a String takes every write");
}

fn channel(c: &crate::wire::Channel) -> String {
    match c.unit {
        crate::wire::Unit::Edge => "edges".into(),
        unit => {
            let (a, b) = (
                (c.min as f64 - c.zero) * c.scale,
                (c.max as f64 - c.zero) * c.scale,
            );
            let unit = unit.word();
            format!(
                "{:.0} to {:.0} {unit} in steps of {:.3} {unit}, {} a second",
                a.min(b),
                a.max(b),
                c.scale.abs(),
                c.rate_hz
            )
        }
    }
}

fn health_words(health: &HealthReport, probe: &PortReport) -> String {
    let mut words = vec![count(health.lines, "line")];
    if let Some(rate) = health.lines_per_s {
        words.push(format!("{rate:.1} a second"));
    }
    words.push(if health.faults.is_empty() {
        "no faults".into()
    } else {
        let counts: Vec<String> = health
            .faults
            .iter()
            .map(|(kind, n)| format!("{kind} {n}"))
            .collect();
        format!("faults: {}", counts.join(", "))
    });
    if let Some(late) = health.late {
        let (p99, max) = (late.p99_us as f64 / 1000.0, late.max_us as f64 / 1000.0);
        words.push(format!(
            "99 % late by at most {p99:.1} ms, the latest by {max:.1} ms"
        ));
    }
    match probe.ping_us {
        Some(us) => words.push(format!("ping {:.1} ms", us as f64 / 1000.0)),
        // Through a bench nobody was asked.
        None if probe.baud.is_some() => words.push("no answer to a ping".into()),
        None => {}
    }
    words.join("; ")
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::wire::{Message, parse};

    #[test]
    fn the_table_says_who_is_there_and_what_is_wrong() {
        let line = b"I 0 1 pressure P-0007 1.0 12 2148 0:Pa:3.05176:1638.4:0:16368:200:1*CDA2";
        let Message::Identity(identity) = parse(line).unwrap().message else {
            panic!("an identity");
        };
        let mut probe = PortReport {
            port: "/dev/ttyUSB0".into(),
            baud: Some(250_000),
            identity: Some(*identity),
            health: Some(ProbeHealth::new(None).report()),
            ping_us: Some(2_345),
            trouble: None,
        };
        let text = table(&[probe.clone()]);
        assert_eq!(
            text,
            "/dev/ttyUSB0 at 250000 baud\n  pressure probe P-0007, firmware 1.0, boot 12\n  channel 0: -5000 to 44951 Pa in \
             steps of 3.052 Pa, 200 a second\n  0 lines; no faults; ping 2.3 ms\n"
        );
        (probe.identity, probe.health) = (None, None);
        probe.trouble = Some("another program has the port".into());
        assert!(table(&[probe]).ends_with("baud\n  another program has the port\n"));
        assert!(table(&[]).contains("--port PATH"));
    }
}

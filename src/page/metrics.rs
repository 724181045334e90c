//! How the daemon does, as OpenMetrics 1.0 text.

use std::{
    collections::BTreeMap,
    fmt::Write as _,
    sync::{Arc, atomic::Ordering},
};

use axum::{extract::State, response::Response};

use super::{house::House, reply};
use crate::bench::{ProbeState, Scene, Standing};

/// Media type of the text.
pub(super) const MEDIA_TYPE: &str = "application/openmetrics-text; version=1.0.0; charset=utf-8";

/// `GET /metrics`.
pub(super) async fn metrics(State(house): State<Arc<House>>) -> Response {
    reply::typed(MEDIA_TYPE, text(&house))
}

/// A text that grows family by family.
#[derive(Default)]
struct Families(String);

impl Families {
    fn family(&mut self, name: &str, kind: &str, unit: &str, help: &str) {
        let text = &mut self.0;
        writeln!(text, "# TYPE {name} {kind}").expect("a String takes every write");
        if !unit.is_empty() {
            writeln!(text, "# UNIT {name} {unit}").expect("a String takes every write");
        }
        writeln!(text, "# HELP {name} {help}").expect("a String takes every write");
    }

    fn sample(&mut self, name: &str, labels: &[(&str, &str)], value: f64) {
        self.0.push_str(name);
        if !labels.is_empty() {
            let labels: Vec<String> = labels
                .iter()
                .map(|(key, value)| format!("{key}=\"{}\"", escaped(value)))
                .collect();
            write!(self.0, "{{{}}}", labels.join(",")).expect("a String takes every write");
        }
        writeln!(self.0, " {value}").expect("a String takes every write");
    }

    /// A family with one sample.
    fn one(&mut self, name: &str, kind: &str, help: &str, value: u64) {
        self.family(name, kind, "", help);
        let suffix = if kind == "counter" { "_total" } else { "" };
        self.sample(&format!("{name}{suffix}"), &[], value as f64);
    }
}

/// A label's value: port and serial come from outside.
fn escaped(value: &str) -> String {
    let mut out = String::with_capacity(value.len());
    for c in value.chars() {
        match c {
            '\\' => out.push_str("\\\\"),
            '"' => out.push_str("\\\""),
            '\n' => out.push_str("\\n"),
            c if c.is_control() => out.push('?'),
            c => out.push(c),
        }
    }
    out
}

fn text(house: &House) -> String {
    let state = house.bench.state();
    let mut text = Families::default();
    text.family("feelgauge_build", "info", "", "Software of the daemon.");
    let version = [("version", env!("CARGO_PKG_VERSION"))];
    text.sample("feelgauge_build_info", &version, 1.0);
    probes(&mut text, &state.probes);
    let running = matches!(state.scene, Scene::Running(_));
    text.one(
        "feelgauge_test_running",
        "gauge",
        "1 while a test is recorded.",
        u64::from(running),
    );
    text.one(
        "feelgauge_captures",
        "gauge",
        "Captures in the folder.",
        state.kept.len() as u64,
    );
    text.one(
        "feelgauge_troubles",
        "gauge",
        "Troubles of the bench itself that are shown.",
        state.trouble.len() as u64,
    );
    text.one(
        "feelgauge_record_overruns",
        "counter",
        "Lines that found no room on their way to the disk.",
        state.dropped.record,
    );
    text.one(
        "feelgauge_live_dropped",
        "counter",
        "Lines that the live view left out; they are in the record.",
        state.dropped.live,
    );
    text.one(
        "feelgauge_state_changes",
        "counter",
        "Changes of what the bench shows.",
        state.version,
    );
    server(&mut text, house);
    process(&mut text);
    text.0.push_str("# EOF\n");
    text.0
}

/// Labels that name a probe; a port that has not said who it is has no serial.
fn labels(probe: &ProbeState) -> [(&str, &str); 3] {
    [
        ("port", &probe.port),
        ("kind", probe.kind.as_deref().unwrap_or("")),
        ("serial", probe.serial.as_deref().unwrap_or("")),
    ]
}

fn probes(text: &mut Families, probes: &[ProbeState]) {
    // One sample a set of labels, whatever the bench lists twice.
    let probes: BTreeMap<_, _> = probes.iter().map(|p| (labels(p), p)).collect();
    text.family(
        "feelgauge_probe_here",
        "gauge",
        "",
        "1 while the probe answers.",
    );
    for (labels, probe) in &probes {
        let here = probe.standing == Standing::Here;
        text.sample("feelgauge_probe_here", labels, f64::from(u8::from(here)));
    }
    text.family(
        "feelgauge_lines",
        "counter",
        "",
        "Lines received, broken ones included.",
    );
    for (labels, health) in with_health(&probes) {
        text.sample("feelgauge_lines_total", labels, health.lines as f64);
    }
    text.family(
        "feelgauge_line_faults",
        "counter",
        "",
        "Faults of the link by kind.",
    );
    for (labels, health) in with_health(&probes) {
        for (kind, n) in &health.faults {
            let labels = [labels, &[("fault", kind.as_str())]].concat();
            text.sample("feelgauge_line_faults_total", &labels, *n as f64);
        }
    }
    text.family(
        "feelgauge_probe_lost_lines",
        "counter",
        "",
        "Lines that the probe says it lost itself.",
    );
    for (labels, probe) in &probes {
        let lost = probe.probe_lost_lines as f64;
        text.sample("feelgauge_probe_lost_lines_total", labels, lost);
    }
    lateness(text, &probes);
    text.family(
        "feelgauge_probe_clock_ratio",
        "gauge",
        "ratio",
        "How much slower the probe's clock is than the host's.",
    );
    for (labels, health) in with_health(&probes) {
        if let Some(ppm) = health.clock_ppm {
            text.sample("feelgauge_probe_clock_ratio", labels, ppm * 1e-6);
        }
    }
}

type ByLabels<'a> = BTreeMap<[(&'a str, &'a str); 3], &'a ProbeState>;

fn with_health<'a>(
    probes: &'a ByLabels<'a>,
) -> impl Iterator<
    Item = (
        &'a [(&'a str, &'a str)],
        &'a crate::probe::health::HealthReport,
    ),
> {
    probes
        .iter()
        .filter_map(|(labels, probe)| Some((&labels[..], probe.health.as_ref()?)))
}

fn lateness(text: &mut Families, probes: &ByLabels) {
    text.family(
        "feelgauge_line_lateness_seconds",
        "summary",
        "seconds",
        "How much later than the least delayed lines a line arrives; quantile 1 is the latest.",
    );
    for (labels, health) in with_health(probes) {
        let Some(late) = health.late else { continue };
        for (quantile, us) in [
            ("0.5", late.p50_us),
            ("0.99", late.p99_us),
            ("1.0", late.max_us),
        ] {
            let labels = [labels, &[("quantile", quantile)]].concat();
            text.sample("feelgauge_line_lateness_seconds", &labels, us as f64 * 1e-6);
        }
    }
}

fn server(text: &mut Families, house: &House) {
    let counts = &house.counts;
    let gauges = [
        (
            "feelgauge_page_clients",
            "Pages that listen now.",
            &counts.pages,
        ),
        (
            "feelgauge_event_clients",
            "Listeners of the event stream now.",
            &counts.listeners,
        ),
        (
            "feelgauge_connections",
            "Connections now.",
            &counts.connections,
        ),
    ];
    for (name, help, value) in gauges {
        text.one(name, "gauge", help, value.load(Ordering::Relaxed));
    }
    let counters = [
        (
            "feelgauge_connections_turned_away",
            "Connections that were one too many.",
            &counts.turned_away,
        ),
        (
            "feelgauge_requests_refused",
            "Requests that were refused at the gate.",
            &counts.refused,
        ),
    ];
    for (name, help, value) in counters {
        text.one(name, "counter", help, value.load(Ordering::Relaxed));
    }
    text.family(
        "feelgauge_orders",
        "counter",
        "",
        "Orders to the bench by answer.",
    );
    for (answer, value) in [("done", &counts.done), ("denied", &counts.denied)] {
        let value = value.load(Ordering::Relaxed) as f64;
        text.sample("feelgauge_orders_total", &[("answer", answer)], value);
    }
}

/// What the system says of this process, where it says it as Linux does.
fn process(text: &mut Families) {
    let Some(usage) = super::usage::read() else {
        return;
    };
    text.family(
        "process_cpu_seconds",
        "counter",
        "seconds",
        "Time that the cores spent on the daemon.",
    );
    text.sample("process_cpu_seconds_total", &[], usage.cpu_s);
    text.family(
        "process_resident_memory_bytes",
        "gauge",
        "bytes",
        "Memory that the daemon holds.",
    );
    text.sample(
        "process_resident_memory_bytes",
        &[],
        usage.resident_bytes as f64,
    );
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_label_cannot_end_its_quotes_or_its_line() {
        let mut text = Families::default();
        text.sample("m", &[("port", "/dev/\"x\\\n# EOF\r")], 2.5);
        assert_eq!(text.0, "m{port=\"/dev/\\\"x\\\\\\n# EOF?\"} 2.5\n");
    }
}

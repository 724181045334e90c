//! `/metrics` against a small strict reader of OpenMetrics 1.0, written from its ABNF.

use std::collections::{BTreeMap, BTreeSet};

use feelgauge::{
    bench::{Dropped, ProbeState, Standing, State},
    probe::health::{HealthReport, Lateness},
};

use super::{Served, doors, kept};

/// Samples by name with labels, as they stand; panics at anything that the format does not allow.
fn read(text: &str) -> BTreeMap<String, f64> {
    assert!(text.ends_with("# EOF\n"), "the end is missing");
    let mut lines: Vec<&str> = text.split('\n').collect();
    assert_eq!((lines.pop(), lines.pop()), (Some(""), Some("# EOF")));
    let mut samples = BTreeMap::new();
    let mut families = BTreeSet::new();
    let (mut family, mut kind) = (String::new(), String::new());
    for line in lines {
        if let Some(rest) = line.strip_prefix("# ") {
            let mut words = rest.splitn(3, ' ');
            let (what, name, value) = (
                words.next().unwrap(),
                words.next().unwrap(),
                words.next().unwrap(),
            );
            match what {
                "TYPE" => {
                    assert!(families.insert(name.to_owned()), "{name} twice");
                    assert!(
                        ["counter", "gauge", "info", "summary"].contains(&value),
                        "{line}"
                    );
                    (family, kind) = (name.to_owned(), value.to_owned());
                }
                "UNIT" => assert!(
                    name == family && name.ends_with(&format!("_{value}")),
                    "{line}"
                ),
                "HELP" => assert_eq!(name, family, "{line}"),
                _ => panic!("{line}"),
            }
            continue;
        }
        let (name, labels, value) = sample(line);
        let suffix = name
            .strip_prefix(family.as_str())
            .unwrap_or_else(|| panic!("{line} after {family}"));
        let wanted = match kind.as_str() {
            "counter" => "_total",
            "info" => "_info",
            _ => "",
        };
        assert_eq!(suffix, wanted, "{line}");
        let mut keys: Vec<&str> = labels.iter().map(|(k, _)| k.as_str()).collect();
        assert_eq!(keys.contains(&"quantile"), kind == "summary", "{line}");
        keys.sort_unstable();
        let all = keys.len();
        keys.dedup();
        assert_eq!(keys.len(), all, "a label twice: {line}");
        assert!(kind != "counter" || value >= 0.0, "{line}");
        let (key, _) = line.rsplit_once(' ').unwrap();
        assert!(
            samples.insert(key.to_owned(), value).is_none(),
            "twice: {line}"
        );
    }
    samples
}

/// Name, labels and value of a line.
fn sample(line: &str) -> (String, Vec<(String, String)>, f64) {
    let is_name = |c: char| c.is_ascii_alphanumeric() || c == '_' || c == ':';
    let end = line.find(|c| !is_name(c)).unwrap();
    let (name, mut rest) = line.split_at(end);
    assert!(name.starts_with(|c: char| !c.is_ascii_digit()), "{line}");
    let mut labels = Vec::new();
    if let Some(inside) = rest.strip_prefix('{') {
        rest = inside;
        loop {
            let (key, after) = rest.split_once("=\"").unwrap();
            assert!(
                key.chars().all(|c| c.is_ascii_alphanumeric() || c == '_'),
                "{line}"
            );
            let mut value = String::new();
            let mut chars = after.char_indices();
            let end = loop {
                match chars.next().unwrap() {
                    (i, '"') => break i,
                    (_, '\\') => match chars.next().unwrap().1 {
                        'n' => value.push('\n'),
                        c @ ('\\' | '"') => value.push(c),
                        c => panic!("\\{c} in {line}"),
                    },
                    (_, c) => value.push(c),
                }
            };
            labels.push((key.to_owned(), value));
            rest = &after[end + 1..];
            match rest.split_at(1) {
                (",", more) => rest = more,
                ("}", more) => {
                    rest = more;
                    break;
                }
                _ => panic!("{line}"),
            }
        }
    }
    let value = rest.strip_prefix(' ').unwrap_or_else(|| panic!("{line}"));
    (name.to_owned(), labels, value.parse().unwrap())
}

fn probe(port: &str) -> ProbeState {
    ProbeState {
        port: port.into(),
        kind: Some("force".into()),
        serial: Some("F-1".into()),
        standing: Standing::Here,
        trouble: None,
        gone_since: None,
        health: Some(HealthReport {
            lines: 1234,
            lines_per_s: Some(20.0),
            faults: [("broken".to_owned(), 3), ("lost".to_owned(), 2)].into(),
            late: Some(Lateness {
                p50_us: 1_500,
                p99_us: 16_000,
                max_us: 250_000,
            }),
            clock_ppm: Some(-31.5),
        }),
        probe_lost_lines: 7,
        rate_hz: None,
        calibration: None,
        identity: None,
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn the_metrics_can_be_read_and_say_what_the_state_says() {
    let silent = ProbeState {
        kind: None,
        serial: None,
        health: None,
        standing: Standing::Gone,
        ..probe("/dev/ttyUSB1")
    };
    let state = State {
        version: 9,
        probes: vec![probe("/dev/ttyUSB0"), probe("/dev/\"odd\\\nport"), silent],
        kept: std::sync::Arc::new(kept()),
        dropped: Dropped { record: 5, live: 6 },
        ..State::default()
    };
    let served = Served::with(state, doors()).await;
    served.form("/do/begin", "").await;
    served.form("/do/leave", "").await;
    let answer = served.get("/metrics").await;
    let kind = "application/openmetrics-text; version=1.0.0; charset=utf-8";
    assert_eq!(answer.header("content-type"), [kind]);
    let samples = read(&answer.body);
    let of = |name: &str| {
        samples
            .get(name)
            .copied()
            .unwrap_or_else(|| panic!("{name}: {samples:#?}"))
    };
    let close =
        |name: &str, value: f64| assert!((of(name) - value).abs() < 1e-9, "{name}: {}", of(name));
    let usb = r#"port="/dev/ttyUSB0",kind="force",serial="F-1""#;
    close(&format!("feelgauge_lines_total{{{usb}}}"), 1234.0);
    close(
        &format!("feelgauge_line_faults_total{{{usb},fault=\"broken\"}}"),
        3.0,
    );
    close(
        &format!("feelgauge_line_lateness_seconds{{{usb},quantile=\"0.99\"}}"),
        0.016,
    );
    close(&format!("feelgauge_probe_lost_lines_total{{{usb}}}"), 7.0);
    close(
        r#"feelgauge_probe_here{port="/dev/ttyUSB1",kind="",serial=""}"#,
        0.0,
    );
    close("feelgauge_record_overruns_total", 5.0);
    close("feelgauge_live_dropped_total", 6.0);
    close("feelgauge_captures", 3.0);
    close(r#"feelgauge_orders_total{answer="done"}"#, 1.0);
    close(r#"feelgauge_orders_total{answer="denied"}"#, 1.0);
    close("feelgauge_connections", 1.0);
    if cfg!(target_os = "linux") {
        assert!(of("process_resident_memory_bytes") > 1e6);
        assert!(of("process_cpu_seconds_total") > 0.0);
    }
    served.end().await;
}

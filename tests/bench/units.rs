//! The files for the host: every line is one that systemd or udev knows, and what they start is what the program does.

use std::{collections::BTreeSet, path::PathBuf, process::Command};

fn text(name: &str) -> String {
    let path = PathBuf::from(env!("CARGO_MANIFEST_DIR"))
        .join("firmware-notes/host")
        .join(name);
    std::fs::read_to_string(path).unwrap()
}

/// Keys of a unit file by section.
fn entries(text: &str) -> Vec<(String, String, String)> {
    let mut section = String::new();
    let mut entries = Vec::new();
    for line in text.lines().map(str::trim) {
        if line.is_empty() || line.starts_with('#') {
            continue;
        }
        if let Some(name) = line.strip_prefix('[') {
            section = name.strip_suffix(']').unwrap().into();
            continue;
        }
        let (key, value) = line.split_once('=').unwrap();
        entries.push((section.clone(), key.into(), value.into()));
    }
    entries
}

/// From systemd.unit(5), systemd.service(5), systemd.exec(5), systemd.resource-control(5), systemd.kill(5).
const KNOWN: &[(&str, &[&str])] = &[
    (
        "Unit",
        &[
            "Description",
            "Documentation",
            "After",
            "StartLimitIntervalSec",
            "StartLimitBurst",
        ],
    ),
    (
        "Service",
        &[
            "Type",
            "NotifyAccess",
            "ExecStart",
            "KillSignal",
            "TimeoutStopSec",
            "WatchdogSec",
            "Restart",
            "RestartSec",
            "DynamicUser",
            "SupplementaryGroups",
            "StateDirectory",
            "StateDirectoryMode",
            "RuntimeDirectory",
            "RuntimeDirectoryMode",
            "ConfigurationDirectory",
            "UMask",
            "PrivateDevices",
            "DevicePolicy",
            "DeviceAllow",
            "NoNewPrivileges",
            "ProtectSystem",
            "ProtectHome",
            "PrivateTmp",
            "ProtectClock",
            "ProtectHostname",
            "ProtectKernelLogs",
            "ProtectKernelModules",
            "ProtectKernelTunables",
            "ProtectControlGroups",
            "ProtectProc",
            "ProcSubset",
            "RestrictNamespaces",
            "RestrictRealtime",
            "RestrictSUIDSGID",
            "RestrictAddressFamilies",
            "MemoryDenyWriteExecute",
            "LockPersonality",
            "CapabilityBoundingSet",
            "AmbientCapabilities",
            "SystemCallArchitectures",
            "SystemCallFilter",
            "MemoryMax",
            "TasksMax",
        ],
    ),
    ("Install", &["WantedBy"]),
];

/// Keys that may be given several times.
const SEVERAL: [&str; 2] = ["DeviceAllow", "SystemCallFilter"];

#[test]
fn every_key_of_the_unit_is_known_and_stands_once() {
    let mut seen = BTreeSet::new();
    for (section, key, _) in entries(&text("feelgauge.service")) {
        let known = KNOWN.iter().find(|(name, _)| *name == section);
        let known = known
            .unwrap_or_else(|| panic!("[{section}] is no section"))
            .1;
        assert!(known.contains(&key.as_str()), "[{section}] {key} is no key");
        let is_new = seen.insert((section, key.clone()));
        assert!(is_new || SEVERAL.contains(&key.as_str()), "{key} twice");
    }
}

#[test]
fn the_unit_starts_what_the_program_knows() {
    let entries = entries(&text("feelgauge.service"));
    let of = |key: &str| {
        let entry = entries.iter().find(|(_, k, _)| k == key);
        entry.unwrap_or_else(|| panic!("{key}")).2.as_str()
    };
    assert_eq!(of("Type"), "notify", "the bench says READY=1");
    assert!(
        of("WatchdogSec").parse::<u32>().unwrap() >= 10,
        "told once a second, answers within five"
    );
    assert_eq!(of("KillSignal"), "SIGTERM");
    for key in ["NoNewPrivileges", "MemoryDenyWriteExecute"] {
        assert_eq!(of(key), "yes");
    }
    assert_eq!(of("ProtectSystem"), "strict");
    // Datagrams to systemd, the page, and the addresses of the network for --lan.
    for family in ["AF_UNIX", "AF_INET", "AF_INET6"] {
        assert!(of("RestrictAddressFamilies").contains(family));
    }
    let words: Vec<&str> = of("ExecStart").split(' ').collect();
    assert!(words[0].ends_with("/feelgauge"));
    // The folder is below the only one that may be written.
    let out = words[words.iter().position(|w| *w == "--out").unwrap() + 1];
    let state = format!("/var/lib/{}/", of("StateDirectory"));
    assert!(out.starts_with(&state), "{out}");
    let config = words[words.iter().position(|w| *w == "--config").unwrap() + 1];
    assert!(config.starts_with(&format!("/etc/{}/", of("ConfigurationDirectory"))));
    let help = Command::new(env!("CARGO_BIN_EXE_feelgauge"))
        .args(["bench", "--help"])
        .output()
        .unwrap();
    let help = String::from_utf8(help.stdout).unwrap();
    for option in words.iter().filter(|w| w.starts_with("--")) {
        assert!(help.contains(option), "{option}");
    }
    assert!(help.contains("--config"));
}

#[test]
fn systemd_itself_finds_no_fault_where_it_is_installed() {
    let path =
        PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("firmware-notes/host/feelgauge.service");
    let Ok(verified) = Command::new("systemd-analyze")
        .arg("verify")
        .arg(&path)
        .output()
    else {
        println!("SKIPPED: systemd-analyze is not installed");
        return;
    };
    let words = String::from_utf8_lossy(&verified.stderr);
    // The program need not be installed here.
    let faults: Vec<&str> = words
        .lines()
        .filter(|line| line.contains("feelgauge.service") && !line.contains("is not executable"))
        .collect();
    assert!(faults.is_empty(), "{faults:?}");
}

#[test]
fn the_udev_rule_is_made_of_what_udev_knows() {
    let keys = [
        "ACTION",
        "SUBSYSTEM",
        "KERNEL",
        "DRIVER",
        "GROUP",
        "MODE",
        "TAG",
        "ENV{ID_MM_DEVICE_IGNORE}",
        "ATTR{latency_timer}",
    ];
    let mut rules = 0;
    for line in text("70-feelgauge.rules").lines() {
        if line.is_empty() || line.starts_with('#') {
            continue;
        }
        rules += 1;
        let mut acts = 0;
        for part in line.split(", ") {
            let end = part.find(['=', '+']).unwrap();
            let (key, rest) = part.split_at(end);
            assert!(keys.contains(&key), "{key}");
            let value = rest.trim_start_matches(['=', '+']);
            assert!(
                value.starts_with('"') && value.ends_with('"') && value.len() > 2,
                "{part}"
            );
            let matches = rest.starts_with("==");
            let only_match = ["ACTION", "SUBSYSTEM", "KERNEL", "DRIVER"].contains(&key);
            assert_eq!(matches, only_match, "{part}");
            acts += u32::from(!matches);
        }
        assert!(acts > 0, "a rule that does nothing: {line}");
    }
    assert_eq!(rules, 2);
    // The ports that the bench looks for.
    for device in ["ttyUSB", "ttyACM"] {
        assert!(text("70-feelgauge.rules").contains(device));
    }
}

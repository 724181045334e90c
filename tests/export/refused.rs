//! What cannot be exported, and where nothing may be written: said clearly, and nothing is touched.

use std::fs;

use super::fixture::*;

#[test]
fn nothing_is_overwritten() {
    let dir = tempfile::tempdir().unwrap();
    let at = |name: &str| dir.path().join(name);
    let leak = samples().join(LEAK);
    fs::create_dir(at("full")).unwrap();
    fs::write(at("full/notes"), "mine").unwrap();
    let (code, _, said) = export(&[&leak], &at("full"), &[]);
    assert_eq!(code, 2);
    assert!(said.contains("not empty"), "{said}");
    assert_eq!(load(&at("full")).len(), 1);
    let (code, _, said) = export(&[&leak], &at("full/notes"), &[]);
    assert_eq!(code, 2);
    assert!(said.contains("is no folder"), "{said}");
    fs::create_dir(at("empty")).unwrap();
    assert_eq!(export(&[&leak], &at("empty"), &[]).0, 0);
    assert_eq!(export(&[&leak], &at("empty"), &[]).0, 2);
    copy(&samples(), &at("captures"));
    let (code, _, said) = export(&[&at("captures")], &at("captures/new/tables"), &[]);
    assert_eq!(code, 2);
    assert!(said.contains("outside of it"), "{said}");
    assert!(!at("captures/new").exists());
}

#[test]
fn what_is_no_capture_is_named_and_leaves_no_folder_behind() {
    let dir = tempfile::tempdir().unwrap();
    let at = |name: &str| dir.path().join(name);
    fs::create_dir(at("nothing")).unwrap();
    fs::write(at("plain.csv"), "t_us,f_n\n").unwrap();
    for (path, word) in [
        ("nothing", "holds no capture"),
        ("plain.csv", "plain sample file"),
        ("missing", "missing"),
    ] {
        let (code, _, said) = export(&[&at(path)], &at("out"), &[]);
        assert_eq!(code, 1, "{path}");
        assert!(said.contains(word) && said.contains(path), "{said}");
        assert!(!at("out").exists());
    }
    for args in [
        vec!["export"],
        vec!["export", "captures"],
        vec!["export", "captures", "--out", "x", "--format", "xlsx"],
        vec!["export", "captures", "--schema"],
    ] {
        assert_eq!(feelgauge(&args).status.code(), Some(2), "{args:?}");
    }
}

/// One capture that cannot be read costs only itself; the exit status says that something is missing.
#[test]
fn one_unreadable_capture_costs_only_itself() {
    let dir = tempfile::tempdir().unwrap();
    let at = |name: &str| dir.path().join(name);
    copy(&samples(), &at("c"));
    fs::write(at("c").join(PULL).join("capture.toml"), "format = 2\n").unwrap();
    change(
        &at("c").join(ROLL).join("capture.toml"),
        "test = \"roll\"",
        "test = \"sing\"",
    );
    let (code, result, said) = export(&[&at("c")], &at("out"), &[]);
    assert_eq!(code, 1);
    for (name, word) in [(PULL, "capture.toml"), (ROLL, "'sing' is unknown")] {
        assert!(
            said.lines().any(|l| l.contains(name) && l.contains(word)),
            "{said}"
        );
    }
    assert_eq!(result["captures"].as_array().unwrap().len(), 1);
    assert_eq!(result["left_out"].as_array().unwrap().len(), 2);
    assert!(at("out").join(format!("csv/{LEAK}/leak.csv")).exists());
}

/// A recorded finding that is no JSON is told of in its row; a comparison that does not say of what is left out.
#[test]
fn broken_findings_are_told_of() {
    let dir = tempfile::tempdir().unwrap();
    let at = |name: &str| dir.path().join(name);
    inspection(&at("visit"), "14", "R. Tern");
    fs::write(
        at("visit").join(format!("findings/{PULL}.json")),
        "{\"test\":",
    )
    .unwrap();
    fs::remove_file(at("visit/findings/comparison-1.toml")).unwrap();
    let (code, result, said) = export(&[&at("visit")], &at("out"), &[]);
    assert_eq!(code, 1);
    assert!(said.contains("comparison-1"), "{said}");
    assert_eq!(result["comparisons"], 0);
    let lines = String::from_utf8(load(&at("out"))["findings.jsonl"].clone()).unwrap();
    let pull = lines.lines().find(|l| l.contains(PULL)).unwrap();
    assert!(
        pull.contains("\"finding\":null") && pull.contains("EOF"),
        "{pull}"
    );
}

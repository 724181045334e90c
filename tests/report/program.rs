//! `feelgauge report` on folders, and what a counterparty does with its files.

use std::{
    fs,
    path::{Path, PathBuf},
    process::Command,
};

use feelgauge::{
    clock::Clock,
    inspection::{Deed, Folder, Sense, Stage},
    record::writer::sha256,
    report::document::build::CONTENTS,
};
use serde_json::Value;

use crate::{
    car::{self, LEAK, OWNER, PLOVER, PULL, ROLL},
    folders::feelgauge,
};

/// An inspection on the disk.
pub struct Visit {
    pub dir: tempfile::TempDir,
    folder: Folder,
    clock: Clock,
}

impl Visit {
    fn new() -> Self {
        let dir = tempfile::tempdir().unwrap();
        let clock = Clock::virtual_from("2031-05-17T14:21:40Z".parse().unwrap());
        let owner = car::empty().visit.owner;
        let folder = Folder::create(
            &dir.path().join("no-14"),
            &clock,
            &car::opening(),
            owner.as_ref(),
            Some(PLOVER.as_bytes()),
        )
        .unwrap();
        Self { dir, folder, clock }
    }

    pub fn whole() -> Self {
        let visit = Self::new();
        for name in [LEAK, PULL, ROLL] {
            let source = Path::new("captures").join(name);
            let taken = visit
                .folder
                .put_capture(&visit.clock, "R. Tern", &source, Stage::AsFound);
            taken.unwrap();
        }
        visit
    }

    pub fn base(&self) -> PathBuf {
        self.dir.path().join("no-14")
    }

    pub fn at(&self, name: &str) -> String {
        self.dir.path().join(name).to_str().unwrap().to_owned()
    }

    pub fn sees(&self, text: &str) {
        let deed = Deed::Observed {
            sense: Sense::Seen,
            text: text.into(),
            photograph: None,
        };
        self.folder.write(&self.clock, "R. Tern", deed).unwrap();
    }
}

#[track_caller]
pub fn json(args: &[&str]) -> Value {
    let out = feelgauge(&[args, &["--json"]].concat());
    let err = String::from_utf8_lossy(&out.stderr);
    assert_eq!(out.status.code(), Some(0), "{args:?}: {err}");
    serde_json::from_slice(&out.stdout).unwrap()
}

/// Standard output of a stock tool; `None`: it is not there, which is said.
fn stock(tool: &str, args: &[&str], folder: &Path) -> Option<String> {
    match Command::new(tool).args(args).current_dir(folder).output() {
        Err(_) => {
            assert!(
                std::env::var_os("CI_REQUIRED").is_none(),
                "{tool} is missing"
            );
            eprintln!("SKIPPED: {tool} is missing");
            None
        }
        Ok(out) => {
            let err = String::from_utf8_lossy(&out.stderr);
            assert!(out.status.success(), "{tool} {args:?}: {err}");
            Some(String::from_utf8_lossy(&out.stdout).into_owned())
        }
    }
}

#[test]
fn a_counterparty_checks_the_report_with_stock_tools() {
    let visit = Visit::whole();
    let base = visit.at("no-14");
    let result = json(&["report", &base]);
    assert_eq!(result["findings"], 3);
    assert_eq!(result["differing"], 0);
    assert_eq!(result["seal_holds"], Value::Null);
    let report = visit.base().join("report");
    let digest = sha256(&fs::read(report.join(CONTENTS)).unwrap());
    assert_eq!(result["sha256"], digest.as_str());
    let list = fs::read_to_string(report.join(CONTENTS)).unwrap();
    assert!(list.contains("  owner.toml\n") && list.contains("  journal.jsonl\n"));
    assert!(!list.contains("report/"));
    let page = fs::read_to_string(report.join("report.html")).unwrap();
    assert!(page.contains(&format!("sha256:{digest}")));
    assert!(!page.contains(OWNER) && page.contains("the same to the bit"));
    let pdf = fs::read(report.join("report.pdf")).unwrap();
    assert!(!String::from_utf8_lossy(&pdf).contains(OWNER));
    let path = format!("report/{CONTENTS}");
    if let Some(said) = stock("sha256sum", &["-c", &path], &visit.base()) {
        assert_eq!(said.lines().count(), list.lines().count());
    }
    stock("qpdf", &["--check", "report/report.pdf"], &visit.base());
    if let Some(said) = stock("pdfdetach", &["-list", "report/report.pdf"], &visit.base()) {
        assert!(
            said.contains(CONTENTS) && said.contains("results.json"),
            "{said}"
        );
    }
    if let Some(said) = stock("pdftotext", &["report/report.pdf", "-"], &visit.base()) {
        assert!(!said.contains(OWNER));
        assert!(said.contains("Known by: serial number PL8-00417"), "{said}");
    }
}

#[test]
fn a_report_is_made_again_of_what_is_there_now() {
    let visit = Visit::whole();
    let base = visit.at("no-14");
    let report = visit.base().join("report");
    let read = |name: &str| fs::read(report.join(name)).unwrap();
    json(&["report", &base]);
    let first = ["report.pdf", "report.html", CONTENTS].map(read);
    json(&["report", &base]);
    assert!(["report.pdf", "report.html", CONTENTS].map(read) == first);
    visit.sees("a stripped screw");
    json(&["report", &base, "--paper", "letter"]);
    assert_ne!(read(CONTENTS), first[2]);
    let page = String::from_utf8(read("report.html")).unwrap();
    assert!(page.contains("Seen: a stripped screw."));
    assert_eq!(fs::read_dir(&report).unwrap().count(), 3);
}

#[test]
fn before_and_after_stand_side_by_side() {
    let visit = Visit::whole();
    let again = visit.dir.path().join("20310518T142140Z-leak-whole");
    fs::create_dir(&again).unwrap();
    for entry in fs::read_dir(Path::new("captures").join(LEAK)).unwrap() {
        let entry = entry.unwrap();
        fs::copy(entry.path(), again.join(entry.file_name())).unwrap();
    }
    let repaired = Deed::Repaired {
        text: "lid seal renewed".into(),
    };
    let Visit { folder, clock, .. } = &visit;
    folder.write(clock, "R. Tern", repaired).unwrap();
    folder
        .put_capture(clock, "R. Tern", &again, Stage::AfterRepair)
        .unwrap();
    json(&[
        "inspection",
        "compare",
        &visit.at("no-14"),
        "--by",
        "R. Tern",
    ]);
    json(&["report", &visit.at("no-14")]);
    let page = fs::read_to_string(visit.base().join("report/report.html")).unwrap();
    for said in [
        "before and after",
        "Lid seal renewed.",
        "not shown</span>",
        "findings/comparison-1.json: from the recorded lines: the same to the bit",
        "After the repair leak is outside.",
    ] {
        assert!(page.contains(said), "{said}");
    }
}

#[test]
fn a_sealed_inspection_is_reported_outside_of_its_seal() {
    let visit = Visit::whole();
    let (base, key, bag) = (visit.at("no-14"), visit.at("key"), visit.at("sealed"));
    json(&["report", &base]);
    json(&["seal", "--new-key", &key]);
    let sealed = json(&[
        "seal", &base, "--out", &bag, "--sign", &key, "--as", "club", "--role", "shop",
    ]);
    let refused = feelgauge(&["report", &bag]);
    assert_eq!(refused.status.code(), Some(2));
    assert!(String::from_utf8_lossy(&refused.stderr).contains("--out DIR"));
    let inside = format!("{bag}/paper");
    assert_eq!(
        feelgauge(&["report", &bag, "--out", &inside]).status.code(),
        Some(2)
    );
    let out = visit.at("paper");
    let result = json(&["report", &bag, "--out", &out]);
    assert_eq!(result["sha256"], sealed["seal"]);
    assert_eq!(result["seal_holds"], true);
    let page = fs::read_to_string(format!("{out}/report.html")).unwrap();
    for said in [
        "Sealed, signed by club.",
        "The seal held when this was made.",
        "SHA256:",
        "club (shop)",
    ] {
        assert!(page.contains(said), "{said}");
    }
    assert_eq!(
        feelgauge(&["report", &bag, "--out", &out]).status.code(),
        Some(2)
    );
    assert_eq!(feelgauge(&["verify", &bag]).status.code(), Some(0));
    if let Some(said) = stock("pdfdetach", &["-list", "report.pdf"], Path::new(&out)) {
        assert!(said.contains("tagmanifest-sha256.txt") && said.contains("manifest-sha256.txt"));
    }
}

#[test]
fn changed_results_and_broken_captures_are_said() {
    let visit = Visit::whole();
    let findings = visit.base().join("findings");
    let path = findings.join(format!("{LEAK}.json"));
    let text = fs::read_to_string(&path).unwrap();
    let mut rights = fs::metadata(&path).unwrap().permissions();
    #[allow(clippy::permissions_set_readonly_false)] // a file of this test alone
    rights.set_readonly(false);
    fs::set_permissions(&path, rights).unwrap();
    fs::write(&path, text.replacen("\"outside\"", "\"within\"", 1)).unwrap();
    fs::remove_file(
        visit
            .base()
            .join("captures")
            .join(PULL)
            .join("capture.toml"),
    )
    .unwrap();
    let result = json(&["report", &visit.at("no-14")]);
    assert_eq!(
        (&result["differing"], &result["unreadable"]),
        (&1.into(), &1.into())
    );
    let page = fs::read_to_string(visit.base().join("report/report.html")).unwrap();
    for said in [
        "DIFFERS from what its lines give",
        "A capture that cannot be read",
        "What does not fit",
        "No pull was taken.",
    ] {
        assert!(page.contains(said), "{said}");
    }
}

#[test]
fn what_is_no_inspection_says_so() {
    let dir = tempfile::tempdir().unwrap();
    let out = feelgauge(&["report", dir.path().to_str().unwrap()]);
    assert_eq!(out.status.code(), Some(1));
    assert!(String::from_utf8_lossy(&out.stderr).contains("inspection.toml"));
}

#[test]
fn an_inspection_with_nothing_in_it_is_reported() {
    let visit = Visit::new();
    let result = json(&["report", &visit.at("no-14")]);
    assert_eq!(result["findings"], 0);
    let page = fs::read_to_string(visit.base().join("report/report.html")).unwrap();
    assert!(page.contains("Nothing was measured"));
}

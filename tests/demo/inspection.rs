//! The demo's inspection as its reader finds it: measured, repaired, compared, reported, sealed; and checked by others' tools.

use std::{
    fs,
    path::{Path, PathBuf},
    process::Command,
};

use serde_json::Value;

use super::{demo, feelgauge, files};

/// Places of the three tests before the repair in the demo's list of findings.
const AS_FOUND: [usize; 3] = [0, 1, 2];

fn json(path: &Path) -> Value {
    serde_json::from_slice(&fs::read(path).unwrap()).unwrap()
}

fn arg(path: &Path) -> &str {
    path.to_str().unwrap()
}

/// The tool, or none where it is missing, which is said.
fn tool(name: &str, args: &[&str]) -> bool {
    if Command::new(name).args(args).output().is_ok() {
        return true;
    }
    assert!(
        std::env::var_os("CI_REQUIRED").is_none(),
        "{name} is missing"
    );
    eprintln!("SKIPPED: {name} is missing");
    false
}

/// `verify` of a bag with the demo's own signers.
fn verify(bag: &Path) -> (Option<i32>, Value, String) {
    let signers = demo().join("allowed-signers");
    let args = ["verify", arg(bag), "--signers", arg(&signers), "--json"];
    let (status, text, errors) = feelgauge(demo(), &args);
    (
        status,
        serde_json::from_str(&text).unwrap_or_default(),
        errors,
    )
}

/// The first three findings are those of the three tests before the repair, and their captures stand by themselves at the
/// top; all nine are in the inspection, in that order.
#[test]
fn first_three_findings_are_before_the_repair_and_the_rest_follows() {
    let findings = json(&demo().join("findings.json"));
    let tests: Vec<&str> = findings
        .as_array()
        .unwrap()
        .iter()
        .map(|f| f["test"].as_str().unwrap())
        .collect();
    let expected = [
        "leak", "pull", "roll", "roll", "leak", "leak", "pull", "roll", "roll",
    ];
    assert_eq!(tests, expected);
    let verdicts = AS_FOUND.map(|n| findings[n]["verdict"].as_str().unwrap());
    assert_eq!(verdicts, ["outside", "within", "outside"]);
    assert_eq!(findings[5]["verdict"], "within", "a new seal");

    let inside = files(&demo().join("inspection/captures"));
    for (name, bytes) in files(&demo().join("captures")) {
        assert_eq!(inside.get(&name), Some(&bytes), "{}", name.display());
    }
    let names = |folder: &str| -> Vec<PathBuf> {
        let entries = fs::read_dir(demo().join(folder)).unwrap();
        let mut names: Vec<PathBuf> = entries.map(|e| e.unwrap().path()).collect();
        names.sort();
        names
    };
    assert_eq!(names("captures").len(), 3);
    let captures = names("inspection/captures");
    assert_eq!(captures.len(), 9);
    for (capture, finding) in captures.iter().zip(findings.as_array().unwrap()) {
        let name = capture.file_name().unwrap().to_str().unwrap();
        let recorded = json(&demo().join(format!("inspection/findings/{name}.json")));
        assert_eq!(&recorded, finding, "{name}");
    }
}

/// Leak, pull and roll are better by more than the uncertainty, and the journal and the joint statement say who was there.
#[test]
fn repair_shows_in_all_three_tests() {
    for (n, test) in (1..).zip(["leak", "pull", "roll"]) {
        let path = format!("inspection/findings/comparison-{n}.json");
        let compared = json(&demo().join(path));
        assert_eq!(compared["change"], "better", "{test}: {compared}");
    }
    let journal = fs::read_to_string(demo().join("inspection/journal.jsonl")).unwrap();
    for what in [
        "opened",
        "conditions",
        "attached",
        "photographed",
        "observed",
        "not_checked",
        "checked",
        "captured",
        "found",
        "part",
        "decided",
        "repaired",
        "joint",
    ] {
        assert!(journal.contains(&format!("\"what\":\"{what}\"")), "{what}");
    }
    let statement = fs::read_to_string(demo().join("inspection/joint-statement.txt")).unwrap();
    for words in ["R. Tern", "A. Wren", "I do not agree", "HL-0814"] {
        assert!(statement.contains(words), "{words}: {statement}");
    }
}

/// Every check of `verify` holds, every finding and comparison is the same when it is worked out anew, and the signatures
/// say that they are worth nothing.
#[test]
fn seal_holds_and_says_that_its_keys_are_worthless() {
    let (status, report, errors) = verify(&demo().join("inspection-sealed"));
    assert_eq!(status, Some(0), "{report} {errors}");
    assert_eq!(report["holds"], true, "{report}");
    assert_eq!(report["trust"], "allowed_signers");
    let checks = report["checks"].as_array().unwrap();
    let of_report = checks.iter().find(|c| c["part"] == "report").unwrap();
    assert_eq!(of_report["outcome"], "holds", "made last: {of_report}");
    let signed = report["signatures"].as_array().unwrap();
    assert_eq!(signed.len(), 2);
    for one in signed {
        assert_eq!(one["holds"], true, "{one}");
        assert!(
            one["vouches_for"].as_str().unwrap().contains("WORTHLESS"),
            "{one}"
        );
    }
    let statement = signed[1]["statement"].as_str().unwrap();
    assert!(statement.contains("WORTHLESS") && statement.contains("I do not agree"));
    for name in ["shop.pub", "borrower.pub"] {
        let key = fs::read_to_string(demo().join("worthless-keys").join(name)).unwrap();
        assert!(key.contains("worthless"), "{key}");
    }
    let summary = fs::read_to_string(demo().join("summary.txt")).unwrap();
    assert!(summary.contains("KEYS ARE WORTHLESS"));
}

/// The other side's session without this program.
#[test]
fn stock_tools_agree() {
    let bag = demo().join("inspection-sealed");
    let session = [
        (
            "sha256sum",
            "--version",
            "sha256sum -c --strict --quiet manifest-sha256.txt tagmanifest-sha256.txt",
        ),
        (
            "sha512sum",
            "--version",
            "sha512sum -c --strict --quiet manifest-sha512.txt tagmanifest-sha512.txt",
        ),
        (
            "ssh-keygen",
            "-?",
            "ssh-keygen -Y verify -f ../allowed-signers -I shop -n feelgauge-inspection-1 -s signatures/01-shop.sig < tagmanifest-sha256.txt",
        ),
        (
            "ssh-keygen",
            "-?",
            "(cat tagmanifest-sha256.txt; sha256sum signatures/01-shop.sig signatures/02-borrower.txt) | ssh-keygen -Y verify -f ../allowed-signers -I borrower -n feelgauge-inspection-1 -s signatures/02-borrower.sig",
        ),
    ];
    for (name, any, line) in session {
        if !tool(name, &[any]) {
            continue;
        }
        let run = Command::new("sh")
            .args(["-c", line])
            .current_dir(&bag)
            .output()
            .unwrap();
        let said = String::from_utf8_lossy(&[run.stdout, run.stderr].concat()).into_owned();
        assert!(run.status.success(), "{line}: {said}");
    }
}

/// The report is there before the seal and after it, opens, and carries the digest of what it is of.
#[test]
fn report_stands_before_and_after_the_seal() {
    let sealed = fs::read(demo().join("inspection-sealed/tagmanifest-sha256.txt")).unwrap();
    let contents = fs::read(demo().join("inspection/report/contents-sha256.txt")).unwrap();
    for (folder, of) in [("inspection/report", contents), ("report", sealed)] {
        let folder = demo().join(folder);
        let page = fs::read_to_string(folder.join("report.html")).unwrap();
        let digest = feelgauge::record::writer::sha256(&of);
        let groups = feelgauge::report::document::groups(&digest);
        for words in ["Plover 8", "HL-0814", "front ring gear", &groups] {
            assert!(page.contains(words), "{}: {words}", folder.display());
        }
        let pdf = folder.join("report.pdf");
        assert!(fs::read(&pdf).unwrap().starts_with(b"%PDF-"));
        if tool("qpdf", &["--version"]) {
            let run = Command::new("qpdf").arg("--check").arg(&pdf).output();
            assert!(run.unwrap().status.success(), "{}", pdf.display());
        }
    }
    let owner = fs::read_to_string(demo().join("inspection/owner.toml")).unwrap();
    assert!(owner.contains("Slipway"));
    let page = fs::read_to_string(demo().join("report/report.html")).unwrap();
    assert!(!page.contains("Slipway"), "the owner's data stay out of it");
}

/// The summary ends on the first page, on both papers, and the tests begin on the next.
#[test]
fn summary_has_room_on_one_page() {
    if !tool("pdftotext", &["-v"]) {
        return;
    }
    let dir = tempfile::tempdir().unwrap();
    let letter = dir.path().join("letter");
    let sealed = demo().join("inspection-sealed");
    let args = [
        "report",
        arg(&sealed),
        "--out",
        arg(&letter),
        "--paper",
        "letter",
    ];
    let (status, _, errors) = feelgauge(demo(), &args);
    assert_eq!(status, Some(0), "{errors}");
    for (folder, last) in [
        (
            demo().join("inspection/report"),
            "Not sealed when this was made.",
        ),
        (demo().join("report"), "The seal held when this was made."),
        (letter, "The seal held when this was made."),
    ] {
        let pdf = folder.join("report.pdf");
        let page = |n: &str| {
            let run = Command::new("pdftotext")
                .args(["-raw", "-f", n, "-l", n, arg(&pdf), "-"])
                .output();
            let text = String::from_utf8(run.unwrap().stdout).unwrap();
            text.split_whitespace().collect::<Vec<_>>().join(" ")
        };
        let (first, second) = (page("1"), page("2"));
        assert!(first.contains(last), "{}: {first}", pdf.display());
        assert!(second.starts_with("LEAK"), "{}: {second}", pdf.display());
    }
}

/// One byte of a capture, of a finding, of the journal, of a photograph: the seal does not hold, and the file is named.
#[test]
fn one_changed_byte_is_found_and_named() {
    let sealed = files(&demo().join("inspection-sealed"));
    let wanted = |folder: &str, end: &str| {
        let fits = |path: &&PathBuf| path.starts_with(folder) && arg(path).ends_with(end);
        sealed.keys().find(fits).unwrap().clone()
    };
    let copy = tempfile::tempdir().unwrap();
    for (path, bytes) in &sealed {
        let to = copy.path().join(path);
        fs::create_dir_all(to.parent().unwrap()).unwrap();
        fs::write(to, bytes).unwrap();
    }
    for path in [
        wanted("data/captures", ".csv"),
        wanted("data/findings", ".json"),
        wanted("data", "journal.jsonl"),
        wanted("data/photographs", ".jpg"),
    ] {
        let place = copy.path().join(&path);
        let mut bytes = sealed[&path].clone();
        let middle = bytes.len() / 2;
        bytes[middle] ^= 1;
        fs::write(&place, &bytes).unwrap();
        let (status, report, _) = verify(copy.path());
        assert_eq!(status, Some(3), "{}", path.display());
        assert_eq!(report["holds"], false);
        let first = report["first"]["file"].as_str().unwrap();
        assert_eq!(Path::new(first), path, "{}", report["first"]);
        fs::write(&place, &sealed[&path]).unwrap();
    }
    assert_eq!(verify(copy.path()).0, Some(0), "all as it was");
}

/// Verdicts of five seeds against what was put in: no finding says the opposite of the truth. No seed gives what another
/// gave.
#[test]
fn no_seed_contradicts_its_truth() {
    let base = tempfile::tempdir().unwrap();
    let mut known = vec![fs::read(demo().join("findings.json")).unwrap()];
    for seed in 1..=5 {
        let mut folder = demo().to_path_buf();
        if seed > 1 {
            folder = base.path().join("deep").join(seed.to_string());
            let seed = seed.to_string();
            let args = ["demo", "--seed", &seed, "--out", arg(&folder)];
            let (status, _, errors) = feelgauge(base.path(), &args);
            assert_eq!((status, errors.as_str()), (Some(0), ""));
            let findings = fs::read(folder.join("findings.json")).unwrap();
            assert!(!known.contains(&findings), "seed {seed}");
            known.push(findings);
        }
        let (findings, truth) = (
            json(&folder.join("findings.json")),
            json(&folder.join("truth.json")),
        );
        let after = &truth["after_repair"];
        for (n, truth) in [
            (0, &truth["leak"]),
            (4, &truth["leak_lid_clamped"]),
            (5, &after["leak"]),
        ] {
            against_limit(
                &findings[n],
                &truth["leak_rate_pa_m3_s"],
                "limit_leak_rate_pa_m3_s",
                ["within", "outside"],
            );
        }
        for (n, truth) in [(1, &truth["pull"]), (6, &after["pull"])] {
            against_limit(
                &findings[n],
                &truth["lift_ratio"],
                "limit_lift_ratio",
                ["outside", "within"],
            );
        }
        for (n, truth) in [
            (2, &truth["roll"]),
            (3, &truth["roll_again"]),
            (7, &after["roll"]),
            (8, &after["roll_again"]),
        ] {
            let found = &findings[n];
            let part = &truth["snag"]["part"];
            match found["verdict"].as_str() {
                Some("outside") => assert_eq!(&found["snags"][0]["part"], part, "seed {seed}"),
                Some("within") => assert!(part.is_null(), "seed {seed}: {found}"),
                _ => {}
            }
        }
    }
}

/// A decided verdict stands on the side on which the truth lies; `words`: below the limit, above it.
fn against_limit(finding: &Value, truth: &Value, limit: &str, words: [&str; 2]) {
    let (truth, limit) = (truth.as_f64().unwrap(), finding[limit].as_f64().unwrap());
    let said = finding["verdict"].as_str().unwrap();
    let true_word = words[usize::from(truth > limit)];
    assert!(
        said == "undecided" || said == true_word,
        "{truth} against {limit}: {finding}"
    );
}

//! A report that is older than its inspection: who says so, and what passes all the same.

use std::fs;

use feelgauge::{
    evidence::{ExpectedSigners, Signer, contents, key_file, seal, signatures, sshsig},
    record::writer::sha256,
};
use serde_json::Value;

use crate::{
    folders::{feelgauge, load},
    program::{Visit, json},
};

/// A visit with a report of it, and a key.
fn reported() -> (Visit, String) {
    let visit = Visit::whole();
    json(&["report", &visit.at("no-14")]);
    let key = visit.at("key");
    let made = feelgauge(&["seal", "--new-key", &key]);
    assert!(made.status.success(), "{made:?}");
    (visit, key)
}

fn missing(visit: &Visit) -> Vec<String> {
    let shown = json(&["inspection", "show", &visit.at("no-14")]);
    let list = shown["missing"].as_array().unwrap().iter();
    list.map(|what| what.as_str().unwrap().to_owned()).collect()
}

/// The row of the report in what `verify` says.
fn row(verified: &Value) -> &Value {
    let checks = verified["checks"].as_array().unwrap();
    checks.iter().find(|c| c["part"] == "report").unwrap()
}

#[test]
fn show_says_that_the_report_is_older_and_what_to_do() {
    let (visit, _) = reported();
    let of_report = |all: &[String]| all.iter().find(|m| m.contains("report")).cloned();
    assert_eq!(of_report(&missing(&visit)), None);
    let lines = json(&["inspection", "show", &visit.at("no-14")])["entries"]
        .as_array()
        .unwrap()
        .len();
    visit.sees("a stripped screw");
    let said = of_report(&missing(&visit)).unwrap();
    let where_it_was = format!("made at line {lines} of {}", lines + 1);
    assert!(
        said.contains(&where_it_was) && said.contains("make it again: feelgauge report"),
        "{said}"
    );
    json(&["report", &visit.at("no-14")]);
    assert_eq!(of_report(&missing(&visit)), None);
    fs::write(visit.base().join("vehicle.toml"), "changed").unwrap();
    let said = of_report(&missing(&visit)).unwrap();
    assert!(said.contains("vehicle.toml has other bytes"), "{said}");
}

#[test]
fn an_older_report_is_sealed_with_a_warning_and_verify_says_it_too() {
    let (visit, key) = reported();
    let base = visit.at("no-14");
    let sealed = |bag: &str| {
        let args = [
            "seal", &base, "--out", bag, "--sign", &key, "--as", "shop", "--json",
        ];
        let run = feelgauge(&args);
        assert_eq!(run.status.code(), Some(0), "{run:?}");
        let result: Value = serde_json::from_slice(&run.stdout).unwrap();
        (result, String::from_utf8(run.stderr).unwrap())
    };
    let (result, said) = sealed(&visit.at("fresh"));
    assert_eq!(result["remarks"], serde_json::json!([]));
    assert_eq!(said, "");
    let verified = json(&["verify", &visit.at("fresh")]);
    assert_eq!(row(&verified)["outcome"], "holds", "{verified}");

    visit.sees("a stripped screw");
    fs::write(visit.base().join("note.txt"), "put in by hand").unwrap();
    let (result, said) = sealed(&visit.at("older"));
    let remark = result["remarks"][0].as_str().unwrap();
    for words in ["older than the journal", "does not name 1 file: note.txt"] {
        assert!(remark.contains(words), "{remark}");
        assert!(said.contains(words), "{said}");
    }
    assert!(said.contains(&format!("feelgauge report {base}")), "{said}");
    let verified = json(&["verify", &visit.at("older")]);
    assert_eq!(verified["holds"], true, "{verified}");
    assert_eq!(row(&verified)["outcome"], "remark");
    let said = feelgauge(&["verify", &visit.at("older")]);
    let said = String::from_utf8(said.stdout).unwrap();
    assert!(
        said.contains("remark   report       the report is older than the journal"),
        "{said}"
    );
}

/// Nothing that is done in order changes a file of an inspection: list and files contradict each other.
#[test]
fn a_file_changed_since_the_report_is_not_sealed_before_the_report_is_made_again() {
    let (visit, key) = reported();
    let (base, bag) = (visit.at("no-14"), visit.at("bag"));
    let owner = visit.base().join("owner.toml");
    let other = fs::read_to_string(&owner).unwrap().replace("name", "name ");
    fs::write(&owner, other).unwrap();
    let args = ["seal", &base, "--out", &bag, "--sign", &key, "--as", "shop"];
    let run = feelgauge(&args);
    let said = String::from_utf8_lossy(&run.stderr);
    assert_eq!(run.status.code(), Some(1), "{said}");
    for words in [
        "report/contents-sha256.txt:",
        "owner.toml has other bytes than when the report was made",
        "nothing was sealed; make the report again: feelgauge report",
    ] {
        assert!(said.contains(words), "{said}");
    }
    assert!(!visit.dir.path().join("bag").exists());
    json(&["report", &base]);
    assert!(feelgauge(&args).status.success());
    // the copy without the owner's data: its digest is still under the seal
    let copy = visit.at("copy");
    assert!(
        feelgauge(&["inspection", "copy", &bag, &copy])
            .status
            .success()
    );
    let verified = json(&["verify", &copy, "--left-out", "owner.toml"]);
    assert_eq!(row(&verified)["outcome"], "holds", "{verified}");
}

/// Somebody's own program seals a list that contradicts the files: `verify` finds it, whoever signed.
#[test]
fn a_contradiction_under_a_good_signature_is_a_difference() {
    let (visit, _) = reported();
    let base = visit.base();
    let list = base.join(contents::FILE);
    let text = fs::read_to_string(&list).unwrap();
    let digest = sha256(&fs::read(base.join("inspection.toml")).unwrap());
    fs::write(&list, text.replace(&digest, &sha256(b"another"))).unwrap();
    let files = load(&base);
    let key = key_file::from_seed(7, "shop");
    let expected = ExpectedSigners {
        format: 1,
        time_stamp: false,
        signers: vec![Signer {
            name: "shop".into(),
            role: "shop".into(),
            public_key: key.public_key().to_openssh().unwrap(),
            vouches_for: "everything".into(),
        }],
    };
    let sealing = seal(&files, &expected, None).unwrap();
    let bag = visit.dir.path().join("bag");
    let put = |path: &str, bytes: &[u8]| {
        let path = bag.join(path);
        fs::create_dir_all(path.parent().unwrap()).unwrap();
        fs::write(path, bytes).unwrap();
    };
    for (path, bytes) in &files {
        put(&format!("data/{path}"), bytes);
    }
    for (name, bytes) in &sealing.tags {
        put(name, bytes);
    }
    let (_, tags) = &sealing.tags[5];
    let message = signatures::message(tags, &[]);
    let armour = sshsig::sign(&key, &message).unwrap();
    put("signatures/01-shop.sig", armour.as_bytes());
    let run = feelgauge(&["verify", bag.to_str().unwrap(), "--json"]);
    assert_eq!(run.status.code(), Some(3));
    let verified: Value = serde_json::from_slice(&run.stdout).unwrap();
    assert_eq!(verified["signatures"][0]["holds"], true, "{verified}");
    let first = &verified["first"];
    assert_eq!(first["file"], "data/report/contents-sha256.txt", "{first}");
    assert!(first["line"].as_u64().is_some());
    assert_eq!(row(&verified)["outcome"], "differs");
}

//! The other side's check without us: `sha256sum`, `sha512sum`, `ssh-keygen`, a BagIt validator of others.

use std::{
    fs::{self, File},
    io::Write as _,
    process::{Command, Stdio},
};

use super::fixture::{arg, bag, done, feelgauge, full, load, tool};

#[test]
fn coreutils_agree_with_every_manifest() {
    for (name, end) in [("sha256sum", "sha256"), ("sha512sum", "sha512")] {
        let Some(mut sum) = tool(name, &["--version"]) else {
            return;
        };
        let lists = [
            format!("manifest-{end}.txt"),
            format!("tagmanifest-{end}.txt"),
        ];
        let run = sum
            .current_dir(full().at("bag"))
            .arg("-c")
            .arg("--strict")
            .args(&lists)
            .output()
            .unwrap();
        let said = String::from_utf8_lossy(&run.stdout).into_owned();
        assert!(run.status.success(), "{said}");
        let files = load(&full().at("bag/data")).len() + 5;
        assert_eq!(
            said.lines().filter(|l| l.ends_with(": OK")).count(),
            files,
            "{said}"
        );
    }
}

/// The session of the README, by a shell.
#[test]
fn openssh_agrees_with_both_signatures() {
    let Some(_) = tool("ssh-keygen", &["-?"]) else {
        return;
    };
    let allowed = full().at("allowed");
    let session = [
        "ssh-keygen -Y verify -f \"$ALLOWED\" -I seller -n feelgauge-inspection-1 -s signatures/01-seller.sig < tagmanifest-sha256.txt",
        "(cat tagmanifest-sha256.txt; sha256sum signatures/01-seller.sig signatures/02-buyer.txt) | ssh-keygen -Y verify -f \"$ALLOWED\" -I buyer -n feelgauge-inspection-1 -s signatures/02-buyer.sig",
    ];
    for line in session {
        let run = Command::new("sh")
            .args(["-c", line])
            .env("ALLOWED", &allowed)
            .current_dir(full().at("bag"))
            .output()
            .unwrap();
        let said = String::from_utf8_lossy(&run.stdout).into_owned();
        assert!(
            run.status.success()
                && said.starts_with("Good \"feelgauge-inspection-1\" signature for"),
            "{line}: {said}"
        );
        eprintln!("{}", said.trim_end());
    }
    let wrong = "ssh-keygen -Y verify -f \"$ALLOWED\" -I buyer -n feelgauge-inspection-1 -s signatures/02-buyer.sig < tagmanifest-sha256.txt";
    let run = Command::new("sh")
        .args(["-c", wrong])
        .env("ALLOWED", &allowed)
        .current_dir(full().at("bag"))
        .status();
    assert!(
        !run.unwrap().success(),
        "the buyer's signature covers the seller's"
    );
}

/// A signature that OpenSSH makes over the stated text takes its place in our seal.
#[test]
fn a_signature_made_by_openssh_holds() {
    let Some(mut keygen) = tool("ssh-keygen", &["-?"]) else {
        return;
    };
    let (_dir, bag) = bag();
    let ours = fs::read(bag.join("signatures/01-seller.sig")).unwrap();
    fs::set_permissions(
        full().at("seller"),
        std::os::unix::fs::PermissionsExt::from_mode(0o600),
    )
    .unwrap();
    let mut run = keygen
        .args([
            "-Y",
            "sign",
            "-n",
            "feelgauge-inspection-1",
            "-f",
            arg(&full().at("seller")),
        ])
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::null())
        .spawn()
        .unwrap();
    let text = fs::read(bag.join("tagmanifest-sha256.txt")).unwrap();
    run.stdin.take().unwrap().write_all(&text).unwrap();
    let theirs = run.wait_with_output().unwrap().stdout;
    assert_eq!(
        String::from_utf8(theirs).unwrap(),
        String::from_utf8(ours).unwrap()
    );
}

#[test]
fn a_bagit_validator_of_others_agrees() {
    let python = std::env::var("FEELGAUGE_PYTHON").unwrap_or_else(|_| "python3".into());
    let validate = |folder: &std::path::Path| {
        Command::new(&python)
            .args(["-m", "bagit", "--validate", arg(folder)])
            .output()
    };
    let run = validate(&full().at("bag"));
    let said = run
        .as_ref()
        .map(|r| String::from_utf8_lossy(&r.stderr).into_owned());
    let said = said.unwrap_or_else(std::string::ToString::to_string);
    if said.contains("No module named") || said.contains("No such file") {
        assert!(std::env::var_os("CI_REQUIRED").is_none(), "{said}");
        eprintln!("SKIPPED: no bagit for Python: {said}");
        return;
    }
    assert!(run.unwrap().status.success(), "{said}");
    let (_dir, bag) = bag();
    fs::write(bag.join("data/extra"), b"x").unwrap();
    assert!(!validate(&bag).unwrap().status.success(), "it does look");
}

#[test]
fn the_whole_check_holds_with_and_without_keys_of_ones_own() {
    let (bag, allowed) = (full().at("bag"), full().at("allowed"));
    let said = done(&["verify", arg(&bag)]);
    for part in [
        "the seal holds",
        "holds    names",
        "holds    sizes",
        "holds    manifests",
        "holds    signatures   both expected signatures hold",
        "not done signers",
        "not done time",
        "holds    journal      5 lines",
        "holds    captures     3 captures",
        "holds    findings     3 findings worked out anew from the verbatim lines: same to the bit",
        "holds    comparisons  1 comparison worked out anew",
        "states: I do not agree that the plug was in.",
        "removed, that shows only as a missing expected signer",
        "proves who signed which bytes, not when",
        "Trusted: the keys that the seal itself names",
    ] {
        assert!(said.contains(part), "{part}:\n{said}");
    }
    let said = done(&["verify", arg(&bag), "--signers", arg(&allowed)]);
    assert!(
        said.contains("holds    signers      2 signers looked up")
            && said.contains("Trusted: the keys in your file"),
        "{said}"
    );
    let json = done(&["verify", arg(&bag), "--json"]);
    let report: serde_json::Value = serde_json::from_str(&json).unwrap();
    assert_eq!(
        (&report["holds"], &report["first"], &report["trust"]),
        (&true.into(), &serde_json::Value::Null, &"bag".into())
    );
}

#[test]
fn the_same_folder_gives_the_same_bag() {
    let again = tempfile::tempdir().unwrap();
    let out = again.path().join("bag");
    let buyer = format!(
        "buyer:buyer:{}:I was there and saw the lines come",
        arg(&full().at("buyer.pub"))
    );
    let (folder, seller) = (full().at("inspection"), full().at("seller"));
    done(&[
        "seal",
        arg(&folder),
        "--out",
        arg(&out),
        "--sign",
        arg(&seller),
        "--as",
        "seller",
        "--expect",
        &buyer,
    ]);
    let mut first = load(&full().at("bag"));
    first.retain(|path, _| !path.contains("02-buyer"));
    assert_eq!(load(&out), first);
}

#[test]
fn what_is_no_seal_is_said_to_be_none() {
    let run = feelgauge(&["verify", arg(&full().at("inspection"))]);
    assert_eq!(run.status.code(), Some(1));
    let run = feelgauge(&["verify", "/nowhere"]);
    assert_eq!(run.status.code(), Some(1));
    let plain = full().at("plain");
    File::create(&plain).unwrap();
    assert_eq!(feelgauge(&["verify", arg(&plain)]).status.code(), Some(1));
}

//! Keys: made by us, made by OpenSSH, with and without passphrase.

use std::{fs, os::unix::fs::PermissionsExt as _, path::Path, process::Command};

use super::fixture::{arg, copy, done, feelgauge, full, small, tool};

fn sealed_with(key: &Path, dir: &Path, passphrase: Option<&str>) -> std::process::Output {
    let file = dir.join("passphrase");
    fs::write(&file, passphrase.unwrap_or_default()).unwrap();
    let folder = small().at("inspection");
    Command::new(env!("CARGO_BIN_EXE_feelgauge"))
        .args([
            "seal",
            arg(&folder),
            "--out",
            arg(&dir.join("bag")),
            "--sign",
            arg(key),
            "--as",
            "shop",
        ])
        .env("FEELGAUGE_PASSPHRASE_FILE", &file)
        .output()
        .unwrap()
}

#[test]
fn a_new_key_is_for_its_owner_alone_and_signs() {
    let dir = tempfile::tempdir().unwrap();
    let key = dir.path().join("club.key");
    let said = done(&["seal", "--new-key", arg(&key), "--comment", "club"]);
    assert!(said.contains("SHA256:"), "{said}");
    assert_eq!(
        fs::metadata(&key).unwrap().permissions().mode() & 0o777,
        0o600
    );
    let before = fs::read(&key).unwrap();
    assert_eq!(
        feelgauge(&["seal", "--new-key", arg(&key)]).status.code(),
        Some(1),
        "never over another key"
    );
    assert_eq!(fs::read(&key).unwrap(), before);
    assert!(sealed_with(&key, dir.path(), None).status.success());
    done(&["verify", arg(&dir.path().join("bag"))]);
    if let Some(mut keygen) = tool("ssh-keygen", &["-?"]) {
        let shown = keygen.args(["-l", "-f", arg(&key)]).output().unwrap();
        assert!(String::from_utf8_lossy(&shown.stdout).contains("(ED25519)"));
    }
}

#[test]
fn a_key_of_openssh_with_a_passphrase_is_opened_and_another_type_is_refused() {
    let Some(_) = tool("ssh-keygen", &["-?"]) else {
        return;
    };
    let dir = tempfile::tempdir().unwrap();
    let key = dir.path().join("locked");
    let make = |kind: &str, path: &Path, pass: &str| {
        let made = Command::new("ssh-keygen")
            .args(["-q", "-t", kind, "-N", pass, "-C", "x", "-f", arg(path)])
            .status()
            .unwrap();
        assert!(made.success());
    };
    make("ed25519", &key, "red plover");
    let wrong = sealed_with(&key, dir.path(), Some("grey plover"));
    let said = String::from_utf8_lossy(&wrong.stderr).into_owned();
    assert!(
        wrong.status.code() == Some(1) && said.contains("passphrase does not open"),
        "{said}"
    );
    assert!(!dir.path().join("bag").exists(), "nothing is left behind");
    assert!(
        sealed_with(&key, dir.path(), Some("red plover\n"))
            .status
            .success()
    );
    done(&["verify", arg(&dir.path().join("bag"))]);
    let other = dir.path().join("other");
    make("ecdsa", &other, "");
    let refused = sealed_with(&other, dir.path(), None);
    assert_eq!(refused.status.code(), Some(1));
    let said = String::from_utf8_lossy(&refused.stderr).into_owned();
    assert!(said.contains("ssh-ed25519"), "{said}");
}

#[test]
fn only_the_expected_sign_once_each_and_nothing_that_does_not_verify_is_signed() {
    let dir = tempfile::tempdir().unwrap();
    let bag = dir.path().join("bag");
    copy(&full().at("bag"), &bag);
    let sign = |key: &str, name: &str| {
        let run = feelgauge(&[
            "seal",
            arg(&bag),
            "--sign",
            arg(&full().at(key)),
            "--as",
            name,
        ]);
        (
            run.status.code().unwrap(),
            String::from_utf8_lossy(&run.stderr).into_owned(),
        )
    };
    let (status, said) = sign("buyer", "buyer");
    assert!(status == 2 && said.contains("signed already"), "{said}");
    let (status, said) = sign("mallory", "mallory");
    assert!(
        status == 2 && said.contains("expects buyer, seller"),
        "{said}"
    );
    for end in ["sig", "txt"] {
        fs::remove_file(bag.join(format!("signatures/02-buyer.{end}"))).unwrap();
    }
    let (status, said) = sign("mallory", "buyer");
    assert!(
        status == 1 && said.contains("expected to sign with the key"),
        "{said}"
    );
    fs::write(bag.join("data/photographs/front.jpg"), "another").unwrap();
    let (status, said) = sign("buyer", "buyer");
    assert!(status == 1 && said.contains("would not verify"), "{said}");
    assert!(!bag.join("signatures/02-buyer.sig").exists());
}

#[test]
fn a_supplement_names_the_seal_that_it_follows() {
    let dir = tempfile::tempdir().unwrap();
    let (bag, first) = (dir.path().join("bag"), small().at("bag"));
    let (folder, seller) = (small().at("inspection"), small().at("seller"));
    done(&[
        "seal",
        arg(&folder),
        "--out",
        arg(&bag),
        "--sign",
        arg(&seller),
        "--as",
        "seller",
        "--follows",
        arg(&first),
    ]);
    let manifest = fs::read(first.join("tagmanifest-sha256.txt")).unwrap();
    let digest = feelgauge::record::writer::sha256(&manifest);
    let said = done(&["verify", arg(&bag)]);
    assert!(
        said.contains(&format!("supplements the seal {digest}")),
        "{said}"
    );
}

#[test]
fn a_copy_without_the_owners_file_still_verifies_when_that_is_said() {
    let dir = tempfile::tempdir().unwrap();
    let (folder, bag) = (dir.path().join("in"), dir.path().join("bag"));
    copy(&small().at("inspection"), &folder);
    fs::write(folder.join("owner.toml"), "name = \"A. Wren\"\n").unwrap();
    done(&[
        "seal",
        arg(&folder),
        "--out",
        arg(&bag),
        "--sign",
        arg(&small().at("seller")),
        "--as",
        "seller",
    ]);
    fs::remove_file(bag.join("data/owner.toml")).unwrap();
    assert_eq!(feelgauge(&["verify", arg(&bag)]).status.code(), Some(3));
    let said = done(&["verify", arg(&bag), "--left-out", "owner.toml"]);
    assert!(
        said.contains("1 left out of this copy and not checked"),
        "{said}"
    );
}

#[test]
fn nothing_is_recorded_into_a_seal() {
    let dir = tempfile::tempdir().unwrap();
    let bag = dir.path().join("bag");
    copy(&small().at("bag"), &bag);
    let out = bag.join("data/captures");
    let run = feelgauge(&[
        "take",
        "leak",
        "--port",
        "/nowhere",
        "--volume",
        "131cm3",
        "--out",
        arg(&out),
    ]);
    let said = String::from_utf8_lossy(&run.stderr).into_owned();
    assert!(
        run.status.code() == Some(2) && said.contains("lies in a sealed inspection"),
        "{said}"
    );
    let run = feelgauge(&[
        "seal",
        arg(&bag.join("data")),
        "--sign",
        arg(&small().at("seller")),
        "--as",
        "seller",
    ]);
    assert_eq!(run.status.code(), Some(2));
}

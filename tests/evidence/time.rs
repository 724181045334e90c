//! Time from a third party, by an authority that openssl makes here.

use std::{
    fs,
    path::{Path, PathBuf},
    process::Command,
};

use super::fixture::{arg, copy, done, feelgauge, full, small, tool};

/// The authority's part of openssl's configuration. It encloses its own certificate alone: others would be under no signature.
const AUTHORITY: &str = "[req]\ndistinguished_name = dn\nx509_extensions = root\n[dn]\n[root]\nbasicConstraints = critical, CA:true\n\
[stamp]\nbasicConstraints = CA:false\nextendedKeyUsage = critical, timeStamping\n\
[tsa]\ndefault_tsa = one\n[one]\nserial = serial\ncrypto_device = builtin\nsigner_cert = tsa.pem\nsigner_key = tsa.key\n\
signer_digest = sha256\ndefault_policy = 1.2.3.4.1\ndigests = sha256, sha512\nordering = no\ntsa_name = no\ness_cert_id_chain = no\n";

struct Authority {
    dir: tempfile::TempDir,
}

impl Authority {
    fn make() -> Option<Self> {
        tool("openssl", &["version"])?;
        let dir = tempfile::tempdir().unwrap();
        let authority = Self { dir };
        fs::write(authority.at("conf"), AUTHORITY).unwrap();
        fs::write(authority.at("serial"), "01\n").unwrap();
        for line in [
            "req -x509 -newkey rsa:2048 -nodes -keyout root.key -out root.pem -days 30 -subj /CN=Root -config conf",
            "req -newkey rsa:2048 -nodes -keyout tsa.key -out tsa.csr -subj /CN=Stamps -config conf",
            "x509 -req -in tsa.csr -CA root.pem -CAkey root.key -CAcreateserial -days 20 -out tsa.pem -extfile conf -extensions stamp",
        ] {
            authority.openssl(line);
        }
        Some(authority)
    }

    fn at(&self, name: &str) -> PathBuf {
        self.dir.path().join(name)
    }

    fn openssl(&self, line: &str) {
        let run = Command::new("openssl")
            .args(line.split(' '))
            .current_dir(self.dir.path())
            .output()
            .unwrap();
        assert!(
            run.status.success(),
            "{line}: {}",
            String::from_utf8_lossy(&run.stderr)
        );
    }

    /// Request, reply, attached.
    fn stamp(&self, bag: &Path) {
        let (request, reply) = (self.at("request.tsq"), self.at("reply.tsr"));
        let _ = fs::remove_file(&request);
        done(&["seal", arg(bag), "--time-request", arg(&request)]);
        self.openssl("ts -reply -queryfile request.tsq -out reply.tsr -config conf -section one");
        done(&[
            "seal",
            arg(bag),
            "--time-request",
            arg(&request),
            "--time-reply",
            arg(&reply),
        ]);
    }
}

fn copied(of: &Path, dir: &Path, name: &str) -> PathBuf {
    let bag = dir.join(name);
    copy(of, &bag);
    bag
}

fn stamp_file(bag: &Path) -> PathBuf {
    let list = fs::read_dir(bag.join("signatures")).unwrap();
    list.map(|e| e.unwrap().path())
        .find(|p| p.extension().is_some_and(|e| e == "tsr"))
        .unwrap()
}

#[test]
fn a_stamp_fixes_the_seal_and_its_signatures_in_time() {
    let Some(authority) = Authority::make() else {
        return;
    };
    let dir = tempfile::tempdir().unwrap();
    let bag = copied(&full().at("bag"), dir.path(), "bag");
    authority.stamp(&bag);
    let said = done(&["verify", arg(&bag)]);
    assert!(
        said.contains("holds    time") && said.contains("not done time_chain"),
        "{said}"
    );
    assert!(
        !said.contains("proves who signed which bytes, not when"),
        "{said}"
    );
    let roots = authority.at("root.pem");
    let said = done(&["verify", arg(&bag), "--time-roots", arg(&roots)]);
    assert!(
        said.contains("holds    time_chain   1 time-stamp, signature and chain"),
        "{said}"
    );
    // the other side without us
    let stamp = stamp_file(&bag);
    let session = format!(
        "(cat tagmanifest-sha256.txt; sha256sum signatures/01-seller.sig signatures/02-buyer.sig signatures/02-buyer.txt) > {0}/text && \
         openssl ts -verify -data {0}/text -in {1} -CAfile {2}",
        dir.path().display(),
        stamp.display(),
        roots.display()
    );
    let run = Command::new("sh")
        .args(["-c", &session])
        .current_dir(&bag)
        .output()
        .unwrap();
    let said =
        String::from_utf8_lossy(&run.stderr).into_owned() + &String::from_utf8_lossy(&run.stdout);
    assert!(
        run.status.success() && said.contains("Verification: OK"),
        "{said}"
    );
}

#[test]
fn stamps_that_are_not_of_this_seal_are_refused() {
    let Some(authority) = Authority::make() else {
        return;
    };
    let dir = tempfile::tempdir().unwrap();
    let bag = copied(&full().at("bag"), dir.path(), "bag");
    let other = copied(&small().at("bag"), dir.path(), "other");
    authority.stamp(&other);
    let stamp = stamp_file(&other);
    // the tool does not add it
    let run = feelgauge(&["seal", arg(&bag), "--time-reply", arg(&stamp)]);
    let said = String::from_utf8_lossy(&run.stderr).into_owned();
    assert!(
        run.status.code() == Some(1) && said.contains("of something else"),
        "{said}"
    );
    // by hand
    fs::copy(
        &stamp,
        bag.join("signatures").join(stamp.file_name().unwrap()),
    )
    .unwrap();
    let run = feelgauge(&["verify", arg(&bag)]);
    let said = String::from_utf8_lossy(&run.stdout).into_owned();
    eprintln!(
        "time-stamp of another bag: {}",
        said.lines().nth(1).unwrap()
    );
    assert!(
        run.status.code() == Some(3) && said.contains("the token is of something else"),
        "{said}"
    );
}

#[test]
fn a_reply_to_another_request_has_another_nonce() {
    let Some(authority) = Authority::make() else {
        return;
    };
    let dir = tempfile::tempdir().unwrap();
    let bag = copied(&small().at("bag"), dir.path(), "bag");
    let (first, second) = (authority.at("request.tsq"), authority.at("second.tsq"));
    done(&["seal", arg(&bag), "--time-request", arg(&first)]);
    done(&["seal", arg(&bag), "--time-request", arg(&second)]);
    authority.openssl("ts -reply -queryfile request.tsq -out reply.tsr -config conf -section one");
    let reply = authority.at("reply.tsr");
    let run = feelgauge(&[
        "seal",
        arg(&bag),
        "--time-request",
        arg(&second),
        "--time-reply",
        arg(&reply),
    ]);
    let said = String::from_utf8_lossy(&run.stderr).into_owned();
    assert!(
        run.status.code() == Some(1) && said.contains("nonce differs"),
        "{said}"
    );
}

#[test]
fn another_authority_and_damaged_stamps_are_refused() {
    let (Some(authority), Some(stranger)) = (Authority::make(), Authority::make()) else {
        return;
    };
    let dir = tempfile::tempdir().unwrap();
    let bag = copied(&small().at("bag"), dir.path(), "bag");
    authority.stamp(&bag);
    let roots = authority.at("root.pem");
    done(&["verify", arg(&bag), "--time-roots", arg(&roots)]);
    let run = feelgauge(&[
        "verify",
        arg(&bag),
        "--time-roots",
        arg(&stranger.at("root.pem")),
    ]);
    let said = String::from_utf8_lossy(&run.stdout).into_owned();
    eprintln!(
        "time-stamp of another authority: {}",
        said.lines().nth(1).unwrap()
    );
    assert!(
        run.status.code() == Some(3) && said.contains("openssl ts -verify refuses it"),
        "{said}"
    );
    damaged(&bag, &roots, 29);
}

/// Flips a bit in every `step`th byte of the stamp. Its name shows that; with a name that fits the damage the authority's keys
/// do, or our look at what the token encloses.
fn damaged(bag: &Path, roots: &Path, step: usize) {
    let stamp = stamp_file(bag);
    let good = fs::read(&stamp).unwrap();
    fs::set_permissions(&stamp, std::os::unix::fs::PermissionsExt::from_mode(0o644)).unwrap();
    let mut told = 0;
    for at in (8..good.len()).step_by(step) {
        let mut bad = good.clone();
        bad[at] ^= 1;
        fs::write(&stamp, &bad).unwrap();
        if told == 0 {
            assert_eq!(
                feelgauge(&["verify", arg(bag)]).status.code(),
                Some(3),
                "the name"
            );
        }
        let digest = feelgauge::record::writer::sha256(&bad);
        let renamed = bag.join(format!("signatures/03-time-{}.tsr", &digest[..16]));
        fs::rename(&stamp, &renamed).unwrap();
        let run = feelgauge(&["verify", arg(bag), "--time-roots", arg(roots)]);
        assert_eq!(run.status.code(), Some(3), "byte {at}");
        fs::rename(&renamed, &stamp).unwrap();
        told += 1;
    }
    eprintln!("{told} bytes of a time-stamp changed, all seen");
}

/// `cargo test --test evidence every_byte_of_a_stamp -- --ignored --nocapture`
#[test]
#[ignore = "a minute: every byte of a time-stamp"]
fn every_byte_of_a_stamp() {
    let Some(authority) = Authority::make() else {
        return;
    };
    let dir = tempfile::tempdir().unwrap();
    let bag = copied(&small().at("bag"), dir.path(), "bag");
    authority.stamp(&bag);
    damaged(&bag, &authority.at("root.pem"), 1);
}

#[test]
fn an_expected_stamp_is_missed() {
    let Some(authority) = Authority::make() else {
        return;
    };
    let dir = tempfile::tempdir().unwrap();
    let bag = dir.path().join("bag");
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
        "--expect-time",
    ]);
    assert_eq!(feelgauge(&["verify", arg(&bag)]).status.code(), Some(3));
    authority.stamp(&bag);
    done(&["verify", arg(&bag)]);
}

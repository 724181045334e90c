//! The seal of the demo: two keys that anybody can make again, both parties' signatures, and the check by somebody who was
//! not there; all of it by the commands that a person types.

use std::{
    fs,
    path::{Path, PathBuf},
};

use ssh_key::{LineEnding, PrivateKey};

use super::{Failure, SEALED, cannot, story, write};
use crate::{
    cli::{
        Output,
        seal::{self, SealArgs},
        verify::{self, VerifyArgs},
    },
    evidence::{ExpectedSigners, Signer, TAG_MANIFEST, key_file, sshsig::NAMESPACE},
    record::writer::sha256,
};

/// Folder of the keys.
pub(super) const KEYS: &str = "worthless-keys";
/// The signers' keys, as a counterparty has them.
pub(super) const SIGNERS: &str = "allowed-signers";
const SHOP: &str = "shop";
const BORROWER: &str = "borrower";
const EXPECTED: &str = "expected-signers.toml";
const STATEMENT: &str = "statement-of-the-borrower.txt";
/// Said wherever a key or a signature of the demo shows.
const WORTHLESS: &str = "DEMO KEY, WORTHLESS: anybody can derive it from the seed.";

/// What the sealing gave.
pub(super) struct Sealed {
    /// The seal's digest.
    pub digest: String,
    /// What `verify` says.
    pub verified: String,
}

/// Seals the inspection of the demo's folder, signs it twice and checks it.
pub(super) fn seal(folder: &Path, inspection: &Path, seed: u64) -> Result<Sealed, Failure> {
    let keys = folder.join(KEYS);
    fs::create_dir(&keys).map_err(|e| cannot("make", &keys, &e))?;
    let [shop, borrower] =
        [SHOP, BORROWER].map(|name| put_key(&keys, name, &key_file::from_seed(seed, name)));
    let ((shop, shop_public), (borrower, borrower_public)) = (shop?, borrower?);
    let line = |name: &str, public: &str| format!("{name} namespaces=\"{NAMESPACE}\" {public}\n");
    let signers = [line(SHOP, &shop_public), line(BORROWER, &borrower_public)].concat();
    write(folder, SIGNERS, &signers)?;
    let statement = format!("{WORTHLESS}\n{}\n", story::objection().text);
    write(&keys, STATEMENT, &statement)?;
    let expected = expected(&shop_public, &borrower_public)?;
    write(&keys, EXPECTED, &expected)?;
    let bag = folder.join(SEALED);
    run(&SealArgs {
        out: Some(bag.clone()),
        expected: Some(keys.join(EXPECTED)),
        ..signing(inspection, &shop, SHOP)
    })?;
    run(&SealArgs {
        statement: Some(keys.join(STATEMENT)),
        ..signing(&bag, &borrower, BORROWER)
    })?;
    let tag_manifest = bag.join(TAG_MANIFEST);
    let bytes = fs::read(&tag_manifest).map_err(|e| cannot("read", &tag_manifest, &e))?;
    Ok(Sealed {
        digest: sha256(&bytes),
        verified: verified(&bag, &folder.join(SIGNERS))?,
    })
}

/// Who is expected to sign.
fn expected(shop: &str, borrower: &str) -> Result<String, Failure> {
    let signer = |name: &str, public_key: &str, vouches_for: &str| Signer {
        name: name.into(),
        role: name.into(),
        public_key: public_key.into(),
        vouches_for: format!("{vouches_for} {WORTHLESS}"),
    };
    let signers = vec![
        signer(
            SHOP,
            shop,
            "These are the lines, photographs and notes of this inspection, unchanged.",
        ),
        signer(
            BORROWER,
            borrower,
            "I was there, and this is what was recorded.",
        ),
    ];
    let list = ExpectedSigners {
        format: 1,
        signers,
        ..ExpectedSigners::default()
    };
    list.text()
        .map_err(|e| Failure::Work(format!("feelgauge: {e}")))
}

/// Puts a key and its public half on the disk; its file, and the public half.
fn put_key(keys: &Path, name: &str, key: &PrivateKey) -> Result<(PathBuf, String), Failure> {
    let broken = |e: ssh_key::Error| Failure::Work(format!("feelgauge: key of {name}: {e}"));
    let private = key.to_openssh(LineEnding::LF).map_err(broken)?;
    let public = key.public_key().to_openssh().map_err(broken)?;
    write(keys, name, &private)?;
    for_its_owner(&keys.join(name))?;
    write(keys, &format!("{name}.pub"), &format!("{public}\n"))?;
    Ok((keys.join(name), public))
}

/// OpenSSH takes no key that others may read.
fn for_its_owner(key: &Path) -> Result<(), Failure> {
    #[cfg(unix)]
    {
        use std::os::unix::fs::PermissionsExt as _;
        let rights = fs::Permissions::from_mode(0o600);
        fs::set_permissions(key, rights).map_err(|e| cannot("protect", key, &e))?;
    }
    #[cfg(not(unix))]
    let _ = key;
    Ok(())
}

fn signing(path: &Path, key: &Path, name: &str) -> SealArgs {
    SealArgs {
        path: Some(path.into()),
        sign: Some(key.into()),
        name: Some(name.into()),
        ..SealArgs::default()
    }
}

/// `seal`, whose words nobody needs here.
fn run(args: &SealArgs) -> Result<(), Failure> {
    let mut unread = Vec::new();
    seal::run(args, &mut quiet(&mut unread)).map(|_| ())
}

/// What `verify` says of the bag, and that it holds.
fn verified(bag: &Path, signers: &Path) -> Result<String, Failure> {
    let args = VerifyArgs {
        path: bag.into(),
        signers: Some(signers.into()),
        time_roots: None,
        left_out: Vec::new(),
    };
    let mut said = Vec::new();
    let status = verify::run(&args, &mut quiet(&mut said))?;
    let said = String::from_utf8_lossy(&said).into_owned();
    if status == crate::cli::DONE {
        Ok(said)
    } else {
        Err(Failure::Work(format!(
            "{}: does not verify\n{said}",
            bag.display()
        )))
    }
}

fn quiet(sink: &mut Vec<u8>) -> Output<'_> {
    Output {
        sink,
        json: false,
        terminal: false,
    }
}

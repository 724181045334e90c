//! Keys as a person names them, and their passphrases.

use std::{
    fs::{self, File},
    io::{self, Read as _, Write as _},
    path::Path,
};

use schemars::JsonSchema;
use serde::Serialize;
use ssh_key::PrivateKey;

use super::{
    DONE, Failure, Outcome, Output,
    plan::cannot_read,
    seal::{SealArgs, cannot},
};
use crate::evidence::{
    key_file::{self, KeyError},
    signers::fingerprint,
};

/// File with the passphrase of a key, for those who cannot be asked.
const PASSPHRASE_FILE: &str = "FEELGAUGE_PASSPHRASE_FILE";

/// Result of `seal --new-key`.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, JsonSchema)]
pub(super) struct NewKey {
    /// File of the private key.
    key: String,
    /// The public key.
    public_key: String,
    /// Its fingerprint.
    fingerprint: String,
}
pub(super) fn new_key(file: &Path, args: &SealArgs, output: &mut Output) -> Outcome {
    let comment = args.comment.as_deref().unwrap_or("feelgauge");
    let passphrase = if args.passphrase {
        Some(passphrase("Passphrase for the new key: ").map_err(|e| Failure::Work(e.to_string()))?)
    } else {
        None
    };
    let public = key_file::make(file, comment, passphrase.as_deref()).map_err(|e| match e {
        KeyError::Disk(e) => cannot("write", file, &e),
        KeyError::Unfit(what) => Failure::Work(format!("{}: {what}", file.display())),
    })?;
    let key = NewKey {
        key: file.display().to_string(),
        public_key: public
            .to_openssh()
            .map_err(|e| Failure::Work(e.to_string()))?,
        fingerprint: fingerprint(&public),
    };
    output.result(&key, |_| {
        format!(
            "Key {}: keep it to yourself.\nGive others {}.pub:\n  {}\n  {}\n",
            key.key, key.key, key.public_key, key.fingerprint
        )
    })?;
    Ok(DONE)
}

pub(super) fn key(path: &Path) -> Result<PrivateKey, Failure> {
    let ask = || passphrase(&format!("Passphrase of {}: ", path.display()));
    key_file::read(path, &ask).map_err(|e| match e {
        KeyError::Disk(e) => cannot_read(path, &e),
        KeyError::Unfit(what) => Failure::Work(format!("{}: {what}", path.display())),
    })
}

/// Of the file that the environment names, else asked on the terminal without showing what is typed.
fn passphrase(question: &str) -> io::Result<String> {
    let line = |text: String| text.lines().next().unwrap_or_default().to_owned();
    if let Some(path) = std::env::var_os(PASSPHRASE_FILE) {
        let mut text = String::new();
        File::open(path)?.take(4096).read_to_string(&mut text)?;
        return Ok(line(text));
    }
    let no_terminal = |e: io::Error| {
        let what = format!(
            "the passphrase cannot be asked here ({e}); put it into a file and name that in {PASSPHRASE_FILE}"
        );
        io::Error::other(what)
    };
    let mut terminal = fs::OpenOptions::new()
        .read(true)
        .write(true)
        .open("/dev/tty")
        .map_err(no_terminal)?;
    let echo = |how: &str| {
        let status = std::process::Command::new("stty")
            .arg(how)
            .stdin(terminal.try_clone()?)
            .status()?;
        if status.success() {
            Ok(())
        } else {
            Err(io::Error::other("stty refused"))
        }
    };
    echo("-echo").map_err(no_terminal)?;
    let mut typed = String::new();
    let asked = write!(&terminal, "{question}")
        .and_then(|()| io::BufRead::read_line(&mut io::BufReader::new(&terminal), &mut typed));
    let shown = echo("echo");
    let _ = writeln!(terminal);
    asked.and(shown)?;
    Ok(line(typed))
}

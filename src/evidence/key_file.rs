//! Private keys: ordinary OpenSSH ones, with or without passphrase. The only file of this room that touches the disk.

use std::{
    fs::{self, OpenOptions},
    io::{self, Write as _},
    path::{Path, PathBuf},
};

use sha2::{Digest as _, Sha256};
use ssh_key::{
    Algorithm, LineEnding, PrivateKey, PublicKey,
    private::{Ed25519Keypair, KeypairData},
    rand_core::OsRng,
};

/// Longest key file, bytes.
const MAX_KEY: u64 = 64 << 10;
/// Comment of a key whose private half anybody can work out.
pub const WORTHLESS: &str = "derived from a seed, worthless as proof";

/// Why there is no key.
#[derive(Debug)]
pub enum KeyError {
    /// What the disk says.
    Disk(io::Error),
    /// What is wrong with the key, for a person.
    Unfit(String),
}

impl std::fmt::Display for KeyError {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::Disk(e) => e.fmt(f),
            Self::Unfit(what) => f.write_str(what),
        }
    }
}

impl std::error::Error for KeyError {}

impl From<io::Error> for KeyError {
    fn from(e: io::Error) -> Self {
        Self::Disk(e)
    }
}

impl From<ssh_key::Error> for KeyError {
    fn from(e: ssh_key::Error) -> Self {
        Self::Unfit(e.to_string())
    }
}

/// Reads a private key; `passphrase` is asked only when the key has one.
///
/// # Errors
/// The file cannot be read, is no OpenSSH private key, not Ed25519, or the passphrase is wrong.
pub fn read(
    path: &Path,
    passphrase: &dyn Fn() -> io::Result<String>,
) -> Result<PrivateKey, KeyError> {
    if fs::metadata(path)?.len() > MAX_KEY {
        return Err(KeyError::Unfit("too long for a private key".into()));
    }
    let text = fs::read_to_string(path)?;
    let key = PrivateKey::from_openssh(&text).map_err(|e| {
        KeyError::Unfit(format!(
            "no ssh-ed25519 private key of OpenSSH ({e}); make one with: feelgauge seal --new-key FILE"
        ))
    })?;
    let algorithm = key.public_key().algorithm();
    if algorithm != Algorithm::Ed25519 {
        return Err(KeyError::Unfit(format!(
            "a key of type {algorithm}; seals take ssh-ed25519 alone"
        )));
    }
    if !key.is_encrypted() {
        return Ok(key);
    }
    let key = key.decrypt(passphrase()?.as_bytes());
    key.map_err(|_| KeyError::Unfit("the passphrase does not open this key".into()))
}

/// Makes a new key in a new file that its owner alone may read, and its public half beside it with the end `.pub`.
///
/// # Errors
/// One of the files exists or cannot be written; no randomness.
pub fn make(path: &Path, comment: &str, passphrase: Option<&str>) -> Result<PublicKey, KeyError> {
    let mut key = PrivateKey::random(&mut OsRng, Algorithm::Ed25519)?;
    key.set_comment(comment);
    let public = key.public_key().clone();
    if let Some(passphrase) = passphrase {
        key = key.encrypt(&mut OsRng, passphrase.as_bytes())?;
    }
    let beside = public_path(path);
    if beside.symlink_metadata().is_ok() {
        return Err(KeyError::Disk(io::ErrorKind::AlreadyExists.into()));
    }
    write_new(path, key.to_openssh(LineEnding::LF)?.as_bytes(), 0o600)?;
    write_new(
        &beside,
        format!("{}\n", public.to_openssh()?).as_bytes(),
        0o644,
    )?;
    Ok(public)
}

/// The public half's file.
pub fn public_path(path: &Path) -> PathBuf {
    let mut name = path.as_os_str().to_owned();
    name.push(".pub");
    name.into()
}

fn write_new(path: &Path, bytes: &[u8], mode: u32) -> io::Result<()> {
    let mut options = OpenOptions::new();
    options.write(true).create_new(true);
    #[cfg(unix)]
    std::os::unix::fs::OpenOptionsExt::mode(&mut options, mode);
    #[cfg(not(unix))]
    let _ = mode;
    let mut file = options.open(path)?;
    file.write_all(bytes)?;
    file.sync_all()
}

/// A key that everybody can make again: same seed and name, same key. Its comment says so.
pub fn from_seed(seed: u64, name: &str) -> PrivateKey {
    let text = format!("feelgauge key of the seed {seed} for {name}");
    let pair = Ed25519Keypair::from_seed(&Sha256::digest(text).into());
    PrivateKey::new(KeypairData::Ed25519(pair), format!("{name}, {WORTHLESS}"))
        .expect("a keypair of a known type makes a key")
}

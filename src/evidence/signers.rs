//! Who is expected to sign: the list inside the seal, and the list that a verifier brings along.

use serde::{Deserialize, Serialize};
use ssh_key::{Algorithm, HashAlg, PublicKey};

use super::{Difference, is_one_line, sshsig::NAMESPACE};
use crate::units::count;

/// The list inside the seal.
pub const FILE: &str = "expected-signers.toml";
/// Most signers of a seal: signatures have two digits.
pub const MAX_SIGNERS: usize = 50;
/// Longest thing that is vouched for, characters.
const MAX_VOUCHES: usize = 1000;

/// `expected-signers.toml`.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ExpectedSigners {
    /// Layout, 1.
    pub format: u32,
    /// A time-stamp is expected too: its removal then shows.
    #[serde(default)]
    pub time_stamp: bool,
    /// In the order in which they were named; they may sign in any.
    #[serde(default, rename = "signer")]
    pub signers: Vec<Signer>,
}

/// One party.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Signer {
    /// Name in the files' names and for `ssh-keygen -I`: `[a-z0-9-]`.
    pub name: String,
    /// `seller`, `buyer`, `shop`, `witness` or another word of that form.
    pub role: String,
    /// Ed25519 key as in an OpenSSH `.pub` file.
    pub public_key: String,
    /// What the signature vouches for, in the signer's words, on one line.
    pub vouches_for: String,
}

impl Signer {
    /// The key.
    ///
    /// # Errors
    /// It is no OpenSSH key, or not an Ed25519 one.
    pub fn key(&self) -> Result<PublicKey, String> {
        ed25519(&self.public_key)
    }
}

/// An Ed25519 key from the text of a `.pub` file.
///
/// # Errors
/// It is no OpenSSH key, or not an Ed25519 one.
pub fn ed25519(text: &str) -> Result<PublicKey, String> {
    let key =
        PublicKey::from_openssh(text.trim()).map_err(|e| format!("no OpenSSH public key: {e}"))?;
    if key.algorithm() != Algorithm::Ed25519 {
        return Err(format!(
            "a key of type {}; seals take ssh-ed25519 alone",
            key.algorithm()
        ));
    }
    Ok(key)
}

/// Fingerprint as `ssh-keygen -l` shows it.
pub fn fingerprint(key: &PublicKey) -> String {
    key.fingerprint(HashAlg::Sha256).to_string()
}

/// True for a name of a signer: `[a-z][a-z0-9-]*`, at most 32, and not `time...`, which names stamps.
pub fn is_signer_name(name: &str) -> bool {
    name.len() <= 32
        && !name.starts_with("time")
        && name.starts_with(|c: char| c.is_ascii_lowercase())
        && name
            .bytes()
            .all(|b| b.is_ascii_lowercase() || b.is_ascii_digit() || b == b'-')
}

impl ExpectedSigners {
    /// The file.
    ///
    /// # Errors
    /// As [`ExpectedSigners::parse`].
    pub fn text(&self) -> Result<String, Difference> {
        self.check()?;
        toml::to_string(self).map_err(|e| Difference::of(FILE, e.to_string()))
    }

    /// Reads the file.
    ///
    /// # Errors
    /// What is wrong with it: no TOML, unknown keys, no signer, two of one name or one key.
    pub fn parse(bytes: &[u8]) -> Result<Self, Difference> {
        let list: Self = toml::from_slice(bytes).map_err(|e| {
            let start = e.span().map_or(0, |span| span.start).min(bytes.len());
            let line = 1 + bytes[..start].split(|b| *b == b'\n').count() - 1;
            Difference::at(FILE, line.max(1) as u64, e.message().to_owned())
        })?;
        list.check()?;
        Ok(list)
    }

    /// The signer of a name.
    pub fn of(&self, name: &str) -> Option<&Signer> {
        self.signers.iter().find(|s| s.name == name)
    }

    fn check(&self) -> Result<(), Difference> {
        let fail = |what: String| Err(Difference::of(FILE, what));
        if self.format != 1 {
            return fail(format!(
                "format {}; this version reads format 1",
                self.format
            ));
        }
        if self.signers.is_empty() || self.signers.len() > MAX_SIGNERS {
            return fail(format!(
                "{}; 1 to {MAX_SIGNERS} are needed",
                count(self.signers.len() as u64, "signer")
            ));
        }
        let mut keys = Vec::new();
        for (n, signer) in self.signers.iter().enumerate() {
            let name = &signer.name;
            if !is_signer_name(name) || !is_signer_name(&signer.role) {
                return fail(format!(
                    "name {name:?}, role {:?}: lower-case letters, digits and - only, 32 at most, not beginning with time",
                    signer.role
                ));
            }
            if self.signers[..n].iter().any(|s| s.name == *name) {
                return fail(format!("two signers are named {name}"));
            }
            if !is_one_line(&signer.vouches_for, MAX_VOUCHES) {
                return fail(format!(
                    "{name}: vouches_for is empty, over {MAX_VOUCHES} characters or not one line"
                ));
            }
            let key = signer
                .key()
                .map_err(|e| Difference::of(FILE, format!("{name}: {e}")))?;
            if keys.contains(key.key_data()) {
                return fail(format!("{name}: has the same key as another signer"));
            }
            keys.push(key.key_data().clone());
        }
        Ok(())
    }
}

/// Keys that a verifier trusts, from a file in OpenSSH's `allowed_signers` format.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct AllowedSigners(Vec<(Vec<String>, PublicKey)>);

impl AllowedSigners {
    /// Reads lines of `principal[,principal...] [namespaces="..."] ssh-ed25519 KEY [comment]`. Keys of other types cannot sign a
    /// seal and are passed over; an option other than `namespaces` is refused, because what it asks would not be kept.
    ///
    /// # Errors
    /// Line and what is wrong.
    pub fn parse(text: &str) -> Result<Self, (u64, String)> {
        let mut list = Vec::new();
        for (n, line) in text.lines().enumerate() {
            let line = line.trim();
            if line.is_empty() || line.starts_with('#') {
                continue;
            }
            let entry = allowed(line).map_err(|what| (n as u64 + 1, what))?;
            list.extend(entry);
        }
        Ok(Self(list))
    }

    /// True when the file has this key under this name.
    pub fn has(&self, name: &str, key: &PublicKey) -> bool {
        self.0
            .iter()
            .any(|(names, k)| names.iter().any(|n| n == name) && k.key_data() == key.key_data())
    }

    /// True when there is no key.
    pub fn is_empty(&self) -> bool {
        self.0.is_empty()
    }
}

fn allowed(line: &str) -> Result<Option<(Vec<String>, PublicKey)>, String> {
    let (names, rest) = line
        .split_once(char::is_whitespace)
        .ok_or("no key on this line")?;
    let names: Vec<String> = names
        .trim_matches('"')
        .split(',')
        .map(str::to_owned)
        .collect();
    if names.iter().any(|n| n.contains(['*', '?', '!'])) {
        return Err("patterns in names are not taken: write the signer's name out".into());
    }
    let mut rest = rest.trim_start();
    if let Some(options) = rest.strip_prefix("namespaces=\"") {
        let (spaces, after) = options.split_once('"').ok_or("a quote is not closed")?;
        rest = after.trim_start();
        if !spaces.split(',').any(|s| s == NAMESPACE) {
            return Ok(None);
        }
    }
    let kind = rest.split_whitespace().next().unwrap_or_default();
    match kind {
        "ssh-ed25519" => Ok(Some((names, ed25519(rest)?))),
        k if k.starts_with("ssh-") || k.starts_with("ecdsa-") || k.starts_with("sk-") => Ok(None),
        _ => Err(format!(
            "option {kind:?} is not taken: only namespaces=\"...\""
        )),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const KEY: &str =
        "ssh-ed25519 AAAAC3NzaC1lZDI1NTE5AAAAINdamAGCsQq31Uv+08lkBzoO4XLz2qYjJa8CGmj3B1Ea";

    #[test]
    fn names_become_parts_of_file_names() {
        assert!(is_signer_name("seller") && is_signer_name("r-tern2"));
        for bad in [
            "", "Seller", "2", "a.b", "a/b", "time", "time-1", "-a", "a b",
        ] {
            assert!(!is_signer_name(bad), "{bad}");
        }
    }

    #[test]
    fn allowed_signers_are_read_line_by_line() {
        let text = format!(
            "# who\nseller,a@b {KEY} comment\nbuyer namespaces=\"file,{NAMESPACE}\" {KEY}\nother namespaces=\"git\" {KEY}\n"
        );
        let list = AllowedSigners::parse(&text).unwrap();
        let key = ed25519(KEY).unwrap();
        assert!(list.has("seller", &key) && list.has("buyer", &key) && !list.has("other", &key));
        let bad = AllowedSigners::parse(&format!("\nx cert-authority {KEY}")).unwrap_err();
        assert_eq!(bad.0, 2);
        assert!(AllowedSigners::parse(&format!("* {KEY}")).is_err());
    }

    #[test]
    fn a_list_of_signers_has_each_name_and_key_once() {
        let signer = |name: &str| Signer {
            name: name.into(),
            role: "seller".into(),
            public_key: KEY.into(),
            vouches_for: "the readings".into(),
        };
        let list = |signers| ExpectedSigners {
            format: 1,
            time_stamp: false,
            signers,
        };
        let good = list(vec![signer("a")]);
        assert_eq!(
            ExpectedSigners::parse(good.text().unwrap().as_bytes()).unwrap(),
            good
        );
        assert!(list(vec![signer("a"), signer("b")]).text().is_err());
        assert!(list(Vec::new()).text().is_err());
        assert!(ExpectedSigners::parse(b"format = 1\nwho = 2\n").is_err());
    }
}

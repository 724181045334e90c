//! One signature: SSHSIG (OpenSSH's PROTOCOL.sshsig) with Ed25519 and SHA-512, one form only.

use ssh_key::{Algorithm, HashAlg, LineEnding, PrivateKey, PublicKey, SshSig};

/// Namespace of our signatures: one made for mail or for code is none for an inspection.
pub const NAMESPACE: &str = "feelgauge-inspection-1";
/// Longest armour, bytes; ours has about 300.
pub const MAX_ARMOUR: u64 = 4096;

/// Signs a message.
///
/// # Errors
/// The key is locked or not an Ed25519 one.
pub fn sign(key: &PrivateKey, message: &[u8]) -> Result<String, String> {
    if key.algorithm() != Algorithm::Ed25519 {
        return Err(format!(
            "a key of type {}; seals take ssh-ed25519 alone",
            key.algorithm()
        ));
    }
    let signature = key
        .sign(NAMESPACE, HashAlg::Sha512, message)
        .map_err(|e| e.to_string())?;
    signature.to_pem(LineEnding::LF).map_err(|e| e.to_string())
}

/// Checks the form of a signature, whose key it was made with, and the signature.
///
/// # Errors
/// In words, what is wrong.
pub fn check(armour: &[u8], key: &PublicKey, message: &[u8]) -> Result<(), String> {
    let signature = read(armour)?;
    if signature.public_key() != key.key_data() {
        let by = PublicKey::from(signature.public_key().clone());
        return Err(format!(
            "made with the key {}, not with the expected {}",
            super::signers::fingerprint(&by),
            super::signers::fingerprint(key)
        ));
    }
    key.verify(NAMESPACE, message, &signature)
        .map_err(|_| "the signature is not over these bytes".to_owned())
}

/// The signature in an armour that has the one form which it is written in.
///
/// # Errors
/// In words, what is wrong.
pub fn read(armour: &[u8]) -> Result<SshSig, String> {
    let text = std::str::from_utf8(armour).map_err(|_| "this is no text")?;
    let signature = SshSig::from_pem(text).map_err(|e| format!("no SSH signature: {e}"))?;
    if signature.to_pem(LineEnding::LF).as_deref() != Ok(text) {
        return Err("the armour is not in its one canonical form".into());
    }
    if signature.version() != SshSig::VERSION || !signature.reserved().is_empty() {
        return Err("another version, or a reserved field that is not empty".into());
    }
    if signature.public_key().algorithm() != Algorithm::Ed25519
        || signature.algorithm() != Algorithm::Ed25519
    {
        return Err("a key of another type than ssh-ed25519".into());
    }
    if signature.namespace() != NAMESPACE {
        return Err(format!(
            "made for {:?}, not for {NAMESPACE}",
            signature.namespace()
        ));
    }
    if signature.hash_alg() != HashAlg::Sha512 {
        return Err(format!(
            "over a {} digest, not sha512",
            signature.hash_alg()
        ));
    }
    Ok(signature)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::evidence::key_file::from_seed;

    #[test]
    fn a_signature_is_for_one_key_one_text_one_namespace_and_one_hash() {
        let (key, other) = (from_seed(1, "a"), from_seed(2, "b"));
        let armour = sign(&key, b"text").unwrap();
        assert_eq!(check(armour.as_bytes(), key.public_key(), b"text"), Ok(()));
        assert!(check(armour.as_bytes(), key.public_key(), b"texts").is_err());
        assert!(check(armour.as_bytes(), other.public_key(), b"text").is_err());
        for (space, hash) in [("file", HashAlg::Sha512), (NAMESPACE, HashAlg::Sha256)] {
            let bad = key
                .sign(space, hash, b"text")
                .unwrap()
                .to_pem(LineEnding::LF)
                .unwrap();
            assert!(
                check(bad.as_bytes(), key.public_key(), b"text").is_err(),
                "{space}"
            );
        }
    }

    #[test]
    fn every_other_form_of_the_armour_is_refused() {
        let key = from_seed(1, "a");
        let armour = sign(&key, b"text").unwrap();
        let wide = armour.replacen('\n', "\n\n", 1);
        for bad in [
            armour.replace('\n', "\r\n"),
            format!("{armour}\n"),
            armour.trim_end().into(),
            wide,
        ] {
            assert!(read(bad.as_bytes()).is_err(), "{bad}");
        }
        let mut refused = 0;
        for at in 0..armour.len() {
            for bit in 0..8 {
                let mut bytes = armour.clone().into_bytes();
                bytes[at] ^= 1 << bit;
                assert!(
                    check(&bytes, key.public_key(), b"text").is_err(),
                    "byte {at} bit {bit}"
                );
                refused += 1;
            }
        }
        assert_eq!(refused, armour.len() * 8);
    }
}

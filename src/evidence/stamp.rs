//! Time from a third party (RFC 3161): the request, and what a reply says. The chain of the authority's certificates is not
//! checked here. A reply may enclose certificates that its chain does not need; they are under nobody's signature, so a later
//! signature is what protects them. Time and imprint always are.

use std::time::Duration;

use cmpv2::status::PkiStatus;
use cms::{
    content_info::CmsVersion,
    signed_data::{SignedData, SignerIdentifier},
};
use der::{
    Any, Decode as _, Encode as _,
    asn1::{Int, ObjectIdentifier, OctetString},
};
use jiff::Timestamp;
use sha2::{Digest as _, Sha256, Sha512};
use x509_tsp::{MessageImprint, TimeStampReq, TimeStampResp, TspVersion, TstInfo};

use crate::{record::writer::hex, units::count};

/// Longest reply, bytes; with a chain of certificates it has a few thousand.
pub const MAX_REPLY: u64 = 256 << 10;

const SHA_256: ObjectIdentifier = ObjectIdentifier::new_unwrap("2.16.840.1.101.3.4.2.1");
const SHA_512: ObjectIdentifier = ObjectIdentifier::new_unwrap("2.16.840.1.101.3.4.2.3");
const RSA: &str = "1.2.840.113549.1.1.1";
/// Digests of an authority's signature, each with the algorithms that use it (RFC 4055, RFC 5758); plain [`RSA`] goes with all.
const SIGNED_BY: [(&str, [&str; 2]); 3] = [
    (
        "2.16.840.1.101.3.4.2.1",
        ["1.2.840.113549.1.1.11", "1.2.840.10045.4.3.2"],
    ),
    (
        "2.16.840.1.101.3.4.2.2",
        ["1.2.840.113549.1.1.12", "1.2.840.10045.4.3.3"],
    ),
    (
        "2.16.840.1.101.3.4.2.3",
        ["1.2.840.113549.1.1.13", "1.2.840.10045.4.3.4"],
    ),
];
const SIGNED_DATA: ObjectIdentifier = ObjectIdentifier::new_unwrap("1.2.840.113549.1.7.2");
const TST_INFO: ObjectIdentifier = ObjectIdentifier::new_unwrap("1.2.840.113549.1.9.16.1.4");

/// What a reply says.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Stamp {
    /// The authority's time.
    pub time: Timestamp,
    /// Its policy, an object identifier.
    pub policy: String,
    /// Digest of the message, lower-case hex, as its imprint states it.
    pub imprint: String,
    /// Nonce of the reply, lower-case hex; empty: none.
    pub nonce: String,
}

/// The request for a time-stamp of a message, in DER; asks for the authority's certificate.
///
/// # Errors
/// Never for a nonce of a few bytes; what the encoder says.
pub fn request(message: &[u8], nonce: [u8; 8]) -> Result<Vec<u8>, String> {
    // A positive INTEGER without leading noughts: the first bit is cleared, the second set.
    let mut nonce = nonce;
    nonce[0] = nonce[0] & 0x3F | 0x40;
    let imprint = MessageImprint {
        hash_algorithm: cms::cert::x509::spki::AlgorithmIdentifier {
            oid: SHA_256,
            parameters: Some(Any::null()),
        },
        hashed_message: OctetString::new(Sha256::digest(message).as_slice()).map_err(words)?,
    };
    let request = TimeStampReq {
        version: TspVersion::V1,
        message_imprint: imprint,
        req_policy: None,
        nonce: Some(Int::new(&nonce).map_err(words)?),
        cert_req: true,
        extensions: None,
    };
    request.to_der().map_err(words)
}

#[allow(clippy::needless_pass_by_value)] // as `map_err` hands it over
fn words(e: der::Error) -> String {
    e.to_string()
}

/// Reads a reply: granted, one token, its imprint that of the message, its nonce that of the request where one is given.
///
/// # Errors
/// In words, what is wrong; also for a reply that no strict DER reader takes, or whose time has a fraction of a second.
pub fn check(reply: &[u8], message: &[u8], request: Option<&[u8]>) -> Result<Stamp, String> {
    let parsed = TimeStampResp::from_der(reply).map_err(|e| format!("no time-stamp reply: {e}"))?;
    if parsed.to_der().as_deref() != Ok(reply) {
        return Err("the reply is not in its one canonical form".into());
    }
    if parsed.status.status != PkiStatus::Accepted {
        return Err(format!(
            "the authority did not grant it: {:?}",
            parsed.status.status
        ));
    }
    let token = parsed.time_stamp_token.ok_or("the reply holds no token")?;
    if token.content_type != SIGNED_DATA {
        return Err("the token is no signed data".into());
    }
    let signed: SignedData = token
        .content
        .decode_as()
        .map_err(|e| format!("the token: {e}"))?;
    envelope(&signed)?;
    let inside = signed.encap_content_info;
    if inside.econtent_type != TST_INFO {
        return Err("the token holds something else than a time".into());
    }
    let content = inside.econtent.ok_or("the token is empty")?;
    let info = TstInfo::from_der(content.value()).map_err(|e| format!("the token's time: {e}"))?;
    let imprint = hex(info.message_imprint.hashed_message.as_bytes());
    let own = match info.message_imprint.hash_algorithm.oid {
        SHA_256 => hex(&Sha256::digest(message)),
        SHA_512 => hex(&Sha512::digest(message)),
        other => {
            return Err(format!(
                "the imprint has the digest {other}; sha256 and sha512 are taken"
            ));
        }
    };
    if imprint != own {
        return Err(
            "the token is of something else: its imprint is not the digest of these bytes".into(),
        );
    }
    let nonce = info
        .nonce
        .as_ref()
        .map(|n| hex(n.as_bytes()))
        .unwrap_or_default();
    if let Some(request) = request {
        let asked = TimeStampReq::from_der(request).map_err(|e| format!("the request: {e}"))?;
        if asked.nonce.map(|n| hex(n.as_bytes())).unwrap_or_default() != nonce {
            return Err("the reply answers another request: its nonce differs".into());
        }
    }
    Ok(Stamp {
        time: time(info.gen_time.to_unix_duration())?,
        policy: info.policy.to_string(),
        imprint,
        nonce,
    })
}

/// The fields around the token that no signature covers and that programs pass over: one signer, the versions of RFC 5652, 5.1
/// and 5.3, algorithms that belong together, without parameters of their own.
fn envelope(signed: &SignedData) -> Result<(), String> {
    let [signer] = signed.signer_infos.0.as_slice() else {
        return Err(format!(
            "the token has {}; one is taken",
            count(signed.signer_infos.0.len() as u64, "signer")
        ));
    };
    let by_name = matches!(signer.sid, SignerIdentifier::IssuerAndSerialNumber(_));
    let version = if by_name {
        CmsVersion::V1
    } else {
        CmsVersion::V3
    };
    if signed.version != CmsVersion::V3 || signer.version != version {
        return Err("the token's version is not that of its content".into());
    }
    let bare = |parameters: &Option<Any>| parameters.as_ref().is_none_or(|p| *p == Any::null());
    let (digest, signature) = (&signer.digest_alg, &signer.signature_algorithm);
    let known = SIGNED_BY
        .iter()
        .find(|(oid, _)| digest.oid.to_string() == *oid);
    let by = signature.oid.to_string();
    let fits = known.is_some_and(|(_, list)| by == RSA || list.contains(&by.as_str()));
    let listed = signed.digest_algorithms.as_slice();
    if !fits
        || !bare(&signature.parameters)
        || !bare(&digest.parameters)
        || listed
            .iter()
            .any(|d| d.oid != digest.oid || !bare(&d.parameters))
    {
        return Err(format!(
            "signed with {by} over a digest {}, which is not taken",
            digest.oid
        ));
    }
    Ok(())
}

fn time(since_1970: Duration) -> Result<Timestamp, String> {
    let seconds = i64::try_from(since_1970.as_secs()).map_err(|e| e.to_string())?;
    Timestamp::from_second(seconds).map_err(|e| e.to_string())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_request_states_the_digest_and_its_nonce() {
        for nonce in [[0; 8], [0xFF; 8], [1, 2, 3, 4, 5, 6, 7, 8]] {
            let der = request(b"abc", nonce).unwrap();
            let read = TimeStampReq::from_der(&der).unwrap();
            assert!(read.cert_req && read.nonce.is_some());
            let digest = hex(read.message_imprint.hashed_message.as_bytes());
            assert!(digest.starts_with("ba7816bf8f01cfea"), "{digest}");
        }
    }
}

//! What the page is made of besides markup: style sheet, script, faces. Embedded: the page works without a network.

use std::sync::LazyLock;

use sha2::{Digest, Sha256};

/// One file that the page loads from `/asset/NAME`.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Asset {
    /// Its name with the first digits of its digest: another content is another name, so that it may be kept for ever.
    pub name: String,
    /// Its media type.
    pub media_type: &'static str,
    /// Its bytes.
    pub bytes: Vec<u8>,
}

/// Digits of the digest in a name.
const DIGITS: usize = 12;

static ASSETS: LazyLock<Vec<Asset>> = LazyLock::new(|| {
    vec![
        asset(
            "bench",
            "css",
            "text/css; charset=utf-8",
            include_bytes!("bench.css"),
        ),
        asset(
            "bench",
            "js",
            "text/javascript; charset=utf-8",
            include_bytes!("bench.js"),
        ),
    ]
});

fn asset(stem: &str, ending: &str, media_type: &'static str, bytes: &[u8]) -> Asset {
    let digest: String = Sha256::digest(bytes)
        .iter()
        .map(|byte| format!("{byte:02x}"))
        .collect();
    Asset {
        name: format!("{stem}-{}.{ending}", &digest[..DIGITS]),
        media_type,
        bytes: bytes.to_vec(),
    }
}

/// Every file.
pub fn all() -> &'static [Asset] {
    &ASSETS
}

/// The file of a name.
pub fn find(name: &str) -> Option<&'static Asset> {
    ASSETS.iter().find(|asset| asset.name == name)
}

//! What the page is made of besides markup: style sheet, script, faces. Embedded: the page works without a network.

use std::sync::LazyLock;

use sha2::{Digest, Sha256};

use crate::report::plot;

/// One file that the page loads from `/asset/NAME`.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Asset {
    /// Its name in these sources.
    stated: &'static str,
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
    let script: &[u8] = include_bytes!("bench.js");
    let mut all = vec![asset("bench.js", "text/javascript; charset=utf-8", script)];
    all.push(asset(
        "icon.svg",
        "image/svg+xml",
        include_bytes!("icon.svg"),
    ));
    for (name, bytes) in FACES {
        all.push(asset(name, "font/woff2", bytes));
    }
    let css = style(&all);
    all.push(asset(
        "bench.css",
        "text/css; charset=utf-8",
        css.as_bytes(),
    ));
    all
});

/// The three faces, cut to Latin (SIL Open Font License 1.1, its text beside them).
const FACES: [(&str, &[u8]); 3] = [
    ("far.woff2", include_bytes!("../../report/font/far.woff2")),
    ("text.woff2", include_bytes!("../../report/font/text.woff2")),
    ("bold.woff2", include_bytes!("../../report/font/bold.woff2")),
];

/// The page's style and that of the pictures, the faces by the names under which they are served.
fn style(served: &[Asset]) -> String {
    let css = format!("{}{}", include_str!("bench.css"), plot::STYLE);
    FACES.iter().fold(css, |css, (name, _)| {
        let face = served.iter().find(|a| a.stated == *name);
        css.replace(name, face.map_or(name, |a| &a.name))
    })
}

fn asset(stated: &'static str, media_type: &'static str, bytes: &[u8]) -> Asset {
    let nibbles = |byte: &u8| [byte >> 4, byte & 15].map(|n| char::from_digit(n.into(), 16));
    let digest = Sha256::digest(bytes);
    let digest: String = digest.iter().flat_map(nibbles).flatten().collect();
    let (stem, ending) = stated
        .split_once('.')
        .expect("every name above has an ending");
    Asset {
        stated,
        name: format!("{stem}-{}.{ending}", &digest[..DIGITS]),
        media_type,
        bytes: bytes.to_vec(),
    }
}

/// Every file.
pub fn all() -> &'static [Asset] {
    &ASSETS
}

/// The file that is served under a name.
pub fn find(name: &str) -> Option<&'static Asset> {
    ASSETS.iter().find(|asset| asset.name == name)
}

/// The name under which one of the page's files is served.
pub(super) fn name(stated: &str) -> &'static str {
    let asset = ASSETS.iter().find(|asset| asset.stated == stated);
    asset.map_or("", |asset| &asset.name)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn another_content_is_another_name_and_the_style_names_the_faces_that_are_served() {
        let a = asset("bench.js", "text/javascript", b"1");
        assert_ne!(a.name, asset("bench.js", "text/javascript", b"2").name);
        assert_eq!(find(name("bench.js")).map(|a| a.stated), Some("bench.js"));
        assert_eq!(find("../bench.js"), None);
        let css = std::str::from_utf8(&find(name("bench.css")).unwrap().bytes).unwrap();
        for (face, _) in FACES {
            assert!(css.contains(&format!("url({})", name(face))), "{face}");
        }
    }
}

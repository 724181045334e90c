//! The folder of signatures: their order, and the text that each is over.

use std::collections::BTreeMap;

use super::{Difference, SIGNATURES, signers::is_signer_name};
use crate::record::writer::sha256;

/// One file that was added to the seal: a signature or a time-stamp.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Added {
    /// From 1, in the order of adding.
    pub number: u32,
    /// Who signed.
    pub by: By,
    /// Path of the signature in the bag.
    pub file: String,
    /// Path of the signer's own statement, where there is one.
    pub statement: Option<String>,
}

/// Who added it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum By {
    /// A signer, by name.
    Signer(String),
    /// A time-stamp authority; the start of the reply's SHA-256, 16 hex digits, as its name states it.
    Stamp(String),
}

/// The signatures among a bag's files, in order.
///
/// # Errors
/// The first name that is none of a signature, a statement or a stamp; numbers that leave one out or take one twice; a statement
/// without its signature.
pub fn order<'a>(paths: impl Iterator<Item = &'a str>) -> Result<Vec<Added>, Difference> {
    let mut list: Vec<Added> = Vec::new();
    let mut statements: BTreeMap<&str, &str> = BTreeMap::new();
    for path in paths.filter(|p| p.starts_with("signatures/")) {
        let stem_of = |end| path.strip_suffix(end);
        if let Some(stem) = stem_of(".txt") {
            statements.insert(stem, path);
        } else if let Some(added) = added(path) {
            list.push(added);
        } else {
            let what =
                "not listed, and no name of a signature (01-name.sig), statement or time-stamp";
            return Err(Difference::of(path, what));
        }
    }
    list.sort_by_key(|a| a.number);
    for (n, added) in list.iter_mut().enumerate() {
        if added.number as usize != n + 1 {
            let what = format!(
                "number {} where {:02} should stand: one is missing or doubled",
                added.number,
                n + 1
            );
            return Err(Difference::of(&added.file, what));
        }
        let stem = added.file.strip_suffix(".sig").unwrap_or_default();
        added.statement = statements.remove(stem).map(str::to_owned);
    }
    match statements.pop_first() {
        Some((_, path)) => Err(Difference::of(path, "a statement without its signature")),
        None => Ok(list),
    }
}

fn added(path: &str) -> Option<Added> {
    let name = path.strip_prefix("signatures/")?;
    let (number, rest) = name.split_once('-')?;
    let number = number
        .parse()
        .ok()
        .filter(|n| format!("{n:02}") == number && number.len() == 2)?;
    let by = if let Some(name) = rest.strip_suffix(".sig") {
        By::Signer(is_signer_name(name).then(|| name.to_owned())?)
    } else {
        let start = rest.strip_prefix("time-")?.strip_suffix(".tsr")?;
        let hex = |b: u8| b.is_ascii_digit() || (b'a'..=b'f').contains(&b);
        By::Stamp((start.len() == 16 && start.bytes().all(hex)).then(|| start.to_owned())?)
    };
    Some(Added {
        number,
        by,
        file: path.into(),
        statement: None,
    })
}

/// Name of a signature, without its end.
pub fn signature_stem(number: u32, name: &str) -> String {
    format!("{SIGNATURES}/{number:02}-{name}")
}

/// Name of a time-stamp: it carries the start of its digest, so that damage shows without the authority's keys.
pub fn stamp_path(number: u32, reply: &[u8]) -> String {
    format!("{SIGNATURES}/{number:02}-time-{}.tsr", &sha256(reply)[..16])
}

/// The text that a signature or stamp is over: the tag manifest, then the lines of `sha256sum` for `covered`, paths and digests
/// in the order of [`covered`].
pub fn message(tag_manifest: &[u8], covered: &[(String, String)]) -> Vec<u8> {
    let mut text = tag_manifest.to_vec();
    for (path, digest) in covered {
        text.extend(format!("{digest}  {path}\n").into_bytes());
    }
    text
}

/// What the signature with `number` covers beside the tag manifest: every file with a lower number, by name, then its own
/// statement.
pub fn covered(list: &[Added], number: u32, own_statement: Option<&str>) -> Vec<String> {
    let earlier = list.iter().filter(|a| a.number < number);
    let mut paths: Vec<String> = earlier
        .flat_map(|a| std::iter::once(a.file.clone()).chain(a.statement.clone()))
        .collect();
    paths.sort();
    paths.extend(own_statement.map(str::to_owned));
    paths
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn later_signatures_cover_the_earlier_ones_and_their_own_statement() {
        let paths = [
            "signatures/01-seller.sig",
            "signatures/02-buyer.sig",
            "signatures/02-buyer.txt",
            "signatures/03-time-00112233445566aa.tsr",
            "bagit.txt",
        ];
        let list = order(paths.into_iter()).unwrap();
        assert!(covered(&list, 1, None).is_empty());
        assert_eq!(
            covered(&list, 2, list[1].statement.as_deref()),
            [paths[0], paths[2]]
        );
        assert_eq!(covered(&list, 3, None), paths[..3]);
        assert_eq!(
            message(b"m\n", &[("signatures/a".into(), "00".into())]),
            b"m\n00  signatures/a\n"
        );
    }

    #[test]
    fn only_names_of_signatures_stand_there_without_gaps() {
        for bad in [
            &["signatures/02-a.sig"][..],
            &["signatures/01-a.sig", "signatures/01-b.sig"],
            &["signatures/01-a.sig", "signatures/03-b.sig"],
            &["signatures/1-a.sig"],
            &["signatures/001-a.sig"],
            &["signatures/01-A.sig"],
            &["signatures/01-a.asc"],
            &["signatures/01-a.txt"],
            &["signatures/x/01-a.sig"],
            &["signatures/01-time-0.tsr"],
        ] {
            assert!(order(bad.iter().copied()).is_err(), "{bad:?}");
        }
    }
}

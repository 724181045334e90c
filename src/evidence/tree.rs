//! Folders as the evidence sees them: names, lengths and streams of bytes, wherever they lie.

use std::{
    collections::BTreeMap,
    io::{self, Read},
};

use sha2::{Digest as _, Sha256, Sha512};

use super::Difference;
use crate::record::{Storage, capture::is_safe_name, writer::hex};

/// Longest file of an inspection, bytes: an hour of all probes is below 100 MB, a photograph below 30 MB (common practice, no source).
pub const MAX_FILE: u64 = 1 << 30;
/// Longest table that is read at once to be measured again, bytes.
pub const MAX_TABLE: u64 = 256 << 20;
/// Longest tag file or signature, bytes.
pub const MAX_TAG: u64 = 32 << 20;
/// Most files of a bag.
pub const MAX_FILES: usize = 100_000;
/// Longest path, bytes.
pub const MAX_PATH: usize = 1024;
/// Bytes that are hashed at once.
const PIECE: usize = 1 << 16;

/// A folder with everything under it.
pub trait Tree {
    /// Everything under the folder, in any order; links are not followed. May stop early after [`MAX_FILES`] + 1 entries.
    ///
    /// # Errors
    /// What the disk says.
    fn entries(&self) -> io::Result<Vec<Entry>>;

    /// Opens a file for reading.
    ///
    /// # Errors
    /// What the disk says.
    fn open(&self, path: &str) -> io::Result<Box<dyn Read + '_>>;
}

/// Something in a folder.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Entry {
    /// Path from the folder, parted by `/`; lossy where it is no UTF-8.
    pub path: String,
    /// What it is.
    pub kind: EntryKind,
    /// Length of a file, bytes.
    pub len: u64,
}

/// What something in a folder is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum EntryKind {
    /// A file.
    File,
    /// A folder.
    Folder,
    /// A symbolic link.
    Link,
    /// A pipe, a device, a socket.
    Other,
    /// Its name is no UTF-8.
    NotText,
}

/// Files with their lengths, and what may not be in a bag at all.
#[derive(Clone, Debug, Default)]
pub struct Listing {
    /// Lengths by path.
    pub files: BTreeMap<String, u64>,
    /// What may not be there, in the order of the names.
    pub refused: Vec<Difference>,
}

/// Digests of one file.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Digests {
    /// SHA-256, lower-case hex.
    pub sha256: String,
    /// SHA-512, lower-case hex.
    pub sha512: String,
    /// Bytes read.
    pub len: u64,
}

/// Why a path may not stand in a bag; `None`: it may.
///
/// ```
/// use feelgauge::evidence::tree::unsafe_path;
/// assert_eq!(unsafe_path("data/captures/a.csv"), None);
/// assert!(unsafe_path("data/../a").is_some() && unsafe_path("/a").is_some() && unsafe_path("a\\b").is_some());
/// ```
pub fn unsafe_path(path: &str) -> Option<&'static str> {
    if path.len() > MAX_PATH {
        return Some("the path is longer than 1024 bytes");
    }
    if path.starts_with('/') {
        return Some("an absolute path");
    }
    if path.split('/').any(|part| part == "..") {
        return Some("a path that climbs out with ..");
    }
    if path.split('/').any(|part| part.len() > 255) {
        return Some("a name longer than 255 bytes");
    }
    (!path.split('/').all(is_safe_name)).then_some(
        "a name with other characters than A-Z a-z 0-9 . _ -, an empty one, or one that begins with a dot",
    )
}

/// Lists a tree; nothing is opened.
///
/// # Errors
/// What the disk says.
pub fn list(tree: &dyn Tree) -> io::Result<Listing> {
    let mut entries = tree.entries()?;
    entries.sort_by(|a, b| a.path.cmp(&b.path));
    let mut listing = Listing::default();
    if entries.len() > MAX_FILES {
        let what = format!("holds more than {MAX_FILES} files");
        listing.refused.push(Difference::of("", what));
        return Ok(listing);
    }
    let mut folded: BTreeMap<String, String> = BTreeMap::new();
    for (n, entry) in entries.iter().enumerate() {
        let wrong = match entry.kind {
            EntryKind::Link => Some("a symbolic link; only real files may be sealed"),
            EntryKind::Other => Some("neither a file nor a folder"),
            EntryKind::NotText => Some("its name is no UTF-8"),
            EntryKind::File if entry.len > MAX_FILE => {
                Some("larger than 1 GiB, the most that one file may have; not read")
            }
            EntryKind::Folder if !has_inside(&entries[n + 1..], &entry.path) => {
                Some("an empty folder, which no manifest can list")
            }
            _ => unsafe_path(&entry.path),
        };
        if let Some(what) = wrong {
            listing.refused.push(Difference::of(&entry.path, what));
            continue;
        }
        if let Some(other) = folded.insert(entry.path.to_ascii_lowercase(), entry.path.clone()) {
            let what = format!("differs from {other} only by upper and lower case");
            listing.refused.push(Difference::of(&entry.path, what));
        }
        if entry.kind == EntryKind::File {
            listing.files.insert(entry.path.clone(), entry.len);
        }
    }
    Ok(listing)
}

/// Among the entries after a folder, sorted by path, is one inside it. `a-b` sorts between `a` and `a/c`.
fn has_inside(later: &[Entry], folder: &str) -> bool {
    later
        .iter()
        .take_while(|e| e.path.starts_with(folder))
        .any(|e| e.path.as_bytes().get(folder.len()) == Some(&b'/'))
}

/// Digests of everything that a stream gives, up to `longest` bytes; `None`: there is more.
///
/// # Errors
/// What the stream says.
pub fn digests(stream: &mut dyn Read, longest: u64) -> io::Result<Option<Digests>> {
    digests_of(stream, longest, &mut |_| Ok(()))
}

/// The same, each piece handed on as it is read.
///
/// # Errors
/// What the stream or `take` says.
pub fn digests_of(
    stream: &mut dyn Read,
    longest: u64,
    take: &mut dyn FnMut(&[u8]) -> io::Result<()>,
) -> io::Result<Option<Digests>> {
    let (mut short, mut long) = (Sha256::new(), Sha512::new());
    let mut piece = vec![0; PIECE];
    let mut len = 0_u64;
    loop {
        let n = match stream.read(&mut piece) {
            Ok(0) => break,
            Ok(n) => n,
            Err(e) if e.kind() == io::ErrorKind::Interrupted => continue,
            Err(e) => return Err(e),
        };
        len += n as u64;
        if len > longest {
            return Ok(None);
        }
        short.update(&piece[..n]);
        long.update(&piece[..n]);
        take(&piece[..n])?;
    }
    Ok(Some(Digests {
        sha256: hex(&short.finalize()),
        sha512: hex(&long.finalize()),
        len,
    }))
}

/// A whole file of at most `longest` bytes.
///
/// # Errors
/// What the disk says; `FileTooLarge` beyond `longest`.
pub fn read(tree: &dyn Tree, path: &str, longest: u64) -> io::Result<Vec<u8>> {
    let mut bytes = Vec::new();
    tree.open(path)?.take(longest + 1).read_to_end(&mut bytes)?;
    if bytes.len() as u64 > longest {
        let what = format!("longer than {longest} bytes");
        return Err(io::Error::new(io::ErrorKind::FileTooLarge, what));
    }
    Ok(bytes)
}

/// A part of a tree as a record's disk, for reading alone.
pub struct ReadOnly<'a> {
    /// The tree.
    pub tree: &'a dyn Tree,
    /// Folder in it, `""` for all of it.
    pub base: &'a str,
}

impl ReadOnly<'_> {
    fn refuse(&self) -> io::Error {
        let what = format!("{}: sealed, nothing is written here", self.base);
        io::Error::new(io::ErrorKind::ReadOnlyFilesystem, what)
    }
}

impl Storage for ReadOnly<'_> {
    fn create_folder(&mut self, _: &str) -> io::Result<()> {
        Err(self.refuse())
    }

    fn create(&mut self, _: &str) -> io::Result<()> {
        Err(self.refuse())
    }

    fn append(&mut self, _: &str, _: &[u8]) -> io::Result<()> {
        Err(self.refuse())
    }

    fn set_len(&mut self, _: &str, _: u64) -> io::Result<()> {
        Err(self.refuse())
    }

    fn sync(&mut self, _: &str) -> io::Result<()> {
        Err(self.refuse())
    }

    fn sync_folder(&mut self, _: &str) -> io::Result<()> {
        Err(self.refuse())
    }

    fn rename(&mut self, _: &str, _: &str) -> io::Result<()> {
        Err(self.refuse())
    }

    fn read(&self, path: &str) -> io::Result<Vec<u8>> {
        let path = if self.base.is_empty() {
            path.to_owned()
        } else {
            format!("{}/{path}", self.base)
        };
        read(self.tree, &path, MAX_TABLE)
    }
}

/// Files in memory, as a test or a demo has them.
impl Tree for BTreeMap<String, Vec<u8>> {
    fn entries(&self) -> io::Result<Vec<Entry>> {
        let file = |(path, bytes): (&String, &Vec<u8>)| Entry {
            path: path.clone(),
            kind: EntryKind::File,
            len: bytes.len() as u64,
        };
        Ok(self.iter().map(file).collect())
    }

    fn open(&self, path: &str) -> io::Result<Box<dyn Read + '_>> {
        let bytes = self.get(path).ok_or(io::ErrorKind::NotFound)?;
        Ok(Box::new(bytes.as_slice()))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn digests_are_those_of_the_standard() {
        // FIPS 180-4 example "abc", from memory; `printf abc | sha256sum` says the same
        let found = digests(&mut b"abc".as_slice(), 3).unwrap().unwrap();
        assert_eq!(
            found.sha256,
            "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
        );
        assert!(found.sha512.starts_with("ddaf35a193617abacc417349ae204131"));
        assert_eq!(digests(&mut b"abc".as_slice(), 2).unwrap(), None);
    }

    #[test]
    fn names_that_meet_on_another_disk_are_refused() {
        let tree: BTreeMap<String, Vec<u8>> = ["data/A.txt", "data/a.txt", "data/b", "data/.x"]
            .map(|path| (path.to_owned(), Vec::new()))
            .into();
        let listing = list(&tree).unwrap();
        let refused: Vec<&str> = listing.refused.iter().map(|d| d.file.as_str()).collect();
        assert_eq!(refused, ["data/.x", "data/a.txt"]);
    }

    #[test]
    fn a_folder_is_empty_only_if_nothing_is_inside() {
        let entry = |path: &str, kind| Entry {
            path: path.into(),
            kind,
            len: 0,
        };
        let later = [entry("a-b", EntryKind::File), entry("a/c", EntryKind::File)];
        assert!(has_inside(&later, "a"));
        assert!(!has_inside(&later[..1], "a"));
    }
}

//! `inspection copy`: the same bytes without the owner's data, for those who need not know them.

use std::{
    fs::{self, File},
    io::{self, Read as _},
    path::Path,
};

use schemars::JsonSchema;
use serde::Serialize;

use super::{
    super::{
        DONE, Failure, Outcome, Output,
        plan::cannot_read,
        say,
        tree::{Disk, not_in_a_seal},
    },
    args::CopyArgs,
};
use crate::{
    evidence::{
        DATA, Tree as _, journal,
        tree::{self, Listing, MAX_FILE},
    },
    inspection::{OPENING, OWNER, Owner},
    units::count,
};

/// Shortest piece of the owner's data that is looked for: shorter ones stand everywhere by chance.
const SHORTEST: usize = 4;
/// Bytes that are looked through at once.
const PIECE: usize = 1 << 16;

/// Result of `inspection copy`.
#[derive(Clone, Debug, Serialize, JsonSchema)]
pub(in crate::cli) struct CopyResult {
    /// Folder of the copy.
    copy: String,
    /// What was left out.
    left_out: Vec<String>,
    /// Files that were copied.
    files: u64,
    /// Files of the copy in which the owner's data still stand.
    still_names_the_owner: Vec<String>,
}

/// Runs `inspection copy`.
pub(super) fn run(args: &CopyArgs, output: &mut Output) -> Outcome {
    let from = Disk::at(&args.dir);
    fs::read_dir(&args.dir).map_err(|e| cannot_read(&args.dir, &e))?;
    beside(args)?;
    let prefix = if from.is_sealed() {
        format!("{DATA}/")
    } else {
        String::new()
    };
    let listing = tree::list(&from).map_err(|e| cannot_read(&args.dir, &e))?;
    let left_out = left_out(args, &prefix, &listing)?;
    let kept = listing.files.keys().filter(|p| !left_out.contains(p));
    let kept: Vec<&String> = kept.collect();
    let secrets = secrets(&from, &format!("{prefix}{OWNER}"), &left_out)?;
    let named = naming(&from, &kept, &secrets)?;
    if !named.is_empty() {
        let what = format!(
            "{}: the owner's data of {OWNER} stand in other files too: {}",
            args.dir.display(),
            named.join(", ")
        );
        if !args.anyway {
            return Err(Failure::Work(format!(
                "{what}; nothing was copied; leave those out as well, or copy --anyway"
            )));
        }
        say(&what);
    }
    write(&from, &kept, &args.out)?;
    let result = CopyResult {
        copy: args.out.display().to_string(),
        left_out: args.leave_out.clone(),
        files: kept.len() as u64,
        still_names_the_owner: named,
    };
    output.result(&result, |_| text(&result, from.is_sealed()))?;
    Ok(DONE)
}

fn text(result: &CopyResult, is_sealed: bool) -> String {
    let option = |name: &String| format!(" --left-out {name}");
    let options: Vec<String> = result.left_out.iter().map(option).collect();
    let check = if is_sealed {
        format!(
            "; it verifies with: feelgauge verify {}{}",
            result.copy,
            options.concat()
        )
    } else {
        String::new()
    };
    format!(
        "{}: {}, without {}{check}\nNot looked at: what photographs show, and text that files such as PDFs pack. The digest of what was left out stays in\n\
the lists: whoever guesses its every byte can tell that the guess is right.\n",
        result.copy,
        count(result.files, "file"),
        result.left_out.join(", ")
    )
}

/// The copy is to lie where nothing is yet, outside of what is copied and of every seal.
fn beside(args: &CopyArgs) -> Result<(), Failure> {
    not_in_a_seal(&args.out)?;
    if args.out.symlink_metadata().is_ok() {
        return Err(Failure::Usage(format!(
            "{}: exists already; name a folder that does not",
            args.out.display()
        )));
    }
    let is_dir = |dir: &Path, up: &Path| up.canonicalize().is_ok_and(|up| up == dir);
    match (std::path::absolute(&args.out), args.dir.canonicalize()) {
        (Ok(out), Ok(dir)) if out.ancestors().any(|up| is_dir(&dir, up)) => {
            Err(Failure::Usage(format!(
                "{}: lies in what is to be copied; name a folder beside it",
                args.out.display()
            )))
        }
        _ => Ok(()),
    }
}

/// Paths of what is left out.
fn left_out(args: &CopyArgs, prefix: &str, listing: &Listing) -> Result<Vec<String>, Failure> {
    let dir = args.dir.display();
    if let Some(refused) = listing.refused.first() {
        return Err(Failure::Work(format!("{dir}/{refused}")));
    }
    if !listing.files.contains_key(&format!("{prefix}{OPENING}")) {
        return Err(Failure::Work(format!(
            "{dir}: no inspection: it has no {prefix}{OPENING}"
        )));
    }
    let path = |name: &String| {
        let path = format!("{prefix}{name}");
        if [OPENING, journal::FILE].contains(&name.as_str()) {
            return Err(Failure::Usage(format!(
                "--leave-out {name}: without it nothing can be checked; what names the owner stands in {OWNER} alone"
            )));
        }
        if !listing.files.contains_key(&path) {
            return Err(Failure::Work(format!(
                "{dir}/{path}: is not there, so it cannot be left out"
            )));
        }
        Ok(path)
    };
    args.leave_out.iter().map(path).collect()
}

/// Files in which one of the pieces stands.
fn naming(from: &Disk, kept: &[&String], pieces: &[Vec<u8>]) -> Result<Vec<String>, Failure> {
    let mut named = Vec::new();
    for path in kept {
        let stream = from.open(path);
        let found = stream.and_then(|mut stream| holds(&mut stream, pieces));
        if found.map_err(|e| cannot_read(&from.base.join(path), &e))? {
            named.push((*path).clone());
        }
    }
    Ok(named)
}

/// The owner's data, one piece each, in lower case; none where they are not left out, or cannot be understood, which is said.
fn secrets(from: &Disk, owner: &str, left_out: &[String]) -> Result<Vec<Vec<u8>>, Failure> {
    if !left_out.iter().any(|path| path == owner) {
        return Ok(Vec::new());
    }
    let path = from.base.join(owner);
    let bytes = tree::read(from, owner, 1 << 20).map_err(|e| cannot_read(&path, &e))?;
    let Ok(data) = toml::from_slice::<Owner>(&bytes) else {
        return Err(Failure::Work(format!(
            "{}: cannot be understood, so nobody can say whether its data stand elsewhere too",
            path.display()
        )));
    };
    let pieces = std::iter::once(data.name).chain(data.contact);
    let mut forms: Vec<Vec<u8>> = Vec::new();
    for piece in pieces {
        let piece = piece.trim().to_lowercase();
        if piece.chars().count() < SHORTEST {
            continue;
        }
        // as it stands in a page and in a line of JSON
        let page = piece
            .replace('&', "&amp;")
            .replace('<', "&lt;")
            .replace('>', "&gt;")
            .replace('"', "&quot;");
        let line = serde_json::to_string(&piece).unwrap_or_default();
        let line = line.trim_matches('"').to_owned();
        // as the forms of a PDF hold it
        let wide: Vec<u8> = piece.encode_utf16().flat_map(u16::to_be_bytes).collect();
        for form in [
            piece.into_bytes(),
            page.into_bytes(),
            line.into_bytes(),
            wide,
        ] {
            if !forms.contains(&form) {
                forms.push(form);
            }
        }
    }
    Ok(forms)
}

/// One of the pieces stands in the stream, in upper or lower case.
fn holds(stream: &mut dyn io::Read, pieces: &[Vec<u8>]) -> io::Result<bool> {
    let longest = pieces.iter().map(Vec::len).max().unwrap_or_default();
    if longest == 0 {
        return Ok(false);
    }
    let mut window: Vec<u8> = Vec::new();
    let mut piece = vec![0; PIECE];
    loop {
        let n = stream.take(PIECE as u64).read(&mut piece)?;
        if n == 0 {
            return Ok(false);
        }
        window.extend_from_slice(&piece[..n]);
        let text = String::from_utf8_lossy(&window).to_lowercase();
        let raw = window.to_ascii_lowercase();
        let there = |needle: &Vec<u8>| {
            let inside = |bytes: &[u8]| bytes.windows(needle.len()).any(|w| w == needle.as_slice());
            inside(&raw) || inside(text.as_bytes())
        };
        if pieces.iter().any(there) {
            return Ok(true);
        }
        let keep = window.len().min(2 * longest);
        window.drain(..window.len() - keep);
    }
}

fn write(from: &Disk, kept: &[&String], out: &Path) -> Result<(), Failure> {
    let fail = |path: &Path, e: &io::Error| {
        Failure::Work(format!("{}: cannot be written: {e}", path.display()))
    };
    let mut part = out.as_os_str().to_owned();
    part.push(".part");
    let part = std::path::PathBuf::from(part);
    fs::create_dir(&part).map_err(|e| fail(&part, &e))?;
    let copied = kept.iter().try_for_each(|path| {
        let target = part.join(path);
        let parent = target.parent().expect("it lies in the copy");
        fs::create_dir_all(parent).map_err(|e| fail(parent, &e))?;
        let stream = from
            .open(path)
            .map_err(|e| cannot_read(&from.base.join(path), &e))?;
        let mut file = File::create_new(&target).map_err(|e| fail(&target, &e))?;
        io::copy(&mut stream.take(MAX_FILE), &mut file)
            .and_then(|_| file.sync_all())
            .map_err(|e| fail(&target, &e))
    });
    let named = copied.and_then(|()| fs::rename(&part, out).map_err(|e| fail(out, &e)));
    if named.is_err() {
        // what was begun is of no use to anybody, and it was made a moment ago by us
        let _ = fs::remove_dir_all(&part);
    }
    named
}

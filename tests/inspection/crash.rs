//! The power goes at every write, sync and rename of a visit, and the disk runs full at every one of them.

use std::path::Path;

use feelgauge::{
    clock::Clock,
    evidence::journal,
    inspection::{Car, Deed, Entry, Folder, FolderError, OPENING, Opening, Owner, Party, Stage},
    record::Storage as _,
};

use crate::{
    disk::{Disk, Handle, TAILS, Tail},
    folders::{load, tiny_leak},
    place::picture,
};

pub type Bytes = Vec<(String, Vec<u8>)>;

/// A capture of a few bare lines.
pub fn capture() -> (String, Bytes) {
    let dir = tempfile::tempdir().unwrap();
    let name = tiny_leak(dir.path());
    let files = load(&dir.path().join(&name)).into_iter().collect();
    (name, files)
}

fn opening() -> Opening {
    Opening {
        format: 1,
        tag: "14".into(),
        opened: "2031-05-17T14:00:00Z".into(),
        operator: "R. Tern".into(),
        house: None,
        owner: None,
        reason: None,
        car: Car {
            name: "Plover 8".into(),
            ..Car::default()
        },
        claimed: Vec::new(),
    }
}

fn clock() -> Clock {
    Clock::virtual_from("2031-05-17T14:00:00Z".parse().unwrap())
}

fn repaired(text: &str) -> Deed {
    Deed::Repaired { text: text.into() }
}

/// A small visit until the first error; the entries that were promised to be on the disk, whether all was done, and whether
/// the inspection was open.
fn visit(
    handle: &Handle,
    (name, files): &(String, Bytes),
    photograph: &[u8],
) -> (Vec<Entry>, bool, bool) {
    let (clock, who, at) = (clock(), "R. Tern", Path::new("i"));
    let mut kept = Vec::new();
    let owner = Owner {
        name: "A. Merle".into(),
        ..Owner::default()
    };
    let made = Folder::create_on(handle.clone(), at, &clock, &opening(), Some(&owner), None);
    let Ok(folder) = made else {
        return (kept, false, false);
    };
    let done: Result<(), FolderError> = (|| {
        kept.push(folder.write(&clock, who, repaired("lid seal renewed"))?);
        kept.push(folder.put_photograph(&clock, who, "front.jpg", photograph, None, true)?);
        kept.extend(
            folder
                .put_capture_files(&clock, who, name, files.clone(), Stage::AsFound)?
                .entries,
        );
        kept.push(folder.put_attachment(&clock, who, "receipt.pdf", b"%PDF", "receipt")?);
        let party = Party {
            name: "A. Merle".into(),
            role: "owner".into(),
        };
        kept.push(folder.put_joint_statement(&clock, who, &[party], &[])?);
        kept.push(folder.write(&clock, who, repaired("ring shimmed"))?);
        Ok(())
    })();
    (kept, done.is_ok(), true)
}

/// The folder never lies: what was promised is there, what a line names is there, and the next entry makes all of it sound.
fn holds(disk: Disk, kept: &[Entry], was_open: bool, context: &str) {
    let handle = Handle::with(disk);
    let opened = Folder::open_on(handle.clone(), Path::new("i"), None);
    let folder = match opened {
        Ok(folder) => folder,
        Err(FolderError::NotAnInspection { .. }) if !was_open => return,
        Err(e) => panic!("{context}: {e}"),
    };
    let found = folder.visit().unwrap_or_else(|e| panic!("{context}: {e}"));
    for entry in kept {
        assert!(
            found.entries.contains(entry),
            "{context}: {entry:?} is lost"
        );
    }
    let text = handle.read(journal::FILE).unwrap();
    let torn = !text.is_empty() && !text.ends_with(b"\n");
    let added = folder.write(&clock(), "R. Tern", repaired("after the cut"));
    let added = added.unwrap_or_else(|e| panic!("{context}: {e}"));
    let now = folder.visit().unwrap();
    assert_eq!(now.entries.last(), Some(&added), "{context}");
    let mended = now
        .entries
        .iter()
        .filter(|e| matches!(e.deed, Deed::Mended { .. }))
        .count();
    assert_eq!(mended, usize::from(torn), "{context}");
    let text = handle.read(journal::FILE).unwrap();
    let lines = journal::check(journal::FILE, text.as_slice())
        .unwrap()
        .unwrap()
        .lines;
    assert_eq!(lines, now.entries.len() as u64, "{context}");
    // at worst a whole file that no line names
    for remark in folder.remarks().unwrap() {
        assert!(
            remark.ends_with("in no line of the journal"),
            "{context}: {remark}"
        );
    }
    for path in folder.files().unwrap() {
        assert!(
            !path.contains(".part") && !path.contains("copying-"),
            "{context}: {path}"
        );
    }
}

#[test]
fn power_cut_at_every_write_loses_no_promised_entry() {
    let (capture, photograph) = (capture(), picture(image::ImageFormat::Png, 3));
    let whole = Handle::default();
    let (kept, done, _) = visit(&whole, &capture, &photograph);
    assert!(done);
    assert_eq!(kept.len(), 7, "a finding is an entry too");
    let operations = whole.disk().operations;
    assert!(operations > 60, "{operations}");
    let mut cut = 0;
    for until in 0..operations {
        for tail in TAILS {
            let handle = Handle::with(Disk {
                power_until: Some(until),
                ..Disk::default()
            });
            let (kept, done, was_open) = visit(&handle, &capture, &photograph);
            assert!(!done, "{until}");
            let after = handle.disk().after_cut(tail);
            holds(
                after,
                &kept,
                was_open,
                &format!("power until {until}, {tail:?}"),
            );
            cut += 1;
        }
    }
    eprintln!("{cut} cuts");
}

#[test]
fn a_full_disk_costs_the_entry_and_nothing_else() {
    let (capture, photograph) = (capture(), picture(image::ImageFormat::Png, 3));
    let whole = Handle::default();
    visit(&whole, &capture, &photograph);
    let operations = whole.disk().operations;
    for at in 1..=operations {
        let handle = Handle::with(Disk {
            full_at: Some(at),
            ..Disk::default()
        });
        let (kept, done, was_open) = visit(&handle, &capture, &photograph);
        assert!(!done, "{at}");
        let after = handle.disk().after_cut(Tail::Kept);
        holds(after, &kept, was_open, &format!("full at {at}"));
    }
}

#[test]
fn a_folder_whose_opening_was_cut_short_says_so() {
    let handle = Handle::default();
    let opened = Folder::open_on(handle, Path::new("i"), None);
    let said = opened.map(|_| ()).unwrap_err().to_string();
    assert!(said.contains(OPENING), "{said}");
}

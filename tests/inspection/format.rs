//! Folders of other makers and of other times.

use std::{fs, path::Path};

use feelgauge::inspection::{Deed, Folder, FolderError};

use crate::place::{Place, copy, sample};

#[test]
fn the_sample_of_format_1_keeps_opening() {
    let base = sample("inspection-1");
    let folder = Folder::open(Path::new(&base)).unwrap();
    let visit = folder.visit().unwrap();
    assert_eq!(folder.remarks().unwrap(), [] as [String; 0]);
    assert_eq!(
        (visit.opening.format, visit.opening.tag.as_str()),
        (1, "14")
    );
    assert_eq!(visit.owner.as_ref().unwrap().name, "A. Merle");
    // every deed that a line can tell of stands in it
    let words: Vec<String> = visit
        .entries
        .iter()
        .map(|entry| {
            serde_json::to_value(&entry.deed).unwrap()["what"]
                .as_str()
                .unwrap()
                .to_owned()
        })
        .collect();
    for what in [
        "opened",
        "conditions",
        "observed",
        "not_checked",
        "photographed",
        "attached",
        "captured",
        "found",
        "checked",
        "part",
        "repaired",
        "decided",
        "joint",
        "corrected",
        "clock_set",
        "mended",
    ] {
        assert!(
            words.iter().any(|word| word == what),
            "{what} is not in the sample"
        );
    }
    assert_eq!(visit.photographs()[0].1.taken.as_deref(), None);
    assert_eq!(visit.captures().len(), 1);
    assert!(visit.captures()[0].finding.is_some());
    // it can be gone on with, and sealed
    let place = Place::new();
    copy(base.as_ref(), &place.at("i"));
    place.inspection(&["observe", "i", "still here"]).done();
    place.key("club");
    place
        .run(&["seal", "i", "--sign", "club", "--as", "shop"])
        .done();
    let verified = place.run(&["verify", "i-sealed", "--json"]).json();
    assert_eq!(verified["holds"], true, "{verified}");
}

#[test]
fn folders_of_others_are_refused_in_words() {
    let place = Place::new();
    place.opened();
    let facts = fs::read_to_string(place.at("i/inspection.toml")).unwrap();
    let refuses = |text: &str, words: &[&str]| {
        fs::write(place.at("i/inspection.toml"), text).unwrap();
        place.inspection(&["show", "i"]).refuses(1, words);
        place.inspection(&["observe", "i", "x"]).refuses(1, words);
    };
    refuses(
        &facts.replace("format = 1", "format = 2"),
        &["format 2", "later"],
    );
    refuses(
        &facts.replace("format = 1", "format = 2\nnew_key = 3"),
        &["format 2"],
    );
    refuses(&facts.replace("format = 1", ""), &["no format"]);
    refuses(&facts.replace("format = 1", "format = 0"), &["format 0"]);
    refuses(&facts.replace("tag", "tga"), &["tga"]);
    refuses("not toml at all", &["inspection.toml"]);
    refuses("", &["no format"]);
    fs::remove_file(place.at("i/inspection.toml")).unwrap();
    place
        .inspection(&["show", "i"])
        .refuses(1, &["no inspection.toml"]);
    place
        .inspection(&["show", "nowhere"])
        .refuses(1, &["nowhere"]);
    assert_eq!(place.journal().len(), 1);
}

#[allow(clippy::too_many_lines)] // one visit after its course
#[test]
fn a_journal_that_was_changed_takes_no_entry() {
    let place = Place::new();
    place.opened();
    place
        .inspection(&["observe", "i", "lid seal is flat"])
        .done();
    place.inspection(&["observe", "i", "ring is worn"]).done();
    let path = place.at("i/journal.jsonl");
    let whole = fs::read_to_string(&path).unwrap();
    let lines: Vec<&str> = whole.split_inclusive('\n').collect();
    for (changed, line) in [
        (whole.replace("flat", "fine"), ":3"),
        ([lines[0], lines[2]].concat(), ":2"),
        ([lines[0], lines[2], lines[1]].concat(), ":2"),
        (lines[1..].concat(), ":1"),
        (format!("{whole}\n"), ":4"),
        (format!("{whole}{{}}\n"), ":4"),
    ] {
        fs::write(&path, &changed).unwrap();
        place
            .inspection(&["observe", "i", "x"])
            .refuses(1, &["journal.jsonl", line]);
        place
            .inspection(&["show", "i"])
            .refuses(1, &["journal.jsonl", line]);
        assert_eq!(
            fs::read_to_string(&path).unwrap(),
            changed,
            "nothing was written"
        );
    }
    // a tail that a power cut left is no change: it is taken off, and that is said
    fs::write(&path, format!("{whole}{{\"n\":4,\"prev\":\"00")).unwrap();
    let shown = place.inspection(&["show", "i"]).done();
    assert!(shown.contains("no whole line"), "{shown}");
    place.inspection(&["observe", "i", "x"]).done();
    let journal = place.journal();
    assert_eq!((journal.len(), &journal[3]["what"]), (5, &"mended".into()));
    assert_eq!(journal[3]["text"], "{\"n\":4,\"prev\":\"00");
    // a line of a newer program, chained as it must be
    let folder = Folder::open(&place.at("i")).unwrap();
    let text = fs::read(&path).unwrap();
    let so_far = feelgauge::evidence::journal::check("j", text.as_slice())
        .unwrap()
        .unwrap();
    let when = so_far.last.unwrap();
    let strange = so_far.line(when, "R. Tern", "x_rayed", serde_json::Map::new());
    fs::write(&path, [text.as_slice(), strange.as_bytes()].concat()).unwrap();
    let FolderError::Broken { difference, .. } = folder.visit().unwrap_err() else {
        panic!()
    };
    assert!(
        difference.line == Some(6) && difference.what.contains("x_rayed"),
        "{difference}"
    );
    let entry = folder.write(
        &feelgauge::clock::Clock::system(),
        "R. Tern",
        Deed::Repaired { text: "y".into() },
    );
    assert_eq!(
        entry.unwrap().n,
        7,
        "what cannot be understood is still in the chain"
    );
}

//! What people type, and what stands in folders that nobody expected.

use std::{fs, os::unix::fs::symlink};

use feelgauge::{
    clock::Clock,
    inspection::{Deed, Folder, Photograph, Stage},
};

use crate::place::{LEAK, Place, copy, picture, sample};

#[test]
fn texts_that_nobody_can_read_are_refused() {
    let place = Place::new();
    place.opened();
    let long = "x".repeat(100 << 10);
    for (text, why) in [
        ("", "empty"),
        ("  \n ", "empty"),
        ("bell\u{7}", "U+0007"),
        ("\u{1b}[2Jgone", "U+001B"),
        ("turned \u{202e}txet", "U+202E"),
        (long.as_str(), "attach it as a file"),
    ] {
        place.inspection(&["observe", "i", text]).refuses(2, &[why]);
        place.inspection(&["repair", "i", text]).refuses(2, &[why]);
        place
            .inspection(&["not-checked", "i", text])
            .refuses(2, &[why]);
    }
    place
        .inspection(&["observe", "i", "x", "--by", ""])
        .refuses(2, &["who", "empty"]);
    place
        .inspection(&["observe", "i", "x", "--by", "two\nlines"])
        .refuses(2, &["who"]);
    assert_eq!(place.journal().len(), 1, "nothing of it was written");
    place
        .inspection(&["observe", "i", "two lines\nand \u{e4}\u{1f527}"])
        .done();
    assert_eq!(place.journal()[1]["text"], "two lines\nand \u{e4}\u{1f527}");
    // a library's caller is held to the same
    let folder = Folder::open(&place.at("i")).unwrap();
    let mebi = Deed::Repaired {
        text: "x".repeat(1 << 20),
    };
    assert!(folder.write(&Clock::system(), "R. Tern", mebi).is_err());
    assert_eq!(place.journal().len(), 2);
}

#[test]
fn an_inspection_is_opened_once_and_in_no_folder_that_is_there() {
    let place = Place::new();
    let open = |more: &[&str]| {
        let start = [
            "open", "i", "--by", "R. Tern", "--tag", "14", "--car", "Plover 8",
        ];
        place.inspection(&[&start, more].concat())
    };
    place.put("bad.toml", "format = 1\nname = 3\n");
    open(&["--vehicle", "bad.toml"]).refuses(1, &["bad.toml:2"]);
    place.put("owner.toml", "nmae = \"A. Merle\"\n");
    open(&["--owner-file", "owner.toml"]).refuses(1, &["owner.toml:1", "name"]);
    open(&["--mark", ""]).refuses(2, &["mark", "empty"]);
    open(&["--serial", "\u{1b}[31m"]).refuses(2, &["serial"]);
    assert!(!place.at("i").exists(), "what is refused leaves nothing");
    fs::create_dir(place.at("i")).unwrap();
    open(&[]).refuses(2, &["exists"]);
    fs::remove_dir(place.at("i")).unwrap();
    open(&[]).done();
    let before = fs::read(place.at("i/inspection.toml")).unwrap();
    open(&["--serial", "2"]).refuses(2, &["exists"]);
    assert_eq!(fs::read(place.at("i/inspection.toml")).unwrap(), before);
    place
        .inspection(&["open", "no/such/i", "--by", "a", "--tag", "1", "--car", "x"])
        .refuses(1, &["no/such/i"]);
    let mut nameless = place.command(&["inspection", "open", "j", "--tag", "1", "--car", "x"]);
    let nameless = nameless
        .env_remove("USER")
        .env_remove("LOGNAME")
        .env_remove("USERNAME");
    crate::place::said(&nameless.output().unwrap()).refuses(2, &["--by"]);
}

#[allow(clippy::too_many_lines)] // one visit after its course
#[test]
fn photographs_are_judged_by_what_they_are() {
    let place = Place::new();
    place.opened();
    place.put("note.jpg", "no real photograph");
    place.put("empty.png", "");
    let jpeg = picture(image::ImageFormat::Jpeg, 1);
    place.put("cut.jpg", &jpeg[..jpeg.len() / 2]);
    for name in ["note.jpg", "empty.png", "cut.jpg"] {
        place
            .inspection(&["photograph", "i", name])
            .refuses(1, &[name]);
    }
    let sparse = fs::File::create(place.at("large.jpg")).unwrap();
    sparse.set_len(10 << 30).unwrap();
    place
        .inspection(&["photograph", "i", "large.jpg"])
        .refuses(1, &["large.jpg", "most"]);
    place
        .inspection(&["attach", "i", "large.jpg", "--words", "x"])
        .refuses(1, &["large.jpg", "most"]);
    place
        .inspection(&["photograph", "i", "."])
        .refuses(1, &["no file"]);
    place
        .inspection(&["photograph", "i", "none.jpg"])
        .refuses(1, &["none.jpg"]);
    assert_eq!(place.journal().len(), 1);
    assert!(
        !place.at("i/photographs").exists(),
        "an empty folder cannot be sealed"
    );

    // whatever a file is called: its content gives the ending, and its name leads nowhere
    place.put("Tag & front (1).txt", &jpeg);
    place.put("web", picture(image::ImageFormat::WebP, 5));
    place
        .inspection(&["photograph", "i", "Tag & front (1).txt", "web"])
        .done();
    let files: Vec<String> = place.journal()[1..]
        .iter()
        .map(|l| l["file"].as_str().unwrap().to_owned())
        .collect();
    assert_eq!(
        files,
        ["photographs/Tag___front__1_.jpg", "photographs/web.webp"]
    );
    place
        .inspection(&["photograph", "i", "Tag & front (1).txt"])
        .refuses(1, &["already", "line 2"]);
    // upper and lower case are one name on some disks
    place.put("WEB.webp", picture(image::ImageFormat::WebP, 6));
    place.inspection(&["photograph", "i", "WEB.webp"]).done();
    assert_eq!(place.journal()[3]["file"], "photographs/WEB-2.webp");
    let folder = Folder::open(&place.at("i")).unwrap();
    let clock = Clock::system();
    for (n, name) in [
        "../../x.jpg",
        "/etc/x.jpg",
        "..",
        "",
        ".hidden",
        "a\0b",
        "..\\..\\x",
    ]
    .into_iter()
    .enumerate()
    {
        let bytes = picture(image::ImageFormat::Png, u8::try_from(100 + n).unwrap());
        let entry = folder
            .put_photograph(&clock, "R. Tern", name, &bytes, None, false)
            .unwrap();
        let Deed::Photographed(put) = entry.deed else {
            panic!()
        };
        let kept = put.file.strip_prefix("photographs/").unwrap();
        assert!(
            !kept.contains(['/', '\\'])
                && !kept.starts_with('.')
                && place.at("i").join(&put.file).is_file(),
            "{name:?}: {kept}"
        );
    }
    assert_eq!(folder.remarks().unwrap(), [] as [String; 0]);
}

#[test]
fn a_deed_names_only_what_is_there() {
    let place = Place::new();
    place.opened();
    let folder = Folder::open(&place.at("i")).unwrap();
    let photograph = |file: &str| {
        Deed::Photographed(Photograph {
            file: file.into(),
            sha256: String::new(),
            bytes: 0,
            width: 1,
            height: 1,
            orientation: 1,
            taken: None,
            words: None,
            tag_in_picture: false,
        })
    };
    let captured = |capture: &str| Deed::Captured {
        capture: capture.into(),
        test: "leak".into(),
        setup: None,
        stage: Stage::AsFound,
    };
    let found = |file: &str| Deed::Found {
        file: file.into(),
        sha256: String::new(),
    };
    place.put("outside.jpg", "x");
    for file in [
        "../outside.jpg",
        "/etc/passwd",
        "photographs/none.jpg",
        "inspection.toml",
        "",
        "a//b",
    ] {
        for deed in [photograph(file), found(file), captured(file)] {
            let refused = folder.write(&Clock::system(), "R. Tern", deed);
            assert!(refused.is_err(), "{file}");
        }
    }
    assert!(folder.read("../outside.jpg", 100).is_err());
    assert!(folder.read("/etc/passwd", 100_000).is_err());
    place
        .inspection(&["observe", "i", "x", "--photograph", "photographs/none.jpg"])
        .refuses(1, &["none.jpg"]);
    place
        .inspection(&["correct", "i", "0", "x"])
        .refuses(2, &["lines 1 to 1"]);
    place
        .inspection(&["correct", "i", "2", "x"])
        .refuses(2, &["lines 1 to 1"]);
    assert_eq!(place.journal().len(), 1);
}

#[test]
fn links_lead_nowhere() {
    let place = Place::new();
    place.opened();
    fs::create_dir(place.at("elsewhere")).unwrap();
    symlink(place.at("elsewhere"), place.at("i/photographs")).unwrap();
    place.put("front.jpg", picture(image::ImageFormat::Jpeg, 1));
    assert_ne!(place.inspection(&["photograph", "i", "front.jpg"]).code, 0);
    assert_eq!(fs::read_dir(place.at("elsewhere")).unwrap().count(), 0);
    fs::remove_file(place.at("i/photographs")).unwrap();

    fs::rename(
        place.at("i/journal.jsonl"),
        place.at("elsewhere/journal.jsonl"),
    )
    .unwrap();
    symlink(
        place.at("elsewhere/journal.jsonl"),
        place.at("i/journal.jsonl"),
    )
    .unwrap();
    let before = fs::read(place.at("elsewhere/journal.jsonl")).unwrap();
    assert_ne!(place.inspection(&["observe", "i", "x"]).code, 0);
    assert_ne!(place.inspection(&["show", "i"]).code, 0);
    assert_eq!(
        fs::read(place.at("elsewhere/journal.jsonl")).unwrap(),
        before
    );
}

#[test]
fn captures_come_in_whole_and_once() {
    let place = Place::new();
    place.opened();
    place
        .inspection(&["add", "i", &sample("plover-8.toml")])
        .refuses(1, &["plover-8.toml"]);
    fs::create_dir(place.at("nothing")).unwrap();
    place
        .inspection(&["add", "i", "nothing"])
        .refuses(1, &["capture.toml"]);
    place
        .inspection(&["add", "i", "missing"])
        .refuses(1, &["missing"]);
    // one byte of it changed since it was closed
    copy(sample(LEAK).as_ref(), &place.at(LEAK));
    let table = fs::read_dir(place.at(LEAK))
        .unwrap()
        .map(|e| e.unwrap().path())
        .find(|p| {
            p.file_name()
                .unwrap()
                .to_str()
                .unwrap()
                .starts_with("pressure")
        });
    let table = table.unwrap();
    let whole = fs::read(&table).unwrap();
    let mut changed = whole.clone();
    changed[200] ^= 1;
    fs::write(&table, &changed).unwrap();
    place
        .inspection(&["add", "i", LEAK])
        .refuses(1, &["closed"]);
    fs::write(&table, &whole[..whole.len() - 40]).unwrap();
    place
        .inspection(&["add", "i", LEAK])
        .refuses(1, &["closed"]);
    fs::write(&table, &whole).unwrap();
    symlink("/etc/passwd", place.at(LEAK).join("more.csv")).unwrap();
    place
        .inspection(&["add", "i", LEAK])
        .refuses(1, &["more.csv"]);
    fs::remove_file(place.at(LEAK).join("more.csv")).unwrap();
    let left = fs::read_dir(place.at("i/captures")).map_or(0, Iterator::count);
    assert_eq!(
        (left, place.journal().len()),
        (0, 1),
        "what is refused leaves nothing"
    );
    place.inspection(&["add", "i", LEAK]).done();
    place
        .inspection(&["add", "i", LEAK])
        .refuses(1, &["exists"]);
    let inside = format!("i/captures/{LEAK}");
    place
        .inspection(&["add", "i", &inside])
        .refuses(1, &["already", "line 2"]);
    place.inspection(&["compare", "i"]).refuses(2, &["--after"]);
    place
        .inspection(&["compare", "i", "--after", "../x"])
        .refuses(2, &["../x"]);
    assert_eq!(place.journal().len(), 3);
}

#[allow(clippy::too_many_lines)] // one visit after its course
#[test]
fn figures_that_mean_nothing_are_refused() {
    let place = Place::new();
    place.opened();
    let refuses = |args: &[&str], words: &[&str]| place.inspection(args).refuses(2, words);
    refuses(&["conditions", "i"], &["--temperature"]);
    refuses(&["conditions", "i", "--temperature", "19"], &["unit"]);
    refuses(&["conditions", "i", "--temperature", "400C"], &["room"]);
    refuses(&["conditions", "i", "--pressure", "15kPa"], &["barometer"]);
    refuses(&["parts", "i", "lid seal", "--price", "4"], &["EUR"]);
    refuses(
        &["parts", "i", "lid seal", "--price", "4EUR"],
        &["--priced-by"],
    );
    refuses(&["decide", "i", "burn"], &["buy"]);
    let check = ["check", "i", "weight", "--before", "--probe", "force-A1"];
    let with = |more: &[&'static str]| [&check[..], more].concat();
    refuses(
        &with(&["--stated", "20", "--shown", "20N", "--shown-u", "1N"]),
        &["unit"],
    );
    refuses(
        &with(&["--stated", "20N", "--shown", "20N", "--shown-u", "1N"]),
        &["--stated-u"],
    );
    refuses(
        &with(&["--stated", "-2kg", "--shown", "20N", "--shown-u", "1N"]),
        &["--stated"],
    );
    refuses(
        &with(&["--stated", "nanN", "--shown", "20N", "--shown-u", "1N"]),
        &["--stated"],
    );
    refuses(
        &with(&[
            "--after",
            "--stated",
            "2kg",
            "--shown",
            "20N",
            "--shown-u",
            "1N",
        ]),
        &["--after"],
    );
    refuses(&["joint", "i", "--present", "R. Tern"], &["colon"]);
    refuses(
        &["joint", "i", "--present", "a:b", "--present", "a:c"],
        &["twice"],
    );
    refuses(
        &["joint", "i", "--present", "a:b", "--objection", "c:no"],
        &["nobody"],
    );
    assert!(!place.at("i/joint-statement.txt").exists());
    assert_eq!(place.journal().len(), 1);
    place.inspection(&["joint", "i", "--present", "a:b"]).done();
    place
        .inspection(&["joint", "i", "--present", "a:b", "--objection", "a:no"])
        .done();
    assert_eq!(
        place.journal()[2]["file"],
        "joint-statement-2.txt",
        "the first one stays"
    );
}

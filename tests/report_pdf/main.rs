//! Reports as PDF, read back by other programs: structure (qpdf), attached files (pdfdetach), words and their places
//! (pdftotext), page size, bookmarks, tags and marks of the standard (pypdf).

#![allow(clippy::unwrap_used)] // in a test an unwrap is an assertion

mod demo;

use std::{path::Path, process::Command};

use feelgauge::{
    inspect::{Finding, Stated},
    record::{Files, read_capture},
    report::document::{Attached, Document, Paper, PdfError, Shown, pdf},
};

/// Kept captures: leak, pull, roll.
const CAPTURES: [&str; 3] = [
    "20310517T142140Z-leak-whole",
    "20310517T142649Z-pull-plug_in_cold",
    "20310517T143107Z-roll-one_fl",
];

fn found(folder: &str) -> Finding {
    let path = format!("{}/captures/{folder}", env!("CARGO_MANIFEST_DIR"));
    let capture = read_capture(&Files::under(path), "").unwrap();
    capture.analyze(Stated::default(), None).unwrap()
}

/// What a program prints; none, with the reason, where it is not there.
fn run(program: &str, arguments: &[&str], dir: &Path) -> Option<String> {
    let run = Command::new(program)
        .args(arguments)
        .current_dir(dir)
        .output();
    let required = std::env::var_os("CI_REQUIRED").is_some_and(|v| v == "1");
    match run {
        Ok(run) => {
            let text = String::from_utf8_lossy(&run.stdout).into_owned();
            let error = String::from_utf8_lossy(&run.stderr).into_owned();
            if error.contains("No module named") && !required {
                eprintln!("SKIPPED: {program} {arguments:?}: {error}");
                return None;
            }
            assert!(
                run.status.success(),
                "{program} {arguments:?}: {text}{error}"
            );
            Some(text)
        }
        Err(why) => {
            assert!(!required, "{program}: {why}");
            eprintln!("SKIPPED: {program} is needed (Debian: qpdf, poppler-utils): {why}");
            None
        }
    }
}

fn written(document: &Document, paper: Paper, dir: &Path) {
    std::fs::write(dir.join("report.pdf"), pdf(document, paper).unwrap()).unwrap();
}

fn plain(text: &str) -> String {
    text.split_whitespace().collect::<Vec<_>>().join(" ")
}

#[test]
fn the_same_document_gives_the_same_bytes() {
    for document in [demo::report(), demo::empty()] {
        let first = pdf(&document, Paper::A4).unwrap();
        assert!(first.starts_with(b"%PDF-1.7"));
        assert!(first == pdf(&document, Paper::A4).unwrap());
        assert!(first != pdf(&document, Paper::Letter).unwrap());
    }
    let later = Document {
        made: "2031-05-17T14:04:03Z".parse().unwrap(),
        ..demo::report()
    };
    assert!(pdf(&later, Paper::A4).unwrap() != pdf(&demo::report(), Paper::A4).unwrap());
}

#[test]
fn files_are_sound_on_both_papers() {
    for (name, document) in [
        ("report", demo::report()),
        ("awkward", demo::awkward()),
        ("empty", demo::empty()),
    ] {
        for paper in Paper::ALL {
            let dir = tempfile::tempdir().unwrap();
            written(&document, paper, dir.path());
            if let Some(kept) = std::env::var_os("FEELGAUGE_PAGES") {
                let to = Path::new(&kept).join(format!("{name}-{paper:?}.pdf"));
                std::fs::copy(dir.path().join("report.pdf"), to).unwrap();
            }
            let Some(said) = run("qpdf", &["--check", "report.pdf"], dir.path()) else {
                return;
            };
            assert!(
                said.contains("No syntax or stream encoding errors found"),
                "{name}: {said}"
            );
        }
    }
}

#[test]
fn attached_files_come_out_as_they_went_in() {
    let dir = tempfile::tempdir().unwrap();
    let document = demo::report();
    written(&document, Paper::A4, dir.path());
    let Some(list) = run("pdfdetach", &["-list", "report.pdf"], dir.path()) else {
        return;
    };
    assert!(list.starts_with("2 embedded files"), "{list}");
    run(
        "pdfdetach",
        &["-saveall", "-o", ".", "report.pdf"],
        dir.path(),
    );
    for Attached { name, bytes, .. } in &document.attached {
        assert_eq!(
            &std::fs::read(dir.path().join(name)).unwrap(),
            bytes,
            "{name}"
        );
    }
}

#[test]
fn words_come_out_in_the_order_in_which_they_are_read() {
    let dir = tempfile::tempdir().unwrap();
    for paper in Paper::ALL {
        written(&demo::report(), paper, dir.path());
        let Some(text) = run("pdftotext", &["-raw", "report.pdf", "-"], dir.path()) else {
            return;
        };
        let text = plain(&text);
        let groups: Vec<String> = demo::DIGEST
            .as_bytes()
            .chunks(8)
            .map(|g| String::from_utf8_lossy(g).into_owned())
            .collect();
        let digest = groups.join(" ");
        let mut rest = text.as_str();
        for words in [
            "14 Plover 8, measured as it came back",
            "2031-05-17T14:21:40+01:00 to 15:02:13+01:00. 19 °C, 1009 hPa.",
            "Leak is outside. Start with the lid seal: five minutes. The hitch comes from the front diff.",
            "LEAK outside 4.1 cm³ of air a minute at 10 kPa, 3.7 to 4.5. With the lid clamped 1.4 is left",
            "PULL undecided 27.4 N peak from 5 pulls, 26.3 to 28.5. Two more pulls decide it.",
            "ROLL within 11 hits in 34 turns",
            "What to open, in this order part guilty work tank lid, seal 97 % 5 min front diff: ring and pinion 91 % 50 min",
            "ring and pinion, shims donor car 8 to 12 put right 11 to 16",
            "Needles in place, not turned: dry seals tear.",
            "How to read the rules.",
            "No. 14, page 1 of",
            "LEAK outside",
            "method Pressure is held and falls toward the room. The settled part is fitted by a decay; its slope and the test volume give the leak.",
            "limit 1.5 cm³/min, the club's own",
            "PULL undecided",
            "ROLL within",
            "Photographs The number on the tag is in each picture",
            "How to verify",
            "1. Check that every file is as it was. 2. Check who signed the list.",
            "sha256sum -c manifest-sha256.txt",
            demo::COMMAND,
            &digest,
            "The same digest for a telephone.",
        ] {
            let at = rest
                .find(words)
                .unwrap_or_else(|| panic!("{words} is not in {rest}"));
            rest = &rest[at + words.len()..];
        }
        assert!(rest.contains(&format!("sha256:{}", demo::DIGEST)), "{rest}");
    }
}

#[test]
fn what_the_faces_lack_is_shown_by_its_number() {
    let dir = tempfile::tempdir().unwrap();
    written(&demo::awkward(), Paper::A4, dir.path());
    let Some(text) = run("pdftotext", &["-raw", "report.pdf", "-"], dir.path()) else {
        return;
    };
    let text = plain(&text);
    let words = "two tabs [U+4E2D][U+6587] [U+1F697] -> [U+0394] [U+202E]bidi é";
    assert!(text.contains(words), "{words}");
    for words in [
        "row 0 what was seen at reading 0 0.0",
        "row 199 what was seen at reading 199 1393.9",
        "item 119",
        "The end.",
    ] {
        assert!(text.contains(words), "{words}");
    }
    let joined: String = text.split(' ').collect();
    let whole = "abcdefghij".repeat(300);
    // Tag's number, name and lines; say, heading, small, fact and its value, caption of table, item, words of a photograph...
    assert!(
        joined.matches(&whole).count() >= 6,
        "{}",
        joined.matches(&whole).count()
    );
    assert!(
        text.matches("row words figure").count() > 4,
        "the head stands on every page"
    );
}

/// Every word on every page lies inside the margins; none on another one.
#[test]
fn words_stay_inside_the_margins() {
    const MM: f64 = 72.0 / 25.4;
    let dir = tempfile::tempdir().unwrap();
    for document in [demo::report(), demo::awkward()] {
        for (paper, width, height) in [(Paper::A4, 210.0, 297.0), (Paper::Letter, 215.9, 279.4)] {
            written(&document, paper, dir.path());
            let Some(text) = run("pdftotext", &["-bbox", "report.pdf", "-"], dir.path()) else {
                return;
            };
            let mut words = 0;
            for line in text.lines().filter(|l| l.trim_start().starts_with("<word")) {
                let number = |name: &str| -> f64 {
                    let from = line.find(&format!(" {name}=\"")).unwrap() + name.len() + 3;
                    line[from..].split('"').next().unwrap().parse().unwrap()
                };
                words += 1;
                let across = number("xMin") >= 18.0 * MM - 0.5
                    && number("xMax") <= (width - 15.0) * MM + 0.5;
                // The box of a word is as high as the face, a fifth more than its letters.
                let down = number("yMin") >= 13.0 * MM - 4.0
                    && number("yMax") <= (height - 12.0) * MM + 1.5;
                assert!(across && down, "{paper:?}: {line}");
            }
            assert!(words > 500);
        }
    }
}

#[test]
fn another_reader_finds_size_bookmarks_tags_and_the_marks_of_the_standard() {
    let dir = tempfile::tempdir().unwrap();
    let python = std::env::var("FEELGAUGE_PYTHON").unwrap_or_else(|_| "python3".into());
    let script = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/reference/pdf_facts.py");
    for (paper, size) in [
        (Paper::A4, "595.28 841.89"),
        (Paper::Letter, "612.00 792.00"),
    ] {
        written(&demo::report(), paper, dir.path());
        let Some(facts) = run(&python, &[script, "report.pdf"], dir.path()) else {
            return;
        };
        for fact in [
            &format!("size {size}"),
            "title Inspection no. 14, Plover 8",
            "author Harbour Lane model club",
            "language en",
            "created 2031-05-17T14:04:02+00:00",
            "part 3",
            "conformance A",
            "marked True",
            "intent GTS_PDFA1",
            "bookmark 1 Summary",
            "bookmark 2 Test: leak",
            "attached findings.json Data application/json",
            "attached manifest-sha256.txt Supplement text/plain",
            "unembedded 0",
            "untagged pages 0",
            "figures without words 0",
            "first tags Document Sect H1",
        ] {
            assert!(
                facts.lines().any(|l| l == fact),
                "{fact} is not in\n{facts}"
            );
        }
        for (tag, least) in [
            ("Table", 5),
            ("TH", 6),
            ("L", 3),
            ("Figure", 10),
            ("H2", 5),
            ("Code", 3),
            ("Caption", 3),
        ] {
            let count = facts
                .lines()
                .find_map(|l| l.strip_prefix(&format!("tag {tag} ")));
            let count: usize = count.unwrap_or("0").parse().unwrap();
            assert!(count >= least, "{tag}: {count} in\n{facts}");
        }
    }
}

#[test]
fn what_cannot_be_shown_is_named() {
    let mut document = demo::report();
    document.attached.push(document.attached[0].clone());
    let error = pdf(&document, Paper::A4).unwrap_err();
    assert!(
        matches!(&error, PdfError::Attached { name, .. } if name == "manifest-sha256.txt"),
        "{error}"
    );
    let mut document = demo::report();
    let broken = Shown {
        jpeg: b"no picture".to_vec(),
        ..demo::photograph(8, 8, 1)
    };
    let photographs = feelgauge::report::document::Block::Photographs(vec![broken]);
    document.sections[0].blocks.push(photographs);
    let error = pdf(&document, Paper::A4).unwrap_err().to_string();
    assert!(
        error.contains("tag-1.jpg") && error.contains("plain JPEG"),
        "{error}"
    );
}

//! Documents to print: a report of the kept captures, and one that is as awkward as can be.

use std::sync::OnceLock;

use feelgauge::{
    inspect::Finding,
    report::{
        document::{Attached, Block, Document, Drawing, Judgement, Section, Shown, Table},
        plot::{Frame, Mark, Picture, Width, pictures},
    },
};
use image::{Rgb, RgbImage, codecs::jpeg::JpegEncoder};

pub const DIGEST: &str = "5d0c7e3a91b84f26c0aa17d26e4b93f108d75c2eb3916a4f7722e0c94fa1d35b";
pub const COMMAND: &str = "ssh-keygen -Y verify -f signers.txt -I club@example.org -n feelgauge-seal -s club.sig < tagmanifest-sha256.txt";

fn owned(texts: &[&str]) -> Vec<String> {
    texts.iter().map(|t| (*t).to_owned()).collect()
}

fn drawing(picture: &Picture) -> Drawing {
    Drawing {
        heading: picture.heading.clone(),
        svg: picture.svg(Frame::Paper),
        on_page: [picture.svg(Frame::Page), picture.svg(Frame::Page)],
        label: picture.label().to_owned(),
        caption: picture.caption.clone(),
        size: picture.size(),
    }
}

/// The pictures of the kept captures: leak, pull, roll; the rule first.
fn drawings() -> Vec<Vec<Drawing>> {
    static FOUND: OnceLock<Vec<Finding>> = OnceLock::new();
    let found = FOUND.get_or_init(|| {
        super::CAPTURES
            .iter()
            .map(|folder| super::found(folder))
            .collect()
    });
    let of = |finding| pictures(finding, Width::Wide).iter().map(drawing).collect();
    found.iter().map(of).collect()
}

/// A photograph of a workshop that never was.
pub fn photograph(width: u32, height: u32, seed: u32) -> Shown {
    let pixel = |x: u32, y: u32| {
        let (x, y) = (x * 255 / width, y * 255 / height);
        let stripe = if (x + y + seed * 40) % 64 < 24 { 60 } else { 0 };
        let tone = |v: u32| u8::try_from((v + stripe).min(255)).unwrap();
        Rgb([
            tone(x * 3 / 4),
            tone(y / 2 + seed * 7 % 60),
            tone(90 + x / 4),
        ])
    };
    let mut jpeg = Vec::new();
    let image = RgbImage::from_fn(width, height, pixel);
    JpegEncoder::new_with_quality(&mut jpeg, 80)
        .encode_image(&image)
        .unwrap();
    Shown {
        jpeg,
        size: (width, height),
        words: format!(
            "The tag on the tank, 2031-05-17T14:2{}:40+01:00 (tag-{seed}.jpg)",
            seed % 10
        ),
    }
}

fn judgement(test: &str, mark: Mark, texts: [&str; 3], rule: &Drawing) -> Judgement {
    Judgement {
        test: test.into(),
        mark: Some(mark),
        figure: texts[0].into(),
        range: texts[1].into(),
        words: texts[2].into(),
        rule: Some(rule.clone()),
    }
}

fn facts(facts: &[(&str, &str)]) -> Block {
    let fact = |(a, b): &(&str, &str)| ((*a).to_owned(), (*b).to_owned());
    Block::Facts(facts.iter().map(fact).collect())
}

fn table(caption: &str, head: &[&str], figures: &[usize], rows: &[&[&str]], sum: bool) -> Block {
    Block::Table(Table {
        caption: caption.into(),
        head: owned(head),
        figures: figures.to_vec(),
        rows: rows.iter().map(|row| owned(row)).collect(),
        sum,
    })
}

/// A report as it is handed over.
#[allow(clippy::too_many_lines)] // one document, read from top to bottom
pub fn report() -> Document {
    let drawn = drawings();
    let judged = [
        judgement(
            "leak",
            Mark::Outside,
            [
                "4.1 cm³ of air a minute at 10 kPa",
                "3.7 to 4.5",
                "With the lid clamped 1.4 is left: two thirds are the lid seal, the rest is undecided.",
            ],
            &drawn[0][0],
        ),
        judgement(
            "pull",
            Mark::Undecided,
            [
                "27.4 N peak from 5 pulls",
                "26.3 to 28.5",
                "Two more pulls decide it. Pull as fast as the last one.",
            ],
            &drawn[1][0],
        ),
        judgement(
            "roll",
            Mark::Within,
            [
                "11 hits in 34 turns",
                "18 to 49 in 100",
                "Front left wheel held: 91 % front ring and pinion.",
            ],
            &drawn[2][0],
        ),
    ];
    let summary = summary(&judged);
    let mut sections = vec![summary];
    for (judged, drawn) in judged.iter().zip(&drawn) {
        sections.push(test_page(judged, &drawn[1..]));
    }
    sections.push(photographs());
    sections.push(verify());
    Document {
        title: "Inspection no. 14, Plover 8".into(),
        author: "Harbour Lane model club".into(),
        made: "2031-05-17T14:04:02Z".parse().unwrap(),
        foot: "No. 14".into(),
        sections,
        attached: vec![
            Attached {
                name: "manifest-sha256.txt".into(),
                words: "List of the contents of the inspection with their digests".into(),
                media_type: "text/plain",
                bytes: format!("{DIGEST}  data/findings.json\n")
                    .repeat(40)
                    .into_bytes(),
            },
            Attached {
                name: "findings.json".into(),
                words: "Results as JSON".into(),
                media_type: "application/json",
                bytes: b"[{\"test\": \"leak\", \"leak_rate_pa_m3_s\": 6.9e-3}]\n".to_vec(),
            },
        ],
    }
}

fn summary(judged: &[Judgement]) -> Section {
    let mut blocks = vec![
        Block::Tag {
            number: "14".into(),
            name: "Plover 8, measured as it came back".into(),
            lines: owned(&[
                "Harbour Lane model club. 1:8 four-wheel-drive buggy, 3.5 cm³ two-stroke, tank 125 cm³, 3.40 kg.",
                "2031-05-17T14:21:40+01:00 to 15:02:13+01:00. 19 °C, 1009 hPa. Probes calibrated 2031-05-05.",
            ]),
        },
        Block::Say("Leak is outside. Start with the lid seal: five minutes. The hitch comes from the front diff.".into()),
    ];
    blocks.extend(judged.iter().cloned().map(Block::Judgement));
    blocks.extend([
        table(
            "What to open, in this order",
            &["part", "guilty", "work"],
            &[1, 2],
            &[&["tank lid, seal", "97 %", "5 min"], &["front diff: ring and pinion", "91 %", "50 min"], &["engine: piston and sleeve", "80 %", "90 min"]],
            false,
        ),
        table(
            "What it costs (prices as the club entered them)",
            &["part", "from", "price"],
            &[2],
            &[&["lid seal", "new", "3 to 4"], &["ring and pinion, shims", "donor car", "8 to 12"], &["put right", "", "11 to 16"]],
            true,
        ),
        Block::Heading("Seen and felt, not measured".into()),
        Block::List {
            numbered: false,
            items: owned(&["Needles in place, not turned: dry seals tear.", "Front diff case: one screw head stripped."]),
        },
        Block::Heading("Not checked".into()),
        Block::List {
            numbered: false,
            items: owned(&["Clutch bell bearing, electronics, shocks.", "The engine was not run."]),
        },
        Block::Small("How to read the rules. The notch is the limit, the white line is the value. The block is the part of the uncertainty that counts for the verdict: clear of the notch on one side or the other, the verdict stands; across it, the verdict is undecided.".into()),
    ]);
    Section {
        name: "Summary".into(),
        new_page: true,
        blocks,
    }
}

fn test_page(judged: &Judgement, drawn: &[Drawing]) -> Section {
    let mut blocks = vec![Block::Judgement(judged.clone())];
    blocks.extend(drawn.iter().cloned().map(Block::Picture));
    blocks.push(facts(&[
        ("method", "Pressure is held and falls toward the room. The settled part is fitted by a decay; its slope and the test volume give the leak."),
        ("in SI", "6.9e-3 Pa m³/s, u = 0.3e-3, air at 20 °C, reference 10 kPa gauge"),
        ("volume", "133 cm³, u = 3 cm³, by syringe; the hose gives a little and is counted in u"),
        ("setup", "as found: tank, lid, pressure nipple and fuel line in play"),
        ("limit", "1.5 cm³/min, the club's own"),
        ("probe", "pressure P-07, calibrated 2031-05-05 by water column; 4 200 lines, none lost, none broken"),
    ]));
    Section {
        name: format!("Test: {}", judged.test),
        new_page: true,
        blocks,
    }
}

fn photographs() -> Section {
    Section {
        name: "Photographs".into(),
        new_page: true,
        blocks: vec![
            Block::Text("The number on the tag is in each picture, so that a picture cannot be of another car.".into()),
            Block::Photographs(vec![photograph(640, 480, 1), photograph(480, 640, 2), photograph(640, 360, 3)]),
        ],
    }
}

fn verify() -> Section {
    Section {
        name: "How to verify".into(),
        new_page: false,
        blocks: vec![
            Block::Text("The inspection is a folder with a list of its files and their digests. Anybody can check it with tools that come with most systems.".into()),
            Block::List {
                numbered: true,
                items: owned(&["Check that every file is as it was.", "Check who signed the list.", "Compare the digest with the one below."]),
            },
            Block::Typed(owned(&["sha256sum -c manifest-sha256.txt", COMMAND])),
            Block::Digest {
                of: "SHA-256 of tagmanifest-sha256.txt".into(),
                sha256: DIGEST.into(),
            },
            Block::Qr {
                text: format!("sha256:{DIGEST}"),
                words: "The same digest for a telephone. Whoever has it can tell years later whether the folder is the one that was handed over.".into(),
            },
        ],
    }
}

/// Rows, words, pictures and characters that no page was made for.
#[allow(clippy::too_many_lines)] // one document, read from top to bottom
pub fn awkward() -> Document {
    let long = "abcdefghij".repeat(300);
    let rows = (0..200).map(|i| {
        let words = if i == 100 {
            "many words ".repeat(700)
        } else {
            format!("what was seen at reading {i}")
        };
        vec![format!("row {i}"), words, format!("{}.{}", i * 7, i % 10)]
    });
    let tall = Drawing {
        heading: "A drawing taller than a page".into(),
        svg: "<svg xmlns=\"http://www.w3.org/2000/svg\" width=\"640\" height=\"9000\" viewBox=\"0 0 640 9000\">\
            <path d=\"M0 0L640 9000\" stroke=\"#000\"/><text x=\"10\" y=\"4000\" font-family=\"Barlow Semi Condensed Medium\" \
            font-size=\"15\">\u{394}p \u{2192} 4</text></svg>".into(),
        on_page: [String::new(), String::new()],
        label: "a line \u{2198}".into(),
        caption: Some("caption ".repeat(300)),
        size: (640.0, 9000.0),
    };
    let photographs: Vec<Shown> = (0..50)
        .map(|i| {
            if i % 3 == 0 {
                photograph(60, 90, i)
            } else {
                photograph(90, 60, i)
            }
        })
        .collect();
    let mut wordy = photograph(90, 60, 3);
    wordy.words.clone_from(&long);
    let judged = Judgement {
        test: long.clone(),
        mark: None,
        figure: String::new(),
        range: String::new(),
        words: "refused because ".repeat(200),
        rule: None,
    };
    let blocks = vec![
        Block::Tag {
            number: long.clone(),
            name: long.clone(),
            lines: vec![long.clone(), String::new()],
        },
        Block::Say(long.clone()),
        Block::Heading(long.clone()),
        Block::Text(
            "one\n\ntwo\ttabs \u{4e2d}\u{6587} \u{1f697} \u{2192} \u{394} \u{202e}bidi e\u{301}"
                .into(),
        ),
        Block::Small(long.clone()),
        Block::Judgement(judged.clone()),
        Block::Picture(tall),
        Block::Facts(vec![
            (long.clone(), long.clone()),
            (String::new(), String::new()),
        ]),
        Block::Facts(Vec::new()),
        Block::Table(Table {
            caption: long.clone(),
            head: owned(&["row", "words", "figure"]),
            figures: vec![2],
            rows: rows.collect(),
            sum: true,
        }),
        Block::Table(Table {
            caption: String::new(),
            head: Vec::new(),
            figures: vec![7],
            rows: vec![vec![], owned(&["only one"]), vec!["cell".into(); 12]],
            sum: true,
        }),
        Block::Table(Table {
            caption: "no rows".into(),
            head: owned(&["a", "b"]),
            figures: vec![],
            rows: vec![],
            sum: true,
        }),
        Block::List {
            numbered: true,
            items: (0..120)
                .map(|i| format!("item {i}"))
                .chain([long.clone(), String::new()])
                .collect(),
        },
        Block::List {
            numbered: false,
            items: Vec::new(),
        },
        Block::Photographs(photographs),
        Block::Photographs(vec![wordy]),
        Block::Photographs(Vec::new()),
        Block::Digest {
            of: long.clone(),
            sha256: DIGEST.into(),
        },
        Block::Digest {
            of: String::new(),
            sha256: String::new(),
        },
        Block::Qr {
            text: "x".repeat(4000),
            words: long.clone(),
        },
        Block::Qr {
            text: "short".into(),
            words: "words ".repeat(300),
        },
        Block::Typed(vec![long.clone(), String::new(), "a  b".into()]),
        Block::Text(String::new()),
        Block::Judgement(Judgement {
            test: "leak".into(),
            ..judged.clone()
        }),
    ];
    let section = |name: &str, blocks| Section {
        name: name.into(),
        new_page: false,
        blocks,
    };
    Document {
        title: format!("\u{7}\u{4e2d} {long}"),
        author: "\u{1f697}".into(),
        made: "2031-05-17T14:04:02Z".parse().unwrap(),
        foot: long.clone(),
        sections: vec![
            section("Everything", blocks),
            section("", Vec::new()),
            section(
                "refused",
                vec![Block::Judgement(Judgement {
                    test: "pull".into(),
                    ..judged
                })],
            ),
            section(&long, vec![Block::Text("The end.".into())]),
        ],
        attached: vec![Attached {
            name: "empty.csv".into(),
            words: String::new(),
            media_type: "text/csv; charset=utf-8",
            bytes: Vec::new(),
        }],
    }
}

/// Nothing at all.
pub fn empty() -> Document {
    Document {
        title: String::new(),
        author: String::new(),
        made: "2031-05-17T14:04:02Z".parse().unwrap(),
        foot: String::new(),
        sections: Vec::new(),
        attached: Vec::new(),
    }
}

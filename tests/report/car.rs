//! An inspection of the demo car, made by hand around the sample captures.

use feelgauge::{
    evidence::captures::Agreement,
    inspect::{Finding, Stated},
    inspection::{
        Act, Car, Checked, Decision, Deed, Entry, Moment, Objection, Opening, Owner, Party,
        Photograph, PlannedPart, Price, Sense, Stage, Visit,
    },
    reading::SOFTWARE,
    record::{Capture, Files, read_capture},
    report::document::{
        Shown,
        build::{CONTENTS, Inspected, InspectedCapture, Proof, ReadCapture},
    },
    vehicle::Vehicle,
};

pub const LEAK: &str = "20310517T142140Z-leak-whole";
pub const PULL: &str = "20310517T142649Z-pull-plug_in_cold";
pub const ROLL: &str = "20310517T143107Z-roll-one_fl";
pub const PLOVER: &str = include_str!("../../captures/plover-8.toml");
pub const DIGEST: &str = "5d0c7e3a91b84f26c0aa17d26e4b93f108d75c2eb3916a4f7722e0c94fa1d35b";
/// What no report may repeat.
pub const OWNER: &str = "Ada Quaymaster";

/// A sample capture.
pub fn capture(name: &str) -> Capture {
    read_capture(&Files::under("captures"), name).unwrap()
}

/// Its finding with what else is stated.
pub fn finding(capture: &Capture, stated: Stated) -> Finding {
    capture.analyze(stated, None).unwrap()
}

/// A capture as the report takes it.
pub fn read(name: &str, capture: &Capture, finding: Finding) -> InspectedCapture {
    InspectedCapture {
        name: name.into(),
        read: Ok(ReadCapture {
            meta: capture.meta.clone(),
            lines: capture.rows.iter().map(|rows| rows.len() as u64).collect(),
            closed: capture.closed.is_some(),
            finding,
            agreement: Some(Agreement::Same),
        }),
    }
}

/// A sample capture as it is.
pub fn sample(name: &str) -> InspectedCapture {
    let capture = capture(name);
    let finding = finding(&capture, Stated::default());
    read(name, &capture, finding)
}

pub fn opening() -> Opening {
    Opening {
        format: 1,
        tag: "14".into(),
        opened: "2031-05-17T15:21:40+01:00".into(),
        operator: "R. Tern".into(),
        house: Some("Harbour Lane model club".into()),
        owner: Some("member 31".into()),
        reason: Some("came back with a hitch and a starter that feels flat".into()),
        car: Car {
            name: "Plover 8".into(),
            description: Some("1:8 four-wheel-drive buggy, 3.5 cm3 two-stroke".into()),
            serial: Some("PL8-00417".into()),
            marks: vec!["burr on the left shock tower".into()],
            fitted: vec!["other air filter".into()],
        },
        claimed: vec![
            "\"rebuilt last winter\"".into(),
            "\"starts on the second pull\"".into(),
        ],
    }
}

/// Journal lines, two minutes apart.
pub fn journal(deeds: Vec<Deed>) -> Vec<Entry> {
    (1..)
        .zip(deeds)
        .map(|(n, deed)| Entry {
            n,
            when: jiff::Timestamp::from_second(1_936_794_100 + 120 * i64::try_from(n).unwrap())
                .unwrap(),
            who: "R. Tern".into(),
            deed,
        })
        .collect()
}

pub fn captured(name: &str, test: &str, stage: Stage) -> Deed {
    Deed::Captured {
        capture: name.into(),
        test: test.into(),
        setup: None,
        stage,
    }
}

fn part(name: &str, part: Option<&str>, act: Act, minutes: u32, price: (u64, u64)) -> Deed {
    Deed::Part(PlannedPart {
        name: name.into(),
        part: part.map(str::to_owned),
        act,
        minutes: Some(minutes),
        from: Some("new".into()),
        price: Some(Price {
            low: price.0,
            high: price.1,
            currency: "EUR".into(),
        }),
        priced_by: Some("the club".into()),
    })
}

/// An inspection without journal and captures.
pub fn empty() -> Inspected {
    Inspected {
        visit: Visit {
            opening: opening(),
            owner: Some(Owner {
                name: OWNER.into(),
                contact: vec![format!("{OWNER} Lane 7")],
            }),
            entries: Vec::new(),
        },
        vehicle: Some(Vehicle::parse(PLOVER).unwrap()),
        captures: Vec::new(),
        comparisons: Vec::new(),
        photographs: Vec::new(),
        remarks: Vec::new(),
        proof: Proof::Open {
            path: format!("report/{CONTENTS}"),
            contents: format!("{DIGEST}  inspection.toml\n"),
            sha256: DIGEST.into(),
        },
    }
}

/// A small JPEG: grey, wider than high.
pub fn jpeg() -> Shown {
    let picture = image::RgbImage::from_fn(320, 200, |x, y| {
        let on = (x / 20 + y / 20) % 2 == 0;
        image::Rgb(if on { [190, 190, 180] } else { [90, 100, 110] })
    });
    let mut jpeg = Vec::new();
    picture
        .write_to(
            &mut std::io::Cursor::new(&mut jpeg),
            image::ImageFormat::Jpeg,
        )
        .unwrap();
    Shown {
        jpeg,
        size: (320, 200),
        words: String::new(),
    }
}

/// The demo car as it came in.
#[allow(clippy::too_many_lines)] // one visit, read from top to bottom
pub fn plover() -> Inspected {
    let photograph = "photographs/lid.jpg";
    let deeds = vec![
        Deed::Opened {
            software: SOFTWARE.into(),
        },
        Deed::Conditions {
            temperature_k: Some(292.15),
            ambient_pa: Some(100_900.0),
            words: None,
        },
        Deed::Photographed(Photograph {
            file: photograph.into(),
            sha256: DIGEST.into(),
            bytes: 4711,
            width: 320,
            height: 200,
            orientation: 1,
            taken: Some("2031:05:17 15:18:02+01:00".into()),
            words: Some("tank lid with its seal".into()),
            tag_in_picture: true,
        }),
        Deed::Observed {
            sense: Sense::Felt,
            text: "needles in place, not turned: dry seals tear".into(),
            photograph: None,
        },
        Deed::Observed {
            sense: Sense::Seen,
            text: "front diff case, one screw head stripped".into(),
            photograph: Some(photograph.into()),
        },
        Deed::NotChecked {
            text: "clutch bell bearing, electronics, shocks".into(),
        },
        Deed::Checked(Checked {
            moment: Moment::Before,
            by: "weight".into(),
            probe: capture(PULL).meta.probes[0].name.clone(),
            stated: 19.61,
            stated_u: 0.01,
            shown: 19.66,
            shown_u: 0.05,
            unit: "N".into(),
            capture: None,
        }),
        captured(LEAK, "leak", Stage::AsFound),
        captured(PULL, "pull", Stage::AsFound),
        Deed::ClockSet { by_s: 3600.0 },
        captured(ROLL, "roll", Stage::AsFound),
        part("lid seal", None, Act::ToOpen, 5, (300, 400)),
        part(
            "front ring and pinion",
            Some("ring_f"),
            Act::ToOpen,
            50,
            (800, 1200),
        ),
        Deed::Corrected {
            line: 5,
            text: "two screw heads".into(),
        },
        Deed::Attached {
            file: "attachments/receipt.pdf".into(),
            sha256: DIGEST.into(),
            bytes: 12_345,
            words: "receipt of the rebuild".into(),
        },
        Deed::Joint {
            present: vec![Party {
                name: "R. Tern".into(),
                role: "shop".into(),
            }],
            objections: vec![Objection {
                name: "A. Merle".into(),
                text: "the lid was tight in March".into(),
            }],
            file: "joint-statement.txt".into(),
            sha256: DIGEST.into(),
        },
        Deed::Decided {
            decision: Decision::Repair,
            offer: None,
            words: Some("worth the parts".into()),
        },
    ];
    let mut inspected = empty();
    inspected.visit.entries = journal(deeds);
    inspected.captures = [LEAK, PULL, ROLL].map(sample).to_vec();
    inspected.photographs = vec![(photograph.into(), Ok(jpeg()))];
    inspected
}

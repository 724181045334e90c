//! The sample of the folder's format in `captures/`: how it was made. It is made anew for a new format only.

use feelgauge::{
    clock::Clock,
    inspection::{
        Act, Car, Checked, Decision, Deed, Folder, Moment, Objection, Opening, Owner, Party,
        PlannedPart, Price, Sense, Stage,
    },
};

use crate::{crash::capture, place::picture};

/// `FEELGAUGE_SAMPLE=FOLDER cargo test --test inspection -- --ignored make_the_sample`
#[allow(clippy::too_many_lines)] // one visit after its course
#[test]
#[ignore = "writes a folder"]
fn make_the_sample() {
    let base = std::env::var("FEELGAUGE_SAMPLE").unwrap();
    let clock = Clock::virtual_from("2031-05-17T14:00:00Z".parse().unwrap());
    let opening = Opening {
        format: 1,
        tag: "14".into(),
        opened: "2031-05-17T14:00:00Z".into(),
        operator: "R. Tern".into(),
        house: Some("Harbour Lane model club".into()),
        owner: Some("member 31".into()),
        reason: Some("came back with a hitch".into()),
        car: Car {
            name: "Plover 8".into(),
            description: Some("1:8 buggy, four-wheel drive, 3.5 cm3 two-stroke".into()),
            serial: Some("P8-0042".into()),
            marks: vec!["scratch across the left tub".into()],
            fitted: vec!["other wheels".into()],
        },
        claimed: vec!["one gallon through it".into()],
    };
    let owner = Owner {
        name: "A. Merle".into(),
        contact: vec!["3 Quay Steps, Harbour Lane".into()],
    };
    let vehicle = include_bytes!("../../captures/plover-8.toml");
    let folder = Folder::create(base.as_ref(), &clock, &opening, Some(&owner), Some(vehicle));
    let folder = folder.unwrap();
    let who = "R. Tern";
    let mut minute = 0;
    let mut write = |deed: Deed| {
        minute += 1;
        clock.set_us(minute * 60_000_000);
        folder.write(&clock, who, deed).unwrap()
    };
    write(Deed::Conditions {
        temperature_k: Some(292.15),
        ambient_pa: Some(100_900.0),
        words: Some("after an hour in the warm room".into()),
    });
    let front = picture(image::ImageFormat::Jpeg, 1);
    folder
        .put_photograph(&clock, who, "front.jpg", &front, Some("front"), true)
        .unwrap();
    write(Deed::Observed {
        sense: Sense::Seen,
        text: "lid seal is flat".into(),
        photograph: Some("photographs/front.jpg".into()),
    });
    write(Deed::NotChecked {
        text: "clutch bell".into(),
    });
    folder
        .put_attachment(&clock, who, "receipt.txt", b"receipt\n", "receipt")
        .unwrap();
    for moment in [Moment::Before, Moment::After] {
        write(Deed::Checked(Checked {
            moment,
            by: "weight".into(),
            probe: "force-A1".into(),
            stated: 19.6133,
            stated_u: 0.066,
            shown: 19.6,
            shown_u: 0.05,
            unit: "N".into(),
            capture: None,
        }));
    }
    let (name, files) = capture();
    folder
        .put_capture_files(&clock, who, &name, files, Stage::AsFound)
        .unwrap();
    let price = Price {
        low: 300,
        high: 450,
        currency: "EUR".into(),
    };
    write(Deed::Part(PlannedPart {
        name: "lid seal".into(),
        part: None,
        act: Act::Needed,
        minutes: Some(15),
        from: Some("new".into()),
        price: Some(price.clone()),
        priced_by: Some(who.into()),
    }));
    write(Deed::Decided {
        decision: Decision::Repair,
        offer: Some(price),
        words: Some("worth it".into()),
    });
    write(Deed::Repaired {
        text: "lid seal renewed".into(),
    });
    let party = Party {
        name: "member 31".into(),
        role: "owner".into(),
    };
    let objection = Objection {
        name: "member 31".into(),
        text: "I was told that it was sound".into(),
    };
    folder
        .put_joint_statement(&clock, who, &[party], &[objection])
        .unwrap();
    write(Deed::Corrected {
        line: 2,
        text: "19.5 C".into(),
    });
    clock.set_wall(-3_600_000_000);
    write(Deed::Repaired {
        text: "ring shimmed".into(),
    });
    // what a power cut leaves of a line
    let path = std::path::Path::new(&base).join("journal.jsonl");
    let text = std::fs::read(&path).unwrap();
    std::fs::write(
        &path,
        [text.as_slice(), b"{\"n\":21,\"prev\":\"5d"].concat(),
    )
    .unwrap();
    write(Deed::Repaired {
        text: "pinion cleaned".into(),
    });
}

//! A whole visit from the first line to the verified seal, by the command line alone.

use std::fs;

use image::ImageFormat;

use crate::place::{LEAK, PULL, Place, copy, picture, sample};

/// As found, repaired and measured again; the second leak is the sample under another name.
#[allow(clippy::too_many_lines)] // one visit after its course
pub fn whole(place: &Place) {
    let p = |args: &[&str]| place.inspection(args).done();
    place.put("front.jpg", picture(ImageFormat::Jpeg, 1));
    place.put("seal.png", picture(ImageFormat::Png, 2));
    place.put("receipt.pdf", "%PDF-1.4 no real one\n");
    place.put(
        "owner.toml",
        "name = \"Ada Merle\"\ncontact = [\"3 Quay Steps, Harbour Lane\", \"ada.merle@example.org\"]\n",
    );
    copy(
        sample(LEAK).as_ref(),
        &place.at("20310518T090000Z-leak-whole"),
    );
    let vehicle = sample("plover-8.toml");
    p(&[
        "open",
        "i",
        "--by",
        "R. Tern",
        "--tag",
        "14",
        "--car",
        "Plover 8",
        "--serial",
        "P8-0042",
        "--mark",
        "scratch across the left tub",
        "--claimed",
        "one gallon through it",
        "--owner",
        "member 31",
        "--owner-file",
        "owner.toml",
        "--house",
        "Harbour Lane model club",
        "--vehicle",
        &vehicle,
        "--reason",
        "came back with a hitch",
    ]);
    p(&[
        "photograph",
        "i",
        "front.jpg",
        "--shows",
        "front, with tag",
        "--tag-in-picture",
    ]);
    p(&[
        "conditions",
        "i",
        "--temperature",
        "19C",
        "--pressure",
        "1009hPa",
    ]);
    p(&[
        "observe",
        "i",
        "lid seal is flat",
        "--photograph",
        "seal.png",
    ]);
    p(&[
        "observe",
        "i",
        "hitch once a turn",
        "--felt",
        "--by",
        "A. Knot",
    ]);
    p(&["not-checked", "i", "clutch bell, for want of a puller"]);
    p(&[
        "attach",
        "i",
        "receipt.pdf",
        "--words",
        "receipt of the last service",
    ]);
    p(&[
        "check",
        "i",
        "weight",
        "--before",
        "--probe",
        "force-A1",
        "--stated",
        "2kg",
        "--shown",
        "19.6N",
        "--shown-u",
        "0.05N",
    ]);
    p(&["add", "i", &sample(LEAK), &sample(PULL)]);
    p(&[
        "parts",
        "i",
        "lid seal",
        "--act",
        "needed",
        "--price",
        "3..4.50EUR",
        "--priced-by",
        "R. Tern",
        "--minutes",
        "15",
        "--from",
        "new",
    ]);
    p(&[
        "decide", "i", "repair", "--offer", "85EUR", "--words", "worth it",
    ]);
    p(&["repair", "i", "lid seal renewed"]);
    p(&["add", "i", "20310518T090000Z-leak-whole"]);
    p(&["compare", "i"]);
    p(&[
        "check",
        "i",
        "weight",
        "--after",
        "--probe",
        "force-A1",
        "--stated",
        "2kg",
        "--shown",
        "19.6N",
        "--shown-u",
        "0.05N",
    ]);
    p(&["correct", "i", "6", "hitch twice a turn"]);
    p(&[
        "joint",
        "i",
        "--present",
        "R. Tern:shop",
        "--present",
        "member 31:owner",
        "--objection",
        "member 31:I was told that it was sound",
    ]);
}

#[allow(clippy::too_many_lines)] // one visit after its course
#[test]
fn a_visit_is_entered_shown_sealed_and_verified() {
    let place = Place::new();
    whole(&place);
    let journal = place.journal();
    let what: Vec<&str> = journal
        .iter()
        .map(|l| l["what"].as_str().unwrap())
        .collect();
    assert_eq!(
        what,
        [
            "opened",
            "photographed",
            "conditions",
            "photographed",
            "observed",
            "observed",
            "not_checked",
            "attached",
            "checked",
            "captured",
            "found",
            "captured",
            "found",
            "part",
            "decided",
            "repaired",
            "captured",
            "found",
            "found",
            "checked",
            "corrected",
            "joint"
        ]
    );
    assert_eq!(journal[5]["who"], "A. Knot");
    assert_eq!(journal[6]["who"], "R. Tern", "who opened it");
    assert_eq!(
        (&journal[9]["stage"], &journal[16]["stage"]),
        (&"as_found".into(), &"after_repair".into())
    );
    let front = &journal[1];
    assert_eq!(
        (&front["width"], &front["tag_in_picture"]),
        (&24.into(), &true.into())
    );
    assert_eq!(
        fs::read(place.at("i/photographs/front.jpg")).unwrap(),
        fs::read(place.at("front.jpg")).unwrap()
    );
    // 2 kg weigh 19.6133 N, 0.3 % for the scale and 0.15 % for gravity of an unstated place
    let stated = journal[8]["stated"].as_f64().unwrap();
    let u = journal[8]["stated_u"].as_f64().unwrap();
    assert!(
        (stated - 19.6133).abs() < 1e-4 && (u - 0.0658).abs() < 2e-3,
        "{stated} {u}"
    );
    let finding = fs::read_to_string(place.at(&format!("i/findings/{LEAK}.json"))).unwrap();
    let again = place
        .run(&["analyze", "leak", "--json", &sample(LEAK)])
        .done();
    assert_eq!(finding, again, "as analyze says it, to the byte");
    let statement = fs::read_to_string(place.at("i/joint-statement.txt")).unwrap();
    for words in [
        "Car no. 14: Plover 8",
        "member 31 (owner)",
        "I was told that it was sound",
        "P8-0042",
    ] {
        assert!(statement.contains(words), "{words} in {statement}");
    }

    let page = place.inspection(&["show", "i"]).done();
    for words in [
        "no. 14, Plover 8",
        "scratch across the left tub",
        "19 C, 1009 hPa",
        "felt: hitch once a turn",
        "corrected in line 21: hitch twice a turn",
        "3.00 to 4.50 EUR says R. Tern",
        "decided: repair it; offered: 85.00 EUR",
        "member 31 objects: I was told that it was sound",
    ] {
        assert!(page.contains(words), "'{words}' is missing in:\n{page}");
    }
    assert!(
        !page.contains("lacks") && !page.contains("do not fit"),
        "{page}"
    );
    let shown = place.inspection(&["show", "i", "--json"]).json();
    assert_eq!(shown["entries"].as_array().unwrap().len(), journal.len());
    assert_eq!(
        (&shown["missing"], &shown["remarks"]),
        (&serde_json::json!([]), &serde_json::json!([]))
    );

    place.key("club");
    place
        .run(&["seal", "i", "--sign", "club", "--as", "shop"])
        .done();
    let verified = place.run(&["verify", "i-sealed", "--json"]).json();
    assert_eq!(verified["holds"], true, "{verified}");
    let check = |part: &str| {
        let checks = verified["checks"].as_array().unwrap();
        checks.iter().find(|c| c["part"] == part).unwrap()["outcome"].clone()
    };
    for part in ["journal", "captures", "findings", "comparisons"] {
        assert_eq!(check(part), "holds", "{verified}");
    }
}

#[test]
fn a_sealed_inspection_is_read_and_never_written() {
    let place = Place::new();
    place.opened();
    place.key("club");
    place
        .run(&["seal", "i", "--sign", "club", "--as", "shop"])
        .done();
    let page = place.inspection(&["show", "i-sealed"]).done();
    assert!(page.contains("Plover 8, sealed"), "{page}");
    place.put("front.jpg", picture(ImageFormat::Jpeg, 1));
    let before = fs::read(place.at("i-sealed/data/journal.jsonl")).unwrap();
    for dir in ["i-sealed", "i-sealed/data", "i-sealed/data/../data"] {
        place
            .inspection(&["observe", dir, "late"])
            .refuses(2, &["sealed"]);
        place
            .inspection(&["photograph", dir, "front.jpg"])
            .refuses(2, &["sealed"]);
        place
            .inspection(&["add", dir, &sample(LEAK)])
            .refuses(2, &["sealed"]);
        place
            .run(&["take", "leak", "--inspection", dir, "--port", "nowhere"])
            .refuses(2, &["sealed"]);
    }
    let inside = "i-sealed/data/second";
    place
        .inspection(&[
            "open", inside, "--by", "R. Tern", "--tag", "1", "--car", "x",
        ])
        .refuses(2, &["sealed"]);
    assert_eq!(
        fs::read(place.at("i-sealed/data/journal.jsonl")).unwrap(),
        before
    );
    place.run(&["verify", "i-sealed"]).done();
}

#[test]
fn what_a_good_record_lacks_is_named() {
    let place = Place::new();
    place.opened();
    let missing = |place: &Place| {
        let shown = place.inspection(&["show", "i", "--json"]).json();
        shown["missing"]
            .as_array()
            .unwrap()
            .iter()
            .map(|m| m.as_str().unwrap().to_owned())
            .collect::<Vec<_>>()
    };
    let at_first = missing(&place);
    for words in [
        "serial number",
        "no photograph",
        "temperature",
        "pressure of the air",
        "no test",
        "decided",
    ] {
        assert!(
            at_first.iter().any(|m| m.contains(words)),
            "{words} in {at_first:?}"
        );
    }
    place.put("front.jpg", picture(ImageFormat::Jpeg, 1));
    place.inspection(&["photograph", "i", "front.jpg"]).done();
    place.inspection(&["add", "i", &sample(LEAK)]).done();
    let later = missing(&place);
    for words in [
        "tag in the picture",
        "before the first test",
        "after the last test",
    ] {
        assert!(
            later.iter().any(|m| m.contains(words)),
            "{words} in {later:?}"
        );
    }
    place
        .inspection(&["repair", "i", "lid seal renewed"])
        .done();
    assert!(
        missing(&place)
            .iter()
            .any(|m| m.contains("no test after the repair"))
    );
}

//! The page: whole, alone, deaf to what is written into an inspection.

use std::{fs, path::Path};

use feelgauge::{
    inspect::Stated,
    inspection::Deed,
    report::document::{Document, Paper, build::build, html, pdf},
};
use resvg::usvg;

use crate::car::{self, LEAK};

/// Elements without an end.
const VOID: [&str; 3] = ["meta", "img", "!doctype"];

/// Walks a page: every element that is opened is closed, in order. Names of elements with their attributes' text.
#[track_caller]
fn elements(page: &str) -> Vec<(String, String)> {
    let mut open: Vec<String> = Vec::new();
    let mut all = Vec::new();
    let mut rest = page;
    while let Some(at) = rest.find('<') {
        let end = at + rest[at..].find('>').expect("a tag ends");
        let tag = &rest[at + 1..end];
        rest = &rest[end + 1..];
        if let Some(name) = tag.strip_prefix('/') {
            assert_eq!(open.pop().as_deref(), Some(name));
            continue;
        }
        let (name, attributes) = tag.split_once(' ').unwrap_or((tag, ""));
        let alone = attributes.ends_with('/') || name.ends_with('/');
        let name = name.trim_end_matches('/').to_lowercase();
        if name == "style" {
            // its text is no markup
            rest = &rest[rest.find("</style>").unwrap()..];
        }
        if !alone && !VOID.contains(&name.as_str()) {
            open.push(name.clone());
        }
        all.push((name, attributes.to_owned()));
    }
    assert_eq!(open, Vec::<String>::new());
    all
}

/// A page that stands alone: well formed, no script, nothing fetched.
#[track_caller]
fn sound(page: &str) {
    assert!(page.starts_with("<!DOCTYPE html><html lang=\"en\">"));
    let policy = "default-src 'none'; img-src data:; font-src data:; style-src 'sha256-";
    let all = elements(page);
    let has = |name: &str, text: &str| all.iter().any(|(n, a)| n == name && a.contains(text));
    assert!(page.contains(&policy.replace('\'', "&#39;")) || page.contains(policy));
    assert!(has("meta", "charset=\"utf-8\"") && has("meta", "Content-Security-Policy"));
    for (name, attributes) in &all {
        assert!(
            !matches!(
                name.as_str(),
                "script" | "link" | "iframe" | "object" | "embed" | "form" | "base"
            ),
            "{name}"
        );
        for attribute in attributes.split('"').step_by(2).map(str::trim) {
            assert!(!attribute.starts_with("on"), "{name} {attribute}");
            assert_ne!(attribute, "style=", "{name}: the policy forbids it");
        }
        for (key, value) in attributes.split('"').zip(attributes.split('"').skip(1)) {
            match key.trim() {
                "src=" => assert!(value.starts_with("data:"), "{value}"),
                "href=" => assert!(value.starts_with('#'), "{value}"),
                _ => {}
            }
        }
    }
    let outside = page.replace("http://www.w3.org/2000/svg", "");
    assert!(!outside.contains("http:") && !outside.contains("https:"));
    assert!(!outside.contains("url(") || outside.matches("url(").count() == 3);
    assert!(!page.contains(car::OWNER));
}

/// Kept for a look at it.
fn keep(name: &str, document: &Document) {
    let folder = Path::new(env!("CARGO_TARGET_TMPDIR"));
    fs::write(folder.join(format!("{name}.html")), html(document)).unwrap();
    for paper in Paper::ALL {
        let bytes = pdf(document, paper).unwrap();
        assert!(bytes.starts_with(b"%PDF-"));
        fs::write(folder.join(format!("{name}-{paper:?}.pdf")), bytes).unwrap();
    }
}

#[test]
fn the_page_stands_alone() {
    let document = build(&car::plover());
    let page = html(&document);
    sound(&page);
    assert_eq!(page.matches("<h1>").count(), 1);
    assert!(page.contains("data:image/jpeg;base64,/9j/"));
    keep("plover", &document);
}

#[test]
fn the_same_inspection_gives_the_same_bytes() {
    let of = || {
        let document = build(&car::plover());
        (html(&document), pdf(&document, Paper::A4).unwrap())
    };
    assert_eq!(of(), of());
}

#[test]
fn nothing_at_all_is_still_a_report() {
    let document = build(&car::empty());
    let page = html(&document);
    sound(&page);
    for said in [
        "Nothing was measured",
        "No leak was taken",
        "No pull was taken",
        "No roll was taken",
    ] {
        assert!(page.contains(said), "{said}");
    }
    keep("empty", &document);
}

#[test]
fn one_test_alone_is_a_report() {
    let mut inspected = car::empty();
    inspected.captures = vec![car::sample(LEAK)];
    inspected.vehicle = None;
    let document = build(&inspected);
    let page = html(&document);
    sound(&page);
    assert!(page.contains("the journal does not name it"));
    assert!(page.contains("No pull was taken") && !page.contains("No leak was taken"));
    keep("one", &document);
}

#[test]
#[allow(clippy::too_many_lines)] // every place where a person writes
fn markup_in_an_inspection_stays_text() {
    const EVIL: &str = "<script>alert(1)</script>\"'&<img src=x onerror=alert(2)>";
    let mut inspected = car::plover();
    let opening = &mut inspected.visit.opening;
    opening.tag = EVIL.into();
    opening.opened = EVIL.into();
    opening.operator = EVIL.into();
    for field in [
        &mut opening.house,
        &mut opening.owner,
        &mut opening.reason,
        &mut opening.car.description,
        &mut opening.car.serial,
    ] {
        *field = Some(EVIL.into());
    }
    opening.car.name = EVIL.into();
    for list in [
        &mut opening.car.marks,
        &mut opening.car.fitted,
        &mut opening.claimed,
    ] {
        *list = vec![EVIL.into()];
    }
    for entry in &mut inspected.visit.entries {
        entry.who = EVIL.into();
        let text = serde_json::to_string(&entry.deed).unwrap();
        let evil = serde_json::to_string(EVIL).unwrap();
        let mut deed: serde_json::Value = serde_json::from_str(&text).unwrap();
        for (key, value) in deed.as_object_mut().unwrap() {
            let free = [
                "words",
                "text",
                "name",
                "priced_by",
                "from",
                "setup",
                "software",
                "by",
                "probe",
            ];
            if free.contains(&key.as_str()) && (value.is_string() || value.is_null()) {
                *value = serde_json::from_str(&evil).unwrap();
            }
        }
        entry.deed = serde_json::from_value::<Deed>(deed).unwrap();
    }
    for capture in &mut inspected.captures {
        let read = capture.read.as_mut().unwrap();
        read.meta.operator = Some(EVIL.into());
        read.meta.setup = Some(EVIL.into());
        for probe in &mut read.meta.probes {
            probe.name = EVIL.into();
        }
    }
    let mut vehicle = inspected.vehicle.take().unwrap();
    for shaft in &mut vehicle.shafts {
        shaft.label = Some(EVIL.into());
    }
    inspected.vehicle = Some(vehicle);
    let document = build(&inspected);
    let page = html(&document);
    sound(&page);
    assert!(page.matches("&lt;script&gt;alert(1)").count() > 20);
    for paper in Paper::ALL {
        pdf(&document, paper).unwrap();
    }
}

#[test]
fn drawings_can_be_drawn_by_others() {
    let document = build(&car::plover());
    let page = html(&document);
    let options = usvg::Options::default();
    let mut drawn = 0;
    for svg in page.split("<svg").skip(1) {
        let svg = format!("<svg{}</svg>", svg.split("</svg>").next().unwrap());
        let svg = if svg.contains("xmlns") {
            svg
        } else {
            svg.replacen("<svg", "<svg xmlns=\"http://www.w3.org/2000/svg\"", 1)
        };
        usvg::Tree::from_str(&svg, &options).unwrap();
        drawn += 1;
    }
    assert!(drawn > 12, "{drawn}");
}

#[test]
fn every_state_has_a_page() {
    let capture = car::capture(LEAK);
    let of = |limit_pa_m3_s: f64| {
        let stated = Stated {
            limit_pa_m3_s: Some(limit_pa_m3_s),
            ..Stated::default()
        };
        car::finding(&capture, stated)
    };
    let rate = of(1.0).as_leak().unwrap().leak_rate_pa_m3_s.unwrap();
    let mut cut = capture.clone();
    for rows in &mut cut.rows {
        rows.truncate(20);
    }
    let refused = car::finding(&cut, Stated::default());
    assert!(refused.refused().is_some());
    for (word, finding) in [
        ("within", of(rate.value * 3.0)),
        ("undecided", of(rate.value)),
        ("outside", of(rate.value / 3.0)),
        ("refused", refused),
    ] {
        let mut inspected = car::empty();
        inspected.captures = vec![car::read(LEAK, &capture, finding.clone())];
        let document = build(&inspected);
        let page = html(&document);
        sound(&page);
        assert!(
            page.contains(&format!("As it came in leak is {word}.")),
            "{word}"
        );
        if let Some(all) = finding.refused() {
            assert!(page.contains("Refused, no number: "));
            assert!(page.contains(&format!("({})", all[0].code)));
            assert!(!page.contains("cm3 of air a minute</b>"));
        } else {
            assert!(page.contains(&format!("</svg> {word}</span>")));
        }
        keep(word, &document);
    }
}

//! The plot room: every picture of every kind of finding and of a running test, at both widths. Drawn alone and read back by
//! a renderer with the real faces: well-formed, inside its frame, no word on another, the same bytes twice.

#![allow(clippy::unwrap_used)] // in a test an unwrap is an assertion

mod drawn;
mod scenes;

use drawn::Drawn;
use feelgauge::report::plot::{Frame, Width};
use scenes::Scene;

/// Every picture of every scene: name, width, picture.
fn all() -> Vec<(String, Width, feelgauge::report::plot::Picture)> {
    let mut all = Vec::new();
    for Scene { name, draw } in scenes::all() {
        for width in Width::ALL {
            for (i, picture) in draw(width).into_iter().enumerate() {
                all.push((
                    format!("{name}-{}-{}", i + 1, width.units()),
                    width,
                    picture,
                ));
            }
        }
    }
    all
}

#[test]
fn every_picture_is_well_formed_labelled_and_inside_its_frame() {
    let pictures = all();
    assert!(pictures.len() > 80, "{}", pictures.len());
    for (name, width, picture) in pictures {
        let drawn = Drawn::new(&picture.svg(Frame::Alone));
        let xml = drawn.xml();
        let root = xml.root_element();
        assert_eq!(root.attribute("role"), Some("img"), "{name}");
        let label = root.attribute("aria-label").unwrap();
        assert_eq!(label, picture.label(), "{name}");
        assert!(
            label.len() > 12 && label.trim_end().ends_with('.'),
            "{name}: {label}"
        );
        assert!(
            !label.contains("NaN") && !label.contains("inf"),
            "{name}: {label}"
        );
        assert!(!picture.heading.is_empty(), "{name}");
        assert!(
            xml.descendants().all(|n| n.attribute("id").is_none()),
            "{name}"
        );
        let (w, h) = picture.size();
        assert!((w - width.units()).abs() < 1e-9, "{name}");
        let out = drawn.outside(w, h);
        assert!(out.is_empty(), "{name}: {out:?}");
    }
}

#[test]
fn no_word_lies_on_another() {
    for (name, _, picture) in all() {
        let drawn = Drawn::new(&picture.svg(Frame::Alone));
        let clashes = drawn.clashes();
        assert!(clashes.is_empty(), "{name}: {clashes:?}");
    }
}

#[test]
#[ignore = "writes every picture as PNG to look at: FEELGAUGE_PLOTS=FOLDER cargo test --test plot -- --ignored"]
fn pictures_to_look_at() {
    let folder = std::path::PathBuf::from(std::env::var_os("FEELGAUGE_PLOTS").unwrap());
    std::fs::create_dir_all(&folder).unwrap();
    for (name, _, picture) in all() {
        let png = feelgauge::report::plot::png(&picture.svg(Frame::Alone), 2.0).unwrap();
        std::fs::write(folder.join(format!("{name}.png")), png).unwrap();
    }
}

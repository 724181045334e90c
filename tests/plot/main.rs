//! The plot room: every picture of every kind of finding and of a running test, at both widths. Drawn alone and read back by
//! a renderer with the real faces: well-formed, inside its frame, no word on another, the same bytes twice.

#![allow(clippy::unwrap_used)] // in a test an unwrap is an assertion

mod cli;
mod drawn;
mod scenes;
mod speed;
mod style;
mod views;

use drawn::Drawn;
use feelgauge::{
    inspect::{Finding, comparison::CompareResult, guide::View},
    report::plot::{self, Frame, Width},
    units::CM3_PER_MIN,
};
use resvg::usvg::roxmltree;
use scenes::Scene;

/// Every picture of every scene: name, width, picture.
fn all() -> Vec<(String, Width, plot::Picture)> {
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
fn clashes_and_what_reaches_out_are_seen() {
    let svg = r#"<svg xmlns="http://www.w3.org/2000/svg" width="60" height="40"><g font-family="Barlow Semi Condensed" font-weight="700" font-size="15">
        <text x="4" y="20">one</text><text x="20" y="24">two</text><text x="50" y="20">three</text></g></svg>"#;
    let drawn = Drawn::new(svg);
    assert_eq!(drawn.clashes().len(), 1, "{:?}", drawn.clashes());
    assert_eq!(drawn.outside(60.0, 40.0).len(), 1);
}

#[test]
fn the_same_finding_gives_the_same_bytes() {
    for ((name, _, one), (_, _, other)) in all().into_iter().zip(all()) {
        for frame in [Frame::Page, Frame::Alone] {
            assert_eq!(one.svg(frame), other.svg(frame), "{name}");
        }
    }
}

/// What the demo's pictures say to somebody who does not see them.
#[test]
fn labels_say_numbers_and_verdict() {
    let said: Vec<String> = scenes::captured()
        .iter()
        .flat_map(|f| plot::pictures(f, Width::Narrow.of_car(Some(scenes::car()))))
        .map(|p| p.label().to_owned())
        .collect();
    let has = |words: &str| assert!(said.iter().any(|l| l.contains(words)), "{words}: {said:#?}");
    has(
        "cubic centimetres of air a minute, range 13.2 to 20.0. The limit is 0.3; the whole block lies beyond it: outside.",
    );
    has("The first second is not counted; the fit follows the readings after it.");
    has("the weight of the car, and the whole block lies beyond it: within.");
    has("Pull 1: 51.1 N, 12 strokes.");
    has("in a column at 330 degrees.");
    has("Suspects, most probable first: front ring gear, above 99 %");
}

/// The value at a place of a rule, read off its numbers as a person does.
fn read_off(xml: &roxmltree::Document, x: f64) -> f64 {
    let number = |n: roxmltree::Node| -> Option<(f64, f64)> {
        let is_number = n.attribute("class") == Some("t15");
        let value = n.text().filter(|_| is_number)?.parse().ok()?;
        Some((n.attribute("x")?.parse().ok()?, value))
    };
    let numbers: Vec<(f64, f64)> = xml.descendants().filter_map(number).collect();
    let (first, last) = (numbers[0], numbers[numbers.len() - 1]);
    first.1 + (x - first.0) / (last.0 - first.0) * (last.1 - first.1)
}

#[test]
fn blocks_of_the_captures_end_where_their_intervals_end() {
    let [leak, pull, roll] = scenes::captured() else {
        panic!("three captures")
    };
    let (Finding::Leak(leak_found), Finding::Pull(pull_found), Finding::Roll(roll_found)) =
        (leak, pull, roll)
    else {
        panic!("one of each")
    };
    let weight = 3.4 * 9.806_65;
    let expected = [
        leak_found
            .leak_rate_pa_m3_s
            .unwrap()
            .scaled(1.0 / CM3_PER_MIN),
        pull_found.lift_ratio.unwrap().scaled(weight),
        roll_found.snags.as_ref().unwrap()[0].hit_rate.scaled(100.0),
    ];
    for (finding, estimate) in [leak, pull, roll].into_iter().zip(expected) {
        for width in Width::ALL {
            let picture = plot::pictures(finding, width).remove(0);
            let svg = picture.svg(Frame::Page);
            let xml = roxmltree::Document::parse(&svg).unwrap();
            let block = xml
                .descendants()
                .find(|n| n.attribute("class") == Some("bar"))
                .unwrap();
            let number = |name| block.attribute(name).unwrap().parse::<f64>().unwrap();
            let (x0, x1) = (number("x"), number("x") + number("width"));
            // Places are written to a tenth of a unit.
            let tenth = read_off(&xml, 0.15) - read_off(&xml, 0.0);
            for (x, end) in [(x0, estimate.lo95), (x1, estimate.hi95)] {
                let off = (read_off(&xml, x) - end).abs();
                assert!(off < tenth, "{}: {off} of {tenth}", picture.heading);
            }
        }
    }
}

#[test]
fn words_from_files_are_escaped() {
    let View::Roll(mut view) = views::live().pop().unwrap().1 else {
        panic!("the last scene is of a roll")
    };
    let name = "</text><script>alert(\"1\")</script>&amp;\u{1}\u{7}";
    view.suspects[0].part = name.into();
    for picture in plot::live(&View::Roll(view), Width::Wide) {
        let svg = picture.svg(Frame::Alone);
        assert!(!svg.contains("<script"), "{svg}");
        let drawn = Drawn::new(&svg);
        let seen = "</text><script>alert(\"1\")</script>&amp;\u{fffd}\u{fffd}";
        assert!(
            drawn
                .xml()
                .root_element()
                .attribute("aria-label")
                .unwrap()
                .contains(seen)
        );
    }
    let finding = &scenes::captured()[0];
    let svg = plot::sheet(finding, name, None);
    assert!(!svg.contains("<script") && Drawn::new(&svg).xml().root_element().has_children());
}

#[test]
fn a_sheet_holds_every_picture_and_nothing_reaches_out() {
    let sheets = scenes::captured()
        .iter()
        .map(|f| plot::sheet(f, "captures/of the demo car", Some(scenes::car())))
        .chain(scenes::before_and_after().iter().map(|(_, compared)| {
            let result = CompareResult::of(vec![compared.clone()], &[]);
            plot::comparison_sheet(&result, "before, after", None)
        }));
    for svg in sheets {
        let drawn = Drawn::new(&svg);
        let xml = drawn.xml();
        let size = |name| {
            xml.root_element()
                .attribute(name)
                .unwrap()
                .parse::<f64>()
                .unwrap()
        };
        assert!(drawn.outside(size("width"), size("height")).is_empty());
        assert!(drawn.clashes().is_empty(), "{:?}", drawn.clashes());
        assert!(svg.contains("<style>") && !svg.contains("var("));
    }
}

#[test]
#[ignore = "writes every picture as PNG to look at: FEELGAUGE_PLOTS=FOLDER cargo test --test plot -- --ignored"]
fn pictures_to_look_at() {
    let folder = std::path::PathBuf::from(std::env::var_os("FEELGAUGE_PLOTS").unwrap());
    std::fs::create_dir_all(&folder).unwrap();
    for (name, _, picture) in all() {
        let png = plot::png(&picture.svg(Frame::Alone), 2.0).unwrap();
        std::fs::write(folder.join(format!("{name}.png")), png).unwrap();
    }
}

//! Nothing is told by colour alone: what differs in meaning differs in shape, filling, weight or dashes.

use std::collections::{BTreeMap, BTreeSet};

use feelgauge::report::plot::{Frame, Mark, STYLE, mark};

use super::{all, roxmltree};

/// Every class of the style sheet with what it says apart from colour.
fn without_colour() -> BTreeMap<String, BTreeSet<String>> {
    let mut found: BTreeMap<String, BTreeSet<String>> = BTreeMap::new();
    for rule in STYLE.split('}').map(str::trim).filter(|r| !r.is_empty()) {
        let (selector, declarations) = rule.split_once('{').unwrap();
        let Some(class) = selector.trim().strip_prefix(".plot .") else {
            continue;
        };
        let colourless = declarations.split(';').map(|d| {
            let (property, value) = d.split_once(':').unwrap();
            let value = if value.starts_with("var(") {
                "coloured"
            } else {
                value
            };
            format!("{property}:{value}")
        });
        found
            .entry(class.to_owned())
            .or_default()
            .extend(colourless);
    }
    found
}

#[test]
fn meanings_differ_without_colour() {
    let classes = without_colour();
    for group in [
        vec!["bar", "barh", "bard"],
        vec!["raw", "notc", "fit", "limit", "grid", "axis", "bandedge"],
        vec!["col", "colb", "colh"],
        vec!["solid", "hollow", "under", "bandedge"],
        vec!["rawdot", "dot"],
    ] {
        for (i, a) in group.iter().enumerate() {
            for b in &group[i + 1..] {
                assert_ne!(classes[*a], classes[*b], "{a} and {b}");
            }
        }
    }
}

#[test]
fn pictures_and_style_name_the_same_classes() {
    let known: BTreeSet<String> = without_colour().into_keys().collect();
    let mut used = BTreeSet::new();
    for (name, _, picture) in all() {
        let svg = picture.svg(Frame::Page);
        let xml = roxmltree::Document::parse(&svg).unwrap();
        for node in xml
            .root_element()
            .descendants()
            .skip(1)
            .filter(roxmltree::Node::is_element)
        {
            // Groups only move what is in them.
            let Some(class) = node.attribute("class") else {
                panic!("{name}: a {} without a class", node.tag_name().name())
            };
            assert!(node.attribute("fill").is_none() && node.attribute("style").is_none());
            used.extend(class.split(' ').map(str::to_owned));
        }
    }
    let unknown: Vec<&String> = used.difference(&known).collect();
    assert!(unknown.is_empty(), "not in the style sheet: {unknown:?}");
    let unused: Vec<&String> = known.difference(&used).collect();
    // On sheets, and for shapes that another room may draw.
    let elsewhere = ["hollow", "inked", "outed", "sheet", "minor"];
    assert!(
        unused.iter().all(|c| elsewhere.contains(&c.as_str())),
        "never drawn: {unused:?}"
    );
}

#[test]
fn marks_differ_in_their_silhouettes_and_take_the_colour_of_their_word() {
    let mut shapes = BTreeSet::new();
    for one in Mark::ALL {
        let svg = mark(one).into_string();
        let xml = roxmltree::Document::parse(&svg).unwrap();
        let root = xml.root_element();
        assert_eq!(root.attribute("aria-hidden"), Some("true"));
        let mut shape = String::new();
        for node in root.children() {
            for attribute in node.attributes() {
                let (name, value) = (attribute.name(), attribute.value());
                if matches!(name, "fill" | "stroke") {
                    assert!(matches!(value, "none" | "currentColor"), "{one:?}: {value}");
                }
                shape.extend([name, "=", value, ";"]);
            }
        }
        assert!(shapes.insert(shape), "{one:?} looks like another");
    }
    // Filled in the jaws, filled on top, dashed and empty.
    let is_dashed = |m| mark(m).into_string().contains("stroke-dasharray");
    assert!(is_dashed(Mark::Undecided) && is_dashed(Mark::NotShown));
    assert!(!is_dashed(Mark::Within) && !is_dashed(Mark::Outside));
}

//! What the report says: its numbers are those of the findings, and what is wrong is said.

use feelgauge::{
    evidence::{Difference, captures::Agreement},
    inspection::{Deed, Stage},
    reading::Estimate,
    report::document::{
        Block, Document,
        build::{CONTENTS, InspectedCapture, RESULTS, build},
        groups,
    },
};

use crate::car::{self, DIGEST, LEAK, OWNER, PULL, ROLL};

/// Everything that a document says, a line each.
fn words(document: &Document) -> String {
    document
        .sections
        .iter()
        .flat_map(|section| &section.blocks)
        .map(said)
        .collect::<Vec<_>>()
        .join("\n")
}

fn said(block: &Block) -> String {
    match block {
        Block::Tag {
            number,
            name,
            lines,
        } => format!("{number} {name} {}", lines.join(" ")),
        Block::Say(text) | Block::Heading(text) | Block::Text(text) | Block::Small(text) => {
            text.clone()
        }
        Block::Judgement(j) => format!("{} {} {} {}", j.test, j.figure, j.range, j.words),
        Block::Picture(drawing) => format!("{} {}", drawing.heading, drawing.label),
        Block::Facts(facts) => {
            let lines: Vec<String> = facts.iter().map(|(a, b)| format!("{a}: {b}\n")).collect();
            lines.concat()
        }
        Block::Table(table) => {
            let rows: Vec<String> = table.rows.iter().map(|row| row.join(" | ")).collect();
            format!("{}\n{}", table.caption, rows.join("\n"))
        }
        Block::List { items, .. } => items.join("\n"),
        Block::Photographs(all) => all.iter().map(|p| p.words.clone()).collect(),
        Block::Digest { of, sha256 } => format!("{of} {sha256}"),
        Block::Qr { text, words } => format!("{text} {words}"),
        Block::Typed(lines) => lines.join("\n"),
    }
}

#[track_caller]
fn says(text: &str, all: &[&str]) {
    for one in all {
        assert!(text.contains(one), "{one:?} is not in:\n{text}");
    }
}

/// GUM 7.2.6 by itself: value and ends to the place of the first digit of u, one more where that digit is a 1 or near it.
fn rounded(estimate: Estimate) -> (String, String) {
    let exponent = libm::log10(estimate.u).floor();
    let lead = estimate.u / libm::pow(10.0, exponent);
    #[allow(clippy::cast_possible_truncation)]
    let places = -exponent as i32 + i32::from(lead < 1.95);
    let show = |value: f64| {
        if let Ok(places) = usize::try_from(places) {
            format!("{value:.places$}")
        } else {
            let step = libm::pow(10.0, f64::from(-places));
            format!("{:.0}", (value / step).round() * step)
        }
    };
    (
        show(estimate.value),
        format!("{} to {}", show(estimate.lo95), show(estimate.hi95)),
    )
}

#[test]
fn figures_are_those_of_the_findings() {
    let inspected = car::plover();
    let document = build(&inspected);
    let of = |i: usize| &inspected.captures[i].read.as_ref().unwrap().finding;
    let leak = of(0).as_leak().unwrap().leak_rate_pa_m3_s.unwrap();
    // cm3 of air a minute at 20 C and 101325 Pa
    let leak = leak.scaled(60.0 * 1e6 / 101_325.0);
    let roll = of(2).as_roll().unwrap().snags.as_ref().unwrap()[0].hit_rate;
    let mut heads = 0;
    for block in document.sections.iter().flat_map(|s| &s.blocks) {
        let Block::Judgement(head) = block else {
            continue;
        };
        let (value, range) = match head.test.as_str() {
            "leak" => rounded(leak),
            "roll" => rounded(roll.scaled(100.0)),
            _ => continue,
        };
        assert!(
            head.figure.starts_with(&format!("{value} ")),
            "{} {value}",
            head.figure
        );
        assert_eq!(head.range, range);
        assert!(head.rule.is_some() && head.mark.is_some());
        heads += 1;
    }
    assert_eq!(heads, 4, "on the first page and on their own");
    let feelgauge::inspect::Finding::Pull(pull) = of(1) else {
        panic!("a pull")
    };
    let ratio = rounded(pull.lift_ratio.unwrap());
    let volume = rounded(of(0).as_leak().unwrap().volume_m3.unwrap().scaled(1e6));
    says(
        &words(&document),
        &[
            &format!("lift ratio {} ({})", ratio.0, ratio.1),
            &format!("{} cm3, range {}", volume.0, volume.1),
        ],
    );
}

#[test]
fn the_first_page_says_what_matters() {
    let document = build(&car::plover());
    let first: Vec<String> = document.sections[0].blocks.iter().map(said).collect();
    let first = first.join("\n");
    says(
        &first,
        &[
            "14 Plover 8",
            "2031-05-17T15:21:40+01:00 to 2031-05-17T",
            "19 C, 1009 hPa",
            "owner's reference member 31",
            "Known by: serial number PL8-00417; burr on the left shock tower; fitted: other air filter.",
            "As it came in ",
            "Open first: lid seal, 5 min.",
            "Decided: repair it. Worth the parts.",
            "What to open, in this order",
            "lid seal | to be opened | not judged | 5 min | new | 3.00 to 4.00",
            "front ring and pinion | to be opened | above 99 % | 50 min | new | 8.00 to 12.00",
            "all |  |  | 55 min |  | 11.00 to 16.00",
            "Felt: needles in place",
            "[corrected later: two screw heads]",
            "Clutch bell bearing",
            "How to read the rules",
            "Limits. ",
            "not a certificate",
            &groups(DIGEST),
        ],
    );
    assert!(!words(&document).contains(OWNER));
}

#[test]
fn the_rest_is_there() {
    let document = build(&car::plover());
    says(
        &words(&document),
        &[
            "before the first test, known weight: 19.66 N",
            "they agree within their uncertainties",
            "Tank lid with its seal. The tag 14 is in the picture. The camera says 2031:05:17 15:18:02+01:00.",
            "claimed: \"rebuilt last winter\"",
            "found: leak, as it came in: ",
            "receipt of the rebuild | attachments/receipt.pdf | 12345",
            "R. Tern (shop) were there",
            "A. Merle objects: the lid was tight in March",
            "the machine's clock was set forward by 3600 s",
            "Fuel is toxic",
            "Igniter off",
            "sha256sum --quiet -c report/contents-sha256.txt",
            &format!("sha256:{DIGEST}"),
            "from the recorded lines: the same to the bit",
        ],
    );
    let names: Vec<&str> = document.attached.iter().map(|a| a.name.as_str()).collect();
    assert_eq!(names, [CONTENTS, RESULTS]);
    let results: serde_json::Value = serde_json::from_slice(&document.attached[1].bytes).unwrap();
    assert_eq!(results["findings"][2]["capture"], ROLL);
    assert_eq!(results["findings"][0]["finding"]["test"], "leak");
}

#[test]
fn what_differs_and_what_cannot_be_read_is_said() {
    let mut inspected = car::plover();
    let read = inspected.captures[0].read.as_mut().unwrap();
    read.agreement = Some(Agreement::Differs(Difference::at(
        "findings/x.json",
        7,
        "other",
    )));
    inspected.captures.push(InspectedCapture {
        name: "20310517T150000Z-leak-whole".into(),
        read: Err("no capture.toml".into()),
    });
    inspected.photographs[0].1 = Err("no picture".into());
    says(
        &words(&build(&inspected)),
        &[
            "DIFFERS from what its lines give: findings/x.json:7: other",
            "DIFFERING from it: 1 recorded result, named where it stands.",
            "captures/20310517T150000Z-leak-whole: no capture.toml. Nothing in this report is taken from it.",
            "photographs/lid.jpg: cannot be shown: no picture",
        ],
    );
}

#[test]
fn the_last_capture_of_a_stage_counts() {
    let mut inspected = car::plover();
    let mut again = car::sample(LEAK);
    again.name = "20310517T160000Z-leak-whole".into();
    let mut repaired = car::sample(PULL);
    repaired.name = "20310518T100000Z-pull-plug_in_cold".into();
    let mut deeds: Vec<Deed> = inspected
        .visit
        .entries
        .iter()
        .map(|e| e.deed.clone())
        .collect();
    deeds.push(car::captured(&again.name, "leak", Stage::AsFound));
    deeds.push(car::captured(&repaired.name, "pull", Stage::AfterRepair));
    inspected.visit.entries = car::journal(deeds);
    inspected.captures.extend([again, repaired]);
    let document = build(&inspected);
    let text = words(&document);
    says(
        &text,
        &[
            &format!("taken before: captures/{LEAK}: "),
            "the last one counts",
            "After the repair pull is ",
        ],
    );
    let pages = document
        .sections
        .iter()
        .filter(|s| s.name.contains("as it came in"))
        .count();
    assert_eq!(pages, 3, "leak again, pull, roll");
    assert_eq!(
        document
            .sections
            .iter()
            .filter(|s| s.name.contains("after the repair"))
            .count(),
        1
    );
}

//! A copy with the owner's data left out still verifies, and says nothing of them anywhere.

use std::{fs, process::Command};

use crate::{
    place::{Place, copy},
    visit::whole,
};

/// Every file under a folder that holds one of the words, in upper or lower case.
fn holding(folder: &std::path::Path, words: &[&str]) -> Vec<String> {
    let mut found = Vec::new();
    let mut open = vec![folder.to_path_buf()];
    while let Some(folder) = open.pop() {
        for entry in fs::read_dir(folder).unwrap() {
            let path = entry.unwrap().path();
            if path.is_dir() {
                open.push(path);
                continue;
            }
            let text = String::from_utf8_lossy(&fs::read(&path).unwrap()).to_lowercase();
            if words.iter().any(|word| text.contains(&word.to_lowercase())) {
                found.push(path.display().to_string());
            }
        }
    }
    found
}

#[allow(clippy::too_many_lines)] // one visit after its course
#[test]
fn a_copy_without_its_owner_still_verifies() {
    let place = Place::new();
    whole(&place);
    place.run(&["report", "i"]).done();
    place.key("club");
    place
        .run(&["seal", "i", "--sign", "club", "--as", "shop"])
        .done();
    let secret = ["Ada Merle", "Quay Steps", "ada.merle"];
    assert!(!holding(&place.at("i-sealed"), &secret).is_empty());
    place
        .inspection(&["copy", "i-sealed", "public", "--leave-out", "owner.toml"])
        .done();
    assert_eq!(holding(&place.at("public"), &secret), [] as [String; 0]);
    // what a PDF packs is looked at unpacked
    let pdf = place.at("public/data/report/report.pdf");
    match Command::new("pdftotext").arg(&pdf).arg("-").output() {
        Err(_) => eprintln!("SKIPPED: pdftotext is missing"),
        Ok(run) => {
            let text = String::from_utf8_lossy(&run.stdout).to_lowercase();
            assert!(run.status.success() && text.contains("plover 8"), "{run:?}");
            for word in secret {
                assert!(!text.contains(&word.to_lowercase()), "{word}");
            }
        }
    }
    place
        .run(&["verify", "public", "--left-out", "owner.toml"])
        .done();
    assert_eq!(
        place.run(&["verify", "public"]).code,
        3,
        "it is not whole, and that is seen"
    );
    let whole = place.inspection(&["show", "public", "--json"]).json();
    assert_eq!(
        (&whole["has_owner"], &whole["sealed"]),
        (&false.into(), &true.into())
    );
    // what is left is still guarded
    copy(&place.at("public"), &place.at("changed"));
    fs::write(place.at("changed/data/vehicle.toml"), "x").unwrap();
    assert_eq!(
        place
            .run(&["verify", "changed", "--left-out", "owner.toml"])
            .code,
        3
    );
    // nothing is copied over something, or into itself
    place
        .inspection(&["copy", "i-sealed", "public"])
        .refuses(2, &["sealed"]);
    place
        .inspection(&["copy", "i-sealed", "front.jpg"])
        .refuses(2, &["exists"]);
    place
        .inspection(&["copy", "i", "i/inside"])
        .refuses(2, &["lies in"]);
    place
        .inspection(&["copy", "i-sealed", "i-sealed/inside"])
        .refuses(2, &["sealed"]);
    place
        .inspection(&["copy", "i-sealed", "p2", "--leave-out", "nobody.toml"])
        .refuses(1, &["nobody.toml"]);
    for path in ["journal.jsonl", "inspection.toml"] {
        place
            .inspection(&["copy", "i-sealed", "p2", "--leave-out", path])
            .refuses(2, &["nothing can be checked"]);
    }
    assert!(!place.at("p2").exists());
}

#[test]
fn the_owners_data_in_another_file_stop_the_copy() {
    let place = Place::new();
    whole(&place);
    place
        .inspection(&["observe", "i", "ADA MERLE says it was dropped"])
        .done();
    place.put("i/report/report.html", "<p>ada.merle@example.org</p>");
    place.inspection(&["copy", "i", "public"]).refuses(
        1,
        &["journal.jsonl", "report/report.html", "nothing was copied"],
    );
    assert!(!place.at("public").exists());
    let copied = place
        .inspection(&["copy", "i", "public", "--anyway", "--json"])
        .json();
    assert_eq!(
        copied["still_names_the_owner"],
        serde_json::json!(["journal.jsonl", "report/report.html"])
    );
}

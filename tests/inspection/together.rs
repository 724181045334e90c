//! Two programs at once.

use std::{collections::BTreeSet, fs, process::Child};

use feelgauge::{
    clock::Clock,
    inspection::{Deed, Folder, Sense},
};

use crate::place::{Place, picture};

fn observed(text: String) -> Deed {
    Deed::Observed {
        sense: Sense::Seen,
        text,
        photograph: None,
    }
}

/// The other program of the test below; it does nothing when nobody asks for it.
#[test]
fn other_program() {
    let Ok(dir) = std::env::var("FEELGAUGE_TEST_INSPECTION") else {
        return;
    };
    let who = std::env::var("FEELGAUGE_TEST_WHO").unwrap();
    let (folder, clock) = (Folder::open(dir.as_ref()).unwrap(), Clock::system());
    for n in 0..300 {
        folder
            .write(&clock, &who, observed(format!("{who} {n}")))
            .unwrap();
    }
}

#[test]
fn two_programs_with_hundreds_of_entries_each_lose_none() {
    let place = Place::new();
    place.opened();
    let other = |who: &str| -> Child {
        std::process::Command::new(std::env::current_exe().unwrap())
            .args(["together::other_program", "--exact", "--nocapture"])
            .env("FEELGAUGE_TEST_INSPECTION", place.at("i"))
            .env("FEELGAUGE_TEST_WHO", who)
            .stdout(std::process::Stdio::null())
            .spawn()
            .unwrap()
    };
    let programs = ["A. Knot", "B. Stint"].map(|who| (who, other(who)));
    // and this one, twice: two folders, two threads
    std::thread::scope(|scope| {
        for who in ["C. Godwit", "D. Dunlin"] {
            let place = &place;
            scope.spawn(move || {
                let (folder, clock) = (Folder::open(&place.at("i")).unwrap(), Clock::system());
                for n in 0..100 {
                    folder
                        .write(&clock, who, observed(format!("{who} {n}")))
                        .unwrap();
                }
            });
        }
    });
    for (who, mut program) in programs {
        assert!(program.wait().unwrap().success(), "{who}");
    }
    let journal = place.journal();
    let texts: BTreeSet<&str> = journal.iter().filter_map(|l| l["text"].as_str()).collect();
    assert_eq!(texts.len(), 800);
    // each in the order in which it was written
    for who in ["A. Knot", "B. Stint", "C. Godwit", "D. Dunlin"] {
        let own: Vec<&str> = journal
            .iter()
            .filter(|l| l["who"] == who)
            .filter_map(|l| l["text"].as_str())
            .collect();
        let count = if who < "C" { 300 } else { 100 };
        assert_eq!(
            own,
            (0..count).map(|n| format!("{who} {n}")).collect::<Vec<_>>()
        );
    }
    let clocks = journal.iter().filter(|l| l["what"] == "clock_set").count();
    assert_eq!(clocks, 0, "one machine has one clock");
    place.inspection(&["show", "i"]).done();
    place.key("club");
    place
        .run(&["seal", "i", "--sign", "club", "--as", "shop"])
        .done();
    place.run(&["verify", "i-sealed"]).done();
}

#[test]
fn photographs_put_in_at_once_keep_names_of_their_own() {
    let place = Place::new();
    place.opened();
    let programs: Vec<Child> = (0..6)
        .map(|n| {
            let name = format!("{n}/front.jpg");
            place.put(&name, picture(image::ImageFormat::Jpeg, n * 40));
            let mut command = place.command(&["inspection", "photograph", "i", &name]);
            command.stdout(std::process::Stdio::null()).spawn().unwrap()
        })
        .collect();
    for mut program in programs {
        assert!(program.wait().unwrap().success());
    }
    let names: BTreeSet<String> = fs::read_dir(place.at("i/photographs"))
        .unwrap()
        .map(|entry| entry.unwrap().file_name().into_string().unwrap())
        .collect();
    let expected = [
        "front.jpg",
        "front-2.jpg",
        "front-3.jpg",
        "front-4.jpg",
        "front-5.jpg",
        "front-6.jpg",
    ];
    assert_eq!(names, expected.map(str::to_owned).into());
    let shown = place.inspection(&["show", "i", "--json"]).json();
    assert_eq!(shown["remarks"], serde_json::json!([]));
}

//! The machine's clock is set while an inspection is open.

use feelgauge::{
    clock::Clock,
    evidence::journal,
    inspection::{Deed, Folder},
};

use crate::place::Place;

fn by_s(folder: &Folder) -> Vec<f64> {
    folder
        .visit()
        .unwrap()
        .clock_jumps()
        .iter()
        .map(|(_, by)| *by)
        .collect()
}

#[test]
fn a_clock_that_was_set_is_recorded() {
    let place = Place::new();
    place.opened();
    let folder = Folder::open(&place.at("i")).unwrap();
    let clock = Clock::virtual_from("2099-05-17T14:21:40Z".parse().unwrap());
    let write = |text: &str| {
        let deed = Deed::Repaired { text: text.into() };
        folder.write(&clock, "R. Tern", deed).unwrap()
    };
    write("a");
    clock.set_us(60_000_000);
    write("b");
    assert_eq!(
        by_s(&folder),
        [] as [f64; 0],
        "a minute passed and nobody set the clock"
    );
    clock.set_wall(-3_600_000_000);
    write("c");
    clock.set_wall(7_200_000_000);
    clock.set_us(61_000_000);
    let last = write("d");
    assert_eq!(by_s(&folder), [-3600.0, 7200.0]);
    assert_eq!(last.when.to_string(), "2099-05-17T15:22:41Z");

    // another program, whose clock is behind the last line: it saw no jump, but the times say so
    let behind = Folder::open(&place.at("i")).unwrap();
    let clock = Clock::virtual_from("2099-05-17T15:22:31Z".parse().unwrap());
    behind
        .write(&clock, "R. Tern", Deed::Repaired { text: "e".into() })
        .unwrap();
    assert_eq!(by_s(&folder), [-3600.0, 7200.0, -10.0]);
    let text = std::fs::read(place.at("i/journal.jsonl")).unwrap();
    let checked = journal::check(journal::FILE, text.as_slice())
        .unwrap()
        .unwrap();
    assert_eq!(checked.backward, 2);
}

//! The statement that the parties sign together: who was there, what was done before their eyes, and what somebody objects to.

use std::fmt::Write as _;

use jiff::Timestamp;

use super::{Deed, Objection, Party, Visit};

/// The statement as plain text. It names what was recorded so far and decides nothing.
pub fn statement(
    visit: &Visit,
    now: Timestamp,
    present: &[Party],
    objections: &[Objection],
) -> String {
    let opening = &visit.opening;
    let mut text = String::new();
    let mut say = |line: &str| {
        text.push_str(line);
        text.push('\n');
    };
    say("JOINT MEASUREMENT");
    say("");
    say(&format!("Car no. {}: {}", opening.tag, opening.car.name));
    if let Some(serial) = &opening.car.serial {
        say(&format!("Serial number: {serial}"));
    }
    for mark in &opening.car.marks {
        say(&format!("Known by: {mark}"));
    }
    say(&format!("Inspection opened: {}", opening.opened));
    say(&format!("This statement: {}", seconds(now)));
    say("");
    say("PRESENT");
    for party in present {
        say(&format!("- {} ({})", party.name, party.role));
    }
    say("");
    say("RECORDED SO FAR, IN THE PRESENCE OF ALL NAMED ABOVE");
    let mut any = false;
    for entry in &visit.entries {
        if let Deed::Captured {
            capture,
            test,
            setup,
            ..
        } = &entry.deed
        {
            any = true;
            let setup = setup.as_ref().map_or(String::new(), |s| format!(", {s}"));
            say(&format!("- {test}{setup}: {capture}"));
        }
    }
    if !any {
        say("- no test yet");
    }
    say("");
    say(
        "Each party signs that it was present while these lines were recorded, and that the car was the one named",
    );
    say("above. Nobody signs that a limit is right or who is to pay.");
    objected(&mut text, present, objections);
    text
}

fn objected(text: &mut String, present: &[Party], objections: &[Objection]) {
    text.push_str("\nOBJECTIONS\n");
    if objections.is_empty() {
        text.push_str("None was stated before this was laid out.\n");
    }
    for objection in objections {
        let _ = writeln!(text, "- {}:", objection.name);
        for line in objection.text.lines() {
            let _ = writeln!(text, "  {line}");
        }
    }
    text.push_str(
        "An objection can still be written when signing: it goes with the signature of whoever objects, in a file of\n\
their own (feelgauge seal BAG --sign KEY --as NAME --statement FILE), or by hand here:\n\n",
    );
    for party in present {
        let _ = writeln!(text, "{}: {}\n", party.name, "_".repeat(60));
    }
}

fn seconds(when: Timestamp) -> String {
    when.strftime("%Y-%m-%dT%H:%M:%SZ").to_string()
}

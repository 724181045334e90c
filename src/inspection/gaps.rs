//! What a good record still lacks.

use super::{Deed, Moment, Stage, Visit};

/// What is missing so that the record binds the numbers to this car on this day, one sentence each, in the order of the work.
pub fn gaps(visit: &Visit) -> Vec<String> {
    let mut missing: Vec<String> = Vec::new();
    let mut lacks = |is_missing: bool, what: &str| {
        if is_missing {
            missing.push(what.to_owned());
        }
    };
    let car = &visit.opening.car;
    let photographs = visit.photographs();
    let captures = visit.captures();
    let conditions = visit.conditions();
    lacks(
        car.serial.is_none() && car.marks.is_empty(),
        "neither a serial number nor a mark says which car this is",
    );
    lacks(photographs.is_empty(), "no photograph");
    lacks(
        !photographs.is_empty() && !photographs.iter().any(|(_, p)| p.tag_in_picture),
        "no photograph with the car's tag in the picture",
    );
    lacks(
        conditions.temperature_k.is_none(),
        "no temperature of the room",
    );
    lacks(conditions.ambient_pa.is_none(), "no pressure of the air");
    lacks(
        visit.observations().is_empty(),
        "nothing seen or felt was entered",
    );
    lacks(captures.is_empty(), "no test");
    if !captures.is_empty() {
        lacks(
            visit.checks(Moment::Before).is_empty(),
            "no check weight or check leak before the first test",
        );
        lacks(
            visit.checks(Moment::After).is_empty(),
            "no check weight or check leak after the last test",
        );
        for taken in captures.iter().filter(|taken| taken.finding.is_none()) {
            lacks(true, &format!("no finding of {}", taken.capture));
        }
    }
    let after = |taken: &&super::visit::TakenTest| taken.stage == Stage::AfterRepair;
    let is_repaired = visit.stage() == Stage::AfterRepair;
    lacks(
        is_repaired && !captures.iter().any(|t| after(&t)),
        "no test after the repair",
    );
    lacks(
        captures.iter().any(|t| after(&t)) && visit.comparisons().is_empty(),
        "no comparison of before and after",
    );
    let decided = visit
        .entries
        .iter()
        .any(|entry| matches!(entry.deed, Deed::Decided { .. }));
    lacks(!decided, "nothing was decided");
    missing
}

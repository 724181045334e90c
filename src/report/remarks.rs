//! What the record was like, in words: flags, faults of the link or the file.

use super::{
    number,
    page::{Page, count, list},
};
use crate::reading::{CalibrationShare, CalibrationState, Quality};

/// Flags of the measures and the feed, each with what it means and what helps.
const FLAGS: &[(&str, &str)] = &[
    (
        "no_tare",
        "The record does not show the open tank for half a second before pumping, so the zero of the probe was not checked; start recording earlier.",
    ),
    (
        "not_tared",
        "With the handle hanging free the probe stood more than 1 N off zero, and that is in every peak: tare it before the session.",
    ),
    (
        "zero_drifts",
        "With the handle hanging free the probe read more and more, or less and less, as the session went on: what its zero had moved since the beginning was taken off each pull. Let the probe warm up, tare it, and pull again.",
    ),
    (
        "absolute_pressure",
        "The readings are absolute pressures; the open tank before pumping was taken for the air's.",
    ),
    (
        "short_hold",
        "The hold was shorter than 45 s, so the range is wider than it need be and covers a little less than 95 %; hold for 60 s.",
    ),
    (
        "not_dithered",
        "The converter's steps are coarser than its noise, so its error stays for as long as the reading stands still; the range allows for it.",
    ),
    (
        "pressure_let_off",
        "The pressure was let off before the end; the hold was taken to end there.",
    ),
    (
        "pressure_rises",
        "The pressure rises by more than drift and heat explain: something warms or feeds the tank (fuel vapour, a hand, the pump), and a leak may hide behind that. Drain and flush it, let it settle, touch nothing, and repeat.",
    ),
    (
        "thermometer_not_used",
        "The tank's thermometer gave too few readings in the hold and was not used.",
    ),
    (
        "thermometer_coarse",
        "The tank's thermometer stood still, or moved in steps too coarse to show how the tank warmed or cooled in this hold, and was not used; one that shows 0.01 K draws the range in.",
    ),
    (
        "thermometer_not_smooth",
        "By its thermometer the tank warmed or cooled faster or less evenly than a tank at rest does (a hand on it, a draught, the sun): its readings were followed one by one, and the range allows for what they leave open. Let the tank rest, touch nothing, and repeat.",
    ),
    (
        "sealed_zero_not_used",
        "The sealed hold at zero was not used.",
    ),
    (
        "lid_rate_not_calibrated",
        "A lid that lifts leaks at a rate that this method states only roughly; the pressure at which it lifts is good.",
    ),
    (
        "limit_below_resolution",
        "The limit lies below what such a record resolves on a tight tank: it can say outside or undecided, never within. A thermometer on the tank, or a sealed hold at zero before pumping, resolves more.",
    ),
    (
        "syringe_not_used",
        "The syringe's strokes were not used; the volume stated was.",
    ),
    (
        "syringe_contradicts_volume",
        "The syringe's strokes contradict the volume stated: one of the two is wrong, so the range spans both. Read the stroke off the syringe again, weigh the water that fills tank and hose, and correct --syringe or --volume.",
    ),
    (
        "host_time",
        "The readings carry the time at which the computer got them, not the probe's; that is less steady.",
    ),
    (
        "stopped_by_disk",
        "The disk refused during the recording; everything up to the last whole line is there. Free some space and record again.",
    ),
    (
        "cord_end",
        "In at least one pull the cord ran out to its stop; that spike was left out. Pull a little shorter.",
    ),
    (
        "setup_not_stated",
        "One side does not say in which setup it was taken; it was taken for the other side's.",
    ),
    (
        "two_sensors",
        "The two sides were read by two sensors, whose gains are not the same; the range allows for it.",
    ),
    (
        "same_record",
        "One record stands on both sides: beside itself nothing can have changed.",
    ),
    (
        "vehicle_differs",
        "The records were not taken with one and the same vehicle file; of two different cars this comparison says nothing.",
    ),
    (
        "magnets_missed",
        "More than three magnets in a hundred passed without an edge, so the count may have slipped by one. Bring the sensor closer to the magnets and take the record again.",
    ),
    (
        "edges_lost",
        "Edges are missing for longer than can be counted across, so where the shafts stand afterwards is not known: only the longest stretch between such places was judged. Look at the probe's cable and its port, then take the record again.",
    ),
    (
        "other_setup",
        "The record is read in another setup than the one that was stated when it was taken. Where the first statement was right, this finding is not.",
    ),
    (
        "turned_back",
        "The magnets passed in both orders: the car was rolled to and fro, or the wheel was turned back. Only the longest stretch in one direction was judged. Take the record again and push the same way each time.",
    ),
    (
        "wheel_speed_unlikely",
        "By the vehicle file the wheels would have turned at a speed that no hand gives them. Look on which shaft the sensor sits, count its magnets, and check the setup: where one of them is wrong, the part named is wrong.",
    ),
    (
        "sensor_doubtful",
        "It is doubtful that the sensor sits where the vehicle file says: the record shows none of the ripple that shafts and joints nearly always have, or wheels of a speed that no hand gives them. Look on which shaft it sits, count its magnets, and check the setup. Half of the probability is that the file is wrong there; the parts share the other half.",
    ),
    (
        "temperature_differs",
        "One side was pulled cold and the other warm, which moves the force of both; take them again at like temperature.",
    ),
    (
        "record_without_pulls",
        "At least one record gave no pull that could be used, and was left out.",
    ),
    (
        "record_not_used",
        "At least one record gave no leak rate and was left out; analyze it by itself to see why.",
    ),
    (
        "cut_short",
        "The capture was not closed in order: power or port was lost; everything up to the last second is there.",
    ),
];

/// What kinds of fault are called in a sentence.
const FAULTS: &[(&str, &str)] = &[
    ("bad_crc", "changed on the wire"),
    ("over_long", "too long"),
    ("unknown", "of an unknown kind"),
    ("malformed", "not understood"),
    ("lost", "lost on the wire"),
    ("repeated", "repeated"),
    ("out_of_order", "out of order"),
    ("clock_step", "with a step of the probe's clock"),
    ("reset", "at which the probe restarted"),
    ("overrun", "lost in the probe"),
    ("host_overrun", "lost in the computer"),
    ("torn", "broken off"),
    ("clipped", "at the end of the converter's range"),
    (
        "time_not_later",
        "with a time not later than the one before",
    ),
    ("backward_time", "with a time not later than the one before"),
    ("bad_reading", "too large or not a number"),
    ("other_probe", "at which another probe answered"),
    ("ragged_row", "with columns missing or too many"),
    ("not_a_number", "that are not numbers"),
    ("not_finite", "that are not finite"),
    ("out_of_range", "larger than there can be"),
    ("negative_time", "with a negative time"),
    ("too_many_sensors", "of more sensors than a file may hold"),
    ("beyond_six_hours", "later than six hours after the first"),
    ("long_row", "longer than 1 MiB"),
    ("torn_tail", "torn at the end of a file"),
    ("damaged_record", "damaged in the capture's folder"),
    ("missing_file", "files missing from the capture's folder"),
    ("changed_file", "files changed since the capture was closed"),
];

/// Writes what must be known about the record.
pub(super) fn common(page: &mut Page, quality: &Quality) {
    let Quality { rows, gaps, .. } = quality;
    let missing = if *gaps > 0 {
        format!("; {} where readings are missing", count(*gaps, "place"))
    } else {
        String::new()
    };
    page.say(format!("{} used{missing}.", count(*rows, "reading")));
    if !quality.faults.is_empty() {
        let faults: Vec<String> = quality
            .faults
            .iter()
            .map(|(kind, n)| fault(kind, *n))
            .collect();
        page.say(format!(
            "Lines or readings left out or doubtful: {}.",
            list(&faults)
        ));
    }
    if quality.unprotected {
        page.say("No checksum protected these readings on their way here: what was changed or lost cannot be seen.");
    }
    for flag in &quality.flags {
        page.say(words(FLAGS, flag));
    }
}

/// `3 lost on the wire`.
pub(super) fn fault(kind: &str, n: u64) -> String {
    format!("{n} {}", words(FAULTS, kind))
}

/// Says what the sensor's calibration adds. `what`: `force` or `pressure`.
pub(super) fn calibration(page: &mut Page, share: CalibrationShare, what: &str) {
    let percent = number::plain(100.0 * share.u_relative);
    match share.state {
        CalibrationState::NotStated => {}
        CalibrationState::Missing => page.say(format!(
            "The {what} sensor is not calibrated: the range allows for {percent} % of the reading (standard uncertainty, what such sensors usually keep). `feelgauge calibrate {what}` makes it smaller."
        )),
        CalibrationState::Current => page.say(format!(
            "The {what} sensor is calibrated: {percent} % of the reading (standard uncertainty) is in the range."
        )),
        CalibrationState::Expired => page.say(format!(
            "The calibration of the {what} sensor was due before this record: the range was widened to {percent} % of the reading (standard uncertainty). Calibrate it again: `feelgauge calibrate {what}`."
        )),
    }
}

fn words(table: &[(&str, &str)], word: &str) -> String {
    table
        .iter()
        .find(|(known, _)| *known == word)
        .map_or_else(|| word.replace('_', " "), |(_, words)| (*words).to_owned())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::wire::FaultKind;

    #[test]
    fn every_fault_of_a_link_has_words() {
        for kind in FaultKind::ALL {
            assert!(FAULTS.iter().any(|(key, _)| *key == kind.key()), "{kind:?}");
        }
        assert_eq!(words(FLAGS, "never_heard_of"), "never heard of");
    }

    #[test]
    fn what_was_lost_is_said() {
        let mut quality = Quality {
            rows: 5,
            gaps: 1,
            unprotected: true,
            ..Quality::default()
        };
        quality.count("lost");
        quality.flag("cut_short");
        let mut page = Page::default();
        common(&mut page, &quality);
        let text = page.finish();
        for said in [
            "5 readings used; 1 place",
            "1 lost on the wire",
            "No checksum",
            "not closed in order",
        ] {
            assert!(text.contains(said), "{said}: {text}");
        }
    }
}

//! The rhythms of a blind search in words.

use super::page::{Page, count, list};
use crate::measure::roll::blind::{Blind, BlindOrder};

/// Result and what to do next.
pub(super) fn text(page: &mut Page, blind: &Blind) {
    page.heading("result");
    page.say("A hint, no finding: this is the strongest rhythm of the record. No part is named and nothing is decided: a vehicle file names the part.");
    for (place, order) in blind.orders.iter().enumerate() {
        page.line(&row(place, order));
    }
    if let Some(best) = blind.orders.first() {
        page.say(format!(
            "The strongest comes {} times a turn of the sensed shaft (+-{:.4}). The same hits fit other rhythms too: {}.",
            rhythm(best.order_per_sensor_turn),
            best.order_half_width,
            list(&rivals(best))
        ));
    }
    page.say(format!(
        "{} were tried. Strengths of 4 to 6 come by chance; ripple of a healthy car reaches more.",
        count(blind.trials, "rhythm")
    ));
    page.heading("next");
    page.say("Count the teeth and write a vehicle file: with --vehicle FILE the same record names the part, with its probability. Then push or spin, let go, let it run down, again: a real snag keeps its rhythm.");
}

fn row(place: usize, order: &BlindOrder) -> String {
    format!(
        "{:>3}. {:>8} a turn, strength {:.1}, {:.0} degrees after the first edge",
        place + 1,
        rhythm(order.order_per_sensor_turn),
        order.z,
        order.phase_deg
    )
}

/// To the four places that a minute can tell apart.
fn rhythm(order: f64) -> String {
    format!("{order:.4}")
}

fn rivals(order: &BlindOrder) -> Vec<String> {
    order
        .rivals
        .iter()
        .filter_map(|rival| {
            let z = rival.z?;
            Some(format!(
                "{} (strength {z:.1})",
                rhythm(rival.order_per_sensor_turn)
            ))
        })
        .collect()
}

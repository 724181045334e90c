//! The virtual bench's switches: faults for a newcomer to play with, clearly no real car.

use maud::{Markup, html};

use crate::{
    bench::{State, Virtual},
    inspect::Test,
};

/// The switches, in the foot of every page of a virtual bench.
pub(super) fn switches(state: &State, now: &Virtual) -> Markup {
    html! {
        details #virtual .probes {
            summary #virtual-sum { "Virtual bench: no real car, no real probe. Its faults" }
            div #virtual-all .switches {
                (switch("seeping_lid", now.seeping_lid, "The lid seeps", "The lid is tight"))
                (switch("worn_engine", now.worn_engine, "The engine is worn", "The engine is fresh"))
                (switch("seized_engine", now.seized_engine, "The engine is seized", "The engine turns"))
                (snag(state, now))
                @for test in Test::ALL { (plug(test.kind().word(), now)) }
            }
        }
    }
}

/// What is the case, and a button that turns it round.
fn switch(fault: &str, on: bool, is: &str, is_not: &str) -> Markup {
    html! {
        form method="post" action="/do/fault" {
            input type="hidden" name="fault" value=(fault);
            input type="hidden" name="on" value=(!on);
            span { (if on { is } else { is_not }) "." }
            button id={ "fault-" (fault) } aria-label={ "Change: " (is) } aria-pressed=(on) { "Change" }
        }
    }
}

fn plug(kind: &str, now: &Virtual) -> Markup {
    let out = now.unplugged.iter().any(|k| k == kind);
    html! {
        form method="post" action="/do/fault" {
            input type="hidden" name="fault" value="unplugged";
            input type="hidden" name="kind" value=(kind);
            input type="hidden" name="on" value=(!out);
            span { "The " (kind) " probe is " (if out { "unplugged" } else { "plugged in" }) "." }
            button id={ "plug-" (kind) } aria-label={ "Change: the " (kind) " probe is unplugged" } aria-pressed=(out) { "Change" }
        }
    }
}

fn snag(state: &State, now: &Virtual) -> Markup {
    let words = |part: &str| {
        state
            .car
            .as_ref()
            .map_or_else(|| part.to_owned(), |car| car.words_for(part))
    };
    html! {
        form method="post" action="/do/fault" {
            input type="hidden" name="fault" value="snag";
            label for="snag-part" { "A snag in" }
            select #snag-part name="part" {
                option value="" selected[now.snag.is_none()] { "no part" }
                @for name in &now.parts {
                    option value=(name) selected[now.snag.as_ref() == Some(name)] { (words(name)) }
                }
            }
            button #fault-snag aria-label="Change: the part with a snag" { "Change" }
        }
    }
}

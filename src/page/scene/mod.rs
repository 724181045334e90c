//! What a visitor sees: the scenes as markup.

use maud::{DOCTYPE, Markup, html};

use crate::{
    bench::{Alarm, State},
    report::plot::Width,
};

/// The whole page.
pub fn document(state: &State, width: Width, now: jiff::Timestamp) -> Markup {
    let _ = now;
    html! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width, initial-scale=1";
                title { "feelgauge" }
            }
            body { (main(state, width)) (stop(state.alarm.as_ref())) }
        }
    }
}

/// What is swapped when the scene changes: `<main id="scene">`.
pub fn main(state: &State, width: Width) -> Markup {
    html! { main id="scene" { (pictures(state, width)) } }
}

/// What is swapped up to 15 times a second: the element `#live` inside the scene; the same markup as there.
pub fn pictures(state: &State, width: Width) -> Markup {
    let _ = (state, width);
    html! { div id="live" {} }
}

/// The guard's warning over everything, `<div id="stop">`; without an alarm the same element, empty and hidden.
pub fn stop(alarm: Option<&Alarm>) -> Markup {
    html! {
        @if let Some(alarm) = alarm {
            div id="stop" role="alertdialog" {
                h1 { "STOP" }
                p { "Let go of the cord." }
                p { (format!("{:.0} N", alarm.force_n)) }
                form method="post" action="/do/let-go" { button { "I let go" } }
            }
        } @else {
            div id="stop" hidden {}
        }
    }
}

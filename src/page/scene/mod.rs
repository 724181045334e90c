//! What a person sees: one scene for each thing that the hands do, the pages around them, their words.
//!
//! Only markup: nothing is measured, stored or asked here. A scene is `<main id="scene">`; what changes fast in it is
//! `#live`. Forms POST to `/do/...`, so that everything works without the script.
//!
//! The script swaps, by id, whatever a `scene` event of `/stream` brings ([`main()`]: head, steps, fault, scene, foot) and
//! what a `picture` event brings ([`pictures`]); a `stop` event brings [`stop`]. It takes the bench for lost when it
//! hears nothing for 6 s, so the stream says something (any event, `beat` with no data will do) at least every 2 s.

use maud::{DOCTYPE, Markup, html};

use crate::{
    bench::{Alarm, Kept, State},
    inspect::{Finding, comparison::CompareResult},
    report::plot::Width,
};

/// The whole page of the bench. `width` is what the client named; without it pictures are drawn for both and the style
/// sheet shows one.
pub fn document(state: &State, width: Option<Width>) -> Markup {
    html! { (DOCTYPE) html lang="en" { head { title { "bench" } } body { (stop(state.alarm.as_ref())) (main(state, width)) } } }
}

/// What a `scene` event swaps: the elements of the page that follow the state, each with its id.
pub fn main(state: &State, width: Option<Width>) -> Markup {
    html! { main #scene { (pictures(state, width)) } }
}

/// What a `picture` event swaps: the pictures of a running test.
pub fn pictures(_state: &State, _width: Option<Width>) -> Markup {
    html! { div #live {} }
}

/// The guard's warning over everything, `<div id="stop">`; without an alarm the same element, empty and hidden. A
/// `stop` event swaps it.
pub fn stop(alarm: Option<&Alarm>) -> Markup {
    html! {
        @if let Some(alarm) = alarm {
            div #stop role="alertdialog" {
                h1 { "STOP" }
                p { "Let go of the cord." }
                p { (format!("{:.0} N", alarm.force_n)) }
                form method="post" action="/do/let-go" { button { "I let go" } }
            }
        } @else {
            div #stop hidden {}
        }
    }
}

/// History of captures, newest first.
pub fn captures(state: &State) -> Markup {
    html! { @for kept in state.kept.iter() { p { (kept.name) } } }
}

/// One capture with its pictures; `found` says why there is no finding where there is none.
pub fn capture(
    _state: &State,
    kept: &Kept,
    _found: Result<&Finding, &str>,
    _width: Option<Width>,
) -> Markup {
    html! { p { (kept.name) } }
}

/// What two captures of one test say together.
#[derive(Clone, Copy, Debug)]
pub struct Compared<'a> {
    /// The earlier capture.
    pub before: &'a Kept,
    /// The later one.
    pub after: &'a Kept,
    /// The comparison; `Err` says why there is none.
    pub result: Result<&'a CompareResult, &'a str>,
}

/// Before and after: the choice of two captures, and what they say once both are chosen (`?before=&after=`).
pub fn compare(_state: &State, _compared: Option<Compared>, _width: Option<Width>) -> Markup {
    html! {}
}

/// The probes' health.
pub fn probes(_state: &State) -> Markup {
    html! {}
}

/// Where the code of a `--lan` bench is typed in (a form that POSTs `code` to `/pair`); `wrong` says what was wrong with
/// the last one.
pub fn pair(_wrong: Option<&str>) -> Markup {
    html! {}
}

/// Something could not be done or found: a word, why, and what to do. For refused orders and unknown pages.
pub fn problem(_state: Option<&State>, word: &str, why: &str) -> Markup {
    html! { p { (word) (why) } }
}

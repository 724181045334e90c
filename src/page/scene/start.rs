//! The start: three leaves, each with the question it answers; then the setup, where the car's file has several.

use maud::{Markup, html};

use super::words::{capital, chip, short, verdict_of};
use crate::{
    bench::{Standing, State},
    inspect::Test,
    vehicle::Setup,
};

/// How the probe of a test does; `None`: there is none.
pub(super) fn standing(state: &State, test: Test) -> Option<Standing> {
    let kind = test.kind().word();
    let mut found = state
        .probes
        .iter()
        .filter(|p| p.kind.as_deref() == Some(kind))
        .map(|p| p.standing);
    let first = found.next()?;
    let any_here = first == Standing::Here || found.any(|s| s == Standing::Here);
    Some(if any_here { Standing::Here } else { first })
}

/// What a test asks and what it takes.
fn question(test: Test) -> (&'static str, &'static str) {
    match test {
        Test::Leak => ("Does the tank hold pressure?", "Hand pump, 2 min."),
        Test::Pull => ("How strong is the pull?", "Recoil starter, 3 to 5 pulls."),
        Test::Roll => (
            "Does it turn freely?",
            "Push or spin, let go; some minutes.",
        ),
    }
}

/// The scene.
pub(super) fn scene(state: &State) -> Markup {
    html! {
        div #one .one {
            h1.ask { "Pick a test" }
            (no_car(state))
        }
        ul #tests .tests { @for test in Test::ALL { li id={ "test-" (test.word()) } { (leaf(state, test)) } } }
        nav #links .links aria-label="records" {
            a href="/inspection" { "inspection" }
            a href="/captures" { "captures" }
            a href="/compare" { "compare" }
        }
    }
}

/// What is missing without a car's file, and what works all the same.
fn no_car(state: &State) -> Markup {
    html! {
        @if state.car.is_none() {
            p.why {
                "No car's file is stated. Pull gives newtons and no verdict, for the car's weight is not known; leak needs the tank's "
                "volume, roll the gears. With the file: " code { "feelgauge bench --vehicle FILE" } "."
            }
        }
    }
}

fn leaf(state: &State, test: Test) -> Markup {
    let (asks, takes) = question(test);
    let word = test.word();
    let inner = html! {
        b { (word) }
        span.res { (result(state, test)) }
        span.what { (asks) br; (takes) }
    };
    if standing(state, test) != Some(Standing::Here) {
        return html! { div."leaf rests" { (inner) } };
    }
    match setups(state, test).as_slice() {
        several @ [_, _, ..] => html! {
            details id={ "fan-" (word) } name="fan" {
                summary id={ "leaf-" (word) } .leaf { (inner) }
                div id={ "setups-" (word) } .setups {
                    p { "How is the car set up?" }
                    @for setup in several { (setup_row(test, setup)) }
                }
            }
        },
        rest => html! {
            form method="post" action="/do/choose" {
                input type="hidden" name="test" value=(word);
                @if let [only] = rest { input type="hidden" name="setup" value=(only.name); }
                button id={ "leaf-" (word) } .leaf { (inner) }
            }
        },
    }
}

fn setup_row(test: Test, setup: &Setup) -> Markup {
    html! {
        form method="post" action="/do/choose" {
            input type="hidden" name="test" value=(test.word());
            input type="hidden" name="setup" value=(setup.name);
            button id={ "setup-" (setup.name) } .row {
                b { (capital(&short(&setup.name))) }
                @if let Some(label) = &setup.label { span { (label) } }
            }
        }
    }
}

/// The last verdict of a test, or why it cannot be taken now.
fn result(state: &State, test: Test) -> Markup {
    match standing(state, test) {
        None => return html! { span.none { "no probe" } },
        Some(Standing::Gone) => return html! { span.none { "probe is gone" } },
        Some(Standing::Greeting) => return html! { span.none { "probe wakes up" } },
        Some(Standing::Trouble) => return html! { span.none { "probe has trouble" } },
        Some(Standing::Here) => {}
    }
    let last = state.kept.iter().find(|kept| kept.test == test.word());
    match last.map(|kept| kept.verdict.as_deref().and_then(verdict_of)) {
        None => html! { span.none { "not measured" } },
        Some(Some(verdict)) => chip(verdict),
        Some(None) => html! { span.none { "no verdict" } },
    }
}

/// The car's setups for a test.
fn setups(state: &State, test: Test) -> Vec<&Setup> {
    let car = state.car.as_deref();
    car.map_or_else(Vec::new, |car| car.setups_of(test.word()).collect())
}

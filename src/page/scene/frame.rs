//! What stands around every scene: tag, place, faults, steps above it; the quiet line below; the page that holds them.

use maud::{DOCTYPE, Markup, html};

use super::{
    start, stop,
    words::{clock, short},
};
use crate::{
    bench::{ProbeState, Scene, Standing, State},
    inspect::{
        Test,
        guide::{LeakPhase, PullPhase, RollPhase, View},
    },
    page::asset,
    report::{count, list, sentence},
};

/// Where somebody is: the word at the right of the tag and what stands under it.
pub(super) struct Place {
    /// A word: the test, or the page.
    pub word: &'static str,
    /// The setup, or how many.
    pub about: String,
}

impl Place {
    /// Of the bench's own page.
    pub fn of(state: &State) -> Self {
        match test_of(state) {
            None => Self {
                word: "bench",
                about: count(state.kept.len() as u64, "capture"),
            },
            Some(test) => Self {
                word: test.word(),
                about: setup_of(state).map(short).unwrap_or_default(),
            },
        }
    }
}

/// The test that is chosen, runs or has ended.
pub(super) fn test_of(state: &State) -> Option<Test> {
    match &state.scene {
        Scene::Start => None,
        Scene::Cautions { test, .. } => Test::from_word(test),
        Scene::Running(running) => Some(running.view.test()),
        Scene::Ended(ended) => match (&ended.found, &ended.view) {
            (Ok(finding), _) => Some(finding.test()),
            (Err(_), Some(view)) => Some(view.test()),
            (Err(_), None) => None,
        },
    }
}

fn setup_of(state: &State) -> Option<&str> {
    match &state.scene {
        Scene::Start => None,
        Scene::Cautions { setup, .. } => setup.as_deref(),
        Scene::Running(running) => running.setup.as_deref(),
        Scene::Ended(ended) => ended.setup.as_deref(),
    }
}

/// Tag, place, faults and steps.
pub(super) fn head(state: &State, place: &Place) -> Markup {
    html! {
        header #head {
            div.top {
                a.tag href="/" {
                    i aria-hidden="true" {}
                    @match (&state.tag, &state.car) {
                        (Some(tag), Some(car)) => { b { (tag) } span { (car.name) } }
                        (Some(tag), None) => { b { (tag) } span { "no car's file" } }
                        (None, Some(car)) => { span { (car.name) } }
                        (None, None) => { span { "no car stated" } }
                    }
                }
                p.where { b { (place.word) } span { (place.about) } }
            }
            @for (fault, remedy) in faults(state) {
                div.fault role="status" { (fault) @if !remedy.is_empty() { span { (remedy) } } }
            }
            (steps(state))
        }
    }
}

/// The steps of the test, the notch at the present one.
fn steps(state: &State) -> Markup {
    let (names, at): (&[&str], usize) = match (&state.scene, test_of(state)) {
        (Scene::Cautions { .. }, Some(test)) => (steps_of(test), 0),
        (Scene::Running(running), Some(test)) => (steps_of(test), step_at(&running.view)),
        _ => return html! {},
    };
    html! {
        ol.steps aria-label="steps of this test" {
            @for (i, name) in names.iter().enumerate() {
                li class=[(i < at).then_some("done")] aria-current=[(i == at).then_some("step")] { (name) }
            }
        }
    }
}

fn steps_of(test: Test) -> &'static [&'static str] {
    match test {
        Test::Leak => &["drain", "seal", "pump", "settle", "hold"],
        Test::Pull => &["safe", "cord on", "pull", "verdict"],
        Test::Roll => &["lift", "roll", "verdict", "next setup"],
    }
}

fn step_at(view: &View) -> usize {
    match view {
        View::Leak(leak) => match leak.phase {
            LeakPhase::Rest | LeakPhase::Pump => 2,
            LeakPhase::Settle => 3,
            LeakPhase::Hold | LeakPhase::Over => 4,
        },
        View::Pull(pull) => match pull.phase {
            PullPhase::Rest => 1,
            PullPhase::Ready | PullPhase::Pulling => 2,
            PullPhase::Over => 3,
        },
        View::Roll(roll) => match roll.phase {
            RollPhase::Rest | RollPhase::Coasting => 1,
            RollPhase::Over => 2,
        },
    }
}

/// What is wrong, each with what to do; empty when all is well.
fn faults(state: &State) -> Vec<(Markup, String)> {
    let mut faults: Vec<(Markup, String)> = state
        .trouble
        .iter()
        .map(|words| (html! { (sentence(words)) }, String::new()))
        .collect();
    if state.dropped.record > 0 {
        let lines = count(state.dropped.record, "line");
        faults.push((
            html! { (lines) " found no room on the way to the disk." },
            "The record says so. Look at the disk: is it full, is it slow?".into(),
        ));
    }
    faults.extend(state.probes.iter().filter_map(|p| fault_of(p, state)));
    faults
}

/// A kind of probe without `probe` behind it.
fn kind_of(probe: &ProbeState) -> &str {
    probe.kind.as_deref().unwrap_or("unknown")
}

/// What a probe is called: its serial number, or its port.
pub(super) fn name_of(probe: &ProbeState) -> &str {
    probe.serial.as_deref().unwrap_or(&probe.port)
}

fn fault_of(probe: &ProbeState, state: &State) -> Option<(Markup, String)> {
    let trouble = probe.trouble.as_deref().map(sentence);
    match probe.standing {
        Standing::Gone => {
            let words = html! {
                "The " (kind_of(probe)) " probe is gone"
                @if let Some(since) = &probe.gone_since { " since " (clock(since)) }
                "."
            };
            let remedy = trouble.unwrap_or_else(|| format!("Plug {} in again.", name_of(probe)));
            Some((words, format!("{remedy}{}", goes_on(state))))
        }
        Standing::Trouble => {
            let words = html! { "Nothing that can be read is at " (probe.port) "." };
            Some((words, trouble.unwrap_or_default()))
        }
        Standing::Greeting | Standing::Here => {
            let words = html! { "The " (kind_of(probe)) " probe has trouble." };
            Some((words, trouble?))
        }
    }
}

/// The tests whose probes answer.
fn goes_on(state: &State) -> String {
    let able: Vec<String> = Test::ALL
        .into_iter()
        .filter(|test| start::standing(state, *test) == Some(Standing::Here))
        .map(|test| test.word().to_owned())
        .collect();
    match able.as_slice() {
        [] => String::new(),
        [one] => format!(" {} goes on without it.", super::words::capital(one)),
        several => format!(
            " {} go on without it.",
            super::words::capital(&list(several))
        ),
    }
}

/// The quiet line at the foot.
pub(super) fn foot(state: &State) -> Markup {
    html! {
        footer #foot {
            details #probes-line .probes {
                summary #probes-sum { (quiet(state)) }
                div #probes-all {
                    (super::probes::table(state))
                    p { a href="/probes" { "All that is known of the probes" } }
                }
            }
            @if let Some(switches) = &state.virtual_bench { (super::virtual_bench::switches(state, switches)) }
        }
    }
}

/// One line for all probes.
fn quiet(state: &State) -> String {
    let here = state
        .probes
        .iter()
        .filter(|p| p.standing == Standing::Here)
        .count() as u64;
    let silent: Vec<String> = state
        .probes
        .iter()
        .filter(|p| p.standing != Standing::Here)
        .map(|p| name_of(p).to_owned())
        .collect();
    let answers = match here {
        0 => "No probe answers.".to_owned(),
        1 => "1 probe answers.".to_owned(),
        n => format!("{n} probes answer."),
    };
    let rest = match silent.len() {
        0 => lost(state),
        1 => format!("{} does not.", silent[0]),
        _ => format!("{} do not.", list(&silent)),
    };
    format!("{answers} {rest}")
}

fn lost(state: &State) -> String {
    if state.probes.is_empty() {
        return "Plug one in.".into();
    }
    let broken: u64 = state
        .probes
        .iter()
        .map(|p| p.probe_lost_lines + p.health.as_ref().map_or(0, |h| h.faults.values().sum()))
        .sum::<u64>()
        + state.dropped.record;
    match broken {
        0 => "No line is lost.".into(),
        1 => "1 line lost or broken.".into(),
        n => format!("{n} lines lost or broken."),
    }
}

/// What the script shows in place of a scene when the bench does not answer any more.
fn lost_bench() -> Markup {
    html! {
        template #lost {
            div.one role="alert" {
                h1.far { "bench lost" }
                p."say in-pull" { "Do not pull. A stuck cord cannot be shown here." }
                p.why {
                    "Since " span.asof {} " this page hears nothing from the bench. It tries again by itself. "
                    "What the bench receives it records without this page."
                }
            }
            div.act { a.btn.first href="/" { "Try again now" } }
            p.silent { "How the probes are is not known here." }
        }
    }
}

/// A whole page. `live` is the bench's own page, which the script keeps up to date; on every page it shows the guard's
/// warning.
pub(super) fn page(state: Option<&State>, title: &str, live: bool, body: &Markup) -> Markup {
    let alarm = state.and_then(|state| state.alarm.as_ref());
    let file = |stem| format!("/asset/{}", asset::name(stem));
    html! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width, initial-scale=1";
                title { (title) }
                link rel="icon" type="image/svg+xml" href=(file("icon.svg"));
                link rel="stylesheet" href=(file("bench.css"));
                @if state.is_some() { script defer src=(file("bench.js")) {} }
            }
            body data-live=(live) {
                (stop(alarm))
                (body)
                @if live {
                    aside #sound aria-label="sound and screen" {
                        span.off { "Sound is off: touch the page." } " Keep the screen on during a test."
                    }
                    (lost_bench())
                }
                @if state.is_some() {
                    div #denied hidden role="alert" {}
                    p #speak aria-live="polite" {}
                }
            }
        }
    }
}

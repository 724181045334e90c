//! The scenes of a running test: what the hands do, the figure so far, what is still needed.

use maud::{Markup, html};

use super::words::{
    about, button, capital, chip, estimate, far, figure, pictures, say, setup_of, why,
};
use crate::{
    bench::{Running, State},
    inspect::{
        Test,
        guide::{LeakPhase, LeakView, PullPhase, PullView, RollPhase, RollView, View},
    },
    measure::roll::Suspect,
    report::{
        count,
        plot::{self, Width},
        stated,
    },
    units::CM3_PER_MIN,
    vehicle::SetupTest,
};

/// A part with at least this share is the likely one.
const LIKELY: f64 = 0.5;

/// The scene, `one` beside `live`, its button below.
pub(super) fn scene(state: &State, running: &Running, width: Option<Width>) -> Markup {
    let enough = match running.view.test() {
        Test::Pull => "Enough",
        Test::Leak | Test::Roll => "Stop",
    };
    html! {
        div #one .one { (one(state, running)) }
        (live(state, running, width))
        div #act .act { (button("stop-test", "stop", &[], enough, false)) }
    }
}

/// The pictures that follow the readings.
pub(super) fn live(state: &State, running: &Running, width: Option<Width>) -> Markup {
    html! {
        div #live .pic { (pictures(width, |width| plot::live(&running.view, width.of_car(state.car.as_deref())))) }
    }
}

/// The far word: changes only when what the hands do changes.
pub(super) fn far_word(state: &State, running: &Running) -> &'static str {
    if is_gone(running) {
        return "hands off";
    }
    match &running.view {
        View::Leak(view) => match view.phase {
            LeakPhase::Rest | LeakPhase::Pump if view.is_stalled => "hands off",
            LeakPhase::Rest | LeakPhase::Pump => "pump",
            LeakPhase::Settle | LeakPhase::Hold | LeakPhase::Over => "hands off",
        },
        View::Pull(view) => match view.phase {
            PullPhase::Rest => "hands off",
            PullPhase::Over => "enough",
            _ if !view.is_guarded => "hands off",
            PullPhase::Ready | PullPhase::Pulling if view.pulls.is_empty() => "pull",
            PullPhase::Ready | PullPhase::Pulling => "pull again",
        },
        View::Roll(view) => match view.phase {
            RollPhase::Coasting => "hands off",
            RollPhase::Over => "enough",
            RollPhase::Rest if view.turns > 0.0 => "keep rolling",
            RollPhase::Rest if is_rolling(state, running) => "push it",
            RollPhase::Rest => "spin it",
        },
    }
}

/// The probe that this test needs is gone: readings are missing, and in a pull nothing warns.
fn is_gone(running: &Running) -> bool {
    !running.gone.is_empty()
}

fn is_rolling(state: &State, running: &Running) -> bool {
    let setup = setup_of(state.car.as_deref(), running.setup.as_deref());
    matches!(
        setup.map(|s| &s.test),
        Some(SetupTest::Roll { rolling: true, .. })
    )
}

fn one(state: &State, running: &Running) -> Markup {
    let word = far_word(state, running);
    html! {
        (far(word))
        @if is_gone(running) {
            (gone(running))
        } @else {
            @match &running.view {
                View::Leak(view) => (leak(view)),
                View::Pull(view) => (pull(view)),
                View::Roll(view) => (roll(state, running, view)),
            }
        }
    }
}

fn gone(running: &Running) -> Markup {
    let test = running.view.test();
    let kind = test.kind().word();
    let (words, because) = match test {
        Test::Pull => (
            format!("Do not pull: the {kind} probe is gone. Plug it in again."),
            "Without the force probe a stuck cord cannot be seen.",
        ),
        Test::Leak | Test::Roll => (
            format!("The {kind} probe is gone. Plug it in again."),
            "The record goes on and says what is missing.",
        ),
    };
    html! { (say(&words)) (why(because)) }
}

fn leak(view: &LeakView) -> Markup {
    match view.phase {
        LeakPhase::Rest | LeakPhase::Pump => pump(view),
        LeakPhase::Settle => settle(view),
        LeakPhase::Hold | LeakPhase::Over => hold(view),
    }
}

fn kpa(pa: f64) -> String {
    stated(pa / 1e3)
}

fn pump(view: &LeakView) -> Markup {
    let of = format!("of {} kPa", kpa(view.mark_pa));
    html! {
        @if let Some(pa) = view.pressure_pa { (figure(&format!("{:.1}", pa.max(0.0) / 1e3), &of)) }
        (say(pump_words(view)))
        (why("Hand pump with a relief valve only. Never blow by mouth. The settling starts by itself when the pump is still."))
    }
}

fn pump_words(view: &LeakView) -> &'static str {
    if view.is_stalled {
        "It gains no more. Hands off: what was reached is measured."
    } else if view.is_let_off {
        "The pressure was let off. Seal, then pump to the mark again."
    } else {
        "Pump to the mark, then hands off."
    }
}

fn settle(view: &LeakView) -> Markup {
    let more = view
        .settle_more_s
        .map_or_else(String::new, |s| format!(" {} more.", capital(&about(s))));
    html! {
        @if let Some(pa) = view.pressure_pa { (figure(&format!("{:.2}", pa / 1e3), "kPa in the tank")) }
        (say(&if view.is_level { "The gas is level.".to_owned() } else { format!("The gas still settles.{more}") }))
        (why("Pumping warms the air. While it cools, pressure falls without a leak."))
    }
}

fn hold(view: &LeakView) -> Markup {
    let limit = view.limit_pa_m3_s.map(|(limit, _)| limit / CM3_PER_MIN);
    let limit_words = limit.map(stated);
    let limit = limit.zip(limit_words.as_deref());
    let rate = view
        .leak_rate_pa_m3_s
        .map(|rate| rate.scaled(1.0 / CM3_PER_MIN));
    html! {
        @if let Some(rate) = rate { (estimate(rate, "cm\u{b3}/min", limit, &chip(view.verdict))) }
        (say(&hold_words(view)))
        @match &view.refused {
            Some(reason) => (why(&crate::report::sentence(reason))),
            None => (why("It stops by itself as soon as the band leaves the limit.")),
        }
    }
}

fn hold_words(view: &LeakView) -> String {
    if view.phase == LeakPhase::Over || view.is_over {
        return "The hold is over. The record is being measured.".into();
    }
    let what = if view.leak_rate_pa_m3_s.is_some() {
        "The band still lies across the limit."
    } else {
        "Keep still: the leak is being measured."
    };
    match view.more_s {
        Some(s) => format!("{what} {} more.", capital(&about(s))),
        None => what.into(),
    }
}

fn pull(view: &PullView) -> Markup {
    let counted = u64::from(view.counted);
    let last = view.pulls.iter().rev().find(|p| p.not_counted.is_none());
    let limit = view.weight_n.map(|weight| weight * view.limit_lift_ratio.0);
    let limit_words = limit.map(|n| format!("{n:.1}"));
    let limit = limit.zip(limit_words.as_deref());
    html! {
        @if let Some(mean) = view.peak_n {
            (estimate(mean, "N peak", limit, &html! { "From " (count(counted, "pull")) ". " (chip(view.verdict)) }))
        } @else if let Some(peak) = last.and_then(|pull| pull.report.peak_n) {
            (estimate(peak, "N peak", limit, &html! { "From 1 pull." }))
        }
        (say(&pull_words(view, counted)))
        @match &view.refused {
            Some(reason) => (why(&crate::report::sentence(reason))),
            None => (why(&not_counted(view))),
        }
    }
}

fn pull_words(view: &PullView, counted: u64) -> String {
    match (view.phase, view.more_pulls) {
        (PullPhase::Rest, _) => "Let the handle hang free. The guard cannot warn yet.".into(),
        (PullPhase::Over, _) => "Enough pulls. The record is being measured.".into(),
        _ if !view.is_guarded => {
            "Do not pull: let the handle hang free. The guard cannot warn yet.".into()
        }
        (_, Some((least, most))) => format!("{} decide it. {}", more(least, most), speed(counted)),
        (_, None) if counted == 0 => "Pull briskly, all the way, and let the cord run back.".into(),
        (_, None) => format!("Pull again. {}", speed(counted)),
    }
}

fn speed(counted: u64) -> &'static str {
    if counted == 0 {
        "Pull briskly, all the way."
    } else {
        "Pull as fast as the last one."
    }
}

/// `1 more pull`, `1 or 2 more pulls`, `3 to 5 more pulls`.
fn more(least: u32, most: u32) -> String {
    match (least, most) {
        (least, most) if least >= most => {
            format!("{most} more pull{}", if most == 1 { "" } else { "s" })
        }
        (least, most) if most == least + 1 => format!("{least} or {most} more pulls"),
        (least, most) => format!("{least} to {most} more pulls"),
    }
}

/// Why the newest pull does not count.
fn not_counted(view: &PullView) -> String {
    let reason = view
        .pulls
        .last()
        .and_then(|pull| pull.not_counted.as_deref());
    reason.map_or_else(String::new, |reason| {
        format!("The last pull does not count: {reason}.")
    })
}

fn roll(state: &State, running: &Running, view: &RollView) -> Markup {
    let act = roll_act(view, is_rolling(state, running));
    let turns = view.turns.floor();
    html! {
        @if let Some((hits, seen)) = view.hits {
            (figure(&hits.to_string(), &format!("{} in {}", if hits == 1 { "hit" } else { "hits" }, count(seen, "turn"))))
            @if let Some(rate) = view.hit_rate {
                p.rng { (crate::report::shown(rate.scaled(100.0)).range()) " in 100 turns. " (chip(view.verdict)) }
            }
        } @else if turns >= 1.0 {
            (figure(&format!("{turns:.0}"), if turns < 2.0 { "turn" } else { "turns" }))
            p.rng { "No snag shown yet." }
        }
        (say(&roll_words(view, act)))
        @match &view.refused {
            Some(reason) => (why(&crate::report::sentence(reason))),
            None if view.hits.is_some() => (why(&format!("{act} {}", leading(state, &view.suspects)))),
            None => {}
        }
    }
}

fn roll_words(view: &RollView, act: &str) -> String {
    if view.phase == RollPhase::Over {
        return "Enough turns. The record is being measured.".into();
    }
    let more = view
        .more_turns
        .map(|turns| format!("About {}", count(turns, "more turn")));
    match (view.hits.is_some(), more) {
        (true, Some(more)) => format!("A snag is there. {more} tell which part."),
        (true, None) => format!("A snag is there. {act}"),
        (false, Some(more)) => format!("{act} {more} decide it."),
        (false, None) => act.into(),
    }
}

/// What the hands do with the wheels.
fn roll_act(view: &RollView, rolling: bool) -> &'static str {
    match view.phase {
        RollPhase::Coasting | RollPhase::Over => "Let it run down.",
        RollPhase::Rest if rolling => "Push, let go, let it run down, again.",
        RollPhase::Rest => "Spin, let go, let it run down, again.",
    }
}

/// The likely part, once there is one.
fn leading(state: &State, suspects: &[Suspect]) -> String {
    let first = suspects.first().filter(|s| s.probability > LIKELY);
    first.map_or_else(String::new, |suspect| {
        let words = state.car.as_ref().map(|car| car.words_for(&suspect.part));
        let words = words.unwrap_or_else(|| suspect.part.clone());
        format!(
            "Most likely: {words}, {}.",
            crate::report::percent(suspect.probability)
        )
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn pulls_to_come_are_said_as_people_say_them() {
        let said = [(1, 1), (2, 2), (1, 2), (3, 5)].map(|(least, most)| more(least, most));
        assert_eq!(
            said,
            [
                "1 more pull",
                "2 more pulls",
                "1 or 2 more pulls",
                "3 to 5 more pulls"
            ]
        );
    }
}

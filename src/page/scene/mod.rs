//! What a person sees: one scene for each thing that the hands do, the pages around them, their words.
//!
//! Only markup: nothing is measured, stored or asked here. A scene is `<main id="scene">`; what changes fast in it is
//! `#live`. Forms POST to `/do/...`, so that everything works without the script:
//!
//! | form | fields |
//! |---|---|
//! | `/do/choose` | `test`, `setup` (may be missing) |
//! | `/do/begin`, `/do/stop`, `/do/leave`, `/do/let-go` | none |
//! | `/inspection/...` (see [`Form`]) | what is written down; the photograph's as `multipart/form-data`; each leads on to a page |
//! | `/do/fault` (virtual bench) | `fault` = `seeping_lid`, `seized_engine`, `worn_engine`: `on` = `true` or `false`; `snag`: `part` (empty: none); `unplugged`: `kind`, `on` |
//!
//! The script swaps, by id, whatever a `scene` event of `/stream` brings ([`main()`]: head, scene, foot) and what a
//! `picture` event brings ([`pictures`]); a `stop` event brings [`stop()`]. It takes the bench for lost when it hears
//! nothing for 6 s, so the stream says something (any event, `beat` with no data will do) at least every 2 s. A form that is
//! refused answers with [`problem`] and a status of 400 or more; the script shows its words without leaving the scene.

mod cautions;
mod compare;
mod ended;
mod frame;
pub(super) mod inspection;
mod kept;
mod pair;
mod probes;
mod running;
mod start;
mod stop;
mod virtual_bench;
mod words;

pub use compare::{Compared, compare};
pub use inspection::{Form, Typed, Visited, inspection, inspection_form, photograph};
pub use kept::{capture, captures};
pub use pair::{Invited, invite, pair, problem};
pub use probes::probes;
pub use stop::stop;

use maud::{Markup, html};

use crate::{
    bench::{Running, Scene, State},
    inspect::{Test, guide::View},
    reading::Verdict,
    report::plot::{Mark, Width},
};
use frame::Place;

/// The whole page of the bench. `width` is what the client named; without it pictures are drawn for both and the style
/// sheet shows one.
pub fn document(state: &State, width: Option<Width>) -> Markup {
    frame::page(Some(state), &title(state), true, &main(state, width))
}

/// What a `scene` event swaps: the elements of the page that follow the state, each with its id.
pub fn main(state: &State, width: Option<Width>) -> Markup {
    let test = frame::test_of(state).map(Test::word);
    let seen = Seen::of(state);
    html! {
        (frame::head(state, &Place::of(state)))
        main #scene class=[seen.two.then_some("two")] data-scene=(seen.scene) data-test=[test] data-title=(title(state))
            data-alarm=[state.alarm.as_ref().map(|alarm| alarm.id)] data-speak=(seen.speak) data-counted=[seen.counted]
            data-missed=[seen.missed] data-decided=[seen.decided] {
            @match &state.scene {
                Scene::Start => (start::scene(state)),
                Scene::Cautions { test, setup } => (cautions(state, test, setup.as_deref())),
                Scene::Running(running) => (running::scene(state, running, width)),
                Scene::Ended(ended) => (ended::scene(state, ended, width)),
            }
        }
        (frame::foot(state))
    }
}

/// What a `picture` event swaps: the pictures of a running or ended test.
pub fn pictures(state: &State, width: Option<Width>) -> Markup {
    match &state.scene {
        Scene::Running(running) => running::live(state, running, width),
        Scene::Ended(ended) => ended::live(state, ended, width),
        _ => html! { div #live .pic {} },
    }
}

fn cautions(state: &State, test: &str, setup: Option<&str>) -> Markup {
    let car = state.car.as_deref();
    let scene = |test| cautions::scene(test, words::setup_of(car, setup));
    Test::from_word(test).map_or_else(|| html! {}, scene)
}

/// The page's title: what is the matter first, then the test and the car.
fn title(state: &State) -> String {
    let mut parts = vec![Seen::of(state).word];
    parts.extend(frame::test_of(state).map(|test| test.word().to_owned()));
    parts.extend(state.tag.as_ref().map(|tag| format!("No. {tag}")));
    if state.alarm.is_some() {
        parts.insert(0, "STOP".into());
    }
    parts.join(" - ")
}

/// What the script and a reader of screens are told of a scene.
#[derive(Default)]
struct Seen {
    /// Name of the scene.
    scene: &'static str,
    /// Its far word.
    word: String,
    /// What is read aloud when it changes: without the figures, which change all the time.
    speak: String,
    /// Pictures stand beside the words.
    two: bool,
    /// Pulls that count so far: one more is a tick.
    counted: Option<usize>,
    /// Pulls that do not count so far.
    missed: Option<usize>,
    /// The verdict that is there: a tone.
    decided: Option<&'static str>,
}

impl Seen {
    fn of(state: &State) -> Self {
        match &state.scene {
            Scene::Start => Self::plain("start", "bench"),
            Scene::Cautions { .. } => Self::plain("cautions", "before the test"),
            Scene::Running(running) => Self::running(state, running),
            Scene::Ended(ended) => {
                let verdict = ended
                    .found
                    .as_ref()
                    .ok()
                    .and_then(crate::inspect::Finding::verdict);
                let refused = ended.found.as_ref().map_or(true, |f| f.refused().is_some());
                let word = match verdict {
                    _ if refused => "refused",
                    Some(verdict) => Mark::from(verdict).word(),
                    None => "no verdict",
                };
                Self {
                    decided: Some(word),
                    two: true,
                    ..Self::plain("ended", word)
                }
            }
        }
    }

    fn plain(scene: &'static str, word: &str) -> Self {
        Self {
            scene,
            word: word.into(),
            speak: word.into(),
            ..Self::default()
        }
    }

    fn running(state: &State, running: &Running) -> Self {
        let word = running::far_word(state, running);
        let seen = Self {
            two: true,
            ..Self::plain("running", word)
        };
        match &running.view {
            View::Pull(view) => {
                let missed = view
                    .pulls
                    .iter()
                    .filter(|p| p.not_counted.is_some())
                    .count();
                let counted = view.pulls.len() - missed;
                Self {
                    counted: Some(counted),
                    missed: Some(missed),
                    speak: format!("{word}. Pulls that count: {counted}, that do not: {missed}."),
                    ..seen
                }
            }
            View::Roll(view) if view.verdict == Verdict::Outside => Self {
                speak: format!("{word}. A snag is there."),
                ..seen
            },
            View::Leak(_) | View::Roll(_) => seen,
        }
    }
}

//! The history of captures, and one capture with its pictures.

use maud::{Markup, html};

use super::{
    ended,
    frame::{Place, foot, head, page},
    words::{chip, day, pictures, short, verdict_of},
};
use crate::{
    bench::{Kept, State},
    inspect::Finding,
    report::{
        count,
        plot::{self, Width},
        sentence,
    },
};

/// History of captures, newest first.
pub fn captures(state: &State) -> Markup {
    let place = Place {
        word: "captures",
        about: count(state.kept.len() as u64, "capture"),
    };
    let body = html! {
        (head(state, &place))
        main #page {
            h1.ask { "Captures" }
            @if state.kept.is_empty() { p.why { "None yet: every test leaves one here." } }
            ul.kept {
                @for kept in state.kept.iter() {
                    li { a href={ "/captures/" (kept.name) } {
                        b { (kept.test) }
                        span.what { @if let Some(setup) = &kept.setup { (short(setup)) } " " (day(&kept.when)) }
                        span.res { (verdict(kept)) }
                    } }
                }
            }
            @if state.kept.len() > 1 { nav.links aria-label="records" { a href="/compare" { "compare" } } }
        }
        (foot(state))
    };
    page(Some(state), "captures", false, &body)
}

/// The verdict of a capture, or why there is none.
pub(super) fn verdict(kept: &Kept) -> Markup {
    let verdict = kept.verdict.as_deref().and_then(verdict_of);
    let why = kept.why.as_deref().unwrap_or("not measured");
    verdict.map_or_else(|| html! { span.none { (why) } }, chip)
}

/// One capture with its pictures; `found` says why there is no finding where there is none.
pub fn capture(
    state: &State,
    kept: &Kept,
    found: Result<&Finding, &str>,
    width: Option<Width>,
) -> Markup {
    let place = Place {
        word: "capture",
        about: kept.setup.as_deref().map(short).unwrap_or_default(),
    };
    let body = html! {
        (head(state, &place))
        main #page .two {
            div.one {
                (words(state, kept, found))
                p.why { (kept.test) ", " (day(&kept.when)) ", folder " code { (kept.name) } }
            }
            div.pic { @if let Ok(finding) = found { (pictures(width, |width| plot::pictures(finding, width.of_car(state.car.as_deref())))) } }
            div.act {
                @if let Some(first) = first_like(state, kept) {
                    a.btn.first href={ "/compare?before=" (first.name) "&after=" (kept.name) } { "Compare" }
                }
                a.btn href="/captures" { "Captures" }
            }
        }
        (foot(state))
    };
    page(
        Some(state),
        &format!("{} - capture", kept.test),
        false,
        &body,
    )
}

/// The first capture of the same test and setup with a verdict, where it is another one.
fn first_like<'a>(state: &'a State, kept: &Kept) -> Option<&'a Kept> {
    let like = |k: &&Kept| k.test == kept.test && k.setup == kept.setup && k.verdict.is_some();
    state
        .kept
        .iter()
        .rev()
        .find(like)
        .filter(|first| *first != kept)
}

fn words(state: &State, kept: &Kept, found: Result<&Finding, &str>) -> Markup {
    let car = state.car.as_deref();
    match found {
        Err(reason) => html! {
            (super::words::open_plate("refused"))
            (super::words::say("There is a record, but no finding."))
            (super::words::why(&sentence(reason)))
        },
        Ok(finding) => {
            if let Some(refusals) = finding.refused() {
                return ended::refused(refusals);
            }
            let next = ended::next(finding, car, kept.setup.as_deref(), state);
            let (say, why) = next.words();
            ended::result(finding, car, None, say, why)
        }
    }
}

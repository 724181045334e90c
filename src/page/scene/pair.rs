//! Where the code of a bench that others may reach is typed in; and what is shown when something cannot be done.

use maud::{Markup, html};

use super::{
    frame::{Place, foot, head, page},
    words::{far, say, why},
};
use crate::{bench::State, report::sentence};

/// Where the code of a `--lan` bench is typed in (a form that POSTs `code` to `/pair`); `wrong` says what was wrong with
/// the last one.
pub fn pair(wrong: Option<&str>) -> Markup {
    let body = html! {
        main #page .pairing {
            div.one {
                (far("pair first"))
                (say("Type the code that the bench shows in its terminal."))
                @if let Some(wrong) = wrong { div.fault role="alert" { (sentence(wrong)) } }
            }
            form.pair method="post" action="/pair" {
                label for="code" { "Code" }
                input #code type="text" name="code" autocomplete="one-time-code" autocapitalize="characters" spellcheck="false"
                    required maxlength="32" aria-describedby="code-why";
                button.btn.first { "Pair this phone" }
            }
            p #code-why .why { "Once, for this browser. The bench listens to nobody else." }
        }
    };
    page(None, "pair - bench", false, &body)
}

/// Something could not be done or found: a word or two, why, and what to do. For refused orders and unknown pages.
pub fn problem(state: Option<&State>, word: &str, why_not: &str) -> Markup {
    let place = Place {
        word: "bench",
        about: String::new(),
    };
    let body = html! {
        @if let Some(state) = state { (head(state, &place)) }
        main #page {
            div.one { (far(word)) (say(&sentence(why_not))) (why("")) }
            div.act { a.btn.first href="/" { "Back to the bench" } }
        }
        @if let Some(state) = state { (foot(state)) }
    };
    page(state, &format!("{word} - bench"), false, &body)
}

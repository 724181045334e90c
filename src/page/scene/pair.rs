//! Where the code of a bench that others may reach is typed in; and what is shown when something cannot be done.

use maud::{Markup, html};

use super::{
    frame::{Place, foot, head, page},
    words::{far, say, why},
};
use crate::{bench::State, report::sentence};

/// Where the code of a `--lan` bench is typed in (a form that POSTs `code` to `/pair`); `wrong` says what was wrong with
/// the last one, `code` fills it in.
pub fn pair(wrong: Option<&str>, code: &str) -> Markup {
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
                    required maxlength="32" value=(code) aria-describedby="code-why";
                button.btn.first { "Pair this phone" }
            }
            p #code-why .why { "Once, for this browser. The bench listens to nobody else." }
        }
    };
    page(None, "pair - bench", false, &body)
}

/// An invitation for one more device.
#[derive(Clone, Debug)]
pub struct Invited<'a> {
    /// The QR code of the address with the code in it.
    pub square: Markup,
    /// Where the code is typed in.
    pub address: &'a str,
    /// The code, good for one device.
    pub code: &'a str,
}

/// On the bench's own computer or a device that is paired: the way to let another device in (a form that POSTs to
/// `/do/invite`), and the invitation once it was asked for.
pub fn invite(invited: Option<&Invited>) -> Markup {
    let body = html! {
        main #page .pairing {
            @match invited {
                None => {
                    div.one {
                        (far("let one in"))
                        (say("A phone or laptop on the same network gets a code, good once."))
                    }
                    div.act {
                        form method="post" action="/do/invite" { button.btn.first { "Make a code" } }
                        a.btn href="/" { "Back to the bench" }
                    }
                }
                Some(invited) => {
                    div.one {
                        h1.far { (invited.code) }
                        (say("Point the phone's camera at the square, or type the code there."))
                        p.rng { (invited.address) }
                    }
                    div.square { (invited.square) }
                    div.act { a.btn.first href="/" { "Back to the bench" } }
                }
            }
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

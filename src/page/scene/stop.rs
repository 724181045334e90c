//! The guard's warning: takes the whole page, from any scene, and stays until somebody touches it.

use maud::{Markup, html};

use crate::bench::Alarm;

/// The warning over everything, `<div id="stop">`; without an alarm the same element, empty and hidden. A `stop` event
/// swaps it.
pub fn stop(alarm: Option<&Alarm>) -> Markup {
    let Some(alarm) = alarm else {
        return html! { div #stop hidden {} };
    };
    html! {
        div #stop role="alertdialog" aria-modal="true" aria-labelledby="stop-word" aria-describedby="stop-acts stop-seen"
            data-alarm=(alarm.id) {
            div.edge {}
            div.inner {
                h1 #stop-word { "STOP" }
                p.let { "Let go of " br; "the cord." }
                ol #stop-acts {
                    li { "Do not force it." }
                    li { "Glow plug out." }
                    li { "Turn the flywheel by hand." }
                }
                p #stop-seen .seen { (seen(alarm)) }
                form method="post" action="/do/let-go" { button #let-go .btn.first { "I let go" } }
            }
            div.edge {}
        }
    }
}

/// What was felt, in one line.
fn seen(alarm: &Alarm) -> String {
    let felt = if alarm.reason == "held" {
        "on the cord and it did not move on"
    } else {
        "on the cord: more than a free engine asks for"
    };
    format!(
        "{:.0} N {felt}. If fuel comes out of the plug hole, liquid locked the engine: let it drain.",
        alarm.force_n
    )
}

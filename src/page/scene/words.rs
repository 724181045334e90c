//! What the scenes are put together from: plates, figures, sentences, buttons.

use maud::{Markup, PreEscaped, html};

use crate::{
    inspect::Test,
    reading::{Estimate, Verdict},
    report::{
        plot::{Frame, Mark, Picture, Width, mark},
        shown, shown_against,
    },
    vehicle::{Setup, Vehicle},
};

/// From this many seconds on a time to come is told in steps of five seconds, of ten, in minutes.
const COARSER: [f64; 3] = [10.0, 60.0, 150.0];

/// The far word alone.
pub(super) fn far(word: &str) -> Markup {
    html! { h1.far { (word) } }
}

/// The verdict: its mark and its word in its own frame.
pub(super) fn plate(verdict: Verdict) -> Markup {
    let found = Mark::from(verdict);
    html! { h1 class={ "plate " (found.word()) } { (mark(found)) span.far { (found.word()) } } }
}

/// A word in the frame of what is not decided: there is no figure.
pub(super) fn open_plate(word: &str) -> Markup {
    html! { h1."plate undecided" { span.far { (word) } } }
}

/// A verdict in small, beside other words.
pub(super) fn chip(verdict: Verdict) -> Markup {
    let found = Mark::from(verdict);
    html! { span class={ "chip " (found.word()) } { (mark(found)) " " (found.word()) } }
}

/// The verdict that a word of a capture's list stands for.
pub(super) fn verdict_of(word: &str) -> Option<Verdict> {
    [Verdict::Within, Verdict::Outside, Verdict::Undecided]
        .into_iter()
        .find(|&verdict| Mark::from(verdict).word() == word)
}

/// The number big, what it is a number of beside it.
pub(super) fn figure(number: &str, unit: &str) -> Markup {
    html! { p.num { (number) " " small { (unit) } } }
}

/// An estimate big, with its range and the limit in the line below; `after` ends that line.
pub(super) fn estimate(
    estimate: Estimate,
    unit: &str,
    limit: Option<(f64, &str)>,
    after: &Markup,
) -> Markup {
    let s = limit.map_or_else(
        || shown(estimate),
        |(limit, _)| shown_against(estimate, limit),
    );
    html! {
        (figure(&s.value, unit))
        p.rng {
            (s.range())
            @if let Some((_, words)) = limit { ", limit " (words) }
            ". " (after)
        }
    }
}

/// What to do, as a sentence.
pub(super) fn say(words: &str) -> Markup {
    html! { p.say { (words) } }
}

/// Why, in a line or two; nothing for no words.
pub(super) fn why(words: &str) -> Markup {
    html! { @if !words.is_empty() { p.why { (words) } } }
}

/// A button that asks the bench for something.
pub(super) fn button(
    id: &str,
    action: &str,
    fields: &[(&str, &str)],
    words: &str,
    first: bool,
) -> Markup {
    html! {
        form method="post" action={ "/do/" (action) } {
            @for (name, value) in fields { input type="hidden" name=(name) value=(value); }
            button id=(id) class=(if first { "btn first" } else { "btn" }) { (words) }
        }
    }
}

/// A button that only leads elsewhere.
pub(super) fn link(id: &str, href: &str, words: &str, first: bool) -> Markup {
    html! { a id=(id) class=(if first { "btn first" } else { "btn" }) href=(href) { (words) } }
}

/// Takes a test again, in a setup or in none.
pub(super) fn choose(
    id: &str,
    test: Test,
    setup: Option<&str>,
    words: &str,
    first: bool,
) -> Markup {
    let mut fields = vec![("test", test.word())];
    fields.extend(setup.map(|setup| ("setup", setup)));
    button(id, "choose", &fields, words, first)
}

/// Pictures with their headings, for the width that the client named or for both.
pub(super) fn pictures(width: Option<Width>, draw: impl Fn(Width) -> Vec<Picture>) -> Markup {
    let narrow = drawn(width, Width::Narrow, &draw);
    let wide = drawn(width, Width::Wide, &draw);
    let most = narrow.len().max(wide.len());
    let (mut narrow, mut wide) = (narrow.into_iter(), wide.into_iter());
    html! {
        @for _ in 0..most {
            (pair(narrow.next().as_ref(), wide.next().as_ref(), width.is_none()))
        }
    }
}

fn drawn(
    named: Option<Width>,
    width: Width,
    draw: &impl Fn(Width) -> Vec<Picture>,
) -> Vec<Picture> {
    if named.is_none_or(|named| named == width) {
        draw(width)
    } else {
        Vec::new()
    }
}

fn pair(narrow: Option<&Picture>, wide: Option<&Picture>, both: bool) -> Markup {
    let only = match (narrow, wide) {
        (Some(_), None) if both => Some("narrow"),
        (None, Some(_)) if both => Some("wide"),
        _ => None,
    };
    let Some(words) = narrow.or(wide) else {
        return html! {};
    };
    html! {
        figure class=[only] {
            h2 { (words.heading) }
            @for picture in [narrow, wide].into_iter().flatten() {
                (PreEscaped(picture.svg(Frame::Page)))
            }
            @if let Some(caption) = &words.caption { figcaption { (caption) } }
        }
    }
}

/// A time to come: coarser the farther it is, so that it does not promise a second.
pub(super) fn about(seconds: f64) -> String {
    let to = |step: f64| (seconds / step).ceil().max(1.0) * step;
    match seconds {
        s if s < COARSER[0] => format!("about {:.0}\u{a0}s", to(1.0)),
        s if s < COARSER[1] => format!("about {:.0}\u{a0}s", to(5.0)),
        s if s < COARSER[2] => format!("about {:.0}\u{a0}s", to(10.0)),
        s => format!("about {:.0}\u{a0}min", (s / 60.0).ceil()),
    }
}

/// A moment as the clock on the wall shows it: the script turns it into the phone's own time.
pub(super) fn clock(when: &str) -> Markup {
    html! { time.clock datetime=(when) { (when.get(11..16).unwrap_or(when)) } }
}

/// A day and time of a capture.
pub(super) fn day(when: &str) -> Markup {
    let (date, hour) = (
        when.get(..10).unwrap_or(when),
        when.get(11..16).unwrap_or(""),
    );
    html! { time.day datetime=(when) { (date) " " (hour) } }
}

/// The first letter large: a button's words.
pub(super) fn capital(words: &str) -> String {
    let mut chars = words.chars();
    let first = chars.next().map(|c| c.to_ascii_uppercase());
    first.into_iter().chain(chars).collect()
}

/// A setup in a word or three: its name, spaces for underscores.
pub(super) fn short(setup: &str) -> String {
    setup.replace('_', " ")
}

/// A setup in the words of the car's file.
pub(super) fn label(setup: &Setup) -> String {
    setup.label.clone().unwrap_or_else(|| short(&setup.name))
}

/// The setup of a running or ended test in the car's file.
pub(super) fn setup_of<'a>(car: Option<&'a Vehicle>, setup: Option<&str>) -> Option<&'a Setup> {
    car?.setup(setup?)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_time_to_come_does_not_promise_a_second() {
        let told = [0.2, 5.4, 12.0, 47.0, 61.0, 149.0, 151.0].map(about);
        let words = ["1 s", "6 s", "15 s", "50 s", "70 s", "150 s", "3 min"];
        assert_eq!(
            told,
            words.map(|w| format!("about {}", w.replace(' ', "\u{a0}")))
        );
    }

    #[test]
    fn a_verdict_is_found_by_its_word() {
        assert_eq!(verdict_of("outside"), Some(Verdict::Outside));
        assert_eq!(verdict_of("refused"), None);
        assert_eq!(capital("lid clamped"), "Lid clamped");
        assert!(
            clock("2031-05-17T14:02:11Z")
                .into_string()
                .contains(">14:02<")
        );
    }
}

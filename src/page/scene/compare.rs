//! Before and after: two captures of one test, chosen by hand, on one rule.

use maud::{Markup, html};

use super::{
    frame::{Place, foot, head, page},
    kept::verdict,
    words::{day, pictures, short},
};
use crate::{
    bench::{Kept, State},
    inspect::comparison::{CompareResult, Comparison},
    measure::compare::{Change, Direction},
    reading::Estimate,
    report::{
        plot::{self, Mark, Width, mark},
        sentence, shown,
    },
    units::CM3_PER_MIN,
};

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
pub fn compare(state: &State, compared: Option<Compared>, width: Option<Width>) -> Markup {
    let place = Place {
        word: "compare",
        about: "before and after".into(),
    };
    let body = html! {
        (head(state, &place))
        main #page {
            @match compared {
                Some(compared) => (said(compared, width)),
                None => h1.ask { "Compare before and after" },
            }
            (choice(state, compared))
        }
        (foot(state))
    };
    page(Some(state), "compare - bench", false, &body)
}

fn choice(state: &State, compared: Option<Compared>) -> Markup {
    html! {
        @if state.kept.len() < 2 {
            p.why { "Two captures of one test are needed, one before and one after the repair." }
        } @else {
            form.choice method="get" action="/compare" {
                (select("before", "Before", state, compared.map(|c| c.before)))
                (select("after", "After", state, compared.map(|c| c.after)))
                button.btn.first { "Compare" }
            }
        }
    }
}

fn select(name: &str, words: &str, state: &State, chosen: Option<&Kept>) -> Markup {
    html! {
        label for=(name) { (words) }
        select id=(name) name=(name) {
            @for kept in state.kept.iter() {
                option value=(kept.name) selected[chosen == Some(kept)] {
                    (kept.test) @if let Some(setup) = &kept.setup { " " (short(setup)) } ", " (day_words(&kept.when))
                    ", " (kept.verdict.as_deref().unwrap_or("no verdict"))
                }
            }
        }
    }
}

fn day_words(when: &str) -> String {
    format!(
        "{} {}",
        when.get(..10).unwrap_or(when),
        when.get(11..16).unwrap_or("")
    )
}

fn said(compared: Compared, width: Option<Width>) -> Markup {
    match compared.result {
        Err(reason) => html! {
            h1.say { "These two cannot be compared." }
            p.why { (sentence(reason)) }
        },
        Ok(result) => html! {
            h1.say { (in_one_sentence(result)) }
            div.cmp { @for one in result.comparisons() { (row(&one.comparison, one, compared, width)) } }
        },
    }
}

fn in_one_sentence(result: &CompareResult) -> String {
    let all = result.comparisons();
    if all.iter().all(|c| c.comparison.refused().is_some()) {
        return "These two cannot be compared.".into();
    }
    let count = |change| {
        all.iter()
            .filter(|c| c.comparison.change() == change)
            .count()
    };
    let (better, worse) = (count(Change::Better), count(Change::Worse));
    match (better, worse, all.len()) {
        (0, 0, _) => "No change is shown: the uncertainty covers it.".into(),
        (1, 0, 1) => "It is better by more than the uncertainty.".into(),
        (0, 1, 1) => "It is worse by more than the uncertainty.".into(),
        (b, 0, n) if b == n => "All are better by more than the uncertainty.".into(),
        (b, w, n) => format!("{b} better, {w} worse, {} not shown.", n - b - w),
    }
}

fn row(
    comparison: &Comparison,
    one: &crate::inspect::comparison::Compared,
    compared: Compared,
    width: Option<Width>,
) -> Markup {
    let change = Mark::from(comparison.change());
    let (unit, scale) = match comparison {
        Comparison::Leak(_) => ("cm\u{b3}/min", 1.0 / CM3_PER_MIN),
        Comparison::Pull(_) => ("peak, N", 1.0),
        Comparison::Roll(_) => ("hits in 100 turns", 100.0),
    };
    html! {
        article {
            div {
                h2 { b { (comparison.test().word()) } " " (unit) " " span.v { (mark(change)) (change.word()) } }
                @if let Some(refused) = comparison.refused() {
                    @for refusal in refused { p.why { (sentence(&refusal.message)) } }
                }
                p {
                    @if let Some(difference) = comparison.difference() { (by(difference.scaled(scale), comparison.verdict())) br; }
                    "Before " (day(&compared.before.when)) ", " (verdict(compared.before)) "; after " (day(&compared.after.when)) ", "
                    (verdict(compared.after)) "."
                }
                p.why { (more(comparison)) }
            }
            div { (pictures(width, |width| plot::comparison(one, width))) }
        }
    }
}

/// `3.7 less, 3.3 to 4.1.`
fn by(difference: Estimate, direction: Direction) -> String {
    let turned = Estimate {
        value: -difference.value,
        u: difference.u,
        lo95: -difference.hi95,
        hi95: -difference.lo95,
    };
    match direction {
        Direction::Higher => {
            let s = shown(difference);
            format!("{} more, {}.", s.value, s.range())
        }
        Direction::Lower => {
            let s = shown(turned);
            format!("{} less, {}.", s.value, s.range())
        }
        Direction::Undecided => {
            let s = shown(difference);
            format!("Difference {}, {}.", s.value, s.range())
        }
    }
}

/// What more would show a change, where none is shown.
fn more(comparison: &Comparison) -> String {
    let needed = match comparison {
        Comparison::Leak(leak) => leak
            .more_holds
            .map(|n| crate::report::count(n, "more hold")),
        Comparison::Pull(pull) => pull
            .more_pulls
            .map(|n| crate::report::count(n as u64, "more pull")),
        Comparison::Roll(roll) => roll
            .more_turns
            .filter(|n| *n <= crate::report::TOO_MANY)
            .map(|n| crate::report::count(n, "more turn")),
    };
    match (comparison.change(), needed) {
        (Change::NotShown, Some(needed)) => format!("{needed} on each side may show it."),
        _ => String::new(),
    }
}

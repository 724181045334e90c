//! The marks of the verdicts: does the block go into the jaws? And of a change: the step up, down, level.
//!
//! Each has a silhouette of its own, so that it is told apart without colour; it is drawn in the colour of the text
//! beside it. A mark never stands without its word, so it is hidden from a reader of screens.

use maud::{Markup, html};

use crate::{measure::compare::Change, reading::Verdict};

/// A mark.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Mark {
    /// The filled block lies down inside the jaws.
    Within,
    /// The filled block is too wide and lies askew on top of the jaws.
    Outside,
    /// The dashed, empty block is half in.
    Undecided,
    /// A step up.
    Better,
    /// A step down.
    Worse,
    /// A dashed level.
    NotShown,
}

impl Mark {
    /// Every mark.
    pub const ALL: [Self; 6] = [
        Self::Within,
        Self::Outside,
        Self::Undecided,
        Self::Better,
        Self::Worse,
        Self::NotShown,
    ];

    /// The word that stands beside it.
    pub fn word(self) -> &'static str {
        match self {
            Self::Within => "within",
            Self::Outside => "outside",
            Self::Undecided => "undecided",
            Self::Better => "better",
            Self::Worse => "worse",
            Self::NotShown => "not shown",
        }
    }
}

impl From<Verdict> for Mark {
    fn from(verdict: Verdict) -> Self {
        match verdict {
            Verdict::Within => Self::Within,
            Verdict::Outside => Self::Outside,
            Verdict::Undecided => Self::Undecided,
        }
    }
}

impl From<Change> for Mark {
    fn from(change: Change) -> Self {
        match change {
            Change::Better => Self::Better,
            Change::Worse => Self::Worse,
            Change::NotShown => Self::NotShown,
        }
    }
}

/// The SVG of a mark, 72 units square; its size is for the page to say.
///
/// ```
/// use feelgauge::report::plot::{Mark, mark};
/// assert!(mark(Mark::Undecided).into_string().contains("stroke-dasharray"));
/// ```
pub fn mark(mark: Mark) -> Markup {
    html! {
        svg xmlns="http://www.w3.org/2000/svg" class="mark" viewBox="0 0 72 72" aria-hidden="true" {
            (shapes(mark))
        }
    }
}

/// The shapes alone, 72 units square.
pub(super) fn shapes(mark: Mark) -> Markup {
    let line = |d: &str, width: &str, dash: Option<&str>| {
        html! { path d=(d) fill="none" stroke="currentColor" stroke-width=(width) stroke-dasharray=[dash] {} }
    };
    match mark {
        Mark::Within => html! {
            (line("M8.5 22V63.5H63.5V22", "9", None))
            rect x="18" y="22" width="36" height="32" fill="currentColor" {}
        },
        Mark::Outside => html! {
            (line("M8.5 42V65.5H63.5V42", "9", None))
            rect x="13" y="8" width="46" height="26" fill="currentColor" transform="rotate(-15 36 21)" {}
        },
        Mark::Undecided => html! {
            (line("M8.5 40V65.5H63.5V40", "9", None))
            (line("M21 46V6H51V46", "6", Some("9 6.5")))
        },
        Mark::Better => html! {
            (line("M6 60H30V36H66", "10", None))
            (line("M36 22L51 7L66 22", "9", None))
        },
        Mark::Worse => html! {
            (line("M6 12H30V36H66", "10", None))
            (line("M36 50L51 65L66 50", "9", None))
        },
        Mark::NotShown => line("M4 36H68", "10", Some("15 9.5")),
    }
}

//! The plot room: every picture is drawn here once, as SVG, for page, report and file alike.
//!
//! Shapes carry classes ([`STYLE`]); a page brings the colours, a file of its own carries them inside. Nothing is told by
//! colour alone. Coordinates are rounded to a tenth of a unit. The same finding gives the same bytes.

mod blind;
mod comparison;
mod curve;
mod drag;
mod leak;
mod letters;
mod mark;
mod png;
mod pull;
mod roll;
mod rule;
mod scale;
mod sheet;
mod strokes;
mod svg;

use crate::{
    inspect::{Finding, comparison::Compared, guide::View},
    vehicle::Vehicle,
};
use svg::Svg;

pub use mark::{Mark, mark};
pub(super) use png::tree;
pub use png::{PngError, png};
pub(super) use pull::{peak_n, weight_n};
pub use sheet::{comparison_sheet, sheet};
pub use svg::{Frame, STYLE};

/// How wide a picture is drawn; its letters have the same size in both.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Width {
    /// For a phone: 328 units.
    Narrow,
    /// For a laptop, paper or a file: 640 units.
    Wide,
}

impl Width {
    /// Both.
    pub const ALL: [Self; 2] = [Self::Narrow, Self::Wide];

    /// Units of width.
    pub fn units(self) -> f64 {
        match self {
            Self::Narrow => 328.0,
            Self::Wide => 640.0,
        }
    }

    /// Paper of this width for a car whose file has words for its parts.
    pub fn of_car(self, vehicle: Option<&Vehicle>) -> Paper<'_> {
        Paper {
            width: self,
            vehicle,
        }
    }

    /// One or the other.
    fn pick<T>(self, narrow: T, wide: T) -> T {
        match self {
            Self::Narrow => narrow,
            Self::Wide => wide,
        }
    }

    /// About how many numbers fit under an axis.
    fn ticks(self) -> usize {
        self.pick(5, 8)
    }

    /// The class that a page hides or shows.
    fn class(self) -> &'static str {
        self.pick("narrow", "wide")
    }
}

/// What a picture is drawn on: its width, and the car whose file names the parts.
#[derive(Clone, Copy, Debug)]
pub struct Paper<'a> {
    /// How wide.
    pub width: Width,
    /// The car's file: labels of parts.
    pub vehicle: Option<&'a Vehicle>,
}

impl From<Width> for Paper<'_> {
    fn from(width: Width) -> Self {
        width.of_car(None)
    }
}

impl Paper<'_> {
    /// What a person calls a part: the label of the car's file, else its name.
    fn part(&self, part: &str) -> String {
        self.vehicle
            .map_or_else(|| part.to_owned(), |vehicle| vehicle.words_for(part))
    }
}

/// One picture with the line that stands above it and, where it takes one, the sentence below.
#[derive(Clone, Debug)]
pub struct Picture {
    /// Quantity and unit.
    pub heading: String,
    /// How to read it.
    pub caption: Option<String>,
    svg: Svg,
    width: Width,
}

impl Picture {
    fn new(heading: impl Into<String>, svg: Svg, width: Width) -> Self {
        Self {
            heading: heading.into(),
            caption: None,
            svg,
            width,
        }
    }

    fn with_caption(mut self, caption: impl Into<String>) -> Self {
        self.caption = Some(caption.into());
        self
    }

    /// The SVG element for a page, or as a file of its own.
    pub fn svg(&self, frame: Frame) -> String {
        self.svg.finish(frame, self.width.class())
    }

    /// The SVG element for a page.
    pub fn into_svg(self) -> String {
        self.svg(Frame::Page)
    }

    /// What the eye sees, in words: the same as in the element's `aria-label`.
    pub fn label(&self) -> &str {
        self.svg.label()
    }

    /// Units of width and height.
    pub fn size(&self) -> (f64, f64) {
        (self.width.units(), self.svg.height())
    }
}

/// The pictures of a finding: the rule first where there is an estimate, then the readings. None of a refused record
/// without readings. `paper`: a [`Width`], or one [`Width::of_car`].
pub fn pictures<'a>(finding: &Finding, paper: impl Into<Paper<'a>>) -> Vec<Picture> {
    let paper = paper.into();
    match finding {
        Finding::Leak(finding) => leak::pictures(finding, paper.width),
        Finding::Pull(finding) => pull::pictures(finding, paper.width),
        Finding::Roll(finding) => roll::pictures(finding, paper),
    }
}

/// The pictures of a running test: what the hands need to see now comes first.
pub fn live<'a>(view: &View, paper: impl Into<Paper<'a>>) -> Vec<Picture> {
    let paper = paper.into();
    match view {
        View::Leak(view) => leak::live(view, paper.width),
        View::Pull(view) => pull::live(view, paper.width),
        View::Roll(view) => roll::live(view, paper),
    }
}

/// The pictures of before and after: both blocks on one rule, and pulls side by side. None where nothing can be drawn.
pub fn comparison<'a>(compared: &Compared, paper: impl Into<Paper<'a>>) -> Vec<Picture> {
    comparison::pictures(compared, paper.into().width)
}

//! The plot room: every picture is drawn here once, as SVG, for page, report and file alike.
//!
//! Shapes carry classes; a page brings the colours, a file of its own carries them inside. Nothing is told by colour
//! alone. Coordinates are rounded to a tenth of a unit.

mod curve;
mod leak;
mod mark;
mod pull;
mod roll;
mod rule;
mod scale;
mod svg;

use crate::inspect::Finding;
use svg::{Anchor, Svg};

pub use mark::{Mark, mark};
pub use svg::{Frame, STYLE};

/// How wide a picture is drawn; its letters have the same size in both.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Width {
    /// For a phone.
    Narrow,
    /// For a laptop, paper or a file.
    Wide,
}

impl Width {
    /// Units of width.
    fn units(self) -> f64 {
        match self {
            Self::Narrow => 328.0,
            Self::Wide => 640.0,
        }
    }

    /// About how many numbers fit under an axis.
    fn ticks(self) -> usize {
        match self {
            Self::Narrow => 5,
            Self::Wide => 8,
        }
    }

    /// The class that a page hides or shows.
    fn class(self) -> &'static str {
        match self {
            Self::Narrow => "narrow",
            Self::Wide => "wide",
        }
    }
}

/// One picture with the line that stands above it.
#[derive(Debug)]
pub struct Picture {
    /// Quantity and unit.
    pub heading: String,
    svg: Svg,
    width: Width,
}

impl Picture {
    fn new(heading: impl Into<String>, svg: Svg, width: Width) -> Self {
        Self {
            heading: heading.into(),
            svg,
            width,
        }
    }

    /// The SVG element for a page.
    pub fn into_svg(self) -> String {
        self.svg.finish(Frame::Page, self.width.class())
    }
}

/// The pictures of a finding: the rule first where there is an estimate, then the readings. None of a refused record
/// without readings.
pub fn pictures(finding: &Finding, width: Width) -> Vec<Picture> {
    match finding {
        Finding::Leak(finding) => leak::pictures(finding, width),
        Finding::Pull(finding) => pull::pictures(finding, width),
        Finding::Roll(finding) => roll::pictures(finding, width),
    }
}

/// All pictures of a finding on one sheet, an SVG file of its own; `title` stands above.
pub fn sheet(finding: &Finding, title: &str) -> String {
    const GAP: f64 = 16.0;
    let pictures = pictures(finding, Width::Wide);
    let height = pictures
        .iter()
        .map(|p| p.svg.height() + 28.0 + GAP)
        .sum::<f64>()
        + 44.0;
    let mut sheet = Svg::new(Width::Wide.units(), height, title.to_owned());
    sheet.text("t18 tb", Anchor::Start, (8.0, 26.0), title);
    let mut y = 44.0;
    for picture in pictures {
        sheet.text("t16 tb", Anchor::Start, (8.0, y + 14.0), &picture.heading);
        y += 28.0;
        let height = picture.svg.height();
        sheet.place(picture.svg, (0.0, y));
        y += height + GAP;
    }
    sheet.finish(Frame::Alone, Width::Wide.class())
}

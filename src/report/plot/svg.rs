//! A drawing in the making: few shapes, each with a class; colours come from one style.

use maud::{Markup, PreEscaped, html};

/// What stands around the drawing.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Frame {
    /// Inside a page, which brings the style.
    Page,
    /// A file of its own: style and ground inside.
    Alone,
}

/// Where a text's point lies.
#[derive(Clone, Copy, Debug)]
pub(super) enum Anchor {
    Start,
    Middle,
    End,
}

/// The classes of every picture, for a page's style sheet. The colours are the page's variables: `--ink` and `--ink2` (what
/// is drawn and written), `--line`, `--hair` (hatching, grid), `--mark` (what is estimated), `--tint` (areas), `--sheet` (the
/// ground under a picture). Letters take the page's face; bold ones have weight 700.
///
/// | class | is |
/// |---|---|
/// | `t15` `t16` `t18`, `tb`, `t2` | letters by size; bold; less important |
/// | `axis`, `tick`, `tickm`, `grid`, `leader` | axis, graduation, fine graduation, grid, line from a word to its thing |
/// | `raw`, `rawdot` | readings as a line, as dots |
/// | `notc` | readings that are not counted: dotted |
/// | `fit` | fit: the heaviest curve |
/// | `dot` | peak of a stroke |
/// | `band`, `bandedge` | area, its edge |
/// | `bar`, `barh`, `bard` | block: filled (counts), empty (before), dashed (undecided) |
/// | `est`, `estk` | the value cut through a filled block, through an empty one |
/// | `limit`, `limitk`, `case` | limit: long dashes; through a block, with a clear edge |
/// | `steel`, `hatchl` | body of a rule, its hatched part `outside` |
/// | `solid`, `minor`, `hollow` | filled shape, a less important one, an empty one |
/// | `col`, `colb`, `colh` | column, column that is spoken of, column to come: dashed |
pub const STYLE: &str = concat!(
    include_str!("classes.css"),
    ".plot{display:block;width:100%;height:auto;overflow:visible}\n"
);

/// The light colours of the page, for a drawing that stands alone.
const LIGHT: [(&str, &str); 7] = [
    ("var(--ink)", "#121718"),
    ("var(--ink2)", "#414B4A"),
    ("var(--line)", "#717D7B"),
    ("var(--hair)", "#C2CAC5"),
    ("var(--mark)", "#0E3F94"),
    ("var(--tint)", "#C9D6E6"),
    ("var(--sheet)", "#F7F9F5"),
];

/// Faces of a drawing that stands alone: those that come with the program, else narrow ones that a system may have.
const FACES: &str = "text{font-family:'Barlow Semi Condensed Medium','Roboto Condensed','Arial Narrow',sans-serif}\
.tb{font-family:'Barlow Semi Condensed','Roboto Condensed','Arial Narrow',sans-serif}";

/// The style of a drawing that stands alone.
fn style_alone() -> String {
    let classes = include_str!("classes.css").to_owned();
    let fixed = LIGHT
        .iter()
        .fold(classes, |css, (token, colour)| css.replace(token, colour));
    fixed + FACES
}

/// A drawing.
#[derive(Debug)]
pub(super) struct Svg {
    width: f64,
    height: f64,
    /// What the eye sees, in words.
    label: String,
    shapes: Vec<Markup>,
}

impl Svg {
    /// An empty drawing; `label` is read aloud in its place.
    pub fn new(width: f64, height: f64, label: String) -> Self {
        Self {
            width,
            height,
            label,
            shapes: Vec::new(),
        }
    }

    pub fn height(&self) -> f64 {
        self.height
    }

    pub fn line(&mut self, class: &str, from: (f64, f64), to: (f64, f64)) {
        self.shapes.push(html! {
            line class=(class) x1=(n(from.0)) y1=(n(from.1)) x2=(n(to.0)) y2=(n(to.1)) {}
        });
    }

    /// An open curve; pieces of it begin where a point is not finite.
    pub fn curve(&mut self, class: &str, points: impl IntoIterator<Item = (f64, f64)>) {
        let path = path(points);
        if !path.is_empty() {
            self.shapes.push(html! { path class=(class) d=(path) {} });
        }
    }

    /// A closed shape.
    pub fn area(&mut self, class: &str, points: impl IntoIterator<Item = (f64, f64)>) {
        let path = path(points);
        if !path.is_empty() {
            self.shapes
                .push(html! { path class=(class) d=(format!("{path}Z")) {} });
        }
    }

    pub fn dot(&mut self, class: &str, at: (f64, f64), radius: f64) {
        self.shapes.push(html! {
            circle class=(class) cx=(n(at.0)) cy=(n(at.1)) r=(n(radius)) {}
        });
    }

    /// A box from `x0` to `x1` and `y0` to `y1`.
    pub fn block(&mut self, class: &str, x: (f64, f64), y: (f64, f64)) {
        self.shapes.push(html! {
            rect class=(class) x=(n(x.0)) y=(n(y.0)) width=(n(x.1 - x.0)) height=(n(y.1 - y.0)) {}
        });
    }

    pub fn text(&mut self, class: &str, anchor: Anchor, at: (f64, f64), text: &str) {
        let anchor = match anchor {
            Anchor::Start => "start",
            Anchor::Middle => "middle",
            Anchor::End => "end",
        };
        self.shapes.push(html! {
            text class=(class) text-anchor=(anchor) x=(n(at.0)) y=(n(at.1)) { (text) }
        });
    }

    /// Puts another drawing into this one, its upper left corner at `at`.
    pub fn place(&mut self, other: Self, at: (f64, f64)) {
        let shift = format!("translate({} {})", n(at.0), n(at.1));
        self.shapes.push(html! {
            g transform=(shift) { @for shape in &other.shapes { (shape) } }
        });
    }

    /// The drawing as a file or as a part of a page; `class` tells drawings of several widths apart.
    pub fn finish(self, frame: Frame, class: &str) -> String {
        let view = format!("0 0 {} {}", n(self.width), n(self.height));
        let alone = frame == Frame::Alone;
        let size = |length: f64| alone.then(|| n(length));
        let svg = html! {
            svg xmlns=[alone.then_some("http://www.w3.org/2000/svg")] class=(format!("plot {class}")) viewBox=(view)
                width=[size(self.width)] height=[size(self.height)] role="img" aria-label=(self.label) {
                @if alone {
                    style { (PreEscaped(style_alone())) }
                    rect class="sheet" width=(n(self.width)) height=(n(self.height)) {}
                }
                @for shape in &self.shapes { (shape) }
            }
        };
        svg.into_string()
    }
}

/// Lines through points, `M` where a piece begins.
fn path(points: impl IntoIterator<Item = (f64, f64)>) -> String {
    let mut path = String::new();
    let mut open = false;
    for (x, y) in points {
        if !(x.is_finite() && y.is_finite()) {
            open = false;
            continue;
        }
        path.push(if open { 'L' } else { 'M' });
        path.push_str(&format!("{} {}", n(x), n(y)));
        open = true;
    }
    path
}

/// A coordinate: a tenth of a unit is finer than the eye.
fn n(value: f64) -> String {
    let text = format!("{value:.1}");
    let short = text.strip_suffix(".0").unwrap_or(&text);
    if short == "-0" {
        "0".into()
    } else {
        short.to_owned()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn words_are_escaped_and_gaps_break_a_curve() {
        let mut svg = Svg::new(10.0, 10.0, "a \"b\" <c>".into());
        svg.text("t16", Anchor::Middle, (1.0, 2.0), "p < q & r");
        svg.curve(
            "fit",
            [(0.0, 0.0), (1.25, -0.01), (f64::NAN, 0.0), (2.0, 2.0)],
        );
        let text = svg.finish(Frame::Page, "narrow");
        assert!(text.contains("p &lt; q &amp; r") && text.contains("a &quot;b&quot; &lt;c&gt;"));
        assert!(text.contains("M0 0L1.2 0M2 2"), "{text}");
        assert!(!text.contains("style"));
    }
}

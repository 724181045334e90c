//! A drawing in the making: few shapes, each with a class; colours come from one style.

use maud::Markup;

use super::letters::Letters;

/// The classes of every picture, for a page's style sheet. The colours are the page's variables: `--ink` and `--ink2` (what
/// is drawn and written), `--line`, `--hair` (hatching, grid), `--mark` (what is estimated), `--out` (`outside`, beside its mark), `--tint` (areas), `--sheet` (the
/// ground under a picture). Letters take the page's face; bold ones have weight 700.
///
/// | class | is |
/// |---|---|
/// | `t15` `t16` `t18`, `tb`, `t2`, `tc` | letters by size; bold; less important; with a clear edge |
/// | `axis`, `tick`, `tickm`, `grid`, `leader` | axis, graduation, fine graduation, grid, line from a word to its thing |
/// | `raw`, `rawdot` | readings as a line, as dots |
/// | `notc` | readings that are not counted: dotted |
/// | `fit` | fit: the heaviest curve |
/// | `dot` | peak of a stroke |
/// | `band`, `bandedge` | area, its edge |
/// | `under` | area under readings, with the readings as its edge |
/// | `bar`, `barh`, `bard` | block: filled (counts), empty (before), dashed (undecided) |
/// | `est`, `estn`, `estk` | the value cut through a filled block, through a thin one, through an empty one |
/// | `limit`, `limitk`, `case` | limit: long dashes; through a block, with a clear edge |
/// | `steel`, `hatchl` | body of a rule, its hatched part `outside` |
/// | `solid`, `minor`, `hollow` | filled shape, a less important one, an empty one |
/// | `col`, `colb`, `colh` | column, column that is spoken of, column to come: dashed |
/// | `inked`, `outed` | colour of a verdict's mark and word on a sheet |
/// | `sheet` | the ground of a drawing that stands alone |
pub const STYLE: &str = concat!(
    include_str!("classes.css"),
    ".plot{display:block;width:100%;height:auto;overflow:visible}\n"
);

/// The light colours of the page, for a drawing that stands alone.
const LIGHT: [(&str, &str); 8] = [
    ("var(--ink)", "#121718"),
    ("var(--ink2)", "#414B4A"),
    ("var(--line)", "#717D7B"),
    ("var(--hair)", "#C2CAC5"),
    ("var(--mark)", "#0E3F94"),
    ("var(--out)", "#97200F"),
    ("var(--tint)", "#C9D6E6"),
    ("var(--sheet)", "#F7F9F5"),
];

/// The colours of paper: black and greys that a printer without colours keeps apart.
const PRINT: [(&str, &str); 8] = [
    ("var(--ink)", "#000"),
    ("var(--ink2)", "#333"),
    ("var(--line)", "#777"),
    ("var(--hair)", "#BBB"),
    ("var(--mark)", "#000"),
    ("var(--out)", "#000"),
    ("var(--tint)", "#DDD"),
    ("var(--sheet)", "#FFF"),
];

/// Faces of a drawing that stands alone: those that come with the program, else narrow ones that a system may have.
const FACES: &str = "text{font-family:'Barlow Semi Condensed Medium','Roboto Condensed','Arial Narrow',sans-serif}\
.tb{font-family:'Barlow Semi Condensed','Roboto Condensed','Arial Narrow',sans-serif}";

/// The style of a drawing that stands alone, in fixed colours.
fn style_alone(colours: &[(&str, &str)]) -> String {
    let classes = include_str!("classes.css").to_owned();
    let fixed = colours
        .iter()
        .fold(classes, |css, (token, colour)| css.replace(token, colour));
    fixed + FACES
}

/// What stands around the drawing.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Frame {
    /// Inside a page, which brings the style.
    Page,
    /// A file of its own: style and ground inside.
    Alone,
    /// A part of a printed sheet: style inside, in the colours of paper; the paper is the ground.
    Paper,
}

/// Where a text's point lies.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Anchor {
    Start,
    Middle,
    End,
}

/// A drawing.
#[derive(Clone, Debug)]
pub(super) struct Svg {
    width: f64,
    height: f64,
    /// What the eye sees, in words.
    label: String,
    /// The shapes so far, as markup.
    shapes: String,
}

impl Svg {
    /// An empty drawing; `label` is read aloud in its place.
    pub fn new(width: f64, height: f64, label: impl Into<String>) -> Self {
        Self {
            width,
            height,
            label: label.into(),
            shapes: String::new(),
        }
    }

    pub fn height(&self) -> f64 {
        self.height
    }

    pub fn label(&self) -> &str {
        &self.label
    }

    pub fn line(&mut self, class: &str, from: (f64, f64), to: (f64, f64)) {
        self.lines(class, [[from, to]]);
    }

    /// Lines of one kind, as one shape.
    pub fn lines(&mut self, class: &str, lines: impl IntoIterator<Item = [(f64, f64); 2]>) {
        let mut path = Path::default();
        for line in lines {
            path.lift();
            for point in line {
                path.to(point);
            }
        }
        self.path(class, &path.0);
    }

    /// An open curve; pieces of it begin where a point is not finite.
    pub fn curve(&mut self, class: &str, points: impl IntoIterator<Item = (f64, f64)>) {
        let mut path = Path::default();
        points.into_iter().for_each(|point| path.to(point));
        self.path(class, &path.0);
    }

    /// A closed shape.
    pub fn area(&mut self, class: &str, points: impl IntoIterator<Item = (f64, f64)>) {
        self.areas(class, [points]);
    }

    /// Closed shapes of one kind, as one.
    pub fn areas<P: IntoIterator<Item = (f64, f64)>>(
        &mut self,
        class: &str,
        areas: impl IntoIterator<Item = P>,
    ) {
        let mut path = Path::default();
        for points in areas {
            path.lift();
            points.into_iter().for_each(|point| path.to(point));
            path.close();
        }
        self.path(class, &path.0);
    }

    /// Dots of one kind, as one shape: strokes of nearly no length with round ends, as thick as the class says.
    pub fn dots(&mut self, class: &str, points: impl IntoIterator<Item = (f64, f64)>) {
        let mut path = Path::default();
        points.into_iter().for_each(|point| path.dot(point));
        self.path(class, &path.0);
    }

    fn path(&mut self, class: &str, path: &str) {
        if !path.is_empty() {
            self.open("path", class);
            self.attribute("d", path);
            self.shapes.push_str("/>");
        }
    }

    /// A filled dot; none where a coordinate is not finite.
    pub fn dot(&mut self, class: &str, at: (f64, f64), radius: f64) {
        if at.0.is_finite() && at.1.is_finite() {
            self.open("circle", class);
            self.numbers(&[("cx", at.0), ("cy", at.1), ("r", radius)]);
            self.shapes.push_str("/>");
        }
    }

    /// A box between two places across and two down.
    pub fn block(&mut self, class: &str, x: (f64, f64), y: (f64, f64)) {
        self.open("rect", class);
        // The far corner is rounded, not the length: the edge lies where its value does.
        let (x0, y0) = (rounded(x.0), rounded(y.0));
        let size = (rounded(x.1) - x0, rounded(y.1) - y0);
        self.numbers(&[("x", x0), ("y", y0), ("width", size.0), ("height", size.1)]);
        self.shapes.push_str("/>");
    }

    pub fn text(&mut self, class: &str, anchor: Anchor, at: (f64, f64), text: &str) {
        self.open("text", class);
        match anchor {
            Anchor::Start => {}
            Anchor::Middle => self.attribute("text-anchor", "middle"),
            Anchor::End => self.attribute("text-anchor", "end"),
        }
        self.numbers(&[("x", at.0), ("y", at.1)]);
        self.shapes.push('>');
        escape(&mut self.shapes, text);
        self.shapes.push_str("</text>");
    }

    /// A text that is moved sideways as far as it takes to lie between `room.0` and `room.1`.
    pub fn text_within(&mut self, class: &str, room: (f64, f64), at: (f64, f64), text: &str) {
        let half = Letters::of(class).width(text) / 2.0;
        let x = at.0.min(room.1 - half).max(room.0 + half);
        self.text(class, Anchor::Middle, (x, at.1), text);
    }

    /// Puts another drawing into this one, its upper left corner at `at`, so many times as large.
    pub fn place(&mut self, other: &Self, at: (f64, f64), scale: f64) {
        self.shapes.push_str("<g transform=\"translate(");
        number(&mut self.shapes, at.0);
        self.shapes.push(' ');
        number(&mut self.shapes, at.1);
        self.shapes.push(')');
        if (scale - 1.0).abs() > f64::EPSILON {
            self.shapes.push_str(" scale(");
            number(&mut self.shapes, scale);
            self.shapes.push(')');
        }
        self.shapes.push_str("\">");
        self.shapes.push_str(&other.shapes);
        self.shapes.push_str("</g>");
    }

    /// Puts markup of this program's own into the drawing, coloured by a class.
    pub fn markup(&mut self, class: &str, markup: &Markup, at: (f64, f64), scale: f64) {
        let inner = Self {
            shapes: format!("<g class=\"{class}\">{}</g>", markup.0),
            ..Self::new(0.0, 0.0, "")
        };
        self.place(&inner, at, scale);
    }

    /// The drawing as a file or as a part of a page; `class` tells drawings of several widths apart.
    pub fn finish(&self, frame: Frame, class: &str) -> String {
        let colours = match frame {
            Frame::Page => None,
            Frame::Alone => Some(&LIGHT),
            Frame::Paper => Some(&PRINT),
        };
        let mut out = Self::new(0.0, 0.0, "");
        out.open("svg", &format!("plot {class}"));
        if colours.is_some() {
            out.attribute("xmlns", "http://www.w3.org/2000/svg");
            out.numbers(&[("width", self.width), ("height", self.height)]);
        }
        let mut view = "0 0 ".to_owned();
        number(&mut view, self.width);
        view.push(' ');
        number(&mut view, self.height);
        out.attribute("viewBox", &view);
        out.attribute("role", "img");
        out.attribute("aria-label", &self.label);
        out.shapes.push('>');
        if let Some(colours) = colours {
            out.shapes.push_str("<style>");
            out.shapes.push_str(&style_alone(colours));
            out.shapes.push_str("</style>");
        }
        if frame == Frame::Alone {
            out.block("sheet", (0.0, self.width), (0.0, self.height));
        }
        out.shapes.push_str(&self.shapes);
        out.shapes.push_str("</svg>");
        out.shapes
    }

    fn open(&mut self, name: &str, class: &str) {
        self.shapes.push('<');
        self.shapes.push_str(name);
        self.attribute("class", class);
    }

    fn attribute(&mut self, name: &str, value: &str) {
        self.shapes.push(' ');
        self.shapes.push_str(name);
        self.shapes.push_str("=\"");
        escape(&mut self.shapes, value);
        self.shapes.push('"');
    }

    fn numbers(&mut self, numbers: &[(&str, f64)]) {
        for (name, value) in numbers {
            self.shapes.push(' ');
            self.shapes.push_str(name);
            self.shapes.push_str("=\"");
            number(&mut self.shapes, *value);
            self.shapes.push('"');
        }
    }
}

/// A path in the making: where it was last, in tenths of a unit, and its text. Steps are written from point to point,
/// because they are shorter than places; they are whole tenths, so that nothing adds up.
#[derive(Debug, Default)]
struct Path(String, Option<(i64, i64)>);

impl Path {
    /// The next point begins a new piece.
    fn lift(&mut self) {
        self.1 = None;
    }

    fn to(&mut self, (x, y): (f64, f64)) {
        if !(x.is_finite() && y.is_finite()) {
            return self.lift();
        }
        let now = (tenths(x), tenths(y));
        match self.1 {
            None => self.pair('M', now),
            Some(last) if last == now => return,
            Some(last) => self.pair('l', (now.0 - last.0, now.1 - last.1)),
        }
        self.1 = Some(now);
    }

    fn dot(&mut self, (x, y): (f64, f64)) {
        if x.is_finite() && y.is_finite() {
            self.pair('M', (tenths(x), tenths(y)));
            self.0.push_str("h.01");
        }
    }

    fn close(&mut self) {
        if !self.0.is_empty() {
            self.0.push('Z');
        }
    }

    fn pair(&mut self, letter: char, (x, y): (i64, i64)) {
        self.0.push(letter);
        write_tenths(&mut self.0, x);
        if y >= 0 {
            self.0.push(' ');
        }
        write_tenths(&mut self.0, y);
    }
}

/// Tenths of a unit: finer than the eye.
fn tenths(value: f64) -> i64 {
    // Held within what any drawing spans.
    #[allow(clippy::cast_possible_truncation)]
    let tenths = libm::round(value.clamp(-1e6, 1e6) * 10.0) as i64;
    tenths
}

/// A place as it is written.
pub(super) fn rounded(value: f64) -> f64 {
    tenths(value) as f64 / 10.0
}

fn number(out: &mut String, value: f64) {
    write_tenths(out, tenths(value));
}

fn write_tenths(out: &mut String, tenths: i64) {
    if tenths < 0 {
        out.push('-');
    }
    let (whole, part) = (tenths.unsigned_abs() / 10, tenths.unsigned_abs() % 10);
    if whole > 0 || part == 0 {
        out.push_str(&whole.to_string());
    }
    if part > 0 {
        out.push('.');
        out.push_str(&part.to_string());
    }
}

/// Words as XML carries them; control characters, which it cannot carry, become the replacement character.
fn escape(out: &mut String, text: &str) {
    for c in text.chars() {
        match c {
            '&' => out.push_str("&amp;"),
            '<' => out.push_str("&lt;"),
            '>' => out.push_str("&gt;"),
            '"' => out.push_str("&quot;"),
            '\t' | '\n' | '\r' => out.push(' '),
            c if c.is_control() || matches!(c, '\u{fffe}' | '\u{ffff}') => out.push('\u{fffd}'),
            c => out.push(c),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn words_are_escaped() {
        let mut svg = Svg::new(10.0, 10.0, "a \"b\" <c>");
        svg.text("t16", Anchor::Middle, (1.0, 2.0), "p < q & r\u{1}\n");
        let text = svg.finish(Frame::Page, "narrow");
        assert!(text.contains(">p &lt; q &amp; r\u{fffd} </text>"), "{text}");
        assert!(text.contains("aria-label=\"a &quot;b&quot; &lt;c&gt;\""));
        assert!(!text.contains("style"));
    }

    #[test]
    fn steps_add_up_and_gaps_break_a_curve() {
        let mut svg = Svg::new(10.0, 10.0, "");
        let points = [(0.04, 0.0), (0.08, -0.01), (1.26, 0.44), (1.26, 0.44)];
        svg.curve(
            "fit",
            points.into_iter().chain([(f64::NAN, 0.0), (-2.0, 2.5)]),
        );
        svg.dots("rawdot", [(1.0, 2.0), (3.0, f64::INFINITY)]);
        svg.area("band", [(0.0, 0.0), (10.0, 0.0), (10.0, 9.5)]);
        let text = svg.finish(Frame::Page, "narrow");
        for path in [
            "\"M0 0l.1 0l1.2 .4M-2 2.5\"",
            "\"M1 2h.01\"",
            "\"M0 0l10 0l0 9.5Z\"",
        ] {
            assert!(text.contains(path), "{path} in {text}");
        }
    }

    #[test]
    fn a_drawing_alone_carries_its_style_in_fixed_colours() {
        let style = style_alone(&LIGHT);
        assert!(!style.contains("var("), "{style}");
        assert!(style.contains("#97200F") && style.contains(".t15"));
    }

    #[test]
    fn a_drawing_on_paper_is_black_and_grey_without_a_ground() {
        let mut svg = Svg::new(10.0, 10.0, "");
        svg.line("fit", (0.0, 0.0), (1.0, 1.0));
        let text = svg.finish(Frame::Paper, "wide");
        assert!(!text.contains("var(") && !text.contains("<rect"), "{text}");
        let grey = |colour: &str| colour.as_bytes()[1..].windows(2).all(|w| w[0] == w[1]);
        assert!(PRINT.iter().all(|(_, colour)| grey(colour)));
        assert!(LIGHT.iter().zip(&PRINT).all(|(a, b)| a.0 == b.0));
    }
}

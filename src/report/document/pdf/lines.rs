//! Words in lines: where a text wraps.

use super::face::{Face, legible};

/// How letters look.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Style {
    pub face: Face,
    /// Points.
    pub size: f64,
    /// Height of a line in parts of the size.
    pub leading: f64,
    /// Dark grey instead of black.
    pub grey: bool,
}

impl Style {
    pub const fn new(face: Face, size: f64, leading: f64) -> Self {
        Self {
            face,
            size,
            leading,
            grey: false,
        }
    }

    pub const fn grey(self) -> Self {
        Self { grey: true, ..self }
    }

    pub const fn sized(self, size: f64) -> Self {
        Self { size, ..self }
    }

    /// Length of a line, points.
    pub fn width(self, text: &str) -> f64 {
        self.face.width(text) * self.size
    }

    fn advance(self, c: char) -> f64 {
        self.face.advance(c) * self.size
    }

    /// Points from a line's upper edge to the next one's.
    pub fn height(self) -> f64 {
        self.size * self.leading
    }

    /// Points from a line's upper edge down to where the letters stand: the faces reach one size up and a fifth down.
    pub fn baseline(self) -> f64 {
        (self.height() - 1.2 * self.size) / 2.0 + self.size
    }
}

/// Letters of one style in a line.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Run {
    pub style: Style,
    pub text: String,
    /// Points.
    pub width: f64,
}

/// A line.
#[derive(Clone, Debug, Default, PartialEq)]
pub(super) struct Line {
    /// From left to right. All but the last line of a paragraph end in a space, so that a reader does not join words.
    pub runs: Vec<Run>,
    /// Length without the space at its end, points.
    pub width: f64,
    /// Points.
    pub height: f64,
    /// Points from the upper edge to where the letters stand.
    pub baseline: f64,
}

impl Line {
    fn push(&mut self, style: Style, c: char) {
        let advance = style.advance(c);
        match self.runs.last_mut() {
            Some(run) if run.style == style => {
                run.text.push(c);
                run.width += advance;
            }
            _ => self.runs.push(Run {
                style,
                text: c.to_string(),
                width: advance,
            }),
        }
        self.height = self.height.max(style.height());
        self.baseline = self.baseline.max(style.baseline());
    }

    /// A line of one run.
    pub fn of(style: Style, text: &str) -> Self {
        let text = legible(text).into_owned();
        let width = style.width(&text);
        Self {
            runs: vec![Run { style, text, width }],
            width,
            height: style.height(),
            baseline: style.baseline(),
        }
    }
}

/// A word: letters with their styles.
type Word = Vec<(Style, char)>;

/// Lines no longer than `room`; a word that is longer is broken between its letters. A line feed in the text ends a line.
pub(super) fn wrap(parts: &[(Style, &str)], room: f64) -> Vec<Line> {
    let mut lines = Vec::new();
    let mut words: Vec<Word> = vec![Word::new()];
    for (style, text) in parts {
        let mut rows = text.split('\n');
        add_words(&mut words, *style, rows.next().unwrap_or_default());
        for row in rows {
            fill(&mut lines, &words, room);
            words = vec![Word::new()];
            add_words(&mut words, *style, row);
        }
    }
    fill(&mut lines, &words, room);
    lines
}

fn add_words(words: &mut Vec<Word>, style: Style, text: &str) {
    let text = legible(text);
    let mut letters = text.chars().peekable();
    while let Some(c) = letters.next() {
        match (c, words.last_mut()) {
            (' ', Some(last)) if last.is_empty() => {}
            // A number and its per cent stay together.
            (' ', Some(last)) if letters.peek() == Some(&'%') => last.push((style, c)),
            (' ', _) | (_, None) => words.push(Word::new()),
            (c, Some(last)) => last.push((style, c)),
        }
    }
}

fn length(word: &Word) -> f64 {
    word.iter().map(|(style, c)| style.advance(*c)).sum()
}

/// One paragraph's words.
fn fill(lines: &mut Vec<Line>, words: &[Word], room: f64) {
    let first = lines.len();
    let mut line = Line::default();
    for word in words.iter().filter(|w| !w.is_empty()) {
        let long = length(word);
        if let Some(style) = line.runs.last().map(|run| run.style) {
            let before = line.width;
            line.push(style, ' ');
            if before + style.advance(' ') + long <= room {
                line.width += style.advance(' ');
            } else {
                lines.push(std::mem::take(&mut line));
            }
        }
        for &(style, c) in word {
            let advance = style.advance(c);
            if line.width + advance > room && !line.runs.is_empty() {
                lines.push(std::mem::take(&mut line));
            }
            line.push(style, c);
            line.width += advance;
        }
    }
    if !line.runs.is_empty() {
        lines.push(line);
    } else if lines.len() == first && first > 0 {
        // A line feed after a line feed: an empty line as high as the one before.
        let height = lines[first - 1].height;
        lines.push(Line {
            height,
            ..Line::default()
        });
    }
}

/// Width that a character of a typed table takes, in parts of the size.
const TYPED: f64 = 0.52;

/// A typed line with what follows several spaces at its column; none where it has no columns, or no room.
fn in_columns(style: Style, text: &str, room: f64) -> Option<Line> {
    let text = legible(text);
    let mut line = Line {
        runs: Vec::new(),
        ..Line::of(style, "")
    };
    let mut column = 0;
    // What stands between two runs of several spaces, with one space at its end.
    for part in text.trim_end().split("  ") {
        let words = part.trim_start();
        if !words.is_empty() {
            let at = column + part.chars().count() - words.chars().count();
            let x = (at as f64 * TYPED * style.size).max(line.width);
            if let Some(run) = line.runs.last_mut() {
                run.width += x - line.width;
            } else if x > 0.0 {
                line.runs.push(Run {
                    style,
                    text: " ".into(),
                    width: x,
                });
            }
            let words = format!("{words} ");
            let width = style.width(&words);
            line.width = x + width;
            line.runs.push(Run {
                style,
                text: words,
                width,
            });
        }
        column += part.chars().count() + 2;
    }
    (line.runs.len() > 1 && line.width <= room).then_some(line)
}

/// The lines of something typed: columns stay columns, and what does not fit goes on below.
pub(super) fn typed(style: Style, text: &str, room: f64) -> Vec<Line> {
    if let Some(line) = in_columns(style, text, room) {
        return vec![line];
    }
    let letters: Vec<char> = legible(text).chars().collect();
    let mut lines = Vec::new();
    let mut rest = letters.as_slice();
    loop {
        let mut width = 0.0;
        let fits = rest.iter().take_while(|c| {
            width += style.advance(**c);
            width <= room
        });
        let fits = fits.count().max(1).min(rest.len());
        let cut = if fits == rest.len() {
            fits
        } else {
            let space = rest[..fits].iter().rposition(|c| *c == ' ');
            space.map_or(fits, |at| at + 1)
        };
        let (now, next) = rest.split_at(cut);
        lines.push(Line::of(style, &now.iter().collect::<String>()));
        if next.is_empty() {
            return lines;
        }
        rest = next;
    }
}

/// The beginning of a line that fits, with three dots where something is missing.
pub(super) fn cut(style: Style, text: &str, room: f64) -> String {
    let text = legible(text);
    if style.width(&text) <= room {
        return text.into_owned();
    }
    let mut width = style.width("...");
    let fits = text.chars().take_while(|c| {
        width += style.advance(*c);
        width <= room
    });
    let short: String = fits.collect();
    short.trim_end().to_owned() + "..."
}

#[cfg(test)]
mod tests {
    use super::*;

    const TEXT: Style = Style::new(Face::Text, 10.0, 1.3);
    const BOLD: Style = Style::new(Face::Bold, 10.0, 1.3);

    fn text(line: &Line) -> String {
        line.runs.iter().map(|run| run.text.as_str()).collect()
    }

    #[test]
    fn lines_hold_all_words_in_order_and_fit() {
        let words = "one two three four five six seven eight nine ten eleven twelve".repeat(5);
        for room in [40.0, 77.0, 200.0, 1e6] {
            let lines = wrap(&[(TEXT, &words)], room);
            assert!(lines.iter().all(|l| l.width <= room + 1e-9), "{room}");
            assert_eq!(lines.iter().map(text).collect::<String>(), words);
            for line in &lines {
                let drawn = TEXT.width(text(line).trim_end());
                assert!((drawn - line.width).abs() < 1e-9, "{line:?}");
            }
        }
    }

    #[test]
    fn a_long_word_breaks_and_loses_nothing() {
        let word = "abcdefghij".repeat(300);
        let lines = wrap(&[(TEXT, &format!("a {word} b"))], 100.0);
        assert!(lines.len() > 100 && lines.iter().all(|l| l.width <= 100.0));
        assert_eq!(
            lines.iter().map(text).collect::<String>(),
            format!("a {word} b")
        );
    }

    #[test]
    fn styles_change_inside_a_word_and_line_feeds_end_lines() {
        let lines = wrap(&[(BOLD, "4.1"), (TEXT, ", 3.7  to 4.5\n\nnext")], 500.0);
        assert_eq!(
            lines.iter().map(text).collect::<Vec<_>>(),
            ["4.1, 3.7 to 4.5", "", "next"]
        );
        assert_eq!(lines[0].runs.len(), 2);
        assert!(lines[1].height > 0.0);
        assert!(wrap(&[(TEXT, "")], 100.0).is_empty());
    }

    #[test]
    fn typed_lines_keep_their_spaces() {
        let command = "sha256sum  -c   manifest-sha256.txt";
        for room in [20.0, 60.0, 90.0] {
            let lines = typed(TEXT, command, room);
            assert_eq!(lines.iter().map(text).collect::<String>(), command);
        }
        assert_eq!(typed(TEXT, "", 10.0).len(), 1);
    }

    #[test]
    fn typed_columns_stand_under_each_other() {
        let starts = |text: &str| {
            let lines = typed(TEXT, text, 400.0);
            assert_eq!(lines.len(), 1);
            let mut x = 0.0;
            let place = |run: &Run| {
                x += run.width;
                (x - run.width, run.text.clone())
            };
            lines[0].runs.iter().map(place).collect::<Vec<_>>()
        };
        let (a, b) = (
            starts("pull  start   peak, N"),
            starts("   1  7.01 s  51.1 (48 to 53)"),
        );
        let names = |all: &[(f64, String)]| all.iter().map(|s| s.1.clone()).collect::<String>();
        assert_eq!(names(&a), "pull start peak, N ");
        assert_eq!(names(&b), " 1 7.01 s 51.1 (48 to 53) ");
        assert!(
            (a[1].0 - b[2].0).abs() < 1e-9 && (a[2].0 - b[3].0).abs() < 1e-9,
            "{a:?} {b:?}"
        );
    }

    #[test]
    fn a_number_keeps_its_per_cent() {
        let lines = wrap(&[(TEXT, "about 99 %.")], TEXT.width("about 99"));
        assert_eq!(
            lines.iter().map(text).collect::<Vec<_>>(),
            ["about ", "99 %."]
        );
    }

    #[test]
    fn a_cut_line_fits() {
        assert_eq!(cut(TEXT, "No. 14", 100.0), "No. 14");
        let short = cut(TEXT, "A title that is far too long", 60.0);
        assert!(
            short.ends_with("...") && TEXT.width(&short) <= 60.0,
            "{short}"
        );
    }
}

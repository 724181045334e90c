//! Sentences on a page: headings, folded lines, the same order for every test.

use crate::reading::{LimitSource, Refusal, Verdict};
pub use crate::units::count;

/// Columns of a page.
const WIDTH: usize = 78;
/// Columns before a sentence under a heading.
const INDENT: &str = "  ";

/// A page that grows from top to bottom.
#[derive(Debug, Default)]
pub(super) struct Page(Vec<Part>);

/// What stands on a page.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) enum Part {
    /// The first line: what was done, how it came out, of what.
    Title {
        test: String,
        word: String,
        source: String,
    },
    /// A heading, set off from what stands above.
    Heading(String),
    /// A sentence or two.
    Said(String),
    /// A line as it is: a row of a table or a picture.
    Line(String),
}

impl Page {
    /// The first line: the test and its verdict.
    pub(super) fn titled(test: &str, word: &str, source: &str) -> Self {
        Self(vec![Part::Title {
            test: test.into(),
            word: word.into(),
            source: source.into(),
        }])
    }

    /// A heading, set off from what stands above.
    pub(super) fn heading(&mut self, words: &str) {
        self.0.push(Part::Heading(words.into()));
    }

    /// A sentence or two, folded.
    pub(super) fn say(&mut self, words: impl AsRef<str>) {
        self.0.push(Part::Said(words.as_ref().into()));
    }

    /// A line as it is: a row of a table or a picture.
    pub(super) fn line(&mut self, line: &str) {
        self.0.push(Part::Line(line.into()));
    }

    /// The reasons of a refusal.
    pub(super) fn refusals(&mut self, refusals: &[Refusal]) {
        self.heading("no number, because");
        for refusal in refusals {
            self.say(refused(refusal));
        }
    }

    /// What stands on it, for another kind of page.
    pub(super) fn parts(self) -> Vec<Part> {
        self.0
    }

    /// The page as text.
    pub(super) fn finish(self) -> String {
        let mut text = String::new();
        for part in &self.0 {
            match part {
                Part::Title { test, word, source } => {
                    text.push_str(&[test, ": ", word, "    ", source, "\n"].concat());
                }
                Part::Heading(words) => text.push_str(&["\n", words, "\n"].concat()),
                Part::Said(words) => {
                    for folded in fold(words, WIDTH - INDENT.len()) {
                        indented(&mut text, &folded);
                    }
                }
                Part::Line(words) => indented(&mut text, words),
            }
        }
        text
    }
}

fn indented(text: &mut String, line: &str) {
    let line = line.trim_end();
    if !line.is_empty() {
        text.push_str(INDENT);
        text.push_str(line);
    }
    text.push('\n');
}

/// Why there is no number, with the code that results carry.
pub(super) fn refused(refusal: &Refusal) -> String {
    format!("{} ({})", sentence(&refusal.message), refusal.code)
}

/// The word of a finding: its verdict, `refused`, or that there is no limit to hold it against.
pub(super) fn verdict_word(verdict: Option<Verdict>, refused: bool) -> &'static str {
    match verdict {
        _ if refused => "refused",
        Some(Verdict::Within) => "within",
        Some(Verdict::Outside) => "outside",
        Some(Verdict::Undecided) => "undecided",
        None => "no verdict",
    }
}

/// Where a limit comes from, for a sentence.
pub fn limit_source(source: LimitSource) -> &'static str {
    match source {
        LimitSource::Own => "your own",
        LimitSource::Vehicle => "from the vehicle file",
        LimitSource::Suggested => "suggested here; common practice, no source",
    }
}

/// First letter large, a full stop at the end.
pub fn sentence(words: &str) -> String {
    let mut chars = words.chars();
    let first = chars.next().map(|c| c.to_ascii_uppercase());
    let mut text: String = first.into_iter().chain(chars).collect();
    if !text.ends_with(['.', '?', ':']) {
        text.push('.');
    }
    text
}

/// `one`, `one and two`, `one, two and three`.
pub fn list(items: &[String]) -> String {
    match items {
        [] => String::new(),
        [one] => one.clone(),
        [init @ .., last] => format!("{} and {last}", init.join(", ")),
    }
}

/// Folds words to lines of at most `width` characters; a longer word stands alone.
fn fold(words: &str, width: usize) -> Vec<String> {
    let mut lines = vec![String::new()];
    for word in words.split_whitespace() {
        let last = lines.last_mut().expect("there is one from the start");
        if last.is_empty() {
            last.push_str(word);
        } else if last.chars().count() + 1 + word.chars().count() <= width {
            last.push(' ');
            last.push_str(word);
        } else {
            lines.push(word.to_owned());
        }
    }
    lines
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn words_fold_and_lists_read() {
        assert_eq!(fold("aa bb cccccc d", 5), ["aa bb", "cccccc", "d"]);
        assert_eq!(fold("", 5), [""]);
        let items = |n: usize| {
            ["a", "b", "c"][..n]
                .iter()
                .map(|s| (*s).to_owned())
                .collect::<Vec<_>>()
        };
        assert_eq!(
            [
                list(&items(0)),
                list(&items(1)),
                list(&items(2)),
                list(&items(3))
            ],
            ["", "a", "a and b", "a, b and c"]
        );
        assert_eq!(sentence("pull again"), "Pull again.");
    }
}

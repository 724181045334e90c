//! What the demo tells on the terminal, a stage after the other, and at length in its summary.

use std::fmt::Write as _;

use super::{
    CALIBRATIONS, CAPTURES, FINDINGS, INSPECTION, REPORT, SEALED, SUMMARY, TRUTH, VEHICLE,
    sealing::{KEYS, SIGNERS, Sealed},
    story,
    visit::{Taken, Visited},
};
use crate::{
    inspect::Finding,
    inspection::Stage,
    reading::{SOFTWARE, Verdict},
    report::{self, About, AboutComparison, sentence},
    vehicle::Vehicle,
};

/// Rows of a table on a page begin so.
const TABLE: &str = "    ";
/// Columns of the terminal.
const WIDTH: usize = 78;
/// Sentences of a page's result that stand on the terminal.
const SENTENCES: usize = 3;

/// Everything that is told of.
pub(super) struct Told<'a> {
    pub car: &'a Vehicle,
    pub visited: &'a Visited,
    pub sealed: &'a Sealed,
    pub seed: u64,
}

impl Told<'_> {
    /// The stages, one screen each at most; `folder`: the demo's, as a person names it.
    pub fn stages(&self, folder: &str) -> String {
        let mut text = self.head();
        taken_in(&mut text);
        self.measured(&mut text, "As it came in", Stage::AsFound);
        self.repaired(&mut text);
        self.measured(&mut text, "After the repair", Stage::AfterRepair);
        self.compared(&mut text);
        self.sealed(&mut text);
        self.next(&mut text, folder);
        text
    }

    /// The same with every finding and comparison at length; `picture`: with drawings of block characters.
    pub fn summary(&self, picture: bool) -> String {
        let mut text = self.stages(".");
        for taken in &self.visited.taken {
            text.push('\n');
            text.push_str(&self.page(taken, picture));
        }
        for compared in &self.visited.compared {
            text.push('\n');
            text.push_str(&report::comparison(compared, self.about(picture)));
        }
        text
    }

    fn head(&self) -> String {
        format!(
            "Harbour Lane model club, inventory no. 14, {}: came back with a hitch and a\n\
             starter that feels flat. An invented car on virtual probes, seed {}; measured\n\
             {} by {SOFTWARE}.\n",
            self.car.name,
            self.seed,
            day(story::BEGIN),
        )
    }

    fn measured(&self, text: &mut String, title: &str, stage: Stage) {
        let when = match stage {
            Stage::AsFound => story::BEGIN,
            Stage::AfterRepair => story::AGAIN,
        };
        heading(text, title, when);
        let mut seen: Vec<(&str, &str)> = Vec::new();
        for taken in self.of(stage) {
            let kind = (taken.finding.test().word(), taken.setup);
            let is_again = seen.contains(&kind);
            seen.push(kind);
            let again = if is_again { "again: " } else { "" };
            let _ = writeln!(
                text,
                "{}: {}    {again}{}",
                kind.0,
                self.word(taken),
                in_short(&taken.finding, self.car)
            );
            if !is_again {
                let (result, _) = self.result(taken);
                let setup = sentence(&self.setup(taken));
                said(text, "  ", &format!("{setup} {result}"));
            }
        }
    }

    fn of(&self, stage: Stage) -> impl Iterator<Item = &Taken> {
        self.visited.taken.iter().filter(move |t| t.stage == stage)
    }

    fn setup(&self, taken: &Taken) -> String {
        let setup = self.car.setup(taken.setup);
        let label = setup.and_then(|s| s.label.clone());
        label.unwrap_or_else(|| taken.setup.into())
    }

    fn page(&self, taken: &Taken, picture: bool) -> String {
        let about = About {
            source: &format!("{INSPECTION}/captures/{}", taken.capture),
            vehicle: Some(self.car),
            setup: Some(taken.setup),
            picture,
        };
        report::text(&taken.finding, about)
    }

    fn about(&self, picture: bool) -> AboutComparison<'_> {
        AboutComparison {
            before: "as it came in",
            after: "after the repair",
            vehicle: Some(self.car),
            picture,
        }
    }

    /// The word of the page's title.
    fn word(&self, taken: &Taken) -> String {
        let page = self.page(taken, false);
        title(&page).1.to_owned()
    }

    /// The first sentences of a finding, and what to do next.
    fn result(&self, taken: &Taken) -> (String, String) {
        let page = self.page(taken, false);
        (
            first_sentences(&section(&page, "result"), SENTENCES),
            section(&page, "next"),
        )
    }

    fn repaired(&self, text: &mut String) {
        heading(text, "Opened and repaired", story::REPAIR);
        let mut next: Vec<(&str, String)> = Vec::new();
        for taken in self.of(Stage::AsFound) {
            let test = taken.finding.test().word();
            if taken.finding.verdict() == Some(Verdict::Outside)
                && next.iter().all(|(known, _)| *known != test)
            {
                next.push((test, self.result(taken).1));
            }
        }
        for (test, words) in &next {
            said(text, "  ", &format!("What to open, by the {test}: {words}"));
        }
        said(
            text,
            "  ",
            "With the lid clamped the leak was gone: the lid's seal. It was cracked; the front ring gear had a chipped \
             tooth. Both renewed for 23.40 EUR, photographs and receipt in the inspection; piston and sleeve renewed \
             at the club's own wish.",
        );
    }

    fn compared(&self, text: &mut String) {
        heading(text, "Is it better, by more than the uncertainty?", "");
        for compared in &self.visited.compared {
            let page = report::comparison(compared, self.about(false));
            let (test, word) = title(&page);
            let _ = writeln!(text, "{test}: {word}");
            said(text, "  ", &first_sentences(&section(&page, "result"), 3));
        }
    }

    fn sealed(&self, text: &mut String) {
        heading(text, "Sealed, signed by shop and borrower, verified", "");
        let _ = writeln!(text, "  seal {}", self.sealed.digest);
        said(
            text,
            "  ",
            "THE TWO KEYS ARE WORTHLESS: anybody can derive them from the seed. The borrower's objection is signed \
             with the rest.",
        );
        let rows = self.sealed.verified.lines().filter(|line| {
            ["holds ", "DIFFERS ", "not done "]
                .iter()
                .any(|word| line.starts_with(word))
        });
        for row in rows {
            said(
                text,
                &format!("  {:<23}", row.get(..21).unwrap_or(row).trim_end()),
                row.get(21..).unwrap_or(""),
            );
        }
    }

    fn next(&self, text: &mut String, folder: &str) {
        heading(text, "What lies in the folder, and what to try", "");
        for (name, what) in [
            (
                format!("{REPORT}/report.pdf"),
                "the report on paper; report.html is the same page for a browser",
            ),
            (
                format!("{INSPECTION}/"),
                "the visit: captures, findings, photographs, journal",
            ),
            (format!("{SEALED}/"), "the same under seal"),
            (
                format!("{CAPTURES}/"),
                "the first three tests by themselves",
            ),
            (SUMMARY.into(), "every finding at length"),
            (FINDINGS.into(), "the numbers, in the order of the tests"),
            (TRUTH.into(), "what the simulation put in"),
            (VEHICLE.into(), "the car's file"),
            (
                format!("{CALIBRATIONS}/"),
                "what masses and a water column made of the probes",
            ),
            (format!("{KEYS}/"), "the keys of the seal; worthless"),
        ] {
            let _ = writeln!(text, "  {name:<20} {what}");
        }
        let first = &self.visited.taken[0].capture;
        let _ = write!(
            text,
            "\nfeelgauge verify {folder}/{SEALED} --signers {folder}/{SIGNERS}\n\
             feelgauge analyze leak {folder}/{CAPTURES}/{first}\n\
             feelgauge inspection show {folder}/{INSPECTION}\n"
        );
    }
}

fn taken_in(text: &mut String) {
    heading(text, "Taken in", story::OPENED);
    said(
        text,
        "  ",
        "Tag, serial number and marks, what was claimed, seen, felt and not checked, a photograph with the tag \
         in it, the day's conditions, a check weight on the force probe.",
    );
}

fn day(time: &str) -> &str {
    time.split('T').next().unwrap_or(time)
}

fn heading(text: &mut String, title: &str, time: &str) {
    let day = day(time);
    let gap = if day.is_empty() { "" } else { ", " };
    let line = format!("{title}{gap}{day}");
    let _ = writeln!(text, "\n{line}\n{}", "-".repeat(line.chars().count()));
}

/// Words folded to the terminal's width, behind `start` and as far in as that.
fn said(text: &mut String, start: &str, words: &str) {
    let indent = start.chars().count();
    let mut line = start.to_owned();
    let mut is_empty = true;
    for word in words.split_whitespace() {
        if !is_empty && line.chars().count() + 1 + word.chars().count() > WIDTH {
            let _ = writeln!(text, "{line}");
            line = " ".repeat(indent);
            is_empty = true;
        }
        if !is_empty {
            line.push(' ');
        }
        line.push_str(word);
        is_empty = false;
    }
    let _ = writeln!(text, "{}", line.trim_end());
}

/// Test and word of a page's first line.
fn title(page: &str) -> (&str, &str) {
    let line = page.lines().next().unwrap_or_default();
    let (test, rest) = line.split_once(": ").unwrap_or((line, ""));
    (test, rest.split("    ").next().unwrap_or(rest))
}

/// What stands under a heading of a page, unfolded.
fn section(page: &str, heading: &str) -> String {
    let lines = page.lines().skip_while(|line| *line != heading).skip(1);
    let under: Vec<&str> = lines
        .take_while(|line| line.starts_with("  ") && !line.starts_with(TABLE))
        .map(str::trim)
        .collect();
    under.join(" ")
}

/// The first sentences; one that leads over to a table is left out.
fn first_sentences(words: &str, n: usize) -> String {
    let ends = words.match_indices(". ").map(|(at, _)| at + 1);
    let ends: Vec<usize> = ends.chain([words.len()]).take(n).collect();
    let is_whole = |end: &&usize| !words[..**end].ends_with(':');
    let end = ends.iter().rev().find(is_whole).copied();
    words[..end.unwrap_or(words.len())].to_owned()
}

/// A finding in a few words.
fn in_short(finding: &Finding, car: &Vehicle) -> String {
    if finding.refused().is_some() {
        return "no answer; the reason stands below".into();
    }
    let words = match (finding, finding.verdict()) {
        (Finding::Leak(_), Some(Verdict::Within)) => "the tank holds its pressure",
        (Finding::Leak(_), Some(Verdict::Outside)) => "the tank leaks more than its limit",
        (Finding::Leak(_), _) => "not decided whether the tank is tight enough",
        (Finding::Pull(_), Some(Verdict::Within)) => {
            "the engine has compression, whatever it felt like"
        }
        (Finding::Pull(_), Some(Verdict::Outside)) => "the engine has too little compression",
        (Finding::Pull(_), _) => "not decided whether the engine has compression",
        (Finding::Roll(roll), Some(Verdict::Outside)) => {
            let part = roll
                .snags
                .iter()
                .flatten()
                .next()
                .map(|s| car.words_for(&s.part));
            return format!(
                "the drivetrain snags, most probably {}",
                part.unwrap_or_default()
            );
        }
        (Finding::Roll(_), Some(Verdict::Within)) => "no snag, and one would have shown",
        (Finding::Roll(_), _) => "no snag shown, which is no proof that there is none",
    };
    words.into()
}

#[cfg(test)]
mod tests {
    use super::*;

    const PAGE: &str = "leak: outside    a/b\n  Setup: whole.\n\nresult\n  It loses 16.6 cm3 a\n  minute. Range: 1 to 2.\n\nnext\n  Stop.\n";

    #[test]
    fn pages_are_read_by_their_headings() {
        assert_eq!(title(PAGE), ("leak", "outside"));
        let result = section(PAGE, "result");
        assert_eq!(result, "It loses 16.6 cm3 a minute. Range: 1 to 2.");
        assert_eq!(first_sentences(&result, 1), "It loses 16.6 cm3 a minute.");
        assert_eq!(first_sentences(&result, 9), result);
        assert_eq!(first_sentences("One. Two. Rows:", 3), "One. Two.");
        assert_eq!(section(PAGE, "next"), "Stop.");
    }

    #[test]
    fn words_are_folded_behind_their_start() {
        let mut text = String::new();
        said(&mut text, "  ab ", &"word ".repeat(20));
        let lines: Vec<&str> = text.lines().collect();
        assert!(
            lines.len() == 2
                && lines[0].starts_with("  ab word")
                && lines[1].starts_with("     word")
        );
        assert!(lines.iter().all(|line| line.len() <= WIDTH));
    }
}

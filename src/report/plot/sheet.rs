//! All pictures of a finding or a comparison on one sheet, as a file of its own.

use super::{
    Mark, Paper, Picture, Width, comparison,
    letters::Letters,
    mark, pictures,
    svg::{Anchor, Frame, Svg},
};
use crate::{
    inspect::{Finding, comparison::CompareResult},
    report::page::sentence,
    vehicle::Vehicle,
};

/// Edge of the sheet, and the gap below a picture.
const EDGE: f64 = 12.0;
const GAP: f64 = 18.0;
/// Height of a line of words.
const LINE: f64 = 20.0;
/// Size of a mark beside its word.
const MARK: f64 = 30.0;

/// What stands on a sheet, from top to bottom.
struct Sheet {
    parts: Vec<(f64, Part)>,
    height: f64,
    label: String,
}

/// One thing on a sheet; words with their class.
enum Part {
    Words(&'static str, String),
    Mark(Option<Mark>, &'static str),
    Picture(Box<Svg>),
}

impl Sheet {
    fn titled(title: &str) -> Self {
        let mut sheet = Self {
            parts: Vec::new(),
            height: EDGE,
            label: title.to_owned(),
        };
        sheet.words("t18 tb", title);
        sheet
    }

    fn words(&mut self, class: &'static str, words: &str) {
        let room = Width::Wide.units() - 2.0 * EDGE;
        for line in Letters::of(class).wrap(words, room, 4) {
            self.parts
                .push((self.height + 16.0, Part::Words(class, line)));
            self.height += LINE;
        }
    }

    /// A mark with its word; a word alone where it has no mark.
    fn verdict(&mut self, mark: Option<Mark>, word: &'static str) {
        self.parts.push((self.height + 4.0, Part::Mark(mark, word)));
        self.height += MARK + 12.0;
        self.label.push_str(": ");
        self.label.push_str(word);
        self.label.push('.');
    }

    fn pictures(&mut self, pictures: Vec<Picture>) {
        if let Some(first) = pictures.first() {
            self.words("t16", first.label());
        }
        for picture in pictures {
            self.height += GAP / 2.0;
            self.words("t16 tb", &picture.heading);
            self.height += 4.0;
            self.label.push(' ');
            self.label.push_str(picture.label());
            let height = picture.svg.height();
            self.parts
                .push((self.height, Part::Picture(Box::new(picture.svg))));
            self.height += height;
            if let Some(caption) = &picture.caption {
                self.height += 4.0;
                self.words("t15 t2", caption);
            }
            self.height += GAP / 2.0;
        }
    }

    fn finish(self) -> String {
        let width = Width::Wide.units();
        let mut svg = Svg::new(width + 2.0 * EDGE, self.height + EDGE, self.label);
        for (y, part) in self.parts {
            match part {
                Part::Words(class, words) => {
                    svg.text(class, Anchor::Start, (EDGE + 8.0, y), &words);
                }
                Part::Mark(mark, word) => verdict(&mut svg, mark, word, y),
                Part::Picture(picture) => svg.place(&picture, (EDGE, y), 1.0),
            }
        }
        svg.finish(Frame::Alone, Width::Wide.class())
    }
}

fn verdict(svg: &mut Svg, of: Option<Mark>, word: &str, y: f64) {
    let class = if of == Some(Mark::Outside) {
        "outed"
    } else {
        "inked"
    };
    let x = EDGE + 8.0;
    let after = of.map_or(x, |of| {
        svg.markup(class, &mark::shapes(of), (x, y), MARK / 72.0);
        x + MARK + 10.0
    });
    svg.text(
        &format!("t18 tb {class}"),
        Anchor::Start,
        (after, y + 21.0),
        word,
    );
}

/// All pictures of a finding on one sheet, an SVG file of its own; `title` stands above. A refused finding says why.
pub fn sheet(finding: &Finding, title: &str, vehicle: Option<&Vehicle>) -> String {
    let mut sheet = Sheet::titled(title);
    match (finding.refused(), finding.verdict()) {
        (None, Some(verdict)) => {
            let mark = Mark::from(verdict);
            sheet.verdict(Some(mark), mark.word());
        }
        (None, None) => sheet.verdict(None, "no verdict"),
        (Some(refusals), _) => {
            sheet.verdict(None, "refused");
            for refusal in refusals {
                sheet.words("t16", &sentence(&refusal.message));
            }
        }
    }
    sheet.pictures(pictures(finding, Width::Wide.of_car(vehicle)));
    sheet.finish()
}

/// All pictures of a comparison on one sheet, an SVG file of its own; `title` stands above.
pub fn comparison_sheet(result: &CompareResult, title: &str, vehicle: Option<&Vehicle>) -> String {
    let mut sheet = Sheet::titled(title);
    let paper: Paper = Width::Wide.of_car(vehicle);
    for compared in result.comparisons() {
        let one = &compared.comparison;
        let setup = compared
            .setup
            .as_ref()
            .map_or_else(String::new, |s| format!(", setup {s}"));
        sheet.height += GAP / 2.0;
        sheet.words("t18 tb", &format!("{}{setup}", one.test().word()));
        if let Some(refusals) = one.refused() {
            sheet.verdict(None, "refused");
            for refusal in refusals {
                sheet.words("t16", &sentence(&refusal.message));
            }
        } else {
            let mark = Mark::from(one.change());
            sheet.verdict(Some(mark), mark.word());
        }
        sheet.pictures(comparison(compared, paper));
    }
    sheet.finish()
}

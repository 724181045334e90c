//! A report as PDF: pages laid out here, written by a library for archives.
//!
//! The file follows PDF/A-3 at its accessible level: tagged, with the faces inside, and with the files that the report
//! was made from attached. The same document gives the same bytes: the only time in it is the document's own.

mod code;
mod draw;
mod face;
mod flow;
mod layout;
mod lines;
mod tags;

use krilla::{
    SerializeSettings,
    configure::{Archival, ConfigurationBuilder},
    destination::XyzDestination,
    document::Document as File,
    embed::{AssociationKind, EmbeddedFile, MimeType},
    error::KrillaError,
    geom::Point,
    metadata::{DateTime, Metadata, PageLayout},
    outline::{Outline, OutlineNode},
};

use self::{
    face::Face,
    flow::{Page, Part, Placed, Sheet, What},
    layout::Layout,
    lines::{Line, Style, cut},
    tags::spoken,
};
use super::{Attached, Document};
use crate::report::plot::PngError;

/// The size of a sheet.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Paper {
    /// 210 mm times 297 mm.
    #[default]
    A4,
    /// 8.5 in times 11 in.
    Letter,
}

impl Paper {
    /// Both.
    pub const ALL: [Self; 2] = [Self::A4, Self::Letter];

    fn sheet(self) -> Sheet {
        match self {
            Self::A4 => Sheet::new(210.0, 297.0),
            Self::Letter => Sheet::new(215.9, 279.4),
        }
    }
}

/// Why a document gives no PDF.
#[derive(Debug)]
pub enum PdfError {
    /// A drawing is no SVG.
    Drawing {
        /// What it shows.
        label: String,
        /// Why.
        error: PngError,
    },
    /// A photograph is no JPEG that can be shown.
    Photograph {
        /// What it shows.
        words: String,
        /// Why.
        why: String,
    },
    /// A file cannot be attached.
    Attached {
        /// Its name.
        name: String,
        /// Why.
        why: &'static str,
    },
    /// A face that comes with the program cannot be read.
    Face,
    /// The file would not follow the standard, or cannot be written.
    Written(String),
}

impl std::fmt::Display for PdfError {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::Drawing { label, error } => write!(f, "the drawing '{label}': {error}"),
            Self::Photograph { words, why } => write!(
                f,
                "the photograph '{words}' cannot be put into a PDF: {why}; take it out, or save it as a plain JPEG"
            ),
            Self::Attached { name, why } => write!(f, "{name} cannot be attached: {why}"),
            Self::Face => f.write_str("the program's own faces cannot be read"),
            Self::Written(why) => write!(f, "the PDF cannot be written: {why}"),
        }
    }
}

impl std::error::Error for PdfError {
    fn source(&self) -> Option<&(dyn std::error::Error + 'static)> {
        match self {
            Self::Drawing { error, .. } => Some(error),
            _ => None,
        }
    }
}

impl From<KrillaError> for PdfError {
    fn from(error: KrillaError) -> Self {
        Self::Written(match error {
            KrillaError::Validation(errors) => {
                let words: Vec<String> = errors.iter().map(|(e, _)| format!("{e:?}")).collect();
                format!("it would not follow PDF/A-3: {}", words.join(", "))
            }
            KrillaError::Image(_, _, why) => format!("a photograph: {why}"),
            other => other.to_string(),
        })
    }
}

/// A document as a PDF file (PDF/A-3a).
///
/// Characters that the faces lack stay visible by their number, `[U+4E2D]`. JSON, CSV and the like are attached as the data that
/// the report shows; text and anything else as a supplement to it.
///
/// # Errors
/// A drawing or photograph that cannot be read, two attached files of one name, or something that the standard forbids.
pub fn pdf(document: &Document, paper: Paper) -> Result<Vec<u8>, PdfError> {
    let mut layout = Layout::new(document, paper.sheet())?;
    let mut pages = flow::pages(&layout.sheet, &layout.pieces);
    feet(document, &layout.sheet, &mut pages);
    let configuration = ConfigurationBuilder::new()
        .with_archival_validator(Archival::A3_A)
        .finish()
        .map_err(|e| PdfError::Written(format!("{e:?}")))?;
    let mut file = File::new_with(SerializeSettings {
        configuration,
        enable_tagging: true,
        ..SerializeSettings::default()
    });
    file.set_metadata(metadata(document));
    draw::draw(&mut file, &mut layout, &pages)?;
    file.set_tag_tree(layout.tags.tree());
    file.set_outline(outline(&pages));
    for attached in &document.attached {
        attach(&mut file, attached, document.made)?;
    }
    Ok(file.finish()?)
}

/// The foot of every page: what it is, and the number of the page.
fn feet(document: &Document, sheet: &Sheet, pages: &mut [Page]) {
    const NUMBER: Style = Style::new(Face::Bold, 8.5, 1.2);
    const TITLE: Style = Style::new(Face::Text, 8.5, 1.2).grey();
    let count = pages.len();
    let baseline = sheet.foot - 0.2 * NUMBER.size;
    for (i, page) in pages.iter_mut().enumerate() {
        let comma = if document.foot.is_empty() { "" } else { ", " };
        let number = format!("{comma}page {} of {count}", i + 1);
        let room = sheet.room() / 2.0 - NUMBER.width(&number);
        let number = Line::of(NUMBER, &(cut(NUMBER, &document.foot, room) + &number));
        let title = cut(TITLE, &document.title, sheet.room() - number.width - 20.0);
        let title = Line::of(TITLE, &title);
        for (line, x) in [
            (title, sheet.left),
            (number.clone(), sheet.right - number.width),
        ] {
            let placed = |run| Placed {
                x,
                y: baseline,
                what: What::Text(run),
                part: Part::Foot,
            };
            page.placed.extend(line.runs.into_iter().map(placed));
        }
    }
}

fn metadata(document: &Document) -> Metadata {
    let program = concat!("feelgauge ", env!("CARGO_PKG_VERSION"));
    let mut metadata = Metadata::new()
        .title(spoken(&document.title))
        .language("en".into())
        .creator(program.into())
        .producer(program.into())
        .page_layout(PageLayout::OneColumn)
        .creation_date(date(document.made));
    if !document.author.trim().is_empty() {
        metadata = metadata.authors(vec![spoken(&document.author)]);
    }
    metadata
}

/// A time in UTC, to the second.
fn date(time: jiff::Timestamp) -> DateTime {
    let at = jiff::tz::TimeZone::UTC.to_datetime(time);
    let part = |value: i8| u8::try_from(value).unwrap_or(0);
    DateTime::new(u16::try_from(at.year()).unwrap_or(0))
        .month(part(at.month()))
        .day(part(at.day()))
        .hour(part(at.hour()))
        .minute(part(at.minute()))
        .second(part(at.second()))
        .utc_offset_hour(0)
        .utc_offset_minute(0)
}

fn outline(pages: &[Page]) -> Outline {
    let mut outline = Outline::new();
    for (i, page) in pages.iter().enumerate() {
        for (name, y) in &page.bookmarks {
            // A sheet is a few hundred points high.
            #[allow(clippy::cast_possible_truncation)]
            let to = XyzDestination::new(i, Point::from_xy(0.0, *y as f32));
            outline.push_child(OutlineNode::new(spoken(name), to));
        }
    }
    outline
}

fn attach(file: &mut File, attached: &Attached, made: jiff::Timestamp) -> Result<(), PdfError> {
    let error = |why| PdfError::Attached {
        name: attached.name.clone(),
        why,
    };
    let plain = attached
        .media_type
        .split(';')
        .next()
        .unwrap_or_default()
        .trim();
    let mime_type = MimeType::new(plain).ok_or_else(|| error("its media type is none"))?;
    let data = ["json", "csv", "parquet"]
        .iter()
        .any(|kind| plain.contains(kind));
    let embedded = EmbeddedFile {
        path: attached.name.clone(),
        mime_type: Some(mime_type),
        description: Some(spoken(&attached.words)),
        association_kind: if data {
            AssociationKind::Data
        } else {
            AssociationKind::Supplement
        },
        data: attached.bytes.clone().into(),
        modification_date: Some(date(made)),
        compress: Some(true),
        location: None,
    };
    file.embed_file(embedded)
        .ok_or_else(|| error("another attached file has the same name"))
}

#[cfg(test)]
mod tests {
    use super::{
        super::{Block, Drawing, Judgement, Section, Table},
        *,
    };
    use crate::report::plot::Mark;

    fn document(blocks: Vec<Block>) -> Document {
        Document {
            title: "A title".repeat(90),
            author: "A club".into(),
            made: jiff::Timestamp::UNIX_EPOCH,
            foot: "No. 14".into(),
            sections: vec![Section {
                name: "One".into(),
                new_page: true,
                blocks,
            }],
            attached: Vec::new(),
        }
    }

    /// Lays out and says what lies outside of the margins.
    fn outside(document: &Document, paper: Paper) -> (usize, Vec<String>) {
        let layout = Layout::new(document, paper.sheet()).unwrap();
        let sheet = layout.sheet;
        let mut pages = flow::pages(&sheet, &layout.pieces);
        feet(document, &sheet, &mut pages);
        let beyond = |placed: &&Placed| {
            let (x0, x1, y0, y1) = match &placed.what {
                What::Text(run) => {
                    let width = run.style.width(run.text.trim_end());
                    let size = run.style.size;
                    (
                        placed.x,
                        placed.x + width,
                        placed.y - 0.7 * size,
                        placed.y + 0.2 * size,
                    )
                }
                What::Stroke { across, down, .. } => {
                    (placed.x, placed.x + across, placed.y, placed.y + down)
                }
                What::Drawing { size, .. } | What::Photograph { size, .. } => {
                    (placed.x, placed.x + size.0, placed.y, placed.y + size.1)
                }
                What::Code { side, .. } => (placed.x, placed.x + side, placed.y, placed.y + side),
            };
            let end = if placed.part == Part::Foot {
                sheet.foot
            } else {
                sheet.bottom
            };
            x0 < sheet.left - 0.01
                || x1 > sheet.right + 0.01
                || y0 < sheet.top - 0.01
                || y1 > end + 0.01
        };
        let out = pages.iter().flat_map(|p| p.placed.iter().filter(beyond));
        (pages.len(), out.map(|p| format!("{p:?}")).collect())
    }

    #[test]
    fn nothing_lies_outside_of_the_margins() {
        for words in (0..40).step_by(3) {
            for columns in [1, 2, 4, 8] {
                let cell = |n: usize| "word ".repeat(n) + &"long".repeat(n * n);
                let row: Vec<String> = (0..columns).map(|c| cell((c + words) % 7)).collect();
                let blocks = vec![
                    Block::Heading(cell(words)),
                    Block::Text(cell(words * 3)),
                    Block::Table(Table {
                        caption: cell(words % 9),
                        head: row.clone(),
                        figures: vec![1, 3],
                        rows: vec![row.clone(); words],
                        sum: words % 2 == 0,
                    }),
                    Block::Facts(vec![(cell(words % 5), cell(words)); 3]),
                    Block::List {
                        numbered: words % 2 == 0,
                        items: row,
                    },
                    Block::Typed(vec![cell(words)]),
                ];
                for paper in Paper::ALL {
                    let (_, out) = outside(&document(blocks.clone()), paper);
                    assert!(out.is_empty(), "{words} {columns}: {out:?}");
                }
            }
        }
    }

    #[test]
    fn a_short_column_is_not_broken_for_a_long_one() {
        let rows = vec![vec!["row 101".to_owned(), "many words ".repeat(100)]; 3];
        let table = Block::Table(Table {
            caption: String::new(),
            head: vec!["row".into(), "words".into()],
            figures: Vec::new(),
            rows,
            sum: false,
        });
        let layout = Layout::new(&document(vec![table]), Paper::A4.sheet()).unwrap();
        let texts = layout
            .pieces
            .iter()
            .flat_map(|p| &p.placed)
            .filter_map(|p| match &p.what {
                What::Text(run) => Some(run.text.as_str()),
                _ => None,
            });
        assert_eq!(texts.filter(|t| *t == "row 101").count(), 3);
    }

    /// A drawing as wide as the rules are, with letters of 15 units.
    fn rule() -> Drawing {
        Drawing {
            heading: String::new(),
            svg: "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 640 106\"><text font-size=\"15\" y=\"90\">0</text></svg>".into(),
            on_page: [String::new(), String::new()],
            label: "a rule".into(),
            caption: None,
            size: (640.0, 106.0),
        }
    }

    fn row(test: &str, words: &str) -> Block {
        Block::Judgement(Judgement {
            test: test.into(),
            mark: Some(Mark::Within),
            figure: "61.9 N at the top of a stroke".into(),
            range: "59.8 to 64.0".into(),
            words: words.into(),
            rule: Some(rule()),
        })
    }

    fn list(heading: &str, items: &[&str]) -> [Block; 2] {
        let items = items.iter().map(|item| (*item).to_owned()).collect();
        [
            Block::Heading(heading.into()),
            Block::List {
                numbered: false,
                items,
            },
        ]
    }

    /// As much as a visit with a repair has on its first page: what the demo's says, in its lengths.
    fn full_summary() -> Vec<Block> {
        let told = "At 11.2 kPa. Let the air out. The tank holds; nothing to do here. As it came in: 16.6 cm3 of air a minute (13.3 to 19.9), outside. \
Lid clamped, so that only hose and tank body can leak (lid_clamped), as it came in: at most 0.14 cm3 of air a minute (0.00 to 0.14), within.";
        let mut blocks = vec![
            Block::Tag {
                number: "14".into(),
                name: "Plover 8".into(),
                lines: vec![
                    "Harbour Lane model club, 1:8 buggy, four-wheel drive, two-stroke glow engine of 3.5 cm3; an invented car, tank 125 cm3, 3.4 kg.".into(),
                    "Known by: serial number HL-0814, struck into the chassis behind the tank; inventory sticker 14 on the wing's left end plate; scratch of 40 mm across the chassis, below the engine mount; fitted: steel clutch bell of another maker.".into(),
                    "2031-05-17T13:52:00+00:00 to 2031-05-24T10:35:08+00:00. 21 C, 1011 hPa, car and probes an hour in the room.".into(),
                    "Measured by R. Tern; owner's reference M-27, the borrower; came because: a hitch that comes and goes, and a starter that feels flat.".into(),
                ],
            },
            Block::Say("After the repair roll is undecided, leak and pull are within. Decided: repair it; offered: 23.40 EUR. A whole donor car would be 60 to 80 EUR. The engine is within its limit and needs nothing.".into()),
        ];
        blocks.extend(["leak", "pull", "roll"].map(|test| row(test, told)));
        let cells = |name: &str| {
            ["renewed", "98 %", "55 min", "new", "18.90"]
                .map(str::to_owned)
                .into_iter()
                .rev()
                .chain([name.to_owned()])
                .rev()
                .collect()
        };
        blocks.push(Block::Table(Table {
            caption: "What to open, in this order, and what it costs in EUR (prices: the club's list of 2031, invented)".into(),
            head: ["part", "to do", "guilty", "work", "from", "price"].map(str::to_owned).to_vec(),
            figures: vec![2, 3, 5],
            rows: ["front diff", "lid seal", "front ring and pinion", "piston and sleeve", "all"].map(cells).to_vec(),
            sum: true,
        }));
        blocks.extend(list(
            "Seen and felt, not measured",
            &[
                "Seen: Complete, dirty, no broken part; tag 14 tied to the nose for the photograph. (see photographs/car-from-above.jpg).",
                "Felt: Front left wheel turned by hand: a hitch that comes and goes.",
                "Felt: Starter cord: weak to the hand; the spring is slow to take it back.",
                "Smelt: Fuel at the tank's lid, an hour after it was drained and flushed.",
                "Seen: Lid seal: cracked, pressed flat on one side. (see photographs/tank-lid.jpg).",
                "Seen: Front ring gear: one tooth chipped, a burr beside it. Pinion, side and planet gears sound. (see photographs/front-ring-gear.jpg).",
            ],
        ));
        blocks.extend(list("What was done", &["Lid seal, front ring and pinion renewed. Piston and sleeve renewed too, at the club's own wish and cost, from its stock: by the measurement that was not needed. Starter spring cleaned and oiled."]));
        blocks.extend(list(
            "Not checked",
            &[
                "Receiver, servos and batteries: not looked at.",
                "Rear diff: not opened, it showed nothing.",
            ],
        ));
        for small in [
            "How to read the rules. The notch is the limit, the block the 95 % interval, the cut through it the value. Clear of the notch the verdict stands; across it, it is undecided.",
            "Limits. leak: 0.3 cm3 of air a minute, from the vehicle file. pull: lift ratio 1, from the vehicle file. roll: a snag is reported when a car without one looks like this with a chance of at most 0.01 (from the vehicle file); within when a snag of 0.6 of the drag would have shown in every visible part (from the vehicle file). Undecided means that this record cannot say; it is no fault found and none ruled out. These are measurements, not a certificate.",
            "Not sealed when this was made. Digest of report/contents-sha256.txt: sha256 6615fabe 75bd75cd 08e8a242 0ab12f73 fed44bbf 0f03ca5a 401a707c 6148c5db.",
        ] {
            blocks.push(Block::Small(small.into()));
        }
        blocks
    }

    /// Pages of the summary, its smallest letters, and the smallest letters in its rules; points.
    fn measured(blocks: &[Block], paper: Paper) -> (usize, f64, f64) {
        let layout = Layout::new(&document(blocks.to_vec()), paper.sheet()).unwrap();
        let (mut letters, mut in_rules) = (f64::INFINITY, f64::INFINITY);
        for placed in layout.pieces.iter().flat_map(|p| &p.placed) {
            match &placed.what {
                What::Text(run) => letters = letters.min(run.style.size),
                // the tag's frame and the marks have none
                What::Drawing { size, .. } if size.0 > 100.0 => {
                    in_rules = in_rules.min(15.0 * size.0 / rule().size.0);
                }
                _ => {}
            }
        }
        let pages = flow::pages(&layout.sheet, &layout.pieces).len();
        (pages, letters, in_rules)
    }

    #[test]
    fn a_full_summary_has_room_on_one_page_and_can_be_read() {
        for paper in Paper::ALL {
            let (pages, letters, in_rules) = measured(&full_summary(), paper);
            assert_eq!(pages, 1, "{paper:?}");
            assert!(letters >= 7.5, "{paper:?}: letters of {letters} pt");
            assert!(in_rules >= 7.0 - 1e-9, "{paper:?}: {in_rules} pt");
            let (_, out) = outside(&document(full_summary()), paper);
            assert!(out.is_empty(), "{paper:?}: {out:?}");
        }
    }

    /// Nothing is made small where there is room.
    #[test]
    fn a_summary_of_few_tests_keeps_its_letters() {
        let mut few = full_summary();
        few.retain(|block| match block {
            Block::Judgement(judgement) => judgement.test == "leak",
            block => !matches!(block, Block::Table(_)),
        });
        for paper in Paper::ALL {
            let (pages, letters, in_rules) = measured(&few, paper);
            assert_eq!(pages, 1, "{paper:?}");
            assert!(letters >= 8.5 && in_rules > 8.0, "{letters} {in_rules}");
        }
    }

    /// What cannot stand on one page goes on, and its letters stay readable.
    #[test]
    fn a_summary_without_end_goes_on_and_can_be_read() {
        let mut long = full_summary();
        long.extend((0..60).map(|_| Block::Text("Many words of a visit without end. ".repeat(5))));
        let (pages, letters, in_rules) = measured(&long, Paper::A4);
        assert!(pages > 1 && letters >= 7.5 && in_rules >= 7.0 - 1e-9);
    }

    #[test]
    fn dates_are_in_utc() {
        let at = date("2031-05-17T15:04:02+01:00".parse().unwrap());
        let same = date("2031-05-17T14:04:02Z".parse().unwrap());
        assert_eq!(format!("{at:?}"), format!("{same:?}"));
    }
}

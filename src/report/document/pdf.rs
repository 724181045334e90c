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
        super::{Block, Section, Table},
        *,
    };

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

    #[test]
    fn dates_are_in_utc() {
        let at = date("2031-05-17T15:04:02+01:00".parse().unwrap());
        let same = date("2031-05-17T14:04:02Z".parse().unwrap());
        assert_eq!(format!("{at:?}"), format!("{same:?}"));
    }
}

//! The report as a document: what stands on paper, once, for the PDF and the HTML page alike.
//!
//! A [`Document`] is built from an inspection and knows no page size; the writers lay it out and choose no word.
//! Pictures come from [`super::plot`] with the colours of paper.

pub mod build;
mod html;
mod pdf;

pub use build::build;
pub use html::html;
pub use pdf::{Paper, PdfError, pdf};

/// A report.
#[derive(Clone, Debug)]
pub struct Document {
    /// "Inspection no. 14, Plover 8".
    pub title: String,
    /// Who measured.
    pub author: String,
    /// When it was made; also the date inside the PDF, so that the same inspection gives the same bytes.
    pub made: jiff::Timestamp,
    /// What stands in the foot of every page beside its number: "No. 14".
    pub foot: String,
    /// What it says, in order.
    pub sections: Vec<Section>,
    /// Files that the PDF carries: list of the contents, results.
    pub attached: Vec<Attached>,
}

/// A chapter. The first is the summary and has room on one page.
#[derive(Clone, Debug)]
pub struct Section {
    /// Name in the outline and the bookmarks.
    pub name: String,
    /// Starts on a new page.
    pub new_page: bool,
    /// What it says, in order.
    pub blocks: Vec<Block>,
}

/// A file inside the PDF.
#[derive(Clone, Debug)]
pub struct Attached {
    /// Name, without a path.
    pub name: String,
    /// What it is.
    pub words: String,
    /// Media type, such as `application/json`.
    pub media_type: &'static str,
    /// Its bytes.
    pub bytes: Vec<u8>,
}

/// One thing on the paper. All text is plain; writers escape it.
#[derive(Clone, Debug)]
pub enum Block {
    /// Head of the report: the tag's number, the car, one line below.
    Tag {
        /// Number on the tag.
        number: String,
        /// Name of the car.
        name: String,
        /// Where, when, under which conditions: one line each.
        lines: Vec<String>,
    },
    /// The sentence of judgement, large.
    Say(String),
    /// Heading of a part of a section.
    Heading(String),
    /// A paragraph.
    Text(String),
    /// A paragraph that matters less.
    Small(String),
    /// One test on the summary, or the head of its page: word, mark, figure with range, rule.
    Judgement(Judgement),
    /// A drawing.
    Picture(Drawing),
    /// Two columns: what, and its value.
    Facts(Vec<(String, String)>),
    /// A table.
    Table(Table),
    /// A list; numbered when the order counts.
    List {
        /// In this order.
        numbered: bool,
        /// The items.
        items: Vec<String>,
    },
    /// Photographs, side by side where there is room.
    Photographs(Vec<Shown>),
    /// A digest in groups of eight, with what it is of.
    Digest {
        /// What it is of.
        of: String,
        /// Hexadecimal.
        sha256: String,
    },
    /// A QR code with the same text beside it in words.
    Qr {
        /// What it holds.
        text: String,
        /// What stands beside it.
        words: String,
    },
    /// Lines in a face of equal width, as typed into a terminal.
    Typed(Vec<String>),
}

/// One test's row.
#[derive(Clone, Debug)]
pub struct Judgement {
    /// `leak`, `pull`, `roll`.
    pub test: String,
    /// The mark with its word; none when refused.
    pub mark: Option<super::plot::Mark>,
    /// Figure with unit: "4.1 cm3/min"; empty when refused.
    pub figure: String,
    /// "3.7 to 4.5".
    pub range: String,
    /// What it means and what comes next.
    pub words: String,
    /// The rule with block and notch.
    pub rule: Option<Drawing>,
}

/// A drawing with its words.
#[derive(Clone, Debug)]
pub struct Drawing {
    /// Quantity and unit; empty: none.
    pub heading: String,
    /// SVG that stands alone, in the colours of paper, 640 units wide.
    pub svg: String,
    /// The same for a page that brings classes and colours: narrow, then wide.
    pub on_page: [String; 2],
    /// What the eye sees.
    pub label: String,
    /// How to read it.
    pub caption: Option<String>,
    /// Units across and down, of `svg`.
    pub size: (f64, f64),
}

/// A table.
#[derive(Clone, Debug)]
pub struct Table {
    /// What it is: "What it costs (prices as the club entered them)".
    pub caption: String,
    /// Names of the columns.
    pub head: Vec<String>,
    /// Columns whose cells are figures and stand to the right.
    pub figures: Vec<usize>,
    /// The rows, each as long as the head.
    pub rows: Vec<Vec<String>>,
    /// The last row is a sum.
    pub sum: bool,
}

/// A photograph as it is shown: turned right, and small enough for paper.
#[derive(Clone, Debug)]
pub struct Shown {
    /// JPEG, its picture elements in the order in which they are shown.
    pub jpeg: Vec<u8>,
    /// Picture elements across and down.
    pub size: (u32, u32),
    /// What it shows, when it was taken, its file's name.
    pub words: String,
}

/// A digest in groups of eight, as a person compares it.
///
/// ```
/// use feelgauge::report::document::groups;
/// assert_eq!(groups("5d0c7e3a91b84f26"), "5d0c7e3a 91b84f26");
/// ```
pub fn groups(hexadecimal: &str) -> String {
    let digits: Vec<char> = hexadecimal.chars().collect();
    let groups: Vec<String> = digits
        .chunks(8)
        .map(|group| group.iter().collect())
        .collect();
    groups.join(" ")
}

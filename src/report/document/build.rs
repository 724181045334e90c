//! An inspection as a document. Pure: what was read from the folder goes in, with every finding worked out anew from the
//! recorded lines; nothing is measured or judged here. The owner's own data stay out.

mod after;
mod clock;
mod summary;
mod taken;

use serde::Serialize;

use super::{Attached, Block, Document, Drawing, Section, Shown};
use crate::{
    evidence::{self, captures::Agreement},
    inspect::{Finding, comparison::CompareResult},
    inspection::{Deed, Visit},
    reading::SOFTWARE,
    record::capture::CaptureMeta,
    report::plot::{self, Frame, Picture, Width},
    vehicle::Vehicle,
};
use clock::Clock;
use taken::Taken;

/// Name of the attached results.
pub const RESULTS: &str = "results.json";
/// The list of everything that an open inspection holds but its report, as `sha256sum` prints it.
pub const CONTENTS: &str = evidence::contents::NAME;

/// What a report is made of.
#[derive(Clone, Debug)]
pub struct Inspected {
    /// The car and the journal. Its owner is not looked at.
    pub visit: Visit,
    /// The car's file, where there is one that can be read.
    pub vehicle: Option<Vehicle>,
    /// Everything in `captures/`, in the order of the names.
    pub captures: Vec<InspectedCapture>,
    /// Every recorded comparison, in the order of the names.
    pub comparisons: Vec<InspectedComparison>,
    /// Photographs that the journal names, or why they cannot be shown.
    pub photographs: Vec<(String, Result<Shown, String>)>,
    /// What does not fit between the journal and the files, a sentence each.
    pub remarks: Vec<String>,
    /// What the digest on the paper is of.
    pub proof: Proof,
}

impl Inspected {
    /// Recorded results that are not what their lines give.
    pub fn differing(&self) -> usize {
        let findings = self
            .captures
            .iter()
            .filter_map(|c| c.read.as_ref().ok()?.agreement.as_ref());
        let comparisons = self.comparisons.iter().filter_map(|c| c.agreement.as_ref());
        findings
            .chain(comparisons)
            .filter(|agreement| matches!(agreement, Agreement::Differs(_)))
            .count()
    }
}

/// A capture.
#[derive(Clone, Debug)]
pub struct InspectedCapture {
    /// Name of its folder.
    pub name: String,
    /// What it holds, or why it cannot be read.
    pub read: Result<ReadCapture, String>,
}

/// A capture that was read.
#[derive(Clone, Debug)]
pub struct ReadCapture {
    /// What was known when it began.
    pub meta: CaptureMeta,
    /// Lines of each probe, in the order of `meta.probes`.
    pub lines: Vec<u64>,
    /// It was closed in order.
    pub closed: bool,
    /// The finding, worked out anew from the lines.
    pub finding: Finding,
    /// How the recorded one agrees with it; `None`: none was recorded.
    pub agreement: Option<Agreement>,
}

/// A recorded comparison.
#[derive(Clone, Debug)]
pub struct InspectedComparison {
    /// Path from the inspection's folder.
    pub file: String,
    /// Captures before and after, by name.
    pub of: [Vec<String>; 2],
    /// Worked out anew, or why it cannot be.
    pub compared: Result<CompareResult, String>,
    /// How the recorded one agrees with it.
    pub agreement: Option<Agreement>,
}

/// What the digest on the paper is of.
#[derive(Clone, Debug)]
pub enum Proof {
    /// An open inspection: the list of its files.
    Open {
        /// Where the list stands, from the inspection's folder: `report/` and [`CONTENTS`].
        path: String,
        /// The list.
        contents: String,
        /// Digest of that list, hexadecimal.
        sha256: String,
    },
    /// A sealed one: `tagmanifest-sha256.txt`.
    Sealed {
        /// Its digest, hexadecimal.
        sha256: String,
        /// The manifests.
        manifests: Vec<Attached>,
        /// What `verify` says now.
        verified: Box<evidence::Report>,
    },
}

impl Proof {
    /// The digest on the paper, hexadecimal.
    pub fn sha256(&self) -> &str {
        match self {
            Self::Open { sha256, .. } | Self::Sealed { sha256, .. } => sha256,
        }
    }

    /// File that the digest on the paper is of.
    pub fn file(&self) -> &str {
        match self {
            Self::Open { path, .. } => path,
            Self::Sealed { .. } => evidence::TAG_MANIFEST,
        }
    }
}

/// The report of an inspection.
pub fn build(inspected: &Inspected) -> Document {
    let of = Of::new(inspected);
    let opening = &inspected.visit.opening;
    let mut sections = vec![summary::summary(&of)];
    sections.extend(
        of.taken
            .iter()
            .filter(|t| t.counts)
            .map(|t| taken::page(&of, t)),
    );
    sections.extend(after::sections(&of));
    Document {
        title: format!("Inspection no. {}, {}", opening.tag, opening.car.name),
        author: opening
            .house
            .clone()
            .unwrap_or_else(|| opening.operator.clone()),
        made: of.last,
        foot: format!("No. {}", opening.tag),
        sections,
        attached: attached(inspected),
    }
}

/// The inspection with what every chapter asks of it.
struct Of<'a> {
    inspected: &'a Inspected,
    clock: Clock,
    taken: Vec<Taken<'a>>,
    first: jiff::Timestamp,
    last: jiff::Timestamp,
}

impl<'a> Of<'a> {
    fn new(inspected: &'a Inspected) -> Self {
        let visit = &inspected.visit;
        let opened = &visit.opening.opened;
        let times = visit.entries.iter().map(|e| e.when);
        let first: jiff::Timestamp = opened
            .parse()
            .ok()
            .or(times.clone().min())
            .unwrap_or_default();
        Self {
            inspected,
            clock: Clock::of(opened),
            taken: taken::collect(inspected),
            first,
            last: times.max().unwrap_or(first),
        }
    }

    fn deeds(&self) -> impl Iterator<Item = &'a Deed> + use<'a> {
        self.inspected.visit.entries.iter().map(|e| &e.deed)
    }

    fn vehicle(&self) -> Option<&'a Vehicle> {
        self.inspected.vehicle.as_ref()
    }

    /// A text of a journal's line with what a later line says of it.
    fn corrected(&self, n: u64, text: &str) -> String {
        let later = self.deeds().filter_map(|deed| match deed {
            Deed::Corrected { line, text } if *line == n => Some(text.as_str()),
            _ => None,
        });
        match later.last() {
            Some(right) => format!("{text} [corrected later: {right}]"),
            None => text.to_owned(),
        }
    }
}

/// The drawings of two widths, pair by pair.
fn drawings(wide: Vec<Picture>, narrow: &[Picture]) -> Vec<Drawing> {
    wide.into_iter()
        .enumerate()
        .map(|(i, wide)| {
            let on_narrow = narrow.get(i).map(|p| p.svg(Frame::Page));
            Drawing {
                heading: wide.heading.clone(),
                svg: wide.svg(Frame::Paper),
                label: wide.label().to_owned(),
                caption: wide.caption.clone(),
                size: wide.size(),
                on_page: [on_narrow.unwrap_or_default(), wide.into_svg()],
            }
        })
        .collect()
}

fn drawings_of(finding: &Finding, vehicle: Option<&Vehicle>) -> Vec<Drawing> {
    let of = |width: Width| plot::pictures(finding, width.of_car(vehicle));
    drawings(of(Width::Wide), &of(Width::Narrow))
}

/// Takes the rule off the pictures of a finding that has one.
fn rule_first(finding: &Finding, mut all: Vec<Drawing>) -> (Option<Drawing>, Vec<Drawing>) {
    let has_rule = super::super::figure(finding).is_some();
    let rule = (has_rule && !all.is_empty()).then(|| all.remove(0));
    (rule, all)
}

/// How a recorded result stands to the one that was worked out anew.
fn agreement(agreement: Option<&Agreement>) -> String {
    match agreement {
        None => "none was recorded; what stands here was worked out from the lines".into(),
        Some(Agreement::Same) => "from the recorded lines: the same to the bit".into(),
        Some(Agreement::SameToPlatform) => {
            "from the recorded lines: the same but for the last digits that another machine's functions may change".into()
        }
        Some(Agreement::OtherVersion(version, _)) => {
            format!("recorded by {version}, which counts otherwise than {SOFTWARE}; what stands here is of {SOFTWARE}")
        }
        Some(Agreement::Differs(difference)) => format!(
            "the recorded finding DIFFERS from what its lines give: {difference}. What stands here is worked out from the lines"
        ),
    }
}

/// All results, as they are attached.
#[derive(Serialize)]
struct Results<'a> {
    software: &'static str,
    findings: Vec<OneFinding<'a>>,
    comparisons: Vec<OneComparison<'a>>,
}

#[derive(Serialize)]
struct OneFinding<'a> {
    capture: &'a str,
    finding: Option<&'a Finding>,
    unreadable: Option<&'a str>,
}

#[derive(Serialize)]
struct OneComparison<'a> {
    file: &'a str,
    comparison: Option<&'a CompareResult>,
    unreadable: Option<&'a str>,
}

/// [`RESULTS`]: every finding and comparison.
fn results(inspected: &Inspected) -> String {
    let findings = inspected.captures.iter().map(|capture| OneFinding {
        capture: &capture.name,
        finding: capture.read.as_ref().ok().map(|read| &read.finding),
        unreadable: capture.read.as_ref().err().map(String::as_str),
    });
    let comparisons = inspected.comparisons.iter().map(|one| OneComparison {
        file: &one.file,
        comparison: one.compared.as_ref().ok(),
        unreadable: one.compared.as_ref().err().map(String::as_str),
    });
    super::super::pretty(&Results {
        software: SOFTWARE,
        findings: findings.collect(),
        comparisons: comparisons.collect(),
    })
}

fn attached(inspected: &Inspected) -> Vec<Attached> {
    let mut all = match &inspected.proof {
        Proof::Open { contents, .. } => vec![Attached {
            name: CONTENTS.into(),
            words: "Digests of every file of the inspection but its report".into(),
            media_type: "text/plain",
            bytes: contents.clone().into_bytes(),
        }],
        Proof::Sealed { manifests, .. } => manifests.clone(),
    };
    all.push(Attached {
        name: RESULTS.into(),
        words: "Every finding and comparison".into(),
        media_type: "application/json",
        bytes: results(inspected).into_bytes(),
    });
    all
}

fn section(name: &str, new_page: bool, blocks: Vec<Block>) -> Section {
    Section {
        name: name.into(),
        new_page,
        blocks,
    }
}

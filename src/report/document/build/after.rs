//! What follows the tests: before and after, photographs, claims, journal, cautions, how to verify.

use super::{
    super::{Block, Judgement, Section, Table, groups},
    InspectedComparison, Of, Proof, agreement, drawings, section,
    summary::{self, in_short},
    taken::Said,
};
use crate::{
    evidence::{self, sshsig},
    inspect::comparison::Compared,
    inspection::{self, Deed},
    measure::compare::Change,
    reading::SOFTWARE,
    report::{
        compare, count, leak, list,
        page::refused,
        plot::{self, Width},
        pull, roll, sentence, told,
    },
};

/// Characters of a digest that a line of the journal shows.
const DIGEST: usize = 16;
const FUEL: &str = "Fuel is toxic and highly flammable: drain and flush before a pressure test, no ignition source, fresh air, gloves, eye protection.";
const HOT: &str = "Hot exhaust, moving gears: mind hands, hair and sleeves.";
const WORTH: &str = "These are measurements, not a certificate. Local rules, the maker's instructions and licensed practice come first; what a record is worth in a dispute is for local law.";

/// The chapters after the tests.
pub(super) fn sections(of: &Of) -> Vec<Section> {
    let mut all = Vec::new();
    all.extend(before_and_after(of));
    all.extend(photographs(of));
    all.push(claims(of));
    all.push(journal(of));
    all.push(cautions());
    all.push(verify(of));
    all
}

fn before_and_after(of: &Of) -> Option<Section> {
    let mut blocks = Vec::new();
    for one in &of.inspected.comparisons {
        blocks.push(Block::Heading(format!(
            "Before: {}. After: {}.",
            list(&one.of[0]),
            list(&one.of[1])
        )));
        match &one.compared {
            Err(why) => blocks.push(Block::Text(format!("{}: {why}", one.file))),
            Ok(result) => {
                for compared in result.comparisons() {
                    blocks.extend(comparison(of, one, compared));
                }
                for rest in result.not_compared() {
                    let setup = rest
                        .setup
                        .as_ref()
                        .map_or_else(String::new, |s| format!(" in setup {s}"));
                    blocks.push(Block::Small(format!(
                        "Not compared: {} {}{setup}, only {}.",
                        rest.records, rest.test, rest.side
                    )));
                }
            }
        }
    }
    (!blocks.is_empty()).then(|| section("before and after", true, blocks))
}

fn comparison(of: &Of, one: &InspectedComparison, compared: &Compared) -> Vec<Block> {
    let about = compare::AboutComparison {
        before: "",
        after: "",
        vehicle: of.vehicle(),
        picture: false,
    };
    let said = Said::of(compare::page(compared, about).parts());
    let refusals = compared.comparison.refused();
    let mut result = said.under("result").into_iter();
    let mut words: Vec<String> = match refusals {
        Some(all) => vec![format!(
            "Refused, no number: {}",
            all.iter().map(refused).collect::<Vec<_>>().join(" ")
        )],
        None => result.next().map(str::to_owned).into_iter().collect(),
    };
    words.extend(said.under("next").iter().map(|w| (*w).to_owned()));
    let of_width = |width: Width| plot::comparison(compared, width.of_car(of.vehicle()));
    let mut pictures = drawings(of_width(Width::Wide), &of_width(Width::Narrow)).into_iter();
    let change: Change = compared.comparison.change();
    let mut blocks = vec![Block::Judgement(Judgement {
        test: compared.comparison.test().word().into(),
        mark: refusals.is_none().then(|| change.into()),
        figure: String::new(),
        range: String::new(),
        words: words.join(" "),
        rule: pictures.next(),
    })];
    blocks.extend(pictures.map(Block::Picture));
    blocks.extend(result.map(|w| Block::Text(w.to_owned())));
    blocks.push(Block::Facts(vec![
        ("record".into(), said.under("record").join(" ")),
        (
            "worked out".into(),
            format!("{}: {}", one.file, agreement(one.agreement.as_ref())),
        ),
    ]));
    blocks
}

fn photographs(of: &Of) -> Option<Section> {
    let mut shown = Vec::new();
    let mut notes = Vec::new();
    for entry in &of.inspected.visit.entries {
        let Deed::Photographed(photograph) = &entry.deed else {
            continue;
        };
        let found = of
            .inspected
            .photographs
            .iter()
            .find(|(file, _)| *file == photograph.file);
        let mut words = Vec::new();
        if let Some(what) = &photograph.words {
            words.push(sentence(&of.corrected(entry.n, what)));
        }
        if photograph.tag_in_picture {
            words.push(format!(
                "The tag {} is in the picture.",
                of.inspected.visit.opening.tag
            ));
        }
        let taken = photograph.taken.as_ref().map_or_else(
            || "The camera wrote no time.".into(),
            |taken| format!("The camera says {taken}."),
        );
        words.push(taken);
        words.push(format!(
            "{}, put in {}.",
            photograph.file,
            of.clock.at(entry.when)
        ));
        match found {
            Some((_, Ok(picture))) => {
                let mut picture = picture.clone();
                picture.words = words.join(" ");
                shown.push(picture);
            }
            Some((_, Err(why))) => {
                notes.push(format!("{}: cannot be shown: {why}", photograph.file));
            }
            None => notes.push(format!("{}: is not there", photograph.file)),
        }
    }
    let mut blocks = Vec::new();
    if !shown.is_empty() {
        blocks.push(Block::Photographs(shown));
    }
    blocks.extend(notes.into_iter().map(Block::Text));
    (!blocks.is_empty()).then(|| section("photographs", true, blocks))
}

/// What was claimed beside what was found.
fn claims(of: &Of) -> Section {
    let mut facts = Vec::new();
    for claim in &of.inspected.visit.opening.claimed {
        facts.push(("claimed".to_owned(), claim.clone()));
    }
    if facts.is_empty() {
        facts.push(("claimed".to_owned(), "nothing is on record".to_owned()));
    }
    for row in summary::rows(of) {
        let words = row.finding.map_or_else(String::new, in_short);
        facts.push((
            "found".to_owned(),
            format!("{}, {}: {words}", row.test.word(), told::stage(row.stage)),
        ));
    }
    let mut blocks = vec![
        Block::Facts(facts),
        Block::Small(
            "Claims stand as they were said. Which finding bears on which claim is for the reader."
                .into(),
        ),
    ];
    blocks.extend(joint(of));
    blocks.extend(attachments(of));
    section("claimed and found", true, blocks)
}

/// What was stated together, with objections.
fn joint(of: &Of) -> Vec<Block> {
    let mut blocks = Vec::new();
    for entry in &of.inspected.visit.entries {
        if let Deed::Joint {
            present,
            objections,
            file,
            sha256,
            ..
        } = &entry.deed
        {
            let names: Vec<String> = present
                .iter()
                .map(|p| format!("{} ({})", p.name, p.role))
                .collect();
            blocks.push(Block::Heading("Joint statement".into()));
            blocks.push(Block::Text(format!(
                "{} were there. Their statement is {file}; signing it, each may add an objection of its own.",
                list(&names)
            )));
            for objection in objections {
                blocks.push(Block::Text(format!(
                    "{} objects: {}",
                    objection.name, objection.text
                )));
            }
            blocks.push(Block::Digest {
                of: file.clone(),
                sha256: sha256.clone(),
            });
        }
    }
    blocks
}

fn attachments(of: &Of) -> Option<Block> {
    let attached: Vec<Vec<String>> = of
        .deeds()
        .filter_map(|deed| match deed {
            Deed::Attached {
                file,
                sha256,
                bytes,
                words,
            } => Some(vec![
                words.clone(),
                file.clone(),
                bytes.to_string(),
                groups(sha256),
            ]),
            _ => None,
        })
        .collect();
    (!attached.is_empty()).then(|| {
        Block::Table(Table {
            caption: "Attached, kept as they came, not opened".into(),
            head: ["what", "file", "bytes", "sha256"]
                .map(str::to_owned)
                .to_vec(),
            figures: vec![2],
            rows: attached,
            sum: false,
        })
    })
}

/// A deed, with the file that it speaks of and the beginning of that file's digest.
fn deed(deed: &Deed) -> String {
    let told = told::told(deed);
    let capture = told.capture.map(|name| format!("captures/{name}"));
    let digest = told
        .sha256
        .and_then(|sha256| sha256.get(..DIGEST))
        .map_or_else(String::new, |digest| format!(", sha256 {digest}..."));
    match capture.or(told.file.map(str::to_owned)) {
        Some(of) => format!("{} ({of}{digest})", told.text()),
        None => told.text(),
    }
}

fn journal(of: &Of) -> Section {
    let entries = &of.inspected.visit.entries;
    let rows = entries
        .iter()
        .map(|entry| {
            vec![
                entry.n.to_string(),
                of.clock.at(entry.when),
                entry.who.clone(),
                of.corrected(entry.n, &deed(&entry.deed)),
            ]
        })
        .collect();
    let mut blocks = vec![Block::Table(Table {
        caption: "Who did what when".into(),
        head: ["line", "when", "who", "what"].map(str::to_owned).to_vec(),
        figures: vec![0],
        rows,
        sum: false,
    })];
    blocks.push(Block::Small(clock(of)));
    let gaps = inspection::gaps(&of.inspected.visit);
    if !gaps.is_empty() {
        blocks.push(Block::Small(sentence(&format!(
            "What this record still lacks: {}",
            gaps.join("; ")
        ))));
    }
    section("journal", false, blocks)
}

/// What the clocks did.
fn clock(of: &Of) -> String {
    let mut words: Vec<String> = of
        .inspected
        .visit
        .entries
        .iter()
        .filter_map(|entry| match &entry.deed {
            Deed::ClockSet { by_s } => Some(format!(
                "Line {}: the machine's clock was set {}.",
                entry.n,
                told::clock_set(*by_s)
            )),
            _ => None,
        })
        .collect();
    let pairs = of.inspected.visit.entries.windows(2);
    words.extend(
        pairs
            .filter(|pair| pair[1].when < pair[0].when)
            .map(|pair| format!("Line {} is earlier than the one before it.", pair[1].n)),
    );
    if words.is_empty() {
        words.push("No jump of the clock was seen.".into());
    }
    words.push("Times are those of the machine that wrote them; each line carries the digest of the one before it.".into());
    words.join(" ")
}

fn cautions() -> Section {
    let items = [
        FUEL,
        leak::CAREFUL,
        pull::CAREFUL,
        roll::CAREFUL,
        HOT,
        WORTH,
    ];
    section(
        "cautions",
        false,
        vec![Block::List {
            numbered: false,
            items: items.map(str::to_owned).to_vec(),
        }],
    )
}

/// How the other side checks.
fn verify(of: &Of) -> Section {
    let proof = &of.inspected.proof;
    let mut blocks = vec![
        Block::Digest {
            of: proof.file().into(),
            sha256: proof.sha256().into(),
        },
        Block::Qr {
            text: format!("sha256:{}", proof.sha256()),
            words: format!("The same digest, of {}, for a camera.", proof.file()),
        },
    ];
    match proof {
        Proof::Open { path, .. } => blocks.extend(open(path)),
        Proof::Sealed { verified, .. } => blocks.extend(sealed(verified)),
    }
    let differ = match of.inspected.differing() {
        0 => String::new(),
        n => format!(
            " DIFFERING from it: {}, named where it stands.",
            count(n as u64, "recorded result")
        ),
    };
    blocks.push(Block::Small(format!(
        "Every finding in this report was worked out anew by {SOFTWARE} from the recorded lines.{differ}"
    )));
    if !of.inspected.remarks.is_empty() {
        blocks.push(Block::Heading("What does not fit".into()));
        blocks.push(Block::List {
            numbered: false,
            items: of.inspected.remarks.iter().map(|r| sentence(r)).collect(),
        });
    }
    section("how to verify", false, blocks)
}

fn open(path: &str) -> Vec<Block> {
    vec![
        Block::Text(
            "The list names every file of the inspection but the report, each with its digest. In the inspection's folder (of a sealed copy: in its folder data) the first line must print the digest above, the second must say nothing."
                .into(),
        ),
        Block::Typed(vec![
            format!("sha256sum {path}"),
            format!("sha256sum --quiet -c {path}"),
        ]),
        Block::Text(
            "A copy from which owner.toml was left out says so: add --ignore-missing. Files that the list does not name came later or from elsewhere. A seal says more: who signed, and when."
                .into(),
        ),
    ]
}

fn sealed(verified: &evidence::Report) -> Vec<Block> {
    let mut blocks = vec![
        Block::Text(
            "In the sealed folder the first line must print the digest above, the second must say nothing; the third checks a signature, with keys that the signers gave you themselves."
                .into(),
        ),
        Block::Typed(vec![
            format!("sha256sum {}", evidence::TAG_MANIFEST),
            format!("sha256sum --quiet -c {} manifest-sha256.txt", evidence::TAG_MANIFEST),
            format!(
                "ssh-keygen -Y verify -f allowed_signers -I NAME -n {} -s signatures/01-NAME.sig < {}",
                sshsig::NAMESPACE,
                evidence::TAG_MANIFEST
            ),
            "feelgauge verify FOLDER --signers allowed_signers".into(),
        ]),
    ];
    let now = match &verified.first {
        None if verified.holds => {
            "feelgauge verify found no difference when this report was made.".to_owned()
        }
        Some(first) => format!(
            "feelgauge verify FAILED when this report was made. The first difference: {first}"
        ),
        None => "feelgauge verify FAILED when this report was made.".to_owned(),
    };
    blocks.push(Block::Text(now));
    blocks.extend(signatures(verified));
    for stamp in &verified.stamps {
        blocks.push(Block::Text(format!(
            "Time-stamp {}: {}.",
            stamp.file, stamp.time
        )));
    }
    let not_proven = verified.not_proven.iter().map(|w| sentence(w));
    blocks.push(Block::List {
        numbered: false,
        items: not_proven.collect(),
    });
    blocks
}

fn signatures(verified: &evidence::Report) -> Option<Block> {
    let rows: Vec<Vec<String>> = verified
        .signatures
        .iter()
        .map(|s| {
            let holds = if s.holds { "holds" } else { "DOES NOT HOLD" };
            let own = s
                .statement
                .as_ref()
                .map_or_else(String::new, |t| format!(" Own statement: {}", t.trim()));
            vec![
                format!("{} ({})", s.name, s.role),
                format!("{}{own}", sentence(&s.vouches_for)),
                s.key.clone(),
                holds.into(),
            ]
        })
        .collect();
    (!rows.is_empty()).then(|| {
        Block::Table(Table {
            caption: "Signatures".into(),
            head: ["signer", "vouches for", "key", "signature"]
                .map(str::to_owned)
                .to_vec(),
            figures: Vec::new(),
            rows,
            sum: false,
        })
    })
}

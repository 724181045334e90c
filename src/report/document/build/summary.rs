//! The first page: car, verdicts, what to do.

use super::{
    super::{Block, Judgement, Section, Table},
    Of, Proof, section,
    taken::{self, Said, Taken},
};
use crate::{
    inspect::{Finding, Test},
    inspection::{Act, Deed, PlannedPart, Stage},
    reading::Verdict,
    report::{
        count, figure, list, number::stated, page::verdict_word, percent, roll::WRONG_FILE,
        sentence, told,
    },
};

/// Suspects that stand on the first page.
const SUSPECTS: usize = 3;
/// A suspect below this share is not worth opening anything.
const WORTH: f64 = 0.1;

const HOW_TO_READ: &str = "How to read the rules. The notch is the limit, the block the 95 % interval, the cut through it the value. Clear of the notch the verdict stands; across it, it is undecided.";

/// The first page.
pub(super) fn summary(of: &Of) -> Section {
    let rows = rows(of);
    let mut blocks = vec![tag(of), Block::Say(judgement(of, &rows))];
    blocks.extend(
        rows.iter()
            .map(|row| Block::Judgement(row.judgement.clone())),
    );
    blocks.extend(plan(of));
    blocks.extend(seen(of));
    blocks.extend(done(of));
    blocks.extend(not_checked(of, &rows));
    if rows.iter().any(|row| row.judgement.rule.is_some()) {
        blocks.push(Block::Small(HOW_TO_READ.into()));
    }
    blocks.push(Block::Small(limits(&rows)));
    blocks.push(Block::Small(seal(of)));
    section("summary", false, blocks)
}

fn tag(of: &Of) -> Block {
    let opening = &of.inspected.visit.opening;
    let mut lines = Vec::new();
    let mut first: Vec<String> = opening.house.iter().cloned().collect();
    first.extend(opening.car.description.clone());
    if let Some(vehicle) = of.vehicle() {
        first.push(format!(
            "tank {} cm3, {} kg",
            stated(vehicle.tank_m3 * 1e6),
            stated(vehicle.mass_kg)
        ));
    }
    if !first.is_empty() {
        lines.push(sentence(&first.join(", ")));
    }
    let mut known: Vec<String> = Vec::new();
    known.extend(
        opening
            .car
            .serial
            .as_ref()
            .map(|s| format!("serial number {s}")),
    );
    known.extend(opening.car.marks.iter().cloned());
    known.extend(opening.car.fitted.iter().map(|f| format!("fitted: {f}")));
    if !known.is_empty() {
        lines.push(sentence(&format!("Known by: {}", known.join("; "))));
    }
    let mut when = vec![format!(
        "{} to {}",
        of.clock.at(of.first),
        of.clock.at(of.last)
    )];
    when.extend(conditions(of));
    lines.push(when.join(". ") + ".");
    let mut who = vec![format!("Measured by {}", opening.operator)];
    who.extend(
        opening
            .owner
            .as_ref()
            .map(|owner| format!("owner's reference {owner}")),
    );
    who.extend(
        opening
            .reason
            .as_ref()
            .map(|reason| format!("came because: {reason}")),
    );
    lines.push(sentence(&who.join("; ")));
    Block::Tag {
        number: opening.tag.clone(),
        name: opening.car.name.clone(),
        lines,
    }
}

/// The day's conditions, every set that was read off, the same ones once.
fn conditions(of: &Of) -> Vec<String> {
    let all = of.deeds().filter_map(|deed| match deed {
        Deed::Conditions {
            temperature_k,
            ambient_pa,
            words,
        } => {
            let read = told::conditions(*temperature_k, *ambient_pa);
            Some(read.into_iter().chain(words.clone()).collect::<Vec<_>>())
        }
        _ => None,
    });
    let mut said: Vec<Vec<String>> = Vec::new();
    for set in all {
        let is_said = |before: &Vec<String>| set.iter().all(|one| before.contains(one));
        if !said.iter().any(is_said) {
            said.push(set);
        }
    }
    said.iter().map(|set| set.join(", ")).collect()
}

/// A test's row on the first page.
pub(super) struct Row<'a> {
    pub test: Test,
    pub finding: Option<&'a Finding>,
    pub stage: Stage,
    pub judgement: Judgement,
}

/// One row a test, of its last stage, in the setup in which it was first taken.
pub(super) fn rows<'a>(of: &Of<'a>) -> Vec<Row<'a>> {
    [Test::Leak, Test::Pull, Test::Roll]
        .into_iter()
        .filter_map(|test| {
            let all: Vec<&Taken> = of.taken.iter().filter(|t| t.test() == Some(test)).collect();
            let counting: Vec<&Taken> = all.iter().copied().filter(|t| t.counts).collect();
            let stage = counting.iter().map(|t| t.stage).max()?;
            let setup = main_setup(&all);
            let here = counting.iter().filter(|t| t.stage == stage);
            let main = here
                .clone()
                .find(|t| t.setup() == setup)
                .or(here.clone().next())?;
            let read = main.read()?;
            let judgement = taken::judgement(of, read, words(of, main, &counting));
            Some(Row {
                test,
                finding: Some(&read.finding),
                stage,
                judgement,
            })
        })
        .collect()
}

/// The setup that stands for a test: the first in which it has a verdict, else the first.
fn main_setup<'a>(all: &[&Taken<'a>]) -> Option<&'a str> {
    let judged = all
        .iter()
        .find(|t| t.read().is_some_and(|r| r.finding.verdict().is_some()));
    judged.or(all.first())?.setup()
}

/// What a row says: the result in a sentence, what it was before, what other setups say, what comes next.
fn words(of: &Of, main: &Taken, counting: &[&Taken]) -> String {
    let Some(read) = main.read() else {
        return String::new();
    };
    let finding = &read.finding;
    let mut words = Vec::new();
    if let Some(why) = taken::refusals(finding) {
        words.push(why);
    } else {
        let said = Said::of_finding(finding, taken::about(read, of.vehicle()));
        words.extend(from_what(finding, &said));
        words.extend(said.under("next").first().map(|w| (*w).to_owned()));
    }
    for other in counting {
        let same = other.capture.name == main.capture.name;
        let Some(other_read) = other.read().filter(|_| !same) else {
            continue;
        };
        let setup = if other.setup() == main.setup() {
            String::new()
        } else {
            format!("{}, ", taken::setup_words(other_read, of.vehicle()))
        };
        words.push(sentence(&format!(
            "{setup}{}: {}",
            told::stage(other.stage),
            in_short(&other_read.finding)
        )));
    }
    words.join(" ")
}

/// What stands beside the figure: at which pressure, from how many pulls, in which part.
fn from_what(finding: &Finding, said: &Said) -> Option<String> {
    match finding {
        Finding::Leak(leak) => {
            let at = leak.p_ref_pa?;
            Some(format!("At {} kPa.", stated(at / 1e3)))
        }
        Finding::Pull(pull) => {
            let n = count(pull.usable.len() as u64, "pull");
            Some(if pull.plug_out {
                "Plug out.".to_owned()
            } else {
                format!("From {n}.")
            })
        }
        Finding::Roll(_) => said.under("result").first().map(|w| (*w).to_owned()),
    }
}

/// `4.1 (3.7 to 4.5), outside`.
pub(super) fn in_short(finding: &Finding) -> String {
    let word = verdict_word(finding.verdict(), finding.refused().is_some());
    match figure(finding) {
        Some(figure) => format!("{} ({}), {word}", figure.words(), figure.range),
        None => word.into(),
    }
}

/// One sentence of judgement.
fn judgement(of: &Of, rows: &[Row]) -> String {
    let mut sentences = Vec::new();
    for stage in [Stage::AsFound, Stage::AfterRepair] {
        let here: Vec<&Row> = rows.iter().filter(|row| row.stage == stage).collect();
        sentences.extend(verdicts(&here, stage));
    }
    if rows.is_empty() {
        sentences.push("Nothing was measured; what follows was seen, felt and said.".into());
    }
    let to_open = parts(of).into_iter().find(|part| part.act == Act::ToOpen);
    if let Some(part) = to_open {
        let time = part
            .minutes
            .map_or_else(String::new, |m| format!(", {m} min"));
        sentences.push(format!("Open first: {}{time}.", part.name));
    }
    let decided = of.deeds().filter_map(|deed| match deed {
        Deed::Decided {
            decision,
            offer,
            words,
        } => {
            let decided = sentence(&format!(
                "decided: {}",
                told::decided(*decision, offer.as_ref())
            ));
            let why = words.as_ref().map(|why| sentence(why));
            Some(
                [decided]
                    .into_iter()
                    .chain(why)
                    .collect::<Vec<_>>()
                    .join(" "),
            )
        }
        _ => None,
    });
    sentences.extend(decided.last());
    sentences.join(" ")
}

/// `After the repair leak and roll are within, pull is undecided.`
fn verdicts(rows: &[&Row], stage: Stage) -> Option<String> {
    let words = ["outside", "undecided", "refused", "no verdict", "within"];
    let mut parts = Vec::new();
    for word in words {
        let tests: Vec<String> = rows
            .iter()
            .filter(|row| {
                let finding = row.finding;
                finding.is_some_and(|f| verdict_word(f.verdict(), f.refused().is_some()) == word)
            })
            .map(|row| row.test.word().to_owned())
            .collect();
        let verb = if tests.len() == 1 { "is" } else { "are" };
        match word {
            _ if tests.is_empty() => {}
            "no verdict" => parts.push(format!(
                "{} {} no verdict",
                list(&tests),
                if tests.len() == 1 { "has" } else { "have" }
            )),
            word => parts.push(format!("{} {verb} {word}", list(&tests))),
        }
    }
    let when = told::stage(stage);
    (!parts.is_empty()).then(|| sentence(&format!("{when} {}", parts.join(", "))))
}

/// The parts of the plan, each as its last line says, in the order in which they came.
pub(super) fn parts(of: &Of) -> Vec<PlannedPart> {
    let mut all: Vec<PlannedPart> = Vec::new();
    for deed in of.deeds() {
        let Deed::Part(part) = deed else { continue };
        let Some(known) = all.iter_mut().find(|known| known.name == part.name) else {
            all.push(part.clone());
            continue;
        };
        let before = std::mem::replace(known, part.clone());
        known.part = known.part.take().or(before.part);
        known.minutes = known.minutes.or(before.minutes);
        known.from = known.from.take().or(before.from);
        if known.price.is_none() {
            known.price = before.price;
            known.priced_by = before.priced_by;
        }
    }
    all
}

/// How probable it is that a snag sits in a part, by the last roll that shows one.
fn guilty(of: &Of, part: Option<&str>) -> String {
    let rolls = of
        .taken
        .iter()
        .filter(|t| t.stage == Stage::AsFound && t.counts);
    let share = rolls
        .filter_map(|t| {
            let snag = t.read()?.finding.as_roll()?.snags.as_ref()?.first()?;
            let suspect = snag
                .suspects
                .iter()
                .find(|s| Some(s.part.as_str()) == part)?;
            Some(suspect.probability)
        })
        .next_back();
    share.map_or_else(|| "not judged".into(), percent)
}

fn table(caption: &str, head: &[&str], figures: &[usize], rows: Vec<Vec<String>>) -> Block {
    Block::Table(Table {
        caption: caption.into(),
        head: head.iter().map(|h| (*h).to_owned()).collect(),
        figures: figures.to_vec(),
        rows,
        sum: false,
    })
}

/// What to open, in order, and what it costs; where prices stand in several currencies, each has a table of its own.
fn plan(of: &Of) -> Vec<Block> {
    let parts = parts(of);
    if parts.is_empty() {
        return suspects(of).into_iter().collect();
    }
    let mut currencies: Vec<&str> = Vec::new();
    for price in parts.iter().filter_map(|part| part.price.as_ref()) {
        if !currencies.contains(&price.currency.as_str()) {
            currencies.push(&price.currency);
        }
    }
    if currencies.is_empty() {
        currencies.push("");
    }
    let in_currency = |part: &PlannedPart, currency: &str| match &part.price {
        Some(price) => price.currency == currency,
        None => currency == currencies[0],
    };
    currencies
        .iter()
        .map(|currency| {
            let here: Vec<&PlannedPart> = parts
                .iter()
                .filter(|part| in_currency(part, currency))
                .collect();
            one_plan(of, &here, currency)
        })
        .collect()
}

fn plan_caption(currency: &str, whose: &[String]) -> String {
    match (currency, whose.is_empty()) {
        ("", _) => "What to open, in this order".to_owned(),
        (currency, true) => {
            format!(
                "What to open, in this order, and what it costs in {currency} (nobody says whose prices)"
            )
        }
        (currency, false) => format!(
            "What to open, in this order, and what it costs in {currency} (prices: {})",
            list(whose)
        ),
    }
}

fn one_plan(of: &Of, parts: &[&PlannedPart], currency: &str) -> Block {
    let mut whose: Vec<String> = Vec::new();
    for who in parts.iter().filter_map(|part| part.priced_by.as_ref()) {
        if !whose.contains(who) {
            whose.push(who.clone());
        }
    }
    let (mut low, mut high, mut work) = (0_u64, 0_u64, 0_u32);
    let mut rows = Vec::new();
    for part in parts {
        let price = part.price.as_ref();
        low = low.saturating_add(price.map_or(0, |p| p.low));
        high = high.saturating_add(price.map_or(0, |p| p.high));
        work = work.saturating_add(part.minutes.unwrap_or(0));
        let dash = || "-".to_owned();
        rows.push(vec![
            part.name.clone(),
            told::act(part.act).into(),
            guilty(of, part.part.as_deref()),
            part.minutes.map_or_else(dash, |m| format!("{m} min")),
            part.from.clone().unwrap_or_else(dash),
            price.map_or_else(dash, |p| told::amount(p.low, p.high)),
        ]);
    }
    let sum = parts.len() > 1;
    if sum {
        let nothing = String::new;
        let all = if currency.is_empty() {
            nothing()
        } else {
            told::amount(low, high)
        };
        rows.push(vec![
            "all".into(),
            nothing(),
            nothing(),
            format!("{work} min"),
            nothing(),
            all,
        ]);
    }
    Block::Table(Table {
        caption: plan_caption(currency, &whose),
        head: ["part", "to do", "guilty", "work", "from", "price"]
            .map(str::to_owned)
            .to_vec(),
        figures: vec![2, 3, 5],
        rows,
        sum,
    })
}

/// Without a plan: what the roll suspects.
fn suspects(of: &Of) -> Option<Block> {
    let last = of
        .taken
        .iter()
        .filter(|t| t.counts)
        .filter_map(|t| t.read()?.finding.as_roll())
        .next_back()?;
    let snag = last.snags.as_ref()?.first()?;
    let mut rows: Vec<Vec<String>> = snag
        .suspects
        .iter()
        .take(SUSPECTS)
        .filter(|s| s.probability >= WORTH)
        .map(|s| {
            let words = of
                .vehicle()
                .map_or_else(|| s.part.clone(), |v| v.words_for(&s.part));
            vec![words, percent(s.probability)]
        })
        .collect();
    if last.doubts_sensor() {
        let parts: f64 = snag.suspects.iter().map(|s| s.probability).sum();
        rows.push(vec![WRONG_FILE.into(), percent(1.0 - parts)]);
    }
    (!rows.is_empty()).then(|| {
        table(
            "What the roll suspects, if there is one snag",
            &["part", "guilty"],
            &[1],
            rows,
        )
    })
}

/// What was done.
fn done(of: &Of) -> Vec<Block> {
    let entries = of.inspected.visit.entries.iter();
    let items = entries.filter_map(|entry| match &entry.deed {
        Deed::Repaired { text } => Some(sentence(&of.corrected(entry.n, text))),
        _ => None,
    });
    heading_and_list("What was done", items.collect())
}

fn heading_and_list(heading: &str, items: Vec<String>) -> Vec<Block> {
    if items.is_empty() {
        return Vec::new();
    }
    vec![
        Block::Heading(heading.into()),
        Block::List {
            numbered: false,
            items,
        },
    ]
}

fn seen(of: &Of) -> Vec<Block> {
    let entries = of.inspected.visit.entries.iter();
    let items = entries.filter_map(|entry| match &entry.deed {
        Deed::Observed {
            sense,
            text,
            photograph,
        } => {
            let shown = photograph
                .as_ref()
                .map_or_else(String::new, |f| format!(" (see {f})"));
            let words = format!("{}: {text}{shown}", told::sense(*sense));
            Some(sentence(&of.corrected(entry.n, &words)))
        }
        _ => None,
    });
    heading_and_list("Seen and felt, not measured", items.collect())
}

fn not_checked(of: &Of, rows: &[Row]) -> Vec<Block> {
    let mut items: Vec<String> = [Test::Leak, Test::Pull, Test::Roll]
        .into_iter()
        .filter(|test| !rows.iter().any(|row| row.test == *test))
        .map(|test| format!("No {} was taken.", test.word()))
        .collect();
    for entry in &of.inspected.visit.entries {
        if let Deed::NotChecked { text } = &entry.deed {
            items.push(sentence(&of.corrected(entry.n, text)));
        }
    }
    heading_and_list("Not checked", items)
}

fn limits(rows: &[Row]) -> String {
    let all: Vec<String> = rows
        .iter()
        .filter_map(|row| {
            Some(format!(
                "{}: {}",
                row.test.word(),
                taken::limit(row.finding?)?
            ))
        })
        .collect();
    let undecided = rows
        .iter()
        .any(|row| row.finding.and_then(Finding::verdict) == Some(Verdict::Undecided));
    let mut words = if all.is_empty() {
        String::new()
    } else {
        format!("Limits. {}. ", all.join(". "))
    };
    if undecided {
        words.push_str("Undecided means that this record cannot say; it is no fault found and none ruled out. ");
    }
    words + "These are measurements, not a certificate."
}

fn seal(of: &Of) -> String {
    let digest = super::super::groups(of.inspected.proof.sha256());
    match &of.inspected.proof {
        Proof::Open { .. } => format!(
            "Not sealed when this was made. Digest of {}: sha256 {digest}.",
            of.inspected.proof.file()
        ),
        Proof::Sealed { verified, .. } => {
            let by: Vec<String> = verified.signatures.iter().map(|s| s.name.clone()).collect();
            let by = if by.is_empty() {
                "nobody yet".to_owned()
            } else {
                list(&by)
            };
            let now = if verified.holds {
                "The seal held when this was made."
            } else {
                "The seal DID NOT HOLD when this was made; see the last chapter."
            };
            format!("Sealed, signed by {by}. {now} Digest of the seal: sha256 {digest}.")
        }
    }
}

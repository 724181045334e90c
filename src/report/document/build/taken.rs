//! The tests that were taken, and the page of each.

use super::{
    super::{Block, Judgement, Section, Table},
    Inspected, InspectedCapture, Of, ReadCapture, agreement, drawings_of, rule_first, section,
};
use crate::{
    inspect::{Finding, Test},
    inspection::{Deed, Stage},
    reading::Estimate,
    report::{
        self, About, count, figure, limit_source,
        number::{scientific, shown, stated},
        page::{Part, refused},
        plain, told,
    },
    units::CM3_PER_MIN,
    vehicle::Vehicle,
};

/// A capture and where in the visit it stands.
pub(super) struct Taken<'a> {
    pub capture: &'a InspectedCapture,
    pub stage: Stage,
    /// The journal names it.
    pub in_journal: bool,
    /// It is the last of its test, setup and stage; or it cannot be read, which is said once.
    pub counts: bool,
    /// Those of its test, setup and stage that were taken before it.
    pub earlier: Vec<&'a InspectedCapture>,
}

impl<'a> Taken<'a> {
    pub fn read(&self) -> Option<&'a ReadCapture> {
        self.capture.read.as_ref().ok()
    }

    pub fn test(&self) -> Option<Test> {
        self.read().map(|read| read.finding.test())
    }

    pub fn setup(&self) -> Option<&'a str> {
        self.read()?.meta.setup.as_deref()
    }
}

/// Captures in the order of the journal, then what the journal does not name.
pub(super) fn collect(inspected: &Inspected) -> Vec<Taken<'_>> {
    let mut order: Vec<(usize, Taken)> = inspected
        .captures
        .iter()
        .map(|capture| {
            let entries = inspected.visit.entries.iter().enumerate();
            let mut place = entries.filter_map(|(n, entry)| match &entry.deed {
                Deed::Captured {
                    capture: name,
                    stage,
                    ..
                } if *name == capture.name => Some((n, *stage)),
                _ => None,
            });
            let place = place.next_back();
            let taken = Taken {
                capture,
                stage: place.map_or(Stage::AsFound, |(_, stage)| stage),
                in_journal: place.is_some(),
                counts: true,
                earlier: Vec::new(),
            };
            (place.map_or(usize::MAX, |(n, _)| n), taken)
        })
        .collect();
    order.sort_by(|a, b| (a.0, &a.1.capture.name).cmp(&(b.0, &b.1.capture.name)));
    let mut all: Vec<Taken> = order.into_iter().map(|(_, taken)| taken).collect();
    for last in (0..all.len()).rev() {
        if !all[last].counts || all[last].read().is_none() {
            continue;
        }
        let key = |t: &Taken| (t.test(), t.setup().map(str::to_owned), t.stage);
        let of_last = key(&all[last]);
        let mut earlier = Vec::new();
        for before in &mut all[..last] {
            if before.read().is_some() && key(before) == of_last {
                before.counts = false;
                earlier.push(before.capture);
            }
        }
        all[last].earlier = earlier;
    }
    all
}

/// What a finding says, heading by heading.
pub(super) struct Said(Vec<(String, Vec<Part>)>);

impl Said {
    pub fn of(parts: Vec<Part>) -> Self {
        let mut groups: Vec<(String, Vec<Part>)> = vec![(String::new(), Vec::new())];
        for part in parts {
            match part {
                Part::Heading(words) => groups.push((words, Vec::new())),
                Part::Title { .. } => {}
                part => {
                    if let Some((_, group)) = groups.last_mut() {
                        group.push(part);
                    }
                }
            }
        }
        Self(groups)
    }

    pub fn of_finding(finding: &Finding, about: About) -> Self {
        Self::of(report::words(finding, about).parts())
    }

    /// Sentences under a heading.
    pub fn under(&self, heading: &str) -> Vec<&str> {
        let groups = self.0.iter().filter(|(words, _)| words == heading);
        groups
            .flat_map(|(_, parts)| parts)
            .filter_map(|part| match part {
                Part::Said(words) => Some(words.as_str()),
                _ => None,
            })
            .collect()
    }

    /// Everything but what stands elsewhere on paper, as blocks: a heading's sentences are one paragraph, its rows are facts.
    pub fn blocks(&self, left_out: &[&str]) -> Vec<Block> {
        let mut blocks = Vec::new();
        for (heading, parts) in &self.0 {
            // a heading with columns stands over rows that have a table of their own on paper
            let is_table = heading.contains("   ");
            if left_out.contains(&heading.as_str()) || parts.is_empty() || is_table {
                continue;
            }
            if !heading.is_empty() && heading != "result" {
                blocks.push(Block::Heading(sentence_case(heading)));
            }
            let mut said: Vec<&str> = Vec::new();
            let mut rows: Vec<(String, String)> = Vec::new();
            for part in parts {
                match part {
                    Part::Said(words) => {
                        take_rows(&mut blocks, &mut rows);
                        said.push(words);
                    }
                    Part::Line(line) => {
                        take_said(&mut blocks, &mut said);
                        let line = line.trim();
                        let (what, value) = line.split_once("  ").unwrap_or((line, ""));
                        rows.push((what.to_owned(), value.trim().to_owned()));
                    }
                    Part::Title { .. } | Part::Heading(_) => {}
                }
            }
            take_said(&mut blocks, &mut said);
            take_rows(&mut blocks, &mut rows);
        }
        blocks
    }
}

fn take_said(blocks: &mut Vec<Block>, said: &mut Vec<&str>) {
    if !said.is_empty() {
        blocks.push(Block::Text(std::mem::take(said).join(" ")));
    }
}

fn take_rows(blocks: &mut Vec<Block>, rows: &mut Vec<(String, String)>) {
    if !rows.is_empty() {
        blocks.push(Block::Facts(std::mem::take(rows)));
    }
}

/// First letter large, no stop: a heading.
fn sentence_case(words: &str) -> String {
    let words = report::sentence(words);
    words.trim_end_matches('.').to_owned()
}

/// Pulls one by one.
fn pulls(finding: &Finding) -> Option<Block> {
    let Finding::Pull(pull) = finding else {
        return None;
    };
    let cell = |estimate: Option<Estimate>| {
        estimate.map_or_else(
            || "-".to_owned(),
            |e| {
                let s = shown(e);
                format!("{} ({})", s.value, s.range())
            },
        )
    };
    let rows: Vec<Vec<String>> = (1..)
        .zip(&pull.pulls)
        .map(|(n, pull): (u32, _)| {
            let remark = match (pull.gap, pull.cord_end) {
                (true, _) => "readings missing",
                (_, true) => "cord ran out to its stop (left out)",
                _ => "",
            };
            vec![
                n.to_string(),
                format!("{:.2} s", pull.start_s),
                pull.strokes.len().to_string(),
                cell(pull.peak_n),
                cell(pull.lift_ratio),
                pull.cadence_hz
                    .map_or_else(|| "-".to_owned(), |c| shown(c).value),
                remark.to_owned(),
            ]
        })
        .collect();
    let head = [
        "pull",
        "start",
        "strokes",
        "peak, N",
        "lift ratio",
        "strokes a second",
        "",
    ];
    (!rows.is_empty()).then(|| {
        Block::Table(Table {
            caption: "Every pull".into(),
            head: head.map(str::to_owned).to_vec(),
            figures: vec![0, 1, 2, 5],
            rows,
            sum: false,
        })
    })
}

/// What a text says about a capture beside its finding.
pub(super) fn about<'a>(read: &'a ReadCapture, vehicle: Option<&'a Vehicle>) -> About<'a> {
    About {
        source: "",
        vehicle,
        setup: read.meta.setup.as_deref(),
        picture: false,
    }
}

/// What a person calls the setup of a capture.
pub(super) fn setup_words(read: &ReadCapture, vehicle: Option<&Vehicle>) -> String {
    match &read.meta.setup {
        None => "setup not stated".into(),
        Some(name) => {
            let setup = vehicle.and_then(|v| v.setup(name));
            let label = setup.and_then(|s| s.label.as_deref());
            label.map_or_else(|| name.clone(), |label| format!("{label} ({name})"))
        }
    }
}

/// Head of a test: word, mark, figure, range.
pub(super) fn judgement(of: &Of, read: &ReadCapture, words: String) -> Judgement {
    let finding = &read.finding;
    let figure = figure(finding);
    let (rule, _) = rule_first(finding, drawings_of(finding, of.vehicle()));
    Judgement {
        test: finding.test().word().into(),
        mark: finding.verdict().map(Into::into),
        figure: figure
            .as_ref()
            .map_or_else(String::new, report::Figure::words),
        range: figure.map_or_else(String::new, |f| f.range),
        words,
        rule,
    }
}

/// Why there is no number.
pub(super) fn refusals(finding: &Finding) -> Option<String> {
    let all: Vec<String> = finding.refused()?.iter().map(refused).collect();
    Some(format!("Refused, no number: {}", all.join(" ")))
}

/// The page of a test.
pub(super) fn page(of: &Of, taken: &Taken) -> Section {
    let read = match &taken.capture.read {
        Ok(read) => read,
        Err(why) => {
            let words = format!(
                "captures/{}: {why}. Nothing in this report is taken from it.",
                taken.capture.name
            );
            return section(
                "a capture that cannot be read",
                false,
                vec![
                    Block::Heading("A capture that cannot be read".into()),
                    Block::Text(words),
                ],
            );
        }
    };
    let finding = &read.finding;
    let said = Said::of_finding(finding, about(read, of.vehicle()));
    let words = refusals(finding).unwrap_or_else(|| {
        let next = said.under("next").join(" ");
        if finding.verdict().is_none() {
            format!("No verdict. {next}")
        } else {
            next
        }
    });
    let words = format!(
        "{} {words}",
        report::sentence(&format!(
            "{}, {}",
            setup_words(read, of.vehicle()),
            told::stage(taken.stage)
        ))
    );
    let name = format!(
        "{}, {}, {}",
        finding.test().word(),
        setup_words(read, of.vehicle()),
        told::stage(taken.stage)
    );
    let mut blocks = vec![Block::Judgement(judgement(of, read, words))];
    let (_, pictures) = rule_first(finding, drawings_of(finding, of.vehicle()));
    blocks.extend(pictures.into_iter().map(Block::Picture));
    blocks.extend(said.blocks(&["", "next", "record", "careful", "no number, because"]));
    blocks.extend(pulls(finding));
    blocks.push(Block::Facts(facts(of, taken, read, &said)));
    section(&name, true, blocks)
}

type Facts = Vec<(String, String)>;

fn facts(of: &Of, taken: &Taken, read: &ReadCapture, said: &Said) -> Facts {
    let finding = &read.finding;
    let mut facts: Facts = Vec::new();
    let mut add = |what: &str, words: String| facts.push((what.into(), words));
    add("method", method(finding.test()).into());
    if let Some(words) = in_si(finding) {
        add("in SI", words);
    }
    if let Some(words) = volume(finding) {
        add("volume", words);
    }
    add(
        "setup",
        format!(
            "{}; {}",
            setup_words(read, of.vehicle()),
            told::stage(taken.stage)
        ),
    );
    add("taken", when_taken(of, taken, read));
    if let Some(words) = limit(finding) {
        add("limit", words);
    }
    if let Some(words) = not_counted(finding) {
        add("not counted", words);
    }
    add("record", said.under("record").join(" "));
    for words in probes(read) {
        add("probe", words);
    }
    for check in of.deeds() {
        if let Deed::Checked(check) = check
            && read.meta.probes.iter().any(|p| p.name == check.probe)
        {
            let words = format!("{}, {}", told::moment(check.moment), told::checked(check));
            add("probe check", words);
        }
    }
    for earlier in &taken.earlier {
        add("taken before", earlier_words(earlier));
    }
    add("worked out", agreement(read.agreement.as_ref()));
    facts
}

fn volume(finding: &Finding) -> Option<String> {
    let volume = finding.as_leak()?.volume_m3?.scaled(1e6);
    let s = shown(volume);
    Some(format!(
        "{} cm3, range {}, u = {} cm3",
        s.value,
        s.range(),
        uncertainty(volume.u)
    ))
}

fn when_taken(of: &Of, taken: &Taken, read: &ReadCapture) -> String {
    let by = read.meta.operator.as_ref();
    let by = by.map_or_else(String::new, |who| format!(" by {who}"));
    let unknown = if taken.in_journal {
        ""
    } else {
        "; the journal does not name it"
    };
    format!(
        "{}{by}, captures/{}{unknown}",
        of.clock.at(read.meta.anchor.wall),
        taken.capture.name
    )
}

/// A capture that a later one replaced.
fn earlier_words(capture: &InspectedCapture) -> String {
    let read = match &capture.read {
        Ok(read) => read,
        Err(why) => return format!("captures/{}: {why}", capture.name),
    };
    let finding = &read.finding;
    let word = report::page::verdict_word(finding.verdict(), finding.refused().is_some());
    let figure = figure(finding).map_or_else(String::new, |f| {
        format!(" {} (95 % range: {}),", f.words(), f.range)
    });
    format!(
        "captures/{}:{figure} {word}; the last one counts",
        capture.name
    )
}

/// The method in two sentences.
fn method(test: Test) -> &'static str {
    match test {
        Test::Leak => {
            "The tank is pumped up and left alone, and its pressure falls toward the room's; from the first second after pumping on the fall is fitted by the laws of a hole and of a long narrow path, with drift and heat as unknowns beside them. The slope that the leak alone makes, times the volume, is the leak at the stated pressure."
        }
        Test::Pull => {
            "The force on the starter cord is read while the engine is pulled through, and the highest stroke of each pull is its peak. The mean peak over the car's weight is the lift ratio; its range joins how much pulls differ with what they share, and from three pulls on it is held against the limit."
        }
        Test::Roll => {
            "Magnets on a shaft give one time each as the drivetrain is let go and runs down, and the losses of speed are searched for a rhythm that only some parts of this gear train have. How probable a snag in each part is follows from its rhythm; a snag is reported when a car without one would hardly ever look like this."
        }
    }
}

/// A standard uncertainty to two digits.
fn uncertainty(u: f64) -> String {
    if u <= 0.0 || !u.is_finite() {
        return "0".into();
    }
    let exponent = libm::floor(libm::log10(u));
    // The exponent of a finite number lies within +-324.
    #[allow(clippy::cast_possible_truncation)]
    let places = 1 - exponent as i32;
    report::number::rounded(u, places)
}

fn in_si(finding: &Finding) -> Option<String> {
    match finding {
        Finding::Leak(leak) => {
            let rate = leak.leak_rate_pa_m3_s?;
            let at = leak.p_ref_pa.map_or_else(String::new, |pa| {
                format!(", at {} kPa gauge", stated(pa / 1e3))
            });
            Some(format!(
                "{} Pa m3/s, u = {:.1e} Pa m3/s, of gas at 20 C{at}",
                scientific(rate),
                rate.u
            ))
        }
        Finding::Pull(pull) => {
            let mut words = Vec::new();
            if let Some(ratio) = pull.lift_ratio {
                let s = report::shown_against(ratio, pull.limit_lift_ratio);
                words.push(format!(
                    "lift ratio {} ({}), u = {}",
                    s.value,
                    s.range(),
                    uncertainty(ratio.u)
                ));
            }
            if let Some(peak) = pull.mean_peak_n {
                let s = shown(peak);
                words.push(format!(
                    "mean peak {} N ({}), u = {} N",
                    s.value,
                    s.range(),
                    uncertainty(peak.u)
                ));
            }
            (!words.is_empty()).then(|| words.join("; "))
        }
        Finding::Roll(roll) => {
            let rate = roll.snags.as_ref()?.first()?.hit_rate;
            let s = shown(rate);
            Some(format!(
                "hit rate {} ({}), u = {}",
                s.value,
                s.range(),
                uncertainty(rate.u)
            ))
        }
    }
}

/// The limit and where it comes from.
pub(super) fn limit(finding: &Finding) -> Option<String> {
    match finding {
        Finding::Leak(leak) => {
            let (limit, source) = (leak.limit_leak_rate_pa_m3_s?, leak.limit_source?);
            Some(format!(
                "{} cm3 of air a minute, {}",
                stated(limit / CM3_PER_MIN),
                limit_source(source)
            ))
        }
        Finding::Pull(pull) => Some(format!(
            "lift ratio {}, {}",
            stated(pull.limit_lift_ratio),
            limit_source(pull.limit_source)
        )),
        Finding::Roll(roll) => {
            let snag = format!(
                "a snag is reported when a car without one looks like this with a chance of at most {} ({})",
                stated(roll.limit_snag_false_alarm),
                roll.limit_source.map_or("no source", limit_source)
            );
            Some(format!(
                "{snag}; within when a snag of {} of the drag would have shown in every visible part ({})",
                stated(roll.limit_snag_depth),
                roll.limit_snag_depth_source
                    .map_or("no source", limit_source)
            ))
        }
    }
}

fn not_counted(finding: &Finding) -> Option<String> {
    match finding {
        Finding::Leak(leak) => {
            leak.hold_start_s?;
            let knocks = match leak.quality.knocks {
                0 => String::new(),
                n => format!("; {}", count(n, "knock")),
            };
            Some(format!("the pumping and the first second after it{knocks}"))
        }
        Finding::Pull(pull) => {
            let usable = pull.usable.len();
            let left = pull.pulls.len().saturating_sub(usable);
            let mut words = Vec::new();
            if left > 0 && !pull.plug_out {
                words.push(format!(
                    "{} (fewer than three strokes, readings missing or the probe at its end)",
                    count(left as u64, "pull")
                ));
            }
            if pull.quality.bumps > 0 {
                words.push(format!("{} below 8 N", count(pull.quality.bumps, "jerk")));
            }
            (!words.is_empty()).then(|| words.join("; "))
        }
        Finding::Roll(roll) => {
            let share = roll.quality.coast_share?;
            Some(format!(
                "everything but free running, which is {} of the time",
                report::percent(share)
            ))
        }
    }
}

/// Each probe with its health.
fn probes(read: &ReadCapture) -> Vec<String> {
    let quality = read.finding.quality();
    let mut all = Vec::new();
    for (i, probe) in read.meta.probes.iter().enumerate() {
        let mut words = vec![probe.name.clone()];
        match &probe.bare {
            Some(bare) => words.push(format!(
                "a board that prints plain numbers: {} in {}, column {}",
                bare.kind, bare.unit, bare.column
            )),
            None => words.push("with checksum and sequence number on every line".into()),
        }
        words.extend(
            read.lines
                .get(i)
                .map(|n| format!("{} received", count(*n, "line"))),
        );
        let calibrations = probe.calibrations.iter().map(calibration_words);
        words.extend(calibrations);
        all.push(words.join("; "));
    }
    let faults: Vec<String> = quality
        .faults
        .iter()
        .map(|(kind, n)| report::remarks::fault(kind, *n))
        .collect();
    let health = if faults.is_empty() && quality.unprotected {
        "what was lost or broken on the wire cannot be known: no checksum".into()
    } else if faults.is_empty() {
        "none lost, none broken".into()
    } else {
        format!("faults: {}", report::list(&faults))
    };
    let closed = if read.closed {
        ""
    } else {
        "; the capture was cut short"
    };
    all.push(format!(
        "{}: {health}{closed}",
        count(quality.lines, "line")
    ));
    all
}

fn calibration_words(calibration: &crate::record::capture::CalibrationMeta) -> String {
    let file = calibration.file.as_deref();
    let file = file.and_then(|text| crate::calibration::Calibration::parse(text).ok());
    match file {
        Some(file) => format!(
            "channel {} calibrated {}, due {}",
            calibration.channel, file.date, file.due
        ),
        None => format!(
            "channel {}: {} scale, {} {} a count",
            calibration.channel,
            calibration.source,
            plain(calibration.scale),
            calibration.unit
        ),
    }
}

//! Pictures of a roll: one strip a turn, so that the hits of one part make a column; the suspects; the rule of the hit rate.

use super::{
    Paper, Picture, Width, blind,
    curve::eased,
    drag,
    letters::Letters,
    rule::{Block, Row, Rule},
    svg::{Anchor, Svg},
};
use crate::{
    inspect::guide::RollView,
    measure::roll::{RollFinding, Snag, Strip, Suspect},
    reading::Estimate,
    report::{
        count,
        number::{percent, shown},
        roll::WRONG_FILE,
    },
};

/// Most turns that are drawn: of a finding, of a running test.
const TURNS: (usize, usize) = (60, 40);
/// Most suspects by name, and the share below which one goes to `all others`.
const SUSPECTS: usize = 6;
const WORTH: f64 = 0.01;
/// Shares of parts that turn together are equal; nearer than this they are.
const EQUAL: f64 = 1e-9;
/// A turn counts as hit from this probability on.
const HIT: f64 = 0.5;
/// Loss that swells to the full, in standard deviations, and how far that is at most.
const FULL_SD: f64 = 8.0;
const SWELL: f64 = 18.0;
/// Distance of two strips: few, many.
const PITCH: (f64, f64) = (14.0, 7.6);
const FEW: usize = 16;
/// Room above the strips, below them, left of them, and right for hits and the number of the turn.
const HEAD: f64 = 46.0;
const FOOT: f64 = 34.0;
const LEFT: f64 = 8.0;
const MARGIN: f64 = 72.0;
/// Half the width of the band at the snag's angle, degrees, when nothing says how well it is known.
const ANGLE: f64 = 8.0;
/// A hit's peak is looked for within this of the snag's angle, degrees.
const NEAR: f64 = 25.0;
/// Height of a suspect's row, of a second line of its name, and left edge of the names.
const ROW: f64 = 46.0;
const LINE: f64 = 18.0;
const NAMES: f64 = 72.0;

pub(super) fn pictures(finding: &RollFinding, paper: Paper) -> Vec<Picture> {
    let mut pictures = Vec::new();
    if let Some(rhythms) = &finding.blind {
        pictures.extend(blind::rhythms(rhythms, paper.width));
    }
    let snag = finding.snags.as_deref().and_then(<[Snag]>::first);
    if let Some(snag) = snag {
        pictures.push(rule(snag.hit_rate, paper.width));
    }
    let hit =
        |turn: u64| snag.is_some_and(|s| s.hits.iter().any(|h| h.turn == turn && h.hit >= HIT));
    let strips = Strips {
        turns: &finding.trace.strips,
        hit: &hit,
        phase_deg: snag.map(|s| (s.phase_deg, s.phase_half_bin_deg.max(ANGLE / 2.0))),
        part: finding.trace.part.as_deref(),
        most: TURNS.0,
    };
    pictures.extend(strips.draw(paper));
    if let Some(snag) = snag {
        pictures.extend(suspects(&snag.suspects, &finding.quality.same_order, paper));
    }
    pictures.extend(
        finding
            .drag
            .as_ref()
            .and_then(|d| drag::by_speed(d, paper.width)),
    );
    pictures
}

pub(super) fn live(view: &RollView, paper: Paper) -> Vec<Picture> {
    let leading = view.suspects.first().filter(|_| view.hits.is_some());
    let strips = Strips {
        turns: &view.strips,
        hit: &|turn| view.hit_turns.contains(&turn),
        phase_deg: view
            .phase_deg
            .filter(|_| view.hits.is_some())
            .map(|d| (d, ANGLE)),
        part: leading.map(|s| s.part.as_str()),
        most: TURNS.1,
    };
    let mut pictures: Vec<Picture> = strips.draw(paper).into_iter().collect();
    if view.hits.is_some() {
        pictures.extend(suspects(&view.suspects, &view.same_order, paper));
    }
    pictures
}

/// Share of the turns that hit, on a rule.
fn rule(hit_rate: Estimate, width: Width) -> Picture {
    let rate = hit_rate.scaled(100.0);
    let s = shown(rate);
    let label = format!(
        "The snag shows in {} of 100 turns, range {}. A hit rate has no limit of its own: any snag is outside.",
        s.value,
        s.range()
    );
    let rule = Rule {
        rows: &[Row {
            estimate: rate,
            block: Block::Filled,
            word: None,
        }],
        limit: None,
        natural: (Some(0.0), Some(100.0)),
    };
    Picture::new("Hits in 100 turns", rule.draw(label, width), width)
}

/// Turns to draw.
struct Strips<'a> {
    turns: &'a [Strip],
    hit: &'a dyn Fn(u64) -> bool,
    /// Angle of the snag and half the width of its band, degrees.
    phase_deg: Option<(f64, f64)>,
    part: Option<&'a str>,
    most: usize,
}

impl Strips<'_> {
    /// The stretch of turns with most hits in it; the latest where several are equal.
    fn window(&self) -> &[Strip] {
        let most = self.most.min(self.turns.len());
        let hits: Vec<bool> = self.turns.iter().map(|s| (self.hit)(s.turn)).collect();
        let count = |from: usize| hits[from..from + most].iter().filter(|h| **h).count();
        let from = (0..=self.turns.len() - most).max_by_key(|from| count(*from));
        let from = from.unwrap_or(0);
        &self.turns[from..from + most]
    }

    fn draw(&self, paper: Paper) -> Option<Picture> {
        let (first, last) = (self.turns.first()?, self.turns.last()?);
        let shown = self.window();
        let hits = shown.iter().filter(|s| (self.hit)(s.turn)).count();
        let width = paper.width;
        let pitch = if shown.len() <= FEW { PITCH.0 } else { PITCH.1 };
        let bottom = HEAD + pitch * shown.len() as f64;
        let label = self.told(shown, hits, paper);
        let mut svg = Svg::new(width.units(), bottom + FOOT, label);
        let sides = (LEFT, width.units() - MARGIN);
        self.angle(&mut svg, sides, bottom);
        let deg = self.phase_deg.map_or(f64::NAN, |(deg, _)| deg);
        for (i, strip) in shown.iter().enumerate() {
            let base = HEAD + pitch * (i + 1) as f64 - 2.0;
            let hit = (self.hit)(strip.turn);
            one(&mut svg, strip, sides, base, hit.then_some(deg));
            if hit {
                let x = sides.1 + 14.0;
                let tall = (pitch - 1.6).min(10.0);
                svg.block("solid", (x, x + 12.0), (base - tall, base));
            }
        }
        margin(&mut svg, shown, (HEAD, bottom), width);
        axis(&mut svg, sides, bottom, self.phase_deg.map(|(deg, _)| deg));
        let heading = match self.part {
            Some(part) => format!("One line a turn of: {}", paper.part(part)),
            None => "One line a turn: loss against angle".into(),
        };
        let picture = Picture::new(heading, svg, width);
        let all = last.turn - first.turn + 1;
        Some(if shown.len() < self.turns.len() {
            let from = shown.first().map_or(0, |s| s.turn);
            let to = shown.last().map_or(0, |s| s.turn);
            picture.with_caption(format!("Turns {} to {} of {all}.", from + 1, to + 1))
        } else {
            picture
        })
    }

    /// What the eye sees.
    fn told(&self, shown: &[Strip], hits: usize, paper: Paper) -> String {
        let of = self
            .part
            .map_or_else(String::new, |part| format!(" of: {}", paper.part(part)));
        let turns = count(shown.len() as u64, "turn");
        let turns = format!("{turns}{of}, one line a turn.");
        match (hits, self.phase_deg) {
            (0, _) => format!("{turns} None of them shows a hit."),
            (n, Some((deg, _))) => {
                format!("{turns} {n} of them hit, in a column at {deg:.0} degrees.")
            }
            (n, None) => format!("{turns} {n} of them hit."),
        }
    }

    /// The band at the snag's angle, with its word.
    fn angle(&self, svg: &mut Svg, sides: (f64, f64), bottom: f64) {
        let Some((deg, half)) = self.phase_deg else {
            return;
        };
        let at = |deg: f64| sides.0 + (sides.1 - sides.0) * deg / 360.0;
        // Over the end of a turn the band goes on at its beginning.
        for shift in [-360.0, 0.0, 360.0] {
            let (a, b) = (at(deg + shift - half), at(deg + shift + half));
            let (a, b) = (a.clamp(sides.0, sides.1), b.clamp(sides.0, sides.1));
            if b > a {
                svg.block("band", (a, b), (HEAD - 12.0, bottom));
            }
        }
        svg.text_within("t16 tb", (LEFT, sides.1 + 4.0), (at(deg), 16.0), "the snag");
    }
}

/// The words over the margin and the numbers of the first and the last turn.
fn margin(svg: &mut Svg, shown: &[Strip], (top, bottom): (f64, f64), width: Width) {
    let right = width.units() - 4.0;
    let box_middle = width.units() - MARGIN + 20.0;
    svg.text("t15 tb", Anchor::Middle, (box_middle, 16.0), "hit");
    svg.text("t15 t2", Anchor::End, (right, 16.0), "turn");
    if let [first, .., last] = shown {
        let number = |strip: &Strip| (strip.turn + 1).to_string();
        svg.text("t15 t2", Anchor::End, (right, top - 12.0), &number(first));
        svg.text("t15 tb", Anchor::End, (right, bottom), &number(last));
    }
}

/// The angle of the part's turn, with the snag's own number.
fn axis(svg: &mut Svg, (left, right): (f64, f64), bottom: f64, phase_deg: Option<f64>) {
    let at = |deg: f64| left + (right - left) * deg / 360.0;
    let y = bottom + 4.0;
    svg.line("axis", (left, y), (right, y));
    let fine = (0..=36)
        .filter(|k| k % 9 != 0)
        .map(|k| at(f64::from(k) * 10.0));
    svg.lines("tickm", fine.map(|x| [(x, y), (x, y + 5.0)]));
    let quarters = [0.0, 90.0, 180.0, 270.0, 360.0];
    svg.lines("tick", quarters.map(|q| [(at(q), y), (at(q), y + 8.0)]));
    let room = (2.0, right + 24.0);
    let bold = phase_deg.map(|deg| (deg, Letters::of("t15 tb").width("000\u{b0}") / 2.0));
    for quarter in quarters {
        let half = Letters::of("t15").width("000\u{b0}") / 2.0;
        let clear = bold.is_none_or(|(deg, own)| (at(deg) - at(quarter)).abs() > half + own + 6.0);
        if clear {
            svg.text_within(
                "t15",
                room,
                (at(quarter), y + 24.0),
                &format!("{quarter:.0}\u{b0}"),
            );
        }
    }
    if let Some((deg, _)) = bold {
        svg.text_within(
            "t15 tb",
            room,
            (at(deg), y + 24.0),
            &format!("{deg:.0}\u{b0}"),
        );
    }
}

/// One turn; a hit (at the snag's angle, NaN where it is not known) is filled where it swells.
fn one(svg: &mut Svg, strip: &Strip, sides: (f64, f64), base: f64, hit: Option<f64>) {
    let bins = strip.loss_sd.len().max(1) as f64;
    let at = |i: usize| sides.0 + (sides.1 - sides.0) * (i as f64 + 0.5) / bins;
    let lift = |loss: f64| (loss / FULL_SD).clamp(-0.1, 1.0) * SWELL;
    let last = strip.loss_sd.len().saturating_sub(1);
    let points = strip.loss_sd.iter().enumerate().flat_map(|(i, loss)| {
        let y = loss.map_or(f64::NAN, |loss| base - lift(loss));
        // The first and the last bin reach to the ends of the turn.
        let ends = [(i == 0, sides.0), (true, at(i)), (i == last, sides.1)];
        ends.into_iter()
            .filter(|(is, _)| *is)
            .map(move |(_, x)| (x, y))
    });
    svg.curve("raw", eased(&points.collect::<Vec<_>>()));
    let Some(peak) = hit.and_then(|deg| peak(strip, deg)) else {
        return;
    };
    let around = peak.saturating_sub(2)..(peak + 3).min(strip.loss_sd.len());
    let top: Vec<(f64, f64)> = around
        .filter_map(|i| Some((at(i), base - lift(strip.loss_sd[i]?).max(0.0))))
        .collect();
    if let (Some(first), Some(last)) = (top.first().copied(), top.last().copied()) {
        // A lone bin is a bar.
        let (a, b) = if top.len() > 1 {
            (first.0, last.0)
        } else {
            (first.0 - 2.0, first.0 + 2.0)
        };
        let ends = ([(a, base)], [(b, base)]);
        svg.area("solid", ends.0.into_iter().chain(top).chain(ends.1));
    }
}

/// The bin of a turn that lost most, near the snag's angle where that is known and was seen.
fn peak(strip: &Strip, deg: f64) -> Option<usize> {
    let bins = strip.loss_sd.len().max(1) as f64;
    let near = |i: usize| {
        let away = ((i as f64 + 0.5) / bins * 360.0 - deg).abs();
        away.min(360.0 - away) <= NEAR
    };
    let losses = strip.loss_sd.iter().enumerate();
    let known: Vec<(usize, f64)> = losses.filter_map(|(i, loss)| Some((i, (*loss)?))).collect();
    let most = |near: &dyn Fn(usize) -> bool| {
        let some = known.iter().filter(|(i, _)| near(*i));
        some.max_by(|a, b| a.1.total_cmp(&b.1)).map(|(i, _)| *i)
    };
    most(&near).or_else(|| most(&|_| true))
}

/// Suspects that turn together, tied by a bracket.
fn groups<'a>(listed: &[&'a Suspect], same: &[Vec<String>]) -> Vec<Vec<&'a Suspect>> {
    let together = |a: &Suspect, b: &Suspect| {
        let named = same
            .iter()
            .any(|g| g.contains(&a.part) && g.contains(&b.part));
        named && (a.probability - b.probability).abs() < EQUAL
    };
    let mut groups: Vec<Vec<&Suspect>> = Vec::new();
    for suspect in listed {
        match groups.iter_mut().find(|g| together(g[0], suspect)) {
            Some(group) => group.push(suspect),
            None => groups.push(vec![suspect]),
        }
    }
    groups
}

fn suspects(suspects: &[Suspect], same: &[Vec<String>], paper: Paper) -> Option<Picture> {
    let worth = |s: &&Suspect| s.probability >= WORTH;
    let listed: Vec<&Suspect> = suspects.iter().filter(worth).take(SUSPECTS).collect();
    let named: f64 = listed.iter().map(|s| s.probability).sum();
    let all: f64 = suspects.iter().map(|s| s.probability).sum();
    let (others, elsewhere) = (all - named, 1.0 - all);
    let groups = groups(&listed, same);
    let mut rows: Vec<(String, f64, bool)> = groups
        .iter()
        .flatten()
        .map(|s| (paper.part(&s.part), s.probability, false))
        .collect();
    if rows.is_empty() {
        return None;
    }
    if listed.len() < suspects.len() && others > 0.0005 {
        rows.push(("all others".into(), others, true));
    }
    if elsewhere > 0.0005 {
        rows.push((WRONG_FILE.into(), elsewhere, true));
    }
    let tied: Vec<usize> = groups.iter().map(Vec::len).collect();
    let room = paper.width.units() - NAMES - 8.0;
    let mut tops = vec![4.0];
    let mut named = Vec::new();
    for (name, ..) in &rows {
        let lines = Letters::of("t16").wrap(name, room, 2);
        let top = tops.last().copied().unwrap_or(4.0);
        tops.push(top + ROW + LINE * (lines.len() as f64 - 1.0));
        named.push(lines);
    }
    let height = tops.last().copied().unwrap_or(ROW);
    let mut svg = Svg::new(paper.width.units(), height, suspects_told(&rows, &tied));
    for ((lines, (_, share, is_rest)), top) in named.iter().zip(&rows).zip(&tops) {
        suspect(&mut svg, lines, (*share, *is_rest), *top, room);
    }
    brackets(&mut svg, &tied, &tops);
    let picture = Picture::new("Suspects: what turns at this beat", svg, paper.width);
    Some(if tied.iter().any(|n| *n > 1) {
        picture
            .with_caption("The bracket: these turn together, so this setup cannot tell them apart.")
    } else {
        picture
    })
}

/// What the eye sees.
fn suspects_told(rows: &[(String, f64, bool)], tied: &[usize]) -> String {
    let each: Vec<String> = rows
        .iter()
        .map(|(name, share, _)| format!("{name}, {}", percent(*share)))
        .collect();
    let mut from = 0;
    let mut brackets = String::new();
    for n in tied {
        if *n > 1 {
            let names: Vec<&str> = rows[from..from + n]
                .iter()
                .map(|(name, ..)| name.as_str())
                .collect();
            let names = names.join(" and ");
            brackets.extend([" A bracket ties ", &names, ": they turn together."]);
        }
        from += n;
    }
    format!(
        "Suspects, most probable first: {}.{brackets}",
        each.join("; ")
    )
}

/// One suspect: its share, its name, and a bar under the name.
fn suspect(svg: &mut Svg, name: &[String], (share, is_rest): (f64, bool), y: f64, room: f64) {
    let class = if is_rest { "t18 tb t2" } else { "t18 tb" };
    let words = percent(share).replace("below ", "<").replace("above ", ">");
    svg.text(class, Anchor::End, (NAMES - 10.0, y + 18.0), &words);
    let class = if is_rest { "t16 t2" } else { "t16" };
    let mut bar = y + 8.0;
    for line in name {
        svg.text(class, Anchor::Start, (NAMES, bar + 10.0), line);
        bar += LINE;
    }
    let class = if is_rest { "minor" } else { "solid" };
    let length = (room * share.clamp(0.0, 1.0)).max(1.5);
    svg.block(class, (NAMES, NAMES + length), (bar, bar + 8.0));
}

/// A bracket left of those that turn together.
fn brackets(svg: &mut Svg, tied: &[usize], tops: &[f64]) {
    let mut from = 0;
    for n in tied {
        if *n > 1 {
            let (top, bottom) = (tops[from] + 3.0, tops[from + n] - 10.0);
            svg.curve(
                "axis",
                [(14.0, top), (5.0, top), (5.0, bottom), (14.0, bottom)],
            );
        }
        from += n;
    }
}

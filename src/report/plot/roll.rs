//! Pictures of a roll: the rule of the hit rate, the suspects, and one strip for each turn.

use super::{
    Picture, Width,
    rule::{self, Block, Outside, Row, Rule},
    svg::{Anchor, Svg},
};
use crate::{
    measure::roll::{RollFinding, RollTrace, Snag, Strip},
    report::number::{percent, shown},
};

/// Most suspects and most turns that are drawn.
const MOST: (usize, usize) = (6, 60);
/// A turn counts as hit from this probability on.
const HIT: f64 = 0.5;
/// Height of a turn's strip, and how far its highest loss may swell over it.
const STRIP: (f64, f64) = (9.0, 16.0);
/// Loss that swells to the full, in standard deviations.
const FULL_SD: f64 = 8.0;
/// Margin for the boxes of the hits.
const BOX: f64 = 20.0;

pub(super) fn pictures(finding: &RollFinding, width: Width) -> Vec<Picture> {
    let snag = finding.snags.as_deref().and_then(<[Snag]>::first);
    let mut pictures = Vec::new();
    if let Some(snag) = snag {
        pictures.push(rule(snag, width));
        pictures.push(suspects(snag, width));
    }
    if !finding.trace.strips.is_empty() && finding.trace.bins > 0 {
        pictures.push(strips(&finding.trace, snag, width));
    }
    pictures
}

fn rule(snag: &Snag, width: Width) -> Picture {
    let rate = snag.hit_rate.scaled(100.0);
    let s = shown(rate);
    let label = format!(
        "The snag shows in {} per cent of the turns, 95 % range {}.",
        s.value,
        s.range()
    );
    let rows = [Row {
        estimate: rate,
        block: Block::Filled,
        word: None,
    }];
    let svg = rule::draw(
        &Rule {
            rows: &rows,
            limit: None::<(f64, Outside)>,
            natural: (Some(0.0), Some(100.0)),
            label: &label,
        },
        width,
    );
    Picture::new(
        "Hit rate: share of the turns in which it shows, in per cent",
        svg,
        width,
    )
}

fn suspects(snag: &Snag, width: Width) -> Picture {
    let listed: Vec<_> = snag
        .suspects
        .iter()
        .take(MOST.0)
        .filter(|s| s.probability >= 0.005)
        .collect();
    let names: Vec<String> = listed
        .iter()
        .map(|s| format!("{} {}", s.part, percent(s.probability)))
        .collect();
    let label = format!("Suspects: {}.", names.join(", "));
    let mut svg = Svg::new(width.units(), 8.0 + 32.0 * listed.len() as f64, label);
    let left = width.units() / 2.0;
    let room = width.units() - left - 12.0;
    for (i, suspect) in listed.iter().enumerate() {
        let y = 4.0 + 32.0 * i as f64;
        svg.text("t16", Anchor::Start, (8.0, y + 18.0), &suspect.part);
        svg.text(
            "t16 tb",
            Anchor::End,
            (left - 10.0, y + 18.0),
            &percent(suspect.probability),
        );
        svg.block(
            "bar",
            (left, left + room * suspect.probability.clamp(0.0, 1.0)),
            (y + 3.0, y + 23.0),
        );
        svg.line("axis", (left, y), (left, y + 26.0));
    }
    Picture::new("Suspects", svg, width)
}

/// One strip for each turn, stacked: hits of one part make a column.
fn strips(trace: &RollTrace, snag: Option<&Snag>, width: Width) -> Picture {
    let shown = &trace.strips[..trace.strips.len().min(MOST.1)];
    let (pitch, swell) = STRIP;
    let height = 24.0 + pitch * shown.len() as f64 + 36.0;
    let hits = shown.iter().filter(|s| is_hit(snag, s)).count();
    let label = format!(
        "{} turns of the likeliest part, one strip a turn; {hits} of them are hits.",
        shown.len()
    );
    let mut svg = Svg::new(width.units(), height, label);
    let (left, right) = (8.0 + BOX, width.units() - 12.0);
    for (i, strip) in shown.iter().enumerate() {
        let base = 24.0 + pitch * (i + 1) as f64;
        let hit = is_hit(snag, strip);
        if hit {
            svg.block("solid", (8.0, 8.0 + 12.0), (base - 7.5, base - 1.5));
        }
        one(&mut svg, strip, (left, right), base, swell, hit);
    }
    let base = 24.0 + pitch * shown.len() as f64 + 6.0;
    svg.line("axis", (left, base), (right, base));
    for (k, words) in ["0", "90", "180", "270", "360 degrees"].iter().enumerate() {
        let x = left + (right - left) * k as f64 / 4.0;
        svg.line("tick", (x, base), (x, base + 7.0));
        let anchor = if k == 4 { Anchor::End } else { Anchor::Middle };
        svg.text("t15", anchor, (x, base + 24.0), words);
    }
    Picture::new(
        "Loss in each turn, by angle of the part (box: a hit)",
        svg,
        width,
    )
}

fn one(svg: &mut Svg, strip: &Strip, (left, right): (f64, f64), base: f64, swell: f64, hit: bool) {
    let bins = strip.loss_sd.len().max(1) as f64;
    let at = |i: usize| left + (right - left) * (i as f64 + 0.5) / bins;
    let lift = |loss: f64| (loss / FULL_SD).clamp(0.0, 1.0) * swell;
    let points = strip
        .loss_sd
        .iter()
        .enumerate()
        .map(|(i, loss)| match loss {
            Some(loss) => (at(i), base - lift(*loss)),
            None => (f64::NAN, f64::NAN),
        });
    svg.curve("raw", points);
    if !hit {
        return;
    }
    let Some((peak, _)) = strip
        .loss_sd
        .iter()
        .enumerate()
        .filter_map(|(i, loss)| Some((i, (*loss)?)))
        .max_by(|a, b| a.1.total_cmp(&b.1))
    else {
        return;
    };
    let around = peak.saturating_sub(2)..(peak + 3).min(strip.loss_sd.len());
    let top: Vec<(f64, f64)> = around
        .filter_map(|i| Some((at(i), base - lift(strip.loss_sd[i]?))))
        .collect();
    let (Some(first), Some(last)) = (top.first().copied(), top.last().copied()) else {
        return;
    };
    svg.area(
        "solid",
        [(first.0, base)]
            .into_iter()
            .chain(top)
            .chain([(last.0, base)]),
    );
}

fn is_hit(snag: Option<&Snag>, strip: &Strip) -> bool {
    snag.is_some_and(|s| s.hits.iter().any(|h| h.turn == strip.turn && h.hit >= HIT))
}

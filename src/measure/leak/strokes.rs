//! Strokes of a syringe after a hold: where they are, and whether they are the six that were asked for.

use super::hold::{AMBIENT_TENTHS, RISE, RISE_TENTHS, TOP_QUANTILE, medians, rises};
use super::stats::{median, quantile};
use crate::reading::Refusal;
use crate::units::STANDARD_ATMOSPHERE_PA;

/// Strokes asked for: in and out in turn, so that the pressure stays in the sensor's range and the wall's slow warming
/// by one stroke is taken back by the next; the first one in.
pub(super) const STROKES: usize = 6;
/// Volume that is thought of where none is stated, m3.
const USUAL_M3: f64 = 130e-6;
/// A stroke changes the pressure by at least this part of what it should.
const LEAST: f64 = 0.35;
/// From one stroke to the next, tenths.
const SPACING_TENTHS: std::ops::RangeInclusive<usize> = 30..=120;
/// Longest time from one pump cycle to the next, tenths.
const PUMP_CYCLE_TENTHS: usize = 25;
/// Shortest hold before the strokes, tenths.
const HELD_TENTHS: usize = 180;
/// The hold ends this long before the first stroke shows, tenths.
const GUARD_TENTHS: usize = 4;
/// A fall by so many usual strokes, or by so many times what one should do, is none: the pressure was let off.
const LET_OFF: f64 = 1.7;
const LET_OFF_ALONE: f64 = 3.0;

/// One change of the pressure that is too large for a leak.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Stroke {
    /// Tenth in which the pressure changed most.
    pub tenth: usize,
    /// It went up: the plunger went in.
    pub is_in: bool,
    /// First and last median that it shows in.
    from: usize,
    to: usize,
}

/// What was found after the hold.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Strokes {
    /// In the order of time.
    pub moves: Vec<Stroke>,
    /// End of the hold, tenths; `None` when nothing follows a hold.
    pub cut_tenth: Option<usize>,
    /// Why they are not the strokes asked for.
    pub refused: Option<Refusal>,
}

/// Finds the strokes in 0.1 s means of a record.
pub(super) fn find(c: &[f64], stroke_m3: f64, volume_m3: Option<f64>) -> Strokes {
    let ambient = median(&c[..c.len().min(AMBIENT_TENTHS)]);
    let top_pa = quantile(c, TOP_QUANTILE) - ambient;
    let expected_pa = STANDARD_ATMOSPHERE_PA * stroke_m3 / volume_m3.unwrap_or(USUAL_M3);
    let md = medians(c);
    let changes = changes(c, &md, (RISE * top_pa).max(LEAST * expected_pa));
    // Slow pumping rises less at a time than a stroke does.
    let pumped: Vec<usize> = rises(&md, RISE * top_pa).iter().map(|r| r.end).collect();
    let strokes = after_hold(&changes, &pumped, &md, expected_pa);
    let cut_tenth = strokes
        .first()
        .map(|s| (s.from + RISE_TENTHS).saturating_sub(GUARD_TENTHS));
    Strokes {
        refused: not_asked_for(&strokes),
        moves: strokes,
        cut_tenth,
    }
}

/// All changes by more than `least_pa`, up and down, in the order of time.
fn changes(c: &[f64], md: &[f64], least_pa: f64) -> Vec<Stroke> {
    let upside_down: Vec<f64> = md.iter().map(|p| -p).collect();
    let mut all: Vec<Stroke> = Vec::new();
    for (series, is_in) in [(md, true), (upside_down.as_slice(), false)] {
        for run in rises(series, least_pa) {
            let sign = if is_in { 1.0 } else { -1.0 };
            let last = (run.end + RISE_TENTHS + 4).min(c.len() - 1);
            let steepest = (run.start..last)
                .max_by(|a, b| (sign * (c[a + 1] - c[*a])).total_cmp(&(sign * (c[b + 1] - c[*b]))))
                .unwrap_or(run.start);
            all.push(Stroke {
                tenth: steepest,
                is_in,
                from: run.start,
                to: run.end,
            });
        }
    }
    all.sort_by_key(|s| s.from);
    all
}

/// The changes after the last hold that any follow, without a last one that lets the pressure off. Further pumping
/// after a hold is no stroke.
fn after_hold(changes: &[Stroke], pumped: &[usize], md: &[f64], expected_pa: f64) -> Vec<Stroke> {
    let ends: Vec<usize> = changes
        .iter()
        .map(|s| s.to)
        .chain(pumped.iter().copied())
        .collect();
    let first = (0..changes.len()).rev().find(|i| {
        let from = changes[*i].from;
        let before = ends.iter().filter(|end| **end <= from).max();
        before.is_some_and(|end| from > end + HELD_TENTHS)
    });
    let mut strokes = first.map_or_else(Vec::new, |i| changes[i..].to_vec());
    let size = |s: &Stroke| (md[(s.to + RISE_TENTHS).min(md.len() - 1)] - md[s.from]).abs();
    if let Some((last, before)) = strokes.split_last() {
        let again_out = before.last().is_some_and(|s| !s.is_in);
        let most = if before.is_empty() {
            LET_OFF_ALONE * expected_pa
        } else {
            LET_OFF * median(&before.iter().map(size).collect::<Vec<f64>>())
        };
        if !last.is_in && (again_out || size(last) > most) {
            strokes.pop();
        }
    }
    let pumping = strokes.len() > 1
        && strokes.iter().all(|s| s.is_in)
        && strokes
            .windows(2)
            .all(|w| w[1].tenth < w[0].tenth + PUMP_CYCLE_TENTHS);
    if pumping {
        strokes.clear();
    }
    strokes
}

fn not_asked_for(strokes: &[Stroke]) -> Option<Refusal> {
    let wrong = |what: String| {
        Some(Refusal::new(
            "syringe_order",
            format!(
                "{what}; after the hold push the plunger in, 6 s later pull it out, and so on, six strokes in all, and wait 6 s after the last. The volume stated was used."
            ),
        ))
    };
    if strokes.len() != STROKES {
        return wrong(format!(
            "{} strokes of the syringe were found after the hold instead of {STROKES}",
            strokes.len()
        ));
    }
    if !strokes[0].is_in {
        return wrong("the first stroke of the syringe was out instead of in".into());
    }
    if strokes.windows(2).any(|w| w[0].is_in == w[1].is_in) {
        return wrong("the strokes of the syringe were not in and out in turn".into());
    }
    let spaced = |w: &[Stroke]| SPACING_TENTHS.contains(&(w[1].tenth - w[0].tenth));
    if !strokes.windows(2).all(spaced) {
        return wrong("the strokes of the syringe were not about 6 s apart".into());
    }
    None
}

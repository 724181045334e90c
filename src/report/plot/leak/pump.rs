//! Pumping: a fat bar that grows to the mark.

use super::super::{
    Picture, Width,
    rule::{Limit, Outside, Steel},
    scale::step,
    svg::Svg,
};
use crate::{inspect::guide::LeakView, report::number::stated};

/// Upper edge of the rule, and height of the bar over it.
const TOP: f64 = 126.0;
const BAR: f64 = 64.0;
/// How far beyond the mark the rule goes.
const BEYOND: f64 = 1.6;
/// How far beyond the pressure: its number stands there.
const OVER: f64 = 1.4;
/// The pump's relief valve opens here at the latest, kPa (firmware-notes/wiring-pressure.md).
const RELIEF_KPA: f64 = 30.0;

/// The bar and the mark.
pub(super) fn bar(view: &LeakView, width: Width) -> Picture {
    let mark = view.mark_pa / 1e3;
    let now = view
        .pressure_pa
        .map(|pa| pa / 1e3)
        .filter(|p| p.is_finite());
    let end = (mark * BEYOND).max(now.unwrap_or(0.0) * OVER).max(1e-3);
    let end = libm::ceil(end / step(end / 8.0) - 1e-9) * step(end / 8.0);
    let limit = Limit {
        value: mark,
        outside: Outside::Left,
        words: format!("mark {}", stated(mark)),
    };
    let steel = Steel::new((0.0, end), Some(&limit), TOP, width).unnamed();
    let mut svg = Svg::new(width.units(), TOP + 52.0, told(now, mark));
    let notch = steel.scale.at(mark);
    if let Some(now) = now {
        let (from, to) = (steel.scale.at(0.0), steel.scale.held(now));
        svg.block("bar", (from, to), (TOP - 2.0 - BAR, TOP - 2.0));
    }
    svg.area(
        "solid",
        [
            (notch - 13.0, 34.0),
            (notch + 13.0, 34.0),
            (notch, TOP - BAR - 6.0),
        ],
    );
    if now.is_some_and(|now| now > mark) {
        svg.line("case", (notch, TOP - BAR), (notch, TOP));
    }
    steel.draw(&mut svg, width);
    steel.stem(&mut svg, TOP - BAR - 10.0);
    let words = format!("pump to {} kPa", stated(mark));
    svg.text_within("t18 tb", steel.sides(), (notch, 24.0), &words);
    relief(&mut svg, &steel);
    reading(&mut svg, &steel, now);
    Picture::new("Gauge pressure in kPa", svg, width)
}

/// What the eye sees.
fn told(now: Option<f64>, mark: f64) -> String {
    let mark = stated(mark);
    match now {
        Some(now) => format!("The pressure is {now:.1} kilopascals; the mark is at {mark}."),
        None => format!("No reading yet; the mark is at {mark} kilopascals."),
    }
}

/// The pressure now, beside the bar's end.
fn reading(svg: &mut Svg, steel: &Steel, now: Option<f64>) {
    let words = match now {
        Some(now) => format!("{now:.1} now"),
        None => "no reading yet".into(),
    };
    let end = steel.scale.held(now.unwrap_or(0.0));
    steel.reading(svg, "t18 tb tc", &words, (end, TOP - 2.0 - BAR / 2.0 + 6.0));
}

/// The relief valve as a stop, where the rule reaches that far.
fn relief(svg: &mut Svg, steel: &Steel) {
    if steel.scale.from.1 < RELIEF_KPA {
        return;
    }
    let x = steel.scale.at(RELIEF_KPA);
    svg.line("case", (x, TOP - BAR - 4.0), (x, TOP - 2.0));
    svg.line("axis", (x, TOP - BAR - 4.0), (x, TOP));
    svg.text_within(
        "t15 t2",
        steel.sides(),
        (x, TOP - BAR - 10.0),
        "valve, at most",
    );
}

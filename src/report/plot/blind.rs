//! Rhythms of a roll without a gear train: how strong each is, beside what comes by chance.

use super::{
    Picture, Width,
    letters::Letters,
    scale::Scale,
    svg::{Anchor, Svg},
};
use crate::measure::roll::blind::{Blind, BlindOrder};

/// Strengths that records without a snag reach by chance (`measure/roll/blind`).
const CHANCE: (f64, f64) = (4.0, 6.0);
/// Most rhythms that are drawn.
const MOST: usize = 5;
/// Room above, height of a row, height of its bar, room below.
const HEAD: f64 = 26.0;
const ROW: f64 = 28.0;
const BAR: f64 = 14.0;
const FOOT: f64 = 30.0;
/// Left edge of the words and of the bars, and the right edge.
const WORDS: f64 = 8.0;
const SIDES: (f64, f64) = (122.0, 16.0);

/// A bar a rhythm, on one scale.
pub(super) fn rhythms(blind: &Blind, width: Width) -> Option<Picture> {
    let shown: Vec<&BlindOrder> = blind.orders.iter().take(MOST).collect();
    let strongest = shown.first()?.z;
    let bottom = HEAD + ROW * shown.len() as f64;
    let end = (1.15 * strongest).max(8.0);
    let scale = Scale::new(0.0, end, SIDES.0, width.units() - SIDES.1);
    let mut svg = Svg::new(width.units(), bottom + FOOT, told(&shown));
    let (from, to) = (scale.at(CHANCE.0), scale.at(CHANCE.1));
    svg.block("band", (from, to), (HEAD - 6.0, bottom));
    svg.lines(
        "bandedge",
        [from, to].map(|x| [(x, HEAD - 6.0), (x, bottom)]),
    );
    let middle = (f64::midpoint(from, to), 14.0);
    svg.text_within("t15", (SIDES.0, width.units() - 4.0), middle, "by chance");
    for (i, order) in shown.iter().enumerate() {
        let y = HEAD + ROW * i as f64;
        let words = format!("{:.4} a turn", order.order_per_sensor_turn);
        let class = if i == 0 { "t16 tb" } else { "t16" };
        svg.text(class, Anchor::Start, (WORDS, y + 17.0), &words);
        svg.block(
            "solid",
            (SIDES.0, scale.held(order.z)),
            (y + 5.0, y + 5.0 + BAR),
        );
    }
    axis(&mut svg, &scale, bottom, width);
    let picture = Picture::new("Rhythms: how strong each is", svg, width);
    Some(picture.with_caption(
        "A hint: no part is named and nothing is decided. Ripple of a healthy car can be stronger than chance too.",
    ))
}

/// What the eye sees.
fn told(shown: &[&BlindOrder]) -> String {
    let each: Vec<String> = shown
        .iter()
        .map(|o| format!("{:.4} a turn, strength {:.1}", o.order_per_sensor_turn, o.z))
        .collect();
    format!(
        "Rhythms, strongest first: {}. Strengths of {:.0} to {:.0} come by chance.",
        each.join("; "),
        CHANCE.0,
        CHANCE.1
    )
}

fn axis(svg: &mut Svg, scale: &Scale, bottom: f64, width: Width) {
    svg.line("axis", (scale.to.0, bottom), (scale.to.1, bottom));
    let ticks = scale.at_most(width.ticks());
    let down = |(t, _): &(f64, String)| [(scale.at(*t), bottom), (scale.at(*t), bottom + 7.0)];
    svg.lines("tick", ticks.iter().map(down));
    let room = (2.0, width.units() - 2.0);
    let half = Letters::of("t15").width("00");
    for (tick, words) in ticks
        .iter()
        .filter(|t| scale.at(t.0) < width.units() - half)
    {
        svg.text_within("t15", room, (scale.at(*tick), bottom + 23.0), words);
    }
}

//! Pictures of a leak: the rule, the hold with its fit, what the fit leaves; while it runs the pump, the settling and the
//! funnel.

mod funnel;
mod hold;
mod pump;
mod settle;

use super::{
    Picture, Width,
    rule::{Block, Limit, Outside, Row, Rule},
};
use crate::{
    inspect::guide::{LeakPhase, LeakView},
    measure::leak::LeakFinding,
    reading::{Estimate, Verdict},
    report::{
        number::{shown, shown_against, stated},
        page::verdict_word,
    },
    units::CM3_PER_MIN,
};

/// Heading of every rule of a leak; the unit as the trade writes it.
pub(super) const RATE: &str = "Leak in cm\u{b3} of air a minute";

pub(super) fn pictures(finding: &LeakFinding, width: Width) -> Vec<Picture> {
    let mut pictures: Vec<Picture> = rule(finding, width).into_iter().collect();
    if finding.trace.t_s.len() > 1 {
        pictures.push(hold::readings(finding, width));
        pictures.extend(hold::residuals(&finding.trace, width));
    } else if finding.trace.record.len() > 1 {
        pictures.push(hold::record(&finding.trace.record, width));
    }
    pictures
}

pub(super) fn live(view: &LeakView, width: Width) -> Vec<Picture> {
    match view.phase {
        LeakPhase::Rest | LeakPhase::Pump => vec![pump::bar(view, width)],
        LeakPhase::Settle => vec![settle::stairs(view, width), hold::running(view, width)],
        LeakPhase::Hold | LeakPhase::Over => {
            vec![funnel::draw(view, width), hold::running(view, width)]
        }
    }
}

/// A leak rate of the measures, Pa m3/s, in the trade's unit.
pub(super) fn trade(rate: Estimate) -> Estimate {
    rate.scaled(1.0 / CM3_PER_MIN)
}

/// The limit of a leak rate, Pa m3/s.
pub(super) fn limit(limit_pa_m3_s: f64) -> Limit {
    Limit::new(limit_pa_m3_s / CM3_PER_MIN, Outside::Right)
}

fn rule(finding: &LeakFinding, width: Width) -> Option<Picture> {
    let rate = trade(finding.leak_rate_pa_m3_s?);
    let limit = finding.limit_leak_rate_pa_m3_s.map(limit);
    let rule = Rule {
        rows: &[Row {
            estimate: rate,
            block: Block::of(finding.verdict),
            word: None,
        }],
        limit: limit.as_ref(),
        natural: (None, None),
    };
    let svg = rule.draw(seen(rate, limit.as_ref(), finding.verdict), width);
    let at = at(finding.p_ref_pa);
    Some(Picture::new(format!("{RATE}{at}"), svg, width))
}

/// The pressure at which a leak is stated, behind its heading.
pub(super) fn at(p_ref_pa: Option<f64>) -> String {
    p_ref_pa.map_or_else(String::new, |pa| format!(", at {} kPa", stated(pa / 1e3)))
}

/// What the eye sees on the rule.
fn seen(rate: Estimate, limit: Option<&Limit>, verdict: Option<Verdict>) -> String {
    let Some(limit) = limit else {
        let s = shown(rate);
        return format!(
            "The leak is {} cubic centimetres of air a minute, range {}. No limit is set.",
            s.value,
            s.range()
        );
    };
    let s = shown_against(rate, limit.value);
    let side = match verdict {
        Some(Verdict::Within) => "the whole block lies below it: ",
        Some(Verdict::Outside) => "the whole block lies beyond it: ",
        _ => "the block lies across it: ",
    };
    // A lid that lifts has no `within`, so a block clear of the limit may be undecided.
    let clear = rate.hi95 < limit.value || rate.lo95 > limit.value;
    let side = match verdict {
        Some(Verdict::Undecided) | None if clear => "",
        _ => side,
    };
    format!(
        "The leak is {} cubic centimetres of air a minute, range {}. The limit is {}; {side}{}.",
        s.value,
        s.range(),
        stated(limit.value),
        verdict_word(verdict, false)
    )
}

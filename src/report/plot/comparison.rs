//! Before and after: one rule, two rows; pulls side by side.

use super::{
    Picture, Width,
    leak::{self, RATE},
    pull,
    rule::{Block, Limit, Row, Rule},
    strokes,
};
use crate::{
    inspect::{
        Finding,
        comparison::{Compared, Comparison},
    },
    measure::{compare::Change, pull::PullFinding},
    reading::Estimate,
    report::number::{shown, stated},
};

pub(super) fn pictures(compared: &Compared, width: Width) -> Vec<Picture> {
    match &compared.comparison {
        Comparison::Leak(comparison) => {
            let rates = [
                comparison.before_leak_rate_pa_m3_s,
                comparison.after_leak_rate_pa_m3_s,
            ];
            let limit = of_any(compared, |f| f.as_leak()?.limit_leak_rate_pa_m3_s);
            let heading = format!("{RATE}{}", leak::at(comparison.p_ref_pa));
            let sides = Sides {
                heading,
                estimates: rates.map(|r| r.map(leak::trade)),
                limit: limit.map(leak::limit),
                natural: (None, None),
                unit: "cubic centimetres a minute",
            };
            sides.draw(compared, width).into_iter().collect()
        }
        Comparison::Pull(_) => pulls(compared, width),
        Comparison::Roll(comparison) => {
            let rates = [comparison.hit_rate_before, comparison.hit_rate_after];
            let sides = Sides {
                heading: "Hits in 100 turns".into(),
                estimates: rates.map(|r| r.map(|r| r.scaled(100.0))),
                limit: None,
                natural: (Some(0.0), Some(100.0)),
                unit: "hits in 100 turns",
            };
            sides.draw(compared, width).into_iter().collect()
        }
    }
}

fn pulls(compared: &Compared, width: Width) -> Vec<Picture> {
    let seen = compared
        .seen
        .each_ref()
        .map(|findings| -> Vec<&PullFinding> { findings.iter().filter_map(as_pull).collect() });
    let all = || seen.iter().flatten();
    let weight = all().find_map(|f| pull::weight_n(&f.pulls));
    // Several records of a side have a peak each; one stands for its side only when it is alone.
    let peak = |side: &Vec<&PullFinding>| match side[..] {
        [one] => pull::peak_n(one, weight),
        _ => None,
    };
    let plug_out = all().any(|f| f.plug_out);
    let limit = all()
        .next()
        .and_then(|f| pull::limit(weight, f.limit_lift_ratio));
    let sides = Sides {
        heading: "Peak force on the cord, in N, each at its own speed".into(),
        estimates: seen.each_ref().map(peak),
        limit: limit.filter(|_| !plug_out),
        natural: (Some(0.0), None),
        unit: "newtons",
    };
    let mut pictures: Vec<Picture> = sides.draw(compared, width).into_iter().collect();
    pictures.extend(strokes::side_by_side(&seen, width));
    pictures
}

fn as_pull(finding: &Finding) -> Option<&PullFinding> {
    match finding {
        Finding::Pull(pull) => Some(pull),
        _ => None,
    }
}

/// The first answer of any finding of both sides, after first: its limit is the one that counts now.
fn of_any<T>(compared: &Compared, what: impl Fn(&Finding) -> Option<T>) -> Option<T> {
    let [before, after] = &compared.seen;
    after.iter().chain(before).find_map(what)
}

/// Two blocks on one rule.
struct Sides {
    heading: String,
    /// Before and after.
    estimates: [Option<Estimate>; 2],
    limit: Option<Limit>,
    natural: (Option<f64>, Option<f64>),
    /// For the label.
    unit: &'static str,
}

impl Sides {
    fn draw(self, compared: &Compared, width: Width) -> Option<Picture> {
        let rows: Vec<Row> = self
            .estimates
            .iter()
            .zip([(Block::Empty, "before"), (Block::Filled, "after")])
            .filter_map(|(estimate, (block, word))| {
                Some(Row {
                    estimate: (*estimate)?,
                    block,
                    word: Some(word),
                })
            })
            .collect();
        if rows.is_empty() {
            return None;
        }
        let rule = Rule {
            rows: &rows,
            limit: self.limit.as_ref(),
            natural: self.natural,
        };
        let svg = rule.draw(self.told(compared), width);
        Some(Picture::new(self.heading, svg, width))
    }

    /// What the eye sees.
    fn told(&self, compared: &Compared) -> String {
        let said = |estimate: &Option<Estimate>| match estimate {
            Some(e) => format!("{}, range {}", shown(*e).value, shown(*e).range()),
            None => "not known".into(),
        };
        let [before, after] = self.estimates.each_ref().map(said);
        let limit = self.limit.as_ref().map_or_else(String::new, |l| {
            format!(" The limit is {}.", stated(l.value))
        });
        let change = match compared.comparison.change() {
            _ if compared.comparison.refused().is_some() => "Not compared",
            Change::Better => "Better",
            Change::Worse => "Worse",
            Change::NotShown => "Neither better nor worse is shown",
        };
        format!(
            "Before: {before}; after: {after} {}.{limit} {change}.",
            self.unit
        )
    }
}

//! The one figure that a finding's verdict looks at, rounded as its rule shows it.

use super::{
    number::{shown, shown_against, stated},
    plot,
};
use crate::{inspect::Finding, reading::Estimate, units::CM3_PER_MIN};

/// A figure with its range.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Figure {
    /// The value; `at most ...` of a leak that is not told apart from none, unless the pressure rises.
    pub value: String,
    /// What it counts: `cm3 of air a minute`.
    pub unit: &'static str,
    /// The 95 % interval: `3.7 to 4.5`.
    pub range: String,
    /// The limit in the same unit, where there is one.
    pub limit: Option<String>,
}

impl Figure {
    /// Value and unit.
    pub fn words(&self) -> String {
        format!("{} {}", self.value, self.unit)
    }

    fn of(estimate: Estimate, limit: Option<f64>, unit: &'static str) -> Self {
        let s = limit.map_or_else(|| shown(estimate), |limit| shown_against(estimate, limit));
        Self {
            range: s.range(),
            value: s.value,
            unit,
            limit: limit.map(stated),
        }
    }
}

/// The figure of a finding; none when it was refused, or when there is nothing to count: a roll without a snag.
pub fn figure(finding: &Finding) -> Option<Figure> {
    if finding.refused().is_some() {
        return None;
    }
    match finding {
        Finding::Leak(leak) => {
            let rate = leak.leak_rate_pa_m3_s?.scaled(1.0 / CM3_PER_MIN);
            let limit = leak.limit_leak_rate_pa_m3_s.map(|q| q / CM3_PER_MIN);
            let mut figure = Figure::of(rate, limit, "cm3 of air a minute");
            if rate.lo95 <= 0.0 && !leak.rises() {
                let s = limit.map_or_else(|| shown(rate), |limit| shown_against(rate, limit));
                figure.value = format!("at most {}", s.hi);
            }
            Some(figure)
        }
        Finding::Pull(pull) => {
            let weight_n = plot::weight_n(&pull.pulls);
            let peak = plot::peak_n(pull, weight_n)?;
            let limit = weight_n
                .map(|weight| weight * pull.limit_lift_ratio)
                .filter(|_| !pull.plug_out);
            Some(Figure::of(peak, limit, "N at the top of a stroke"))
        }
        Finding::Roll(roll) => {
            let snag = roll.snags.as_ref()?.first()?;
            let rate = snag.hit_rate.scaled(100.0);
            Some(Figure::of(rate, None, "hits in 100 turns"))
        }
    }
}

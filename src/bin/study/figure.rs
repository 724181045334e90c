//! A figure beside the one that the design study gave, judged by the sampling error of both.

use std::fmt::Write as _;

/// A difference is named when chance alone makes one so large, on that side, in less than one row in forty (1.96
/// standard errors): with a hundred rows a few are named by chance.
const NAMED: (f64, f64) = (0.025, 1.96);
/// The short run fails on one that chance makes in one row in two thousand (3.3 standard errors).
const FAILS: (f64, f64) = (0.0005, 3.3);

/// Which way is good.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Good {
    /// More is better: coverage, detection.
    High,
    /// Less is better: false alarms, uncertainty.
    Low,
    /// Nearer is better: a bias (of the figure's size, not of its sign).
    Small,
    /// Neither more nor less: what is simulated, not how well it is measured.
    Alike,
}

/// How a number is written.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Unit {
    /// Share as per cent.
    Percent,
    /// Share as per cent with two decimals.
    FinePercent,
    /// Parts in a thousand.
    PerMille,
    /// Two digits and a power of ten.
    Power,
    /// Milliseconds of a number in seconds.
    Millis,
    /// Two decimals.
    Plain,
    /// Three decimals.
    Fine,
}

impl Unit {
    fn show(self, x: f64) -> String {
        match self {
            Self::Percent => format!("{:.1} %", 100.0 * x),
            Self::FinePercent => format!("{:.2} %", 100.0 * x),
            Self::PerMille => format!("{:.2}/1000", 1000.0 * x),
            Self::Power => format!("{x:.1e}"),
            Self::Millis => format!("{:.0} ms", 1000.0 * x),
            Self::Plain => format!("{x:.2}"),
            Self::Fine => format!("{x:.3}"),
        }
    }
}

/// A figure of the design study and how many runs it comes from.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Design {
    /// Value, in the figure's unit.
    pub value: f64,
    /// Runs behind it.
    pub runs: usize,
}

/// Short for a figure of the design study.
#[allow(clippy::unnecessary_wraps)] // the other rows say `None`
pub fn design(value: f64, runs: usize) -> Option<Design> {
    Some(Design { value, runs })
}

/// How a figure compares.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Judged {
    /// Nothing to compare with.
    Alone,
    /// Within the sampling error.
    Same,
    Better,
    Missed,
    /// So far off that chance is no explanation.
    FarOff,
}

#[derive(Clone, Debug)]
struct Row {
    what: String,
    value: f64,
    error: f64,
    n: usize,
    unit: Unit,
    design: Option<Design>,
    judged: Judged,
    /// A count of so many in so many, whose error is binomial.
    share: bool,
}

/// Figures of one scenario or question.
#[derive(Clone, Debug)]
pub struct Sheet {
    title: String,
    /// Which part of the design study the other column comes from.
    source: &'static str,
    seeds: String,
    rows: Vec<Row>,
    notes: Vec<String>,
}

impl Sheet {
    /// An empty sheet; `seeds` as printed.
    pub fn new(title: &str, source: &'static str, seeds: impl Into<String>) -> Self {
        Self {
            title: title.into(),
            source,
            seeds: seeds.into(),
            rows: Vec::new(),
            notes: Vec::new(),
        }
    }

    /// Name of the sheet.
    pub fn title(&self) -> &str {
        &self.title
    }

    /// Adds a share of `hits` among `n` with its binomial error.
    pub fn share(
        &mut self,
        what: &str,
        (hits, n): (usize, usize),
        good: Good,
        design: Option<Design>,
    ) {
        self.share_in(Unit::Percent, what, (hits, n), good, design);
    }

    /// The same in another unit.
    pub fn share_in(
        &mut self,
        unit: Unit,
        what: &str,
        (hits, n): (usize, usize),
        good: Good,
        design: Option<Design>,
    ) {
        if n == 0 {
            return;
        }
        let runs = n as f64;
        let value = hits as f64 / runs;
        // A share of 0 or 1 has an error too: half a run is added on each side (Jeffreys).
        let smooth = |hits: f64, runs: f64| (hits + 0.5) / (runs + 1.0);
        let own = smooth(hits as f64, runs);
        let error = (own * (1.0 - own) / runs).sqrt();
        let judged = design.map_or(Judged::Alone, |d| judge_share((hits, n), d, good));
        self.rows.push(Row {
            what: what.into(),
            value,
            error,
            n,
            unit,
            design,
            judged,
            share: true,
        });
    }

    /// Adds a quantity with its standard error over `n` runs.
    pub fn value(
        &mut self,
        what: &str,
        (value, error, n): (f64, f64, usize),
        unit: Unit,
        good: Good,
        design: Option<Design>,
    ) {
        if n == 0 {
            return;
        }
        let judged = design.map_or(Judged::Alone, |d| {
            let both = error * (1.0 + n as f64 / d.runs.max(1) as f64).sqrt();
            let off = match good {
                Good::Small => value.abs() - d.value.abs(),
                Good::High | Good::Low => value - d.value,
                Good::Alike => (value - d.value).abs(),
            };
            let both = libm::hypot(both, printed(d.value)).max(1e-300);
            judge(off / both, good)
        });
        self.rows.push(Row {
            what: what.into(),
            value,
            error,
            n,
            unit,
            design,
            judged,
            share: false,
        });
    }

    /// A sentence below the table.
    pub fn note(&mut self, text: impl Into<String>) {
        self.notes.push(text.into());
    }

    /// The sheet as Markdown.
    pub fn text(&self) -> String {
        let mut out = format!(
            "### {}\n\nBeside: {}. Seeds {}.\n\n| figure | here | error | runs | design study | judged |\n|---|---|---|---|---|---|\n",
            self.title, self.source, self.seeds
        );
        for row in &self.rows {
            writeln!(out, "{}", row.text()).expect("a string takes text");
        }
        for note in &self.notes {
            write!(out, "\n{note}\n").expect("a string takes text");
        }
        out
    }

    /// What misses the design study, one line each; in a short run only shares, and only what chance does not explain.
    pub fn missed(&self, short: bool) -> Vec<String> {
        let named = |row: &&Row| match row.judged {
            Judged::FarOff => !short || row.share,
            Judged::Missed => !short,
            Judged::Alone | Judged::Same | Judged::Better => false,
        };
        let line = |row: &Row| {
            let stated = row.design.map_or(String::new(), |d| row.unit.show(d.value));
            format!(
                "{}: {}: {} +- {} for {stated}",
                self.title,
                row.what,
                row.unit.show(row.value),
                row.unit.show(row.error)
            )
        };
        self.rows.iter().filter(named).map(line).collect()
    }

    /// Rows that stand beside a figure of the design study.
    pub fn compared(&self) -> usize {
        let beside = |row: &&Row| row.judged != Judged::Alone;
        self.rows.iter().filter(beside).count()
    }
}

impl Row {
    fn text(&self) -> String {
        let judged = match self.judged {
            Judged::Alone => "",
            Judged::Same => "same",
            Judged::Better => "better",
            Judged::Missed => "**missed**",
            Judged::FarOff => "**missed, not by chance**",
        };
        format!(
            "| {} | {} | {} | {} | {} | {judged} |",
            self.what,
            self.unit.show(self.value),
            self.unit.show(self.error),
            self.n,
            self.design
                .map_or(String::new(), |d| self.unit.show(d.value)),
        )
    }
}

/// Judges `hits` in `n` against a share that itself was counted: chance of so many, or more, when both have the same true
/// share. The design study's share is known as its count leaves it (Jeffreys' prior), which makes the count here
/// beta-binomial.
fn judge_share((hits, n): (usize, usize), design: Design, good: Good) -> Judged {
    let runs = design.runs.max(1) as f64;
    let a = design.value * runs + 0.5;
    let b = runs - design.value * runs + 0.5;
    let ln_beta = |a: f64, b: f64| libm::lgamma(a) + libm::lgamma(b) - libm::lgamma(a + b);
    let all = n as f64;
    let chance = |k: usize| {
        let k = k as f64;
        let ways = -libm::log(all + 1.0) - ln_beta(k + 1.0, all - k + 1.0);
        libm::exp(ways + ln_beta(k + a, all - k + b) - ln_beta(a, b))
    };
    let fewer: f64 = (0..=hits).map(chance).sum();
    let more: f64 = (hits..=n).map(chance).sum();
    let (bad, fine) = match good {
        Good::High => (fewer, more),
        Good::Low | Good::Small => (more, fewer),
        Good::Alike => (fewer.min(more), 1.0),
    };
    match () {
        () if bad < FAILS.0 => Judged::FarOff,
        () if bad < NAMED.0 => Judged::Missed,
        () if fine < NAMED.0 => Judged::Better,
        () => Judged::Same,
    }
}

/// Standard error of a number that is printed with two digits: half a unit of the second one, evenly.
fn printed(value: f64) -> f64 {
    if value.abs() < f64::MIN_POSITIVE {
        return 0.0;
    }
    let digit = libm::pow(10.0, libm::floor(libm::log10(value.abs())) - 1.0);
    0.5 * digit / 3f64.sqrt()
}

/// `z`: standard errors by which the figure lies above the design study's (for [`Good::Small`]: further from zero; for [`Good::Alike`]: off
/// either way).
fn judge(z: f64, good: Good) -> Judged {
    let gain = if good == Good::High { z } else { -z };
    match gain {
        g if g < -FAILS.1 => Judged::FarOff,
        g if g < -NAMED.1 => Judged::Missed,
        g if g > NAMED.1 => Judged::Better,
        _ => Judged::Same,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Beta-binomial tails by hand: with one run of the design study that missed and none here nothing can be said; with 60
    /// of 60 there, 40 of 60 here is no chance.
    #[test]
    fn shares_are_judged_by_both_counts() {
        let d = |value, runs| Design { value, runs };
        assert_eq!(judge_share((0, 3), d(0.0, 1), Good::High), Judged::Same);
        assert_eq!(
            judge_share((40, 60), d(1.0, 60), Good::High),
            Judged::FarOff
        );
        assert_eq!(judge_share((40, 60), d(1.0, 60), Good::Low), Judged::Better);
        assert_eq!(
            judge_share((2, 12), d(0.012, 506), Good::Low),
            Judged::Missed
        );
        for hits in [20, 58] {
            let judged = judge_share((hits, 60), d(0.65, 60), Good::Alike);
            assert_ne!(judged, Judged::Same, "{hits}");
        }
        assert_eq!(
            judge_share((39, 60), d(0.65, 60), Good::Alike),
            Judged::Same
        );
    }
}

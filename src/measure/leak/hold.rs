//! Where the hold begins: ambient level, end of the pumping, tare. Works on 0.1 s means.

use std::ops::Range;

use super::stats::{mean, median, median_of_five, quantile};
use crate::reading::Refusal;

/// Tenths of the record's first second, whose median is the ambient level.
pub(super) const AMBIENT_TENTHS: usize = 10;
/// Least rise above ambient, Pa: below it there is nothing to measure.
const LEAST_TOP_PA: f64 = 500.0;
/// A smaller rise than the least may be one in kPa or hPa.
const OTHER_UNIT_PA: f64 = 5.0;
/// The pressure reached is this quantile of the record.
pub(super) const TOP_QUANTILE: f64 = 0.99;
/// Width of the medians that hide a knock of up to 0.3 s, tenths.
const MEDIAN_TENTHS: usize = 5;
/// A rise is the difference of medians this far apart, tenths ...
pub(super) const RISE_TENTHS: usize = 7;
/// ... that exceeds this part of the top: the last stroke of a hand pump still gives more.
pub(super) const RISE: f64 = 0.025;
/// A rise this long after the one before, tenths, is a knock ...
const KNOCK_PAUSE_TENTHS: usize = 25;
/// ... if less than this part of it is left when it is over.
const KNOCK_LEFT: f64 = 0.35;
/// The tank is no longer open when the pressure exceeds this part of the top.
const CLOSED: f64 = 0.03;
/// The tare stops this many tenths before that.
const TARE_GUARD_TENTHS: usize = 3;
/// Shortest open tank that gives a tare, tenths.
const LEAST_TARE_TENTHS: usize = 5;
/// A sensor that shows more than this on an open tank shows absolute pressure, Pa.
pub(super) const ABSOLUTE_PA: Range<f64> = 60e3..120e3;

/// What the 0.1 s means say before any fit.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Hold {
    /// First tenth of the hold.
    pub start_tenth: usize,
    /// Last tenth at which the tank was surely still unpumped.
    pub pump_tenth: usize,
    /// Level of the open tank, Pa.
    pub tare_pa: f64,
    /// The open tank was too short to be used; the tare is 0.
    pub no_tare: bool,
    /// The sensor shows absolute pressure: its level on the open tank is the barometer.
    pub absolute: bool,
    /// Pressure reached above ambient, Pa.
    pub top_pa: f64,
}

/// Finds the hold. `open_until` (tenths): the tank was open up to there and sealed afterwards, if that is known.
pub(super) fn find(c: &[f64], open_until: Option<usize>) -> Result<Hold, Refusal> {
    if c.is_empty() {
        return Err(Refusal::new(
            "no_readings",
            "the record has no usable reading of pressure; check the probe's cable, the port or the file",
        ));
    }
    let ambient = median(&c[..c.len().min(AMBIENT_TENTHS)]);
    let top_pa = quantile(c, TOP_QUANTILE) - ambient;
    if top_pa < LEAST_TOP_PA {
        return Err(no_pressure(top_pa, ambient));
    }
    let start_tenth = end_of_pumping(c, top_pa).ok_or_else(|| {
        Refusal::new(
            "no_rise",
            "no pumping was found in the record; start recording with the tank open, then pump up and hold",
        )
    })?;
    let pump_tenth = c
        .iter()
        .position(|p| p - ambient > CLOSED * top_pa)
        .unwrap_or(0);
    let open = &c[..pump_tenth.min(open_until.unwrap_or(usize::MAX)).max(1)];
    let guard = if open_until.is_some_and(|tenth| tenth < pump_tenth) {
        0
    } else {
        TARE_GUARD_TENTHS
    };
    let open = &open[1..open.len().saturating_sub(guard).max(1)];
    let no_tare = open.len() < LEAST_TARE_TENTHS;
    let tare_pa = if no_tare { 0.0 } else { mean(open) };
    Ok(Hold {
        start_tenth,
        pump_tenth,
        tare_pa,
        no_tare,
        absolute: ABSOLUTE_PA.contains(&tare_pa),
        top_pa,
    })
}

fn no_pressure(top_pa: f64, begins_pa: f64) -> Refusal {
    let is_pumped = (LEAST_TOP_PA..ABSOLUTE_PA.start).contains(&begins_pa);
    let what = if is_pumped && top_pa > -LEAST_TOP_PA {
        "the record begins under pressure and does not show the pumping; start recording with the tank open, then plug the outlet, pump up to 8 kPa or more and hold"
    } else if top_pa < -LEAST_TOP_PA {
        "the pressure fell instead of rising: swap the sensor's ports or the sign of its calibration, then pump up and hold"
    } else if top_pa > OTHER_UNIT_PA {
        "the pressure rose by less than 500 Pa; plug the outlet, check the hose and pump up to 8 kPa or more; readings in kPa or hPa must be made Pa"
    } else {
        "the pressure rose by less than 500 Pa; plug the outlet, check the hose and pump up to 8 kPa or more"
    };
    Refusal::new("no_pressure", what).with(top_pa, LEAST_TOP_PA)
}

/// Quiet time that separates two pumpings, tenths: nobody holds for less.
const PAUSE_TENTHS: usize = 180;
/// A pumping raises the pressure by at least this part of the top.
const PUMPED: f64 = 0.2;

/// For each pumping of a record the last tenth before it.
pub(super) fn pumpings(c: &[f64], top_pa: f64) -> Vec<usize> {
    let md = medians(c);
    let mut groups: Vec<Range<usize>> = Vec::new();
    for run in rises(&md, RISE * top_pa) {
        match groups.last_mut() {
            Some(group) if run.start < group.end + PAUSE_TENTHS => group.end = run.end,
            _ => groups.push(run),
        }
    }
    let rise = |g: &Range<usize>| md[(g.end + RISE_TENTHS).min(md.len() - 1)] - md[g.start];
    groups.retain(|g| rise(g) > PUMPED * top_pa);
    groups.iter().map(|g| g.start + MEDIAN_TENTHS).collect()
}

/// Medians of five, in which a knock does not show; entry `i` is that of the tenths `i..i + 5`.
pub(super) fn medians(c: &[f64]) -> Vec<f64> {
    let five = |w: &[f64]| median_of_five(std::array::from_fn(|i| w[i]));
    c.windows(MEDIAN_TENTHS).map(five).collect()
}

/// First tenth after the last pump cycle; `None` when nothing rises.
fn end_of_pumping(c: &[f64], top_pa: f64) -> Option<usize> {
    let md = medians(c);
    let mut runs = rises(&md, RISE * top_pa);
    while runs.len() > 1 && is_knock(&md, &runs) {
        runs.pop();
    }
    let last_rise = runs.last()?.end - 1;
    // e = last_rise + 6; the largest of [e - 6, e + 8) ends the pumping.
    let window = &c[last_rise..c.len().min(last_rise + 2 * RISE_TENTHS)];
    let largest = window
        .iter()
        .enumerate()
        .max_by(|a, b| a.1.total_cmp(b.1))
        .map(|(i, _)| i)?;
    Some(last_rise + largest + 1)
}

/// Runs of places from which the medians rise by more than `least_pa`.
pub(super) fn rises(md: &[f64], least_pa: f64) -> Vec<Range<usize>> {
    let mut runs: Vec<Range<usize>> = Vec::new();
    for (i, after) in md.iter().enumerate().skip(RISE_TENTHS) {
        let from = i - RISE_TENTHS;
        if after - md[from] > least_pa {
            match runs.last_mut() {
                Some(run) if run.end == from => run.end += 1,
                _ => runs.push(from..from + 1),
            }
        }
    }
    runs
}

/// A knock that just fills the medians: long after the rise before it, and afterwards the pressure goes on where
/// the fall before it leads to.
fn is_knock(md: &[f64], runs: &[Range<usize>]) -> bool {
    let [.., earlier, run] = runs else {
        return false;
    };
    if run.start <= earlier.end + KNOCK_PAUSE_TENTHS {
        return false;
    }
    let rise = run
        .clone()
        .map(|i| md[i + RISE_TENTHS] - md[i])
        .fold(0.0, f64::max);
    let (from, to) = (
        run.start.saturating_sub(2),
        (run.end + RISE_TENTHS + 1).min(md.len() - 1),
    );
    let fall = md[from.saturating_sub(to - from)] - md[from];
    (md[to] - (md[from] - fall)).abs() < KNOCK_LEFT * rise
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Open, four strokes, hold with a slow fall; in tenths.
    fn record() -> Vec<f64> {
        let mut c = vec![5.0; 20];
        for stroke in 1..=4 {
            for part in 1..=5 {
                c.push(5.0 + 3000.0 * (f64::from(stroke - 1) + f64::from(part) / 5.0));
            }
            c.extend([5.0 + 3000.0 * f64::from(stroke); 3]);
        }
        c.truncate(c.len() - 3);
        c.extend((1..400).map(|i| 12_005.0 - f64::from(i)));
        c
    }

    #[test]
    fn the_hold_starts_where_the_flow_stops() {
        let hold = find(&record(), None).unwrap();
        // 20 open tenths, three strokes of 8, the last of 5
        assert_eq!(hold.start_tenth, 49);
        assert!(!hold.no_tare && (hold.tare_pa - 5.0).abs() < 1e-12 && !hold.absolute);
    }

    #[test]
    fn a_knock_is_no_pumping_and_the_last_pumping_counts() {
        let mut c = record();
        for p in &mut c[200..203] {
            *p += 2000.0;
        }
        for p in &mut c[300..304] {
            *p -= 2000.0;
        }
        assert_eq!(find(&c, None).unwrap().start_tenth, 49);
        let mut twice = record();
        let shift = twice.len();
        twice.extend(record().iter().map(|p| p + 500.0));
        assert_eq!(find(&twice, None).unwrap().start_tenth, shift + 49);
    }

    #[test]
    fn absolute_readings_are_seen() {
        let c: Vec<f64> = record().iter().map(|p| p + 101_325.0).collect();
        let hold = find(&c, None).unwrap();
        assert!(hold.absolute && (hold.tare_pa - 101_330.0).abs() < 1e-9);
    }

    #[test]
    fn refusals_and_short_records() {
        assert_eq!(find(&[], None).unwrap_err().code, "no_readings");
        assert_eq!(find(&[1.0], None).unwrap_err().code, "no_pressure");
        let held = find(&vec![1e4; 500], None).unwrap_err();
        assert_eq!(held.code, "no_pressure");
        assert!(held.message.contains("begins under pressure"), "{held:?}");
        let in_kpa: Vec<f64> = record().iter().map(|p| 1e-3 * p).collect();
        assert!(
            find(&in_kpa, None)
                .unwrap_err()
                .message
                .contains("must be made Pa")
        );
        let falling: Vec<f64> = (0..500).map(|i| -100.0 * f64::from(i)).collect();
        assert_eq!(find(&falling, None).unwrap_err().code, "no_pressure");
        // the median of the first second is low, then it stands at the top: a rise within that second
        let mut jump = vec![0.0; 6];
        jump.extend([9e3; 3]);
        assert_eq!(find(&jump, None).unwrap_err().code, "no_rise");
        let late = &record()[27..];
        assert!(find(late, None).unwrap().no_tare);
    }
}

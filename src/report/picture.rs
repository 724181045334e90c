//! Small pictures of block characters, for a terminal.

use super::{number::plain, page::Page};
use crate::{
    calibration::CalibrationFinding,
    measure::{
        leak::LeakTrace,
        pull::PullTrace,
        roll::{Hit, RollTrace},
    },
    reading::Estimate,
};

/// Columns of a picture.
const COLUMNS: usize = 64;
/// Rows of a curve.
const ROWS: usize = 9;
/// Most turns, and most pulls, that are drawn.
const MOST_ROWS: usize = 36;
/// A column filled from below to 0..8 eighths of a cell.
const EIGHTHS: [char; 9] = [
    ' ', '\u{2581}', '\u{2582}', '\u{2583}', '\u{2584}', '\u{2585}', '\u{2586}', '\u{2587}',
    '\u{2588}',
];
/// Shades, and the loss in standard deviations from which on each stands.
const SHADES: [(f64, char); 4] = [
    (4.0, '\u{2588}'),
    (3.0, '\u{2593}'),
    (2.0, '\u{2592}'),
    (1.0, '\u{2591}'),
];
/// A turn counts as hit from this probability on.
const HIT: f64 = 0.5;

/// The hold with its fit.
pub(super) fn hold(page: &mut Page, trace: &LeakTrace) {
    let (Some(first), Some(last)) = (trace.t_s.first(), trace.t_s.last()) else {
        return;
    };
    let (low, high) = bounds(trace.pressure_pa.iter().chain(&trace.fit_pa));
    if high <= low {
        return;
    }
    let readings = columns(&trace.t_s, &trace.pressure_pa, *first, *last, mean);
    let fit = columns(&trace.t_s, &trace.fit_pa, *first, *last, mean);
    page.heading("gauge pressure, kPa (filled: readings; -: fit)");
    for row in (0..ROWS).rev() {
        let label = match row {
            0 => format!("{:>7.2}", low / 1e3),
            r if r == ROWS - 1 => format!("{:>7.2}", high / 1e3),
            _ => " ".repeat(7),
        };
        let line: String = (0..COLUMNS)
            .map(|c| match fit[c].map(|p| eighths(p, low, high)) {
                Some(at) if at / 8 == row => '-',
                _ => readings[c].map_or(' ', |p| cell(eighths(p, low, high), row)),
            })
            .collect();
        page.line(&format!("{label} {line}"));
    }
    page.line(&format!(
        "{:>8}{first:<.0} s{:>width$.0} s after the end of pumping",
        "",
        last,
        width = COLUMNS - 10
    ));
}

/// The force of every pull.
pub(super) fn pulls(page: &mut Page, traces: &[PullTrace]) {
    let (_, high) = bounds(traces.iter().flat_map(|t| &t.force_n));
    let longest = traces
        .iter()
        .filter_map(|t| Some(t.t_s.last()? - t.t_s.first()?))
        .fold(0.0, f64::max);
    if high <= 0.0 || longest <= 0.0 {
        return;
    }
    page.heading(&format!(
        "force of each pull (a full column is {high:.0} N, the width {longest:.2} s)"
    ));
    for (i, trace) in traces.iter().take(MOST_ROWS).enumerate() {
        let from = trace.t_s.first().copied().unwrap_or_default();
        let force = columns(&trace.t_s, &trace.force_n, from, from + longest, largest);
        let line: String = force
            .iter()
            .map(|f| EIGHTHS[f.map_or(0, |f| level(f, 0.0, high, 8))])
            .collect();
        page.line(&format!("{:>3} {line}", i + 1));
    }
}

/// One strip for each turn of the best part.
pub(super) fn strips(page: &mut Page, trace: &RollTrace, hits: &[Hit]) {
    if trace.strips.is_empty() || trace.bins == 0 {
        return;
    }
    page.heading(
        "one strip for each turn of the likeliest part (dark: loss; *: hit; dots: not seen)",
    );
    for strip in trace.strips.iter().take(MOST_ROWS) {
        let hit = hits.iter().any(|h| h.turn == strip.turn && h.hit >= HIT);
        let line: String = (0..COLUMNS)
            .map(|c| {
                let from = c * strip.loss_sd.len() / COLUMNS;
                let to = ((c + 1) * strip.loss_sd.len() / COLUMNS).max(from + 1);
                let seen = strip.loss_sd.get(from..to).unwrap_or_default();
                seen.iter()
                    .flatten()
                    .copied()
                    .reduce(f64::max)
                    .map_or('.', shade)
            })
            .collect();
        page.line(&format!(
            "{:>5} {} {line}",
            strip.turn,
            if hit { '*' } else { ' ' }
        ));
    }
    if trace.strips.len() > MOST_ROWS {
        page.line(&format!("... and {} more", trace.strips.len() - MOST_ROWS));
    }
}

/// Estimates under each other on one scale: the 95 % interval light, the value dark.
pub(super) fn intervals(page: &mut Page, what: &str, rows: &[(String, Estimate)]) {
    let (low, high) = bounds(rows.iter().flat_map(|(_, e)| [&e.lo95, &e.hi95]));
    if high <= low {
        return;
    }
    page.heading(&format!(
        "{what} (light: 95 % range; from {} to {})",
        plain(low),
        plain(high)
    ));
    let at = |value: f64| level(value, low, high, COLUMNS - 1);
    for (name, e) in rows.iter().take(MOST_ROWS) {
        let (from, to, value) = (at(e.lo95), at(e.hi95), at(e.value));
        let line: String = (0..COLUMNS)
            .map(|c| match c {
                c if c == value => '\u{2588}',
                c if (from..=to).contains(&c) => '\u{2591}',
                _ => ' ',
            })
            .collect();
        page.line(&format!("{name:>9} {line}"));
    }
    if rows.len() > MOST_ROWS {
        page.line(&format!("... and {} more", rows.len() - MOST_ROWS));
    }
}

/// Residuals over the known values, with the band in which 95 of 100 points lie.
pub(super) fn residuals(page: &mut Page, finding: &CalibrationFinding) {
    let band = &finding.band95;
    let (Some(first), Some(last)) = (band.first(), band.last()) else {
        return;
    };
    let widest = band.iter().map(|b| b.half_width);
    let most = finding
        .residuals
        .iter()
        .map(|r| r.residual.abs())
        .chain(widest)
        .fold(0.0, f64::max);
    if last.known <= first.known || most <= 0.0 {
        return;
    }
    page.heading(&format!(
        "residuals, {} (\u{2588}: point; \u{2591}: band of 95 %; -: the line)",
        finding.unit
    ));
    let middle = ROWS / 2;
    let row_of = |value: f64| level(value, -most, most, ROWS - 1);
    let mut cells = vec![[' '; COLUMNS]; ROWS];
    for c in 0..COLUMNS {
        let b = band[(c * band.len() / COLUMNS).min(band.len() - 1)];
        for row in &mut cells[row_of(-b.half_width)..=row_of(b.half_width)] {
            row[c] = SHADES[3].1;
        }
        cells[middle][c] = '-';
    }
    for r in &finding.residuals {
        let c = level(r.known, first.known, last.known, COLUMNS).min(COLUMNS - 1);
        let half_row = most / (ROWS - 1) as f64;
        cells[row_of(r.residual + half_row)][c] = SHADES[0].1;
    }
    for (n, row) in cells.iter().enumerate().rev() {
        let label = match n {
            0 => format!("{:>9}", scaled(-most)),
            n if n == ROWS - 1 => format!("{:>9}", scaled(most)),
            _ => " ".repeat(9),
        };
        page.line(&format!("{label} {}", row.iter().collect::<String>()));
    }
    let (from, to) = (scaled(first.known), scaled(last.known));
    page.line(&format!(
        "{:>10}{from}{to:>width$} {}",
        "",
        finding.unit,
        width = COLUMNS - from.chars().count()
    ));
}

/// A number of three digits at the edge of a picture.
fn scaled(value: f64) -> String {
    let size = value.abs();
    if size <= 0.0 {
        "0".into()
    } else if (0.01..100_000.0).contains(&size) {
        let whole = size >= 100.0;
        if whole {
            format!("{value:.0}")
        } else {
            format!("{value:.2}")
        }
    } else {
        format!("{value:.1e}")
    }
}

fn shade(sd: f64) -> char {
    SHADES
        .iter()
        .find(|(from, _)| sd >= *from)
        .map_or(' ', |(_, shade)| *shade)
}

fn bounds<'a>(values: impl Iterator<Item = &'a f64>) -> (f64, f64) {
    values
        .copied()
        .filter(|v| v.is_finite())
        .fold((f64::INFINITY, f64::NEG_INFINITY), |(lo, hi), v| {
            (lo.min(v), hi.max(v))
        })
}

/// What stands in each column of a picture from `from` to `to`; `None`: nothing.
fn columns(
    t_s: &[f64],
    values: &[f64],
    from: f64,
    to: f64,
    join: impl Fn(&[f64]) -> Option<f64>,
) -> Vec<Option<f64>> {
    let mut cells: Vec<Vec<f64>> = vec![Vec::new(); COLUMNS];
    for (t, value) in t_s.iter().zip(values) {
        let at = level(*t, from, to, COLUMNS).min(COLUMNS - 1);
        cells[at].push(*value);
    }
    cells.iter().map(|c| join(c)).collect()
}

fn mean(values: &[f64]) -> Option<f64> {
    (!values.is_empty()).then(|| values.iter().sum::<f64>() / values.len() as f64)
}

fn largest(values: &[f64]) -> Option<f64> {
    values.iter().copied().reduce(f64::max)
}

/// Where a value stands between `low` and `high`, in 0..=steps.
fn level(value: f64, low: f64, high: f64, steps: usize) -> usize {
    let share = ((value - low) / (high - low)).clamp(0.0, 1.0);
    // Between 0 and `steps` by the clamp; a NaN becomes 0.
    #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
    let level = libm::floor(share * steps as f64) as usize;
    level.min(steps)
}

/// Height in eighths of a cell, within the rows of a curve.
fn eighths(value: f64, low: f64, high: f64) -> usize {
    level(value, low, high, ROWS * 8 - 1)
}

fn cell(height: usize, row: usize) -> char {
    EIGHTHS[(height + 1).saturating_sub(row * 8).min(8)]
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_falling_curve_falls() {
        let n = 256;
        let t_s: Vec<f64> = (0..n).map(|i| f64::from(i) * 0.25).collect();
        let pressure_pa: Vec<f64> = t_s.iter().map(|t| 10e3 - 50.0 * t).collect();
        let trace = LeakTrace {
            fit_pa: pressure_pa.clone(),
            used: vec![true; t_s.len()],
            pressure_pa,
            t_s,
            ..LeakTrace::default()
        };
        let mut page = Page::default();
        hold(&mut page, &trace);
        let text = page.finish();
        let rows: Vec<&str> = text.lines().skip(2).take(ROWS).collect();
        assert!(
            rows[0].contains("10.00") && rows[ROWS - 1].contains("6.8"),
            "{text}"
        );
        let fit_at = |row: &str| row.chars().skip(10).position(|c| c == '-').unwrap();
        assert!(
            rows.windows(2).all(|w| fit_at(w[0]) < fit_at(w[1])),
            "{text}"
        );
    }

    #[test]
    fn strips_mark_hits_and_what_was_not_seen() {
        let strip = |turn, loss_sd| crate::measure::roll::Strip {
            turn,
            t_s: 0.0,
            loss_sd,
        };
        let trace = RollTrace {
            part: Some("ring_f".into()),
            bins: 4,
            strips: vec![
                strip(0, vec![Some(0.0), Some(5.0), None, Some(0.0)]),
                strip(1, vec![Some(0.0); 4]),
            ],
        };
        let hits = [
            Hit {
                turn: 0,
                t_s: 0.0,
                hit: 0.9,
            },
            Hit {
                turn: 1,
                t_s: 0.0,
                hit: 0.1,
            },
        ];
        let mut page = Page::default();
        strips(&mut page, &trace, &hits);
        let text = page.finish();
        let rows: Vec<&str> = text.lines().skip(2).collect();
        assert!(rows[0].contains('*') && rows[0].contains('\u{2588}') && rows[0].contains('.'));
        assert!(!rows[1].contains('*'), "{text}");
    }

    #[test]
    fn intervals_stand_on_one_scale() {
        let row = |name: &str, value| (name.to_owned(), Estimate::normal(value, 1.0));
        let mut page = Page::default();
        intervals(
            &mut page,
            "force, N",
            &[row("before 1", 10.0), row("after 1", 20.0)],
        );
        let text = page.finish();
        let rows: Vec<&str> = text.lines().skip(2).collect();
        let place = |row: &str| row.chars().position(|c| c == '\u{2588}').unwrap();
        assert!(place(rows[1]) > place(rows[0]) + 30, "{text}");
        let wide = |row: &str| row.chars().filter(|c| *c == '\u{2591}').count();
        assert!(wide(rows[0]) > 10 && wide(rows[1]) > 10, "{text}");
        assert!(text.contains("from 8.04 to 22.0"), "{text}");
    }

    #[test]
    fn empty_traces_draw_nothing() {
        let mut page = Page::default();
        intervals(&mut page, "nothing", &[]);
        hold(&mut page, &LeakTrace::default());
        pulls(&mut page, &[]);
        pulls(&mut page, &[PullTrace::default()]);
        strips(&mut page, &RollTrace::default(), &[]);
        assert_eq!(page.finish(), "");
    }
}

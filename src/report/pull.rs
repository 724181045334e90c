//! A pull finding in words.

use super::{
    About,
    number::{percent, plain, shown, shown_against, stated},
    page::{Page, count, limit_source, list, verdict_word},
    picture, remarks,
};
use crate::{
    measure::{
        guard::Reason,
        pull::{PullFinding, PullReport},
    },
    reading::{Estimate, Verdict},
    vehicle::SetupTest,
};

pub(super) const CAREFUL: &str = "Igniter off, line pinched and tank empty, so that the engine cannot start; car held down, nobody's face over the plug. First turn the flywheel by hand past top dead centre. A cord that will not move is never forced: stop, plug out, look down the hole (liquid in it breaks the engine). This is a measurement, no certificate; the maker's instructions come first.";
/// What comes first where the guard called.
pub const FREE_IT: &str = "First, before any other pull: take the glow plug out, look down the hole while nothing turns, then keep the face away and turn the engine over slowly by hand, a full turn. Find what is stuck; only an engine that turns by hand is pulled.";

/// Most pulls that are listed one by one.
const LISTED: usize = 30;
/// Share of the peak from which on a slow converter is worth a sentence.
const UNDER_READ: f64 = 0.20;

/// The whole page.
pub(super) fn page(finding: &PullFinding, about: About) -> Page {
    let word = verdict_word(finding.verdict, finding.refused.is_some());
    let mut page = Page::titled("pull", word, about.source);
    setup(&mut page, about);
    if let Some(refusals) = &finding.refused {
        page.refusals(refusals);
    }
    guard(&mut page, finding);
    if !finding.pulls.is_empty() {
        result(&mut page, finding);
        table(&mut page, &finding.pulls);
        if about.picture {
            picture::pulls(&mut page, &finding.trace);
        }
        if finding.refused.is_none() {
            page.heading("next");
            page.say(next(finding));
        }
    }
    page.heading("record");
    record(&mut page, finding);
    page.heading("careful");
    page.say(CAREFUL);
    page
}

/// Says in which setup the pulls were made.
fn setup(page: &mut Page, about: About) {
    let Some(setup) = about.setup() else { return };
    let label = setup.label.as_deref().unwrap_or(&setup.name);
    page.say(format!("Setup: {label}."));
    if let SetupTest::Pull { warm, .. } = setup.test {
        let state = match warm {
            Some(true) => "Engine warm: compare only with pulls of a warm engine",
            Some(false) => "Engine cold: compare only with pulls of a cold engine",
            None => {
                "Engine cold or warm, the vehicle file does not say: compare only with pulls of a like engine"
            }
        };
        page.say(format!(
            "{state}; warmth alone takes about a tenth of the force."
        ));
    }
}

fn guard(page: &mut Page, finding: &PullFinding) {
    let Some(alarm) = finding.guard else { return };
    let why = match alarm.reason {
        Reason::Force => "the force was too high",
        Reason::Held => "the force was held and the cord did not give way",
    };
    page.heading("STOP");
    page.say(format!(
        "At {:.2} s the guard called: {why} ({:.0} N). Let go of a cord that does not move: plug out, look down the hole, turn the flywheel by hand. Never force it.",
        alarm.alarm_s, alarm.force_n
    ));
}

fn result(page: &mut Page, finding: &PullFinding) {
    page.heading("result");
    if finding.plug_out {
        friction(page, finding);
    }
    if let Some(session) = finding.session {
        let (cadence, peak) = (shown(session.cadence_hz), shown(session.peak_at_cadence_n));
        page.say(format!(
            "{} with three strokes or more. At {} strokes a second the two highest strokes reach {} N (95 % range: {} N).",
            count(session.pulls as u64, "pull"),
            cadence.value,
            peak.value,
            peak.range()
        ));
    }
    if let Some(ratio) = finding.lift_ratio {
        let s = shown_against(ratio, finding.limit_lift_ratio);
        page.say(format!(
            "Mean lift ratio (peak over the car's weight) {} (95 % range: {}).",
            s.value,
            s.range()
        ));
        let side = match finding.verdict {
            Some(Verdict::Within) => "the whole range lies above it",
            Some(Verdict::Outside) => "the whole range lies below it",
            _ => "the range lies across it",
        };
        page.say(format!(
            "Limit {}, {}: {side}.",
            stated(finding.limit_lift_ratio),
            limit_source(finding.limit_source)
        ));
    }
    budget(page, finding);
    let under = finding
        .pulls
        .iter()
        .map(|p| p.under_read_max)
        .fold(0.0, f64::max);
    if under > UNDER_READ {
        page.say(format!(
            "The force probe is slow for these strokes: a true peak may be up to {} higher than shown.",
            percent(under / (1.0 - under).max(0.01))
        ));
    }
}

/// Plug out: the force that is left without compression.
fn friction(page: &mut Page, finding: &PullFinding) {
    match finding.plug_out_peak_n {
        Some(peak) => {
            let s = shown(peak);
            page.say(format!(
                "Plug out: friction and spring take {} N (95 % range: {} N), median of {}.",
                s.value,
                s.range(),
                count(finding.pulls.len() as u64, "pull")
            ));
        }
        None => page.say("Plug out: make three pulls or more, then the force of friction can be stated with its range."),
    }
}

/// Lines of the budget that are said.
const BUDGET_LINES: usize = 2;

/// Where the range of the lift ratio comes from, the two largest parts.
fn budget(page: &mut Page, finding: &PullFinding) {
    let parts: Vec<String> = finding
        .budget
        .iter()
        .take(BUDGET_LINES)
        .filter(|part| part.share >= 0.01)
        .map(|part| format!("{} ({})", source(&part.source), percent(part.share)))
        .collect();
    if !parts.is_empty() {
        page.say(format!("What makes the range wide: {}.", list(&parts)));
    }
}

/// Words for a source of uncertainty.
fn source(word: &str) -> &str {
    match word {
        "scatter_of_pulls" => "pulls differ from each other",
        "peak_reading" => "the top of a stroke lies between two readings",
        "noise" => "noise of the probe",
        "calibration" => "calibration of the probe",
        other => other,
    }
}

fn table(page: &mut Page, pulls: &[PullReport]) {
    page.heading(
        "pull    start   strokes  peak, N               lift ratio            strokes a second",
    );
    for (i, pull) in pulls.iter().take(LISTED).enumerate() {
        let remark = match pull {
            PullReport { gap: true, .. } => "  readings missing",
            PullReport { cord_end: true, .. } => "  cord ran out to its stop (left out)",
            _ => "",
        };
        page.line(&format!(
            "{:>3} {:>7.2} s {:>8}   {:<20}  {:<20}  {:<8}{remark}",
            i + 1,
            pull.start_s,
            pull.strokes.len(),
            cell(pull.peak_n),
            cell(pull.lift_ratio),
            pull.cadence_hz
                .map_or_else(|| "-".into(), |c| shown(c).value),
        ));
    }
    if pulls.len() > LISTED {
        page.line(&format!("... and {} more", pulls.len() - LISTED));
    }
}

fn cell(estimate: Option<Estimate>) -> String {
    estimate.map_or_else(
        || "-".into(),
        |e| {
            let s = shown(e);
            format!("{} ({})", s.value, s.range())
        },
    )
}

/// What to do next; after a call of the guard nothing comes before the engine turns.
fn next(finding: &PullFinding) -> String {
    match (finding.guard, finding.verdict) {
        (Some(_), None) => FREE_IT.into(),
        (Some(_), _) => format!("{FREE_IT} {}", after(finding)),
        (None, _) => after(finding),
    }
}

fn after(finding: &PullFinding) -> String {
    if finding.plug_out {
        return "Plug out: this is friction without compression. Put the plug in and pull again; the difference is compression's share.".into();
    }
    match finding.verdict {
        Some(Verdict::Within) => {
            "Compression lifts the car at this speed. Before and after a repair compare pulls at like temperature and like speed.".into()
        }
        Some(Verdict::Outside) => {
            "Put in a new plug gasket, check the head's screws, pull again at the same speed. Still weak: piston and sleeve, or the head's shims. Weak only when warm: the sleeve is worn near the top.".into()
        }
        Some(Verdict::Undecided) => {
            "Pull again, as fast as the last one: five to eight pulls draw the range in.".into()
        }
        None if finding.pulls.iter().all(|p| p.lift_ratio.is_none()) && finding.session.is_some() => {
            "State the car's mass (--mass 3.4kg, or --vehicle FILE): without it there is no lift ratio and no verdict.".into()
        }
        None => "Pull again: a verdict needs three pulls with three strokes or more each.".into(),
    }
}

fn record(page: &mut Page, finding: &PullFinding) {
    let quality = &finding.quality;
    if let Some(rate_hz) = quality.rate_hz {
        let noise = quality.noise_n.map_or_else(String::new, |n| {
            format!(", noise {} N with the handle free", plain(n))
        });
        page.say(format!(
            "{} readings a second, filter order {}{noise}.",
            plain(rate_hz),
            quality.filter_order
        ));
    }
    if quality.bumps > 0 {
        page.say(format!(
            "{} below 8 N not counted as pulls; the cord running back gives such too.",
            count(quality.bumps, "jerk")
        ));
    }
    remarks::calibration(page, finding.calibration, "force");
    remarks::common(page, &quality.common);
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::measure::guard::Alarm;
    use crate::measure::pull::{Pull, PullSettings};
    use crate::reading::{ForceReading, Quality};
    use crate::vehicle::Vehicle;

    /// After STOP nothing may come before the engine turns by hand.
    #[test]
    fn a_stuck_engine_is_freed_before_the_next_pull() {
        let mut pull = Pull::new(PullSettings::default());
        for k in 0..3000_u64 {
            let force_n = if (1000..1300).contains(&k) { 30.0 } else { 0.0 };
            pull.push(ForceReading {
                t_us: k * 1000,
                force_n,
            });
        }
        let mut finding = pull.finish(Quality::default());
        assert!(!finding.pulls.is_empty() && finding.guard.is_none());
        assert!(next(&finding).starts_with("Pull again"));
        finding.guard = Some(Alarm {
            alarm_s: 1.2,
            force_n: 130.0,
            reason: Reason::Force,
        });
        let text = next(&finding);
        assert!(
            text.starts_with("First") && !text.contains("Pull again"),
            "{text}"
        );
        finding.verdict = Some(Verdict::Undecided);
        assert!(next(&finding).find("glow plug") < next(&finding).find("Pull again"));
    }

    #[test]
    fn the_state_of_the_engine_is_said_where_it_is_known() {
        let file = include_str!("../../captures/plover-8.toml");
        let silent = file.replace("warm = true\n", "");
        for (file, said) in [
            (
                file,
                "Engine warm: compare only with pulls of a warm engine",
            ),
            (&silent, "the vehicle file does not say"),
        ] {
            let vehicle = Vehicle::parse(file).expect("a car's file");
            let mut page = Page::default();
            let about = About {
                source: "x.csv",
                vehicle: Some(&vehicle),
                setup: Some("plug_in_warm"),
                picture: false,
            };
            setup(&mut page, about);
            let text = page.finish();
            let words = text.split_whitespace().collect::<Vec<&str>>().join(" ");
            assert!(words.contains(said), "{words}");
        }
    }
}

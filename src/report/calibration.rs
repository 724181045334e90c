//! A calibration in words, with a picture of its residuals.

use std::path::Path;

use super::{
    number::{percent, plain, shown, stated},
    page::{Page, count, list},
    picture,
};
use crate::{
    calibration::CalibrationFinding,
    reading::{Contribution, Estimate, Z95},
};

/// Contributions that a page lists.
const BUDGET_LINES: usize = 6;

/// The whole page. `kept`: the file that was written; `picture`: draw the residuals.
pub fn text(finding: &CalibrationFinding, kept: Option<&Path>, picture: bool) -> String {
    let word = if finding.refused.is_some() {
        "refused"
    } else {
        "done"
    };
    let of = finding.sensor.as_deref().unwrap_or_default();
    let mut page = Page::titled(&format!("calibrate {}", finding.kind), word, of);
    if let Some(refusals) = &finding.refused {
        page.refusals(refusals);
    } else {
        page.heading("result");
        result(&mut page, finding);
    }
    if picture {
        picture::residuals(&mut page, finding);
    }
    points(&mut page, finding);
    if finding.refused.is_none() {
        page.heading("where the uncertainty comes from");
        budget_lines(&mut page, &finding.budget);
        page.heading("next");
        page.say(next(finding, kept));
    }
    page.heading("careful");
    page.say(careful(&finding.kind));
    page.finish()
}

fn result(page: &mut Page, finding: &CalibrationFinding) {
    let u = finding.u_relative.unwrap_or_default();
    if let Some(volume) = finding.volume_m3 {
        let s = shown(volume.scaled(1e6));
        page.say(format!(
            "The closed space holds {} cm3 (95 % range: {}).",
            s.value,
            s.range()
        ));
        return;
    }
    if let (Some(gain), Some(zero)) = (finding.gain, finding.zero) {
        let (unit, of) = (&finding.unit, &finding.indication_unit);
        page.say(format!(
            "1 {unit} is {} (95 % range: {}); 0 {unit} is at {}.",
            words(inverse(gain), of),
            shown(inverse(gain)).range(),
            words(zero, of)
        ));
        if let Some(nominal) = finding.nominal_gain {
            let off = gain.value / nominal - 1.0;
            page.say(format!(
                "The probe's own scale reads {} % {}.",
                plain(100.0 * off.abs()),
                if off > 0.0 { "too low" } else { "too high" }
            ));
        }
        page.say(format!(
            "A reading from which its own zero was taken off is now known to {} % of itself (95 %), from a fifth of the range on.",
            plain(100.0 * Z95 * u)
        ));
        seen_from_zero(page, &finding.budget);
    }
}

/// What the line leaves open for readings that are counted from their own zero.
fn seen_from_zero(page: &mut Page, budget: &[Contribution]) {
    let counts = |source: &str| budget.iter().any(|c| c.source == source);
    if counts("bend_from_zero") {
        page.say("The points bend: a straight line misses the sensor's own zero, so readings counted from it are off one way, small ones most. That is in the figure.");
    }
    if counts("zero_not_measured") {
        page.say("No point was taken with nothing on the sensor: its zero is only known from the line, and of a bend below the smallest point nothing is known.");
    }
}

/// Indication a unit of the known value.
fn inverse(gain: Estimate) -> Estimate {
    let value = 1.0 / gain.value;
    let ends = [
        value * gain.value / gain.lo95,
        value * gain.value / gain.hi95,
    ];
    Estimate {
        value,
        u: gain.u * value * value,
        lo95: ends[0].min(ends[1]),
        hi95: ends[0].max(ends[1]),
    }
}

fn words(estimate: Estimate, unit: &str) -> String {
    let s = if unit == "count" { "counts" } else { unit };
    format!("{} {s}", shown(estimate).value)
}

fn points(page: &mut Page, finding: &CalibrationFinding) {
    page.heading("points");
    let n = finding.residuals.len() as u64;
    let scatter = finding.scatter.unwrap_or_default();
    let span = finding
        .band95
        .first()
        .zip(finding.band95.last())
        .map_or(0.0, |(a, b)| b.known - a.known);
    page.say(format!(
        "{} from {}; a single one lies {} off the line (standard deviation), {} % of the range.",
        count(n, "point"),
        finding.date,
        known(scatter, &finding.unit),
        plain(100.0 * scatter / span)
    ));
    if let Some(p) = finding.fit_probability {
        page.say(if p < 0.05 {
            format!(
                "They scatter about the line more than repeated readings do ({}): the sensor is not quite straight, or was read \
                 differently up and down; the range allows for it.",
                percent(p)
            )
        } else {
            "They lie on the line as well as repeated readings agree.".into()
        });
    }
    let outside: Vec<String> = finding
        .residuals
        .iter()
        .filter(|r| r.outside)
        .map(|r| r.place.clone())
        .collect();
    if !outside.is_empty() {
        page.say(format!(
            "Outside the band of 95 %: {}. Read again what stands far outside; one in twenty lies there anyway.",
            list(&outside)
        ));
    }
    if let (Some(g), Some(source)) = (
        finding.conditions.gravity_m_s2,
        &finding.conditions.gravity_source,
    ) {
        page.say(format!("Gravity {g:.4} m/s2: {source}."));
    }
    if let Some(density) = finding.conditions.water_kg_m3 {
        page.say(format!("Water taken as {density:.1} kg/m3."));
    }
    if let Some(pa) = finding.conditions.ambient_pa {
        page.say(format!("Air taken as {} hPa.", plain(pa / 100.0)));
    }
}

/// A scatter in a unit that people read.
fn known(value: f64, unit: &str) -> String {
    if unit == "Pa m3" {
        format!("{} J", stated(value))
    } else {
        format!("{} {unit}", plain(value))
    }
}

/// A budget, largest first.
pub(super) fn budget_lines(page: &mut Page, budget: &[Contribution]) {
    for line in budget.iter().take(BUDGET_LINES) {
        page.line(&format!(
            "{:>4.0} %  {}",
            100.0 * line.share,
            line.source.replace('_', " ")
        ));
    }
}

fn next(finding: &CalibrationFinding, kept: Option<&Path>) -> String {
    let largest = finding.budget.first().map_or("", |c| c.source.as_str());
    let better = match largest {
        "gravity" => "State where the bench is: --latitude 54.3 --height 20m.",
        "masses" => "Weigh the masses on a better scale and state --mass-u.",
        "water_density" => "State the temperature of the water: --water 20C.",
        "heights" => "Measure the heights with a steel rule and state --height-u.",
        "syringe" => "Weigh the water that the syringe gives out and state --syringe-u.",
        "air_pressure" => "State what a barometer shows: --baro 1003hPa.",
        "pressure_gain" => "Calibrate the pressure sensor first: --calibration FILE.",
        "resolution" => "Take more of the range, or the mean of many readings.",
        "line" | "bend_from_zero" => {
            "The sensor itself is not straight: take the points from zero to the largest value it is used for and no further, or use a straighter one."
        }
        "zero_not_measured" => "Take points with nothing on the sensor too.",
        _ => "Take more readings, each known value several times.",
    };
    let use_it = match (kept, finding.volume_m3) {
        (Some(path), Some(_)) => format!(
            "Use it: feelgauge analyze leak ... --calibration {}.",
            path.display()
        ),
        (Some(path), None) => format!(
            "Use it: feelgauge take ... --calibration {}; it is kept in the capture. Repeat it by {}.",
            path.display(),
            finding.due
        ),
        (None, _) => "It was not kept: add --out FILE.toml.".into(),
    };
    format!("{use_it} To know it better: {better}")
}

fn careful(kind: &str) -> &'static str {
    match kind {
        "force" => {
            "Masses hang over a soft mat, never over feet, and on two cords; nothing heavier than the cell is made for, nobody \
             under it."
        }
        "pressure" => {
            "Water stays out of the sensor: air between, the hose rising from it. Never more pressure than the sensor's limit: 1 m \
             of water is 9.8 kPa."
        }
        _ => {
            "Fuel drained and flushed, no flame near. Press slowly, wait half a minute after each stroke, never above the sensor's \
             and the tank's limit. Let the air out before anything is opened."
        }
    }
}

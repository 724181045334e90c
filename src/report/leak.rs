//! A leak finding in words.

use super::{
    About,
    number::{percent, plain, scientific, shown, shown_against, stated},
    page::{Page, count, limit_source, list, sentence, verdict_word},
    picture, remarks,
};
use crate::{
    measure::leak::{LeakFinding, Regime, SyringeVolume},
    reading::{Estimate, Verdict},
    units::CM3_PER_MIN,
    vehicle::SetupTest,
};

pub(super) const CAREFUL: &str = "Fuel drained and flushed, no flame, no igniter, glasses on; a hand pump with a relief valve, never compressed air, never by mouth. Let the air out before anything is opened. The maker's instructions and local rules come first; this is a measurement, no certificate.";

/// The whole page.
pub(super) fn page(finding: &LeakFinding, about: About) -> Page {
    let word = verdict_word(finding.verdict, finding.refused.is_some());
    let mut page = Page::titled("leak", word, about.source);
    if let Some(setup) = about.setup() {
        let label = setup.label.as_deref().unwrap_or(&setup.name);
        page.say(format!("Setup: {label}."));
    }
    if let Some(refusals) = &finding.refused {
        page.refusals(refusals);
    }
    if let Some(rate) = finding.leak_rate_pa_m3_s {
        result(&mut page, finding, rate);
        if about.picture {
            picture::hold(&mut page, &finding.trace);
        }
        page.heading("next");
        page.say(next(finding, about));
    }
    page.heading("record");
    record(&mut page, finding);
    page.heading("careful");
    page.say(CAREFUL);
    page
}

fn result(page: &mut Page, finding: &LeakFinding, rate: Estimate) {
    let limit = finding.limit_leak_rate_pa_m3_s;
    let in_trade = rate.scaled(1.0 / CM3_PER_MIN);
    let s = limit.map_or_else(
        || shown(in_trade),
        |limit| shown_against(in_trade, limit / CM3_PER_MIN),
    );
    let at = finding
        .p_ref_pa
        .map_or_else(String::new, |pa| format!(" at {} kPa", stated(pa / 1e3)));
    page.heading("result");
    if finding.rises() {
        page.say(format!(
            "No leak shows{at}: the pressure rises, and a leak can only make it fall."
        ));
    } else if rate.lo95 <= 0.0 {
        page.say(format!(
            "Not told apart from a tight tank{at}: the leak is at most {} cm3 of air a minute.",
            s.hi
        ));
    } else {
        page.say(format!(
            "The tank loses {} cm3 of air a minute{at}.",
            s.value
        ));
    }
    page.say(format!(
        "95 % range: {} cm3/min; in SI units {} Pa m3/s.",
        s.range(),
        scientific(rate)
    ));
    if let (Some(limit), Some(source)) = (limit, finding.limit_source) {
        let side = match finding.verdict {
            Some(Verdict::Within) => "the whole range lies below it",
            Some(Verdict::Outside) => "the whole range lies above it",
            _ => "the range lies across it, or the record cannot say",
        };
        page.say(format!(
            "Limit {} cm3/min, {}: {side}.",
            stated(limit / CM3_PER_MIN),
            limit_source(source)
        ));
    }
    if let Some(half) = finding.half_life_s {
        let s = shown(half);
        page.say(format!(
            "The pressure halves in {} s (95 % range: {} s).",
            s.value,
            s.range()
        ));
    } else if let Some(longer_s) = finding.half_life_longer_than_s {
        page.say(format!(
            "The pressure takes longer than {} s to halve.",
            plain(longer_s)
        ));
    }
    regime(page, finding);
    shares(page, finding);
}

/// What the sources of a budget are in a sentence.
const SOURCES: &[(&str, &str)] = &[
    ("noise", "noise of the readings"),
    ("drift_and_heat", "drift and heat of tank, room and sensor"),
    ("law", "not knowing how it leaks"),
    ("gain_and_gas_model", "the gain of the sensor"),
    ("calibration", "the sensor's calibration"),
    ("volume", "the volume"),
    ("temperature", "the temperature of the gas"),
    ("wall_stretch", "the stretch of the tank's wall"),
];

/// Where most of the range comes from.
fn shares(page: &mut Page, finding: &LeakFinding) {
    let words: Vec<String> = finding
        .budget
        .iter()
        .take(2)
        .map(|line| {
            let known = SOURCES.iter().find(|(source, _)| *source == line.source);
            let word = known.map_or(line.source.as_str(), |(_, words)| words);
            format!("{word} ({})", percent(line.share))
        })
        .collect();
    match words.as_slice() {
        [] => {}
        [only] => page.say(format!("The range comes from {only}.")),
        [first, second, ..] => page.say(format!(
            "The range comes most from {first}, then from {second}."
        )),
    }
}

fn regime(page: &mut Page, finding: &LeakFinding) {
    let words = match finding.regime {
        Some(Regime::Laminar) => {
            "It leaks as a long narrow path does: a seal's lip, a porous wall."
        }
        Some(Regime::Orifice) => "It leaks as a short hole or a notch does.",
        Some(Regime::Mixed) => "It leaks partly as a hole and partly as a long narrow path does.",
        Some(Regime::Lid) => "The lid lifts: it lets air out above a pressure and closes below it.",
        Some(Regime::NotSeparable) => {
            "How it leaks (hole or long narrow path) this record does not tell."
        }
        Some(Regime::Tight) | None => return,
    };
    page.say(words);
    if let Some(pa) = finding.lid_lift_pa {
        page.say(format!("The lid lifts at {} kPa.", plain(pa / 1e3)));
    }
    if let Some(hole) = finding.equivalent_hole_m {
        page.say(format!(
            "A round hole of {} to {} thousandths of a millimetre would leak as much.",
            plain(hole.lo * 1e6),
            plain(hole.hi * 1e6)
        ));
    }
}

/// A protocol against the largest source is proposed when this share of the variance comes from it.
const RULES: f64 = 0.5;

fn next(finding: &LeakFinding, about: About) -> String {
    if finding.rises() {
        return "Let the air out. Let the tank settle until nothing warms or feeds it, then pump and hold again.".into();
    }
    let mostly = |source: &str| {
        finding
            .budget
            .first()
            .is_some_and(|line| line.source == source && line.share > RULES)
    };
    match finding.verdict {
        Some(Verdict::Within) => "Let the air out. The tank holds; nothing to do here.".into(),
        Some(Verdict::Outside) => format!("Let the air out. {}", rule_out(about)),
        Some(Verdict::Undecided) | None => {
            if finding.regime == Some(Regime::Lid) {
                "Look at the lid's spring and seal, then pump and hold again.".into()
            } else if mostly("volume") {
                "Most of the range comes from the volume: weigh the water that fills tank and hose and state --volume and --volume-u, or let six strokes of a syringe measure it after the hold (--syringe).".into()
            } else if mostly("calibration") {
                "Most of the range comes from the sensor: calibrate it with a column of water (feelgauge calibrate pressure) and use --calibration.".into()
            } else if finding.quality.thermometer {
                "Let the tank rest for a minute, touch nothing, then pump a little higher and hold for 60 to 90 s.".into()
            } else {
                "Let the tank rest for a minute, touch nothing, then pump and hold again for 60 s; a thermometer on the tank that shows 0.01 K halves the range (simulated records).".into()
            }
        }
    }
}

/// The setup that tells where the leak is.
fn rule_out(about: About) -> &'static str {
    let parts: Option<&[String]> = match about.setup().map(|s| &s.test) {
        Some(SetupTest::Leak { parts }) => Some(parts),
        _ => None,
    };
    let may_leak = |part: &str| parts.is_none_or(|parts| parts.iter().any(|p| p == part));
    if may_leak("lid") {
        "Clamp the lid and pump again: when the leak is gone it was the lid's seal or spring."
    } else if may_leak("line") {
        "Pinch the line at the tank and pump again: when the leak is gone it was the line, its ends or the carburettor's side."
    } else {
        "It is the seam or the nipple: look for bubbles with soapy water, never with a flame."
    }
}

/// Further holds and the syringe.
fn protocols(page: &mut Page, finding: &LeakFinding) {
    let earlier: Vec<String> = finding
        .earlier_holds
        .iter()
        .filter_map(|hold| {
            let s = shown(hold.leak_rate_pa_m3_s?.scaled(1.0 / CM3_PER_MIN));
            Some(format!("{} ({})", s.value, s.range()))
        })
        .collect();
    if !earlier.is_empty() {
        page.say(format!(
            "Before it the record has {} with {} cm3/min. The last one counts: their errors have most in common, so a mean would be worth less. A minute's rest is worth as much as another hold.",
            count(earlier.len() as u64, "hold"),
            list(&earlier)
        ));
    }
    let Some(syringe) = &finding.syringe else {
        return;
    };
    if let Some(refusal) = &syringe.refused {
        page.say(format!("{} ({})", sentence(&refusal.message), refusal.code));
    } else {
        page.say(format!(
            "The volume was measured by {} of a syringe, {} cm3 each.",
            count(syringe.strokes, "stroke"),
            stated(syringe.stroke_m3 * 1e6)
        ));
        contradiction(page, syringe);
    }
}

/// Names the two volumes that cannot both be right.
fn contradiction(page: &mut Page, syringe: &SyringeVolume) {
    if let (Some(said), Some(found)) = (syringe.contradicts_m3, syringe.effective_volume_m3) {
        let (said, found) = (shown(said.scaled(1e6)), shown(found.scaled(1e6)));
        page.say(format!(
            "Its strokes say {} cm3 ({}), the volume stated is {} cm3 ({}): one of the two is wrong.",
            found.value,
            found.range(),
            said.value,
            said.range()
        ));
    }
}

fn record(page: &mut Page, finding: &LeakFinding) {
    let quality = &finding.quality;
    if let (Some(hold), Some(start), Some(used)) =
        (finding.hold_s, finding.hold_start_s, quality.hold_used_s)
    {
        page.say(format!(
            "Hold of {hold:.0} s from {start:.1} s on, {used:.0} s of it used."
        ));
    }
    if let (Some(from), Some(to)) = (finding.p_start_pa, finding.p_end_pa) {
        page.say(format!(
            "It began at {} kPa and ended at {} kPa.",
            plain(from / 1e3),
            plain(to / 1e3)
        ));
    }
    protocols(page, finding);
    if let Some(settled_s) = finding.settled_at_s {
        page.say(format!(
            "The gas had settled after {settled_s:.0} s; the range allows for what came before."
        ));
    }
    if let Some(volume) = finding.volume_m3 {
        let s = shown(volume.scaled(1e6));
        page.say(format!(
            "Volume {} cm3 (95 % range: {}).",
            s.value,
            s.range()
        ));
    }
    if quality.knocks > 0 {
        page.say(format!(
            "Left out: {}; put the tank down and touch nothing.",
            count(quality.knocks, "knock")
        ));
    }
    if quality.thermometer {
        page.say("The tank's thermometer was used.");
    }
    if quality.sealed_zero {
        page.say("The sealed hold at zero was taken off as drift.");
    }
    remarks::calibration(page, finding.calibration, "pressure");
    remarks::common(page, &quality.common);
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::measure::leak::{Leak, LeakSettings};
    use crate::physics::tank::{Syringe, TankScenario, simulate};
    use crate::reading::{LimitSource, Quality};

    fn words(scenario: &TankScenario, change: impl Fn(&mut LeakSettings)) -> String {
        let mut settings = LeakSettings::of_volume(scenario.volume_m3);
        change(&mut settings);
        let mut leak = Leak::new(settings);
        for reading in simulate(scenario, 1).readings {
            leak.push(reading);
        }
        let about = About {
            source: "x.csv",
            vehicle: None,
            setup: None,
            picture: false,
        };
        let page = page(&leak.finish(Quality::default()), about).finish();
        page.split_whitespace().collect::<Vec<&str>>().join(" ")
    }

    fn says(page: &str, all: &[&str]) {
        for said in all {
            assert!(page.contains(said), "{said}: {page}");
        }
    }

    #[test]
    fn protocols_and_the_budget_are_in_words() {
        let mut scenario = TankScenario {
            earlier_holds: 1,
            syringe: Some(Syringe::six(5e-6)),
            ..TankScenario::plover_healthy()
        };
        let page = words(&scenario, |s| s.syringe_m3 = Some(5e-6));
        says(
            &page,
            &[
                "Before it the record has 1 hold with",
                "A minute's rest is worth as much as another hold",
                "measured by 6 strokes of a syringe, 5 cm3 each",
                "comes most from drift and heat of tank, room and sensor",
            ],
        );
        let page = words(&scenario, |s| s.syringe_m3 = Some(10e-6));
        says(
            &page,
            &[
                "Its strokes say 2",
                "the volume stated is 13",
                "contradict the volume stated",
            ],
        );
        scenario.syringe = Some(Syringe {
            moves: vec![false, true, false, true, false, true],
            ..Syringe::six(5e-6)
        });
        let page = words(&scenario, |s| {
            s.syringe_m3 = Some(5e-6);
            s.limit = Some((1e-5, LimitSource::Own));
        });
        says(
            &page,
            &[
                "The first stroke of the syringe was out instead of in",
                "The volume stated was used",
                "never within",
            ],
        );
    }

    /// No leak is less than nought, so a rise is not "at most" anything.
    #[test]
    fn a_rise_is_said_as_one() {
        let mut scenario = TankScenario::plover_healthy();
        scenario.sensor.drift_pa_s = 40.0;
        let page = words(&scenario, |_| {});
        says(
            &page,
            &[
                "No leak shows at",
                "the pressure rises, and a leak can only make it fall",
                "settle until nothing warms or feeds it, then pump and hold again",
                "fuel vapour, a hand, the pump",
            ],
        );
        assert!(
            !page.contains("at most") && !page.contains("nothing to do"),
            "{page}"
        );
    }

    #[test]
    fn a_volume_that_rules_leads_to_the_syringe() {
        let mut scenario = TankScenario::plover();
        scenario.leak_rate_pa_m3_s = 1e-2;
        let page = words(&scenario, |s| s.limit = Some((1e-2, LimitSource::Own)));
        says(
            &page,
            &["Most of the range comes from the volume", "--syringe"],
        );
    }
}

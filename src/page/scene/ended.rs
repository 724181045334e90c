//! The scenes of an ended test: the verdict in its plate, the figure with its range, the next thing to do.

use maud::{Markup, html};

use super::words::{
    capital, choose, estimate, figure, label, link, open_plate, pictures, plate, say, setup_of,
    short, why,
};
use crate::{
    bench::{Ended, State},
    inspect::{Finding, Test},
    measure::{
        leak::{LeakFinding, Regime},
        pull::PullFinding,
        roll::{RollFinding, Snag},
    },
    reading::{Estimate, Refusal, Verdict},
    report::{
        count, list, percent,
        plot::{self, Width},
        sentence, shown, stated,
    },
    units::{CM3_PER_MIN, STANDARD_GRAVITY},
    vehicle::{Setup, SetupTest, Vehicle},
};

/// A turn counts as hit from this probability on.
const HIT: f64 = 0.5;
/// Shares nearer than this are equal.
const EQUAL: f64 = 1e-9;

/// What a verdict leads to.
pub(super) struct Next {
    /// What to do, as a sentence.
    say: String,
    /// Why, in a line or two.
    why: String,
    /// The first button.
    first: Option<Act>,
}

/// What the first button does.
enum Act {
    /// Takes a test again, in a setup or in none.
    Take {
        test: Test,
        setup: Option<String>,
        words: String,
    },
    /// Lays the record beside the first one of the same test and setup.
    Compare { before: String },
}

/// The scene.
pub(super) fn scene(state: &State, ended: &Ended, width: Option<Width>) -> Markup {
    let car = state.car.as_deref();
    let again = super::frame::test_of(state).map(|test| Act::Take {
        test,
        setup: ended.setup.clone(),
        words: "Again".into(),
    });
    let (one, act) = match &ended.found {
        Err(reason) => (not_measured(reason), again),
        Ok(finding) => {
            if let Some(refusals) = finding.refused() {
                (refused(refusals), again)
            } else {
                let next = next(finding, car, ended.setup.as_deref(), state);
                let one = result(finding, car, ended.took_s, &next.say, &next.why);
                (one, next.first)
            }
        }
    };
    html! {
        div #one .one { (one) }
        (live(state, ended, width))
        div #act .act {
            @if let Some(act) = act { (first_button(&act, ended)) }
            (super::words::button("leave", "leave", &[], leave_words(ended), false))
        }
    }
}

/// The word that leads away: an undecided record is left as it is.
fn leave_words(ended: &Ended) -> &'static str {
    match &ended.found {
        Ok(finding) if matches!(finding.verdict(), Some(Verdict::Within | Verdict::Outside)) => {
            "Done"
        }
        _ => "Leave it",
    }
}

fn first_button(act: &Act, ended: &Ended) -> Markup {
    match act {
        Act::Take { test, setup, words } => choose("next", *test, setup.as_deref(), words, true),
        Act::Compare { before } => {
            let href = format!("/compare?before={before}&after={}", ended.capture);
            link("next", &href, "Compare", true)
        }
    }
}

/// The record's pictures; those of the last view where there is no finding.
pub(super) fn live(state: &State, ended: &Ended, width: Option<Width>) -> Markup {
    html! {
        div #live .pic {
            @match &ended.found {
                Ok(finding) => (pictures(width, |width| plot::pictures(finding, width.of_car(state.car.as_deref())))),
                Err(_) => {}
            }
        }
    }
}

/// There is a record, but nothing could be made of it.
fn not_measured(reason: &str) -> Markup {
    html! {
        (open_plate("refused"))
        (say("The record is kept, but it was not measured."))
        (why(&sentence(reason)))
    }
}

/// No figure, ever: the reason and the remedy.
pub(super) fn refused(refusals: &[Refusal]) -> Markup {
    let mut messages = refusals.iter().map(|r| sentence(&r.message));
    html! {
        (open_plate("refused"))
        (say(&messages.next().unwrap_or_else(|| "There is no number.".into())))
        @for message in messages { (why(&message)) }
    }
}

/// Plate, figure, range, sentence, reason.
pub(super) fn result(
    finding: &Finding,
    car: Option<&Vehicle>,
    took_s: Option<f64>,
    act: &str,
    because: &str,
) -> Markup {
    let decided = match (finding.verdict(), took_s) {
        (Some(Verdict::Within | Verdict::Outside), Some(s)) => format!("Decided in {s:.0}\u{a0}s."),
        (_, Some(s)) => format!("After {s:.0}\u{a0}s."),
        (_, None) => String::new(),
    };
    html! {
        @match finding.verdict() {
            Some(verdict) => (plate(verdict)),
            None => (open_plate("no verdict")),
        }
        @match finding {
            Finding::Leak(leak) => (leak_figure(leak, &decided)),
            Finding::Pull(pull) => (pull_figure(pull, car, &decided)),
            Finding::Roll(roll) => (roll_figure(roll, &decided)),
        }
        (say(act))
        (why(because))
    }
}

fn leak_figure(leak: &LeakFinding, decided: &str) -> Markup {
    let limit = leak
        .limit_leak_rate_pa_m3_s
        .map(|limit| limit / CM3_PER_MIN);
    let words = limit.map(stated);
    let rate = leak
        .leak_rate_pa_m3_s
        .map(|rate| rate.scaled(1.0 / CM3_PER_MIN));
    html! {
        @if let Some(rate) = rate {
            (estimate(rate, "cm\u{b3}/min", limit.zip(words.as_deref()), &html! { (decided) }))
        }
    }
}

/// Peak of the pulls in newtons: the lift ratio times the car's weight, so that range and limit are those of the verdict.
fn pull_figure(pull: &PullFinding, car: Option<&Vehicle>, decided: &str) -> Markup {
    let weight = car.map(|car| car.mass_kg * STANDARD_GRAVITY);
    let usable = count(pull.usable.len() as u64, "pull");
    let lifted = pull.lift_ratio.zip(weight);
    let after = html! { "From " (usable) ". " (decided) };
    if let Some((ratio, weight)) = lifted {
        let limit = pull.limit_lift_ratio * weight;
        let words = format!("{limit:.1}");
        return estimate(
            ratio.scaled(weight),
            "N peak",
            Some((limit, &words)),
            &after,
        );
    }
    let peak: Option<Estimate> = pull
        .plug_out_peak_n
        .or(pull.session.map(|session| session.peak_at_cadence_n))
        .or_else(|| pull.pulls.iter().find_map(|p| p.peak_n));
    html! { @if let Some(peak) = peak { (estimate(peak, "N peak", None, &after)) } }
}

fn roll_figure(roll: &RollFinding, decided: &str) -> Markup {
    let snag = roll.snags.as_deref().and_then(<[Snag]>::first);
    html! {
        @if let Some(snag) = snag {
            @let hits = snag.hits.iter().filter(|h| h.hit >= HIT).count();
            (figure(&hits.to_string(), &format!("{} in {}", if hits == 1 { "hit" } else { "hits" }, count(snag.hits.len() as u64, "turn"))))
            p.rng { (shown(snag.hit_rate.scaled(100.0)).range()) " in 100 turns. " (decided) }
        } @else {
            p.rng { "No snag shown. " (decided) }
        }
    }
}

/// The next thing to do after a finding.
pub(super) fn next(
    finding: &Finding,
    car: Option<&Vehicle>,
    setup: Option<&str>,
    state: &State,
) -> Next {
    let mut next = match finding {
        Finding::Leak(leak) => after_leak(leak, car, setup),
        Finding::Pull(pull) => after_pull(pull, car, setup),
        Finding::Roll(roll) => after_roll(roll, car, setup),
    };
    let test = finding.test().word();
    let first =
        state.kept.iter().rev().find(|kept| {
            kept.test == test && kept.setup.as_deref() == setup && kept.verdict.is_some()
        });
    if let (None, Some(first)) = (&next.first, first)
        && state.kept.first() != Some(first)
    {
        let before = first.name.clone();
        next.first = Some(Act::Compare { before });
    }
    next
}

impl Next {
    fn of(say: impl Into<String>, why: impl Into<String>) -> Self {
        Self {
            say: say.into(),
            why: why.into(),
            first: None,
        }
    }

    fn taking(mut self, test: Test, setup: Option<&str>, words: &str) -> Self {
        self.first = Some(Act::Take {
            test,
            setup: setup.map(str::to_owned),
            words: words.into(),
        });
        self
    }

    /// The sentence and the reason.
    pub fn words(&self) -> (&str, &str) {
        (&self.say, &self.why)
    }
}

fn after_leak(leak: &LeakFinding, car: Option<&Vehicle>, setup: Option<&str>) -> Next {
    if leak.rises() {
        return Next::of(
            "Let the air out. Let the tank settle until nothing warms or feeds it, then pump and hold again.",
            "The pressure rises, and a leak can only make it fall: fuel vapour, a hand or the pump raises it, and a leak may hide behind that.",
        )
        .taking(Test::Leak, setup, "Pump again");
    }
    match leak.verdict {
        Some(Verdict::Within) => Next::of("The tank holds. Let the air out.", as_tight(leak)),
        Some(Verdict::Outside) => rule_out(car, setup),
        Some(Verdict::Undecided) | None if leak.regime == Some(Regime::Lid) => Next::of(
            "Let the air out. Look at the lid's spring and seal, then pump and hold again.",
            "The lid lifts: it lets air out above a pressure and closes below it.",
        )
        .taking(Test::Leak, setup, "Pump again"),
        Some(Verdict::Undecided) | None => Next::of(
            "Let the air out. Rest the tank for a minute, touch nothing, then pump and hold again.",
            "A second hold after a rest, or a thermometer on the tank, draws the range in. Waiting longer in one hold does not.",
        )
        .taking(Test::Leak, setup, "Pump again"),
    }
}

/// What a range that reaches below nought means.
fn as_tight(leak: &LeakFinding) -> String {
    let rate = leak.leak_rate_pa_m3_s.filter(|rate| rate.lo95 <= 0.0);
    rate.map_or_else(String::new, |rate| {
        let most = shown(rate.scaled(1.0 / CM3_PER_MIN)).hi;
        format!(
            "Not told apart from a tight tank: the leak is at most {most} cm\u{b3} of air a minute."
        )
    })
}

/// What can leak in a setup; everything where nobody says.
fn leaking(setup: Option<&Setup>) -> Vec<&str> {
    match setup.map(|s| &s.test) {
        Some(SetupTest::Leak { parts }) => parts.iter().map(String::as_str).collect(),
        _ => vec!["lid", "line", "body"],
    }
}

/// The setup that tells where the leak is: the one of the car's file that takes a part out.
fn rule_out(car: Option<&Vehicle>, setup: Option<&str>) -> Next {
    let parts = leaking(setup_of(car, setup));
    let (part, say, why) = if parts.contains(&"lid") {
        (
            "lid",
            "Let the air out. Next: clamp the lid and pump again.",
            "If the leak stops, it is the lid's seal or spring. If it stays, it is the line, the nipple or the tank.",
        )
    } else if parts.contains(&"line") {
        (
            "line",
            "Let the air out. Next: pinch the line at the tank and pump again.",
            "If the leak stops, it is the line, its ends or the carburettor's side. If it stays, it is the seam or the nipple.",
        )
    } else {
        return Next::of(
            "Let the air out. Look for bubbles at seam and nipple with soapy water, never with a flame.",
            "Lid and line are ruled out.",
        );
    };
    let without = car.and_then(|car| {
        car.setups_of("leak").find(|setup| {
            let left = leaking(Some(setup));
            !left.contains(&part) && left.iter().all(|p| parts.contains(p))
        })
    });
    let next = Next::of(say, why);
    match without {
        Some(setup) => next.taking(Test::Leak, Some(&setup.name), &capital(&short(&setup.name))),
        None => next.taking(
            Test::Leak,
            setup,
            if part == "lid" {
                "Lid clamped"
            } else {
                "Line pinched"
            },
        ),
    }
}

fn after_pull(pull: &PullFinding, car: Option<&Vehicle>, setup: Option<&str>) -> Next {
    if pull.guard.is_some() {
        return Next::of(
            "Do not pull: first free the engine.",
            crate::report::FREE_IT,
        );
    }
    if pull.plug_out {
        return Next::of(
            "Put the plug in and pull again at the same speed.",
            "Plug out, this is friction alone; the difference is compression's share.",
        );
    }
    match pull.verdict {
        Some(Verdict::Within) => Next::of(
            "Compression lifts the car. Nothing to do here.",
            "Before and after a repair compare pulls of like temperature and like speed.",
        ),
        Some(Verdict::Outside) => Next::of(
            "Put in a new plug gasket, look at the head's screws, then pull again as fast.",
            "Still weak: piston and sleeve, or the head's shims. Weak only when warm: the sleeve is worn near the top.",
        )
        .taking(Test::Pull, setup, "Pull again"),
        Some(Verdict::Undecided) => Next::of(
            "Pull again, as fast as the last one.",
            "Five to eight pulls of one speed draw the range in.",
        )
        .taking(Test::Pull, setup, "Pull again"),
        None if car.is_none() => Next::of(
            "Start the bench with the car's file: without its weight there is no limit.",
            "feelgauge bench --vehicle FILE",
        ),
        None => Next::of(
            "Pull again: a verdict needs three pulls of three strokes or more.",
            "",
        )
        .taking(Test::Pull, setup, "Pull again"),
    }
}

fn after_roll(roll: &RollFinding, car: Option<&Vehicle>, setup: Option<&str>) -> Next {
    let Some(snag) = roll.snags.as_deref().and_then(<[Snag]>::first) else {
        return no_snag(roll, setup);
    };
    let words = |part: &str| car.map_or_else(|| part.to_owned(), |car| car.words_for(part));
    let alike: Vec<String> = snag
        .suspects
        .iter()
        .take_while(|s| (s.probability - snag.probability).abs() < EQUAL)
        .map(|s| words(&s.part))
        .collect();
    let suspects = match alike.as_slice() {
        [] | [_] => format!(
            "Most likely: {}, {}.",
            words(&snag.part),
            percent(snag.probability)
        ),
        several => format!(
            "{} turn together here: nothing in this record tells them apart.",
            capital(&list(several))
        ),
    };
    if roll.doubts_sensor() {
        return Next::of(crate::report::LOOK_AT_SENSOR.to_owned(), suspects);
    }
    let Some(next) = &roll.next_setup else {
        return Next::of(format!("Look at the {}.", words(&snag.part)), suspects);
    };
    let found = setup_of(car, Some(&next.setup)).map_or_else(|| short(&next.setup), label);
    let again = setup == Some(next.setup.as_str());
    let when = if again {
        "The same setup once more"
    } else {
        "Next"
    };
    Next::of(format!("{when}: {found}."), suspects).taking(
        Test::Roll,
        Some(&next.setup),
        if again { "Roll again" } else { "Next setup" },
    )
}

fn no_snag(roll: &RollFinding, setup: Option<&str>) -> Next {
    let depth = stated(roll.limit_snag_depth);
    if roll.verdict == Some(Verdict::Within) {
        return Next::of(
            "It turns freely. Nothing to do here.",
            format!(
                "A snag of {depth} of the drag would have shown in every part that turns in this setup."
            ),
        );
    }
    Next::of(
        "Push or spin, let go, let it run down, again: more turns show weaker snags.",
        format!("Not seen is not: not there. A snag of {depth} of the drag might still hide in some part."),
    )
    .taking(Test::Roll, setup, "Roll again")
}

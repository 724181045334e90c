//! What must be done before a test: five lines where the hands are, and one button that says that it was done.

use maud::{Markup, html};

use super::words::{button, far, label};
use crate::{
    inspect::Test,
    vehicle::{Setup, SetupTest},
};

/// Far word, lines (what, why), the words of the button.
type Caution = (
    &'static str,
    &'static [(&'static str, &'static str)],
    &'static str,
);

const LEAK: Caution = (
    "drain first",
    &[
        ("Drain the tank and flush it.", "Fuel is toxic and burns."),
        ("No flame, no igniter, no hot exhaust.", "Let air move."),
        (
            "Gloves and eye protection on.",
            "Old tanks and lines crack.",
        ),
        (
            "Hand pump with a relief valve.",
            "Never blow by mouth, never air from a compressor.",
        ),
        (
            "Pump on the pressure nipple, fuel line pinched.",
            "The maker's figure wins over the mark here.",
        ),
    ],
    "Drained and sealed",
);

const PULL: Caution = (
    "fuel out",
    &[
        (
            "Igniter off, tank empty, line pinched.",
            "The engine must not start.",
        ),
        (
            "Turn the flywheel by hand past the top, once.",
            "If it will not turn, do not pull: plug out first.",
        ),
        (
            "Hold the car down, nobody's face over the plug.",
            "Cord clear of hair, sleeves and gears.",
        ),
        ("Exhaust cold.", "Gloves and eye protection on."),
        (
            "A cord that will not move is never forced.",
            "This page says STOP: let go at once.",
        ),
    ],
    "Fuel out, cord on",
);

/// Only the first line differs between a stand and the ground.
const ROLL: Caution = (
    "wheels free",
    &[
        (
            "Engine off and cold, clutch free.",
            "Nothing may drive the wheels.",
        ),
        (
            "The stand steady, or a clear way ahead.",
            "The car must not fall or run away.",
        ),
        ("Hair and sleeves away.", "No fingers at gears."),
        (
            "Push or spin, let go, let it run down.",
            "Only turns that run freely count.",
        ),
        (
            "Nothing touches the wheels but what the setup holds.",
            "The sensor and its lead clear of the magnets.",
        ),
    ],
    "Wheels free",
);

/// The scene.
pub(super) fn scene(test: Test, setup: Option<&Setup>) -> Markup {
    let (word, lines, done) = match test {
        Test::Leak => LEAK,
        Test::Pull if is_plug_out(setup) => ("plug out", PULL.1, "Plug out, cord on"),
        Test::Pull => PULL,
        Test::Roll => ROLL,
    };
    html! {
        div #one .one {
            (far(word))
            @if let Some(setup) = setup { p.rng { "Setup: " (label(setup)) "." } }
        }
        ul #care .care {
            @for (what, because) in lines { li { (what) " " span { (because) } } }
        }
        p #local .why {
            "This is a measurement, no certificate: the maker's instructions and local rules come first."
        }
        div #act .act {
            (button("begin", "begin", &[], done, true))
            (button("leave", "leave", &[], "Another test", false))
        }
    }
}

fn is_plug_out(setup: Option<&Setup>) -> bool {
    matches!(
        setup.map(|s| &s.test),
        Some(SetupTest::Pull { plug_in: false, .. })
    )
}

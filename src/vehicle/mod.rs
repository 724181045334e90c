//! The car as a file: mass, tank, starter, gear train, bearings, sensors, setups, limits; and what follows
//! from it, the order of every part in a setup.

/// What kind of part a train of events belongs to.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum PartKind {
    /// A shaft: one event a turn.
    Shaft,
    /// A pair of teeth of a mesh that meet again every `mult` turns of its shaft `a`.
    Pair,
    /// The planets of a diff.
    Planet,
    /// A joint: two events a turn.
    Joint,
    /// Cage, ball, inner or outer race of a bearing.
    Bearing,
}

/// One part that can snag, as seen from the sensed shaft in one setup.
#[derive(Clone, Debug, PartialEq)]
pub struct Part {
    /// Name, as in the vehicle file: `ring_f`, `final_f.pair`, `hub_rl.cage`.
    pub name: String,
    /// Kind of part.
    pub kind: PartKind,
    /// Events per turn of the sensed shaft, > 0.
    pub order: f64,
    /// Relative standard deviation of the order: 0 (geared rigidly, or on a stand), 0.002 (rolling), 0.01 (bearings).
    pub order_sd: f64,
    /// Turns of shaft `a` between two meetings of the same pair (`teeth_b / gcd`); 1 for everything else.
    pub mult: u32,
    /// True when the drivetrain makes it turn in lockstep with the sensed shaft whatever the tyres do.
    pub rigid: bool,
}

/// A shaft or planet that turns in this setup, with what the ripple columns need to know.
#[derive(Clone, Debug, PartialEq)]
pub struct Turning {
    /// Name of the shaft or of the diff (planets).
    pub name: String,
    /// Turns per turn of the sensed shaft, >= 0.
    pub order: f64,
    /// Geared rigidly to the sensed shaft.
    pub rigid: bool,
    /// Named in the setup's `speeds`.
    pub named: bool,
    /// The sensed shaft itself.
    pub sensed: bool,
    /// A diff's planet, not a shaft.
    pub planet: bool,
}

/// Why a part of the file cannot be seen in a setup.
#[derive(Clone, Debug, PartialEq)]
pub struct NotVisible {
    /// Name of the part.
    pub part: String,
    /// Reason in words: "stands still", "order 3.69 above half the magnets (3)".
    pub reason: String,
}

/// A gear train solved for one setup and seen from one sensor: all that the roll measure needs.
#[derive(Clone, Debug, PartialEq)]
pub struct Train {
    /// Magnets on the sensed shaft, 1..=64.
    pub magnets: u32,
    /// The car's mass moves (rolling on the ground) instead of standing on a stand.
    pub rolling: bool,
    /// The sensed shaft is named in `speeds` (a wheel is sensed).
    pub sensed_named: bool,
    /// Turns of the fastest wheel per turn of the sensed shaft; a wheel is a shaft named in the `speeds` of any roll setup.
    pub fastest_wheel: f64,
    /// Parts that can be seen, in the order of the file.
    pub parts: Vec<Part>,
    /// Every shaft and planet that turns.
    pub turning: Vec<Turning>,
    /// Parts that cannot, with the reason (too few events is left to the measure: it depends on the record).
    pub not_visible: Vec<NotVisible>,
}

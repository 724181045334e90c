//! Which setup to try next: the one whose answer is expected to tell most about the part.

use schemars::JsonSchema;
use serde::Serialize;

use crate::vehicle::{Part, Train};

use super::car::SetupTrain;
use super::parts::hidden;
use super::report::SAME_ORDER;

/// Chance that a snag in a visible part shows in the next capture (assumption without source).
const SHOWS: f64 = 0.8;
/// With one group of parts as probable as this nothing is left to ask.
const SETTLED: f64 = 0.95;
/// Informations closer than this are equal, bits.
const TIE: f64 = 1e-9;
/// A setup that tells less than this, bits, tells nothing: its answer would leave every share as it is (judgement).
const TELLS: f64 = 0.01;
/// Parts below this probability are not worth a word.
const WORTH: f64 = 0.01;

/// The setup to try next, with its reason.
#[derive(Clone, Debug, PartialEq, Serialize, JsonSchema)]
pub struct NextSetup {
    /// Name of the setup in the vehicle file.
    pub setup: String,
    /// The car stands on a stand in it: the same snag takes a larger share of the energy.
    pub on_a_stand: bool,
    /// How much its answer is expected to tell about the part, bits.
    pub expected_information_bits: f64,
    /// Suspects that would show in it, in groups of equal rhythm, most probable group first: it tells the groups apart.
    pub shows: Vec<Vec<String>>,
    /// Suspects that would not show in it: they stand or are too quick.
    pub rests: Vec<String>,
}

/// The roll setup of a car whose capture is expected to tell most about which of `parts` holds the snag.
///
/// `parts`: name and probability, sum 1. `turns`: turns of the sensed shaft that the next capture will have (those of the
/// last are the best guess). A snag in a part that turns is expected to show with probability 0.8; parts of equal order
/// show as one. Expected information is the entropy now less the mean entropy after. Ties: on a stand, then the order of
/// the file. `None` when nothing is left to ask or no setup would tell 0.01 bit.
///
/// ```
/// use feelgauge::measure::roll::{RollCar, next_setup};
/// use feelgauge::{physics::PLOVER_8, vehicle::Vehicle};
/// let vehicle = Vehicle::parse(PLOVER_8).unwrap();
/// let car = RollCar::of(&vehicle, Some("straight"), None).unwrap();
/// // rolling straight these four turn together; with the front left wheel spun they do not
/// let parts = ["wheel_fl", "wheel_rl", "ring_f", "ring_r"].map(|p| (p.to_owned(), 0.25));
/// let next = next_setup(&parts, &car.setups, 600.0).unwrap();
/// assert!(next.on_a_stand && next.shows.len() == 2 && next.rests.len() == 2);
/// ```
pub fn next_setup(parts: &[(String, f64)], setups: &[SetupTrain], turns: f64) -> Option<NextSetup> {
    let now = entropy(parts.iter().map(|p| p.1));
    let mut best: Option<NextSetup> = None;
    for setup in setups {
        let next = look(parts, setup, turns, now);
        let better = best.as_ref().is_none_or(|b| {
            let gain = next.expected_information_bits - b.expected_information_bits;
            gain > TIE || (gain > -TIE && next.on_a_stand && !b.on_a_stand)
        });
        if better {
            best = Some(next);
        }
    }
    best.filter(|b| b.expected_information_bits >= TELLS)
}

/// As [`next_setup`], but nothing when one part holds nearly all the probability.
pub(super) fn next_if_open(
    parts: &[(String, f64)],
    setups: &[SetupTrain],
    turns: f64,
) -> Option<NextSetup> {
    let most = parts.iter().map(|p| p.1).fold(0.0, f64::max);
    if most >= SETTLED {
        return None;
    }
    next_setup(parts, setups, turns)
}

/// What one setup would tell.
fn look(parts: &[(String, f64)], setup: &SetupTrain, turns: f64, now: f64) -> NextSetup {
    let (groups, rests) = groups(parts, &setup.train, turns);
    let mut after = 0.0;
    let mut seen = 0.0;
    for group in &groups {
        let p: f64 = group.iter().map(|i| parts[*i].1).sum();
        after += p * SHOWS * entropy(group.iter().map(|i| parts[*i].1 / p));
        seen += p;
    }
    let nothing = 1.0 - SHOWS * seen;
    let quiet = groups.iter().flatten().map(|i| (1.0 - SHOWS) * parts[*i].1);
    let still = rests.iter().map(|i| parts[*i].1);
    if nothing > 0.0 {
        after += nothing * entropy(quiet.chain(still).map(|p| p / nothing));
    }
    let name = |i: &usize| parts[*i].0.clone();
    let share = |group: &[usize]| group.iter().map(|i| parts[*i].1).sum::<f64>();
    let worth = |i: &&usize| parts[**i].1 >= WORTH;
    let mut shown = groups;
    shown.sort_by(|a, b| share(b).total_cmp(&share(a)));
    NextSetup {
        setup: setup.name.clone(),
        on_a_stand: !setup.train.rolling,
        expected_information_bits: (now - after).max(0.0),
        shows: shown
            .iter()
            .map(|g| g.iter().filter(worth).map(name).collect::<Vec<String>>())
            .filter(|g| !g.is_empty())
            .collect(),
        rests: rests.iter().filter(worth).map(name).collect(),
    }
}

/// Indices of the parts in groups that a setup shows as one, and of those that it does not show.
fn groups(parts: &[(String, f64)], train: &Train, turns: f64) -> (Vec<Vec<usize>>, Vec<usize>) {
    let (mut shown, mut rests): (Vec<(f64, usize)>, Vec<usize>) = (Vec::new(), Vec::new());
    for (i, (name, probability)) in parts.iter().enumerate() {
        if *probability <= 0.0 {
            continue;
        }
        match visible(name, train, turns) {
            Some(part) => shown.push((part.order, i)),
            None => rests.push(i),
        }
    }
    shown.sort_by(|a, b| a.0.total_cmp(&b.0));
    let groups = shown
        .chunk_by(|a, b| b.0 - a.0 < SAME_ORDER / turns)
        .map(|group| group.iter().map(|(_, i)| *i).collect())
        .collect();
    (groups, rests)
}

/// The part of a name, when a record of so many turns can show it.
fn visible<'t>(name: &str, train: &'t Train, turns: f64) -> Option<&'t Part> {
    let part = train.parts.iter().find(|p| p.name == name)?;
    hidden(part, train, turns).is_none().then_some(part)
}

/// Entropy in bits of probabilities that sum to 1.
fn entropy(probabilities: impl Iterator<Item = f64>) -> f64 {
    probabilities
        .filter(|p| *p > 0.0)
        .map(|p| -p * libm::log2(p))
        .sum()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::measure::roll::RollCar;
    use crate::vehicle::Vehicle;

    const PLOVER: &str = include_str!("../../../tests/roll/plover-8.toml");

    fn setups() -> Vec<SetupTrain> {
        let vehicle = Vehicle::parse(PLOVER).unwrap();
        let car = RollCar::of(&vehicle, Some("straight"), None).unwrap();
        car.setups
    }

    fn even(names: &[&str]) -> Vec<(String, f64)> {
        let p = 1.0 / names.len() as f64;
        names.iter().map(|n| ((*n).to_owned(), p)).collect()
    }

    // By hand: two parts of which one shows. Shows (0.4): settled. Nothing (0.6): 0.1/0.6 against 0.5/0.6.
    #[test]
    fn information_is_that_of_a_hand_worked_case() {
        let parts = even(&["wheel_fl", "wheel_rl"]);
        let next = next_setup(&parts, &setups(), 600.0).unwrap();
        let left =
            0.6 * (-(1.0 / 6.0) * libm::log2(1.0 / 6.0) - (5.0 / 6.0) * libm::log2(5.0 / 6.0));
        assert!((next.expected_information_bits - (1.0 - left)).abs() < 1e-12);
        assert_eq!((next.setup.as_str(), next.on_a_stand), ("one_fl", true));
        assert_eq!(next.shows, [["wheel_fl"]]);
        assert_eq!(next.rests, ["wheel_rl"]);
    }

    #[test]
    fn what_no_setup_can_split_is_not_asked() {
        // one part: nothing to ask
        assert_eq!(next_setup(&even(&["spur"]), &setups(), 600.0), None);
        let settled = [("ring_f".to_owned(), 0.96), ("ring_r".to_owned(), 0.04)];
        assert_eq!(next_if_open(&settled, &setups(), 600.0), None);
        assert!(next_setup(&settled, &setups(), 600.0).is_some());
        // no other setup in the file
        let straight = &setups()[..1];
        let parts = even(&["wheel_fl", "wheel_rl"]);
        assert_eq!(next_setup(&parts, straight, 600.0), None);
        assert_eq!(next_setup(&parts, &[], 600.0), None);
    }

    // By hand: the entropy of shares 1 - 1e-5 and 1e-5 is 1.8e-4 bit, more no answer can tell.
    #[test]
    fn a_setup_that_tells_next_to_nothing_is_not_proposed() {
        let mut parts = even(&["wheel_fl", "wheel_rl"]);
        parts[0].1 = 1.0 - 1e-5;
        parts[1].1 = 1e-5;
        assert_eq!(next_setup(&parts, &setups(), 600.0), None);
    }

    #[test]
    fn a_stand_is_preferred_among_equals() {
        let mut setups = setups();
        let stand = setups.iter().position(|s| s.name == "one_fl").unwrap();
        let mut rolled = setups[stand].clone();
        rolled.name = "rolled".into();
        rolled.train.rolling = true;
        setups.insert(0, rolled);
        let next = next_setup(&even(&["wheel_fl", "wheel_rl"]), &setups, 600.0).unwrap();
        assert_eq!(next.setup, "one_fl");
    }

    #[test]
    fn a_short_capture_shows_no_slow_part() {
        let parts = even(&["ring_f", "final_f.pair"]);
        let turns = 40.0;
        let next = next_setup(&parts, &setups(), turns).unwrap();
        assert!(next.rests.contains(&"final_f.pair".to_owned()));
    }
}

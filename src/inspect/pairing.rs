//! Which records of two sides may be compared: the same test in the same setup. Pure, and known before any record is
//! analyzed.

use std::collections::BTreeMap;

use super::Test;

/// What a record is, as far as a comparison asks.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct Kind {
    /// The test.
    pub test: Test,
    /// Setup of the vehicle file; `None`: nobody said.
    pub setup: Option<String>,
}

/// How well the setups of two sides agree.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Agreement {
    /// Both sides say the same, or neither says anything.
    Same,
    /// One side does not say in which setup it was taken; nothing contradicts the other's.
    NotStated,
    /// They were taken in different setups.
    Differ,
}

/// Records of both sides to compare with one another.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Pair {
    /// The test.
    pub test: Test,
    /// Setup of both sides, where one is known and they agree.
    pub setup: Option<String>,
    /// How well the setups agree.
    pub agreement: Agreement,
    /// Indices of the records before, in their order; at least one.
    pub before: Vec<usize>,
    /// Indices of the records after; at least one.
    pub after: Vec<usize>,
}

/// The side of a comparison.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Side {
    /// The records taken first.
    Before,
    /// The records to hold against them.
    After,
}

impl Side {
    /// Its word.
    pub fn word(self) -> &'static str {
        match self {
            Self::Before => "before",
            Self::After => "after",
        }
    }
}

/// Records that have no counterpart on the other side.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct LeftOut {
    /// Where they are.
    pub side: Side,
    /// What they are.
    pub kind: Kind,
    /// How many.
    pub records: usize,
}

/// What can be compared and what cannot.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Pairing {
    /// In the order of the tests, then of the setups' names.
    pub pairs: Vec<Pair>,
    /// Nothing is dropped without being named.
    pub left_out: Vec<LeftOut>,
}

/// Records of one test by setup.
type BySetup = BTreeMap<Option<String>, Vec<usize>>;

/// Pairs the records of two sides.
///
/// Where the sides have setups in common, each of these is compared by itself and the others are left out. Where they
/// have none, a side that does not say its setup is held against the only setup of the other side; everything else
/// differs.
///
/// ```
/// use feelgauge::inspect::{Test, pairing::{Kind, pair}};
/// let kind = |test, setup: &str| Kind { test, setup: Some(setup.into()) };
/// let before = [kind(Test::Leak, "whole"), kind(Test::Roll, "one_fl")];
/// let after = [kind(Test::Leak, "lid_clamped"), kind(Test::Leak, "whole")];
/// let pairing = pair(&before, &after);
/// assert_eq!((pairing.pairs.len(), pairing.pairs[0].after.clone()), (1, vec![1]));
/// assert_eq!(pairing.left_out.len(), 2);
/// ```
pub fn pair(before: &[Kind], after: &[Kind]) -> Pairing {
    let mut pairing = Pairing::default();
    for test in Test::ALL {
        pairing.of_test(test, by_setup(before, test), by_setup(after, test));
    }
    pairing
}

fn by_setup(kinds: &[Kind], test: Test) -> BySetup {
    let mut found = BySetup::new();
    for (i, kind) in kinds.iter().enumerate().filter(|(_, k)| k.test == test) {
        found.entry(kind.setup.clone()).or_default().push(i);
    }
    found
}

impl Pairing {
    fn of_test(&mut self, test: Test, mut before: BySetup, mut after: BySetup) {
        let common: Vec<Option<String>> = before
            .keys()
            .filter(|setup| after.contains_key(*setup))
            .cloned()
            .collect();
        for setup in &common {
            if let (Some(before), Some(after)) = (before.remove(setup), after.remove(setup)) {
                self.pairs.push(Pair {
                    test,
                    setup: setup.clone(),
                    agreement: Agreement::Same,
                    before,
                    after,
                });
            }
        }
        if common.is_empty() && !before.is_empty() && !after.is_empty() {
            self.pairs
                .push(without_common(test, &mut before, &mut after));
        }
        for (side, rest) in [(Side::Before, before), (Side::After, after)] {
            self.left_out
                .extend(rest.into_iter().map(|(setup, records)| LeftOut {
                    side,
                    kind: Kind { test, setup },
                    records: records.len(),
                }));
        }
    }
}

/// Takes what can be held against each other from two sides without a setup in common.
fn without_common(test: Test, before: &mut BySetup, after: &mut BySetup) -> Pair {
    let only = |side: &BySetup| match &side.keys().collect::<Vec<_>>()[..] {
        [Some(setup)] => Some(setup.clone()),
        _ => None,
    };
    let setup = if before.contains_key(&None) {
        only(after)
    } else if after.contains_key(&None) {
        only(before)
    } else {
        None
    };
    let one_is_silent = setup.is_some();
    let take = |side: &mut BySetup| {
        let silent = if one_is_silent {
            side.remove(&None)
        } else {
            None
        };
        silent.unwrap_or_else(|| {
            let mut all: Vec<usize> = std::mem::take(side).into_values().flatten().collect();
            all.sort_unstable();
            all
        })
    };
    Pair {
        test,
        setup,
        agreement: if one_is_silent {
            Agreement::NotStated
        } else {
            Agreement::Differ
        },
        before: take(before),
        after: take(after),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn kinds(test: Test, setups: &[&str]) -> Vec<Kind> {
        let setup = |s: &&str| (!s.is_empty()).then(|| (*s).to_owned());
        let kind = |s| Kind {
            test,
            setup: setup(s),
        };
        setups.iter().map(kind).collect()
    }

    /// Pairs as `setup: before | after` and how they agree; then what is left out, `side setup count`.
    fn said(before: &[&str], after: &[&str]) -> (Vec<String>, Vec<String>) {
        let pairing = pair(&kinds(Test::Pull, before), &kinds(Test::Pull, after));
        let pair = |p: &Pair| {
            let setup = p.setup.as_deref().unwrap_or("-");
            format!("{setup}: {:?}|{:?} {:?}", p.before, p.after, p.agreement)
        };
        let left = |l: &LeftOut| {
            let setup = l.kind.setup.as_deref().unwrap_or("-");
            format!("{} {setup} {}", l.side.word(), l.records)
        };
        (
            pairing.pairs.iter().map(pair).collect(),
            pairing.left_out.iter().map(left).collect(),
        )
    }

    #[test]
    fn setups_are_compared_one_by_one_and_nothing_is_dropped_silently() {
        let strings = |s: &[&str]| s.iter().map(|s| (*s).to_owned()).collect::<Vec<_>>();
        let check = |before: &[&str], after: &[&str], pairs: &[&str], left: &[&str]| {
            let (found, out) = said(before, after);
            assert_eq!(
                (found, out),
                (strings(pairs), strings(left)),
                "{before:?} {after:?}"
            );
        };
        check(&[""], &["", ""], &["-: [0]|[0, 1] Same"], &[]);
        check(
            &["in", "out", "in"],
            &["out", "in"],
            &["in: [0, 2]|[1] Same", "out: [1]|[0] Same"],
            &[],
        );
        check(
            &["in", "out"],
            &["in"],
            &["in: [0]|[0] Same"],
            &["before out 1"],
        );
        check(&["in", ""], &["in"], &["in: [0]|[0] Same"], &["before - 1"]);
        // one side does not say
        check(&[""], &["in", "in"], &["in: [0]|[0, 1] NotStated"], &[]);
        check(&["in"], &[""], &["in: [0]|[0] NotStated"], &[]);
        check(
            &["out", ""],
            &["in"],
            &["in: [1]|[0] NotStated"],
            &["before out 1"],
        );
        // which of them is meant, nobody knows
        check(&[""], &["in", "out"], &["-: [0]|[0, 1] Differ"], &[]);
        check(&["out"], &["in"], &["-: [0]|[0] Differ"], &[]);
        check(&[], &["in"], &[], &["after in 1"]);
    }

    #[test]
    fn tests_are_never_mixed() {
        let pairing = pair(&kinds(Test::Leak, &["x"]), &kinds(Test::Roll, &["x"]));
        assert!(pairing.pairs.is_empty());
        assert_eq!(pairing.left_out.len(), 2);
    }
}

//! Before and after on simulated engines: the same engine on other days, worn or not, pulled faster or slower.
//! Sessions are fresh ones: every pull is used once.

use std::{collections::BTreeMap, slice::from_ref};

use feelgauge::{
    measure::{
        compare::{Change, Direction},
        pull::{Prior, PullComparison, PullFinding, PullSettings, UsablePull, compare, shift},
    },
    physics::{
        engine::{EngineScenario, Probe, simulate},
        noise::Noise,
    },
};

use crate::at_least;
use crate::numbers::Numbers;
use crate::score::{measure, run};

/// Spread of the ratio of the two sides' mean cadences.
const SHIFT_SD: f64 = 0.12;

/// Most of `n` that still fit a true share `p`: three standard deviations and one above the mean.
fn at_most(n: usize, p: f64) -> f64 {
    n as f64 - at_least(n, 1.0 - p)
}

/// An engine with the true change of its force, as a natural logarithm.
struct Engine {
    seed: u64,
    sound: EngineScenario,
    worn: EngineScenario,
    truth: f64,
}

impl Engine {
    /// The truth comes from twins: the same start angles, speeds and pauses on the same day, at speeds so different that the
    /// engine's own slope shows.
    fn new(seed: u64, wear: f64, probe: Probe) -> Self {
        let mut sound = EngineScenario {
            probe,
            pulls: 16,
            ..EngineScenario::drawn(seed)
        };
        sound.hand.speed_sd = 0.25;
        let open = Prior {
            slope_sd: 10.0,
            scatter_dof: 0.0,
            ..Prior::default()
        };
        let truth = if wear.abs() > 0.0 {
            let (one, other) = (run(&sound, seed).0, run(&sound.wear(wear), seed).0);
            shift(&one.usable, &other.usable, &open).ln_ratio
        } else {
            0.0
        };
        sound.hand.speed_sd = 0.12;
        Self {
            seed,
            sound,
            worn: sound.wear(wear),
            truth,
        }
    }

    /// Finding of some pulls on a day of their own, at a mean speed of their own.
    fn side(&self, scenario: &EngineScenario, day: u64, pulls: usize) -> PullFinding {
        let seed = 1000 * self.seed + day;
        let mut today = scenario.on_another_day(seed);
        let spread = SHIFT_SD / std::f64::consts::SQRT_2;
        today.hand.speed_m_s *= libm::exp(spread * Noise::new(seed, 1).normal());
        today.pulls = pulls;
        run(&today, seed).0
    }

    /// Both sides.
    fn session(&self, k: u64, pulls: usize) -> [PullFinding; 2] {
        [
            self.side(&self.sound, 2 * k, pulls),
            self.side(&self.worn, 2 * k + 1, pulls),
        ]
    }
}

/// The first pulls of a finding.
fn first(finding: &PullFinding, n: usize) -> PullFinding {
    let mut few = finding.clone();
    few.usable.truncate(n);
    few
}

/// What the comparisons did.
#[derive(Debug, Default)]
struct Tally {
    compared: usize,
    refused: BTreeMap<String, usize>,
    covered: usize,
    /// Decided although nothing had changed, of how many.
    false_claims: [usize; 2],
    /// Decided and right when the true change was above 8 %, of how many.
    power: [usize; 2],
    half_width: Numbers,
    detectable: Numbers,
}

impl Tally {
    /// Sessions of `n` pulls a side, the first ones of `sessions`.
    fn of(sessions: &[(f64, [PullFinding; 2])], n: usize) -> Self {
        let mut tally = Self::default();
        for (truth, [before, after]) in sessions {
            tally.add(*truth, &compare(&[first(before, n)], &[first(after, n)]));
        }
        tally
    }

    fn add(&mut self, truth: f64, got: &PullComparison) {
        let Some(ratio) = got.ratio else {
            for refusal in got.refused.iter().flatten() {
                *self.refused.entry(refusal.code.clone()).or_default() += 1;
            }
            return;
        };
        self.compared += 1;
        let true_ratio = libm::exp(truth);
        self.covered += usize::from(ratio.lo95 <= true_ratio && true_ratio <= ratio.hi95);
        let half = (ratio.hi95 - ratio.lo95) / 2.0 / ratio.value;
        self.half_width.0.push(half);
        self.detectable
            .0
            .push(got.minimum_detectable_change.unwrap());
        if truth.abs() < 1e-12 {
            self.false_claims[1] += 1;
            self.false_claims[0] += usize::from(got.verdict != Direction::Undecided);
        } else if truth.abs() > libm::log(1.08) {
            let right = if truth > 0.0 {
                Direction::Higher
            } else {
                Direction::Lower
            };
            self.power[1] += 1;
            self.power[0] += usize::from(got.verdict == right);
        }
    }
}

/// `sessions` each of `engines`, every third of which is not worn.
fn sessions(
    engines: std::ops::Range<u64>,
    sessions: u64,
    pulls: usize,
    probe: Probe,
) -> Vec<(f64, [PullFinding; 2])> {
    let mut all = Vec::new();
    for seed in engines {
        let wear = [0.0, 0.3, 0.5][usize::try_from(seed % 3).unwrap()];
        let engine = Engine::new(seed, wear, probe);
        all.extend((0..sessions).map(|k| (engine.truth, engine.session(k, pulls))));
    }
    all
}

/// The published table (2.1 to 4.6 cm3, 200 readings a second, cadence shift sd 12 %): pulls a side, cover, false claims,
/// minimum detectable change, power for true changes above 8 %.
const TABLE: [(usize, f64, f64, f64, f64); 3] = [
    (3, 0.97, 0.018, 0.15, 0.77),
    (5, 0.97, 0.032, 0.12, 0.88),
    (10, 0.96, 0.038, 0.101, 0.95),
];

#[test]
fn comparisons_keep_what_the_table_says() {
    let all = sessions(400..409, 3, 10, Probe::new(400, 1));
    for (n, cover, false_claims, detectable, power) in TABLE {
        let tally = Tally::of(&all, n);
        assert!(tally.compared >= 20, "{n}: refused {:?}", tally.refused);
        assert!(
            tally.covered as f64 >= at_least(tally.compared, cover),
            "{n}: {tally:?}"
        );
        let [wrong, of] = tally.false_claims;
        assert!(wrong as f64 <= at_most(of, false_claims), "{n}: {tally:?}");
        let [right, of] = tally.power;
        assert!(
            of > 5 && right as f64 >= at_least(of, power),
            "{n}: {tally:?}"
        );
        // Other engines and people scatter otherwise: a third.
        let median = tally.detectable.quantile(0.5).0;
        assert!((median / detectable - 1.0).abs() < 0.33, "{n}: {median}");
    }
}

/// `cargo test --release --test pull -- --ignored --nocapture comparisons`
#[test]
#[ignore = "a study of two minutes in release, run by hand"]
fn comparisons_of_many_engines() {
    for probe in [Probe::new(200, 1), Probe::new(1000, 1)] {
        let all = sessions(1000..1080, 4, 10, probe);
        for n in [3, 4, 5, 6, 8, 10] {
            let t = Tally::of(&all, n);
            let share =
                |[k, of]: [usize; 2]| format!("{:.1} % of {of}", 100.0 * k as f64 / of as f64);
            eprintln!(
                "{} Hz, {n:2} pulls a side: {} compared, refused {:?}, cover {:.1} %, half width {:.1} %, false claims {}, detectable {:.1} %, power above 8 % {}",
                probe.rate_hz,
                t.compared,
                t.refused,
                100.0 * t.covered as f64 / t.compared as f64,
                100.0 * t.half_width.quantile(0.5).0,
                share(t.false_claims),
                100.0 * t.detectable.quantile(0.5).0,
                share(t.power),
            );
            assert!(t.compared > 200);
        }
    }
}

/// Pulls on a straight line through (ln 18, ln 40) with the given slope and no scatter.
pub fn line(n: usize, slope: f64, faster: f64, stronger: f64) -> Vec<UsablePull> {
    (0..n)
        .map(|k| {
            let x = 0.04 * k as f64 + faster;
            UsablePull {
                ln_peak: libm::log(40.0) + slope * x + stronger,
                ln_cadence: libm::log(18.0) + x,
                u_ln_cadence: 0.001,
            }
        })
        .collect()
}

/// A finding of a probe at 1000 Hz that holds these pulls and nothing else.
pub fn holding(usable: Vec<UsablePull>) -> PullFinding {
    let mut finding = run(
        &EngineScenario {
            pulls: 1,
            ..EngineScenario::plover()
        },
        1,
    )
    .0;
    finding.usable = usable;
    finding
}

#[test]
fn a_record_beside_itself_says_so() {
    let one = holding(line(4, 0.45, 0.0, 0.0));
    let itself = compare(from_ref(&one), from_ref(&one));
    assert_eq!(itself.quality.common.flags, ["same_record"]);
    let other = run(&EngineScenario::plover(), 2).0;
    let two = compare(from_ref(&one), &[other]);
    assert!(two.quality.common.flags.is_empty());
}

#[test]
fn pulls_without_scatter_are_compared_all_the_same() {
    // Faster by 10 % and stronger by exactly what the usual slope makes of that: nothing has changed.
    let before = holding(line(4, 0.45, 0.0, 0.0));
    let same = compare(from_ref(&before), &[holding(line(4, 0.45, 0.1, 0.0))]);
    let ratio = same.ratio.unwrap();
    assert!((ratio.value - 1.0).abs() < 1e-9 && (same.slope.unwrap() - 0.45).abs() < 1e-9);
    // Scatter: only the prior's 4 of 9 degrees of freedom.
    let scatter = 0.035 * libm::sqrt(4.0 / 9.0);
    assert!((same.quality.scatter.unwrap() - scatter).abs() < 1e-9);
    assert_eq!(
        (same.verdict, same.change),
        (Direction::Undecided, Change::NotShown)
    );
    let better = compare(&[before], &[holding(line(4, 0.45, 0.1, 0.3))]);
    assert_eq!(
        (better.change, better.more_pulls),
        (Change::Better, Some(0))
    );
    assert!((better.ratio.unwrap().value - libm::exp(0.3)).abs() < 1e-9);
    let difference = better.difference.unwrap();
    // Level half way: 40 N x exp(0.45 x 0.11) x exp(+-0.15), so the difference is 2 L sinh 0.15.
    let level = 40.0 * libm::exp(0.45 * 0.11 + 0.15);
    assert!((difference.value - 2.0 * level * libm::sinh(0.15)).abs() < 1e-9);
    assert!(difference.lo95 > 0.0 && difference.hi95 > difference.value);
}

#[test]
fn forces_scale_out_and_swapped_sides_mirror() {
    let engine = Engine::new(5, 0.5, Probe::new(400, 1));
    let [before, after] = engine.session(0, 5);
    let one = compare(from_ref(&before), from_ref(&after));
    let scaled = |finding: &PullFinding| {
        let mut finding = finding.clone();
        for pull in &mut finding.usable {
            pull.ln_peak += libm::log(4.448);
        }
        finding
    };
    let pounds = compare(&[scaled(&before)], &[scaled(&after)]);
    let (a, b) = (one.ratio.unwrap(), pounds.ratio.unwrap());
    assert!((a.value / b.value - 1.0).abs() < 1e-12 && (a.hi95 / b.hi95 - 1.0).abs() < 1e-12);
    let back = compare(from_ref(&after), from_ref(&before)).ratio.unwrap();
    assert!((a.value * back.value - 1.0).abs() < 1e-12);
    assert!((a.lo95 * back.hi95 - 1.0).abs() < 1e-12 && (a.hi95 * back.lo95 - 1.0).abs() < 1e-12);
    // Two files a side are one session.
    let halves = |f: &PullFinding| {
        let (mut one, mut other) = (f.clone(), f.clone());
        other.usable = one.usable.split_off(2);
        [one, other]
    };
    let pooled = compare(&halves(&before), &halves(&after));
    assert_eq!(
        (pooled.ratio, pooled.more_pulls),
        (one.ratio, one.more_pulls)
    );
    let squares: f64 = one.budget.iter().map(|c| c.u * c.u).sum();
    assert!((squares.sqrt() / a.u - 1.0).abs() < 1e-12);
}

fn codes(comparison: &PullComparison) -> Vec<&str> {
    let refused = comparison.refused.iter().flatten();
    refused.map(|r| r.code.as_str()).collect()
}

/// A change to one side.
type Spoil = fn(&mut PullFinding);

#[test]
fn what_cannot_be_compared_is_refused() {
    let good = holding(line(5, 0.4, 0.0, 0.0));
    assert!(compare(from_ref(&good), from_ref(&good)).refused.is_none());
    let cases: [(Spoil, &[&str]); 10] = [
        (|f| f.usable.truncate(1), &["too_few_pulls"]),
        (|f| f.usable.truncate(2), &["too_few_pulls"]),
        (
            |f| f.quality.rate_hz = Some(80.0),
            &["sensor_too_slow", "sensor_differs"],
        ),
        (|f| f.quality.rate_hz = Some(320.0), &["sensor_differs"]),
        (|f| f.quality.rate_hz = Some(840.0), &[]),
        (|f| f.quality.filter_order = 4, &[]),
        (
            |f| {
                f.quality.filter_order = 4;
                for pull in &mut f.usable {
                    pull.ln_cadence = libm::log(34.0);
                }
            },
            &["sensor_differs", "cadence_differs"],
        ),
        (
            |f| {
                for pull in &mut f.usable {
                    pull.ln_cadence += 0.36;
                }
            },
            &["cadence_differs"],
        ),
        (|f| f.plug_out = true, &["setup_differs"]),
        (|f| f.usable.clear(), &["too_few_pulls"]),
    ];
    for (n, (spoil, expected)) in cases.into_iter().enumerate() {
        let mut bad = good.clone();
        spoil(&mut bad);
        for (before, after) in [(&good, &bad), (&bad, &good)] {
            let got = compare(from_ref(before), from_ref(after));
            assert_eq!(codes(&got), expected, "case {n}");
            if !expected.is_empty() {
                assert_eq!(
                    (got.ratio, got.verdict, got.change, got.more_pulls),
                    (None, Direction::Undecided, Change::NotShown, None)
                );
            }
        }
    }
    let mut warm = good.clone();
    let mut cold = good.clone();
    (warm.warm, cold.warm) = (Some(true), Some(false));
    assert_eq!(codes(&compare(&[warm], &[cold])), ["setup_differs"]);
}

#[test]
fn a_clipped_record_spoils_its_side_and_an_empty_one_does_not() {
    let good = holding(line(5, 0.4, 0.0, 0.0));
    let quiet = measure(&[], PullSettings::default());
    let again = holding(line(5, 0.4, 0.0, 0.01));
    let both = compare(&[good.clone(), quiet.clone()], &[again]);
    assert_eq!((both.refused.clone(), both.before), (None, 5));
    assert_eq!(both.quality.common.flags, ["record_without_pulls"]);
    assert_eq!(
        codes(&compare(&[quiet], from_ref(&good))),
        ["no_pull", "too_few_pulls"]
    );
    let record = simulate(&EngineScenario::plover(), 2);
    let low: Vec<_> = record
        .readings
        .iter()
        .map(|r| feelgauge::reading::ForceReading {
            force_n: r.force_n.min(30.0),
            ..*r
        })
        .collect();
    let clipped = measure(
        &low,
        PullSettings {
            range_n: Some(30.0),
            ..PullSettings::default()
        },
    );
    assert_eq!(
        codes(&compare(&[good.clone(), clipped], &[good])),
        ["clipped"]
    );
}

/// The calibration of one sensor cancels; of two it does not.
#[test]
fn two_sensors_bring_their_calibrations() {
    let of = |sensor: Option<[u8; 16]>, u_relative: f64| {
        let mut finding = holding(line(5, 0.4, 0.0, 0.0));
        finding.calibration.u_relative = u_relative;
        finding.sensor = sensor;
        finding
    };
    let u = |a: PullFinding, b: PullFinding| compare(&[a], &[b]).ratio.unwrap().u;
    let (one, other) = (Some([1; 16]), Some([2; 16]));
    let none = u(of(None, 0.0), of(None, 0.0));
    let close = |a: f64, b: f64| (a / b - 1.0).abs() < 1e-12;
    assert!(close(u(of(one, 0.03), of(one, 0.03)), none));
    assert!(close(
        u(of(one, 0.03), of(other, 0.04)),
        libm::hypot(none, 0.05)
    ));
    assert!(close(
        u(of(None, 0.03), of(None, 0.0)),
        libm::hypot(none, 0.03)
    ));
}

/// Without a day term and with nothing known beforehand it is the interval of two means, and more pulls always help.
#[test]
fn without_priors_pulls_alone_decide() {
    let prior = Prior {
        day: 0.0,
        ..Prior::default()
    };
    let wide = shift(
        &line(3, 0.4, 0.0, 0.0),
        &line(3, 0.4, 0.0, 0.1),
        &Prior::default(),
    );
    let narrow = shift(&line(3, 0.4, 0.0, 0.0), &line(3, 0.4, 0.0, 0.1), &prior);
    assert!((libm::hypot(narrow.u, 0.02 * std::f64::consts::SQRT_2) - wide.u).abs() < 1e-12);
    // By hand: t(19) sqrt(0.0007 x 2/9 + 0.0008) + 0.84 sqrt(0.0007 (2/3 - 2/9)) = 0.0795, and 0.0802 with five.
    let few = compare(
        &[holding(line(3, 0.45, 0.0, 0.0))],
        &[holding(line(3, 0.45, 0.0, 0.08))],
    );
    assert_eq!(
        (few.verdict, few.more_pulls),
        (Direction::Undecided, Some(6))
    );
    let little = compare(
        &[holding(line(3, 0.45, 0.0, 0.0))],
        &[holding(line(3, 0.45, 0.0, 0.01))],
    );
    assert_eq!(little.more_pulls, None, "the day hides it");
}

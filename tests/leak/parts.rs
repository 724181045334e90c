//! Ruling out by setups, through simulated captures.

use feelgauge::measure::leak::{
    LeakFinding, LeakParts, LeakRow, LeakSettings, OfferedSetup, Regime, rule_out, rule_out_offered,
};
use feelgauge::physics::noise::Noise as Random;
use feelgauge::physics::tank::{TankScenario, simulate};

use crate::{analyze, tanks};

const PARTS: [&str; 3] = ["lid", "line", "body"];

fn names() -> Vec<String> {
    PARTS.iter().map(|p| (*p).to_owned()).collect()
}

fn pattern(text: &str) -> Vec<bool> {
    text.bytes().map(|b| b == b'1').collect()
}

/// A capture of a tank in which the open parts of `leaks` leak, `minutes` after the first of the day.
fn capture(
    tank: &TankScenario,
    leaks: [f64; 3],
    open: &str,
    (minutes, seed): (f64, u64),
    volume_m3: f64,
) -> LeakRow {
    let leaking = pattern(open);
    let mut scenario = tank.later(60.0 * minutes);
    scenario.leak_rate_pa_m3_s = leaking
        .iter()
        .zip(leaks)
        .filter(|(open, _)| **open)
        .map(|(_, leak)| leak)
        .sum();
    let simulated = simulate(&scenario, seed);
    let settings = LeakSettings {
        volume_u_m3: Some(0.08 * volume_m3),
        p_ref_pa: Some(tank.p_ref_pa),
        ..LeakSettings::of_volume(volume_m3)
    };
    LeakRow {
        setup: open.to_owned(),
        leaking,
        finding: analyze(settings, &simulated.readings),
    }
}

fn of_day(seed: u64, leaks: [f64; 3], setups: &[&str]) -> Vec<LeakRow> {
    let tank = TankScenario::drawn(seed);
    let volume_m3 = tank.volume_m3 * (1.0 + 0.08 * Random::new(seed, 77).normal());
    (0u32..)
        .zip(setups)
        .map(|(i, open)| {
            let when = (3.0 * f64::from(i), seed * 10 + u64::from(i));
            capture(&tank, leaks, open, when, volume_m3)
        })
        .collect()
}

fn code(parts: &LeakParts) -> &str {
    parts
        .refused
        .as_ref()
        .map_or("none", |r| r[0].code.as_str())
}

/// One part leaks, three captures of one day (the drift they share is simulated, unlike in the study of the kernel):
/// how often it is named, and how often wrongly. Measured with 200 cars: named 191, wrong 0, interval covers 197.
#[test]
fn the_leaking_part_is_named() {
    let n = tanks(24);
    let (mut named, mut wrong, mut covered) = (0u32, 0u32, 0u32);
    for seed in 5001..5001 + n {
        let mut random = Random::new(seed, 80);
        let at = usize::try_from(random.below(3)).unwrap();
        let mut leaks = [0.0; 3];
        leaks[at] = libm::exp(random.uniform(libm::log(3e-4), libm::log(1e-2)));
        let parts = rule_out(&names(), &of_day(seed, leaks, &["111", "011", "101"]));
        assert_eq!(code(&parts), "none", "seed {seed}: {:?}", parts.refused);
        let rate = parts.parts[at].leak_rate_pa_m3_s.unwrap();
        covered += u32::from(rate.lo95 <= leaks[at] && leaks[at] <= rate.hi95);
        if let Some(name) = &parts.named {
            named += 1;
            wrong += u32::from(name != PARTS[at]);
            assert!(parts.next_setup.is_none());
        } else {
            assert!(parts.next_setup.is_some(), "seed {seed}");
        }
    }
    println!(
        "one part above 3e-4, seeds from 5001: {n} cars, named {named}, wrong {wrong}, interval covers {covered}"
    );
    let n = n as f64;
    // 98-99.6 % are named with drawn errors; a wrong name is promised in at most 5 %
    assert!(f64::from(named) >= 0.85 * n && f64::from(wrong) <= 0.05 * n + 1.0);
    assert!(f64::from(covered) >= 0.95 * n - 3.2 * (0.0475 * n).sqrt());
}

#[test]
fn what_cannot_be_separated_is_said_and_the_next_setup_proposed() {
    let rows = of_day(5100, [2e-3, 1e-4, 0.0], &["111", "011"]);
    let offered: Vec<OfferedSetup> = [
        ("whole", "111"),
        ("lid_clamped", "011"),
        ("line_pinched", "101"),
    ]
    .iter()
    .map(|(name, open)| OfferedSetup {
        setup: Some((*name).into()),
        leaking: pattern(open),
    })
    .collect();
    let parts = rule_out_offered(&names(), &rows, &offered);
    assert_eq!(code(&parts), "none");
    assert!(parts.named.is_none());
    assert!(
        parts.parts[0].leak_rate_pa_m3_s.is_some() && parts.parts[1].leak_rate_pa_m3_s.is_none()
    );
    assert!(parts.parts.iter().all(|p| p.probability_largest.is_none()));
    assert_eq!(parts.known_sums.len(), 1);
    assert_eq!(parts.known_sums[0].parts, ["line", "body"]);
    let next = parts.next_setup.unwrap();
    assert_eq!(next.setup.as_deref(), Some("line_pinched"));
    assert_eq!(
        (next.parts, next.sealed),
        (vec!["lid".into(), "body".into()], vec!["line".to_string()])
    );
    // One record only: its total is known, nothing else.
    let parts = rule_out(&names(), &rows[..1]);
    assert_eq!(
        (parts.known_sums.len(), parts.known_sums[0].parts.len()),
        (1, 3)
    );
    assert!(parts.next_setup.is_some());
}

#[test]
fn what_cannot_be_ruled_out_is_refused() {
    let rows = of_day(5200, [2e-3, 0.0, 0.0], &["111", "011"]);
    assert_eq!(code(&rule_out(&names()[..2], &rows)), "parts_unknown");
    assert_eq!(code(&rule_out(&[], &[])), "parts_unknown");
    assert_eq!(code(&rule_out(&names(), &[])), "no_usable_hold");
    let mut other = rows.clone();
    other[1].finding.p_ref_pa = Some(1e3);
    assert_eq!(code(&rule_out(&names(), &other)), "p_ref_differs");
    let mut twice = rows.clone();
    twice.push(LeakRow {
        leaking: pattern("101"),
        ..rows[0].clone()
    });
    assert_eq!(code(&rule_out(&names(), &twice)), "same_capture_twice");
    let mut closed = rows[..1].to_vec();
    closed[0].leaking = pattern("000");
    assert_eq!(code(&rule_out(&names(), &closed)), "no_independent_setups");
    let mut lifted = rows;
    lifted[0].finding = LeakFinding {
        regime: Some(Regime::Lid),
        ..lifted[0].finding.clone()
    };
    assert_eq!(
        code(&rule_out(&names(), &lifted)),
        "lid_rate_not_calibrated"
    );
}

//! The guide of a roll: what is shown while it runs.

use std::time::Instant;

use feelgauge::inspect::guide::{Guide, RollPhase, RollView, View};
use feelgauge::inspect::{Reading, Settings, Stated, Test, settings};
use feelgauge::measure::roll::RollFinding;
use feelgauge::physics::drivetrain::{DrivetrainScenario, DrivetrainTruth, simulate};
use feelgauge::reading::{Edge, Verdict};

use super::find;

/// One look of a guide: time of the last edge, s, and what the search found.
pub struct Look {
    pub t_s: f64,
    pub edges: usize,
    pub finding: RollFinding,
    pub view: RollView,
}

pub fn settings_of(scenario: &DrivetrainScenario) -> Settings {
    let stated = Stated {
        setup: Some(scenario.setup.clone()),
        ..Stated::default()
    };
    settings(Test::Roll, &stated, Some(scenario.vehicle()), &[]).unwrap()
}

pub fn view(guide: &Guide) -> RollView {
    match guide.view() {
        View::Roll(view) => *view,
        other => panic!("{other:?}"),
    }
}

/// Runs a guide over a record, each search at once; `seen` is called after every edge.
pub fn follow(guide: &mut Guide, edges: &[Edge], mut seen: impl FnMut(usize, &Guide)) -> Vec<Look> {
    let mut looks = Vec::new();
    for (i, edge) in edges.iter().enumerate() {
        guide.push(Reading::Edge(*edge));
        if let Some(study) = guide.study() {
            let studied = study.run();
            let finding = studied.as_roll().unwrap().clone();
            guide.learn(studied);
            looks.push(Look {
                t_s: edge.t_us as f64 * 1e-6,
                edges: i + 1,
                finding,
                view: view(guide),
            });
        }
        seen(i, guide);
    }
    looks
}

/// The demo car, `duration_s` long.
fn demo(
    setup: &str,
    snagged: bool,
    duration_s: f64,
    seed: u64,
) -> (Settings, Vec<Edge>, DrivetrainTruth) {
    let mut car = DrivetrainScenario::plover_in(setup, snagged).unwrap();
    car.conditions.duration_s = duration_s;
    let record = simulate(&car, seed);
    (settings_of(&car), record.readings, record.truth)
}

#[test]
fn guide_prints() {
    for (setup, snagged) in [("one_fl", true), ("straight", true), ("straight", false)] {
        let (settings, edges, truth) = demo(setup, snagged, 90.0, 3);
        let mut guide = Guide::new(&settings);
        let mut slowest = (0.0f64, 0.0f64);
        let mut wrong = [0usize; 2];
        let looks = follow(&mut guide, &edges, |i, guide| {
            let t = edges[i].t_us as f64 * 1e-6;
            let begin = Instant::now();
            let v = view(guide);
            slowest.0 = slowest.0.max(begin.elapsed().as_secs_f64());
            let free = truth.coasts.iter().any(|(a, b)| *a < t - 0.05 && t < *b);
            if v.phase != RollPhase::Over {
                wrong[usize::from(free)] += usize::from((v.phase == RollPhase::Coasting) != free);
            }
        });
        for l in &looks {
            let v = &l.view;
            println!(
                "{setup} {:6.1} s {:6.1} turns {:5} edges alarm {:.2e} lnB {:.2} {:?} reported hits {:?} more {:?} over {} top {:?} strips {} hits in {}",
                l.t_s,
                v.turns,
                l.edges,
                l.finding.false_alarm_probability.unwrap_or(f64::NAN),
                l.finding.quality.ln_bayes.unwrap_or(f64::NAN),
                v.verdict,
                v.hits,
                v.more_turns,
                v.is_over,
                v.suspects.first().map(|s| (s.part.clone(), s.probability)),
                v.strips.len(),
                v.hit_turns.len()
            );
        }
        println!(
            "view {:.1} us, phase wrong {wrong:?} of {}",
            slowest.0 * 1e6,
            edges.len()
        );
    }
    let _ = (Verdict::Within, find as fn(_, _) -> _);
}

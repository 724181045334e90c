//! The hall probe at the drivetrain, and the hand that pushes and lets go.

use super::world::Car;
use crate::physics::drivetrain::{DrivetrainScenario, SnagScenario, simulate};

/// How much of a roll is worked out at first, s; twice as much whenever it runs out.
const FIRST_S: f64 = 60.0;
/// The hand is tired then, s.
const LONGEST_S: f64 = 480.0;
/// Edges of the last seconds of what was worked out may lack a neighbour.
const MARGIN_US: u64 = 2_000_000;

#[derive(Debug)]
struct Rolling {
    scenario: DrivetrainScenario,
    seed: u64,
    from_us: u64,
    /// Microseconds since `from_us`.
    edges: Vec<u64>,
    /// Edges that were told.
    told: usize,
}

/// Drivetrain, magnets, sensor and hand.
#[derive(Debug, Default)]
pub(super) struct Wheel {
    made_us: u64,
    rolling: Option<Box<Rolling>>,
}

impl Wheel {
    /// The edges until then.
    pub fn until(&mut self, to_us: u64, out: &mut Vec<(u64, f64)>) {
        self.made_us = self.made_us.max(to_us);
        let Some(rolling) = &mut self.rolling else {
            return;
        };
        rolling.work_out(to_us);
        let more = rolling.edges[rolling.told..].iter();
        let now = more.map(|us| rolling.from_us + us);
        out.extend(now.take_while(|us| *us <= to_us).map(|us| (us, 0.0)));
        rolling.skip(to_us);
    }

    /// Nobody reads: time goes on.
    pub fn skip(&mut self, to_us: u64) {
        self.made_us = self.made_us.max(to_us);
        if let Some(rolling) = &mut self.rolling {
            rolling.work_out(to_us);
            rolling.skip(to_us);
        }
    }

    /// A roll begins.
    pub fn begin(&mut self, car: &Car, setup: Option<&str>, seed: u64) {
        let Some(mut scenario) = scenario(car, setup) else {
            return;
        };
        scenario.conditions.duration_s = FIRST_S;
        self.rolling = Some(Box::new(Rolling {
            edges: edges(&scenario, seed),
            scenario,
            seed,
            from_us: self.made_us,
            told: 0,
        }));
    }

    /// The test is over: a hand catches the wheel.
    pub fn end(&mut self) {
        self.rolling = None;
    }
}

impl Rolling {
    /// The same seed over a longer time begins with the same edges.
    fn work_out(&mut self, to_us: u64) {
        let worked_s = &mut self.scenario.conditions.duration_s;
        let mut is_short = false;
        while *worked_s < LONGEST_S
            && to_us + MARGIN_US > self.from_us + super::world::us(*worked_s)
        {
            *worked_s *= 2.0;
            is_short = true;
        }
        if is_short {
            self.edges = edges(&self.scenario, self.seed);
        }
    }

    fn skip(&mut self, to_us: u64) {
        let from_us = self.from_us;
        self.told = self.edges.partition_point(|us| from_us + us <= to_us);
    }
}

fn edges(scenario: &DrivetrainScenario, seed: u64) -> Vec<u64> {
    let record = simulate(scenario, seed);
    record.readings.iter().map(|edge| edge.t_us).collect()
}

/// The car's drivetrain with its snag, which shows where its part turns in this setup; nothing without a setup for it.
fn scenario(car: &Car, setup: Option<&str>) -> Option<DrivetrainScenario> {
    let first = || {
        car.vehicle
            .setups_of("roll")
            .next()
            .map(|s| s.name.as_str())
    };
    let setup = setup.or_else(first)?;
    let healthy = DrivetrainScenario::new(&car.text, setup, None).ok()?;
    let snagged = car.faults.snag.as_deref().and_then(|part| {
        let snag = SnagScenario::felt(part);
        healthy.clone().with_snag(snag).ok()
    });
    Some(snagged.unwrap_or(healthy))
}

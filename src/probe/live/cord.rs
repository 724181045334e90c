//! The force probe on the starter cord, and the hand at its handle.

use super::world::Car;
use crate::{
    physics::{
        engine::{EngineScenario, Hand, Lock, Probe, simulate},
        noise::Noise,
    },
    vehicle::SetupTest,
};

/// From the start of a test to the first pull: the handle hangs free, s.
const FIRST_S: f64 = 1.5;
/// One pull in so many is half-hearted.
const HALF_HEARTED: u64 = 5;
/// A half-hearted pull ends after so much cord, m, or is that slow, m/s (judgement: too few strokes, or too slow ones).
const SHORT_M: f64 = 0.15;
const SLOW_M_S: f64 = 0.6;
/// Time constant of letting go, s, and how long it is looked at.
const LET_GO_TAU_S: f64 = 0.03;
const LET_GO_S: f64 = 0.5;
/// After a stuck cord was let go of the flywheel is turned by hand: so long until the next pull, s.
const FLYWHEEL_S: f64 = 3.0;
/// Randomness of the handle's rest, and of the person's mood.
const REST_STREAM: u64 = 0x7265_7374;
const MOOD_STREAM: u64 = 0x6d6f_6f64;

#[derive(Debug)]
enum Doing {
    /// The handle hangs free.
    Nothing,
    /// A pull: readings from sample `from` on.
    Pulling {
        from: u64,
        readings: Vec<f64>,
        is_stuck: bool,
    },
    /// The hand lets go since sample `from`.
    LettingGo { from: u64, force_n: f64 },
}

/// A test that runs.
#[derive(Debug)]
struct Session {
    plug_in: bool,
    warm: bool,
    seed: u64,
    pulls: u64,
    /// Number of the reading with which the next pull begins; `None`: not before the cord was let go of.
    next_pull: Option<u64>,
    mood: Noise,
}

/// Engine, cord, probe and hand.
#[derive(Debug)]
pub(super) struct Cord {
    probe: Probe,
    noise: Noise,
    period_us: u64,
    /// Number of the next reading; a reading's stamp is the end of its averaging.
    next: u64,
    doing: Doing,
    session: Option<Session>,
    last_n: f64,
}

impl Cord {
    pub fn new(seed: u64) -> Self {
        let probe = EngineScenario::plover().probe;
        Self {
            probe,
            noise: Noise::new(seed, REST_STREAM),
            period_us: 1_000_000 / u64::from(probe.rate_hz),
            next: 1,
            doing: Doing::Nothing,
            session: None,
            last_n: 0.0,
        }
    }

    /// The readings until then.
    pub fn until(&mut self, to_us: u64, car: &Car, out: &mut Vec<(u64, f64)>) {
        while self.next * self.period_us <= to_us {
            self.last_n = self.read(car);
            out.push((self.next * self.period_us, self.last_n));
            self.next += 1;
        }
    }

    /// Nobody reads: time goes on.
    pub fn skip(&mut self, to_us: u64) {
        self.next = self.next.max(to_us / self.period_us + 1);
    }

    fn read(&mut self, car: &Car) -> f64 {
        self.pull_if_due(car);
        let force_n = match &self.doing {
            Doing::Nothing => 0.0,
            Doing::Pulling {
                from,
                readings,
                is_stuck,
            } => {
                let n = usize::try_from(self.next - from).unwrap_or(usize::MAX);
                if let Some(reading) = readings.get(n) {
                    return *reading;
                }
                let is_stuck = *is_stuck;
                self.doing = Doing::Nothing;
                let next = self.next;
                if let Some(session) = &mut self.session {
                    session.next_pull = (!is_stuck).then_some(next);
                }
                0.0
            }
            Doing::LettingGo { from, force_n } => {
                let gone_s = ((self.next - from) * self.period_us) as f64 * 1e-6;
                let force_n = force_n * libm::exp(-gone_s / LET_GO_TAU_S);
                if gone_s > LET_GO_S {
                    self.doing = Doing::Nothing;
                }
                force_n
            }
        };
        force_n + self.probe.offset_n + self.probe.noise_n * self.noise.normal()
    }

    fn pull_if_due(&mut self, car: &Car) {
        let Some(session) = &mut self.session else {
            return;
        };
        let due = session.next_pull.is_some_and(|at| at <= self.next);
        if !due || !matches!(self.doing, Doing::Nothing) {
            return;
        }
        session.next_pull = None;
        let (scenario, seed) = session.next(car);
        let record = simulate(&scenario, seed);
        self.doing = Doing::Pulling {
            from: self.next,
            readings: record.readings.iter().map(|r| r.force_n).collect(),
            is_stuck: scenario.lock != Lock::Free,
        };
    }

    fn later(&self, seconds: f64) -> u64 {
        self.next + super::world::us(seconds) / self.period_us
    }

    /// A pull test begins.
    pub fn begin(&mut self, car: &Car, setup: Option<&str>, seed: u64) {
        let (plug_in, warm) = match car.setup("pull", setup) {
            // An engine of which nothing is said is cold.
            Some(SetupTest::Pull { plug_in, warm }) => (*plug_in, *warm == Some(true)),
            _ => (true, false),
        };
        self.session = Some(Session {
            plug_in,
            warm,
            seed,
            pulls: 0,
            next_pull: Some(self.later(FIRST_S)),
            mood: Noise::new(seed, MOOD_STREAM),
        });
    }

    /// The test is over: no further pull; one under way is brought to its end, a stuck one is let go of.
    pub fn end(&mut self) {
        self.session = None;
        self.release();
    }

    /// Lets go of a cord that does not move.
    pub fn let_go(&mut self) {
        self.release();
        let next = self.later(FLYWHEEL_S);
        if let Some(session) = &mut self.session
            && session.next_pull.is_none()
            && !matches!(self.doing, Doing::Pulling { .. })
        {
            session.next_pull = Some(next);
        }
    }

    fn release(&mut self) {
        if matches!(self.doing, Doing::Pulling { is_stuck: true, .. }) {
            self.doing = Doing::LettingGo {
                from: self.next,
                force_n: self.last_n,
            };
        }
    }
}

impl Session {
    /// The next pull and the seed of its chances.
    fn next(&mut self, car: &Car) -> (EngineScenario, u64) {
        let mut pull = if car.faults.worn_engine {
            EngineScenario::plover_worn()
        } else {
            EngineScenario::plover()
        };
        pull = pull.in_state(self.plug_in, self.warm);
        pull.mass_kg = car.vehicle.mass_kg;
        pull.pulls = 1;
        if car.faults.seized_engine {
            pull.lock = Lock::FromStart { pull: 0 };
        }
        // The first pull of a session is meant.
        if self.mood.below(HALF_HEARTED) == 0 && self.pulls > 0 {
            pull.hand = half_hearted(pull.hand, self.mood.unit() < 0.5);
        }
        let seed = self.seed.wrapping_add(self.pulls);
        self.pulls += 1;
        (pull, seed)
    }
}

fn half_hearted(hand: Hand, is_short: bool) -> Hand {
    if is_short {
        Hand {
            reach_m: SHORT_M,
            ..hand
        }
    } else {
        Hand {
            speed_m_s: SLOW_M_S,
            speed_sd: 0.0,
            ..hand
        }
    }
}

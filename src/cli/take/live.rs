//! What runs beside the recording: the session, and what the progress line shows.

use std::{
    collections::BTreeMap,
    sync::{Arc, Mutex, MutexGuard, PoisonError},
    time::Duration,
};

use super::{Plan, Shown};
use crate::{
    inspect::{Feed, Input, Reading, Session, Settings, Source, Test},
    reading::Refusal,
    units::count,
    wire::LinkHealth,
};

/// What was seen so far, written by the readers and the recorder, read by the progress line.
#[derive(Debug)]
pub(super) struct Seen {
    test: Test,
    inner: Mutex<Inner>,
}

#[derive(Debug, Default)]
struct Inner {
    readings: u64,
    last: Option<Reading>,
    /// Largest value so far, Pa or N.
    most: f64,
    /// Times of the latest edges, microseconds; at most [`EDGES`].
    edges: std::collections::VecDeque<u64>,
    /// Lines and faults of each probe.
    links: Vec<(u64, u64)>,
}

/// Edges over which the progress line takes the speed.
const EDGES: usize = 9;

impl Seen {
    pub fn new(test: Test, probes: usize) -> Self {
        let inner = Inner {
            links: vec![(0, 0); probes],
            ..Inner::default()
        };
        Self {
            test,
            inner: Mutex::new(inner),
        }
    }

    /// Numbers only: nothing is left half changed by a panic.
    fn lock(&self) -> MutexGuard<'_, Inner> {
        self.inner.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn reading(&self, reading: Reading) {
        let mut inner = self.lock();
        inner.readings += 1;
        inner.last = Some(reading);
        match reading {
            Reading::Pressure(r) => inner.most = inner.most.max(r.pressure_pa),
            Reading::Force(r) => inner.most = inner.most.max(r.force_n),
            Reading::Edge(edge) => {
                if inner.edges.len() == EDGES {
                    inner.edges.pop_front();
                }
                inner.edges.push_back(edge.t_us);
            }
        }
    }

    /// Tells how the link of probe `n` does.
    pub fn health(&self, n: usize, link: &LinkHealth) {
        let faults = link.faults().map(|(_, n)| n).sum();
        self.lock().links[n] = (link.lines, faults);
    }

    /// The progress line.
    pub fn line(&self, elapsed: Duration, of: Option<Duration>) -> String {
        let inner = self.lock();
        let time = match of {
            Some(of) => format!("{} of {} s", elapsed.as_secs(), of.as_secs()),
            None => format!("{} s, Ctrl-C ends it", elapsed.as_secs()),
        };
        let now = match inner.last {
            None => "no readings yet".into(),
            Some(Reading::Pressure(r)) => format!("{:.2} kPa", r.pressure_pa / 1e3),
            Some(Reading::Force(r)) => format!("{:.1} N, highest {:.1} N", r.force_n, inner.most),
            Some(Reading::Edge(_)) => format!("{:.1} edges/s", inner.edges_per_s()),
        };
        let faults = match inner.links.iter().map(|(_, faults)| faults).sum::<u64>() {
            0 => "no faults".into(),
            n => count(n, "fault"),
        };
        format!(
            "{}: {time} | {now} | {} | {faults}",
            self.test.word(),
            count(inner.readings, "reading")
        )
    }
}

impl Inner {
    fn edges_per_s(&self) -> f64 {
        match (self.edges.front(), self.edges.back()) {
            (Some(first), Some(last)) if last > first => {
                (self.edges.len() - 1) as f64 * 1e6 / (last - first) as f64
            }
            _ => 0.0,
        }
    }
}

/// The test while it is recorded: sees exactly what was kept.
pub(super) struct Live {
    test: Test,
    measure: Measure,
    seen: Arc<Seen>,
}

enum Measure {
    Session(Box<Session>),
    /// Something is missing for a finding: the readings are only shown.
    Feed(Box<Feed>, Refusal),
}

impl Live {
    pub fn new(
        settings: Result<Settings, Refusal>,
        plan: &Plan,
        sources: Vec<Source>,
        seen: Arc<Seen>,
    ) -> Self {
        let measure = match settings {
            Ok(settings) => {
                let session = Session::new(settings, sources);
                Measure::Session(Box::new(session.calibrated(&plan.stated.calibrations)))
            }
            Err(refusal) => {
                let sensors = if plan.test == Test::Roll {
                    vec![plan.stated.sensor.unwrap_or(0)]
                } else {
                    Vec::new()
                };
                let feed = Feed::new(plan.test, sources, sensors);
                Measure::Feed(
                    Box::new(feed.calibrated(&plan.stated.calibrations)),
                    refusal,
                )
            }
        };
        Self {
            test: plan.test,
            measure,
            seen,
        }
    }

    pub fn push(&mut self, input: &Input) {
        let seen = &self.seen;
        let mut show = |reading| seen.reading(reading);
        match &mut self.measure {
            Measure::Session(session) => session.push(input, &mut show),
            Measure::Feed(feed, _) => feed.push(input, &mut show),
        }
    }

    pub fn finish(self) -> Shown {
        match self.measure {
            Measure::Session(session) => Shown::Finding(session.finish(&BTreeMap::new(), &[])),
            Measure::Feed(feed, refusal) => Shown::Nothing {
                test: self.test.word().into(),
                refused: vec![refusal],
                verdict: None,
                quality: feed.finish(&BTreeMap::new(), &[], &mut |_| {}),
            },
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::reading::ForceReading;

    #[test]
    fn the_progress_line_says_what_a_person_looks_for() {
        let seen = Seen::new(Test::Pull, 1);
        assert_eq!(
            seen.line(Duration::from_secs(3), None),
            "pull: 3 s, Ctrl-C ends it | no readings yet | 0 readings | no faults"
        );
        for force_n in [1.0, 42.25, 3.0] {
            seen.reading(Reading::Force(ForceReading { t_us: 0, force_n }));
        }
        let mut link = LinkHealth::default();
        link.count(crate::wire::FaultKind::Lost, 2);
        seen.health(0, &link);
        assert_eq!(
            seen.line(Duration::from_secs(4), Some(Duration::from_mins(1))),
            "pull: 4 of 60 s | 3.0 N, highest 42.2 N | 3 readings | 2 faults"
        );
        let seen = Seen::new(Test::Roll, 1);
        for k in 0..20 {
            let edge = crate::reading::Edge {
                t_us: k * 25_000,
                sensor: 0,
                after_gap: false,
            };
            seen.reading(Reading::Edge(edge));
        }
        assert!(seen.line(Duration::ZERO, None).contains("40.0 edges/s"));
    }
}

//! The captures of the bench's folder and what they show: read and analyzed when somebody asks, a few at a time, away
//! from the tasks that serve.

use std::{
    collections::BTreeMap,
    path::PathBuf,
    sync::{Arc, Mutex, MutexGuard, PoisonError},
};

use axum::http::StatusCode;
use schemars::JsonSchema;
use serde::Serialize;
use tokio::{
    sync::Semaphore,
    task::spawn_blocking,
    time::{Duration, timeout},
};

use super::reply::Problem;
use crate::{
    bench::Kept,
    inspect::{
        Finding, Source, Stated, Test,
        comparison::{CompareResult, Compared, Records, compare},
        pairing::{Agreement, Kind, pair},
    },
    measure::leak,
    reading::Refusal,
    record::{Capture, Files, capture::is_safe_name, read_capture, replay},
    vehicle::Vehicle,
};

/// Captures whose findings are kept at hand; one holds its readings, some megabytes at most.
const AT_HAND: usize = 8;
/// Analyses at one time; the cores are the probes' first.
const AT_ONCE: usize = 1;
/// How long an analysis may wait for its turn.
const TURN: Duration = Duration::from_secs(20);

/// What a capture says of itself, and what it shows.
#[derive(Debug)]
pub(super) struct Review {
    pub facts: Facts,
    /// The car as it was, where its file is whole.
    pub car: Option<Vehicle>,
    /// The finding; `Err` says why there is none.
    pub found: Result<Finding, String>,
}

/// What a capture says of itself.
#[derive(Clone, Debug, Serialize, JsonSchema)]
pub(super) struct Facts {
    /// Software that recorded it.
    pub software: String,
    /// Who measured.
    pub operator: Option<String>,
    /// Name of the car in its vehicle file.
    pub car: Option<String>,
    /// Absolute pressure of the air, Pa, as stated.
    pub ambient_pa: Option<f64>,
    /// Names of the probes, kind and serial.
    pub probes: Vec<String>,
    /// Lines of all probes.
    pub lines: u64,
    /// Marks of the recorder and of the person: host microseconds and text.
    pub marks: Vec<(u64, String)>,
    /// Why it ended; null when it was cut short.
    pub ended: Option<String>,
    /// What the folder suffered, by kind.
    pub faults: BTreeMap<String, u64>,
}

/// The captures of a folder.
#[derive(Debug)]
pub(super) struct Library {
    folder: PathBuf,
    turns: Arc<Semaphore>,
    /// Newest use last.
    at_hand: Mutex<Vec<(String, Arc<Review>)>>,
}

impl Library {
    pub fn in_folder(folder: PathBuf) -> Self {
        Self {
            folder,
            turns: Arc::new(Semaphore::new(AT_ONCE)),
            at_hand: Mutex::default(),
        }
    }

    fn lock(&self) -> MutexGuard<'_, Vec<(String, Arc<Review>)>> {
        self.at_hand.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn known(&self, name: &str) -> Option<Arc<Review>> {
        let mut at_hand = self.lock();
        let place = at_hand.iter().position(|(known, _)| known == name)?;
        let entry = at_hand.remove(place);
        let review = Arc::clone(&entry.1);
        at_hand.push(entry);
        Some(review)
    }

    /// A capture of the bench's own list: `kept` was found there by whoever asks.
    pub async fn review(&self, kept: &Kept) -> Result<Arc<Review>, Problem> {
        if let Some(review) = self.known(&kept.name) {
            return Ok(review);
        }
        let name = kept.name.clone();
        let folder = self.place(&name)?;
        let review = self
            .in_turn(
                || self.known(&name),
                move || read(&folder).map(|c| reviewed(&c)),
            )
            .await?;
        let review = match review {
            Turn::Known(review) => return Ok(review),
            Turn::New(review) => Arc::new(review?),
        };
        let mut at_hand = self.lock();
        if at_hand.len() >= AT_HAND {
            at_hand.remove(0);
        }
        at_hand.push((kept.name.clone(), Arc::clone(&review)));
        Ok(review)
    }

    /// What two captures of the bench's own list say together.
    pub async fn compare(&self, before: &Kept, after: &Kept) -> Result<CompareResult, Problem> {
        let folders = [self.place(&before.name)?, self.place(&after.name)?];
        let work = move || {
            let [before, after] = folders.map(|folder| read(&folder));
            compared(&before?, &after?)
        };
        match self.in_turn(|| None::<()>, work).await? {
            Turn::Known(()) => unreachable!("nothing is known before"),
            Turn::New(result) => result,
        }
    }

    /// The folder of a name; one that could lead elsewhere never came from the bench.
    fn place(&self, name: &str) -> Result<PathBuf, Problem> {
        if is_safe_name(name) {
            return Ok(self.folder.join(name));
        }
        Err(Problem::not_found("there is no such capture"))
    }

    /// Runs work on a thread that may block, when its turn comes; unless `known` has the answer by then.
    async fn in_turn<K, T: Send + 'static>(
        &self,
        known: impl Fn() -> Option<K>,
        work: impl FnOnce() -> T + Send + 'static,
    ) -> Result<Turn<K, T>, Problem> {
        let busy = || {
            Problem::new(
                StatusCode::SERVICE_UNAVAILABLE,
                "busy_analyzing",
                "other captures are being analyzed; ask again in some seconds",
            )
        };
        let turn = timeout(TURN, Arc::clone(&self.turns).acquire_owned());
        let turn = turn.await.map_err(|_| busy())?;
        let turn = turn.expect("the turns are never closed");
        if let Some(known) = known() {
            return Ok(Turn::Known(known));
        }
        let done = spawn_blocking(move || {
            let result = work();
            drop(turn);
            result
        });
        match done.await {
            Ok(result) => Ok(Turn::New(result)),
            Err(e) if e.is_panic() => std::panic::resume_unwind(e.into_panic()),
            Err(_) => Err(busy()),
        }
    }
}

enum Turn<K, T> {
    Known(K),
    New(T),
}

fn read(folder: &std::path::Path) -> Result<Capture, Problem> {
    read_capture(&Files::under(folder), "").map_err(|e| {
        let gone = StatusCode::INTERNAL_SERVER_ERROR;
        Problem::new(
            gone,
            "unreadable",
            format!("this capture cannot be read: {e}"),
        )
    })
}

fn reviewed(capture: &Capture) -> Review {
    let meta = &capture.meta;
    let car = capture.car().ok().flatten();
    let facts = Facts {
        software: meta.software.clone(),
        operator: meta.operator.clone(),
        car: car.as_ref().map(|car| car.name.clone()),
        ambient_pa: meta.conditions.ambient_pa,
        probes: meta.probes.iter().map(|p| p.name.clone()).collect(),
        lines: capture.rows.iter().map(|rows| rows.len() as u64).sum(),
        marks: capture
            .marks
            .iter()
            .map(|mark| (mark.host_us, mark.text.clone()))
            .collect(),
        ended: capture.closed.as_ref().map(|closed| closed.reason.clone()),
        faults: capture.faults.clone(),
    };
    let found = capture
        .analyze(Stated::default(), None)
        .map_err(|e| e.to_string());
    Review { facts, car, found }
}

/// As `feelgauge compare` does it for two captures.
fn compared(before: &Capture, after: &Capture) -> Result<CompareResult, Problem> {
    let fail = |e: &dyn std::fmt::Display| {
        Problem::new(
            StatusCode::CONFLICT,
            "not_comparable",
            format!("these captures cannot be compared: {e}"),
        )
    };
    let [one, other] = [before, after].map(|c| Side::of(c).map_err(|e| fail(&e)));
    let (one, other) = (one?, other?);
    if one.test != other.test {
        let (a, b) = (one.test.word(), other.test.word());
        return Err(fail(&format!("one is a {a}, the other a {b}")));
    }
    let find = |p_ref_pa: Option<f64>| -> Result<[Vec<Finding>; 2], Problem> {
        let find = |side: &Side| side.find(p_ref_pa).map_err(|e| fail(&e));
        Ok([vec![find(&one)?], vec![find(&other)?]])
    };
    let mut seen = find(None)?;
    let pairing = pair(&[one.kind()], &[other.kind()]);
    let pair = pairing.pairs.into_iter().next();
    let pair = pair.expect("two records of one test make a pair");
    let mut refusal = (pair.agreement == Agreement::Differ).then(|| one.setups_differ(&other));
    if one.test == Test::Leak {
        let leaks: Vec<_> = seen.iter().flatten().filter_map(Finding::as_leak).collect();
        match leak::common_p_ref(&leaks) {
            Ok(pa) => seen = find(Some(pa))?,
            Err(why) => refusal = refusal.or(Some(why)),
        }
    }
    let mut compared = Compared {
        setup: pair.setup,
        comparison: compare(one.test, &seen[0], &seen[1]),
        records: Records {
            before: 1,
            after: 1,
        },
        seen,
    };
    if let Some(refusal) = refusal {
        compared.comparison.refuse(refusal);
    }
    compared.explain();
    let quality = compared.comparison.quality_mut();
    if pair.agreement == Agreement::NotStated {
        quality.flag("setup_not_stated");
    }
    if let (Some(a), Some(b)) = (&one.car, &other.car)
        && a != b
    {
        quality.flag("vehicle_differs");
    }
    Ok(CompareResult::of(vec![compared], &[]))
}

/// One capture of a comparison.
struct Side<'a> {
    capture: &'a Capture,
    test: Test,
    car: Option<Vehicle>,
}

impl<'a> Side<'a> {
    fn of(capture: &'a Capture) -> Result<Self, replay::ReplayError> {
        Ok(Self {
            capture,
            test: capture.test()?,
            car: capture.car()?,
        })
    }

    /// The setup that was stated, else a roll's when its car has only one.
    fn setup(&self) -> Option<&str> {
        let only = || {
            let car = self.car.as_ref().filter(|_| self.test == Test::Roll)?;
            let mut setups = car.setups_of(self.test.word());
            let first = setups.next()?;
            setups.next().is_none().then_some(first.name.as_str())
        };
        self.capture.meta.setup.as_deref().or_else(only)
    }

    fn find(&self, p_ref_pa: Option<f64>) -> Result<Finding, replay::ReplayError> {
        let stated = Stated {
            // before and after of one tank share its volume
            volume_optional: true,
            p_ref_pa,
            ..Stated::default()
        };
        let mut finding = self.capture.analyze(stated, self.car.as_ref())?;
        if let Finding::Leak(leak) = &mut finding {
            leak.evidence.setup = self.setup().map(str::to_owned);
            leak.evidence.sensor = self.sensor();
            let day = self.capture.meta.anchor.wall.strftime("%Y-%m-%d");
            leak.evidence.day = Some(day.to_string());
        }
        Ok(finding)
    }

    /// Serial number of the probe that the test reads.
    fn sensor(&self) -> Option<String> {
        let sources = replay::sources(&self.capture.meta.probes).ok()?;
        sources.into_iter().find_map(|source| match source {
            Source::Wire(Some(identity)) if identity.kind == self.test.kind() => {
                Some(identity.serial.clone())
            }
            _ => None,
        })
    }

    fn kind(&self) -> Kind {
        Kind {
            test: self.test,
            setup: self.setup().map(str::to_owned),
        }
    }

    /// Why the two cannot be compared.
    fn setups_differ(&self, other: &Side) -> Refusal {
        let [before, after] = [self, other].map(|s| s.setup().unwrap_or("not stated"));
        Refusal::new(
            "setup_differs",
            format!(
                "the two sides were taken in different setups (before: {before}; after: {after}), and what differs may be the setup: take both in the same one"
            ),
        )
    }
}

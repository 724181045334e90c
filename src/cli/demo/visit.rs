//! The visit: taken in, measured, repaired, measured again, compared; all of it through the inspection's folder as any
//! other.

use std::path::Path;

use super::{
    Failure,
    photographs::{self, Drawn},
    sensors::Sensor,
    steps::Step,
    story::{self, OPERATOR},
};
use crate::{
    cli::{compare, progress::Progress},
    clock::Clock,
    evidence::captures::ComparisonOf,
    inspect::{Finding, Test, comparison::CompareResult},
    inspection::{CAPTURES, Deed, Folder, FolderError, Moment, Stage},
    physics::PLOVER_8,
    probe::virtual_bench::{self, Plan},
    units::ZERO_CELSIUS_K,
    vehicle::Vehicle,
};

/// From the end of a test to the opening of the next port: changing the probe, microseconds.
const CHANGE_US: u64 = 240_000_000;
/// From one entry of the journal to the next, microseconds.
const WRITING_US: u64 = 20_000_000;
/// The room on both days, degrees Celsius.
const ROOM_C: f64 = 21.0;

/// A test that was taken.
pub(super) struct Taken {
    pub stage: Stage,
    pub setup: &'static str,
    /// Name of its folder in `captures/`.
    pub capture: String,
    pub finding: Finding,
}

/// What the visit gave.
pub(super) struct Visited {
    /// In the order in which they were taken.
    pub taken: Vec<Taken>,
    /// One a test.
    pub compared: Vec<CompareResult>,
}

/// The inspection being made.
struct Work<'a> {
    folder: Folder,
    clock: Clock,
    sensors: &'a [Sensor; 2],
    seed: u64,
}

/// Makes the whole inspection in the folder `base`.
pub(super) fn visit(
    base: &Path,
    car: &Vehicle,
    (seed, sensors): (u64, &[Sensor; 2]),
    steps: Vec<Step>,
    progress: &mut Progress,
) -> Result<Visited, Failure> {
    let clock = at(story::OPENED);
    let opening = story::opening(&car.name);
    let vehicle = Some(PLOVER_8.as_bytes());
    let folder = Folder::create(base, &clock, &opening, Some(&story::owner()), vehicle);
    let mut work = Work {
        folder: folder.map_err(fail)?,
        clock,
        sensors,
        seed,
    };
    work.take_in()?;
    let mut taken = Vec::new();
    work.clock = at(story::BEGIN);
    let (before, after): (Vec<_>, Vec<_>) =
        steps.into_iter().partition(|s| s.stage == Stage::AsFound);
    for step in before {
        progress.show(&format!(
            "as found, {}: recording, measuring ...",
            step.test.word()
        ));
        taken.push(work.take(&step)?);
    }
    work.write_all(story::plan())?;
    work.repair()?;
    work.clock = at(story::AGAIN);
    work.conditions(None)?;
    for step in after {
        progress.show(&format!(
            "after the repair, {}: recording, measuring ...",
            step.test.word()
        ));
        taken.push(work.take(&step)?);
    }
    work.check_weight(Moment::After)?;
    progress.show("comparing ...");
    let compared = Test::ALL.map(|test| work.compare(test, &taken));
    let compared = compared.into_iter().collect::<Result<Vec<_>, _>>()?;
    work.pass(CHANGE_US);
    let (folder, clock) = (&work.folder, &work.clock);
    let (present, objections) = (story::present(), [story::objection()]);
    folder
        .put_joint_statement(clock, OPERATOR, &present, &objections)
        .map_err(fail)?;
    Ok(Visited { taken, compared })
}

fn at(time: &str) -> Clock {
    Clock::virtual_from(time.parse().expect("a constant that is tested"))
}

#[allow(clippy::needless_pass_by_value)] // as map_err hands it
fn fail(e: FolderError) -> Failure {
    Failure::Work(format!("feelgauge: {e}"))
}

impl Work<'_> {
    fn pass(&self, us: u64) {
        self.clock.set_us(self.clock.host_us() + us);
    }

    fn write_all(&self, deeds: Vec<Deed>) -> Result<(), Failure> {
        for deed in deeds {
            self.folder
                .write(&self.clock, OPERATOR, deed)
                .map_err(fail)?;
            self.pass(WRITING_US);
        }
        Ok(())
    }

    fn take_in(&self) -> Result<(), Failure> {
        self.pass(WRITING_US);
        self.conditions(Some("car and probes an hour in the room"))?;
        let (name, words, text) = story::MESSAGE;
        self.attach(name, words, text)?;
        self.pass(2 * WRITING_US);
        let car = self.photograph(&photographs::CAR)?;
        self.write_all(story::seen(&car))?;
        self.check_weight(Moment::Before)
    }

    fn conditions(&self, words: Option<&str>) -> Result<(), Failure> {
        self.write_all(vec![Deed::Conditions {
            temperature_k: Some(ZERO_CELSIUS_K + ROOM_C),
            ambient_pa: Some(AMBIENT_PA),
            words: words.map(str::to_owned),
        }])
    }

    fn attach(&self, name: &str, words: &str, text: &str) -> Result<(), Failure> {
        let put = self
            .folder
            .put_attachment(&self.clock, OPERATOR, name, text.as_bytes(), words);
        self.pass(WRITING_US);
        put.map(|_| ()).map_err(fail)
    }

    /// Puts a drawing in as a photograph; its path in the folder.
    fn photograph(&self, drawn: &Drawn) -> Result<String, Failure> {
        let jpeg = drawn
            .jpeg()
            .map_err(|e| Failure::Work(format!("feelgauge: {}: {e}", drawn.name)))?;
        let words = format!("{} (drawn: the car is invented)", drawn.words);
        let (folder, clock) = (&self.folder, &self.clock);
        let put = folder.put_photograph(clock, OPERATOR, drawn.name, &jpeg, Some(&words), true);
        let entry = put.map_err(fail)?;
        self.pass(WRITING_US);
        match entry.deed {
            Deed::Photographed(photograph) => Ok(photograph.file),
            _ => Err(Failure::Work(format!(
                "{}: is in no line of the journal",
                drawn.name
            ))),
        }
    }

    fn check_weight(&self, moment: Moment) -> Result<(), Failure> {
        let [_, cord] = self.sensors;
        let checked = cord.hung(self.seed, moment);
        self.write_all(vec![Deed::Checked(checked)])
    }

    /// Takes one test and enters it.
    fn take(&self, step: &Step) -> Result<Taken, Failure> {
        let disk = self.folder.captures();
        let place = self.folder.base().join(CAPTURES);
        let name = record(&self.clock, step, disk).map_err(|e| {
            Failure::Work(format!("{}: {}: {e}", place.display(), step.test.word()))
        })?;
        let taken = self
            .folder
            .captured(&self.clock, OPERATOR, &name, step.stage);
        let taken = taken.map_err(fail)?;
        self.pass(CHANGE_US);
        Ok(Taken {
            stage: step.stage,
            setup: step.setup,
            finding: taken
                .finding
                .map_err(|e| Failure::Work(format!("{}: {e}", place.join(&name).display())))?,
            capture: name,
        })
    }

    fn repair(&mut self) -> Result<(), Failure> {
        self.clock = at(story::REPAIR);
        self.pass(CHANGE_US * 2);
        let lid = self.photograph(&photographs::LID)?;
        self.pass(CHANGE_US * 8);
        let ring = self.photograph(&photographs::RING)?;
        self.write_all(story::repair(&lid, &ring))?;
        let (name, words, text) = story::RECEIPT;
        self.attach(name, words, text)
    }

    /// Compares the captures of a test, setup by setup where both sides have it, and records that.
    fn compare(&self, test: Test, taken: &[Taken]) -> Result<CompareResult, Failure> {
        let of_stage = |stage: Stage, setups: &[&str]| -> Vec<&Taken> {
            let is_meant = |t: &&Taken| {
                t.stage == stage
                    && t.finding.test() == test
                    && (setups.is_empty() || setups.contains(&t.setup))
            };
            taken.iter().filter(is_meant).collect()
        };
        let after = of_stage(Stage::AfterRepair, &[]);
        let setups: Vec<&str> = after.iter().map(|t| t.setup).collect();
        let before = of_stage(Stage::AsFound, &setups);
        let names = |side: &[&Taken]| side.iter().map(|t| t.capture.clone()).collect();
        let of = ComparisonOf {
            before: names(&before),
            after: names(&after),
            ..ComparisonOf::default()
        };
        let captures = self.folder.base().join(CAPTURES);
        let paths = |names: &[String]| names.iter().map(|n| captures.join(n)).collect::<Vec<_>>();
        let result = compare::of_captures(&paths(&of.before), &paths(&of.after), None, None)?;
        let put = self
            .folder
            .put_comparison(&self.clock, OPERATOR, &of, &result);
        put.map_err(fail)?;
        self.pass(WRITING_US);
        Ok(result)
    }
}

/// The air on both days, as the club's barometer shows it, Pa.
const AMBIENT_PA: f64 = 101_100.0;

/// Records one test on the virtual bench; the name of the capture's folder.
fn record(clock: &Clock, step: &Step, disk: crate::record::Files) -> Result<String, String> {
    disk.create_base().map_err(|e| e.to_string())?;
    let plan = Plan {
        test: step.test,
        stated: step.stated.clone(),
        operator: OPERATOR,
        vehicle: PLOVER_8,
        port: step.port,
        board: step.board.clone(),
        marks: step.marks.clone(),
    };
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_time()
        .build()
        .map_err(|e| format!("no runtime: {e}"))?;
    let taken = runtime.block_on(virtual_bench::take(clock, &plan, disk));
    taken.map(|(_, name, _)| name).map_err(|e| e.to_string())
}

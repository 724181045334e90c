//! Raw arguments of `inspection`.

use std::path::PathBuf;

use clap::{Args, Subcommand, ValueEnum};

use super::read::{Amount, Named};
use crate::{
    cli::parse::{absolute_pressure, pressure, temperature},
    inspection::{Act, Decision, Sense, Stage},
};

/// Shown under the help of `inspection`.
pub(in crate::cli) const INSPECTION: &str = "\
feelgauge inspection open club-14 --by 'R. Tern' --tag 14 --car 'Plover 8' --mark 'scratch on the left tub'
feelgauge inspection photograph club-14 front.jpg --tag-in-picture
feelgauge inspection conditions club-14 --temperature 19C --pressure 1009hPa
feelgauge take leak --inspection club-14 --port /dev/ttyUSB0 --setup whole --for 90s
feelgauge inspection show club-14
feelgauge seal club-14 --sign club.key --as shop
Nothing is ever written over: what is wrong is corrected by a line of its own.";

/// `inspection`.
#[derive(Clone, Debug, Subcommand)]
pub enum InspectionVerb {
    /// Open an inspection: a new folder for one car's visit.
    Open(Box<OpenArgs>),
    /// Read the day's conditions off: temperature of the room, absolute pressure of the air.
    Conditions(ConditionsArgs),
    /// Enter what the eye, the hand, the ear or the nose tells.
    Observe(ObserveArgs),
    /// Enter what was left out of the inspection, so that nobody takes it for sound.
    NotChecked(NotCheckedArgs),
    /// Put photographs in: JPEG, PNG or WebP, kept byte for byte with their digests.
    Photograph(PhotographArgs),
    /// Put a file in that is never opened: a receipt, a message, a PDF.
    Attach(AttachArgs),
    /// Copy captures in and write down their findings.
    Add(AddArgs),
    /// Compare the captures after the repair with those before.
    Compare(CompareArgs),
    /// Enter a part: to be opened, needed, renewed or put right, with its price and whose price that is.
    Parts(PartsArgs),
    /// Enter a check of a probe against a known weight or a known leak, before the first or after the last test.
    Check(CheckArgs),
    /// Enter work that was done on the car; tests from now on count as after the repair.
    Repair(RepairArgs),
    /// Enter what was decided: buy, leave, repair, hand-back.
    Decide(DecideArgs),
    /// Lay out a statement of all who were there, with room for an objection, for signing together.
    Joint(JointArgs),
    /// Say what is right where an earlier line of the journal is wrong; that line stays.
    Correct(CorrectArgs),
    /// Copy an inspection, sealed or not, with the owner's data left out; the copy of a sealed one still verifies.
    Copy(CopyArgs),
    /// Show the whole visit, and what a good record still lacks.
    Show(ShowArgs),
}

/// Which inspection, and who writes.
#[derive(Args, Clone, Debug)]
pub struct Into {
    /// Folder of the inspection.
    #[arg(value_name = "DIR")]
    pub dir: PathBuf,
    /// Who enters this. Default: who opened the inspection.
    #[arg(long, value_name = "NAME")]
    pub by: Option<String>,
}

/// `inspection open`.
#[derive(Args, Clone, Debug)]
pub struct OpenArgs {
    /// Folder to make; it must not exist.
    #[arg(value_name = "DIR")]
    pub dir: PathBuf,
    /// Who opens the inspection, and enters what nobody else is named for. Default: the name under which you are logged in.
    #[arg(long, value_name = "NAME")]
    pub by: Option<String>,
    /// Number on the car's tag, as it lies in the photographs.
    #[arg(long, value_name = "TEXT")]
    pub tag: String,
    /// What the car is called.
    #[arg(long, value_name = "NAME")]
    pub car: String,
    /// The car in one line: scale, drive, engine.
    #[arg(long, value_name = "TEXT")]
    pub description: Option<String>,
    /// Number struck or printed on the car.
    #[arg(long, value_name = "TEXT")]
    pub serial: Option<String>,
    /// What tells the car from its sisters, such as a scratch; may be given several times.
    #[arg(long = "mark", value_name = "TEXT")]
    pub marks: Vec<String>,
    /// What is fitted and is not the maker's; may be given several times.
    #[arg(long, value_name = "TEXT")]
    pub fitted: Vec<String>,
    /// What was claimed about its past, as it was said; may be given several times.
    #[arg(long = "claimed", value_name = "TEXT")]
    pub claimed: Vec<String>,
    /// How the house calls the owner: a number, initials.
    #[arg(long, value_name = "REF")]
    pub owner: Option<String>,
    /// The owner's own data, which a copy may leave out: a file with `name = "..."` and `contact = ["..."]`.
    #[arg(long, value_name = "FILE.toml")]
    pub owner_file: Option<PathBuf>,
    /// Shop or club that measures.
    #[arg(long, value_name = "NAME")]
    pub house: Option<String>,
    /// Vehicle file of the car.
    #[arg(long, value_name = "FILE")]
    pub vehicle: Option<PathBuf>,
    /// Why the car came.
    #[arg(long, value_name = "TEXT")]
    pub reason: Option<String>,
}

/// `inspection conditions`.
#[derive(Args, Clone, Debug)]
#[command(group = clap::ArgGroup::new("stated").required(true).multiple(true).args(["temperature", "pressure", "words"]))]
pub struct ConditionsArgs {
    /// Which inspection.
    #[command(flatten)]
    pub into: Into,
    /// Temperature of the room, such as 19C.
    #[arg(long, value_name = "TEMPERATURE", value_parser = temperature, allow_hyphen_values = true)]
    pub temperature: Option<f64>,
    /// Absolute pressure of the air, such as 1009hPa.
    #[arg(long, value_name = "PRESSURE", value_parser = absolute_pressure, allow_hyphen_values = true)]
    pub pressure: Option<f64>,
    /// Anything else, such as 'after an hour in the warm room'.
    #[arg(long, value_name = "TEXT")]
    pub words: Option<String>,
}

/// `inspection observe`.
#[derive(Args, Clone, Debug)]
#[command(group = clap::ArgGroup::new("sense").args(["seen", "felt", "heard", "smelt"]))]
pub struct ObserveArgs {
    /// Which inspection.
    #[command(flatten)]
    pub into: Into,
    /// What.
    #[arg(value_name = "TEXT")]
    pub text: String,
    /// With the eye (default).
    #[arg(long)]
    pub seen: bool,
    /// With the hand.
    #[arg(long)]
    pub felt: bool,
    /// With the ear.
    #[arg(long)]
    pub heard: bool,
    /// With the nose.
    #[arg(long)]
    pub smelt: bool,
    /// A photograph that shows it: one that is in already (photographs/front.jpg), or a file to be put in.
    #[arg(long, value_name = "FILE")]
    pub photograph: Option<PathBuf>,
}

impl ObserveArgs {
    /// By which sense.
    pub fn sense(&self) -> Sense {
        match self {
            Self { felt: true, .. } => Sense::Felt,
            Self { heard: true, .. } => Sense::Heard,
            Self { smelt: true, .. } => Sense::Smelt,
            _ => Sense::Seen,
        }
    }
}

/// `inspection not-checked`.
#[derive(Args, Clone, Debug)]
pub struct NotCheckedArgs {
    /// Which inspection.
    #[command(flatten)]
    pub into: Into,
    /// What was not checked, and why.
    #[arg(value_name = "TEXT")]
    pub text: String,
}

/// `inspection photograph`.
#[derive(Args, Clone, Debug)]
pub struct PhotographArgs {
    /// Which inspection.
    #[command(flatten)]
    pub into: Into,
    /// The photographs.
    #[arg(value_name = "FILE", required = true)]
    pub files: Vec<PathBuf>,
    /// What they show.
    #[arg(long, value_name = "TEXT")]
    pub shows: Option<String>,
    /// The car's tag can be read in them.
    #[arg(long)]
    pub tag_in_picture: bool,
}

/// `inspection attach`.
#[derive(Args, Clone, Debug)]
pub struct AttachArgs {
    /// Which inspection.
    #[command(flatten)]
    pub into: Into,
    /// The file.
    #[arg(value_name = "FILE")]
    pub file: PathBuf,
    /// What it is.
    #[arg(long, value_name = "TEXT")]
    pub words: String,
}

/// Where in a visit a test stands.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub enum StageWord {
    /// As the car came in.
    AsFound,
    /// After work on it.
    AfterRepair,
}

impl From<StageWord> for Stage {
    fn from(word: StageWord) -> Self {
        match word {
            StageWord::AsFound => Self::AsFound,
            StageWord::AfterRepair => Self::AfterRepair,
        }
    }
}

/// `inspection add`.
#[derive(Args, Clone, Debug)]
pub struct AddArgs {
    /// Which inspection.
    #[command(flatten)]
    pub into: Into,
    /// Folders of captures; one that lies in the inspection's own captures is entered where it is.
    #[arg(value_name = "CAPTURE", required = true)]
    pub captures: Vec<PathBuf>,
    /// Before or after the repair. Default: after, when a repair was entered.
    #[arg(long, value_name = "STAGE")]
    pub stage: Option<StageWord>,
}

/// `inspection compare`.
#[derive(Args, Clone, Debug)]
pub struct CompareArgs {
    /// Which inspection.
    #[command(flatten)]
    pub into: Into,
    /// Captures before, by the names of their folders; may be given several times. Default: all that were taken as found.
    #[arg(long, value_name = "NAME")]
    pub before: Vec<String>,
    /// Captures after. Default: all that were taken after the repair.
    #[arg(long, value_name = "NAME")]
    pub after: Vec<String>,
    /// Leak: gauge pressure at which the leaks are stated. Default: one that every record passed through.
    #[arg(long, value_name = "PRESSURE", value_parser = pressure, allow_hyphen_values = true)]
    pub at: Option<f64>,
    /// Setup of the vehicle file in which both sides were taken.
    #[arg(long, value_name = "NAME")]
    pub setup: Option<String>,
}

/// What is to be done or was done with a part.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub enum ActWord {
    /// To be opened and looked at.
    ToOpen,
    /// Needed.
    Needed,
    /// Renewed.
    Renewed,
    /// Cleaned, shimmed, put right.
    PutRight,
}

impl From<ActWord> for Act {
    fn from(word: ActWord) -> Self {
        match word {
            ActWord::ToOpen => Self::ToOpen,
            ActWord::Needed => Self::Needed,
            ActWord::Renewed => Self::Renewed,
            ActWord::PutRight => Self::PutRight,
        }
    }
}

/// `inspection parts`.
#[derive(Args, Clone, Debug)]
pub struct PartsArgs {
    /// Which inspection.
    #[command(flatten)]
    pub into: Into,
    /// What a person calls the part: 'lid seal'.
    #[arg(value_name = "PART")]
    pub name: String,
    /// What is to be done or was done with it.
    #[arg(long, value_name = "ACT", default_value = "needed")]
    pub act: ActWord,
    /// Its name in the vehicle file.
    #[arg(long, value_name = "NAME")]
    pub part: Option<String>,
    /// Work, minutes.
    #[arg(long, value_name = "N")]
    pub minutes: Option<u32>,
    /// Where it comes from: new, donor car, own stock.
    #[arg(long, value_name = "TEXT")]
    pub from: Option<String>,
    /// What it costs, such as 4.50EUR or 4..6EUR.
    #[arg(long, value_name = "PRICE", requires = "priced_by")]
    pub price: Option<Amount>,
    /// Who says so.
    #[arg(long, value_name = "NAME")]
    pub priced_by: Option<String>,
}

/// What a probe is checked by.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub enum CheckedBy {
    /// A known mass on the cord.
    Weight,
    /// A known leak on the tank line.
    Leak,
}

/// `inspection check`.
#[derive(Args, Clone, Debug)]
#[command(group = clap::ArgGroup::new("moment").required(true).args(["before", "after"]))]
pub struct CheckArgs {
    /// Which inspection.
    #[command(flatten)]
    pub into: Into,
    /// By what.
    #[arg(value_name = "WHAT")]
    pub by_what: CheckedBy,
    /// Before the first test.
    #[arg(long)]
    pub before: bool,
    /// After the last test.
    #[arg(long)]
    pub after: bool,
    /// Name of the probe, such as force-A1.
    #[arg(long, value_name = "PROBE")]
    pub probe: String,
    /// What it should show: a force or a mass (20N, 2kg), or a leak rate (3cm3/min).
    #[arg(long, value_name = "VALUE", allow_hyphen_values = true)]
    pub stated: String,
    /// Standard uncertainty of that. Default for a mass: 0.3 %, as weighed on a household scale, and gravity of an unstated
    /// place.
    #[arg(long, value_name = "VALUE", allow_hyphen_values = true)]
    pub stated_u: Option<String>,
    /// What it shows.
    #[arg(long, value_name = "VALUE", allow_hyphen_values = true)]
    pub shown: String,
    /// Standard uncertainty of that.
    #[arg(long, value_name = "VALUE", allow_hyphen_values = true)]
    pub shown_u: String,
    /// Capture of this inspection in which it can be read again.
    #[arg(long, value_name = "NAME")]
    pub capture: Option<String>,
}

/// `inspection repair`.
#[derive(Args, Clone, Debug)]
pub struct RepairArgs {
    /// Which inspection.
    #[command(flatten)]
    pub into: Into,
    /// What was done.
    #[arg(value_name = "TEXT")]
    pub text: String,
}

/// What to do with the car.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub enum DecisionWord {
    /// Buy it.
    Buy,
    /// Leave it.
    Leave,
    /// Repair it.
    Repair,
    /// Hand it back, or sell it, as it is.
    HandBack,
}

impl From<DecisionWord> for Decision {
    fn from(word: DecisionWord) -> Self {
        match word {
            DecisionWord::Buy => Self::Buy,
            DecisionWord::Leave => Self::Leave,
            DecisionWord::Repair => Self::Repair,
            DecisionWord::HandBack => Self::HandBack,
        }
    }
}

/// `inspection decide`.
#[derive(Args, Clone, Debug)]
pub struct DecideArgs {
    /// Which inspection.
    #[command(flatten)]
    pub into: Into,
    /// What.
    #[arg(value_name = "DECISION")]
    pub decision: DecisionWord,
    /// What is offered for the car, such as 85EUR or 80..95EUR.
    #[arg(long, value_name = "PRICE")]
    pub offer: Option<Amount>,
    /// Why.
    #[arg(long, value_name = "TEXT")]
    pub words: Option<String>,
}

/// `inspection joint`.
#[derive(Args, Clone, Debug)]
pub struct JointArgs {
    /// Which inspection.
    #[command(flatten)]
    pub into: Into,
    /// Who is there: NAME:ROLE; may be given several times.
    #[arg(long, value_name = "NAME:ROLE", required = true)]
    pub present: Vec<Named>,
    /// What somebody of them objects to, in their own words: NAME:TEXT; may be given several times. Later it goes with the
    /// signature: feelgauge seal BAG --sign KEY --as NAME --statement FILE.
    #[arg(long = "objection", value_name = "NAME:TEXT")]
    pub objections: Vec<Named>,
}

/// `inspection correct`.
#[derive(Args, Clone, Debug)]
pub struct CorrectArgs {
    /// Which inspection.
    #[command(flatten)]
    pub into: Into,
    /// Number of the line that is wrong, as `show` gives it.
    #[arg(value_name = "LINE")]
    pub line: u64,
    /// What is right.
    #[arg(value_name = "TEXT")]
    pub text: String,
}

/// `inspection copy`.
#[derive(Args, Clone, Debug)]
pub struct CopyArgs {
    /// Folder of an inspection, or a sealed one.
    #[arg(value_name = "DIR")]
    pub dir: PathBuf,
    /// Folder of the copy; it must not exist.
    #[arg(value_name = "OUT")]
    pub out: PathBuf,
    /// File of the inspection that is left out; may be given several times.
    #[arg(long, value_name = "NAME", default_value = crate::inspection::OWNER)]
    pub leave_out: Vec<String>,
    /// Copy even if the owner's data stand in other files too; these are named.
    #[arg(long)]
    pub anyway: bool,
}

/// `inspection show`.
#[derive(Args, Clone, Debug)]
pub struct ShowArgs {
    /// Folder of the inspection, or a sealed one.
    #[arg(value_name = "DIR")]
    pub dir: PathBuf,
}

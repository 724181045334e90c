//! `verify`: the check of a sealed inspection by somebody who was not there.

use std::{
    path::{Path, PathBuf},
    process::Command,
};

use clap::Args;
use jiff::Timestamp;

use super::{
    DONE, Failure, Outcome as Exit, Output, compare,
    plan::{cannot_read, text as read_text},
    tree::Disk,
};
use crate::{
    evidence::{
        AllowedSigners, Basis, Check, Difference, Outcome, Report, captures,
        tree::{self, MAX_TAG},
        verify::{self, Tally},
    },
    units::count,
};

/// Exit status when something differs.
pub(super) const DIFFERS: u8 = 3;
/// Longest file of signers, bytes.
const MAX_SIGNERS: usize = 1 << 20;

/// `verify`.
#[derive(Args, Clone, Debug)]
pub struct VerifyArgs {
    /// Folder of the sealed inspection.
    #[arg(value_name = "PATH")]
    pub path: PathBuf,
    /// Keys that you know from the signers themselves, in OpenSSH's allowed_signers format: NAME ssh-ed25519 KEY. Without
    /// them only the keys that the seal names can be used.
    #[arg(long, value_name = "FILE")]
    pub signers: Option<PathBuf>,
    /// Root certificates (PEM) of the time-stamp authority; the chain is checked by `openssl ts -verify`.
    #[arg(long, value_name = "FILE")]
    pub time_roots: Option<PathBuf>,
    /// A file of the inspection that was left out of this copy on purpose, such as owner.toml; may be given several times.
    #[arg(long = "left-out", value_name = "NAME")]
    pub left_out: Vec<String>,
}

/// Runs `verify`.
pub(super) fn run(args: &VerifyArgs, output: &mut Output) -> Exit {
    let name = args.path.display();
    std::fs::read_dir(&args.path).map_err(|e| cannot_read(&args.path, &e))?;
    let bag = Disk::at(&args.path);
    if !bag.is_sealed() {
        return Err(Failure::Work(format!(
            "{name}: no sealed inspection: it has no bagit.txt; name the folder that `feelgauge seal` made"
        )));
    }
    let signers = args.signers.as_deref().map(known_signers).transpose()?;
    let basis = Basis {
        signers: signers.as_ref(),
        left_out: &args.left_out,
        unsigned: false,
    };
    let mut report = whole(&bag, &basis)?;
    if let Some(check) = chain(&bag, &report, args.time_roots.as_deref()) {
        report.add(check);
    }
    output.result(&report, |_| text(&report, &args.path))?;
    Ok(if report.holds { DONE } else { DIFFERS })
}

fn known_signers(path: &Path) -> Result<AllowedSigners, Failure> {
    let text = read_text(path, MAX_SIGNERS, "signers")?;
    let name = path.display();
    let list = AllowedSigners::parse(&text)
        .map_err(|(line, what)| Failure::Work(format!("{name}:{line}: {what}")))?;
    if list.is_empty() {
        return Err(Failure::Work(format!(
            "{name}: names no ssh-ed25519 key; one line each: NAME ssh-ed25519 KEY"
        )));
    }
    Ok(list)
}

/// Everything but the chain of a time-stamp.
pub(super) fn whole(bag: &Disk, basis: &Basis) -> Result<Report, Failure> {
    let mut report = verify::verify(bag, basis)
        .map_err(|e| Failure::Work(format!("{}: cannot be read: {e}", bag.base.display())))?;
    if !report.comparisons.is_empty() {
        let mut tally = Tally::default();
        for (path, of) in std::mem::take(&mut report.comparisons) {
            compared(bag, &path, &of, &mut tally);
        }
        report.add(tally.row_of(
            "comparisons",
            "comparison",
            "worked out anew from the captures",
        ));
    }
    Ok(report)
}

fn compared(bag: &Disk, path: &str, of: &captures::ComparisonOf, tally: &mut Tally) {
    let folders = |names: &[String]| -> Option<Vec<PathBuf>> {
        let folder = |name: &String| {
            let path = format!("data/{}/{name}", captures::CAPTURES);
            tree::unsafe_path(&path)
                .is_none()
                .then(|| bag.base.join(path))
        };
        names.iter().map(folder).collect()
    };
    let (Some(before), Some(after)) = (folders(&of.before), folders(&of.after)) else {
        tally.fail(Difference::of(
            path,
            "its .toml names what can be no capture",
        ));
        return;
    };
    let recorded = match tree::read(bag, path, MAX_TAG) {
        Ok(recorded) => recorded,
        Err(e) => return tally.fail(Difference::of(path, e.to_string())),
    };
    match compare::of_captures(&before, &after, of.p_ref_pa, of.setup.as_deref()) {
        Ok(anew) => tally.take(path, captures::agreement(path, &recorded, &anew)),
        Err(Failure::Work(why) | Failure::Usage(why)) => {
            tally.fail(Difference::of(
                path,
                format!("cannot be worked out anew: {why}"),
            ));
        }
        Err(Failure::Output(e)) => tally.fail(Difference::of(path, e.to_string())),
    }
}

/// The chain of every time-stamp, by openssl. `None`: there is no time-stamp.
fn chain(bag: &Disk, report: &Report, roots: Option<&Path>) -> Option<Check> {
    let not_done = |why: &str| Check {
        part: "time_chain",
        outcome: Outcome::NotChecked,
        said: why.into(),
        differences: Vec::new(),
    };
    if report.stamps.is_empty() {
        return None;
    }
    let Some(roots) = roots else {
        return Some(not_done(
            "only the imprint was checked; whose stamp it is was not: bring the authority's roots with --time-roots FILE",
        ));
    };
    let mut wrong = Vec::new();
    for stamp in &report.stamps {
        let at = stamp
            .time
            .parse::<Timestamp>()
            .map(Timestamp::as_second)
            .unwrap_or_default();
        let run = Command::new("openssl")
            .args(["ts", "-verify", "-digest", &stamp.imprint])
            .args(["-attime", &at.to_string(), "-in"])
            .arg(bag.base.join(&stamp.file))
            .arg("-CAfile")
            .arg(roots)
            .output();
        match run {
            Err(e) => {
                return Some(not_done(&format!(
                    "openssl is not there ({e}); only the imprint was checked"
                )));
            }
            Ok(run) if run.status.success() => {}
            Ok(run) => {
                let said = String::from_utf8_lossy(&run.stderr).into_owned();
                let why = said
                    .lines()
                    .find(|l| l.contains("error"))
                    .unwrap_or("it gives no reason");
                let what = format!("openssl ts -verify refuses it: {why}");
                wrong.push(Difference::of(&stamp.file, what));
            }
        }
    }
    let said = format!(
        "{}, signature and chain to {} by openssl ts -verify, as of the stamp's own time",
        count(report.stamps.len() as u64, "time-stamp"),
        roots.display()
    );
    Some(verify::check("time_chain", said, wrong))
}

fn text(report: &Report, path: &Path) -> String {
    let mut text = String::new();
    let verdict = if report.holds {
        "the seal holds"
    } else {
        "the seal DOES NOT HOLD"
    };
    line(&mut text, &format!("{}: {verdict}", path.display()));
    if let Some(first) = &report.first {
        line(&mut text, &format!("First difference: {first}"));
    }
    if let Some(seal) = &report.seal {
        line(&mut text, &format!("Seal {seal}"));
    }
    if let Some(follows) = &report.follows {
        line(&mut text, &format!("It supplements the seal {follows}"));
    }
    text.push('\n');
    for check in &report.checks {
        let word = match check.outcome {
            Outcome::Holds => "holds",
            Outcome::Remark => "remark",
            Outcome::Differs => "DIFFERS",
            Outcome::NotChecked => "not done",
        };
        line(
            &mut text,
            &format!("{word:<9}{:<12} {}", check.part, check.said),
        );
        for difference in &check.differences {
            line(&mut text, &format!("{:22} {difference}", ""));
        }
    }
    signed(&mut text, report);
    text.push('\n');
    let basis = match report.trust {
        "allowed_signers" => "Trusted: the keys in your file of signers.",
        _ => "Trusted: the keys that the seal itself names, for want of others.",
    };
    line(&mut text, basis);
    for what in &report.not_proven {
        line(&mut text, what);
    }
    text
}

/// Who signed, and what they say.
fn signed(text: &mut String, report: &Report) {
    if !report.signatures.is_empty() {
        text.push('\n');
    }
    for signed in &report.signatures {
        let holds = if signed.holds {
            "signed"
        } else {
            "DID NOT SIGN THIS"
        };
        line(
            text,
            &format!(
                "{} ({}) {holds}, key {}",
                signed.name, signed.role, signed.key
            ),
        );
        line(text, &format!("  vouches for: {}", signed.vouches_for));
        for statement in signed.statement.iter().flat_map(|s| s.lines()) {
            line(text, &format!("  states: {statement}"));
        }
    }
}

/// One line. Names, statements and lines of files are somebody else's text: no control character of theirs reaches the terminal.
fn line(text: &mut String, line: &str) {
    let clean = line.chars().map(|c| if c.is_control() { '?' } else { c });
    text.extend(clean);
    text.push('\n');
}

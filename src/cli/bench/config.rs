//! `bench.toml`: the options of `bench` under their own names. What the command line states comes first.

use std::{
    ffi::OsString,
    path::{Path, PathBuf},
};

use clap::{Args as _, Command, FromArgMatches as _};
use toml::{
    Spanned,
    de::{DeTable, DeValue},
};

use crate::{
    cli::{
        Failure,
        args::{BenchArgs, LeakOptions},
        plan,
    },
    vehicle::nearest,
};

/// Longest file that is read, bytes.
const MAX_TEXT: usize = 1 << 16;
/// Folder and name of the file at its usual place.
const PLACE: &str = "feelgauge/bench.toml";
/// The option that names the file cannot stand in it, nor may a file turn real probes into virtual ones.
const NOT_INSIDE: [&str; 5] = ["config", "help", "virtual", "seed", "speed"];

/// The options with what the file states for those that the command line left open.
///
/// # Errors
/// The file cannot be read, or has a fault: the message names file, line and column.
pub(super) fn complete(args: BenchArgs) -> Result<BenchArgs, Failure> {
    let path = match &args.config {
        Some(path) => path.clone(),
        None => match usual_place() {
            Some(path) if path.exists() => path,
            _ => return Ok(args),
        },
    };
    let text = plan::text(&path, MAX_TEXT, "configuration")?;
    let stated = parse(&text).map_err(|e| Failure::Work(format!("{}:{e}", path.display())))?;
    let folder = path.parent().unwrap_or(Path::new(""));
    Ok(over(args, from(stated, folder)))
}

/// `$XDG_CONFIG_HOME/feelgauge/bench.toml`, else the one under `~/.config`.
fn usual_place() -> Option<PathBuf> {
    let of = |name: &str| std::env::var_os(name).filter(|v| !v.is_empty());
    let folder = of("XDG_CONFIG_HOME").map(PathBuf::from);
    // The standard asks for absolute paths; others are to be ignored.
    let folder = folder.filter(|f| f.is_absolute());
    let folder = folder.or_else(|| Some(PathBuf::from(of("HOME")?).join(".config")))?;
    Some(folder.join(PLACE))
}

/// What a text states, or `line:column: what`.
fn parse(text: &str) -> Result<BenchArgs, String> {
    let fault = |at: usize, what: &str| {
        let before = &text[..at.min(text.len())];
        let line = 1 + before.matches('\n').count();
        let column = 1 + before.chars().rev().take_while(|c| *c != '\n').count();
        format!("{line}:{column}: {what}")
    };
    if text.len() > MAX_TEXT {
        return Err(fault(
            0,
            &format!("more than {MAX_TEXT} bytes; this is no bench.toml"),
        ));
    }
    let table =
        DeTable::parse(text).map_err(|e| fault(e.span().map_or(0, |s| s.start), e.message()))?;
    let command = BenchArgs::augment_args(Command::new("bench").no_binary_name(true));
    let known = keys(&command);
    let mut entries: Vec<_> = table.get_ref().iter().collect();
    entries.sort_by_key(|(key, _)| key.span().start);
    let mut words = Vec::new();
    for (key, value) in entries {
        let name = key.get_ref().as_ref();
        if !known.iter().any(|k| k == name) {
            let near = nearest(name, known.iter().map(String::as_str)).unwrap_or("none");
            let what = format!(
                "unknown key '{}'; nearest known key: '{near}' (known: {})",
                shown(name),
                known.join(", ")
            );
            return Err(fault(key.span().start, &what));
        }
        let told = options(name, value).map_err(|what| fault(value.span().start, &what))?;
        // Each key for itself, so that its fault has its place.
        let alone = command.clone().try_get_matches_from(&told);
        alone.map_err(|e| fault(value.span().start, &of_clap(&e)))?;
        words.extend(told);
    }
    let all = command.try_get_matches_from(&words);
    all.and_then(|matches| BenchArgs::from_arg_matches(&matches))
        .map_err(|e| fault(0, &of_clap(&e)))
}

/// Names of the options that may stand in the file, in the order of the help.
fn keys(command: &Command) -> Vec<String> {
    let long = command.get_arguments().filter_map(clap::Arg::get_long);
    long.filter(|name| !NOT_INSIDE.contains(name))
        .map(str::to_owned)
        .collect()
}

/// A key as the command line would say it.
fn options(name: &str, value: &Spanned<DeValue<'_>>) -> Result<Vec<OsString>, String> {
    let option = |text: &str| OsString::from(format!("--{name}={text}"));
    match value.get_ref() {
        DeValue::String(text) => Ok(vec![option(text)]),
        DeValue::Integer(n) => Ok(vec![option(n.as_str())]),
        DeValue::Float(n) => Ok(vec![option(n.as_str())]),
        DeValue::Boolean(true) => Ok(vec![format!("--{name}").into()]),
        DeValue::Boolean(false) => Ok(Vec::new()),
        DeValue::Array(values) => {
            let each = values.iter().map(|value| match value.get_ref() {
                DeValue::String(text) => Ok(option(text)),
                _ => Err(format!(
                    "'{name}' holds something that is no text; write [\"...\", \"...\"]"
                )),
            });
            each.collect()
        }
        DeValue::Datetime(_) | DeValue::Table(_) => Err(format!(
            "'{name}' is an option of feelgauge bench; write {name} = \"...\""
        )),
    }
}

/// The library's words without its frame.
fn of_clap(e: &clap::Error) -> String {
    let text = e.to_string();
    let first = text.lines().next().unwrap_or_default();
    shown(first.strip_prefix("error: ").unwrap_or(first))
}

fn shown(text: &str) -> String {
    text.chars().filter(|c| !c.is_control()).take(200).collect()
}

/// Paths of the file are taken from its folder.
fn from(stated: BenchArgs, folder: &Path) -> BenchArgs {
    let at = |path: PathBuf| folder.join(path);
    BenchArgs {
        out: stated.out.map(at),
        inspection: stated.inspection.map(at),
        vehicle: stated.vehicle.map(at),
        calibrations: stated.calibrations.into_iter().map(at).collect(),
        ..stated
    }
}

/// What `args` states, and where that states nothing, what `file` does.
fn over(args: BenchArgs, file: BenchArgs) -> BenchArgs {
    let either = |list: Vec<PathBuf>, other| if list.is_empty() { other } else { list };
    BenchArgs {
        config: args.config,
        ports: if args.ports.is_empty() {
            file.ports
        } else {
            args.ports
        },
        // Where one of the two is stated on the command line, the file's other one is not meant.
        out: args
            .out
            .clone()
            .or(file.out.filter(|_| args.inspection.is_none())),
        inspection: args
            .inspection
            .or(file.inspection.filter(|_| args.out.is_none())),
        vehicle: args.vehicle.or(file.vehicle),
        tag: args.tag.or(file.tag),
        operator: args.operator.or(file.operator),
        calibrations: either(args.calibrations, file.calibrations),
        mass: args.mass.or(file.mass),
        leak: LeakOptions {
            volume: args.leak.volume.or(file.leak.volume),
            volume_u: args.leak.volume_u.or(file.leak.volume_u),
            at: args.leak.at.or(file.leak.at),
            limit: args.leak.limit.or(file.leak.limit),
            baro: args.leak.baro.or(file.leak.baro),
            syringe: args.leak.syringe.or(file.leak.syringe),
        },
        listen: args.listen.or(file.listen),
        lan: args.lan || file.lan,
        is_virtual: args.is_virtual,
        play: args.play,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const WHOLE: &str = "\
out = \"records\"
inspection = \"visit-14\"
port = [\"/dev/ttyUSB0=250000\", \"/dev/ttyACM1\"]
vehicle = \"plover8.toml\"
tag = \"14\"
operator = \"Ines\"
calibration = [\"/etc/force.toml\"]
mass = \"3.4kg\"
volume = \"131 cm3\"
volume-u = \"5cm3\"
at = \"10kPa\"
limit = \"0.4cm3/min\"
baro = \"1003hPa\"
syringe = \"5cm3\"
listen = \"127.0.0.1:0\"
lan = true
";

    #[test]
    fn every_option_stands_in_the_file_under_its_own_name() {
        let known = keys(&BenchArgs::augment_args(Command::new("bench")));
        for key in &known {
            assert!(
                WHOLE
                    .lines()
                    .any(|line| line.starts_with(&format!("{key} ="))),
                "{key} is missing in this test, and perhaps in `over`"
            );
        }
        assert_eq!(known.len(), WHOLE.lines().count());
        let file = from(
            parse(WHOLE).unwrap(),
            Path::new("/home/i/.config/feelgauge"),
        );
        let args = over(BenchArgs::default(), file.clone());
        assert_eq!(
            format!("{args:?}"),
            format!("{file:?}"),
            "nothing is left out"
        );
        assert_eq!(
            args.out.as_deref(),
            Some(Path::new("/home/i/.config/feelgauge/records"))
        );
        assert_eq!(
            args.inspection.as_deref(),
            Some(Path::new("/home/i/.config/feelgauge/visit-14"))
        );
        assert_eq!(args.calibrations, [Path::new("/etc/force.toml")]);
        assert_eq!((args.ports.len(), args.ports[0].baud), (2, 250_000));
        assert!(args.leak.volume.is_some_and(|v| (v - 131e-6).abs() < 1e-12));
        assert!(args.lan);
    }

    #[test]
    fn the_command_line_comes_first() {
        let args = BenchArgs {
            tag: Some("7".into()),
            out: Some("here".into()),
            ..BenchArgs::default()
        };
        let all = over(args, parse(WHOLE).unwrap());
        assert_eq!(all.tag.as_deref(), Some("7"));
        assert_eq!(all.out.as_deref(), Some(Path::new("here")));
        assert_eq!(all.inspection, None, "the folder that was stated wins");
        assert_eq!(all.operator.as_deref(), Some("Ines"));
    }

    #[test]
    fn faults_have_a_place_and_a_remedy() {
        let of = |text: &str| parse(text).unwrap_err();
        let unknown = of("out = \"x\"\nvolum = \"1l\"\n");
        assert!(
            unknown.starts_with("2:1: unknown key 'volum'; nearest known key: 'volume'"),
            "{unknown}"
        );
        let unit = of("out = \"x\"\n\nvolume = 131\n");
        assert!(unit.starts_with("3:10: ") && unit.contains("131"), "{unit}");
        assert!(of("listen = \"here\"").starts_with("1:10: "));
        assert!(of("port = [1]").contains("[\"...\""));
        assert!(
            of("[limits]\nleak = 1\n")
                .starts_with("1:2: unknown key 'limits'; nearest known key: 'limit'")
        );
        assert!(of("lan = \"yes\"").starts_with("1:7: "));
        assert!(of("out = ").starts_with("1:"));
        assert!(of("config = \"other.toml\"").contains("unknown key"));
    }
}

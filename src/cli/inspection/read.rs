//! What `inspection` takes from the command line and from files.

use std::{
    fs::{self, File},
    io::Read as _,
    path::Path,
    str::FromStr,
};

use super::{
    super::{Failure, plan::cannot_read},
    args::{CheckArgs, CheckedBy},
};
use crate::{
    calibration::Gravity,
    inspection::{Checked, Moment, Price},
    units::{Kind, parse, parse_positive},
};

/// Relative standard uncertainty of a mass from a household scale, as in `calibrate force`.
const SCALE_U: f64 = 0.003;

/// An amount of money: `4.50EUR`, `4..6EUR`.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Amount(pub Price);

impl FromStr for Amount {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        let wrong = || {
            format!(
                "'{text}' is no price; write an amount or two, and the three letters of the currency: 4.50EUR or 4..6EUR"
            )
        };
        let text = text.trim();
        let at = text
            .len()
            .checked_sub(3)
            .filter(|at| text.is_char_boundary(*at));
        let (figures, currency) = text.split_at(at.ok_or_else(wrong)?);
        if !currency.bytes().all(|b| b.is_ascii_uppercase()) {
            return Err(wrong());
        }
        let (low, high) = figures.split_once("..").unwrap_or((figures, figures));
        let low = Price::hundredths(low).ok_or_else(wrong)?;
        let high = Price::hundredths(high).ok_or_else(wrong)?;
        if low > high {
            return Err(format!(
                "'{text}': the first amount is more than the second"
            ));
        }
        let currency = currency.to_owned();
        Ok(Self(Price {
            low,
            high,
            currency,
        }))
    }
}

/// `NAME:TEXT`.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Named {
    /// Before the first colon.
    pub name: String,
    /// After it.
    pub text: String,
}

impl FromStr for Named {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        let parts = text.split_once(':').map(|(a, b)| (a.trim(), b.trim()));
        match parts.filter(|(a, b)| !a.is_empty() && !b.is_empty()) {
            Some((name, text)) => Ok(Self {
                name: name.into(),
                text: text.into(),
            }),
            None => Err(format!(
                "'{text}': two things are needed, parted by a colon, such as 'A. Merle:owner'"
            )),
        }
    }
}

/// What a check says, in SI.
pub(super) fn checked(args: &CheckArgs) -> Result<Checked, Failure> {
    let usage = |option: &str, e: String| Failure::Usage(format!("{option}: {e}"));
    let (by, unit, kind) = match args.by_what {
        CheckedBy::Weight => ("weight", "N", Kind::Force),
        CheckedBy::Leak => ("leak", "Pa.m3/s", Kind::Leak),
    };
    let gravity = Gravity::unknown();
    // a mass is a force where gravity pulls at it
    let force = |text: &str| -> Option<f64> {
        let kg = parse(Kind::Mass, text).ok()?;
        (args.by_what == CheckedBy::Weight).then_some(kg * gravity.value)
    };
    let value = |option: &str, text: &str| match force(text) {
        Some(newtons) if newtons > 0.0 => Ok(newtons),
        _ => parse_positive(kind, text).map_err(|e| usage(option, e.to_string())),
    };
    // nothing can be shown too, and less than nothing: that is what a check is for
    let any = |option: &str, text: &str| match force(text) {
        Some(newtons) => Ok(newtons),
        None => parse(kind, text).map_err(|e| usage(option, e.to_string())),
    };
    let stated = value("--stated", &args.stated)?;
    let stated_u = match (&args.stated_u, force(&args.stated)) {
        (Some(text), _) => value("--stated-u", text)?,
        (None, Some(newtons)) => newtons * libm::hypot(SCALE_U, gravity.u / gravity.value),
        (None, None) => {
            return Err(Failure::Usage(format!(
                "--stated {}: state its standard uncertainty too: --stated-u VALUE",
                args.stated
            )));
        }
    };
    Ok(Checked {
        moment: if args.before {
            Moment::Before
        } else {
            Moment::After
        },
        by: by.into(),
        probe: args.probe.clone(),
        stated,
        stated_u,
        shown: any("--shown", &args.shown)?,
        shown_u: value("--shown-u", &args.shown_u)?,
        unit: unit.into(),
        capture: args.capture.clone(),
    })
}

/// A whole file of at most `longest` bytes and one more, by which its reader sees that it is too long.
pub(super) fn file(path: &Path, longest: u64) -> Result<Vec<u8>, Failure> {
    let about = fs::metadata(path).map_err(|e| cannot_read(path, &e))?;
    if !about.is_file() {
        return Err(Failure::Work(format!(
            "{}: no file; name a file",
            path.display()
        )));
    }
    if about.len() > longest {
        return Err(Failure::Work(format!(
            "{}: {} bytes, and {longest} are the most; bring a smaller one",
            path.display(),
            about.len()
        )));
    }
    let mut bytes = Vec::new();
    File::open(path)
        .and_then(|file| file.take(longest + 1).read_to_end(&mut bytes))
        .map_err(|e| cannot_read(path, &e))?;
    Ok(bytes)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn amounts_of_money() {
        let is = |text: &str, low, high| {
            let price = text.parse::<Amount>().unwrap().0;
            assert_eq!((price.low, price.high), (low, high), "{text}");
        };
        is("4EUR", 400, 400);
        is("4.5EUR", 450, 450);
        is("4,5EUR", 450, 450);
        is("4.50..6 EUR", 450, 600);
        is("0EUR", 0, 0);
        for bad in [
            "",
            "EUR",
            "4",
            "4eur",
            "4.505EUR",
            "-4EUR",
            "6..4EUR",
            "4.EUR",
            "\u{20ac}4",
            "99999999999999999999EUR",
        ] {
            assert!(bad.parse::<Amount>().is_err(), "{bad}");
        }
    }

    #[test]
    fn a_name_and_what_goes_with_it() {
        let named: Named = "A. Merle: owner: and driver".parse().unwrap();
        assert_eq!(
            (named.name.as_str(), named.text.as_str()),
            ("A. Merle", "owner: and driver")
        );
        for bad in ["", "x", "x:", ":y", " : "] {
            assert!(bad.parse::<Named>().is_err(), "{bad}");
        }
    }
}

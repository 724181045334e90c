//! Numbers with as many digits as their uncertainty allows.

use crate::reading::Estimate;

/// Most decimal places that are ever printed.
const MOST_PLACES: i32 = 9;
/// Digits of a number whose uncertainty is not known.
const PLAIN_DIGITS: i32 = 3;
/// Below this first part the last place of the uncertainty would be a coarse step: one more digit is kept.
const SMALL_LEAD: f64 = 1.95;

/// An estimate as printed: three numbers to the same place.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Shown {
    /// Best estimate.
    pub value: String,
    /// Lower end of the 95 % interval.
    pub lo: String,
    /// Upper end.
    pub hi: String,
}

impl Shown {
    /// The range in words: `3.7 to 4.5`.
    pub fn range(&self) -> String {
        format!("{} to {}", self.lo, self.hi)
    }
}

/// Rounds an estimate to the place where its uncertainty begins (GUM, JCGM 100:2008, 7.2.6: digits that the uncertainty
/// covers are not given; at most two digits of it).
///
/// ```
/// use feelgauge::{reading::Estimate, report::shown};
/// let mass = shown(Estimate::normal(100.021_47, 0.000_35)); // the example of GUM 7.2.2
/// assert_eq!((mass.value.as_str(), mass.range().as_str()), ("100.0215", "100.0208 to 100.0222"));
/// assert_eq!(shown(Estimate::normal(41_234.0, 570.0)).value, "41200");
/// ```
pub fn shown(estimate: Estimate) -> Shown {
    shown_to(estimate, places(estimate.u, estimate.value))
}

/// As [`shown`], with more digits where the rounded range would hide on which side of `limit` it lies.
pub fn shown_against(estimate: Estimate, limit: f64) -> Shown {
    let least = places(estimate.u, estimate.value);
    let hidden = |to: &i32| {
        [estimate.lo95, estimate.hi95]
            .into_iter()
            .any(|end| end.total_cmp(&limit).is_ne() && rounded(end, *to) == rounded(limit, *to))
    };
    let most = least.saturating_add(3).min(MOST_PLACES);
    let to = (least..most).find(|to| !hidden(to)).unwrap_or(least);
    shown_to(estimate, to)
}

fn shown_to(estimate: Estimate, places: i32) -> Shown {
    Shown {
        value: rounded(estimate.value, places),
        lo: rounded(estimate.lo95, places),
        hi: rounded(estimate.hi95, places),
    }
}

/// Decimal place at which a number with uncertainty `u` ends; negative: tens, hundreds.
fn places(u: f64, value: f64) -> i32 {
    let (size, digits) = if u.is_finite() && u > 0.0 {
        (u, 1)
    } else {
        (value.abs(), PLAIN_DIGITS)
    };
    if !size.is_finite() || size <= 0.0 {
        return 0;
    }
    let exponent = exponent(size);
    let lead = size / libm::pow(10.0, f64::from(exponent));
    let more = i32::from(digits == 1 && lead < SMALL_LEAD);
    (digits - 1 + more - exponent).min(MOST_PLACES)
}

/// Exponent of the first digit of a positive number.
fn exponent(size: f64) -> i32 {
    // The logarithm of a finite number lies within +-324.
    #[allow(clippy::cast_possible_truncation)]
    let exponent = libm::floor(libm::log10(size)) as i32;
    exponent
}

/// A number to a decimal place, without a minus in front of nothing.
pub(super) fn rounded(value: f64, places: i32) -> String {
    let text = if let Ok(places) = usize::try_from(places) {
        format!("{value:.places$}")
    } else {
        let step = libm::pow(10.0, f64::from(-places));
        format!("{:.0}", libm::round(value / step) * step)
    };
    match text.strip_prefix('-') {
        Some(digits) if digits.bytes().all(|b| matches!(b, b'0' | b'.')) => digits.to_owned(),
        _ => text,
    }
}

/// A number without an uncertainty to three digits.
pub fn plain(value: f64) -> String {
    rounded(value, places(0.0, value))
}

/// A number that somebody stated: three digits at most, no noughts at the end.
pub fn stated(value: f64) -> String {
    let text = plain(value);
    if text.contains('.') {
        text.trim_end_matches('0').trim_end_matches('.').to_owned()
    } else {
        text
    }
}

/// A share as per cent, to whole per cents; what is not nought or all is never shown as that.
pub fn percent(share: f64) -> String {
    match share * 100.0 {
        p if p > 0.0 && p < 0.5 => "below 1 %".into(),
        p if (99.5..100.0).contains(&p) => "above 99 %".into(),
        p => format!("{p:.0} %"),
    }
}

/// An estimate with a power of ten, its mantissa rounded as by [`shown`]: `8.8e-4 (7.9e-4 to 9.8e-4)`.
///
/// ```
/// use feelgauge::{reading::Estimate, report::scientific};
/// assert_eq!(scientific(Estimate::normal(8.83e-4, 5e-5)), "8.8e-4 (7.9e-4 to 9.8e-4)");
/// ```
pub fn scientific(estimate: Estimate) -> String {
    let size = estimate.lo95.abs().max(estimate.hi95.abs());
    if !size.is_finite() || size <= 0.0 {
        return "0".into();
    }
    let exponent = exponent(size);
    let s = shown(estimate.scaled(libm::pow(10.0, f64::from(-exponent))));
    let Shown { value, lo, hi } = s;
    format!("{value}e{exponent} ({lo}e{exponent} to {hi}e{exponent})")
}

#[cfg(test)]
mod tests {
    use super::*;

    fn value(value: f64, u: f64) -> String {
        shown(Estimate::normal(value, u)).value
    }

    #[test]
    fn digits_end_where_the_uncertainty_begins() {
        assert_eq!(value(4.123, 0.21), "4.1");
        assert_eq!(value(4.123, 0.12), "4.12");
        assert_eq!(value(4.123, 0.012), "4.123");
        assert_eq!(value(1234.0, 56.0), "1230");
        assert_eq!(value(1234.0, 15.0), "1234");
        assert_eq!(value(-0.004, 0.3), "0.0");
        assert_eq!(value(3.0, 0.0), "3.00");
        assert_eq!(value(0.0, 0.0), "0");
        assert_eq!(value(0.1, f64::NAN), "0.100");
        assert_eq!(value(1e-30, 1e-40), "0.000000000");
    }

    #[test]
    fn a_decided_range_is_not_rounded_onto_its_limit() {
        let within = Estimate::normal(0.2, 0.0505);
        assert_eq!(shown(within).hi, "0.30");
        assert_eq!(shown_against(within, 0.3).hi, "0.299");
        assert_eq!(shown_against(within, 0.5).hi, "0.30");
    }

    #[test]
    fn shares_do_not_claim_certainty() {
        assert_eq!(
            (stated(0.3), stated(10.0), stated(1234.0)),
            ("0.3".into(), "10".into(), "1230".into())
        );
        assert_eq!(percent(0.0), "0 %");
        assert_eq!(percent(0.001), "below 1 %");
        assert_eq!(percent(0.414), "41 %");
        assert_eq!(percent(0.999), "above 99 %");
        assert_eq!(percent(1.0), "100 %");
    }
}

//! Times as the report writes them.

use jiff::{Timestamp, fmt::temporal::Pieces, tz::Offset};

/// How times are written: with the offset that stands where the inspection was opened.
#[derive(Clone, Copy, Debug)]
pub(super) struct Clock(Offset);

impl Clock {
    /// With the offset of `opened`, else of UTC.
    pub(super) fn of(opened: &str) -> Self {
        let offset = Pieces::parse(opened).ok();
        Self(
            offset
                .and_then(|p| p.to_numeric_offset())
                .unwrap_or(Offset::UTC),
        )
    }

    /// RFC 3339 with the zone's offset, to the second.
    pub(super) fn at(self, when: Timestamp) -> String {
        let second = Timestamp::from_second(when.as_second()).unwrap_or(when);
        second.display_with_offset(self.0).to_string()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn times_keep_the_zone_of_the_opening() {
        let when: Timestamp = "2031-05-17T14:21:40.75Z".parse().unwrap();
        assert_eq!(
            Clock::of("2031-05-17T15:21:40+01:00").at(when),
            "2031-05-17T15:21:40+01:00"
        );
        assert_eq!(
            Clock::of("2031-05-17T14:21:40Z").at(when),
            "2031-05-17T14:21:40+00:00"
        );
        assert_eq!(Clock::of("no time").at(when), "2031-05-17T14:21:40+00:00");
    }
}

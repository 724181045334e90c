//! Probe clock to host clock.
//!
//! [`ProbeClock`] makes 64-bit time of a probe's 32-bit microseconds, across wraps and resets.

/// A line is sent at most this long after its last reading (`firmware-notes/wire.md`), so the probe's
/// clock may step back by so much from line to line without having been set back.
const LATE_US: i64 = 1_000_000;
/// The probe's clock may run ahead of the host's by this share: ceramic resonators are 0.5 % off
/// (data sheets, from memory), twice that is allowed.
const AHEAD_SHARE: i64 = 100;
/// And by this much without the share: latency that the reference line had and this one has not.
const AHEAD_US: i64 = 1_000_000;
/// Stretch of host time over which the smallest latency is remembered, microseconds.
const FLOOR_WINDOW_US: u64 = 30_000_000;
/// The first time that a clock gives, so that readings older than the first line have room.
const ORIGIN_US: i64 = 1 << 32;

/// How a time stands to the clock before it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Course {
    /// As it should.
    Runs,
    /// Went back by more than a line can be late.
    WentBack,
    /// Went further than the host's clock allows.
    WentAhead,
}

/// One moment on three clocks, microseconds.
#[derive(Clone, Copy, Debug)]
struct Moment {
    host: u64,
    /// The probe's clock as sent.
    raw: u32,
    /// The same, unwrapped.
    probe: i64,
}

/// Unwraps a probe's 32-bit microsecond clock. It wraps every 71.6 minutes; how often it did so in a
/// silence is told from the host's clock.
///
/// ```
/// use feelgauge::timebase::{Course, ProbeClock};
/// let mut clock = ProbeClock::default();
/// assert_eq!(clock.course(0, u32::MAX - 99), Course::Runs);
/// clock.advance(0, u32::MAX - 99);
/// clock.advance(1_000, 900);
/// let t = clock.unwrap(900) - clock.unwrap(u32::MAX - 99);
/// assert_eq!(t, 1_000);
/// ```
#[derive(Clone, Debug, Default)]
pub struct ProbeClock {
    last: Option<Moment>,
    /// Smallest host minus probe time in the present window and in the one before.
    floor: Option<[i64; 2]>,
    /// Host time at which the present window began.
    floor_from_us: u64,
}

impl ProbeClock {
    /// How `t_us`, received at `host_us`, stands to the times before.
    pub fn course(&self, host_us: u64, t_us: u32) -> Course {
        let Some(last) = self.last else {
            return Course::Runs;
        };
        let probe_us = nearest(last, host_us, t_us);
        let floor = self.floor.map_or(i64::MIN / 2, |f| f[0].min(f[1]));
        let elapsed = signed(host_us) - signed(last.host);
        if probe_us < last.probe - LATE_US {
            Course::WentBack
        } else if signed(host_us) - probe_us < floor - AHEAD_US - elapsed.max(0) / AHEAD_SHARE {
            Course::WentAhead
        } else {
            Course::Runs
        }
    }

    /// Takes `t_us`, received at `host_us`, as the clock's present state.
    pub fn advance(&mut self, host_us: u64, t_us: u32) {
        let probe_us = match self.last {
            Some(last) => nearest(last, host_us, t_us),
            None => ORIGIN_US + i64::from(t_us),
        };
        self.note_floor(host_us, signed(host_us) - probe_us);
        // An older time within the allowance does not take the clock back.
        if self.last.is_none_or(|last| probe_us >= last.probe) {
            self.last = Some(Moment {
                host: host_us,
                raw: t_us,
                probe: probe_us,
            });
        }
    }

    /// The clock started anew or was set: goes on from the last time by as much as passed on the host,
    /// so that `earliest_us..=latest_us` (raw, of the line received at `host_us`) lie after all before.
    pub fn restart(&mut self, host_us: u64, earliest_us: u32, latest_us: u32) {
        let span = i64::from(latest_us.wrapping_sub(earliest_us));
        let probe_us = match self.last {
            Some(last) => {
                let elapsed = signed(host_us) - signed(last.host);
                last.probe + elapsed.max(span + 1)
            }
            None => ORIGIN_US + i64::from(latest_us),
        };
        self.last = Some(Moment {
            host: host_us,
            raw: latest_us,
            probe: probe_us,
        });
        self.floor = None;
        self.note_floor(host_us, signed(host_us) - probe_us);
    }

    /// Unwrapped time of a raw time not more than half a wrap from the clock's present state,
    /// microseconds from an arbitrary origin.
    pub fn unwrap(&self, t_us: u32) -> u64 {
        let probe_us = match self.last {
            Some(last) => last.probe + wrapped(i64::from(t_us) - i64::from(last.raw)),
            None => ORIGIN_US + i64::from(t_us),
        };
        u64::try_from(probe_us).unwrap_or(0)
    }

    fn note_floor(&mut self, host_us: u64, offset_us: i64) {
        let [now, before] = self.floor.unwrap_or([offset_us; 2]);
        if host_us.saturating_sub(self.floor_from_us) > FLOOR_WINDOW_US {
            self.floor_from_us = host_us;
            self.floor = Some([offset_us, now]);
        } else {
            self.floor = Some([now.min(offset_us), before]);
        }
    }
}

/// The unwrapped time of `t_us` nearest to where the clock should stand by the host's clock.
fn nearest(last: Moment, host_us: u64, t_us: u32) -> i64 {
    let due = last.probe + signed(host_us) - signed(last.host);
    let raw_due = i64::from(last.raw) + signed(host_us) - signed(last.host);
    due + wrapped(i64::from(t_us) - raw_due)
}

/// A difference of 32-bit times, brought into half a wrap either side of zero.
fn wrapped(difference: i64) -> i64 {
    const WRAP: i64 = 1 << 32;
    (difference + WRAP / 2).rem_euclid(WRAP) - WRAP / 2
}

/// Host microseconds as a signed number; 2^63 microseconds are 292 000 years.
fn signed(us: u64) -> i64 {
    i64::try_from(us).unwrap_or(i64::MAX)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn late_lines_run_and_a_step_back_does_not() {
        let mut clock = ProbeClock::default();
        clock.advance(5_000_000, 50_000_000);
        assert_eq!(clock.course(5_000_100, 49_100_000), Course::Runs);
        assert_eq!(clock.course(5_000_100, 48_900_000), Course::WentBack);
        // a line that waited 20 s in a stalled host, and then its followers all at once
        assert_eq!(clock.course(25_000_000, 51_000_000), Course::Runs);
        clock.advance(25_000_000, 51_000_000);
        assert_eq!(clock.course(25_000_000, 70_000_000), Course::Runs);
        assert_eq!(clock.course(25_000_000, 72_000_000), Course::WentAhead);
    }

    #[test]
    fn wraps_in_a_silence_are_told_from_the_host() {
        let mut clock = ProbeClock::default();
        clock.advance(0, 0);
        let start = clock.unwrap(0);
        let silence = 5u64 * (1 << 32) + 1234;
        assert_eq!(clock.course(silence, 1234), Course::Runs);
        clock.advance(silence, 1234);
        assert_eq!(clock.unwrap(1234) - start, silence);
    }
}

//! Probe clock to host clock.
//!
//! [`ProbeClock`] makes 64-bit time of a probe's 32-bit microseconds, across wraps and resets.
//! [`HostMap`] ties that time to the host's clock by the lower envelope of host minus probe time: no line
//! arrives before it is sent, so the least delayed lines bound the offset from above, and two of them far
//! apart give the drift. Two probes mapped to the host are mapped to each other.

use std::collections::VecDeque;

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

/// Host time over which the map looks back, microseconds. Longer averages more lines, but a crystal in a
/// warming room changes its rate: 1 ppm in 100 s bends the offset by 0.45 ms over this stretch.
const MAP_WINDOW_US: i64 = 600_000_000;
/// Stretch whose sums are kept together, microseconds.
const BLOCK_US: i64 = 10_000_000;
/// Corners kept at most; a convex hull of random delays has about ln(n) of them.
const MOST_CORNERS: usize = 256;
/// Shorter than this, microseconds, a drift cannot be told from jitter: rate 0.
const SHORTEST_FOR_RATE_US: i64 = 2_000_000;

/// One line's arrival: `x` probe time, `y` host minus probe time, microseconds from the map's origins.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
struct Arrival {
    x: i64,
    y: i64,
}

/// Sums over the arrivals of [`BLOCK_US`].
#[derive(Clone, Copy, Debug)]
struct Block {
    /// Probe time of the first arrival.
    from: i64,
    n: u32,
    sum_x: i128,
    sum_y: i128,
}

/// Probe time to host time, streaming, in bounded memory.
///
/// Keeps the lower convex hull of the arrivals and takes the edge under their mean: of all lines below all
/// arrivals it is the one with the least sum of distances (Moon, Skelly and Towsley 1999, estimation of
/// clock skew by linear programming; from memory). What stays unknown is the smallest latency itself, which
/// is the same for probes of the same make on the same kind of port. (A port that hands over every 16 ms what it
/// has, and a probe whose lines keep step with that, leave up to the step open: 2 ms at a line every 50 ms.)
///
/// ```
/// let mut map = feelgauge::timebase::HostMap::default();
/// for k in 0..1000u64 {
///     // 40 ppm slow, and every line but each seventh late by some ms
///     let (probe_us, late_us) = (k * 50_000, (k % 7) * 1_500);
///     map.push(probe_us, 7_000_000 + probe_us + probe_us / 25_000 + late_us);
/// }
/// let fit = map.fit().unwrap();
/// assert!((fit.host_us(30_000_000) - 37_001_200.0).abs() < 100.0);
/// assert!((fit.rate_ppm() - 40.0).abs() < 5.0);
/// ```
#[derive(Clone, Debug, Default)]
pub struct HostMap {
    /// Probe and host time of the first arrival.
    origin_us: Option<(i64, i64)>,
    /// Corners of the lower hull, by rising x.
    hull: VecDeque<Arrival>,
    blocks: VecDeque<Block>,
}

/// A map at one moment.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct HostFit {
    /// Middle of the arrivals, probe time in microseconds.
    centre_us: i64,
    /// Host time at `centre_us`: whole microseconds and the rest.
    host_us: i64,
    rest_us: f64,
    /// Host time gained in a microsecond of the probe.
    rate: f64,
    /// Half the stretch of the arrivals, microseconds, > 0.
    half_us: f64,
    /// Mean of the arrivals above the map, microseconds.
    pub mean_late_us: f64,
    /// Arrivals that the map rests on.
    pub arrivals: u32,
}

impl HostMap {
    /// Takes a line: its latest probe time (unwrapped) and the host time of its arrival, less the time that
    /// its bytes took on the wire. A time that is not later than the one before is left out.
    pub fn push(&mut self, probe_us: u64, host_us: u64) {
        let (probe_us, host_us) = (signed(probe_us), signed(host_us));
        let (probe_0, host_0) = *self.origin_us.get_or_insert((probe_us, host_us));
        let at = Arrival {
            x: probe_us - probe_0,
            y: (host_us - host_0) - (probe_us - probe_0),
        };
        if self.hull.back().is_some_and(|last| at.x <= last.x) {
            return;
        }
        while let [.., a, b] = *self.hull.make_contiguous()
            && !is_below(a, b, at)
        {
            self.hull.pop_back();
        }
        self.hull.push_back(at);
        self.note(at);
        self.forget(at.x - MAP_WINDOW_US);
    }

    /// The probe started anew: what was known of its clock is void.
    pub fn restart(&mut self) {
        *self = Self::default();
    }

    /// The map as it stands; `None` before the first arrival.
    pub fn fit(&self) -> Option<HostFit> {
        let (probe_0, host_0) = self.origin_us?;
        let (first, last) = (self.hull.front()?, self.hull.back()?);
        let arrivals: u32 = self.blocks.iter().map(|b| b.n).sum();
        let n = f64::from(arrivals);
        let mean_x = sum(self.blocks.iter().map(|b| b.sum_x)) / n;
        let mean_y = sum(self.blocks.iter().map(|b| b.sum_y)) / n;
        let span = last.x - first.x;
        let (from, rate) = if span < SHORTEST_FOR_RATE_US {
            (*self.hull.iter().min_by_key(|a| a.y)?, 0.0)
        } else {
            let right = self.hull.partition_point(|a| (a.x as f64) < mean_x);
            let right = right.clamp(1, self.hull.len() - 1);
            let (a, b) = (self.hull[right - 1], self.hull[right]);
            (a, (b.y - a.y) as f64 / (b.x - a.x) as f64)
        };
        let centre = first.x + span / 2;
        let offset = from.y as f64 + rate * (centre - from.x) as f64;
        Some(HostFit {
            centre_us: probe_0 + centre,
            host_us: host_0 + centre,
            rest_us: offset,
            rate,
            half_us: (span as f64 / 2.0).max(1.0),
            mean_late_us: mean_y - (offset + rate * (mean_x - centre as f64)),
            arrivals,
        })
    }

    fn note(&mut self, at: Arrival) {
        match self.blocks.back_mut() {
            Some(block) if at.x - block.from < BLOCK_US => {
                block.n += 1;
                block.sum_x += i128::from(at.x);
                block.sum_y += i128::from(at.y);
            }
            _ => self.blocks.push_back(Block {
                from: at.x,
                n: 1,
                sum_x: at.x.into(),
                sum_y: at.y.into(),
            }),
        }
    }

    /// Drops what is older than `x`, but keeps an edge.
    fn forget(&mut self, x: i64) {
        while self.blocks.front().is_some_and(|b| b.from + BLOCK_US < x) {
            self.blocks.pop_front();
        }
        while self.hull.len() > 2 && (self.hull[1].x < x || self.hull.len() > MOST_CORNERS) {
            self.hull.pop_front();
        }
    }
}

impl HostFit {
    /// Host time of a probe time, microseconds.
    pub fn host_us(&self, probe_us: u64) -> f64 {
        let from_centre = signed(probe_us) - self.centre_us;
        (self.host_us + from_centre) as f64 + (self.rest_us + self.rate * from_centre as f64)
    }

    /// Probe time of a host time, microseconds.
    pub fn probe_us(&self, host_us: u64) -> f64 {
        let from_centre = (signed(host_us) - self.host_us) as f64 - self.rest_us;
        self.centre_us as f64 + from_centre / (1.0 + self.rate)
    }

    /// How much slower the probe's clock is than the host's, parts in a million.
    pub fn rate_ppm(&self) -> f64 {
        self.rate * 1e6
    }

    /// Standard uncertainty of [`HostFit::host_us`], microseconds, the constant smallest latency apart.
    ///
    /// Derived: of n/2 delays spread evenly up to twice their mean m the smallest is 4 m / n on average, on
    /// either side of the centre where the edge is held; the lever doubles it at the ends.
    pub fn u_us(&self, probe_us: u64) -> f64 {
        let lever = (signed(probe_us) - self.centre_us) as f64 / self.half_us;
        let centre = 4.0 * self.mean_late_us.max(0.0) / f64::from(self.arrivals.max(1));
        1.0 + centre * (1.0 + lever.abs())
    }
}

fn sum(parts: impl Iterator<Item = i128>) -> f64 {
    parts.sum::<i128>() as f64
}

/// True when `b` lies below the line from `a` to `c`; exact.
fn is_below(a: Arrival, b: Arrival, c: Arrival) -> bool {
    let wide = |n: i64| i128::from(n);
    wide(b.y - a.y) * wide(c.x - a.x) < wide(c.y - a.y) * wide(b.x - a.x)
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

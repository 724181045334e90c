//! The one room that reads the clock. Everything else is handed its time, so that the virtual bench
//! can supply it: same seed, same bytes.

use std::sync::{
    Arc,
    atomic::{AtomicI64, AtomicU64, Ordering},
};

/// The wall clock may drift so far from the monotonic one between two looks before it was set, microseconds: time
/// servers slew by less than a thousandth.
pub const SET_US: i64 = 2_000_000;

/// Where host time comes from.
#[derive(Clone, Debug)]
pub enum Clock {
    /// The machine's monotonic clock, counted from the moment this value was made, and its wall clock.
    System(std::time::Instant),
    /// Time that runs `speed` times as fast as the machine's, for a virtual bench that is lived with: host time and wall
    /// clock both.
    Scaled {
        /// When it was made.
        from: std::time::Instant,
        /// Wall time then.
        start: jiff::Timestamp,
        /// How many times as fast, 1 or more.
        speed: u32,
    },
    /// Time that the virtual bench sets, microseconds; the wall clock starts at a given instant.
    Virtual {
        /// Microseconds since the start of the virtual bench.
        now_us: Arc<AtomicU64>,
        /// Wall time at zero.
        start: jiff::Timestamp,
        /// By how much the wall clock was set since, microseconds.
        set_us: Arc<AtomicI64>,
    },
}

impl Clock {
    /// The machine's clock; host time zero is now.
    #[allow(clippy::disallowed_methods)] // this is the room that may
    pub fn system() -> Self {
        Self::System(std::time::Instant::now())
    }

    /// A clock that runs `speed` times as fast as the machine's (0 counts as 1); host time zero is now.
    #[allow(clippy::disallowed_methods)]
    pub fn scaled(speed: u32) -> Self {
        Self::Scaled {
            from: std::time::Instant::now(),
            start: jiff::Timestamp::now(),
            speed: speed.max(1),
        }
    }

    /// How long the machine's clock takes for so many microseconds of this one; no time for one that is set.
    pub fn takes(&self, us: u64) -> std::time::Duration {
        match self {
            Self::System(_) => std::time::Duration::from_micros(us),
            Self::Scaled { speed, .. } => std::time::Duration::from_micros(us) / *speed,
            Self::Virtual { .. } => std::time::Duration::ZERO,
        }
    }

    /// A clock that stands at zero until [`Clock::set_us`] moves it.
    pub fn virtual_from(start: jiff::Timestamp) -> Self {
        Self::Virtual {
            now_us: Arc::default(),
            start,
            set_us: Arc::default(),
        }
    }

    /// Monotonic host time, microseconds since the clock was made.
    #[allow(clippy::disallowed_methods)]
    pub fn host_us(&self) -> u64 {
        match self {
            Self::System(t0) => u64::try_from(t0.elapsed().as_micros()).unwrap_or(u64::MAX),
            Self::Scaled { from, speed, .. } => {
                let us = from.elapsed().as_micros() * u128::from(*speed);
                u64::try_from(us).unwrap_or(u64::MAX)
            }
            Self::Virtual { now_us, .. } => now_us.load(Ordering::Relaxed),
        }
    }

    /// Wall time now.
    #[allow(clippy::disallowed_methods)]
    pub fn wall(&self) -> jiff::Timestamp {
        match self {
            Self::System(_) => jiff::Timestamp::now(),
            Self::Scaled { start, .. } => after(*start, self.host_us(), 0),
            Self::Virtual { start, set_us, .. } => {
                after(*start, self.host_us(), set_us.load(Ordering::Relaxed))
            }
        }
    }

    /// Somebody sets a virtual wall clock forward by so many microseconds, or back; host time goes on.
    pub fn set_wall(&self, by_us: i64) {
        if let Self::Virtual { set_us, .. } = self {
            set_us.fetch_add(by_us, Ordering::Relaxed);
        }
    }

    /// True when both count from the same moment: a difference of their host times means something.
    pub fn is_same(&self, other: &Self) -> bool {
        match (self, other) {
            (Self::System(a), Self::System(b)) => a == b,
            (
                Self::Scaled {
                    from: a, speed: x, ..
                },
                Self::Scaled {
                    from: b, speed: y, ..
                },
            ) => (a, x) == (b, y),
            (Self::Virtual { now_us: a, .. }, Self::Virtual { now_us: b, .. }) => Arc::ptr_eq(a, b),
            _ => false,
        }
    }

    /// Wall time less host time, microseconds; it changes when somebody sets the wall clock.
    pub fn offset_us(&self) -> i64 {
        let host_us = i64::try_from(self.host_us()).unwrap_or(i64::MAX);
        self.wall().as_microsecond().saturating_sub(host_us)
    }

    /// The day, UTC.
    pub fn day(&self) -> jiff::civil::Date {
        jiff::tz::TimeZone::UTC.to_datetime(self.wall()).date()
    }

    /// Moves a virtual clock forward to `us`; the others are not moved.
    pub fn set_us(&self, us: u64) {
        if let Self::Virtual { now_us, .. } = self {
            now_us.fetch_max(us, Ordering::Relaxed);
        }
    }
}

/// An instant after `start`; that itself where there is none so late.
fn after(start: jiff::Timestamp, host_us: u64, set_us: i64) -> jiff::Timestamp {
    let us = i64::try_from(host_us)
        .unwrap_or(i64::MAX)
        .saturating_add(set_us);
    start
        .checked_add(jiff::SignedDuration::from_micros(us))
        .unwrap_or(start)
}

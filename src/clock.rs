//! The one room that reads the clock. Everything else is handed its time, so that the virtual bench
//! can supply it: same seed, same bytes.

use std::sync::{
    Arc,
    atomic::{AtomicU64, Ordering},
};

/// Where host time comes from.
#[derive(Clone, Debug)]
pub enum Clock {
    /// The machine's monotonic clock, counted from the moment this value was made, and its wall clock.
    System(std::time::Instant),
    /// Time that the virtual bench sets, microseconds; the wall clock starts at a given instant.
    Virtual {
        /// Microseconds since the start of the virtual bench.
        now_us: Arc<AtomicU64>,
        /// Wall time at zero.
        start: jiff::Timestamp,
    },
}

impl Clock {
    /// The machine's clock; host time zero is now.
    #[allow(clippy::disallowed_methods)] // this is the room that may
    pub fn system() -> Self {
        Self::System(std::time::Instant::now())
    }

    /// A clock that stands at zero until [`Clock::set_us`] moves it.
    pub fn virtual_from(start: jiff::Timestamp) -> Self {
        Self::Virtual {
            now_us: Arc::default(),
            start,
        }
    }

    /// Monotonic host time, microseconds since the clock was made.
    #[allow(clippy::disallowed_methods)]
    pub fn host_us(&self) -> u64 {
        match self {
            Self::System(t0) => u64::try_from(t0.elapsed().as_micros()).unwrap_or(u64::MAX),
            Self::Virtual { now_us, .. } => now_us.load(Ordering::Relaxed),
        }
    }

    /// Wall time now.
    #[allow(clippy::disallowed_methods)]
    pub fn wall(&self) -> jiff::Timestamp {
        match self {
            Self::System(_) => jiff::Timestamp::now(),
            Self::Virtual { now_us, start } => {
                let us = i64::try_from(now_us.load(Ordering::Relaxed)).unwrap_or(i64::MAX);
                start
                    .checked_add(jiff::SignedDuration::from_micros(us))
                    .unwrap_or(*start)
            }
        }
    }

    /// The day, UTC.
    pub fn day(&self) -> jiff::civil::Date {
        jiff::tz::TimeZone::UTC.to_datetime(self.wall()).date()
    }

    /// Moves a virtual clock forward to `us`; a system clock is not moved.
    pub fn set_us(&self, us: u64) {
        if let Self::Virtual { now_us, .. } = self {
            now_us.fetch_max(us, Ordering::Relaxed);
        }
    }
}

//! Leak: the pressure of a plugged tank that was pumped up and is left alone, from readings to a verdict.

mod finding;

pub use finding::{
    LeakFinding, LeakQuality, LeakRateUnits, LeakSettings, LeakTrace, Range, Regime,
};

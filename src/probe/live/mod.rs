//! The virtual bench in real time: three virtual probes that stay plugged in for as long as the daemon runs, behind the
//! same links as real ones, and a virtual hand that does what a person would.
//!
//! The readings are invented: they come from the seeded simulations of `physics`, and the identity of each probe says so
//! (firmware `virtual-1`). Same seed and same orders at the same times of the clock: same lines.

mod cord;
mod lines;
mod port;
mod tank;
mod wheel;
mod world;

#[cfg(test)]
mod tests;

use std::{
    fmt,
    sync::{Arc, Mutex, MutexGuard, PoisonError},
};

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

pub use port::LivePort;

use super::{
    discover::{Found, Listing},
    serial::OpenError,
};
use crate::{
    clock::Clock,
    inspect::Test,
    vehicle::{Vehicle, VehicleError},
};
use world::World;

/// Faults that the virtual bench can be told to have. They hold from the next pumping, the next pull, the next roll on;
/// a probe is unplugged at once.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Fault {
    /// The lid seeps as it did before the repair, or is tight.
    SeepingLid(bool),
    /// The engine does not turn: the cord is stuck.
    SeizedEngine(bool),
    /// The engine is worn, or fresh.
    WornEngine(bool),
    /// A snag in this part of the car's file; null: none.
    Snag(Option<String>),
    /// The probe of this kind is unplugged, or plugged in again.
    Unplugged(String, bool),
}

/// The virtual bench's switches.
#[derive(Clone, Debug, Default, PartialEq, Serialize, JsonSchema)]
pub struct Virtual {
    /// The lid seeps.
    pub seeping_lid: bool,
    /// The engine does not turn.
    pub seized_engine: bool,
    /// The engine is worn.
    pub worn_engine: bool,
    /// Part with a snag.
    pub snag: Option<String>,
    /// Parts of the car's file that can be given a snag, in its order.
    pub parts: Vec<String>,
    /// Kinds of the probes that are unplugged.
    pub unplugged: Vec<String>,
}

/// What the virtual hand is told; a person would see and do it.
#[derive(Clone, Debug, PartialEq)]
pub enum Told {
    /// A test is recorded from now on.
    Begun {
        /// The test.
        test: Test,
        /// Setup of the car's file; none: the file's first of this test.
        setup: Option<String>,
        /// Gauge pressure to pump to, Pa (leak).
        mark_pa: Option<f64>,
    },
    /// The test is over: let the air out, stop pulling, catch the wheel.
    Ended,
    /// The warning was touched: let go of the cord.
    LetGo,
}

/// A switch that the bench does not have.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct NoSwitch(String);

impl fmt::Display for NoSwitch {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.0)
    }
}

impl std::error::Error for NoSwitch {}

/// A handle on the virtual bench; clones are the same bench.
#[derive(Clone, Debug)]
pub struct LiveBench {
    clock: Clock,
    world: Arc<Mutex<World>>,
}

impl LiveBench {
    /// A bench with the car of a vehicle file, without faults. `clock` is the daemon's: readings come by its time.
    ///
    /// # Errors
    /// A fault of the vehicle file.
    pub fn new(clock: Clock, vehicle_toml: &str, seed: u64) -> Result<Self, VehicleError> {
        let car = Vehicle::parse(vehicle_toml)?;
        let world = World::new(car, vehicle_toml, seed);
        Ok(Self {
            clock,
            world: Arc::new(Mutex::new(world)),
        })
    }

    /// A panic while the world moves is a bug that the port's task reports; the others see the world as it was left.
    fn world(&self) -> MutexGuard<'_, World> {
        self.world.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// The ports of the probes that are plugged in.
    pub fn list(&self) -> Listing {
        let found = |path: &str| Found {
            path: path.into(),
            device: path.into(),
        };
        Listing {
            ports: self.world().paths().map(found).collect(),
            trouble: None,
        }
    }

    /// Opens a port.
    ///
    /// # Errors
    /// There is none of that name, its probe is unplugged, or somebody has it open.
    pub fn open(&self, path: &str) -> Result<LivePort, OpenError> {
        let now_us = self.clock.host_us();
        let (probe, opening) = self.world().open(path, now_us)?;
        Ok(LivePort::new(self.clone(), probe, opening))
    }

    /// Tells the hand.
    pub fn tell(&self, told: &Told) {
        let now_us = self.clock.host_us();
        self.world().tell(told, now_us);
    }

    /// Switches a fault on or off.
    ///
    /// # Errors
    /// [`NoSwitch`]: there is no such part or probe; says which there are.
    pub fn switch(&self, fault: &Fault) -> Result<(), NoSwitch> {
        let now_us = self.clock.host_us();
        self.world().switch(fault, now_us)
    }

    /// How the switches stand.
    pub fn switches(&self) -> Virtual {
        self.world().switches().clone()
    }
}
